package ask

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"pinchrod/survey/guide"
)

const childEnv = "PINCHROD_ASK_TEST_CHILD"

// TestMain lets the test start itself as a program on a terminal.
func TestMain(m *testing.M) {
	switch os.Getenv(childEnv) {
	case "":
		os.Exit(m.Run())
	case "plain":
		fmt.Println("plain", os.Getenv("TERM"))
	case "burst":
		_, qs, _ := burst()
		var got []string
		func() {
			a := Choose(os.Stdin, os.Stdout, Options{})
			defer a.Close()
			got = answers(context.Background(), a, qs...)
			if _, ok := a.(*terminalFace); !ok {
				got = append(got, "not the terminal face")
			}
		}()
		fmt.Println("got", strings.Join(got, ","))
	}
}

// pty is a pseudo-terminal: what a person types is written to master, and
// what a person sees is read from it into seen.
type pty struct {
	master, slave *os.File
	mu            sync.Mutex
	seen          bytes.Buffer
	more          chan struct{}
}

func openPty(t *testing.T, cols, rows uint16) *pty {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	fd := int(master.Fd())
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	if err := unix.IoctlSetWinsize(fd, unix.TIOCSWINSZ, &unix.Winsize{Col: cols, Row: rows}); err != nil {
		t.Fatal(err)
	}
	slave, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	p := &pty{master: master, slave: slave, more: make(chan struct{}, 1)}
	go io.Copy(p, master)
	// The slave is left to the garbage collector: a goroutine of bubbletea asks
	// it for its size, which may come as late as after the program's end.
	t.Cleanup(func() { master.Close() })
	return p
}

func (p *pty) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	defer func() {
		select {
		case p.more <- struct{}{}:
		default:
		}
	}()
	return p.seen.Write(b)
}

func (p *pty) text() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.seen.String()
}

// await waits until the screen has shown s.
func (p *pty) await(s string) {
	for !strings.Contains(p.text(), s) {
		<-p.more
	}
}

func (p *pty) state(t *testing.T) unix.Termios {
	t.Helper()
	s, err := unix.IoctlGetTermios(int(p.slave.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	return *s
}

func TestTerminalBurstOnATerminal(t *testing.T) {
	typed, qs, want := burst()
	for i := range runs {
		p := openPty(t, 80, 24)
		before := p.state(t)
		within(t, func() {
			a := NewTerminal(p.slave, p.slave, Options{})
			if i%2 == 0 { // else typed while it is still being set
				p.await("\x1b[?25l") // the terminal is set
			}
			go io.WriteString(p.master, typed)
			got := answers(t.Context(), a, qs...)
			if err := a.Close(); err != nil {
				t.Error(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Fatalf("run %d (-want +got):\n%s", i, d)
			}
		})
		if d := cmp.Diff(before, p.state(t)); d != "" {
			t.Fatalf("terminal not restored (-before +after):\n%s", d)
		}
	}
}

// On a small terminal the form is told the size by the terminal, and NO_COLOR
// keeps bold and the cursor without any colour.
func TestTerminalLook(t *testing.T) {
	t.Setenv("NO_COLOR", "1")
	p := openPty(t, 40, 12)
	within(t, func() {
		a := NewTerminal(p.slave, p.slave, Options{})
		replied := make(chan struct{})
		go func() {
			defer close(replied)
			if _, err := a.Ask(t.Context(), Screen{Question: guide.Question{Form: guide.Text, Title: "Name of the person who holds the other end"}}); err != nil {
				t.Error(err)
			}
		}()
		p.await("\x1b[1mName of the person who holds the other") // wrapped at 40, not at 80
		io.WriteString(p.master, "Jo\r")
		<-replied
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	})
	for _, sgr := range regexp.MustCompile("\x1b\\[([0-9;]*)m").FindAllStringSubmatch(p.text(), -1) {
		if s := sgr[1]; s != "" && s != "0" && s != "1" && s != "7" {
			t.Errorf("attribute %q is neither bold nor reverse: %q", s, p.text())
		}
	}
	if strings.Contains(p.text(), "\x1b[?1049h") || strings.Contains(p.text(), "\x1b]") {
		t.Errorf("alternate screen, or a request to the terminal: %q", p.text())
	}
	if !strings.Contains(p.text(), "\x1b[7m") {
		t.Errorf("no cursor in reverse: %q", p.text())
	}
}

// child runs this test as a program whose controlling terminal is p.
func child(t *testing.T, p *pty, what string) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), childEnv+"="+what, "TERM=xterm", "CI=", "ACCESSIBLE=")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = p.slave, p.slave, p.slave
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if err := cmd.Run(); err != nil {
		t.Errorf("%v: %q", err, p.text())
	}
}

// A program that has this package asks its terminal nothing when it starts,
// and gives TERM back.
func TestStartsQuietly(t *testing.T) {
	p := openPty(t, 80, 24)
	within(t, func() {
		child(t, p, "plain")
		p.await("\n")
	})
	if got, want := p.text(), "plain xterm\r\n"; got != want {
		t.Errorf("on starting the terminal got %q, want %q", got, want)
	}
}

// What is typed before the program has even started lands right.
func TestTypedAheadOfTheProgram(t *testing.T) {
	typed, _, want := burst()
	p := openPty(t, 80, 24)
	if _, err := io.WriteString(p.master, typed); err != nil {
		t.Fatal(err)
	}
	within(t, func() {
		child(t, p, "burst")
		p.await("got " + strings.Join(want, ","))
	})
}
