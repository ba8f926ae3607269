package cli

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/picture"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/report/bench"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
	"pinchrod/sync/nearby"
)

// hubPort is where a hub listens unless it is told otherwise; of the numbers
// that nothing is registered for.
const hubPort = "7443"

// marginAddresses is where a hub's book notes what invitations say.
const marginAddresses = "hub/addresses"

func newHub(e *Env, b *bookFlag) *cobra.Command {
	c := &cobra.Command{
		Use:   "hub",
		Short: "run the workshop's hub, and say who may meet it",
		Long: `Hub keeps the workshop's copy of every device's log. Devices are let in by
invitation, and known by the key they joined with. Its book is --book FILE, else
$PINCHROD_HUB, else hub.book in the user's data folder. While serve runs, the
other commands speak to it through a file beside its book that only its owner
can read.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newHubCreate(e, b), newHubServe(e, b), newHubInvite(e, b), newHubDevices(e, b),
		newHubJobs(e, b), newHubRevoke(e, b), newHubAssign(e, b, true), newHubAssign(e, b, false), newHubCode(e, b), newHubStatus(e, b), newHubAnswer(e, b))
	for _, sub := range c.Commands() {
		sub.Args = usage(sub.Args)
	}
	return c
}

// hub is the book of the hub, where b is that of a device.
func (b *bookFlag) hub() *bookFlag {
	return &bookFlag{env: b.env, path: b.path, variable: "PINCHROD_HUB", base: "hub.book"}
}

// openHub opens the hub's book.
func (b *bookFlag) openHub() (*store.Store, error) {
	path, err := b.hub().file()
	if err != nil {
		return nil, err
	}
	s, err := store.Open(path, b.env.options())
	if errors.Is(err, store.ErrMissing) {
		return nil, fmt.Errorf("%w; hub create makes a new hub", err)
	}
	return s, err
}

// office opens the hub's office: the running hub's, or the book's.
func (b *bookFlag) office(ctx context.Context) (hub.Office, func() error, error) {
	path, err := b.hub().file()
	if err != nil {
		return nil, nil, err
	}
	o, err := hub.Call(ctx, hub.ConsoleFile(path))
	if !errors.Is(err, hub.ErrNotRunning) {
		return o, func() error { return nil }, err
	}
	s, err := b.openHub()
	if err != nil {
		return nil, nil, err
	}
	if _, err := readJoined(s); !errors.Is(err, errNotJoined) {
		if err == nil {
			err = fmt.Errorf("%w: %s is a device's book that has joined a hub; name the hub's with --book or $PINCHROD_HUB", errUsage, path)
		}
		return nil, nil, errors.Join(err, s.Close())
	}
	r, err := hub.OpenRoster(s, b.env.Now, b.env.Rand)
	if err != nil {
		return nil, nil, errors.Join(err, s.Close())
	}
	folder, err := b.hub().pictures()
	if err != nil {
		return nil, nil, errors.Join(err, s.Close())
	}
	notes, err := s.Margin(marginAddresses)
	if err != nil {
		return nil, nil, errors.Join(err, s.Close())
	}
	o, err = hub.LocalOffice(s, r, shelf{folder}, jobNames(s), strings.Fields(string(notes[marginAddresses])))
	if err != nil {
		return nil, nil, errors.Join(err, s.Close())
	}
	return o, s.Close, nil
}

// inOffice does something at the hub's office.
func (b *bookFlag) inOffice(ctx context.Context, do func(hub.Office) error) error {
	o, done, err := b.office(ctx)
	if err != nil {
		return err
	}
	return errors.Join(do(o), done())
}

// jobNames lists the jobs that a book knows by name.
func jobNames(s *store.Store) func() ([]hub.Job, error) {
	return func() (out []hub.Job, err error) {
		err = s.View(func(kv store.KV) error {
			jobs, err := fieldbook.Jobs(kv)
			for _, j := range jobs {
				out = append(out, hub.Job{ID: j.ID, Name: j.Name})
			}
			return err
		})
		return out, err
	}
}

// shelf is the hub's pictures.
type shelf struct{ folder *picture.Folder }

func (s shelf) Has(sum [32]byte) bool               { return s.folder.Has(sum) }
func (s shelf) Partial(sum [32]byte) (int64, error) { return s.folder.Partial(sum) }
func (s shelf) Remove(sum [32]byte) error           { return s.folder.Remove(sum) }
func (s shelf) Resume(sum [32]byte, size, from int64, r io.Reader) (bool, error) {
	return s.folder.Resume(sum, size, from, r)
}

func (s shelf) Get(sum [32]byte) (io.ReadSeekCloser, int64, error) {
	return s.folder.Open(sum)
}

func newHubCreate(e *Env, b *bookFlag) *cobra.Command {
	return &cobra.Command{
		Use:   "create",
		Short: "make a new hub's book, with a key of its own",
		Long: `Create makes the book of a new hub. Its key is what devices know the hub by, so
keep a copy of the file: a hub made anew has to be joined anew.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			path, err := b.hub().file()
			if err != nil {
				return err
			}
			if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
				return fmt.Errorf("making the hub's folder: %w", err)
			}
			s, err := store.Create(path, e.options())
			if err != nil {
				return err
			}
			defer s.Close()
			key, err := door.FingerprintOf(s.Identity().Key)
			if err != nil {
				return err
			}
			fmt.Fprintf(e.Out, "hub %s made at %s\nits key's fingerprint is %x\n", s.Device().Tag(), path, key)
			e.say("hub serve opens it; hub invite lets a device in")
			return nil
		},
	}
}

type hubServeOptions struct {
	env           *Env
	book          *bookFlag
	listen, pages string
	addresses     []string
	cert, key     string
	rack          string
	announce      bool
}

func newHubServe(e *Env, b *bookFlag) *cobra.Command {
	o := &hubServeOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "serve",
		Short: "open the hub until it is interrupted",
		Long: `Serve opens the hub to the devices that have joined, until it is interrupted;
what they send is on disk before it is confirmed. Its log goes to standard error.
/healthz and /metrics are on the loopback address that the log names.

With --pages it also shows the bench's pages to browsers: on this machine at once,
on any other address over HTTPS only, with the certificate given or one of its
own that browsers warn of. People sign in with a code from hub code.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	f := c.Flags()
	f.StringVar(&o.listen, "listen", ":"+hubPort, "where devices come in")
	f.StringSliceVar(&o.addresses, "address", nil, "host:port that invitations name; repeat it (default this machine's own)")
	f.StringVar(&o.pages, "pages", "", "where browsers come in, such as 127.0.0.1:8080")
	f.StringVar(&o.cert, "cert", "", "the workshop's own certificate for the pages, in PEM")
	f.StringVar(&o.key, "key", "", "its key, in PEM")
	rackFlag(c, &o.rack)
	f.BoolVar(&o.announce, "announce", false, "let devices on the local network find the hub (DNS-SD)")
	return c
}

func (o *hubServeOptions) run(ctx context.Context) (err error) {
	if (o.cert == "") != (o.key == "") {
		return fmt.Errorf("%w: --cert and --key go together", errUsage)
	}
	s, err := o.book.openHub()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	roster, err := hub.OpenRoster(s, o.env.Now, o.env.Rand)
	if err != nil {
		return err
	}
	folder, err := o.book.hub().pictures()
	if err != nil {
		return err
	}
	l := hub.Listeners{ConsoleFile: hub.ConsoleFile(s.Path())}
	if l.Devices, err = net.Listen("tcp", o.listen); err != nil {
		return fmt.Errorf("%w: %w; choose another address with --listen", errUsage, err)
	}
	defer l.Devices.Close()
	if l.Console, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		return err
	}
	defer l.Console.Close()
	addresses := o.addresses
	if len(addresses) == 0 {
		if addresses, err = reachable(l.Devices.Addr()); err != nil {
			return err
		}
	}
	if err := s.SetMargin(map[string][]byte{marginAddresses: []byte(strings.Join(addresses, "\n"))}); err != nil {
		return err
	}
	var pagesAt []string
	if o.pages != "" {
		if l.Pages, err = net.Listen("tcp", o.pages); err != nil {
			return fmt.Errorf("%w: %w; choose another address with --pages", errUsage, err)
		}
		defer l.Pages.Close()
		if pagesAt, err = machineAddresses(l.Pages.Addr()); err != nil {
			return err
		}
		host, _, _ := net.SplitHostPort(o.pages)
		if a, err := net.ResolveTCPAddr("tcp", o.pages); o.cert != "" || err != nil || !a.IP.IsLoopback() {
			if l.PagesTLS, err = hub.PagesTLS(s, o.cert, o.key, pageHosts(host, slices.Concat(pagesAt, addresses)), o.env.Now()); err != nil {
				return err
			}
		}
	}
	debug.SetMemoryLimit(hub.MemoryLimit) // this process does nothing else
	log := slog.New(slog.NewTextHandler(o.env.Err, nil))
	if _, err := readRack(o.rack); err != nil {
		return err
	}
	pages, err := bench.New(bench.Options{
		Source: &benchSource{
			env: o.env, with: func(do func(*store.Store) error) error { return do(s) },
			pictures: func() (*picture.Folder, error) { return folder, nil }, rack: o.rack,
		},
		Now: o.env.Now, Log: log, Who: hub.SignedIn, SignOut: "/sign-out",
	})
	if err != nil {
		return err
	}
	server, err := hub.New(hub.Options{
		Book: s, Roster: roster, Pictures: shelf{folder}, Pages: pages, Addresses: addresses, Jobs: jobNames(s),
		Log: log, Now: o.env.Now, Rand: o.env.Rand,
	})
	if err != nil {
		return err
	}
	log.Info("where the hub is", "devices", strings.Join(addresses, " "), "console", "http://"+l.Console.Addr().String())
	if l.Pages != nil {
		sayPages(log, pagesAt, l.PagesTLS)
	}
	if o.announce {
		stop, err := o.announceHub(ctx, s, l.Devices.Addr(), log)
		if err != nil {
			return err
		}
		defer stop()
	}
	return server.Run(ctx, l)
}

// sayPages says where the pages are, as a person types it, and what their
// certificate is known by, when there is one.
func sayPages(log *slog.Logger, addresses []string, config *tls.Config) {
	scheme := "http://"
	said := []any{"address", strings.Join(addresses, " "), "https", config != nil}
	if config != nil {
		scheme = "https://"
		said = append(said, "sha256", hub.Fingerprint(config))
	}
	log.Info("where the pages are", append(said, "open", scheme+strings.Join(addresses, " "+scheme))...)
}

// announceHub answers who looks for a hub on the local network.
func (o *hubServeOptions) announceHub(ctx context.Context, s *store.Store, at net.Addr, log *slog.Logger) (stop func(), err error) {
	key, err := door.FingerprintOf(s.Identity().Key)
	if err != nil {
		return nil, err
	}
	a, ok := at.(*net.TCPAddr)
	if !ok {
		return nil, fmt.Errorf("announcing: %s is no TCP address", at)
	}
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		service := nearby.Service{Instance: "pinchrod hub " + s.Device().Tag(), Port: uint16(a.Port), Fingerprint: nearby.Fingerprint(key[:8])}
		if err := nearby.Announce(ctx, service, nearby.Options{}); err != nil && ctx.Err() == nil {
			log.Warn("not announced on the local network", "error", err.Error())
		}
	}()
	return func() { cancel(); <-done }, nil
}

// pageHosts are the names a certificate for the pages is made out to.
func pageHosts(host string, addresses []string) []string {
	hosts := []string{"localhost"}
	if ip := net.ParseIP(host); host != "" && (ip == nil || !ip.IsUnspecified()) {
		hosts = append(hosts, host)
	}
	for _, a := range addresses {
		if h, _, err := net.SplitHostPort(a); err == nil && !slices.Contains(hosts, h) {
			hosts = append(hosts, h)
		}
	}
	return hosts
}

// mostReachable: more addresses would make an invitation long to type.
const mostReachable = 3

// reachable are the addresses that an invitation names, under which devices may
// find a listener.
func reachable(at net.Addr) ([]string, error) {
	all, err := machineAddresses(at)
	if err != nil {
		return nil, fmt.Errorf("%w; give --address", err)
	}
	return all[:min(len(all), mostReachable)], nil
}

// machineAddresses are all the addresses under which other machines may find a
// listener; this machine's own if there is no other.
func machineAddresses(at net.Addr) ([]string, error) {
	a, ok := at.(*net.TCPAddr)
	if !ok || !a.IP.IsUnspecified() {
		return []string{at.String()}, nil
	}
	port := fmt.Sprint(a.Port)
	var out []string
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil, fmt.Errorf("finding this machine's addresses: %w", err)
	}
	for _, x := range all {
		n, ok := x.(*net.IPNet)
		// On 0.0.0.0 a listener takes IPv4 only; on [::] it takes both.
		if ok && n.IP.IsGlobalUnicast() && (a.IP.To4() == nil || n.IP.To4() != nil) {
			out = append(out, net.JoinHostPort(n.IP.String(), port))
		}
	}
	if len(out) == 0 {
		out = []string{net.JoinHostPort("127.0.0.1", port)}
	}
	return out, nil
}

type hubInviteOptions struct {
	env             *Env
	book            *bookFlag
	bench, qr       bool
	jobs, addresses []string
	name            string
	lasts           time.Duration
}

func newHubInvite(e *Env, b *bookFlag) *cobra.Command {
	o := &hubInviteOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "invite",
		Short: "let a device in: print an invitation, as text and as a QR code",
		Long: `Invite prints an invitation for one device, to be used once with join. It holds
the hub's address, its key's fingerprint and a secret: whoever has it can join, so
hand it to its receiver only. On a terminal it is drawn as a QR code too.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	f := c.Flags()
	f.BoolVar(&o.bench, "bench", false, "for a device of the bench, which reads every job (default: a surveyor's)")
	f.StringArrayVar(&o.jobs, "job", nil, "a job that the surveyor's device is on; repeat it")
	f.StringVar(&o.name, "name", "", "what to call the device, if it does not say")
	f.DurationVar(&o.lasts, "for", hub.DefaultLasts, "how long the invitation is open")
	f.StringSliceVar(&o.addresses, "address", nil, "host:port of the hub; repeat it (default what serve was given)")
	f.BoolVar(&o.qr, "qr", false, "draw the QR code, terminal or not")
	return c
}

func (o *hubInviteOptions) run(ctx context.Context) error {
	return o.book.inOffice(ctx, func(office hub.Office) error {
		t := hub.Terms{Role: door.Surveyor, Name: o.name, Lasts: o.lasts}
		if o.bench {
			if len(o.jobs) > 0 {
				return fmt.Errorf("%w: the bench reads every job, so --job says nothing", errUsage)
			}
			t.Role = door.Bench
		}
		for _, name := range o.jobs {
			job, err := findHubJob(ctx, office, name)
			if err != nil {
				return err
			}
			t.Jobs = append(t.Jobs, job.ID)
		}
		i, err := office.Invite(ctx, t, o.addresses)
		if errors.Is(err, invite.ErrAddresses) && len(o.addresses) == 0 {
			err = fmt.Errorf("%w: say where devices find the hub with --address HOST:%s, or start hub serve once", err, hubPort)
		}
		if err != nil {
			return fmt.Errorf("%w: %w", errUsage, err)
		}
		text, err := i.Encode()
		if err != nil {
			return err
		}
		fmt.Fprintln(o.env.Out, text)
		columns, _, terminal := o.env.Terminal()
		if o.qr || terminal && !o.env.plain {
			code, err := invite.QR(text)
			if err != nil {
				return err
			}
			switch {
			case !terminal || code.Side() <= columns:
				fmt.Fprint(o.env.Out, "\n", code.Blocks(true))
			default:
				o.env.say("the window is too narrow for the QR code, which takes %d columns", code.Side())
			}
		}
		o.env.say("for one device, a %s's, until %s: pinchrod join INVITATION", t.Role, i.Expires.In(o.env.Now().Location()).Format("2 Jan 2006 15:04"))
		return nil
	})
}

// findHubJob finds one of the hub's jobs by its name, or its UUID.
func findHubJob(ctx context.Context, office hub.Office, name string) (hub.Job, error) {
	jobs, err := office.Jobs(ctx)
	if err != nil {
		return hub.Job{}, err
	}
	var found []hub.Job
	for _, j := range jobs {
		if j.Name == name || j.ID.String() == name {
			found = append(found, j)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		if id, err := journal.ParseID(name); err == nil {
			return hub.Job{ID: id}, nil // not here yet
		}
		return hub.Job{}, fmt.Errorf("%w: %w %q at the hub; hub jobs lists them", errUsage, fieldbook.ErrNoJob, name)
	}
	return hub.Job{}, fmt.Errorf("%w: %w job at the hub is called %q; give its id, from hub jobs", errUsage, fieldbook.ErrTwo, name)
}

// findHubDevice finds a device by its tag, its name, or its UUID.
func findHubDevice(ctx context.Context, office hub.Office, name string) (hub.Device, error) {
	all, err := office.Devices(ctx)
	if err != nil {
		return hub.Device{}, err
	}
	var found []hub.Device
	for _, d := range all {
		id := d.Identity.Device
		if id.String() == strings.ToLower(name) || id.Tag() == strings.ToUpper(name) || d.Name != "" && d.Name == name {
			found = append(found, d)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return hub.Device{}, fmt.Errorf("%w: no device %q has joined; hub devices lists them", errUsage, name)
	}
	return hub.Device{}, fmt.Errorf("%w: %d devices answer to %q; give the id, from hub devices --ids", errUsage, len(found), name)
}

func newHubDevices(e *Env, b *bookFlag) *cobra.Command {
	ids := false
	c := &cobra.Command{
		Use:   "devices",
		Short: "list the devices that have joined",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return b.inOffice(c.Context(), func(o hub.Office) error { return printDevices(c.Context(), e, o, ids) })
		},
	}
	c.Flags().BoolVar(&ids, "ids", false, "with their whole ids")
	return c
}

func printDevices(ctx context.Context, e *Env, o hub.Office, ids bool) error {
	devices, err := o.Devices(ctx)
	if err != nil {
		return err
	}
	jobs, err := o.Jobs(ctx)
	if err != nil {
		return err
	}
	names := map[journal.ID]string{}
	for _, j := range jobs {
		names[j.ID] = j.Name
	}
	w := tabwriter.NewWriter(e.Out, 0, 0, 2, ' ', 0)
	for _, d := range devices {
		who := d.Identity.Device.Tag()
		if ids {
			who = d.Identity.Device.String()
		}
		seen := "never met"
		if !d.Seen.IsZero() {
			seen = "met " + d.Seen.In(e.Now().Location()).Format("2 Jan 2006 15:04")
		}
		state := ""
		if !d.Revoked.IsZero() {
			state = "; revoked " + d.Revoked.In(e.Now().Location()).Format("2 Jan 2006 15:04")
		}
		on := "every job"
		if d.Role != door.Bench {
			var list []string
			for _, j := range d.On() {
				if n := names[j]; n != "" {
					list = append(list, n)
				} else {
					list = append(list, j.String())
				}
			}
			slices.Sort(list)
			if on = strings.Join(list, ", "); on == "" {
				on = "no job"
			}
		}
		fmt.Fprintf(w, "%s\t%s\t%s\tentry %d\t%s%s\t%s\n", who, d.Role, d.Name, d.Head.Seq, seen, state, on)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	e.say("%s", report.Count(len(devices), "device"))
	return nil
}

func newHubJobs(e *Env, b *bookFlag) *cobra.Command {
	return &cobra.Command{
		Use:   "jobs",
		Short: "list the jobs that the hub has pages of",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return b.inOffice(c.Context(), func(o hub.Office) error {
				jobs, err := o.Jobs(c.Context())
				for _, j := range jobs {
					fmt.Fprintf(e.Out, "%s  %s\n", j.ID, j.Name)
				}
				return err
			})
		},
	}
}

func newHubRevoke(e *Env, b *bookFlag) *cobra.Command {
	return &cobra.Command{
		Use:   "revoke DEVICE",
		Short: "let a device in no more, from its next request on",
		Long: `Revoke shuts a device out: it can neither read nor write from its next request
on. What it wrote stays. DEVICE is its two letters, its name or its id.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return b.inOffice(c.Context(), func(o hub.Office) error {
				d, err := findHubDevice(c.Context(), o, args[0])
				if err != nil {
					return err
				}
				if err := o.Revoke(c.Context(), d.Identity.Device); err != nil {
					return err
				}
				fmt.Fprintf(e.Out, "%s is revoked; what it wrote stays, up to entry %d\n", d.Identity.Device.Tag(), d.Head.Seq)
				return nil
			})
		},
	}
}

func newHubAssign(e *Env, b *bookFlag, on bool) *cobra.Command {
	verb, short, past := "assign", "put a surveyor's device on a job", "on"
	if !on {
		verb, short, past = "unassign", "take a surveyor's device off a job", "off"
	}
	return &cobra.Command{
		Use:   verb + " DEVICE JOB",
		Short: short,
		Long:  "DEVICE is its two letters, its name or its id; JOB is the job's name, or its id.",
		Args:  cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			return b.inOffice(c.Context(), func(o hub.Office) error {
				d, err := findHubDevice(c.Context(), o, args[0])
				if err != nil {
					return err
				}
				j, err := findHubJob(c.Context(), o, args[1])
				if err != nil {
					return err
				}
				change := o.Assign
				if !on {
					change = o.Unassign
				}
				if err := change(c.Context(), d.Identity.Device, j.ID); err != nil {
					return err
				}
				fmt.Fprintf(e.Out, "%s is %s job %q from its next sync on\n", d.Identity.Device.Tag(), past, args[1])
				if !on {
					e.say("what it has fetched already stays on it")
				}
				return nil
			})
		},
	}
}

func newHubCode(e *Env, b *bookFlag) *cobra.Command {
	return &cobra.Command{
		Use:   "code [NAME]",
		Short: "make a one-time code for somebody to sign in to the pages with",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			name := ""
			if len(args) > 0 {
				name = args[0]
			}
			return b.inOffice(c.Context(), func(o hub.Office) error {
				code, err := o.Code(c.Context(), name)
				if err != nil {
					return err
				}
				fmt.Fprintln(e.Out, code.Code)
				e.say("once, until %s", code.Expires.In(e.Now().Location()).Format("15:04"))
				return nil
			})
		},
	}
}

func newHubStatus(e *Env, b *bookFlag) *cobra.Command {
	return &cobra.Command{
		Use:   "status",
		Short: "say how the hub is",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return b.inOffice(c.Context(), func(o hub.Office) error {
				s, err := o.Status(c.Context())
				if err != nil {
					return err
				}
				state := "is not running"
				if s.Running {
					state = "is running since " + s.Started.In(e.Now().Location()).Format("2 Jan 2006 15:04")
				}
				fmt.Fprintf(e.Out, "hub %s %s\nits key's fingerprint is %x\n", s.Hub.Device.Tag(), state, s.Fingerprint)
				if len(s.Addresses) > 0 {
					fmt.Fprintf(e.Out, "at %s\n", strings.Join(s.Addresses, ", "))
				}
				fmt.Fprintf(e.Out, "%s let in", report.Count(s.Devices, "device"))
				if s.Running {
					fmt.Fprintf(e.Out, ", %s open, %s taken in since", report.Count(s.Connections, "connection"), report.Count(int(s.Pages), "page"))
				}
				fmt.Fprintln(e.Out)
				return nil
			})
		},
	}
}

func newForget(e *Env, b *bookFlag) *cobra.Command {
	yes := false
	c := &cobra.Command{
		Use:   "forget JOB --yes",
		Short: "erase a job's contents at the hub and, at their next sync, on every device",
		Long: `Forget is for the client who asks that their address be erased. It erases the
contents of every page of the job in the hub's book, and its pictures, and leaves
the hashes, so that everything else still verifies; each device does the same at
its next sync. It cannot be taken back. What backups, parcels and disks hold
besides is not reached. JOB is the job's name, or its id.

It is done at the hub: --book FILE, else $PINCHROD_HUB. For a book that has joined
no hub, name the book with --book.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if !yes {
				return fmt.Errorf("%w: forgetting cannot be taken back; say --yes if that is meant", errUsage)
			}
			return forgetJob(c.Context(), e, b, args[0])
		},
	}
	c.Flags().BoolVar(&yes, "yes", false, "it is meant")
	return c
}

func forgetJob(ctx context.Context, e *Env, b *bookFlag, name string) error {
	return b.inOffice(ctx, func(o hub.Office) error {
		j, err := findHubJob(ctx, o, name)
		if err != nil {
			return err
		}
		n, err := o.Forget(ctx, j.ID)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.Out, "job %q is forgotten: %s erased here\n", name, report.Count(n, "page"))
		e.say("devices erase it at their next sync; backups, parcels and printed sheets are yours to find")
		return nil
	})
}
