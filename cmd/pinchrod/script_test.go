package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"pinchrod/cmd/internal/cli"
	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey/fieldbook"
)

var update = flag.Bool("update", false, "rewrite the golden output in testdata/script")

// mostTerminal bounds one command on a script's pseudo-terminal.
const mostTerminal = 20 * time.Second

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"pinchrod": func() { os.Exit(pinchrod()) }})
}

// pinchrod is the program with a clock and a source of randomness that a
// script sets by $AT and $SEED, so that what it prints can be compared.
func pinchrod() int {
	e := &cli.Env{In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Getenv: os.Getenv, Now: time.Now,
		Terminal: func() (int, int, bool) { return 0, 0, false }}
	if os.Getenv("PTY") != "" { // a script's pseudo-terminal, for both ends
		tty, err := os.OpenFile("/dev/tty", os.O_RDWR, 0)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		e.In, e.Out = tty, tty
		// A question that the script has no answer to would wait until the whole
		// test is out of time. A walk is keyed in within two seconds.
		time.AfterFunc(mostTerminal, func() {
			fmt.Fprintf(os.Stderr, "no end after %v: the script does not answer all that is asked\n", mostTerminal)
			os.Exit(1)
		})
	}
	if at := os.Getenv("AT"); at != "" {
		now, err := time.Parse(time.RFC3339, at)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		e.Now = func() time.Time { return now }
	}
	if seed := os.Getenv("SEED"); seed != "" {
		// A book is begun alike by all commands; what is made in it later, such
		// as a job's ID, must differ from command to command.
		if _, err := os.Stat(os.Getenv("PINCHROD_BOOK")); err == nil {
			seed += strings.Join(os.Args[1:], " ")
		}
		e.Rand = rand.NewChaCha8(sha256.Sum256([]byte(seed)))
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt) // as the program's own main
	defer stop()
	return e.Run(ctx, os.Args[1:])
}

// scripts are all of them; under the race detector those in which something goes
// on beside something else, as the others take ten times as long for nothing.
func scripts(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("../../testdata/script/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	if !raced {
		return files
	}
	return slices.DeleteFunc(files, func(f string) bool {
		return !slices.Contains([]string{"renew.txtar", "survey.txtar", "sync.txtar", "terminal.txtar"}, filepath.Base(f))
	})
}

func TestScript(t *testing.T) { testscript.Run(t, params(scripts(t)...)) }

// params are what every script runs with.
func params(files ...string) testscript.Params {
	return testscript.Params{
		Files:               files,
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("HOME", e.WorkDir)
			e.Setenv("PINCHROD_BOOK", e.WorkDir+"/field.book")
			e.Setenv("PINCHROD_HUB", e.WorkDir+"/hub.book")
			e.Values[lineKey{}] = &sync.Map{}
			e.Setenv("AT", "2026-11-25T14:30:00Z")
			e.Setenv("SEED", "script")
			for name, folder := range map[string]string{"SHEETS": "../../testdata/sheets", "BOOKS": "../../testdata/books"} {
				path, err := filepath.Abs(folder)
				if err != nil {
					return err
				}
				e.Setenv(name, path)
			}
			// A program with the race detector in it sleeps for a second when it
			// ends, by default; a script ends hundreds.
			e.Setenv("GORACE", "atexit_sleep_ms=0")
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": exits, "hold": hold, "flip": flip, "cut": cut, "blank": blank, "rows": rows, "carry": carry,
			"await": await, "invited": invited, "line": line, "heads": heads, "hubaddress": hubaddress, "paint": paint,
		},
	}
}

// exits CODE COMMAND… runs a command that must leave with a code; its output
// is there for stdout and stderr.
func exits(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit interface{ ExitCode() int }
	if err != nil {
		var ok bool
		if exit, ok = err.(interface{ ExitCode() int }); !ok {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("%s leaves with %d, want %d", strings.Join(args[1:], " "), got, want)
	}
}

// hold BOOK keeps a book open for writing until the script ends.
func hold(ts *testscript.TestScript, _ bool, args []string) {
	s, err := store.Open(ts.MkAbs(args[0]), store.Options{})
	ts.Check(err)
	ts.Defer(func() { s.Close() })
}

// flip BOOK TEXT changes a bit in the last place that TEXT stands in a file.
func flip(ts *testscript.TestScript, _ bool, args []string) {
	b := []byte(ts.ReadFile(args[0]))
	i := bytes.LastIndex(b, []byte(args[1]))
	if i < 0 {
		ts.Fatalf("%s is not in %s", args[1], args[0])
	}
	for ; i >= 0; i = bytes.LastIndex(b[:i], []byte(args[1])) { // stale copies too
		b[i] ^= 1
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b, 0o600))
}

// cut BOOK N keeps the first N bytes of a file.
func cut(ts *testscript.TestScript, _ bool, args []string) {
	n, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	ts.Check(os.Truncate(ts.MkAbs(args[0]), n))
}

// blank BOOK makes a file empty, as a power cut may.
func blank(ts *testscript.TestScript, neg bool, args []string) {
	cut(ts, neg, append(args, "0"))
}

// rows N FILE writes a sheet of N rows.
func rows(ts *testscript.TestScript, _ bool, args []string) {
	n, err := strconv.Atoi(args[0])
	ts.Check(err)
	var b strings.Builder
	b.WriteString("where,what,at,value\n")
	for i := range n {
		fmt.Fprintf(&b, "F%d/left,gap,%d,%d\n", i/100+1, i%100, 700+i%90)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(b.String()), 0o600))
}

// carry FROM TO brings every log of one book into another, as a sync would.
func carry(ts *testscript.TestScript, _ bool, args []string) {
	open := func(name string) *store.Store {
		s, err := store.Open(ts.MkAbs(name), store.Options{Projector: folding{}})
		ts.Check(err)
		ts.Defer(func() { s.Close() })
		return s
	}
	from, to := open(args[0]), open(args[1])
	heads, err := from.Heads()
	ts.Check(err)
	ids, err := from.Devices()
	ts.Check(err)
	for _, id := range ids {
		if id.Device == to.Device() {
			continue
		}
		var all []journal.Record
		for r, err := range from.Scan(id.Device, 1) {
			ts.Check(err)
			all = append(all, r)
		}
		_, err := to.Ingest(id, all, heads[id.Device])
		ts.Check(err)
	}
	ts.Check(from.Close())
	ts.Check(to.Close())
}

// folding is the program's own projection.
type folding struct{}

func (folding) Version() uint32 { return fieldbook.Version }
func (folding) Project(kv store.KV, p journal.Page) error {
	return fieldbook.Project(kv, p)
}
