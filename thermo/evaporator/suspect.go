package evaporator

import (
	"errors"
	"math"
)

// Instrument is one measured value in a reconciliation.
type Instrument struct {
	Of              string // body; empty for the set
	What            string // e.g. "syrup Brix"
	Reading         Reading
	Reconciled      float64
	ReconciledSigma float64
	Z               float64 // adjustment over its sigma
	Checked         bool    // some balance checks it
}

// String returns e.g. "EV3 vapour pressure".
func (i Instrument) String() string {
	if i.Of == "" {
		return i.What
	}
	return i.Of + " " + i.What
}

// Check is one redundancy of the set: a measured value that the others predict.
type Check struct {
	Of, What string
	Residual float64 // measured less predicted, unit of the measured value
	Sigma    float64
	Z        float64
}

// Suspicion is an instrument that does not fit the others.
type Suspicion struct {
	Instrument int     // index into Reconciliation.Instruments
	Bias       float64 // by how much it seems to read too high, its own unit
	Z          float64
	Alike      []int // instruments that would explain the misfit nearly as well: the balances hardly tell them apart
}

// Reconciliation is the result of testing a set's instruments against each
// other.
type Reconciliation struct {
	Instruments []Instrument
	Checks      []Check
	Degrees     int     // independent checks
	Global      float64 // chi-squared of the misfit
	Critical    float64 // its bound
	GrossError  bool
	ZCritical   float64

	// Suspects are found one after the other, by the global test or by |Z| above
	// ZCritical, which sees one wrong instrument among many good ones sooner: the
	// worst is set aside and the rest tested again, until the rest agrees or
	// nothing is left to check.
	Suspects []Suspicion
}

// ErrNoRedundancy means that no measured value can be checked by others.
var ErrNoRedundancy = errors.New("no redundancy: no measured value is checked by others")

var errUnsettled = errors.New("reconcile: the readings contradict each other too much for the iteration to settle")

// significance is the joint level of the tests.
const significance = 0.05

type checkKind uint8

const (
	checkSyrup checkKind = iota
	checkSteam
	checkCondenser
	checkCondensate
	checkBrix
	checkVapourC
	checkChestKPa
)

type check struct {
	kind checkKind
	body int
}

// Reconcile tests the instruments of m against each other. The calculation of
// Evaluate from juice flow, feed and syrup Brix, feed temperature, pressures and
// bleeds predicts whatever else is measured: syrup flow, steam flow, vapour to
// the condenser, condensate flows, Brix between the bodies, vapour temperatures
// and the chest pressures of effects 2 on. Each of these is a check; the checks,
// linearised where they are nonlinear, are reconciled by weighted least squares.
//
// Only steady values should be given, means over 15 minutes or more, never a
// frozen or saturated reading. Readings without a stated accuracy are taken as
// exact. Juice and chest thermometers are left out: head and gas move them without
// an instrument being wrong (package thermo compares them with what they usually read).
func (s *Set) Reconcile(m *Measurement) (*Reconciliation, error) {
	out := new(Reconciliation)
	if err := s.ReconcileInto(m, out); err != nil {
		return nil, err
	}
	return out, nil
}

// ReconcileInto is [Set.Reconcile] into an out that is used again: once its
// slices have their size it allocates nothing. After an error out holds nothing of
// use.
//
// The iteration is Gauss-Newton's and goes on until the values stand still within
// 1e-5 of their standard deviations, so the reconciled values satisfy the balances
// themselves and not a straight line in their place. The slopes, which only
// share the misfit out among the instruments, are kept from call to call. They are
// worked out anew when the readings or an iterate lie more than two standard
// deviations from where they were taken, or a reading without accuracy changed by
// 2 %. On a set that keeps its load that is rare; on one whose juice flow moves by
// 1 % between calls it is nearly every time, and such a call takes about five
// times as long. What slopes of that age change in a reconciled value is below a
// twentieth of its standard deviation (a test bounds it; 0.023 was the most seen).
func (s *Set) ReconcileInto(m *Measurement, out *Reconciliation) error {
	t := &s.tests
	if err := s.compare(m, out); err != nil {
		return err
	}
	w := &t.lin
	n, k := w.n, w.m
	kept := t.near()
	moved := 0.0
	for round := range 12 {
		if round > 0 {
			if !s.misfit(t.c, true) {
				return s.noMisfit()
			}
			kept = t.within()
		}
		if !kept && !s.slopes() {
			return s.noMisfit()
		}
		if (!kept || round == 0) && !w.factor() {
			return errDependent
		}
		// r = A y - b with c + A (x* - x) = 0, so b = A x - c.
		copy(t.right, t.c)
		for i := range n {
			d := t.y[i] - t.x[i]
			if j := w.only[i]; j >= 0 {
				t.right[j] += d
				continue
			}
			for j, a := range w.a[i*k : (i+1)*k] {
				t.right[j] += a * d
			}
		}
		w.misfit(t.right)
		moved = 0
		for i := range n {
			x := t.y[i] - w.sigma[i]*w.along[i]
			moved = max(moved, math.Abs(x-t.x[i])/w.sigma[i])
			t.x[i] = x
		}
		if moved < 1e-5 {
			break
		}
	}
	if !(moved < 0.01) { // NaN as well
		return errUnsettled
	}

	for i := range n {
		ins := &out.Instruments[i]
		ins.Reconciled, ins.Checked = t.x[i], w.redundant(i)
		ins.ReconciledSigma = w.sigma[i] * math.Sqrt(max(0, 1-w.norm[i]))
		if ins.Checked {
			ins.Z = w.test(i)
		}
	}
	for j, ck := range t.checks {
		of, what := s.checkName(ck)
		sigma := w.residualSigma(j)
		out.Checks = append(out.Checks, Check{of, what, t.right[j], sigma, t.right[j] / sigma})
	}
	best, tested := w.worst()
	out.Degrees, out.Global, out.Critical, out.ZCritical = k, dot(w.z, w.z), t.chi2(k), t.sidak(max(1, tested))
	out.GrossError = out.Global > out.Critical

	// Serial elimination on the last linearisation.
	for left := k; best >= 0 && (dot(w.z, w.z) > t.chi2(left) || math.Abs(w.test(best)) > t.sidak(tested)); left-- {
		sus := out.suspect()
		sus.Instrument, sus.Z, sus.Bias = best, w.test(best), w.sigma[best]*w.along[best]/w.norm[best]
		for i := range n {
			if i != best && w.redundant(i) && math.Abs(dot(w.vector(i), w.vector(best))) > alikeFrom*math.Sqrt(w.norm[i]*w.norm[best]) {
				sus.Alike = append(sus.Alike, i)
			}
		}
		if left == 1 {
			break // no balance left
		}
		w.without(best)
		best, tested = w.worst()
	}
	return nil
}

// suspect adds one, on old room if there is.
func (r *Reconciliation) suspect() *Suspicion {
	if n := len(r.Suspects); n < cap(r.Suspects) {
		r.Suspects = r.Suspects[:n+1]
	} else {
		r.Suspects = append(r.Suspects, Suspicion{})
	}
	last := &r.Suspects[len(r.Suspects)-1]
	last.Alike = last.Alike[:0]
	return last
}

func (s *Set) checkName(c check) (of, what string) {
	if c.kind > checkCondenser {
		of = s.d.Bodies[c.body].Name
	}
	switch c.kind {
	case checkSyrup:
		return of, "syrup flow against solids"
	case checkSteam:
		return of, "steam flow against the heat balance"
	case checkCondenser:
		return of, "vapour to the condenser against the vapour balance"
	case checkCondensate:
		return of, "condensate flow against the vapour balance"
	case checkBrix:
		return of, "Brix against the evaporation"
	case checkVapourC:
		return of, "vapour temperature against vapour pressure"
	}
	return of, "chest pressure against the vapour before"
}
