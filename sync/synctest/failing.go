package synctest

import (
	"errors"
	"iter"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// ErrFailing is what a [Failing] book fails with.
var ErrFailing = errors.New("the book fails")

// A Failing book fails once, after so many things that it is asked for have been
// left; each record of a scan is one of them. Left is below zero from then on.
type Failing struct {
	exchange.Book
	Left *int
}

func (f Failing) next() error {
	if *f.Left--; *f.Left == -1 {
		return ErrFailing
	}
	return nil
}

// or answers with the error when it is the time for it, else with what the book
// says.
func or[T any](f Failing, ask func() (T, error)) (v T, err error) {
	if err := f.next(); err != nil {
		return v, err
	}
	return ask()
}

func (f Failing) Devices() ([]journal.Identity, error)                { return or(f, f.Book.Devices) }
func (f Failing) Heads() (map[journal.ID]journal.SignedHead, error)   { return or(f, f.Book.Heads) }
func (f Failing) Jobs() (map[journal.ID]map[journal.ID]uint64, error) { return or(f, f.Book.Jobs) }
func (f Failing) Forgotten() ([]journal.ID, error)                    { return or(f, f.Book.Forgotten) }
func (f Failing) Forget(job journal.ID) (int, error) {
	return or(f, func() (int, error) { return f.Book.Forget(job) })
}
func (f Failing) Margin(prefix string) (map[string][]byte, error) {
	return or(f, func() (map[string][]byte, error) { return f.Book.Margin(prefix) })
}
func (f Failing) SignedFrom(d journal.ID, n uint64) (journal.SignedHead, error) {
	return or(f, func() (journal.SignedHead, error) { return f.Book.SignedFrom(d, n) })
}

func (f Failing) SetMargin(notes map[string][]byte) error {
	if err := f.next(); err != nil {
		return err
	}
	return f.Book.SetMargin(notes)
}

func (f Failing) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	return or(f, func() (journal.Taken, error) { return f.Book.Ingest(id, records, head) })
}

func (f Failing) Scan(device journal.ID, from uint64) iter.Seq2[journal.Record, error] {
	return func(yield func(journal.Record, error) bool) {
		for r, err := range f.Book.Scan(device, from) {
			if e := f.next(); e != nil {
				yield(journal.Record{}, e)
				return
			}
			if !yield(r, err) {
				return
			}
		}
		if e := f.next(); e != nil {
			yield(journal.Record{}, e)
		}
	}
}
