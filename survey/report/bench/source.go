package bench

import (
	"context"
	"errors"

	"pinchrod/calc/stock"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
)

// What a source has to tell apart of a book that cannot be opened, so that a person
// is told what to do. What else goes wrong is the server's to look at.
var (
	// ErrBusy: another program holds the book. Nothing was read or written, and soon
	// it may be.
	ErrBusy = errors.New("the book is in use")
	// ErrNoBook: the book's file is not there, or has nothing in it.
	ErrNoBook = errors.New("there is no book")
	// ErrDamaged: the book's file is not as it was written. A source may as well give
	// [journal.ErrDamaged].
	ErrDamaged = errors.New("the book is damaged")
)

// Source is the book that the pages show. Its methods are called from several
// requests at once; none holds the book while a person looks.
//
// A job that is not there gives an error that wraps fieldbook.ErrNoJob, and a
// setting out of reason one that wraps asfound.ErrSetting. A book that cannot be
// opened gives one that wraps [ErrBusy], [ErrNoBook] or [ErrDamaged].
type Source interface {
	// Jobs lists the jobs in the order they were made.
	Jobs() ([]fieldbook.Job, error)
	// Work works out a job, by its ID; set are settings by name that hold for
	// this look alone, over those in the book. With a place, only that flight or
	// bay, and what it rests on, need be worked out.
	Work(ctx context.Context, job string, place survey.Place, set map[string]string) (*Work, error)
	// Bars are what the shop can saw from: bars that can be bought, and offcuts
	// on the rack.
	Bars() ([]stock.Bar, error)
	// Record writes what was made into the bench's own log, with the readings that
	// go with it, all on one page, and gives the name of the entry, such as NK-142.1:
	// its number follows the readings'.
	Record(job string, m survey.Made, readings []survey.Reading) (string, error)
	// Strike says that entries of the job's book no longer count, all on one page.
	Strike(job string, entries []journal.Ref, why, by string) error
	// Picture gives a small picture, a JPEG of at most 320 pixels a side, of one
	// that a book names by the SHA-256 of its bytes. One that has not arrived
	// gives an error that wraps fs.ErrNotExist.
	Picture(sum [32]byte) ([]byte, error)
}

// Work is a job worked out.
type Work struct {
	Book     *fieldbook.Book
	Settings asfound.Settings
	Found    *asfound.Findings
	Entry    string // newest entries of the book that the findings know, for the sheets
	Kit      survey.Kit
}
