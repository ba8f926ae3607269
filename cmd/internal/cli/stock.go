package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"pinchrod/calc/unit"
	"pinchrod/store"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/stockplan"
)

type stockOptions struct {
	siteOptions
	paper
	bay, rack, stale         string
	bars                     []string
	noOffcuts                bool
	kerf, trim, shortestRest string
}

func newStock(e *Env, b *bookFlag) *cobra.Command {
	o := &stockOptions{siteOptions: siteOptions{env: e, book: b, set: overrides{}}, paper: paper{env: e}}
	c := &cobra.Command{
		Use:   `stock --job NAME [--bar "2400 mm"]`,
		Short: "plan which pieces are sawn from which bar",
		Long: `Stock lays the pieces of the cutting sheets onto bars, so that as few are bought, or
as cheap ones, as can be, and draws each bar with its cuts. What cannot be cut yet
is left out and named, with what to do about it; then it leaves with 3.

The bars are those read as stock-length in a bay; or, in their place, those given:
  --bar "2400 mm"   --bar "2400 mm @ 6.50"   --bar "41 x 41 mm: 4 x 2400 mm @ 6.50"
or listed in a CSV file, --rack FILE, with the columns section, length, price,
count, label and offcut, of which only length is needed. A bar without a count is
there as often as it is wanted, and without a section serves every section; one
that is counted says its section where the job has several. An offcut says yes, or
has a price of 0 and a count; without a section it serves the one that needs most.
Offcuts that the book has on the rack are used too. Where bars that are counted do not hold all, they are sawn as
far as they go, and the plan says how many more would do.

Each plan has a short code, of its pieces, and behind it a mark of its bars and the
saw: saw only by pages that bear both alike. --stale CODE says whether the plan with
that code, with its mark or without, still holds, and leaves with 3 when it does
not.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	jobFlag(c, &o.job)
	c.Flags().StringVar(&o.bay, "bay", "", "the bay (default all)")
	c.Flags().StringArrayVar(&o.bars, "bar", nil, "a bar to saw from; may be given again")
	rackFlag(c, &o.rack)
	c.Flags().BoolVar(&o.noOffcuts, "no-offcuts", false, "leave the offcuts that the book has on the rack")
	c.Flags().StringVar(&o.kerf, "kerf", unit.FromMM(stockplan.DefaultKerf).String(), "what a square cut of the saw takes")
	c.Flags().StringVar(&o.trim, "trim", unit.FromMM(stockplan.DefaultTrim).String(), "what is lost at the ends of a bar before its first piece")
	c.Flags().StringVar(&o.shortestRest, "min-offcut", unit.FromMM(stockplan.DefaultMinOffcut).String(), "the shortest rest that is kept; 0 keeps none")
	c.Flags().StringVar(&o.stale, "stale", "", "the code of a plan: does it still hold?")
	for _, n := range asfound.SettingNames() {
		c.Flags().StringVar(o.set.of(n[0]), n[0], "", n[1]+" (default: as set in the book)")
	}
	o.paper.flags(c, "text, csv, json, pdf, svg or png")
	return c
}

func (o *stockOptions) run(ctx context.Context) error {
	kind := o.kind("text")
	if !slices.Contains([]string{"text", "csv", "json", "pdf", "svg", "png"}, kind) {
		return fmt.Errorf("%w: format %q: text, csv, json, pdf, svg or png", errUsage, kind)
	}
	sheets, err := sheetsOf(ctx, &o.siteOptions, o.bay, "")
	if err != nil {
		return err
	}
	if o.stale != "" {
		return o.compare(sheets)
	}
	plan, err := o.plan(sheets)
	if err != nil {
		return err
	}
	env := o.siteOptions.env
	switch kind {
	case "text":
		show := func(w io.Writer) error { return plan.Text(w, report.Style{}) }
		if o.out != "" {
			err = o.write(o.out, show)
		} else {
			err = env.show(plan.Text)
		}
	case "csv":
		err = o.write(o.out, plan.CSV)
	case "json":
		err = o.write(o.out, plan.JSON)
	default:
		err = o.pages(kind, "Stock plan, "+plan.Job, plan.Pages())
	}
	if err != nil || plan.Complete() {
		return err
	}
	if kind != "text" || o.out != "" { // else it stands on the page
		for _, l := range plan.Left {
			env.say("not on the plan: %s", l)
		}
	}
	return errFlagged
}

// plan makes the plan, from the bars that are given and those in the book.
func (o *stockOptions) plan(sheets []*cutting.Sheet) (*stockplan.Plan, error) {
	first := sheets[0]
	opt := stockplan.Options{Job: first.Job, Rules: first.Rules, Entry: first.Entry, Date: first.Date}
	for _, f := range []struct {
		name, text string
		mm         *float64
	}{{"kerf", o.kerf, &opt.Kerf}, {"trim", o.trim, &opt.Trim}, {"min-offcut", o.shortestRest, &opt.MinOffcut}} {
		l, err := unit.ParseLength(f.text)
		if err != nil {
			return nil, fmt.Errorf("%w: --%s: %w", errUsage, f.name, err)
		}
		*f.mm = l.MM()
	}
	for _, text := range o.bars {
		b, err := stockplan.ParseBar(text)
		if err != nil {
			return nil, fmt.Errorf("%w: --bar: %w", errUsage, err)
		}
		opt.Bars = append(opt.Bars, b)
	}
	bars, err := readRack(o.rack)
	if err != nil {
		return nil, err
	}
	opt.Bars = append(opt.Bars, bars...)
	if err := o.fromBook(&opt); err != nil {
		return nil, err
	}
	plan, err := stockplan.New(sheets, opt)
	if errors.Is(err, stockplan.ErrNoBars) {
		err = fmt.Errorf("%w: read stock-length in a bay, or give a bar such as --bar \"2400 mm\", or a file with --rack", err)
	}
	for _, wrong := range []error{stockplan.ErrNoBars, stockplan.ErrInput, stockplan.ErrSection} {
		if errors.Is(err, wrong) {
			err = fmt.Errorf("%w: %w", errUsage, err)
		}
	}
	return plan, err
}

// fromBook adds the bars that were read in the bays, and the offcuts on the rack.
func (o *stockOptions) fromBook(opt *stockplan.Options) error {
	s, err := o.book.open(true)
	if err != nil {
		return err
	}
	defer s.Close()
	book, err := loadFrom(s, o.job)
	if err != nil {
		return err
	}
	opt.Lengths = stockplan.Lengths(book)
	if o.noOffcuts {
		return nil
	}
	return s.View(func(kv store.KV) error {
		rack, err := fieldbook.Rack(kv)
		opt.Bars = append(opt.Bars, stockplan.Offcuts(rack)...)
		return err
	})
}

// compare says whether a plan still holds.
func (o *stockOptions) compare(sheets []*cutting.Sheet) error {
	stale, err := stockplan.Stale(sheets, o.stale)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	out := o.siteOptions.env.Out
	if !stale {
		fmt.Fprintf(out, "the plan with code %s holds: its pieces are what they were; whether its bars are still there, look\n", o.stale)
		return nil
	}
	fmt.Fprintf(out, "no plan of this job has the code %s now: what is cut has changed; plan again before sawing on\n", o.stale)
	return errFlagged
}
