package drawing

import (
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/pieces"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
)

// Bevel is a cut of one sort of piece, from a square one.
type Bevel struct {
	Bay       survey.Place
	Of        string           // which pieces and which end
	Angle     asfound.Quantity // degrees; + where the cut rises away from the lower post
	Low, High float64          // over the pieces of a set, degrees; both 0 where that is not known
	Width     float64          // of the piece, mm; 0 where it was not read
}

// SquareEnds tells which ends of a kind of piece are left square, the lower first.
type SquareEnds func(pieces.Kind) [2]bool

// Bevels are the cuts of a bay's pieces, each the mean of its set; those that a
// saw's dial shows alike are one. Ends that are left square have none; square may
// be nil where there are no such ends. The uncertainty is that of the mean pitch,
// which all of them follow.
func Bevels(b *asfound.Bay, square SquareEnds) []Bevel {
	l := b.Layout
	if l == nil {
		return nil
	}
	if len(l.Spindles) == 0 {
		if !l.Bevel.Known {
			return nil
		}
		return []Bevel{{Bay: b.Place, Of: "spindles, mean pitch of the rails", Angle: l.Bevel, Width: l.Width}}
	}
	var out []Bevel
	for _, set := range []struct {
		of    string
		list  []pieces.Piece
		end   int
		width float64
	}{
		{"spindles, foot", l.Spindles, 0, l.Width},
		{"spindles, head", l.Spindles, 1, l.Width},
		{"base fillets, downhill end", l.BaseFillets, 0, 0},
		{"base fillets, uphill end", l.BaseFillets, 1, 0},
		{"rail fillets, downhill end", l.RailFillets, 0, 0},
		{"rail fillets, uphill end", l.RailFillets, 1, 0},
	} {
		if len(set.list) == 0 || square != nil && square(set.list[0].Kind)[set.end] {
			continue
		}
		bv := Bevel{Bay: b.Place, Of: set.of, Low: math.Inf(1), High: math.Inf(-1), Width: set.width}
		sum := 0.0
		for _, p := range set.list {
			d := p.Ends[set.end].Bevel * 180 / math.Pi
			sum += d
			bv.Low, bv.High = min(bv.Low, d), max(bv.High, d)
		}
		bv.Angle = figure.Known(sum/float64(len(set.list)), l.Bevel.U)
		if i := slices.IndexFunc(out, bv.alike); i >= 0 {
			out[i].Of += "; " + bv.Of
			out[i].Low, out[i].High = min(out[i].Low, bv.Low), max(out[i].High, bv.High)
			continue
		}
		out = append(out, bv)
	}
	return out
}

// alike tells whether a saw's dial, which is read to 0.1° (common practice, no
// source), shows two bevels as one.
func (bv Bevel) alike(o Bevel) bool {
	return figure.Fixed(bv.Angle.Value, 1) == figure.Fixed(o.Angle.Value, 1)
}

// steepest is the largest bevel that is drawn: beyond it the cut runs along the
// piece.
const steepest = 80.0

// checkBar is how long the check bars are, from tick to tick, and in words: 100 mm, or
// 4 in where the job's units are inches.
func checkBar(r figure.Rule) (long, tick float64, says string) {
	if r.Inches {
		return 4 * figure.Inch, figure.Inch / 2, "4 in"
	}
	return 100, 10, "100 mm"
}

// Template draws a bevel at its full size, upright, with a bar of 100 mm or 4 in
// each way to check the print by. One that falls is drawn as it rises: it is the
// same cut with the other face of the piece up.
func Template(bv Bevel, s Sheet) scene.Page {
	what := "bevel, full size"
	if bv.Bay != "" {
		what = fmt.Sprintf("bay %s, %s", bv.Bay, what)
	}
	b := newSheet(s, what, "1:1", true)
	z := b.zone
	z.y0 = b.instructions(z, bv)
	b.bars(scene.Point{X: z.x1 - 6, Y: z.y1 - 6})
	if deg := math.Abs(bv.Angle.Value); bv.Angle.Known && deg <= steepest {
		b.bevel(z, scene.Point{X: z.x0 + 34, Y: z.y1 - 62}, deg, bv.Width)
	} else {
		b.text(scene.Text{At: scene.Point{X: z.x0, Y: z.middle().Y}, S: "No bevel that a saw cuts: nothing is drawn.", H: medium})
	}
	_, _, long := checkBar(s.Rule)
	desc := "A bevel at its full size, with check bars of " + long + ": " + bv.Of
	if bv.Angle.Known {
		desc += ", " + figure.Of(bv.Angle, "°") + " from square"
	}
	return finish(s, picture{what: what, desc: desc + "."}, b, true)[0]
}

// instructions say how to print the sheet, and the angle as the saw's dial, as a
// sliding bevel and as a steel square have it. They end at y.
func (b *board) instructions(z rect, bv Bevel) (y float64) {
	y = z.y0
	say := func(h float64, bold bool, text string) {
		for _, l := range scene.Wrap(text, h, bold, z.w()) {
			b.text(scene.Text{At: scene.Point{X: z.x0, Y: y + h*above}, S: l, H: h, Bold: bold})
			y += h * leading
		}
	}
	say(medium, true, "Print at actual size, 100 %, not “fit to page”.")
	_, _, long := checkBar(b.rule)
	say(medium, true, "Measure both bars first: unless each is exactly "+long+", scrap the sheet.")
	y += 3
	deg := bv.Angle.Value
	if !bv.Angle.Known || !(math.Abs(deg) <= 90) {
		return y
	}
	dial := figure.Fixed(math.Abs(deg), 1)
	say(large, true, fmt.Sprintf("%s° on the saw's dial, %s° on a bevel gauge", dial, figure.Fixed(90-math.Abs(deg), 1)))
	exact := figure.Of(figure.Known(math.Abs(deg), bv.Angle.U), "°") + " from square"
	if low, high := bv.Low, bv.High; finite(low, high) && high-low >= 0.05 {
		if high <= 0 {
			low, high = -high, -low
		}
		exact += fmt.Sprintf(", the mean of %s° to %s°: the cutting sheet has each", figure.Fixed(low, 1), figure.Fixed(high, 1))
	}
	say(medium, false, exact)
	say(medium, false, "For "+bv.Of+".")
	if deg < 0 && dial != figure.Fixed(0, 1) { // a square cut neither rises nor falls
		say(medium, true, "It falls up the stair: lay the piece with its other face up.")
	}
	if math.Abs(deg) < 89 {
		t := math.Abs(math.Tan(deg * math.Pi / 180))
		ratio := fmt.Sprintf("rise : going = %s : 1000", figure.Fixed(1000*t, 1))
		if t > 1e-3 {
			ratio += fmt.Sprintf(" = 1 : %.3f", 1/t)
		}
		say(medium, false, ratio)
	}
	return y + 2
}

// bars are the check bars, to the left and up from a corner.
func (b *board) bars(corner scene.Point) {
	thick := scene.Pen{Weight: scene.W35}
	bar, tick, says := checkBar(b.rule)
	for _, dir := range []scene.Point{{X: -1}, {Y: -1}} {
		b.line(corner, corner.Add(dir.Mul(bar)), thick)
		n := int(math.Round(bar / tick))
		for i := range n + 1 {
			half := 1.0
			if i%(n/2) == 0 {
				half = 2.5
			}
			at, side := corner.Add(dir.Mul(float64(i)*tick)), dir.Turned().Mul(half)
			b.line(at.Sub(side), at.Add(side), thick)
		}
	}
	const off = 4.0 // of the words, and past the long tick in the middle
	b.text(scene.Text{At: scene.Point{X: corner.X - bar/2 - 12, Y: corner.Y - off}, S: "check bar " + says, H: small, Anchor: scene.Middle})
	b.text(scene.Text{At: scene.Point{X: corner.X - off, Y: corner.Y - bar/2 - 12}, S: "check bar " + says, H: small, Anchor: scene.Middle, Angle: 90})
}

// Lengths of the lines a sliding bevel is laid to, mm.
const (
	edgeLong  = 112.0
	bladeLong = 150.0
	backLong  = 22.0
)

// bevel draws the edge of a piece w mm wide up from v, the square cut and the
// one deg degrees off it.
func (b *board) bevel(z rect, v scene.Point, deg, w float64) {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	along, up := scene.Point{X: cos, Y: -sin}, scene.Point{Y: -1}
	// The lines keep to the sheet, and off the upright bar.
	edge := min(edgeLong, v.Y-z.y0-2)
	blade := min(bladeLong, (z.x1-26-v.X)/max(cos, 1e-3), (v.Y-z.y0-4)/max(sin, 1e-3))
	const words = 60 // of the blade's length, at its end, with room
	if w > 0 && w <= 80 && w/cos < blade-words {
		far := v.Add(along.Mul(w / cos))
		top := min(v.Y-edge+10, far.Y-10)
		b.page.Add(scene.Poly{Points: []scene.Point{v, far, {X: far.X, Y: top}, {X: v.X, Y: top}}, Closed: true, Fill: scene.Pale})
		b.line(far, scene.Point{X: far.X, Y: top}, narrow)
		b.text(scene.Text{At: scene.Point{X: v.X + w/2, Y: top + small*2}, S: b.rule.With(b.rule.Tolerance(w)), H: small, Anchor: scene.Middle})
	}
	b.line(v.Sub(up.Mul(backLong)), v.Add(up.Mul(edge)), narrow)
	b.line(v.Sub(along.Mul(backLong)), v.Add(along.Mul(blade)), narrow)
	b.text(scene.Text{At: v.Add(up.Mul(edge - 2)).Add(scene.Point{X: -1.5}), S: "edge of the piece: the stock lies here", H: small, Anchor: scene.End, Angle: 90})
	b.text(scene.Text{At: v.Add(along.Mul(blade - 1)).Add(along.Turned().Mul(1.5)), S: "cut: the blade lies here", H: small, Anchor: scene.End, Angle: deg})
	if deg >= 3 { // else they are one line
		b.line(v, v.Add(scene.Point{X: 64}), trueTo)
		b.text(scene.Text{At: v.Add(scene.Point{X: 64, Y: small + 1.5}), S: "square", H: small, Anchor: scene.End})
	}
	arc := func(r, from, to float64) {
		b.page.Add(scene.Arc{Centre: v, R: r, From: from, To: to, Pen: narrow})
		sin, cos := math.Sincos((from + to) / 2 * math.Pi / 180)
		at := v.Add(scene.Point{X: (r + 2) * cos, Y: small/2 - (r+2)*sin})
		b.backed(scene.Text{At: at, S: figure.Fixed(to-from, 1) + "°", H: small, Bold: true})
	}
	if deg >= 12 { // the figure has room
		arc(34, 0, deg)
	}
	arc(16, deg, 90)
}
