package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"
)

// A pageCase is the bytes of a page, put together by hand, with what reading
// them has to come to.
type pageCase struct {
	name string
	b    []byte
	want error // nil for a page that is taken
}

// pageCases changes one element of a good page at a time. Both ways to read a
// page have to agree on all of them.
func pageCases(t testing.TB) []pageCase {
	t.Helper()
	dev, _ := device(t, 1)
	id := append([]byte{0x50}, dev[:]...)
	good := [][]byte{{0x87}, {0x01}, id, {0x01}, {0x00}, {0x00}, {0x40}, {0x41, 0x07}}
	n := func(head byte, v uint64) []byte { return binary.BigEndian.AppendUint64([]byte{head}, v) }
	out := []pageCase{{"as it should be", slices.Concat(good...), nil}}
	change := func(what string, element int, to []byte, want error) {
		c := slices.Clone(good)
		c[element] = to
		out = append(out, pageCase{fmt.Sprintf("%s %x", what, to), slices.Concat(c...), want})
	}
	const array, ver, dvc, seq, milli, zone, job, payload = 0, 1, 2, 3, 4, 5, 6, 7
	change("array", array, []byte{0x86}, ErrNotCanonical) // a byte follows
	change("array", array, []byte{0x88}, ErrNotCanonical) // cut short
	change("array", array, []byte{0x98, 0x07}, ErrNotCanonical)
	change("array", array, []byte{0x9f}, ErrNotCanonical)
	change("version", ver, []byte{0x00}, ErrInvalid)
	change("version", ver, []byte{0x02}, ErrNewer)
	change("version", ver, []byte{0x21}, ErrInvalid)
	change("version", ver, []byte{0x18, 0x01}, ErrNotCanonical)
	change("device", dvc, []byte{0x40}, ErrInvalid)
	change("device", dvc, append([]byte{0x4f}, dev[1:]...), ErrInvalid)
	change("device", dvc, append([]byte{0x51, 0x01}, dev[:]...), ErrInvalid)
	change("device", dvc, append([]byte{0x50}, make([]byte, 16)...), ErrInvalid)
	change("device", dvc, append([]byte{0x70}, bytes.Repeat([]byte{'d'}, 16)...), ErrInvalid)
	change("seq", seq, []byte{0x00}, ErrInvalid)
	change("seq", seq, []byte{0x21}, ErrInvalid)
	change("seq", seq, []byte{0x17}, nil)
	change("seq", seq, n(0x1b, 1<<64-1), nil)
	// 1970 is 62167219200 s after the year 0 began, and 253402300800 s before
	// the year 10000 does: the days of the Gregorian calendar, counted back.
	change("time", milli, n(0x1b, 253402300799999), nil)
	change("time", milli, n(0x1b, 253402300800000), ErrInvalid)
	change("time", milli, n(0x3b, 62167219200000-1), nil) // -1 - n
	change("time", milli, n(0x3b, 62167219200000), ErrInvalid)
	for _, far := range []uint64{1<<63 - 1, 1 << 63, 1<<64 - 1} { // as int64 they could wrap to a good time
		change("time", milli, n(0x1b, far), ErrInvalid)
		change("time", milli, n(0x3b, far), ErrInvalid)
		change("zone", zone, n(0x1b, far), ErrInvalid)
		change("zone", zone, n(0x3b, far), ErrInvalid)
	}
	change("time", milli, []byte{0xf6}, ErrNotCanonical)
	change("time", milli, []byte{0x40}, ErrInvalid)
	change("zone", zone, []byte{0x19, 0x04, 0x38}, nil) // 18 h = 1080 min
	change("zone", zone, []byte{0x19, 0x04, 0x39}, ErrInvalid)
	change("zone", zone, []byte{0x39, 0x04, 0x37}, nil)
	change("zone", zone, []byte{0x39, 0x04, 0x38}, ErrInvalid)
	change("zone", zone, []byte{0xf9, 0x3c, 0x00}, ErrInvalid)
	change("job", job, id, nil)
	change("job", job, append([]byte{0x50}, make([]byte, 16)...), ErrNotCanonical)
	change("job", job, []byte{0x41, 0x01}, ErrNotCanonical)
	change("job", job, []byte{0x60}, ErrNotCanonical)
	change("payload", payload, []byte{0x40}, nil)
	change("payload", payload, []byte{0x42, 0x07}, ErrNotCanonical) // cut short
	change("payload", payload, []byte{0x61, 'x'}, ErrInvalid)
	change("payload", payload, []byte{0xf6}, ErrInvalid)
	change("payload", payload, nil, ErrNotCanonical)
	change("a byte after the payload,", payload, []byte{0x41, 0x07, 0x00}, ErrNotCanonical)
	change("another page after the payload,", payload, append([]byte{0x40}, slices.Concat(good...)...), ErrNotCanonical)
	return out
}

// What a page holds is read or refused alike on the fast way and on the long
// one, and where it is kept; a byte too many is not passed over.
func TestPageBytes(t *testing.T) {
	dev, _ := device(t, 1)
	for _, tc := range pageCases(t) {
		p, err := DecodePage(tc.b)
		if !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) {
			t.Errorf("%s: DecodePage: %v, want %v", tc.name, err, tc.want)
		}
		if long, e := longPage(tc.b); !errors.Is(e, tc.want) || (e == nil) != (tc.want == nil) || !reflect.DeepEqual(p, long) {
			t.Errorf("%s: %+v; by way of the library %+v, %v, want %v", tc.name, p, long, e, tc.want)
		}
		if w, ok := quickPage(tc.b); ok != (tc.want == nil) || ok && !reflect.DeepEqual(p, w.page()) {
			t.Errorf("%s: the fast way takes it: %t, as %+v", tc.name, ok, w)
		}
		seq := max(p.Seq, 1)
		if _, err := NewRecord(seq, tc.b).Open(dev); !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) {
			t.Errorf("%s: Open: %v, want %v", tc.name, err, tc.want)
		}
	}
}

// A payload may be 16 MiB, and no longer. It is the caller's own.
func TestPagePayload(t *testing.T) {
	dev, _ := device(t, 1)
	p := Page{Device: dev, Seq: 1, Time: time.UnixMilli(0), Payload: make([]byte, 16<<20)}
	b, err := p.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := DecodePage(b)
	if err != nil || len(got.Payload) != 16<<20 {
		t.Fatalf("%d bytes, %v", len(got.Payload), err)
	}
	b[len(b)-1] = 1
	if got.Payload[len(got.Payload)-1] != 0 {
		t.Error("what was read changes with the bytes it was read from")
	}
	if b, err := (Page{Device: dev, Seq: 1, Time: time.UnixMilli(0), Payload: make([]byte, 16<<20+1)}).Encode(); !errors.Is(err, ErrInvalid) {
		t.Errorf("a byte more: %d bytes, %v", len(b), err)
	}
	// A page of one byte more than Encode writes, the length set right for it.
	b = append(b, 0)
	if at := bytes.Index(b, []byte{0x5a, 0x01, 0, 0, 0}); at < 0 {
		t.Fatal("the payload's length is not where it should be")
	} else {
		b[at+4] = 1
	}
	if _, err := DecodePage(b); !errors.Is(err, ErrInvalid) {
		t.Errorf("decoding a byte more: %v", err)
	}
}

// The envelope is read of any version, and of nothing else.
func TestPeekPage(t *testing.T) {
	dev, _ := device(t, 1)
	for name, tc := range map[string]struct {
		item any
		want error
	}{
		"three elements":     {[]any{9, dev, 5}, nil},
		"a newer one":        {[]any{1 << 40, dev, 5, "and", "more"}, nil},
		"two elements":       {[]any{9, dev}, ErrInvalid},
		"no elements":        {[]any{}, ErrInvalid},
		"a map":              {map[int]int{1: 1, 2: 2, 3: 3}, ErrInvalid},
		"version 0":          {[]any{0, dev, 5}, ErrInvalid},
		"version -2":         {[]any{-2, dev, 5}, ErrInvalid},
		"a text for version": {[]any{"1", dev, 5}, ErrInvalid},
		"no device":          {[]any{9, ID{}, 5}, ErrInvalid},
		"a short device":     {[]any{9, dev[1:], 5}, ErrInvalid},
		"page 0":             {[]any{9, dev, 0}, ErrInvalid},
		"page -6":            {[]any{9, dev, -6}, ErrInvalid},
	} {
		b, err := Marshal(tc.item)
		if err != nil {
			t.Fatal(err)
		}
		env, err := PeekPage(b)
		if !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) {
			t.Errorf("%s: %+v, %v; want %v", name, env, err, tc.want)
		}
		if err == nil && (env.Device != dev || env.Seq != 5 || env.Version < 9) {
			t.Errorf("%s: %+v", name, env)
		}
		if _, err := PeekPage(append(b, 0)); !errors.Is(err, ErrNotCanonical) {
			t.Errorf("%s, and a byte after it: %v, want ErrNotCanonical", name, err)
		}
	}
}

// Ids and hashes have one form each in CBOR.
func TestFixedBytes(t *testing.T) {
	id, h := ID{1}, Hash{1}
	idBytes, hashBytes := append([]byte{0x50}, id[:]...), append([]byte{0x58, 0x20}, h[:]...)
	for _, tc := range []struct {
		b        []byte
		id, hash bool
	}{
		{nil, false, false}, {[]byte{}, false, false},
		{[]byte{0x40}, true, false}, {[]byte{0x41}, false, false}, {[]byte{0x60}, false, false},
		{idBytes, true, false}, {idBytes[:16], false, false}, {append(slices.Clone(idBytes), 0), false, false},
		{append([]byte{0x51}, id[:]...), false, false}, {append([]byte{0x50}, make([]byte, 16)...), false, false},
		{hashBytes, false, true}, {hashBytes[:33], false, false}, {append(slices.Clone(hashBytes), 0), false, false},
		{append([]byte{0x58, 0x21}, h[:]...), false, false}, {append([]byte{0x59, 0x20}, h[:]...), false, false},
		{append([]byte{0x58, 0x20}, make([]byte, 32)...), false, true},
	} {
		gotID := ID{9}
		if err := gotID.UnmarshalCBOR(tc.b); (err == nil) != tc.id || err != nil && !errors.Is(err, ErrNotCanonical) {
			t.Errorf("%x as an id: %v, taken %t", tc.b, err, tc.id)
		} else if back, e := gotID.MarshalCBOR(); err == nil && (e != nil || !bytes.Equal(back, tc.b)) {
			t.Errorf("%x as an id is written back as %x, %v", tc.b, back, e)
		}
		gotHash := Hash{9}
		if err := gotHash.UnmarshalCBOR(tc.b); (err == nil) != tc.hash || err != nil && !errors.Is(err, ErrNotCanonical) {
			t.Errorf("%x as a hash: %v, taken %t", tc.b, err, tc.hash)
		} else if back, e := gotHash.MarshalCBOR(); err == nil && (e != nil || !bytes.Equal(back, tc.b)) {
			t.Errorf("%x as a hash is written back as %x, %v", tc.b, back, e)
		}
	}
	if got, want := Unread.String(), "ffffffff-ffff-ffff-ffff-ffffffffffff"; got != want {
		t.Errorf("pages that cannot be read count under %s, want %s", got, want)
	}
	if got, want := h.String(), "01"+string(bytes.Repeat([]byte{'0'}, 62)); got != want {
		t.Errorf("the hash prints as %s, want %s", got, want)
	}
	for _, tc := range []struct {
		a, b ID
		want int
	}{{ID{1}, ID{2}, -1}, {ID{2}, ID{1}, 1}, {ID{1}, ID{1}, 0}, {ID{1, 9}, ID{2}, -1}} {
		if got := tc.a.Compare(tc.b); got != tc.want {
			t.Errorf("%s against %s: %d, want %d", tc.a, tc.b, got, tc.want)
		}
	}
}

// An id holds 48 bits of milliseconds.
func TestNewIDBounds(t *testing.T) {
	for ms, want := range map[int64]string{
		0:         "00000000-0000-7000-8000-000000000000",
		1<<48 - 1: "ffffffff-ffff-7000-8000-000000000000",
		1<<40 + 2: "01000000-0002-7000-8000-000000000000",
	} {
		if id, err := NewID(time.UnixMilli(ms), bytes.NewReader(make([]byte, 10))); err != nil || id.String() != want {
			t.Errorf("at %d ms: %s, %v; want %s", ms, id, err, want)
		}
	}
}

// The hashes of the package comment, whatever the length of what is hashed.
func TestHashLengths(t *testing.T) {
	for _, n := range []int{0, 1, 494, 495, 496, 497, 512, 10_000} { // 512 less the prefix is 495
		page := bytes.Repeat([]byte{7}, n)
		if got, want := PageHash(page), Hash(sha256.Sum256(append([]byte("pinchrod page v1\x00"), page...))); got != want {
			t.Errorf("%d bytes: %s, want %s", n, got, want)
		}
	}
}

// A step is bounded by what a frame of package sync/exchange can carry.
func TestCheckStep(t *testing.T) {
	const most = 17_824_768 // 16 MiB and 1 MiB, less 1 KiB
	for _, tc := range []struct {
		pages, payload int
		want           error
	}{
		{0, 0, nil}, {1, 16 << 20, nil}, {1, most - 67, nil}, {1, most - 66, ErrStep},
		{2, most - 134, nil}, {2, most - 133, ErrStep}, {most/67 + 1, 0, ErrStep},
	} {
		if err := CheckStep(tc.pages, tc.payload); !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) {
			t.Errorf("%d pages with %d bytes: %v, want %v", tc.pages, tc.payload, err, tc.want)
		}
	}
	// The room of a page is that of the longest there can be.
	dev, _ := device(t, 1)
	p := Page{Device: dev, Seq: 1<<64 - 1, Job: dev, Payload: make([]byte, 1<<16),
		Time: time.UnixMilli(minMilli).In(time.FixedZone("", -18*3600))}
	b, err := p.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if own := len(b) - len(p.Payload); own != 62 {
		t.Errorf("a page has %d bytes of its own, want 62", own)
	}
}

// A record gives its page, where it is there; names that are none are refused
// as text too.
func TestRecordDecode(t *testing.T) {
	dev, _ := device(t, 1)
	want := Page{Device: dev, Seq: 3, Time: time.UnixMilli(5).UTC(), Payload: []byte("x")}
	b, err := want.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := NewRecord(3, b).Decode(); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, %v; want %+v", got, err, want)
	}
	if got, err := (Record{Seq: 3}).Decode(); !errors.Is(err, ErrWithheld) {
		t.Errorf("withheld: %+v, %v", got, err)
	}
	for _, text := range []string{"x", "00000000-0000-0000-0000-000000000000"} {
		var id ID
		var ref Ref
		if err := id.UnmarshalText([]byte(text)); !errors.Is(err, ErrSyntax) {
			t.Errorf("%q as an id: %v", text, err)
		}
		if err := ref.UnmarshalText([]byte(text)); !errors.Is(err, ErrSyntax) {
			t.Errorf("%q as a reading's name: %v", text, err)
		}
	}
}
