package cli

import (
	"context"
	"fmt"
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
	set  asfound.Settings
}

func newCheck(e *Env, b *bookFlag) *cobra.Command {
	o := &checkOptions{env: e, book: b, set: asfound.Defaults()}
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
	f.Float64Var(&o.set.Target, "target", o.set.Target, "clear gap aimed at between spindles, mm")
	f.Float64Var(&o.set.Opening, "opening", o.set.Opening, "largest ball that may not pass, mm")
	f.Float64Var(&o.set.Joint, "joint", o.set.Joint, "widest joint that still looks closed, mm")
	f.Float64Var(&o.set.House.Risk, "all-fit", o.set.House.Risk, "probability asked for that all pieces fit")
	return c
}

func (o *checkOptions) run(ctx context.Context) error {
	for _, f := range []struct {
		name         string
		v, low, high float64
	}{
		{"target", o.set.Target, 10, 1000}, {"opening", o.set.Opening, 10, 1000},
		{"joint", o.set.Joint, 0.05, 10}, {"all-fit", o.set.House.Risk, 0.51, 0.9999},
	} {
		if !(f.v >= f.low && f.v <= f.high) {
			return fmt.Errorf("%w: --%s %g: give %g to %g", errUsage, f.name, f.v, f.low, f.high)
		}
	}
	book, err := o.book.load(o.job)
	if err != nil {
		return err
	}
	found, err := asfound.Work(ctx, book, o.set)
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
