package fouling

import "fmt"

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
