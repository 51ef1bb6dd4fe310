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
	if testing.Short() {
		t.Skip("left to make test: long")
	}
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
			if len(named[0].Alike) > 2 || !strings.Contains(named[0].Text.String(), x.path) {
				t.Errorf("%s %+g: %s", x.path, x.size, named[0].Text)
			}
		}
		_ = m.Fault(x.path, simulator.NoFault, 0)
		run(t, h, c, m, f, 80*time.Minute, 20*time.Second, nil)
		wrong()
	}
}

// A new difference is not learned away while it stands, for three days; then it is
// what the instrument usually reads. Ones that were there from the start are the
// formulas' to see: 1 K on a chest thermometer is not enough for that.
func TestNewDifferenceIsKept(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	h, c, m, f := demo(t, simulator.Settings{Noise: true, Disturbances: true, BrixLoop: true, WaterFollows: true})
	c.NoUncertainty()
	run(t, h, c, m, f, 10*time.Hour, time.Minute, nil)
	if s := c.Suspects(); len(s) > 0 {
		t.Fatalf("before: %s", s[0].Text)
	}
	if err := m.Fault("EV.EV3.chest_temperature", simulator.Offset, 1); err != nil {
		t.Fatal(err)
	}
	run(t, h, c, m, f, time.Hour, time.Minute, nil)
	since := m.Now().Add(-time.Hour)
	for day := range 3 {
		s := c.Suspects()
		if len(s) != 1 || s[0].Tags[0] != "EV.EV3.chest_temperature" || s[0].Bias < 0.8 || s[0].Bias > 1.2 {
			t.Fatalf("day %d: %+v", day+1, s)
		}
		if s[0].Since.Sub(since) > time.Hour {
			t.Errorf("day %d: since %s, it began at %s", day+1, s[0].Since, since)
		}
		if day < 2 {
			run(t, h, c, m, f, 24*time.Hour, time.Minute, nil)
		}
	}
	run(t, h, c, m, f, 36*time.Hour, time.Minute, nil)
	if s := c.Suspects(); len(s) > 0 {
		t.Errorf("after three and a half days: %s", s[0].Text)
	}
}

// Gas in a calandria makes its thermometer read low and is no instrument: it is said,
// and instruments_contradict does not come of it.
func TestGasIsNoInstrument(t *testing.T) {
	h, c, m, f := demo(t, simulator.Settings{Noise: true, Disturbances: true, BrixLoop: true, WaterFollows: true})
	c.NoUncertainty()
	run(t, h, c, m, f, 10*time.Hour, 20*time.Second, nil)
	if err := m.Start("gas-ev4"); err != nil {
		t.Fatal(err)
	}
	said := false
	run(t, h, c, m, f, 4*time.Hour, 20*time.Second, func(v map[string]thermo.Value) {
		g := v["EV.gross_error"]
		if g.Point.Usable() && g.Point.Value > 0 {
			t.Fatalf("%s: %s", m.Now().Format("15:04"), g.Reason)
		}
		said = said || strings.Contains(g.Reason.String(), "EV.EV4.chest_temperature") && strings.Contains(g.Reason.String(), "gas in the calandria")
		for _, s := range c.Suspects() {
			if s.Tags[0] != "EV.EV4.chest_temperature" {
				t.Fatalf("%s: %s", m.Now().Format("15:04"), s.Text)
			}
		}
	})
	if !said {
		t.Error("nothing is said of it")
	}
}

// Over a cleaning of the set and the start after it nobody is named.
func TestNobodyIsNamedAcrossACleaning(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	h, c, _, f := demo(t, simulator.Settings{})
	c.NoUncertainty()
	m := simulator.NewWith(31, start, simulator.Everything())
	m.SetService(10.4)
	away := false
	for range 60 {
		got := run(t, h, c, m, f, time.Hour, 20*time.Second, nil)
		away = away || !got["EV.evaporation"].Point.Usable()
		for _, s := range c.Suspects() {
			t.Errorf("%s: %s", m.Now().Format("2 15:04"), s.Text)
		}
	}
	if !away {
		t.Error("the set was not cleaned")
	}
}

// An instrument that was named and then sends nothing is no longer suspected after two
// hours, and the others are still compared.
func TestSuspectThatFallsSilent(t *testing.T) {
	h, c, m, f := demo(t, simulator.Settings{Noise: true, Disturbances: true, BrixLoop: true, WaterFollows: true})
	c.NoUncertainty()
	run(t, h, c, m, f, 10*time.Hour, time.Minute, nil)
	for _, x := range []struct {
		kind  simulator.FaultKind
		path  string
		size  float64
		after time.Duration
		named string
	}{
		{simulator.Offset, "EV.EV3.chest_temperature", 1, 80 * time.Minute, "EV.EV3.chest_temperature"},
		{simulator.Open, "EV.EV3.chest_temperature", 0, 4 * time.Hour, ""},
		{simulator.Offset, "EV.EV2.juice_temperature", 2, 80 * time.Minute, "EV.EV2.juice_temperature"},
	} {
		if err := m.Fault(x.path, x.kind, x.size); err != nil {
			t.Fatal(err)
		}
		run(t, h, c, m, f, x.after, time.Minute, nil)
		named := ""
		for _, s := range c.Suspects() {
			named += strings.Join(s.Tags, " ")
		}
		if named != x.named {
			t.Errorf("%s, fault %d: %q is named, want %q", x.path, x.kind, named, x.named)
		}
	}
}
