package fouling_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"calandria/thermo/fouling"
)

// Coulson and Richardson, Chemical Engineering vol. 2, example 14.7: every
// published value (testdata/examples/11-coulson-richardson-cleaning-cycle.json).
func TestCoulsonRichardsonCycle(t *testing.T) {
	var ex struct {
		Inputs struct {
			A, B     float64
			Area     float64 `json:"area_m2"`
			DT       float64 `json:"dT_K"`
			Clean    float64 `json:"t_clean_s"`
			Lambda   float64 `json:"lambda_kJ_kg"`
			Shutdown float64 `json:"cost_shutdown"`
			Boil     float64 `json:"cost_boil_per_s"`
		}
		Published  map[string]published
		Recomputed map[string]float64
	}
	load(t, "examples/11-coulson-richardson-cleaning-cycle.json", &ex)
	in := ex.Inputs
	// The source's closed forms, equation 14.13 and section 14.6; time in s here.
	m := scaled{Kind: fouling.InverseSquare, Start: math.Sqrt(in.B), Coefficient: math.Sqrt(in.B), Shape: in.A / in.B}
	heat := func(t float64) float64 {
		return 2 * in.Area * in.DT * t / (math.Sqrt(in.A*t+in.B) + math.Sqrt(in.B))
	}
	best := func(lost float64) float64 { return lost + 2/in.A*math.Sqrt(in.A*in.B*lost) }
	check := func(name string, got float64) {
		t.Helper()
		p, ok := ex.Published[name]
		if !ok {
			t.Fatalf("no %s in the example", name)
		}
		near(t, name, got, p.Value, p.TolRel)
		delete(ex.Published, name)
	}
	report := func(suffix string, time float64) {
		q := heat(time)
		water := q / in.Lambda
		check("Q_"+suffix+"_GJ", q/1e6)
		if suffix == "max" {
			check("water_max_kg", water)
		} else {
			check("water_cost_kg", water)
		}
		check("rate_boil_"+suffix, water/time)
		check("rate_cycle_"+suffix, water/(time+in.Clean))
		check("cost_cycle_"+suffix, in.Boil*time+in.Shutdown)
		near(t, "U at the end", 1000*m.U(time), ex.Recomputed["U_end_"+suffix+"_W"], 1e-6)
	}
	tm := best(in.Clean)
	check("t_max_ks", tm/1000)
	report("max", tm)
	tc := best(in.Shutdown / in.Boil)
	check("t_cost_ks", tc/1000)
	report("cost", tc)
	if len(ex.Published) != 0 {
		t.Errorf("not checked: %v", ex.Published)
	}
	// The general optimum finds the same two times.
	o, err := fouling.MaxThroughput(m.U, in.Clean, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "most throughput, in general", o.Boiling, tm, 1e-7)
	// Least cost of the heat: a shutdown counts as the time that its cost would boil.
	o, err = fouling.MaxThroughput(m.U, in.Shutdown/in.Boil, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "least cost, in general", o.Boiling, tc, 1e-7)
}

// Linear scale (testdata/examples/18-linear-fouling-cycle.json; the law is eq.
// 3.71 of Berk, Food Process Engineering and Technology).
func TestLinearCycle(t *testing.T) {
	var ex struct {
		Inputs struct {
			U0    float64 `json:"U0_W_m2K"`
			Beta  float64 `json:"beta_m2K_W_per_day"`
			Clean float64 `json:"t_clean_d"`
			Area  float64 `json:"area_m2"`
			DT    float64 `json:"dT_K"`
			Cost  struct {
				Clean float64
				MWh   float64 `json:"per_MWh_lost"`
			}
		}
		Recomputed map[string]float64
	}
	load(t, "examples/18-linear-fouling-cycle.json", &ex)
	in := ex.Inputs
	m := linear(in.U0/1000, in.Beta*1000)
	o, err := fouling.MaxThroughput(m.U, in.Clean, 60)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "boiling days", o.Boiling, ex.Recomputed["t_opt_days"], 1e-7)
	near(t, "U at the end", 1000*o.EndU, ex.Recomputed["U_end"], 1e-7)
	near(t, "mean U", 1000*o.MeanU, ex.Recomputed["U_mean_over_cycle"], 1e-7)
	if !(o.FlatLow < o.Boiling && o.Boiling < o.FlatHigh) {
		t.Errorf("flat band %g to %g about %g", o.FlatLow, o.FlatHigh, o.Boiling)
	}
	loss := func(d float64) float64 { // per day
		return in.Cost.MWh * in.Area * in.DT * (m.U(0) - m.U(d)) * 24 / 1000
	}
	c, err := fouling.MinCostRate(loss, in.Cost.Clean, in.Clean, 60)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "days of least cost", c.Boiling, ex.Recomputed["t_min_cost_days"], 0.002) // printed to 0.01 d
	near(t, "cost a day", c.Value, ex.Recomputed["cost_per_day"], 1e-6)
}

// At most throughput the U of the moment equals the mean over the cycle,
// downtime included, whatever the law; and no other time does better.
func TestMarginalValue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := scaled{Start: rapid.Float64Range(0.3, 2).Draw(t, "start"), Kind: rapid.SampledFrom([]fouling.Kind{fouling.Linear, fouling.Logarithmic, fouling.Power, fouling.Asymptotic, fouling.InverseSquare}).Draw(t, "law")}
		m.Coefficient = m.Start * rapid.Float64Range(0.01, 0.2).Draw(t, "growth")
		switch m.Kind {
		case fouling.Linear:
			m.Shape = rapid.Float64Range(0, 2).Draw(t, "induction")
		case fouling.Logarithmic:
			m.Shape = rapid.Float64Range(0.1, 2).Draw(t, "shape")
		case fouling.Power:
			m.Shape = rapid.Float64Range(0.3, 0.95).Draw(t, "shape")
		case fouling.Asymptotic:
			m.Shape = rapid.Float64Range(2, 20).Draw(t, "shape")
		case fouling.InverseSquare:
			m.Shape = rapid.Float64Range(0.02, 0.4).Draw(t, "shape")
		}
		down := rapid.Float64Range(0.1, 2).Draw(t, "down")
		o, err := fouling.MaxThroughput(m.U, down, 200)
		if errors.Is(err, fouling.ErrNoOptimum) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(o.EndU-o.MeanU) > 1e-6*o.MeanU {
			t.Fatalf("%+v: U at the end %g, mean %g", m, o.EndU, o.MeanU)
		}
		mean := func(x float64) float64 { // a plain sum, independent of the package's rule
			const n = 4000
			var s float64
			for i := range n {
				s += m.U((float64(i) + 0.5) * x / n)
			}
			return s * x / n / (x + down)
		}
		for _, f := range []float64{0.7, 0.95, 1.05, 1.4} {
			if mean(o.Boiling*f) > o.MeanU*(1+1e-5) {
				t.Fatalf("%+v: %g of the best time does better", m, f)
			}
		}
		for _, edge := range []float64{o.FlatLow, o.FlatHigh} {
			if edge > o.Boiling*1e-5 && edge < 200 && math.Abs(mean(edge)/o.MeanU-0.98) > 1e-4 {
				t.Fatalf("edge of the flat band gives %g of the best", mean(edge)/o.MeanU)
			}
		}
	})
}

func TestCycleRefuses(t *testing.T) {
	if _, err := fouling.MaxThroughput(func(float64) float64 { return 1 }, 1, 100); !errors.Is(err, fouling.ErrNoOptimum) {
		t.Errorf("a body that does not scale: %v", err)
	}
	if _, err := fouling.MaxThroughput(func(float64) float64 { return math.NaN() }, 1, 100); err == nil {
		t.Error("NaN passed")
	}
	for _, v := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := fouling.MinCostRate(func(float64) float64 { return 1 }, v, 1, 10); err == nil {
			t.Errorf("cost %g passed", v)
		}
	}
}
