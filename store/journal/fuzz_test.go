package journal

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
	"time"
)

// What a parser accepts re-encodes to the same bytes.

func FuzzDecodePage(f *testing.F) {
	dev, _ := device(f, 1)
	for _, p := range []Page{
		{Device: dev, Seq: 1, Time: time.UnixMilli(0)},
		{Device: dev, Seq: 1 << 40, Time: time.UnixMilli(-5).In(time.FixedZone("", 3600)), Job: dev, Payload: []byte("payload")},
	} {
		b, err := p.Encode()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
		f.Add(b[:len(b)-1])
	}
	for _, c := range pageCases(f) {
		f.Add(c.b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := DecodePage(b)
		if long, e := longPage(b); (e == nil) != (err == nil) || !reflect.DeepEqual(p, long) {
			t.Fatalf("%x: %+v, %v; by way of the library %+v, %v", b, p, err, long, e)
		}
		if err != nil {
			return
		}
		again, err := p.Encode()
		if err != nil || !bytes.Equal(again, b) {
			t.Fatalf("accepted %x, written back as %x, %v", b, again, err)
		}
	})
}

func FuzzDecodeSignedHead(f *testing.F) {
	dev, key := device(f, 1)
	h, err := Sign(Head{dev, 7, Hash{1}}, key)
	if err != nil {
		f.Fatal(err)
	}
	b, err := h.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	for _, signature := range [][]byte{h.Signature[1:], append(h.Signature[:], 0), {}} {
		b, err := Marshal([]any{1, dev, 7, h.Hash, signature})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if h, err := DecodeSignedHead(b); err == nil {
			if again, err := h.Encode(); err != nil || !bytes.Equal(again, b) {
				t.Fatalf("accepted head %x, written back as %x, %v", b, again, err)
			}
		}
	})
}

func FuzzDecodeIdentity(f *testing.F) {
	dev, key := device(f, 1)
	id, err := NewIdentity(dev, key)
	if err != nil {
		f.Fatal(err)
	}
	b, err := id.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	for _, parts := range [][2][]byte{{id.Key, id.Signature[1:]}, {id.Key, {}}, {id.Key[1:], id.Signature[:]}, {append(id.Key, 0), id.Signature[:]}} {
		b, err := Marshal([]any{1, dev, parts[0], parts[1]})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		id, err := DecodeIdentity(b)
		if err != nil {
			return
		}
		if again, err := id.Encode(); err != nil || !bytes.Equal(again, b) {
			t.Fatalf("accepted identity %x, written back as %x, %v", b, again, err)
		}
		_ = id.Verify() // any answer will do, and a panic none
	})
}

func FuzzParseRef(f *testing.F) {
	for _, s := range []string{"017f22e2-79b0-7cc3-98c4-dc0c0c07398f-142.1", "017F22E2-79B0-7CC3-98C4-DC0C0C07398F-1.0", "K7-142.1", "k7-1.1", "-1.1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if r, err := ParseRef(s); err == nil && r.String() != strings.ToLower(s) {
			t.Fatalf("ParseRef(%q) = %s", s, r)
		}
		if r, err := ParseShort(s); err == nil && r.String() != strings.ToUpper(s) {
			t.Fatalf("ParseShort(%q) = %s", s, r)
		}
	})
}

func FuzzUnmarshal(f *testing.F) {
	type inner struct {
		A int64          `cbor:"1,keyasint,omitempty"`
		B string         `cbor:"2,keyasint,omitempty"`
		C []float64      `cbor:"3,keyasint,omitempty"`
		D *ID            `cbor:"4,keyasint,omitempty"`
		E map[string]int `cbor:"5,keyasint,omitempty"`
	}
	for _, v := range []any{
		inner{}, inner{A: -5, B: "b", C: []float64{1.5, 1.1, 1e300}, D: &ID{1}, E: map[string]int{"x": 1, "yy": 2}},
		map[any]any{1: "x", "k": []any{nil, true, 1.5}}, []any{uint64(1 << 63), -1, []byte{1}},
	} {
		b, err := Marshal(v)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	for _, s := range []string{"\xf8\x18", "\xfa\x7f\x80\x00\x00", "\x9f\xff", "\x18\x00", "\xa2\x03\x04\x01\x02", "\xc2\x40", "\xf9\x7e\x00"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var v any
		var s inner
		if err := Unmarshal(b, &v); err == nil {
			if again, err := Marshal(v); err != nil || !bytes.Equal(again, b) {
				t.Fatalf("any: accepted %x, written back as %x, %v", b, again, err)
			}
		}
		if err := Unmarshal(b, &s); err == nil {
			if again, err := Marshal(s); err != nil || !bytes.Equal(again, b) {
				t.Fatalf("struct: accepted %x, written back as %x, %v", b, again, err)
			}
		}
		// An item ends where it ends, whatever follows.
		if Canonical(b) == nil {
			if n, err := ItemLen(append(bytes.Clone(b), 0)); err != nil || n != len(b) {
				t.Fatalf("ItemLen(%x) = %d, %v", b, n, err)
			}
		}
	})
}
