package liquor

import (
	"math"

	"calandria/thermo/steam"
)

// Brix is the dissolved solids in percent by mass; for factory liquors the
// refractometric dry solids.
type Brix float64

// Purity is 100 * sucrose / dissolved solids, in percent; true purity if known.
type Purity float64

const (
	kelvin     = 273.15
	molarWater = 18.015268   // g/mol
	molarSugar = 342.2965    // sucrose, g/mol
	molarR     = 8.314462618 // J/(mol K)
)

// BPEModel names an equation for the boiling-point elevation after its authors. The
// zero value "" means the default, StarzakPeacock.
type BPEModel string

// The equations for the boiling-point elevation. They differ by up to 25 %: choose
// one for a site and never mix them in one trend.
const (
	// StarzakPeacock: water activity of sucrose solutions with IF97 saturation.
	//	x = (B/Ms)/(B/Ms + (100-B)/Mw)
	//	ln gamma = Q x^2 (1 + a x + b x^2)/(R T), Q = -17638 J/mol, a = -1.0038, b = -0.24653
	//	psat(T) (1-x) gamma = p,  BPE = T - Tsat(p)
	// Range 0 to 90 % Brix, vacuum (5 kPa) to 200 kPa. Mean deviation about 2 %, best
	// of 21 methods tested (Starzak and Peacock 1998). Source: M. Starzak, S. D.
	// Peacock, Zuckerindustrie 122 (1997) 380-387, read in public quotations.
	StarzakPeacock BPEModel = "sp97"

	// Peacock:
	//	BPE = 6.064e-5 (273+ts)^2 B^2/(374.3-ts)^0.38 (5.84e-7 (B-40)^2 + 7.2e-4)
	// with ts = Tsat(p) in degC. Range 15 to 80 % Brix, ts 45 to 120 degC. Against
	// StarzakPeacock +10 to +25 % at 60 to 75 Brix. Source: S. D. Peacock, Proc. S.
	// Afr. Sugar Technol. Assoc. 69 (1995), from memory.
	Peacock BPEModel = "peacock95"

	// BatterhamNorgate is the same form as the trade writes it with 374 in place of
	// 374.3; the difference is 0.05 %. Source: R. J. Batterham, T. E. Norgate (1975),
	// as quoted in the trade, from memory. Range as for Peacock.
	BatterhamNorgate BPEModel = "batterham-norgate"

	// Hugot: BPE = 2B/(100-B), blind to pressure. Within 0.35 K of StarzakPeacock for
	// 15 to 70 Brix at one atmosphere, 0.8 K too high at 60 to 70 Brix under pan
	// vacuum: a plausibility bound. Range 0 to 85 % Brix. Source: E. Hugot, Handbook
	// of Cane Sugar Engineering, from memory.
	Hugot BPEModel = "hugot"

	// CrapisteLozano: BPE = 3.0612e-2 B^0.0942 exp(5.329e-2 B) p^0.1356, p in mbar,
	// their sucrose constants. Range 17 to 72 % Brix, 7.2 to 70 kPa. Below 50 Brix it
	// falls under the ideal-solution limit: do not use it there. Source: G. H.
	// Crapiste, J. E. Lozano, J. Food Sci. 53 (1988), constants from memory.
	CrapisteLozano BPEModel = "crapiste-lozano"

	// Geankoplis: BPE = 1.78 w + 6.22 w^2, w = B/100, blind to pressure. Range 0 to
	// 50 % Brix, not for pans. Source: C. J. Geankoplis, Transport Processes and Unit
	// Operations, example 8.5-1.
	Geankoplis BPEModel = "geankoplis"
)

// BPEModels lists the equations, the default first. The slice is the caller's.
func BPEModels() []BPEModel {
	return []BPEModel{StarzakPeacock, Peacock, BatterhamNorgate, Hugot, CrapisteLozano, Geankoplis}
}

// Hard limits common to all equations: beyond them there is no value.
const (
	bpePressureLow  = 1.0    // kPa, 7 degC
	bpePressureHigh = 2000.0 // kPa, 212 degC
	bpeBrixHigh     = 95.0
)

var (
	puritySpan = span{"purity", "%", 0, 100, 0, 102} // above 100: noise of the polarisation
	factorSpan = span{"purity factor k", "1", 0, 3, -0.9, 5}
)

// bpeRange holds the ranges of a model's Brix and pressure.
type bpeRange struct{ brix, pressure span }

func newBPERange(brixLow, brixHigh, brixHard, pressureLow, pressureHigh float64) *bpeRange {
	return &bpeRange{
		span{"Brix", "%", brixLow, brixHigh, 0, brixHard},
		span{"absolute pressure", "kPa", pressureLow, pressureHigh, bpePressureLow, bpePressureHigh},
	}
}

var (
	starzakRange    = newBPERange(0, 90, bpeBrixHigh, 5, 200)
	peacockRange    = newBPERange(15, 80, bpeBrixHigh, 9.595, 198.7) // psat(45), psat(120 degC)
	hugotRange      = newBPERange(0, 85, bpeBrixHigh, bpePressureLow, bpePressureHigh)
	crapisteRange   = newBPERange(17, 72, bpeBrixHigh, 7.2, 70)
	geankoplisRange = newBPERange(0, 50, 70, bpePressureLow, bpePressureHigh)
)

func (m BPEModel) ranges() (*bpeRange, error) {
	switch m {
	case StarzakPeacock, "":
		return starzakRange, nil
	case Peacock, BatterhamNorgate:
		return peacockRange, nil
	case Hugot:
		return hugotRange, nil
	case CrapisteLozano:
		return crapisteRange, nil
	case Geankoplis:
		return geankoplisRange, nil
	}
	return nil, &UnknownModel{Property: "boiling-point elevation", Name: string(m), Known: BPEModels()}
}

// Elevation returns the boiling-point elevation in K of a liquor of b % dissolved
// solids and the given purity, boiling under the absolute pressure p at its surface:
//
//	BPE = BPE_model(b, p) (1 + k (1 - purity/100))
//
// k is the site's purity factor, 0 unless the site has fitted it from pairs of
// laboratory dry solids and measured boiling temperature and pressure. No purity
// equation with a checkable source was found; if all the nonsucrose were reducing
// sugar, k would be 0.72 at 60 and 0.56 at 70 Brix (from the two lines of Crapiste
// and Lozano); salts push it higher.
//
// Outside the model's range, and for purity above 100 %, the value comes with an
// [*Extrapolation]; beyond 95 % Brix (Geankoplis 70), 1 to 2000 kPa, purity 0 to
// 102 % or k -0.9 to 5 there is a [*RangeError] and no value.
func (m BPEModel) Elevation(b Brix, purity Purity, p steam.KPa, k float64) (float64, error) {
	r, factor, err := m.prepare(purity, p, k)
	if err != nil {
		return 0, err
	}
	if err := r.brix.check(float64(b)); err != nil {
		return 0, err
	}
	v := factor * m.base(float64(b), float64(p))
	if r.brix.within(float64(b)) && r.pressure.within(float64(p)) && puritySpan.within(float64(purity)) && factorSpan.within(k) &&
		!math.IsNaN(v) {
		return v, nil // the usual case, without building names
	}
	name := "boiling-point elevation (" + string(m.name()) + ")"
	return result(name, v, r.brix.flag(float64(b), name, v), r.pressure.flag(float64(p), name, v),
		puritySpan.flag(float64(purity), name, v), factorSpan.flag(k, name, v))
}

// BrixFromElevation returns the dissolved solids in % of the liquor whose measured
// elevation is bpeK (boiling temperature less [steam.Tsat] of the pressure, less the
// rise by hydrostatic head if the thermometer is submerged): the inverse of
// [BPEModel.Elevation] with the same ranges. In a pan it gives the mother liquor,
// because crystals do not raise the boiling point.
//
// Sensitivity of the default model at 13 kPa: 8.9 % Brix per K at 60, 4.5 at 70, 3.0
// at 75, 1.9 at 80 Brix; an error of 0.2 K and 0.2 kPa together is about 1.6 Brix at
// 70. Report the value with that uncertainty.
func (m BPEModel) BrixFromElevation(bpeK float64, purity Purity, p steam.KPa, k float64) (Brix, error) {
	b, beyond, err := m.BrixFromElevationFlagged(bpeK, purity, p, k)
	if err != nil || !beyond {
		return b, err
	}
	r, _ := m.ranges() // a known model, or there would be an error
	v := float64(b)
	name := "Brix from boiling-point elevation (" + string(m.name()) + ")"
	x, err := result(name, v, r.brix.flag(v, name, v), r.pressure.flag(float64(p), name, v),
		puritySpan.flag(float64(purity), name, v), factorSpan.flag(k, name, v))
	return Brix(x), err
}

func (m BPEModel) name() BPEModel {
	if m == "" {
		return StarzakPeacock
	}
	return m
}

// prepare checks everything but Brix and returns the purity's factor.
func (m BPEModel) prepare(purity Purity, p steam.KPa, k float64) (*bpeRange, float64, error) {
	r, err := m.ranges()
	if err != nil {
		return nil, 0, err
	}
	if err := firstError(r.pressure.check(float64(p)), puritySpan.check(float64(purity)), factorSpan.check(k)); err != nil {
		return nil, 0, err
	}
	return r, 1 + k*(1-float64(purity)/100), nil
}

// base is the elevation of the pure solution; inputs are checked.
func (m BPEModel) base(b, p float64) float64 {
	switch m {
	case Peacock:
		return peacock(b, peacockFactor(tsat(p), 374.3))
	case BatterhamNorgate:
		return peacock(b, peacockFactor(tsat(p), 374))
	case Hugot:
		return 2 * b / (100 - b)
	case CrapisteLozano:
		return crapiste(b, p)
	case Geankoplis:
		w := b / 100
		return (1.78 + 6.22*w) * w
	}
	return starzakPeacock(b, p, tsat(p))
}

// invert solves base(B, p) = y for B in [0, high].
func (m BPEModel) invert(y, p, high float64) float64 {
	if y == 0 {
		return 0
	}
	switch m {
	case Peacock, BatterhamNorgate:
		c := 374.3
		if m == BatterhamNorgate {
			c = 374
		}
		pre := peacockFactor(tsat(p), c)
		return solve(func(b float64) (float64, float64) {
			d := b - 40
			q := 5.84e-7*d*d + 7.2e-4
			return pre*b*b*q - y, pre * (2*b*q + b*b*2*5.84e-7*d)
		}, 0, high, min(100*y/(2+y), high))
	case Hugot:
		return 100 * y / (2 + y)
	case CrapisteLozano:
		pre := 3.0612e-2 * math.Pow(10*p, 0.1356)
		return solve(func(b float64) (float64, float64) {
			// In logarithms: ln(pre) + 0.0942 ln b + 0.05329 b - ln y.
			return math.Log(pre/y) + 0.0942*math.Log(b) + 5.329e-2*b, 0.0942/b + 5.329e-2
		}, 0, high, high/2)
	case Geankoplis:
		return 100 * (math.Sqrt(1.78*1.78+4*6.22*y) - 1.78) / (2 * 6.22)
	}
	return starzakPeacockBrix(y, p, high)
}

// tsat takes a checked pressure in kPa.
func tsat(p float64) float64 {
	t, _ := steam.Tsat(steam.KPa(p)) // in range by bpePressureLow and High
	return float64(t)
}

func peacockFactor(ts, c float64) float64 {
	return 6.064e-5 * (273 + ts) * (273 + ts) / math.Pow(c-ts, 0.38)
}

// peacock takes the factor of the pressure.
func peacock(b, factor float64) float64 {
	d := b - 40
	return factor * b * b * (5.84e-7*d*d + 7.2e-4)
}

func crapiste(b, p float64) float64 {
	if b == 0 {
		return 0
	}
	return 3.0612e-2 * math.Pow(b, 0.0942) * math.Exp(5.329e-2*b) * math.Pow(10*p, 0.1356)
}

// Constants of Starzak and Peacock 1997.
const (
	spQ = -17638.0 // J/mol
	spA = -1.0038
	spB = -0.24653
)

func moleFraction(b float64) float64 {
	s, w := b/molarSugar, (100-b)/molarWater
	return s / (s + w)
}

func brixFromMoleFraction(x float64) float64 {
	s := x * molarSugar
	return 100 * s / (s + (1-x)*molarWater)
}

// spExponent is Q x^2 (1 + a x + b x^2)/R, in K.
func spExponent(x float64) float64 {
	return spQ / molarR * x * x * (1 + (spA+spB*x)*x)
}

// starzakPeacock solves psat(T) aw(T) = p. The activity depends so little on
// temperature that Tsat(p/aw) is within a few hundredths of a kelvin at once; two
// Newton steps on the logarithm finish, a third one at the highest Brix. ts is
// Tsat(p).
func starzakPeacock(b, p, ts float64) float64 {
	if b == 0 {
		return 0
	}
	x := moleFraction(b)
	c := spExponent(x)
	k0 := ts + kelvin
	t := tsat(p / ((1 - x) * math.Exp(c/k0)))
	for i := range 5 {
		k := t + kelvin
		ps, slope := psatAndSlope(t)
		rest := c/k - c/k0 // psat(t) is p over the activity at ts
		if i > 0 {
			rest = math.Log(ps*(1-x)/p) + c/k
		}
		d := rest / (slope/ps - c/(k*k))
		t -= d
		if math.Abs(d) < 3e-4 { // the error left is about d*d/300, below 1e-9 K
			break
		}
	}
	return max(0, t-ts) // rounding at almost 0 Brix
}

// starzakPeacockBrix needs one psat: the boiling temperature gives the activity, and
// the activity the mole fraction.
func starzakPeacockBrix(bpe, p, high float64) float64 {
	t := tsat(p) + bpe
	ps, _ := psatAndSlope(t)
	lnA := math.Log(p / ps)
	c := spQ / (molarR * (t + kelvin))
	x := solve(func(x float64) (float64, float64) {
		// The negative logarithm of the activity increases with x.
		return lnA - math.Log1p(-x) - c*x*x*(1+(spA+spB*x)*x),
			1/(1-x) - c*x*(2+(3*spA+4*spB*x)*x)
	}, 0, moleFraction(high), min(-lnA/2, 0.3))
	return brixFromMoleFraction(x)
}

// psatAndSlope takes degC inside the saturation line and returns kPa and kPa/K.
func psatAndSlope(t float64) (p, slope float64) {
	ps, slope, _ := steam.PsatAndSlope(steam.Celsius(t))
	return float64(ps), slope
}
