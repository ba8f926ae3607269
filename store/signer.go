package store

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
)

// headPrefix starts what the device's key signs in its log; see package
// journal.
const headPrefix = "pinchrod head "

// Signer returns the device's key for use beside the log: to prove to a hub
// who it is (TLS), to sign receipts. It signs and does nothing else: the secret
// stays in here. Ed25519 signs the message itself, so that no use can be taken
// for another every use begins what it signs with a prefix of its own, as
// heads of a log do, and as TLS and X.509 do by their formats. What begins as a
// head is refused: only Append signs those. It works on after Close.
func (s *Store) Signer() crypto.Signer {
	key := s.key
	return signer{
		public: bytes.Clone(s.self.Key),
		sign: func(random io.Reader, message []byte, o crypto.SignerOpts) ([]byte, error) {
			if bytes.HasPrefix(message, []byte(headPrefix)) {
				return nil, errors.New("signing: the head of a log is signed by appending to it")
			}
			b, err := key.Sign(random, message, o)
			if err != nil {
				return nil, fmt.Errorf("signing: %w", err)
			}
			return b, nil
		},
	}
}

// signer holds the key in a closure, which no printing of it shows.
type signer struct {
	public ed25519.PublicKey
	sign   func(io.Reader, []byte, crypto.SignerOpts) ([]byte, error)
}

func (s signer) Public() crypto.PublicKey { return s.public }

func (s signer) Sign(random io.Reader, message []byte, o crypto.SignerOpts) ([]byte, error) {
	return s.sign(random, message, o)
}
