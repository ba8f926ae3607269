package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// listed returns the names of all changes of a file, without the file's name.
func listed(t *testing.T, source string) []string {
	t.Helper()
	dir := t.TempDir()
	write(t, dir, "a.go", "package a\n\n"+source)
	p := pkg{Dir: dir, GoFiles: []string{"a.go"}}
	p.Module.Dir = dir
	all, err := p.changes()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range all {
		names = append(names, strings.TrimPrefix(c.name(), "a.go: "))
	}
	return names
}

func write(t *testing.T, dir, name, text string) {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestChanges(t *testing.T) {
	tests := []struct {
		name, source string
		want         []string
	}{
		{"if", "func f(a bool) {\nif a {\n}\n}", []string{
			"f: a → true in if a {",
			"f: a → false in if a {",
		}},
		{"for is never forced true", "func f(a bool) {\nfor a {\n}\nfor {\n}\n}", []string{
			"f: a → false in for a {",
		}},
		{"and, or", "var v = a && b || c", []string{
			"var v: a && b → false in var v = a && b || c",
			"var v: a → true in var v = a && b || c",
			"var v: b → true in var v = a && b || c",
			"var v: c → false in var v = a && b || c",
		}},
		{"boundaries", "var v = f(a < b, a >= b, a != b)", []string{
			"var v: a < b → a <= b in var v = f(a < b, a >= b, a != b)",
			"var v: a >= b → a > b in var v = f(a < b, a >= b, a != b)",
			"var v: a != b → a == b in var v = f(a < b, a >= b, a != b)",
		}},
		{"statements", "func (x *T) f() {\nx.call()\nx.a = b\n_ = x\ny := x\ndefer y.call()\n}", []string{
			"T.f: x.call() → dropped",
			"T.f: x.a = b → dropped",
			"T.f: defer y.call() → dropped",
		}},
		{"numbers", "var a, b, c, d = 3, 0, 0.5, 0.0", []string{
			"var a: 3 → (3 + 1) in var a, b, c, d = 3, 0, 0.5, 0.0",
			"var a: 3 → 0 in var a, b, c, d = 3, 0, 0.5, 0.0",
			"var a: 3 → (3 * 10) in var a, b, c, d = 3, 0, 0.5, 0.0",
			"var a: 0 → (0 + 1) in var a, b, c, d = 3, 0, 0.5, 0.0",
			"var a: 0.5 → 0.0 in var a, b, c, d = 3, 0, 0.5, 0.0",
			"var a: 0.5 → (0.5 * 10) in var a, b, c, d = 3, 0, 0.5, 0.0",
			"var a: 0.0 → 1.0 in var a, b, c, d = 3, 0, 0.5, 0.0",
		}},
		{"infinity has a sign only", "var v = f(math.Inf(1), math.IsInf(x, 0), math.Inf(-1))", []string{
			"var v: 1 → (-1) in var v = f(math.Inf(1), math.IsInf(x, 0), math.Inf(-1))",
			"var v: 0 → (0 + 1) in var v = f(math.Inf(1), math.IsInf(x, 0), math.Inf(-1))",
			"var v: -1 → 1 in var v = f(math.Inf(1), math.IsInf(x, 0), math.Inf(-1))",
		}},
		{"words and truths", `var a, b, c = "x", "", true`, []string{
			`var a: "x" → "" in var a, b, c = "x", "", true`,
			`var a: "" → "other" in var a, b, c = "x", "", true`,
			`var a: true → false in var a, b, c = "x", "", true`,
		}},
		{"not imports, tags, types, or the words of an error", "import \"b\"\ntype t struct {\nx [3]int `tag`\n}\nvar e = errors.New(\"words\")\nfunc f(x [3]int) {\n}", nil},
		{"signs", "func f() {\na *= b + c\nd := -e / \"s\"\n}", []string{
			"f: a *= b + c → dropped",
			"f: a *= b + c → a /= b + c",
			"f: b + c → b - c in a *= b + c",
			`f: -e → e in d := -e / "s"`,
			`f: "s" → "" in d := -e / "s"`,
		}},
		{"errors", "func f() (int, error) {\ng := func() bool { return false }\nreturn 1, nil\nreturn 2, err\n}", []string{
			"f: false → true in g := func() bool { return false }",
			"f: 1 → (1 + 1) in return 1, nil",
			"f: 1 → 0 in return 1, nil",
			"f: 1 → (1 * 10) in return 1, nil",
			"f: err → nil in return 2, err",
		}},
		{"cases", "func f() {\nswitch {\ncase a:\nb()\ndefault:\n}\nswitch c {\ncase d:\n}\nselect {\ncase <-e:\n}\n}", []string{
			"f: case a: b() → no case in case a:",
			"f: a → true in case a:",
			"f: b() → dropped",
			"f: default: → no case",
			"f: case d: → no case",
			"f: case <-e: → no case",
		}},
		{"twice in a line", "var v = f(a < b, a < b)", []string{
			"var v: a < b → a <= b in var v = f(a < b, a < b)",
			"var v: a < b → a <= b in var v = f(a < b, a < b) (2)",
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, listed(t, tt.source)); diff != "" {
				t.Errorf("changes (-want +got):\n%s", diff)
			}
		})
	}
}

const tiny = `package tiny

func Grown(age int) bool { return age > 17 }

func Count(n int) (sum int) {
	for n > 0 {
		n--
		sum++
	}
	return sum
}

func Always(n int) bool {
	switch {
	default:
		return true
	}
}
`

const tinyTest = `package tiny

import "testing"

func Test(t *testing.T) {
	if !Grown(18) || Grown(5) || Count(3) != 3 || !Always(1) {
		t.Error("wrong")
	}
}
`

// module makes a module with one package and returns its folder.
func module(t *testing.T, code, test string) string {
	dir := t.TempDir()
	write(t, dir, "go.mod", "module tiny\n\ngo 1.26\n")
	write(t, dir, "tiny.go", code)
	write(t, dir, "tiny_test.go", test)
	return dir
}

func mutate(t *testing.T, dir string, flags ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	err := run(t.Context(), append(append([]string{"-C", dir, "-timeout", "3s"}, flags...), "."), &out)
	return out.String(), err
}

// TestRun wants the age of 17, which no test has, found out, the loop that never
// ends and the others noticed, and the switch without its case not counted.
func TestRun(t *testing.T) {
	dir := module(t, tiny, tinyTest)
	got, err := mutate(t, dir, "-budget", "0")
	if err != nil {
		t.Fatal(err)
	}
	want := `tiny.go:3:35: Grown: age > 17 → age >= 17 in func Grown(age int) bool { return age > 17 }
set aside by name: 0 of the 11 changes of tiny
noticed 9 of 10 (90 %), 1 did not compile
`
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("output (-want +got):\n%s", diff)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 3 {
		t.Errorf("the tree holds %v, %v after the run, want the three files", entries, err)
	}
	if data, err := os.ReadFile(filepath.Join(dir, "tiny.go")); err != nil || string(data) != tiny {
		t.Errorf("the code is %s, %v after the run", data, err)
	}
}

func TestBudgetAndSeed(t *testing.T) {
	dir := module(t, tiny, tinyTest)
	list := func(flags ...string) string {
		out, err := mutate(t, dir, append([]string{"-list"}, flags...)...)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	first := list("-budget", "4")
	if n := strings.Count(first, "\n"); n != 4 {
		t.Errorf("a budget of 4 lists %d changes", n)
	}
	if again := list("-budget", "4"); again != first {
		t.Errorf("the same seed lists\n%s, then\n%s", first, again)
	}
	if other := list("-budget", "4", "-seed", "2"); other == first {
		t.Errorf("another seed lists the same:\n%s", other)
	}
}

func TestKnown(t *testing.T) {
	dir := module(t, tiny, tinyTest)
	write(t, dir, "testdata/equivalent.txt", `# Nobody is 17 here.
tiny.go:99:1: Grown: age > 17 → age >= 17 in func Grown(age int) bool { return age > 17 }

# Somebody rewrote this.
tiny.go: Gone: a → b
`)
	got, err := mutate(t, dir, "-list", "-budget", "0")
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(got, ">= 17") || strings.Count(got, "\n") != 11 || !strings.Contains(got, "no such change any more: tiny.go: Gone: a → b\n") {
		t.Errorf("with a known change and one that is gone, the list is\n%s", got)
	}
}

func TestRefused(t *testing.T) {
	tests := []struct{ name, code, test, known, want string }{
		{"tests that fail", "package tiny\n", strings.Replace(tinyTest, "!Grown(18) || Grown(5) || Count(3) != 3 || !Always(1)", "true", 1), "", "fail before any change"},
		{"tests that do not compile", "package tiny\n", tinyTest, "", "building the tests"},
		{"no reason", tiny, tinyTest, "tiny.go: Grown: a → b\n", "says why"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := module(t, tt.code, tt.test)
			write(t, dir, "known", tt.known)
			if _, err := mutate(t, dir, "-known", filepath.Join(dir, "known")); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want an error with %q", err, tt.want)
			}
		})
	}
	if err := run(t.Context(), nil, t.Output()); err == nil || !strings.Contains(err.Error(), "one package") {
		t.Errorf("without a package: %v", err)
	}
}
