package thermo_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/thermo"
)

// Pans are worked out every second, also where the readings lie beyond an equation's source:
// that must not feed the garbage collector. What grows with the strike (its profile, a point
// in two minutes) is left.
func TestPansAllocateNothing(t *testing.T) {
	yaml := strings.NewReplacer(
		"      chest_pressure:", "      seed_flow: {node: \"nsu=u;s=seed\"}\n      massecuite_flow: {node: \"nsu=u;s=mc\"}\n      chest_pressure:",
		`level: {node: "nsu=u;s=l3"}`, `level: {node: "nsu=u;s=l3"}, liquor_purity: {node: "nsu=u;s=q3"}, liquor_brix: {node: "nsu=u;s=lb3", accuracy: 0.3}`).Replace(continuousYAML) + `  - name: BP
    condenser: CX
    heating_surface_m2: 300
    liquor_purity_pct: [60, 35]
    tags:
      vapour_pressure: {node: "nsu=u;s=bp", accuracy: 0.1}
      massecuite_temperature: {node: "nsu=u;s=bt", accuracy: 0.1}
      chest_pressure: {node: "nsu=u;s=bc", accuracy: 0.5}
      level: {node: "nsu=u;s=bl"}
      feed_valve: {node: "nsu=u;s=bf"}
      steam_flow: {node: "nsu=u;s=bs", unit: t/h, accuracy_pct: 1}
      discharge_valve: {node: "nsu=u;s=bd"}
      massecuite_brix: {node: "nsu=u;s=bb"}
condensers:
  - name: CX
    tags: {water_inlet_temperature: {node: "nsu=u;s=wi"}, water_outlet_temperature: {node: "nsu=u;s=wo"}, water_flow: {node: "nsu=u;s=ww", unit: t/h}}
`
	h, err := plant.Load("plant.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(h)
	if err != nil {
		t.Fatal(err)
	}
	f := plant.NewFrame(len(h.Tags))
	at := start
	put := func(path string, v float64) {
		tag, ok := h.Find(path)
		if !ok {
			t.Fatalf("no tag %s", path)
		}
		f.Points[tag.ID] = plant.Point{Time: at, Value: v, Quality: plant.Good}
	}
	run := func(d time.Duration) {
		for range int(d / time.Second) {
			at = at.Add(time.Second)
			c.Step(f, at)
		}
	}
	put("CP.vapour_pressure", 16)
	put("CP.chest_pressure", 100)
	for k := range 5 {
		put(fmt.Sprintf("CP.K%d.massecuite_temperature", k+1), 64)
	}
	put("CP.K5.vapour_pressure", 16)
	put("CP.K5.massecuite_brix", 90)
	put("CP.K3.liquor_purity", 75) // purer than before it
	put("CP.K3.liquor_brix", 80)
	put("CP.K3.level", 80)
	put("CP.seed_flow", 9)
	put("CP.massecuite_flow", 30)
	put("CX.water_inlet_temperature", 30)
	put("CX.water_outlet_temperature", 46)
	put("CX.water_flow", 200)
	put("BP.discharge_valve", 0)
	put("BP.massecuite_brix", 88)
	put("BP.chest_pressure", 100)
	for _, phase := range []struct {
		what                                           string
		pressure, temperature, level, feed, flow, most float64
	}{
		{"idle", 101, 40, 0, 0, 0, 0},
		{"charge", 16, 62, 30, 0, 5, 0},
		{"feed on", 16, 63, 60, 50, 8, 0},
		{"feed on, purity and Brix beyond the sources", 16, 73, 95, 50, 8, 0},
		{"too hot for the vacuum: no Brix at all", 16, 94, 95, 50, 8, 12}, // the errors
		{"tighten", 16, 66, 97, 0, 4, 0},
		{"drop", 101, 70, 60, 0, 0, 0},
	} {
		put("BP.vapour_pressure", phase.pressure)
		put("BP.massecuite_temperature", phase.temperature)
		put("BP.level", phase.level)
		put("BP.feed_valve", phase.feed)
		put("BP.steam_flow", phase.flow)
		run(10 * time.Minute)
		got := testing.AllocsPerRun(300, func() {
			at = at.Add(time.Second)
			c.Step(f, at)
		})
		if got > phase.most {
			t.Errorf("%s: %g allocations a step, want at most %g", phase.what, got, phase.most)
		}
	}
}
