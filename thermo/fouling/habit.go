package fouling

import (
	"math"
	"slices"
	"time"
)

// A Habit is how the house cleans a set, learned from when its bodies were cleaned.
type Habit struct {
	Together bool `json:"together"` // all of them at one stop
	Stops    int  `json:"stops"`    // of the whole set, seen
	// EveryDays is from stop to stop; where the house cleans body by body, of the
	// usual body. 0 if it is not known.
	EveryDays float64 `json:"every_days"`
	// Each is from cleaning to cleaning of each body, days; 0 below two cleanings.
	Each []float64 `json:"each"`
}

// LearnHabit looks at the cleanings of each body. Those within 36 h of each other are
// one occasion; it is a stop of the set if six in ten of the bodies were cleaned in it.
// The house cleans together if most cleanings fall into such stops, two at least.
// Figures of ours.
func LearnHabit(cleaned [][]time.Time) Habit {
	var all, stops []time.Time
	var h Habit
	for _, c := range cleaned {
		all = append(all, c...)
		h.Each = append(h.Each, medianGap(c))
	}
	slices.SortFunc(all, time.Time.Compare)
	in := 0
	for i := 0; i < len(all); {
		j := i
		for j < len(all) && all[j].Sub(all[i]) <= 36*time.Hour {
			j++
		}
		if len(cleaned) > 1 && float64(j-i) >= 0.6*float64(len(cleaned)) {
			stops = append(stops, all[i])
			in += j - i
		}
		i = j
	}
	h.Stops, h.Together = len(stops), len(stops) >= 2 && 2*in > len(all)
	if h.Together {
		h.EveryDays = medianGap(stops)
	} else {
		h.EveryDays = median(slices.DeleteFunc(slices.Clone(h.Each), func(d float64) bool { return d == 0 }))
	}
	return h
}

// medianGap is the usual distance of moments in order, days; 0 for less than two.
func medianGap(at []time.Time) float64 {
	var gaps []float64
	for i := 1; i < len(at); i++ {
		gaps = append(gaps, at[i].Sub(at[i-1]).Hours()/24)
	}
	return median(gaps)
}

// PriceByHabit prices the cleanings of bodies by the house's own interval, their EveryDays:
// they cost what makes that interval the one of least cost, loss(t)(t + downtime) -
// integral of loss (the condition of [MinCostRate], inverted). Bodies of which no
// interval is known, or which lose nothing in it, keep their cost. It returns how many
// it priced.
func (s *PlanSettings) PriceByHabit(bodies []PlanBody) (priced int) {
	groups := slices.Collect(slices.Chunk(bodies, 1))
	if s.Together {
		groups = [][]PlanBody{bodies}
	}
	for _, of := range groups {
		horizon, hours := of[0].horizon(), 0.0
		for i := range of {
			hours = math.Max(hours, of[i].OffHours)
		}
		t := of[0].EveryDays - hours/24
		in, err := newIntegral(lossOf(of, 0), horizon)
		if err != nil || !(t > 0) || t > horizon {
			continue
		}
		once := in.f(t)*of[0].EveryDays - in.at(t)
		if !(once > 0) {
			continue
		}
		once /= float64(len(of))
		for i := range of {
			b := &of[i]
			b.OffCostPerHour = math.Min(b.OffCostPerHour, once/b.OffHours)
			if b.CleaningCost = once; s.Together {
				s.StopCostPerHour = 0 // it is in the price, as far as the house minds
			} else {
				b.CleaningCost = math.Max(0, once-b.OffHours*b.OffCostPerHour)
			}
			priced++
		}
	}
	return priced
}

// Interval is what a time from cleaning to cleaning gives, in the mean of a cycle.
type Interval struct {
	EveryDays float64 `json:"every_days"` // of the usual body
	// LossPerDay is what scale costs, the cleanings themselves left out.
	LossPerDay float64 `json:"loss_per_day"`
	// OffHours is how long a body is away for its cleanings in 30 days, or the set for
	// its stops.
	OffHours float64 `json:"off_hours"`
	Ratio    float64 `json:"ratio"`     // U over clean U, mean of the bodies
	EndRatio float64 `json:"end_ratio"` // of the worst body before its cleaning
}

// Intervals compares the bodies' own intervals, and shorter and longer ones, as far as
// the courses go. It is nil if an interval is not known of each.
func Intervals(bodies []PlanBody) (out []Interval) {
	var losses, ratios []integral
	for i := range bodies {
		b := &bodies[i]
		loss, err := newIntegral(lossOf(bodies[i:i+1], 0), b.horizon())
		u, err2 := newIntegral(b.Course.fresh(), b.horizon())
		if err != nil || err2 != nil {
			return nil
		}
		losses, ratios = append(losses, loss), append(ratios, u)
	}
	for _, factor := range []float64{0.5, 0.75, 1, 1.25, 1.5} {
		x, n := Interval{EndRatio: 1}, float64(len(bodies))
		for i := range bodies {
			b := &bodies[i]
			every := factor * b.EveryDays
			t := every - b.OffHours/24
			if !(t > 0) || t > b.horizon() {
				return out
			}
			x.EveryDays += every / n
			x.LossPerDay += losses[i].at(t) / every
			x.OffHours = math.Max(x.OffHours, 30/every*b.OffHours)
			x.Ratio += ratios[i].at(t) / t / n
			x.EndRatio = math.Min(x.EndRatio, ratios[i].f(t))
		}
		out = append(out, x)
	}
	return out
}
