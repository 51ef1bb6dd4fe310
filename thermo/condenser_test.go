package thermo_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/steam"
)

// With the last body by-passed the condenser takes the vapour of the one before it, by its
// pressure and its evaporation; a set that gets neither steam nor juice sends none.
func TestCondenserOfSet(t *testing.T) {
	house, err := plant.Load("p.yaml", []byte(beetYAML))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(house)
	if err != nil {
		t.Fatal(err)
	}
	c.NoReconciliation()
	f := plant.NewFrame(len(house.Tags))
	h := newHouse4(2)
	for range 1000 {
		h.step(5, false)
	}
	h.read(t, house, f, 5, false)
	at := h.now
	put := func(path string, v float64) {
		t.Helper()
		tag, ok := house.Find(path)
		if !ok {
			t.Fatalf("no tag %s", path)
		}
		f.Points[tag.ID] = plant.Point{Time: at, Value: v, Quality: plant.Good}
	}
	read := func(path string) float64 {
		tag, _ := house.Find(path)
		return f.Points[tag.ID].Value
	}
	step := func() map[string]thermo.Value {
		at = at.Add(20 * time.Minute)
		return byPath(house, c.Step(f, at))
	}
	put("C.water_inlet_temperature", 28)
	put("C.water_outlet_temperature", 40)
	approach := func(body string) float64 {
		ts, err := steam.Tsat(steam.KPa(read("Q." + body + ".vapour_pressure")))
		if err != nil {
			t.Fatal(err)
		}
		return float64(ts) - 40
	}
	got := step()
	if v := got["C.approach"]; !v.Point.Usable() || math.Abs(v.Point.Value-approach("D")) > 1e-9 {
		t.Fatalf("approach %+v, want %g", v, approach("D"))
	}
	put("Q.D.cleaning", 1)
	put("Q.D.vapour_pressure", 101)
	got = step()
	if v := got["C.approach"]; !v.Point.Usable() || math.Abs(v.Point.Value-approach("C")) > 1e-9 {
		t.Errorf("approach with the last body by-passed %+v, want %g", v, approach("C"))
	}
	need, ratio, e := got["C.water_need"], got["C.water_ratio"], got["Q.C.evaporation"]
	if !need.Point.Usable() || !e.Point.Usable() || math.Abs(need.Point.Value/(ratio.Point.Value*e.Point.Value)-1) > 1e-9 {
		t.Errorf("water_need %+v, evaporation of the last body at work %+v", need, e)
	}
	put("Q.D.cleaning", 0)
	put("Q.juice_volume_flow", 0)
	put("Q.steam_flow", 0)
	put("Q.steam_make_up_flow", 0)
	for _, n := range []string{"approach", "water_ratio", "water_need"} {
		if v := step()["C."+n]; v.Point.Usable() || !strings.Contains(v.Reason.String(), "at rest") {
			t.Errorf("%s of a set at rest: %v, %q", n, v.Point, v.Reason)
		}
	}
	put("Q.steam_flow", 20) // one of the two says that it runs
	if v := step()["C.approach"]; !v.Point.Usable() {
		t.Errorf("approach with steam and no juice: %q", v.Reason)
	}
}
