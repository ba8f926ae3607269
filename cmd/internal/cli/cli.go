// Package cli is the command line: one file a verb, each an options struct and
// a run function. It is the only importer of cobra.
//
// What a person asked for goes to standard output; what happened on the way,
// and every refusal, goes to standard error, in lower case and without a full
// stop, and ends with the next step. No other package prints.
package cli

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/sheet"
)

// The exit codes are a contract with scripts.
const (
	exitDone        = 0
	exitFailed      = 1
	exitUsage       = 2
	exitFlagged     = 3
	exitInUse       = 4
	exitDamaged     = 5
	exitRefused     = 6
	exitInterrupted = 130
)

// Errors that say how to leave.
var (
	errUsage   = errors.New("wrong call")
	errFlagged = errors.New("something is flagged") // said on the page already

	errInterrupted = errors.New("interrupted") // said already
)

// Env is the world a command runs in; tests have one of their own.
type Env struct {
	In       io.Reader
	Out, Err io.Writer
	Getenv   func(string) string
	Now      func() time.Time
	Rand     io.Reader                           // nil means the system's
	Terminal func() (columns, rows int, ok bool) // of Out; ok false when it is none

	plain bool // --plain
}

// Main runs the command line of the process and gives its exit code. The first
// interrupt ends what runs; the second kills.
func Main() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	e := &Env{In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Getenv: os.Getenv, Now: time.Now, Terminal: terminalSize}
	return e.Run(ctx, os.Args[1:])
}

// Run runs one command line and gives its exit code.
func (e *Env) Run(ctx context.Context, args []string) int {
	root := newRoot(e)
	root.SetArgs(dashed(args))
	root.SetIn(e.In)
	root.SetOut(e.Out)
	root.SetErr(e.Err)
	return e.exit(ctx, root.ExecuteContext(ctx))
}

// exit says what went wrong and gives the code for it.
func (e *Env) exit(ctx context.Context, err error) int {
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errFlagged):
		return exitFlagged
	case errors.Is(err, errInterrupted):
		return exitInterrupted
	case ctx.Err() != nil:
		fmt.Fprintln(e.Err, "pinchrod: interrupted; what was written stays written")
		return exitInterrupted
	}
	var report sheet.Report
	if errors.As(err, &report) {
		fmt.Fprintf(e.Err, "%v\n", report)
		fmt.Fprintf(e.Err, "pinchrod: %d wrong in the sheet, and nothing was taken: mend it and import again\n", len(report))
		return exitUsage
	}
	fmt.Fprintf(e.Err, "pinchrod: %v\n", err)
	switch {
	case errors.Is(err, store.ErrInUse):
		return exitInUse
	case errors.Is(err, store.ErrDamaged), errors.Is(err, store.ErrEmpty), errors.Is(err, store.ErrNothing):
		return exitDamaged
	case errors.Is(err, errUsage), errors.Is(err, store.ErrMissing), errors.Is(err, store.ErrExists),
		errors.Is(err, fieldbook.ErrNoJob), errors.Is(err, fieldbook.ErrNoReading), errors.Is(err, fieldbook.ErrTwo),
		errors.Is(err, os.ErrNotExist):
		return exitUsage
	case refusedParcel(err):
		return exitUsage
	case refusedByHub(err):
		return exitRefused
	}
	return exitFailed
}

func newRoot(e *Env) *cobra.Command {
	root := &cobra.Command{
		Use:   "pinchrod",
		Short: "a field book for fitting balustrade to a stair that stands",
		Long: `Pinchrod keeps the as-found readings of a stair, says what is out of true and
how sure that is, lays out the spindles, and says which pieces can be cut to
one stop. It needs no network.

Exit codes: 0 done, 1 failed, 2 wrong call or input, 3 something is flagged,
4 the book is in use, 5 the book is damaged, 6 the hub refused, 130 interrupted.`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	b := &bookFlag{env: e}
	root.PersistentFlags().BoolVar(&e.plain, "plain", false, "no colour and no pager")
	root.PersistentFlags().StringVar(&b.path, "book", "", "the file the readings are kept in (default $PINCHROD_BOOK, else in the user's data folder)")
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return fmt.Errorf("%w: %w; see %s --help", errUsage, err, c.CommandPath())
	})
	root.AddCommand(
		newSurvey(e, b), newImport(e, b), newExport(e, b), newBook(e, b), newStrike(e, b), newKeep(e, b), newCorrect(e, b), newRecord(e, b), newCheck(e, b), newAdvise(e, b), newLeave(e, b), newSet(e, b), newTool(e, b), newPicture(e, b),
		newSheet(e, b), newDraw(e, b), newStock(e, b), newMade(e, b), newBench(e, b), newSync(e, b), newStatus(e, b), newJoin(e, b), newRenew(e, b), newParcel(e, b), newHub(e, b), newForget(e, b),
		newVerify(e, b), newRecover(e, b), newDemo(e), newVersion(e),
	)
	for _, c := range root.Commands() {
		c.Args = usage(c.Args)
	}
	root.Args = usage(root.Args)
	return root
}

// usage makes a wrong number of arguments, or a flag left out, a wrong call.
func usage(f cobra.PositionalArgs) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		err := f(c, args)
		if err == nil {
			err = c.ValidateRequiredFlags()
		}
		if err != nil {
			return fmt.Errorf("%w: %w; see %s --help", errUsage, err, c.CommandPath())
		}
		return nil
	}
}

// bookFlag finds the store.
type bookFlag struct {
	env      *Env
	path     string
	variable string // of the environment; PINCHROD_BOOK when empty
	base     string // the file's name; field.book when empty
}

// file is the path of the store: the flag, else $PINCHROD_BOOK, else
// pinchrod/field.book in the user's data folder.
func (b *bookFlag) file() (string, error) {
	if b.path != "" {
		return b.path, nil
	}
	if p := b.env.Getenv(cmp.Or(b.variable, "PINCHROD_BOOK")); p != "" {
		return p, nil
	}
	dir, err := dataFolder(b.env.Getenv)
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, "pinchrod", cmp.Or(b.base, "field.book")), nil
}

// dataFolder is where a program keeps a user's data: $XDG_DATA_HOME or
// ~/.local/share (XDG base directories 0.8), and what corresponds to it
// elsewhere.
func dataFolder(getenv func(string) string) (string, error) {
	if d := getenv("XDG_DATA_HOME"); filepath.IsAbs(d) {
		return d, nil
	}
	home, under := getenv("HOME"), filepath.Join(".local", "share")
	switch runtime.GOOS {
	case "windows":
		home, under = getenv("LocalAppData"), ""
	case "darwin":
		under = filepath.Join("Library", "Application Support")
	}
	if home == "" {
		return "", fmt.Errorf("%w: no home folder is set: say where the book is with --book FILE", errUsage)
	}
	return filepath.Join(home, under), nil
}

// projector hands pages to the field book.
type projector struct{}

func (projector) Version() uint32 { return fieldbook.Version }
func (projector) Project(kv store.KV, p journal.Page) error {
	return fieldbook.Project(kv, p)
}

func (e *Env) options() store.Options {
	return store.Options{Now: e.Now, Rand: e.Rand, Projector: projector{}}
}

// open opens the store there is.
func (b *bookFlag) open(readOnly bool) (*store.Store, error) {
	path, err := b.file()
	if err != nil {
		return nil, err
	}
	o := b.env.options()
	o.ReadOnly = readOnly
	s, err := store.Open(path, o)
	if errors.Is(err, store.ErrMissing) {
		return nil, fmt.Errorf("%w; import a field sheet to begin one, or say where it is with --book", err)
	}
	if err != nil || !readOnly {
		return s, err
	}
	// A book of an earlier version is brought up to date by opening it to write.
	if err = s.View(func(store.KV) error { return nil }); errors.Is(err, store.ErrStale) {
		s.Close()
		o.ReadOnly = false
		return store.Open(path, o)
	}
	return s, err
}

// openOrCreate opens the book, or begins one and says so: a book that was
// there yesterday and is missing today must not go unnoticed.
func (b *bookFlag) openOrCreate() (s *store.Store, err error) {
	path, err := b.file()
	if err != nil {
		return nil, err
	}
	s, err = store.Open(path, b.env.options())
	if !errors.Is(err, store.ErrMissing) {
		return s, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("making the book's folder: %w", err)
	}
	s, err = store.Create(path, b.env.options())
	if err == nil {
		b.env.say("no book was at %s: a new one is begun there", path)
	}
	return s, err
}

// kit reads the tools in the book; the house kit beside an error.
func (b *bookFlag) kit() (kit survey.Kit, wrong []error, err error) {
	s, err := b.open(true)
	if err != nil {
		return survey.HouseKit, nil, err
	}
	defer s.Close()
	err = s.View(func(kv store.KV) error {
		kit, wrong, err = fieldbook.LoadKit(kv, survey.HouseKit)
		return err
	})
	return kit, wrong, err
}

// load reads one job and lets go of the store.
func (b *bookFlag) load(job string) (*fieldbook.Book, error) {
	s, err := b.open(true)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	return loadFrom(s, job)
}

// overrides are settings given with a call, in place of the book's.
type overrides map[string]*string

func (o overrides) of(name string) *string {
	if o[name] == nil {
		o[name] = new(string)
	}
	return o[name]
}

// work reads a job with its settings and the kit, and lets go of the store.
func (b *bookFlag) work(job string, over overrides) (*fieldbook.Book, asfound.Settings, error) {
	s, err := b.open(true)
	if err != nil {
		return nil, b.env.settings(), err
	}
	defer s.Close()
	return workFrom(s, b.env.settings(), job, func(name string) string { return *over.of(name) })
}

// workFrom reads a job with its settings, where it has none those of the house, and
// the kit; over gives what holds in place of a setting, or nothing.
func workFrom(s *store.Store, set asfound.Settings, job string, over func(name string) string) (*fieldbook.Book, asfound.Settings, error) {
	book, err := loadFrom(s, job)
	if err != nil {
		return nil, set, err
	}
	set.FromBook(book)
	for _, n := range asfound.SettingNames() {
		if v := over(n[0]); v != "" {
			if err := set.Set(n[0], v); err != nil {
				return nil, set, fmt.Errorf("%w: %w", errUsage, err)
			}
		}
	}
	err = s.View(func(kv store.KV) error {
		kit, wrong, err := fieldbook.LoadKit(kv, survey.HouseKit)
		for _, w := range wrong {
			set.Note(w.Error())
		}
		set.Kit = kit
		return err
	})
	return book, set, err
}

func loadFrom(s *store.Store, name string) (*fieldbook.Book, error) {
	var book *fieldbook.Book
	err := s.View(func(kv store.KV) error {
		job, err := fieldbook.FindJob(kv, name)
		if err != nil {
			return err
		}
		book, err = fieldbook.Load(kv, job)
		return err
	})
	return book, err
}

// rand is the source of randomness.
func (e *Env) rand() io.Reader {
	if e.Rand == nil {
		return rand.Reader
	}
	return e.Rand
}

// newID makes the ID of a job.
func (e *Env) newID() (journal.ID, error) { return journal.NewID(e.Now(), e.rand()) }

// write appends one page to a job's log and gives its name. A clock that
// stepped back is worth a word: nothing is ordered by it, but times on the page
// will look odd.
func (e *Env) write(s *store.Store, job journal.ID, p survey.Payload) (journal.Ref, error) {
	b, err := p.Encode()
	if err != nil {
		return journal.Ref{}, err
	}
	r, err := s.Append(store.Draft{Job: job, Payload: b})
	if err != nil {
		return journal.Ref{}, err
	}
	if r.ClockBack > 0 {
		e.say("note: the clock stands %s behind the last entry's; set it, the order is kept all the same", r.ClockBack.Round(time.Second))
	}
	return journal.Ref{Device: r.Pages[0].Device, Page: r.Pages[0].Seq, Item: 1}, nil
}

// jobFlag adds --job, which is required.
func jobFlag(c *cobra.Command, job *string) {
	c.Flags().StringVar(job, "job", "", "the job's name, such as its address")
	if err := c.MarkFlagRequired("job"); err != nil {
		panic(err) // the flag was defined the line before
	}
}
