package liquor

import (
	"errors"
	"math"

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

// Viscosity returns the dynamic viscosity in mPa s of a sucrose solution, after
// Genotelle:
//
//	N = B/(1900 - 18 B), phi = (30-t)/(91+t)
//	log10 eta = 22.46 N - 0.114 + phi (1.1 + 43.1 N^1.25)
//
// Range 0 to 80 % Brix, 0 to 100 degC, purity 85 to 100 %. Against measurements:
// about 3 % for 20 to 75 % at 20 to 95 degC; dilute hot juice is over-predicted, 7 %
// at 40 % and 95 degC, 8 % at 20 % and 85 degC, water itself by 12 % at 100 degC; so is
// cold liquor, by 6 to 14 % at 60 % below 20 degC. Nonsucrose changes the viscosity
// strongly and molasses is not Newtonian; there is no purity term with a source, so
// below 85 % purity the value is flagged and tells no more than an order of
// magnitude. A [*RangeError] beyond 90 % Brix, 130 degC, or a purity outside 0 to 102.
// Source: M. Mathlouthi, J. Genotelle, in Sucrose: Properties and Applications (1995).
func Viscosity(b Brix, purity Purity, t steam.Celsius) (float64, error) {
	sb := span{"Brix", "%", 0, 80, 0, 90}
	st := span{"temperature", "degC", 0, 100, 0, 130}
	sp := span{"purity", "%", 85, 100, 0, 102}
	if err := firstError(sb.check(float64(b)), sp.check(float64(purity)), st.check(float64(t))); err != nil {
		return 0, err
	}
	n := float64(b) / (1900 - 18*float64(b))
	phi := (30 - float64(t)) / (91 + float64(t))
	v := math.Pow(10, 22.46*n-0.114+phi*(1.1+43.1*math.Pow(n, 1.25)))
	const name = "viscosity (genotelle)"
	return result(name, v, sb.flag(float64(b), name, v), st.flag(float64(t), name, v), sp.flag(float64(purity), name, v))
}

// Conductivity returns the thermal conductivity in W/(m K), after Riedel:
//
//	lambda = 1.163 (0.486 + 0.00155 t - 5e-6 t^2)(1 - 0.0054 B)
//
// Range 0 to 80 % Brix, 0 to 100 degC, uncertainty about 5 %. A [*RangeError] beyond
// 95 % or 130 degC. Source: L. Riedel 1949 as given by Honig and Baloh, from memory.
func Conductivity(b Brix, t steam.Celsius) (float64, error) {
	sb := span{"Brix", "%", 0, 80, 0, 95}
	st := span{"temperature", "degC", 0, 100, 0, 130}
	if err := firstError(sb.check(float64(b)), st.check(float64(t))); err != nil {
		return 0, err
	}
	c := float64(t)
	v := 1.163 * (0.486 + 0.00155*c - 5e-6*c*c) * (1 - 0.0054*float64(b))
	const name = "thermal conductivity (riedel)"
	return result(name, v, sb.flag(float64(b), name, v), st.flag(c, name, v))
}

// LatentHeat returns the heat of evaporation in kJ/kg of water out of a liquor of b %
// dissolved solids boiling under the absolute pressure p:
//
//	L = h''(p, T) - h'(psat(T), T) - Q x^2 (1 + a x + b x^2)/Mw,  T = Tsat(p) + BPE
//
// The vapour leaves superheated by the elevation; the last term is the partial molar
// excess enthalpy of water that StarzakPeacock implies (0.1 kJ/kg at 15, 4.8 at 60,
// 10.4 at 70, 24 at 80 Brix). The result differs from [steam.LatentHeat] by -0.1 to
// +0.3 % for 15 to 80 Brix, so that one is good enough for a balance; state which is
// used. Range: that of StarzakPeacock (0 to 90 % Brix, 5 to 200 kPa). Source: derived
// from IAPWS-IF97 and Starzak and Peacock 1997.
func LatentHeat(b Brix, p steam.KPa) (float64, error) {
	elevation, flag := StarzakPeacock.Elevation(b, 100, p, 0)
	elevation, _, err := Accept(elevation, flag)
	if err != nil {
		return 0, err
	}
	t := steam.Celsius(tsat(float64(p)) + elevation)
	vapour, err := steam.Vapour(p, t)
	if err != nil {
		return 0, err
	}
	liquid, err := steam.LiquidEnthalpyAt(t)
	if err != nil {
		return 0, err
	}
	x := moleFraction(float64(b))
	v := vapour.EnthalpyKJKg - float64(liquid) - spExponent(x)*molarR/molarWater
	var e *Extrapolation
	if errors.As(flag, &e) {
		e.Property, e.Value = "latent heat over a solution", v
		return v, e
	}
	return v, nil
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
