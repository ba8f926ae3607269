package cli

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/drawing"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
)

// paper is what a sheet or a drawing is written as, and where.
type paper struct {
	env         *Env
	format, out string
}

func (p *paper) flags(c *cobra.Command, formats string) {
	c.Flags().StringVar(&p.format, "format", "", formats+" (default by the name of --out, else the first)")
	c.Flags().StringVar(&p.out, "out", "", "the file; a page of SVG or PNG past the first gets its number (default standard output)")
}

// kind is the format that was asked for.
func (p *paper) kind(first string) string {
	kind := cmp.Or(p.format, strings.ToLower(strings.TrimPrefix(filepath.Ext(p.out), ".")), first)
	if kind == "txt" {
		return "text"
	}
	return kind
}

// dpi is what a page needs to be printed from: letters of 2.5 mm have 15 dots.
const dpi = 150

// pages writes pages as PDF, SVG or PNG.
func (p *paper) pages(kind, title string, pages []scene.Page) error {
	if len(pages) == 0 {
		return fmt.Errorf("%s: nothing to put on paper; check says what is missing", title)
	}
	if kind == "pdf" {
		return p.write(p.out, func(w io.Writer) error {
			return scene.PDF(w, pages, scene.Meta{Title: title, Creator: "pinchrod", Date: p.env.Now(), Lang: "en"})
		})
	}
	if p.out == "" && len(pages) > 1 {
		return fmt.Errorf("%w: %d pages of %s make as many files: name them with --out", errUsage, len(pages), kind)
	}
	for i, page := range pages {
		name := p.out
		if i > 0 {
			ext := filepath.Ext(name)
			name = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(name, ext), i+1, ext)
		}
		if err := p.write(name, func(w io.Writer) error {
			if kind == "svg" {
				return scene.SVG(w, page)
			}
			return scene.PNG(w, page, dpi)
		}); err != nil {
			return err
		}
	}
	return nil
}

// write makes a file whole, or none; standard output when it has no name.
func (p *paper) write(name string, do func(io.Writer) error) error {
	var b bytes.Buffer
	if err := do(&b); err != nil {
		return err
	}
	if name == "" {
		_, err := p.env.Out.Write(b.Bytes())
		return err
	}
	if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
		return err
	}
	p.env.say("%s written", name)
	return nil
}

// upTo names the newest entry of each device that has written of a job: up to
// where in the book a sheet holds.
func (b *bookFlag) upTo(job journal.ID) (string, error) {
	s, err := b.open(true)
	if err != nil {
		return "", err
	}
	defer s.Close()
	return upTo(s, job)
}

func upTo(s *store.Store, job journal.ID) (string, error) {
	jobs, err := s.Jobs()
	if err != nil {
		return "", err
	}
	heads, err := s.Heads()
	if err != nil {
		return "", err
	}
	var out []string
	for device, pages := range jobs {
		if pages[job] > 0 {
			out = append(out, fmt.Sprintf("%s-%d", device.Tag(), heads[device].Seq))
		}
	}
	slices.Sort(out)
	return strings.Join(out, ", "), nil
}

// places finds the bays and flights that a word means: all of them when it is
// empty.
func findPlaces(found *asfound.Findings, word string) (bays []*asfound.Bay, flights []*asfound.Flight, err error) {
	at := survey.Place("")
	if word != "" {
		if at, err = survey.ParsePlace(word); err != nil {
			return nil, nil, fmt.Errorf("%w: %w", errUsage, err)
		}
	}
	for i := range found.Bays {
		if b := &found.Bays[i]; at == "" || b.Place == at {
			bays = append(bays, b)
		}
	}
	for i := range found.Flights {
		if f := &found.Flights[i]; at == "" || f.Place == at {
			flights = append(flights, f)
		}
	}
	if len(bays)+len(flights) == 0 {
		return nil, nil, fmt.Errorf("%w: no readings of %q; book lists the places that have some", errUsage, word)
	}
	return bays, flights, nil
}

type sheetOptions struct {
	siteOptions
	paper
	bay, stale string
	cut        string
	labels     bool
	office     bool
}

func newSheet(e *Env, b *bookFlag) *cobra.Command {
	o := &sheetOptions{siteOptions: siteOptions{env: e, book: b, set: overrides{}}, paper: paper{env: e}}
	c := &cobra.Command{
		Use:   "sheet --job NAME [--bay F1/left]",
		Short: "write the cutting sheet that the workshop cuts from",
		Long: `Sheet writes what the saw is set to for each bay: stops, the length from tip to tip,
bevels, how many with a spare; and a card for the fitting on site. A bay takes two
pages. Of several bays a summary comes first. What cannot be cut yet has no length:
the sheet says what to read instead. In inches (set units=in) it is for letter paper.

  pinchrod sheet --job "14 Weir Street" --out sheet.pdf

--cut chooses another way for the spindles than the one of least expected minutes,
and the sheet says what that costs.

Each sheet has a short code. --stale CODE says whether the sheet with that code
still holds, and leaves with 3 when it does not. The text of a label's QR code does
as well. A sheet printed with other settings than the book's says that nothing is
to be cut from it.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	jobFlag(c, &o.job)
	c.Flags().StringVar(&o.bay, "bay", "", "the bay (default all)")
	c.Flags().StringVar(&o.cut, "cut", "", "how the spindles are cut: batch, graded or fit-each (default the least expected minutes)")
	c.Flags().BoolVar(&o.labels, "labels", false, "labels to stick on the pieces, in place of the sheet")
	c.Flags().BoolVar(&o.office, "office", false, "an office copy: it lists the readings too")
	c.Flags().StringVar(&o.stale, "stale", "", "the code of a sheet, or the text of a label's QR code: does it still hold?")
	for _, n := range asfound.SettingNames() {
		c.Flags().StringVar(o.set.of(n[0]), n[0], "", n[1]+" (default: as set in the book)")
	}
	o.paper.flags(c, "text, csv, json, pdf, svg or png")
	return c
}

func (o *sheetOptions) run(ctx context.Context) error {
	if o.cut != "" && !slices.Contains(asfound.Ways(), o.cut) {
		return fmt.Errorf("%w: cut %q: batch, graded or fit-each", errUsage, o.cut)
	}
	if o.stale != "" {
		return o.compare(ctx)
	}
	sheets, err := sheetsOf(ctx, &o.siteOptions, o.bay, o.cut)
	if err != nil {
		return err
	}
	for _, s := range sheets {
		s.Office = o.office
	}
	kind := o.kind("text")
	if o.labels && !slices.Contains([]string{"pdf", "svg", "png"}, kind) {
		return fmt.Errorf("%w: labels are printed: --format pdf, svg or png", errUsage)
	}
	switch kind {
	case "text":
		if o.out != "" {
			return o.write(o.out, func(w io.Writer) error { return sheets.Text(w, report.Style{}) })
		}
		return o.siteOptions.env.show(sheets.Text)
	case "csv":
		return o.onlyOne(sheets, sheets[0].CSV)
	case "json":
		return o.onlyOne(sheets, sheets[0].JSON)
	case "pdf", "svg", "png":
		return o.printed(kind, sheets)
	}
	return fmt.Errorf("%w: format %q: text, csv, json, pdf, svg or png", errUsage, kind)
}

// printed writes the pages of the sheets, or of their labels.
func (o *sheetOptions) printed(kind string, sheets cutting.Job) error {
	if !o.labels {
		return o.pages(kind, "Cutting sheet, "+sheets[0].Job, sheets.Pages())
	}
	var pages []scene.Page
	for _, s := range sheets {
		more, err := s.LabelPages()
		if err != nil {
			return err
		}
		pages = append(pages, more...)
	}
	return o.pages(kind, "Labels, "+sheets[0].Job, pages)
}

// onlyOne writes what a program reads: one bay a file.
func (o *sheetOptions) onlyOne(sheets cutting.Job, do func(io.Writer) error) error {
	if len(sheets) > 1 {
		return fmt.Errorf("%w: one bay at a time as csv or json: say which with --bay", errUsage)
	}
	return o.write(o.out, do)
}

// sheetsOf makes the sheet of each bay that a word means, its spindles cut in the way that was chosen; empty is that of
// least expected minutes.
func sheetsOf(ctx context.Context, o *siteOptions, bay, cut string) (cutting.Job, error) {
	book, set, found, entry, err := o.found(ctx)
	if err != nil {
		return nil, err
	}
	bays, _, err := findPlaces(found, bay)
	if err == nil && len(bays) == 0 {
		err = fmt.Errorf("%w: %q is no bay; a bay is written F1/left", errUsage, bay)
	}
	if err != nil {
		return nil, err
	}
	var out cutting.Job
	for _, b := range bays {
		if cut != "" && b.Spindles != nil {
			if err := b.Spindles.CutAs(cut); err != nil {
				return nil, fmt.Errorf("%w: %s: spindles: %w", errUsage, b.Place, err)
			}
		}
		s, err := cutting.New(b, cutting.Options{
			Job: book.Job.Name, JobID: book.Job.ID.String(), Settings: set, Rules: found.Rules, Entry: entry, Date: o.env.Now(),
			Asked: asked(o.env.settings(), book, o.set),
		})
		if err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// asked names the settings of a call that the book has otherwise, as a sheet is
// marked with.
func asked(standing asfound.Settings, book *fieldbook.Book, over overrides) []string {
	standing.FromBook(book)
	var out []string
	for _, n := range asfound.SettingNames() {
		v, with := *over.of(n[0]), standing
		if v == "" || with.Set(n[0], v) != nil || reflect.DeepEqual(with, standing) {
			continue
		}
		has := "the book does not set it"
		if c := book.Chosen(n[0]); len(c) > 0 {
			has = "the book has " + brief(c[0].Value)
		}
		out = append(out, fmt.Sprintf("%s=%s (%s)", n[0], v, has))
	}
	return out
}

// found works a job out, and says up to which entry.
func (o *siteOptions) found(ctx context.Context) (*fieldbook.Book, asfound.Settings, *asfound.Findings, string, error) {
	book, set, err := o.book.work(o.job, o.set)
	if err != nil {
		return nil, set, nil, "", err
	}
	found, err := asfound.Work(ctx, book, set)
	if err != nil {
		return nil, set, nil, "", err
	}
	entry, err := o.book.upTo(book.Job.ID)
	return book, set, found, entry, err
}

// compare says whether a sheet still holds, in whatever way its spindles were cut.
func (o *sheetOptions) compare(ctx context.Context) error {
	code := o.stale
	for _, cut := range append([]string{""}, asfound.Ways()...) {
		sheets, err := sheetsOf(ctx, &o.siteOptions, o.bay, cut)
		if errors.Is(err, errUsage) && cut != "" {
			continue // no bay is cut so
		}
		if err != nil {
			return err
		}
		if code, err = o.codeOf(sheets); err != nil {
			return err
		}
		for _, s := range sheets {
			stale, err := s.Stale(o.stale)
			if err != nil {
				return fmt.Errorf("%w: %w", errUsage, err)
			}
			if !stale {
				o.holds(s)
				return nil
			}
		}
	}
	fmt.Fprintf(o.siteOptions.env.Out, "no sheet of this job has the code %s now: what it was cut from has changed, or it was printed with other settings than the book's; print it again\n", code)
	return errFlagged
}

// holds says that a sheet holds, and which readings were set aside that say otherwise.
func (o *sheetOptions) holds(s *cutting.Sheet) {
	line := fmt.Sprintf("the sheet of %s with code %s holds", lines.Clean(string(s.Bay)), s.Code)
	for i, r := range s.SetAside {
		if i == 0 {
			line += ", but these readings disagree with it; read them again:"
		} else {
			line += ","
		}
		line += fmt.Sprintf(" %s, %s", r.Short, lines.Clean(r.Title))
	}
	fmt.Fprintln(o.siteOptions.env.Out, line)
}

// codeOf is the code of the sheet that was asked about, out of the text of a label where it was that.
func (o *sheetOptions) codeOf(sheets cutting.Job) (string, error) {
	if !cutting.IsLabel(o.stale) {
		return o.stale, nil
	}
	l, err := cutting.ParseLabel(o.stale)
	if err == nil && len(sheets) > 0 && l.Tag != sheets[0].Tag {
		err = errors.New("that label is of another job: say which with --job")
	}
	if err != nil {
		return "", fmt.Errorf("%w: %w", errUsage, err)
	}
	return l.Code, nil
}

type drawOptions struct {
	siteOptions
	paper
	where            string
	errors, template bool
}

func newDraw(e *Env, b *bookFlag) *cobra.Command {
	o := &drawOptions{siteOptions: siteOptions{env: e, book: b, set: overrides{}}, paper: paper{env: e}}
	c := &cobra.Command{
		Use:   "draw --job NAME [--where F1/left]",
		Short: "draw bays to scale, what is out of true, the plan of a flight",
		Long: `Draw puts each bay to scale on A4, in inches (set units=in) on letter paper: its
posts as they lean, its rails as they bow, its spindles, dimensions and flags. With
--errors what is out of true is magnified, and the factor written on it. A flight is
drawn in plan. --template is the bevel at full size, with bars to check the print by.

  pinchrod draw --job "14 Weir Street" --out drawings.pdf`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	jobFlag(c, &o.job)
	c.Flags().StringVar(&o.where, "where", "", "the bay or flight (default all)")
	c.Flags().BoolVar(&o.errors, "errors", false, "the bays with their errors magnified")
	c.Flags().BoolVar(&o.template, "template", false, "the bevels at full size")
	o.paper.flags(c, "pdf, svg or png")
	return c
}

func (o *drawOptions) run(ctx context.Context) error {
	kind := o.kind("pdf")
	if !slices.Contains([]string{"pdf", "svg", "png"}, kind) {
		return fmt.Errorf("%w: format %q: pdf, svg or png", errUsage, kind)
	}
	if o.errors && o.template {
		return fmt.Errorf("%w: --errors or --template, not both", errUsage)
	}
	book, set, found, entry, err := o.found(ctx)
	if err != nil {
		return err
	}
	bays, flights, err := findPlaces(found, o.where)
	if err != nil {
		return err
	}
	block := drawing.Sheet{
		Job: book.Job.Name, Entry: entry, Date: o.siteOptions.env.Now().Format("2 Jan 2006"),
		Profile: cmp.Or(set.Profile.Name, "none"), Caution: report.Caution(found.Rules), Rule: figure.Rule{Inches: set.Inches},
	}
	var pages []scene.Page
	for _, b := range bays {
		s := block
		var square drawing.SquareEnds
		// A drawing is stale when the cuts of its bay would be.
		if cut, err := cutting.New(b, cutting.Options{Job: book.Job.Name, JobID: book.Job.ID.String(), Settings: set, Rules: found.Rules, Entry: entry, Date: o.siteOptions.env.Now()}); err == nil {
			s.Code, square = cut.Code, cut.SquareEnds
		}
		posts := drawing.PostsOf(book, b.Place)
		switch {
		case o.errors:
			pages = append(pages, drawing.Errors(b, posts, s)...)
		case o.template:
			for _, bevel := range drawing.Bevels(b, square) {
				pages = append(pages, drawing.Template(bevel, s))
			}
		default:
			pages = append(pages, drawing.Bay(b, posts, s)...)
		}
	}
	if !o.errors && !o.template {
		for _, f := range flights {
			if f.Plan == nil && o.where == "" {
				continue // nobody asked what it lacks
			}
			pages = append(pages, drawing.Plan(f, block)...)
		}
	}
	return o.pages(kind, "Drawings, "+book.Job.Name, pages)
}
