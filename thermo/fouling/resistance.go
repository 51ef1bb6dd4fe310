package fouling

import (
	"fmt"
	"math"
)

// A RangeError says that an input is outside what is physically meaningful, or
// is not a number. The value beside it is zero.
type RangeError struct {
	Quantity  string
	Value     float64
	Low, High float64
	Unit      string
}

// Error names the quantity, its value and the range.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s is %g %s, must be %g to %g", e.Quantity, e.Value, e.Unit, e.Low, e.High)
}

// within is nil if lo <= v <= hi; NaN is not within anything.
func within(what string, v, lo, hi float64, unit string) error {
	if v >= lo && v <= hi {
		return nil
	}
	return &RangeError{what, v, lo, hi, unit}
}

// Bounds of a coefficient that can be meant, kW/(m2 K).
const (
	lowU  = 0.01
	highU = 20
)

// Resistance returns the scale resistance in m2 K/kW of a body whose
// coefficient is u and was clean when new from cleaning, both in kW/(m2 K):
//
//	R = 1/U - 1/U_clean
//
// It is negative if u is above clean; that is noise, or a clean value too low.
// Both must be 0.01 to 20. Source: definition; Berk, Food Process Engineering
// and Technology, eq. 3.71.
func Resistance(u, clean float64) (float64, error) {
	if err := within("U", u, lowU, highU, "kW/(m2 K)"); err != nil {
		return 0, err
	}
	if err := within("clean U", clean, lowU, highU, "kW/(m2 K)"); err != nil {
		return 0, err
	}
	return 1/u - 1/clean, nil
}

// CoefficientUnderScale is the inverse: U in kW/(m2 K) of a body with the
// resistance r in m2 K/kW, 0 to 100.
func CoefficientUnderScale(clean, r float64) (float64, error) {
	if err := within("clean U", clean, lowU, highU, "kW/(m2 K)"); err != nil {
		return 0, err
	}
	if err := within("scale resistance", r, 0, 100, "m2 K/kW"); err != nil {
		return 0, err
	}
	return 1 / (1/clean + r), nil
}

// ResistanceOfScale returns the resistance in m2 K/kW of a layer of scale of
// massKgM2 kg/m2 (0 to 100) with the density in kg/m3 (100 to 10000) and the
// thermal conductivity in W/(m K) (0.01 to 50):
//
//	R = m/(rho k)
//
// Source: Kahsay and Gabbiye 2015, doi 10.4172/2157-7048.1000255.
func ResistanceOfScale(massKgM2, densityKgM3, conductivityWMK float64) (float64, error) {
	if err := within("scale", massKgM2, 0, 100, "kg/m2"); err != nil {
		return 0, err
	}
	if err := within("density of scale", densityKgM3, 100, 10000, "kg/m3"); err != nil {
		return 0, err
	}
	if err := within("conductivity of scale", conductivityWMK, 0.01, 50, "W/(m K)"); err != nil {
		return 0, err
	}
	return 1000 * massKgM2 / (densityKgM3 * conductivityWMK), nil
}

// Normalise takes Brix, temperature and level out of a measured u, so that what
// is left moves with scale alone:
//
//	U_norm = U shape_reference/shape_now / levelFactor
//
// The shapes are any correlation of clean U (Dessin, Swedish) at the body's
// reference Brix and temperature and at those of now; only their ratio counts.
// levelFactor is 1 without a level (see [LevelFactor]). A ratio of the shapes
// outside 0.5 to 2 is refused: a correlation is not good for so much, the
// body is not at its usual work. Source: common practice, no source; the
// correlations themselves hold within a fifth, their shape is better.
func Normalise(u, shapeReference, shapeNow, levelFactor float64) (float64, error) {
	if err := within("U", u, lowU, highU, "kW/(m2 K)"); err != nil {
		return 0, err
	}
	if !(shapeReference > 0) || !(shapeNow > 0) {
		return 0, &RangeError{"clean-U correlation", math.Min(shapeReference, shapeNow), 0, highU, "kW/(m2 K)"}
	}
	if err := within("ratio of the correlation at reference and now", shapeReference/shapeNow, 0.5, 2, ""); err != nil {
		return 0, err
	}
	if err := within("level factor", levelFactor, 0.3, 1.2, ""); err != nil {
		return 0, err
	}
	return u * shapeReference / shapeNow / levelFactor, nil
}

// levelFactors holds pairs of level (% of tube length) and factor. Best near a
// third of the tube height for Robert bodies: Hugot, from memory; the figures
// are defaults of ours, to be fitted on site.
var levelFactors = [...][2]float64{{0, 0.5}, {10, 0.72}, {20, 0.90}, {30, 1}, {40, 1}, {60, 0.93}, {100, 0.85}}

// LevelFactor returns the factor by which the level in a Robert body, in % of
// the tube length (0 to 150), lowers its U against the best level of 30 to
// 40 %: a default to be replaced by the site's own. Above 100 % the value at
// 100 % holds.
func LevelFactor(levelPct float64) (float64, error) {
	if err := within("level", levelPct, 0, 150, "%"); err != nil {
		return 0, err
	}
	for i := 1; i < len(levelFactors); i++ {
		if a, b := levelFactors[i-1], levelFactors[i]; levelPct <= b[0] {
			return a[1] + (b[1]-a[1])*(levelPct-a[0])/(b[0]-a[0]), nil
		}
	}
	return levelFactors[len(levelFactors)-1][1], nil
}
