package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/survey"
	"pinchrod/sync/synctest/badline"
)

// A fleet is a hub and devices as processes of their own, each device on a line
// of its own.
type fleet struct {
	t       *testing.T
	dir     string
	random  *rand.Rand
	listen  string
	hub     *exec.Cmd
	devices []*fieldDevice
}

type fieldDevice struct {
	dir   string
	line  *badline.Line
	taken []string // readings that were answered with ok: page and number on it
	n     int
}

// env is a process of the fleet.
func (f *fleet) program(dir string, args ...string) *exec.Cmd {
	c := program(f.t, dir, args...)
	c.Env = append(c.Env, "PINCHROD_HUB="+filepath.Join(f.dir, "hub.book"))
	return c
}

// startHub starts the hub and waits until it is open.
func (f *fleet) startHub() {
	f.t.Helper()
	f.hub = f.program(f.dir, "hub", "serve", "--listen", f.listen)
	errs, err := f.hub.StderrPipe()
	if err != nil {
		f.t.Fatal(err)
	}
	if err := f.hub.Start(); err != nil {
		f.t.Fatal(err)
	}
	open := make(chan struct{})
	go func() {
		in := bufio.NewScanner(errs)
		for told := false; in.Scan(); {
			if !told && strings.Contains(in.Text(), "the hub is open") {
				told = true
				close(open)
			}
		}
	}()
	select {
	case <-open:
	case <-time.After(20 * time.Second):
		f.t.Fatal("the hub does not open")
	}
}

// killHub ends the hub without a word.
func (f *fleet) killHub() {
	f.hub.Process.Kill()
	f.hub.Wait()
}

// newFleet starts a hub that devices have joined.
func newFleet(t *testing.T, devices int) *fleet {
	f := &fleet{t: t, dir: t.TempDir(), random: rand.New(rand.NewPCG(20261125, 5))}
	l, err := net.Listen("tcp", "127.0.0.1:0") // a port that is free, and is kept over the hub's deaths
	if err != nil {
		t.Fatal(err)
	}
	f.listen = l.Addr().String()
	l.Close()
	output(t, f.program(f.dir, "hub", "create"))
	f.startHub()
	t.Cleanup(f.killHub)
	for i := range devices {
		line, err := badline.New(f.listen, badline.Trouble{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { line.Close() })
		d := &fieldDevice{dir: t.TempDir(), line: line}
		f.devices = append(f.devices, d)
		invitation := strings.TrimSpace(output(t, f.program(f.dir, "hub", "invite", "--bench", "--address", line.Addr().String())))
		output(t, f.program(d.dir, "join", invitation, "--name", fmt.Sprint("device ", i)))
	}
	return f
}

// work records readings on a device until it is killed, and notes those that
// were answered with ok.
func (f *fleet) work(d *fieldDevice, c *exec.Cmd, many int) error {
	var in bytes.Buffer
	values := make([]int, many)
	for i := range values {
		d.n++
		values[i] = d.n
		fmt.Fprintf(&in, "F1/left gap at=%d %d\n", d.n, 700+d.n%200)
	}
	c.Stdin = &in
	out, err := c.Output()
	for l := range strings.Lines(string(out)) {
		if name, ok := strings.CutPrefix(l, "ok "); ok && strings.HasSuffix(l, "\n") {
			_, place, _ := strings.Cut(strings.Fields(name)[0], "-")
			d.taken = append(d.taken, place)
		}
	}
	return err
}

// killed is a program that is killed after a while.
func killed(c *exec.Cmd, after time.Duration) *exec.Cmd {
	ctx, cancel := context.WithTimeout(context.Background(), after)
	context.AfterFunc(ctx, cancel)
	k := exec.CommandContext(ctx, c.Path, c.Args[1:]...)
	k.Args, k.Env = c.Args, c.Env
	return k
}

// Hub and three devices as processes, over lines that delay, throttle, cut and
// corrupt, one of them killed at a random moment, 100 times: nothing that was
// acknowledged is lost, and all come to the same.
func TestSyncKilled(t *testing.T) {
	kills := 100
	if raced {
		kills = 5
	}
	f := newFleet(t, 3)
	for kill := range kills {
		for i, d := range f.devices {
			d.line.Set(badline.Trouble{
				Delay: time.Duration(f.random.IntN(3)) * time.Millisecond, Rate: 100_000 + f.random.IntN(900_000),
				Cut: 0.1, Corrupt: 0.05, Seed: uint64(kill*10 + i),
			})
		}
		victim, moment := f.random.IntN(3), time.Duration(1+f.random.IntN(80))*time.Millisecond
		if raced {
			moment *= 4
		}
		who := f.random.IntN(len(f.devices))
		many := make([]int, len(f.devices))
		for i := range many {
			many[i] = 1 + f.random.IntN(4)
		}
		var all sync.WaitGroup
		for i, d := range f.devices {
			all.Go(func() {
				record := f.program(d.dir, "record", "-", "--job", fmt.Sprint("stair ", i%2))
				syncing := f.program(d.dir, "sync", "--once")
				if i == who && victim == 1 {
					record = killed(record, moment)
				}
				if i == who && victim == 2 {
					syncing = killed(syncing, moment)
				}
				_ = f.work(d, record, many[i]) // killed, or refused while a sync holds the book: what was not answered is not counted
				_, _ = syncing.Output()        // cut, corrupted or killed: the next goes on
			})
		}
		// This process and no later one: the devices may be done before the moment
		// comes, and then the next hub is not to die of it.
		hub := f.hub.Process
		dying := time.AfterFunc(moment, func() {
			if victim == 0 {
				hub.Kill()
			}
		})
		all.Wait()
		dying.Stop()
		if victim == 0 {
			f.killHub()
			f.startHub()
		}
	}
	for _, d := range f.devices {
		d.line.Set(badline.Trouble{})
	}
	for range 2 { // the second fetches what the others sent after
		for _, d := range f.devices {
			if out := output(t, f.program(d.dir, "sync")); !strings.HasPrefix(out, "confirmed") {
				t.Fatalf("over a good line: %s", out)
			}
		}
	}
	if err := f.hub.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	f.hub.Wait()
	books := []string{filepath.Join(f.dir, "hub.book")}
	for _, d := range f.devices {
		books = append(books, filepath.Join(d.dir, "field.book"))
	}
	sameBooks(t, books)
	held := readingNames(t, books[0])
	taken := 0
	for i, d := range f.devices {
		if len(d.taken) == 0 {
			t.Errorf("device %d took nothing: this tests nothing", i)
		}
		id := deviceOf(t, books[i+1])
		for _, place := range d.taken {
			taken++
			name := id + "-" + place // two devices can have one tag
			if held[name] != 1 {
				t.Errorf("device %d: %s was acknowledged, and is in the hub's book %d times", i, name, held[name])
			}
		}
	}
	t.Logf("%d kills, %d readings acknowledged", kills, taken)
}

// sameBooks fails unless all the books verify and hold the same logs.
func sameBooks(t *testing.T, books []string) {
	t.Helper()
	var first map[string]string
	for _, name := range books {
		s, err := store.Open(name, store.Options{Projector: folding{}})
		if err != nil {
			t.Fatal(err)
		}
		_, err = s.Verify()
		all, herr := s.Heads()
		if err := errors.Join(err, herr, s.Close()); err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		for device, h := range all {
			if h.Seq > 0 {
				got[device.String()] = h.Hash.String()
			}
		}
		if first == nil {
			first = got
		}
		if fmt.Sprint(got) != fmt.Sprint(first) {
			t.Errorf("%s holds %v, the hub %v", name, got, first)
		}
	}
}

// deviceOf is the id of a book's own device.
func deviceOf(t *testing.T, book string) string {
	t.Helper()
	s, err := store.Open(book, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	return s.Device().String()
}

// readingNames counts the readings in a book by their full names.
func readingNames(t *testing.T, book string) map[string]int {
	t.Helper()
	s, err := store.Open(book, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ids, err := s.Devices()
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]int{}
	for _, id := range ids {
		for r, err := range s.Scan(id.Device, 1) {
			if err != nil {
				t.Fatal(err)
			}
			p, err := r.Decode()
			if err != nil {
				t.Fatal(err)
			}
			content, err := survey.DecodePayload(p.Payload)
			if err != nil {
				t.Fatal(err)
			}
			for i := range content.Readings {
				names[fmt.Sprintf("%s-%d.%d", p.Device, p.Seq, i+1)]++
			}
		}
	}
	return names
}

// The walk sends its answers by itself while it goes on asking, and says at the
// end how far the hub has confirmed them.
func TestSurveySyncsQuietly(t *testing.T) {
	f := newFleet(t, 1)
	d := f.devices[0]
	answers, err := os.ReadFile(walkAnswers)
	if err != nil {
		t.Fatal(err)
	}
	c := f.program(d.dir, "survey", "--job", "walk")
	stdin, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	c.Stderr = &errs
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	const answered = 12
	lines := strings.SplitAfterN(string(answers), "\n", answered+1)
	if _, err := stdin.Write([]byte(strings.Join(lines[:answered], ""))); err != nil {
		t.Fatal(err)
	}
	// Each answer is an entry. Some may be confirmed while others are not yet read
	// from the pipe: wait for the last.
	confirmed := false
	want := fmt.Sprintf("confirmed up to %d,", answered)
	for end := time.Now().Add(20 * time.Second); !confirmed && time.Now().Before(end); {
		confirmed = strings.Contains(output(t, f.program(d.dir, "status")), want)
	}
	if !confirmed {
		t.Errorf("not all was sent while the walk waits for an answer:\n%s", output(t, f.program(d.dir, "status")))
	}
	if _, err := stdin.Write([]byte("q\n")); err != nil {
		t.Fatal(err)
	}
	stdin.Close()
	if err := c.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, errs.String())
	}
	if !strings.Contains(errs.String(), "the hub has confirmed all of it") {
		t.Errorf("the walk ends with %q", errs.String())
	}
	// With the hub gone it goes on as before, and says what waits.
	f.killHub()
	c = f.program(d.dir, "survey", "--job", "walk")
	c.Stdin = strings.NewReader(lines[answered])
	errs.Reset()
	c.Stderr = &errs
	began := time.Now()
	if err := c.Run(); err != nil {
		t.Fatalf("%v\n%s", err, errs.String())
	}
	if !strings.Contains(errs.String(), "waiting, and sync sends them") {
		t.Errorf("without a hub the walk ends with %q", errs.String())
	}
	t.Logf("the rest of the walk, without a hub: %v", time.Since(began))
}
