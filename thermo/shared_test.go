package thermo_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/thermo"
)

// Each instrument of a quintuple with the usual tags reads wrong in turn, for an hour,
// after ten hours of usual running; it must be named within 45 minutes, alone or with
// at most two that explain it as well, and nobody else may be. Half an hour after it is
// put right nobody is named. Sizes of ours, what would lead an operator astray. Meters
// of juice, syrup, steam and water and the refractometers are TestSuspectIsNamed's.
//
// Not seen, because nothing else reads the same or follows from it: pressure and
// temperature of the steam (the first chest has no gauge or thermometer of its own),
// levels, heaters' inlets, the outlets of heaters that are not the last before the set
// (and of the last, where the temperature of the juice hardly moves by itself, so that
// nothing shows that both read the same).
func TestEachInstrumentIsNamed(t *testing.T) {
	h, c, m, f := demo(t, simulator.Settings{Noise: true, Disturbances: true, BrixLoop: true, WaterFollows: true})
	c.NoUncertainty()
	wrong := func() {
		for _, s := range c.Suspects() {
			t.Errorf("%s, nothing is wrong: %s", m.Now().Format("2 15:04"), s.Text)
		}
	}
	for range 20 {
		run(t, h, c, m, f, 30*time.Minute, 20*time.Second, nil)
		wrong()
	}
	for _, x := range []struct {
		path string
		size float64 // kPa, K, t/h
	}{
		{"EV.EV1.vapour_pressure", 3}, {"EV.EV1.juice_temperature", -2},
		{"EV.EV2.vapour_pressure", -3}, {"EV.EV2.juice_temperature", 2}, {"EV.EV2.chest_temperature", 2}, {"EV.EV2.chest_temperature", -2},
		{"EV.EV3.vapour_pressure", 3}, {"EV.EV3.juice_temperature", -2}, {"EV.EV3.vapour_temperature", 2}, {"EV.EV3.chest_temperature", -2}, {"EV.EV3.chest_pressure", 3},
		{"EV.EV4.vapour_pressure", -3}, {"EV.EV4.juice_temperature", 2}, {"EV.EV4.vapour_temperature", -2}, {"EV.EV4.chest_temperature", 2}, {"EV.EV4.chest_pressure", -3},
		{"EV.EV5.vapour_pressure", 1.5}, {"EV.EV5.juice_temperature", -2}, {"EV.EV5.vapour_temperature", 2}, {"EV.EV5.chest_temperature", -2},
		{"EV.juice_flow", 6}, {"EV.EV1.final_heater.liquid_flow", -6}, {"EV.juice_temperature", 2},
	} {
		if err := m.Fault(x.path, simulator.Offset, x.size); err != nil {
			t.Fatal(err)
		}
		var named []thermo.Suspect
		var after time.Duration
		for range 6 {
			run(t, h, c, m, f, 10*time.Minute, 20*time.Second, nil)
			if after += 10 * time.Minute; len(named) == 0 {
				named = slices.Clone(c.Suspects())
			}
			for _, s := range c.Suspects() {
				if !slices.Contains(append(slices.Clone(s.Tags), s.Alike...), x.path) {
					t.Errorf("%s %+g: %s is named", x.path, x.size, s.Text)
				}
			}
			if len(named) > 0 {
				break
			}
		}
		switch {
		case len(named) == 0:
			t.Errorf("%s %+g: nobody is named", x.path, x.size)
		default:
			t.Logf("%s %+g: after %s %s", x.path, x.size, after, named[0].Text)
			if len(named[0].Alike) > 2 || !strings.Contains(named[0].Text, x.path) {
				t.Errorf("%s %+g: %s", x.path, x.size, named[0].Text)
			}
		}
		_ = m.Fault(x.path, simulator.NoFault, 0)
		run(t, h, c, m, f, 80*time.Minute, 20*time.Second, nil)
		wrong()
	}
}
