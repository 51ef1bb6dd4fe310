package liquor

import (
	"calandria/thermo/steam"
)

// DensityModel names an equation for the density. The zero value "" means the
// default, SPS4.
type DensityModel string

// The equations for the density.
const (
	// SPS4: density of water plus a polynomial in w = B/100 and q = (t-20)/100,
	// Emmerich's equation in ICUMSA SPS-4 (Bubnik et al. 1995, p. 164). Range 0 to
	// 85 % Brix, 0 to 100 degC. Against the CRC Handbook at 20 degC within 0.1 kg/m3
	// to 40 %, 0.3 to 70 %, 0.8 at 84 %. For impure juice take B as refractometric dry
	// solids; the deviation is not quantified (no source found).
	SPS4 DensityModel = "sps4"

	// ShortDensity: rho = 1000 (1 + B(B+200)/54000)(1 - 0.036 (t-20)/(160-t)). Range
	// 0 to 85 % Brix, 20 to 80 degC; against SPS4 +0.05 to +0.45 % there and about
	// -1 % at 100 degC. Source: Peacock 1995 and Hugot, from memory.
	ShortDensity DensityModel = "short"
)

// DensityModels lists the equations, the default first. The slice is the caller's.
func DensityModels() []DensityModel { return []DensityModel{SPS4, ShortDensity} }

// sps4Terms[k][i] multiplies q^k w^(i+1). The fourth number of the first row is
// printed once as -3.9646 in a public copy; the effect is below 2e-4 kg/m3.
var sps4Terms = [5][6]float64{
	{385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890},
	{-46.2720, -7.1720, 1.1597, 5.1126, 17.5254},
	{59.7712, 7.2491, 12.3630, -35.4791},
	{-47.2207, -21.6977, 27.6301},
	{18.3184, 12.3081},
}

// Density returns the density in kg/m3 of a liquor of b % dissolved solids at
// temperature t, free of gas and crystals. Flagged outside the model's range; a
// [*RangeError] beyond 0 to 95 % Brix or 0 to 130 degC.
func (m DensityModel) Density(b Brix, t steam.Celsius) (float64, error) {
	v, beyond, err := m.DensityFlagged(b, t)
	if err != nil || !beyond {
		return v, err
	}
	sb, st, _ := m.spans()
	name := "density (" + string(m.name()) + ")"
	return result(name, v, sb.flag(float64(b), name, v), st.flag(float64(t), name, v))
}

func (m DensityModel) name() DensityModel {
	if m == "" {
		return SPS4
	}
	return m
}

func (m DensityModel) spans() (brix, temp span, err error) {
	brix = span{"Brix", "%", 0, 85, 0, 95}
	temp = span{"temperature", "degC", 0, 100, 0, 130}
	switch m {
	case SPS4, "":
	case ShortDensity:
		temp.low, temp.high = 20, 80
	default:
		err = &UnknownModel{Property: "density", Name: string(m), Known: DensityModels()}
	}
	return brix, temp, err
}

func sps4(w, t float64) float64 {
	water := (999.83952 + t*(16.952577+t*(-7.9905127e-3+t*(-46.241757e-6+t*(105.84601e-9-281.03006e-12*t))))) /
		(1 + 16.887236e-3*t)
	q := (t - 20) / 100
	var sum float64
	for k := len(sps4Terms) - 1; k >= 0; k-- {
		row := &sps4Terms[k]
		var s float64
		for i := len(row) - 1; i >= 0; i-- {
			s = (s + row[i]) * w
		}
		sum = sum*q + s
	}
	return water + sum
}

// HeadRise returns by how many kelvin the boiling temperature at the depth depthM (m)
// under the surface of a liquid of density densityKgM3 (kg/m3) exceeds that at its
// surface under the absolute pressure p:
//
//	dT = Tsat(p + rho g H) - Tsat(p),  g = 9.80665 m/s2
//
// Bubbles make the true density lower: the result is an upper bound. Take the mean
// depth of the heating surface (common practice, no source: half the effective boiling
// level; 0 for rising- and falling-film bodies). Range: p 1 to 2000 kPa, depth 0 to 20
// m, density 0 to 1700 kg/m3; a [*RangeError] outside.
func HeadRise(p steam.KPa, densityKgM3, depthM float64) (float64, error) {
	err := firstError(
		(&span{"absolute pressure", "kPa", 0, 0, bpePressureLow, bpePressureHigh}).check(float64(p)),
		(&span{"density", "kg/m3", 0, 0, 0, 1700}).check(densityKgM3),
		(&span{"depth", "m", 0, 0, 0, 20}).check(depthM))
	if err != nil {
		return 0, err
	}
	return tsat(float64(p)+densityKgM3*9.80665*depthM*1e-3) - tsat(float64(p)), nil
}
