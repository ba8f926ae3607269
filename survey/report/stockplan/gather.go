package stockplan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/pieces"
	"pinchrod/calc/stock"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
)

// Lengths are rounded up before they are planned, to a step of mm: a fitted piece
// is cut to whole mm anyway. See the package comment.
const (
	stopStep = 0.1
	fitStep  = 1.0
)

// part is all that one setting of a sheet makes: to the saw the same piece.
type part struct {
	sheet   *cutting.Sheet
	set     *cutting.Set
	setting *cutting.Setting
	ids     []string // the pieces, then the spares
	pieces  int      // how many of them are no spares
	length  float64  // on the centre line, rounded up, mm
	bevel   [2]float64
}

// kin are parts that are cut from one section of stock, lying the same way.
type kin struct {
	name   string
	lies   lies
	across float64 // the widest of its sheets, which a swollen bay may have, mm
	parts  []*part
}

// gather takes the parts off the sheets, section by section, and says what has to
// stay behind, and what the book says was cut before and still fits.
func gather(sheets []*cutting.Sheet) (all []*kin, left []Left, done []Done) {
	for _, s := range sheets {
		out := func(what, why, next string) { left = append(left, Left{s.Bay, what, why, next}) }
		if len(s.Hold) > 0 {
			for _, h := range s.Hold {
				out("all pieces", h, "settle it first; what is cut before is scrap")
			}
			continue
		}
		if s.Missing != "" && !s.Needless {
			out(missing(s), s.Missing, "check says which readings are missing")
		}
		for i := range s.Sets {
			t := &s.Sets[i]
			kind := t.Kind.String() + "s"
			lie, err := liesOf(t)
			switch {
			case !t.Final():
				out(kind, "not to be cut yet", t.ToRead())
			case t.Turned:
				_, ids, misfits := partsOf(s, t)
				if len(ids) > 0 {
					done = append(done, Done{s.Bay, ranges(ids)})
				}
				left = append(left, misfits...)
				if next := turned(s, t); next != "" {
					out(kind, "turned pieces are not cut anywhere from a bar", next)
				}
			case t.Section == "" || t.Across == 0 || err != nil:
				what := "fillet-section"
				if t.Kind == pieces.Spindle {
					what = "spindle-section"
				}
				out(kind, "the section of their stock was not read", "read "+what)
			default:
				parts, ids, misfits := partsOf(s, t)
				if len(ids) > 0 {
					done = append(done, Done{s.Bay, ranges(ids)})
				}
				left = append(left, misfits...)
				if len(parts) == 0 {
					continue
				}
				i := slices.IndexFunc(all, func(k *kin) bool { return k.lies == lie })
				if i < 0 {
					i = len(all)
					all = append(all, &kin{name: nameOf(s.Rule, all, t, lie), lies: lie})
				}
				all[i].across = max(all[i].across, t.Across)
				all[i].parts = append(all[i].parts, parts...)
			}
		}
	}
	return all, left, done
}

// nameOf names a section as its sheet does; where the same stock is used lying on
// its other face too, by how wide it is there.
func nameOf(r figure.Rule, all []*kin, t *cutting.Set, l lies) string {
	if slices.ContainsFunc(all, func(k *kin) bool { return k.lies.section() == l.section() }) {
		return fmt.Sprintf("%s, %s in the bevel", cmp.Or(t.Size, t.Section), r.With(r.Tolerance(l.across.MM())))
	}
	return cmp.Or(t.Size, t.Section)
}

// missing names the kinds of piece that a sheet says nothing of.
func missing(s *cutting.Sheet) string {
	var out []string
	for _, k := range []pieces.Kind{pieces.Spindle, pieces.BaseFillet, pieces.RailFillet} {
		if s.Set(k) == nil {
			out = append(out, k.String()+"s")
		}
	}
	if len(out) == 3 {
		return "all pieces"
	}
	return strings.Join(out, " and ")
}

// turned says what to do about turned pieces; nothing once all are cut.
func turned(s *cutting.Sheet, t *cutting.Set) string {
	blank := 0.0
	for _, g := range t.Settings {
		blank = max(blank, g.Blank)
	}
	n, spare := 0, 0
	parts, _, _ := partsOf(s, t)
	for _, p := range parts {
		n += p.pieces
		spare += len(p.ids) - p.pieces
	}
	if n+spare == 0 {
		return ""
	}
	return fmt.Sprintf("get %d + %d spare blanks of %s, %s long at least. Cut the foot, which stands on the base rail, first. Hold it to the stop and cut the head", n, spare, t.Section, s.Rule.With(s.Rule.Whole(blank)))
}

// partsOf are the parts of a set, a setting each, less what was cut before, which
// is named; and less what was cut before and does not fit, which is left out.
func partsOf(s *cutting.Sheet, t *cutting.Set) (out []*part, done []string, misfits []Left) {
	cut := s.AlreadyCut(t)
	unfit := map[int]bool{}
	names := make([][]string, len(cut.Misfits))
	for i, m := range cut.Misfits {
		for _, n := range m.Numbers {
			names[i] = append(names[i], t.PieceID(n))
			unfit[n] = true
		}
	}
	spare := 0
	for j := range t.Settings {
		g := &t.Settings[j]
		p := &part{sheet: s, set: t, setting: g, bevel: bevels(g)}
		for _, n := range g.Pieces {
			switch id := t.PieceID(n); {
			case cut.Numbers[n]:
				done = append(done, id)
			case !unfit[n]:
				p.ids = append(p.ids, id)
			}
		}
		p.pieces = len(p.ids)
		// Of a setting's spares the first are those that are there, then those that do
		// not fit.
		var spares []string
		for range g.Spares {
			spare++
			spares = append(spares, t.SpareID(spare))
		}
		take := func(n int) (some []string) {
			n = min(n, len(spares))
			some, spares = spares[:n], spares[n:]
			return some
		}
		done = append(done, take(cut.Spares[j])...)
		for i, m := range cut.Misfits {
			names[i] = append(names[i], take(m.Spares[j])...)
		}
		p.ids = append(p.ids, spares...)
		step := stopStep
		if g.ToFit {
			step = fitStep
		}
		p.length = roundUp((g.Edges[0].Length+g.Edges[1].Length)/2, step)
		if len(p.ids) > 0 {
			out = append(out, p)
		}
	}
	slices.SortFunc(done, byNumber)
	for i, m := range cut.Misfits {
		if len(names[i]) > 0 {
			slices.SortFunc(names[i], byNumber)
			misfits = append(misfits, Left{s.Bay, ranges(names[i]), m.Why, m.Next})
		}
	}
	return out, done, misfits
}

// bevels are those of a setting in radians, signed as calc/stock has them: an end
// lies at its place on the centre line and y·tan of it, y counting from the first
// edge to the second. So the first edge has the long point where the low end's is
// positive, and the second where the high end's is.
func bevels(g *cutting.Setting) (out [2]float64) {
	for end, c := range [2]cutting.Cut{g.Low, g.High} {
		out[end] = c.Dial * math.Pi / 180
		if c.Long == g.Edges[1-end].Side {
			out[end] = -out[end]
		}
	}
	return out
}

// roundUp gives the least multiple of a step that is not below v; a nanometre is
// rounding of the arithmetic.
func roundUp(v, step float64) float64 {
	k := math.Round(1 / step)
	return math.Ceil(v*k-1e-6*k) / k
}

// piece is the part as calc/stock plans it.
func (p *part) piece() stock.Piece {
	return stock.Piece{Length: p.length, Bevel: p.bevel, Count: len(p.ids), Label: p.name()}
}

// name says which pieces a part has.
func (p *part) name() string { return fmt.Sprintf("%s %s", p.sheet.Bay, ranges(p.ids)) }
