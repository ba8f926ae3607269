package cli

import (
	"testing"

	"pinchrod/calc/unit"
)

// What a person hears of a piece, where 773.6 mm was foretold with u = 0.2 mm. With
// 2 mm short and 0.5 mm long allowed, a spindle that was cut again until it fitted
// may be 771.6 − 0.4 to 774.1 + 0.4 mm before it contradicts that.
func TestForetoldOff(t *testing.T) {
	spindle := foretold{length: 773_600, u: 0.2, short: 2000, long: 500}
	fillet := foretold{length: 773_600, u: 0.2}
	stop := foretold{length: 773_600}
	tests := []struct {
		name   string
		f      foretold
		length unit.Length
		says   string
	}{
		{"spindle short within the groove", spindle, 773_000, ""},
		{"spindle at its shortest", spindle, 771_200, ""},
		{"spindle shorter", spindle, 771_100, "2.5 mm shorter than was foretold, 773.6 ±0.4 mm, and it fits where 770.6 mm to 773.1 mm is needed"},
		{"spindle at its longest", spindle, 774_500, ""},
		{"spindle longer", spindle, 774_600, "1 mm longer than was foretold, 773.6 ±0.4 mm, and it fits where 774.1 mm to 776.6 mm is needed"},
		{"fillet near", fillet, 772_200, ""},
		{"fillet shorter", fillet, 772_100, "1.5 mm shorter than was foretold, 773.6 ±0.4 mm"},
		{"batch near its stop", stop, 774_600, ""},
		{"batch off its stop", stop, 774_700, "1.1 mm off the stop of the sheet, 773.6 mm"},
		{"nothing foretold", foretold{}, 774_700, ""},
	}
	for _, tt := range tests {
		if got := tt.f.off(tt.length); got != tt.says {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.says)
		}
	}
}
