package evaporator

import (
	"math"
	"slices"

	"calandria/plant/words"
)

// Instrument is one measured value in a reconciliation.
type Instrument struct {
	Of              string     // body; empty for the set
	What            words.Text // e.g. "syrup Brix"
	Reading         Reading
	Reconciled      float64
	ReconciledSigma float64
	Z               float64 // adjustment over its sigma
	Checked         bool    // some balance checks it
}

// Name returns e.g. "EV3 vapour pressure".
func (i Instrument) Name() words.Text { return Name(i.Of, i.What) }

// Name is a reading of a vessel or line, or of the whole set.
func Name(of string, what words.Text) words.Text {
	if of == "" {
		return what
	}
	return words.Say("%s %s", of, what)
}

// Check is one redundancy of the set: a measured value that the others predict.
type Check struct {
	Of       string
	What     words.Text
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
var ErrNoRedundancy = words.Errorf("no redundancy: no measured value is checked by others")

var errUnsettled = words.Errorf("reconcile: the readings contradict each other too much for the iteration to settle")

// significance is the joint level of the tests.
const significance = 0.05

type checkKind uint8

const (
	checkSyrup checkKind = iota
	checkSteam
	checkCondenser
	checkCondensate
	checkBrix
	checkJuiceC
	checkVapourC
	checkChestKPa
)

type check struct {
	kind checkKind
	body int
}

// ReconcileInto tests the instruments of m against each other, into an out that is used
// again. After an error out holds nothing of use.
//
// The calculation of Evaluate from juice flow, feed and syrup Brix, feed temperature,
// pressures and bleeds predicts whatever else is measured: syrup flow, steam flow,
// vapour to the condenser, condensate flows, Brix between the bodies, juice and vapour
// temperatures and the chest pressures of effects 2 on. Each of these is a check; the checks,
// linearised where they are nonlinear, are reconciled by weighted least squares.
//
// Only steady values should be given, means over 15 minutes or more, never a
// frozen or saturated reading. Readings without a stated accuracy are taken as
// exact. Chest thermometers are left out: gas moves them without an instrument being
// wrong (package thermo compares them with what they usually read).
//
// The slopes of the checks are those at the readings; the misfit is worked out anew at
// every iterate, until the values stand still within a thousandth of their standard deviations.
// So the reconciled values satisfy the balances themselves. What the slopes change
// between the readings and the result moves a reconciled value by less than a
// twentieth of its standard deviation (a test bounds it).
func (s *Set) ReconcileInto(m *Measurement, out *Reconciliation) error {
	t := &s.tests
	if err := s.compare(m, out); err != nil {
		return err
	}
	if !s.slopes() {
		return s.noMisfit()
	}
	n, k := len(t.y), len(t.checks)
	p := Balances{Y: t.y, Sigma: t.sigma, A: t.a, Prior: t.prior, B: make([]float64, k)}
	var a *Adjusted
	moved := math.Inf(1)
	for round := 0; round < 12 && !(moved < 1e-3); round++ {
		if round > 0 && !s.misfit(t.c, false) {
			return s.noMisfit()
		}
		for j := range k { // c + A (x* - x) = 0
			p.B[j] = -t.c[j]
			for i, x := range t.x {
				p.B[j] += t.a[j][i] * x
			}
		}
		var err error
		if a, err = Reconcile(p, significance); err != nil {
			return err
		}
		moved = 0
		for i, x := range a.X {
			moved = max(moved, math.Abs(x-t.x[i])/t.sigma[i])
			t.x[i] = x
		}
	}
	if !(moved < 0.01) { // NaN as well
		return errUnsettled
	}
	for i := range n {
		ins := &out.Instruments[i]
		ins.Reconciled, ins.Z, ins.Checked = a.X[i], a.MeasurementZ[i], a.Redundant[i]
		ins.ReconciledSigma = math.Sqrt(a.Covariance.At(i, i))
	}
	for j, ck := range t.checks {
		of, what := s.checkName(ck)
		out.Checks = append(out.Checks, Check{of, what, a.Residual[j], a.ResidualSigma[j], a.BalanceZ[j]})
	}
	out.Degrees, out.Global, out.Critical, out.GrossError, out.ZCritical = a.Degrees, a.Global, a.GlobalCritical, a.GrossError, a.ZCritical
	out.Suspects = suspects(p, a, out.Suspects)
	return nil
}

// Flash is which condensate flashes from calandria to calandria.
type Flash struct{ Vapour, Exhaust bool }

// OtherFlash is [Set.ReconcileInto] as if the condensate went another way than the design
// says, and the way that fits best: readings that contradict each other by the design and
// agree by that one speak of the design. The error says why no way can be tried.
func (s *Set) OtherFlash(m *Measurement, out *Reconciliation) (best Flash, err error) {
	vapour, exhaust := s.d.VapourCondensate, s.d.ExhaustCondensate
	defer func() { s.d.VapourCondensate, s.d.ExhaustCondensate = vapour, exhaust }()
	by := func(f Flash) error {
		s.d.VapourCondensate, s.d.ExhaustCondensate = Drained, Drained
		if f.Vapour {
			s.d.VapourCondensate = Flashed
		}
		if f.Exhaust {
			s.d.ExhaustCondensate = Flashed
		}
		return s.ReconcileInto(m, out)
	}
	least := math.Inf(1)
	for _, f := range [...]Flash{{}, {true, false}, {false, true}, {true, true}} {
		if f == (Flash{vapour == Flashed, exhaust == Flashed}) {
			continue
		}
		if wrong := by(f); wrong != nil {
			err = wrong
		} else if out.Global < least {
			best, least = f, out.Global
		}
	}
	if math.IsInf(least, 1) {
		return best, err
	}
	return best, by(best)
}

// suspects takes the suspects out one after the other, each as unmeasured, until the
// rest agrees or checks nothing.
func suspects(p Balances, a *Adjusted, list []Suspicion) []Suspicion {
	index := make([]int, len(p.Y))
	for i := range index {
		index[i] = i
	}
	for a.Suspect >= 0 {
		i := a.Suspect
		v := p.Sigma[i] * p.Sigma[i]
		x := Suspicion{Instrument: index[i], Z: a.MeasurementZ[i]}
		if spread := v - a.Covariance.At(i, i); spread > 0 {
			x.Bias = (p.Y[i] - a.X[i]) * v / spread
		}
		for _, o := range a.Alike {
			x.Alike = append(x.Alike, index[o])
		}
		list = append(list, x)
		next, ok := p.Without(i)
		if !ok {
			break
		}
		p, index = next, slices.Delete(index, i, i+1)
		var err error
		if a, err = Reconcile(p, significance); err != nil {
			break // what is left checks nothing
		}
	}
	return list
}

func (s *Set) checkName(c check) (of string, what words.Text) {
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
	case checkJuiceC:
		return of, "juice temperature against the boiling-point elevation"
	case checkVapourC:
		return of, "vapour temperature against vapour pressure"
	}
	return of, "chest pressure against the vapour before"
}
