package exchange

import (
	"crypto"
	"crypto/ed25519"
	"fmt"
	"time"

	"pinchrod/store/journal"
)

// receiptPrefix keeps a receipt's signature from being taken for any other
// that the same key makes.
const receiptPrefix = "pinchrod receipt v1\x00"

// A Receipt is a hub's word that a device's log is on its disk up to a head.
type Receipt struct {
	Head      journal.Head
	Time      time.Time // the hub's, kept to the millisecond, in UTC
	Signature [ed25519.SignatureSize]byte
}

type wireReceipt struct {
	_         struct{} `cbor:",toarray"`
	Version   uint64
	Device    journal.ID
	Seq       uint64
	Hash      journal.Hash
	Time      int64
	Signature []byte
}

type signedReceipt struct {
	_       struct{} `cbor:",toarray"`
	Version uint64
	Device  journal.ID
	Seq     uint64
	Hash    journal.Hash
	Time    int64
}

func (r Receipt) signed() ([]byte, error) {
	b, err := journal.Marshal(signedReceipt{Version: 1, Device: r.Head.Device, Seq: r.Head.Seq, Hash: r.Head.Hash, Time: r.Time.UnixMilli()})
	return append([]byte(receiptPrefix), b...), err
}

// SignReceipt makes out a receipt with the hub's key.
func SignReceipt(h journal.Head, now time.Time, key crypto.Signer) (Receipt, error) {
	r := Receipt{Head: h, Time: now.UTC().Truncate(time.Millisecond)}
	b, err := r.signed()
	if err != nil {
		return Receipt{}, fmt.Errorf("signing a receipt: %w", err)
	}
	sig, err := key.Sign(nil, b, crypto.Hash(0))
	if err != nil {
		return Receipt{}, fmt.Errorf("signing a receipt: %w", err)
	}
	if copy(r.Signature[:], sig) != len(sig) || len(sig) != ed25519.SignatureSize {
		return Receipt{}, fmt.Errorf("signing a receipt: a signature of %d bytes", len(sig))
	}
	return r, nil
}

// Verify checks that the hub signed the receipt.
func (r Receipt) Verify(hub journal.Identity) error {
	b, err := r.signed()
	if err != nil {
		return err
	}
	if len(hub.Key) != ed25519.PublicKeySize || !ed25519.Verify(hub.Key, b, r.Signature[:]) {
		return fmt.Errorf("%w: not signed by hub %s", ErrReceipt, hub.Device.Tag())
	}
	return nil
}

func (r Receipt) wire() wireReceipt {
	return wireReceipt{Version: 1, Device: r.Head.Device, Seq: r.Head.Seq, Hash: r.Head.Hash, Time: r.Time.UnixMilli(), Signature: r.Signature[:]}
}

func (w wireReceipt) receipt() (Receipt, error) {
	if w.Version != 1 {
		return Receipt{}, fmt.Errorf("receipt: %w: version %d", ErrVersion, w.Version)
	}
	if len(w.Signature) != ed25519.SignatureSize {
		return Receipt{}, fmt.Errorf("receipt: %w: a signature of %d bytes", ErrProtocol, len(w.Signature))
	}
	return Receipt{
		Head:      journal.Head{Device: w.Device, Seq: w.Seq, Hash: w.Hash},
		Time:      time.UnixMilli(w.Time).UTC(),
		Signature: [ed25519.SignatureSize]byte(w.Signature),
	}, nil
}

// Encode returns the receipt's bytes.
func (r Receipt) Encode() ([]byte, error) { return journal.Marshal(r.wire()) }

// DecodeReceipt reads a receipt. It does not verify the signature.
func DecodeReceipt(b []byte) (Receipt, error) {
	var w wireReceipt
	if err := journal.Unmarshal(b, &w); err != nil {
		return Receipt{}, fmt.Errorf("receipt: %w: %w", ErrProtocol, err)
	}
	return w.receipt()
}
