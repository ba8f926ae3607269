// Mutate changes a package a little, many times, and tells which changes its
// tests do not notice.
//
//	go run ./calc/internal/mutate [flags] ./calc/flight
//
// A change is a condition forced, a boundary moved, a statement dropped, a
// constant or a sign changed, an error swallowed, a case removed: changes has
// them all. The flag -seed draws the order in which they are tried, and -budget
// says how many. Each one is laid over the package by the go command, in a folder
// of its own that goes away: the tree is never written, so several runs may stand
// beside each other.
//
// It prints a line for each change that the tests let pass, then the score. A
// test that hangs, or eats more than 4 GiB, has noticed. A change that does not
// compile is not counted, and neither is one that is set aside by name: see
// readKnown.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/signal"
	"slices"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	err := run(ctx, os.Args[1:], os.Stdout)
	if err != nil && !errors.Is(err, flag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "mutate:", err)
		stop()
		os.Exit(1)
	}
}

// options are the flags.
type options struct {
	seed    uint64
	budget  int
	timeout time.Duration
	list    bool
	known   string
	skip    string
	dir     string // where the go command runs
}

func run(ctx context.Context, args []string, out io.Writer) error {
	var o options
	fs := flag.NewFlagSet("mutate", flag.ContinueOnError)
	fs.Uint64Var(&o.seed, "seed", 1, "draws the changes, and the cases of property tests")
	fs.IntVar(&o.budget, "budget", 100, "how many changes that compile to try; 0 for all")
	fs.DurationVar(&o.timeout, "timeout", time.Minute, "longest run of the tests under one change; a package that is done in a second gets 20 s at most")
	fs.BoolVar(&o.list, "list", false, "print the changes that would be tried, and try none")
	fs.StringVar(&o.known, "known", "", "file of changes that change nothing (default: testdata/equivalent.txt of the package)")
	fs.StringVar(&o.skip, "skip", "", "tests left out, as with go test -skip")
	fs.StringVar(&o.dir, "C", ".", "the folder that the package's path starts from")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if fs.NArg() != 1 {
		return fmt.Errorf("one package wanted, got %d: name one, such as ./calc/flight", fs.NArg())
	}
	p, err := load(ctx, o.dir, fs.Arg(0))
	if err != nil {
		return err
	}
	all, err := p.changes()
	if err != nil {
		return err
	}
	known, err := readKnown(o.known, p.Dir)
	if err != nil {
		return err
	}
	drawn, set := known.without(all)
	for _, name := range known.unused() {
		fmt.Fprintf(out, "no such change any more: %s\n", name)
	}
	rand.New(rand.NewPCG(o.seed, 0)).Shuffle(len(drawn), func(i, j int) { drawn[i], drawn[j] = drawn[j], drawn[i] })
	if o.list {
		for _, c := range drawn[:o.most(len(drawn))] {
			fmt.Fprintln(out, c)
		}
		return nil
	}
	s, err := try(ctx, p, drawn, o, out)
	if s.tried == 0 && err != nil {
		return err
	}
	// A run that was interrupted still says how far it came.
	fmt.Fprintf(out, "set aside by name: %d of the %d changes of %s\n", set, len(all), p.ImportPath)
	fmt.Fprintln(out, s)
	return err
}

// most is how many of n changes the budget allows.
func (o options) most(n int) int {
	if o.budget <= 0 {
		return n
	}
	return min(o.budget, n)
}

// A score is what became of the changes.
type score struct{ noticed, tried, broken int }

func (s score) String() string {
	percent := 0.0
	if s.tried > 0 {
		percent = 100 * float64(s.noticed) / float64(s.tried)
	}
	return fmt.Sprintf("noticed %d of %d (%.0f %%), %d did not compile", s.noticed, s.tried, percent, s.broken)
}

// try runs the tests once as they are, then under each change until the budget
// is spent.
func try(ctx context.Context, p *pkg, drawn []change, o options, out io.Writer) (s score, err error) {
	dir, err := os.MkdirTemp("", "mutate-*")
	if err != nil {
		return s, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	b := bench{pkg: p, dir: dir, options: o}
	if err := b.untouched(ctx); err != nil {
		return s, err
	}
	for c := range slices.Values(drawn) {
		if s.tried == o.most(len(drawn)) {
			break
		}
		got, err := b.try(ctx, c)
		if err != nil {
			return s, fmt.Errorf("%s: %w", c, err)
		}
		switch got {
		case broken:
			s.broken++
			continue
		case survived:
			fmt.Fprintln(out, c)
		case noticed:
			s.noticed++
		}
		s.tried++
	}
	return s, nil
}
