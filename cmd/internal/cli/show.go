package cli

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"

	"golang.org/x/term"

	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

// terminalSize is the size of the terminal that standard output is, ok false
// when it is none.
func terminalSize() (columns, rows int, ok bool) {
	fd := int(os.Stdout.Fd())
	if !term.IsTerminal(fd) {
		return 0, 0, false
	}
	columns, rows, err := term.GetSize(fd)
	return columns, rows, err == nil
}

// show writes a page as the place it goes to can take it: as wide as the
// terminal ($COLUMNS has the last word), in colour unless NO_COLOR or --plain
// says otherwise, and through the pager when it is longer than the screen.
func (e *Env) show(write func(io.Writer, report.Style) error) error {
	columns, rows, terminal := e.Terminal()
	s := report.Style{Width: columns, Colour: terminal && !e.plain && e.Getenv("NO_COLOR") == "" && e.Getenv("TERM") != "dumb"}
	if n, err := strconv.Atoi(e.Getenv("COLUMNS")); err == nil && n > 0 {
		s.Width = n
	}
	if !terminal || e.plain {
		return write(e.Out, s)
	}
	var page bytes.Buffer
	if err := write(&page, s); err != nil {
		return err
	}
	if bytes.Count(page.Bytes(), []byte("\n")) >= rows && e.pager(page.Bytes()) {
		return nil
	}
	_, err := e.Out.Write(page.Bytes())
	return err
}

// pager hands a page to $PAGER, or to less where there is one, and tells
// whether it was shown. An empty $PAGER means none.
func (e *Env) pager(page []byte) bool {
	name, args := "less", []string{"-FRX"} // leave at once when it fits, pass colours, keep the page on the screen
	if p := e.Getenv("PAGER"); p != "" {
		name, args = p, nil
	} else if _, err := exec.LookPath(name); err != nil {
		return false
	}
	c := exec.Command(name, args...)
	c.Stdin, c.Stdout, c.Stderr = bytes.NewReader(page), e.Out, e.Err
	return c.Run() == nil
}

// say tells what happened, a line on standard error. Another device may have
// written what it names, so it is made safe to show.
func (e *Env) say(format string, a ...any) {
	fmt.Fprintln(e.Err, lines.Clean(fmt.Sprintf(format, a...)))
}
