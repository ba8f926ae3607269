package survey

import "math"

// Shared is what one tool's readings have in common of its error, as standard uncertainties in the unit of a reading:
// mm, degrees, mm per m. It is part of [Tool.U].
type Shared struct {
	Tool   string
	Offset float64 // of the zero: limit/√3, or of a checked tool the u of its zero error
	Scale  float64 // of a tape at this length: b·L/√3, L in m rounded up, as its class has it
}

// Shared gives the part of a reading's u that it has in common with others of its tool. A u that was given with the
// reading is the reading's own, and a value of several figures (a section, a walk) is taken as one of its own.
func (r *Reading) Shared(kit Kit) (Shared, error) {
	k := r.Kind()
	if k == nil || r.U != 0 || r.Value.Measure == Section || r.Value.Measure == Walk {
		return Shared{}, nil
	}
	t, err := r.ToolIn(kit)
	if err != nil {
		return Shared{}, err
	}
	s := Shared{Tool: t.Name, Offset: t.Limit / math.Sqrt(3)}
	if t.Class != NoClass {
		e := tapeError[t.Class]
		s.Offset = e.a
		if t.Hook {
			s.Offset += e.hook
		}
		s.Offset /= math.Sqrt(3)
		s.Scale = (t.Class.MPE(r.Value.Value()) - e.a) / math.Sqrt(3)
	}
	if t.Tested != "" {
		s.Offset = t.ZeroU
	}
	return s, nil
}
