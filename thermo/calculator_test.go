package thermo_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/plant"
	"calandria/thermo"
)

// demo builds the demonstration house and a quiet mill behind it.
func demo(t testing.TB, set simulator.Settings) (*plant.House, *thermo.Calculator, *simulator.Model, *plant.Frame) {
	t.Helper()
	return demoOf(t, deploy.Demo(), set)
}

// demoOf is demo with another plant file.
func demoOf(t testing.TB, yaml []byte, set simulator.Settings) (*plant.House, *thermo.Calculator, *simulator.Model, *plant.Frame) {
	t.Helper()
	h, err := plant.Load("plant.demo.yaml", yaml)
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(h)
	if err != nil {
		t.Fatal(err)
	}
	f := plant.NewFrame(len(h.Tags))
	for i := range h.Tags {
		if h.Tags[i].Source == plant.Fixed {
			f.Points[i] = plant.Point{Time: start, Value: h.Tags[i].Value, Quality: plant.Good}
		}
	}
	return h, c, simulator.NewWith(1, start, set), f
}

var start = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

// feed puts what the instruments read into the frame, through the raw readings
// and the tag's own conversion.
func feed(t testing.TB, h *plant.House, f *plant.Frame, m *simulator.Model) {
	t.Helper()
	byNode := map[string]simulator.Reading{}
	instruments := m.Instruments()
	for i, r := range m.Values() {
		byNode[instruments[i].Node()] = r
	}
	for i := range h.Tags {
		tag := &h.Tags[i]
		if tag.Source != plant.Measured {
			continue
		}
		r, ok := byNode[tag.Node]
		if !ok {
			t.Fatalf("tag %s has no instrument", tag.Path)
		}
		v, q := tag.Convert(r.Raw, r.Quality)
		f.Points[i] = plant.Point{Time: m.Now(), Value: v, Quality: q}
	}
	f.At = m.Now()
}

// From the instruments of the quiet mill, whose model is an independent
// implementation, the true values come back.
func TestTruthComesBack(t *testing.T) {
	h, c, m, f := demo(t, simulator.Settings{})
	m.AdvanceTo(start.Add(30 * time.Minute))
	var values []thermo.Value
	for range 20 {
		m.Step(30 * time.Second)
		feed(t, h, f, m)
		values = c.Step(f, m.Now())
	}
	got := map[string]thermo.Value{}
	for _, v := range values {
		got[h.Tags[v.Tag].Path] = v
	}
	truth := m.Truth()
	check := func(path string, want, rel float64) {
		t.Helper()
		v, ok := got[path]
		if !ok || !v.Point.Usable() {
			t.Errorf("%s is absent: %s", path, v.Reason)
			return
		}
		if math.Abs(v.Point.Value-want) > rel*math.Abs(want) {
			t.Errorf("%s = %.5g, true value %.5g", path, v.Point.Value, want)
		}
	}
	for i, b := range []string{"EV1", "EV2", "EV3", "EV4", "EV5"} {
		check("EV."+b+".u", truth.Set.UWM2K[i]/1000, 0.004)
		check("EV."+b+".boiling_point_elevation", truth.Set.ElevationK[i], 0.01)
		check("EV."+b+".brix_out", truth.Set.Brix[i], 0.004)
	}
	check("EV.steam_calculated", truth.Set.SteamTH, 0.004)
	var evaporation float64
	for _, v := range truth.Set.VapourTH {
		evaporation += v
	}
	check("EV.evaporation", evaporation, 0.002)
	check("EV.economy", evaporation/truth.Set.SteamTH, 0.004)
	for _, p := range truth.Pans {
		if p.Phase == simulator.PhaseFeed {
			check(p.Name+".mother_liquor_brix", p.LiquorBx, 0.03)
			check(p.Name+".supersaturation", p.Supersaturation, 0.08)
		}
	}
	for path, v := range got {
		if !v.Point.Usable() {
			t.Logf("absent: %s: %s", path, v.Reason)
		}
	}
}

// Every value that is absent says why, in a mill with all its upsets and with
// instruments failing at random.
func TestEveryAbsenceHasAReason(t *testing.T) {
	h, c, m, f := demo(t, simulator.Settings{Noise: true, Disturbances: true, BrixLoop: true})
	c.NoUncertainty()
	rng := rand.New(rand.NewPCG(7, 7))
	for _, u := range simulator.Upsets() {
		if err := m.Start(u.Name); err != nil {
			t.Fatal(err)
		}
	}
	absent := map[string]int{}
	for range 400 {
		m.Step(20 * time.Second)
		feed(t, h, f, m)
		for i := range h.Tags {
			if h.Tags[i].Source == plant.Measured && rng.IntN(12) == 0 {
				f.Points[i] = plant.BadPoint(m.Now(), plant.BadSensorFailure)
			}
		}
		for _, v := range c.Step(f, m.Now()) {
			path := h.Tags[v.Tag].Path
			switch {
			case v.Point.Usable():
				if math.IsInf(v.Point.Value, 0) || v.How == "absent" {
					t.Fatalf("%s = %v, %s", path, v.Point, v.How)
				}
			case v.Reason == "":
				t.Fatalf("%s is absent without a reason", path)
			case v.How != "absent":
				t.Fatalf("%s has no value and is %s", path, v.How)
			default:
				absent[h.Tags[v.Tag].Name]++
			}
			if !v.Point.Time.Equal(m.Now()) {
				t.Fatalf("%s has the time %s at %s", path, v.Point.Time, m.Now())
			}
		}
	}
	t.Logf("%d quantities were absent at times", len(absent))
}

// The table reads as a reference: every row has its words, its source and
// bounds, and exactly one function.
func TestTableIsComplete(t *testing.T) {
	seen := map[string]bool{}
	for _, q := range thermo.Quantities {
		name := string(q.Class) + "." + q.Name
		if seen[name] {
			t.Errorf("%s is there twice", name)
		}
		seen[name] = true
		if q.Meaning == "" || q.Inputs == "" || q.Source == "" || !(q.Low < q.High) {
			t.Errorf("%s lacks meaning, inputs, source or bounds", name)
		}
		if _, clash := plant.SignalNamed(q.Class, q.Name); clash {
			t.Errorf("%s is also a measured signal", name)
		}
	}
}

func BenchmarkStep(b *testing.B) {
	h, c, m, f := demo(b, simulator.Settings{Noise: true})
	m.AdvanceTo(start.Add(10 * time.Minute))
	feed(b, h, f, m)
	at := m.Now()
	b.Run("steady", func(b *testing.B) { // within a minute
		b.ReportAllocs()
		for b.Loop() {
			c.Step(f, at)
		}
	})
	b.Run("scan", func(b *testing.B) { // one a second, with all that is due each minute
		b.ReportAllocs()
		for b.Loop() {
			at = at.Add(time.Second)
			c.Step(f, at)
		}
	})
}
