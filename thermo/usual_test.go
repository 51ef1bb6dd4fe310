package thermo

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"calandria/plant"
	"calandria/thermo/pan"
)

// A figure that follows the load by a straight line with noise (normal
// distribution: 99.7 % lie within three standard deviations, any handbook of
// statistics) is usual at every load. One whose cooling water fails is not, at
// once, and an hour of that does not become usual.
func TestUsualBand(t *testing.T) {
	f := plant.NewFrame(2)
	c := &Calculator{usuals: []*usual{{tag: 0, load: func(f *plant.Frame) (float64, bool) { return f.Points[1].Value, true }}}}
	rnd := rand.New(rand.NewPCG(3, 4))
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	outside, judged := 0, 0
	run := func(d time.Duration, load func(time.Time) float64, off float64) {
		outside, judged = 0, 0
		for end := at.Add(d); at.Before(end); at = at.Add(20 * time.Second) {
			x := load(at)
			y := 10 + 0.05*x + off + 0.3*rnd.NormFloat64()
			f.Points[0], f.Points[1] = plant.Point{Time: at, Value: y, Quality: plant.Good}, plant.Point{Time: at, Value: x, Quality: plant.Good}
			c.usuals[0].step(f, at)
			if b, ok := c.Usual(f, at)[0]; ok && at.Second() == 0 {
				judged++
				if b.Departs() != 0 {
					outside++
				}
			}
		}
	}
	swing := func(at time.Time) float64 { return 100 + 20*math.Sin(float64(at.Unix())/9000) }
	run(11*time.Hour, swing, 0)
	if judged > 0 {
		t.Errorf("judged after %d minutes, in less than half a day", judged)
	}
	run(48*time.Hour, swing, 0)
	if judged < 2700 || float64(outside) > 0.006*float64(judged) {
		t.Errorf("%d of %d minutes outside", outside, judged)
	}
	b := c.Usual(f, at)[0]
	if want := 10 + 0.05*f.Points[1].Value; b.Low > want || b.High < want || b.High-b.Low > 1.5 {
		t.Errorf("band %.2f to %.2f around %.2f", b.Low, b.High, want)
	}
	run(time.Hour, swing, 3)
	if outside < judged-2 {
		t.Errorf("after the change %d of %d minutes outside", outside, judged)
	}
	// Run down: neither judged nor learned.
	n := c.usuals[0].n
	run(time.Hour, func(time.Time) float64 { return 20 }, 0)
	if judged > 1 || c.usuals[0].n > n+1.01 {
		t.Errorf("a set that is run down: judged %d, learned %g", judged, c.usuals[0].n-n)
	}
}

// A pan's figures are held against what its own strikes were at this point, and those of
// its condenser against its vapour: five strikes at 16 kPa and 63 degC, then one at them,
// and one with its vacuum and its thermometer off. What the bands have to enclose is the
// strikes themselves.
func TestUsualBandOfPan(t *testing.T) {
	h, err := plant.Load("plant.yaml", []byte(`
site: {name: Test House (invented)}
condensers: [{name: CP, tags: {water_outlet_temperature: {node: "nsu=urn:test;s=CP.TO"}, water_inlet_temperature: {value: 30}}}]
pans:
  - name: BP
    condenser: CP
    liquor_purity_pct: [80, 70]
    tags:
      vapour_pressure: {node: "nsu=urn:test;s=BP.P"}
      massecuite_temperature: {node: "nsu=urn:test;s=BP.T"}
      massecuite_brix: {node: "nsu=urn:test;s=BP.B"}
      chest_pressure: {value: 100}
      level: {value: 60}
      feed_valve: {value: 50}
      steam_flow: {value: 8}
opcua: {servers: [{name: mill, endpoint: "opc.tcp://127.0.0.1:4840"}]}
`))
	if err != nil {
		t.Fatal(err)
	}
	c, err := New(h)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	var past []pan.Strike
	for n := range 5 {
		begin := at.Add(time.Duration(n-6) * 6 * time.Hour)
		s := pan.Strike{Number: n + 1, Whole: true, Start: begin, End: begin.Add(5 * time.Hour), Phases: []pan.PhaseRecord{{Phase: pan.FeedOn, Start: begin, End: begin.Add(5 * time.Hour)}}}
		for m := range 300 {
			s.Profile = append(s.Profile, pan.ProfilePoint{At: begin.Add(time.Duration(m) * time.Minute), Phase: pan.FeedOn, LevelPct: pan.Use(60),
				PressureKPa: pan.Use(16), MassecuiteC: pan.Use(63), MassecuiteBrix: pan.Use(87)})
		}
		past = append(past, s)
	}
	c.RememberStrikes("BP", past)
	f := plant.NewFrame(len(h.Tags))
	outlet := 45.0
	run := func(d time.Duration, kPa, warm float64) map[string]int {
		for end := at.Add(d); at.Before(end); at = at.Add(20 * time.Second) {
			for i := range h.Tags {
				v := h.Tags[i].Value
				switch h.Tags[i].Path {
				case "BP.vapour_pressure":
					v = kPa
				case "BP.massecuite_temperature":
					v = warm
				case "BP.massecuite_brix":
					v = 87
				case "CP.water_outlet_temperature":
					v = outlet
				}
				if h.Tags[i].Source == plant.Measured || h.Tags[i].Source == plant.Fixed {
					f.Points[i] = plant.Point{Time: at, Value: v, Quality: plant.Good}
				}
			}
			c.Step(f, at)
		}
		out := map[string]int{}
		for id, b := range c.Usual(f, at) {
			out[h.Tags[id].Path] = b.Departs()
		}
		return out
	}
	got := run(14*time.Hour, 16, 63)
	for _, path := range []string{"BP.vapour_pressure", "BP.massecuite_temperature", "BP.massecuite_brix", "CP.water_outlet_temperature"} {
		if d, known := got[path]; !known || d != 0 {
			t.Errorf("%s as in every strike: known %t, departs %d", path, known, d)
		}
	}
	outlet = 52
	got = run(3*time.Minute, 19, 58)
	if got["BP.vapour_pressure"] != 1 || got["BP.massecuite_temperature"] != -1 || got["CP.water_outlet_temperature"] != 1 {
		t.Errorf("vacuum and thermometer off: %v", got)
	}
}
