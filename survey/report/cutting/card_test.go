package cutting

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/frame"
	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
)

// onRail makes a sheet that knows the pieces of a plane.
func onRail(t testing.TB, b frame.Plane, at []float64, width float64) *Sheet {
	t.Helper()
	l := &asfound.Layout{Width: width}
	l.Stations = at
	var err error
	if l.Spindles, err = pieces.Spindles(b, at, width); err != nil {
		t.Fatal(err)
	}
	if l.BaseFillets, err = pieces.BaseFillets(b, at, width, 8); err != nil {
		t.Fatal(err)
	}
	return &Sheet{found: &asfound.Bay{Layout: l}}
}

// A rail of a 3-4-5 triangle and plumb posts: the lower face of spindle n is at its
// station less 20 on the level, and that by 5/4 up the rail.
func TestAlongRailByHand(t *testing.T) {
	at := []float64{104, 228, 352}
	s := onRail(t, frame.Plane{Run: 476, BaseSlope: 0.75, RailSlope: 0.75, Gap: 700}, at, 40)
	for i, want := range []float64{105, 260, 415} {
		if got := s.alongRail(i + 1); !calctest.Near(got, want, 1e-9) {
			t.Errorf("spindle %d: %.6f mm, want %g", i+1, got, want)
		}
	}
}

// The distance is the one between the points where the faces meet the rail, found
// here by halving, whatever leans and however steep: the lower post's is the origin.
// Along a bowed rail a tape has the arc and the fillets its chords, which are
// shorter by 8·bow²/(3·run)/n², 0.3 mm for 10 mm in 1 m at n = 1.
func TestAlongRail(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lean := rapid.Float64Range(-0.03, 0.03)
		b := frame.Plane{Run: 1200, Gap: 800, BaseSlope: rapid.Float64Range(-1.4, 1.4).Draw(rt, "slope"), LeanLower: lean.Draw(rt, "lower"), LeanUpper: lean.Draw(rt, "upper")}
		b.RailSlope = b.BaseSlope
		tol := 1e-6
		if rapid.Bool().Draw(rt, "bowed") {
			b.BowBase = rapid.Float64Range(-10, 10).Draw(rt, "bow")
			tol = 0.3
		}
		at := []float64{150, 300, 450, 600, 750, 900, 1050}
		width := rapid.Float64Range(20, 60).Draw(rt, "width")
		s := onRail(t, b, at, width)
		for n := 1; n <= len(at); n++ {
			// The face is width/2 square off the centre line, which leaves the rail at
			// the station and leans: x = x0 + lean·(y − y0).
			tan := b.LeanAt(at[n-1])
			cos := 1 / math.Hypot(1, tan)
			x0, y0 := at[n-1]-width/2*cos, b.Base(at[n-1])+width/2*tan*cos
			low, high := at[n-1]-140, at[n-1]+140
			for range 80 {
				mid := (low + high) / 2
				if mid < x0+tan*(b.Base(mid)-y0) {
					low = mid
				} else {
					high = mid
				}
			}
			want := 0.0 // the arc from the lower post to there
			const parts = 2000
			for i := range parts {
				p, q := low*float64(i)/parts, low*float64(i+1)/parts
				want += math.Hypot(q-p, b.Base(q)-b.Base(p))
			}
			if got := s.alongRail(n); !calctest.Near(got, want, tol) {
				rt.Errorf("spindle %d: %.4f mm, want %.4f", n, got, want)
			}
		}
	})
}

// leaning is a bay of 1437 mm whose posts both lean back by 12 mm in 1000, at 41°. A
// spindle that leans so between rails 800 mm apart, plumb, is
// 800·√(1 + 0.012²)/(1 + 0.012·tan 41°) = 791.8 mm long.
const leaning = `where,what,at,height,value
F1/left,spindle-section,,,41 x 41 mm
F1/left,fillet-section,,,41 x 8 mm
F1/left,run,,0,1437
F1/left,run,,350,1437
F1/left,run,,700,1437
F1/left,lean-along,lower,,-12 mm in 1000 mm
F1/left,lean-along,upper,,-12 mm in 1000 mm
F1/left,lean-along,lower,,-12 mm in 1000 mm
F1/left,lean-along,upper,,-12 mm in 1000 mm
F1/left,base-angle,bottom,,41 deg
F1/left,rail-angle,bottom,,41 deg
F1/left,base-angle,middle,,41 deg
F1/left,rail-angle,middle,,41 deg
F1/left,base-angle,top,,41 deg
F1/left,rail-angle,top,,41 deg
F1/left,gap,bottom,,800
F1/left,gap,middle,,800
F1/left,gap,top,,800
F1/left,trial,bottom,,791.8
F1/left,trial,359,,791.8
F1/left,trial,middle,,791.8
F1/left,trial,1078,,791.8
F1/left,trial,top,,791.8
F1/left,bow-base,middle,,0
F1/left,bow-rail,middle,,0
F1/left,frame-diagonal,rising,,2497.3
F1/left,frame-diagonal,falling,,1514.7
`

// The halfway check of a leaning bay is a length that a tape on the rail shows: up
// the rail by its pitch from the lower post, where the foot's lower face meets it.
func TestHalfwayOfALeaningBay(t *testing.T) {
	s := one(t, leaning, asfound.Defaults())
	l := s.found.Layout
	half := (l.Count + 1) / 2
	// The face is 20.5 square off the centre line, which a lean l moves up the level
	// to 20.5·√(1+l²)/(1 − p·l); and 1/cos of the pitch along the rail.
	a := s.found.Adjusted
	if lean := a.LeanLower.Value; !(math.Abs(lean+12) < 1) {
		t.Fatalf("the lower post leans %.1f mm/m, want about -12", lean)
	}
	pitch := a.BaseAngle.Value * math.Pi / 180
	lean := (a.LeanLower.Value + (a.LeanUpper.Value-a.LeanLower.Value)*l.Stations[half-1]/a.Run.Value) / 1000
	want := (l.Stations[half-1] - 20.5*math.Hypot(1, lean)/(1-math.Tan(pitch)*lean)) / math.Cos(pitch)
	card := strings.Join(allSteps(s), "\n")
	m := regexp.MustCompile(`Halfway, measure along the base rail from the lower post to the foot of (S\d+), to its downhill side: (\d+) mm`).FindStringSubmatch(card)
	if m == nil {
		t.Fatalf("no halfway check on the card:\n%s", card)
	}
	if m[1] != id(pieces.Spindle, half) || m[2] != fmt.Sprintf("%.0f", want) {
		t.Errorf("%s at %s mm, want %s at %.0f mm", m[1], m[2], id(pieces.Spindle, half), want)
	}
}

func allSteps(s *Sheet) (out []string) {
	for _, p := range s.Card() {
		out = append(out, p.Steps...)
	}
	return out
}

// A piece that is cut again is written down as such, and the card says how the
// spindles of a walk are held.
func TestHowPiecesAreHeld(t *testing.T) {
	card := strings.Join(allSteps(one(t, leaning, asfound.Defaults())), "\n")
	for _, want := range []string{"Cut that one again until it fits", "made --bay F1/left --part spindle --recut NUMBER --length MM", "a spindle held to its lean between each two"} {
		if !strings.Contains(card, want) {
			t.Errorf("the card does not say %q:\n%s", want, card)
		}
	}
	if strings.Contains(card, "book as a fit") {
		t.Errorf("the card has a leaning piece put down as a fit:\n%s", card)
	}
}

// House figures are told to the hundredth that they can be set to.
func TestHouseFigures(t *testing.T) {
	set := asfound.Defaults()
	for name, v := range map[string]string{"short": "1.25", "long": "0.75"} {
		if err := set.Set(name, v); err != nil {
			t.Fatal(err)
		}
	}
	s := one(t, whole(t), set)
	if how := strings.Join(s.How(), " "); !strings.Contains(how, "up to 1.25 mm too short or 0.75 mm too long still fits") {
		t.Errorf("how: %q", how)
	}
	if card := strings.Join(allSteps(s), "\n"); !strings.Contains(card, "Up to 1.25 mm too short or 0.75 mm too long still fits") {
		t.Errorf("card:\n%s", card)
	}
}
