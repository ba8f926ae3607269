package ask

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/survey/guide"
)

// limit is how long a test waits before it fails instead of hanging; nothing
// is timed by it.
const limit = 20 * time.Second

// within fails the test when f does not end.
func within(t *testing.T, f func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); f() }()
	select {
	case <-done:
	case <-time.After(limit):
		t.Fatal("still waiting")
	}
}

// answers asks the questions in turn and gives what came, one a line, up to
// the first error.
func answers(ctx context.Context, a Asker, qs ...guide.Question) []string {
	var got []string
	for _, q := range qs {
		in, err := a.Ask(ctx, Screen{Question: q})
		if err != nil {
			return append(got, err.Error())
		}
		got = append(got, act(in))
	}
	return got
}

func act(in guide.Input) string {
	if in.Act == guide.Answer {
		return in.Text
	}
	return fmt.Sprintf("act%d %s", in.Act, in.Text)
}

// The same bytes give the same answers in both faces.
var typed = []struct {
	name, bytes string
	qs          []guide.Question
	want        []string
}{
	{"lf", "185\n187\n", []guide.Question{rise(1), rise(2), rise(3)}, []string{"185", "187", "end of input"}},
	{"cr", "185\r187\r", []guide.Question{rise(1), rise(2), rise(3)}, []string{"185", "187", "end of input"}},
	{"crlf", "185\r\n187\r\n", []guide.Question{rise(1), rise(2), rise(3)}, []string{"185", "187", "end of input"}},
	{"crlf takes no default", "185\r\n187\r\n", []guide.Question{rise(1), {Form: guide.Count, Default: "13"}}, []string{"185", "187"}},
	{"half typed at the end", "185\r18", []guide.Question{rise(1), rise(2)}, []string{"185", "end of input"}},
	{"nothing", "", []guide.Question{rise(1)}, []string{"end of input"}},
	{"no default at the end", "", []guide.Question{{Form: guide.Count, Default: "13"}}, []string{"end of input"}},
	{"stray enter", "185\r\r\r187\r", []guide.Question{rise(1), rise(2)}, []string{"185", "187"}},
	{"default", "\r185\r", []guide.Question{{Form: guide.Count, Default: "13"}, rise(1)}, []string{"13", "185"}},
	{"choice then default", "y\r\r185\r", []guide.Question{keep, {Form: guide.Count, Default: "13"}, rise(1)}, []string{"y", "13", "185"}},
	{"choice, crlf", "y\r\n185\r\n", []guide.Question{keep, rise(1)}, []string{"y", "185"}},
	{"commands", "?\r<\r/carpet\r!faint\r@F1\r=\r.\rq\r", []guide.Question{rise(1), rise(1), rise(1), rise(1), rise(1), rise(1), rise(1), rise(1)},
		[]string{"act7 ", "act3 ", "act2 carpet", "act6 faint", "act4 F1", "act5 ", "act8 ", "act9 "}},
	{"commands at a choice", "?\r/no tape\rY\r185\r", []guide.Question{keep, keep, keep, rise(1)}, []string{"act7 ", "act2 no tape", "y", "185"}},
	{"back from an empty field", "<\r3\r9\r", []guide.Question{rise(2), rise(1), rise(2)}, []string{"act3 ", "3", "9"}},
	{"notation", "41°48'\r49 3/8\"\r10 x 118.2 mm short 5 mm\r", []guide.Question{rise(1), rise(2), rise(3)}, []string{"41°48'", `49 3/8"`, "10 x 118.2 mm short 5 mm"}},
	{"not UTF-8", "41\xb048\r", []guide.Question{rise(1)}, nil},
}

func TestLineTyped(t *testing.T) {
	for _, tt := range typed {
		for name, r := range map[string]io.Reader{
			"whole":   strings.NewReader(tt.bytes),
			"by byte": iotest.OneByteReader(strings.NewReader(tt.bytes)),
		} {
			within(t, func() {
				a := NewLine(r, io.Discard, Options{})
				defer a.Close()
				got := answers(t.Context(), a, tt.qs...)
				if tt.want == nil { // kept as typed, for the caller to refuse
					tt.want = []string{strings.TrimSpace(tt.bytes)}
				}
				if d := cmp.Diff(tt.want, got); d != "" {
					t.Errorf("%s, %s (-want +got):\n%s", tt.name, name, d)
				}
			})
		}
	}
}

func TestLineSheet(t *testing.T) {
	var out strings.Builder
	a := NewLine(strings.NewReader("abc\n\n812\n18"), &out, Options{})
	defer a.Close()
	q := guide.Question{Form: guide.Value, Title: "Gap at the top", Hint: "mm, or 2 ft 8 in", Place: "F1/left, at the top", N: 12, Of: 96, Previous: "811 mm",
		Drawing: []string{"|<->|"}}
	s := Screen{Question: q, Above: []string{"815 mm \x1b[2Jtaken"}, Below: "2 of 3 heights read", Bay: []string{"#"}}
	within(t, func() {
		for _, wrong := range []string{"", "abc is no length", ""} {
			s.Wrong = wrong
			if _, err := a.Ask(t.Context(), s); err != nil && !errors.Is(err, ErrEnd) {
				t.Error(err)
			}
		}
		a.Tell("Hold the tape level.")
		if _, err := a.Ask(t.Context(), Screen{Question: keep}); !errors.Is(err, ErrEnd) {
			t.Errorf("err = %v, want ErrEnd", err)
		}
	})
	const want = "815 mm \uFFFD[2Jtaken\n12 of 96  F1/left, at the top\nGap at the top\nThere now: 811 mm\nmm, or 2 ft 8 in\n2 of 3 heights read\n> \n" +
		"815 mm \uFFFD[2Jtaken\n12 of 96  F1/left, at the top\nNot taken: abc is no length\nGap at the top\nThere now: 811 mm\nmm, or 2 ft 8 in\n2 of 3 heights read\n> \n" +
		"Not taken: nothing typed; ? tells how\n> \n" +
		"815 mm \uFFFD[2Jtaken\n12 of 96  F1/left, at the top\nGap at the top\nThere now: 811 mm\nmm, or 2 ft 8 in\n2 of 3 heights read\n> \n" +
		"\"18\" was half typed at the end of the input and is not taken\n" +
		"Hold the tape level.\n"
	if d := cmp.Diff(want, out.String()); d != "" {
		t.Errorf("lines (-want +got):\n%s", d)
	}
}

// An answer counts when its CR comes, not when the byte after it does.
func TestLineAnswersAtCR(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close()
	a := NewLine(r, io.Discard, Options{})
	defer a.Close()
	within(t, func() {
		for _, s := range []string{"185\r", "\n187\r", "188\r"} {
			go io.WriteString(w, s)
			if got := answers(t.Context(), a, rise(1)); got[0] != strings.TrimSpace(s) {
				t.Errorf("typed %q, got %q", s, got)
			}
		}
	})
}

func TestLineTooLong(t *testing.T) {
	var out strings.Builder
	a := NewLine(strings.NewReader(strings.Repeat("1", longest+1)+"\n"+strings.Repeat("2", longest)+"\n"), &out, Options{})
	defer a.Close()
	within(t, func() {
		if got := answers(t.Context(), a, rise(1)); got[0] != strings.Repeat("2", longest) {
			t.Errorf("got %.20q of %d", got[0], len(got[0]))
		}
	})
	if !strings.Contains(out.String(), "Not taken: more than 8192") {
		t.Errorf("lines %q do not say why", out.String())
	}
}

func TestLineReadFails(t *testing.T) {
	a := NewLine(iotest.ErrReader(os.ErrDeadlineExceeded), io.Discard, Options{})
	defer a.Close()
	within(t, func() {
		for range 2 {
			if _, err := a.Ask(t.Context(), Screen{Question: rise(1)}); !errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, ErrEnd) {
				t.Errorf("err = %v", err)
			}
		}
	})
}

func TestLineInterrupt(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close()
	signals := make(chan os.Signal)
	a := NewLine(r, io.Discard, Options{Interrupt: signals})
	defer a.Close()
	within(t, func() {
		go func() { // once, then an answer
			signals <- os.Interrupt
			io.WriteString(w, "185\n")
		}()
		if got := answers(t.Context(), a, rise(1)); got[0] != "185" {
			t.Errorf("after one Ctrl-C: %q", got)
		}
		go func() { signals <- os.Interrupt; signals <- os.Interrupt }()
		if _, err := a.Ask(t.Context(), Screen{Question: rise(2)}); !errors.Is(err, ErrInterrupted) {
			t.Errorf("after two: %v", err)
		}
	})
}

func TestLineContext(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close()
	a := NewLine(r, io.Discard, Options{})
	defer a.Close()
	ctx, cancel := context.WithCancel(t.Context())
	within(t, func() {
		go func() {
			io.WriteString(w, "18") // half typed
			cancel()
		}()
		for range 2 {
			if _, err := a.Ask(ctx, Screen{Question: rise(1)}); !errors.Is(err, ErrInterrupted) {
				t.Errorf("err = %v", err)
			}
		}
	})
}

func TestChoose(t *testing.T) {
	env := func(k, v string) func(string) string {
		return func(name string) string {
			if name == k {
				return v
			}
			return ""
		}
	}
	tests := []struct {
		in, out, plain bool
		env            func(string) string
		want           bool
	}{
		{true, true, false, env("TERM", "xterm"), false},
		{true, true, false, env("NO_COLOR", "1"), false},
		{true, true, true, env("TERM", "xterm"), true},
		{false, true, false, env("TERM", "xterm"), true},
		{true, false, false, env("TERM", "xterm"), true},
		{true, true, false, env("TERM", "dumb"), true},
		{true, true, false, env("ACCESSIBLE", "1"), true},
	}
	for _, tt := range tests {
		if got := lines(tt.in, tt.out, tt.plain, tt.env); got != tt.want {
			t.Errorf("lines(%v, %v, %v, TERM=%q) = %v", tt.in, tt.out, tt.plain, tt.env("TERM"), got)
		}
	}
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	if _, ok := Choose(r, w, Options{}).(*lineFace); !ok {
		t.Error("a pipe is not asked in lines")
	}
}
