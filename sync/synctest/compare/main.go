// Compare measures a sync of many readings between two processes over loopback:
// time of the whole process, and bytes.
//
//	go run ./sync/synctest/compare -records FILE.ndjson [-n 100000]
//
// It prints a line for the push by the device that took the readings, and one
// for the pull by a new device of the bench; each with everything, with nothing
// new, and with ten more. Bytes are those inside TLS, both ways, HTTP/2's own
// among them, and in brackets those of TCP with handshake and records. Then it
// verifies the hub's book and counts what is in it.
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"pinchrod/sync/synctest/badline"
)

func main() {
	records := flag.String("records", "", "the records, one JSON object a line; ten more than -n")
	n := flag.Int("n", 100000, "how many")
	group := flag.Int("group", 100, "how many are saved, and signed, in one step")
	rounds := flag.Int("rounds", 3, "how often each step with something to send is measured")
	flag.Parse()
	dir, err := os.MkdirTemp("", "compare-*")
	if err == nil {
		defer os.RemoveAll(dir)
		for round := range *rounds {
			if err = measure(filepath.Join(dir, fmt.Sprint(round)), *records, *n, *group); err != nil {
				break
			}
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "compare:", err)
		os.Exit(1)
	}
}

// A bench is where it is measured.
type bench struct {
	dir, program string
	line         *badline.Line
}

func measure(dir, records string, n, group int) (err error) {
	if err := os.Mkdir(dir, 0o700); err != nil {
		return err
	}
	b := &bench{dir: dir, program: filepath.Join(dir, "pinchrod")}
	if out, err := exec.Command("go", "build", "-trimpath", "-o", b.program, "pinchrod/cmd/pinchrod").CombinedOutput(); err != nil {
		return fmt.Errorf("building: %w\n%s", err, out)
	}
	field := filepath.Join(dir, "field.book")
	if err := fill(field, 0, n, group, records); err != nil {
		return err
	}
	if _, err := b.run("hub", "create"); err != nil {
		return err
	}
	hub := b.command("hub", "serve", "--listen", "127.0.0.1:0")
	hub.Stderr = nil
	if err := hub.Start(); err != nil {
		return err
	}
	stopped := false
	stop := func() error {
		if stopped {
			return nil
		}
		stopped = true
		return errors.Join(hub.Process.Signal(os.Interrupt), hub.Wait())
	}
	defer func() { err = errors.Join(err, stop()) }()
	address, err := b.address()
	if err != nil {
		return err
	}
	if b.line, err = badline.New(address, badline.Trouble{}); err != nil {
		return err
	}
	defer b.line.Close()
	for _, x := range []struct{ name, book, role string }{{"push", "field.book", ""}, {"pull", "bench.book", "--bench"}} {
		if err := b.join(x.book, x.role); err != nil {
			return err
		}
		steps := []string{}
		for _, step := range []string{"initial", "noop", "delta10"} {
			if step == "delta10" {
				have := n
				if x.name == "pull" {
					have += 10
				}
				if err := fill(field, have, 10, 10, records); err != nil {
					return err
				}
				if x.name == "pull" {
					if _, err := b.run("sync", "--book", "field.book"); err != nil {
						return err
					}
				}
			}
			s, err := b.sync(x.book)
			if err != nil {
				return err
			}
			steps = append(steps, fmt.Sprintf("%s_s=%.2f %s_bytes=%d (%d)", step, s.seconds, step, s.inside, s.tcp))
		}
		fmt.Printf("%s n=%d %s\n", x.name, n, strings.Join(steps, " "))
	}
	peak, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", hub.Process.Pid))
	if err == nil {
		for l := range strings.Lines(string(peak)) {
			if strings.HasPrefix(l, "VmHWM:") {
				fmt.Printf("hub memory at most %s", strings.TrimSpace(strings.TrimPrefix(l, "VmHWM:"))+"\n")
			}
		}
	}
	if err := stop(); err != nil {
		return err
	}
	out, err := b.run("verify", "--book", "hub.book")
	fmt.Print(out)
	return err
}

func (b *bench) command(args ...string) *exec.Cmd {
	c := exec.Command(b.program, args...)
	c.Dir = b.dir
	c.Env = append(os.Environ(), "PINCHROD_HUB="+filepath.Join(b.dir, "hub.book"))
	return c
}

func (b *bench) run(args ...string) (string, error) {
	out, err := b.command(args...).CombinedOutput()
	if err != nil {
		err = fmt.Errorf("%s: %w\n%s", strings.Join(args, " "), err, out)
	}
	return string(out), err
}

// address asks the hub where it is, until it has come up.
func (b *bench) address() (string, error) {
	var out string
	var err error
	for range 200 {
		if out, err = b.run("hub", "status"); err == nil && strings.Contains(out, "is running") {
			_, rest, _ := strings.Cut(out, "\nat ")
			return strings.Fields(rest)[0], nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	return "", fmt.Errorf("the hub does not come up: %w\n%s", err, out)
}

func (b *bench) join(book, role string) error {
	args := []string{"hub", "invite", "--address", b.line.Addr().String()}
	if role != "" {
		args = append(args, role)
	}
	c := b.command(args...)
	var out bytes.Buffer
	c.Stdout = &out
	if err := c.Run(); err != nil {
		return fmt.Errorf("inviting: %w", err)
	}
	_, err := b.run("join", "--book", book, strings.TrimSpace(out.String()))
	return err
}

type step struct {
	seconds     float64
	inside, tcp int64
}

func (b *bench) sync(book string) (step, error) {
	before := b.line.Count()
	began := time.Now()
	_, err := b.run("sync", "--book", book)
	took := time.Since(began).Seconds()
	after := b.line.Count()
	return step{
		took,
		after.InsideUp - before.InsideUp + after.InsideDown - before.InsideDown,
		after.Up - before.Up + after.Down - before.Down,
	}, err
}
