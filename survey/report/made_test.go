package report

import (
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/report/lines"
)

func TestMadeTitle(t *testing.T) {
	for _, tt := range []struct {
		m    survey.Made
		want string
	}{
		{survey.Made{Part: survey.PartSpindle, Pieces: []uint32{1, 2, 3}, Length: 812_400, Spares: 1, By: "Ann", When: "2026-11-28", Sheet: "K7QRTB"},
			"3 spindles at 812.4 mm, 1 spare of 812.4 mm, Ann, 2026-11-28, sheet K7QRTB"},
		{survey.Made{Part: survey.PartBaseFillet, Pieces: []uint32{13}, Length: 121_000, ToFit: true}, "1 base fillet at 121 mm, to be trimmed on site (no. 13)"},
		{survey.Made{Part: survey.PartSpindle, Pieces: []uint32{7}, Length: 815_900, Recut: true}, "spindle 7 cut again at 815.9 mm"},
		{survey.Made{Part: survey.PartSpindle, Kept: []unit.Length{640_000}, Used: []unit.Length{900_000}, Note: "a\x1b[2Jb"}, "offcut of 640 mm kept, offcut of 900 mm used, a [2Jb"},
		// What another device may have written.
		{survey.Made{Recut: true}, ""},
		{survey.Made{Part: "newel", Recut: true, Pieces: []uint32{1, 2}, Length: 1000}, "2 newels at 1 mm"},
	} {
		if got := MadeTitle(&tt.m); got != tt.want {
			t.Errorf("MadeTitle(%+v) = %q, want %q", tt.m, got, tt.want)
		}
	}
}

// Whatever an entry says, it can be shown.
func TestMadeTitleOfAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		length := rapid.Map(rapid.Int64(), func(n int64) unit.Length { return unit.Length(n) })
		m := survey.Made{
			Part: survey.Part(rapid.String().Draw(rt, "part")), Pieces: rapid.SliceOfN(rapid.Uint32(), 0, 5).Draw(rt, "pieces"),
			Spares: rapid.Uint32().Draw(rt, "spares"), Length: length.Draw(rt, "length"), ToFit: rapid.Bool().Draw(rt, "to fit"), Recut: rapid.Bool().Draw(rt, "recut"),
			Kept: rapid.SliceOfN(length, 0, 3).Draw(rt, "kept"), Used: rapid.SliceOfN(length, 0, 3).Draw(rt, "used"), Note: rapid.String().Draw(rt, "note"),
		}
		if got := MadeTitle(&m); lines.Clean(got) != got {
			rt.Errorf("MadeTitle(%+v) = %q, which can move the cursor", m, got)
		}
	})
}
