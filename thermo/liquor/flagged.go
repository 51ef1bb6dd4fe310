package liquor

import (
	"math"

	"calandria/thermo/steam"
)

// ElevationFlagged is [BPEModel.Elevation] for solvers that evaluate it many
// times: an extrapolation is reported by a flag and nothing is allocated for it. err
// is as before, but never an *Extrapolation.
func (m BPEModel) ElevationFlagged(b Brix, purity Purity, p steam.KPa, k float64) (bpeK float64, extrapolated bool, err error) {
	r, factor, err := m.prepare(purity, p, k)
	if err != nil {
		return 0, false, err
	}
	if err := r.brix.check(float64(b)); err != nil {
		return 0, false, err
	}
	v := factor * m.base(float64(b), float64(p))
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v, err := result("boiling-point elevation ("+string(m.name())+")", v)
		return v, false, err
	}
	inside := r.brix.within(float64(b)) && r.pressure.within(float64(p)) && puritySpan.within(float64(purity)) && factorSpan.within(k)
	return v, !inside, nil
}

// EnthalpyFlagged is [HeatModel.Enthalpy] for solvers, as ElevationFlagged is for
// the elevation.
func (m HeatModel) EnthalpyFlagged(b Brix, purity Purity, t steam.Celsius) (kJKg float64, extrapolated bool, err error) {
	sb, st, err := m.spans()
	if err != nil {
		return 0, false, err
	}
	if err := firstError(sb.check(float64(b)), puritySpan.check(float64(purity)), st.check(float64(t))); err != nil {
		return 0, false, err
	}
	inside := sb.within(float64(b)) && st.within(float64(t)) && puritySpan.within(float64(purity))
	return m.enthalpy(float64(b), float64(purity), float64(t)), !inside, nil
}

// DensityFlagged is [DensityModel.Density] for use at every scan, as
// ElevationFlagged is for the elevation.
func (m DensityModel) DensityFlagged(b Brix, t steam.Celsius) (kgM3 float64, extrapolated bool, err error) {
	sb, st, err := m.spans()
	if err != nil {
		return 0, false, err
	}
	if err := firstError(sb.check(float64(b)), st.check(float64(t))); err != nil {
		return 0, false, err
	}
	inside := sb.within(float64(b)) && st.within(float64(t))
	if m.name() == SPS4 {
		return sps4(float64(b)/100, float64(t)), !inside, nil
	}
	return 1000 * (1 + float64(b)*(float64(b)+200)/54000) * (1 - 0.036*(float64(t)-20)/(160-float64(t))), !inside, nil
}

// BrixFromElevationFlagged is [BPEModel.BrixFromElevation] for use at every scan, as
// ElevationFlagged is for the elevation.
func (m BPEModel) BrixFromElevationFlagged(bpeK float64, purity Purity, p steam.KPa, k float64) (b Brix, extrapolated bool, err error) {
	r, factor, err := m.prepare(purity, p, k)
	if err != nil {
		return 0, false, err
	}
	top := m.base(r.brix.hardHigh, float64(p))
	high := top * factor
	if !(bpeK >= 0 && bpeK <= high*(1+1e-12)) {
		return 0, false, &RangeError{Quantity: "boiling-point elevation", Value: bpeK, Low: 0, High: high, Unit: "K"}
	}
	v := m.invert(min(bpeK/factor, top), float64(p), r.brix.hardHigh)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v, err := result("Brix from boiling-point elevation ("+string(m.name())+")", v)
		return Brix(v), false, err
	}
	inside := r.brix.within(v) && r.pressure.within(float64(p)) && puritySpan.within(float64(purity)) && factorSpan.within(k)
	return Brix(v), !inside, nil
}

// SupersaturationFlagged is [SolubilityModel.Supersaturation] for use at every scan, as
// ElevationFlagged is for the elevation.
func (m SolubilityModel) SupersaturationFlagged(b Brix, purity Purity, t steam.Celsius, site Impurity) (s float64, extrapolated bool, err error) {
	st, err := m.span()
	if err != nil {
		return 0, false, err
	}
	if err := firstError(ssBrix.check(float64(b)), puritySpan.check(float64(purity)), st.check(float64(t)), site.check()); err != nil {
		return 0, false, err
	}
	q := nonsucrosePerWater(b, purity)
	if err := qSpan.check(q); err != nil {
		return 0, false, err
	}
	y := site.value(q)
	if err := coefficientSpan.check(y); err != nil {
		return 0, false, err
	}
	sat := m.value(float64(t))
	v := float64(b) / (100 - float64(b)) * float64(purity) / 100 / (sat / (100 - sat) * y)
	inside := ssBrix.within(float64(b)) && st.within(float64(t)) && qSpan.within(q) && puritySpan.within(float64(purity))
	return v, !inside, nil
}
