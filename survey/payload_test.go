package survey

import (
	"bytes"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pinchrod/store/journal"
)

func samplePayload() Payload {
	return Payload{
		Job: &JobRecord{Name: "14 Mill Lane"},
		Readings: []Reading{
			{Where: "F1/left", What: Gap, At: At{Mark: Top}, Value: Quantity{Measure: Length, N: [3]int64{812500}}, Text: "812.5", U: 500000, Tool: "tape", By: "AB", When: "2026-11-25", Note: "carpet\nlifted"},
			{Where: "F1/left", What: LeanAlong, At: At{Mark: Upper}, Value: Quantity{Measure: Lean, N: [3]int64{-3000, 900000}}, Text: "-3 mm in 900 mm", Replaces: journal.Ref{Page: 7, Item: 2}},
			{Where: "F1", What: Rise, At: At{Mark: Step, N: 3}, Value: Quantity{Measure: Length, N: [3]int64{190000}}, Text: "190"},
		},
		Strikes:  []Strike{{Reading: journal.Ref{Page: 3, Item: 1}, Why: "tape on the wrong post", By: "AB"}},
		Settings: []Setting{{Name: "profile", Value: "england", Replaces: []journal.Ref{{Page: 2, Item: 1}}}, {Name: "stair", Value: "private"}},
		Tools:    []ToolRecord{{Name: "AB-1", Sort: SortTape, Class: ClassII, Resolution: 1000000, Checked: "2026-01-10", Due: "2027-01-10"}},
		Checks:   []ToolCheck{{Tool: "AB-2", Kind: Reversal, First: []int64{1500, 1000000}, Second: []int64{-500, 1000000}, When: "2026-11-20"}},
		Keeps:    []Strike{{Reading: journal.Ref{Page: 3, Item: 2}, Why: "read three times"}},
		Pictures: samplePictures(),
	}
}

func TestPayloadRoundTrip(t *testing.T) {
	want := samplePayload()
	b, err := want.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := DecodePayload(b)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, cmpopts.IgnoreUnexported(At{})); diff != "" {
		t.Errorf("a payload came back changed (-want +got):\n%s", diff)
	}
	for i := range got.Readings[:2] {
		if err := got.Readings[i].Check(); err != nil {
			t.Errorf("reading %d: %v", i, err)
		}
	}
}

// A newer version may add fields and kinds. What this one knows is still read.
func TestNewerPayload(t *testing.T) {
	b, err := journal.Marshal(map[int]any{
		2:  []any{map[int]any{1: "F1", 2: "sag", 5: []int64{1, 2}, 6: "1 2"}},
		99: "more",
	})
	if err != nil {
		t.Fatal(err)
	}
	p, err := DecodePayload(b)
	if !errors.Is(err, ErrNewer) {
		t.Fatalf("DecodePayload error = %v, want ErrNewer", err)
	}
	if len(p.Readings) != 1 || p.Readings[0].What != "sag" || p.Readings[0].Value.Measure != Unknown {
		t.Errorf("known part = %+v, want the reading of an unknown kind", p)
	}
	if err := p.Readings[0].Check(); !errors.Is(err, ErrNewer) {
		t.Errorf("Check = %v, want ErrNewer", err)
	}
}

func TestCheckRefusesWhatNoSheetHolds(t *testing.T) {
	good := samplePayload().Readings[0]
	for name, spoil := range map[string]func(*Reading){
		"place of a flight": func(r *Reading) { r.Where = "F1" },
		"no place":          func(r *Reading) { r.Where = "" },
		"station":           func(r *Reading) { r.At = At{Mark: Lower} },
		"unknown mark":      func(r *Reading) { r.At = At{Mark: 200} },
		"huge":              func(r *Reading) { r.Value.N[0] = 1 << 60 },
		"negative":          func(r *Reading) { r.Value.N[0] = -812500 },
		"negative u":        func(r *Reading) { r.U = -1 },
		"deep height":       func(r *Reading) { r.Height = -5 },
	} {
		r := good
		spoil(&r)
		if err := r.Check(); err == nil {
			t.Errorf("%s: Check took %+v", name, r)
		}
	}
}

// What the decoder takes without complaint is written back to the same bytes.
func FuzzDecodePayload(f *testing.F) {
	p := samplePayload()
	b, err := p.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte{0xa0})
	f.Add([]byte{0xa1, 0x01, 0xa1, 0x01, 0x60})
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := DecodePayload(b)
		if err != nil {
			return
		}
		got, err := p.Encode()
		if err != nil || !bytes.Equal(got, b) {
			t.Errorf("decoded %x, encoded %x, %v", b, got, err)
		}
		for i := range p.Readings {
			p.Readings[i].Check() // must not panic, whatever was stored
			p.Readings[i].StandardU(HouseKit)
			_ = p.Readings[i].Title() + p.Readings[i].Value.String()
		}
		for i := range p.Pictures {
			p.Pictures[i].Check()
			_ = p.Pictures[i].Title()
		}
	})
}
