package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
)

type checkOptions struct {
	env  *Env
	book *bookFlag
	job  string
	json bool
	set  overrides
}

func newCheck(e *Env, b *bookFlag) *cobra.Command {
	o := &checkOptions{env: e, book: b, set: overrides{}}
	c := &cobra.Command{
		Use:   "check --job NAME",
		Short: "say what is out of true, how sure that is, and how to cut the pieces",
		Long: `Check adjusts the standing readings of every bay and says what is out, by how
much, how sure, and what to do; how many spindles go where; and whether
spindles and fillets can be cut to one stop, to a few, or must be fitted.
It leaves with 3 when something is flagged.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	jobFlag(c, &o.job)
	f := c.Flags()
	f.BoolVar(&o.json, "json", false, "the machine-readable answer")
	for _, n := range asfound.SettingNames() {
		f.StringVar(o.set.of(n[0]), n[0], "", n[1]+" (default: as set in the book)")
	}
	return c
}

func (o *checkOptions) run(ctx context.Context) error {
	book, set, err := o.book.work(o.job, o.set)
	if err != nil {
		return err
	}
	found, err := asfound.Work(ctx, book, set)
	if err != nil {
		return err
	}
	if o.json {
		err = report.JSON(o.env.Out, found)
	} else {
		err = o.env.show(func(w io.Writer, s report.Style) error { return report.Check(w, found, s) })
	}
	if err != nil {
		return err
	}
	if found.Flagged() {
		return errFlagged
	}
	return nil
}
