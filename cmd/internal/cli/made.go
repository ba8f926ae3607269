package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
)

type madeOptions struct {
	siteOptions
	bay, part, setting, length, pieces, kept, used string
	by, when, note                                 string
	recut, spares                                  int

	stop unit.Length // of the sheet, for a batch
}

func newMade(e *Env, b *bookFlag) *cobra.Command {
	o := &madeOptions{siteOptions: siteOptions{env: e, book: b, set: overrides{}}}
	c := &cobra.Command{
		Use:   "made --job NAME --bay F1/left --part spindle",
		Short: "write down what was cut at the bench, or cut again on site",
		Long: `Made writes down what was cut for a bay from its sheet: the setting, the length of
a piece as measured where the stop is, how many, and the offcuts that went onto
the rack. Check then says whether what was cut still fits what the book says is
needed, and stock plans with the offcuts.

With --recut N one piece was cut again on site until it fitted. Of a spindle that
is a reading as well: the length of a piece that fits at its place.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	jobFlag(c, &o.job)
	f := c.Flags()
	f.StringVar(&o.bay, "bay", "", "the bay, such as F1/left")
	f.StringVar(&o.part, "part", "", "spindle, base-fillet or rail-fillet")
	f.StringVar(&o.setting, "setting", "A", "the setting of the sheet, by its letter")
	f.StringVar(&o.length, "length", "", "a cut piece, measured where the stop is (default the stop)")
	f.StringVar(&o.pieces, "pieces", "", "their numbers, such as 1-6,9 (default all of the setting), or none")
	f.IntVar(&o.spares, "spares", -1, "spares cut with them (default as the sheet has it)")
	f.IntVar(&o.recut, "recut", 0, "the number of a piece that was cut again on site")
	f.StringVar(&o.kept, "kept", "", "offcuts that went onto the rack, such as \"640 mm, 310 mm\"")
	f.StringVar(&o.used, "used", "", "offcuts that were taken from the rack")
	f.StringVar(&o.by, "by", "", "who cut it")
	f.StringVar(&o.when, "when", "", "the day (default today)")
	f.StringVar(&o.note, "note", "", "a note")
	for _, name := range []string{"bay", "part"} {
		if err := c.MarkFlagRequired(name); err != nil {
			panic(err) // the flags were defined above
		}
	}
	return c
}

func (o *madeOptions) run(ctx context.Context) error {
	sheets, err := sheetsOf(ctx, &o.siteOptions, o.bay)
	if err != nil {
		return err
	}
	page, err := o.page(sheets[0])
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	return o.write(page)
}

// page is what the book is told.
func (o *madeOptions) page(s *cutting.Sheet) (p survey.Payload, err error) {
	part, err := survey.ParsePart(o.part)
	if err != nil {
		return p, err
	}
	t, err := s.PartSet(part)
	if err != nil {
		return p, err
	}
	var m survey.Made
	if o.recut != 0 {
		if o.length == "" {
			return p, errors.New("--recut needs --length, the length that fitted")
		}
		length, err := unit.ParseLength(o.length)
		if err != nil {
			return p, fmt.Errorf("--length: %w", err)
		}
		if m, p.Readings, err = s.Recut(t, o.recut, length); err != nil {
			return p, err
		}
	} else if m, err = o.batch(s, t); err != nil {
		return p, err
	}
	if m.Kept, err = survey.ParseOffcuts(o.kept); err != nil {
		return p, fmt.Errorf("--kept: %w", err)
	}
	if m.Used, err = survey.ParseOffcuts(o.used); err != nil {
		return p, fmt.Errorf("--used: %w", err)
	}
	if m.By, err = survey.ParseWord(o.by); err != nil {
		return p, fmt.Errorf("--by: %w", err)
	}
	if m.When, err = survey.ParseWhen(o.when); err != nil {
		return p, fmt.Errorf("--when: %w", err)
	}
	if m.When == "" {
		m.When = o.env.Now().Format("2006-01-02")
	}
	if m.Note, err = survey.ParseNote(o.note); err != nil {
		return p, fmt.Errorf("--note: %w", err)
	}
	for i := range p.Readings {
		p.Readings[i].By, p.Readings[i].When = m.By, m.When
		if err := p.Readings[i].Check(); err != nil {
			return p, err
		}
	}
	p.Made = []survey.Made{m}
	return p, m.Check()
}

// batch is what was cut at one setting.
func (o *madeOptions) batch(s *cutting.Sheet, t *cutting.Set) (m survey.Made, err error) {
	g, err := t.Setting(strings.ToUpper(o.setting))
	if err != nil {
		return m, err
	}
	length := unit.FromMM(g.Stop)
	o.stop = length
	if o.length != "" {
		if length, err = unit.ParseLength(o.length); err != nil {
			return m, fmt.Errorf("--length: %w", err)
		}
	}
	m = s.Made(t, g, length)
	if o.spares >= 0 {
		m.Spares = uint32(o.spares)
	}
	switch o.pieces {
	case "":
	case "none":
		m.Pieces = nil
	default:
		if m.Pieces, err = survey.ParseNumbers(o.pieces); err != nil {
			return m, fmt.Errorf("--pieces: %w", err)
		}
	}
	if len(m.Pieces) == 0 && m.Spares == 0 { // nothing but offcuts
		m.Length, m.Line, o.stop = 0, 0, 0
	}
	return m, s.Holds(t, g, m.Pieces)
}

func (o *madeOptions) write(p survey.Payload) error {
	s, err := o.book.open(false)
	if err != nil {
		return err
	}
	defer s.Close()
	book, err := loadFrom(s, o.job)
	if err != nil {
		return err
	}
	m := &p.Made[0]
	if n, in := book.Before(m); in != nil {
		return fmt.Errorf("%w: %s %d is written down already, in %s: leave it out with --pieces, or strike that entry first", errUsage, m.Part.Words(), n, in.Ref.Short())
	}
	ref, err := o.env.write(s, book.Job.ID, p)
	if err != nil {
		return err
	}
	ref.Item = uint32(len(p.Readings) + 1)
	fmt.Fprintf(o.env.Out, "%s %s\n", ref.Short(), report.MadeTitle(&p.Made[0]))
	if n := len(p.Readings); n > 0 {
		ref.Item = 1
		fmt.Fprintf(o.env.Out, "%s %s %s\n", ref.Short(), p.Readings[0].Title(), p.Readings[0].Value)
	}
	if off := p.Made[0].Length - o.stop; o.stop != 0 && (off > stopNear || off < -stopNear) {
		ref.Item = uint32(len(p.Readings) + 1)
		o.env.say("note: that is %s off the stop of the sheet, %s: measure it again; if the entry is wrong, strike %s and write it anew", off, o.stop, ref.Short())
	}
	return nil
}

// stopNear is how far off its stop a piece is cut without anybody asking: twice
// what a rule of a millimetre is read to; common practice, no source.
const stopNear = unit.Millimetre
