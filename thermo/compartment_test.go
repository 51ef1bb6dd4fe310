package thermo_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// A continuous pan of five compartments. Invented.
const continuousYAML = `
site: {name: Test House (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
pans:
  - name: CP
    grade: C
    liquor_purity_pct: [68]
    impurity: [-0.088, 1, 0]
    properties: {boiling_point: batterham-norgate}
    tags:
      vapour_pressure: {node: "nsu=u;s=p", unit: kPa, accuracy: 0.1}
      chest_pressure:  {node: "nsu=u;s=chest", unit: kPa, accuracy: 0.5}
    compartments:
      - {name: K1, heating_surface_m2: 60, tags: {massecuite_temperature: {node: "nsu=u;s=t1", accuracy: 0.1}, steam_flow: {node: "nsu=u;s=s1", unit: t/h}, massecuite_brix: {node: "nsu=u;s=b1"}}}
      - {name: K2, tags: {massecuite_temperature: {node: "nsu=u;s=t2", accuracy: 0.1}, steam_flow: {node: "nsu=u;s=s2", unit: t/h}, massecuite_brix: {node: "nsu=u;s=b2"}}}
      - {name: K3, tags: {massecuite_temperature: {node: "nsu=u;s=t3", accuracy: 0.1}, level: {node: "nsu=u;s=l3"}, feed_valve: {node: "nsu=u;s=f3"}}}
      - {name: K4, thermometer_offset_k: 0.5, tags: {massecuite_temperature: {node: "nsu=u;s=t4", accuracy: 0.1}, massecuite_conductivity: {node: "nsu=u;s=c4", unit: mS/cm}}}
      - {name: K5, liquor_purity_pct: 60, tags: {vapour_pressure: {node: "nsu=u;s=p5"}, massecuite_temperature: {node: "nsu=u;s=t5", accuracy: 0.1}, massecuite_brix: {node: "nsu=u;s=b5"}}}
`

// continuous is the pan with a frame of readings and the calculator behind it.
type continuous struct {
	t *testing.T
	h *plant.House
	c *thermo.Calculator
	f *plant.Frame
	n int // steps
}

func newContinuous(t *testing.T) *continuous { t.Helper(); return load(t, continuousYAML) }

func load(t *testing.T, yaml string) *continuous {
	t.Helper()
	h, err := plant.Load("plant.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(h)
	if err != nil {
		t.Fatal(err)
	}
	return &continuous{t: t, h: h, c: c, f: plant.NewFrame(len(h.Tags))}
}

func (x *continuous) put(path string, v float64) {
	x.t.Helper()
	tag, ok := x.h.Find(path)
	if !ok {
		x.t.Fatalf("no tag %s", path)
	}
	x.f.Points[tag.ID] = plant.Point{Time: start, Value: v, Quality: plant.Good}
}

func (x *continuous) step() map[string]thermo.Value {
	got := map[string]thermo.Value{}
	x.n++
	x.f.At = start.Add(time.Duration(x.n) * 10 * time.Minute) // past every filter
	for _, v := range x.c.Step(x.f, x.f.At) {
		got[x.h.Tags[v.Tag].Path] = v
	}
	return got
}

// Lines of constant supersaturation of a low-grade liquor, purity 68 at 16 kPa, of an
// independent calculation: Charles' solubility, the coefficient 1 - 0.088 q, the elevation
// by Batterham and Norgate, printed to 0.1 K, 0.1 Brix and 0.1. The pan uses Vavrinecz'
// solubility, 0.1 % away, worth 0.005; 0.05 K of rounding are 0.11 Brix and 0.011.
func TestContinuousPan(t *testing.T) {
	x := newContinuous(t)
	ts, err := steam.Tsat(16)
	if err != nil {
		t.Fatal(err)
	}
	x.put("CP.vapour_pressure", 16)
	x.put("CP.chest_pressure", 100)
	lines := []struct{ s, brix, bpe float64 }{{1.0, 79.6, 7.6}, {1.1, 81.0, 8.2}, {1.2, 82.2, 8.7}, {1.3, 83.3, 9.2}}
	for i, l := range lines {
		offset := 0.0
		if i == 3 {
			offset = 0.5
		}
		x.put(fmt.Sprintf("CP.K%d.massecuite_temperature", i+1), float64(ts)+l.bpe+offset)
	}
	x.put("CP.K1.steam_flow", 1.5)
	x.put("CP.K2.steam_flow", 1)
	got := x.step()
	near := func(path string, want, tol float64) {
		t.Helper()
		v, ok := got[path]
		if !ok || !v.Point.Usable() || math.Abs(v.Point.Value-want) > tol {
			t.Errorf("%s = %v (%s), want %g within %g", path, v.Point.Value, v.Reason, want, tol)
		}
	}
	mean := 0.0
	for i, l := range lines {
		k := fmt.Sprintf("CP.K%d.", i+1)
		near(k+"saturation_temperature", float64(ts), 1e-9)
		near(k+"boiling_point_elevation", l.bpe, 1e-9)
		near(k+"mother_liquor_brix", l.brix, 0.12)
		near(k+"supersaturation", l.s, 0.017)
		if s := got[k+"supersaturation"].Sigma; s < 0.01 || s > 0.06 {
			t.Errorf("%s: sigma %g for 0.1 K and 0.1 kPa", k, s)
		}
		mean += l.bpe / 4
	}
	// The pan: temperature by its compartments, steam by its two meters.
	tc, _ := steam.Tsat(100)
	lc, _ := steam.LatentHeat(100)
	lv, _ := steam.LatentHeat(16)
	near("CP.temperature_difference", float64(tc-ts)-mean, 1e-9)
	near("CP.evaporation", 2.5*float64(lc/lv), 1e-9)
	near("CP.K1.evaporation", 1.5*float64(lc/lv), 1e-9)
	near("CP.K1.u", 1.5/3.6*float64(lc)/(60*(float64(tc-ts)-7.6)), 1e-9)
	for path, why := range map[string]string{
		"CP.K5.supersaturation":         "no usable vapour pressure", // it has its own gauge
		"CP.K1.crystal_content":         "no usable massecuite Brix",
		"CP.K3.evaporation":             "no usable steam flow",
		"CP.K2.u":                       "no heating surface in the configuration",
		"CP.u":                          "no heating surface in the configuration",
		"CP.K5.boiling_point_elevation": "no usable vapour pressure",
	} {
		if v := got[path]; v.Point.Usable() || v.Reason.String() != why {
			t.Errorf("%s: %v, %q; want %q", path, v.Point, v.Reason, why)
		}
	}
	// No strikes, and nothing of one.
	for _, n := range []string{"phase_found", "phase_time", "strike_time", "water_evaporated", "supersaturation", "mother_liquor_brix", "boiling_point_elevation"} {
		if _, ok := x.h.Find("CP." + n); ok {
			t.Errorf("a continuous pan has the tag %s", n)
		}
	}
	if s := x.c.Strikes(); len(s) != 0 {
		t.Errorf("strikes %+v", s)
	}

	// A bad thermometer takes its own compartment's values only.
	tag, _ := x.h.Find("CP.K2.massecuite_temperature")
	x.f.Points[tag.ID] = plant.BadPoint(start, plant.BadNoData)
	got = x.step()
	if v := got["CP.K2.supersaturation"]; v.Point.Usable() || v.Reason != "no usable massecuite temperature" {
		t.Errorf("%v %q", v.Point, v.Reason)
	}
	near("CP.K3.supersaturation", 1.2, 0.017)
	near("CP.temperature_difference", float64(tc-ts)-(7.6+8.7+9.2)/3, 1e-9)
	// A dry compartment says so.
	x.put("CP.K3.level", 5)
	if v := x.step()["CP.K3.supersaturation"]; v.Point.Usable() || v.Reason != "the compartment is dry" {
		t.Errorf("%v %q", v.Point, v.Reason)
	}
	x.put("CP.K3.level", 80)
	// A bad pressure of the shared vapour space takes all but the one with its own.
	x.put("CP.K5.vapour_pressure", 16)
	x.put("CP.K5.massecuite_temperature", float64(ts)+8)
	tag, _ = x.h.Find("CP.vapour_pressure")
	x.f.Points[tag.ID] = plant.BadPoint(start, plant.BadNoData)
	got = x.step()
	if v := got["CP.K1.supersaturation"]; v.Point.Usable() || v.Reason != "no usable vapour pressure" {
		t.Errorf("%v %q", v.Point, v.Reason)
	}
	near("CP.K5.boiling_point_elevation", 8, 1e-9)
}

// testdata/examples/17: massecuite of 92 Brix over a liquor of 81.488411 holds 56.783828 %
// crystal. The liquor is set by its elevation.
func TestContinuousPanCrystal(t *testing.T) {
	x := newContinuous(t)
	ts, err := steam.Tsat(16)
	if err != nil {
		t.Fatal(err)
	}
	bpe, _, err := liquor.Accept(liquor.BatterhamNorgate.Elevation(81.488411, 68, 16, 0))
	if err != nil {
		t.Fatal(err)
	}
	x.put("CP.vapour_pressure", 16)
	for _, k := range []string{"K1", "K2"} {
		x.put("CP."+k+".massecuite_temperature", float64(ts)+bpe)
	}
	x.put("CP.K1.massecuite_brix", 92)
	x.put("CP.K2.massecuite_brix", 91)
	got := x.step()
	if v := got["CP.K1.crystal_content"]; !v.Point.Usable() || math.Abs(v.Point.Value-56.783828) > 1e-6 {
		t.Errorf("crystal %v, %s", v.Point.Value, v.Reason)
	}
	if v := got["CP.K2.crystal_content"]; !v.Point.Usable() || !strings.HasPrefix(v.Reason.String(), "K1: more crystal in the compartment before") {
		t.Errorf("less crystal along the pan: %v, %q", v.Point.Value, v.Reason)
	}
	x.put("CP.K2.massecuite_brix", 80)
	if v := x.step()["CP.K2.crystal_content"]; v.Point.Usable() || !strings.Contains(v.Reason.String(), "thinner than its liquor") {
		t.Errorf("thin massecuite: %v, %q", v.Point.Value, v.Reason)
	}
}

// Eight compartments at supersaturation 1.12 (the liquor of that is found by the solubility,
// its boiling point by the elevation), purity 72 falling to 64, crystal 20 rising to 50 %:
// the values come back, and what does not rise or fall as it must is named. Purity falls and
// crystal rises along the pan: sucrose goes into crystal (the trade's standard relation).
func TestContinuousPanAlong(t *testing.T) {
	var yaml strings.Builder
	yaml.WriteString(`
site: {name: Test House (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
pans:
  - name: CP
    tags: {vapour_pressure: {node: "nsu=u;s=p", unit: kPa}, seed_flow: {node: "nsu=u;s=seed", unit: t/h, accuracy: 0.1}, massecuite_flow: {node: "nsu=u;s=mc", unit: t/h, accuracy: 0.5}}
    compartments:
`)
	for k := 1; k <= 8; k++ {
		fmt.Fprintf(&yaml, "      - {name: K%d, tags: {massecuite_temperature: {node: \"nsu=u;s=t%d\"}, massecuite_brix: {node: \"nsu=u;s=b%d\"}, liquor_purity: {node: \"nsu=u;s=q%d\"}}}\n", k, k, k, k)
	}
	x := load(t, yaml.String())
	ts, err := steam.Tsat(14.5)
	if err != nil {
		t.Fatal(err)
	}
	x.put("CP.vapour_pressure", 14.5)
	for i := range 8 {
		a := float64(i) / 7
		purity := 72 - 8*a
		bx, _, err := liquor.Accept(liquor.Vavrinecz.BrixAtSupersaturation(1.12, liquor.Purity(purity), ts+8, liquor.CaneImpurity()))
		if err != nil {
			t.Fatal(err)
		}
		k, _, err := liquor.Accept(liquor.StarzakPeacock.Elevation(bx, liquor.Purity(purity), 14.5, 0))
		if err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("CP.K%d.", i+1)
		x.put(name+"massecuite_temperature", float64(ts)+k)
		x.put(name+"liquor_purity", purity)
		x.put(name+"massecuite_brix", float64(bx)+(100-float64(bx))*(0.2+0.3*a))
	}
	check := func(purer, less string) map[string]thermo.Value {
		t.Helper()
		got := x.step()
		for k := 1; k <= 8; k++ {
			name := fmt.Sprintf("CP.K%d.", k)
			s, c := got[name+"supersaturation"], got[name+"crystal_content"]
			if said := strings.Contains(s.Reason.String(), "purer liquor than"); said != strings.Contains(purer, name) {
				t.Errorf("%ssupersaturation: %q", name, s.Reason)
			}
			if said := strings.Contains(c.Reason.String(), "more crystal in the compartment before"); said != strings.Contains(less, name) {
				t.Errorf("%scrystal_content: %q", name, c.Reason)
			}
		}
		return got
	}
	got := check("", "")
	for i := range 8 {
		name := fmt.Sprintf("CP.K%d.", i+1)
		if v := got[name+"supersaturation"].Point; !v.Usable() || math.Abs(v.Value-1.12) > 0.02 {
			t.Errorf("%ssupersaturation %v", name, v)
		}
		if v := got[name+"crystal_content"].Point; !v.Usable() || math.Abs(v.Value-(20+30*float64(i)/7)) > 0.01 {
			t.Errorf("%scrystal_content %v", name, v)
		}
	}
	x.put("CP.K5.liquor_purity", 71) // K4 has 68.6
	check("CP.K5.", "")
	x.put("CP.K5.liquor_purity", 69.4) // within a point
	check("", "")
	x.put("CP.K4.massecuite_temperature", 40) // not boiling: K5 is held against K3, 69.7
	x.put("CP.K5.liquor_purity", 71)
	check("CP.K5.", "")
	x.put("CP.K5.liquor_purity", 67.4)
	x.put("CP.K5.massecuite_brix", 86)
	check("", "CP.K5.")

	// Seed of 9 t/h to 30 t/h of massecuite: 30 %, and the squares of 0.1/9 and 0.5/30.
	if v := got["CP.seed_ratio"]; v.Point.Usable() || v.Reason != "no usable seed flow" {
		t.Errorf("%v %q", v.Point, v.Reason)
	}
	x.put("CP.seed_flow", 9)
	x.put("CP.massecuite_flow", 30)
	if v := x.step()["CP.seed_ratio"]; !v.Point.Usable() || math.Abs(v.Point.Value-30) > 1e-9 || math.Abs(v.Sigma-30*math.Hypot(0.1/9, 0.5/30)) > 1e-9 {
		t.Errorf("seed ratio %v +- %g (%s)", v.Point, v.Sigma, v.Reason)
	}
	x.put("CP.massecuite_flow", 0.1)
	if v := x.step()["CP.seed_ratio"]; v.Point.Usable() || v.Reason != "no massecuite leaves the pan" {
		t.Errorf("%v %q", v.Point, v.Reason)
	}
}

// The purity of the liquor runs from the pan's first value to its second.
func TestContinuousPanPurity(t *testing.T) {
	h, err := plant.Load("plant.yaml", []byte(strings.Replace(continuousYAML, "liquor_purity_pct: [68]", "liquor_purity_pct: [70, 50]", 1)))
	if err != nil {
		t.Fatal(err)
	}
	var got []float64
	for _, e := range h.Of(plant.ClassCompartment) {
		got = append(got, e.Compartment.LiquorPurityPct)
	}
	if want := []float64{70, 65, 60, 55, 60}; !slices.Equal(got, want) {
		t.Errorf("purities %v, want %v", got, want)
	}
}

// Every fault of a continuous pan is named with its line.
func TestContinuousPanFaults(t *testing.T) {
	_, err := plant.Load("plant.yaml", []byte(`
site: {name: Test House (invented)}
pans:
  - name: CP
    strike_hours: 3
    compartments:
      - {name: K1, tags: {massecuite_temprature: {value: 60}}}
      - {name: K1, heating_surface: 3}
      - {name: level, liquor_purity_pct: 300, thermometer_offset_k: 99}
`))
	if err == nil {
		t.Fatal("no fault found")
	}
	for _, want := range []string{
		"plant.yaml:8", "heating_surface",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no %q in:\n%v", want, err)
		}
	}
	_, err = plant.Load("plant.yaml", []byte(`
site: {name: Test House (invented)}
pans:
  - name: CP
    strike_hours: 3
    compartments:
      - {name: K1, tags: {massecuite_temprature: {value: 60}}}
      - {name: K1}
      - {name: level, liquor_purity_pct: 300, thermometer_offset_k: 99}
`))
	if err == nil {
		t.Fatal("no fault found")
	}
	for _, want := range []string{
		"plant.yaml:5", "a pan of compartments boils no strikes",
		"plant.yaml:7", `did you mean "massecuite_temperature"?`,
		"plant.yaml:8", "CP.K1 is there twice",
		"plant.yaml:9", `"level" is the name of a signal`, "300 is out of bounds for a purity", "99 is out of bounds for an offset",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no %q in:\n%v", want, err)
		}
	}
}

// A continuous pan has a usual band for its steam, of its own running: what departs lies
// outside, and while it stands nothing is judged. The band is what the same straight line
// gives of the readings.
func TestUsualBandOfContinuousPan(t *testing.T) {
	x := newContinuous(t)
	run := func(minutes int, vacuum, warm, steam float64) map[string]thermo.Band {
		at := x.f.At
		for k := range minutes * 3 {
			swing := 0.1 * math.Sin(float64(k)/40)
			x.put("CP.vapour_pressure", vacuum+swing)
			x.put("CP.chest_pressure", 100+swing)
			for i := range 5 {
				x.put(fmt.Sprintf("CP.K%d.massecuite_temperature", i+1), warm+float64(i)/2+5*swing)
			}
			x.put("CP.K1.steam_flow", steam*(1+swing))
			x.put("CP.K2.steam_flow", steam*(1-swing))
			at = at.Add(20 * time.Second)
			for _, v := range x.c.Step(x.f, at) {
				x.f.Points[v.Tag] = v.Point
			}
			x.f.At = at
		}
		bands := map[string]thermo.Band{}
		for id, b := range x.c.Usual(x.f, at) {
			bands[x.h.Tags[id].Path] = b
		}
		return bands
	}
	x.f.At = start
	if early := run(11*60, 16, 63, 1.5); len(early) > 0 {
		t.Errorf("after eleven hours: %v", early)
	}
	got := run(3*60, 16, 63, 1.5)
	for _, path := range []string{"CP.vapour_pressure", "CP.K1.massecuite_temperature", "CP.K2.boiling_point_elevation", "CP.K3.supersaturation", "CP.K1.evaporation"} {
		if b, known := got[path]; !known || b.Departs() != 0 || b.Strike {
			t.Errorf("%s as ever: %+v, known %t", path, b, known)
		}
	}
	if b := got["CP.K1.massecuite_temperature"]; b.Low < 61 || b.High > 65 || b.High-b.Low > 3 {
		t.Errorf("63 +- 0.5 degC lies usually in %+v", b)
	}
	got = run(4, 19, 60, 1.5)
	if got["CP.vapour_pressure"].Departs() != 1 || got["CP.K1.massecuite_temperature"].Departs() != -1 {
		t.Errorf("vacuum and thermometer off: %+v", got)
	}
	if got = run(4, 95, 40, 0); len(got) > 0 {
		t.Errorf("of a pan that stands: %+v", got)
	}
}
