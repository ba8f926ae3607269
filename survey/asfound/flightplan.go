package asfound

import (
	"errors"
	"fmt"
	"math"
	"pinchrod/calc/adjust"
	"pinchrod/calc/flight"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"slices"
)

// plan adjusts widths, sides and diagonals together as a quadrilateral.
func (w *flightWorker) plan() {
	var pr flight.PlanReadings
	obs := w.observations(func(r *survey.Reading) flight.Equation {
		v := r.Value.Value()
		switch r.What {
		case survey.Width:
			switch r.At.Mark {
			case survey.Middle:
				pr.WidthMiddle = v
			case survey.Top:
				pr.WidthTop = v
			default:
				pr.WidthBottom = v
			}
			return flight.Width(widthPlace(r.At.Mark))
		case survey.Side:
			if r.At.Mark == survey.Right {
				pr.SideRight = v
				return flight.Side(true)
			}
			pr.SideLeft = v
			return flight.Side(false)
		case survey.Diagonal:
			if r.At.Mark == survey.Rising {
				pr.DiagonalRising = v
				return flight.Diagonal(true)
			}
			pr.DiagonalFalling = v
			return flight.Diagonal(false)
		}
		return nil
	})
	if len(obs) < 2 {
		return
	}
	if pr.SideLeft == 0 && pr.SideRight == 0 && pr.DiagonalRising == 0 && pr.DiagonalFalling == 0 {
		w.widths()
		return
	}
	start, err := flight.Start(pr)
	if errors.Is(err, flight.ErrTriangle) {
		w.flag(Flag{Name: "plan", State: rules.Flag, Unit: "", Of: "widths, sides and diagonals of the flight",
			From: "three lengths of a plan close a triangle", Text: err.Error() + ": one of them was misread, so read all three again"})
		return
	}
	if err != nil {
		w.note("the plan could not be adjusted: %v", err)
		return
	}
	for i := range obs {
		r := &obs[i].entry.Reading
		switch r.What {
		case survey.Side:
			obs[i].others = []alternative{{"the other side", flight.Side(r.At.Mark == survey.Left)}}
		case survey.Diagonal:
			obs[i].others = []alternative{{"the other diagonal", flight.Diagonal(r.At.Mark != survey.Rising)}}
		}
	}
	weak := []flight.Observation{
		{U: unreadSkew, Model: flight.Swing()}, {U: unreadSkew, Model: flight.Taper()}, {U: unreadSkew, Model: flight.EndsSkew()},
	}
	if pr.WidthBottom == 0 && pr.WidthTop == 0 {
		// Then the readings know the square of the taper only, which no weak
		// prior is judged by.
		obs = append(obs, observation{u: unreadSkew, scale: 1, eq: flight.Taper(), prior: true})
	}
	s, err := w.solve(obs, start, weak)
	if errors.Is(err, adjust.ErrUndetermined) {
		w.note("the plan needs a width and a side, or a diagonal, more to be worked out")
		return
	}
	if err != nil {
		w.note("the plan could not be adjusted: %v", err)
		return
	}
	w.planSight = &sight{s, obs, weak}
	get := func(eq flight.Equation, scale float64) Quantity { return figureOf(s, weak, eq, scale) }
	p := &Plan{Swing: get(flight.Swing(), 1), Taper: get(flight.Taper(), 1), Skew: get(flight.TopSkew(), 1)}
	for c := flight.BottomLeft; c <= flight.TopRight; c++ {
		p.Corners[c] = get(flight.Angle(c), 1/degree)
	}
	w.f.Plan = p
	w.square(p, get)
}

func widthPlace(m survey.Mark) flight.Place {
	switch m {
	case survey.Middle:
		return flight.Middle
	case survey.Top:
		return flight.Top
	}
	return flight.Bottom
}

// square judges the plan. An end out of square by d opens a joint of a base
// rail's width there by w·tan d, as at a spindle, so the limit of a corner is
// atan(j/w), and that of swing and taper the same over the flight's length.
func (w *flightWorker) square(p *Plan, get func(flight.Equation, float64) Quantity) {
	limit := rules.AngleLimit(w.set.Joint, defaultWidth)
	from := fmt.Sprintf("a %.1f mm joint over a rail taken as %d mm wide", w.set.Joint, defaultWidth)
	names := [4]string{"bottom left", "bottom right", "top left", "top right"}
	worst := -1
	for c, q := range p.Corners {
		if q.Known && (worst < 0 || math.Abs(q.Value-90) > math.Abs(p.Corners[worst].Value-90)) {
			worst = c
		}
	}
	swings := func(v float64) string {
		side := pick(v, "right", "left")
		switch w.well {
		case "":
			return "to the " + side
		case side:
			return "to the well"
		}
		return "from the well"
	}
	if worst >= 0 {
		q := p.Corners[worst]
		q.Value -= 90
		w.flag(judged(flagOf{
			name: "corner", q: q, limit: limit / degree, unit: "°", from: from,
			of:    names[worst] + " corner in plan, less 90°",
			clear: "the flight is square in plan",
			flag: func(v float64) string {
				return fmt.Sprintf("the %s corner is %s than square: scribe what meets it there", names[worst], pick(v, "wider", "sharper"))
			},
			settle: "read both diagonals again",
		}))
	}
	length := (get(flight.Side(false), 1).Value + get(flight.Side(true), 1).Value) / 2
	along := from + fmt.Sprintf(", along %.0f mm", length)
	if p.Swing.Known && length > 0 {
		f := judged(flagOf{
			name: "swing", q: p.Swing, limit: length * math.Tan(limit), unit: "mm", from: along,
			of:    "middle of the top end off the square line from the bottom, + to the right",
			clear: "the top end stands over the bottom end",
			flag: func(v float64) string {
				return fmt.Sprintf("the top end swings %.0f mm %s: set the rails out from the strings, not from the walls", math.Abs(v), swings(v))
			},
			settle: "read both diagonals again",
		})
		if f.State == rules.Clear {
			f.Text = fmt.Sprintf("the top end swings %.0f mm %s", math.Abs(f.Value), swings(f.Value))
		}
		w.flag(f)
	}
	if p.Taper.Known && length > 0 {
		w.flag(taper(p.Taper, length*math.Tan(limit), along))
	}
}

// widths judges the taper of widths that have no sides beside them.
func (w *flightWorker) widths() {
	b := weightedMean(w.read, w.here, survey.Width, survey.At{Mark: survey.Bottom})
	t := weightedMean(w.read, w.here, survey.Width, survey.At{Mark: survey.Top})
	if b.Known && t.Known {
		w.flag(taper(Quantity{t.Value - b.Value, math.Hypot(t.U, b.U), true}, 2*evenStep, house))
	}
}

func taper(q Quantity, limit float64, from string) Flag {
	return judged(flagOf{
		name: "taper", q: q, limit: limit, unit: "mm", from: from,
		of:    "width at the top less width at the bottom",
		clear: "the flight is as wide at the top as at the bottom",
		flag: func(v float64) string {
			return fmt.Sprintf("the flight is %s at the top: the two sides are not parallel, so set each out by itself", pick(v, "wider", "narrower"))
		},
		settle: "read the width at bottom and top again",
	})
}

// byEye holds what is read as it is to the rules: widths and headroom.
func (w *flightWorker) byEye() {
	all := func(what survey.What) []Quantity {
		var out []Quantity
		var seen []survey.At
		for _, e := range w.here {
			if e.Reading.What == what && !slices.Contains(seen, e.Reading.At) {
				seen = append(seen, e.Reading.At)
				out = append(out, weightedMean(w.read, w.here, what, e.Reading.At))
			}
		}
		return out
	}
	w.f.Flags = append(w.f.Flags, byRule(&w.set, "width", rules.Width, "clear width", all(survey.Width), "the flight is narrower than the rule: a handrail must not take more of it")...)
	w.f.Flags = append(w.f.Flags, byRule(&w.set, "headroom", rules.Headroom, "headroom above the pitch line", all(survey.Headroom), "tell the client: nothing of the balustrade mends it")...)
}
