package asfound

import (
	"fmt"
	"math"

	"pinchrod/calc/rules"
)

// byRule holds figures to every limit that the profile has on a quantity. Of
// several figures of one kind, such as the guard's height at three stations, the
// one least likely to be within is shown. what names the flag, of the figure.
func byRule(s *Settings, name string, what rules.What, of string, figures []Quantity, mend string) []Flag {
	var out []Flag
	for _, l := range s.Profile.For(s.Stair, what) {
		if f, ok := heldTo(l, name, of, figures, mend); ok {
			out = append(out, f)
		}
	}
	return out
}

func heldTo(l rules.Limit, name, of string, figures []Quantity, mend string) (Flag, bool) {
	worst, least := Quantity{}, math.Inf(1)
	for _, q := range figures {
		if !q.Known {
			continue
		}
		// Where two are as unlikely as can be, the one farther out is worse.
		p := rules.ConformBetween(q.Value, q.U, l.Low, l.High) - max(0, l.Low-q.Value, q.Value-l.High)
		if p < least {
			worst, least = q, p
		}
	}
	if !worst.Known {
		return Flag{}, false
	}
	end := l.High
	if math.IsInf(l.High, 1) || worst.Value < l.Low || !math.IsInf(l.Low, -1) && worst.Value-l.Low < l.High-worst.Value {
		end = l.Low
	}
	f := Flag{
		Name: name, State: l.Judge(worst.Value, worst.U), Value: worst.Value, U: worst.U, Limit: end, Unit: l.What.Unit(),
		Of: of, From: l.Source(), Absolute: true, low: l.Low, high: l.High,
	}
	switch f.State {
	case rules.Clear:
		f.Text = fmt.Sprintf("%s is within the rule, %s", of, l.Text())
	case rules.Flag:
		f.Text = fmt.Sprintf("the rule is %s: %s", l.Text(), mend)
	default:
		f.Text = fmt.Sprintf("the rule is %s, and the reading is too near to tell: read it again, best with a finer tool", l.Text())
	}
	return f, true
}
