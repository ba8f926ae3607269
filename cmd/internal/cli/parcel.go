package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey/report"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub"
	"pinchrod/sync/parcel"
)

func newParcel(e *Env, b *bookFlag) *cobra.Command {
	c := &cobra.Command{
		Use:   "parcel",
		Short: "carry entries on a stick or in a mail, where no network reaches the hub",
		Long: `A parcel is a file, or a set of parts, with the same entries that sync would send,
signed by their devices. It is taken in whole or refused, and to read it twice is
no harm. The hub answers one with hub answer; reading the answer here confirms
what was sent, as sync would. Pictures do not travel in parcels.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newParcelWrite(e, b), newParcelRead(e, b), newParcelShow(e, b))
	for _, sub := range c.Commands() {
		sub.Args = usage(sub.Args)
	}
	return c
}

type parcelWriteOptions struct {
	env                   *Env
	book                  *bookFlag
	name, partSize        string
	all, others, unsealed bool
}

func newParcelWrite(e *Env, b *bookFlag) *cobra.Command {
	o := &parcelWriteOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "write NAME",
		Short: "write what the hub has not confirmed into NAME.parcel",
		Long: `Write puts into NAME.parcel the entries of this device that the hub has not
confirmed, sealed so that only the hub can read it. Broken off, it goes on where it
stopped when it is run again.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			o.name = args[0]
			return o.run(c.Context())
		},
	}
	f := c.Flags()
	f.BoolVar(&o.all, "all", false, "every entry, confirmed or not")
	f.BoolVar(&o.others, "others", false, "the logs of other devices too, such as for a colleague's tablet")
	f.BoolVar(&o.unsealed, "open", false, "not sealed: whoever has it can read it")
	f.StringVar(&o.partSize, "part-size", "", "at most so large a file, such as 20MB, and as many as it takes")
	return c
}

func (o *parcelWriteOptions) run(ctx context.Context) error {
	size, err := parseSize(o.partSize)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	s, err := o.book.open(true)
	if err != nil {
		return err
	}
	defer s.Close()
	c := parcel.Contents{Own: true}
	if o.others {
		c = parcel.Contents{Reader: exchange.Reader{Identity: s.Identity(), All: true}}
	}
	w := parcel.Options{PartSize: size}
	j, err := readJoined(s)
	switch {
	case errors.Is(err, errNotJoined):
		if !o.unsealed {
			return fmt.Errorf("%w: this book has joined no hub that a parcel could be sealed for; --open writes one that whoever has it can read", errUsage)
		}
	case err != nil:
		return err
	default:
		if !o.unsealed {
			w.Seal = j.Recipient
		}
		if !o.all {
			if c.From, err = unconfirmed(s, j); err != nil {
				return err
			}
		}
	}
	p := o.env.progress()
	w.Progress = func(n uint64) { p.show("%d entries packed", n) }
	out, err := parcel.Write(ctx, strings.TrimSuffix(o.name, ".parcel"), s, s.Signer(), o.env.Now(), c, w)
	p.done()
	if errors.Is(err, parcel.ErrExists) {
		return fmt.Errorf("%w: %w; choose another name", errUsage, err)
	}
	if err != nil {
		return err
	}
	sealed := "open to whoever has it"
	if w.Seal != "" {
		sealed = "sealed for the hub"
	}
	fmt.Fprintf(o.env.Out, "%s, %s, %s\n", report.Count(int(out.Pages()), "entry"), kilobytes(out.Size), sealed)
	for _, f := range out.Files {
		fmt.Fprintln(o.env.Out, f)
	}
	return nil
}

// unconfirmed says from where on the hub needs this device's log.
func unconfirmed(s *store.Store, j joined) (map[journal.ID]uint64, error) {
	hub, err := j.identity()
	if err != nil {
		return nil, err
	}
	r, ok, err := exchange.Confirmed(s, hub)
	if err != nil || !ok {
		return nil, err
	}
	return map[journal.ID]uint64{s.Device(): r.Head.Seq + 1}, nil
}

// parseSize reads a file's size, such as 20MB; empty is 0.
func parseSize(text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	digits := strings.TrimRight(strings.ToUpper(strings.ReplaceAll(text, " ", "")), "KMGIB")
	unit := strings.ToUpper(strings.ReplaceAll(text, " ", ""))[len(digits):]
	by, ok := map[string]int64{"": 1, "B": 1, "KB": 1e3, "MB": 1e6, "GB": 1e9, "K": 1e3, "M": 1e6, "G": 1e9, "KIB": 1 << 10, "MIB": 1 << 20, "GIB": 1 << 30}[unit]
	n, err := strconv.ParseInt(digits, 10, 32)
	// The least is what the cover and the manifest need.
	const least = 64 << 10
	if err != nil || !ok || n*by < least {
		return 0, fmt.Errorf("a file's size %q: write 20MB, or another of at least %d KiB", text, least>>10)
	}
	return n * by, nil
}

type parcelReadOptions struct {
	env       *Env
	book      *bookFlag
	strangers bool
	files     []string
}

func newParcelRead(e *Env, b *bookFlag) *cobra.Command {
	o := &parcelReadOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "read FILE...",
		Short: "take a parcel in, all of it or nothing",
		Long: `Read takes a parcel into this book: the hub's, or a colleague's whose device the
book knows. All its parts are named together, in any order. At the hub it is hub
answer that reads one.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			o.files = args
			return o.run(c.Context())
		},
	}
	c.Flags().BoolVar(&o.strangers, "accept-new", false, "take it from a device that this book does not know yet")
	return c
}

// look looks at the parcel before a new book is begun for it.
func (o *parcelReadOptions) look() error {
	path, err := o.book.file()
	if err != nil {
		return err
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil // what is wrong with it, opening it says
	}
	for _, file := range o.files {
		if _, err := parcel.Inspect(file); err != nil {
			return fmt.Errorf("%w%s", err, parcelStep(err))
		}
	}
	return nil
}

func (o *parcelReadOptions) run(ctx context.Context) error {
	if err := o.look(); err != nil {
		return err
	}
	s, err := o.book.openOrCreate()
	if err != nil {
		return err
	}
	defer s.Close()
	var r parcel.ReadOptions
	known := parcel.Known(s)
	switch j, err := readJoined(s); {
	case errors.Is(err, errNotJoined):
		r.Accept = known
	case err != nil:
		return err
	default:
		hub, err := j.identity()
		if err != nil {
			return err
		}
		r.Hub = &hub
		fromHub := parcel.From(hub)
		r.Accept = func(writer, log journal.Identity) error {
			if fromHub(writer, log) == nil {
				return nil
			}
			return known(writer, log)
		}
	}
	if o.strangers {
		r.Accept = parcel.Anyone
	}
	p := o.env.progress()
	r.Progress = func(step parcel.Step, n, of uint64) {
		p.show("%s %d of %d entries", map[parcel.Step]string{parcel.Checking: "checking", parcel.Taking: "taking in"}[step], n, of)
	}
	out, err := parcel.Read(ctx, o.files, s, r)
	p.done()
	if err != nil {
		return fmt.Errorf("%w%s", err, parcelStep(err))
	}
	// What it names travels by the hub.
	if err := s.SetMargin(map[string][]byte{marginPictures: {1}}); err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "from %s: %d taken in, %d here already\n", out.Writer.Device.Tag(), out.Added+out.Filled, out.Known)
	if out.Answer != nil {
		return o.env.sayConfirmed(s)
	}
	return nil
}

// sayConfirmed says what a hub's answer has confirmed.
func (e *Env) sayConfirmed(s *store.Store) error {
	j, err := readJoined(s)
	if err != nil {
		return err
	}
	hub, err := j.identity()
	if err != nil {
		return err
	}
	st, err := standing(s, hub)
	if err == nil && st.At != nil {
		fmt.Fprintf(e.Out, "confirmed by hub %s up to entry %d, %s; %d waiting\n", hub.Device.Tag(), st.Confirmed, st.At.In(e.Now().Location()).Format("2 Jan 2006 15:04"), st.Waiting)
	}
	return err
}

// parcelStep says what to do about a parcel that is refused.
func parcelStep(err error) string {
	switch {
	case errors.Is(err, parcel.ErrForeign):
		return "; nothing was taken: if you know whose it is, --accept-new takes it"
	case errors.Is(err, parcel.ErrPart), errors.Is(err, parcel.ErrCut):
		return "; nothing was taken: copy the missing part again and name all parts together"
	case errors.Is(err, parcel.ErrFlipped), errors.Is(err, parcel.ErrOrder):
		return "; nothing was taken: copy it again from where it was written"
	case errors.Is(err, parcel.ErrSealed):
		return "; nothing was taken: it is the hub that reads it, with hub answer"
	case errors.Is(err, journal.ErrGap):
		return "; nothing was taken: ask for a parcel written with --all"
	case errors.Is(err, journal.ErrFork):
		return "; nothing was taken: two books wrote as one device, and the evidence is kept; ask the workshop"
	}
	return ""
}

// refusedParcel tells whether an error is about the file that was given.
func refusedParcel(err error) bool {
	for _, e := range []error{
		parcel.ErrNotParcel, parcel.ErrNewer, parcel.ErrCut, parcel.ErrFlipped, parcel.ErrOrder,
		parcel.ErrForeign, parcel.ErrTooLarge, parcel.ErrSealed, parcel.ErrPart,
	} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

func newParcelShow(e *Env, b *bookFlag) *cobra.Command {
	return &cobra.Command{
		Use:   "show FILE...",
		Short: "say what is in a parcel, and whether its files are whole",
		Args:  cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			for _, file := range args {
				p, err := parcel.Inspect(file)
				if err != nil {
					return fmt.Errorf("%w%s", err, parcelStep(err))
				}
				fmt.Fprintf(e.Out, "%s: part %d of %d of parcel %.8s, whole\n", file, p.Part, p.Parts, p.Set)
				if p.Manifest == nil {
					fmt.Fprintln(e.Out, "    sealed")
					continue
				}
				fmt.Fprintf(e.Out, "    written by %s, %s\n", p.Manifest.Writer.Device.Tag(), p.Manifest.Time.In(e.Now().Location()).Format("2 Jan 2006 15:04"))
				for _, l := range p.Manifest.Logs {
					fmt.Fprintf(e.Out, "    log of %s: entries %d to %d, %d of them in full\n", l.Base.Device.Tag(), l.Base.Seq+1, l.To, l.Full)
				}
			}
			return nil
		},
	}
}

func newHubAnswer(e *Env, b *bookFlag) *cobra.Command {
	to := ""
	c := &cobra.Command{
		Use:   "answer FILE...",
		Short: "take in a device's parcel, and write the hub's answer to it",
		Long: `Answer takes in a parcel that a device which has joined wrote, as sync would, and
writes the answer beside it: the receipt, and what the device may read. The device
takes it in with parcel read.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			name := to
			if name == "" {
				name, _, _ = strings.Cut(filepath.Base(args[0]), ".")
				name = filepath.Join(filepath.Dir(args[0]), name+"-answer")
			}
			// The running hub has another working folder.
			full := make([]string, len(args))
			for i, a := range append(args, name) {
				abs, err := filepath.Abs(a)
				if err != nil {
					return err
				}
				if i == len(args) {
					name = abs
					break
				}
				full[i] = abs
			}
			return b.inOffice(c.Context(), func(o hub.Office) error {
				a, err := o.Answer(c.Context(), full, name)
				if err != nil {
					return fmt.Errorf("%w%s", err, parcelStep(err))
				}
				fmt.Fprintf(e.Out, "from %s: %s, and the hub has its log up to entry %d\n", a.Device.Tag(), report.Count(int(a.Pages), "entry"), a.Head)
				for _, f := range a.Files {
					if rel, err := filepath.Rel(".", f); err == nil && !strings.HasPrefix(rel, "..") {
						f = rel
					}
					fmt.Fprintln(e.Out, f)
				}
				return nil
			})
		},
	}
	c.Flags().StringVar(&to, "to", "", "the name of the answer (default the parcel's, with -answer)")
	return c
}
