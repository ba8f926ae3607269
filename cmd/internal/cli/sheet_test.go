package cli

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A sheet of other settings than the book's is marked, and its code is not simply
// said to be out of date; the text of a label does in place of a code.
func TestSheetOfOtherSettings(t *testing.T) {
	e, out, errs := testEnv(t)
	demo, err := os.ReadFile("demo.csv")
	if err != nil {
		t.Fatal(err)
	}
	stair := filepath.Join(t.TempDir(), "stair.csv")
	if err := os.WriteFile(stair, demo, 0o600); err != nil {
		t.Fatal(err)
	}
	run := func(want int, args ...string) string {
		t.Helper()
		out.Reset()
		errs.Reset()
		if got := e.Run(context.Background(), args); got != want {
			t.Fatalf("%q leaves with %d, want %d: %s", args, got, want, errs)
		}
		return strings.Join(strings.Fields(out.String()+errs.String()), " ")
	}
	sheet := func(more ...string) string {
		t.Helper()
		return run(0, append([]string{"sheet", "--job", "Weir", "--bay", "F1/left"}, more...)...)
	}
	codeOf := func(page string) string {
		t.Helper()
		m := regexp.MustCompile(`cutting sheet ([2-9A-Z]{6})`).FindStringSubmatch(page)
		if m == nil {
			t.Fatalf("no code: %s", page)
		}
		return m[1]
	}
	run(0, "import", stair, "--job", "Weir")

	own := sheet()
	if strings.Contains(own, "Trial settings") {
		t.Error("a sheet of the book's own settings is marked")
	}
	other := sheet("--fillet-ends", "square", "--target", "90")
	if want := "Trial settings: do not cut from this. It is printed with fillet-ends=square (the book does not set it)."; !strings.Contains(other, want) {
		t.Errorf("no %q: %s", want, other)
	}
	run(0, "set", "--job", "Weir", "long=0.75", "fillet-ends=square")
	if got := sheet("--fillet-ends", "square", "--long", "0.750"); strings.Contains(got, "Trial settings") {
		t.Error("what the book has as well is marked")
	}
	if want := "fillet-ends=one (the book has square) and long=0.3 (the book has 0.75)"; !strings.Contains(sheet("--fillet-ends", "one", "--long", "0.3"), want) {
		t.Errorf("no %q", want)
	}

	stale := []string{"sheet", "--job", "Weir", "--stale"}
	if got, want := run(exitFlagged, append(stale, codeOf(own))...), "has changed, or it was printed with other settings than the book's"; !strings.Contains(got, want) {
		t.Errorf("no %q: %s", want, got)
	}
	label := regexp.MustCompile(`pinchrod:[^"]*/F1/left/S01/[2-9A-Z]{6}`).FindString(run(0, "sheet", "--job", "Weir", "--bay", "F1/left", "--format", "json"))
	code := label[strings.LastIndex(label, "/")+1:]
	if got := run(0, append(stale, label)...); !strings.Contains(got, "F1/left with code "+code+" holds") {
		t.Errorf("a label of the sheet: %s", got)
	}
	if got := run(exitFlagged, append(stale, strings.Replace(label, code, codeOf(own), 1))...); !strings.Contains(got, "has the code "+codeOf(own)+" now") {
		t.Errorf("a label of an earlier sheet: %s", got)
	}
	tag := strings.Split(strings.TrimPrefix(label, "pinchrod:"), "/")[0]
	if got := run(exitUsage, append(stale, strings.Replace(label, tag, "AAAAAA", 1))...); !strings.Contains(got, "of another job") {
		t.Errorf("a label of another job: %s", got)
	}
	run(exitUsage, append(stale, label+"/x")...)
}

// The template has no bevel of an end that the sheet leaves square.
func TestTemplateOfSquareEnds(t *testing.T) {
	e, _, errs := testEnv(t)
	dir := t.TempDir()
	run := func(args ...string) {
		t.Helper()
		if got := e.Run(context.Background(), args); got != 0 {
			t.Fatalf("%q leaves with %d: %s", args, got, errs)
		}
	}
	template := func() string {
		t.Helper()
		run("draw", "--job", "Weir", "--where", "F1/left", "--template", "--out", filepath.Join(dir, "t.svg"))
		all, err := filepath.Glob(filepath.Join(dir, "t*.svg"))
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		for _, f := range all {
			page, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			b.Write(page)
			if err := os.Remove(f); err != nil {
				t.Fatal(err)
			}
		}
		return b.String()
	}
	run("import", "demo.csv", "--job", "Weir")
	if !strings.Contains(template(), "fillets, downhill end") {
		t.Error("no bevel of the fillets")
	}
	run("set", "--job", "Weir", "fillet-ends=square")
	if got := template(); strings.Contains(got, "fillets") || !strings.Contains(got, "spindles") {
		t.Error("square ends have a bevel, or the spindles have none")
	}
}
