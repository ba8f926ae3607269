package adjust

import "math"

// qr is the Householder factorisation A·P = Q·R with column pivoting of an m x n matrix, m ≥ n, stored by columns.
// It stands here, and not on LAPACK, because at 20 x 8 a call into blocked code costs more than the arithmetic and because
// the pivots are needed: they reveal the rank.
type qr struct {
	m, n int
	a    []float64 // R on and above the diagonal, the reflectors below it (their leading 1 is not stored)
	tau  []float64
	perm []int // column k of R is column perm[k] of A
}

// factor overwrites f with the factorisation of the columns in a, which it copies.
func (f *qr) factor(a []float64, m, n int) {
	f.m, f.n = m, n
	f.a = append(f.a[:0], a[:m*n]...)
	f.tau = resize(f.tau, n)
	if cap(f.perm) < n {
		f.perm = make([]int, n)
	}
	f.perm = f.perm[:n]
	for j := range f.perm {
		f.perm[j] = j
	}
	for k := range n {
		// The norms are taken anew and not updated: updating saves little at this size and cancels where it matters.
		pivot, largest := k, -1.0
		for j := k; j < n; j++ {
			if s := dot(f.col(j)[k:], f.col(j)[k:]); s > largest {
				pivot, largest = j, s
			}
		}
		f.swap(k, pivot)
		f.tau[k] = 0
		if largest == 0 {
			continue
		}
		v := f.col(k)[k:]
		beta := -math.Copysign(math.Sqrt(largest), v[0])
		f.tau[k] = (beta - v[0]) / beta
		d := v[0] - beta
		for i := 1; i < len(v); i++ {
			v[i] /= d
		}
		v[0] = beta
		for j := k + 1; j < n; j++ {
			f.reflect(k, f.col(j))
		}
	}
}

func (f *qr) col(j int) []float64 { return f.a[j*f.m : (j+1)*f.m] }

func (f *qr) swap(j, k int) {
	if j == k {
		return
	}
	a, b := f.col(j), f.col(k)
	for i := range a {
		a[i], b[i] = b[i], a[i]
	}
	f.perm[j], f.perm[k] = f.perm[k], f.perm[j]
}

// reflect applies reflector k to the vector b of length m.
func (f *qr) reflect(k int, b []float64) {
	v, b := f.col(k)[k:], b[k:]
	s := b[0]
	for i := 1; i < len(v); i++ {
		s += v[i] * b[i]
	}
	s *= f.tau[k]
	b[0] -= s
	for i := 1; i < len(v); i++ {
		b[i] -= s * v[i]
	}
}

// mulQT overwrites b, of length m, with Qᵀb.
func (f *qr) mulQT(b []float64) {
	for k := range f.n {
		f.reflect(k, b)
	}
}

// thinQ fills dst, m x n by columns, with the first n columns of Q.
func (f *qr) thinQ(dst []float64) {
	clear(dst)
	for j := range f.n {
		q := dst[j*f.m : (j+1)*f.m]
		q[j] = 1
		for k := j; k >= 0; k-- { // reflectors beyond j leave e_j alone
			f.reflect(k, q)
		}
	}
}

func (f *qr) r(i, j int) float64 { return f.a[j*f.m+i] }

// rank counts the pivots above tol times the first.
func (f *qr) rank(tol float64) int {
	first := math.Abs(f.r(0, 0))
	for k := range f.n {
		if d := math.Abs(f.r(k, k)); d == 0 || d <= tol*first {
			return k
		}
	}
	return f.n
}

// solveR overwrites y with R⁻¹y.
func (f *qr) solveR(y []float64) {
	for i := f.n - 1; i >= 0; i-- {
		s := y[i]
		for j := i + 1; j < f.n; j++ {
			s -= f.r(i, j) * y[j]
		}
		y[i] = s / f.r(i, i)
	}
}

// solveRT overwrites y with R₁⁻ᵀy for the leading len(y) x len(y) block R₁.
func (f *qr) solveRT(y []float64) {
	for i := range y {
		s := y[i]
		for j := range i {
			s -= f.r(j, i) * y[j]
		}
		y[i] = s / f.r(i, i)
	}
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i, x := range a {
		s += x * b[i]
	}
	return s
}

// resize returns a slice of length n, reusing s where it can; its contents are unspecified.
func resize(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
}
