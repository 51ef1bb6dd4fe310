package fouling_test

import (
	"math"
	"math/rand/v2"
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

// truth is a cycle without and with noise, hour by hour.
type truth struct {
	model fouling.Model
	trend []float64 // 1/U with the drift of instruments, without the rest
	value []float64 // U as measured
	due   float64   // days at which the trend meets the limit, NaN if not
}

// cycle simulates hours of a body: white noise, a first-order autoregression and
// a random walk, as the tracker's documentation describes noise; the scales vary
// from cycle to cycle by a factor of about 1.5 either way.
func cycle(r *rand.Rand, m fouling.Model, clean, limit float64, hours int) truth {
	vary := func(v float64) float64 { return v * math.Exp(0.4*r.NormFloat64()) }
	white, auto, memory, drift := vary(0.015), vary(0.012), vary(8), vary(0.007)/math.Sqrt(7*24)
	tr := truth{model: m, due: math.NaN()}
	a, d := auto*r.NormFloat64(), 0.0
	phi := math.Exp(-1 / memory)
	for h := range hours {
		t := float64(h) / 24
		a = phi*a + auto*math.Sqrt(1-phi*phi)*r.NormFloat64()
		d += drift * r.NormFloat64()
		y0 := m.Start
		trend := 1/m.U(t) + d*y0
		y := trend + (a+white*r.NormFloat64())*y0
		tr.trend = append(tr.trend, trend)
		tr.value = append(tr.value, 1/y)
		if math.IsNaN(tr.due) && trend >= 1/(limit*clean) {
			tr.due = t
		}
	}
	return tr
}

// laws that a simulated cycle may follow, each scaled to the body's resistance
// after ten days.
func law(r *rand.Rand, b body) fouling.Model {
	rate := b.rf10 * math.Exp(0.2*r.NormFloat64())
	start := 1 / b.clean * (1 + 0.02*r.NormFloat64())
	switch x := r.Float64(); {
	case x < 0.6:
		return fouling.Model{Kind: fouling.Linear, Start: start, Coefficient: rate / 10}
	case x < 0.7:
		return fouling.Model{Kind: fouling.Logarithmic, Start: start, Coefficient: rate / math.Log(1+0.2*10), Shape: 0.2}
	case x < 0.8:
		return fouling.Model{Kind: fouling.Power, Start: start, Coefficient: rate / math.Pow(10, 0.75), Shape: 0.75}
	case x < 0.9:
		return fouling.Model{Kind: fouling.Asymptotic, Start: start, Coefficient: rate / (1 - math.Exp(-10./20)), Shape: 20}
	default:
		y := start + rate
		return fouling.Model{Kind: fouling.InverseSquare, Start: start, Coefficient: (y*y - start*start) / 10}
	}
}
