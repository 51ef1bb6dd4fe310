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
