package bench

import (
	"context"

	"pinchrod/calc/stock"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
)

// Source is the book that the pages show. Its methods are called from several
// requests at once; none holds the book while a person looks.
//
// A job that is not there gives an error that wraps fieldbook.ErrNoJob, and a
// setting out of reason one that wraps asfound.ErrSetting.
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
