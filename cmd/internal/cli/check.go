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
	return o.flags(&cobra.Command{
		Use:   "check --job NAME",
		Short: "say what is out of true, how sure that is, and how to cut the pieces",
		Long: `Check adjusts the standing readings of every bay and says what is out, by how
much, how sure, and what to do; how many spindles go where; and whether
spindles and fillets can be cut to one stop, to a few, or must be fitted.
It leaves with 3 when something is flagged.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.check(c.Context()) },
	})
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
