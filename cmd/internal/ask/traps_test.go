package ask

import (
	"errors"
	"io"
	"strings"
	"testing"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/huh"
)

// The traps of huh v1.0.0 that the terminal face is built round, each shown on
// huh alone. When one of these tests fails after an upgrade, its trap is gone.

var errNeeded = errors.New("needed")

func needed(s string) error {
	if s == "" {
		return errNeeded
	}
	return nil
}

func twoGroups(a, b *string) *model {
	m := newModel(80, 24)
	m.form = huh.NewForm(
		huh.NewGroup(huh.NewInput().Validate(needed).Value(a)),
		huh.NewGroup(huh.NewInput().Validate(needed).Value(b)))
	m.form.Init()
	return m
}

func rune1(r rune) tea.Msg { return key{tea.KeyRunes, r}.msg() }

// A key that comes before the form's command has run lands in the old field.
// The face: TestTerminalBurstInAPipe, TestTerminalBurstOnATerminal.
func TestTrapBurst(t *testing.T) {
	var a, b string
	m := twoGroups(&a, &b)
	m.form.Update(rune1('1'))
	m.form.Update(tea.KeyMsg{Type: tea.KeyEnter}) // its command not yet run
	m.form.Update(rune1('2'))
	if a != "12" || b != "" {
		t.Errorf("a = %q, b = %q", a, b)
	}
}

// Back from a field that is empty and needed leaves no field to type into. The
// face: TestKeys "shift+tab from empty", and "<" in the typed table.
func TestTrapBack(t *testing.T) {
	var a, b string
	m := twoGroups(&a, &b)
	m.form.Update(rune1('1'))
	m.form.NextField() // what Enter's commands do
	m.form.NextGroup()
	if m.form.GetFocusedField().GetValue() != "" {
		t.Fatal("not at the second field")
	}
	m.form.PrevField() // what shift+tab's commands do
	m.form.PrevGroup()
	m.form.Update(rune1('2'))
	if a != "1" || b != "" {
		t.Errorf("a = %q, b = %q: typing went somewhere", a, b)
	}
}

// Accessible mode keeps invalid text at the end of the input, and takes the
// end for an answer. The face never uses it: lines are its own.
func TestTrapAccessible(t *testing.T) {
	for _, typed := range []string{"abc", ""} {
		v := "before"
		refuse := func(string) error { return errNeeded }
		field := huh.NewInput().Validate(refuse).Value(&v)
		if err := field.RunAccessible(io.Discard, strings.NewReader(typed)); err != nil {
			t.Errorf("%q: %v", typed, err)
		}
		if typed != "" && v != typed {
			t.Errorf("%q: the variable holds %q", typed, v)
		}
	}
}

// Accessible mode asks a group that is hidden.
func TestTrapHidden(t *testing.T) {
	var v string
	f := huh.NewForm(huh.NewGroup(huh.NewInput().Value(&v)).WithHide(true)).
		WithAccessible(true).WithInput(strings.NewReader("asked\n")).WithOutput(io.Discard)
	if err := f.Run(); err != nil || v != "asked" {
		t.Errorf("err = %v, v = %q", err, v)
	}
}

// Text half typed is in the variable after an abort. The face: TestCtrlC, and
// "half typed at the end" in the typed table.
func TestTrapAbort(t *testing.T) {
	var a, b string
	m := twoGroups(&a, &b)
	m.form.Update(rune1('9'))
	m.form.Update(tea.KeyMsg{Type: tea.KeyCtrlC})
	if m.form.State != huh.StateAborted || a != "9" {
		t.Errorf("state = %v, a = %q", m.form.State, a)
	}
}
