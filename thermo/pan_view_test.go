package thermo_test

import (
	"math"
	"testing"
	"time"

	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/liquor"
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

// A refractometer for the mother liquor is believed before the boiling point: rows of
// testdata/properties/supersaturation.csv (78 Brix, purity 95, 65 degC: 1.1194751; 80, 85,
// 66: 1.1563077). It does not mind a moving vacuum; while it fails the boiling point stands
// in.
func TestLiquorBrixMeasured(t *testing.T) {
	x := load(t, `
site: {name: Test House (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
pans:
  - name: BP
    tags:
      vapour_pressure: {node: "nsu=u;s=p"}
      massecuite_temperature: {node: "nsu=u;s=t"}
      liquor_brix: {node: "nsu=u;s=b", accuracy: 0.3}
      liquor_purity: {node: "nsu=u;s=q"}
`)
	x.put("BP.vapour_pressure", 16)
	for _, c := range []struct{ brix, purity, temperature, want float64 }{{78, 95, 65, 1.1194751}, {80, 85, 66, 1.1563077}} {
		x.put("BP.massecuite_temperature", c.temperature)
		x.put("BP.liquor_brix", c.brix)
		x.put("BP.liquor_purity", c.purity)
		got := x.step()
		if v := got["BP.supersaturation"]; !v.Point.Usable() || math.Abs(v.Point.Value-c.want) > 1e-7 || v.Sigma < 0.02 || v.Sigma > 0.06 {
			t.Errorf("supersaturation %+v, want %g", v, c.want)
		}
		if v := got["BP.mother_liquor_brix"]; math.Abs(v.Point.Value-c.brix) > 1e-9 || v.How != "measured" || v.Sigma != 0.3 {
			t.Errorf("mother_liquor_brix %+v", v)
		}
	}
	tag, _ := x.h.Find("BP.liquor_brix")
	x.f.Points[tag.ID] = plant.BadPoint(start, plant.BadNoData)
	ts, err := steam.Tsat(16)
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := liquor.Accept(liquor.StarzakPeacock.BrixFromElevation(66-float64(ts), 85, 16, 0))
	if err != nil {
		t.Fatal(err)
	}
	if v := x.step()["BP.mother_liquor_brix"]; !v.Point.Usable() || math.Abs(v.Point.Value-float64(b)) > 1e-6 || v.How != "balanced" {
		t.Errorf("by the boiling point %+v, want %g", v, float64(b))
	}
	// The vacuum falls by 3 kPa within seconds.
	x.put("BP.liquor_brix", 80)
	x.step()
	x.put("BP.vapour_pressure", 13)
	x.f.At = x.f.At.Add(20 * time.Second)
	got := byPath(x.h, x.c.Step(x.f, x.f.At))
	if v := got["BP.boiling_point_elevation"]; !v.Point.Quality.IsUncertain() {
		t.Errorf("elevation while the vacuum moves: %v", v.Point)
	}
	if v := got["BP.supersaturation"]; !v.Point.Quality.IsGood() || math.Abs(v.Point.Value-1.1563077) > 1e-7 {
		t.Errorf("supersaturation while the vacuum moves: %v", v.Point)
	}
}
