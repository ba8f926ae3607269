package guide

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Question is the one to ask now; false when everything is asked.
func (w *Walk) Question() (Question, bool) {
	i := w.current()
	if i < 0 {
		return Question{}, false
	}
	return w.question(i), true
}

func (w *Walk) question(i int) Question {
	a := w.asks[i]
	q := a.q
	q.N, q.Of = i+1, len(w.asks)
	if last := w.asks[len(w.asks)-1]; last.open {
		// While the plan grows: name, rises and bays of each flight, and the
		// question for another.
		q.Of = 3*(last.flight+1) + 1
		if last.plan == planName && last.flight > 0 {
			q.Of = len(w.asks) // no further flight until one is named
		}
	}
	if a.plan != planNone {
		return q
	}
	if have := w.got[q.ID]; len(have) > 0 {
		var texts []string
		for _, h := range have {
			texts = append(texts, h.text())
		}
		q.Previous = strings.Join(texts, ", ")
		if own := w.own(q.ID); own != nil && !w.again {
			q.Default = own.text()
		}
	} else if s, ok := w.skipped[q.ID]; ok {
		q.Previous = strings.TrimSuffix("skipped: "+s.Why, ": ")
	}
	if over := w.leanOver(a); over != 0 {
		q.Hint = "mm in " + over.String() + ", or 3 in 900"
	}
	return q
}

// own is the last reading of a question by whoever walks, or nil.
func (w *Walk) own(id string) *held {
	have := w.got[id]
	for i := len(have) - 1; i >= 0; i-- {
		if have[i].reading.By == w.By {
			return &have[i]
		}
	}
	return nil
}

func (h held) text() string {
	if h.reading.Text != "" {
		return h.reading.Text
	}
	return h.reading.Value.String()
}

// Do reads what a person did at the question that stands and says what follows
// from it. It changes nothing: that is for [Walk.Commit], once the event is
// recorded. An error says what would be right.
func (w *Walk) Do(in Input) (Event, error) {
	i := w.current()
	text := strings.TrimSpace(in.Text)
	e := Event{stand: w.stand, again: w.again}
	if i >= 0 {
		e.ID = w.asks[i].q.ID
	}
	switch in.Act {
	case Leave:
		e.Leave = true
		return e, nil
	case List:
		e.Show = w.list(text)
		return e, nil
	case Back:
		return w.back(e, i)
	case Jump:
		return w.jump(e, i, text)
	case Again:
		return w.repeat(e, i, text)
	}
	if i < 0 {
		return Event{}, fmt.Errorf("%w: go back, jump to a question, or leave", ErrOver)
	}
	switch in.Act {
	case Answer:
		if w.asks[i].plan != planNone {
			return w.answerPlan(e, i, text)
		}
		return w.answer(e, i, text, w.again)
	case Skip:
		return w.skip(e, i, text)
	case Note:
		var err error
		if e.Note, err = survey.ParseNote(text); err != nil {
			return Event{}, err
		}
		if e.Note == "" {
			return Event{}, fmt.Errorf("note: %w: write what is to be noted", ErrEmpty)
		}
		return e, nil
	case Help:
		q := w.question(i)
		e.Show = slices.Concat([]string{q.Title}, q.How, q.Drawing)
		return e, nil
	}
	return Event{}, fmt.Errorf("act %d is unknown", in.Act)
}

// Commit carries out an event of [Walk.Do] that was recorded; ref is the name
// its reading got, and is not used for others.
func (w *Walk) Commit(e Event, ref journal.Ref) {
	switch {
	case e.Record != nil:
		if e.Replaces {
			w.got[e.ID] = slices.DeleteFunc(w.got[e.ID], func(h held) bool { return h.ref == e.Record.Replaces })
		}
		w.take(Done{Ref: ref, Reading: *e.Record})
	case e.Skipped != nil:
		w.take(Done{Skipped: e.Skipped})
	case e.Stair != nil:
		w.plan(e.Stair)
	}
	w.stand, w.again = e.stand, e.again
}

// on lets the walk go on from e.
func (e Event) on() Event {
	e.stand, e.again = "", false
	return e
}

// moved is on, with nothing to record.
func (e Event) moved() Event {
	e.Moved = true
	return e.on()
}

// to lets the walk stand at a question.
func (e Event) to(id string) Event {
	e.Moved, e.stand, e.again = true, id, false
	return e
}

func (w *Walk) answerPlan(e Event, i int, text string) (Event, error) {
	if text == "" {
		text = w.asks[i].q.Default
	}
	if text == "" {
		return Event{}, fmt.Errorf("%s: %w: %s", w.asks[i].q.Title, ErrEmpty, w.asks[i].q.Hint)
	}
	s, err := planned(w.stair, w.asks[i], text)
	if err != nil {
		return Event{}, err
	}
	if s.String() == w.stair.String() {
		return e.moved(), nil
	}
	e.Stair = s
	if n := w.dropped(s); n > 0 {
		e.Odd = fmt.Sprintf("%d readings in the book would no longer be asked about", n)
	}
	return e.on(), nil
}

// dropped counts the readings that a new plan has no question for.
func (w *Walk) dropped(s Stair) int {
	asked := map[string]bool{}
	for _, a := range readingAsks(s) {
		asked[a.q.ID] = true
	}
	n := 0
	for _, a := range readingAsks(w.stair) {
		if !asked[a.q.ID] {
			n += len(w.got[a.q.ID])
		}
	}
	return n
}

func (w *Walk) answer(e Event, i int, text string, again bool) (Event, error) {
	a := w.asks[i]
	own := w.own(a.q.ID)
	if len(w.got[a.q.ID]) == 0 {
		again = false
	} else if own == nil {
		again = true
	}
	if text == "" {
		if own != nil && !again {
			return e.moved(), nil // what stands is kept
		}
		return Event{}, fmt.Errorf("%s: %w: write the reading, or skip it", a.q.Title, ErrEmpty)
	}
	text, err := survey.ParseWord(text)
	if err != nil {
		return Event{}, err
	}
	r := a.q.Reading
	r.Text, r.By = text, w.By
	k := r.Kind()
	r.Value, err = k.ParseValue(text)
	if over := w.leanOver(a); err != nil && over != 0 {
		// A bare number, over the same length as the lean before.
		if _, bad := unit.ParseLength(text); bad == nil {
			r.Text = text + " in " + over.String()
			r.Value, err = k.ParseValue(r.Text)
		}
	}
	if err != nil {
		return Event{}, err
	}
	if own != nil && !again {
		if own.reading.Value == r.Value {
			return e.moved(), nil
		}
		r.At, r.Replaces, e.Replaces = own.reading.At, own.ref, true
	}
	e.ID, e.Record, e.Again = a.q.ID, &r, again
	e.Odd = w.odd(r, again)
	return e.on(), nil
}

// leanOver is the length that the last lean before question a was taken over,
// or 0: the level is the same along the whole bay.
func (w *Walk) leanOver(a ask) unit.Length {
	if k := a.q.Reading.Kind(); k == nil || k.Measure != survey.Lean {
		return 0
	}
	for i := w.index[a.q.ID] - 1; i >= 0; i-- {
		if have := w.got[w.asks[i].q.ID]; len(have) > 0 {
			if v := have[len(have)-1].reading.Value; v.Measure == survey.Lean {
				return v.Slope().Over
			}
		}
	}
	return 0
}

func (w *Walk) skip(e Event, i int, why string) (Event, error) {
	a := w.asks[i]
	if !a.q.Skips {
		return Event{}, fmt.Errorf("%s %w: the walk hangs on it", a.q.Title, ErrNoSkip)
	}
	if w.state(a) == done {
		return e.moved(), nil
	}
	why, err := survey.ParseWord(why)
	if err != nil {
		return Event{}, err
	}
	s := Skipped{ID: a.q.ID, Why: why, Out: a.once || w.state(a) != open}
	if !s.Out {
		// Where it would come straight back, once is enough.
		then := *w
		then.skipped, then.stand = maps.Clone(w.skipped), ""
		then.take(Done{Skipped: &s})
		s.Out = then.next() == i
	}
	e.Skipped = &s
	return e.on(), nil
}

func (w *Walk) back(e Event, i int) (Event, error) {
	if i < 0 {
		i = len(w.asks)
	}
	if i == 0 {
		return Event{}, errors.New("this is the first question")
	}
	return e.to(w.asks[i-1].q.ID), nil
}

func (w *Walk) repeat(e Event, i int, text string) (Event, error) {
	if i < 0 || len(w.got[w.asks[i].q.ID]) == 0 {
		last, ok := w.index[w.last]
		if !ok || len(w.got[w.last]) == 0 {
			return Event{}, errors.New("nothing was read yet that could be read again")
		}
		i = last
	}
	if text != "" {
		return w.answer(e, i, text, true)
	}
	e = e.to(w.asks[i].q.ID)
	e.again = true
	return e, nil
}

func (w *Walk) jump(e Event, from int, text string) (Event, error) {
	if text == "" {
		return e.moved(), nil
	}
	i := w.find(from, text)
	if i < 0 {
		return Event{}, fmt.Errorf("%w as %q: write its number, a place such as F1/left, or words of it such as gap top", ErrNowhere, text)
	}
	return e.to(w.asks[i].q.ID), nil
}

// find looks up a question by its number, by its whole ID, by its place (the
// first open one there), or by words of its ID and title, first in the place
// where the walk stands, then onward from there and round.
func (w *Walk) find(from int, text string) int {
	if n, err := strconv.Atoi(text); err == nil {
		if n < 1 || n > len(w.asks) {
			return -1
		}
		return n - 1
	}
	byPlace, byWords, byWordsHere := -1, -1, -1
	var here survey.Place
	if from >= 0 {
		here = w.asks[from].place()
	}
	words := split(text)
	for k := range w.asks {
		i := (max(from, 0) + k) % len(w.asks)
		a := w.asks[i]
		if strings.EqualFold(a.q.ID, text) {
			return i
		}
		if strings.EqualFold(string(a.place()), text) && (byPlace < 0 || w.better(i, byPlace)) {
			byPlace = i
		}
		if len(words) > 0 && matches(words, split(a.q.ID+" "+a.q.Title)) {
			if byWords < 0 {
				byWords = i
			}
			if byWordsHere < 0 && a.place() == here {
				byWordsHere = i
			}
		}
	}
	for _, i := range []int{byPlace, byWordsHere, byWords} {
		if i >= 0 {
			return i
		}
	}
	return -1
}

// better tells whether to stand at question i rather than j of the same place:
// an open one before one that is not, then the lower.
func (w *Walk) better(i, j int) bool {
	oi, oj := w.state(w.asks[i]) == open, w.state(w.asks[j]) == open
	return oi && !oj || oi == oj && i < j
}

// split cuts a text at its spaces, slashes, dashes and commas, in lower case.
func split(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return strings.ContainsRune(" /-,", r) })
}

// matches tells whether every word begins one of the tokens; a number must be
// one of them.
func matches(words, tokens []string) bool {
	for _, w := range words {
		_, notNumber := strconv.Atoi(w)
		if !slices.ContainsFunc(tokens, func(t string) bool {
			return t == w || notNumber != nil && strings.HasPrefix(t, w)
		}) {
			return false
		}
	}
	return true
}

// list gives a line for each place with what was skipped there; of the places
// that begin with text, if any, every question.
func (w *Walk) list(text string) []string {
	var lines []string
	for i := 0; i < len(w.asks); {
		first, place := i, w.asks[i].place()
		i = w.lastOf(first) + 1
		if !strings.HasPrefix(strings.ToLower(string(place)), strings.ToLower(text)) {
			continue
		}
		lines = append(lines, w.listPlace(w.asks[first:i], text != "")...)
	}
	return lines
}

func (w *Walk) listPlace(asks []ask, all bool) []string {
	var count [done + 1]int
	var lines []string
	at := w.current()
	for _, a := range asks {
		s := w.state(a)
		count[s]++
		here := at >= 0 && w.asks[at].q.ID == a.q.ID
		if !all && !here && (s == open || s == done) {
			continue
		}
		mark := "  "
		if here {
			mark = "> "
		}
		line := mark + a.q.Title
		if p := w.question(w.index[a.q.ID]).Previous; p != "" {
			line += ": " + p
		}
		lines = append(lines, line)
	}
	name := string(asks[0].place())
	if name == "" {
		name = asks[0].q.Place
	}
	head := fmt.Sprintf("%s: %d of %d", name, count[done], len(asks))
	if n := count[later] + count[out]; n > 0 {
		head += fmt.Sprintf(", %d skipped", n)
	}
	return append([]string{head}, lines...)
}
