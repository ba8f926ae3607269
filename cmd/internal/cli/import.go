package cli

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
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
	if !slices.ContainsFunc(rows, func(r survey.Reading) bool { return r.What == survey.SpacerWalk }) {
		return nil
	}
	return o.env.level(s, name, kit)
}

// level asks about the spacer walks of a job whose spacers are off by the pitch.
func (e *Env) level(s *store.Store, name string, kit survey.Kit) error {
	book, err := loadFrom(s, name)
	if err != nil {
		return err
	}
	set := e.settings()
	set.FromBook(book)
	set.Kit = kit
	site, err := asfound.NewSite(book, set)
	if err != nil {
		return err
	}
	for _, walk := range book.Standing() {
		if walk.Reading.What != survey.SpacerWalk {
			continue
		}
		site.Drop(walk)
		if odd := site.LevelSpacer(walk.Reading); odd != "" {
			e.say("odd: %s %s %s: %s If not, strike %s and write the length along the rail", walk.Reading.Where, walk.Reading.Title(), walk.Reading.Value, odd, walk.Ref.Short())
		}
		site.Add(walk)
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

// pieceless refuses rows of a trial piece whose length neither the book nor a row
// before them gives, all of them at once.
func pieceless(book *fieldbook.Book, rows []survey.Reading, device journal.ID) error {
	var with fieldbook.Book
	if book != nil {
		with = *book
	}
	with.Entries = slices.Clip(with.Entries)
	var wrong []error
	for i, r := range rows {
		if _, err := with.WithPiece(r, device); err != nil {
			wrong = append(wrong, fmt.Errorf("%s %s %q: %w", r.Where, r.Title(), r.Text, err))
		}
		ref := journal.Ref{Device: device, Page: math.MaxUint64 - 1, Item: uint32(i + 1)}
		with.Entries = append(with.Entries, fieldbook.Entry{Ref: ref, Reading: r})
	}
	if len(wrong) > 0 {
		return fmt.Errorf("%w: %w", errUsage, errors.Join(wrong...))
	}
	return nil
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
	if err := pieceless(book, p.Readings, s.Device()); err != nil {
		return 0, err
	}
	_, err = e.write(s, id, p)
	return len(p.Readings), err
}
