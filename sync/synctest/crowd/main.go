// Crowd measures a hub under many: devices that all sync at once, and
// connections that mean no good.
//
//	go run ./sync/synctest/crowd [-devices 200] [-readings 500] [-hostile 10000]
//
// The hub is a process of its own; the devices are goroutines here, each with a
// book and a line of its own, so both sides share the machine. Printed are the
// time until all are confirmed, the times of single syncs, and the hub's memory.
// Then hostile connections are opened, of five kinds, and held, while a device
// goes on syncing.
package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"errors"
	"flag"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
	"pinchrod/sync/remote"
)

func main() {
	devices := flag.Int("devices", 200, "devices that sync at once")
	readings := flag.Int("readings", 500, "readings on each")
	hostile := flag.Int("hostile", 10000, "hostile connections")
	flag.Parse()
	dir, err := os.MkdirTemp("", "crowd-*")
	if err == nil {
		defer os.RemoveAll(dir)
		err = run(dir, *devices, *readings, *hostile)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "crowd:", err)
		os.Exit(1)
	}
}

type projector struct{}

func (projector) Version() uint32                           { return fieldbook.Version }
func (projector) Project(kv store.KV, p journal.Page) error { return fieldbook.Project(kv, p) }

// A device is a book, and its way to the hub.
type device struct {
	book   *store.Store
	client *remote.Client
	took   time.Duration
}

type hubProcess struct {
	dir, program, address string
	cmd                   *exec.Cmd
}

func (h *hubProcess) run(args ...string) (string, error) {
	c := exec.Command(h.program, args...)
	c.Env = append(os.Environ(), "PINCHROD_HUB="+filepath.Join(h.dir, "hub.book"))
	var out, errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	if err := c.Run(); err != nil {
		return "", fmt.Errorf("%s: %w\n%s", strings.Join(args, " "), err, errs.String())
	}
	return out.String(), nil
}

func startHub(dir string) (*hubProcess, error) {
	h := &hubProcess{dir: dir, program: filepath.Join(dir, "pinchrod")}
	if out, err := exec.Command("go", "build", "-trimpath", "-o", h.program, "pinchrod/cmd/pinchrod").CombinedOutput(); err != nil {
		return nil, fmt.Errorf("building: %w\n%s", err, out)
	}
	if _, err := h.run("hub", "create"); err != nil {
		return nil, err
	}
	h.cmd = exec.Command(h.program, "hub", "serve", "--listen", "127.0.0.1:0")
	h.cmd.Env = append(os.Environ(), "PINCHROD_HUB="+filepath.Join(dir, "hub.book"))
	if err := h.cmd.Start(); err != nil {
		return nil, err
	}
	for range 200 {
		if out, err := h.run("hub", "status"); err == nil && strings.Contains(out, "is running") {
			_, rest, _ := strings.Cut(out, "\nat ")
			h.address = strings.Fields(rest)[0]
			return h, nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	return nil, errors.Join(errors.New("the hub does not come up"), h.stop())
}

func (h *hubProcess) stop() error {
	return errors.Join(h.cmd.Process.Signal(os.Interrupt), h.cmd.Wait())
}

// memory returns the hub's memory, now and at most, as the kernel says it.
func (h *hubProcess) memory() string {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", h.cmd.Process.Pid))
	if err != nil {
		return err.Error()
	}
	var out []string
	for l := range strings.Lines(string(b)) {
		if strings.HasPrefix(l, "VmHWM:") || strings.HasPrefix(l, "VmRSS:") {
			out = append(out, strings.Join(strings.Fields(l), " "))
		}
	}
	return strings.Join(out, ", ")
}

func run(dir string, devices, readings, hostile int) (err error) {
	h, err := startHub(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.stop()) }()
	all := make([]*device, devices)
	for i := range all {
		if all[i], err = h.device(filepath.Join(dir, fmt.Sprintf("device-%d.book", i)), readings); err != nil {
			return err
		}
		defer all[i].book.Close()
	}
	began := time.Now()
	var wait sync.WaitGroup
	failed := make(chan error, devices)
	for _, d := range all {
		wait.Go(func() {
			start := time.Now()
			if err := d.sync(readings); err != nil {
				failed <- err
			}
			d.took = time.Since(start)
		})
	}
	wait.Wait()
	total := time.Since(began)
	select {
	case err := <-failed:
		return err
	default:
	}
	var took []time.Duration
	for _, d := range all {
		took = append(took, d.took)
	}
	slices.Sort(took)
	fmt.Printf("%d devices of %d readings at once: all confirmed in %.2f s; one sync: median %d ms, 99th percentile %d ms, most %d ms; hub %s\n",
		devices, readings, total.Seconds(), took[len(took)/2].Milliseconds(), took[len(took)*99/100].Milliseconds(), took[len(took)-1].Milliseconds(), h.memory())
	if hostile == 0 {
		return nil
	}
	return h.siege(all[0], hostile)
}

// device makes a book with readings in it, that has joined the hub.
func (h *hubProcess) device(path string, readings int) (*device, error) {
	s, err := store.Create(path, store.Options{Projector: projector{}})
	if err != nil {
		return nil, err
	}
	text, err := h.run("hub", "invite")
	if err != nil {
		return nil, err
	}
	i, err := invite.Parse(text)
	if err != nil {
		return nil, err
	}
	j, err := remote.Join(context.Background(), i, s.Identity(), s.Signer(), "", nil)
	if err != nil {
		return nil, err
	}
	d := &device{book: s}
	d.client, err = remote.New(remote.Config{Addresses: i.Addresses, Hub: j.Hub, Self: s.Identity(), Signer: s.Signer()})
	if err != nil {
		return nil, err
	}
	return d, d.record(readings)
}

// record writes readings, ten in a step.
func (d *device) record(readings int) error {
	job := d.book.Device() // one of its own; any id will do
	for n := 0; n < readings; n += 10 {
		var drafts []store.Draft
		for i := n; i < min(n+10, readings); i++ {
			mm := int64(700_000 + 500*(i%200))
			p := survey.Payload{Readings: []survey.Reading{{
				Where: "F1/left", What: survey.Gap, At: survey.At{Mark: survey.Distance, N: int64(i) * 10_000},
				Value: survey.Quantity{Measure: survey.Length, N: [3]int64{mm}}, Text: fmt.Sprint(float64(mm) / 1000),
			}}}
			b, err := p.Encode()
			if err != nil {
				return err
			}
			drafts = append(drafts, store.Draft{Job: job, Payload: b})
		}
		if _, err := d.book.Append(drafts...); err != nil {
			return err
		}
	}
	return nil
}

// sync meets the hub until everything is confirmed; a busy hub is tried again.
func (d *device) sync(want int) error {
	b := remote.DefaultBackoff()
	b.Tries = 20
	return remote.Retry(context.Background(), b, remote.Sleep, func() float64 { return 0.5 }, func(ctx context.Context) error {
		out, err := exchange.Run(ctx, d.book, d.client.Peer(), exchange.Progress{})
		if err == nil && out.Receipt.Head.Seq < uint64(want) {
			err = fmt.Errorf("confirmed up to %d of %d", out.Receipt.Head.Seq, want)
		}
		return err
	})
}

// siege opens hostile connections and holds them, while a device syncs.
func (h *hubProcess) siege(d *device, hostile int) error {
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		return err
	}
	stranger, err := door.Certificate(key)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var opened, gone atomic.Int64
	var wait sync.WaitGroup
	defer wait.Wait()
	defer cancel()
	tickets := make(chan int)
	for range 64 { // at once in opening
		wait.Go(func() {
			for n := range tickets {
				c, err := net.DialTimeout("tcp", h.address, 5*time.Second)
				if err != nil {
					gone.Add(1)
					continue
				}
				opened.Add(1)
				wait.Go(func() {
					defer gone.Add(1)
					attack(ctx, c, n, stranger)
				})
			}
		})
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer close(tickets)
		for n := range hostile {
			tickets <- n
		}
	}()
	var took []time.Duration
	seq := 0
	heads, err := d.book.Heads()
	if err != nil {
		return err
	}
	seq = int(heads[d.book.Device()].Seq)
	for siege, after := true, 0; siege || after < 20; {
		select {
		case <-done:
			siege = false
			after++
		default:
		}
		if err := d.record(1); err != nil {
			return err
		}
		seq++
		d.client.Close() // a new handshake each time
		start := time.Now()
		if err := d.sync(seq); err != nil {
			return fmt.Errorf("an honest device during the siege: %w", err)
		}
		took = append(took, time.Since(start))
	}
	slices.Sort(took)
	fmt.Printf("%d hostile connections, %d thrown out so far; meanwhile %d honest syncs: median %d ms, most %d ms; hub %s\n",
		opened.Load(), gone.Load(), len(took), took[len(took)/2].Milliseconds(), took[len(took)-1].Milliseconds(), h.memory())
	return nil
}

// attack does what connection n means to do, then waits to be thrown out.
func attack(ctx context.Context, c net.Conn, n int, stranger tls.Certificate) {
	undo := context.AfterFunc(ctx, func() { c.Close() })
	defer undo()
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(30 * time.Second))
	rest := make([]byte, 1024)
	switch n % 5 {
	case 0: // says nothing
	case 1: // half a greeting
		_, _ = c.Write([]byte{22, 3, 1, 1, 0, 1})
	case 2: // noise
		_, _ = c.Write(bytes.Repeat([]byte{0xa5}, 16<<10))
	case 3: // plain HTTP with an endless header
		_, _ = c.Write([]byte("GET / HTTP/1.1\r\nHost: hub\r\n" + strings.Repeat("X-A: b\r\n", 4000)))
	case 4: // a key that nobody knows, then a large body
		t := tls.Client(c, door.ClientTLS(stranger, func(ed25519.PublicKey) error { return nil }))
		if t.Handshake() == nil {
			_, _ = t.Write(append([]byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"), make([]byte, 64<<10)...))
			_, _ = t.Read(rest)
		}
		return
	}
	for {
		if _, err := c.Read(rest); err != nil {
			return
		}
	}
}
