package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

func newTool(e *Env, b *bookFlag) *cobra.Command {
	c := &cobra.Command{
		Use:   "tool",
		Short: "keep the surveyor's own tapes, levels and gauges, and their checks",
		Long: `Tool keeps the kit. A tool's name goes into the field sheet's column tool. A
reading's uncertainty comes from its tool's class, or the maker's limit, and
its resolution; a check finds the tool's zero error, which is then taken off
every reading with it.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newToolAdd(e, b), newToolCheck(e, b), newToolList(e, b))
	for _, sub := range c.Commands() {
		sub.Args = usage(sub.Args)
	}
	return c
}

type toolAddOptions struct {
	env               *Env
	book              *bookFlag
	name, sort, class string
	hook              bool
	limit, resolution float64
	checked, due      string
}

func newToolAdd(e *Env, b *bookFlag) *cobra.Command {
	o := &toolAddOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "add NAME --sort SORT",
		Short: "add a tool to the kit, or put a new record in place of its old one",
		Args:  cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.name = args[0]
			return o.run()
		},
	}
	f := c.Flags()
	f.StringVar(&o.sort, "sort", "", "tape, rule, rod, laser, level or gauge")
	f.StringVar(&o.class, "class", "", "a tape's class: I, II or III, as it says on the tape")
	f.BoolVar(&o.hook, "hook", false, "the tape is read from its end hook")
	f.Float64Var(&o.limit, "limit", 0, "largest error the maker allows: mm, degrees for a gauge, mm per m for a level")
	f.Float64Var(&o.resolution, "resolution", 1, "smallest step it is read to, in the same unit")
	f.StringVar(&o.checked, "checked", "", "date of its last check")
	f.StringVar(&o.due, "due", "", "date its next check is due")
	if err := c.MarkFlagRequired("sort"); err != nil {
		panic(err) // the flag was defined above
	}
	return c
}

func (o *toolAddOptions) run() error {
	r, err := o.record()
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	s, err := o.book.openOrCreate()
	if err != nil {
		return err
	}
	defer s.Close()
	if _, err := o.env.write(s, journal.ID{}, survey.Payload{Tools: []survey.ToolRecord{r}}); err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "%s is in the kit: %s\n", r.Name, o.sort)
	return nil
}

func (o *toolAddOptions) record() (r survey.ToolRecord, err error) {
	if r.Name, err = survey.ParseToolName(o.name); err != nil {
		return r, err
	}
	if r.Sort, err = survey.ParseSort(o.sort); err != nil {
		return r, err
	}
	if r.Class, err = survey.ParseClass(o.class); err != nil {
		return r, err
	}
	if r.Class == survey.NoClass && o.limit == 0 {
		return r, fmt.Errorf("tool %s: give a tape its --class, or any other its --limit: without it nothing says how true it is", r.Name)
	}
	if r.Class != survey.NoClass && r.Sort != survey.SortTape {
		return r, fmt.Errorf("tool %s: only a tape has a class; give --limit", r.Name)
	}
	r.Hook = o.hook
	if r.Limit, err = r.Sort.ParseLimit(o.limit); err != nil {
		return r, err
	}
	if r.Resolution, err = r.Sort.ParseLimit(o.resolution); err != nil {
		return r, err
	}
	if r.Checked, err = survey.ParseDay(o.checked); err != nil {
		return r, err
	}
	r.Due, err = survey.ParseDay(o.due)
	return r, err
}

type toolCheckOptions struct {
	env                        *Env
	book                       *bookFlag
	name, first, second, known string
	reads, when                string
}

func newToolCheck(e *Env, b *bookFlag) *cobra.Command {
	o := &toolCheckOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "check NAME (--one READING --turned READING | --known LENGTH --reads LENGTH)",
		Short: "write down a check of a tool: turned end for end, or held to a known length",
		Long: `A level or an angle gauge is read on one face, turned end for end, and read
again on the same face, each time with the sign it shows: half the sum is its
zero error. A tape or a laser is held to a length that is known. What is found
is taken off every reading with the tool, and the page says so.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.name = args[0]
			return o.run()
		},
	}
	f := c.Flags()
	f.StringVar(&o.first, "one", "", "the first reading, such as \"1.5 mm in 1000 mm\"")
	f.StringVar(&o.second, "turned", "", "the reading with the tool turned end for end")
	f.StringVar(&o.known, "known", "", "the length that is known")
	f.StringVar(&o.reads, "reads", "", "what the tool reads there")
	f.StringVar(&o.when, "when", "", "the day of the check")
	return c
}

func (o *toolCheckOptions) run() error {
	s, err := o.book.open(false)
	if err != nil {
		return err
	}
	defer s.Close()
	kit, err := o.kit(s)
	if err != nil {
		return err
	}
	tool, err := kit.Tool(o.name)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	c, err := o.check(tool)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	if tool, err = tool.Apply(c); err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	if _, err := o.env.write(s, journal.ID{}, survey.Payload{Checks: []survey.ToolCheck{c}}); err != nil {
		return err
	}
	fmt.Fprintf(o.env.Out, "%s: zero error %+.2f ±%.2f %s, taken off every reading with it\n", tool.Name, tool.Zero, 2*tool.ZeroU, tool.Sort.Unit())
	if tool.Failed() {
		fmt.Fprintf(o.env.Out, "that is beyond its limit of %.2f %s: have it set right\n", tool.MPE(tool.CheckedAt), tool.Sort.Unit())
	}
	return nil
}

func (o *toolCheckOptions) kit(s *store.Store) (kit survey.Kit, err error) {
	err = s.View(func(kv store.KV) error {
		kit, _, err = fieldbook.LoadKit(kv, survey.HouseKit)
		return err
	})
	return kit, err
}

func (o *toolCheckOptions) check(t survey.Tool) (survey.ToolCheck, error) {
	c := survey.ToolCheck{Tool: t.Name, Kind: survey.Reversal}
	first, second := o.first, o.second
	if o.known != "" || o.reads != "" {
		c.Kind = survey.KnownLength
		first, second = o.reads, o.known
	}
	if first == "" || second == "" || c.Kind == survey.KnownLength && (o.first != "" || o.second != "") {
		return c, fmt.Errorf("check of %s: give --one and --turned, or --known and --reads", t.Name)
	}
	var err error
	if c.First, err = t.Sort.ParseReading(first); err != nil {
		return c, err
	}
	if c.Second, err = t.Sort.ParseReading(second); err != nil {
		return c, err
	}
	c.When, err = survey.ParseDay(o.when)
	return c, err
}

type toolListOptions struct {
	env  *Env
	book *bookFlag
}

func newToolList(e *Env, b *bookFlag) *cobra.Command {
	o := &toolListOptions{env: e, book: b}
	return &cobra.Command{
		Use:   "list",
		Short: "show the kit, with what checks said of it",
		Args:  cobra.NoArgs,
		RunE:  func(*cobra.Command, []string) error { return o.run() },
	}
}

func (o *toolListOptions) run() error {
	kit, wrong, err := o.book.kit()
	if err != nil {
		return err
	}
	for _, t := range kit {
		fmt.Fprintf(o.env.Out, "%-12s %s", t.Name, t.Means)
		if t.Tested != "" {
			fmt.Fprintf(o.env.Out, "; zero error %+.2f ±%.2f %s, %s", t.Zero, 2*t.ZeroU, t.Sort.Unit(), t.Tested)
		}
		if t.Failed() {
			fmt.Fprint(o.env.Out, ", beyond its limit")
		}
		if t.Due != "" {
			fmt.Fprintf(o.env.Out, "; next check due %s", t.Due)
		}
		fmt.Fprintln(o.env.Out)
	}
	for _, w := range wrong {
		o.env.say("%v", w)
	}
	return nil
}
