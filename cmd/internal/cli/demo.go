package cli

import (
	"bytes"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/sheet"
)

// demoSheet is an invented terraced house with three bays: F1/left is true,
// in F1/right the gap drifts, and in F2/left the gap at the top was misread.
// Its figures are computed for this demo, from stairs of known truth with the
// errors of a tape and an angle gauge added.
//
//go:embed demo.csv
var demoSheet []byte

const demoJob = "3 Ropewalk Terrace (invented)"

type demoOptions struct {
	env       *Env
	json, all bool
}

func newDemo(e *Env) *cobra.Command {
	o := &demoOptions{env: e}
	c := &cobra.Command{
		Use:   "demo",
		Short: "write and check an invented stair in a temporary book",
		Long: `Demo takes the field sheet of an invented terraced house into a temporary
book, checks it, and throws the book away. One bay is true, one drifts, one has
a slip in it.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	c.Flags().BoolVar(&o.json, "json", false, "the machine-readable answer")
	c.Flags().BoolVar(&o.all, "all", false, "show the checks that are clear as well")
	return c
}

func (o *demoOptions) run(ctx context.Context) (err error) {
	dir, err := os.MkdirTemp("", "pinchrod-demo-")
	if err != nil {
		return fmt.Errorf("making a temporary book: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	s, err := store.Create(filepath.Join(dir, "demo.book"), o.env.options())
	if err != nil {
		return err
	}
	defer s.Close()
	rows, err := sheet.Read(bytes.NewReader(demoSheet), survey.HouseKit)
	if err != nil {
		return err
	}
	n, err := o.env.take(s, demoJob, rows)
	if err != nil {
		return err
	}
	book, err := loadFrom(s, demoJob)
	if err != nil {
		return err
	}
	found, err := asfound.Work(ctx, book, asfound.Defaults())
	if err != nil {
		return err
	}
	if o.json {
		return report.JSON(o.env.Out, found)
	}
	o.env.say("%d readings of an invented stair, in a temporary book", n)
	return o.env.show(func(w io.Writer, s report.Style) error { return report.Check(w, found, o.all, s) })
}
