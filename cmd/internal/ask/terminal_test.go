package ask

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/huh"
	"github.com/charmbracelet/lipgloss"
	"github.com/charmbracelet/x/ansi"
	"github.com/google/go-cmp/cmp"

	"pinchrod/survey/guide"
)

// The terminal face takes what the line face takes; TestLineTyped holds the
// same table.
func TestTerminalTyped(t *testing.T) {
	for _, tt := range typed {
		if tt.want == nil {
			tt.want = []string{"41?48"} // to be refused, not read as 4148
		}
		for name, per := range map[string]int{"whole": len(tt.bytes), "by byte": 1} {
			within(t, func() {
				a := NewTerminal(&pieces{tt.bytes, per}, io.Discard, Options{})
				got := answers(t.Context(), a, tt.qs...)
				if err := a.Close(); err != nil {
					t.Error(err)
				}
				if d := cmp.Diff(tt.want, got); d != "" {
					t.Errorf("%s, %s (-want +got):\n%s", tt.name, name, d)
				}
			})
		}
	}
}

// pieces gives its bytes per at a time, the last with the end of the input.
type pieces struct {
	rest string
	per  int
}

func (p *pieces) Read(b []byte) (int, error) {
	n := copy(b[:min(len(b), max(p.per, 1))], p.rest)
	if p.rest = p.rest[n:]; p.rest == "" {
		return n, io.EOF
	}
	return n, nil
}

// burst is 40 readings in one piece, and the questions and answers.
func burst() (bytes string, qs []guide.Question, want []string) {
	for i := range 40 {
		want = append(want, fmt.Sprint(170+i))
		qs = append(qs, rise(i+1))
	}
	return strings.Join(want, "\r") + "\r", qs, want
}

func TestTerminalBurstInAPipe(t *testing.T) {
	bytes, qs, want := burst()
	for i := range runs {
		within(t, func() {
			r, w := io.Pipe()
			a := NewTerminal(r, io.Discard, Options{})
			go io.WriteString(w, bytes)
			got := answers(t.Context(), a, qs...)
			if err := errors.Join(a.Close(), w.Close()); err != nil {
				t.Error(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Fatalf("run %d (-want +got):\n%s", i, d)
			}
		})
	}
}

func TestTerminalContext(t *testing.T) {
	r, w := io.Pipe()
	a := NewTerminal(r, io.Discard, Options{})
	ctx, cancel := context.WithCancel(t.Context())
	within(t, func() {
		go func() {
			io.WriteString(w, "18")
			cancel()
		}()
		for range 2 {
			if _, err := a.Ask(ctx, Screen{Question: rise(1)}); !errors.Is(err, ErrInterrupted) {
				t.Errorf("err = %v", err)
			}
		}
		for range 2 {
			if err := a.Close(); err != nil {
				t.Error(err)
			}
		}
		if _, err := a.Ask(t.Context(), Screen{Question: rise(1)}); err == nil {
			t.Error("asked after Close")
		}
	})
}

// visit drives the model itself, without a program.
type visit struct {
	*testing.T
	*model
	replies chan reply
}

func newVisit(t *testing.T, w, h int) *visit {
	return &visit{t, newModel(w, h), make(chan reply, 9)}
}

func (v *visit) ask(s Screen) { v.send(askMsg{Screen: s, reply: v.replies}) }

func (v *visit) send(msgs ...tea.Msg) {
	v.Helper()
	for _, msg := range msgs {
		if _, cmd := v.Update(msg); cmd != nil {
			v.Errorf("message %v left a command to run late", msg)
		}
	}
}

// burst is what one read of s becomes.
func (v *visit) burst(s string) {
	v.Helper()
	for i, part := range strings.Split(s, "\r") {
		if i > 0 {
			v.send(tea.KeyMsg{Type: tea.KeyEnter})
		}
		if part != "" {
			v.send(tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune(part)})
		}
	}
}

// came takes what was answered since the last time.
func (v *visit) came() string {
	var list []string
	for len(v.replies) > 0 {
		if r := <-v.replies; r.err != nil {
			list = append(list, r.err.Error())
		} else {
			list = append(list, act(r.in))
		}
	}
	return strings.Join(list, ",")
}

func (v *visit) expect(want string) {
	v.Helper()
	if got := v.came(); got != want {
		v.Errorf("came %q, want %q", got, want)
	}
}

// What comes after an answer neither answers again nor is lost: keys wait for
// the next question, and nothing reaches a form that is complete.
func TestLateMessages(t *testing.T) {
	v := newVisit(t, 80, 24)
	v.ask(Screen{Question: rise(1)})
	v.burst("185\r")
	v.expect("185")
	first := v.form
	v.send(huh.NextField(), huh.PrevField(), tea.FocusMsg{}, tea.WindowSizeMsg{Width: 40, Height: 12}, nil)
	v.burst("187\r188\r1")
	v.expect("")
	if first != v.form || first.State != huh.StateCompleted || first.GetFocusedField().GetValue() != "185" {
		t.Error("the completed form changed")
	}
	v.ask(Screen{Question: rise(2)})
	v.expect("187")
	v.send(huh.NextField(), huh.NextField())
	v.ask(Screen{Question: rise(3)})
	v.expect("188")
	v.ask(Screen{Question: rise(4)})
	v.expect("")
	v.burst("89\r")
	v.expect("189")
}

// A question nobody waits for any more takes no keys.
func TestDropped(t *testing.T) {
	v := newVisit(t, 80, 24)
	v.ask(Screen{Question: rise(1)})
	v.send(dropMsg{})
	v.burst("185\r")
	v.expect("")
	v.ask(Screen{Question: rise(2)})
	v.expect("185")
}

func TestCtrlC(t *testing.T) {
	ctrlC := tea.KeyMsg{Type: tea.KeyCtrlC}
	v := newVisit(t, 80, 24)
	v.ask(Screen{Question: rise(1)})
	v.burst("18")
	v.send(ctrlC)
	v.expect("")
	if s := v.View(); strings.Contains(s, "18") || !strings.Contains(s, "Ctrl-C again to leave") {
		t.Errorf("after one Ctrl-C:\n%s", s)
	}
	v.burst("5")
	v.send(ctrlC) // not the second in a row
	v.burst("185\r")
	v.expect("185")
	v.ask(Screen{Question: rise(2)})
	v.burst("9")
	v.send(ctrlC, ctrlC)
	v.expect("interrupted")
	v.ask(Screen{Question: rise(2)})
	v.expect("interrupted")

	v = newVisit(t, 80, 24)
	v.burst("185\r") // typed ahead, whole: not lost
	v.send(ctrlC, ctrlC)
	v.ask(Screen{Question: rise(1)})
	v.expect("185")
	v.ask(Screen{Question: rise(2)})
	v.expect("interrupted")
}

func TestKeys(t *testing.T) {
	k := func(typ tea.KeyType) tea.Msg { return tea.KeyMsg{Type: typ} }
	runes := func(s string) tea.Msg { return tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune(s)} }
	enter := k(tea.KeyEnter)
	tests := []struct {
		name string
		q    guide.Question
		msgs []tea.Msg
		want string
	}{
		{"esc clears", rise(1), []tea.Msg{runes("18"), k(tea.KeyEsc), runes("9"), enter}, "9"},
		{"esc come with a digit", rise(1), []tea.Msg{runes("18"), tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune("9"), Alt: true}, runes("0"), enter}, "90"},
		{"ctrl+j", rise(1), []tea.Msg{runes("18"), k(tea.KeyCtrlJ)}, "18"},
		{"shift+tab from empty", rise(1), []tea.Msg{k(tea.KeyShiftTab)}, "act3 "},
		{"shift+tab from half typed", rise(1), []tea.Msg{runes("abc"), k(tea.KeyShiftTab)}, "act3 "},
		{"ctrl+d", rise(1), []tea.Msg{k(tea.KeyCtrlD)}, "end of input"},
		{"ctrl+d in the text", rise(1), []tea.Msg{runes("18"), k(tea.KeyCtrlD), enter}, "18"},
		{"editing", rise(1), []tea.Msg{runes("195"), k(tea.KeyLeft), k(tea.KeyBackspace), runes("8"), k(tea.KeyEnd), runes(" m"), k(tea.KeyHome), k(tea.KeyDelete), runes("2"), enter}, "285 m"},
		{"other keys do nothing", rise(1), []tea.Msg{runes("18"), k(tea.KeyCtrlV), k(tea.KeyTab), k(tea.KeyUp), k(tea.KeyDown), k(tea.KeyCtrlZ), k(tea.KeyF1), k(tea.KeyCtrlAt), enter}, "18"},
		{"space", rise(1), []tea.Msg{runes("2"), tea.KeyMsg{Type: tea.KeySpace, Runes: []rune{' '}}, runes("ft"), enter}, "2 ft"},
		{"pasted lines", rise(1), []tea.Msg{tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune("185\n"), Paste: true}}, "185"},
		{"one key", keep, []tea.Msg{runes("r")}, "r"},
		{"one key, capital", keep, []tea.Msg{runes("Y")}, "y"},
		{"one key back", keep, []tea.Msg{runes("<")}, "act3 "},
		{"number at a choice", keep, []tea.Msg{runes("187"), enter}, "187"},
		{"key within a word", keep, []tea.Msg{runes("187y"), enter}, "187y"},
		{"enter on empty", keep, []tea.Msg{enter, enter}, ""},
		{"not one key", rise(1), []tea.Msg{runes("q")}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := newVisit(t, 80, 24)
			v.ask(Screen{Question: tt.q})
			v.send(tt.msgs...)
			v.expect(tt.want)
		})
	}
}

// Enter after a one-key answer belongs to it, whether it comes or not.
func TestStrayEnter(t *testing.T) {
	count := guide.Question{Form: guide.Count, Title: "Steps", Default: "13"}
	for _, s := range []string{"y", "y\r"} {
		v := newVisit(t, 80, 24)
		v.ask(Screen{Question: keep})
		v.burst(s)
		v.expect("y")
		v.ask(Screen{Question: count})
		v.expect("")
		v.burst("14\r")
		v.expect("14")
	}
}

func bay() Screen {
	return Screen{
		Question: guide.Question{
			Form: guide.Value, Title: "Gap at the top of the left bay, square to the posts", Hint: "mm, or 2 ft 8 in", Previous: "811 mm",
			Drawing: []string{"  |<----- tape ----->|", "  |                  |", "  |                  |", "  |==================|"},
			Place:   "F1/left, at the top", N: 12, Of: 96,
		},
		Above: []string{"812 mm, gap at middle"},
		Bay:   []string{"   |            |", "   |            |", "   \\            |", "    |============|"},
		Below: "Upper post 3 mm out of plumb; the diagonal would settle it",
		Wrong: "expected 812 ± 2, you read 822: 10 over; read it again",
	}
}

func TestScreens(t *testing.T) {
	choice := Screen{Question: keep, Above: []string{"822 mm, gap at top"}, Wrong: "10 over"}
	choice.Question.Default = "r"
	tests := []struct {
		name, want string
		w, h       int
		s          Screen
		keys       string
	}{
		{name: "80x24", w: 80, h: 24, s: bay(), keys: "81", want: `812 mm, gap at middle
   |            |
   |            |
   \            |
    |============|
  |<----- tape ----->|
  |                  |
  |                  |
  |==================|
12 of 96  F1/left, at the top
! expected 812 ± 2, you read 822: 10 over; read it again
Gap at the top of the left bay, square to the posts
> 81
There now: 811 mm
mm, or 2 ft 8 in
Upper post 3 mm out of plumb; the diagonal would settle it
? how  < back  / skip  . list  q leave`},
		{name: "40x12", w: 40, h: 12, s: bay(), keys: "81", want: `812 mm, gap at middle
12 of 96  F1/left, at the top
! expected 812 ± 2, you read 822: 10
over; read it again
Gap at the top of the left bay, square
to the posts
> 81
There now: 811 mm
mm, or 2 ft 8 in
Upper post 3 mm out of plumb; the
diagonal would settle it`},
		{name: "40x12, a drawing fits", w: 40, h: 12, s: Screen{Question: guide.Question{Form: guide.Value, Title: "Rise of step 4", Hint: "mm", Place: "F1, step 4", N: 8, Of: 96,
			Drawing: []string{"      ____", "     |", "_____| <- tape"}}, Below: "5 to go on this flight"}, want: `      ____
     |
_____| <- tape
8 of 96  F1, step 4
Rise of step 4
>
mm
5 to go on this flight
? how  < back  / skip  . list  q leave`},
		{name: "choice", w: 40, h: 12, s: choice, want: `822 mm, gap at top
! 10 over
Keep it?
>
y  keep
r  read again
Enter alone: r
? how  < back  / skip  . list  q leave`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := newVisit(t, 80, 24)
			v.ask(tt.s)
			v.burst(tt.keys)
			v.send(tea.WindowSizeMsg{Width: tt.w, Height: tt.h})
			lines := strings.Split(ansi.Strip(v.View()), "\n")
			for i, l := range lines {
				lines[i] = strings.TrimRight(l, " ") // the cursor, reversed
			}
			if d := cmp.Diff(tt.want, strings.Join(lines, "\n")); d != "" {
				t.Errorf("screen (-want +got):\n%s", d)
			}
		})
	}
}

// At any size the screen fits, keeps what is typed, and at the smallest
// promised also the question, why not, and the verdict.
func TestScreenFits(t *testing.T) {
	v := newVisit(t, 80, 24)
	v.ask(bay())
	v.burst("81")
	for w := 20; w <= 120; w += 20 {
		for h := 4; h <= 30; h++ {
			v.send(tea.WindowSizeMsg{Width: w, Height: h})
			s := ansi.Strip(v.View())
			if lipgloss.Width(s) > w || lipgloss.Height(s) > h {
				t.Errorf("%dx%d: screen of %dx%d", w, h, lipgloss.Width(s), lipgloss.Height(s))
			}
			if !strings.Contains(s, "> 81") {
				t.Errorf("%dx%d: the answer is not on the screen:\n%s", w, h, s)
			}
			if w < 40 || h < 12 {
				continue
			}
			for _, want := range []string{"expected 812", "Gap at the top", "Upper post 3 mm", "812 mm"} {
				if !strings.Contains(s, want) {
					t.Errorf("%dx%d: no %q:\n%s", w, h, want, s)
				}
			}
		}
	}
}

// Between questions the screen stays, after the last it is cleared.
func TestScreenBetween(t *testing.T) {
	v := newVisit(t, 40, 12)
	v.ask(bay())
	before := v.View()
	v.send(tea.KeyMsg{Type: tea.KeyShiftTab})
	if d := cmp.Diff(before, v.View()); d != "" {
		t.Errorf("between (-before +now):\n%s", d)
	}
	v.send(closeMsg{})
	if s := v.View(); s != "" {
		t.Errorf("closed: %q", s)
	}
}

func TestLongAnswerScrolls(t *testing.T) {
	v := newVisit(t, 40, 12)
	v.ask(Screen{Question: rise(1)})
	long := "!" + strings.Repeat("0123456789", 20) + "end"
	v.burst(long)
	s := ansi.Strip(v.View())
	if lipgloss.Width(s) > 40 || !strings.Contains(s, "789end") {
		t.Errorf("screen:\n%s", s)
	}
	v.burst("\r")
	v.expect("act6 " + long[1:])
}

// An escape in a name or a note is shown, not obeyed.
func TestScreenObeysNoText(t *testing.T) {
	v := newVisit(t, 80, 24)
	s := bay()
	s.Question.Title, s.Below, s.Bay[0], s.Above[0] = "a\x1b[2J", "b\x1b]0;x\a", "c\x1b[1A", "d\x9b2J"
	v.ask(s)
	if got := ansi.Strip(v.View()); strings.ContainsAny(got, "\x1b\a\u009b") || !strings.Contains(got, "a\uFFFD[2J") || !strings.Contains(got, "b\uFFFD]0;x") {
		t.Errorf("screen %q", got)
	}
}

func TestTell(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close()
	var out strings.Builder
	a := NewTerminal(r, &out, Options{Width: 40, Height: 12})
	within(t, func() {
		lines := []string{"Hold the tape level.", "Pull\x1b[2J to 50 N."}
		a.Tell(lines...)
		go io.WriteString(w, "185\r")
		s := bay()
		if _, err := a.Ask(t.Context(), s); err != nil {
			t.Error(err)
		}
		if err := a.Close(); err != nil {
			t.Error(err)
		}
		if lines[1] != "Pull\x1b[2J to 50 N." {
			t.Error("the caller's lines were changed")
		}
	})
	for _, want := range []string{"Hold the tape level.", "Pull\uFFFD[2J to 50 N."} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("not shown: %q in %q", want, out.String())
		}
	}
	if strings.Contains(out.String(), "\x1b[?1049h") {
		t.Error("alternate screen used")
	}
}

// A panic of the face ends the program, which Ask reports.
func TestTerminalPanic(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close()
	a := NewTerminal(r, io.Discard, Options{})
	within(t, func() {
		crash(a.(*terminalFace))
		if _, err := a.Ask(t.Context(), Screen{Question: rise(1)}); !errors.Is(err, tea.ErrProgramPanic) {
			t.Errorf("Ask: %v", err)
		}
		if err := a.Close(); !errors.Is(err, tea.ErrProgramPanic) {
			t.Errorf("Close: %v", err)
		}
	})
}

// crash makes the face's program panic: it answers into a closed channel.
func crash(f *terminalFace) {
	closed := make(chan reply)
	close(closed)
	f.prog.Send(askMsg{reply: closed})
	f.prog.Send(endMsg{})
	<-f.ended
}
