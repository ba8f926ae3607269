package main

import (
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// The rooms of the house and the doors between them: what each package may
// import of ours, and which outside packages only some may. A pattern ending
// in /... is a folder and all under it.
var rooms = []struct {
	room string
	ours []string // of ours, tests left out
}{
	{"pinchrod/calc/unit", nil},
	{"pinchrod/calc/calctest", nil},
	{"pinchrod/calc/adjust", []string{"pinchrod/calc/unit"}},
	{"pinchrod/calc/frame", []string{"pinchrod/calc/unit"}},
	{"pinchrod/calc/layout", []string{"pinchrod/calc/unit"}},
	{"pinchrod/calc/pieces", []string{"pinchrod/calc/unit"}},
	{"pinchrod/calc/fit", []string{"pinchrod/calc/unit"}},
	{"pinchrod/calc/rules", []string{"pinchrod/calc/unit"}},
	{"pinchrod/calc/flight", []string{"pinchrod/calc/unit"}},
	{"pinchrod/calc/stock", nil},
	{"pinchrod/calc/timber", []string{"pinchrod/calc/unit"}},
	// A program that changes code to see whether its tests notice: it runs the
	// go command, and nothing imports it.
	{"pinchrod/calc/internal/mutate", nil},
	{"pinchrod/store/journal", nil},
	{"pinchrod/store", []string{"pinchrod/store/journal"}},
	{"pinchrod/store/storetest", []string{"pinchrod/store", "pinchrod/store/journal"}},
	// A reading's name is its place in the log, so the survey knows the
	// journal's references; the journal knows nothing of readings.
	{"pinchrod/survey", []string{"pinchrod/calc/unit", "pinchrod/store/journal"}},
	{"pinchrod/survey/fieldbook", []string{"pinchrod/survey", "pinchrod/calc/unit", "pinchrod/store/journal"}},
	{"pinchrod/survey/sheet", []string{"pinchrod/survey"}},
	{"pinchrod/survey/asfound", []string{"pinchrod/survey", "pinchrod/survey/fieldbook", "pinchrod/calc/...", "pinchrod/store/journal"}},
	{"pinchrod/survey/guide", []string{"pinchrod/survey", "pinchrod/calc/unit", "pinchrod/store/journal"}},
	{"pinchrod/survey/report/figure", []string{"pinchrod/survey/asfound"}},
	{"pinchrod/survey/report/lines", nil},
	{"pinchrod/survey/report/sameseed", nil},
	{"pinchrod/survey/report/paper", []string{"pinchrod/survey/report/lines", "pinchrod/survey/report/scene"}},
	{"pinchrod/survey/report", []string{"pinchrod/store/journal", "pinchrod/survey", "pinchrod/survey/fieldbook", "pinchrod/survey/asfound", "pinchrod/survey/report/figure", "pinchrod/survey/report/lines", "pinchrod/calc/..."}},
	{"pinchrod/survey/photo", nil},
	{"pinchrod/survey/report/scene", nil},
	{"pinchrod/survey/report/scene/scenetest", []string{"pinchrod/survey/report/scene"}},
	{"pinchrod/survey/report/cutting", []string{"pinchrod/survey/report/paper", "pinchrod/survey/report/figure", "pinchrod/survey/report/lines", "pinchrod/survey", "pinchrod/survey/asfound", "pinchrod/survey/report", "pinchrod/survey/report/scene", "pinchrod/calc/..."}},
	{"pinchrod/survey/report/drawing", []string{"pinchrod/survey/report/figure", "pinchrod/survey/report/lines", "pinchrod/survey", "pinchrod/survey/fieldbook", "pinchrod/survey/asfound", "pinchrod/survey/report/scene", "pinchrod/calc/..."}},
	{"pinchrod/survey/report/stockplan", []string{"pinchrod/survey/report/paper", "pinchrod/survey/report/figure", "pinchrod/survey/report/lines", "pinchrod/survey", "pinchrod/survey/fieldbook", "pinchrod/survey/sheet", "pinchrod/survey/report", "pinchrod/survey/report/cutting", "pinchrod/survey/report/scene", "pinchrod/calc/..."}},
	{"pinchrod/survey/report/bench", []string{"pinchrod/survey/report/figure", "pinchrod/survey/report/lines", "pinchrod/survey", "pinchrod/survey/fieldbook", "pinchrod/survey/asfound", "pinchrod/survey/report", "pinchrod/survey/report/cutting", "pinchrod/survey/report/drawing", "pinchrod/survey/report/scene", "pinchrod/survey/report/stockplan", "pinchrod/calc/...", "pinchrod/store/journal"}},
	{"pinchrod/store/picture", []string{"pinchrod/store/journal"}},
	{"pinchrod/sync/exchange", []string{"pinchrod/store/journal"}},
	{"pinchrod/sync/parcel", []string{"pinchrod/store/journal", "pinchrod/sync/exchange"}},
	{"pinchrod/sync/nearby", nil},
	{"pinchrod/sync/hub", []string{"pinchrod/store/journal", "pinchrod/sync/exchange", "pinchrod/sync/parcel", "pinchrod/sync/hub/..."}},
	{"pinchrod/sync/hub/door", []string{"pinchrod/store/journal"}},
	{"pinchrod/sync/hub/invite", []string{"pinchrod/sync/hub/door", "pinchrod/store/journal"}},
	{"pinchrod/sync/remote", []string{"pinchrod/store/journal", "pinchrod/sync/exchange", "pinchrod/sync/hub/door", "pinchrod/sync/hub/invite"}},
	{"pinchrod/sync/synctest", []string{"pinchrod/store/journal", "pinchrod/sync/exchange"}},
	{"pinchrod/sync/synctest/badline", nil},
	// Programs that measure: a device, a hub and a line between them.
	{"pinchrod/sync/synctest/compare", []string{"pinchrod/store", "pinchrod/store/journal", "pinchrod/survey/...", "pinchrod/sync/synctest/badline"}},
	{"pinchrod/sync/synctest/crowd", []string{"pinchrod/store", "pinchrod/store/journal", "pinchrod/survey/...", "pinchrod/sync/exchange", "pinchrod/sync/hub/...", "pinchrod/sync/remote"}},
	{"pinchrod/cmd/internal/ask", []string{"pinchrod/survey/guide", "pinchrod/cmd/internal/ask/quiet"}},
	{"pinchrod/cmd/internal/ask/quiet", nil},
	{"pinchrod/cmd/internal/cli", []string{"pinchrod/store/...", "pinchrod/survey/...", "pinchrod/sync/...", "pinchrod/cmd/internal/ask", "pinchrod/calc/unit", "pinchrod/calc/stock"}},
	{"pinchrod/cmd/pinchrod", []string{"pinchrod/cmd/internal/cli"}},
}

// guarded are the outside packages that have one door.
var guarded = []struct {
	outside string
	by      []string
}{
	{"go.etcd.io/bbolt", []string{"pinchrod/store"}},
	{"github.com/spf13/cobra", []string{"pinchrod/cmd/internal/cli"}},
	{"github.com/charmbracelet/huh", []string{"pinchrod/cmd/internal/ask", "pinchrod/calc/unit"}},
	{"net/http", []string{"pinchrod/sync/hub", "pinchrod/sync/remote", "pinchrod/survey/report/bench"}},
	{"github.com/fxamacker/cbor/v2", []string{"pinchrod/store/journal"}},
	{"golang.org/x/term", []string{"pinchrod/cmd/internal/cli", "pinchrod/cmd/internal/ask", "pinchrod/calc/unit"}},
}

func matches(pattern, pkg string) bool {
	if dir, ok := strings.CutSuffix(pattern, "/..."); ok {
		return pkg == dir || strings.HasPrefix(pkg, dir+"/")
	}
	return pattern == pkg
}

// TestImports holds the table: imports run one way.
func TestImports(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}}{{range .Imports}} {{.}}{{end}}`, "pinchrod/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	seen := map[string]bool{}
	for line := range strings.Lines(string(out)) {
		f := strings.Fields(line)
		pkg, imports := f[0], f[1:]
		seen[pkg] = true
		i := slices.IndexFunc(rooms, func(r struct {
			room string
			ours []string
		}) bool {
			return r.room == pkg
		})
		if i < 0 {
			t.Errorf("%s is not in the table: give it a room and say what it may import", pkg)
			continue
		}
		for _, imp := range imports {
			if strings.HasPrefix(imp, "pinchrod/") && !slices.ContainsFunc(rooms[i].ours, func(p string) bool { return matches(p, imp) }) {
				t.Errorf("%s imports %s, which the table does not allow", pkg, imp)
			}
			if supportsTests(imp) && !supportsTests(pkg) {
				t.Errorf("%s imports %s, which is for tests", pkg, imp)
			}
			for _, g := range guarded {
				if (imp == g.outside || strings.HasPrefix(imp, g.outside+"/")) && !slices.Contains(g.by, pkg) {
					t.Errorf("%s imports %s, which only %v may", pkg, imp, g.by)
				}
			}
			if strings.HasPrefix(pkg, "pinchrod/calc/") && !strings.HasPrefix(pkg, "pinchrod/calc/internal/") && !pure(imp) {
				t.Errorf("%s imports %s: calc has no clock, file, context, log or network, and of others only gonum", pkg, imp)
			}
		}
	}
	for _, r := range rooms {
		if !seen[r.room] {
			t.Errorf("the table names %s, which is not there", r.room)
		}
	}
}

// supportsTests tells whether a package of ours is for tests: it ends in test, as
// storetest, or lies in one that does.
func supportsTests(pkg string) bool {
	return strings.HasPrefix(pkg, "pinchrod/") && strings.Contains(pkg+"/", "test/")
}

// pure tells whether calc may import a package: of the standard library what
// has no world in it, of others gonum.
func pure(imp string) bool {
	if strings.HasPrefix(imp, "gonum.org/v1/gonum/") || imp == "pinchrod/calc/unit" {
		return true
	}
	first, _, _ := strings.Cut(imp, "/")
	return !strings.Contains(first, ".") && !slices.Contains([]string{"time", "os", "context", "log", "net", "io", "syscall", "runtime"}, first)
}
