package thermo

import (
	"math"

	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/pan"
	"calandria/thermo/steam"
)

// vapourVelocity is that of the vapour off the juice, in the vapour space of a body whose
// diameter is configured.
func (v *bodyView) vapourVelocity() evaporator.Result {
	flow, p, t := &v.b.EvaporationTH, &v.b.VapourKPa, &v.b.JuiceC
	switch {
	case !flow.OK():
		return *flow
	case !p.OK():
		return *p
	case !t.OK():
		return *t
	case flow.Value < 0:
		return absent(noVapourByBalance)
	}
	// A thermometer may stand a little under the saturation line.
	hot := max(t.Value, v.b.VapourC.Value)
	w, err := evaporator.VapourVelocity(flow.Value, steam.KPa(p.Value), steam.Celsius(hot), v.diameterM)
	if err != nil {
		return absent(noVelocity)
	}
	r := *flow
	r.Value = w
	r.How = max(flow.How, p.How, t.How)
	if flow.Value > 0 {
		r.Sigma = w * math.Hypot(flow.Sigma/flow.Value, p.Sigma/p.Value) // the volume goes with 1/p
	}
	return r
}

// syrupSaturation is the supersaturation of the syrup as it boils in the last body that the
// juice passes. A purity is taken to be known to one point.
func (s *setView) syrupSaturation() evaporator.Result {
	at := absent(outOfService)
	for _, b := range s.bodies {
		if !b.m.OutOfService {
			at = b.b.JuiceC
		}
	}
	brix, purity := s.m.SyrupBrix, s.equip.Set.PurityPct
	if p := s.m.PurityPct; p.OK {
		purity = p.Value
	}
	switch {
	case !at.OK():
		return at
	case !brix.OK:
		return absent(noReadingOrAccuracy)
	}
	v, sigma, _, err := pan.Supersaturation(pan.MeasuredLiquor{Brix: brix.Value, SigmaBrix: brix.Sigma, MassecuiteC: at.Value, SigmaK: at.Sigma, LiquorPurityPct: purity, SigmaPurityPct: 1}, pan.Site{})
	if err != nil {
		return absent(words.Of(err))
	}
	return evaporator.Result{Value: v, Sigma: sigma, How: at.How}
}
