package thermo_test

import (
	"math"
	"testing"
	"time"

	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/steam"
)

// The water of a strike is the sum of the live evaporation, and that the ratio of the latent
// heats (the definitions; steam of 8 t/h at 100 kPa into a pan at 16 kPa).
func TestWaterIsSumOfEvaporation(t *testing.T) {
	h, err := plant.Load("plant.yaml", []byte(`
site: {name: Test House (invented)}
pans:
  - name: BP
    liquor_purity_pct: [80, 70]
    tags:
      vapour_pressure: {value: 16}
      massecuite_temperature: {value: 63}
      chest_pressure: {value: 100}
      level: {value: 60}
      feed_valve: {value: 50}
      steam_flow: {value: 8}
`))
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
	at := start
	value := func(name string) float64 {
		t.Helper()
		for _, v := range c.Step(f, at) {
			if h.Tags[v.Tag].Path == "BP."+name {
				if !v.Point.Usable() {
					t.Fatalf("%s: %s", name, v.Reason)
				}
				return v.Point.Value
			}
		}
		t.Fatalf("no %s", name)
		return 0
	}
	for range 600 {
		at = at.Add(time.Second)
		c.Step(f, at)
	}
	before := value("water_evaporated")
	for range 3600 {
		at = at.Add(time.Second)
		c.Step(f, at)
	}
	lc, _ := steam.LatentHeat(100)
	lv, _ := steam.LatentHeat(16)
	want := 8 * float64(lc/lv)
	if got := value("evaporation"); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("evaporation %g t/h, want %g", got, want)
	}
	if got := value("water_evaporated") - before; math.Abs(got/want-1) > 1e-6 {
		t.Errorf("water of an hour %g t, want %g", got, want)
	}
}
