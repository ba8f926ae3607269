package ask

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"pinchrod/survey/guide"
)

// Reserved are the first characters of the commands. A [guide.Option] with one
// of them for its key hides that command.
const Reserved = `?</=!@.q\`

// alone are the commands that take no words.
var alone = map[string]guide.Act{
	"?": guide.Help,
	"<": guide.Back,
	"=": guide.Again,
	".": guide.List,
	"q": guide.Leave,
	"Q": guide.Leave, // a phone's keyboard begins with a capital
}

// Parse reads what was typed at q. No command can be a value in the trade's
// notation: those without words count only as the whole answer, so .5 is a
// value and 3/8 no skip. A backslash takes the rest as an answer as it stands,
// for a name such as "q". An empty text is q's default; where there is none
// the answer is empty, and no face hands that on.
func Parse(text string, q guide.Question) guide.Input {
	text = strings.TrimSpace(text)
	if key, ok := choice(text, q); ok {
		return guide.Input{Act: guide.Answer, Text: key}
	}
	if act, ok := alone[text]; ok {
		return guide.Input{Act: act}
	}
	if text == "" {
		return guide.Input{Act: guide.Answer, Text: q.Default}
	}
	act, rest := guide.Answer, strings.TrimSpace(text[1:])
	switch text[0] {
	case '/':
		act = guide.Skip
	case '!':
		act = guide.Note
	case '@':
		act = guide.Jump
	case '\\':
	default:
		rest = text
	}
	return guide.Input{Act: act, Text: rest}
}

// choice is the key that text is, in either case.
func choice(text string, q guide.Question) (string, bool) {
	r, n := utf8.DecodeRuneInString(text)
	if q.Form != guide.Choice || n == 0 || n != len(text) {
		return "", false
	}
	for _, o := range q.Choices {
		if unicode.ToLower(o.Key) == unicode.ToLower(r) {
			return string(o.Key), true
		}
	}
	return "", false
}

// taken tells whether the input can be handed on: an empty answer cannot.
func taken(in guide.Input) bool { return in.Act != guide.Answer || in.Text != "" }

// oneKey tells whether r alone, without Enter, answers q.
func oneKey(r rune, q guide.Question) bool {
	if q.Form != guide.Choice {
		return false
	}
	_, isChoice := choice(string(r), q)
	_, isCommand := alone[string(r)]
	return isChoice || isCommand
}

// empty is said where Enter was pressed with nothing typed.
const empty = "nothing typed; ? tells how"
