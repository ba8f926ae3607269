package ask

import (
	"os"
	"strings"

	"github.com/charmbracelet/x/ansi"
	"golang.org/x/term"
)

func isTerminal(f *os.File) bool { return term.IsTerminal(int(f.Fd())) }

// keysLine reminds of the keys.
const keysLine = "? how  < back  / skip  . list  q leave"

// View shows the open question; between two, the last one stays, so that the
// screen does not jump.
func (m *model) View() string {
	if m.open == nil {
		return m.frame
	}
	return m.screen()
}

// block is a part of the screen. What has the highest rank goes first when
// there is no room; rank 0 stays.
type block struct {
	rank  int
	lines []string
}

// screen fits the question and what stands around it to the terminal: never
// more lines than it has, nor wider ones.
func (m *model) screen() string {
	s, q := m.open, m.open.Question
	var parts []block
	put := func(rank int, lines ...string) {
		var b block
		for _, l := range lines {
			b.lines = append(b.lines, wrap(l, m.w)...)
		}
		b.rank = rank
		parts = append(parts, b)
	}
	if !s.told { // what was told stands there now, and needs the room
		put(1, s.Above...)
		put(4, cut(s.Bay, m.w)...)
		put(5, cut(q.Drawing, m.w)...)
	}
	put(3, header(q))
	put(0, prefixed("! ", s.Wrong))
	parts = append(parts, block{0, strings.Split(m.form.View(), "\n")}) // as wide as it may be, see fit
	put(2, prefixed("There now: ", q.Previous))
	put(3, q.Hint)
	for _, o := range q.Choices {
		put(0, string(o.Key)+"  "+o.Label)
	}
	put(2, prefixed("Enter alone: ", q.Default))
	put(1, s.Below)
	if m.note != "" {
		put(0, m.note)
	} else {
		put(6, keysLine)
	}
	return strings.Join(fitted(parts, m.h), "\n")
}

// fitted drops the parts of the highest rank until what is left has at most h
// lines, then, of what must stay, the first lines.
func fitted(parts []block, h int) []string {
	for rank := 6; ; rank-- {
		var lines []string
		for _, p := range parts {
			if p.rank <= rank {
				lines = append(lines, p.lines...)
			}
		}
		if len(lines) <= h {
			return lines
		}
		if rank == 0 {
			return lines[len(lines)-h:]
		}
	}
}

func prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

// wrap gives s as lines of at most w columns, none for an empty s.
func wrap(s string, w int) []string {
	if s == "" {
		return nil
	}
	var lines []string
	for _, l := range strings.Split(s, "\n") {
		l = ansi.Wrap(shown(l), w, "")
		for _, part := range strings.Split(l, "\n") {
			lines = append(lines, strings.TrimRight(part, " "))
		}
	}
	return lines
}

// cut shortens the lines of a drawing, which no wrapping would leave one.
func cut(lines []string, w int) []string {
	var out []string
	for _, l := range lines {
		out = append(out, ansi.Truncate(shown(l), w, ""))
	}
	return out
}
