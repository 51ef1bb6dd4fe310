package fouling_test

import (
	"time"

	"calandria/thermo/fouling"
)

// body is one of the invented mill (testdata/plant/plant.json, "fouling"):
// clean U and the resistance after ten days.
type body struct {
	name  string
	clean float64 // kW/(m2 K)
	rf10  float64 // m2 K/kW after ten days
	limit float64
}

var bodies = []body{
	{"EV1", 2.5, 0.030, 0.8}, {"EV2", 2.2, 0.035, 0.8}, {"EV3", 1.8, 0.060, 0.8},
	{"EV4", 1.3, 0.130, 0.65}, {"EV5", 0.7, 0.400, 0.65},
}

var epoch = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func at(h int) time.Time { return epoch.Add(time.Duration(h) * time.Hour) }

// scaled is U of a body whose scale grows by a law: 1/U = start + coefficient times
// its curve.
type scaled struct {
	Kind                      fouling.Kind
	Start, Coefficient, Shape float64
}

func linear(clean, ratePerDay float64) scaled {
	return scaled{Start: 1 / clean, Coefficient: ratePerDay}
}

func (m scaled) U(days float64) float64 {
	return 1 / (m.Start + m.Coefficient*fouling.Growth(m.Kind, m.Shape, days))
}

// days until U falls to a limit.
func (m scaled) days(limit float64) float64 {
	lo, hi := 0.0, 1e4
	for range 100 {
		if mid := (lo + hi) / 2; m.U(mid) > limit {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// course of a body cleaned some days ago, for a plan.
func (m scaled) course(ago float64, days int) fouling.Course {
	var c fouling.Course
	for d := range days {
		t := float64(d) + 0.5
		c.Running = append(c.Running, m.U(ago+t)/m.U(0))
		c.Fresh = append(c.Fresh, m.U(t)/m.U(0))
	}
	return c
}
