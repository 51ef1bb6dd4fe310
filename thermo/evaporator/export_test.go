package evaporator

import (
	"fmt"

	"calandria/thermo/steam"
)

// UseWater replaces the saturation line, for comparison with a model built on
// another formulation of the properties of water.
func (s *Set) UseWater(tsat func(steam.KPa) (steam.Celsius, error), psat func(steam.Celsius) (steam.KPa, error),
	satLiquid, satVapour func(steam.KPa) (steam.KJPerKg, error)) {
	s.water = water{tsat, psat, satLiquid, satVapour}
}

// Each calls f for every result with a name.
func (r *Results) Each(f func(name string, x Result)) {
	i := 0
	bodies := r.Bodies
	r.Bodies = nil
	r.each(func(x *Result) { f(fmt.Sprintf("set result %d", i), *x); i++ })
	r.Bodies = bodies
	for b := range bodies {
		i = 0
		bodies[b].each(func(x *Result) { f(fmt.Sprintf("body %s result %d", bodies[b].Name, i), *x); i++ })
	}
}

// EvaluateFrom is Evaluate with the iteration started at these Brix and evaporations.
func (s *Set) EvaluateFrom(brix, evaporation float64, m *Measurement, r *Results) {
	s.Evaluate(m, r)
	for b := range s.d.Bodies {
		s.c.x[b], s.c.v[b], s.c.slopeAt[b], s.c.outflow[b] = brix, evaporation, -maxLiquor, 1
	}
	s.evaluate(m, r, true, false)
}

// Tags returns the tags perfect instruments would show in the state r that
// Predict found under op. Thermometers in vapour spaces and chests show
// saturation.
func (s *Set) Tags(op *Operation, r *Results) Measurement {
	is := func(x Result) Reading { return Reading{Value: x.Value, OK: x.OK()} }
	m := Measurement{
		JuiceTH: Read(op.JuiceTH, 0), FeedBrix: Read(op.FeedBrix, 0), FeedC: Read(op.FeedC, 0),
		SyrupTH: is(r.SyrupTH), SyrupBrix: is(r.SyrupBrix),
		SteamTH: is(r.SteamTH), SteamKPa: Read(op.SteamKPa, 0),
	}
	if op.Of != nil {
		m.PurityPct = op.Of.PurityPct
	}
	if op.SteamC > 0 {
		m.SteamC = Read(op.SteamC, 0)
	}
	for e := range m.BleedTH {
		m.BleedTH[e] = is(r.BleedTH[e])
	}
	for b := range r.Bodies {
		o, t := &r.Bodies[b], &m.Bodies[b]
		t.OutOfService = !o.InService
		t.VapourKPa, t.ChestKPa = is(o.VapourKPa), is(o.ChestKPa)
		t.VapourC, t.JuiceC, t.ChestC = is(o.VapourC), is(o.JuiceC), is(o.ChestC)
		t.Brix, t.CondensateTH = is(o.BrixOut), is(o.CondensedTH)
		if l := op.Bodies[b].LevelPct; l > 0 {
			t.LevelPct = Read(l, 0)
		}
	}
	return m
}

// Design returns the set's design.
func (s *Set) Design() Design { return s.d }

// Reconcile is ReconcileInto into a new Reconciliation.
func (s *Set) Reconcile(m *Measurement) (*Reconciliation, error) {
	out := new(Reconciliation)
	if err := s.ReconcileInto(m, out); err != nil {
		return nil, err
	}
	return out, nil
}
