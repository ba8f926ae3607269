package ask

import (
	"reflect"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/huh"
	"github.com/charmbracelet/lipgloss"

	"pinchrod/survey/guide"
)

// model is the program of the terminal face. It puts a fresh form of one field
// into the program for each question. Keys wait in a queue until a question is
// open, and each is wholly carried out before the next is looked at, so that a
// burst of keys lands where it was meant to.
type model struct {
	w, h  int
	theme *huh.Theme

	queue []any // key or endMsg, not yet used
	open  *askMsg
	form  *huh.Form
	text  *string // typed so far
	note  string  // about the last key, such as of Ctrl-C
	frame string  // the last view while a question was open

	armed    bool // the last key was Ctrl-C
	gone     bool // left by Ctrl-C
	oneKeyed bool // the last answer took one key: an Enter after it belongs to it
	afterCR  bool // the last key was CR: an LF after it belongs to it
}

func newModel(w, h int) *model {
	if w <= 0 || h <= 0 {
		w, h = 80, 24
	}
	t := huh.ThemeBase()
	t.Focused.Base = lipgloss.NewStyle()
	t.Focused.Title = lipgloss.NewStyle().Bold(true)
	t.Focused.TextInput.Prompt = lipgloss.NewStyle().Bold(true)
	return &model{w: w, h: h, theme: t}
}

func (m *model) Init() tea.Cmd { return nil }

// Update returns no command: all the form asks for is done here, and its only
// other commands make the cursor blink or ask for the terminal's size, which
// comes unasked.
func (m *model) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		if msg.Width > 0 && msg.Height > 0 {
			m.w, m.h = msg.Width, msg.Height
			m.fit()
		}
	case askMsg:
		m.open, m.note = &msg, ""
		m.fresh()
	case dropMsg:
		m.open = nil
	case closeMsg:
		m.open, m.frame = nil, ""
	case endMsg:
		m.queue = append(m.queue, msg)
	default:
		for _, k := range presses(msg) {
			m.queue = append(m.queue, k)
		}
	}
	for m.open != nil && (len(m.queue) > 0 || m.gone) {
		if m.gone {
			m.answer(reply{err: ErrInterrupted})
			break
		}
		k, ok := m.queue[0].(key)
		if !ok { // the end stays at the head of the queue for good
			m.answer(reply{err: ErrEnd})
			break
		}
		m.queue = m.queue[1:]
		m.press(k)
	}
	return m, nil
}

// press carries out one key at the open question.
func (m *model) press(k key) {
	q := m.open.Question
	skip := k.enter() && (m.oneKeyed || k.typ == tea.KeyCtrlJ && m.afterCR)
	armed := m.armed
	m.afterCR, m.oneKeyed, m.armed = k.typ == tea.KeyEnter, false, false
	if skip {
		return
	}
	m.note = ""
	switch {
	case k.typ == tea.KeyCtrlC:
		if m.gone = armed; m.gone {
			return
		}
		m.armed, m.note = true, dropped
		m.fresh()
	case k.typ == tea.KeyEsc:
		m.fresh()
	case k.typ == tea.KeyShiftTab:
		m.answer(reply{in: guide.Input{Act: guide.Back}})
	case k.typ == tea.KeyCtrlD && *m.text == "":
		m.answer(reply{err: ErrEnd})
	case k.enter():
		in := Parse(*m.text, q)
		if !taken(in) {
			m.note = empty
			return
		}
		m.send(tea.KeyMsg{Type: tea.KeyEnter})
		if m.form.State == huh.StateCompleted {
			m.answer(reply{in: in})
		}
	case k.typ == tea.KeyRunes && *m.text == "" && oneKey(k.r, q):
		m.form.Update(k.msg()) // shown; the command it gives back makes the cursor blink, for ever
		m.oneKeyed = true
		m.answer(reply{in: Parse(string(k.r), q)})
	case editing[k.typ]:
		m.form.Update(k.msg())
	}
}

// answer hands on what came of the open question, once: the question is closed
// by it, so that no later message can answer it again.
func (m *model) answer(r reply) {
	m.frame = m.screen()
	m.open.reply <- r
	m.open = nil
}

// fresh puts an empty form into the program.
func (m *model) fresh() {
	m.text = new(string)
	field := huh.NewInput().Title(shown(m.open.Question.Title)).Prompt("> ").Value(m.text)
	m.form = huh.NewForm(huh.NewGroup(field)).WithTheme(m.theme).WithShowHelp(false).WithShowErrors(false)
	m.form.Init() // focuses the field; its commands only ask for sizes
	m.fit()
}

// fit makes the form as wide as the screen and as high as it then is.
func (m *model) fit() {
	if m.form != nil {
		m.form.WithWidth(m.w)
		m.form.Update(tea.WindowSizeMsg{Width: m.w, Height: m.h})
	}
}

// send gives msg to the form and carries out the commands that come of it,
// until the form is complete or has no more. Left to the program, they would
// run while the next keys already arrive at the old field. It is for Enter
// alone, whose commands complete the form before any waits for a timer.
func (m *model) send(msg tea.Msg) {
	_, cmd := m.form.Update(msg)
	for todo := []tea.Cmd{cmd}; len(todo) > 0 && m.form.State == huh.StateNormal; {
		cmd, todo = todo[0], todo[1:]
		if cmd == nil {
			continue
		}
		msg := cmd()
		if list, ok := sequence(msg); ok {
			todo = append(list, todo...)
			continue
		}
		_, next := m.form.Update(msg)
		todo = append(todo, next)
	}
}

// sequence gives the commands of a batch, or of a sequence, whose type is not
// exported.
func sequence(msg tea.Msg) ([]tea.Cmd, bool) {
	v, cmds := reflect.ValueOf(msg), reflect.TypeFor[[]tea.Cmd]()
	if !v.IsValid() || !v.CanConvert(cmds) {
		return nil, false
	}
	return append([]tea.Cmd(nil), v.Convert(cmds).Interface().([]tea.Cmd)...), true
}
