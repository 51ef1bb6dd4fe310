package evaporator_test

import (
	"math"
	"slices"
	"testing"

	"calandria/thermo/evaporator"
)

// Narasimhan and Jordache, Data Reconciliation and Gross Error Detection (2000), ch.
// 1: exchanger with bypass (testdata/examples/15; measured values from memory, the
// reconciled ones follow exactly). Its own figures: objective 6.41 on 4 balances
// (critical 9.49), largest |z| 2.07.
func TestReconcileNarasimhanJordache(t *testing.T) {
	in, out := example(t, "15-narasimhan-jordache-reconciliation")
	p := evaporator.Balances{Y: number[[]float64](t, in, "measured"), A: number[[][]float64](t, in, "A")}
	for _, v := range number[[]float64](t, in, "variance") {
		p.Sigma = append(p.Sigma, math.Sqrt(v))
	}
	a, err := evaporator.Reconcile(p, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"x1", "x2", "x3", "x4", "x5", "x6"} {
		published(t, out, name, a.X[i])
	}
	near(t, "objective", a.Global, 6.4075, 1e-6)
	near(t, "critical", a.GlobalCritical, 9.4877, 1e-4)
	if a.GrossError || a.Suspect >= 0 {
		t.Errorf("gross error found: %+v", a)
	}
	top := 0.0
	for _, z := range a.MeasurementZ {
		top = max(top, math.Abs(z))
	}
	near(t, "largest z", top, 2.0698188, 1e-6)
	for j, want := range []float64{2.81, 0.25, -1.79, 1.76} {
		near(t, "imbalance", a.Residual[j], want, 1e-9)
	}
	// The reconciled values satisfy every balance, with smaller variance.
	for _, row := range p.A {
		sum := 0.0
		for i, c := range row {
			sum += c * a.X[i]
		}
		if math.Abs(sum) > 1e-9 {
			t.Errorf("balance left open by %g", sum)
		}
	}
	for i := range a.X {
		if !(a.Covariance.At(i, i) < 1) {
			t.Errorf("variance %d is %g", i, a.Covariance.At(i, i))
		}
	}
}

// Sidak's bounds at 5 %: 1.960 for one test, 2.236 for two, 2.388 for three (general
// tables).
func TestSidak(t *testing.T) {
	for m, want := range map[int]float64{1: 1.9600, 2: 2.2365, 3: 2.3877} {
		p := evaporator.Balances{}
		for range m {
			p.Y, p.Sigma = append(p.Y, 1), append(p.Sigma, 1)
		}
		for j := range m {
			row := make([]float64, m)
			row[j] = 1
			p.A = append(p.A, row)
		}
		p.B = slices.Repeat([]float64{1}, m)
		a, err := evaporator.Reconcile(p, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Sidak", a.ZCritical, want, 5e-5)
	}
}

// fullTags is the demo plant with every check the method knows.
func fullTags(t testing.TB, s *evaporator.Set, p plantFile) evaporator.Measurement {
	t.Helper()
	op := demoOperation(p)
	r := s.NewResults()
	if err := s.Predict(&op, r); err != nil {
		t.Fatal(err)
	}
	m := s.Tags(&op, r)
	sigma := func(x *evaporator.Reading, s float64) { x.Sigma = s }
	sigma(&m.JuiceTH, 0.004*m.JuiceTH.Value)
	sigma(&m.FeedBrix, 0.10)
	sigma(&m.FeedC, 0.2)
	sigma(&m.SyrupTH, 0.005*m.SyrupTH.Value)
	sigma(&m.SyrupBrix, 0.20)
	sigma(&m.SteamTH, 0.015*m.SteamTH.Value)
	sigma(&m.SteamKPa, 0.2)
	m.PurityPct = evaporator.Reading{}
	m.CondenserTH = evaporator.Read(r.Bodies[4].EvaporationTH.Value, 0.02*r.Bodies[4].EvaporationTH.Value)
	for e := range 4 {
		sigma(&m.BleedTH[e], 0.03*m.BleedTH[e].Value)
	}
	for b := range 5 {
		x := &m.Bodies[b]
		sigma(&x.VapourKPa, 0.2)
		sigma(&x.ChestKPa, 0.2)
		sigma(&x.VapourC, 0.3)
		sigma(&x.Brix, 0.2)
		sigma(&x.CondensateTH, 0.02*x.CondensateTH.Value)
	}
	m.Bodies[0].ChestKPa = evaporator.Reading{}     // the set's steam pressure is the same tag
	m.Bodies[0].CondensateTH = evaporator.Reading{} // and the steam flow
	m.Bodies[4].Brix = evaporator.Reading{}
	return m
}

// Each instrument in turn reads 8 detectable sigmas wrong; it must be named, alone or
// in a group that the balances cannot tell apart. Which ones cannot be found is
// part of the test.
func TestReconcileFindsEachInstrument(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	m := fullTags(t, s, p)
	good, err := s.Reconcile(&m)
	if err != nil {
		t.Fatal(err)
	}
	if good.GrossError || len(good.Suspects) > 0 || good.Global > 1e-6 {
		t.Fatalf("perfect tags under suspicion: %+v", good)
	}
	t.Logf("%d instruments, %d checks, z bound %.2f", len(good.Instruments), good.Degrees, good.ZCritical)

	readings := func(m *evaporator.Measurement) map[string]*evaporator.Reading {
		out := map[string]*evaporator.Reading{
			"juice flow": &m.JuiceTH, "feed Brix": &m.FeedBrix, "feed temperature": &m.FeedC, "syrup flow": &m.SyrupTH,
			"syrup Brix": &m.SyrupBrix, "steam flow": &m.SteamTH, "steam pressure": &m.SteamKPa, "vapour to the condenser": &m.CondenserTH,
			"bleed after effect 1": &m.BleedTH[0], "bleed after effect 2": &m.BleedTH[1],
			"bleed after effect 3": &m.BleedTH[2], "bleed after effect 4": &m.BleedTH[3],
		}
		for b := range 5 {
			x, name := &m.Bodies[b], []string{"EV1 ", "EV2 ", "EV3 ", "EV4 ", "EV5 "}[b]
			out[name+"vapour pressure"] = &x.VapourKPa
			out[name+"chest pressure"] = &x.ChestKPa
			out[name+"vapour temperature"] = &x.VapourC
			out[name+"Brix"] = &x.Brix
			out[name+"condensate flow"] = &x.CondensateTH
		}
		return out
	}
	// Instruments whose error hardly moves any balance, or only together with a
	// twin.
	//   feed temperature, steam pressure: worth less than the noise of the steam flow
	blind := map[string]bool{"feed temperature": true, "steam pressure": true}
	twins := 0
	for i, ins := range good.Instruments {
		name := ins.Name().String()
		spread := ins.Reading.Sigma*ins.Reading.Sigma - ins.ReconciledSigma*ins.ReconciledSigma
		checked := spread / (ins.Reading.Sigma * ins.Reading.Sigma) // 1: fully checked, 0: not at all
		if blind[name] {
			if checked > 0.05 {
				t.Errorf("%s is called blind but %.0f %% checked", name, 100*checked)
			}
			continue
		}
		for _, sign := range []float64{-1, 1} {
			bad := m
			x := readings(&bad)[name]
			bias := sign * 8 * ins.Reading.Sigma / math.Sqrt(checked)
			x.Value += bias
			got, err := s.Reconcile(&bad)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			if !got.GrossError || len(got.Suspects) == 0 {
				t.Errorf("%s off by %.3g (%.0f %% checked): not noticed, chi2 %.1f of %.1f", name, bias, 100*checked, got.Global, got.Critical)
				continue
			}
			first := got.Suspects[0]
			if first.Instrument != i && !slices.Contains(first.Alike, i) {
				t.Errorf("%s off by %.3g (%.0f %% checked): suspected %s instead (z %.1f)", name, bias, 100*checked, got.Instruments[first.Instrument].Name(), first.Z)
				continue
			}
			if sign > 0 {
				alike := ""
				for _, a := range first.Alike {
					alike += ", or " + got.Instruments[a].Name().String()
				}
				t.Logf("%-24s %3.0f %% checked; bias %.3g found as %.3g%s", name, 100*checked, bias, first.Bias, alike)
			}
			if len(first.Alike) > 0 && sign > 0 {
				twins++
			}
			if first.Instrument == i {
				near(t, name+" bias", first.Bias, bias, 0.15)
			}
		}
	}
}

func BenchmarkReconcile(b *testing.B) {
	p := readPlant(b)
	s := demoSet(b, p)
	m := fullTags(b, s, p)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Reconcile(&m); err != nil {
			b.Fatal(err)
		}
	}
}
