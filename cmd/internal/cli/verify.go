package cli

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
)

type verifyOptions struct {
	env  *Env
	book *bookFlag
}

func newVerify(e *Env, b *bookFlag) *cobra.Command {
	o := &verifyOptions{env: e, book: b}
	return &cobra.Command{
		Use:   "verify",
		Short: "check the whole book, page by page, against its signatures",
		Long: `Verify reads every page of every device's log and checks its hash, the chain
and every signature. It changes nothing. A damaged book leaves with 5; recover
makes a new one of what still verifies.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return o.run() },
	}
}

func (o *verifyOptions) run() error {
	s, err := o.book.open(true)
	if err != nil {
		return err
	}
	defer s.Close()
	r, err := s.Verify()
	for _, l := range r.Logs {
		whose := "another device's"
		if l.Own {
			whose = "this device's"
		}
		fmt.Fprintf(o.env.Out, "%s  %s log: %d pages, %d signed heads verified\n", l.Device.Tag(), whose, l.Pages, l.Heads)
		if l.Withheld > 0 {
			fmt.Fprintf(o.env.Out, "    %d pages known by their hash only\n", l.Withheld)
		}
		if l.Lost > 0 {
			fmt.Fprintf(o.env.Out, "    %d pages lost, known by their hash\n", l.Lost)
		}
		for _, g := range l.Gaps {
			fmt.Fprintf(o.env.Out, "    pages %d to %d lost\n", g.From, g.To)
		}
		if l.ClockBack > 0 {
			fmt.Fprintf(o.env.Out, "    the clock stepped back before %d pages; their order is kept\n", l.ClockBack)
		}
	}
	if viewErr := s.View(func(kv store.KV) error {
		if n := fieldbook.Unreadable(kv); n > 0 {
			fmt.Fprintf(o.env.Out, "%s in a form that this version cannot read: update pinchrod\n", report.Count(n, "page"))
		}
		return nil
	}); viewErr != nil && err == nil {
		err = viewErr
	}
	if r.Forks > 0 {
		fmt.Fprintf(o.env.Out, "%s forked: two files wrote as one device; the evidence is kept\n", report.Count(r.Forks, "log"))
	}
	if err != nil {
		for _, p := range r.Problems {
			fmt.Fprintf(o.env.Out, "%v\n", p)
		}
		return fmt.Errorf("%w; stop writing to it, and run recover %s --to NEW", err, s.Path())
	}
	fmt.Fprintln(o.env.Out, "everything verifies")
	return nil
}

type recoverOptions struct {
	env      *Env
	book     *bookFlag
	from, to string
}

func newRecover(e *Env, b *bookFlag) *cobra.Command {
	o := &recoverOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "recover DAMAGED --to NEW",
		Short: "make a new book of every page of a damaged one that still verifies",
		Long: `Recover reads a damaged book byte by byte, keeps it as it is, and writes every
page that still verifies into a new book. The new book is a new device: the
old one's log goes on in it as another device's, so that nothing forks.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.from = args[0]
			return o.run()
		},
	}
	c.Flags().StringVar(&o.to, "to", "", "the file of the new book")
	if err := c.MarkFlagRequired("to"); err != nil {
		panic(err) // the flag was defined above
	}
	return c
}

func (o *recoverOptions) run() error {
	// A book that another window is writing to is not to be read half-written.
	look := o.env.options()
	look.ReadOnly = true
	if s, err := store.Open(o.from, look); err == nil {
		s.Close()
	} else if errors.Is(err, store.ErrInUse) {
		return err
	}
	r, err := store.Recover(o.from, o.to, o.env.options())
	if err != nil {
		return err
	}
	for _, l := range r.Logs {
		fmt.Fprintf(o.env.Out, "%s  %d pages recovered, up to page %d\n", l.Device.Tag(), l.Recovered, l.Head.Seq)
		for _, g := range l.Lost {
			fmt.Fprintf(o.env.Out, "    pages %d to %d lost\n", g.From, g.To)
		}
		if l.Unvouched > 0 {
			fmt.Fprintf(o.env.Out, "    %d pages found that no signature reaches, not taken\n", l.Unvouched)
		}
	}
	if r.Unknown > 0 {
		fmt.Fprintf(o.env.Out, "%d pages found of devices that are not known, not taken\n", r.Unknown)
	}
	o.env.say("the damaged book %s is kept as it is; go on with --book %s", r.Damaged, r.Fresh)
	return nil
}
