package asfound

import (
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pinchrod/calc/flight"
	"pinchrod/calc/rules"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// trueFlight is a synthetic flight of known shape.
type trueFlight struct {
	st    flight.Steps
	steps []float64 // rises, then goings, mm
	plan  []float64 // the unknowns of calc/flight's plan, mm
}

func randomFlight(rng *rand.Rand) trueFlight {
	n := 8 + rng.IntN(7)
	f := trueFlight{st: flight.Steps{Rises: n, Goings: n - 1}}
	rise, going := 185+25*rng.Float64(), 225+30*rng.Float64()
	for range n {
		f.steps = append(f.steps, rise+1.5*rng.NormFloat64())
	}
	for range n - 1 {
		f.steps = append(f.steps, going+1.5*rng.NormFloat64())
	}
	// One step in most flights stands out, by anything up to 15 mm.
	f.steps[rng.IntN(len(f.steps))] += 15 * (2*rng.Float64() - 1)
	w, l := 780+200*rng.Float64(), 2000+2000*rng.Float64()
	swing, taper := 20*rng.NormFloat64(), 4*rng.NormFloat64()
	f.plan = []float64{w, swing, l + 3*rng.NormFloat64(), w + swing + taper, l + 3*rng.NormFloat64()}
	return f
}

// readings takes every reading of the flight with the house kit, off at random;
// with a nil rng they are exact.
func (f trueFlight) readings(rng *rand.Rand) []survey.Reading {
	var rows []survey.Reading
	add := func(what survey.What, at survey.At, v float64) {
		r := survey.Reading{Where: "F1", What: what, At: at, Value: survey.Quantity{Measure: survey.Length}}
		r.Value.N[0] = int64(unit.FromMM(v))
		u, err := r.StandardU(survey.HouseKit)
		if err != nil {
			panic(err)
		}
		if rng != nil {
			r.Value.N[0] = int64(unit.FromMM(v + u*rng.NormFloat64()))
		}
		rows = append(rows, r)
	}
	at := func(m survey.Mark) survey.At { return survey.At{Mark: m} }
	step := func(n int) survey.At { return survey.At{Mark: survey.Step, N: int64(n)} }
	for n := 1; n <= f.st.Rises; n++ {
		add(survey.Rise, step(n), f.st.One(flight.Rise, n)(f.steps, nil))
	}
	for n := 1; n <= f.st.Goings; n++ {
		add(survey.Going, step(n), f.st.One(flight.Going, n)(f.steps, nil))
	}
	add(survey.TotalRise, survey.At{}, f.st.Total(flight.Rise)(f.steps, nil))
	add(survey.TotalGoing, survey.At{}, f.st.Total(flight.Going)(f.steps, nil))
	add(survey.Width, at(survey.Bottom), flight.Width(flight.Bottom)(f.plan, nil))
	add(survey.Width, at(survey.Top), flight.Width(flight.Top)(f.plan, nil))
	add(survey.Side, at(survey.Left), flight.Side(false)(f.plan, nil))
	add(survey.Side, at(survey.Right), flight.Side(true)(f.plan, nil))
	add(survey.Diagonal, at(survey.Rising), flight.Diagonal(true)(f.plan, nil))
	add(survey.Diagonal, at(survey.Falling), flight.Diagonal(false)(f.plan, nil))
	return rows
}

// figure is what a flag's figure is in truth.
func (f trueFlight) figure(fl Flag) (float64, bool) {
	words := strings.Fields(fl.Of)
	step := 0
	for i, w := range words {
		if w == "step" && step == 0 {
			step, _ = strconv.Atoi(words[i+1])
		}
	}
	part := flight.Rise
	if strings.HasPrefix(fl.Name, "going") {
		part = flight.Going
	}
	of := map[string]flight.Equation{
		"rise": f.st.One(part, step), "going": f.st.One(part, step), "stride": f.st.Stride(step), "pitch": f.st.Pitch(step),
		"rise-neighbour": f.st.AgainstNeighbour(part, step), "going-neighbour": f.st.AgainstNeighbour(part, step),
		"rise-mean": f.st.AgainstMean(part, step), "going-mean": f.st.AgainstMean(part, step),
	}
	switch fl.Name {
	case "pitch":
		return of["pitch"](f.steps, nil) / degree, true
	case "swing":
		return flight.Swing()(f.plan, nil), true
	case "taper":
		return flight.Taper()(f.plan, nil), true
	case "corner":
		at := map[string]flight.Corner{"bottom left": 0, "bottom right": 1, "top left": 2, "top right": 3}
		return flight.Angle(at[words[0]+" "+words[1]])(f.plan, nil)/degree - 90, true
	}
	if eq := of[fl.Name]; eq != nil {
		return eq(f.steps, nil), true
	}
	return 0, false
}

// Over flights of known truth a figure that breaks its limit by 3u is never
// clear (it would have to be read 4.6u too good), and of those that are more
// than 2u within at most 1 % are flagged (read 3.6u too bad).
func TestSimulationFlights(t *testing.T) {
	const flights = 400
	rng := rand.New(rand.NewPCG(20261125, 3))
	profiles := rules.Profiles()
	broken, within, flagged := 0, 0, 0
	for i := range flights {
		set := Defaults()
		var err error
		if set.Profile, err = rules.Named(profiles[i%len(profiles)]); err != nil {
			t.Fatal(err)
		}
		f := randomFlight(rng)
		w := workFlight(&Flight{Place: "F1"}, set, bookOf(f.readings(rng)).Entries, nil)
		if w.stepsSight == nil || w.planSight == nil {
			t.Fatalf("flight %d was not worked out: %v", i, w.f.Notes)
		}
		seen := append([]Flag{}, w.judged...)
		for _, fl := range w.f.Flags {
			if _, ok := f.figure(fl); ok && slices.Contains([]string{"corner", "swing", "taper"}, fl.Name) {
				seen = append(seen, fl)
			}
		}
		for _, fl := range seen {
			y, ok := f.figure(fl)
			if !ok {
				t.Fatalf("flag %s, %q: no figure of the truth", fl.Name, fl.Of)
			}
			switch inside := min(y-fl.low, fl.high-y); {
			case inside < -3*fl.U:
				broken++
				if fl.State == rules.Clear {
					t.Errorf("flight %d: %s is %.2f in truth, allowed %.1f to %.1f, and was read %.2f ± %.2f: clear", i, fl.Of, y, fl.low, fl.high, fl.Value, 2*fl.U)
				}
			case inside > 2*fl.U:
				within++
				if fl.State == rules.Flag {
					flagged++
				}
			}
		}
	}
	if broken < 200 || within < 5000 {
		t.Fatalf("%d broken and %d within: too few to tell", broken, within)
	}
	if share := 100 * float64(flagged) / float64(within); share > 1 {
		t.Errorf("%.2f %% of what is clear in truth is flagged, want at most 1", share)
	}
	t.Logf("%d broken by 3u, none of them clear; %d of %d clear ones flagged", broken, flagged, within)
}

// The direction is said as a person on the stair would: to the well, where the
// bays tell which side that is.
func TestSwingIsToTheWell(t *testing.T) {
	f := trueFlight{st: flight.Steps{}, plan: []float64{840, -90, 3500, 750, 3500}}
	rows := f.readings(nil)[2:] // no steps, so no totals
	for bay, want := range map[survey.Place]string{"F1/left": "to the well", "F1/right": "from the well", "F1/a": "to the left"} {
		fl := &Flight{Place: "F1"}
		workFlight(fl, Defaults(), bookOf(rows).Entries, []survey.Place{bay})
		text := ""
		for _, x := range fl.Flags {
			if x.Name == "swing" {
				text = x.Text
			}
		}
		if !strings.Contains(text, want) || !strings.Contains(text, "90 mm") {
			t.Errorf("with bay %s: %q, want 90 mm %s", bay, text, want)
		}
	}
}

// A total that was misread by a whole 100 is found by the steps, and the steps
// that were not read take no one's place.
func TestClosure(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	f := randomFlight(rng)
	rows := f.readings(rng)
	for i := range rows {
		if rows[i].What == survey.TotalRise {
			rows[i].Value.N[0] += 100_000
		}
	}
	fl := &Flight{Place: "F1"}
	workFlight(fl, Defaults(), bookOf(rows).Entries, nil)
	var names []string
	for _, x := range fl.Flags {
		if x.State == rules.Flag {
			names = append(names, x.Name)
		}
	}
	got := strings.Join(names, " ")
	if !strings.Contains(got, "slip") || !strings.Contains(got, "closure-rise") {
		t.Errorf("flags up: %s; want a slip and the closure", got)
	}
	for _, r := range fl.Results {
		if r.Suspect && (r.Reading.What != survey.TotalRise && len(r.Rivals) == 0 || r.Slip == "") {
			t.Errorf("suspect %s with slip %q, want the total by a whole 100 mm", r.Reading.Title(), r.Slip)
		}
	}
	var some []survey.Reading
	for _, r := range f.readings(rng) {
		if r.What != survey.Rise || r.At.N != 3 && r.At.N != 5 {
			some = append(some, r)
		}
	}
	fl = &Flight{Place: "F1"}
	workFlight(fl, Defaults(), bookOf(some).Entries, nil)
	if fl.Steps[2].Rise.Known || fl.Steps[4].Rise.Known || !fl.Steps[3].Rise.Known {
		t.Errorf("steps 3 and 5 were not read: %+v", fl.Steps[:5])
	}
}
