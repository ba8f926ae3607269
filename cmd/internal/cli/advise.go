package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
)

// siteOptions are those of check, advise and leave, which look at one job with
// its settings.
type siteOptions struct {
	env  *Env
	book *bookFlag
	job  string
	json bool
	all  bool // check: what is clear as well
	set  overrides
}

func (o *siteOptions) flags(c *cobra.Command) *cobra.Command {
	jobFlag(c, &o.job)
	c.Flags().BoolVar(&o.json, "json", false, "the machine-readable answer")
	for _, n := range asfound.SettingNames() {
		c.Flags().StringVar(o.set.of(n[0]), n[0], "", n[1]+" (default: as set in the book)")
	}
	return c
}

func newAdvise(e *Env, b *bookFlag) *cobra.Command {
	o := &siteOptions{env: e, book: b, set: overrides{}}
	return o.flags(&cobra.Command{
		Use:   "advise --job NAME",
		Short: "say which readings are worth taking next, with what each would do",
		Long: `Advise names first the readings to settle before anything is cut, then those
that save more minutes of cutting than they take. Where no reading does, it says
how to cut.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.advise(c.Context()) },
	})
}

func (o *siteOptions) advise(ctx context.Context) error {
	book, set, err := o.book.work(o.job, o.set)
	if err != nil {
		return err
	}
	found, err := asfound.Work(ctx, book, set)
	if err != nil {
		return err
	}
	if o.json {
		return report.AdviseJSON(o.env.Out, found)
	}
	return o.env.show(func(w io.Writer, s report.Style) error { return report.Advise(w, found, s) })
}

func newLeave(e *Env, b *bookFlag) *cobra.Command {
	o := &siteOptions{env: e, book: b, set: overrides{}}
	return o.flags(&cobra.Command{
		Use:   "leave --job NAME",
		Short: "the end-of-visit check: what is missing, suspect, unsure or unchecked",
		Long: `Leave lists, before you go, what is missing, doubtful or unchecked: readings to
take again, readings that are missing, suspect or that nothing checks, and flags
that are unsure. It leaves with 3 when there is any.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.leave(c.Context()) },
	})
}

func (o *siteOptions) leave(ctx context.Context) error {
	book, set, err := o.book.work(o.job, o.set)
	if err != nil {
		return err
	}
	found, err := asfound.Work(ctx, book, set)
	if err != nil {
		return err
	}
	open := asfound.Leave(found)
	if o.json {
		err = report.LeaveJSON(o.env.Out, book.Job.Name, open)
	} else {
		err = o.env.show(func(w io.Writer, s report.Style) error { return report.Leave(w, found, open, s) })
	}
	if err != nil {
		return err
	}
	for i := range open {
		if !open[i].Empty() {
			return errFlagged
		}
	}
	return nil
}
