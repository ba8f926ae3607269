package asfound

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/adjust"
	"pinchrod/calc/fit"
	"pinchrod/calc/rules"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Made is what was cut for a bay, held against what the book says is needed now.
type Made struct {
	Ref     journal.Ref
	Made    survey.Made
	P       Quantity    // P(all of its pieces fit), U its standard error; not Known where there is nothing to ask, or to hold it against
	Off     []Off       // by piece
	Worst   int         // into Off: the piece least likely to fit; of what was cut again, the only one
	State   rules.State // of its flag as-made; empty where P is not known
	Unknown string      // why it cannot be held against anything
}

// Off is a piece as made against the piece as needed.
type Off struct {
	Number    int
	Predicted Quantity // needed length along the line, mm; for a piece cut again, as it was foreseen without it
	Made      float64  // along the same line, mm
	Error     float64  // made less predicted, mm
	U         float64  // of Error, mm
}

// InU is the error in units of its standard uncertainty.
func (o Off) InU() float64 { return o.Error / o.U }

// hold holds what was cut against what is needed. A piece that was cut again on
// site is no longer the batch's.
func (w *worker) hold() {
	entries := w.made
	again := map[survey.Part][]uint32{}
	for _, e := range entries {
		if e.Made.Recut {
			again[e.Made.Part] = append(again[e.Made.Part], e.Made.Pieces...)
		}
	}
	for _, e := range entries {
		m := Made{Ref: e.Ref, Made: e.Made}
		v := map[survey.Part]*Verdict{
			survey.PartSpindle: w.bay.Spindles, survey.PartBaseFillet: w.bay.BaseFillets, survey.PartRailFillet: w.bay.RailFillets,
		}[e.Made.Part]
		var which []int // into the needed pieces
		most := 0
		for _, n := range e.Made.Pieces {
			most = max(most, int(n))
			if e.Made.Recut || !slices.Contains(again[e.Made.Part], n) {
				which = append(which, int(n)-1)
			}
		}
		switch {
		case most == 0: // spares and offcuts
		case v == nil:
			m.Unknown = "the readings do not say what is needed"
		case most > len(v.Needed.Mean):
			m.Unknown = fmt.Sprintf("the bay is laid out with %d of them now", len(v.Needed.Mean))
		case len(which) == 0:
			m.Unknown = "each was cut again on site"
		default:
			if err := w.holdOne(&m, v, which); err != nil {
				m.Unknown = err.Error()
			}
		}
		w.bay.Made = append(w.bay.Made, m)
	}
}

// holdOne says how each piece of a batch is off what is needed, and the probability
// that all fit,
//
//	needed_i − short ≤ made ≤ needed_i + long,
//
// with the distribution that calc/fit.Decide takes: the needed lengths are as
// unsure as the readings make them, each of them by the waviness of the rails
// too, and each piece as made by the saw's repeatability. What is over length
// fits while it is long enough. A piece that was cut again fits, since it was cut
// until it did; it says how well it was foreseen.
//
// Fillets stand in series, so that what they are off shows in the last opening alone.
func (w *worker) holdOne(m *Made, v *Verdict, which []int) error {
	h, need := w.set.House, v.Needed
	n := len(which)
	lo, hi, d := make([]float64, n), make([]float64, n), make([]float64, n)
	cov := mat.NewSymDense(n, nil)
	low, high := -h.Short, h.Long // of made less needed
	if m.Made.ToFit {
		low, high = 0, math.Inf(1)
	}
	least, worst := math.Inf(1), 0.0 // of the piece least likely to fit, what sliding its head takes up
	for i, k := range which {
		variance := 0.0
		if need.Cov != nil {
			variance = max(0, need.Cov.At(k, k))
			for j := range i + 1 {
				cov.SetSym(i, j, need.Cov.At(k, which[j]))
			}
		}
		o := Off{Number: k + 1, Made: m.Made.Line.MM(), Predicted: Quantity{need.Mean[k], math.Sqrt(variance + h.Waviness*h.Waviness), true}}
		if m.Made.Recut && w.trial(m) != nil {
			if !w.foreseen(m, &o) {
				return fmt.Errorf("no other reading foretells it")
			}
		} else {
			o.U = math.Hypot(o.Predicted.U, h.Saw)
		}
		o.Error = o.Made - o.Predicted.Value
		slide := 0.0
		if need.Slide != nil {
			slide = need.Slide[k]
		}
		lo[i], hi[i], d[i] = o.Error-high-slide, o.Error-low+slide, math.Hypot(h.Waviness, h.Saw)
		if p := rules.ConformBetween(o.Error, o.U, low-slide, high+slide) - max(0, low-slide-o.Error, o.Error-high-slide); p < least {
			least, m.Worst, worst = p, i, slide
		}
		m.Off = append(m.Off, o)
	}
	if m.Made.Recut {
		if last := len(need.Mean); v.Series && m.Off[0].Number == last {
			w.lastCut(m, last)
		}
		return nil
	}
	if v.Series {
		w.holdSeries(m, len(need.Mean)-1)
		return nil
	}
	b, _, err := fit.Factor(cov, 0)
	if err != nil {
		return err
	}
	p, e, err := fit.Rectangle(lo, hi, b, d, w.set.Accuracy)
	if err != nil {
		return err
	}
	m.P = Quantity{p, e / errorSigmas, true}
	f := w.madeFlag(m, low, high, worst)
	m.State = f.State
	w.bay.Flags = append(w.bay.Flags, f)
	return nil
}

// holdSeries holds fillets as they were cut, n of them and the last one, which is cut to what is left: where they are
// δ longer on average the last opening is n·δ·cos θ narrower. The probability is that it is neither too wide nor gone.
func (w *worker) holdSeries(m *Made, n int) {
	l := *w.bay.Layout
	for _, o := range m.Off {
		if o.Number <= n {
			l.Fillet += (o.Made - o.Predicted.Value) / float64(n)
		}
	}
	for _, f := range w.openingsWith(&l) {
		if f.Name != "last-space" {
			continue
		}
		f.Name, f.low, f.high = "as-made", 0, f.Limit
		f.Of = fmt.Sprintf("last opening, with the %ss as cut (%s)", m.Made.Part.Words(), m.Ref.Short())
		m.P = Quantity{rules.ConformBetween(f.Value, f.U, f.low, f.high), 0, true}
		f.State = rules.JudgeBetween(f.Value, f.U, f.low, f.high)
		switch f.State {
		case rules.Clear:
			f.Text = "they fit; cut the last one to what is left"
		case rules.Flag:
			f.Text = fmt.Sprintf("%s: cut them again, or strike %s if the entry is wrong", pick(f.Value, "a ball passes beside the upper post", "nothing is left for the last one"), m.Ref.Short())
		default:
			f.Text = "cannot tell yet: walk them dry up the rail before anything is glued"
		}
		m.State = f.State
		w.bay.Flags = append(w.bay.Flags, f)
	}
}

// lastCut holds the last fillet as it was cut to what was left: it says how wide the last opening is.
func (w *worker) lastCut(m *Made, number int) {
	ball, from := w.set.opening(isLanding(w.bay.Place))
	open := w.bay.Layout.Last
	open.Value += (m.Made.Line.MM() - m.Off[0].Predicted.Value) * math.Cos(w.bay.Adjusted.BaseAngle.Value*degree)
	open.U = w.set.House.Saw
	f := judgedLast(Flag{
		Name: "as-made", Absolute: true, Value: open.Value, U: open.U, Limit: ball, low: 0, high: ball, Unit: "mm", From: from,
		Of: fmt.Sprintf("last opening, by %s %d as it was cut (%s)", m.Made.Part.Words(), number, m.Ref.Short()),
	})
	m.State = f.State
	w.bay.Flags = append(w.bay.Flags, f)
}

// foreseen holds a spindle that was cut again, and fits, against what the other readings need there. Its own reading is
// left out for that: it is never suspected, so that readings it contradicts would be set aside and the rest agree with
// it. A contradiction beyond what honest readings differ by is a flag. It is false where the others do not tell.
func (w *worker) foreseen(m *Made, o *Off) bool {
	fits := w.trial(m)
	i := slices.IndexFunc(w.obs, func(o observation) bool { return o.entry.Ref == fits.Ref })
	if i < 0 {
		return false
	}
	sub := w.without([]int{i})
	sub.sections()
	sub.gather()
	if sub.adjust() != nil {
		return false
	}
	eq := w.tried(station(fits.Reading.At))
	if o.Predicted = sub.figure(eq, 1); !o.Predicted.Known {
		return false
	}
	o.U = math.Hypot(o.Predicted.U, w.obs[i].u)
	off := w.obs[i].value - o.Predicted.Value
	if !(math.Abs(off) > adjust.Critical*o.U) || fits.Kept != "" {
		return true
	}
	again := slices.DeleteFunc(sub.leading(eq), func(k int) bool { return sub.obs[k].cut })
	w.undecided(sub.named(again), w.bay.Spindles)
	w.contradict(Flag{
		Name: "recut", State: rules.Flag, Value: off, U: o.U, Limit: math.Copysign(adjust.Critical*o.U, off), Unit: "mm",
		Of:   fmt.Sprintf("%s %d as cut again (%s), less what the readings need", m.Made.Part.Words(), o.Number, m.Ref.Short()),
		From: "what honest readings differ by (Baarda, 0.1 % false alarms)",
		Text: fmt.Sprintf("%s %d was cut to %.1f mm, and the readings need %.1f mm: read again %s; or strike %s if the entry is wrong",
			m.Made.Part.Words(), o.Number, o.Made, o.Predicted.Value, sub.named(again), m.Ref.Short()),
	}, sub.refs(again)...)
	return true
}

// errorSigmas: fit.Rectangle's error is one of 99 %, 2.576 standard errors of a
// normal distribution.
const errorSigmas = 2.576

// trial is the reading that a piece cut again left in the book: a trial piece
// that fits, on the same page. Nil when there is none, as of a fillet.
func (w *worker) trial(m *Made) *Result {
	for i := range w.bay.Readings {
		r := &w.bay.Readings[i]
		if r.Reading.What == survey.Trial && r.Ref.Device == m.Ref.Device && r.Ref.Page == m.Ref.Page {
			return r
		}
	}
	return nil
}

// Surely is the probability from which a batch that was cut is called good, as for every flag.
const Surely = 0.95

// madeFlag holds the piece least likely to fit against what still fits; the
// batch is clear only where all of it fits as surely as the house asks. What sliding
// the piece's head takes up, mm, still fits.
func (w *worker) madeFlag(m *Made, low, high, slide float64) Flag {
	o := m.Off[m.Worst]
	f := Flag{
		Name: "as-made", Value: o.Error, U: o.U, Unit: "mm", low: low, high: high, Limit: high,
		Of:   fmt.Sprintf("%s %d as cut (%s), less what is needed now", m.Made.Part.Words(), o.Number, m.Ref.Short()),
		From: fmt.Sprintf("%g mm short to %g mm long", w.set.House.Short, w.set.House.Long),
	}
	if o.Error < 0 {
		f.Limit = low
	}
	if m.Made.ToFit {
		f.From, f.Limit = "cut over length: no shorter than needed", low
	}
	all := fmt.Sprintf("all %d fit %s", len(m.Off), Chance(m.P.Value))
	if len(m.Off) == 1 {
		all = "it fits " + Chance(m.P.Value)
	}
	f.State = rules.JudgeBetween(o.Error, o.U, low-slide, high+slide)
	switch {
	case f.State == rules.Flag:
		f.Text = fmt.Sprintf("%s, %s: cut it again, or strike %s if the entry is wrong", all, tooMuch(o.Error), m.Ref.Short())
	case m.P.Value >= Surely:
		f.State = rules.Clear
		f.Text = all
	default:
		f.State = rules.Unsure
		f.Text = fmt.Sprintf("%s; cannot tell yet: stand %s %d dry before anything is glued", all, m.Made.Part.Words(), o.Number)
	}
	return f
}

func tooMuch(off float64) string {
	if off < 0 {
		return "this one is too short"
	}
	return "this one is too long"
}
