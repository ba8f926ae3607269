package ask

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"
	"github.com/muesli/termenv"

	"pinchrod/survey/guide"
)

// terminalFace asks with a form. One program lives for the whole visit in a
// goroutine of its own: a program for each question would lose what is typed
// ahead while it starts.
type terminalFace struct {
	prog  *tea.Program
	ended chan struct{} // closed when the program is gone
	err   error         // of the program, once ended is closed
	told  bool
}

// reply is what came of a question.
type reply struct {
	in  guide.Input
	err error
}

// The messages from Ask to the program, and from its input.
type (
	askMsg struct {
		Screen
		told  bool // lines for this question were told above the form
		reply chan<- reply
	}
	dropMsg  struct{} // nobody waits for the answer any more
	closeMsg struct{} // the visit is over: leave nothing on the screen
	endMsg   struct{} // the input has ended
)

// NewTerminal asks with a form on a terminal. It uses no alternate screen and
// no colours, only bold and reverse, which show in full sun. The terminal is
// restored by Close, and by a panic of the face itself.
func NewTerminal(in io.Reader, out io.Writer, o Options) Asker {
	if f, ok := out.(*os.File); ok && isTerminal(f) {
		// NO_COLOR would take bold and reverse too, and with reverse the
		// cursor. The look has no colour to begin with.
		lipgloss.SetColorProfile(termenv.ANSI)
	}
	t := &terminalFace{ended: make(chan struct{})}
	t.prog = tea.NewProgram(newModel(o.Width, o.Height),
		tea.WithInput(watch(in, func() { t.prog.Send(endMsg{}) })),
		tea.WithOutput(out),
		tea.WithoutSignalHandler(), // Ctrl-C is a key here; signals are ctx's
		tea.WithoutBracketedPaste())
	go func() {
		defer close(t.ended)
		_, t.err = t.prog.Run()
	}()
	return t
}

func (t *terminalFace) Ask(ctx context.Context, s Screen) (guide.Input, error) {
	if ctx.Err() != nil {
		return guide.Input{}, ErrInterrupted
	}
	got := make(chan reply, 1)
	t.prog.Send(askMsg{s, t.told, got})
	t.told = false
	select {
	case r := <-got:
		return r.in, r.err
	case <-ctx.Done():
		t.prog.Send(dropMsg{})
	case <-t.ended:
	}
	select {
	case r := <-got: // answered in the same moment: nothing typed whole is lost
		return r.in, r.err
	default:
	}
	if ctx.Err() != nil {
		return guide.Input{}, ErrInterrupted
	}
	return guide.Input{}, fmt.Errorf("asking on the terminal: %w", errors.Join(t.err, errGone))
}

var errGone = errors.New("the form is closed")

func (t *terminalFace) Tell(lines ...string) {
	var safe []string
	for _, l := range lines {
		safe = append(safe, shown(l))
	}
	t.told = true
	t.prog.Println(strings.Join(safe, "\n"))
}

func (t *terminalFace) Close() error {
	t.prog.Send(closeMsg{})
	t.prog.Quit()
	<-t.ended
	if t.err != nil {
		return fmt.Errorf("closing the terminal: %w", t.err)
	}
	return nil
}

// watched tells when its reader has ended; the program itself would wait on
// for keys without a word.
type watched struct {
	io.Reader
	ended func()
	err   error
	part  []byte // the first bytes of a character, until the others come
}

// watchedFile stays a file to the program, which sets a terminal raw by it.
type watchedFile struct {
	*os.File
	w *watched
}

func (f watchedFile) Read(b []byte) (int, error) { return f.w.Read(b) }

func watch(in io.Reader, ended func()) io.Reader {
	w := &watched{Reader: in, ended: ended}
	if f, ok := in.(*os.File); ok {
		return watchedFile{f, w}
	}
	return w
}

// Read keeps an error back until the bytes that came with it are used, and the
// beginning of a character until the rest has come: the program would take it
// for a byte that is not UTF-8.
func (w *watched) Read(b []byte) (int, error) {
	if w.err != nil {
		w.ended()
		return 0, io.EOF
	}
	n := copy(b, w.part)
	more, err := w.Reader.Read(b[n:])
	n, w.part = n+more, nil
	for back := 1; err == nil && back < utf8.UTFMax && back <= n; back++ {
		if utf8.RuneStart(b[n-back]) {
			if !utf8.FullRune(b[n-back : n]) {
				n -= back
				w.part = append(w.part, b[n:n+back]...)
			}
			break
		}
	}
	if err == nil || n > 0 {
		w.err = err
		return n, nil
	}
	w.ended()
	return 0, io.EOF
}
