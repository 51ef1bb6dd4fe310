package thermo_test

import (
	"math"
	"testing"
	"time"

	"calandria/thermo"
	"calandria/thermo/fouling"
)

// One meaning of % of clean, of clean U and of the limit: the tags, which House,
// trends, rules and /metrics show, and the forecast, which the Cleaning page, its API
// and the command show, at one moment. The plan goes on from there.
func TestOneMeaningOfClean(t *testing.T) {
	house, c, f := load4(t)
	h := newHouse4(2)
	for range 1000 {
		h.step(5, false)
	}
	began := h.now
	clean := 0.0
	var got map[string]thermo.Value
	for hour := 0; hour < 60; hour++ {
		for range 10 {
			h.now = h.now.Add(6 * time.Minute)
			h.read(t, house, f, 360, false)
			got = byPath(house, c.Step(f, h.now))
		}
		if hour == 12 {
			if err := c.Cleaned("Q.C", began.Add(2*time.Hour), h.now); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, s := range c.Scales("Q") {
		x := &s.Forecast
		u, ratio, r := got[s.Body+".u_clean"], got[s.Body+".u_ratio"], got[s.Body+".scale_resistance"]
		if s.Body != "Q.C" && s.Body != "Q.D" { // neither record nor cleaning
			if x.Status != fouling.CleanUnknown || ratio.Point.Usable() || !x.Due.IsZero() {
				t.Errorf("%s: %s, ratio %v", s.Body, x.Status, ratio)
			}
			continue
		}
		if !ratio.Point.Usable() || ratio.Point.Value != x.Ratio || u.Point.Value != x.Clean || math.Abs(r.Point.Value-(1/x.Ratio-1)/x.Clean) > 1e-12 {
			t.Errorf("%s: tags say %.6f of %.6f, R %.6f; the forecast %.6f of %.6f", s.Body, ratio.Point.Value, u.Point.Value, r.Point.Value, x.Ratio, x.Clean)
		}
		if !(ratio.Sigma > 0 && u.Sigma > 0) {
			t.Errorf("%s: ratio ± %g, clean ± %g", s.Body, ratio.Sigma, u.Sigma)
		}
		if s.Body == "Q.C" {
			clean = x.Clean
		}
	}
	if !(clean > 0.5) {
		t.Errorf("clean U of the cleaned body: %g", clean)
	}
	p, err := c.ProposeCleanings(thermo.CleaningWish{Set: "Q", How: thermo.BodyByBody}, h.now, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Bodies) != 2 || len(p.LeftOut) != 2 || p.Priced {
		t.Errorf("%d bodies planned, %v left out", len(p.Bodies), p.LeftOut)
	}
	if _, err := c.ProposeCleanings(thermo.CleaningWish{Set: "none"}, h.now, time.UTC); err == nil {
		t.Error("a plan for a set that is not there")
	}
}
