package main

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pinchrod/store"
	"pinchrod/survey/fieldbook"
)

// The answers to a walk up an invented flight of 13 steps with two bays, and
// the field sheet of the same stair.
const (
	walkAnswers = "../../testdata/sheets/flight-of-13.answers"
	walkSheet   = "../../testdata/sheets/flight-of-13.csv"
)

// program is this test's own binary as pinchrod, on a book in dir.
func program(t *testing.T, dir string, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(dir, "pinchrod")
	if _, err := os.Lstat(link); err != nil {
		if err := os.Symlink(self, link); err != nil {
			t.Fatal(err)
		}
	}
	c := exec.Command(link, args...)
	c.Env = append(os.Environ(), "PINCHROD_BOOK="+filepath.Join(dir, "field.book"), "HOME="+dir, "GORACE=atexit_sleep_ms=0")
	return c
}

func output(t *testing.T, c *exec.Cmd) string {
	t.Helper()
	var errs bytes.Buffer
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s", c.Args[1:], err, errs.String())
	}
	return string(out)
}

// exported is the readings of a book as a sheet.
func exported(t *testing.T, dir string) string {
	t.Helper()
	return strings.TrimSpace(output(t, program(t, dir, "export", "--job", "walk")))
}

// readingsIn counts the readings of the job in a book, 0 while there is none.
func readingsIn(t *testing.T, book string) int {
	t.Helper()
	s, err := store.Open(book, store.Options{ReadOnly: true, Projector: folding{}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	n := 0
	err = s.View(func(kv store.KV) error {
		job, err := fieldbook.FindJob(kv, "walk")
		if errors.Is(err, fieldbook.ErrNoJob) {
			return nil
		}
		if err != nil {
			return err
		}
		b, err := fieldbook.Load(kv, job)
		if err == nil {
			n = len(b.Standing())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// The walk killed at 50 moments and resumed each time has every accepted answer,
// and ends in the book that the sheet of the same stair gives.
func TestSurveyKilled(t *testing.T) {
	kills := 50
	if raced {
		kills = 12
	}
	answers, err := os.ReadFile(walkAnswers)
	if err != nil {
		t.Fatal(err)
	}
	byTitle := answersByQuestion(t, string(answers))
	rng := rand.New(rand.NewPCG(20261125, 7))
	dir := t.TempDir()
	echo := regexp.MustCompile(`^[A-Z][A-Z0-9]-\d+\.1  `)
	accepted := 0
	for kill := 0; ; kill++ {
		c := program(t, dir, "survey", "--job", "walk")
		stdin, err := c.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		stdout, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		// Answer what is asked, until this many answers were accepted; then the
		// next is sent and the program killed while it may be anywhere in it.
		stop := rng.IntN(3)
		if kill >= kills {
			stop = 1 << 30
		}
		seen, dead := 0, false
		in := bufio.NewScanner(stdout)
		title := ""
		for in.Scan() {
			line := strings.TrimPrefix(in.Text(), "> ")
			if echo.MatchString(line) {
				seen++
			}
			if m := progress.FindStringSubmatch(line); m != nil {
				if !in.Scan() {
					break
				}
				title = m[1] + "|" + in.Text()
				if dead {
					continue
				}
				a, ok := byTitle[title]
				if !ok {
					t.Fatalf("nothing to answer to %q", title)
				}
				io.WriteString(stdin, a+"\n") // may fail: the program may be gone
				if seen >= stop {
					c.Process.Kill()
					dead = true
				}
			}
		}
		c.Wait()
		accepted += seen
		held := readingsIn(t, filepath.Join(dir, "field.book"))
		if held < accepted {
			t.Fatalf("after kill %d: %d answers were accepted, %d are in the book", kill, accepted, held)
		}
		accepted = held // one written and not echoed counts from now on
		if !dead {
			if kill < kills {
				t.Fatalf("the walk was over after %d kills, want %d", kill, kills)
			}
			break
		}
	}
	sheetDir := t.TempDir()
	output(t, program(t, sheetDir, "import", walkSheet, "--job", "walk"))
	if got, want := sorted(exported(t, dir)), sorted(exported(t, sheetDir)); got != want {
		t.Errorf("the walk's book differs from the sheet's:\n%s\nwant\n%s", got, want)
	}
	output(t, program(t, dir, "verify"))
}

var progress = regexp.MustCompile(`^\d+ of \d+  (.*)$`)

// answersByQuestion runs the walk once, undisturbed, to learn which answer goes
// with which question.
func answersByQuestion(t *testing.T, answers string) map[string]string {
	t.Helper()
	dir := t.TempDir()
	c := program(t, dir, "survey", "--job", "walk")
	c.Stdin = strings.NewReader(answers)
	out := output(t, c)
	lines := strings.Split(strings.TrimSpace(answers), "\n")
	by := map[string]string{}
	all := strings.Split(out, "\n")
	n := 0
	for i, l := range all {
		if m := progress.FindStringSubmatch(strings.TrimPrefix(l, "> ")); m != nil && i+1 < len(all) {
			if n >= len(lines) {
				t.Fatalf("question %d has no answer: %s", n+1, all[i+1])
			}
			by[m[1]+"|"+all[i+1]] = lines[n]
			n++
		}
	}
	if n != len(lines) {
		t.Fatalf("%d questions for %d answers", n, len(lines))
	}
	return by
}

func sorted(s string) string {
	return strings.Join(slices.Sorted(slices.Values(strings.Split(s, "\n"))), "\n")
}
