package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/calc/unit"
	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
)

type madeOptions struct {
	siteOptions
	bay, part, setting, length, pieces, kept, used string
	by, when, note, sheet                          string
	recut, spares                                  int
	given                                          func(flag string) bool

	told foretold
	some string // which pieces of the setting, as is said behind them; empty when it is all
}

// foretold is what the sheet says a piece should be, where its stop is measured.
type foretold struct {
	length unit.Length // 0 when it is not of pieces
	u      float64     // mm; 0 of a stop, which is set and not foreseen
	// How much shorter and longer than needed the piece may be and still fit: of a
	// spindle cut again, what the house allows. Its length is not its need.
	short, long unit.Length
}

func newMade(e *Env, b *bookFlag) *cobra.Command {
	o := &madeOptions{siteOptions: siteOptions{env: e, book: b, set: overrides{}}}
	c := &cobra.Command{
		Use:   "made --job NAME --bay F1/left --part spindle",
		Short: "write down what was cut at the bench, or cut again on site",
		Long: `Made writes down what was cut for a bay from its sheet: the setting, the length of
a piece as measured where the stop is, how many, and the offcuts that went onto
the rack. Check then says whether what was cut still fits what the book says is
needed, and stock plans with the offcuts. With --sheet CODE it makes sure first
that the sheet in hand is still the bay's.

With --recut N one piece was cut again on site until it fitted. Of a spindle that
is a reading as well: the length of a piece that fits at its place.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	jobFlag(c, &o.job)
	f := c.Flags()
	o.given = f.Changed
	f.StringVar(&o.bay, "bay", "", "the bay, such as F1/left")
	f.StringVar(&o.part, "part", "", "spindle, base-fillet or rail-fillet")
	f.StringVar(&o.setting, "setting", "A", "the setting of the sheet, by its letter")
	f.StringVar(&o.length, "length", "", "a cut piece, measured where the stop is (default the stop)")
	f.StringVar(&o.pieces, "pieces", "", "their numbers, such as 1-6,9 (default all of the setting), or none")
	f.IntVar(&o.spares, "spares", -1, "spares cut with them (default as many of the sheet's as the book does not have yet)")
	f.IntVar(&o.recut, "recut", 0, "the number of a piece that was cut again on site")
	f.StringVar(&o.kept, "kept", "", "offcuts that went onto the rack, such as \"640 mm, 310 mm\"")
	f.StringVar(&o.used, "used", "", "offcuts that were taken from the rack")
	f.StringVar(&o.sheet, "sheet", "", "the code on the sheet in hand: nothing is written when the bay's is another by now")
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
	sheets, err := sheetsOf(ctx, &o.siteOptions, o.bay, "")
	if err != nil {
		return err
	}
	page, err := o.page(sheets[0])
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	ref, err := o.write(page)
	if err != nil {
		return err
	}
	return o.held(ctx, page.Made[0].Where, ref)
}

// held says at once how what was written down fits what the book says is needed.
func (o *madeOptions) held(ctx context.Context, at survey.Place, ref journal.Ref) error {
	book, set, err := o.book.work(o.job, o.set)
	if err != nil {
		return err
	}
	found, err := asfound.WorkAt(ctx, book, at, set)
	if err != nil {
		return err
	}
	for i := range found.Bays {
		if b := &found.Bays[i]; b.Place == at {
			return report.Held(o.env.Out, b, ref)
		}
	}
	return nil
}

// page is what the book is told.
func (o *madeOptions) page(s *cutting.Sheet) (p survey.Payload, err error) {
	if err := o.inHand(s); err != nil {
		return p, err
	}
	part, err := survey.ParsePart(o.part)
	if err != nil {
		return p, err
	}
	t, err := s.PartSet(part)
	if err != nil {
		return p, err
	}
	var m survey.Made
	if o.given("recut") {
		if m, p.Readings, err = o.again(s, t); err != nil {
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
	if m.When, err = survey.ParseDone(o.when, o.env.Now()); err != nil {
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

// inHand tells whether the sheet that a person holds is the bay's of now.
func (o *madeOptions) inHand(s *cutting.Sheet) error {
	if !o.given("sheet") {
		return nil
	}
	code, err := cutting.ParseCode(o.sheet)
	if err != nil {
		return fmt.Errorf("--sheet: %w", err)
	}
	if code != s.Code {
		return fmt.Errorf("the sheet of %s has the code %s now, not %s: print it again, or leave --sheet out and look whether the setting is still what was cut", s.Bay, s.Code, code)
	}
	return nil
}

// again is one piece that was cut again on site.
func (o *madeOptions) again(s *cutting.Sheet, t *cutting.Set) (m survey.Made, readings []survey.Reading, err error) {
	for _, flag := range []string{"pieces", "spares", "setting"} {
		if o.given(flag) {
			return m, nil, fmt.Errorf("--recut is of one piece, by its number: leave --%s out", flag)
		}
	}
	if o.length == "" {
		return m, nil, errors.New("--recut needs --length, the length that fitted")
	}
	length, err := unit.ParseLength(o.length)
	if err != nil {
		return m, nil, fmt.Errorf("--length: %w", err)
	}
	if m, readings, err = s.Recut(t, o.recut, length); err != nil {
		return m, nil, err
	}
	p := &t.Pieces[o.recut-1]
	o.told = foretold{length: unit.FromMM(p.Needed).Round(unit.Millimetre / 10), u: p.U}
	return m, readings, nil
}

// batch is what was cut at one setting.
func (o *madeOptions) batch(s *cutting.Sheet, t *cutting.Set) (m survey.Made, err error) {
	g, err := t.Setting(strings.ToUpper(o.setting))
	if err != nil {
		return m, err
	}
	length := unit.FromMM(g.Stop)
	o.told.length = length
	if o.length != "" {
		if length, err = unit.ParseLength(o.length); err != nil {
			return m, fmt.Errorf("--length: %w", err)
		}
	}
	m = s.Made(t, g, length)
	m.Spares = uint32(s.SparesLeft(t, g))
	if o.given("spares") {
		if o.spares < 0 || o.spares > survey.MostSpares {
			return m, fmt.Errorf("--spares %d: write how many were cut, 0 to %d, or leave it out for those of the sheet that the book does not have yet", o.spares, survey.MostSpares)
		}
		m.Spares = uint32(o.spares)
	}
	switch o.pieces {
	case "":
	case "none":
		m.Pieces = nil
	default:
		if m.Pieces, err = survey.ParseNumbers(m.Part, o.pieces); err != nil {
			return m, fmt.Errorf("--pieces: %w", err)
		}
	}
	if len(m.Pieces) == 0 && m.Spares == 0 { // nothing but offcuts
		m.Length, m.Line, o.told.length = 0, 0, 0
	}
	if n := len(m.Pieces); n > 0 && n < len(g.Pieces) {
		o.some = fmt.Sprintf("; numbers %s of the %d of setting %s", survey.Numbers(m.Pieces), len(g.Pieces), g.Name)
	}
	return m, s.Holds(t, g, m.Pieces)
}

func (o *madeOptions) write(p survey.Payload) (ref journal.Ref, err error) {
	s, err := o.book.open(false)
	if err != nil {
		return ref, err
	}
	defer s.Close()
	book, err := loadFrom(s, o.job)
	if err != nil {
		return ref, err
	}
	m := &p.Made[0]
	if n, in := book.Before(m); in != nil {
		return ref, fmt.Errorf("%w: %s %d is written down already, in %s: leave it out with --pieces, or strike that entry first", errUsage, m.Part.Words(), n, in.Ref.Short())
	}
	if err := taken(s, m); err != nil {
		return ref, fmt.Errorf("%w: --used: %w", errUsage, err)
	}
	if ref, err = o.env.write(s, book.Job.ID, p); err != nil {
		return ref, err
	}
	ref.Item = uint32(len(p.Readings) + 1)
	name := ref.Short()
	fmt.Fprintf(o.env.Out, "%s %s%s\n", name, report.MadeTitle(m), o.some)
	if n := len(p.Readings); n > 0 {
		reading := ref
		reading.Item = 1
		fmt.Fprintf(o.env.Out, "%s %s %s\n", reading.Short(), p.Readings[0].Title(), p.Readings[0].Value)
	}
	if m.Recut && m.Part == survey.PartSpindle {
		set := o.env.settings()
		set.FromBook(book)
		o.told.short, o.told.long = unit.FromMM(set.House.Short), unit.FromMM(set.House.Long)
	}
	if off := o.told.off(m.Length); off != "" {
		o.env.say("note: that is %s: measure it again; if the entry is wrong, strike %s and write it anew", off, name)
	}
	return ref, nil
}

// taken tells whether the offcuts that were used were on the rack.
func taken(s *store.Store, m *survey.Made) error {
	if len(m.Used) == 0 {
		return nil
	}
	return s.View(func(kv store.KV) error {
		rack, err := fieldbook.Rack(kv)
		if err != nil {
			return err
		}
		return fieldbook.Taken(rack, m.Section, m.Used)
	})
}

// stopNear is how far off its stop a piece is cut without anybody asking: twice
// what a rule of a millimetre is read to; common practice, no source.
const stopNear = unit.Millimetre

// off says how far a piece is from what was foretold of it, empty while nobody
// would ask: while it is within stopNear of its stop or, of a piece cut again,
// within that, which a joint hides, and U, by which it was foretold. A spindle
// that was cut again until it fitted says that its need lies from length − long to
// length + short: it contradicts the book where that is beyond U of what was
// foretold.
func (f foretold) off(length unit.Length) string {
	off := length - f.length
	by := max(off, -off)
	low, high := -stopNear, stopNear
	if f.short != 0 || f.long != 0 {
		low, high = -f.short, f.long
	}
	u := unit.FromMM(2 * f.u)
	switch {
	case f.length == 0 || low-u <= off && off <= high+u:
		return ""
	case f.u == 0:
		return fmt.Sprintf("%s off the stop of the sheet, %s", off, f.length)
	}
	than := "longer"
	if off < 0 {
		than = "shorter"
	}
	fits := ""
	if f.short != 0 || f.long != 0 {
		fits = fmt.Sprintf(", and it fits where %s to %s is needed", length-f.long, length+f.short)
	}
	return fmt.Sprintf("%s %s than was foretold, %s%s", by, than, figure.Of(figure.Known(f.length.MM(), f.u), "mm"), fits)
}
