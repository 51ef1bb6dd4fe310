package fouling_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"calandria/thermo/fouling"
)

// worked is a body whose U goes with its condition by shares of Dessin's two factors,
// and whose heating gets hotter as the set scales, as it does where syrup Brix is held
// by the steam pressure.
type worked struct {
	clean, rate float64
	share       [2]float64
	steps       bool // the heating also falls when another body is cleaned, and wanders
}

func (w worked) condition(r *rand.Rand, hour int, wander *[2]float64) (heatingC, brix float64) {
	const memory = 12 // hours
	f := math.Exp(-1. / memory)
	for i, sd := range []float64{1, 0.5} {
		wander[i] = f*wander[i] + sd*math.Sqrt(1-f*f)*r.NormFloat64()
	}
	day := float64(hour) / 24
	heatingC, brix = 116+0.55*math.Mod(day, 14), 26+0.08*math.Mod(day, 14)
	if w.steps {
		if math.Mod(day, 14) > 5 { // another body was cleaned
			heatingC -= 2.5
		}
		heatingC, brix = heatingC+wander[0], brix+wander[1]
	}
	return heatingC, brix
}

func shapeOf(heatingC, brix float64) fouling.Shape {
	return fouling.Shape{Heating: math.Log(heatingC - 54), Brix: math.Log(100 - brix)}
}

// follow runs four cycles of fourteen days; half-way through the last it asks when U
// at the reference will be at 0.8 of clean.
func (w worked) follow(t *testing.T, seed uint64, blind bool) (f fouling.Forecast, d fouling.Dependence, left float64) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 3))
	k, err := fouling.NewTracker(fouling.Settings{LimitRatio: 0.8})
	if err != nil {
		t.Fatal(err)
	}
	const cycles, days = 4, 14
	var wander [2]float64
	drift := 0.0
	limit := (1/0.8 - 1) / w.clean / w.rate // days
	for c := range cycles {
		if err := k.Cleaned(at(c * days * 24)); err != nil {
			t.Fatal(err)
		}
		for h := range days*24 - 10 {
			hour := c*days*24 + h
			heating, brix := w.condition(r, hour, &wander)
			y := math.Pow((116.0-54)/(heating-54), w.share[0])*math.Pow((100.0-26)/(100-brix), w.share[1])/w.clean + w.rate*float64(h)/24
			drift += 0.007 / math.Sqrt(7*24) * r.NormFloat64()
			u := 1 / (y * (1 + 0.01*r.NormFloat64() + drift))
			v := fouling.Value{At: at(hour), U: u, Quality: fouling.Good, Shape: shapeOf(heating, brix)}
			if blind {
				v.Shape = fouling.Shape{}
			}
			k.Observe(v)
			if c == cycles-1 && h == int(limit*12) {
				return k.Forecast(at(hour)), k.Dependence(), limit - float64(h)/24
			}
		}
	}
	t.Fatal("the limit lies beyond the cycle")
	return f, d, left
}

// What U does with heating and Brix is learned from the body's own values, whether it
// follows a formula, a part of it or none; and the day of the limit, which a U followed
// as it stands misses, is found. The body is simulated by the equation of Shape: it
// shows that the tracker recovers it, not that a real body obeys it.
func TestDependenceIsLearned(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		share [2]float64
	}{
		{"U knows neither temperature nor Brix", [2]float64{0, 0}},
		{"half of the formula", [2]float64{0.5, 0.5}},
		{"the whole of it", [2]float64{1, 1}},
	} {
		var with, blind, spread float64
		const runs = 12
		for seed := range uint64(runs) {
			w := worked{clean: 2.2, rate: 0.0085, share: c.share, steps: true}
			f, d, left := w.follow(t, seed, false)
			g, _, _ := w.follow(t, seed, true)
			with += math.Abs(f.Days()/left-1) / runs
			blind += math.Abs(g.Days()/left-1) / runs
			spread += d.Share[0] / runs
			if s := d.Sigma[0]; math.Abs(d.Share[0]-c.share[0]) > 3.5*s+0.05 || s > 0.2 {
				t.Errorf("%s, seed %d: share of the temperature %.2f ± %.2f, true %.2f", c.name, seed, d.Share[0], s, c.share[0])
			}
		}
		t.Logf("%s: days left wrong by %.0f %%, followed as it stands by %.0f %%; share of the temperature %.2f", c.name, 100*with, 100*blind, spread)
		if with > 0.18 {
			t.Errorf("%s: days left wrong by %.0f %%, at most 18", c.name, 100*with)
		}
		if c.share[0] >= 0.5 && with > blind {
			t.Errorf("%s: U as it stands foretells better", c.name)
		}
	}
}

// Where heating and scale only ever rise together the share stays as unknown as it
// was, and the band says so.
func TestUnknownDependenceWidensTheBand(t *testing.T) {
	t.Parallel()
	const runs = 16
	held := 0
	var alone, stepped, sigmaAlone, sigmaStepped float64
	for seed := range uint64(runs) {
		w := worked{clean: 2.2, rate: 0.0085, share: [2]float64{0.3, 0.3}}
		f, d, left := w.follow(t, seed, false)
		w.steps = true
		g, e, _ := w.follow(t, seed, false)
		day := func(f fouling.Forecast, late bool) float64 {
			if !late {
				return f.Early.Sub(f.At).Hours() / 24
			}
			if f.Late.IsZero() {
				return 120 // the horizon
			}
			return f.Late.Sub(f.At).Hours() / 24
		}
		alone += (day(f, true) - day(f, false)) / runs
		stepped += (day(g, true) - day(g, false)) / runs
		sigmaAlone += d.Sigma[0] / runs
		sigmaStepped += e.Sigma[0] / runs
		if day(f, false) <= left && left <= day(f, true) {
			held++
		}
	}
	t.Logf("share ± %.2f, band %.1f d, %d of %d hold the day; with steps ± %.2f and %.1f d", sigmaAlone, alone, held, runs, sigmaStepped, stepped)
	if sigmaAlone < 1.5*sigmaStepped || alone < stepped {
		t.Error("nothing tells the share, and the band is no wider")
	}
	if held < runs*3/4 { // nine in ten, less what 16 draws and a share off the usual do
		t.Errorf("the 90 %% band holds %d of %d", held, runs)
	}
}

func TestDependenceAt(t *testing.T) {
	ref := shapeOf(116, 26)
	d := fouling.Dependence{Reference: ref, Share: [3]float64{0.5}, Sigma: [3]float64{0.1}, Clean: 2.2}
	// By hand: a clean body at 126 degC by the square root of (T - 54).
	hot := 2.2 * math.Sqrt((126-54.)/(116-54))
	u, sd := d.At(hot, shapeOf(126, 26))
	if math.Abs(u/2.2-1) > 0.002 {
		t.Errorf("U of %.3f at 126 degC is %.3f at 116, want 2.2", hot, u)
	}
	// By hand: d/ds of 1/u - (exp(-sz) - 1)/2.2 at s = 0.5, times U squared.
	z := math.Log((126 - 54.) / (116 - 54))
	if want := 2.2 * 0.1 * z * math.Exp(-0.5*z); math.Abs(sd/want-1) > 0.05 {
		t.Errorf("the share brings ± %.4f, by hand %.4f", sd, want)
	}
	for _, s := range []fouling.Shape{{}, {Heating: math.NaN()}, {Heating: 1e9}} {
		if u, sd := d.At(1.5, s); u != 1.5 || sd != 0 {
			t.Errorf("in the condition %v: %g ± %g, want it as it stands", s, u, sd)
		}
	}
	// A level that halves U is taken whole.
	low := ref
	low.Level = math.Log(0.5)
	if u, _ := d.At(1.1, low); math.Abs(u-2.2) > 1e-9 {
		t.Errorf("level: %g, want 2.2", u)
	}
}
