package asfound

import (
	"fmt"
	"math"

	"pinchrod/calc/frame"
	"pinchrod/calc/layout"
	"pinchrod/calc/pieces"
	"pinchrod/calc/rules"
)

// House figures of the fillets, common practice, no source.
const (
	stopU      = 0.1 // u of setting a saw's stop, mm; every fillet that is cut to it has the same error
	filletStep = 0.1 // fillets are cut to a tenth of a mm, rounded up
)

// Layout is the spindles' places, with the uncertainty the run gives them, and
// the pieces that fill them.
type Layout struct {
	layout.Layout
	Clear  Quantity // clear gap at the base rail, mm
	Widest Quantity // widest of the openings that the fillets' stop makes, mm; in service where the timber's movement is reckoned with
	Last   Quantity // the last opening, which takes the sum of the fillets' errors, mm
	Bevel  Quantity // mean pitch of the two rails, degrees
	Width  float64  // of the spindles at the rails, mm
	Walk   *Walk    // what a spacer walk should show; nil where the pitch is not known

	Spindles, BaseFillets, RailFillets []pieces.Piece

	Fillet float64 // slope length of all base fillets but the last, their mean, mm; 0 where the pitch is not known
}

// Walk is a spacer walk as it should go: Count spacers of one length up the base
// rail, with all the spindles between them.
type Walk struct {
	Count  int
	Spacer float64  // mm, to a tenth
	Short  Quantity // what it should lack at its end, mm; u with that of the walk itself
}

// stands is a bay as its spindles stand in it: with the posts, or plumb.
type stands struct {
	frame.Plane
	plumb bool
}

// LeanAt is the lean of what stands at x: a post's at its face, tan.
func (s stands) LeanAt(x float64) float64 {
	if s.plumb && x > 0 && x < s.Run {
		return 0
	}
	return s.Plane.LeanAt(x)
}

func (w *worker) stand(p frame.Plane) stands { return stands{p, w.set.Plumb} }

// layOut chooses the count and the places.
func (w *worker) layOut() {
	run := w.bay.Adjusted.Run
	switch {
	case w.width == 0:
		w.note("no spindle section was read, so no spindles are laid out")
		return
	case !run.Known:
		w.note("nothing gives the run, so no spindles are laid out")
		return
	}
	plane, err := w.plane()
	if err != nil {
		w.bay.NoLayout = err.Error()
		return
	}
	if !w.known[frame.IndexBaseSlope] {
		w.note("nothing gives the pitch: the openings are those of a level rail")
	}
	in := w.layoutIn(plane)
	l, err := layout.Choose(in)
	if err != nil {
		w.bay.NoLayout = err.Error()
		return
	}
	n := float64(l.Count)
	w.bay.Layout = &Layout{
		Layout: l, Width: w.width, Bevel: w.figure(meanPitch, 1/degree),
		Clear: Quantity{l.ClearGap, math.Hypot(w.figure(w.openRun(0), 1).U, n*w.widthU) / (n + 1), true},
	}
	w.spaces(w.bay.Layout, plane)
	if f := w.openingsWith(w.bay.Layout); len(f) > 0 {
		w.bay.Layout.Widest = Quantity{f[0].Value, f[0].U, true}
		if len(f) > 1 {
			w.bay.Layout.Last = Quantity{f[1].Value, f[1].U, true}
		}
	}
}

// openRun is the run that spindles share, h above the base rail: that of a level rail while nothing gives the pitch.
func (w *worker) openRun(h float64) frame.Equation {
	if w.set.Plumb || !w.known[frame.IndexBaseSlope] {
		return frame.RunAt(h)
	}
	return frame.OpenRun(h)
}

// layoutIn is the bay as package layout takes it. The widest gap is at the rail or at the top; the run at either is
// shared by n+1 gaps, and each of the n spindles takes its own width's error. A head that is slid along the rail opens
// the space behind it, so the openings pay for the play of two.
func (w *worker) layoutIn(p frame.Plane) layout.In {
	height := w.height(p)
	pitch := p.BaseSlope
	if !w.known[frame.IndexBaseSlope] {
		pitch = 0
	}
	low, high := w.figure(w.openRun(0), 1).U, w.figure(w.openRun(height), 1).U
	// In service the spindles have moved: n of them leave n/(n+1) of a width's change to each gap, close to all of it.
	move := w.movement()
	gapU := func(n int) float64 {
		return math.Hypot(max(low, high), float64(n)*math.Hypot(w.widthU, move.U)) / float64(n+1)
	}
	ball, _ := w.set.opening(isLanding(w.bay.Place))
	return layout.In{
		Run: p.Run, LeanLower: p.LeanLower, LeanUpper: p.LeanUpper, Pitch: pitch, Height: height, Plumb: w.set.Plumb,
		Width: w.width, Thin: w.thin, Target: w.set.Target, Opening: ball - max(0, -move.Value) - 2*w.play(), GapU: gapU,
	}
}

// height is how high the spindles stand, mm.
func (w *worker) height(p frame.Plane) float64 {
	if !w.bay.Adjusted.GapBottom.Known {
		return 0
	}
	return max(0, p.GapAt(0), p.GapAt(p.Run))
}

// play is how far a spindle's head may be slid along the rail, mm: not at all on a landing, where sliding takes up no
// length.
func (w *worker) play() float64 {
	if isLanding(w.bay.Place) {
		return 0
	}
	return w.set.Play
}

// spaces finds what the base fillets but the last measure on average: what the spindles leave of the rail, or where a
// spacer was walked what that says.
func (w *worker) spaces(l *Layout, p frame.Plane) {
	if l.Count == 0 || !w.known[frame.IndexBaseSlope] {
		return
	}
	all := pieces.BaseFilletLengths(w.stand(p), l.Stations, w.width)
	for _, f := range all[:l.Count] {
		l.Fillet += f / float64(l.Count)
	}
	if w.walked = w.walkedSpacer(l.Count+1, all); w.walked != nil {
		l.Fillet += w.walked.longer
	}
}

// openingsWith judges the openings of a layout in this bay: those that the fillets' stop makes, glued from the lower
// post up, and the last one, which is what they leave. The layout may be that of another explanation of the same
// readings: its stop and count stay, and this bay's posts stand where they do.
func (w *worker) openingsWith(l *Layout) []Flag {
	ball, from := w.set.opening(isLanding(w.bay.Place))
	opening := Flag{Name: "opening", Absolute: true, Limit: ball, Unit: "mm", Of: "widest opening between spindles", From: from}
	plane, err := w.plane()
	if err != nil {
		return nil
	}
	in := w.layoutIn(plane)
	as, err := layout.Count(in, l.Count)
	if err != nil {
		opening.State, opening.Text = rules.Flag, err.Error()
		return []Flag{opening}
	}
	dry := w.movement()
	if l.Fillet == 0 {
		n := float64(l.Count)
		opening.Value, opening.U = as.WidestGap+max(0, -dry.Value)*n/(n+1), in.GapU(l.Count)
		return []Flag{judgedOpening(opening)}
	}
	stop, last := w.stopOpening(l, as, in), w.lastOpening(l, as, plane, in.Height)
	for _, q := range []*Quantity{&stop, &last} {
		q.Value += max(0, -dry.Value)
		q.U = math.Hypot(q.U, dry.U)
	}
	opening.Value, opening.U = stop.Value, stop.U
	end := opening
	end.Name, end.Of, end.Value, end.U = "last-space", "last opening, below the upper post", last.Value, last.U
	return []Flag{judgedOpening(opening), judgedLast(end)}
}

// stopOpening is the widest of the openings that the stop makes. With θ the pitch, l the mean lean and s the fillets'
// slope length each is
//
//	s·cos θ·(1 − l·tan θ) at the base rail,  u² = that of the figure + u(stop)² + u(saw)² + u(width)²
//
// as equal spaces are, but for what s is off the spaces of this plane. At the top a head that is slid opens the space
// behind it.
func (w *worker) stopOpening(l *Layout, as layout.Layout, in layout.In) Quantity {
	widest := math.Inf(-1)
	level := 0.0 // mean of the spaces between full widths
	for i, s := range as.Spaces[:l.Count] {
		slid := 2 * w.play()
		if i == 0 {
			slid = w.play()
		}
		widest = max(widest, s.Bottom, s.Top+slid)
		level += s.Fillet / float64(l.Count)
	}
	low, high := w.figure(frame.StopSpace(l.Fillet, 0), 1), w.figure(frame.StopSpace(l.Fillet, in.Height), 1)
	return Quantity{widest + low.Value - level, norm(max(low.U, high.U), stopU, w.set.House.Saw, w.widthU), true}
}

// lastOpening is what n fillets of slope length s and n spindles leave of the run R, with θ the pitch and k what a
// leaning spindle takes of the rail in its widths w:
//
//	R − n·(s·cos θ + k·w),  u² = J·C·Jᵀ + (n·w·u(k))² + n²·u(stop)² + n·u(saw)²
//
// Where the spacer was walked all the way, the last is as wide as the others but for what the walk's end, the spacer's
// length, the stop and the saw are off: w and k are in the walk as often as in the stair. How a space grows up its
// height has the u of the leans, as any space has.
func (w *worker) lastOpening(l *Layout, as layout.Layout, p frame.Plane, height float64) Quantity {
	n := float64(l.Count)
	end := as.Spaces[l.Count]
	grown := 1.0
	if !w.set.Plumb {
		grown = 1 - p.BaseSlope*p.LeanUpper
	}
	k, kU := w.foot()
	left := w.figure(frame.LastSpace(l.Count, l.Fillet, k), grown)
	left.U = math.Hypot(left.U, n*w.width*kU)
	if w.walked != nil && l == w.bay.Layout {
		cos := 1 / math.Hypot(1, p.BaseSlope)
		left = Quantity{end.Fillet + w.walked.longer*cos*grown, w.walked.u * cos, true}
	}
	leans := w.figure(frame.StopSpace(l.Fillet, height), 1).U
	return Quantity{
		max(end.Bottom, end.Top+w.play()) + left.Value - end.Fillet,
		norm(left.U, leans, n*stopU, math.Sqrt(n)*w.set.House.Saw), true,
	}
}

// norm is the root of a sum of squares.
func norm(v ...float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum)
}

func judgedOpening(f Flag) Flag {
	return judgedBall(f, "between the spindles", "", "read the run again")
}

func judgedLast(f Flag) Flag {
	return judgedBall(f, "beside the upper post", " beside the upper post", "walk the spacer first (4 minutes), or measure ten spindles side by side")
}

// judgedBall holds an opening against the ball; settle is what would tell where it is unsure.
func judgedBall(f Flag, clear, passes, settle string) Flag {
	f.State = rules.Judge(f.Value, f.U, f.Limit)
	switch f.State {
	case rules.Clear:
		f.Text = fmt.Sprintf("no ball of %g mm passes %s", f.Limit, clear)
	case rules.Flag:
		f.Text = fmt.Sprintf("a ball of %g mm passes%s: add a spindle", f.Limit, passes)
	default:
		f.Text = "cannot tell yet: " + settle
	}
	return f
}

// meanPitch is (atan p + atan q)/2, in radians.
func meanPitch(x, grad []float64) float64 {
	if grad == nil {
		return (frame.BasePitch()(x, nil) + frame.RailPitch()(x, nil)) / 2
	}
	base := make([]float64, len(grad))
	v := (frame.BasePitch()(x, base) + frame.RailPitch()(x, grad)) / 2
	for i := range grad {
		grad[i] = (grad[i] + base[i]) / 2
	}
	return v
}

// stations are the places of the spindles in a plane: equal gaps between their
// thinnest widths, as package layout has them. On site the run found is shared
// out so, by a spacer walk; an error of the run does not all land on the last
// space.
func (w *worker) stations(p frame.Plane) []float64 {
	n := w.bay.Layout.Count
	foot := w.thin
	if foot == 0 {
		foot = w.width
	}
	foot /= 1 - p.BaseSlope*(p.LeanLower+p.LeanUpper)/2
	apart := (p.Run-float64(n)*foot)/float64(n+1) + foot
	at := make([]float64, n)
	for i := range at {
		at[i] = float64(i+1)*apart - foot/2
	}
	return at
}
