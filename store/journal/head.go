package journal

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
)

// A Head is the state of a device's log after page Seq. It stands for every
// page up to it.
type Head struct {
	Device ID
	Seq    uint64
	Hash   Hash
}

// A SignedHead is a head the device's key vouches for.
type SignedHead struct {
	Head
	Signature [ed25519.SignatureSize]byte
}

type wireHead struct {
	_       struct{} `cbor:",toarray"`
	Version uint64
	Device  ID
	Seq     uint64
	Hash    Hash
}

type wireSignedHead struct {
	_         struct{} `cbor:",toarray"`
	Version   uint64
	Device    ID
	Seq       uint64
	Hash      Hash
	Signature []byte
}

// signed returns the bytes the signature covers.
func (h Head) signed() ([]byte, error) {
	b, err := Marshal(wireHead{Version: version, Device: h.Device, Seq: h.Seq, Hash: h.Hash})
	return append([]byte(headDomain), b...), err
}

// Sign signs a head with the device's key.
func Sign(h Head, key ed25519.PrivateKey) (SignedHead, error) {
	if h.Device.IsZero() || len(key) != ed25519.PrivateKeySize {
		return SignedHead{}, fmt.Errorf("signing head %d: %w: no device or no key", h.Seq, ErrInvalid)
	}
	msg, err := h.signed()
	if err != nil {
		return SignedHead{}, fmt.Errorf("signing head %d: %w", h.Seq, err)
	}
	return SignedHead{h, [64]byte(ed25519.Sign(key, msg))}, nil
}

// Verify checks the signature against the device's key. Head 0 must also be
// the one that binds the device to this key.
func (h SignedHead) Verify(key ed25519.PublicKey) error {
	if h.Signature == [64]byte{} {
		return fmt.Errorf("head %d of %s: %w", h.Seq, h.Device, ErrUnsigned)
	}
	msg, err := h.signed()
	if err != nil {
		return fmt.Errorf("head %d of %s: %w", h.Seq, h.Device, err)
	}
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, msg, h.Signature[:]) {
		return fmt.Errorf("head %d of %s: %w", h.Seq, h.Device, ErrSignature)
	}
	if h.Seq == 0 && h.Hash != Genesis(h.Device, key) {
		return fmt.Errorf("head 0 of %s: %w: not the head of this device and key", h.Device, ErrBroken)
	}
	return nil
}

// Encode returns the signed head's bytes.
func (h SignedHead) Encode() ([]byte, error) {
	if h.Device.IsZero() {
		return nil, fmt.Errorf("encoding head %d: %w: no device", h.Seq, ErrInvalid)
	}
	return Marshal(wireSignedHead{Version: version, Device: h.Device, Seq: h.Seq, Hash: h.Hash, Signature: h.Signature[:]})
}

// DecodeSignedHead reads a signed head, strictly as [DecodePage] reads a page.
// It does not verify the signature.
func DecodeSignedHead(b []byte) (SignedHead, error) {
	var w wireSignedHead
	if err := decodeVersioned(b, &w); err != nil {
		return SignedHead{}, fmt.Errorf("decoding a signed head: %w", err)
	}
	if w.Device.IsZero() || len(w.Signature) != ed25519.SignatureSize {
		return SignedHead{}, fmt.Errorf("decoding a signed head: %w: no device or no signature", ErrInvalid)
	}
	return SignedHead{Head{w.Device, w.Seq, w.Hash}, [64]byte(w.Signature)}, nil
}

// An Identity introduces a device: its id, its public key, and the key's
// signature on head 0, which proves that whoever made it held the key.
type Identity struct {
	Device    ID
	Key       ed25519.PublicKey
	Signature [ed25519.SignatureSize]byte
}

type wireIdentity struct {
	_         struct{} `cbor:",toarray"`
	Version   uint64
	Device    ID
	Key       []byte
	Signature []byte
}

// NewIdentity binds a device to its key.
func NewIdentity(device ID, key ed25519.PrivateKey) (Identity, error) {
	if len(key) != ed25519.PrivateKeySize {
		return Identity{}, fmt.Errorf("introducing %s: %w: no key", device, ErrInvalid)
	}
	public := key.Public().(ed25519.PublicKey)
	h, err := Sign(Head{device, 0, Genesis(device, public)}, key)
	if err != nil {
		return Identity{}, err
	}
	return Identity{device, public, h.Signature}, nil
}

// Head returns the device's signed head 0.
func (i Identity) Head() SignedHead {
	return SignedHead{Head{i.Device, 0, Genesis(i.Device, i.Key)}, i.Signature}
}

// Verify checks that the key signed head 0.
func (i Identity) Verify() error { return i.Head().Verify(i.Key) }

// Equal reports whether both bind the same device to the same key.
func (i Identity) Equal(j Identity) bool {
	return i.Device == j.Device && bytes.Equal(i.Key, j.Key)
}

// Encode returns the identity's bytes.
func (i Identity) Encode() ([]byte, error) {
	if i.Device.IsZero() || len(i.Key) != ed25519.PublicKeySize {
		return nil, fmt.Errorf("encoding an identity: %w: no device or no key", ErrInvalid)
	}
	return Marshal(wireIdentity{Version: version, Device: i.Device, Key: i.Key, Signature: i.Signature[:]})
}

// DecodeIdentity reads an identity, strictly as [DecodePage] reads a page. It
// does not verify the signature.
func DecodeIdentity(b []byte) (Identity, error) {
	var w wireIdentity
	if err := decodeVersioned(b, &w); err != nil {
		return Identity{}, fmt.Errorf("decoding an identity: %w", err)
	}
	if w.Device.IsZero() || len(w.Key) != ed25519.PublicKeySize || len(w.Signature) != ed25519.SignatureSize {
		return Identity{}, fmt.Errorf("decoding an identity: %w: no device, key or signature", ErrInvalid)
	}
	return Identity{w.Device, w.Key, [64]byte(w.Signature)}, nil
}

// decodeVersioned reads an array whose first element is its version.
func decodeVersioned(b []byte, v any) error {
	if err := Canonical(b); err != nil {
		return err
	}
	w := walker{data: b}
	major, _, n, err := w.head()
	if err != nil || major != majorArray || n == 0 {
		return fmt.Errorf("%w: want an array", ErrInvalid)
	}
	got, err := w.uint()
	if err != nil {
		return err
	}
	if got != version {
		return fmt.Errorf("%w: version %d", ErrNewer, got)
	}
	return asInvalid(unmarshal(b, v))
}

// asInvalid marks an error of the CBOR library, which knows nothing of our
// sentinels, as [ErrInvalid].
func asInvalid(err error) error {
	if err == nil || errors.Is(err, ErrNotCanonical) || errors.Is(err, ErrNewer) {
		return err
	}
	return fmt.Errorf("%w: %w", ErrInvalid, err)
}
