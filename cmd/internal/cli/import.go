package cli

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/guide"
	"pinchrod/survey/report"
	"pinchrod/survey/sheet"
)

type importOptions struct {
	env   *Env
	book  *bookFlag
	sheet string
	job   string
}

func newImport(e *Env, b *bookFlag) *cobra.Command {
	o := &importOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "import SHEET.csv --job NAME",
		Short: "take a field sheet into the book, whole or not at all",
		Long: `Import reads a field sheet and writes its readings to the book. A sheet with
anything wrong in it is refused, every bad cell reported, and nothing is taken.
The same sheet twice adds nothing; a sheet that has grown adds what is new.
A job that does not exist is made, and so is the first book. SHEET - is
standard input.

Columns, in any order: where, what, at, height, value, u, tool, by, when, note.
Only where, what and value are needed.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.sheet = args[0]
			return o.run()
		},
	}
	jobFlag(c, &o.job)
	return c
}

func (o *importOptions) run() error {
	name, err := survey.ParseName(o.job)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	kit, _, err := o.book.kit()
	if err != nil && !errors.Is(err, store.ErrMissing) {
		return err
	}
	rows, err := o.read(kit)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return fmt.Errorf("%w: the sheet %s has a header and no readings: nothing to take", errUsage, o.sheet)
	}
	s, err := o.book.openOrCreate()
	if err != nil {
		return err
	}
	defer s.Close()
	added, err := o.env.take(s, name, rows)
	if err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "%s taken into job %q, %d there already\n", report.Count(added, "reading"), name, len(rows)-added)
	for _, r := range rows {
		if odd := guide.Odd(r); odd != "" {
			o.env.say("odd: %s %s: %s", r.Where, r.Title(), odd)
		}
	}
	return nil
}

func (o *importOptions) read(kit survey.Kit) ([]survey.Reading, error) {
	in := o.env.In
	if o.sheet != "-" {
		f, err := os.Open(o.sheet)
		if err != nil {
			return nil, fmt.Errorf("opening the sheet: %w; give the file's name, or - for standard input", err)
		}
		defer f.Close()
		in = f
	}
	rows, err := sheet.Read(io.Reader(in), kit)
	if err != nil && !isReport(err) {
		err = fmt.Errorf("sheet %s: %w", o.sheet, err)
	}
	return rows, err
}

func isReport(err error) bool {
	var r sheet.Report
	return errors.As(err, &r)
}

// take writes the rows that the job does not hold yet, and makes the job if
// need be, in one page.
func (e *Env) take(s *store.Store, name string, rows []survey.Reading) (int, error) {
	var p survey.Payload
	var id journal.ID
	book, err := loadFrom(s, name)
	switch {
	case err == nil:
		id, p.Readings = book.Job.ID, book.New(rows)
	case errors.Is(err, fieldbook.ErrNoJob):
		if id, err = e.newID(); err != nil {
			return 0, err
		}
		p.Job, p.Readings = &survey.JobRecord{Name: name}, rows
	default:
		return 0, err
	}
	if len(p.Readings) == 0 {
		return 0, nil
	}
	_, err = e.write(s, id, p)
	return len(p.Readings), err
}
