package cli

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/guide"
)

type recordOptions struct {
	env                                      *Env
	book                                     *bookFlag
	job, at, height, u, tool, by, when, note string
	keep                                     bool
	args                                     []string
}

func newRecord(e *Env, b *bookFlag) *cobra.Command {
	o := &recordOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "record WHERE WHAT VALUE... --job NAME",
		Short: "write down one reading, or a stream of them, without prompts",
		Long: `Record writes one reading to the book and syncs it to disk before it answers.
The words of VALUE need no quotes: record F1/left lean-along --at upper -3 mm in 900 mm.

With - in place of WHERE it takes a stream on standard input, one reading a
line, WHERE WHAT [at=STATION] [height=HEIGHT] VALUE, and answers each with one
line: ok and the reading's name once it is on disk, or refused and why. It
leaves with 2 when any was refused.

A reading far from what the others say is written down all the same, and said
to be odd. A spacer walk whose spacer was taken level would lay the bay out anew:
it is refused until --keep says that it is the length along the rail.

A trial piece says its length once, and then the word alone at other places:
record F1/left trial --at bottom 812 fits, then record F1/left trial --at top tight.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			o.args = args
			return o.run(c.Context())
		},
	}
	jobFlag(c, &o.job)
	f := c.Flags()
	f.StringVar(&o.at, "at", "", "the station, post, side, diagonal or step number")
	f.StringVar(&o.height, "height", "", "mm above the base rail, of a run")
	f.StringVar(&o.u, "u", "", "its standard uncertainty, where the tool's class does not give it")
	f.StringVar(&o.tool, "tool", "", "the tool it was taken with")
	f.StringVar(&o.by, "by", "", "who took it")
	f.StringVar(&o.when, "when", "", "when it was taken")
	f.StringVar(&o.note, "note", "", "a note")
	f.BoolVar(&o.keep, "keep", false, "write a spacer walk down although its spacer is off by the pitch")
	return c
}

// negative is a value that a flag parser would take for flags.
var negative = regexp.MustCompile(`^-[0-9.]`)

// dashed puts -- before a negative value, so that record F1/left bow-base --at
// middle -3 means what it says. Flags stand before the value.
func dashed(args []string) []string {
	if len(args) == 0 || args[0] != "record" {
		return args
	}
	for i, a := range args {
		if a == "--" {
			return args
		}
		before := ""
		if i > 0 {
			before = args[i-1]
		}
		if negative.MatchString(a) && !(strings.HasPrefix(before, "--") && !strings.Contains(before, "=")) {
			return append(append(append([]string{}, args[:i]...), "--"), args[i:]...)
		}
	}
	return args
}

func (o *recordOptions) run(ctx context.Context) error {
	name, err := survey.ParseName(o.job)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	d, err := o.env.openDesk(o.book, name)
	if err != nil {
		return err
	}
	if o.args[0] == "-" {
		if len(o.args) > 1 {
			return fmt.Errorf("%w: - takes a stream and no further words", errUsage)
		}
		return o.stream(ctx, d)
	}
	if len(o.args) < 3 {
		return fmt.Errorf("%w: write WHERE WHAT VALUE, such as F1/left gap 812 --at top", errUsage)
	}
	r, err := o.reading(d.kit, o.args[0], o.args[1], o.at, o.height, strings.Join(o.args[2:], " "))
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	line, err := d.take(r, o.keep)
	if err != nil {
		return err
	}
	fmt.Fprintln(o.env.Out, line)
	return nil
}

// stream answers one line of standard input after the other. Each is on disk
// before its answer is written, so whoever drives it knows what is safe.
func (o *recordOptions) stream(ctx context.Context, d *desk) error {
	in := bufio.NewScanner(o.env.In)
	in.Buffer(make([]byte, 0, 4096), 64<<10)
	refused := 0
	for in.Scan() {
		if err := ctx.Err(); err != nil {
			return err
		}
		text := strings.TrimSpace(in.Text())
		if text == "" {
			continue
		}
		r, err := o.line(d.kit, text)
		if err != nil {
			refused++
			fmt.Fprintf(o.env.Out, "refused %v\n", err)
			continue
		}
		line, err := d.take(r, o.keep)
		if errors.Is(err, errUsage) {
			refused++
			fmt.Fprintf(o.env.Out, "refused %s: %s\n", text, strings.TrimPrefix(err.Error(), errUsage.Error()+": "))
			continue
		}
		if err != nil {
			return err
		}
		fmt.Fprintln(o.env.Out, line)
	}
	if err := in.Err(); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("reading the stream: %w; what was answered with ok is on disk", err)
	}
	if refused > 0 {
		return fmt.Errorf("%w: %d refused; mend them and send them again", errUsage, refused)
	}
	return nil
}

// line reads WHERE WHAT [at=…] [height=…] VALUE….
func (o *recordOptions) line(kit survey.Kit, text string) (survey.Reading, error) {
	words := strings.Fields(text)
	if len(words) < 3 {
		return survey.Reading{}, fmt.Errorf("%q: write WHERE WHAT [at=STATION] [height=HEIGHT] VALUE", text)
	}
	at, height, rest := o.at, o.height, words[2:]
	for len(rest) > 0 {
		if v, ok := strings.CutPrefix(rest[0], "at="); ok {
			at = v
		} else if v, ok := strings.CutPrefix(rest[0], "height="); ok {
			height = v
		} else {
			break
		}
		rest = rest[1:]
	}
	return o.reading(kit, words[0], words[1], at, height, strings.Join(rest, " "))
}

func (o *recordOptions) reading(kit survey.Kit, where, what, at, height, value string) (r survey.Reading, err error) {
	k, err := survey.KindOf(what)
	if err != nil {
		return r, err
	}
	r.What, r.Text = k.What, strings.TrimSpace(value)
	if r.Where, err = k.ParseWhere(where); err != nil {
		return r, err
	}
	if r.At, err = k.ParseAt(at); err != nil {
		return r, err
	}
	if r.Height, err = k.ParseHeight(height); err != nil {
		return r, err
	}
	if r.Value, err = k.ParseValue(r.Text); err != nil {
		return r, err
	}
	if r.U, err = k.ParseU(o.u); err != nil {
		return r, err
	}
	if o.tool != "" {
		t, err := kit.Tool(o.tool)
		if err != nil {
			return r, err
		}
		r.Tool = t.Name
	}
	if r.By, err = survey.ParseWord(o.by); err != nil {
		return r, err
	}
	if r.When, err = survey.ParseDone(o.when, o.env.Now()); err != nil {
		return r, err
	}
	r.Note, err = survey.ParseNote(o.note)
	return r, err
}

// desk is a job being written to while readings come in: the book is opened for
// each page and let go again, so that another window can look, and what stands
// is kept in memory beside it.
type desk struct {
	env    *Env
	flag   *bookFlag
	name   string
	device journal.ID
	job    journal.ID // zero until the first page makes the job
	kit    survey.Kit
	set    asfound.Settings
	book   *fieldbook.Book
	site   *asfound.Site
}

// openDesk reads a job, or prepares a new one.
func (e *Env) openDesk(b *bookFlag, name string) (*desk, error) {
	s, err := b.openOrCreate()
	if err != nil {
		return nil, err
	}
	defer s.Close()
	d := &desk{env: e, flag: b, name: name, device: s.Device(), set: e.settings(), book: &fieldbook.Book{}}
	book, err := loadFrom(s, name)
	switch {
	case err == nil:
		d.book, d.job = book, book.Job.ID
		d.set.FromBook(book)
	case !errors.Is(err, fieldbook.ErrNoJob):
		return nil, err
	}
	err = s.View(func(kv store.KV) error {
		kit, wrong, err := fieldbook.LoadKit(kv, survey.HouseKit)
		for _, w := range wrong {
			d.set.Note(w.Error())
		}
		d.kit, d.set.Kit = kit, kit
		return err
	})
	if err != nil {
		return nil, err
	}
	d.site, err = asfound.NewSite(d.book, d.set)
	return d, err
}

// write puts one page on disk, and makes the job with the first.
func (d *desk) write(p survey.Payload) (journal.Ref, error) {
	s, err := d.flag.open(false)
	if err != nil {
		return journal.Ref{}, err
	}
	defer s.Close()
	if d.job.IsZero() {
		if d.job, err = d.env.newID(); err != nil {
			return journal.Ref{}, err
		}
		p.Job = &survey.JobRecord{Name: d.name}
	}
	ref, err := d.env.write(s, d.job, p)
	if err != nil && p.Job != nil {
		d.job = journal.ID{}
	}
	return ref, err
}

// put writes one reading and gives its entry.
func (d *desk) put(r survey.Reading) (fieldbook.Entry, error) {
	ref, err := d.write(survey.Payload{Readings: []survey.Reading{r}})
	if err != nil {
		return fieldbook.Entry{}, err
	}
	e := fieldbook.Entry{Ref: ref, Reading: r, Time: d.env.Now()}
	there := e
	if there.Reading, err = d.book.WithPiece(r, d.device); err != nil {
		there.Reading = r // the site says what it cannot use
	}
	d.book.Entries = append(d.book.Entries, e)
	d.site.Add(there)
	return e, nil
}

// take writes a reading down and answers with its name, and with a word where
// it is odd. A trial piece of unknown length is refused, and so is a spacer that
// is off by the pitch, unless it is to be kept; those errors wrap errUsage.
func (d *desk) take(r survey.Reading, keep bool) (string, error) {
	there, err := d.book.WithPiece(r, d.device)
	if err != nil {
		return "", fmt.Errorf("%w: %s of %s: %w", errUsage, r.Title(), r.Where, err)
	}
	level := d.site.LevelSpacer(r)
	if level != "" && !keep {
		return "", fmt.Errorf("%w: %s: %s If it is, add --keep; else write the length along the rail", errUsage, r.Where, level)
	}
	odd := cmp.Or(guide.Odd(r), level, d.site.Odd(there))
	e, err := d.put(r)
	if err != nil {
		return "", err
	}
	line := fmt.Sprintf("ok %s %s, %s %s", e.Ref.Short(), r.Where, r.Title(), r.Value)
	if odd != "" {
		line += "; odd: " + odd
	}
	return line, nil
}

// replaced takes a corrected reading out of what counts.
func (d *desk) replaced(old, by journal.Ref) {
	for i := range d.book.Entries {
		if e := &d.book.Entries[i]; e.Ref == old {
			e.Fixed = append(e.Fixed, by)
			d.site.Drop(*e)
		}
	}
}
