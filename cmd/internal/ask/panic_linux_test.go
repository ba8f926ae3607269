//go:build linux && !race

package ask

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Not under the race detector: when its program panics, bubbletea closes the
// input beside the goroutine that is still reading it. The terminal is restored
// all the same, which is what counts then.
func TestTerminalRestoredAfterPanic(t *testing.T) {
	p := openPty(t, 80, 24)
	before := p.state(t)
	within(t, func() {
		a := NewTerminal(p.slave, p.slave, Options{})
		p.await("\x1b[?25l") // the cursor is hidden once the terminal is raw
		if cmp.Equal(before, p.state(t)) {
			t.Error("the terminal never was raw, nothing to restore")
		}
		crash(a.(*terminalFace))
		p.await("\x1b[?25h")
		_ = a.Close()
	})
	if d := cmp.Diff(before, p.state(t)); d != "" {
		t.Errorf("terminal not restored (-before +after):\n%s", d)
	}
}
