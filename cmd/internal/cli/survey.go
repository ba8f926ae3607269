package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"regexp"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"pinchrod/calc/unit"
	"pinchrod/cmd/internal/ask"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/guide"
	"pinchrod/survey/report"
)

type surveyOptions struct {
	env     *Env
	book    *bookFlag
	job, by string
}

func newSurvey(e *Env, b *bookFlag) *cobra.Command {
	o := &surveyOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "survey --job NAME",
		Short: "walk up the stair, question by question",
		Long: `Survey asks for the readings of a stair in the order a person walks it. Every
answer is on disk before the next question shows; leave at any point and it
goes on from there, on another day or after the power died.

At a question: ? how to take it, < back, / skip with a reason, = a second
reading, ! a note, @ jump to another, . what is done and open, q leave.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	jobFlag(c, &o.job)
	c.Flags().StringVar(&o.by, "by", "", "who takes the readings")
	return c
}

func (o *surveyOptions) run(ctx context.Context) (err error) {
	name, err := survey.ParseName(o.job)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	by, err := survey.ParseWord(o.by)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	d, err := o.env.openDesk(o.book, name)
	if err != nil {
		return err
	}
	v := &visit{desk: d, by: by, began: o.env.Now()}
	if err := v.resume(); err != nil {
		return err
	}
	if v.quiet, err = o.book.quietly(); err != nil {
		return err
	}
	defer v.quiet.close()
	v.quiet.kick()
	interrupts := make(chan os.Signal, 1)
	signal.Notify(interrupts, os.Interrupt)
	defer signal.Stop(interrupts)
	v.asker = o.env.asker(ask.Options{Plain: o.env.plain, Interrupt: interrupts})
	defer v.asker.Close()
	// The faces see Ctrl-C themselves: once clears what is half typed.
	err = v.walk(context.WithoutCancel(ctx))
	v.asker.Close()
	switch {
	case errors.Is(err, ask.ErrInterrupted):
		o.env.say("left; everything accepted is in the book, and survey goes on from here")
		return errInterrupted
	case errors.Is(err, ask.ErrEnd):
		o.env.say("the input ended; everything accepted is in the book, and survey goes on from here")
		return nil
	case err != nil:
		return err
	}
	return o.summary(v)
}

// summary says what stands, and how to go on.
func (o *surveyOptions) summary(v *visit) error {
	o.env.say("%s in the book for job %q; leave --job says what is still open", report.Count(len(v.desk.book.Standing()), "reading"), v.desk.name)
	v.quiet.close()
	return o.env.sayStanding(o.book)
}

// asker chooses the face: lines unless both ends are a terminal.
func (e *Env) asker(o ask.Options) ask.Asker {
	in, isFile := e.In.(*os.File)
	out, isFileToo := e.Out.(*os.File)
	if isFile && isFileToo {
		return ask.Choose(in, out, o)
	}
	return ask.NewLine(e.In, e.Out, o)
}

// visit is one sitting of a walk.
type visit struct {
	desk  *desk
	guide *guide.Walk
	asker ask.Asker
	by    string
	began time.Time
	plan  []fieldbook.Choice // the plan of the stair as it stands in the book
	echo  []string           // what was done last, for the next screen
	tools map[survey.Sort]string
	quiet *quiet // nil when there is no hub to tell
}

// resume rebuilds the walk from the book, in the order it was written.
func (v *visit) resume() error {
	book := v.desk.book
	var stair guide.Stair
	v.plan = book.Chosen(survey.SettingPlan)
	if n := len(v.plan); n > 0 {
		latest := slices.MaxFunc(v.plan, func(a, b fieldbook.Choice) int { return a.Time.Compare(b.Time) })
		var err error
		if stair, err = guide.ParseStair(latest.Value); err != nil {
			return fmt.Errorf("the plan of the stair in the book: %w", err)
		}
	}
	type dated struct {
		at   time.Time
		ref  journal.Ref
		done guide.Done
	}
	var all []dated
	for _, e := range book.Standing() {
		all = append(all, dated{e.Time, e.Ref, guide.Done{Ref: e.Ref, Reading: e.Reading}})
	}
	for _, c := range book.Chosen(survey.SettingSkipped) {
		s, err := guide.ParseSkipped(c.Value)
		if err != nil {
			continue // written by a newer version
		}
		all = append(all, dated{c.Time, c.Ref, guide.Done{Skipped: &s}})
	}
	slices.SortStableFunc(all, func(a, b dated) int {
		if c := a.at.Compare(b.at); c != 0 || a.ref.Device != b.ref.Device {
			return c
		}
		return int(int64(a.ref.Page) - int64(b.ref.Page))
	})
	done := make([]guide.Done, len(all))
	for i, d := range all {
		done[i] = d.done
	}
	v.guide = guide.New(stair, done)
	v.guide.By = v.by
	return nil
}

// walk asks until everything is asked or the person leaves.
func (v *visit) walk(ctx context.Context) error {
	if err := v.chooseKit(ctx); err != nil {
		return err
	}
	wrong := ""
	for {
		q, ok := v.guide.Question()
		if !ok {
			v.asker.Tell("everything is asked")
			return nil
		}
		in, err := v.asker.Ask(ctx, v.screen(q, wrong))
		if err != nil {
			return err
		}
		wrong, in.Text = "", v.inUnits(q, in)
		e, err := v.guide.Do(in)
		if err != nil {
			wrong = err.Error()
			continue
		}
		if len(e.Show) > 0 {
			v.asker.Tell(e.Show...)
			continue
		}
		if e.Leave {
			return nil
		}
		if err := v.carryOut(ctx, q, e); err != nil {
			return err
		}
		v.quiet.kick()
	}
}

// inUnits gives an answer as it was meant: a bare number of a length is inches
// where the job is read in inches.
func (v *visit) inUnits(q guide.Question, in guide.Input) string {
	if v.desk.set.Inches && isLength(q) && (in.Act == guide.Answer || in.Act == guide.Again) && bare.MatchString(in.Text) {
		return in.Text + " in"
	}
	return in.Text
}

// bare is a number or a fraction without a unit.
var bare = regexp.MustCompile(`^[-+]?[0-9][0-9 ./-]*$`)

func isLength(q guide.Question) bool {
	k := q.Reading.Kind()
	return q.Form == guide.Value && k != nil && k.Measure == survey.Length
}

// said is a value as the surveyor thinks of it.
func (v *visit) said(r survey.Reading) string {
	if v.desk.set.Inches && r.Value.Measure == survey.Length {
		return unit.Length(r.Value.N[0]).Format(unit.FeetInches)
	}
	return r.Value.String()
}

// screen is what stands around a question.
func (v *visit) screen(q guide.Question, wrong string) ask.Screen {
	if v.desk.set.Inches && isLength(q) {
		q.Hint = "inches, or 2 ft 8 1/2 in, or 826 mm"
	}
	s := ask.Screen{Question: q, Above: v.echo, Wrong: wrong}
	if p := q.Reading.Where; p != "" {
		flags, bay := v.desk.site.Verdict(p)
		s.Below = report.Closing(flags, bay)
		if bay != nil {
			s.Bay = report.Sketch(bay, 36, 8)
		}
	}
	if spent := v.desk.env.Now().Sub(v.began).Round(time.Minute); spent > 0 {
		s.Below = fmt.Sprintf("%d min; %s", int(spent.Minutes()), s.Below)
	}
	return s
}

// carryOut writes an event down, and only then lets the walk go on.
func (v *visit) carryOut(ctx context.Context, q guide.Question, e guide.Event) error {
	var ref journal.Ref
	switch {
	case e.Record != nil:
		r := *e.Record
		r.By, r.Tool = v.by, v.toolFor(r.Kind())
		odd := e.Odd
		if odd == "" && !e.Replaces {
			odd = v.desk.site.Odd(r)
		}
		keep := false
		if odd != "" {
			var err error
			if keep, err = v.confirm(ctx, q, odd); err != nil || !keep {
				return err
			}
		}
		entry, err := v.record(r, e, keep, odd)
		if err != nil {
			return err
		}
		ref = entry.Ref
		*e.Record = r
		v.echo = []string{fmt.Sprintf("%s  %s  %s", ref.Short(), r.Title(), v.said(r))}
	case e.Skipped != nil:
		if err := v.set(survey.SettingSkipped, e.Skipped.String(), nil); err != nil {
			return err
		}
		v.echo = []string{"skipped " + e.Skipped.ID}
	case e.Note != "":
		if err := v.set(survey.SettingNote, e.ID+": "+e.Note, nil); err != nil {
			return err
		}
		v.echo = []string{"noted"}
	case e.Stair != nil:
		if e.Odd != "" {
			if keep, err := v.confirm(ctx, q, e.Odd); err != nil || !keep {
				return err
			}
		}
		var old []journal.Ref
		for _, c := range v.plan {
			old = append(old, c.Ref)
		}
		now, err := v.setting(survey.SettingPlan, e.Stair.String(), old)
		if err != nil {
			return err
		}
		v.plan = []fieldbook.Choice{now}
		v.echo = nil
	default:
		v.echo = nil
	}
	v.guide.Commit(e, ref)
	return nil
}

// record writes a reading, and that it was kept where it is odd.
func (v *visit) record(r survey.Reading, e guide.Event, keep bool, odd string) (fieldbook.Entry, error) {
	entry, err := v.desk.put(r)
	if err != nil {
		return entry, err
	}
	if e.Replaces {
		v.desk.replaced(r.Replaces, entry.Ref)
	}
	if keep {
		_, err = v.desk.write(survey.Payload{Keeps: []survey.Strike{{Reading: entry.Ref, Why: "kept on site: " + odd, By: v.by}}})
	}
	return entry, err
}

// confirm asks, with one key, whether something odd is to be kept.
func (v *visit) confirm(ctx context.Context, q guide.Question, odd string) (bool, error) {
	c := guide.Question{
		ID: q.ID, Form: guide.Choice, Title: odd, Place: q.Place, N: q.N, Of: q.Of,
		Choices: []guide.Option{{Key: 'r', Label: "read it again"}, {Key: 'k', Label: "keep it as it is"}},
	}
	wrong := ""
	for {
		in, err := v.asker.Ask(ctx, ask.Screen{Question: c, Wrong: wrong})
		if err != nil {
			return false, err
		}
		if in.Act == guide.Leave {
			return false, ask.ErrEnd // what is odd was not taken
		}
		wrong = "r reads it again, k keeps it"
		if in.Act == guide.Answer && in.Text == "k" {
			return true, nil
		}
		if in.Act == guide.Answer && in.Text == "r" || in.Act == guide.Back {
			return false, nil
		}
	}
}

func (v *visit) set(name, value string, replaces []journal.Ref) error {
	_, err := v.setting(name, value, replaces)
	return err
}

func (v *visit) setting(name, value string, replaces []journal.Ref) (fieldbook.Choice, error) {
	ref, err := v.desk.write(survey.Payload{Settings: []survey.Setting{{Name: name, Value: value, Replaces: replaces}}})
	return fieldbook.Choice{Ref: ref, Name: name, Value: value, Time: v.desk.env.Now()}, err
}
