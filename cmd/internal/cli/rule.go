package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// ruling is what a surveyor says of a reading: that it no longer counts, or
// that it counts however odd it looks.
type ruling struct {
	past string // struck, kept
	had  func(*fieldbook.Entry) []fieldbook.Ruling
	page func(survey.Strike) survey.Payload
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
book.`,
	}, ruling{
		past: "struck",
		had:  func(e *fieldbook.Entry) []fieldbook.Ruling { return e.Struck },
		page: func(s survey.Strike) survey.Payload { return survey.Payload{Strikes: []survey.Strike{s}} },
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
		had:  func(e *fieldbook.Entry) []fieldbook.Ruling { return e.Kept },
		page: func(s survey.Strike) survey.Payload { return survey.Payload{Keeps: []survey.Strike{s}} },
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
	book, e, err := find(s, o.job, o.id)
	if err != nil {
		return err
	}
	if had := o.ruling.had(e); len(had) > 0 {
		fmt.Fprintf(o.env.Out, "%s was %s already (%s)\n", e.Ref.Short(), o.ruling.past, had[0].Why)
		return nil
	}
	if _, err := o.env.write(s, book.Job.ID, o.ruling.page(survey.Strike{Reading: e.Ref, Why: why, By: by})); err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "%s %s, %s %s, in job %q\n", o.ruling.past, e.Ref.Short(), e.Reading.Title(), e.Reading.Value, book.Job.Name)
	return nil
}
