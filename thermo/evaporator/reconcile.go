package evaporator

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Balances is a linear reconciliation problem: measured values y with standard
// deviations that should satisfy A x = b.
type Balances struct {
	Y, Sigma []float64
	A        [][]float64 // one row a balance, one column a measured value
	B        []float64   // nil = zeros
	Prior    []bool      // values that are known otherwise than by an instrument: never suspected. nil = none
}

// Adjusted is the solution of Balances by weighted least squares.
type Adjusted struct {
	X          []float64     // reconciled values
	Covariance *mat.SymDense // of X

	Residual      []float64 // A y - b
	ResidualSigma []float64
	BalanceZ      []float64 // residual over its sigma

	// MeasurementZ is each adjustment over its own sigma; 0 where Redundant is false,
	// because no balance checks that value.
	MeasurementZ []float64
	Redundant    []bool

	Global         float64 // r' Vr^-1 r, chi-squared with Degrees of freedom if there is no gross error
	GlobalCritical float64
	Degrees        int
	GrossError     bool // Global > GlobalCritical

	// Critical is the bound of |BalanceZ| and ZCritical that of |MeasurementZ|, after
	// Sidak for the number of tests made.
	BalanceCritical, ZCritical float64

	// Suspect is the index of the largest |MeasurementZ| if that is above ZCritical or
	// the global test fails, else -1. Alike lists others whose adjustment goes with it (correlation above
	// 0.9): the balances can hardly tell them apart.
	Suspect int
	Alike   []int
}

// alikeFrom is the correlation of two adjustments from which their values count as
// alike: an error of z standard deviations in one shows as 0.9 z in the other, so
// only one above about 9 could be told apart with 95 % confidence.
const alikeFrom = 0.9

// Reconcile solves the problem at the level of significance alpha, e.g. 0.05:
//
//	x = y - V A' (A V A')^-1 (A y - b)
//	global test        g = r' Vr^-1 r ~ chi2(m),  r = A y - b,  Vr = A V A'
//	balance test       r_j/sqrt(Vr_jj)
//	measurement test   adj_i/sqrt(var adj_i),  var adj = V A' Vr^-1 A V
//	Sidak              alpha_1 = 1 - (1 - alpha)^(1/tests)
//
// Source: S. Narasimhan, C. Jordache, Data Reconciliation and Gross Error Detection
// (2000), from memory; the closed form follows from least squares. Balances must be
// independent; sigmas above 0.
func Reconcile(p Balances, alpha float64) (*Adjusted, error) {
	if !(alpha > 0 && alpha < 1) {
		return nil, fmt.Errorf("reconcile: level of significance %g; must be between 0 and 1", alpha)
	}
	if err := p.check(); err != nil {
		return nil, err
	}
	n, m := len(p.Y), len(p.A)
	a := mat.NewDense(m, n, nil)
	va := mat.NewDense(n, m, nil) // V A'
	r := mat.NewVecDense(m, nil)
	for j, row := range p.A {
		a.SetRow(j, row)
		var sum float64
		for i, c := range row {
			va.Set(i, j, p.Sigma[i]*p.Sigma[i]*c)
			sum += c * p.Y[i]
		}
		if p.B != nil {
			sum -= p.B[j]
		}
		r.SetVec(j, sum)
	}
	var full mat.Dense
	full.Mul(a, va)
	vr := mat.NewSymDense(m, nil)
	for j := range m {
		for k := j; k < m; k++ {
			vr.SetSym(j, k, full.At(j, k))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(vr) || chol.Cond() > 1e13 {
		return nil, errors.New("reconcile: the balances are not independent, or one of them has no measured value")
	}
	var w mat.VecDense // Vr^-1 r
	if err := chol.SolveVecTo(&w, r); err != nil {
		return nil, fmt.Errorf("reconcile: %w", err)
	}
	var k, cov mat.Dense // Vr^-1 A V and V A' Vr^-1 A V
	if err := chol.SolveTo(&k, va.T()); err != nil {
		return nil, fmt.Errorf("reconcile: %w", err)
	}
	cov.Mul(va, &k)
	var adj mat.VecDense
	adj.MulVec(va, &w)

	out := &Adjusted{
		X: make([]float64, n), Covariance: mat.NewSymDense(n, nil),
		Residual: make([]float64, m), ResidualSigma: make([]float64, m), BalanceZ: make([]float64, m),
		MeasurementZ: make([]float64, n), Redundant: make([]bool, n),
		Degrees: m, Suspect: -1,
	}
	tests := 0
	for i := range n {
		v := p.Sigma[i] * p.Sigma[i]
		out.X[i] = p.Y[i] - adj.AtVec(i)
		for j := i; j < n; j++ {
			c := -cov.At(i, j)
			if i == j {
				c = max(0, v+c)
			}
			out.Covariance.SetSym(i, j, c)
		}
		if d := cov.At(i, i); d > 1e-10*v {
			out.MeasurementZ[i] = -adj.AtVec(i) / math.Sqrt(d)
			out.Redundant[i] = true
			tests++
		}
	}
	for j := range m {
		out.Residual[j] = r.AtVec(j)
		out.ResidualSigma[j] = math.Sqrt(vr.At(j, j))
		out.BalanceZ[j] = r.AtVec(j) / out.ResidualSigma[j]
	}
	out.Global = mat.Dot(r, &w)
	out.GlobalCritical = distuv.ChiSquared{K: float64(m)}.Quantile(1 - alpha)
	out.GrossError = out.Global > out.GlobalCritical
	out.BalanceCritical, out.ZCritical = sidak(alpha, m), sidak(alpha, max(1, tests))
	out.name(&p, &cov)
	return out, nil
}

// check refuses what is no problem of this kind.
func (p Balances) check() error {
	n, m := len(p.Y), len(p.A)
	if n == 0 || m == 0 || len(p.Sigma) != n || p.B != nil && len(p.B) != m {
		return fmt.Errorf("reconcile: %d values, %d sigmas, %d balances, %d right sides: sizes do not fit", n, len(p.Sigma), m, len(p.B))
	}
	for i, s := range p.Sigma {
		if !(s > 0) || math.IsInf(s, 0) || !finite(p.Y[i]) {
			return fmt.Errorf("reconcile: value %d is %g with sigma %g; both must be finite, sigma above 0", i, p.Y[i], s)
		}
	}
	for j, row := range p.A {
		if len(row) != n {
			return fmt.Errorf("reconcile: balance %d has %d coefficients; must be %d", j, len(row), n)
		}
		for i, c := range row {
			if !finite(c) {
				return fmt.Errorf("reconcile: balance %d, coefficient %d is %g", j, i, c)
			}
		}
	}
	return nil
}

// name finds the suspect. cov is that of the adjustments.
func (out *Adjusted) name(p *Balances, cov *mat.Dense) {
	mayBe := func(i int) bool { return out.Redundant[i] && (p.Prior == nil || !p.Prior[i]) }
	best := -1
	for i, z := range out.MeasurementZ {
		if mayBe(i) && (best < 0 || math.Abs(z) > math.Abs(out.MeasurementZ[best])) {
			best = i
		}
	}
	if best < 0 || !out.GrossError && !(math.Abs(out.MeasurementZ[best]) > out.ZCritical) {
		return
	}
	alike := func(i, j int) bool {
		return mayBe(i) && math.Abs(cov.At(i, j)) > alikeFrom*math.Sqrt(cov.At(i, i)*cov.At(j, j))
	}
	// Of those that nothing tells apart take the one that needs the smallest error for its
	// accuracy: a steam meter 8 sigma off before a thermometer 20 K off.
	share := func(i int) float64 { return cov.At(i, i) / (p.Sigma[i] * p.Sigma[i]) }
	top := best
	for i, z := range out.MeasurementZ {
		if alike(i, top) && math.Abs(z) > alikeFrom*math.Abs(out.MeasurementZ[top]) && share(i) > share(best) {
			best = i
		}
	}
	out.Suspect = best
	for i := range out.MeasurementZ {
		if i != best && alike(i, best) {
			out.Alike = append(out.Alike, i)
		}
	}
}

// sidak returns the two-sided normal bound for one of so many tests at the joint
// level alpha.
func sidak(alpha float64, tests int) float64 {
	one := 1 - math.Pow(1-alpha, 1/float64(tests))
	return distuv.UnitNormal.Quantile(1 - one/2)
}

// Without returns the problem with value i taken as unmeasured: it is eliminated
// from the balances, at the price of one of them. ok is false if no balance is
// left or the value stands in none.
func (p Balances) Without(i int) (q Balances, ok bool) {
	pivot := -1
	for j, row := range p.A {
		if pivot < 0 || math.Abs(row[i]) > math.Abs(p.A[pivot][i]) {
			pivot = j
		}
	}
	if len(p.A) < 2 || p.A[pivot][i] == 0 {
		return Balances{}, false
	}
	q.Y = append(append([]float64(nil), p.Y[:i]...), p.Y[i+1:]...)
	q.Sigma = append(append([]float64(nil), p.Sigma[:i]...), p.Sigma[i+1:]...)
	if p.Prior != nil {
		q.Prior = append(append([]bool(nil), p.Prior[:i]...), p.Prior[i+1:]...)
	}
	for j, row := range p.A {
		if j == pivot {
			continue
		}
		f := row[i] / p.A[pivot][i]
		var out []float64
		for k := range row {
			if k != i {
				out = append(out, row[k]-f*p.A[pivot][k])
			}
		}
		q.A = append(q.A, out)
		if p.B != nil {
			q.B = append(q.B, p.B[j]-f*p.B[pivot])
		}
	}
	return q, true
}
