package door

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"testing"

	"pinchrod/store/journal"
)

func TestFingerprint(t *testing.T) {
	// The key of RFC 8032 section 7.1, test 1, in the SubjectPublicKeyInfo of RFC
	// 8410 section 4: SEQUENCE { SEQUENCE { 1.3.101.112 }, BIT STRING key }.
	key, err := hex.DecodeString("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
	if err != nil {
		t.Fatal(err)
	}
	want := sha256.Sum256(append([]byte{0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00}, key...))
	if got, err := FingerprintOf(key); err != nil || got != want {
		t.Errorf("got %x, %v, want %x", got, err, want)
	}
}

func TestCertificate(t *testing.T) {
	key := ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))
	c, err := Certificate(key)
	if err != nil {
		t.Fatal(err)
	}
	x, err := x509.ParseCertificate(c.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := x.CheckSignature(x.SignatureAlgorithm, x.RawTBSCertificate, x.Signature); err != nil {
		t.Error(err)
	}
	if x.NotAfter.Year() != 9999 || len(c.Certificate[0]) > 250 {
		t.Errorf("good until %v, %d bytes", x.NotAfter, len(c.Certificate[0]))
	}
	got, err := KeyOf(tls.ConnectionState{PeerCertificates: []*x509.Certificate{x}})
	if err != nil || !got.Equal(key.Public()) {
		t.Errorf("got %x, %v", got, err)
	}
	other, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Certificate(other); err == nil {
		t.Error("an ECDSA key: got a certificate")
	}
	if _, err := KeyOf(tls.ConnectionState{}); err == nil {
		t.Error("no certificate: got a key")
	}
}

// Every error arrives as itself, with its words; the hub's own trouble arrives
// without them.
func TestTrouble(t *testing.T) {
	for _, x := range troubles {
		status, body := TroubleOf(fmt.Errorf("joining: %w: because", x.err))
		got := Err(status, body)
		if !errors.Is(got, x.err) || got.Error() != "joining: "+x.err.Error()+": because" || status != x.status {
			t.Errorf("%v: got %v, status %d", x.err, got, status)
		}
	}
	status, body := TroubleOf(errors.New("open /srv/hub.book: no space left on device"))
	if got := Err(status, body); !errors.Is(got, ErrBusy) || status != 500 || got.Error() != "the hub is in trouble of its own; try again later" {
		t.Errorf("got %v, status %d", got, status)
	}
	later, err := journal.Marshal(map[uint64]any{1: 99, 2: "of a later version", 9: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		status int
		body   []byte
		want   error
	}{
		{429, nil, ErrBusy}, {502, []byte("<html>"), ErrBusy}, {401, nil, ErrNotEnrolled}, {404, nil, ErrNotFound}, {418, later, ErrRequest}, {302, nil, ErrRequest},
	} {
		if got := Err(x.status, x.body); !errors.Is(got, x.want) {
			t.Errorf("status %d: got %v, want %v", x.status, got, x.want)
		}
	}
}

func TestRole(t *testing.T) {
	for _, r := range []Role{Surveyor, Bench} {
		b, err := r.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var got Role
		if err := got.UnmarshalText(b); err != nil || got != r {
			t.Errorf("%s: got %v, %v", b, got, err)
		}
	}
	var r Role
	if err := r.UnmarshalText([]byte("owner")); !errors.Is(err, journal.ErrSyntax) {
		t.Errorf("got %v, want %v", err, journal.ErrSyntax)
	}
}
