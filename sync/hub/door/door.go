// Package door is what a hub and its clients agree on about the door between
// them, beside what goes through it, which is package exchange's: how either
// side shows its key, what is asked where, and how a refusal is worded.
//
// # Line
//
// TCP, TLS 1.3, HTTP/2 by ALPN "h2". Both sides show a certificate that they
// made themselves, over the Ed25519 key of their own device's log (RFC 8410);
// nothing in it counts but the key. The hub is known by its key's fingerprint,
// the SHA-256 of the SubjectPublicKeyInfo, and later by the key in its identity;
// a device by the key that it joined with.
//
// # Requests
//
//	POST /v1/meet            exchange: a meeting
//	POST /v1/fetch           exchange: a fetch
//	POST /v1/join            an invitation is used: JoinRequest, JoinAnswer
//	POST /v1/pictures        which pictures are there: PicturesRequest, -Answer
//	HEAD /v1/picture/{sum}   how much of a picture is there: Upload-Offset,
//	                         and Content-Length when it is whole
//	GET  /v1/picture/{sum}   a picture, or the range asked for (RFC 9110)
//	PUT  /v1/picture/{sum}?job={id}&size={n}&from={n}
//	                         a picture, from an offset on; Upload-Offset says
//	                         how much is there now
//	GET  /healthz            "ok"
//
// {sum} is the picture's SHA-256 in lower-case hex. The body of a meeting and of
// an answer to a fetch can be zstd (Content-Encoding, RFC 8878), with a window
// of at most [Window]. What is not answered with a status of 2xx has a [Trouble]
// for its body.
//
// Who has not joined is answered at /v1/join and /healthz only.
package door

import (
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/big"
	"time"
)

// The paths of the requests.
const (
	Meet     = "/v1/meet"
	Fetch    = "/v1/fetch"
	Join     = "/v1/join"
	Picture  = "/v1/picture/"
	Pictures = "/v1/pictures"
	Health   = "/healthz"
)

// ALPN is the one protocol spoken (RFC 9113 section 3.2).
const ALPN = "h2"

// UploadOffset is the header that says how many bytes of a picture are there.
const UploadOffset = "Upload-Offset"

// Window is the largest zstd window that either side accepts, which is what a
// stream costs the reader in memory, and Packing the one that ours packs with:
// of 100,000 readings in batches of 200 kB, windows from 256 KiB to 8 MiB make
// the same size within 1 % (measured), the smaller the better.
const (
	Window  = 1 << 20
	Packing = 256 << 10
)

// A Fingerprint is the SHA-256 of a key's SubjectPublicKeyInfo.
type Fingerprint [sha256.Size]byte

// FingerprintOf returns a key's fingerprint.
func FingerprintOf(key ed25519.PublicKey) (Fingerprint, error) {
	spki, err := x509.MarshalPKIXPublicKey(key)
	if err != nil {
		return Fingerprint{}, fmt.Errorf("taking a key's fingerprint: %w", err)
	}
	return sha256.Sum256(spki), nil
}

// Certificate makes the certificate that shows a device's key. It never ends
// (RFC 5280 section 4.1.2.5 writes that so): who may do what is not decided by
// a date in it.
func Certificate(signer crypto.Signer) (tls.Certificate, error) {
	if _, ok := signer.Public().(ed25519.PublicKey); !ok {
		return tls.Certificate{}, errors.New("making a certificate: the key is not an Ed25519 key")
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1),
		NotBefore:    time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC),
		NotAfter:     time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, signer.Public(), signer)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("making a certificate: %w", err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: signer}, nil
}

// KeyOf returns the key that the other end of a line has shown, and, once the
// handshake is over, proved.
func KeyOf(state tls.ConnectionState) (ed25519.PublicKey, error) {
	if len(state.PeerCertificates) == 0 {
		return nil, errors.New("the other side shows no certificate")
	}
	key, ok := state.PeerCertificates[0].PublicKey.(ed25519.PublicKey)
	if !ok {
		return nil, errors.New("the other side's key is not an Ed25519 key")
	}
	return key, nil
}

// HubTLS is how a hub listens: to anyone who shows an Ed25519 key. Whose it is
// is looked up when the handshake has proved it.
func HubTLS(own tls.Certificate) *tls.Config {
	return &tls.Config{
		MinVersion:   tls.VersionTLS13,
		NextProtos:   []string{ALPN},
		Certificates: []tls.Certificate{own},
		ClientAuth:   tls.RequireAnyClientCert,
		VerifyConnection: func(state tls.ConnectionState) error {
			_, err := KeyOf(state)
			return err
		},
		// A ticket would be a second way in, to be revoked too; a handshake
		// costs half a millisecond.
		SessionTicketsDisabled: true,
	}
}

// ClientTLS is how a client calls a hub: known says whether the key is the hub's.
func ClientTLS(own tls.Certificate, known func(ed25519.PublicKey) error) *tls.Config {
	return &tls.Config{
		MinVersion:   tls.VersionTLS13,
		NextProtos:   []string{ALPN},
		Certificates: []tls.Certificate{own},
		// The key is pinned; no name and no authority vouches for it.
		InsecureSkipVerify: true,
		VerifyConnection: func(state tls.ConnectionState) error {
			key, err := KeyOf(state)
			if err != nil {
				return err
			}
			return known(key)
		},
	}
}
