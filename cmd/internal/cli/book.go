package cli

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

type bookOptions struct {
	env  *Env
	book *bookFlag
	job  string
}

func newBook(e *Env, b *bookFlag) *cobra.Command {
	o := &bookOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "book [--job NAME]",
		Short: "show the readings as a table, struck ones struck through",
		Long: `Book shows every reading of a job with its name in the first column, which
strike and correct take. Struck and corrected readings stay legible. Without
--job it lists the jobs.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return o.run() },
	}
	c.Flags().StringVar(&o.job, "job", "", "the job's name, such as its address")
	return c
}

func (o *bookOptions) run() error {
	if o.job == "" {
		return o.list()
	}
	book, set, err := o.book.work(o.job, overrides{})
	if err != nil {
		return err
	}
	return o.env.show(func(w io.Writer, s report.Style) error {
		return report.Book(w, book, set.Kit, set.Rules(), s)
	})
}

func (o *bookOptions) list() error {
	s, err := o.book.open(true)
	if err != nil {
		return err
	}
	defer s.Close()
	return s.View(func(kv store.KV) error {
		jobs, err := fieldbook.Jobs(kv)
		for _, j := range jobs {
			fmt.Fprintf(o.env.Out, "%s  %s\n", j.Since.Format("2006-01-02 15:04"), lines.Clean(j.Name))
		}
		if len(jobs) == 0 && err == nil {
			o.env.say("the book is empty: import a field sheet")
		}
		return err
	})
}

// find looks a reading up by its name in all jobs, or in one.
func find(s *store.Store, job, id string) (*fieldbook.Book, *fieldbook.Entry, error) {
	return look(s, job, id, (*fieldbook.Book).Find, fieldbook.ErrNoReading)
}

// look looks something up by its name in all jobs, or in one; none is what in
// says where a job has nothing of that name.
func look[T any](s *store.Store, job, id string, in func(*fieldbook.Book, string) (*T, error), none error) (book *fieldbook.Book, of *T, err error) {
	var names []string
	if job != "" {
		names = []string{job}
	} else {
		err = s.View(func(kv store.KV) error {
			jobs, err := fieldbook.Jobs(kv)
			for _, j := range jobs {
				names = append(names, j.ID.String())
			}
			return err
		})
		if err != nil {
			return nil, nil, err
		}
	}
	var found int
	for _, n := range names {
		b, err := loadFrom(s, n)
		if err != nil {
			return nil, nil, err
		}
		at, err := in(b, id)
		if errors.Is(err, none) {
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		book, of = b, at
		found++
	}
	switch found {
	case 0:
		return nil, nil, fmt.Errorf("%w %q: the names stand in the first column of book", none, id)
	case 1:
		return book, of, nil
	}
	return nil, nil, fmt.Errorf("%q: %w of that short name: say which job with --job", id, fieldbook.ErrTwo)
}
