package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
)

func newCheck(e *Env, b *bookFlag) *cobra.Command {
	o := &siteOptions{env: e, book: b, set: overrides{}}
	c := o.flags(&cobra.Command{
		Use:   "check --job NAME",
		Short: "say what is out of true, how sure that is, and how to cut the pieces",
		Long: `Check says for every bay how to cut its spindles and fillets with the least
work: to one stop, to a few, or fitted one by one. Then it says what is out of
true, by how much and what to do. It leaves with 3 when something is flagged.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.check(c.Context()) },
	})
	c.Flags().BoolVar(&o.all, "all", false, "show the checks that are clear as well")
	return c
}

func (o *siteOptions) check(ctx context.Context) error {
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
		err = o.env.show(func(w io.Writer, s report.Style) error { return report.Check(w, found, o.all, s) })
	}
	if err != nil {
		return err
	}
	if found.Flagged() {
		return errFlagged
	}
	return nil
}
