package evaporator

import (
	"errors"
	"math"

	"calandria/plant/words"
)

// Reference reconciles a set by the full nonlinear least squares: every misfit by a
// whole evaluation from scratch, the slopes by central differences at every iterate,
// until the values stand still within 1e-9 of their standard deviations. ReconcileInto
// must say the same.
type Reference struct{ set *Set }

// NewReference returns one that calculates with s.
func NewReference(s *Set) *Reference { return &Reference{set: s} }

// Reconcile is Set.Reconcile.
func (f *Reference) Reconcile(m *Measurement) (*Reconciliation, error) {
	s := f.set
	checks := f.list(m)
	full := *m
	var vars []*Reading
	var out Reconciliation
	full.readings(len(s.d.Bodies), func(r *Reading, what words.Text, body int) {
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
	if n == 0 || k == 0 {
		return nil, ErrNoRedundancy
	}
	p := Balances{Y: make([]float64, n), Sigma: make([]float64, n), B: make([]float64, k)}
	for i, v := range vars {
		p.Y[i], p.Sigma[i] = v.Value, v.Sigma
	}
	r := s.NewResults()
	c, up, down := make([]float64, k), make([]float64, k), make([]float64, k)
	var a *Adjusted
	p.A = make([][]float64, k)
	for j := range p.A {
		p.A[j] = make([]float64, n)
	}
	for range 60 {
		if err := f.misfit(&full, checks, r, c); err != nil {
			return nil, err
		}
		for i, v := range vars {
			x, h := v.Value, 0.1*v.Sigma
			v.Value = x + h
			err := f.misfit(&full, checks, r, up)
			v.Value = x - h
			err = errors.Join(err, f.misfit(&full, checks, r, down))
			v.Value = x
			if err != nil {
				return nil, err
			}
			for j := range checks {
				p.A[j][i] = (up[j] - down[j]) / (2 * h)
			}
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
		moved := 0.0
		for i, v := range vars {
			moved = max(moved, math.Abs(a.X[i]-v.Value)/v.Sigma)
			v.Value = a.X[i]
		}
		if moved < 1e-9 {
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

	out.Suspects = suspects(p, a, nil)
	return &out, nil
}

// list finds the readings that the others predict.
func (f *Reference) list(m *Measurement) []check {
	s := f.set
	var list []check
	if !s.arrange(func(b int) bool { return m.Bodies[b].OutOfService }) {
		return nil
	}
	has := func(r Reading, ok func(Reading) bool) bool { return ok(r) && r.Sigma > 0 }
	if flowOK(m.JuiceTH) && brixOK(m.FeedBrix) && brixOK(m.SyrupBrix) && has(m.SyrupTH, flowOK) {
		list = append(list, check{checkSyrup, 0})
	}
	bare := *m
	s.without(&bare)
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

// misfit computes measured less predicted for every check.
func (f *Reference) misfit(m *Measurement, checks []check, r *Results, c []float64) error {
	s := f.set
	bare := *m
	s.without(&bare)
	s.Evaluate(&bare, r)
	for j, ck := range checks {
		got := ck.reading(m).Value
		var want Result
		switch ck.kind {
		case checkSyrup:
			want = r.SyrupTH
		case checkSteam:
			want = r.SteamTH
		case checkCondenser:
			want = r.SteamTH
			want.Value = 0
			last := s.act[s.n-1]
			for _, b := range s.members[last][:s.count[last]] {
				want.Value += r.Bodies[b].EvaporationTH.Value
			}
		case checkCondensate:
			want = r.Bodies[ck.body].CondensedTH
		case checkBrix:
			want = r.Bodies[ck.body].BrixOut
		case checkVapourC:
			want = r.Bodies[ck.body].VapourC
		case checkChestKPa:
			want = r.Bodies[ck.body].ChestKPa
		}
		if !want.OK() {
			return errors.New("reconcile: " + want.Reason.String())
		}
		c[j] = got - want.Value
	}
	return nil
}
