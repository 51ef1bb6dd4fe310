package steam

import "math"

// KPa is an absolute pressure in kilopascal. Gauge pressures and vacua have to be
// converted with the site's barometer before they become a KPa.
type KPa float64

// Celsius is a temperature in degrees Celsius (ITS-90).
type Celsius float64

// KJPerKg is a specific enthalpy or latent heat in kJ/kg. The zero is that of
// IAPWS-IF97: saturated liquid at the triple point has internal energy and entropy
// zero, so its enthalpy at 0 degC is zero within 0.04 kJ/kg.
type KJPerKg float64

const (
	kelvin = 273.15   // 0 degC
	gasR   = 0.461526 // specific gas constant of water, kJ/(kg K), R7-97 Eq. 1

	criticalT = 647.096 // K
	criticalP = 22064.0 // kPa

	// saturationLow is psat(0 degC) = 0.611213 kPa, rounded down so that Tsat
	// accepts what Psat returns.
	saturationLow = 0.6112126

	// t13 is the upper end of regions 1 and 2's saturation line, 350 degC, and p13
	// its pressure; above them lies region 3.
	t13 = 623.15            // K
	p13 = 16529.16425260448 // kPa, psat(t13)

	// rounding lets a state computed with Tsat or Psat pass its own range check.
	rounding = 1e-6
)

// Tsat returns the saturation temperature of water at the absolute pressure p.
//
// Equation: IAPWS R7-97(2012) region 4, Eq. 31, the exact inverse of [Psat].
// Range: 0.611213 to 22064 kPa, that is 0 to 373.946 degC. Source's uncertainty:
// 0.025 % in pressure, about 0.01 K or less in temperature below 200 degC (from memory).
func Tsat(p KPa) (Celsius, error) {
	if outside(float64(p), saturationLow, criticalP) {
		return 0, pressureError(p, saturationLow, criticalP)
	}
	return Celsius(tsatK(float64(p)) - kelvin), nil
}

// tsatK takes kPa and returns K.
func tsatK(p float64) float64 {
	beta2 := math.Sqrt(p * 1e-3)
	beta := math.Sqrt(beta2)
	e := beta2 + n3*beta + n6
	f := n1*beta2 + n4*beta + n7
	g := n2*beta2 + n5*beta + n8
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	s := n10 + d
	return (s - math.Sqrt(s*s-4*(n9+n10*d))) / 2
}

// Psat returns the saturation pressure of water at temperature t.
//
// Equation: IAPWS R7-97(2012) region 4, Eq. 30.
// Range: 0 to 373.946 degC, that is 0.611213 to 22064 kPa.
func Psat(t Celsius) (KPa, error) {
	if outside(float64(t), -rounding, criticalT-kelvin) {
		return 0, temperatureError(t, 0, criticalT-kelvin)
	}
	return KPa(psatKPa(float64(t) + kelvin)), nil
}

// psatKPa takes K and returns kPa.
func psatKPa(t float64) float64 {
	theta := t + n9/(t-n10)
	a := (theta+n1)*theta + n2
	b := (n3*theta+n4)*theta + n5
	c := (n6*theta+n7)*theta + n8
	x := 2 * c / (-b + math.Sqrt(b*b-4*a*c))
	x *= x
	return x * x * 1e3
}

// PsatSlope returns dpsat/dT in kPa/K at temperature t, the slope of the saturation
// line, by differentiating Eq. 30 exactly. At pan vacuum (13 kPa) it is 0.64 kPa/K:
// an error of 1 kPa in the absolute pressure is 1.5 K in the boiling temperature.
//
// Range: that of [Psat].
func PsatSlope(t Celsius) (float64, error) {
	_, slope, err := PsatAndSlope(t)
	return slope, err
}

// PsatAndSlope returns [Psat] and [PsatSlope] together, for Newton's method.
func PsatAndSlope(t Celsius) (KPa, float64, error) {
	if outside(float64(t), -rounding, criticalT-kelvin) {
		return 0, 0, temperatureError(t, 0, criticalT-kelvin)
	}
	p, slope := psatSlopeK(float64(t) + kelvin)
	return KPa(p), slope, nil
}

func psatSlopeK(t float64) (p, dpdT float64) {
	w := 1 / (t - n10)
	theta := t + n9*w
	dTheta := 1 - n9*w*w
	a := (theta+n1)*theta + n2
	b := (n3*theta+n4)*theta + n5
	c := (n6*theta+n7)*theta + n8
	da, db, dc := 2*theta+n1, 2*n3*theta+n4, 2*n6*theta+n7
	root := math.Sqrt(b*b - 4*a*c)
	den := root - b
	x := 2 * c / den
	dx := (2*dc - x*((b*db-2*(da*c+a*dc))/root-db)) / den * dTheta
	x3 := x * x * x
	return x3 * x * 1e3, 4 * x3 * dx * 1e3
}

// SatLiquidEnthalpy returns the enthalpy of saturated liquid water at pressure p.
//
// Equation: region 1 at (Tsat(p), p), above 350 degC region 3. Range: 0.611213 to 22064
// kPa (0 to 373.946 degC).
func SatLiquidEnthalpy(p KPa) (KJPerKg, error) {
	if outside(float64(p), saturationLow, p13) {
		return saturatedNearCritical(p, true)
	}
	return KJPerKg(enthalpy1(float64(p)*1e-3, tsatK(float64(p)))), nil
}

// SatVapourEnthalpy returns the enthalpy of dry saturated steam at pressure p.
//
// Equation: region 2 at (Tsat(p), p), above 350 degC region 3. Range: 0.611213 to 22064
// kPa (0 to 373.946 degC).
func SatVapourEnthalpy(p KPa) (KJPerKg, error) {
	if outside(float64(p), saturationLow, p13) {
		return saturatedNearCritical(p, false)
	}
	return KJPerKg(enthalpy2(float64(p)*1e-3, tsatK(float64(p)))), nil
}

// saturatedNearCritical is the enthalpy above 350 degC, and the error outside the line.
func saturatedNearCritical(p KPa, liquid bool) (KJPerKg, error) {
	if outside(float64(p), p13, criticalP) {
		return 0, pressureError(p, saturationLow, criticalP)
	}
	return KJPerKg(saturatedEnthalpy3(float64(p), liquid)), nil
}

// LatentHeat returns the heat of evaporation of pure water at pressure p, the
// difference of [SatVapourEnthalpy] and [SatLiquidEnthalpy]; same range. It is 0 at the
// critical point.
func LatentHeat(p KPa) (KJPerKg, error) {
	if outside(float64(p), saturationLow, p13) {
		return latentNearCritical(p)
	}
	t := tsatK(float64(p))
	return KJPerKg(enthalpy2(float64(p)*1e-3, t) - enthalpy1(float64(p)*1e-3, t)), nil
}

func latentNearCritical(p KPa) (KJPerKg, error) {
	g, err := saturatedNearCritical(p, false)
	if err != nil {
		return 0, err
	}
	f, err := saturatedNearCritical(p, true)
	return g - f, err
}

// LiquidEnthalpyAt returns the enthalpy of saturated liquid at temperature t: the
// enthalpy of a condensate whose temperature is measured.
//
// Equation: region 1 at (t, Psat(t)), above 350 degC region 3. Range: 0 to 373.946 degC.
func LiquidEnthalpyAt(t Celsius) (KJPerKg, error) {
	if outside(float64(t), -rounding, criticalT-kelvin) {
		return 0, temperatureError(t, 0, criticalT-kelvin)
	}
	k := float64(t) + kelvin
	if k > t13+rounding {
		return KJPerKg(saturatedEnthalpy3(min(psatKPa(k), criticalP), true)), nil
	}
	return KJPerKg(enthalpy1(psatKPa(k)*1e-3, k)), nil
}
