package report

import (
	"cmp"
	"encoding/json"
	"io"

	"pinchrod/calc/fit"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// The machine-readable answer. Names are a contract: extend, never rename.
type (
	jsonFindings struct {
		Job     string       `json:"job"`
		Flights []jsonFlight `json:"flights"`
		Bays    []jsonBay    `json:"bays"`
	}
	jsonFlight struct {
		Flight   string        `json:"flight"`
		Flags    []jsonFlag    `json:"flags"`
		Readings []jsonReading `json:"readings"`
		Steps    []jsonStep    `json:"steps"`
	}
	jsonStep struct {
		Step  int           `json:"step"`
		Rise  *jsonQuantity `json:"rise"`
		Going *jsonQuantity `json:"going"`
	}
	jsonBay struct {
		Bay      string        `json:"bay"`
		Adjusted jsonAdjusted  `json:"adjusted"`
		Chi2     *jsonChi2     `json:"chi2"`
		Readings []jsonReading `json:"readings"`
		Flags    []jsonFlag    `json:"flags"`
		Layout   *jsonLayout   `json:"layout"`
		Verdict  jsonVerdicts  `json:"verdict"`
		Again    []string      `json:"again"` // the readings to be settled before what hangs on them is cut
		Made     []jsonMade    `json:"made"`
	}
	jsonMade struct {
		ID      string         `json:"id"`
		Part    string         `json:"part"`
		Length  figure.Number  `json:"length"` // where the stop is measured
		Line    figure.Number  `json:"line"`   // along the line that needed lengths count along
		Spares  uint32         `json:"spares"`
		Recut   bool           `json:"recut"`
		ToFit   bool           `json:"to_fit"`
		Sheet   *string        `json:"sheet"`
		By      *string        `json:"by"`
		When    *string        `json:"when"`
		PAllFit *figure.Number `json:"p_all_fit"`
		Unknown *string        `json:"unknown"` // why it cannot be held against what is needed
		Pieces  []jsonOff      `json:"pieces"`
	}
	jsonOff struct {
		Number    int           `json:"number"`
		Predicted jsonQuantity  `json:"predicted"`
		Error     figure.Number `json:"error"`
		U         figure.Number `json:"u"` // of the error
	}
	jsonAdjusted struct {
		Run       *jsonQuantity `json:"run"`
		LeanLower *jsonQuantity `json:"lean_lower"`
		LeanUpper *jsonQuantity `json:"lean_upper"`
		BaseAngle *jsonQuantity `json:"base_angle"`
		RailAngle *jsonQuantity `json:"rail_angle"`
		GapBottom *jsonQuantity `json:"gap_bottom"`
		GapMiddle *jsonQuantity `json:"gap_middle"`
		GapTop    *jsonQuantity `json:"gap_top"`
		BowBase   *jsonQuantity `json:"bow_base"`
		BowRail   *jsonQuantity `json:"bow_rail"`
	}
	jsonQuantity struct {
		Value figure.Number `json:"value"`
		U     figure.Number `json:"u"`
	}
	jsonChi2 struct {
		Value figure.Number `json:"value"`
		DOF   int           `json:"dof"`
		P     figure.Number `json:"p"`
	}
	jsonReading struct {
		ID          string         `json:"id"`
		What        string         `json:"what"`
		At          *string        `json:"at"`
		Height      *figure.Number `json:"height,omitempty"`
		Value       figure.Number  `json:"value"`
		Residual    figure.Number  `json:"residual"`
		Redundancy  figure.Number  `json:"redundancy"`
		W           figure.Number  `json:"w"`
		Suspect     bool           `json:"suspect"`
		LikelyError *figure.Number `json:"likely_error"`
		Slip        *string        `json:"slip"`
		Predicted   *jsonQuantity  `json:"predicted"` // by the other readings
	}
	jsonFlag struct {
		Flag  string        `json:"flag"`
		State string        `json:"state"`
		Value figure.Number `json:"value"`
		U     figure.Number `json:"u"`
		Limit figure.Number `json:"limit"`
		Unit  string        `json:"unit"`
		Text  string        `json:"text"`
		From  string        `json:"from"` // where the limit comes from
	}
	jsonLayout struct {
		Count     int             `json:"count"`
		ClearGap  jsonQuantity    `json:"clear_gap"`
		WidestGap jsonQuantity    `json:"widest_gap"`
		LastGap   *jsonQuantity   `json:"last_gap"` // takes the sum of the fillets' errors
		Stations  []figure.Number `json:"stations"`
		Bevel     *jsonQuantity   `json:"bevel"`
	}
	jsonVerdicts struct {
		Spindles    *jsonVerdict `json:"spindles"`
		BaseFillets *jsonVerdict `json:"base_fillets"`
		RailFillets *jsonVerdict `json:"rail_fillets"`
	}
	jsonVerdict struct {
		Cut     string        `json:"cut"`
		Why     string        `json:"why"`
		Options []jsonOption  `json:"options"`
		Measure []jsonMeasure `json:"measure"`
	}
	jsonOption struct {
		Cut             string          `json:"cut"`
		PAllFit         figure.Number   `json:"p_all_fit"`
		PError          figure.Number   `json:"p_error"`
		Lengths         []figure.Number `json:"lengths"` // before rounding to what the saw can be set to
		Stops           []figure.Number `json:"stops"`   // as the saw is set
		Settings        int             `json:"settings"`
		Minutes         figure.Number   `json:"minutes"` // if all goes well
		ExpectedMinutes figure.Number   `json:"expected_minutes"`
		ExpectedTrims   figure.Number   `json:"expected_trims"`
		ExpectedRecuts  figure.Number   `json:"expected_recuts"`
	}
	jsonMeasure struct {
		What   string         `json:"what"`
		At     *string        `json:"at"`
		Height *figure.Number `json:"height,omitempty"`
		PAfter figure.Number  `json:"p_after"`
		Takes  figure.Number  `json:"takes_minutes"` // of it and those to take with it
		Saves  figure.Number  `json:"saves_minutes"`
		With   []jsonWith     `json:"with"` // those to take with it
	}
	jsonWith struct {
		What   string         `json:"what"`
		At     *string        `json:"at"`
		Height *figure.Number `json:"height,omitempty"`
	}
)

// JSON writes the machine-readable answer: lengths in mm, angles in degrees,
// leans in mm per m, u one standard uncertainty. What is not known is null.
func JSON(w io.Writer, f *asfound.Findings) error {
	out := jsonFindings{Job: f.Job, Flights: []jsonFlight{}, Bays: []jsonBay{}}
	for i := range f.Flights {
		fl := &f.Flights[i]
		j := jsonFlight{string(fl.Place), flagsJSON(fl.Flags), readingsJSON(fl.Results), []jsonStep{}}
		for _, s := range fl.Steps {
			j.Steps = append(j.Steps, jsonStep{s.Number, quantity(s.Rise), quantity(s.Going)})
		}
		out.Flights = append(out.Flights, j)
	}
	for i := range f.Bays {
		out.Bays = append(out.Bays, bayJSON(&f.Bays[i]))
	}
	return encode(w, out)
}

func bayJSON(b *asfound.Bay) jsonBay {
	a := b.Adjusted
	out := jsonBay{
		Bay: string(b.Place),
		Adjusted: jsonAdjusted{
			quantity(a.Run), quantity(a.LeanLower), quantity(a.LeanUpper), quantity(a.BaseAngle), quantity(a.RailAngle),
			quantity(a.GapBottom), quantity(a.GapMiddle), quantity(a.GapTop), quantity(a.BowBase), quantity(a.BowRail),
		},
		Readings: readingsJSON(b.Readings), Flags: flagsJSON(b.Flags),
		Verdict: jsonVerdicts{verdict(b.Spindles, b), verdict(b.BaseFillets, b), verdict(b.RailFillets, b)},
		Made:    madeJSON(b.Made), Again: []string{},
	}
	for _, r := range b.Again {
		out.Again = append(out.Again, r.String())
	}
	if c := b.Chi2; c != nil {
		out.Chi2 = &jsonChi2{figure.Number(c.Value), c.DOF, figure.Number(c.P)}
	}
	if l := b.Layout; l != nil {
		out.Layout = &jsonLayout{l.Count, *quantity(l.Clear), *quantity(l.Widest), quantity(l.Last), numbers(l.Stations), quantity(l.Bevel)}
	}
	return out
}

func quantity(q asfound.Quantity) *jsonQuantity {
	if !q.Known {
		return nil
	}
	return &jsonQuantity{figure.Number(q.Value), figure.Number(q.U)}
}

func numbers(v []float64) []figure.Number {
	out := make([]figure.Number, len(v))
	for i := range v {
		out[i] = figure.Number(v[i])
	}
	return out
}

func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func readingsJSON(results []asfound.Result) []jsonReading {
	out := []jsonReading{}
	for i := range results {
		out = append(out, reading(&results[i]))
	}
	return out
}

func reading(r *asfound.Result) jsonReading {
	out := jsonReading{
		ID: r.Ref.String(), What: string(r.Reading.What), At: text(r.Reading.At.String()), Value: figure.Number(r.Value),
		Residual: figure.Number(r.Residual), Redundancy: figure.Number(r.Redundancy), W: figure.Number(r.W), Suspect: r.Suspect, Slip: text(r.Slip),
		Predicted: quantity(r.Predicted()),
	}
	out.Height = height(&r.Reading)
	if r.Error.Known {
		e := figure.Number(r.Error.Value)
		out.LikelyError = &e
	}
	return out
}

func madeJSON(all []asfound.Made) []jsonMade {
	out := []jsonMade{}
	for i := range all {
		m := &all[i].Made
		j := jsonMade{
			ID: all[i].Ref.String(), Part: string(m.Part), Length: figure.Number(m.Length.MM()), Line: figure.Number(m.Line.MM()), Spares: m.Spares,
			Recut: m.Recut, ToFit: m.ToFit, Sheet: text(m.Sheet), By: text(m.By), When: text(m.When), Unknown: text(all[i].Unknown), Pieces: []jsonOff{},
		}
		if p := all[i].P; p.Known {
			v := figure.Number(p.Value)
			j.PAllFit = &v
		}
		for _, o := range all[i].Off {
			j.Pieces = append(j.Pieces, jsonOff{o.Number, *quantity(o.Predicted), figure.Number(o.Error), figure.Number(o.U)})
		}
		out = append(out, j)
	}
	return out
}

func flagsJSON(flags []asfound.Flag) []jsonFlag {
	out := []jsonFlag{}
	for _, f := range flags {
		out = append(out, jsonFlag{f.Name, string(f.State), figure.Number(f.Value), figure.Number(f.U), figure.Number(f.Limit), f.Unit, f.Text, f.From})
	}
	return out
}

func verdict(v *asfound.Verdict, b *asfound.Bay) *jsonVerdict {
	if v == nil {
		why := cmp.Or(NotYet(b), lines.Sentence(b.NoLayout), "No readings give the lengths yet.")
		return &jsonVerdict{Cut: string(fit.MeasureMore), Why: why, Options: []jsonOption{}, Measure: []jsonMeasure{}}
	}
	out := &jsonVerdict{Cut: string(v.Cut), Why: v.Why, Options: []jsonOption{}, Measure: []jsonMeasure{}}
	for _, o := range v.Options {
		out.Options = append(out.Options, jsonOption{
			string(o.Cut), figure.Number(o.P), figure.Number(o.PError), numbers(o.Lengths), numbers(o.Stops), o.Settings,
			figure.Number(o.Minutes), figure.Number(o.Expected), figure.Number(o.Trims), figure.Number(o.Recuts),
		})
	}
	for _, m := range v.Measure {
		j := jsonMeasure{
			What: string(m.Reading.What), At: text(m.Reading.At.String()), Height: height(&m.Reading), PAfter: figure.Number(m.PAfter),
			Takes: figure.Number(m.Takes), Saves: figure.Number(m.Saves), With: []jsonWith{},
		}
		for i := range m.With {
			if r := &m.With[i]; i > 0 { // the first is the reading itself
				j.With = append(j.With, jsonWith{string(r.What), text(r.At.String()), height(r)})
			}
		}
		out.Measure = append(out.Measure, j)
	}
	return out
}

type (
	jsonAdvice struct {
		Where   string         `json:"where"`
		What    string         `json:"what"`
		At      *string        `json:"at"`
		Height  *figure.Number `json:"height,omitempty"`
		Minutes figure.Number  `json:"minutes"`
		Worth   figure.Number  `json:"worth"` // minutes it is expected to save
		Gains   []string       `json:"gains"`
	}
	jsonOpen struct {
		Where     string   `json:"where"`
		Missing   []string `json:"missing"`
		Suspect   []string `json:"suspect"`
		Unsure    []string `json:"unsure"`
		Unchecked []string `json:"unchecked"`
		OutOfTrue []string `json:"out_of_true"`
	}
)

// height of a reading above the base rail, nil where its kind has none.
func height(r *survey.Reading) *figure.Number {
	if k := r.Kind(); k == nil || !k.Height {
		return nil
	}
	h := figure.Number(r.Height.MM())
	return &h
}

// AdviseJSON writes which readings to take next, for scripts.
func AdviseJSON(w io.Writer, f *asfound.Findings) error {
	out := struct {
		Job    string       `json:"job"`
		Advise []jsonAdvice `json:"advise"`
	}{f.Job, []jsonAdvice{}}
	for _, p := range f.Proposals() {
		j := jsonAdvice{Where: string(p.Reading.Where), What: string(p.Reading.What), At: text(p.Reading.At.String()),
			Minutes: figure.Number(p.Minutes), Worth: figure.Number(p.Worth), Gains: list(p.Gains)}
		j.Height = height(&p.Reading)
		out.Advise = append(out.Advise, j)
	}
	return encode(w, out)
}

// LeaveJSON writes the end-of-visit check, for scripts.
func LeaveJSON(w io.Writer, job string, open []asfound.Open) error {
	out := struct {
		Job  string     `json:"job"`
		Open []jsonOpen `json:"open"`
	}{job, []jsonOpen{}}
	for i := range open {
		o := &open[i]
		j := jsonOpen{Where: string(o.Place), Missing: []string{}, Suspect: list(o.Suspect), Unsure: list(o.Unsure), Unchecked: list(o.Unchecked), OutOfTrue: list(o.Up)}
		for _, m := range o.Missing {
			j.Missing = append(j.Missing, m.Title())
		}
		out.Open = append(out.Open, j)
	}
	return encode(w, out)
}

// list is never null.
func list(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func encode(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(v)
}
