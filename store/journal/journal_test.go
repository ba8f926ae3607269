package journal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// device makes a device and its key from a number.
func device(t testing.TB, n byte) (ID, ed25519.PrivateKey) {
	t.Helper()
	id, err := NewID(time.UnixMilli(1645557742000), rand.NewChaCha8([32]byte{n}))
	if err != nil {
		t.Fatal(err)
	}
	return id, ed25519.NewKeyFromSeed(bytes.Repeat([]byte{n}, 32))
}

func genPage(t *rapid.T) Page {
	id := func(label string) (id ID) {
		copy(id[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, label))
		id[15] |= 1 // not zero
		return id
	}
	p := Page{
		Device:  id("device"),
		Seq:     rapid.Uint64Min(1).Draw(t, "seq"),
		Time:    time.UnixMilli(rapid.Int64Range(minMilli, maxMilli).Draw(t, "ms")).UTC(),
		Payload: rapid.SliceOf(rapid.Byte()).Draw(t, "payload"),
	}
	if rapid.Bool().Draw(t, "with job") {
		p.Job = id("job")
	}
	p.Time = p.Time.In(time.FixedZone("", 60*rapid.IntRange(-maxZone, maxZone).Draw(t, "zone")))
	return p
}

func TestPageRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := genPage(t)
		b, err := want.Encode()
		if err != nil {
			t.Fatal(err)
		}
		got, err := DecodePage(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatal(d)
		}
		if g, w := got.Time.Format(time.RFC3339Nano), want.Time.Format(time.RFC3339Nano); g != w {
			t.Fatalf("time %s, want %s", g, w)
		}
		again, err := got.Encode()
		if err != nil || !bytes.Equal(again, b) {
			t.Fatalf("encoded again %x, %v; want %x", again, err, b)
		}
		env, err := PeekPage(b)
		if want := (Envelope{1, want.Device, want.Seq}); err != nil || env != want {
			t.Fatalf("PeekPage = %v, %v; want %v", env, err, want)
		}
	})
}

func TestPageRefused(t *testing.T) {
	dev, _ := device(t, 1)
	good := Page{Device: dev, Seq: 1, Time: time.UnixMilli(0)}
	for name, change := range map[string]func(*Page){
		"no device":   func(p *Page) { p.Device = ID{} },
		"no seq":      func(p *Page) { p.Seq = 0 },
		"year 10000":  func(p *Page) { p.Time = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) },
		"year -1":     func(p *Page) { p.Time = time.Date(-1, 1, 1, 0, 0, 0, 0, time.UTC) },
		"zone 19 h":   func(p *Page) { p.Time = p.Time.In(time.FixedZone("", 19*3600)) },
		"big payload": func(p *Page) { p.Payload = make([]byte, MaxPayload+1) },
	} {
		p := good
		change(&p)
		if b, err := p.Encode(); !errors.Is(err, ErrInvalid) {
			t.Errorf("%s: Encode = %x, %v; want ErrInvalid", name, b, err)
		}
	}

	id := dev
	for name, tc := range map[string]struct {
		w    any
		want error
	}{
		"version 2":       {[]any{2, id, 1, "soon"}, ErrNewer},
		"version 0":       {[]any{0, id, 1, 0, 0, ID{}, []byte{}}, ErrInvalid},
		"six elements":    {[]any{1, id, 1, 0, 0, ID{}}, ErrInvalid},
		"eight elements":  {[]any{1, id, 1, 0, 0, ID{}, []byte{}, 0}, ErrInvalid},
		"zero device":     {[]any{1, ID{}, 1, 0, 0, ID{}, []byte{}}, ErrInvalid},
		"short device":    {[]any{1, []byte{1, 2}, 1, 0, 0, ID{}, []byte{}}, ErrInvalid},
		"null payload":    {[]any{1, id, 1, 0, 0, ID{}, nil}, ErrInvalid},
		"text payload":    {[]any{1, id, 1, 0, 0, ID{}, "x"}, ErrInvalid},
		"null time":       {[]any{1, id, 1, nil, 0, ID{}, []byte{}}, ErrNotCanonical},
		"float time":      {[]any{1, id, 1, 1.5, 0, ID{}, []byte{}}, ErrInvalid},
		"time too late":   {[]any{1, id, 1, int64(maxMilli + 1), 0, ID{}, []byte{}}, ErrInvalid},
		"16 zeros as job": {[]any{1, id, 1, 0, 0, make([]byte, 16), []byte{}}, ErrNotCanonical},
		"a map":           {map[int]int{1: 1}, ErrInvalid},
	} {
		b, err := Marshal(tc.w)
		if err != nil {
			t.Fatal(err)
		}
		if p, err := DecodePage(b); !errors.Is(err, tc.want) {
			t.Errorf("%s: DecodePage = %v, %v; want %v", name, p, err, tc.want)
		}
	}
}

// A newer version's page is not read, but is kept, checked and chained.
func TestNewerPage(t *testing.T) {
	dev, key := device(t, 1)
	b, err := Marshal([]any{2, dev, 1, "whatever comes"})
	if err != nil {
		t.Fatal(err)
	}
	id, err := NewIdentity(dev, key)
	if err != nil {
		t.Fatal(err)
	}
	c := NewChain(id.Head().Head)
	if err := c.Add(NewRecord(1, b)); err != nil {
		t.Fatal(err)
	}
	h, err := Sign(c.Head(), key)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Close(h, id.Key); err != nil {
		t.Error(err)
	}
	if _, err := DecodePage(b); !errors.Is(err, ErrNewer) {
		t.Errorf("DecodePage: %v, want ErrNewer", err)
	}
}

func TestRecordOpen(t *testing.T) {
	dev, _ := device(t, 1)
	other, _ := device(t, 2)
	want := Page{Device: dev, Seq: 3, Time: time.UnixMilli(5).UTC(), Job: other, Payload: []byte("x")}
	b, err := want.Encode()
	if err != nil {
		t.Fatal(err)
	}
	r := NewRecord(3, b)
	if got, err := r.Open(dev); err != nil || !cmp.Equal(got, want) {
		t.Errorf("Open = %+v, %v; want %+v", got, err, want)
	}
	newer, err := Marshal([]any{2, dev, 3, "what comes"})
	if err != nil {
		t.Fatal(err)
	}
	flipped := NewRecord(3, bytes.Clone(b))
	flipped.Page[len(b)-1] ^= 1
	for name, tc := range map[string]struct {
		r           Record
		device      ID
		open, check error
	}{
		"withheld":         {Record{Seq: 3, Hash: r.Hash}, dev, ErrWithheld, nil},
		"newer":            {NewRecord(3, newer), dev, ErrNewer, nil},
		"newer, elsewhere": {NewRecord(4, newer), dev, ErrBroken, ErrBroken},
		"another's":        {r, other, ErrBroken, ErrBroken},
		"elsewhere":        {NewRecord(4, b), dev, ErrBroken, ErrBroken},
		"flipped":          {flipped, dev, ErrBroken, ErrBroken},
		"cut short":        {NewRecord(3, b[:len(b)-1]), dev, ErrNotCanonical, ErrNotCanonical},
	} {
		if p, err := tc.r.Open(tc.device); !errors.Is(err, tc.open) {
			t.Errorf("%s: Open = %+v, %v; want %v", name, p, err, tc.open)
		}
		if err := tc.r.Check(tc.device); !errors.Is(err, tc.check) {
			t.Errorf("%s: Check: %v, want %v", name, err, tc.check)
		}
	}
}

func TestUnmarshal(t *testing.T) {
	type old struct {
		A int `cbor:"1,keyasint,omitempty"`
	}
	type young struct {
		A int    `cbor:"1,keyasint,omitempty"`
		B string `cbor:"2,keyasint,omitempty"`
	}
	b, err := Marshal(young{7, "later"})
	if err != nil {
		t.Fatal(err)
	}
	var o old
	if err := Unmarshal(b, &o); !errors.Is(err, ErrNewer) || errors.Is(err, ErrNotCanonical) || o.A != 7 {
		t.Errorf("a key more: %v, %v; want ErrNewer and A = 7", o, err)
	}
	o = old{}
	if err := Unmarshal(unhex(t, "a10107"), &o); err != nil || o.A != 7 {
		t.Errorf("known keys: %v, %v", o, err)
	}
	// {1: null} and {1: 0} decode to what is written as {}.
	for _, h := range []string{"a101f6", "a10100"} {
		if err := Unmarshal(unhex(t, h), &old{}); !errors.Is(err, ErrNotCanonical) || errors.Is(err, ErrNewer) {
			t.Errorf("%s: %v, want ErrNotCanonical", h, err)
		}
	}
	if err := Unmarshal(unhex(t, "a1016161"), &old{}); err == nil || errors.Is(err, ErrNotCanonical) || errors.Is(err, ErrNewer) {
		t.Errorf("text for a number: %v, want an error of its own", err)
	}
	if _, err := Marshal(map[any]any{1: make(chan int)}); err == nil {
		t.Error("a channel was encoded")
	}

	long := make([]uint16, 250_000)
	for i := range long {
		long[i] = uint16(i)
	}
	if b, err = Marshal(long); err != nil {
		t.Fatal(err)
	}
	var got []uint16
	if err := Unmarshal(b, &got); err != nil || len(got) != len(long) {
		t.Errorf("250 000 elements: %d, %v", len(got), err)
	}
	deep := append(bytes.Repeat([]byte{0x81}, 1_000_000), 0)
	if err := Canonical(deep); !errors.Is(err, ErrNotCanonical) {
		t.Errorf("a million nested arrays: %v", err)
	}
}

func TestChain(t *testing.T) {
	dev, key := device(t, 1)
	other, otherKey := device(t, 2)
	public := key.Public().(ed25519.PublicKey)
	genesis := Head{dev, 0, Genesis(dev, public)}

	var recs []Record
	c := NewChain(genesis)
	for i := range uint64(6) {
		b, err := Page{Device: dev, Seq: i + 1, Time: time.UnixMilli(int64(i)), Payload: []byte{byte(i)}}.Encode()
		if err != nil {
			t.Fatal(err)
		}
		recs = append(recs, NewRecord(i+1, b))
		if err := c.Add(recs[i]); err != nil {
			t.Fatal(err)
		}
	}
	signed, err := Sign(c.Head(), key)
	if err != nil {
		t.Fatal(err)
	}
	foreign, err := Page{Device: other, Seq: 3, Time: time.UnixMilli(0)}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	forged, err := Sign(signed.Head, otherKey)
	if err != nil {
		t.Fatal(err)
	}
	further, err := Sign(Head{dev, 7, Next(signed.Hash, Hash{})}, key)
	if err != nil {
		t.Fatal(err)
	}
	short, err := Sign(Head{dev, 5, Hash{}}, key)
	if err != nil {
		t.Fatal(err)
	}

	flip := func(b []byte) []byte {
		b = bytes.Clone(b)
		b[len(b)-1] ^= 1
		return b
	}
	for name, tc := range map[string]struct {
		change func(r []Record) []Record
		head   SignedHead
		seq    uint64 // where it breaks; 0 when it holds
		want   error
	}{
		"whole":          {nil, signed, 0, nil},
		"withheld":       {func(r []Record) []Record { r[2].Page = nil; return r }, signed, 0, nil},
		"all withheld":   {func(r []Record) []Record { clearPages(r); return r }, signed, 0, nil},
		"flipped byte":   {func(r []Record) []Record { r[2].Page = flip(r[2].Page); return r }, signed, 3, ErrBroken},
		"other page":     {func(r []Record) []Record { r[2] = NewRecord(3, flip(r[2].Page)); return r }, signed, 6, ErrBroken},
		"other device":   {func(r []Record) []Record { r[2] = NewRecord(3, foreign); return r }, signed, 3, ErrBroken},
		"not a page":     {func(r []Record) []Record { r[2] = NewRecord(3, []byte{1}); return r }, signed, 3, ErrInvalid},
		"moved":          {func(r []Record) []Record { r[2].Page = r[3].Page; r[2].Hash = r[3].Hash; return r }, signed, 3, ErrBroken},
		"one missing":    {func(r []Record) []Record { return append(r[:2], r[3:]...) }, signed, 3, ErrBroken},
		"end missing":    {func(r []Record) []Record { return r[:5] }, signed, 6, ErrBroken},
		"wrong hash":     {func(r []Record) []Record { r[2].Page = nil; r[2].Hash[0] ^= 1; return r }, signed, 6, ErrBroken},
		"forged":         {nil, forged, 6, ErrSignature},
		"unsigned":       {nil, SignedHead{Head: signed.Head}, 6, ErrUnsigned},
		"signed further": {nil, further, 7, ErrBroken},
		"past the head":  {nil, short, 6, ErrUnsigned},
	} {
		t.Run(name, func(t *testing.T) {
			r := append([]Record(nil), recs...)
			if tc.change != nil {
				r = tc.change(r)
			}
			c := NewChain(genesis)
			var err error
			for _, rec := range r {
				if err = c.Add(rec); err != nil {
					break
				}
			}
			if err == nil {
				err = c.Close(tc.head, public)
			}
			if tc.seq == 0 {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			var br *BreakError
			if !errors.As(err, &br) || br.Seq != tc.seq || br.Device != dev || !errors.Is(err, tc.want) {
				t.Errorf("got %v; want a break at %d, %v", err, tc.seq, tc.want)
			}
		})
	}

	// Head 0 binds the device to one key, and the key to one device.
	id, err := NewIdentity(dev, key)
	if err != nil {
		t.Fatal(err)
	}
	if err := id.Verify(); err != nil {
		t.Error(err)
	}
	id.Device = other
	if err := id.Verify(); !errors.Is(err, ErrSignature) {
		t.Errorf("another device's id: %v", err)
	}
	bad, err := Sign(Head{dev, 0, Genesis(other, public)}, key)
	if err != nil {
		t.Fatal(err)
	}
	if err := bad.Verify(public); !errors.Is(err, ErrBroken) {
		t.Errorf("another device's head 0: %v", err)
	}
}

func clearPages(r []Record) {
	for i := range r {
		r[i].Page = nil
	}
}

// Every bit of a signed head and of an identity is covered.
func TestSignedBits(t *testing.T) {
	dev, key := device(t, 1)
	public := key.Public().(ed25519.PublicKey)
	h, err := Sign(Head{dev, 300, Hash{1, 2, 3}}, key)
	if err != nil {
		t.Fatal(err)
	}
	b, err := h.Encode()
	if err != nil {
		t.Fatal(err)
	}
	id, err := NewIdentity(dev, key)
	if err != nil {
		t.Fatal(err)
	}
	ib, err := id.Encode()
	if err != nil {
		t.Fatal(err)
	}
	flips := func(b []byte, verify func([]byte) error) {
		if err := verify(b); err != nil {
			t.Fatal(err)
		}
		for i := range 8 * len(b) {
			c := bytes.Clone(b)
			c[i/8] ^= 1 << (i % 8)
			if verify(c) == nil {
				t.Errorf("bit %d of %x does not count", i, b)
			}
		}
	}
	flips(b, func(b []byte) error {
		h, err := DecodeSignedHead(b)
		if err != nil {
			return err
		}
		return h.Verify(public)
	})
	flips(ib, func(b []byte) error {
		i, err := DecodeIdentity(b)
		if err != nil {
			return err
		}
		return i.Verify()
	})
}

func TestNames(t *testing.T) {
	dev := mustID(t, "017f22e2-79b0-7cc3-98c4-dc0c0c07398f")
	ref := Ref{dev, 142, 1}
	if got, want := ref.String(), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f-142.1"; got != want {
		t.Errorf("String = %s, want %s", got, want)
	}
	// The tag, worked out apart from this code (see Tag for the rule).
	if got, want := ref.Short(), "RY-142.1"; got != want {
		t.Errorf("Short = %s, want %s", got, want)
	}
	s, err := ParseShort(strings.ToLower(ref.Short()))
	if err != nil || !s.Names(ref) || s.Names(Ref{dev, 142, 2}) {
		t.Errorf("ParseShort = %v, %v", s, err)
	}
	for _, bad := range []string{"", "K7", "K7-", "K7-1", "K7-1.", "K7-.1", "K7-0.1", "K7-01.1", "K7-1.01", "K7-1.1 ", "K7-+1.1",
		"K7-1.1.1", "K1-1.1", "77-1.1", "KK7-1.1", "K7-1.4294967296", "K7-18446744073709551616.1", "\u212a7-1.1"} {
		if s, err := ParseShort(bad); !errors.Is(err, ErrSyntax) {
			t.Errorf("ParseShort(%q) = %v, %v", bad, s, err)
		}
	}
	for _, bad := range []string{"", "142.1", "-142.1", "017f22e279b07cc398c4dc0c0c07398f-142.1", "{017f22e2-79b0-7cc3-98c4-dc0c0c07398f}-1.1",
		"00000000-0000-0000-0000-000000000000-1.1", "017f22e2-79b0-7cc3-98c4-dc0c0c07398f-1", "017f22e2-79b0-7cc3-98c4-dc0c0c07398g-1.1"} {
		if r, err := ParseRef(bad); !errors.Is(err, ErrSyntax) {
			t.Errorf("ParseRef(%q) = %v, %v", bad, r, err)
		}
	}
	type named struct {
		ID  ID
		Ref Ref
	}
	for _, want := range []named{{}, {dev, ref}} {
		b, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got named
		if err := json.Unmarshal(b, &got); err != nil || got != want {
			t.Errorf("%s: %v, %v", b, got, err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		p := genPage(t)
		want := Ref{p.Device, p.Seq, rapid.Uint32().Draw(t, "item")}
		if got, err := ParseRef(want.String()); err != nil || got != want {
			t.Fatalf("ParseRef(%s) = %v, %v", want, got, err)
		}
		if s, err := ParseShort(want.Short()); err != nil || !s.Names(want) || s.String() != want.Short() {
			t.Fatalf("ParseShort(%s) = %v, %v", want.Short(), s, err)
		}
	})
}

func TestNewIDRefused(t *testing.T) {
	r := rand.NewChaCha8([32]byte{})
	for _, when := range []time.Time{time.UnixMilli(-1), time.UnixMilli(1 << 48)} {
		if id, err := NewID(when, r); err == nil {
			t.Errorf("NewID(%s) = %s", when, id)
		}
	}
	if id, err := NewID(time.UnixMilli(0), bytes.NewReader(make([]byte, 9))); err == nil {
		t.Errorf("nine random bytes gave %s", id)
	}
}
