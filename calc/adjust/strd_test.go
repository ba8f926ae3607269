package adjust

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// strd is a NIST Statistical Reference Dataset. The file's own header says where in it the certified values and the data
// stand; see ../../testdata/reference/strd/SOURCE.txt.
type strd struct {
	starts     [2][]float64 // non-linear sets only
	param, sd  []float64
	residualSD float64
	y          []float64
	x          [][]float64
}

func readStRD(t *testing.T, name string) *strd {
	t.Helper()
	f, err := os.Open(filepath.Join("../../testdata/reference/strd", name+".dat"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var lines []string
	for sc := bufio.NewScanner(f); sc.Scan(); {
		lines = append(lines, sc.Text())
	}
	d := &strd{}
	section := func(what string) []string {
		for _, l := range lines[:10] {
			if i := strings.Index(l, what); i >= 0 {
				var from, to int
				if _, err := fmt.Sscanf(l[strings.Index(l, "(lines"):], "(lines %d to %d)", &from, &to); err != nil {
					t.Fatalf("%s: %q: %v", name, l, err)
				}
				return lines[from-1 : to]
			}
		}
		t.Fatalf("%s: no section %q", name, what)
		return nil
	}
	for _, l := range section("Certified Values") {
		if rest, ok := strings.CutPrefix(strings.TrimSpace(l), "Standard Deviation"); ok {
			d.residualSD = numbers(t, rest)[0] // linear sets, on the line after "Residual"
			continue
		}
		if _, rest, ok := strings.Cut(l, "Residual Standard Deviation:"); ok {
			d.residualSD = numbers(t, rest)[0]
			continue
		}
		label, rest := splitLabel(l)
		if len(label) < 2 || label[0] != 'B' && label[0] != 'b' {
			continue
		}
		v := numbers(t, rest)
		if label[0] == 'b' {
			d.starts[0] = append(d.starts[0], v[0])
			d.starts[1] = append(d.starts[1], v[1])
			v = v[2:]
		}
		d.param = append(d.param, v[0])
		d.sd = append(d.sd, v[1])
	}
	for _, l := range section("Data    ") {
		v := numbers(t, l)
		d.y = append(d.y, v[0])
		d.x = append(d.x, v[1:])
	}
	if len(d.param) == 0 || len(d.y) <= len(d.param) {
		t.Fatalf("%s: read %d parameters and %d rows", name, len(d.param), len(d.y))
	}
	return d
}

// splitLabel takes "B0" off "   B0   1.0   2.0" and "b1" off "  b1 =   500 ...".
func splitLabel(l string) (label, rest string) {
	label, rest, _ = strings.Cut(strings.TrimSpace(l), " ")
	if len(label) > 3 || strings.Trim(label[min(1, len(label)):], "0123456789") != "" {
		return "", ""
	}
	return label, strings.TrimPrefix(strings.TrimSpace(rest), "=")
}

func numbers(t *testing.T, l string) []float64 {
	t.Helper()
	var v []float64
	for _, s := range strings.Fields(l) {
		x, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatalf("%q: %v", l, err)
		}
		v = append(v, x)
	}
	return v
}

// problem gives every reading u = 1, so that only a-posteriori figures compare with NIST's.
func (d *strd) problem(start []float64, model func(x, b, grad []float64) float64) Problem {
	p := Problem{Start: start}
	for i := range d.y {
		x := d.x[i]
		p.Observations = append(p.Observations, Observation{Value: d.y[i], U: 1,
			Model: func(b, grad []float64) float64 { return model(x, b, grad) }})
	}
	return p
}

// digits is NIST's log relative error, the number of correct significant digits: -log10(|got - want|/|want|), or of the
// absolute error where want is 0 (Wampler1's standard deviations); 16 if they are equal.
func digits(got, want float64) float64 {
	e := math.Abs(got - want)
	if want != 0 {
		e /= math.Abs(want)
	}
	if e == 0 {
		return 16
	}
	return min(16, -math.Log10(e))
}

func leastDigits(got, want []float64) float64 {
	least := 16.0
	for i := range want {
		least = min(least, digits(got[i], want[i]))
	}
	return least
}

func scaledSDs(s *Solution) []float64 {
	sd := make([]float64, len(s.X))
	for j := range sd {
		sd[j] = s.Sigma0() * math.Sqrt(s.Cov.At(j, j))
	}
	return sd
}

// polynomial is Σ b_k·x^k over the powers from..from+len(b)-1. The terms of Filip cancel to one part in 10^5, so they
// are summed in doubled precision (TwoSum and TwoProd with FMA) and the powers carry their rounding along.
func polynomial(from int) func(x, b, grad []float64) float64 {
	return func(x, b, grad []float64) float64 {
		var sum, low float64
		pow, powLow := 1.0, 0.0
		for k := range from + len(b) {
			if k >= from {
				j := k - from
				if grad != nil {
					grad[j] = pow
				}
				t := b[j] * pow
				low += math.FMA(b[j], pow, -t) + b[j]*powLow
				s := sum + t
				d := s - sum
				low += (sum - (s - d)) + (t - d)
				sum = s
			}
			t := pow * x[0]
			powLow = math.FMA(pow, x[0], -t) + powLow*x[0]
			pow = t
		}
		return sum + low
	}
}

func TestStRDLinear(t *testing.T) {
	plane := func(x, b, grad []float64) float64 {
		f := b[0]
		if grad != nil {
			grad[0] = 1
			copy(grad[1:], x)
		}
		for j, xj := range x {
			f += b[j+1] * xj
		}
		return f
	}
	tests := []struct {
		name                  string
		model                 func(x, b, grad []float64) float64
		param, sd, residualSD float64 // floors for the digits
	}{
		{"Norris", polynomial(0), 13, 13, 13},
		{"NoInt1", polynomial(1), 14, 14, 14},
		{"Longley", plane, 10, 11, 12},
		{"Wampler1", polynomial(0), 10, 9, 9},
		{"Filip", polynomial(0), 8, 7, 13},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d := readStRD(t, tt.name)
			s, err := Solve(d.problem(make([]float64, len(d.param)), tt.model), Options{})
			if err != nil {
				t.Fatal(err)
			}
			param, sd, res := leastDigits(s.X, d.param), leastDigits(scaledSDs(s), d.sd), digits(s.Sigma0(), d.residualSD)
			t.Logf("digits: parameters %.1f, standard deviations %.1f, residual sd %.1f; %d steps, condition %.1e",
				param, sd, res, s.Iterations, s.Condition)
			if param < tt.param || sd < tt.sd || res < tt.residualSD {
				t.Errorf("digits below the floor %v, %v, %v", tt.param, tt.sd, tt.residualSD)
			}
			if margin := 1 / (s.Condition * defaultRankTol); margin < 1000 {
				t.Errorf("smallest pivot may be %.0f times the rank tolerance, want 1000", margin)
			}
		})
	}
}

func TestStRDNonlinear(t *testing.T) {
	tests := []struct {
		name      string
		model     func(x, b, grad []float64) float64
		param, sd float64
	}{
		{"Misra1a", func(x, b, grad []float64) float64 {
			e := math.Exp(-b[1] * x[0])
			if grad != nil {
				grad[0], grad[1] = 1-e, b[0]*x[0]*e
			}
			return b[0] * (1 - e)
		}, 9, 9},
		{"MGH09", func(x, b, grad []float64) float64 {
			x1 := x[0]
			num, den := x1*(x1+b[1]), x1*(x1+b[2])+b[3]
			if grad != nil {
				grad[0], grad[1] = num/den, b[0]*x1/den
				grad[2], grad[3] = -b[0]*num*x1/(den*den), -b[0]*num/(den*den)
			}
			return b[0] * num / den
		}, 9, 9},
		{"Thurber", func(x, b, grad []float64) float64 {
			x1 := x[0]
			x2, x3 := x1*x1, x1*x1*x1
			num, den := b[0]+b[1]*x1+b[2]*x2+b[3]*x3, 1+b[4]*x1+b[5]*x2+b[6]*x3
			if grad != nil {
				for j, pow := range []float64{1, x1, x2, x3} {
					grad[j] = pow / den
					if j > 0 {
						grad[3+j] = -num * pow / (den * den)
					}
				}
			}
			return num / den
		}, 9, 9},
	}
	for _, tt := range tests {
		d := readStRD(t, tt.name)
		for i, start := range d.starts {
			t.Run(fmt.Sprintf("%s/start%d", tt.name, i+1), func(t *testing.T) {
				s, err := Solve(d.problem(start, tt.model), Options{})
				if err != nil {
					t.Fatal(err)
				}
				param, sd, res := leastDigits(s.X, d.param), leastDigits(scaledSDs(s), d.sd), digits(s.Sigma0(), d.residualSD)
				t.Logf("digits: parameters %.1f, standard deviations %.1f, residual sd %.1f; %d steps, condition %.1e",
					param, sd, res, s.Iterations, s.Condition)
				if param < tt.param || sd < tt.sd || res < tt.param {
					t.Errorf("digits below the floor %v, %v, %v", tt.param, tt.sd, tt.param)
				}
			})
		}
	}
}
