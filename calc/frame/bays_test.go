package frame_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/frame"
)

// The worked bays are invented field sheets with the answer of an independent implementation of the same equations
// (testdata/reference/bays/README.md).
const baysDir = "../../testdata/reference/bays"

const degree = math.Pi / 180

type reading struct {
	what, at string
	value, u float64 // mm, rad or tan
	predict  frame.Equation
}

type answer struct {
	Adjusted map[string]struct{ Value, U float64 }
	Chi2     float64 `json:"chi2_with_priors"`
	Readings []struct {
		What                    string
		At                      *string
		Residual, Redundancy, W float64
	}
}

func TestWorkedBays(t *testing.T) {
	sheets, err := filepath.Glob(filepath.Join(baysDir, "*.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if len(sheets) != 5 {
		t.Fatalf("%d worked bays, want 5", len(sheets))
	}
	for _, sheet := range sheets {
		name := strings.TrimSuffix(filepath.Base(sheet), ".csv")
		t.Run(name, func(t *testing.T) {
			readings := readSheet(t, sheet)
			var want struct {
				All      answer                      `json:"all_readings"`
				SetAside []struct{ What, At string } `json:"set_aside"`
				Without  *answer
			}
			text, err := os.ReadFile(strings.TrimSuffix(sheet, ".csv") + ".json")
			if err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal(text, &want); err != nil {
				t.Fatal(err)
			}
			compare(t, readings, want.All)
			if want.Without == nil {
				return
			}
			for _, s := range want.SetAside {
				readings = slices.DeleteFunc(readings, func(r reading) bool { return r.what == s.What && r.at == s.At })
			}
			compare(t, readings, *want.Without)
		})
	}
}

func compare(t *testing.T, readings []reading, want answer) {
	t.Helper()
	got := solve(t, readings)
	const mm, deg, dimensionless = 1e-3, 1e-4, 1e-3 // what the README of the worked bays asks
	within := func(what string, got, want, tol float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tol) {
			t.Errorf("%s: got %.5f, want %.5f", what, got, want)
		}
	}
	for _, q := range []struct {
		name     string
		eq       frame.Equation
		per, tol float64
	}{
		{"run", frame.Unknown(frame.IndexRun), 1, mm},
		{"lean_lower", frame.Lean(false), 1e-3, mm},
		{"lean_upper", frame.Lean(true), 1e-3, mm},
		{"base_angle", frame.BasePitch(), degree, deg},
		{"rail_angle", frame.RailPitch(), degree, deg},
		{"gap_bottom", frame.Gap(frame.Bottom), 1, mm},
		{"gap_middle", frame.Gap(frame.Middle), 1, mm},
		{"gap_top", frame.Gap(frame.Top), 1, mm},
		{"bow_base", frame.Unknown(frame.IndexBowBase), 1, mm},
		{"bow_rail", frame.Unknown(frame.IndexBowRail), 1, mm},
	} {
		w, ok := want.Adjusted[q.name]
		if !ok {
			t.Fatalf("the worked bay has no %s", q.name)
		}
		grad := make([]float64, len(got.x))
		value := q.eq(got.x, grad)
		within(q.name, value/q.per, w.Value, q.tol)
		within("u of "+q.name, got.u(grad)/q.per, w.U, q.tol)
	}
	within("chi2", got.chi2, want.Chi2, dimensionless)
	if len(readings) != len(want.Readings) {
		t.Fatalf("%d readings, want %d", len(readings), len(want.Readings))
	}
	for i, w := range want.Readings {
		r := readings[i]
		if r.what != w.What || w.At != nil && r.at != *w.At {
			t.Fatalf("reading %d is %s %s, want %s", i, r.what, r.at, w.What)
		}
		per, tol := 1.0, mm
		switch {
		case strings.HasPrefix(r.what, "lean"):
			per = 1e-3
		case strings.HasSuffix(r.what, "angle"):
			per, tol = degree, deg
		}
		name := r.what + " " + r.at
		within("residual of "+name, got.v[i]/per, w.Residual, tol)
		within("redundancy of "+name, got.r[i], w.Redundancy, dimensionless)
		within("w of "+name, got.v[i]/(r.u*math.Sqrt(got.r[i])), w.W, dimensionless)
	}
}

type solution struct {
	x, v, r []float64
	chi2    float64
	upper   *mat.TriDense
}

// u is √(gᵀCg) with C = (UᵀU)⁻¹, U the triangle of the QR factorisation.
func (s solution) u(grad []float64) float64 {
	var y mat.VecDense
	if err := y.SolveVec(s.upper.T(), mat.NewVecDense(len(grad), grad)); err != nil {
		return math.NaN()
	}
	return mat.Norm(&y, 2)
}

// solve is the plainest Gauss–Newton that will do: full steps on the QR factorisation of the weighted Jacobian.
func solve(t *testing.T, readings []reading) solution {
	t.Helper()
	start := frame.Plane{Run: median(readings, "run"), Gap: median(readings, "gap"),
		BaseSlope: math.Tan(median(readings, "base-angle")), RailSlope: math.Tan(median(readings, "rail-angle"))}
	rows := slices.Clone(readings)
	for _, bow := range []int{frame.IndexBowBase, frame.IndexBowRail} {
		// Prior of a bow nobody measured: mean 0, 2 mm per m of run (common practice, no source).
		rows = append(rows, reading{what: "prior", u: 2 * start.Run / 1000, predict: frame.Unknown(bow)})
	}
	n, m := len(rows), frame.Unknowns
	x := start.Vector()
	jac, rhs := mat.NewDense(n, m, nil), mat.NewVecDense(n, nil)
	linearise := func() {
		grad := make([]float64, m)
		for i, r := range rows {
			rhs.SetVec(i, (r.value-r.predict(x, grad))/r.u)
			for j, g := range grad {
				jac.Set(i, j, g/r.u)
			}
		}
	}
	var qr mat.QR
	for step := range 20 {
		linearise()
		qr.Factorize(jac)
		var dx mat.VecDense
		if err := qr.SolveVecTo(&dx, false, rhs); err != nil {
			t.Fatal(err)
		}
		for j := range x {
			x[j] += dx.AtVec(j)
		}
		if mat.Norm(&dx, math.Inf(1)) < 1e-9 {
			break
		}
		if step == 19 {
			t.Fatal("no convergence in 20 steps")
		}
	}
	linearise()
	qr.Factorize(jac)
	var q, r mat.Dense
	qr.QTo(&q)
	qr.RTo(&r)
	s := solution{x: x, upper: mat.NewTriDense(m, mat.Upper, nil)}
	for i := range m {
		for j := i; j < m; j++ {
			s.upper.SetTri(i, j, r.At(i, j))
		}
	}
	for i, row := range rows {
		w := rhs.AtVec(i)
		s.chi2 += w * w
		s.v = append(s.v, w*row.u)
		redundancy := 1.0
		for j := range m {
			redundancy -= q.At(i, j) * q.At(i, j)
		}
		s.r = append(s.r, redundancy)
	}
	return s
}

func median(readings []reading, what string) float64 {
	var values []float64
	for _, r := range readings {
		if r.what == what {
			values = append(values, r.value)
		}
	}
	slices.Sort(values)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// toGap is the diagonal of the independent implementation: its top corner is on the post's face, the post's own clear gap
// above the base corner, where [frame.FrameDiagonal] goes on to the handrail.
func toGap(rising bool) frame.Equation {
	value := func(x []float64) float64 {
		lean, gap, sign := x[frame.IndexLeanLower], frame.Gap(frame.Bottom)(x, nil), -1.0
		if rising {
			lean, gap, sign = x[frame.IndexLeanUpper], frame.Gap(frame.Top)(x, nil), 1
		}
		return math.Hypot(x[frame.IndexRun]+sign*lean*gap, x[frame.IndexBaseSlope]*x[frame.IndexRun]+sign*gap)
	}
	return func(x, grad []float64) float64 {
		for i := range grad {
			const h = 1e-5
			grad[i] = (value(with(x, i, x[i]+h)) - value(with(x, i, x[i]-h))) / (2 * h)
		}
		return value(x)
	}
}

func readSheet(t *testing.T, path string) []reading {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	scan := func(text, format string, into ...any) {
		t.Helper()
		if _, err := fmt.Sscanf(text, format, into...); err != nil {
			t.Fatalf("%s: %q: %v", path, text, err)
		}
	}
	stations := map[string]frame.Station{"bottom": frame.Bottom, "middle": frame.Middle, "top": frame.Top}
	var readings []reading
	for _, row := range rows[1:] {
		r := reading{what: row[1], at: row[2]}
		scan(row[5], "%g", &r.u)
		st := stations[r.at]
		switch r.what {
		case "run":
			var height float64
			scan(row[3], "%g", &height)
			scan(row[4], "%g mm", &r.value)
			r.predict = frame.RunAt(height)
		case "lean-along":
			var d, l float64
			scan(row[4], "%g mm in %g mm", &d, &l)
			r.value, r.u, r.predict = d/l, r.u/1000, frame.Lean(r.at == "upper")
		case "base-angle", "rail-angle":
			scan(row[4], "%g deg", &r.value)
			r.value, r.u = r.value*degree, r.u*degree
			r.predict = frame.BaseAngle(st)
			if r.what == "rail-angle" {
				r.predict = frame.RailAngle(st)
			}
		default:
			scan(row[4], "%g mm", &r.value)
			switch r.what {
			case "gap":
				r.predict = frame.Gap(st)
			case "fit":
				r.predict = frame.Gap(st)
			case "bow-base":
				r.predict = frame.BowBase(st)
			case "bow-rail":
				r.predict = frame.BowRail(st)
			case "frame-diagonal":
				r.predict = toGap(r.at == "rising")
			default:
				t.Fatalf("%s: no equation for %s", path, r.what)
			}
		}
		readings = append(readings, r)
	}
	return readings
}
