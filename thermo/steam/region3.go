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
func state3(p, rho, t float64) (State, error) {
	h := region3(rho, t)
	c := h.stiffness()
	if !(c > 1e-9) {
		return State{}, &RangeError{"temperature (at the critical point the heat capacity has no bound)", t - kelvin, 0, criticalT - kelvin, "degC"}
	}
	dx := h.d - h.x
	s := State{
		PressureKPa:           KPa(p),
		TemperatureC:          Celsius(t - kelvin),
		VolumeM3Kg:            1 / rho,
		EnthalpyKJKg:          h.enthalpy(t),
		InternalEnergyKJKg:    gasR * t * h.t,
		EntropyKJKgK:          h.entropy(),
		CpKJKgK:               gasR * (-h.tt + dx*dx/c),
		CvKJKgK:               -gasR * h.tt,
		SoundSpeedMS:          math.Sqrt(1e3 * gasR * t * (c - dx*dx/h.tt)),
		CompressibilityPerMPa: 1e3 / (rho * gasR * t * c),
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

// powerTable fills dst with x^0 .. x^(len-1).
func powerTable(dst []float64, x float64) {
	dst[0], dst[1] = 1, x
	for k := 2; k < len(dst); k++ {
		dst[k] = dst[k>>1] * dst[k-k>>1]
	}
}
