package evaporator

import (
	"errors"
	"math"
	"slices"
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
// an instrument being wrong.
func (s *Set) Reconcile(m *Measurement) (*Reconciliation, error) {
	checks := s.listChecks(m)
	if len(checks) == 0 {
		return nil, ErrNoRedundancy
	}
	full := *m
	var vars []*Reading
	var out Reconciliation
	full.readings(len(s.d.Bodies), func(r *Reading, what string, body int) {
		switch what {
		case "juice temperature", "chest temperature", "level":
			return
		}
		if r.Sigma > 0 && !math.IsInf(r.Sigma, 0) {
			of := ""
			if body >= 0 {
				of = s.d.Bodies[body].Name
			}
			vars = append(vars, r)
			out.Instruments = append(out.Instruments, Instrument{Of: of, What: what, Reading: *r})
		}
	})
	n, k := len(vars), len(checks)
	if n == 0 {
		return nil, ErrNoRedundancy
	}
	p := Balances{Y: make([]float64, n), Sigma: make([]float64, n), B: make([]float64, k)}
	for i, v := range vars {
		p.Y[i], p.Sigma[i] = v.Value, v.Sigma
	}
	r := s.NewResults()
	c, up, down := make([]float64, k), make([]float64, k), make([]float64, k)
	var a *Adjusted
	// The balances are nearly straight: their slopes are those of the last call
	// if that was near, and worked out again only after a long step. The misfit is
	// exact each time.
	moved := math.Inf(1)
	if s.slopes.near(checks, out.Instruments) {
		p.A, moved = s.slopes.a, 0
	}
	for range 12 {
		if err := s.misfit(&full, checks, r, c); err != nil {
			return nil, err
		}
		fresh := moved >= 2
		if fresh {
			p.A = make([][]float64, k)
			for j := range p.A {
				p.A[j] = make([]float64, n)
			}
		}
		for i, v := range vars {
			if !fresh {
				break
			}
			x, h := v.Value, 0.1*v.Sigma
			v.Value = x + h
			err := s.misfit(&full, checks, r, up)
			v.Value = x - h
			err = errors.Join(err, s.misfit(&full, checks, r, down))
			v.Value = x
			if err != nil {
				return nil, err
			}
			for j := range checks {
				p.A[j][i] = (up[j] - down[j]) / (2 * h)
			}
		}
		if fresh {
			s.slopes = slopes{checks, slices.Clone(out.Instruments), p.A}
		}
		for j := range checks { // c + A (x* - x) = 0
			p.B[j] = -c[j]
			for i, v := range vars {
				p.B[j] += p.A[j][i] * v.Value
			}
		}
		var err error
		if a, err = Reconcile(p, significance); err != nil {
			return nil, err
		}
		moved = 0
		for i, v := range vars {
			moved = max(moved, math.Abs(a.X[i]-v.Value)/v.Sigma)
			v.Value = a.X[i]
		}
		if moved < 1e-5 {
			break
		}
	}
	for i := range vars {
		ins := &out.Instruments[i]
		ins.Reconciled, ins.Z, ins.Checked = a.X[i], a.MeasurementZ[i], a.Redundant[i]
		ins.ReconciledSigma = math.Sqrt(a.Covariance.At(i, i))
	}
	for j, ck := range checks {
		of, what := s.checkName(ck)
		out.Checks = append(out.Checks, Check{of, what, a.Residual[j], a.ResidualSigma[j], a.BalanceZ[j]})
	}
	out.Degrees, out.Global, out.Critical, out.GrossError, out.ZCritical = a.Degrees, a.Global, a.GlobalCritical, a.GrossError, a.ZCritical

	// Serial elimination on the last linearisation.
	index := make([]int, n)
	for i := range index {
		index[i] = i
	}
	for a.Suspect >= 0 {
		i := a.Suspect
		v := p.Sigma[i] * p.Sigma[i]
		sus := Suspicion{Instrument: index[i], Z: a.MeasurementZ[i]}
		if spread := v - a.Covariance.At(i, i); spread > 0 {
			sus.Bias = (p.Y[i] - a.X[i]) * v / spread
		}
		for _, o := range a.Alike {
			sus.Alike = append(sus.Alike, index[o])
		}
		out.Suspects = append(out.Suspects, sus)
		next, ok := p.Without(i)
		if !ok {
			break
		}
		p = next
		index = slices.Delete(index, i, i+1)
		var err error
		if a, err = Reconcile(p, significance); err != nil {
			break // what is left checks nothing
		}
	}
	return &out, nil
}

// slopes are those of the checks at the readings of an earlier call.
type slopes struct {
	checks []check
	at     []Instrument
	a      [][]float64
}

// near reports whether they serve for these readings: the same ones, none
// further away than two standard deviations.
func (l *slopes) near(checks []check, now []Instrument) bool {
	return slices.Equal(l.checks, checks) && slices.EqualFunc(l.at, now, func(x, y Instrument) bool {
		return x.Of == y.Of && x.What == y.What && math.Abs(x.Reading.Value-y.Reading.Value) <= 2*y.Reading.Sigma
	})
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

// listChecks finds the readings that the others predict.
func (s *Set) listChecks(m *Measurement) []check {
	var list []check
	if !s.arrange(func(b int) bool { return m.Bodies[b].OutOfService }) {
		return nil
	}
	has := func(r Reading, ok func(Reading) bool) bool { return ok(r) && r.Sigma > 0 }
	solids := flowOK(m.JuiceTH) && brixOK(m.FeedBrix) && brixOK(m.SyrupBrix)
	if solids && has(m.SyrupTH, flowOK) {
		list = append(list, check{checkSyrup, 0})
	}
	// The heat balance must stand without the steam flow.
	bare := s.without(m)
	r := s.NewResults()
	s.Evaluate(&bare, r)
	heat := r.SteamTH.OK() && r.Row == ByJuiceAndBrix
	if heat && has(m.SteamTH, flowOK) {
		list = append(list, check{checkSteam, 0})
	}
	if heat && has(m.CondenserTH, flowOK) {
		list = append(list, check{checkCondenser, 0})
	}
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		bm := &m.Bodies[b]
		alone := s.count[s.d.Bodies[b].Effect-1] == 1
		if heat && alone && has(bm.CondensateTH, flowOK) {
			list = append(list, check{checkCondensate, b})
		}
		// The last body's Brix stands in for a missing syrup Brix and is no check then.
		if heat && alone && has(bm.Brix, brixOK) && (b != s.last || brixOK(m.SyrupBrix)) {
			list = append(list, check{checkBrix, b})
		}
		if pressureOK(bm.VapourKPa) && has(bm.VapourC, tempOK) {
			list = append(list, check{checkVapourC, b})
		}
		if s.d.Bodies[b].Effect-1 != s.act[0] && has(bm.ChestKPa, pressureOK) && r.Bodies[b].ChestC.How == Balanced {
			list = append(list, check{checkChestKPa, b})
		}
	}
	return list
}

// without returns m without the readings that are checks.
func (s *Set) without(m *Measurement) Measurement {
	bare := *m
	if flowOK(m.JuiceTH) && brixOK(m.FeedBrix) && brixOK(m.SyrupBrix) {
		bare.SyrupTH.OK = false
	}
	bare.SteamTH.OK = false
	for b := range s.d.Bodies {
		bm := &bare.Bodies[b]
		if !s.in[b] {
			continue
		}
		if s.count[s.d.Bodies[b].Effect-1] == 1 {
			bm.CondensateTH.OK = false
		}
		if b != s.last || brixOK(m.SyrupBrix) {
			bm.Brix.OK = false
		}
		if s.d.Bodies[b].Effect-1 != s.act[0] && s.ladderKnown(m, b) {
			bm.ChestKPa.OK = false
		}
	}
	return bare
}

// ladderKnown reports whether the effect before body b has a vapour reading of its
// own.
func (s *Set) ladderKnown(m *Measurement, b int) bool {
	for i := 1; i < s.n; i++ {
		if s.act[i] == s.d.Bodies[b].Effect-1 {
			for _, o := range s.members[s.act[i-1]][:s.count[s.act[i-1]]] {
				if !pressureOK(m.Bodies[o].VapourKPa) && !tempOK(m.Bodies[o].VapourC) {
					return false
				}
			}
			return true
		}
	}
	return false
}

// misfit computes measured less predicted for every check.
func (s *Set) misfit(m *Measurement, checks []check, r *Results, c []float64) error {
	bare := s.without(m)
	s.Evaluate(&bare, r)
	for j, ck := range checks {
		var got float64
		var want Result
		switch ck.kind {
		case checkSyrup:
			got, want = m.SyrupTH.Value, r.SyrupTH
		case checkSteam:
			got, want = m.SteamTH.Value, r.SteamTH
		case checkCondenser:
			got, want = m.CondenserTH.Value, r.SteamTH
			want.Value = 0
			last := s.act[s.n-1]
			for _, b := range s.members[last][:s.count[last]] {
				want.Value += r.Bodies[b].EvaporationTH.Value
			}
		case checkCondensate:
			got, want = m.Bodies[ck.body].CondensateTH.Value, r.Bodies[ck.body].CondensedTH
		case checkBrix:
			got, want = m.Bodies[ck.body].Brix.Value, r.Bodies[ck.body].BrixOut
		case checkVapourC:
			got, want = m.Bodies[ck.body].VapourC.Value, r.Bodies[ck.body].VapourC
		case checkChestKPa:
			got, want = m.Bodies[ck.body].ChestKPa.Value, r.Bodies[ck.body].ChestKPa
		}
		if !want.OK() {
			return errors.New("reconcile: " + want.Reason.String())
		}
		c[j] = got - want.Value
	}
	return nil
}
