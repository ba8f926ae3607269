package stock_test

import (
	"bufio"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/stock"
)

// With -glpk DIR the test writes 200 random instances and their integer programs to DIR, for glpk.sh to solve. Without it
// the plans are held against the answers that glpk.sh recorded.
var glpkDir = flag.String("glpk", "", "write the instances to this folder and stop")

const (
	recorded  = "../../testdata/reference/cut/glpk.txt"
	instances = 200
)

// job is one instance with the answer of the integer program, when it is known.
type job struct {
	pieces  []stock.Piece
	bars    []stock.Bar
	options stock.Options
	cost    float64
	length  float64 // of the bars drawn, less the offcuts kept
}

// String is how a job is recorded. Floats are written so that they read back the same.
func (j job) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "saw %v %v %v\n", j.options.Kerf, j.options.Trim, j.options.MinOffcut)
	for _, x := range j.bars {
		fmt.Fprintf(&b, "bar %v %v %v %v %v\n", x.Length, x.Width, x.Price, x.Count, x.Offcut)
	}
	for _, p := range j.pieces {
		fmt.Fprintf(&b, "piece %v %v %v %v\n", p.Length, p.Bevel[0], p.Bevel[1], p.Count)
	}
	return b.String()
}

func readJobs(t *testing.T, name string) []job {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var jobs []job
	var j job
	for in := bufio.NewScanner(f); in.Scan(); {
		line := in.Text()
		var n int
		var err error
		switch word, rest, _ := strings.Cut(line, " "); word {
		case "#":
		case "saw":
			n, err = fmt.Sscan(rest, &j.options.Kerf, &j.options.Trim, &j.options.MinOffcut)
		case "bar":
			var b stock.Bar
			n, err = fmt.Sscan(rest, &b.Length, &b.Width, &b.Price, &b.Count, &b.Offcut)
			j.bars = append(j.bars, b)
		case "piece":
			var p stock.Piece
			n, err = fmt.Sscan(rest, &p.Length, &p.Bevel[0], &p.Bevel[1], &p.Count)
			j.pieces = append(j.pieces, p)
		case "glpk":
			n, err = fmt.Sscan(rest, &j.cost, &j.length)
			jobs = append(jobs, j)
			j = job{}
		default:
			t.Fatalf("%s: what is %q?", name, line)
		}
		if err != nil {
			t.Fatalf("%s: %q after %d figures: %v", name, line, n, err)
		}
	}
	return jobs
}

// randomJob draws sizes that a full list of patterns can hold: a few lengths, up to a dozen pieces of each.
func randomJob(g *rand.Rand, family int) job {
	pick := func(of ...float64) float64 { return of[g.IntN(len(of))] }
	j := job{options: stock.Options{Kerf: pick(0, 2.4, 3, 3.2)}}
	width := 0.0
	switch family {
	case 0: // one length
		j.bars = []stock.Bar{{Length: pick(2400, 3000, 4200)}}
	case 1: // several lengths, priced or not
		j.bars = []stock.Bar{{Length: 2400, Price: 9.5}, {Length: 3000, Price: 12.2}, {Length: 4200, Price: 16.9}}[g.IntN(2):]
		if g.IntN(3) == 0 {
			for i := range j.bars {
				j.bars[i].Price = 0
			}
		}
	case 2: // offcuts on the rack, and not too many of the cheaper bar
		j.bars = []stock.Bar{{Length: 2400, Price: 9.35, Count: g.IntN(4)}, {Length: 3600, Price: 14.75}}
		for range 1 + g.IntN(3) {
			j.bars = append(j.bars, stock.Bar{Length: 700 + float64(g.IntN(1200)), Price: pick(0, 0, 2.5), Count: 1 + g.IntN(2), Offcut: true})
		}
	default: // bevels, with all the rest
		width = pick(18, 41, 60)
		j.bars = []stock.Bar{{Length: 2100, Price: 8.4}, {Length: 3000, Price: 11.6}, {Length: 1000 + float64(g.IntN(900)), Count: 1 + g.IntN(3), Offcut: true}}
		j.options.Trim = pick(0, 5)
	}
	for i := range j.bars {
		j.bars[i].Width = width
	}
	j.options.MinOffcut = pick(0, 300, 600)
	short, span := pick(200, 350, 500), pick(150, 500, 900)
	bevels := []float64{0, 0, 0.7297, 0.7297, 0.64, -0.35}
	for range 3 + g.IntN(5) {
		p := stock.Piece{Length: math.Round(10*(short+span*g.Float64())) / 10, Count: 1 + g.IntN(1+g.IntN(12))}
		if width > 0 {
			p.Bevel[0] = bevels[g.IntN(len(bevels))]
			p.Bevel[1] = p.Bevel[0]
			if g.IntN(3) == 0 {
				p.Bevel[1] = bevels[g.IntN(len(bevels))]
			}
		}
		j.pieces = append(j.pieces, p)
	}
	return j
}

// column is a pattern of the integer program: a bar, how many of each piece, what it costs in hundredths, and the length
// it takes of the stock, in µm.
type column struct {
	bar    int
	n      []int
	cost   int
	length int
}

// columns lists every pattern that may be needed: those to which no piece can be added, and where rests are kept, all
// that leave one. It is nil when there are too many.
func columns(j job, atMost int) []column {
	um := func(mm float64) int { return int(math.Ceil(mm*1000 - 1e-3)) }
	size, wedge := make([]int, len(j.pieces)), make([]float64, len(j.pieces))
	for i, p := range j.pieces {
		a, b := math.Tan(p.Bevel[0]), math.Tan(p.Bevel[1])
		steep := max(math.Abs(p.Bevel[0]), math.Abs(p.Bevel[1]))
		w := j.bars[0].Width
		size[i] = um(p.Length + w/2*math.Abs(a-b) + j.options.Kerf/math.Cos(steep))
		if a*b > 0 { // the same way: the less steep counts
			wedge[i] = math.Copysign(min(math.Abs(a), math.Abs(b)), a) * w
		}
	}
	var out []column
	for k, bar := range j.bars {
		cost := int(math.Round(bar.Price * 100))
		if !priced(j.bars) && !bar.Offcut {
			cost = 1
		}
		n := make([]int, len(j.pieces))
		used := func() int {
			sum, hi, lo := 0, 0.0, 0.0
			for i, c := range n {
				if c > 0 {
					sum += c * size[i]
					hi, lo = max(hi, wedge[i]), min(lo, wedge[i])
				}
			}
			return sum + um(hi) + um(-lo)
		}
		room := um(bar.Length - j.options.Trim)
		full := func() bool {
			for i := range n {
				if n[i] < j.pieces[i].Count {
					n[i]++
					fits := used() <= room
					n[i]--
					if fits {
						return false
					}
				}
			}
			return true
		}
		var next func(i int)
		next = func(i int) {
			if len(out) > atMost {
				return
			}
			if i == len(n) {
				c := column{bar: k, n: append([]int(nil), n...), cost: cost, length: um(bar.Length)}
				if full() {
					out = append(out, c)
				}
				if rest := room - used(); j.options.MinOffcut > 0 && rest >= um(j.options.MinOffcut) && rest < room {
					c.length -= rest
					out = append(out, c)
				}
				return
			}
			for ; n[i] <= j.pieces[i].Count && used() <= room; n[i]++ {
				next(i + 1)
			}
			n[i] = 0
		}
		next(0)
	}
	if len(out) > atMost {
		return nil
	}
	return out
}

func priced(bars []stock.Bar) bool {
	for _, b := range bars {
		if b.Price > 0 {
			return true
		}
	}
	return false
}

// program is the integer program in the CPLEX LP format that glpsol reads. The second aim has a row for the cost, whose
// limit glpk.sh puts in for COST.
func program(j job, cols []column, waste bool) string {
	var b strings.Builder
	sum := func(name string, of func(c column) int) {
		fmt.Fprintf(&b, " %s:", name)
		for x, c := range cols {
			fmt.Fprintf(&b, " + %d x%d\n", of(c), x)
		}
	}
	b.WriteString("Minimize\n")
	if waste {
		sum("length", func(c column) int { return c.length })
	} else {
		sum("cost", func(c column) int { return c.cost })
	}
	b.WriteString("Subject To\n")
	for i, p := range j.pieces {
		sum(fmt.Sprint("piece", i), func(c column) int { return c.n[i] })
		fmt.Fprintf(&b, " >= %d\n", p.Count)
	}
	for k, bar := range j.bars {
		if bar.Count > 0 {
			sum(fmt.Sprint("bar", k), func(c column) int {
				if c.bar == k {
					return 1
				}
				return 0
			})
			fmt.Fprintf(&b, " <= %d\n", bar.Count)
		}
	}
	if waste {
		sum("cost", func(c column) int { return c.cost })
		b.WriteString(" <= COST\n")
	}
	b.WriteString("Generals\n")
	for x := range cols {
		fmt.Fprintf(&b, " x%d\n", x)
	}
	b.WriteString("End\n")
	return b.String()
}

func writePrograms(t *testing.T, dir string) {
	g := rand.New(rand.NewPCG(1, 2))
	for i := 0; i < 2*instances; {
		j := randomJob(g, i%4)
		cols := columns(j, 2500)
		if len(cols) == 0 {
			continue
		}
		unit := 1
		if priced(j.bars) {
			unit = 100
		}
		name := filepath.Join(dir, fmt.Sprintf("%03d", i))
		for suffix, text := range map[string]string{
			".job": j.String(), ".unit": strconv.Itoa(unit) + "\n",
			".cost.lp": program(j, cols, false), ".length.lp": program(j, cols, true),
		} {
			if err := os.WriteFile(name+suffix, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		i++
	}
}

// Where a plan says that it is proven it costs what the integer program over all patterns costs; where it does not, that
// lies between its bound and its cost. The same for the waste.
func TestAgainstGLPK(t *testing.T) {
	if *glpkDir != "" {
		writePrograms(t, *glpkDir)
		return
	}
	jobs := readJobs(t, recorded)
	if len(jobs) != instances {
		t.Fatalf("%d instances recorded, want %d", len(jobs), instances)
	}
	proven, lean := 0, 0
	for i, j := range jobs {
		r, err := stock.Plan(j.pieces, j.bars, j.options)
		if err != nil {
			t.Errorf("%d: %v\n%v", i, err, j)
			continue
		}
		recompute(t, j, r)
		const cent = 1e-9
		if r.Bound > j.cost+cent || r.Cost < j.cost-cent || r.Proven && !calctest.Near(r.Cost, j.cost, cent) {
			t.Errorf("%d: %s (bound %g), glpk %g\n%v", i, r.Claim(), r.Bound, j.cost, j)
		}
		if r.Proven {
			proven++
		}
		pieces := 0.0
		for _, p := range j.pieces {
			pieces += p.Length * float64(p.Count)
		}
		// The waste is that of plans of least cost, so it compares only where that is reached.
		waste := j.length - pieces
		const um = 1e-3 + 1e-6
		if r.Proven && (r.WasteBound > waste+um || r.Waste < waste-um || r.WasteProven && !calctest.Near(r.Waste, waste, um)) {
			t.Errorf("%d: waste %.3f (bound %.3f), glpk %.3f\n%v", i, r.Waste, r.WasteBound, waste, j)
		}
		if r.WasteProven {
			lean++
		}
	}
	t.Logf("%d of %d proven, the waste of %d", proven, len(jobs), lean)
}
