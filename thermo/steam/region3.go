package steam

import "math"

const criticalRho = 322.0 // kg/m3

// helmholtz holds the dimensionless Helmholtz free energy and its derivatives with
// respect to the reduced density delta (d) and the inverse reduced temperature tau (t),
// each multiplied by the powers of delta and tau that the properties need.
type helmholtz struct {
	f               float64 // phi
	d, dd, t, tt, x float64 // delta phi_d, delta^2 phi_dd, tau phi_t, tau^2 phi_tt, delta tau phi_dt
}

// region3 evaluates Eq. 28 and its derivatives; rho in kg/m3, t in K.
func region3(rho, t float64) helmholtz {
	delta := rho / criticalRho
	var pd [12]float64
	var pt [27]float64
	powerTable(pd[:], delta)
	powerTable(pt[:], criticalT/t)
	h := helmholtz{f: region3Log * math.Log(delta), d: region3Log, dd: -region3Log}
	for k := range region3Terms {
		c := &region3Terms[k]
		v := c.n * pd[c.i] * pt[c.j]
		fi, fj := float64(c.i), float64(c.j)
		h.f += v
		h.d += fi * v
		h.dd += fi * (fi - 1) * v
		h.t += fj * v
		h.tt += fj * (fj - 1) * v
		h.x += fi * fj * v
	}
	return h
}

// pressure is p = rho R T delta phi_delta, in MPa.
func (h helmholtz) pressure(rho, t float64) float64 { return rho * gasR * t * h.d * 1e-3 }

// stiffness is (dp/drho)/(R T): 0 at the critical point, negative where the fluid is not stable.
func (h helmholtz) stiffness() float64 { return 2*h.d + h.dd }

func (h helmholtz) enthalpy(t float64) float64 { return gasR * t * (h.t + h.d) }

func (h helmholtz) entropy() float64 { return gasR * (h.t - h.f) }

// density3 solves Eq. 28 for the density at p (MPa) and t (K) of region 3, on the
// side of the liquid or of the vapour.
//
// Below the critical temperature p(rho) is convex on the liquid's branch and concave on the
// vapour's, so that Newton's method from the far end of each comes down to the root
// without overshooting into the loop between them. Above it p only rises, and a bracket
// guards the steps.
func density3(p, t float64, liquid bool) float64 {
	const densest = 850 // kg/m3, above all of region 3
	low, high := 0.9e3*p/(gasR*t), float64(densest)
	if t < criticalT {
		rho := low
		if liquid {
			rho = high
		}
		for range 200 {
			h := region3(rho, t)
			slope := gasR * t * h.stiffness() * 1e-3
			if !(slope > 0) {
				break // at the end of the branch: critical within rounding
			}
			step := (h.pressure(rho, t) - p) / slope
			rho -= step
			if math.Abs(step) <= 1e-13*rho {
				break
			}
		}
		return rho
	}
	rho := (low + high) / 2
	for range 200 {
		h := region3(rho, t)
		f := h.pressure(rho, t) - p
		if f > 0 {
			high = rho
		} else {
			low = rho
		}
		next := rho - f/(gasR*t*h.stiffness()*1e-3)
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-rho) <= 1e-13*rho {
			return next
		}
		rho = next
	}
	return rho
}

// state3 is the state of region 3 with density rho (kg/m3) at t (K); p in kPa. R7-97
// Table 31.
func state3(p, rho, t float64, liquid bool) (State, error) {
	h := region3(rho, t)
	c := h.stiffness()
	if !(c > 1e-9) {
		return State{}, &RangeError{"temperature (at the critical point the heat capacity has no bound)", t - kelvin, 0, criticalT - kelvin, "degC"}
	}
	dx := h.d - h.x
	s := State{
		PressureKPa:           KPa(p),
		TemperatureC:          Celsius(t - kelvin),
		Phase:                 LiquidPhase,
		VolumeM3Kg:            1 / rho,
		EnthalpyKJKg:          h.enthalpy(t),
		InternalEnergyKJKg:    gasR * t * h.t,
		EntropyKJKgK:          h.entropy(),
		CpKJKgK:               gasR * (-h.tt + dx*dx/c),
		CvKJKgK:               -gasR * h.tt,
		SoundSpeedMS:          math.Sqrt(1e3 * gasR * t * (c - dx*dx/h.tt)),
		CompressibilityPerMPa: 1e3 / (rho * gasR * t * c),
	}
	if !liquid {
		s.Phase, s.Quality = VapourPhase, 1
	}
	return s, nil
}

// saturated3 is saturated liquid or vapour between 350 degC and the critical point: the
// density that gives Eq. 30's pressure; p in kPa.
func saturated3(p float64, liquid bool) (rho, t float64) {
	t = tsatK(p)
	if t >= criticalT-1e-6 {
		return criticalRho, criticalT
	}
	return density3(p*1e-3, t, liquid), t
}

func saturatedEnthalpy3(p float64, liquid bool) float64 {
	rho, t := saturated3(p, liquid)
	return region3(rho, t).enthalpy(t)
}

// inRegion3 tells whether p (kPa) and t (K) lie in region 3; the borders belong to 1 and 2.
func inRegion3(p, t float64) bool {
	return p > p13 && t > t13 && t < boundary23T(p)
}

// liquidAt3 tells the liquid's side: below the saturation temperature, above the critical
// pressure below the critical temperature. The line itself counts as liquid.
func liquidAt3(p, t float64) bool {
	if p < criticalP {
		return t <= tsatK(p)
	}
	return t < criticalT
}

// Boundary23Pressure returns the pressure of the line between regions 2 (steam) and 3 at
// temperature t.
//
// Equation: IAPWS R7-97(2012) Eq. 5. Range: 350 to 590 degC, that is 16529 to 100000 kPa.
func Boundary23Pressure(t Celsius) (KPa, error) {
	if outside(float64(t), t13-kelvin-rounding, 590+rounding) {
		return 0, temperatureError(t, t13-kelvin, 590)
	}
	return KPa(boundary23P(float64(t) + kelvin)), nil
}

// Boundary23Temperature returns the temperature of the line between regions 2 and 3 at
// pressure p.
//
// Equation: IAPWS R7-97(2012) Eq. 6, the inverse of [Boundary23Pressure]. Range: 16529
// to 100000 kPa, that is 350 to 590 degC.
func Boundary23Temperature(p KPa) (Celsius, error) {
	const low = 16529.16 // rounded down, so that it takes what Boundary23Pressure gives
	if outside(float64(p), low, pressureHigh) {
		return 0, pressureError(p, low, pressureHigh)
	}
	return Celsius(boundary23T(float64(p)) - kelvin), nil
}

// Region returns the number of the region of IAPWS R7-97(2012) that p and t lie in: 1
// (liquid), 2 (steam), 3 (around and above the critical point). A border belongs to the
// lower number: the saturation line, which is region 4, to 1, and above 350 degC to 3.
//
// Range: 0 to 800 degC, 1e-6 kPa to 100 MPa; outside, and in region 5 (above 800 degC), a
// [*RangeError].
func Region(p KPa, t Celsius) (int, error) {
	if outside(float64(p), pressureLow, pressureHigh) {
		return 0, pressureError(p, pressureLow, pressureHigh)
	}
	if outside(float64(t), -rounding, tMaxVapour-kelvin+rounding) {
		return 0, temperatureError(t, 0, tMaxVapour-kelvin)
	}
	k := float64(t) + kelvin
	switch {
	case inRegion3(float64(p), k):
		return 3, nil
	case k <= t13 && (float64(p) > p13 || float64(p) >= saturationLow && k <= tsatK(float64(p))):
		return 1, nil
	}
	return 2, nil
}

// FromPT returns the state of water or steam at pressure p and temperature t, from the
// equation of the region they lie in: [Liquid] or [Vapour], whichever it is. On the
// saturation line it is the liquid; above the critical pressure what is hotter than
// 373.946 degC counts as vapour.
//
// Range and errors as for [Region]; at the critical point itself, where the heat
// capacity has no bound, a [*RangeError].
func FromPT(p KPa, t Celsius) (State, error) {
	r, err := Region(p, t)
	if err != nil {
		return State{}, err
	}
	pk, k := float64(p), float64(t)+kelvin
	switch r {
	case 1:
		return liquidState(pk, k), nil
	case 2:
		return vapourState(pk, k), nil
	}
	liquid := liquidAt3(pk, k)
	return state3(pk, density3(pk*1e-3, k, liquid), k, liquid)
}

// Region3 returns the state with density densityKgM3 (kg/m3) at temperature t from the
// basic equation of region 3, whose own variables these are. Between the densities of
// saturated liquid and vapour it is wet steam of that density.
//
// Equation: IAPWS R7-97(2012) Eq. 28. Range: 350 to 590 degC, pressures from the line
// to region 2 ([Boundary23Pressure]) to 100 MPa; outside a [*RangeError].
func Region3(densityKgM3 float64, t Celsius) (State, error) {
	if outside(float64(t), t13-kelvin-rounding, 590+rounding) {
		return State{}, temperatureError(t, t13-kelvin, 590)
	}
	if outside(densityKgM3, 50, 850) {
		return State{}, &RangeError{"density", densityKgM3, 50, 850, "kg/m3"}
	}
	k := float64(t) + kelvin
	liquid := densityKgM3 >= criticalRho
	if k < criticalT {
		p := psatKPa(k)
		l, _ := saturated3(p, true)
		v, _ := saturated3(p, false)
		if densityKgM3 < l && densityKgM3 > v {
			return wetState(p, (1/densityKgM3-1/l)/(1/v-1/l))
		}
	} else {
		liquid = false
	}
	p := region3(densityKgM3, k).pressure(densityKgM3, k) * 1e3
	if low := boundary23P(k); outside(p, low*(1-1e-4), pressureHigh*(1+1e-9)) {
		return State{}, &RangeError{"pressure of this density", p, low, pressureHigh, "kPa"}
	}
	return state3(p, densityKgM3, k, liquid)
}
