package cli

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
)

// ruling is what a surveyor says of a reading: that it no longer counts, or
// that it counts however odd it looks.
type ruling struct {
	past string // struck, kept
	had  func(*target) []fieldbook.Ruling
	page func(...survey.Strike) survey.Payload
	any  bool // of anything in the book, not of readings only
}

// target is what is ruled on.
type target struct {
	ref          journal.Ref
	title        string
	struck, kept []fieldbook.Ruling
	with         *fieldbook.Entry // a reading that stands and falls with it
}

type ruleOptions struct {
	env              *Env
	book             *bookFlag
	ruling           ruling
	id, job, why, by string
}

func newStrike(e *Env, b *bookFlag) *cobra.Command {
	return newRuling(e, b, &cobra.Command{
		Use:   "strike ID --why TEXT",
		Short: "say that a reading no longer counts, and why",
		Long: `Strike writes to the book that a reading no longer counts. The reading stays
legible, as a struck figure does on paper. ID stands in the first column of
book. An entry of what was made, and a picture, are struck in the same way.`,
	}, ruling{
		past: "struck",
		had:  func(t *target) []fieldbook.Ruling { return t.struck },
		page: func(s ...survey.Strike) survey.Payload { return survey.Payload{Strikes: s} },
		any:  true,
	})
}

func newKeep(e *Env, b *bookFlag) *cobra.Command {
	return newRuling(e, b, &cobra.Command{
		Use:   "keep ID --why TEXT",
		Short: "say that a suspect reading counts all the same, and why",
		Long: `Keep writes to the book that a reading counts however odd it looks, because it
was read again and came out the same. Check then sets it aside no more, and
says that it was kept. ID stands in the first column of book.`,
	}, ruling{
		past: "kept",
		had:  func(t *target) []fieldbook.Ruling { return t.kept },
		page: func(s ...survey.Strike) survey.Payload { return survey.Payload{Keeps: s} },
	})
}

func newRuling(e *Env, b *bookFlag, c *cobra.Command, r ruling) *cobra.Command {
	o := &ruleOptions{env: e, book: b, ruling: r}
	c.Args = cobra.ExactArgs(1)
	c.RunE = func(_ *cobra.Command, args []string) error {
		o.id = args[0]
		return o.run()
	}
	c.Flags().StringVar(&o.why, "why", "", "the reason, such as \"tape on the wrong post\"")
	c.Flags().StringVar(&o.by, "by", "", "who rules so")
	c.Flags().StringVar(&o.job, "job", "", "the job, where two share the reading's short name")
	if err := c.MarkFlagRequired("why"); err != nil {
		panic(err) // the flag was defined above
	}
	return c
}

func (o *ruleOptions) run() error {
	why, err := survey.ParseNote(o.why)
	if err == nil && why == "" {
		err = fmt.Errorf("the reason is empty: say why in a few words")
	}
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	by, err := survey.ParseWord(o.by)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	s, err := o.book.open(false)
	if err != nil {
		return err
	}
	defer s.Close()
	book, t, err := o.target(s)
	if err != nil {
		return err
	}
	if had := o.ruling.had(t); len(had) > 0 {
		fmt.Fprintf(o.env.Out, "%s was %s already (%s)\n", t.ref.Short(), o.ruling.past, had[0].Why)
		return nil
	}
	rulings := []survey.Strike{{Reading: t.ref, Why: why, By: by}}
	if t.with != nil {
		rulings = append(rulings, survey.Strike{Reading: t.with.Ref, Why: why, By: by})
	}
	if _, err := o.env.write(s, book.Job.ID, o.ruling.page(rulings...)); err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "%s %s, %s, in job %q\n", o.ruling.past, t.ref.Short(), t.title, book.Job.Name)
	if t.with != nil {
		fmt.Fprintf(o.env.Out, "%s %s, %s, with it\n", o.ruling.past, t.with.Ref.Short(), readingTitle(t.with))
	}
	return nil
}

// target finds what is ruled on: a reading, else something that was made, else a
// picture.
func (o *ruleOptions) target(s *store.Store) (*fieldbook.Book, *target, error) {
	book, e, none := find(s, o.job, o.id)
	if none == nil {
		return book, &target{ref: e.Ref, title: readingTitle(e), struck: e.Struck, kept: e.Kept}, nil
	}
	if !o.ruling.any || !errors.Is(none, fieldbook.ErrNoReading) {
		return nil, nil, none
	}
	book, m, err := look(s, o.job, o.id, (*fieldbook.Book).FindMade, fieldbook.ErrNoMade)
	if err == nil {
		return book, &target{ref: m.Ref, title: report.MadeTitle(&m.Made), struck: m.Struck, with: book.TrialOf(m)}, nil
	}
	if !errors.Is(err, fieldbook.ErrNoMade) {
		return nil, nil, err
	}
	book, p, err := look(s, o.job, o.id, (*fieldbook.Book).FindPicture, fieldbook.ErrNoPicture)
	if err == nil {
		return book, &target{ref: p.Ref, title: p.Picture.Title(), struck: p.Struck}, nil
	}
	if !errors.Is(err, fieldbook.ErrNoPicture) {
		return nil, nil, err
	}
	return nil, nil, none
}

func readingTitle(e *fieldbook.Entry) string {
	return e.Reading.Title() + " " + e.Reading.Value.String()
}
