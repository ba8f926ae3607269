package survey

import (
	"encoding/hex"
	"errors"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/unit"
)

func sampleMade() []Made {
	return []Made{
		{Where: "F1/left", Part: PartSpindle, Pieces: []uint32{1, 2, 3, 7}, Spares: 1, Length: 812_400, Line: 812_650, Sheet: "K7QRTB", Section: "41 x 41 mm",
			Kept: []unit.Length{640_000, 310_000}, Used: []unit.Length{900_000}, By: "AB", When: "2026-11-28", Note: "knot in the spare"},
		{Where: "F1/left", Part: PartBaseFillet, Pieces: []uint32{13}, Length: 121_000, Line: 120_500, ToFit: true},
		{Where: "L1/edge", Part: PartRailFillet, Pieces: []uint32{4}, Length: 90_000, Line: 90_000, Recut: true},
		{Where: "F1/left", Part: PartSpindle, Used: []unit.Length{900_000}},
	}
}

// A page with one entry, written out by hand from the rules of RFC 8949.
func TestMadeByHand(t *testing.T) {
	p := Payload{Made: []Made{{Where: "F1/a", Part: PartSpindle, Pieces: []uint32{1, 2}, Length: 1000, Line: 1001, Recut: true}}}
	want := "a1" + "09" + "81" + "a6" + // {9: [{
		"01" + "64" + hex.EncodeToString([]byte("F1/a")) +
		"02" + "67" + hex.EncodeToString([]byte("spindle")) +
		"03" + "82" + "0102" + // 3: [1, 2]
		"05" + "1903e8" + // 5: 1000
		"06" + "1903e9" + // 6: 1001
		"07" + "f5" // 7: true
	got, err := p.Encode()
	if err != nil || hex.EncodeToString(got) != want {
		t.Errorf("encoded %x, %v; want %s", got, err, want)
	}
}

func TestMadeRoundTrip(t *testing.T) {
	want := Payload{Made: sampleMade()}
	b, err := want.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := DecodePayload(b)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestMadeCheck(t *testing.T) {
	many := sampleMade()[0]
	many.Kept = slices.Repeat([]unit.Length{640_000}, mostOffcuts)
	for _, m := range append(sampleMade(), many) {
		if err := m.Check(); err != nil {
			t.Errorf("%+v: %v", m, err)
		}
	}
	for name, tt := range map[string]struct {
		spoil func(*Made)
		want  error
	}{
		"of a flight":        {func(m *Made) { m.Where = "F1" }, ErrPlace},
		"no place":           {func(m *Made) { m.Where = "" }, ErrPlace},
		"unknown part":       {func(m *Made) { m.Part = "newel" }, ErrNewer},
		"nothing":            {func(m *Made) { *m = Made{Where: m.Where, Part: m.Part} }, ErrMade},
		"piece nought":       {func(m *Made) { m.Pieces = []uint32{0} }, ErrMade},
		"twice":              {func(m *Made) { m.Pieces = []uint32{2, 2} }, ErrMade},
		"falling":            {func(m *Made) { m.Pieces = []uint32{2, 1} }, ErrMade},
		"far too many":       {func(m *Made) { m.Spares = 1 << 31 }, ErrMade},
		"high number":        {func(m *Made) { m.Pieces = []uint32{mostPieces + 1} }, ErrMade},
		"no length":          {func(m *Made) { m.Length = 0 }, ErrMade},
		"negative line":      {func(m *Made) { m.Line = -1 }, ErrMade},
		"longer than a bar":  {func(m *Made) { m.Length = longest + 1 }, ErrMade},
		"offcut of nothing":  {func(m *Made) { m.Kept = []unit.Length{0} }, ErrMade},
		"endless offcut":     {func(m *Made) { m.Used = []unit.Length{longest + 1} }, ErrMade},
		"a rack kept":        {func(m *Made) { m.Kept = slices.Repeat([]unit.Length{640_000}, mostOffcuts+1) }, ErrMade},
		"a rack used":        {func(m *Made) { m.Used = slices.Repeat([]unit.Length{640_000}, mostOffcuts+1) }, ErrMade},
		"two cut again":      {func(m *Made) { m.Recut, m.Spares = true, 0 }, ErrMade},
		"cut again to spare": {func(m *Made) { m.Recut, m.Pieces = true, []uint32{1} }, ErrMade},
	} {
		m := sampleMade()[0]
		tt.spoil(&m)
		if err := m.Check(); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
}

func TestParsePart(t *testing.T) {
	for in, want := range map[string]Part{"spindle": PartSpindle, "spindles": PartSpindle, "base-fillets": PartBaseFillet, "rail-fillet": PartRailFillet} {
		if got, err := ParsePart(in); got != want || err != nil {
			t.Errorf("ParsePart(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
	for _, in := range []string{"", "fillet", "spindless", "newel"} {
		if got, err := ParsePart(in); !errors.Is(err, ErrMade) {
			t.Errorf("ParsePart(%q) = %q, %v; want ErrMade", in, got, err)
		}
	}
}
