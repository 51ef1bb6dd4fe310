package liquor

import (
	"math"

	"calandria/thermo/steam"
)

// WaterActivity is what the elevation by StarzakPeacock rests on.
func WaterActivity(b Brix, t steam.Celsius) (float64, error) {
	x := moleFraction(float64(b))
	return (1 - x) * math.Exp(spExponent(x)/(float64(t)+kelvin)), nil
}

// SpecificHeat returns the specific heat in kJ/(kg K) of a liquor of b % dissolved
// solids and the given purity (used by Bubnik only) at temperature t.
//
// Outside the model's range, and for purity above 100 %, the value comes with an
// [*Extrapolation]; beyond 0 to 100 % Brix, 0 to 180 degC or purity 0 to 102 % there
// is a [*RangeError].
func (m HeatModel) SpecificHeat(b Brix, purity Purity, t steam.Celsius) (float64, error) {
	return m.evaluate("specific heat", b, purity, t, func(b, p, t float64) float64 {
		switch m {
		case GeankoplisHeat:
			return 4.19 - 0.0235*b
		case HugotHeat:
			return 4.1868 * (1 - 0.006*b)
		case PopovHeat:
			return 4.190 - (2.520-0.0075*t)*b/100
		}
		return 4.1868 - b*(0.0297-4.61e-5*p) + 7.5e-5*b*t
	})
}

// Coefficient returns y for q kg nonsucrose per kg water. Range q 0 to 3, flagged to
// 8; a [*RangeError] beyond, for constants out of bounds (M -1 to 1, B -1 to 3, C 0
// to 20) and where y would fall below 0.1.
func (i Impurity) Coefficient(q float64) (float64, error) {
	if err := firstError(qSpan.check(q), i.check()); err != nil {
		return 0, err
	}
	v := i.value(q)
	if err := coefficientSpan.check(v); err != nil {
		return 0, err
	}
	const name = "solubility coefficient"
	return result(name, v, qSpan.flag(q, name, v))
}
