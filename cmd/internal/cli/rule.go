package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"pinchrod/survey"
)

type strikeOptions struct {
	env              *Env
	book             *bookFlag
	id, job, why, by string
}

func newStrike(e *Env, b *bookFlag) *cobra.Command {
	o := &strikeOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "strike ID --why TEXT",
		Short: "say that a reading no longer counts, and why",
		Long: `Strike writes to the book that a reading no longer counts. The reading stays
legible, as a struck figure does on paper. ID stands in the first column of
book.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.id = args[0]
			return o.run()
		},
	}
	c.Flags().StringVar(&o.why, "why", "", "the reason, such as \"tape on the wrong post\"")
	c.Flags().StringVar(&o.by, "by", "", "who rules so")
	c.Flags().StringVar(&o.job, "job", "", "the job, where two share the reading's short name")
	if err := c.MarkFlagRequired("why"); err != nil {
		panic(err) // the flag was defined above
	}
	return c
}

func (o *strikeOptions) run() error {
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
	if len(e.Struck) > 0 {
		fmt.Fprintf(o.env.Out, "%s was struck already (%s)\n", e.Ref.Short(), e.Struck[0].Why)
		return nil
	}
	if _, err := o.env.write(s, book.Job.ID, survey.Payload{Strikes: []survey.Strike{{Reading: e.Ref, Why: why, By: by}}}); err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "struck %s, %s %s, in job %q\n", e.Ref.Short(), e.Reading.Title(), e.Reading.Value, book.Job.Name)
	return nil
}
