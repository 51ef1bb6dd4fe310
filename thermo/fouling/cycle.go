package fouling

import (
	"errors"
	"math"
)

// Times in this file are in any one unit; costs in any one currency.

func positive(vs ...float64) error {
	for _, v := range vs {
		if !(v > 0) || math.IsInf(v, 0) {
			return &RangeError{"input of a cleaning cycle", v, 0, math.MaxFloat64, ""}
		}
	}
	return nil
}

// ErrNoOptimum says that nothing is gained by cleaning within the horizon: U
// does not fall enough.
var ErrNoOptimum = errors.New("no best boiling time within the horizon: U does not fall enough")

// A Curve gives U, kW/(m2 K), at a time since cleaning. It must be positive and
// must not rise.
type Curve func(t float64) float64

// Optimum is the best boiling time of a cycle.
type Optimum struct {
	Boiling float64 // time from cleaning to cleaning, without the downtime
	// EndU is U at its end; MeanU that over the whole cycle, downtime included.
	// They are equal at the time of most throughput.
	EndU, MeanU float64
	// FlatLow and FlatHigh bound the boiling times that cost no more than 2 % of
	// the optimum. The curve is flat: the freedom is worth more than the exact day.
	FlatLow, FlatHigh float64
	// Value is what was made best: mean U, or the cost per time of MinCostRate.
	Value float64
}

const flat = 0.02

// integral tabulates a running integral.
type integral struct {
	f    func(float64) float64
	step float64
	sum  []float64
}

const panels = 2048 // a curve with a kink, as after an induction, is summed to some 1e-5 of its mean

func newIntegral(f func(float64) float64, horizon float64) (integral, error) {
	in := integral{f, horizon / panels, make([]float64, panels+1)}
	for i := range panels {
		in.sum[i+1] = in.sum[i] + gauss(f, float64(i)*in.step, float64(i+1)*in.step)
	}
	if math.IsNaN(in.sum[panels]) || math.IsInf(in.sum[panels], 0) {
		return in, errors.New("cleaning cycle: the curve gives values that are not numbers")
	}
	return in, nil
}

func (in integral) at(t float64) float64 {
	i := min(panels-1, max(0, int(t/in.step)))
	return in.sum[i] + gauss(in.f, float64(i)*in.step, t)
}

// gauss is the five-point Gauss-Legendre rule. Source: Abramowitz and Stegun,
// table 25.4.
func gauss(f func(float64) float64, a, b float64) float64 {
	x := [3]float64{0, 0.5384693101056831, 0.9061798459386640}
	w := [3]float64{0.5688888888888889, 0.4786286704993665, 0.2369268850561891}
	c, h := (a+b)/2, (b-a)/2
	s := w[0] * f(c)
	for i := 1; i < 3; i++ {
		s += w[i] * (f(c-h*x[i]) + f(c+h*x[i]))
	}
	return s * h
}

// MaxThroughput returns the boiling time of most heat per cycle time for any
// curve of U at a constant temperature difference. It is where U has fallen to
// its mean over the cycle, downtime included (the marginal-value condition).
//
// [ErrNoOptimum] if that does not happen up to the horizon.
func MaxThroughput(u Curve, downtime, horizon float64) (Optimum, error) {
	if err := positive(downtime, horizon); err != nil {
		return Optimum{}, err
	}
	in, err := newIntegral(u, horizon)
	if err != nil {
		return Optimum{}, err
	}
	if !(u(0) > 0) || !(u(horizon) >= 0) {
		return Optimum{}, errors.New("cleaning cycle: U must be positive")
	}
	gain := func(t float64) float64 { return in.at(t) - u(t)*(t+downtime) } // rises through 0
	if gain(horizon) <= 0 {
		return Optimum{}, ErrNoOptimum
	}
	lo, hi := 0.0, horizon
	for range 200 {
		mid := (lo + hi) / 2
		if mid == lo || mid == hi {
			break
		}
		if gain(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	t := (lo + hi) / 2
	mean := func(t float64) float64 { return in.at(t) / (t + downtime) }
	o := Optimum{Boiling: t, EndU: u(t), MeanU: mean(t)}
	o.Value = o.MeanU
	o.FlatLow, o.FlatHigh = flatBand(t, horizon, func(x float64) float64 { return 1 - mean(x)/o.MeanU })
	return o, nil
}

// MinCostRate returns the boiling time of least cost per cycle time,
//
//	(cleaning + integral of loss)/(t + downtime)
//
// where loss is the cost per unit of time of what scale costs at that moment:
// extra steam, lost crush, lower Brix to the pans, inversion. The station's own
// figures decide; it must not fall with time. EndU and MeanU are zero.
func MinCostRate(loss func(t float64) float64, cleaning, downtime, horizon float64) (Optimum, error) {
	if err := positive(cleaning, horizon); err != nil {
		return Optimum{}, err
	}
	if !(downtime >= 0) || math.IsInf(downtime, 0) {
		return Optimum{}, &RangeError{"downtime", downtime, 0, math.MaxFloat64, ""}
	}
	in, err := newIntegral(loss, horizon)
	if err != nil {
		return Optimum{}, err
	}
	rate := func(t float64) float64 { return (cleaning + in.at(t)) / (t + downtime) }
	gain := func(t float64) float64 { return loss(t)*(t+downtime) - cleaning - in.at(t) }
	if gain(horizon) <= 0 {
		return Optimum{}, ErrNoOptimum
	}
	lo, hi := 0.0, horizon
	for range 200 {
		if mid := (lo + hi) / 2; gain(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	t := (lo + hi) / 2
	o := Optimum{Boiling: t, Value: rate(t)}
	o.FlatLow, o.FlatHigh = flatBand(t, horizon, func(x float64) float64 { return rate(x)/o.Value - 1 })
	return o, nil
}

// flatBand finds where excess, 0 at best and rising to both sides, reaches 2 %.
func flatBand(best, horizon float64, excess func(float64) float64) (lo, hi float64) {
	find := func(in, out float64) float64 {
		if excess(out) <= flat {
			return out
		}
		for range 100 {
			if mid := (in + out) / 2; excess(mid) <= flat {
				in = mid
			} else {
				out = mid
			}
		}
		return in
	}
	return find(best, best*1e-6), find(best, horizon)
}

// Boiling is a best boiling time, days from cleaning to cleaning.
type Boiling struct {
	Known bool    `json:"known"` // false: nothing is gained by cleaning within the course
	Days  float64 `json:"days"`
	// Low and High bound it by what is not known of the growth of scale, 90 %;
	// FlatLow and FlatHigh are the times that give at most 2 % less.
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	FlatLow  float64 `json:"flat_low"`
	FlatHigh float64 `json:"flat_high"`
}

// Best is the best boiling time of a body, or of bodies that are cleaned together.
type Best struct {
	// Throughput is that of most heat through the bodies in a constant temperature
	// difference, the hours of cleaning included; Cost that of least cost a day.
	Throughput Boiling `json:"throughput"`
	Cost       Boiling `json:"cost"`
}

// BestBoiling works out both for bodies cleaned at one time. The heat through bodies
// in a row goes with 1/sum(share/ratio), the share of each body in the temperature
// difference when clean. Cost counts what scale costs, the cleanings, and the hours
// without the bodies, or of the stop of the set.
func BestBoiling(bodies []PlanBody, s PlanSettings) Best {
	var shares, hours, once, horizon float64
	for i := range bodies {
		b := &bodies[i]
		shares += b.DifferenceShare
		hours = math.Max(hours, b.OffHours)
		once += b.CleaningCost
		if !s.Together {
			once += b.OffHours * b.OffCostPerHour
		}
		horizon = b.horizon()
	}
	if s.Together {
		once += hours * s.StopCostPerHour
	}
	heat := func(z float64) Curve {
		var fresh []Curve
		for i := range bodies {
			fresh = append(fresh, bodies[i].Course.grown(z))
		}
		return func(t float64) float64 {
			var r float64
			for i := range bodies {
				share := 1 / float64(len(bodies))
				if shares > 0 {
					share = bodies[i].DifferenceShare / shares
				}
				r += share / fresh[i](t)
			}
			return 1 / r
		}
	}
	find := func(of func(z float64) (Optimum, error)) (b Boiling) {
		o, err := of(0)
		if err != nil {
			return b
		}
		b = Boiling{true, o.Boiling, o.Boiling, horizon, o.FlatLow, o.FlatHigh}
		if fast, err := of(1.645); err == nil {
			b.Low = fast.Boiling
		}
		if slow, err := of(-1.645); err == nil {
			b.High = slow.Boiling
		}
		return b
	}
	return Best{
		Throughput: find(func(z float64) (Optimum, error) { return MaxThroughput(heat(z), hours/24, horizon) }),
		Cost:       find(func(z float64) (Optimum, error) { return MinCostRate(lossOf(bodies, z), once, hours/24, horizon) }),
	}
}

// horizon is how many days after a cleaning the course is known.
func (b *PlanBody) horizon() float64 { return float64(len(b.Course.Fresh)) - 0.5 }

// lossOf is what scale costs a day at a time after the bodies' cleaning, if it grows by
// 1 + z sigma times as fast.
func lossOf(bodies []PlanBody, z float64) Curve {
	var of []Curve
	for i := range bodies {
		of = append(of, bodies[i].Course.grown(z))
	}
	return func(t float64) (c float64) {
		for i := range bodies {
			c += lost(of[i](t)) * bodies[i].LossPerPctDay
		}
		return c
	}
}

// grown is U over clean U at a time after a cleaning, if scale grows by 1 + z sigma
// times as fast.
func (c *Course) grown(z float64) Curve {
	f, fresh := math.Max(0.1, 1+z*c.Sigma), c.fresh()
	return func(t float64) float64 { return 1 / (1 + f*(1/fresh(t)-1)) }
}

// fresh is U over clean U at a time after a cleaning, between the noons.
func (c *Course) fresh() Curve {
	return func(t float64) float64 {
		if t < 0.5 {
			return 1 + (c.Fresh[0]-1)*t/0.5
		}
		i := min(int(t-0.5), len(c.Fresh)-2)
		f := t - 0.5 - float64(i)
		return c.Fresh[i]*(1-f) + c.Fresh[i+1]*f
	}
}
