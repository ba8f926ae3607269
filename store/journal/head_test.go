package journal

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What comes from outside as a signed head or an identity is refused when a
// part of it is missing or has another length. A conversion to an array would
// panic on a signature that is too short.
func TestSignedRefused(t *testing.T) {
	dev, key := device(t, 1)
	long, sig, hash, public := make([]byte, 65), make([]byte, 64), make([]byte, 32), []byte(key.Public().(ed25519.PublicKey))
	head := func(b []byte) error { _, err := DecodeSignedHead(b); return err }
	identity := func(b []byte) error { _, err := DecodeIdentity(b); return err }
	for _, tc := range []struct {
		name   string
		item   any
		decode func([]byte) error
		want   error // nil when it is taken
	}{
		{"a head", []any{1, dev, 7, hash, sig}, head, nil},
		{"head 0", []any{1, dev, 0, hash, sig}, head, nil},
		{"a head with a short signature", []any{1, dev, 7, hash, sig[1:]}, head, ErrInvalid},
		{"a head with a long signature", []any{1, dev, 7, hash, long}, head, ErrInvalid},
		{"a head with an empty signature", []any{1, dev, 7, hash, []byte{}}, head, ErrInvalid},
		{"a head without a signature", []any{1, dev, 7, hash}, head, ErrInvalid},
		{"a head with more after the signature", []any{1, dev, 7, hash, sig, 0}, head, ErrInvalid},
		{"a head with a text for its signature", []any{1, dev, 7, hash, strings.Repeat("s", 64)}, head, ErrInvalid},
		{"a head of no device", []any{1, ID{}, 7, hash, sig}, head, ErrInvalid},
		{"a head with a short hash", []any{1, dev, 7, hash[1:], sig}, head, ErrNotCanonical},
		{"a head with a long hash", []any{1, dev, 7, append(hash, 0), sig}, head, ErrNotCanonical},
		{"a head before the first", []any{1, dev, -1, hash, sig}, head, ErrInvalid},
		{"a head of version 0", []any{0, dev, 7, hash, sig}, head, ErrInvalid},
		{"a head of version 2", []any{2, dev, 7, hash, sig}, head, ErrNewer},
		{"an identity", []any{1, dev, public, sig}, identity, nil},
		{"an identity with a short signature", []any{1, dev, public, sig[1:]}, identity, ErrInvalid},
		{"an identity with a long signature", []any{1, dev, public, long}, identity, ErrInvalid},
		{"an identity with an empty signature", []any{1, dev, public, []byte{}}, identity, ErrInvalid},
		{"an identity with a short key", []any{1, dev, public[1:], sig}, identity, ErrInvalid},
		{"an identity with a long key", []any{1, dev, append(public, 0), sig}, identity, ErrInvalid},
		{"an identity without a key", []any{1, dev, []byte{}, sig}, identity, ErrInvalid},
		{"an identity of no device", []any{1, ID{}, public, sig}, identity, ErrInvalid},
		{"an identity of version 0", []any{0, dev, public, sig}, identity, ErrInvalid},
		{"an identity of version 2", []any{2, dev, public, sig}, identity, ErrNewer},
		{"an empty array", []any{}, identity, ErrInvalid},
		{"a map", map[int]int{1: 1}, identity, ErrInvalid},
		{"a number", 1, identity, ErrInvalid},
	} {
		b, err := Marshal(tc.item)
		if err != nil {
			t.Fatal(err)
		}
		err = tc.decode(b)
		if !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) {
			t.Errorf("%s: %v, want %v", tc.name, err, tc.want)
		}
		if err != nil && !strings.HasPrefix(err.Error(), "decoding a") {
			t.Errorf("%s: %q does not say what was read", tc.name, err)
		}
		if err := tc.decode(append(bytes.Clone(b), 0)); !errors.Is(err, ErrNotCanonical) {
			t.Errorf("%s, and a byte after it: %v, want ErrNotCanonical", tc.name, err)
		}
		if err := tc.decode(b[:len(b)-1]); !errors.Is(err, ErrNotCanonical) {
			t.Errorf("%s, cut short: %v, want ErrNotCanonical", tc.name, err)
		}
	}
}

// A head or an identity is what was encoded, and nothing is signed, checked or
// encoded without a device or with a key of another length: the package that
// does the signing would panic.
func TestSigning(t *testing.T) {
	dev, key := device(t, 1)
	public := key.Public().(ed25519.PublicKey)
	h, err := Sign(Head{dev, 7, Hash{3}}, key)
	if err != nil {
		t.Fatal(err)
	}
	id, err := NewIdentity(dev, key)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := h.Encode(); err != nil {
		t.Error(err)
	} else if got, err := DecodeSignedHead(b); err != nil || got != h {
		t.Errorf("decoded %+v, %v; want %+v", got, err, h)
	}
	if b, err := id.Encode(); err != nil {
		t.Error(err)
	} else if got, err := DecodeIdentity(b); err != nil || !cmp.Equal(got, id) {
		t.Errorf("decoded %+v, %v; want %+v", got, err, id)
	}

	noDevice, noHead := id, SignedHead{Signature: h.Signature}
	noDevice.Device = ID{}
	shortKey := id
	shortKey.Key = public[1:]
	_, zero := Sign(Head{Hash: Hash{3}}, key)
	_, short := Sign(h.Head, key[1:])
	_, unnamed := NewIdentity(ID{}, key)
	_, keyless := NewIdentity(dev, key[1:])
	_, headless := noHead.Encode()
	_, nobody := noDevice.Encode()
	_, halfKey := shortKey.Encode()
	for name, tc := range map[string]struct{ got, want error }{
		"signing for no device":        {zero, ErrInvalid},
		"signing with a short key":     {short, ErrInvalid},
		"introducing no device":        {unnamed, ErrInvalid},
		"introducing with a short key": {keyless, ErrInvalid},
		"encoding a head of none":      {headless, ErrInvalid},
		"encoding nobody":              {nobody, ErrInvalid},
		"encoding a short key":         {halfKey, ErrInvalid},
		"checking with a short key":    {h.Verify(public[1:]), ErrSignature},
		"checking with no key":         {h.Verify(nil), ErrSignature},
		"checking a short identity":    {shortKey.Verify(), ErrSignature},
		"checking what is not signed":  {SignedHead{Head: h.Head}.Verify(public), ErrUnsigned},
		"checking what is signed":      {h.Verify(public), nil},
	} {
		if !errors.Is(tc.got, tc.want) || (tc.got == nil) != (tc.want == nil) {
			t.Errorf("%s: %v, want %v", name, tc.got, tc.want)
		}
	}

	other, otherKey := device(t, 2)
	for name, tc := range map[string]struct {
		j    Identity
		want bool
	}{
		"itself":         {Identity{dev, public, id.Signature}, true},
		"signed anew":    {Identity{dev, public, h.Signature}, true}, // the binding is what counts
		"another device": {Identity{other, public, id.Signature}, false},
		"another key":    {Identity{dev, otherKey.Public().(ed25519.PublicKey), id.Signature}, false},
	} {
		if got := id.Equal(tc.j); got != tc.want {
			t.Errorf("Equal to %s: %t, want %t", name, got, tc.want)
		}
	}
}

// Where a chain ends otherwise than a signed head says, the error names the
// page, in words.
func TestChainEnds(t *testing.T) {
	dev, _ := device(t, 1)
	other, _ := device(t, 2)
	c := NewChain(Head{dev, 4, Hash{4}})
	c.AddHash(Hash{5})
	end := c.Head()
	if end.Seq != 5 || end.Hash != Next(Hash{4}, Hash{5}) {
		t.Fatalf("the chain is at %+v", end)
	}
	for _, seq := range []uint64{0, 5, 7} { // a page that does not come next
		var br *BreakError
		if err := c.Add(Record{Seq: seq}); !errors.Is(err, ErrBroken) || !errors.As(err, &br) || br.Seq != 6 || c.Head() != end {
			t.Errorf("page %d after page 5: %v, and the chain is at %d", seq, err, c.Head().Seq)
		}
	}
	for name, tc := range map[string]struct {
		h    Head
		seq  uint64
		want error
		says string
	}{
		"there":           {end, 0, nil, ""},
		"of another":      {Head{other, 5, end.Hash}, 5, ErrBroken, "the signed head is of " + other.String()},
		"earlier":         {Head{dev, 4, Hash{4}}, 5, ErrUnsigned, "breaks at page 5: not signed"},
		"later":           {Head{dev, 9, end.Hash}, 6, ErrBroken, "pages up to 9 are signed, and missing"},
		"with other hash": {Head{dev, 5, Hash{9}}, 5, ErrBroken, "do not lead to the signed head"},
	} {
		err := c.Ends(tc.h)
		if tc.want == nil {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		var br *BreakError
		if !errors.As(err, &br) || br.Seq != tc.seq || br.Device != dev || !errors.Is(err, tc.want) ||
			!strings.Contains(err.Error(), tc.says) || !strings.HasPrefix(err.Error(), "log of "+dev.String()+" breaks at page ") {
			t.Errorf("%s: %v; want page %d, %v, %q", name, err, tc.seq, tc.want, tc.says)
		}
	}
}
