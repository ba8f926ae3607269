package exchange

import (
	"errors"
	"fmt"

	"pinchrod/store/journal"
)

// refusals are the sentinels that travel, each under its number. A number that
// a reader does not know is ErrRefused.
var refusals = []struct {
	code uint64
	err  error
}{
	{1, journal.ErrGap},
	{2, journal.ErrFork},
	{3, journal.ErrBroken},
	{4, journal.ErrSignature},
	{5, journal.ErrUnsigned},
	{6, journal.ErrNotCanonical},
	{7, journal.ErrInvalid},
	{8, ErrForeign},
	{9, ErrUnknown},
	{10, ErrVersion},
	{11, ErrProtocol},
	{codeDamaged, ErrDamaged},
}

const (
	lastOfLog   = 7 // the last code that is the journal's
	codeDamaged = 12
)

type wireRefusal struct {
	Code uint64    `cbor:"1,keyasint"`
	Text string    `cbor:"2,keyasint,omitempty"`
	Head *wireHead `cbor:"3,keyasint,omitempty"`
}

// refuse writes why the other side's request is not done. What is not one of
// the refusals is the host's own trouble, whose particulars stay with it.
func (w *Writer) refuse(err error) error {
	if errors.Is(err, journal.ErrDamaged) {
		// What is wrong with a book's own bytes has the names, too, of what can be
		// wrong with those that come, and is none of the other side's doing.
		return w.frame(kindRefusal, wireRefusal{Code: codeDamaged, Text: "its book is damaged, and yours is not: tell whoever keeps it to recover it"})
	}
	x := wireRefusal{Text: "the other side is in trouble of its own; try again later"}
	for _, r := range refusals {
		if errors.Is(err, r.err) {
			x.Code, x.Text = r.code, r.err.Error()
			break
		}
	}
	// More is said of what this package or the log itself says: what the book
	// says beside that names the host's file.
	var at *journal.BreakError
	switch {
	case x.Code == 0:
	case errors.As(err, &at):
		x.Text = at.Error()
	case x.Code > lastOfLog:
		x.Text = err.Error()
	}
	var gap *GapError
	if errors.As(err, &gap) {
		x.Head = &wireHead{gap.Have.Seq, gap.Have.Hash}
	}
	return w.frame(kindRefusal, x)
}

func readRefusal(body []byte, device journal.ID) error {
	var x wireRefusal
	if err := decode(body, &x); err != nil {
		return fmt.Errorf("reading a refusal: %w", err)
	}
	why := ErrRefused
	for _, r := range refusals {
		if r.code == x.Code {
			why = r.err
		}
	}
	if why == journal.ErrGap && x.Head != nil {
		return &GapError{Have: journal.Head{Device: device, Seq: x.Head.Seq, Hash: x.Head.Hash}}
	}
	return &refusedError{why, x.Text}
}

// A refusedError says what the other side said, and is the sentinel it meant.
type refusedError struct {
	err  error
	text string
}

func (e *refusedError) Error() string {
	if e.text == "" {
		return e.err.Error()
	}
	return "the other side refuses: " + e.text
}

func (e *refusedError) Unwrap() error { return e.err }
