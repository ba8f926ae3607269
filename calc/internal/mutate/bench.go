package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"time"
)

// pkg is what the go command says of the package.
type pkg struct {
	Dir, ImportPath string
	GoFiles         []string
	Module          struct{ Dir string }

	TestGoFiles, XTestGoFiles []string
	Deps                      []string
}

// load asks the go command for a package.
func load(ctx context.Context, dir, path string) (*pkg, error) {
	cmd := exec.CommandContext(ctx, "go", "list", "-test", "-json=Dir,ImportPath,GoFiles,Module,TestGoFiles,XTestGoFiles,Deps", path)
	cmd.Dir, cmd.Stderr = dir, os.Stderr
	data, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("go list %s: %w", path, err)
	}
	// The package comes first, then those that its tests are built into.
	var p, built pkg
	d := json.NewDecoder(bytes.NewReader(data))
	if err := d.Decode(&p); err != nil {
		return nil, fmt.Errorf("go list %s: %w", path, err)
	}
	for d.More() {
		if err := d.Decode(&built); err != nil {
			return nil, fmt.Errorf("go list %s: %w", path, err)
		}
		p.Deps = append(p.Deps, built.Deps...)
	}
	if len(p.GoFiles) == 0 || len(p.TestGoFiles)+len(p.XTestGoFiles) == 0 {
		return nil, fmt.Errorf("%s has no code or no tests", path)
	}
	return &p, nil
}

// outcome is what became of one change.
type outcome int

const (
	noticed outcome = iota
	survived
	broken // does not compile
)

// bench runs the tests of a package under changes, in a folder of its own.
type bench struct {
	*pkg
	options
	dir   string
	limit time.Duration // of one run
}

func (b *bench) program() string { return filepath.Join(b.dir, "changed.test") }

// untouched runs the tests as they are and takes their time. What is slower by
// ten times and 10 s hangs: other work may make the machine slow, and a loop that
// never ends should not cost a minute each.
func (b *bench) untouched(ctx context.Context) error {
	if out, err := b.build(ctx); err != nil {
		return fmt.Errorf("building the tests: %w\n%s", err, out)
	}
	b.limit = b.timeout
	start := time.Now()
	if out, err := b.test(ctx); err != nil {
		return fmt.Errorf("the tests fail before any change: %w\n%s", err, out)
	}
	b.limit = min(b.timeout, 10*time.Since(start)+10*time.Second)
	return nil
}

// try runs the tests under one change.
func (b *bench) try(ctx context.Context, c change) (outcome, error) {
	file, overlay := filepath.Join(b.dir, "changed.go"), filepath.Join(b.dir, "overlay.json")
	replace, err := json.Marshal(map[string]map[string]string{"Replace": {c.path: file}})
	if err != nil {
		return 0, err
	}
	if err := errors.Join(os.WriteFile(file, c.apply(), 0o600), os.WriteFile(overlay, replace, 0o600)); err != nil {
		return 0, err
	}
	if _, err := b.build(ctx, "-overlay", overlay); err != nil {
		return broken, ctx.Err()
	}
	if _, err := b.test(ctx); err == nil {
		return survived, nil
	}
	return noticed, ctx.Err()
}

func (b *bench) build(ctx context.Context, flags ...string) ([]byte, error) {
	args := append([]string{"test", "-c", "-ldflags=-w", "-o", b.program()}, flags...)
	cmd := exec.CommandContext(ctx, "go", append(args, b.ImportPath)...)
	cmd.Dir = b.Dir
	return cmd.CombinedOutput()
}

// test runs the program of the tests where go test would. The shell bounds its
// memory, as a loop that appends for ever would take the whole machine.
func (b *bench) test(ctx context.Context) ([]byte, error) {
	// The program ends itself when its time is up, and is ended if it does not.
	ctx, cancel := context.WithTimeout(ctx, b.limit+5*time.Second)
	defer cancel()
	args := []string{"-c", `ulimit -v 4194304 2>/dev/null; exec "$0" "$@"`, b.program(), "-test.failfast", "-test.timeout=" + b.limit.String()}
	if b.skip != "" {
		args = append(args, "-test.skip="+b.skip)
	}
	if slices.Contains(b.Deps, "pgregory.net/rapid") {
		// The same cases each time, no folder left in the tree, no time spent on
		// making a failure smaller.
		args = append(args, "-rapid.nofailfile", "-rapid.shrinktime=1ms", "-rapid.seed="+strconv.FormatUint(b.seed, 10))
	}
	cmd := exec.CommandContext(ctx, "sh", args...)
	cmd.Dir, cmd.WaitDelay = b.Dir, 5*time.Second
	return cmd.CombinedOutput()
}
