package cli

import (
	"bytes"
	"fmt"

	"github.com/spf13/cobra"

	"pinchrod/survey"
	"pinchrod/survey/report"
	"pinchrod/survey/sheet"
)

type exportOptions struct {
	env  *Env
	book *bookFlag
	job  string
}

func newExport(e *Env, b *bookFlag) *cobra.Command {
	o := &exportOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "export --job NAME",
		Short: "write the standing readings as a field sheet",
		Long: `Export writes the readings that stand to standard output, as a sheet that
imports to the same readings. Readings struck or corrected are left out, and
their number is said. A trial piece that was written as a word alone is written
with its length, 812 tight.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return o.run() },
	}
	jobFlag(c, &o.job)
	return c
}

func (o *exportOptions) run() error {
	book, err := o.book.load(o.job)
	if err != nil {
		return err
	}
	var rows []survey.Reading
	newer := 0
	for _, e := range book.Pieced() {
		if e.Newer {
			newer++
			continue
		}
		rows = append(rows, e.Reading)
	}
	var out bytes.Buffer // whole or not at all
	if err := sheet.Write(&out, rows); err != nil {
		return err
	}
	if _, err := o.env.Out.Write(out.Bytes()); err != nil {
		return fmt.Errorf("writing the sheet: %w", err)
	}
	if n := len(book.Entries) - len(rows) - newer; n > 0 {
		o.env.say("left out: %s struck or corrected", report.Count(n, "reading"))
	}
	if newer > 0 {
		o.env.say("left out: %s of a newer version; update pinchrod to export them", report.Count(newer, "reading"))
	}
	return nil
}
