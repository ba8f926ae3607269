package exchange

import (
	"context"
	"errors"
	"fmt"
	"iter"

	"pinchrod/store/journal"
)

// What a caller has to tell apart, beside the journal's sentinels, which
// travel as themselves.
var (
	// ErrForeign: a device may write its own log only.
	ErrForeign = errors.New("not this device's own log")
	// ErrUnknown: no such log, or not one that the asking device may read.
	ErrUnknown = errors.New("no such log for this device")
	// ErrVersion: the other side speaks a later version of the protocol.
	ErrVersion = errors.New("the other side speaks a newer version")
	// ErrProtocol: the other side's bytes are not what this package specifies.
	ErrProtocol = errors.New("not what the protocol asks for")
	// ErrReceipt: the receipt is not the hub's, or is for something else.
	ErrReceipt = errors.New("the receipt does not verify")
	// ErrDamaged: the other side's book is damaged; nothing of what it was given
	// is at fault.
	ErrDamaged = errors.New("the other side's book is damaged")
	// ErrRefused: the other side refuses, in words of its own.
	ErrRefused = errors.New("refused")
)

// A Book is what either side keeps its logs in. The store is one. An error
// about what it holds, rather than what it was given, is [journal.ErrDamaged].
type Book interface {
	Identity() journal.Identity
	Devices() ([]journal.Identity, error)
	Heads() (map[journal.ID]journal.SignedHead, error)
	// Jobs counts the pages held in full, by device and job: the zero ID for
	// pages without a job, [journal.Unread] for those of a newer version.
	Jobs() (map[journal.ID]map[journal.ID]uint64, error)
	Scan(device journal.ID, from uint64) iter.Seq2[journal.Record, error]
	SignedFrom(device journal.ID, seq uint64) (journal.SignedHead, error)
	// Ingest is durable when it returns, or has kept nothing but evidence of a
	// fork.
	Ingest(journal.Identity, []journal.Record, journal.SignedHead) (journal.Taken, error)
	Forget(job journal.ID) (pages int, err error)
	Forgotten() ([]journal.ID, error)
	Margin(prefix string) (map[string][]byte, error)
	SetMargin(map[string][]byte) error
}

// A Batch is consecutive records of one device's log, one or more, and the
// signed head that they end at.
type Batch struct {
	Identity journal.Identity
	Records  []journal.Record
	Head     journal.SignedHead
}

// errNoPages: a head alone says nothing that a log would be kept by.
var errNoPages = fmt.Errorf("%w: a batch without pages", ErrProtocol)

// An Offer opens a meeting.
type Offer struct {
	// Base is the head up to which the device believes its log to be there;
	// the batches go on from it.
	Base journal.Head
	// Seen is the mark of the state that the device has taken in last.
	Seen Mark
}

// A Mark stands for everything that a peer has to show to one reader, but the
// reader's own log. Two equal marks mean that there is nothing new.
type Mark [16]byte

// A Standing is how much of a device's log a peer has to show to one reader.
type Standing struct {
	Head journal.Head
	Full uint64 // pages shown in full; the others travel as their hashes
}

// A State is a peer's answer to an offer.
type State struct {
	Receipt Receipt
	Own     uint64 // pages of the reader's own log that are held in full
	Mark    Mark
	// What follows is empty when Mark is the mark that was offered.
	All       bool         // the reader may read every job
	Jobs      []journal.ID // else the jobs that it may read, in order
	Logs      []Standing   // other devices' logs, in order of their ids
	Forgotten []journal.ID // jobs to be forgotten, in order
}

// A Want asks for the pages of a log from a sequence on.
type Want struct {
	Device journal.ID
	From   uint64
}

// A Peer is where a device's pages go and other devices' come from: a hub over
// the line, a parcel, or a book in memory.
type Peer interface {
	// Hub introduces whoever signs the receipts.
	Hub() journal.Identity
	// Meet gives the peer batches of the device's own log, in order, from the
	// offer's base on, and learns what the peer has to show. acked is called
	// with each head that the peer has on disk, whose hash may be left out: over
	// a line the sequence is enough, and only the receipt vouches; it may be nil.
	// A *[GapError] says that the peer holds less than the base.
	Meet(ctx context.Context, offer Offer, batches iter.Seq2[Batch, error], acked func(journal.Head)) (State, error)
	// Fetch yields batches of the logs that are wanted, log after log.
	Fetch(ctx context.Context, wants []Want) iter.Seq2[Batch, error]
}

// A GapError says that a peer holds a log only up to a head before the one
// that was taken for granted: it was restored from a backup, perhaps.
type GapError struct{ Have journal.Head }

func (e *GapError) Error() string {
	return journal.ErrGap.Error() + ": the other side holds fewer pages than it confirmed"
}

func (e *GapError) Unwrap() error { return journal.ErrGap }
