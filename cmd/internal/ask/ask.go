// Package ask puts the guide's questions to a person, one at a time, with two
// faces: lines for a pipe, a screen reader or an instrument that types, and a
// form for a terminal. Both take the same answers and commands, and the same
// bytes typed give the same answers. Neither judges an answer: that is its
// caller's part, who asks again with [Screen].Wrong set.
package ask

import (
	"context"
	"errors"
	"os"
	"strings"
	"unicode"

	"golang.org/x/term"

	"pinchrod/cmd/internal/ask/quiet"
	"pinchrod/survey/guide"
)

func init() { quiet.Restore() }

// What ends a visit other than the person's own leave.
var (
	ErrEnd         = errors.New("end of input")
	ErrInterrupted = errors.New("interrupted")
)

// Screen is a question with what stands around it.
type Screen struct {
	Question guide.Question
	Above    []string // shown above the question: echo of the last answer, warnings
	Bay      []string // drawing of the bay; the terminal face shows it where there is room
	Below    string   // the running verdict
	Wrong    string   // why the last answer was not taken
}

// Asker puts questions to a person. It is for one goroutine.
type Asker interface {
	// Ask shows the screen and waits for what the person does. The error is
	// ErrEnd at the end of the input and ErrInterrupted when the person
	// pressed Ctrl-C twice or ctx ended; a half-typed answer is dropped.
	Ask(ctx context.Context, s Screen) (guide.Input, error)
	// Tell shows lines once, such as help or a list, above the next question.
	Tell(lines ...string)
	// Close restores the terminal. It may be called twice, and deferred.
	Close() error
}

// Options of both faces.
type Options struct {
	Plain bool // lines, whatever the terminal can do

	// Interrupt brings SIGINT to the line face: the first drops the
	// half-typed answer, the second in a row leaves. Nil where ctx alone ends
	// the visit. The terminal face sees Ctrl-C as a key.
	Interrupt <-chan os.Signal

	// Size of the terminal face until the terminal tells its own; 0 is 80x24.
	Width, Height int
}

// Choose gives the face that suits: lines when in or out is no terminal, when
// the terminal is dumb, when ACCESSIBLE is set, or when o.Plain asks for them.
func Choose(in, out *os.File, o Options) Asker {
	if lines(term.IsTerminal(int(in.Fd())), term.IsTerminal(int(out.Fd())), o.Plain, os.Getenv) {
		return NewLine(in, out, o)
	}
	return NewTerminal(in, out, o)
}

func lines(in, out, plain bool, getenv func(string) string) bool {
	return !in || !out || plain || getenv("TERM") == "dumb" || getenv("ACCESSIBLE") != ""
}

// shown makes text safe to print: a control character could play with the
// terminal. Tabs become spaces, so that columns can be counted.
func shown(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t':
			return ' '
		case unicode.IsPrint(r):
			return r
		}
		return '\uFFFD'
	}, s)
}
