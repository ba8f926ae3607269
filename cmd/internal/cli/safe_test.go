package cli

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pinchrod/survey"
	"pinchrod/survey/report/cutting"
)

// What another device wrote reaches neither the terminal nor a spreadsheet raw.
func TestTextOfAnotherDevice(t *testing.T) {
	e, out, errs := testEnv(t)
	ctx := context.Background()
	home := t.TempDir()
	stair := filepath.Join(home, "stair.csv")
	demo, err := os.ReadFile("demo.csv")
	if err != nil {
		t.Fatal(err)
	}
	const job = "=1+2"
	if err := os.WriteFile(stair, demo, 0o600); err != nil {
		t.Fatal(err)
	}
	run := func(want int, args ...string) {
		t.Helper()
		out.Reset()
		errs.Reset()
		if got := e.Run(ctx, args); got != want {
			t.Fatalf("%q leaves with %d, want %d: %s", args, got, want, errs)
		}
	}
	run(0, "import", stair, "--job", job)
	s, err := (&bookFlag{env: e}).open(false)
	if err != nil {
		t.Fatal(err)
	}
	book, err := loadFrom(s, job)
	if err != nil {
		t.Fatal(err)
	}
	_, err = e.write(s, book.Job.ID, survey.Payload{Settings: []survey.Setting{{Name: "\x1b[31mred", Value: "\x1b[2Jgone"}}})
	if err := errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	run(0, "set", "--job", job)
	if got, want := out.String(), " [31mred= [2Jgone\n"; got != want {
		t.Errorf("set lists %q, want %q", got, want)
	}

	errs.Reset()
	e.say("not on the plan: %s", "F1/\x1b[2J\nleft")
	if got, want := errs.String(), "not on the plan: F1/ [2J left\n"; got != want {
		t.Errorf("says %q, want %q", got, want)
	}

	rack := filepath.Join(home, "rack.csv")
	if err := os.WriteFile(rack, []byte("length,label\n2400,=cmd\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		exit int
		args []string
		want string
	}{
		{0, []string{"sheet", "--job", job, "--bay", "F1/left", "--format", "csv"}, "'=1+2"},
		{3, []string{"stock", "--job", job, "--rack", rack, "--format", "csv"}, "'=cmd"},
	} {
		run(c.exit, c.args...)
		rows, err := csv.NewReader(bytes.NewReader(out.Bytes())).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows {
			for _, cell := range row {
				if cell != cutting.Cell(cell) {
					t.Errorf("%s: the cell %q", c.args[0], cell)
				}
			}
		}
		if !strings.Contains(out.String(), c.want) {
			t.Errorf("%s: no cell %s", c.args[0], c.want)
		}
	}
}
