// Package guide is the walk up a stair as a pure machine: it says which reading
// comes next, reads the answer, and says what there is to record. It knows no
// terminal, clock or disk.
//
// Nothing moves before it is recorded: [Walk.Do] only reads an input and
// describes what would follow; the caller writes that down, then hands it to
// [Walk.Commit]. A walk is rebuilt at any time from what was recorded, by
// [New], and stands at the same question.
package guide

import (
	"errors"
	"slices"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

// What is wrong with an input. The walk stands where it stood.
var (
	ErrEmpty   = errors.New("empty answer")
	ErrNoSkip  = errors.New("cannot be left out")
	ErrNowhere = errors.New("no such question")
	ErrOver    = errors.New("everything is asked")
)

// Done is one thing that the book holds: a standing reading, or that a
// question was skipped.
type Done struct {
	Ref     journal.Ref    // of Reading
	Reading survey.Reading // zero when Skipped is set
	Skipped *Skipped
}

// Event is what follows from an input. At most one of Record, Skipped, Note,
// Stair is set; a caller that is not to go through with one drops it.
type Event struct {
	ID       string          // the question it is about
	Record   *survey.Reading // with Value, Text and, of a correction, Replaces
	Replaces bool            // Record corrects the reading that stood
	Again    bool            // Record is a further independent reading
	Odd      string          // why Record or Stair looks wrong; ask whether to keep it
	Skipped  *Skipped
	Note     string
	Stair    Stair    // the plan of the stair after this answer
	Moved    bool     // another question comes, and nothing is to be recorded
	Show     []string // lines for the person
	Leave    bool

	stand string // question to stand at, empty to go on
	again bool   // and its answer stands beside the first
}

// held is a standing reading.
type held struct {
	ref     journal.Ref
	reading survey.Reading
}

// Walk is one walk up a stair.
type Walk struct {
	// By is who walks. An answer where a reading of another hand stands is a
	// reading beside it, not a correction.
	By string

	stair   Stair
	asks    []ask
	index   map[string]int // of a question in asks
	got     map[string][]held
	skipped map[string]Skipped
	last    string // question recorded last, from which the walk goes on
	stand   string // question gone to by Back, Jump or Again, else empty
	again   bool
}

// New stands at the first open question after the last thing done, or at the
// first of all. done is in the order it was recorded; of two skips of one
// question the later counts. What belongs to no question is passed over.
func New(stair Stair, done []Done) *Walk {
	w := &Walk{got: map[string][]held{}, skipped: map[string]Skipped{}}
	w.plan(stair)
	for _, d := range done {
		w.take(d)
	}
	return w
}

func (w *Walk) plan(s Stair) {
	w.stair, w.asks = s.clone(), asksOf(s)
	w.index = make(map[string]int, len(w.asks))
	for i, a := range w.asks {
		w.index[a.q.ID] = i
	}
}

func (w *Walk) take(d Done) {
	if d.Skipped != nil {
		w.skipped[d.Skipped.ID], w.last = *d.Skipped, d.Skipped.ID
		return
	}
	w.last = id(d.Reading)
	w.got[w.last] = append(w.got[w.last], held{d.Ref, d.Reading})
}

// Stair is the plan of the stair as it stands.
func (w *Walk) Stair() Stair { return w.stair.clone() }

// state of a question.
type state uint8

const (
	open  state = iota
	later       // skipped once: asked again at the end of its place
	out         // left out for good, unless gone to
	done
)

func (w *Walk) state(a ask) state {
	if a.plan != planNone {
		if a.open {
			return open
		}
		return done
	}
	if len(w.got[a.q.ID]) > 0 {
		return done
	}
	s, ok := w.skipped[a.q.ID]
	switch {
	case !ok:
		return open
	case s.Out:
		return out
	}
	return later
}

// current is the index of the question to ask, or -1.
func (w *Walk) current() int {
	if i, ok := w.index[w.stand]; ok {
		return i
	}
	return w.next()
}

// next is the first question that wants an answer: one of the plan; then, from
// the last that was recorded, the open ones up to the end of that place; then
// those of the place that were skipped; then the places after it, each so; then
// the places below; and what was jumped over in its own place.
func (w *Walk) next() int {
	if i := slices.IndexFunc(w.asks, func(a ask) bool { return a.open }); i >= 0 {
		return i
	}
	from, ok := w.index[w.last]
	if !ok {
		from = -1
	}
	best, bestKey := -1, 0
	for i, a := range w.asks {
		s := w.state(a)
		if s == done || s == out {
			continue
		}
		key := w.order(i, from)
		if s == later {
			key = w.order(w.lastOf(i), from) + 1
			if w.lastOf(i) == from {
				key = -1 // the place has just ended
			}
		}
		if best < 0 || key < bestKey {
			best, bestKey = i, key
		}
	}
	return best
}

// order ranks question i in a walk that goes on after from and comes round;
// steps of two leave room for the skipped ones at the end of a place.
func (w *Walk) order(i, from int) int {
	n := len(w.asks)
	return 2 * ((i - from - 1 + 2*n) % n)
}

// lastOf is the last question of the place of question i.
func (w *Walk) lastOf(i int) int {
	for i+1 < len(w.asks) && w.asks[i+1].place() == w.asks[i].place() {
		i++
	}
	return i
}
