package synctest

import (
	"flag"
	"maps"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

var (
	schedules = flag.Int("schedules", 0, "how many schedules to simulate; 0 for as many as a submission has to pass")
	firstSeed = flag.Uint64("seed", 1, "the seed of the first schedule")
	replay    = flag.String("replay", "", "a file with the trace to replay")
)

// report says how a failing schedule is replayed, after leaving out of it what
// does not matter.
func report(t *testing.T, seed uint64, parts func() rig, err error) {
	t.Helper()
	s := Shrink(Generate(seed), func(s Schedule) bool {
		_, err := simulate(s, parts())
		return err != nil
	})
	trace, short := simulate(s, parts())
	t.Errorf("seed %d: %v\nThe shortest schedule that fails, with: %v\n%s\nKeep it in a file and replay it with\n"+
		"go test ./sync/synctest -run Simulation -replay FILE", seed, err, short, trace)
}

func sound() rig { return rig{} }

// TestSimulation runs schedules of devices, a hub and parcels, with every kind
// of fault, and checks after each that nothing is lost, altered or there twice.
func TestSimulation(t *testing.T) {
	if *replay != "" {
		b, err := os.ReadFile(*replay)
		if err != nil {
			t.Fatal(err)
		}
		s, err := ParseSchedule(string(b))
		if err != nil {
			t.Fatal(err)
		}
		trace, err := Replay(s)
		if err != nil {
			t.Errorf("%v\n%s", err, trace)
		}
		return
	}
	n := *schedules
	if n == 0 {
		if n = 10000; raceDetector {
			n = 100
		}
	}
	defer debug.SetGCPercent(debug.SetGCPercent(800)) // what a schedule leaves is soon dead
	start := time.Now()
	counts, failed := runMany(t, *firstSeed, n, sound)
	t.Logf("%d schedules, %.0f a second", n, float64(n)/time.Since(start).Seconds())
	for _, name := range slices.Sorted(maps.Keys(counts)) {
		t.Logf("%9d %s", counts[name], name)
	}
	for _, seed := range failed {
		_, err := Run(seed)
		report(t, seed, sound, err)
	}
	if n < 200 {
		return
	}
	for _, name := range cameAbout {
		if counts[name] == 0 {
			t.Errorf("%q never came about", name)
		}
	}
}

// cameAbout is what has to have come about in some schedule.
var cameAbout = []string{
	"entry", "strike", "page sent", "page received", "own page fetched back", "page from a parcel",
	"request cut", "answer cut", "request flipped", "answer flipped", "request held up", "request late",
	"request twice", "request replayed", "delay", "line down", "clock step",
	"crash of device", "crash of hub", "disk full at device", "disk full at hub",
	"device restored", "hub restored", "entry that only the lost store had", "fork refused", "fork told to a reader",
	"device renewed", "parcel", "parcel in part", "parcel again", "job forgotten", "page of a forgotten job erased",
	"rights changed", "nothing new",
}

// runMany runs schedules on all processors, and returns the seeds that failed,
// a few at most.
func runMany(t *testing.T, first uint64, n int, parts func() rig) (map[string]int, []uint64) {
	t.Helper()
	var next atomic.Int64
	var mu sync.Mutex
	var failed []uint64
	counts := map[string]int{}
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			mine := map[string]int{}
			for i := next.Add(1) - 1; i < int64(n); i = next.Add(1) - 1 {
				seed := first + uint64(i)
				trace, err := simulate(Generate(seed), parts())
				for name, n := range trace.Counts {
					mine[name] += n
				}
				if err != nil {
					mu.Lock()
					if failed = append(failed, seed); len(failed) == 3 {
						next.Store(int64(n))
					}
					mu.Unlock()
				}
			}
			mu.Lock()
			defer mu.Unlock()
			for name, n := range mine {
				counts[name] += n
			}
		})
	}
	all.Wait()
	slices.Sort(failed)
	return counts, failed
}
