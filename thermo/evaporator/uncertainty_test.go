package evaporator_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"calandria/thermo/evaporator"
)

// The propagated scatter agrees with the plant's Monte Carlo of 300 draws, whose own
// standard error is 4 % of a sigma (testdata/plant/plant.json, inverse.sigma_pct), and
// with a longer one of ours.
func TestUncertainty(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	r := s.NewResults()
	m := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	s.Uncertainty(&m, r)
	got := make([]float64, 7)
	for i := range 5 {
		got[i] = 100 * r.Bodies[i].U.Sigma / r.Bodies[i].U.Value
	}
	got[5] = 100 * r.SteamTH.Sigma / r.SteamTH.Value
	got[6] = 100 * r.Economy.Sigma / r.Economy.Value
	for i, want := range p.Inverse.SigmaPct {
		near(t, "published sigma", got[i], want, 3*0.041)
	}
	t.Logf("sigma %% of U1..U5, steam, economy: %.3f; Monte Carlo of 300: %.3f", got, p.Inverse.SigmaPct)

	// Our own draws.
	rng := rand.New(rand.NewPCG(1, 2))
	const draws = 2000
	var sum, sq [7]float64
	again := s.NewResults()
	for range draws {
		n := m
		shake := func(x *evaporator.Reading) { x.Value += x.Sigma * rng.NormFloat64() }
		for _, x := range []*evaporator.Reading{&n.JuiceTH, &n.FeedBrix, &n.FeedC, &n.SyrupBrix, &n.SteamKPa} {
			shake(x)
		}
		for i := range 5 {
			shake(&n.Bodies[i].VapourKPa)
			shake(&n.BleedTH[i])
		}
		s.Evaluate(&n, again)
		v := [7]float64{5: again.SteamTH.Value, 6: again.Economy.Value}
		for i := range 5 {
			v[i] = value(t, "U", again.Bodies[i].U)
		}
		for i := range v {
			sum[i] += v[i]
			sq[i] += v[i] * v[i]
		}
	}
	for i := range sum {
		mean := sum[i] / draws
		sigma := 100 * math.Sqrt(sq[i]/draws-mean*mean) / mean
		near(t, "sigma by draws", got[i], sigma, 0.06) // 1.6 % standard error, and curvature
	}
}

func BenchmarkUncertainty(b *testing.B) {
	p := readPlant(b)
	s := demoSet(b, p)
	r := s.NewResults()
	m := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	b.ReportAllocs()
	for b.Loop() {
		s.Uncertainty(&m, r)
	}
}

// Recall gives an evaluation what Uncertainty found, and keeps absent what was too
// uncertain to be shown: a pressure good to 120 kPa leaves no difference in its body.
func TestRecall(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	m := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	m.Bodies[2].VapourKPa.Sigma = 120
	r, again := s.NewResults(), s.NewResults()
	s.Uncertainty(&m, r)
	s.Evaluate(&m, again)
	again.Recall(r.Sigmas(nil))
	var all []evaporator.Result
	r.Each(func(_ string, x evaporator.Result) { all = append(all, x) })
	i, lost := 0, 0
	again.Each(func(name string, x evaporator.Result) {
		want := all[i]
		i++
		if x.OK() != want.OK() || x.Sigma != want.Sigma || x.Value != want.Value {
			t.Errorf("%s: %+v, want %+v", name, x, want)
		}
		if !x.OK() && strings.Contains(x.Reason.String(), "too uncertain") {
			lost++
		}
	})
	if lost == 0 {
		t.Error("nothing was too uncertain")
	}
}
