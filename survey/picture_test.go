package survey

import (
	"bytes"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"pinchrod/store/journal"
)

func samplePictures() []Picture {
	return []Picture{
		{Sum: [32]byte{1, 31: 2}, Size: 4_812_344, Type: "image/jpeg", Where: "F1", At: At{Mark: Step, N: 3}, Note: "split nosing", When: "2026-11-25T14:30:05+01:00", By: "AB"},
		{Sum: [32]byte{9}, Size: 1, Type: "image/png", Where: "F1/left", What: Gap, At: At{Mark: Top}, Reading: journal.Ref{Page: 7, Item: 2}},
	}
}

// A page with one picture, written out by hand from the rules of RFC 8949.
func TestPictureByHand(t *testing.T) {
	p := Payload{Pictures: []Picture{{
		Sum: [32]byte(bytes.Repeat([]byte{0xab}, 32)), Size: 1000, Type: "image/png", Where: "F1",
		At: At{Mark: Step, N: 3}, Reading: journal.Ref{Device: journal.ID{15: 1}, Page: 7, Item: 2}, By: "AB",
	}}}
	want := "a1" + "08" + "81" + "a7" + // {8: [{
		"01" + "5820" + strings.Repeat("ab", 32) + // 1: sum
		"02" + "1903e8" + // 2: 1000
		"03" + "69" + hex.EncodeToString([]byte("image/png")) +
		"04" + "62" + hex.EncodeToString([]byte("F1")) +
		"06" + "82" + "0b03" + // 6: [step, 3]
		"07" + "83" + "50" + strings.Repeat("00", 15) + "01" + "0702" + // 7: [device, 7, 2]
		"0a" + "62" + hex.EncodeToString([]byte("AB")) // 10: by
	got, err := p.Encode()
	if err != nil || hex.EncodeToString(got) != want {
		t.Errorf("encoded %x, %v; want %s", got, err, want)
	}
}

// A page without pictures is what it was before there were any: the bytes are
// those that the version before wrote.
func TestPageWithoutPicturesIsUnchanged(t *testing.T) {
	p := samplePayload()
	p.Pictures = nil
	got, err := p.Encode()
	if err != nil {
		t.Fatal(err)
	}
	const want = "a701a1016c3134204d696c6c204c616e650283aa016746312f6c65667402636761700382030005811a000c65d406653831322e35071a0007a1200864" +
		"74617065096241420a6a323032362d31312d32350b6d6361727065740a6c6966746564a6016746312f6c656674026a6c65616e2d616c6f6e67038205" +
		"000582390bb71a000dbba0066f2d33206d6d20696e20393030206d6d0c83400702a50162463102647269736503820b0305811a0002e6300663313930" +
		"0381a30183400301027674617065206f6e207468652077726f6e6720706f7374036241420481a201834003020270726561642074687265652074696d" +
		"65730582a3016770726f66696c650267656e676c616e64038183400201a2016573746169720267707269766174650681a6016441422d310264746170" +
		"650302061a000f4240076a323032362d30312d3130086a323032372d30312d31300781a5016441422d32020103821905dc1a000f424004823901f31a" +
		"000f4240056a323032362d31312d3230"
	if hex.EncodeToString(got) != want {
		t.Errorf("encoded\n%x, want\n%s", got, want)
	}
}

func TestPictureCheck(t *testing.T) {
	for _, p := range samplePictures() {
		if err := p.Check(); err != nil {
			t.Errorf("%+v: %v", p, err)
		}
	}
	for name, tt := range map[string]struct {
		spoil func(*Picture)
		want  error
	}{
		"no bytes":          {func(p *Picture) { p.Size = 0 }, ErrPicture},
		"negative size":     {func(p *Picture) { p.Size = -1 }, ErrPicture},
		"another type":      {func(p *Picture) { p.Type = "image/heic" }, ErrNewer},
		"no place":          {func(p *Picture) { p.Where = "" }, ErrPlace},
		"unknown kind":      {func(p *Picture) { p.What = "sag" }, ErrNewer},
		"step of no stair":  {func(p *Picture) { p.At.N = 1000 }, ErrAt},
		"step nought":       {func(p *Picture) { p.At.N = 0 }, ErrAt},
		"station with more": {func(p *Picture) { p.At = At{Mark: Top, N: 7} }, ErrAt},
		"unknown mark":      {func(p *Picture) { p.At.Mark = 200 }, ErrAt},
		"step of a gap":     {func(p *Picture) { p.What = Gap }, ErrAt},
	} {
		p := samplePictures()[0]
		tt.spoil(&p)
		if err := p.Check(); !errors.Is(err, tt.want) {
			t.Errorf("%s: Check = %v, want %v", name, err, tt.want)
		}
	}
}

func TestParsePictureAt(t *testing.T) {
	for _, tt := range []struct {
		what What
		in   string
		want At
		err  error
	}{
		{"", "", At{}, nil},
		{"", " 3 ", At{Mark: Step, N: 3}, nil},
		{"", "Top", At{Mark: Top}, nil},
		{"", "upper", At{Mark: Upper}, nil},
		{"", "0", At{}, ErrAt},
		{"", "rising", At{}, ErrAt},
		{"", "450 mm", At{}, ErrAt},
		{Gap, "top", At{Mark: Top}, nil},
		{Gap, "lower", At{}, ErrAt},
		{Gap, "", At{}, nil},
		{Rise, "4", At{Mark: Step, N: 4}, nil},
		{"sag", "top", At{}, ErrWhat},
	} {
		got, err := ParsePictureAt(tt.what, tt.in)
		if got != tt.want || !errors.Is(err, tt.err) || (err != nil) != (tt.err != nil) {
			t.Errorf("ParsePictureAt(%q, %q) = %v, %v; want %v, %v", tt.what, tt.in, got, err, tt.want, tt.err)
		}
	}
}

func TestPictureTitle(t *testing.T) {
	for _, tt := range []struct {
		p    Picture
		want string
	}{
		{Picture{Where: "F1"}, "F1"},
		{Picture{Where: "F1", At: At{Mark: Step, N: 3}}, "F1, step 3"},
		{Picture{Where: "F1/left", At: At{Mark: Top}}, "F1/left at top"},
		{Picture{Where: "F1/left", At: At{Mark: Lower}}, "F1/left, lower post"},
		{Picture{Where: "F1/left", What: Gap, At: At{Mark: Top}}, "F1/left, gap at top"},
		{Picture{Where: "F1/left", What: Run}, "F1/left, run"},
	} {
		if got := tt.p.Title(); got != tt.want {
			t.Errorf("Title = %q, want %q", got, tt.want)
		}
	}
}

// The station [0, 0] and the reference to nothing are left out when a page is
// written, so bytes that hold them are not its one stored form.
func TestOneStoredForm(t *testing.T) {
	sum := [32]byte{1}
	for name, v := range map[string]map[int]any{
		"picture at no station":    {8: []any{map[int]any{1: sum[:], 2: 1, 3: "image/png", 4: "F1", 6: []int{0, 0}}}},
		"picture of no reading":    {8: []any{map[int]any{1: sum[:], 2: 1, 3: "image/png", 4: "F1", 7: []any{[]byte{}, 0, 0}}}},
		"reading at no station":    {2: []any{map[int]any{1: "F1", 2: "rise", 3: []int{0, 0}, 5: []int64{190000}, 6: "190"}}},
		"short sum":                {8: []any{map[int]any{1: sum[:31], 2: 1, 3: "image/png", 4: "F1"}}},
		"correction of no reading": {2: []any{map[int]any{1: "F1", 2: "rise", 5: []int64{190000}, 6: "190", 12: []any{[]byte{}, 0, 0}}}},
	} {
		b, err := journal.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		if p, err := DecodePayload(b); err == nil || errors.Is(err, ErrNewer) {
			t.Errorf("%s: decoded %+v, %v", name, p, err)
		}
	}
}
