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
