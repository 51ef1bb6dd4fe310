package liquor

import (
	"math"

	"calandria/thermo/steam"
)

// SolubilityModel names an equation for the solubility of pure sucrose. The zero
// value "" means the default, Vavrinecz. The old table of Herzfeld (1892), still
// printed in many books, differs by up to 0.4 % and is not offered.
type SolubilityModel string

// The equations for the solubility of pure sucrose.
const (
	// Vavrinecz: 64.447 + 0.08222 t + 0.0016169 t^2 - 1.558e-6 t^3 - 4.63e-8 t^4, in
	// % by mass. Range 0 to 90 degC, about 0.15 % absolute. Source: Z. Bubnik, P.
	// Kadlec 1995, in Sucrose: Properties and Applications, on Vavrinecz' data.
	Vavrinecz SolubilityModel = "vavrinecz"

	// Charles: 64.397 + 0.07251 t + 0.0020569 t^2 - 9.035e-6 t^3. Range 0 to 100
	// degC; within 0.12 of Vavrinecz to 80 degC, better above 90. Source: D. F.
	// Charles 1960, from memory.
	Charles SolubilityModel = "charles"
)

// SolubilityModels lists the equations, the default first. The slice is the caller's.
func SolubilityModels() []SolubilityModel { return []SolubilityModel{Vavrinecz, Charles} }

func (m SolubilityModel) span() (span, error) {
	s := span{"temperature", "degC", 0, 90, -10, 115}
	switch m {
	case Vavrinecz, "":
	case Charles:
		s.high = 100
	default:
		return s, &UnknownModel{Property: "solubility", Name: string(m), Known: SolubilityModels()}
	}
	return s, nil
}

func (m SolubilityModel) value(t float64) float64 {
	if m == Charles {
		return 64.397 + t*(0.07251+t*(0.0020569-9.035e-6*t))
	}
	return 64.447 + t*(0.08222+t*(0.0016169+t*(-1.558e-6-4.63e-8*t)))
}

func (m SolubilityModel) name() string {
	if m == "" {
		m = Vavrinecz
	}
	return "(" + string(m) + ")"
}

// Solubility returns % by mass of sucrose in a saturated pure solution at temperature
// t. Flagged outside the model's range, a [*RangeError] beyond -10 to 115 degC.
func (m SolubilityModel) Solubility(t steam.Celsius) (float64, error) {
	st, err := m.span()
	if err != nil {
		return 0, err
	}
	if err := st.check(float64(t)); err != nil {
		return 0, err
	}
	v := m.value(float64(t))
	if st.within(float64(t)) {
		return v, nil
	}
	name := "solubility " + m.name()
	return result(name, v, st.flag(float64(t), name, v))
}

// Impurity holds a site's constants of the solubility coefficient
//
//	y = M q + B + (1-B) exp(-C q),  q = nonsucrose/water (kg/kg)
//
// the ratio of sucrose per water at saturation in the impure and in the pure solution
// (Wiklund, Vavrinecz). The composition of the impurities decides: reducing sugars
// lower y, ash raises it (y > 1 has been measured in cane liquors of high purity), so
// the constants are site settings. The zero Impurity means y = 1.
type Impurity struct {
	M, B, C float64
}

// CaneImpurity returns constants for cane: L. Rozsa, Int. Sugar J. 102 (2000)
// 230-235, from Thieme's data, as quoted on a public web page. They agree within 1 % to
// q = 1 with the line y = 1 - 0.088 q (from memory, not verified; Impurity{-0.088, 1, 0}).
func CaneImpurity() Impurity { return Impurity{M: -0.06265, B: 0.982, C: 2.1} }

// qSpan: q 3 is a molasses of 45 purity and 84 Brix.
var qSpan = span{"nonsucrose/water", "kg/kg", 0, 3, 0, 8}

// check refuses constants that do not give a positive coefficient all over the range
// of q, so that a slip in a configuration file is found at once.
func (i Impurity) check() error {
	for _, s := range []struct {
		span
		v float64
	}{
		{span{"solubility coefficient's m", "1", 0, 0, -1, 1}, i.M},
		{span{"solubility coefficient's b", "1", 0, 0, -1, 3}, i.B},
		{span{"solubility coefficient's c", "1", 0, 0, 0, 20}, i.C},
	} {
		if err := s.check(s.v); err != nil {
			return err
		}
	}
	return nil
}

func (i Impurity) value(q float64) float64 {
	return i.M*q + i.B + (1-i.B)*math.Exp(-i.C*q)
}

var coefficientSpan = span{"solubility coefficient", "1", 0, 0, 0.1, 10}

// ssBrix: beyond 96 % a "liquor" is a solid.
var ssBrix = span{"Brix", "%", 0, 90, 0, 96}

// Supersaturation returns how much more sucrose per water a mother liquor of b %
// dissolved solids and the given purity holds at temperature t than at saturation at
// the same temperature and nonsucrose per water:
//
//	S = (s/w) / (Ssat/(100-Ssat) y(ns/w))
//	s = b purity/100, ns = b - s, w = 100 - b
//
// Below 1 crystals dissolve. The basis is sucrose per water; on a solution basis the
// figures are smaller (2.45 against 2.04 kg/kg is 1.20 here and 1.06 there): never
// mix them. Give the mother liquor's Brix and purity, not the massecuite's.
//
// Flagged outside the solubility model's temperature range, 0 to 90 % Brix, q 0 to 3
// or purity 0 to 100; a [*RangeError] beyond -10 to 115 degC, 96 % Brix, q 8, purity
// 102. Uncertainty: several %, from the impurity constants.
func (m SolubilityModel) Supersaturation(b Brix, purity Purity, t steam.Celsius, site Impurity) (float64, error) {
	v, beyond, err := m.SupersaturationFlagged(b, purity, t, site)
	if err != nil || !beyond {
		return v, err
	}
	st, _ := m.span() // a known model, or there would be an error
	q := nonsucrosePerWater(b, purity)
	name := "supersaturation " + m.name()
	return result(name, v, ssBrix.flag(float64(b), name, v), st.flag(float64(t), name, v),
		qSpan.flag(q, name, v), puritySpan.flag(float64(purity), name, v))
}

// nonsucrosePerWater is q of a liquor, kg/kg; 0 for the noise of a purity above 100.
func nonsucrosePerWater(b Brix, purity Purity) float64 {
	return max(0, float64(b)/(100-float64(b))*(1-float64(purity)/100))
}

// BrixAtSupersaturation returns the dissolved solids in % at which a liquor of the
// given purity has the supersaturation s at temperature t: with s = 1 its saturation,
// with another s a line of constant supersaturation. The inverse of
// [SolubilityModel.Supersaturation], with the same ranges; s from 0 to what 96 % Brix
// or q = 8 gives. Purity must be at least 1 %.
func (m SolubilityModel) BrixAtSupersaturation(s float64, purity Purity, t steam.Celsius, site Impurity) (Brix, error) {
	st, err := m.span()
	if err != nil {
		return 0, err
	}
	low := span{"purity", "%", 0, 100, 1, 102}
	if err := firstError(low.check(float64(purity)), st.check(float64(t)), site.check()); err != nil {
		return 0, err
	}
	sat := m.value(float64(t))
	pure := sat / (100 - sat)
	share, rest := float64(purity)/100, max(0, 1-float64(purity)/100)
	if err := (&span{"supersaturation", "1", 0, 0, 0, 100}).check(s); err != nil {
		return 0, err
	}
	at := func(x float64) (float64, float64) {
		q := x * rest
		y := site.value(q)
		dy := (site.M - (1-site.B)*site.C*math.Exp(-site.C*q)) * rest
		return x*share/(pure*y) - s, share / pure * (y - x*dy) / (y * y)
	}
	high := ssBrix.hardHigh / (100 - ssBrix.hardHigh)
	if rest > 0 {
		high = min(high, qSpan.hardHigh/rest)
	}
	if err := coefficientSpan.check(site.value(high * rest)); err != nil {
		return 0, err
	}
	top, _ := at(high)
	top = (top + s) * (1 + 1e-12) // rounding
	if err := (&span{"supersaturation", "1", 0, 0, 0, top}).check(s); err != nil {
		return 0, err
	}
	x := solve(at, 0, high, min(s*pure/share, high/2))
	v := 100 * x / (1 + x)
	name := "Brix at supersaturation " + m.name()
	r, err := result(name, v, ssBrix.flag(v, name, v), st.flag(float64(t), name, v),
		qSpan.flag(x*rest, name, v), low.flag(float64(purity), name, v))
	return Brix(r), err
}

// Zone names a range of supersaturation by what crystals do in it.
type Zone string

// The zones of supersaturation.
const (
	Undersaturated Zone = "undersaturated" // crystals dissolve
	Metastable     Zone = "metastable"     // crystals grow, none form
	Intermediate   Zone = "intermediate"   // growth, and new crystals where crystals are present: false grain
	Labile         Zone = "labile"         // crystals form of themselves
)

// ZoneLimits holds the supersaturations at which a zone begins. They depend on
// temperature, purity and stirring: site settings.
type ZoneLimits struct {
	Metastable, Intermediate, Labile float64
}

// TypicalZones returns 1.00, 1.20 and 1.30: textbook figures for about 60 to 75 degC
// and pure to middling purity, from memory.
func TypicalZones() ZoneLimits { return ZoneLimits{Metastable: 1, Intermediate: 1.2, Labile: 1.3} }

// Zone returns the zone of the supersaturation s. A limit belongs to the zone above
// it. NaN, an infinity, a negative s or limits that do not rise give a [*RangeError].
func (z ZoneLimits) Zone(s float64) (Zone, error) {
	if !(z.Metastable > 0 && z.Intermediate >= z.Metastable && z.Labile >= z.Intermediate && z.Labile <= 10) {
		return "", &RangeError{Quantity: "supersaturation zone limits (must rise)", Value: z.Labile, Low: max(z.Metastable, z.Intermediate), High: 10, Unit: "1"}
	}
	if err := (&span{"supersaturation", "1", 0, 0, 0, 100}).check(s); err != nil {
		return "", err
	}
	switch {
	case s >= z.Labile:
		return Labile, nil
	case s >= z.Intermediate:
		return Intermediate, nil
	case s >= z.Metastable:
		return Metastable, nil
	}
	return Undersaturated, nil
}
