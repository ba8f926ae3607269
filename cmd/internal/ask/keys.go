package ask

import (
	"reflect"

	tea "github.com/charmbracelet/bubbletea"
)

// key is one press. What comes in one read arrives as one message of many
// characters, which may hold the end of one answer and the next.
type key struct {
	typ tea.KeyType // KeyRunes for a character
	r   rune
}

// editing are the keys the form itself gets. Any other has no use in one line,
// and some start what ends later, in another question: a paste from the
// clipboard does.
var editing = map[tea.KeyType]bool{
	tea.KeyRunes: true, tea.KeyBackspace: true, tea.KeyDelete: true,
	tea.KeyLeft: true, tea.KeyRight: true, tea.KeyHome: true, tea.KeyEnd: true,
	tea.KeyCtrlA: true, tea.KeyCtrlE: true, tea.KeyCtrlK: true, tea.KeyCtrlU: true, tea.KeyCtrlW: true,
}

// presses takes a message apart into keys.
func presses(msg tea.Msg) []key {
	k, ok := msg.(tea.KeyMsg)
	if !ok {
		// A byte that is not UTF-8. Left out, it would turn 41°48' of another
		// character set into 4148'; as a question mark it is refused.
		if v := reflect.ValueOf(msg); v.IsValid() && v.Kind() == reflect.Uint8 {
			return []key{{tea.KeyRunes, '?'}}
		}
		return nil
	}
	var list []key
	if k.Alt { // Esc and the key after it, come in one read
		list = append(list, key{typ: tea.KeyEsc})
	}
	switch k.Type {
	case tea.KeyRunes, tea.KeySpace:
		for _, r := range k.Runes {
			switch r {
			case '\r': // pasted
				list = append(list, key{typ: tea.KeyEnter})
			case '\n':
				list = append(list, key{typ: tea.KeyCtrlJ})
			default:
				list = append(list, key{tea.KeyRunes, r})
			}
		}
	default:
		list = append(list, key{typ: k.Type})
	}
	return list
}

func (k key) msg() tea.KeyMsg {
	if k.typ == tea.KeyRunes {
		return tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune{k.r}}
	}
	return tea.KeyMsg{Type: k.typ}
}

func (k key) enter() bool { return k.typ == tea.KeyEnter || k.typ == tea.KeyCtrlJ }
