package thermo_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
)

// U is quoted for a square metre (the definition, Q = U A dT): a mill whose tubes are
// plugged at a date shows what the whole surface gives before it, and what the lesser
// surface gives after it.
func TestSurfaceChangesAtADate(t *testing.T) {
	const plain = "heating_surface_m2: 1400"
	source := string(deploy.Demo())
	if strings.Count(source, plain) != 1 {
		t.Fatal("the sample plant has another surface")
	}
	plugged := start.Add(40 * time.Minute)
	us := func(surface string) (before, after float64) {
		h, c, m, f := demoOf(t, []byte(strings.Replace(source, plain, "heating_surface_m2: "+surface, 1)), simulator.Settings{})
		u, _ := h.Find("EV.EV1.u")
		for m.Now().Before(start.Add(70 * time.Minute)) {
			m.Step(30 * time.Second)
			feed(t, h, f, m)
			for _, v := range c.Step(f, m.Now()) {
				if v.Tag == u.ID && m.Now().Before(plugged) {
					before = v.Point.Value
				} else if v.Tag == u.ID {
					after = v.Point.Value
				}
			}
		}
		return before, after
	}
	whole, _ := us("1400")
	_, less := us("1120")
	before, after := us("[{is: 1400}, {from: " + plugged.Format(time.RFC3339) + ", is: 1120}]")
	if !(whole > 0) || before != whole || math.Abs(after/less-1) > 1e-6 {
		t.Errorf("U %g then %g, want %g as with the whole surface, then %g as with the lesser", before, after, whole, less)
	}
}
