package steam

import "math"

// powerTable fills dst with x^0 .. x^(len-1).
func powerTable(dst []float64, x float64) {
	dst[0] = 1
	if len(dst) > 1 {
		dst[1] = x
	}
	for k := 2; k < len(dst); k++ {
		dst[k] = dst[k>>1] * dst[k-k>>1]
	}
}

// backward sums n x^i y^j; the i start at iLow, the j at jLow (0 or negative).
func backward(terms []term, x, y float64, iLow, jLow int) float64 {
	var xp, xn, yp, yn [48]float64
	powerTable(xp[:], x)
	powerTable(yp[:], y)
	if iLow < 0 {
		powerTable(xn[:1-iLow], 1/x)
	}
	if jLow < 0 {
		powerTable(yn[:1-jLow], 1/y)
	}
	var sum float64
	for k := range terms {
		c := &terms[k]
		px, py := 0.0, 0.0
		if c.i < 0 {
			px = xn[-c.i]
		} else {
			px = xp[c.i]
		}
		if c.j < 0 {
			py = yn[-c.j]
		} else {
			py = yp[c.j]
		}
		sum += c.n * px * py
	}
	return sum
}

// The backward equations take p in MPa, h in kJ/kg, s in kJ/(kg K) and return K.

func t1PH(p, h float64) float64 { return backward(backward1TermsPH[:], p, h/2500+1, 0, 0) }

func t2aPH(p, h float64) float64 { return backward(backward2aTermsPH[:], p, h/2000-2.1, 0, 0) }

func t2bPH(p, h float64) float64 { return backward(backward2bTermsPH[:], p-2, h/2000-2.6, 0, 0) }

func t2cPH(p, h float64) float64 { return backward(backward2cTermsPH[:], p+25, h/2000-1.8, -7, 0) }

func t1PS(p, s float64) float64 { return backward(backward1TermsPS[:], p, s+2, 0, 0) }

// t2aPS: the exponents of p are quarters; the table holds four times their value.
func t2aPS(p, s float64) float64 {
	return backward(backward2aTermsPS[:], math.Sqrt(math.Sqrt(p)), s/2-2, -6, -27)
}

func t2bPS(p, s float64) float64 { return backward(backward2bTermsPS[:], p, 10-s/0.7853, -6, 0) }

func t2cPS(p, s float64) float64 { return backward(backward2cTermsPS[:], p, 2-s/2.9251, -2, 0) }

// boundary2bc is the enthalpy in kJ/kg of the line between 2b and 2c at p in MPa, Eq. 21.
func boundary2bc(p float64) float64 {
	return 0.26526571908428e4 + math.Sqrt((p-0.45257578905948e1)/0.12809002730136e-3)
}

func t2PH(p, h float64) float64 {
	switch {
	case p <= 4:
		return t2aPH(p, h)
	case p <= 6.5467 || h >= boundary2bc(p):
		return t2bPH(p, h)
	}
	return t2cPH(p, h)
}

func t2PS(p, s float64) float64 {
	switch {
	case p <= 4:
		return t2aPS(p, s)
	case s >= 5.85:
		return t2bPS(p, s)
	}
	return t2cPS(p, s)
}

// located is a place in the (p, h) or (p, s) plane: phase, quality and the
// temperature of the backward equation.
type located struct {
	phase   Phase
	quality float64
	t       float64 // K
	region3 bool    // t is exact, and the state is that of region 3
}

// axis is what stands beside the pressure: enthalpy or entropy. Functions take MPa
// and K, and return kJ/kg or kJ/(kg K); t1 and t2 are the backward equations.
type axis struct {
	of1, of2       func(pMPa, t float64) float64
	of3            func(h helmholtz, t float64) float64
	t1, t2         func(pMPa, y float64) float64
	quantity, unit string
}

// locate finds the phase of (p, y) and the temperature by the backward equations; p in
// kPa.
func (a axis) locate(p, y float64) (located, error) {
	if outside(p, saturationLow, pressureHigh) {
		return located{}, pressureError(KPa(p), saturationLow, pressureHigh)
	}
	mpa := p * 1e-3
	tLiquid, tVapour := t13, 0.0 // the ends of regions 1 and 2 at this pressure
	if p <= p13 {
		tLiquid = tsatK(p)
		tVapour = tLiquid
	} else {
		tVapour = boundary23T(p)
	}
	f, g := a.of1(mpa, tLiquid), a.of2(mpa, tVapour)
	slack := rounding * (1 + math.Abs(y))
	switch {
	case y < f:
		if low := a.of1(mpa, kelvin); y < low-slack {
			return located{}, a.rangeError(y, low, f)
		}
		return located{phase: LiquidPhase, t: clamp(a.t1(mpa, y), kelvin, tLiquid)}, nil
	case y > g:
		if high := a.of2(mpa, tMaxVapour); y > high+slack {
			return located{}, a.rangeError(y, g, high)
		}
		return located{phase: VapourPhase, quality: 1, t: clamp(a.t2(mpa, y), tVapour, tMaxVapour)}, nil
	case y >= f && y <= g && p <= p13:
		return located{phase: WetPhase, quality: (y - f) / (g - f), t: tLiquid}, nil
	case y >= f && y <= g:
		return a.locate3(p, y, tVapour), nil
	}
	return located{}, a.rangeError(y, a.of1(mpa, kelvin), a.of2(mpa, tMaxVapour)) // not a number
}

// locate3 finds the phase and, by iteration, the temperature in region 3, between 350
// degC and the line to region 2 at t23; p in kPa.
func (a axis) locate3(p, y, t23 float64) located {
	low, high := t13, t23
	l := located{phase: VapourPhase, quality: 1, region3: true}
	if p < criticalP {
		rho, ts := saturated3(p, true)
		f := a.of3(region3(rho, ts), ts)
		rho, _ = saturated3(p, false)
		g := a.of3(region3(rho, ts), ts)
		switch {
		case y < f:
			l.phase, l.quality, high = LiquidPhase, 0, ts
		case y <= g && g > f:
			l.phase, l.quality, l.t = WetPhase, (y-f)/(g-f), ts
			return l
		default:
			low = ts
		}
	} else if y < a.of3(region3(density3(p*1e-3, criticalT, false), criticalT), criticalT) {
		l.phase, l.quality, high = LiquidPhase, 0, criticalT
	} else {
		low = criticalT
	}
	// The property rises with the temperature at constant pressure: halve the bracket.
	for range 60 {
		l.t = (low + high) / 2
		if a.of3(region3(density3(p*1e-3, l.t, l.phase == LiquidPhase), l.t), l.t) < y {
			low = l.t
		} else {
			high = l.t
		}
		if high-low < 1e-11 {
			break
		}
	}
	return l
}

func (a axis) rangeError(y, low, high float64) error {
	return &RangeError{a.quantity, y, low, high, a.unit}
}

func clamp(v, low, high float64) float64 { return max(low, min(high, v)) }

// entropy1 and entropy2 are s of regions 1 and 2.
func entropy1(p, t float64) float64 {
	g := region1(p, t)
	return gasR * (1386/t*g.t - g.g)
}

func entropy2(p, t float64) float64 {
	g := region2(p, t)
	return gasR * (540/t*g.t - g.g)
}

func locatePH(p KPa, h KJPerKg) (located, error) {
	return axis{enthalpy1, enthalpy2, helmholtz.enthalpy, t1PH, t2PH, "specific enthalpy", "kJ/kg"}.locate(float64(p), float64(h))
}

func locatePS(p KPa, s KJPerKgK) (located, error) {
	return axis{entropy1, entropy2, func(h helmholtz, _ float64) float64 { return h.entropy() }, t1PS, t2PS, "specific entropy", "kJ/(kg K)"}.locate(float64(p), float64(s))
}

// TemperaturePH returns the temperature of water or steam of pressure p and enthalpy h
// straight from the release's backward equations: region 1 (Eq. 11), 2a, 2b, 2c (Eq.
// 22 to 24), and Tsat between the saturation lines. They agree with the basic
// equations within 25 mK (region 1) and 10 mK (region 2); [FromPH] closes exactly.
//
// In region 3 (above 16.5 MPa and 350 degC) it iterates on the basic equation.
//
// Range: 0.611213 kPa to 100 MPa, 0 to 800 degC; outside a [*RangeError].
func TemperaturePH(p KPa, h KJPerKg) (Celsius, error) {
	l, err := locatePH(p, h)
	return l.celsius(), err
}

// TemperaturePS returns the temperature of water or steam of pressure p and entropy s
// from the backward equations of regions 1 (Eq. 13), 2a, 2b, 2c (Eq. 25 to 27); range
// and errors as for [TemperaturePH]. Use it for expansion and for thermocompressors.
func TemperaturePS(p KPa, s KJPerKgK) (Celsius, error) {
	l, err := locatePS(p, s)
	return l.celsius(), err
}

func (l located) celsius() Celsius {
	if l.phase == NoPhase {
		return 0
	}
	return Celsius(l.t - kelvin)
}

// FromPH returns the state with pressure p and enthalpy h, with its phase and, between
// the saturation lines, its quality: a throttling, a flash or a let-down station.
//
// The backward equation gives the temperature, Newton steps on the basic equation make
// the state's enthalpy equal h (within the 0.04 kJ/kg by which regions 1 and 3 differ where
// they meet, at 350 degC). Range and errors as for [TemperaturePH].
func FromPH(p KPa, h KJPerKg) (State, error) {
	l, err := locatePH(p, h)
	if err != nil {
		return State{}, err
	}
	return l.refine(float64(p), func(s State) float64 { return (float64(h) - s.EnthalpyKJKg) / s.CpKJKgK })
}

// FromPS returns the state with pressure p and entropy s: the end of an isentropic
// expansion. Range and errors as for [TemperaturePS].
func FromPS(p KPa, s KJPerKgK) (State, error) {
	l, err := locatePS(p, s)
	if err != nil {
		return State{}, err
	}
	return l.refine(float64(p), func(st State) float64 {
		return (float64(s) - st.EntropyKJKgK) * (float64(st.TemperatureC) + kelvin) / st.CpKJKgK
	})
}

// refine moves the temperature by step until the state closes.
func (l located) refine(p float64, step func(State) float64) (State, error) {
	of := liquidState
	switch {
	case l.phase == WetPhase:
		return wetState(p, l.quality)
	case l.region3:
		liquid := l.phase == LiquidPhase
		return state3(p, density3(p*1e-3, l.t, liquid), l.t, liquid)
	case l.phase == VapourPhase:
		of = vapourState
	}
	t := l.t
	s := of(p, t)
	for range 3 {
		d := step(s)
		if math.Abs(d) < 1e-9 {
			break
		}
		t = clamp(t+d, kelvin-rounding, tMaxVapour+rounding)
		s = of(p, t)
	}
	return s, nil
}
