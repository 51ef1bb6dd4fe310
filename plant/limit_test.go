package plant

import (
	"math"
	"testing"
	"time"
)

// Beyond is strict and the deadband only holds (project rules R-L1, R-D6;
// deadband as in OPC 10000-9, B.1.5).
func TestLimitInput(t *testing.T) {
	high := Limit{Setpoint: 80, Deadband: 2, High: true}
	low := Limit{Setpoint: 20, Deadband: 2}
	for _, c := range []struct {
		name        string
		limit       Limit
		value       float64
		quality     Quality
		raise, hold Truth
		want        Quality
	}{
		{"high, beyond", high, 80.1, Good, True, True, Good},
		{"high, equal is not beyond", high, 80, Good, False, True, Good},
		{"high, in the deadband", high, 79, Good, False, True, Good},
		{"high, edge of the deadband holds", high, 78, Good, False, True, Good},
		{"high, clear", high, 77.9, Good, False, False, Good},
		{"low, beyond", low, 19.9, Good, True, True, Good},
		{"low, equal is not beyond", low, 20, Good, False, True, Good},
		{"low, edge of the deadband holds", low, 22, Good, False, True, Good},
		{"low, clear", low, 22.1, Good, False, False, Good},
		{"uncertain is evaluated", high, 90, UncertainLastUsable, True, True, UncertainLastUsable},
		{"bad is not", high, 90, BadSensorFailure, Unknown, Unknown, BadSensorFailure},
		{"no data is not", high, 90, Quality{}, Unknown, Unknown, Quality{}},
		{"not a number", high, math.NaN(), Good, Unknown, Unknown, BadOutOfRange},
		{"infinite", high, math.Inf(1), Good, Unknown, Unknown, BadOutOfRange},
	} {
		in := c.limit.Input(Point{Time: time.Unix(5, 0), Value: c.value, Quality: c.quality})
		if in.Raise != c.raise || in.Hold != c.hold || in.Quality != c.want || !in.Time.Equal(time.Unix(5, 0)) {
			t.Errorf("%s: raise %v, hold %v, %v; want %v, %v, %v", c.name, in.Raise, in.Hold, in.Quality, c.raise, c.hold, c.want)
		}
		if in.Raise == Unknown && !math.IsNaN(in.Value) {
			t.Errorf("%s: value %v of an unusable point", c.name, in.Value)
		}
	}
}
