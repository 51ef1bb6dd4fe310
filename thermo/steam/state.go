package steam

import (
	"math"
)

// State is one state of water or steam.
type State struct {
	PressureKPa           KPa
	TemperatureC          Celsius
	VolumeM3Kg            float64 // specific volume, m3/kg
	EnthalpyKJKg          float64 // specific enthalpy, kJ/kg
	InternalEnergyKJKg    float64 // specific internal energy, kJ/kg
	EntropyKJKgK          float64 // specific entropy, kJ/(kg K)
	CpKJKgK               float64 // specific heat at constant pressure, kJ/(kg K)
	CvKJKgK               float64 // specific heat at constant volume, kJ/(kg K)
	SoundSpeedMS          float64 // speed of sound, m/s
	CompressibilityPerMPa float64 // isothermal compressibility -1/v dv/dp, 1/MPa
}

// Ranges of regions 1 to 3 (region 5 is not carried).
const (
	pressureLow  = 1e-6   // kPa, region 2 towards the ideal gas
	pressureHigh = 100000 // kPa
	tMaxVapour   = 1073.15
	// acrossLine is how far, in K, a state may lie on the wrong side of the
	// saturation line before it is refused: enough for rounding, no more.
	acrossLine = 1e-3
)

// Liquid returns the state of liquid water at pressure p and temperature t.
//
// Equation: IAPWS R7-97(2012) region 1, Eq. 7, above 350 degC region 3, Eq. 28. Range:
// 0 to 373.946 degC, from the saturation pressure of t to 100 MPa. A temperature above
// Tsat(p) (by more than 0.001 K) is no liquid and gives an error.
func Liquid(p KPa, t Celsius) (State, error) {
	if outside(float64(p), saturationLow, pressureHigh) {
		return State{}, pressureError(p, saturationLow, pressureHigh)
	}
	high := criticalT
	if p < criticalP {
		high = tsatK(float64(p))
	}
	k := float64(t) + kelvin
	if outside(k, kelvin-rounding, high+acrossLine) {
		return State{}, &RangeError{"temperature of liquid water", float64(t), 0, high - kelvin, "degC"}
	}
	if float64(p) > p13 && k > t13 {
		k = min(k, high)
		return state3(float64(p), density3(float64(p)*1e-3, k, true), k)
	}
	return liquidState(float64(p), k), nil
}

// Vapour returns the state of superheated or dry saturated steam at pressure p and
// temperature t.
//
// Equation: IAPWS R7-97(2012) region 2, Eq. 15, and region 3, Eq. 28, beyond the line
// between them ([Boundary23Pressure]). Range: 0 to 800 degC, above zero pressure (1e-6
// kPa) up to the saturation pressure, above 373.946 degC up to 100 MPa. A temperature
// below Tsat(p) (by more than 0.001 K) is no vapour and gives an error.
func Vapour(p KPa, t Celsius) (State, error) {
	low, err := vapourRange(p, t)
	if err != nil {
		return State{}, err
	}
	k := float64(t) + kelvin
	if inRegion3(float64(p), k) {
		k = max(k, low)
		return state3(float64(p), density3(float64(p)*1e-3, k, false), k)
	}
	return vapourState(float64(p), k), nil
}

// vapourRange checks p and t and returns the lowest temperature of steam at p, in K.
func vapourRange(p KPa, t Celsius) (low float64, err error) {
	if outside(float64(p), pressureLow, pressureHigh) {
		return 0, pressureError(p, pressureLow, pressureHigh)
	}
	low = kelvin - rounding
	switch {
	case p >= criticalP:
		low = criticalT
	case p >= saturationLow:
		low = tsatK(float64(p))
	}
	if outside(float64(t)+kelvin, low-acrossLine, tMaxVapour+rounding) {
		return 0, &RangeError{"temperature of steam", float64(t), low - kelvin, tMaxVapour - kelvin, "degC"}
	}
	return low, nil
}

// SatVapour returns dry saturated steam at pressure p. Range as for [SatLiquid].
func SatVapour(p KPa) (State, error) {
	if outside(float64(p), saturationLow, criticalP) {
		return State{}, pressureError(p, saturationLow, criticalP)
	}
	return saturatedState(float64(p), false)
}

// saturatedState takes kPa on the saturation line; the error is that of the critical
// point.
func saturatedState(p float64, liquid bool) (State, error) {
	switch {
	case p > p13:
		rho, t := saturated3(p, liquid)
		return state3(p, rho, t)
	case liquid:
		return liquidState(p, tsatK(p)), nil
	}
	return vapourState(p, tsatK(p)), nil
}

func liquidState(p, t float64) State {
	return fromGibbs(p, t, 16.53, 1386, region1(p*1e-3, t))
}

func vapourState(p, t float64) State {
	return fromGibbs(p, t, 1, 540, region2(p*1e-3, t))
}

// fromGibbs turns the derivatives of gamma into properties (R7-97 Tables 3 and 12).
// p in kPa, t in K, pStar in MPa, tStar in K.
func fromGibbs(p, t, pStar, tStar float64, g gibbs) State {
	tau := tStar / t
	rt := gasR * t
	v := g.p * rt / pStar * 1e-3 // kJ/(kg MPa) = 1e-3 m3/kg
	h := gasR * tStar * g.t
	ttt := tau * tau * g.tt
	d := g.p - tau*g.pt
	return State{
		PressureKPa:           KPa(p),
		TemperatureC:          Celsius(t - kelvin),
		VolumeM3Kg:            v,
		EnthalpyKJKg:          h,
		InternalEnergyKJKg:    h - p*v,
		EntropyKJKgK:          gasR * (tau*g.t - g.g),
		CpKJKgK:               -gasR * ttt,
		CvKJKgK:               gasR * (-ttt + d*d/g.pp),
		SoundSpeedMS:          math.Sqrt(1e3 * rt * g.p * g.p / (d*d/ttt - g.pp)),
		CompressibilityPerMPa: -g.pp / g.p / pStar,
	}
}
