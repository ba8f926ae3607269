package ask

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"pinchrod/survey/guide"
)

// longest is the most bytes one line may have: the longest note there is, 2000
// characters of four bytes. A stream without line ends must not fill memory.
const longest = 8192

var errLong = errors.New("line too long")

// lineFace asks in plain lines. All input passes one buffered reader, which a
// goroutine of its own reads, so that an interrupt need not wait for a line.
type lineFace struct {
	in        *bufio.Reader
	out       io.Writer
	echoes    bool // the terminal ends the line on the screen
	interrupt <-chan os.Signal
	lines     chan line // nil until the first question
	done      chan struct{}
	end       error
}

type line struct {
	text string
	err  error
}

// NewLine asks in plain lines, without escape sequences. A line ends with CR,
// LF or CRLF. What was typed before the end of the input without a line end is
// half typed and no answer.
func NewLine(in io.Reader, out io.Writer, o Options) Asker {
	f, isFile := in.(*os.File)
	return &lineFace{
		in:        bufio.NewReader(in),
		out:       out,
		echoes:    isFile && term.IsTerminal(int(f.Fd())),
		interrupt: o.Interrupt,
		done:      make(chan struct{}),
	}
}

func (l *lineFace) Tell(lines ...string) {
	for _, s := range lines {
		fmt.Fprintln(l.out, shown(s))
	}
}

// Close stops the reading after the line being waited for.
func (l *lineFace) Close() error {
	select {
	case <-l.done:
	default:
		close(l.done)
	}
	return nil
}

func (l *lineFace) Ask(ctx context.Context, s Screen) (guide.Input, error) {
	if ctx.Err() != nil {
		return guide.Input{}, ErrInterrupted
	}
	if l.end != nil {
		return guide.Input{}, l.end
	}
	if l.lines == nil {
		l.lines = make(chan line)
		go l.read()
	}
	say := sheet(s)
	for again := false; ; {
		if _, err := io.WriteString(l.out, say+"> "); err != nil {
			return guide.Input{}, fmt.Errorf("showing the question: %w", err)
		}
		select {
		case <-ctx.Done():
			return guide.Input{}, ErrInterrupted
		case <-l.interrupt:
			if again {
				return guide.Input{}, ErrInterrupted
			}
			again, say = true, "\n"+dropped+"\n"
		case got := <-l.lines:
			again = false
			if !l.echoes {
				fmt.Fprintln(l.out)
			}
			switch in := Parse(got.text, s.Question); {
			case errors.Is(got.err, errLong):
				say = fmt.Sprintf("Not taken: more than %d characters in one line\n", longest)
			case got.err != nil:
				l.end = got.err
				if got.text != "" {
					l.Tell(fmt.Sprintf("%q was half typed at the end of the input and is not taken", got.text))
				}
				return guide.Input{}, l.end
			case taken(in):
				return in, nil
			default:
				say = "Not taken: " + empty + "\n"
			}
		}
	}
}

const dropped = "What was half typed is dropped. Ctrl-C again to leave"

// sheet is the question as lines.
func sheet(s Screen) string {
	var b strings.Builder
	put := func(prefix, text string) {
		if text != "" {
			b.WriteString(prefix + shown(text) + "\n")
		}
	}
	q := s.Question
	for _, a := range s.Above {
		put("", a)
	}
	put("", header(q))
	put("Not taken: ", s.Wrong)
	put("", q.Title)
	put("There now: ", q.Previous)
	put("", q.Hint)
	for _, o := range q.Choices {
		put(string(o.Key)+"  ", o.Label)
	}
	put("Enter alone: ", q.Default)
	put("", s.Below)
	return b.String()
}

// header is the place and how far the visit is.
func header(q guide.Question) string {
	if q.Of == 0 {
		return q.Place
	}
	return strings.TrimSpace(fmt.Sprintf("%d of %d  %s", q.N, q.Of, q.Place))
}

// read hands on line by line until the input ends or the face is closed.
func (l *lineFace) read() {
	var cr bool // the last line ended with CR: an LF next belongs to it
	for {
		var got line
		got.text, got.err, cr = readLine(l.in, cr)
		select {
		case l.lines <- got:
		case <-l.done:
			return
		}
		if got.err != nil && !errors.Is(got.err, errLong) {
			return
		}
	}
}

// readLine reads up to CR or LF. It never waits for a byte after a CR, since
// an instrument that ends with CR sends none.
func readLine(in *bufio.Reader, cr bool) (text string, err error, endedCR bool) {
	var b []byte
	var long bool
	for {
		c, err := in.ReadByte()
		switch {
		case errors.Is(err, io.EOF):
			return string(b), ErrEnd, false
		case err != nil:
			return string(b), fmt.Errorf("reading the answer: %w", err), false
		case c == '\n' && cr:
		case c == '\n' || c == '\r':
			if long {
				return "", errLong, c == '\r'
			}
			return string(b), nil, c == '\r'
		case len(b) == longest:
			long = true
		default:
			b = append(b, c)
		}
		cr = false
	}
}
