package survey

import (
	"encoding/hex"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"pinchrod/store/journal"
)

// A page that was written while a trial piece was a fit, a plain length, and a
// spacer walk a walk: the bytes are those that the version of then wrote. The
// page reads as trial piece and spacer walk, and is written as the same bytes.
func TestPageOfOldNames(t *testing.T) {
	const page = "a20283a7016746312f6c65667402636669740382030005811a000c65d406653831322e35071a00030d4009624142a4016746312f6c656674026477" +
		"616c6b05830a1a0001cdb83907cf067731302078203131382e32206d6d206f7665722032206d6da4016746312f6c656674026f7370696e646c652d" +
		"73656374696f6e058319a02819a0281955f0066834317834317832320882a701582009000000000000000000000000000000000000000000000000" +
		"0000000000000002010369696d6167652f706e67046746312f6c6566740563666974068203000783400702a5015820080000000000000000000000" +
		"000000000000000000000000000000000000000002010369696d6167652f706e67046746312f6c656674056477616c6b"
	b, err := hex.DecodeString(page)
	if err != nil {
		t.Fatal(err)
	}
	got, err := DecodePayload(b)
	if err != nil {
		t.Fatal(err)
	}
	want := Payload{
		Readings: []Reading{
			{Where: "F1/left", What: Trial, At: At{Mark: Top}, Value: Quantity{Measure: Tried, N: [3]int64{812500}}, Text: "812.5", U: 200000, By: "AB"},
			{Where: "F1/left", What: SpacerWalk, Value: Quantity{Measure: Walk, N: [3]int64{10, 118200, -2000}}, Text: "10 x 118.2 mm over 2 mm"},
			{Where: "F1/left", What: SpindleSize, Value: Quantity{Measure: Section, N: [3]int64{41000, 41000, 22000}}, Text: "41x41x22"},
		},
		Pictures: []Picture{
			{Sum: [32]byte{9}, Size: 1, Type: "image/png", Where: "F1/left", What: Trial, At: At{Mark: Top}, Reading: journal.Ref{Page: 7, Item: 2}},
			{Sum: [32]byte{8}, Size: 1, Type: "image/png", Where: "F1/left", What: SpacerWalk},
		},
	}
	if diff := cmp.Diff(want, got, cmpopts.IgnoreUnexported(At{})); diff != "" {
		t.Errorf("old page (-want +got):\n%s", diff)
	}
	if again, err := got.Encode(); err != nil || hex.EncodeToString(again) != page {
		t.Errorf("written again as %x, %v; want the bytes it had", again, err)
	}
	for i := range got.Readings {
		if err := got.Readings[i].Check(); err != nil {
			t.Errorf("reading %d: %v", i, err)
		}
	}
	if off, u := got.Readings[0].Value.Off(); off != 0 || u != 0 {
		t.Errorf("an old fit says %g ±%g mm beside its length; it means that the piece just fits", off, u)
	}
}

// A trial with a word, and spindles together, by hand from the rules of RFC 8949.
func TestPageOfWords(t *testing.T) {
	p := Payload{Readings: []Reading{
		{Where: "F1/left", What: Trial, At: At{Mark: Top}, Value: Quantity{Measure: Tried, N: [3]int64{812000, 1000, int64(Loose)}}, Text: "812 loose 1 mm"},
		{Where: "F1/left", What: SpindleSize, Value: Quantity{Measure: Section, N: [3]int64{41200, 41200}, Together: 10}, Text: "10 together 412"},
	}}
	place := "01" + "67" + hex.EncodeToString([]byte("F1/left"))
	want := "a1" + "02" + "82" + // {2: [
		"a5" + place + "02" + "65" + hex.EncodeToString([]byte("trial")) + "03" + "820300" + // at [top, 0]
		"05" + "83" + "1a000c63e0" + "1903e8" + "03" + // [812000, 1000, 3]
		"06" + "6e" + hex.EncodeToString([]byte("812 loose 1 mm")) +
		"a4" + place + "02" + "6f" + hex.EncodeToString([]byte("spindle-section")) +
		"05" + "84" + "19a0f0" + "19a0f0" + "00" + "0a" + // [41200, 41200, 0, 10]
		"06" + "6f" + hex.EncodeToString([]byte("10 together 412"))
	b, err := p.Encode()
	if err != nil || hex.EncodeToString(b) != want {
		t.Fatalf("encoded %x, %v; want %s", b, err, want)
	}
	back, err := DecodePayload(b)
	if diff := cmp.Diff(p, back, cmpopts.IgnoreUnexported(At{})); err != nil || diff != "" {
		t.Errorf("decoded with %v (-want +got):\n%s", err, diff)
	}
}

// One value has one stored form: a page that says the same otherwise is refused.
func TestOneStoredFormOfNames(t *testing.T) {
	reading := func(what string, n ...int64) map[int]any {
		return map[int]any{2: []any{map[int]any{1: "F1/left", 2: what, 5: n, 6: "x"}}}
	}
	for name, tt := range map[string]struct {
		page map[int]any
		ok   bool
	}{
		"fit of one number":               {reading("fit", 812000), true},
		"fit with a word":                 {reading("fit", 812000, 0, int64(Tight)), false},
		"fit of three that just fits":     {reading("fit", 812000, 0, 0), false},
		"trial with a word":               {reading("trial", 812000, 0, int64(Tight)), true},
		"trial that just fits":            {reading("trial", 812000, 0, 0), false},
		"trial of one number":             {reading("trial", 812000), false},
		"trial of two numbers":            {reading("trial", 812000, 0), false},
		"walk":                            {reading("walk", 10, 118200, 5000), true},
		"walk under its name in a sheet":  {reading("spacer-walk", 10, 118200, 5000), false},
		"section of three numbers":        {reading("spindle-section", 41000, 41000, 0), true},
		"section of pieces together":      {reading("spindle-section", 41000, 41000, 0, 10), true},
		"section of no pieces together":   {reading("spindle-section", 41000, 41000, 0, 0), false},
		"section of five numbers":         {reading("spindle-section", 41000, 41000, 0, 10, 1), false},
		"picture of a fit":                {map[int]any{8: []any{map[int]any{1: make([]byte, 32), 2: 1, 3: "image/png", 4: "F1/left", 5: "fit"}}}, true},
		"picture of a trial by that name": {map[int]any{8: []any{map[int]any{1: make([]byte, 32), 2: 1, 3: "image/png", 4: "F1/left", 5: "trial"}}}, false},
	} {
		b, err := journal.Marshal(tt.page)
		if err != nil {
			t.Fatal(err)
		}
		_, err = DecodePayload(b)
		if tt.ok != (err == nil) || errors.Is(err, ErrNewer) {
			t.Errorf("%s: %v; want it taken: %t", name, err, tt.ok)
		}
	}
}

// Every trial that can be typed comes back from a page as it was.
func TestTrialIsStored(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := Payload{Readings: []Reading{{Where: "F1/left", What: Trial, At: At{Mark: Middle}, Value: trialValue(t), Text: "x"}}}
		b, err := want.Encode()
		if err != nil {
			t.Fatal(err)
		}
		got, err := DecodePayload(b)
		if diff := cmp.Diff(want, got, cmpopts.IgnoreUnexported(At{})); err != nil || diff != "" {
			t.Fatalf("decoded with %v (-want +got):\n%s", err, diff)
		}
	})
}
