package liquor

import (
	"math"

	"calandria/thermo/steam"
)

// ElevationAt is a [BPEModel] at one pressure, purity and purity factor: what a
// solver asks again and again for other Brix costs only what depends on Brix.
// Make it with [BPEModel.At]. The zero value gives no elevation.
type ElevationAt struct {
	brix   *span
	model  BPEModel
	factor float64 // of the purity
	p, ts  float64 // kPa; its saturation temperature, or Peacock's factor of it
	inside bool    // pressure, purity and factor lie in the source's range
}

// At prepares the equation for boiling at p. It refuses what
// [BPEModel.Elevation] refuses, but for the Brix.
func (m BPEModel) At(purity Purity, p steam.KPa, k float64) (ElevationAt, error) {
	r, factor, err := m.prepare(purity, p, k)
	if err != nil {
		return ElevationAt{}, err
	}
	e := ElevationAt{
		brix: &r.brix, model: m.name(), factor: factor, p: float64(p),
		inside: r.pressure.within(float64(p)) && puritySpan.within(float64(purity)) && factorSpan.within(k),
	}
	switch e.model {
	case StarzakPeacock:
		e.ts = tsat(e.p)
	case Peacock:
		e.ts = peacockFactor(tsat(e.p), 374.3)
	case BatterhamNorgate:
		e.ts = peacockFactor(tsat(e.p), 374)
	}
	return e, nil
}

// Elevation is [BPEModel.ElevationFlagged] at this pressure.
func (e *ElevationAt) Elevation(b Brix) (bpeK float64, extrapolated bool, err error) {
	if e.brix == nil {
		return 0, false, &RangeError{Quantity: "absolute pressure", Value: e.p, Low: bpePressureLow, High: bpePressureHigh, Unit: "kPa"}
	}
	if err := e.brix.check(float64(b)); err != nil {
		return 0, false, err
	}
	var v float64
	switch e.model {
	case StarzakPeacock:
		v = starzakPeacock(float64(b), e.p, e.ts)
	case Peacock, BatterhamNorgate:
		v = peacock(float64(b), e.ts)
	default:
		v = e.model.base(float64(b), e.p)
	}
	v *= e.factor
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v, err := result("boiling-point elevation ("+string(e.model)+")", v)
		return v, false, err
	}
	return v, !(e.inside && e.brix.within(float64(b))), nil
}

// HeatAt is a [HeatModel] at one purity, for solvers as [ElevationAt] is. Make it
// with [HeatModel.At]. The zero value gives no enthalpy.
type HeatAt struct {
	brix, temperature span
	model             HeatModel
	purity            float64
	inside, ok        bool
}

// At prepares the equation for a purity.
func (m HeatModel) At(purity Purity) (HeatAt, error) {
	sb, st, err := m.spans()
	if err != nil {
		return HeatAt{}, err
	}
	if err := puritySpan.check(float64(purity)); err != nil {
		return HeatAt{}, err
	}
	return HeatAt{brix: sb, temperature: st, model: m, purity: float64(purity), inside: puritySpan.within(float64(purity)), ok: true}, nil
}

// Enthalpy is [HeatModel.EnthalpyFlagged] at this purity.
func (h *HeatAt) Enthalpy(b Brix, t steam.Celsius) (kJKg float64, extrapolated bool, err error) {
	if !h.ok {
		return 0, false, puritySpan.check(math.NaN())
	}
	if err := h.brix.check(float64(b)); err != nil {
		return 0, false, err
	}
	if err := h.temperature.check(float64(t)); err != nil {
		return 0, false, err
	}
	inside := h.inside && h.brix.within(float64(b)) && h.temperature.within(float64(t))
	return h.model.enthalpy(float64(b), h.purity, float64(t)), !inside, nil
}
