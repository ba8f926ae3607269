package cli

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/calc/stock"
	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/picture"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/photo"
	"pinchrod/survey/report/bench"
	"pinchrod/survey/report/stockplan"
	"pinchrod/sync/hub"
)

// benchPort is where the bench's pages are unless it is told otherwise; of the
// numbers that nothing is registered for.
const benchPort = "7480"

func newBench(e *Env, b *bookFlag) *cobra.Command {
	c := &cobra.Command{
		Use:   "bench",
		Short: "the workshop's pages, for a browser",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newBenchServe(e, b))
	for _, sub := range c.Commands() {
		sub.Args = usage(sub.Args)
	}
	return c
}

type benchServeOptions struct {
	env             *Env
	book            *bookFlag
	listen          string
	cert, key, rack string
}

func newBenchServe(e *Env, b *bookFlag) *cobra.Command {
	o := &benchServeOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "serve",
		Short: "show jobs, bays, cutting sheets and the stock plan in a browser, until it is interrupted",
		Long: `Serve shows the book in a browser: each stair with what is out of true, each bay
with its drawing, readings and verdict, what another tolerance would do, the
cutting sheets and the stock plan to print; and takes down what was cut.

On a loopback address, which is the default, whoever is at this machine is in. On
any other the pages are over HTTPS only, with the certificate given or one of the
book's own that browsers warn of: its fingerprint is shown at the start, to compare
with what the browser shows. People sign in with a code: one is shown at the start,
and another for every name that is typed, for which standard input has to be open.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	f := c.Flags()
	f.StringVar(&o.listen, "listen", "127.0.0.1:"+benchPort, "where browsers come in")
	f.StringVar(&o.cert, "cert", "", "the workshop's own certificate, in PEM")
	f.StringVar(&o.key, "key", "", "its key, in PEM")
	rackFlag(c, &o.rack)
	return c
}

// rackFlag adds --rack.
func rackFlag(c *cobra.Command, rack *string) {
	c.Flags().StringVar(rack, "rack", "", "a CSV file of the bars in the shop: section,length,price,count,label,offcut")
}

func (o *benchServeOptions) run(ctx context.Context) (err error) {
	if (o.cert == "") != (o.key == "") {
		return fmt.Errorf("%w: --cert and --key go together", errUsage)
	}
	book, err := lend(func() (*store.Store, error) { return o.book.open(false) })
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, book.Close()) }()
	log := slog.New(slog.NewTextHandler(o.env.Err, nil))
	pages, err := bench.New(bench.Options{
		Source: &benchSource{env: o.env, with: book.do, pictures: o.book.pictures, rack: o.rack},
		Now:    o.env.Now, Log: log, Who: hub.SignedIn, SignOut: "/sign-out",
	})
	if err != nil {
		return err
	}
	if _, err := readRack(o.rack); err != nil {
		return err
	}
	l, err := net.Listen("tcp", o.listen)
	if err != nil {
		return fmt.Errorf("%w: %w; choose another address with --listen", errUsage, err)
	}
	defer l.Close()
	at, ok := l.Addr().(*net.TCPAddr)
	if ok && at.IP.IsLoopback() && o.cert == "" {
		o.env.say("the bench's pages are at http://%s; end them with Ctrl-C", l.Addr())
		return hub.ServePages(ctx, l, nil, nil, pages, log)
	}
	config, addresses, err := o.tls(book, l.Addr())
	if err != nil {
		return err
	}
	sessions := hub.NewSessions(o.env.Now, o.env.rand())
	o.env.say("the bench's pages are at https://%s; end them with Ctrl-C", strings.Join(addresses, " and https://"))
	o.env.say("the SHA-256 fingerprint of their certificate is %s: a browser that warns shows the same", hub.Fingerprint(config))
	sessions.SetWhere(askAtBench)
	if err := o.code(sessions, "bench"); err != nil {
		return err
	}
	go o.codes(sessions)
	return hub.ServePages(ctx, l, config, sessions, pages, log)
}

// tls is what the pages are served with on a network, and where they are found.
func (o *benchServeOptions) tls(book *lent, at net.Addr) (config *tls.Config, addresses []string, err error) {
	host, _, _ := net.SplitHostPort(o.listen)
	if addresses, err = machineAddresses(at); err == nil {
		config, err = hub.PagesTLS(book, o.cert, o.key, pageHosts(host, addresses), o.env.Now())
	}
	return config, addresses, err
}

// What the sign-in page says of where a code is to be had, while a name can be
// typed and when none can be.
const (
	askAtBench   = "Type a name in the window where the bench was started: it shows a code for that name."
	noMoreCodes  = "No other code can be made here. End the bench and start it again, in a window where a name can be typed: it shows a code."
	noMoreToType = "standard input is closed, so no other code can be made; for one, end the bench and start it again in a window where a name can be typed"
)

// code shows a code to sign in with.
func (o *benchServeOptions) code(sessions *hub.Sessions, name string) error {
	c, err := sessions.Code(name)
	if err != nil {
		return err
	}
	o.env.say("%s signs in with the code %s until %s; type a name for another", name, c.Code, c.Expires.Local().Format("15:04"))
	return nil
}

// codes makes a code for every name that is typed, until no more can be.
func (o *benchServeOptions) codes(sessions *hub.Sessions) {
	lines := bufio.NewScanner(o.env.In)
	for lines.Scan() {
		name := strings.TrimSpace(lines.Text())
		if name == "" {
			name = "bench"
		}
		if err := o.code(sessions, name); err != nil {
			o.env.say("no code for %q: %v; type another name", name, err)
		}
	}
	sessions.SetWhere(noMoreCodes)
	o.env.say(noMoreToType)
}

// benchSource is the book as the pages see it.
type benchSource struct {
	env      *Env
	with     func(func(*store.Store) error) error // lends the book
	pictures func() (*picture.Folder, error)
	rack     string // a file, or empty
}

// use lends the book, and says what went wrong with it in the pages' words.
func (b *benchSource) use(do func(*store.Store) error) error { return forPages(b.with(do)) }

// forPages marks an error as one that the pages tell apart.
func forPages(err error) error {
	for _, x := range []struct{ ours, theirs error }{
		{store.ErrInUse, bench.ErrBusy},
		{store.ErrMissing, bench.ErrNoBook},
		{store.ErrEmpty, bench.ErrNoBook},
		{store.ErrDamaged, bench.ErrDamaged},
		{picture.ErrMissing, fs.ErrNotExist},
	} {
		if errors.Is(err, x.ours) && !errors.Is(err, x.theirs) {
			return fmt.Errorf("%w: %w", x.theirs, err)
		}
	}
	return err
}

func (b *benchSource) Jobs() (jobs []fieldbook.Job, err error) {
	err = b.use(func(s *store.Store) error {
		return s.View(func(kv store.KV) error {
			jobs, err = fieldbook.Jobs(kv)
			return err
		})
	})
	return jobs, err
}

func (b *benchSource) Work(ctx context.Context, job string, place survey.Place, set map[string]string) (*bench.Work, error) {
	w := &bench.Work{}
	err := b.use(func(s *store.Store) (err error) {
		w.Book, w.Settings, err = workFrom(s, b.env.settings(), job, func(name string) string { return set[name] })
		if err != nil {
			return err
		}
		w.Entry, err = upTo(s, w.Book.Job.ID)
		return err
	})
	if err != nil {
		return nil, err
	}
	w.Kit = w.Settings.Kit
	w.Found, err = asfound.WorkAt(ctx, w.Book, place, w.Settings)
	return w, err
}

func (b *benchSource) Bars() ([]stock.Bar, error) {
	bars, err := readRack(b.rack)
	if err != nil {
		return nil, err
	}
	var offcuts []fieldbook.Offcut
	err = b.use(func(s *store.Store) error {
		return s.View(func(kv store.KV) error {
			offcuts, err = fieldbook.Rack(kv)
			return err
		})
	})
	return append(bars, stockplan.Offcuts(offcuts)...), err
}

func (b *benchSource) Record(job string, m survey.Made, readings []survey.Reading) (string, error) {
	ref, err := b.write(job, survey.Payload{Readings: readings, Made: []survey.Made{m}})
	ref.Item = uint32(len(readings) + 1)
	return ref.Short(), err
}

func (b *benchSource) Strike(job string, entries []journal.Ref, why, by string) error {
	var p survey.Payload
	for _, e := range entries {
		p.Strikes = append(p.Strikes, survey.Strike{Reading: e, Why: why, By: by})
	}
	_, err := b.write(job, p)
	return err
}

// write puts a page into this device's own log, and names its first entry.
func (b *benchSource) write(job string, p survey.Payload) (ref journal.Ref, err error) {
	err = b.use(func(s *store.Store) error {
		book, err := loadFrom(s, job)
		if err != nil {
			return err
		}
		ref, err = b.env.write(s, book.Job.ID, p)
		return err
	})
	return ref, err
}

// thumbSide is a small picture's longer side, pixels: four to a line of a page.
const thumbSide = 320

func (b *benchSource) Picture(sum [32]byte) ([]byte, error) {
	folder, err := b.pictures()
	if err != nil {
		return nil, err
	}
	r, _, err := folder.Open(sum)
	if err != nil {
		return nil, forPages(err)
	}
	defer r.Close()
	whole, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("reading a picture: %w", err)
	}
	return photo.Thumbnail(whole, thumbSide)
}

// readRack reads a file of the bars in the shop; none without a name.
func readRack(name string) ([]stock.Bar, error) {
	if name == "" {
		return nil, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	bars, err := stockplan.ReadRack(f)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", errUsage, name, err)
	}
	return bars, nil
}
