package journal

import "errors"

// What is wrong with bytes.
var (
	// ErrNotCanonical: not deterministic CBOR, so its hash would not be the
	// only one for what it says.
	ErrNotCanonical = errors.New("not in the one canonical form")
	// ErrInvalid: canonical, but not what the format asks for.
	ErrInvalid = errors.New("not valid")
	// ErrNewer: written by a later version. It can be kept, verified and
	// passed on, but not wholly read.
	ErrNewer = errors.New("written by a newer version")
	// ErrSyntax: a name in text that is not understood.
	ErrSyntax = errors.New("not understood")
)

// ErrDamaged: what is kept of a log is not what was written. An error that wraps
// it says nothing of what was offered, whatever else it wraps.
var ErrDamaged = errors.New("damaged")

// What is wrong with a log.
var (
	// ErrBroken: the hash chain does not hold.
	ErrBroken = errors.New("the chain is broken")
	// ErrSignature: the device's key did not sign this.
	ErrSignature = errors.New("the signature does not match")
	// ErrUnsigned: no signature vouches for this.
	ErrUnsigned = errors.New("not signed")
	// ErrFork: one device has signed two different logs.
	ErrFork = errors.New("the log has forked")
	// ErrGap: the offered pages do not join those that are held.
	ErrGap = errors.New("earlier pages are missing")
	// ErrWithheld: the page is known by its hash only.
	ErrWithheld = errors.New("the page is withheld")
)
