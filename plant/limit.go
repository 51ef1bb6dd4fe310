package plant

import "math"

// Limit is a fixed limit on one measured value: the setpoint and deadband of a
// high or low alarm, in the value's own unit. Deadband is zero or more.
type Limit struct {
	Setpoint float64
	Deadband float64
	High     bool // beyond means above; otherwise below
}

// Input says what a limit alarm's condition is for one point. A value equal to
// the setpoint is not beyond it. The deadband has no part in raising: it only
// holds an alarm that is already active, until the value has passed
// Setpoint - Deadband (low limits mirrored); a value equal to that edge still
// holds. A point that is not usable gives Unknown for both, and a value that
// is not a finite number counts as Bad_OutOfRange whatever its status says.
func (l Limit) Input(p Point) AlarmInput {
	in := AlarmInput{Time: p.Time, Quality: p.Quality, Value: p.Value}
	if p.Quality.Usable() && (math.IsNaN(p.Value) || math.IsInf(p.Value, 0)) {
		in.Quality = BadOutOfRange
	}
	if !in.Quality.Usable() {
		in.Value = math.NaN()
		return in
	}
	// Without a deadband the setpoint itself is the edge: a value equal to it
	// holds an active alarm but cannot raise one.
	if l.High {
		in.Raise = TruthOf(p.Value > l.Setpoint)
		in.Hold = TruthOf(p.Value >= l.Setpoint-l.Deadband)
	} else {
		in.Raise = TruthOf(p.Value < l.Setpoint)
		in.Hold = TruthOf(p.Value <= l.Setpoint+l.Deadband)
	}
	return in
}
