package evaporator

import (
	"errors"
	"math"
	"slices"
)

// Reference reconciles a set by the plain way: the balances as dense matrices in
// gonum, every misfit by a whole evaluation from scratch, every suspect by
// eliminating it from the balances and solving again. ReconcileInto must say the
// same.
type Reference struct {
	set *Set
	// Always works the slopes out at every iterate, and goes on until the values
	// stand still within 1e-9 of their standard deviations: the full nonlinear
	// least squares.
	Always bool
	Fresh  int // times that the slopes were worked out

	checks  []check
	names   []string
	at, end []float64
	a       [][]float64
}

// NewReference returns one that calculates with s.
func NewReference(s *Set) *Reference { return &Reference{set: s} }

// Reconcile is Set.Reconcile.
func (f *Reference) Reconcile(m *Measurement) (*Reconciliation, error) {
	s := f.set
	checks := f.list(m)
	full := *m
	var vars []*Reading
	var names []string
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
			names = append(names, of+" "+what)
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
	far := func(from []float64) bool {
		for i, v := range vars {
			if !(math.Abs(v.Value-from[i]) <= 2*v.Sigma) {
				return true
			}
		}
		return false
	}
	r := s.NewResults()
	c, up, down := make([]float64, k), make([]float64, k), make([]float64, k)
	var a *Adjusted
	rounds, still := 12, 1e-5
	if f.Always {
		rounds, still = 60, 1e-9
	}
	for round := range rounds {
		if err := f.misfit(&full, checks, r, c); err != nil {
			return nil, err
		}
		var fresh bool
		if round == 0 {
			fresh = !slices.Equal(checks, f.checks) || !slices.Equal(names, f.names) || far(f.at)
		} else {
			fresh = far(f.end)
		}
		if fresh || f.Always {
			f.Fresh++
			f.a = make([][]float64, k)
			for j := range f.a {
				f.a[j] = make([]float64, n)
			}
			f.end = nil
			for i, v := range vars {
				x, h := v.Value, 0.1*v.Sigma
				f.end = append(f.end, x)
				v.Value = x + h
				err := f.misfit(&full, checks, r, up)
				v.Value = x - h
				err = errors.Join(err, f.misfit(&full, checks, r, down))
				v.Value = x
				if err != nil {
					return nil, err
				}
				for j := range checks {
					f.a[j][i] = (up[j] - down[j]) / (2 * h)
				}
			}
			f.checks, f.names, f.at = checks, names, slices.Clone(p.Y)
		}
		p.A = f.a
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
		if moved < still {
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
