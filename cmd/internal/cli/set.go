package cli

import (
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/lines"
)

type setOptions struct {
	env          *Env
	book         *bookFlag
	job, profile string
	example      bool
	house        bool
	pairs        []string
}

func newSet(e *Env, b *bookFlag) *cobra.Command {
	o := &setOptions{env: e, book: b}
	var names strings.Builder
	for _, n := range asfound.SettingNames() {
		fmt.Fprintf(&names, "\n  %-16s %s", n[0], n[1])
	}
	c := &cobra.Command{
		Use:   "set --job NAME [NAME=VALUE ...]",
		Short: "choose the rule profile and the house figures of a job",
		Long: `Set writes settings to a job's book, where check and the workshop find them.
Without any it lists those that stand. For example:

  pinchrod set --job "14 Weir Street" saw=workshop spares=2 minutes-visit=90

With --house they hold for every job that does not set them itself:

  pinchrod set --house minutes-recut=10 saw=workshop

--profile-file takes a rule profile of your own: a CSV file with the columns of
the built-in ones, which --profile-example writes.

The settings are:` + names.String(),
		Args: cobra.ArbitraryArgs,
		RunE: func(_ *cobra.Command, args []string) error {
			o.pairs = args
			return o.run()
		},
	}
	c.Flags().StringVar(&o.job, "job", "", "the job's name, such as its address")
	c.Flags().BoolVar(&o.house, "house", false, "for every job that does not set them itself")
	c.Flags().StringVar(&o.profile, "profile-file", "", "a rule profile of your own")
	c.Flags().BoolVar(&o.example, "profile-example", false, "write the profile of England as a file to begin from")
	return c
}

func (o *setOptions) writeExample() error {
	p, err := asfound.ExampleProfile()
	if err != nil {
		return err
	}
	_, err = o.env.Out.Write(p)
	return err
}

func (o *setOptions) run() error {
	if o.example {
		return o.writeExample()
	}
	wanted, err := o.wanted()
	if err != nil {
		return err
	}
	if o.house {
		if o.job != "" || o.profile != "" {
			return fmt.Errorf("%w: --house is for every job: leave --job and --profile-file out", errUsage)
		}
		return o.env.setHouse(wanted)
	}
	if o.job == "" {
		return fmt.Errorf("%w: say which job with --job NAME, or --house for every job", errUsage)
	}
	if len(wanted) == 0 {
		return o.list()
	}
	s, err := o.book.open(false)
	if err != nil {
		return err
	}
	defer s.Close()
	book, err := loadFrom(s, o.job)
	if err != nil {
		return err
	}
	scratch := o.env.settings()
	scratch.FromBook(book)
	for i, w := range wanted {
		if err := scratch.Set(w.Name, w.Value); err != nil {
			return fmt.Errorf("%w: %w", errUsage, err)
		}
		for _, c := range book.Chosen(w.Name) {
			wanted[i].Replaces = append(wanted[i].Replaces, c.Ref)
		}
	}
	if _, err := o.env.write(s, book.Job.ID, survey.Payload{Settings: wanted}); err != nil {
		return err
	}
	for _, w := range wanted {
		fmt.Fprintf(o.env.Out, "%s is %s for job %q\n", w.Name, brief(w.Value), book.Job.Name)
	}
	return nil
}

// wanted reads the settings of the call.
func (o *setOptions) wanted() ([]survey.Setting, error) {
	var out []survey.Setting
	if o.profile != "" {
		data, err := os.ReadFile(o.profile)
		if err != nil {
			return nil, fmt.Errorf("%w: reading the rule profile: %w", errUsage, err)
		}
		out = append(out, survey.Setting{Name: asfound.OwnProfile, Value: string(data)}, survey.Setting{Name: "profile", Value: "own"})
	}
	seen := map[string]bool{}
	for _, p := range o.pairs {
		name, value, ok := strings.Cut(p, "=")
		name = strings.TrimSpace(name)
		if !ok || name == "" || name == asfound.OwnProfile {
			return nil, fmt.Errorf("%w: %q: write NAME=VALUE, such as profile=england", errUsage, p)
		}
		if seen[name] {
			return nil, fmt.Errorf("%w: %s is set twice in one call", errUsage, name)
		}
		seen[name] = true
		out = append(out, survey.Setting{Name: name, Value: strings.TrimSpace(value)})
	}
	return out, nil
}

func (o *setOptions) list() error {
	book, err := o.book.load(o.job)
	if err != nil {
		return err
	}
	choices := slices.DeleteFunc(book.Settings(), func(c fieldbook.Choice) bool {
		return slices.Contains(survey.WalkSettings, c.Name)
	})
	for _, c := range choices {
		fmt.Fprintf(o.env.Out, "%s=%s\n", lines.Clean(c.Name), brief(c.Value))
	}
	if len(choices) == 0 {
		o.env.say("nothing is set for job %q: the defaults hold", book.Job.Name)
	}
	return nil
}

// brief keeps the text of a profile off a line, and makes the rest safe to show.
func brief(value string) string {
	if n := strings.Count(value, "\n"); n > 0 {
		return fmt.Sprintf("%d lines", n)
	}
	return lines.Clean(value)
}
