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
