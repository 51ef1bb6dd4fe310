package thermo_test

import (
	"math"
	"strings"
	"testing"

	"calandria/plant"
	"calandria/thermo"
)

// The velocity is that of continuity, with the specific volume of the vapour at the
// juice's temperature, some 0.5 % under the ideal gas at such pressures; it exists where the
// diameter is known only, and says why it is absent.
func TestVapourVelocity(t *testing.T) {
	text := strings.Replace(beetYAML, "        heating_surface_m2: 1350\n", "        heating_surface_m2: 1350\n        diameter_m: 4.2\n", 1)
	house, err := plant.Load("p.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(house)
	if err != nil {
		t.Fatal(err)
	}
	f := plant.NewFrame(len(house.Tags))
	h := newHouse4(2)
	for range 1000 {
		h.step(5, false)
	}
	h.read(t, house, f, 5, false)
	got := byPath(house, c.Step(f, h.now))
	if _, ok := house.Find("Q.C.vapour_velocity"); ok {
		t.Error("a body without a diameter has a velocity")
	}
	p, ok := house.Find("Q.D.vapour_pressure")
	if !ok {
		t.Fatal("no pressure")
	}
	v := func(n string) thermo.Value { return got["Q.D."+n] }
	volume := 0.461526 * (v("boiling_temperature").Point.Value + 273.15) / f.Points[p.ID].Value
	want := v("evaporation").Point.Value / 3.6 * volume / (math.Pi / 4 * 4.2 * 4.2)
	w := v("vapour_velocity")
	if !w.Point.Usable() || math.Abs(w.Point.Value/want-1) > 0.006 {
		t.Errorf("velocity %g (%s), by the ideal gas %g", w.Point.Value, w.Reason, want)
	}
	if e := v("evaporation"); w.How != e.How || w.Sigma/w.Point.Value < e.Sigma/e.Point.Value {
		t.Errorf("velocity %s +- %g %%, evaporation %s +- %g %%", w.How, 100*w.Sigma/w.Point.Value, e.How, 100*e.Sigma/e.Point.Value)
	}
	f.Points[p.ID] = plant.BadPoint(h.now, plant.BadNoData)
	if w := byPath(house, c.Step(f, h.now))["Q.D.vapour_velocity"]; w.Point.Usable() || w.Reason == "" {
		t.Errorf("without a pressure: %v %q", w.Point, w.Reason)
	}
	_, err = plant.Load("p.yaml", []byte(strings.Replace(text, "diameter_m: 4.2", "diameter_m: 42", 1)))
	if err == nil || !strings.Contains(err.Error(), "diameter_m") || !strings.Contains(err.Error(), "p.yaml:") {
		t.Errorf("a diameter of 42 m: %v", err)
	}
}
