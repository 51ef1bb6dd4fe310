package evaporator

import (
	"math"

	"calandria/plant/words"
)

// comparison is what Reconcile works with, on room that is used again.
type comparison struct {
	bare       Measurement // without the readings that are checks
	heat       bool        // the heat balance stands
	r          Results     // its streams
	evaluation evaluation  // its temperatures

	checks []check
	vars   []*Reading // the values, in bare
	enter  []bool     // the value enters the calculation
	prior  []bool     // the value is no instrument's

	y, x, sigma []float64   // values as read; the iterate
	c, up       []float64   // misfit
	a           [][]float64 // slopes: a row a check, a column a value
}

// compare lists values and checks of m and works out the misfit as read.
func (s *Set) compare(m *Measurement, out *Reconciliation) error {
	t := &s.tests
	out.Instruments, out.Checks, out.Suspects = out.Instruments[:0], out.Checks[:0], out.Suspects[:0]
	if !s.arrange(func(b int) bool { return m.Bodies[b].OutOfService }) {
		return ErrNoRedundancy
	}
	t.bare = *m
	t.prior, t.vars, t.enter, t.y, t.sigma = t.prior[:0], t.vars[:0], t.enter[:0], t.y[:0], t.sigma[:0]
	t.bare.readings(len(s.d.Bodies), func(r *Reading, what words.Text, body int) {
		of, enter := "", true
		switch what {
		case "chest temperature", "level":
			return
		case "vapour to the condenser", "juice temperature":
			enter = false
		case "vapour temperature":
			enter = !pressureOK(t.bare.Bodies[body].VapourKPa)
		}
		if !(r.Sigma > 0) || math.IsInf(r.Sigma, 0) {
			return
		}
		if body >= 0 {
			of = s.d.Bodies[body].Name
		}
		t.prior = append(t.prior, assumed(what))
		t.vars, t.enter, t.y = append(t.vars, r), append(t.enter, enter), append(t.y, r.Value)
		t.sigma = append(t.sigma, r.Sigma)
		out.Instruments = append(out.Instruments, Instrument{Of: of, What: what, Reading: *r})
	})
	s.without(&t.bare)
	t.heat = s.heatBalance(&t.bare, false, false)
	s.listChecks(m)
	n, k := len(t.vars), len(t.checks)
	if n == 0 || k == 0 {
		return ErrNoRedundancy
	}
	t.x = append(t.x[:0], t.y...)
	t.c, t.up = grow(t.c, k), grow(t.up, k)
	t.a = grow(t.a, k)
	for j := range t.a {
		t.a[j] = grow(t.a[j], n)
		clear(t.a[j])
	}
	for i, v := range t.vars {
		t.enter[i] = t.enter[i] && v.OK
	}
	if !s.compared(t.c) {
		return s.noMisfit()
	}
	return nil
}

// grow returns list with length n; what it holds is left over.
func grow[T any](list []T, n int) []T {
	if cap(list) < n {
		return make([]T, n)
	}
	return list[:n]
}

// without takes the readings that are checks out of bare.
func (s *Set) without(bare *Measurement) {
	if flowOK(bare.JuiceTH) && brixOK(bare.FeedBrix) && brixOK(bare.SyrupBrix) {
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
		if b != s.last || brixOK(bare.SyrupBrix) {
			bm.Brix.OK = false
		}
		if s.d.Bodies[b].Effect-1 != s.act[0] && s.ladderKnown(bare, b) {
			bm.ChestKPa.OK = false
		}
	}
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

// listChecks finds the readings of m that the others predict. The heat balance
// must stand without the steam flow.
func (s *Set) listChecks(m *Measurement) {
	t := &s.tests
	t.checks = t.checks[:0]
	add := func(r Reading, ok func(Reading) bool, c check) {
		if ok(r) && r.Sigma > 0 {
			t.checks = append(t.checks, c)
		}
	}
	if flowOK(m.JuiceTH) && brixOK(m.FeedBrix) && brixOK(m.SyrupBrix) {
		add(m.SyrupTH, flowOK, check{checkSyrup, 0})
	}
	if t.heat {
		add(m.SteamTH, flowOK, check{checkSteam, 0})
		add(m.CondenserTH, flowOK, check{checkCondenser, 0})
	}
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		bm := &m.Bodies[b]
		alone := s.count[s.d.Bodies[b].Effect-1] == 1
		if t.heat && alone {
			add(bm.CondensateTH, flowOK, check{checkCondensate, b})
			// The last body's Brix stands in for a missing syrup Brix and is no check then.
			if b != s.last || brixOK(m.SyrupBrix) {
				add(bm.Brix, brixOK, check{checkBrix, b})
			}
		}
		if t.heat {
			add(bm.JuiceC, tempOK, check{checkJuiceC, b})
		}
		if pressureOK(bm.VapourKPa) {
			add(bm.VapourC, tempOK, check{checkVapourC, b})
		}
		if s.d.Bodies[b].Effect-1 != s.act[0] && t.evaluation.tc[b].how == Balanced {
			add(bm.ChestKPa, pressureOK, check{checkChestKPa, b})
		}
	}
}

// reading is the check's own.
func (c check) reading(m *Measurement) *Reading {
	switch c.kind {
	case checkSyrup:
		return &m.SyrupTH
	case checkSteam:
		return &m.SteamTH
	case checkCondenser:
		return &m.CondenserTH
	case checkCondensate:
		return &m.Bodies[c.body].CondensateTH
	case checkBrix:
		return &m.Bodies[c.body].Brix
	case checkJuiceC:
		return &m.Bodies[c.body].JuiceC
	case checkVapourC:
		return &m.Bodies[c.body].VapourC
	}
	return &m.Bodies[c.body].ChestKPa
}

// heatBalance is the part of Evaluate that the checks need, from juice flow and Brix:
// it leaves temperatures and streams in tests and flows in the chain, stores no other
// results, and reports whether there is a balance. near says that the chain holds the
// solution of a case close by, sloppy that a straight line from there will do. The
// bodies must be arranged.
func (s *Set) heatBalance(m *Measurement, near, sloppy bool) bool {
	e := &s.tests.evaluation
	e.m, e.r = m, &s.tests.r
	s.read(e)
	return s.row(e) == ByJuiceAndBrix && s.load(e, ByJuiceAndBrix).none() && s.flows(e, ByJuiceAndBrix, near, sloppy).none()
}

// misfit stores measured less predicted for every check at the iterate; sloppy as in
// heatBalance.
func (s *Set) misfit(c []float64, sloppy bool) bool {
	t := &s.tests
	for i, v := range t.vars {
		v.Value = t.x[i]
	}
	if ok := s.heatBalance(&t.bare, true, sloppy); !ok && t.heat {
		return false
	}
	return s.compared(c)
}

// compared is misfit for what heatBalance left.
func (s *Set) compared(c []float64) bool {
	t := &s.tests
	for j, ck := range t.checks {
		var want float64
		switch ck.kind {
		case checkSyrup:
			want = t.r.SyrupTH.Value
		case checkSteam:
			want = s.c.we[s.act[0]]
		case checkCondenser:
			last := s.act[s.n-1]
			for _, b := range s.members[last][:s.count[last]] {
				want += s.c.v[b]
			}
		case checkCondensate:
			want = s.c.w[ck.body]
		case checkBrix:
			want = s.c.x[ck.body]
		case checkJuiceC:
			want = s.c.tj[ck.body]
		case checkVapourC:
			want = t.evaluation.tv[ck.body].c
		case checkChestKPa:
			want = t.evaluation.tc[ck.body].kPa
		}
		got := s.absolute(*ck.reading(&t.bare))
		c[j] = got - want
		if math.IsNaN(c[j]) || math.IsInf(c[j], 0) {
			return false
		}
	}
	return true
}

// noMisfit says why there is none at the iterate.
func (s *Set) noMisfit() error {
	r := s.NewResults()
	s.Evaluate(&s.tests.bare, r)
	for _, x := range []*Result{&r.SteamTH, &r.SyrupTH} {
		if !x.OK() {
			return words.Errorf("reconcile: %s", x.Reason.Words())
		}
	}
	for i := range r.Bodies {
		for _, x := range []*Result{&r.Bodies[i].EvaporationTH, &r.Bodies[i].VapourC, &r.Bodies[i].ChestKPa} {
			if !x.OK() {
				return words.Errorf("reconcile: %s", x.Reason.Words())
			}
		}
	}
	return words.Errorf("reconcile: the readings near the reconciled values give no balance")
}

// slopes works them out at the readings, by steps of a tenth of the standard
// deviation. A reading that does not enter the calculation stands in its own check
// alone, with slope 1.
func (s *Set) slopes() bool {
	t := &s.tests
	for i, x := range t.x {
		if !t.enter[i] {
			for j, ck := range t.checks {
				if ck.reading(&t.bare) == t.vars[i] {
					t.a[j][i] = 1
				}
			}
			continue
		}
		h := 0.1 * t.sigma[i]
		t.x[i] = x + h
		ok := s.misfit(t.up, true)
		t.x[i] = x
		if !ok {
			return false
		}
		for j := range t.checks {
			t.a[j][i] = (t.up[j] - t.c[j]) / h
		}
	}
	return true
}
