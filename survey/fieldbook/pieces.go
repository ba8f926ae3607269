package fieldbook

import (
	"cmp"
	"math"
	"time"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Pieced lists the readings that count, as [Book.Standing] does, and writes into
// every reading of a trial piece that gives no length the length of its piece.
// Where the book does not say which piece that was, the reading stays as it is and
// [survey.Reading.StandardU] refuses it with [survey.ErrPiece].
//
// The piece is the one last given for that bay before the reading, in the log of
// the same device, since who writes "tight" holds the piece that they wrote down.
// A device that gave none has the piece that another gave last, by the clock. A
// correction stands in the place of what it corrects. Where the piece was struck,
// nothing is said of its length: an older piece would be the wrong one.
func (b *Book) Pieced() []Entry {
	s := b.Standing()
	var p *pieces
	for i := range s {
		r := &s[i].Reading
		if !nameless(r) {
			continue
		}
		if p == nil {
			p = b.pieces()
		}
		if l, ok := p.of(&s[i]); ok {
			r.Value = r.Value.OfPiece(l)
		}
	}
	return s
}

// WithPiece is a reading that a device is about to write, with the length of its
// piece, as [Book.Pieced] will give it. The error is [survey.ErrPiece].
func (b *Book) WithPiece(r survey.Reading, device journal.ID) (survey.Reading, error) {
	if !nameless(&r) {
		return r, nil
	}
	next := Entry{Ref: journal.Ref{Device: device, Page: math.MaxUint64}, Reading: r, Time: time.UnixMilli(math.MaxInt64)}
	l, ok := b.pieces().of(&next)
	if !ok {
		return r, survey.ErrPiece
	}
	r.Value = r.Value.OfPiece(l)
	return r, nil
}

// nameless tells whether a reading is of a trial piece without its length.
func nameless(r *survey.Reading) bool {
	if r.What != survey.Trial || r.Value.Measure != survey.Tried {
		return false
	}
	_, known, _, _ := r.Value.Trial()
	return !known
}

// origin is where a reading came to be: of a correction, the place of the reading
// that it corrects in the end.
type origin struct {
	ref  journal.Ref
	time time.Time
}

// given is a trial piece whose length was given.
type given struct {
	origin
	where  survey.Place
	length unit.Length // 0 where the reading was struck since
	none   bool        // it was corrected, and gives no length any more
}

// pieces are the trial pieces of a book whose length was given.
type pieces struct {
	entries []Entry
	at      map[journal.Ref]int // place of an entry
	given   []given
}

// pieces lists them, by where each was first written. A spindle that was cut again
// on site is no trial piece.
func (b *Book) pieces() *pieces {
	p := &pieces{entries: b.Entries, at: make(map[journal.Ref]int, len(b.Entries))}
	type page struct {
		device journal.ID
		seq    uint64
	}
	recut := map[page]bool{}
	for i := range b.Made {
		if m := &b.Made[i]; m.Made.Recut {
			recut[page{m.Ref.Device, m.Ref.Page}] = true
		}
	}
	for i := range b.Entries {
		p.at[b.Entries[i].Ref] = i
	}
	chain := map[journal.Ref]int{}
	for i := range b.Entries {
		e := &b.Entries[i]
		r := &e.Reading
		if r.What != survey.Trial || e.Newer || recut[page{e.Ref.Device, e.Ref.Page}] || nameless(r) && !e.Stands() {
			continue
		}
		o := p.origin(e)
		k, ok := chain[o.ref]
		if !ok {
			k = len(p.given)
			chain[o.ref] = k
			p.given = append(p.given, given{origin: o, where: r.Where})
		}
		if g := &p.given[k]; e.Stands() {
			g.where, g.none = r.Where, nameless(r)
			g.length, _, _, _ = r.Value.Trial()
		}
	}
	return p
}

// origin follows a reading's corrections back, as many of them as are listed of
// one reading: a chain that leads in a circle, which only a damaged or hostile log
// has, has no end.
func (p *pieces) origin(e *Entry) origin {
	for range mostFixed {
		i, ok := p.at[e.Reading.Replaces]
		if !ok || e.Reading.Replaces == (journal.Ref{}) {
			break
		}
		e = &p.entries[i]
	}
	return origin{e.Ref, e.Time}
}

// of is the piece that a reading means.
func (p *pieces) of(e *Entry) (unit.Length, bool) {
	o := p.origin(e)
	var own, others *given
	for i := range p.given {
		g := &p.given[i]
		switch {
		case g.none || g.where != e.Reading.Where:
		case g.ref.Device == o.ref.Device:
			if before(g.ref, o.ref) && (own == nil || before(own.ref, g.ref)) {
				own = g
			}
		case !g.time.After(o.time) && (others == nil || !g.time.Before(others.time)):
			others = g
		}
	}
	g := cmp.Or(own, others)
	if g == nil || g.length == 0 {
		return 0, false
	}
	return g.length, true
}

// before tells whether a stands before b in the log of their device.
func before(a, b journal.Ref) bool {
	return cmp.Or(cmp.Compare(a.Page, b.Page), cmp.Compare(a.Item, b.Item)) < 0
}
