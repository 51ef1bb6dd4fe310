package thermo

import (
	"math"

	"calandria/thermo/evaporator"
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
