package evaporator

import "math"

// whitened is the linear problem of [Reconcile] on storage that is kept, for a
// set that is tested again and again. It works with the m balances, not with the
// n values: with Vr = A V A' = L L' every value becomes a vector of length m,
//
//	b_i = L^-1 a_i sigma_i,   z = L^-1 r,   r = A y - b
//
// and the rest is products of these:
//
//	adjustment of value i       sigma_i b_i.z
//	its variance                sigma_i^2 b_i.b_i
//	measurement test            b_i.z/|b_i|
//	global test                 z.z
//	correlation of adjustments  b_i.b_k/(|b_i||b_k|)
//
// Taking a value as unmeasured costs one balance and no new factor: all vectors
// lose their part along b_i. It is the same algebra as Reconcile's, which a test
// compares.
type whitened struct {
	m, n  int
	a     []float64 // slopes value by value: a[i*m+j] of balance j
	only  []int     // >= 0: the one balance of value i, its slope 1 and the others 0
	sigma []float64

	vr, inv, b, z []float64 // vr holds L after factor
	norm, along   []float64 // b_i.b_i and b_i.z, the adjustment of value i in its standard deviations
	gone          []bool    // taken as unmeasured
}

// grow returns list with length n; what it holds is left over.
func grow[T any](list []T, n int) []T {
	if cap(list) < n {
		return make([]T, n)
	}
	return list[:n]
}

// size makes room.
func (w *whitened) size(n, m int) {
	w.n, w.m = n, m
	w.a, w.b = grow(w.a, n*m), grow(w.b, n*m)
	w.only, w.sigma, w.gone = grow(w.only, n), grow(w.sigma, n), grow(w.gone, n)
	w.norm, w.along = grow(w.norm, n), grow(w.along, n)
	w.vr, w.inv, w.z = grow(w.vr, m*m), grow(w.inv, m*m), grow(w.z, m)
}

// factor works out everything that does not depend on the misfit. It reports
// false if the balances are not independent or one of them has no value.
func (w *whitened) factor() bool {
	m := w.m
	clear(w.vr)
	for i, s := range w.sigma {
		v := s * s
		if j := w.only[i]; j >= 0 {
			w.vr[j*m+j] += v
			continue
		}
		a := w.a[i*m : (i+1)*m]
		for j, aj := range a {
			if aj == 0 {
				continue
			}
			row := w.vr[j*m : j*m+j+1]
			f := v * aj
			for k := range row {
				row[k] += f * a[k]
			}
		}
	}
	// Cholesky, in place; rows are contiguous.
	for j := range m {
		rj := w.vr[j*m : j*m+j+1]
		for k := range j {
			rk := w.vr[k*m : k*m+k+1]
			x := rj[k]
			for l, y := range rk[:k] {
				x -= rj[l] * y
			}
			rj[k] = x / rk[k]
		}
		whole := rj[j]
		x := whole
		for _, y := range rj[:j] {
			x -= y * y
		}
		if !(x > 1e-13*whole) || math.IsInf(x, 0) {
			return false
		}
		rj[j] = math.Sqrt(x)
	}
	// Its inverse, lower as well, column by column: inv[k*m+j] is row j of column k.
	for k := range m {
		col := w.inv[k*m : (k+1)*m]
		clear(col[:k])
		col[k] = 1 / w.vr[k*m+k]
		for j := k + 1; j < m; j++ {
			row := w.vr[j*m : j*m+j+1]
			var x float64
			for l, y := range row[k:j] {
				x -= y * col[k+l]
			}
			col[j] = x / row[j]
		}
	}
	for i, s := range w.sigma {
		b := w.b[i*m : (i+1)*m]
		w.gone[i] = false
		if j := w.only[i]; j >= 0 {
			for k, x := range w.inv[j*m : (j+1)*m] {
				b[k] = s * x
			}
		} else {
			clear(b)
			for j, aj := range w.a[i*m : (i+1)*m] {
				if aj == 0 {
					continue
				}
				f := s * aj
				col := w.inv[j*m+j : (j+1)*m]
				to := b[j:]
				for k, x := range col {
					to[k] += f * x
				}
			}
		}
		w.norm[i] = dot(b, b)
	}
	return true
}

// misfit takes r = A y - b.
func (w *whitened) misfit(r []float64) {
	m := w.m
	clear(w.z)
	for j, rj := range r {
		to := w.z[j:]
		for k, x := range w.inv[j*m+j : (j+1)*m] {
			to[k] += rj * x
		}
	}
	for i := range w.along {
		w.along[i] = dot(w.vector(i), w.z)
	}
}

// vector is b_i.
func (w *whitened) vector(i int) []float64 { return w.b[i*w.m : (i+1)*w.m] }

// redundant reports whether some balance checks value i.
func (w *whitened) redundant(i int) bool { return !w.gone[i] && w.norm[i] > 1e-10 }

// residualSigma is the standard deviation of balance j, before factor replaced it:
// the length of row j of L.
func (w *whitened) residualSigma(j int) float64 {
	row := w.vr[j*w.m : j*w.m+j+1]
	return math.Sqrt(dot(row, row))
}

// without takes value i as unmeasured.
func (w *whitened) without(i int) {
	q := w.vector(i)
	f := 1 / math.Sqrt(w.norm[i])
	for k := range q {
		q[k] *= f
	}
	w.gone[i] = true
	strip := func(x []float64) {
		p := dot(q, x)
		for k, y := range q {
			x[k] -= p * y
		}
	}
	strip(w.z)
	for k := range w.n {
		if w.gone[k] {
			continue
		}
		x := w.vector(k)
		strip(x)
		w.norm[k], w.along[k] = dot(x, x), dot(x, w.z)
	}
}

// test is the measurement test of value i, which is redundant.
func (w *whitened) test(i int) float64 { return -w.along[i] / math.Sqrt(w.norm[i]) }

// worst is the value with the largest measurement test, -1 if nothing is checked;
// of exact twins the one that needs the smallest error for its accuracy. tests
// is the number of values that are checked.
func (w *whitened) worst() (best, tests int) {
	best = -1
	top := 0.0
	for i := range w.n {
		if !w.redundant(i) {
			continue
		}
		tests++
		if z := math.Abs(w.test(i)); best < 0 || z > top {
			best, top = i, z
		}
	}
	for i := range w.n {
		if w.redundant(i) && math.Abs(w.test(i)) > top*(1-1e-9) && w.norm[i] > w.norm[best] {
			best = i
		}
	}
	return best, tests
}

func dot(x, y []float64) float64 {
	var sum float64
	y = y[:len(x)]
	for k, v := range x {
		sum += v * y[k]
	}
	return sum
}
