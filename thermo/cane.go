package thermo

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/thermo/evaporator"
)

// cane is the rate of crushing beside a set. It has inputs of its own: its faults are no
// faults of the balances.
type cane struct {
	in   inputs
	rate evaporator.Reading
}

func (v *cane) bind(s *setView) {
	v.in = inputs{house: s.in.house, air: s.air, tau: s.in.tau}
	v.in.bind(s.equip, "cane_rate", &v.rate)
}

func (v *cane) step(f *plant.Frame, at time.Time) { v.in.step(f, at) }

// steamOnCane is the steam to the set, by its meter, else by balance, in % of the cane or
// beet.
func (s *setView) steamOnCane() evaporator.Result {
	c := s.cane.rate
	switch {
	case !c.OK:
		return absent(noCaneRate)
	case c.Value <= max(1, 3*c.Sigma):
		return absent(nothingCrushed)
	}
	r := s.r.SteamTH
	if m := s.m.SteamTH; m.OK {
		r = evaporator.Result{Value: m.Value, Sigma: m.Sigma, How: evaporator.Measured}
	}
	if !r.OK() {
		return r
	}
	x := 100 * r.Value / c.Value
	r.Sigma = math.Hypot(100*r.Sigma, x*c.Sigma) / c.Value
	r.Value = x
	return r
}
