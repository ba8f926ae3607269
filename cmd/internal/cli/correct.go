package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/survey"
)

type correctOptions struct {
	env                         *Env
	book                        *bookFlag
	id, job, value, u, note, by string
}

func newCorrect(e *Env, b *bookFlag) *cobra.Command {
	o := &correctOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "correct ID --value VALUE",
		Short: "take a reading again in place of one that was wrong",
		Long: `Correct writes a new reading at the place of an old one, and names the old one
as replaced. The old figure stays legible. Where two people correct the same
reading, both answers stand and are flagged until one is struck. Write a
negative value as --value=-3.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.id = args[0]
			return o.run()
		},
	}
	f := c.Flags()
	f.StringVar(&o.value, "value", "", "the new value, in any notation of the field sheet")
	f.StringVar(&o.u, "u", "", "its standard uncertainty, where the tool's class does not give it")
	f.StringVar(&o.note, "note", "", "a note")
	f.StringVar(&o.by, "by", "", "who took it")
	f.StringVar(&o.job, "job", "", "the job, where two share the reading's short name")
	if err := c.MarkFlagRequired("value"); err != nil {
		panic(err) // the flag was defined above
	}
	return c
}

func (o *correctOptions) run() error {
	s, err := o.book.open(false)
	if err != nil {
		return err
	}
	defer s.Close()
	book, e, err := find(s, o.job, o.id)
	if err != nil {
		return err
	}
	r, err := o.reading(e.Reading)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	r.Replaces = e.Ref
	ref, err := o.env.write(s, book.Job.ID, survey.Payload{Readings: []survey.Reading{r}})
	if err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "%s %s stands in place of %s %s\n", ref.Short(), r.Value, e.Ref.Short(), e.Reading.Value)
	if len(e.Fixed) > 0 {
		o.env.say("note: %s corrects it too, and both stand: strike the one that is wrong", e.Fixed[0].Short())
	}
	return nil
}

// reading is the old one with a new value.
func (o *correctOptions) reading(old survey.Reading) (survey.Reading, error) {
	r := old
	k := r.Kind()
	if k == nil {
		return r, fmt.Errorf("%s: %w: update pinchrod to correct it", old.What, survey.ErrNewer)
	}
	var err error
	r.Text, r.When = strings.TrimSpace(o.value), ""
	if r.Value, err = k.ParseValue(r.Text); err != nil {
		return r, err
	}
	if o.u != "" {
		if r.U, err = k.ParseU(o.u); err != nil {
			return r, err
		}
	}
	if r.Note, err = survey.ParseNote(o.note); err != nil {
		return r, err
	}
	r.By, err = survey.ParseWord(o.by)
	return r, err
}
