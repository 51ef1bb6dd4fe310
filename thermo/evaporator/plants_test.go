package evaporator_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
)

// randomPlant makes up a set of 2 to 7 effects, now and then with bodies beside
// each other or with backward feed, runs it, and returns the tags of some
// instruments. It reports false where what it made up has no steady state.
func randomPlant(t testing.TB, rng *rand.Rand) (evaporator.Design, evaporator.Measurement, bool) {
	t.Helper()
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	n := 2 + rng.IntN(6)
	var bodies []evaporator.Body
	for e := range n {
		b := evaporator.Body{Name: fmt.Sprintf("B%d", e+1), Effect: e + 1, AreaM2: 1000 * between(0.8, 1.5)}
		if e < 2 {
			b.AreaM2 *= 2
		}
		bodies = append(bodies, b)
		if rng.IntN(8) == 0 {
			o := b
			o.Name, o.JuiceBeside = b.Name+"b", rng.IntN(2) == 0
			o.AreaM2 *= between(0.5, 1)
			bodies = append(bodies, o)
		}
	}
	backward := rng.IntN(6) == 0
	if backward {
		slices.Reverse(bodies)
		for i := range bodies {
			bodies[i].JuiceBeside = false
		}
	}
	d := evaporator.Conventions(bodies...)
	d.Elevation = liquor.BPEModels()[rng.IntN(4)]
	d.Heat = liquor.HeatModels()[rng.IntN(4)]
	d.LossFraction, d.PipeLossK = between(0.005, 0.03), between(0.1, 0.5)
	if rng.IntN(4) == 0 {
		d.VapourCondensate = evaporator.Drained
	}
	s, err := evaporator.New(d)
	if err != nil {
		t.Fatal(err)
	}
	op := evaporator.Operation{
		SteamKPa: between(150, 230), LastKPa: between(13, 25), JuiceTH: between(80, 160) * math.Sqrt(5/float64(n)),
		FeedBrix: between(11, 17), FeedC: between(95, 108), Of: &evaporator.Measurement{PurityPct: evaporator.Read(between(75, 92), 0)},
	}
	if backward {
		op.FeedC = between(50, 80)
	}
	for i, b := range bodies {
		op.Bodies[i].U = between(0.8, 1.2) * []float64{2.5, 2.2, 1.8, 1.5, 1.2, 1, 0.8}[b.Effect-1]
	}
	for e := range n - 1 {
		op.BleedTH[e] = between(0, 5)
	}
	if !backward {
		op.BleedTH[0] = between(2, 20)
	}
	r := s.NewResults()
	// A juice flow that these surfaces make syrup of.
	fits := false
	for try := 0; try < 12 && !fits; try++ {
		switch err := s.Predict(&op, r); {
		case err != nil || r.SyrupBrix.Value > 70:
			op.JuiceTH *= 1.12
		case r.SyrupBrix.Value < 50:
			op.JuiceTH *= 0.93
		default:
			fits = true
		}
	}
	if !fits {
		return d, evaporator.Measurement{}, false
	}
	m := s.Tags(&op, r)
	m.PurityPct.Sigma = 1
	m.CondenserTH = evaporator.Read(0, 0)
	last := 0
	for i, b := range bodies {
		if b.Effect == n {
			m.CondenserTH.Value += r.Bodies[i].EvaporationTH.Value
		}
		last = i
	}
	give := func(x *evaporator.Reading, sigma float64) {
		switch rng.IntN(10) {
		case 0:
			*x = evaporator.Reading{}
		case 1: // exact
		default:
			x.Sigma = sigma
		}
	}
	m.JuiceTH.Sigma, m.FeedBrix.Sigma, m.SyrupBrix.Sigma = 0.004*m.JuiceTH.Value, 0.1, 0.2
	give(&m.FeedC, 0.3)
	m.FeedC.OK, m.FeedC.Value = true, op.FeedC
	give(&m.SyrupTH, 0.006*m.SyrupTH.Value)
	give(&m.SteamTH, 0.015*m.SteamTH.Value)
	give(&m.CondenserTH, 0.03*m.CondenserTH.Value)
	m.SteamKPa.Sigma = 0.3
	for e := range n - 1 {
		m.BleedTH[e].Sigma = 0.03*m.BleedTH[e].Value + 0.05
	}
	for i := range bodies {
		x := &m.Bodies[i]
		x.VapourKPa.Sigma = 0.3
		give(&x.VapourC, 0.3)
		give(&x.ChestKPa, 0.3)
		give(&x.CondensateTH, 0.02*x.CondensateTH.Value)
		give(&x.Brix, 0.3)
	}
	m.Bodies[last].Brix = evaporator.Reading{}
	return d, m, true
}

// every calls f for the readings of m that have an accuracy.
func every(m *evaporator.Measurement, f func(*evaporator.Reading)) {
	list := []*evaporator.Reading{&m.JuiceTH, &m.FeedBrix, &m.FeedC, &m.PurityPct, &m.SyrupTH, &m.SyrupBrix, &m.SteamTH, &m.SteamKPa, &m.CondenserTH}
	for e := range m.BleedTH {
		list = append(list, &m.BleedTH[e])
	}
	for i := range m.Bodies {
		b := &m.Bodies[i]
		list = append(list, &b.VapourKPa, &b.ChestKPa, &b.VapourC, &b.Brix, &b.CondensateTH)
	}
	for _, r := range list {
		if r.OK && r.Sigma > 0 {
			f(r)
		}
	}
}

// disturb adds normal errors of size times the standard deviation.
func disturb(m *evaporator.Measurement, rng *rand.Rand, size float64) {
	every(m, func(r *evaporator.Reading) { r.Value += size * r.Sigma * rng.NormFloat64() })
}

// On made-up plants, instruments and errors, gross ones among them, against the full
// least squares: where nothing is wrong the reconciled values differ by less than a
// twentieth of their standard deviation; and the same is called wrong, where that is not
// a matter of a hair.
func TestReconcileAsReference(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	rng := rand.New(rand.NewPCG(7, 1))
	plants, calls, gross, refused, other := 0, 0, 0, 0, 0
	var worst float64
	for plants < 30 {
		d, clean, ok := randomPlant(t, rng)
		if !ok {
			continue
		}
		plants++
		set, err := evaporator.New(d)
		if err != nil {
			t.Fatal(err)
		}
		whole, _ := evaporator.New(d)
		full := evaporator.NewReference(whole)
		out := new(evaporator.Reconciliation)
		base := clean
		disturb(&base, rng, 1)
		for range 4 {
			m := base
			disturb(&m, rng, 0.3) // a little further each minute
			base = m
			if rng.IntN(3) == 0 { // something is wrong
				var all []*evaporator.Reading
				every(&m, func(r *evaporator.Reading) { all = append(all, r) })
				for range 1 + rng.IntN(2) {
					r := all[rng.IntN(len(all))]
					r.Value += 12 * r.Sigma * (rng.Float64() - 0.5) * 2
				}
			}
			want, errWant := full.Reconcile(&m)
			err := set.ReconcileInto(&m, out)
			calls++
			if (err == nil) != (errWant == nil) {
				t.Fatalf("plant %d: %v, want %v", plants, err, errWant)
			}
			if err != nil {
				refused++
				continue
			}
			if math.Abs(want.Global/want.Critical-1) > 0.05 && out.GrossError != want.GrossError {
				t.Errorf("plant %d: gross error %v, by the full way %v (%.3g of %.3g)", plants, out.GrossError, want.GrossError, want.Global, want.Critical)
			}
			if want.GrossError {
				gross++
				if len(want.Suspects) > 0 && (len(out.Suspects) == 0 || out.Suspects[0].Instrument != want.Suspects[0].Instrument) {
					other++
				}
				continue
			}
			for i, a := range out.Instruments {
				if b := want.Instruments[i]; b.Checked {
					worst = max(worst, math.Abs(a.Reconciled-b.Reconciled)/b.Reading.Sigma)
				}
			}
		}
	}
	t.Logf("%d plants, %d calls, %d of them with a gross error, %d with another first suspect, %d refused; largest difference %.4f standard deviations", plants, calls, gross, other, refused, worst)
	if gross < calls/10 || refused > calls/5 {
		t.Error("the plants are too tame or too wild to say anything")
	}
	if worst > 0.05 || other > gross/20 {
		t.Error("too far from the full least squares")
	}
}

// steadyTags are readings of the demo plant with every usual instrument, wrong by
// their accuracies, as means over a window show them minute by minute.
func steadyTags(t testing.TB, s *evaporator.Set, p plantFile, minutes int) []evaporator.Measurement {
	rng := rand.New(rand.NewPCG(5, 5))
	m := fullTags(t, s, p)
	disturb(&m, rng, 0.6)
	list := make([]evaporator.Measurement, minutes)
	for i := range list {
		list[i] = m
		disturb(&list[i], rng, 0.2)
	}
	return list
}

// One full evaluation of five bodies and the test of its 34 instruments against
// each other, readings that move from call to call; once a minute. Beside it the same
// with the default equations.
func BenchmarkEvaluateAndReconcile(b *testing.B) {
	p := readPlant(b)
	run := func(name string, s *evaporator.Set) {
		b.Run(name, func(b *testing.B) {
			list := steadyTags(b, s, p, 64)
			r, out := s.NewResults(), new(evaporator.Reconciliation)
			took := make([]float64, 0, 1<<20)
			i := 0
			b.ReportAllocs()
			for b.Loop() {
				m := &list[i%len(list)]
				i++
				start := time.Now()
				s.Evaluate(m, r)
				if err := s.ReconcileInto(m, out); err != nil {
					b.Fatal(err)
				}
				if len(took) < cap(took) {
					took = append(took, float64(time.Since(start).Nanoseconds()))
				}
			}
			slices.Sort(took)
			b.ReportMetric(took[len(took)/2], "median-ns")
		})
	}
	run("steady", demoSet(b, p))
	d := demoSet(b, p).Design()
	d.Elevation, d.Heat = liquor.StarzakPeacock, liquor.Bubnik
	s, err := evaporator.New(d)
	if err != nil {
		b.Fatal(err)
	}
	run("default equations", s)
}
