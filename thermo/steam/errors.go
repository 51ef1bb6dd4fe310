package steam

import (
	"fmt"
	"math"
)

// RangeError says that an input (or the state it leads to) is outside the range
// for which an equation is valid, or is not a number. Every error of this package
// is a *RangeError; take it out of a wrapped error with [errors.As].
type RangeError struct {
	Quantity  string  // what was out of range, e.g. "absolute pressure"
	Value     float64 // the value given; may be NaN or an infinity
	Low, High float64 // the valid range, ends included
	Unit      string  // unit of Value, Low and High, e.g. "kPa"
}

// Error names the quantity, the value and the valid range.
func (e *RangeError) Error() string {
	if math.IsNaN(e.Value) {
		return fmt.Sprintf("%s is not a number, valid %.6g to %.6g %s", e.Quantity, e.Low, e.High, e.Unit)
	}
	return fmt.Sprintf("%s %.6g %s is out of range %.6g to %.6g %s", e.Quantity, e.Value, e.Unit, e.Low, e.High, e.Unit)
}

// outside is true for a value out of [low, high] and for NaN.
func outside(v, low, high float64) bool { return !(v >= low && v <= high) }

func pressureError(p KPa, low, high float64) error {
	return &RangeError{"absolute pressure", float64(p), low, high, "kPa"}
}

func temperatureError(t Celsius, low, high float64) error {
	return &RangeError{"temperature", float64(t), low, high, "degC"}
}
