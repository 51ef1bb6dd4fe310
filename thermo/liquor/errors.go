package liquor

import (
	"errors"
	"fmt"
	"math"

	"calandria/thermo/steam"
)

// RangeError says that an input is beyond what is physically meaningful or beyond
// the limit up to which an equation may be stretched, or is not a number. The value
// returned beside it is 0 and must not be used. It is the type of package steam, so
// one errors.As serves both.
type RangeError = steam.RangeError

// Extrapolation says that an input is outside the range for which the source gives
// the equation, but near enough for a value to be of use. The function returns that
// value together with this error, and the error carries it too.
type Extrapolation struct {
	Property  string  // what was calculated, e.g. "boiling-point elevation (sp97)"
	Value     float64 // the calculated value, in the property's unit
	Input     string  // which input is out of the source's range, e.g. "Brix"
	At        float64 // that input
	Low, High float64 // the source's range
	Unit      string  // unit of At, Low and High
}

// Error names the property, the input and the source's range.
func (e *Extrapolation) Error() string {
	return fmt.Sprintf("%s extrapolated: %s %.6g %s is outside the source's range %.6g to %.6g %s",
		e.Property, e.Input, e.At, e.Unit, e.Low, e.High, e.Unit)
}

// Accept takes the results of any function of this package and accepts a flagged
// extrapolation: it returns the value, whether it was extrapolated, and the error
// only if there is no value.
//
//	dT, flagged, err := liquor.Accept(model.Elevation(b, purity, p, 0))
func Accept[T ~float64](v T, err error) (T, bool, error) {
	if err == nil {
		return v, false, nil
	}
	var x *Extrapolation
	if errors.As(err, &x) {
		return T(x.Value), true, nil
	}
	return 0, false, err
}

// span is one input's ranges: the source's and the hard limits beyond it.
type span struct {
	input             string
	unit              string
	low, high         float64 // the source's range
	hardLow, hardHigh float64 // beyond these there is no value
}

// check returns a *RangeError beyond the hard limits.
func (s *span) check(v float64) error {
	if !(v >= s.hardLow && v <= s.hardHigh) { // false for NaN as well
		return &RangeError{Quantity: s.input, Value: v, Low: s.hardLow, High: s.hardHigh, Unit: s.unit}
	}
	return nil
}

// flag returns an *Extrapolation outside the source's range.
func (s *span) flag(v float64, property string, value float64) error {
	if v < s.low || v > s.high {
		return &Extrapolation{Property: property, Value: value, Input: s.input, At: v, Low: s.low, High: s.high, Unit: s.unit}
	}
	return nil
}

// result attaches the first extrapolation flag, if any, and refuses a value that is
// not finite, so that no equation can let a NaN out.
func result(property string, value float64, flags ...error) (float64, error) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, &RangeError{Quantity: property, Value: value, Low: -math.MaxFloat64, High: math.MaxFloat64}
	}
	for _, f := range flags {
		if f != nil {
			return value, f
		}
	}
	return value, nil
}

// solve finds the root of an increasing f in [lo, hi], f(lo) <= 0 <= f(hi), by
// Newton's method kept inside a shrinking bracket. f returns value and slope.
func solve(f func(x float64) (y, slope float64), lo, hi, x float64) float64 {
	for range 60 {
		y, slope := f(x)
		if y == 0 {
			return x
		}
		if y < 0 {
			lo = x
		} else {
			hi = x
		}
		next := x - y/slope
		if !(next > lo && next < hi) {
			next = lo + (hi-lo)/2
		}
		if math.Abs(next-x) <= 1e-13*(1+math.Abs(x)) || hi-lo <= 1e-14*(1+math.Abs(x)) {
			return next
		}
		x = next
	}
	return x
}

// within is true inside the source's range.
func (s *span) within(v float64) bool { return v >= s.low && v <= s.high }

func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
