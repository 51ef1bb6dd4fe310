package thermo_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/thermo"
)

// Steam on cane by definition: measured steam over the rate of crushing, else the steam by
// balance; a doubtful rate does not make the balances doubtful.
func TestSteamOnCane(t *testing.T) {
	house, err := plant.Load("p.yaml", []byte(strings.Replace(beetYAML, "      syrup_temperature:", "      cane_rate: {node: \"nsu=u;s=cane\", unit: t/h, accuracy_pct: 1}\n      syrup_temperature:", 1)))
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
	put := func(path string, v float64, q plant.Quality) {
		tag, ok := house.Find(path)
		if !ok {
			t.Fatal(path)
		}
		f.Points[tag.ID] = plant.Point{Time: at, Value: v, Quality: q}
	}
	step := func() map[string]thermo.Value {
		at = at.Add(20 * time.Minute)
		return byPath(house, c.Step(f, at))
	}
	put("Q.cane_rate", 400, plant.Good)
	put("Q.steam_flow", 60, plant.Good)
	put("Q.steam_make_up_flow", 20, plant.Good)
	v := step()["Q.steam_on_cane"]
	// 1 % of 60 t/h, 2 % of 20 and 1 % of the rate.
	want := 20 * math.Hypot(math.Hypot(0.6, 0.4)/80, 0.01)
	if math.Abs(v.Point.Value-20) > 1e-6 || math.Abs(v.Sigma-want) > 1e-6 || v.How != "measured" || !v.Point.Quality.IsGood() {
		t.Errorf("%+v, want 20 +- %g", v, want)
	}
	put("Q.steam_flow", math.NaN(), plant.BadNoData)
	var s thermo.Value
	for range 5 { // the balances settle
		got := step()
		v, s = got["Q.steam_on_cane"], got["Q.steam_calculated"]
	}
	if math.Abs(v.Point.Value-s.Point.Value/4) > 1e-6 || v.How != s.How || v.Point.Quality != s.Point.Quality {
		t.Errorf("%+v beside steam by balance %+v", v, s)
	}
	before := s.Point.Quality
	put("Q.cane_rate", 400, plant.UncertainSensor)
	got := step()
	v, s = got["Q.steam_on_cane"], got["Q.steam_calculated"]
	if !v.Point.Quality.IsUncertain() || s.Point.Quality != before {
		t.Errorf("with a doubtful rate %+v, steam by balance %+v", v, s)
	}
	put("Q.cane_rate", 0, plant.Good)
	if v := step()["Q.steam_on_cane"]; v.Point.Usable() || v.Reason != "nothing is crushed" {
		t.Errorf("%+v", v)
	}
}
