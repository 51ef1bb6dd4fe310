package rules

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// What is well-formed but goes wrong while it runs ends as Unknown, with a
// fault of the rule that says why; never as a number, a truth or a panic.
func TestHostileAtRun(t *testing.T) {
	nested := "odd"
	for range 45 {
		nested = "abs(" + nested + " - 1)"
	}
	for _, c := range []struct {
		when  string
		odd   float64
		raise plant.Truth
		fault string // part of the reason; "" for none
	}{
		{"1 / odd > 0", 0, plant.Unknown, "division by zero"},
		{"odd / (odd - odd) > 0", 5, plant.Unknown, "division by zero"},
		{"odd / odd > 0", 0, plant.Unknown, "not a finite number"},
		{"sqrt(odd) > 1", -1, plant.Unknown, "not a finite number"},
		{"sqrt(odd) > 1", 4, plant.True, ""},
		{"odd * odd > 1", 1e200, plant.Unknown, "not a finite number"},
		{"odd - odd * 10 > 1", math.MaxFloat64, plant.Unknown, "not a finite number"},
		{"odd > 1", math.Inf(1), plant.Unknown, ""}, // a bad value, no fault of the rule
		{"odd > 1", math.NaN(), plant.Unknown, ""},
		{"abs(odd) > 1", math.Inf(-1), plant.Unknown, ""},
		{"1 / odd > 0 or EV.EV1.level > pct(10)", 0, plant.True, "division by zero"},
		{"1 / odd > 0 and EV.EV1.level > pct(90)", 0, plant.False, "division by zero"},
		{"not (1 / odd > 0)", 0, plant.Unknown, "division by zero"},
		{"(odd > 0 ? 1 / odd : 5) > 3", 0, plant.True, ""},
		{nested + " >= 0", 3, plant.True, ""},
		{"min(1 / odd, 3) > 0", 0, plant.Unknown, ""}, // min of +Inf and 3 may be 3; see below
	} {
		b := newBench(t, "alarms:\n  - name: a\n   "+texts+"    when: "+fmt.Sprintf("%q", c.when)+"\n")
		b.set("EV.EV1.level", 40, plant.Good, t0)
		in := b.sample("odd", c.odd, t0)["a"]
		if strings.HasPrefix(c.when, "min(") {
			if math.IsInf(in.Value, 0) || math.IsNaN(in.Value) && in.Raise != plant.Unknown {
				t.Errorf("%.60s: %v %s", c.when, in.Value, in.Raise)
			}
			continue
		}
		if in.Raise != c.raise {
			t.Errorf("%.60s with %g: %s, want %s", c.when, c.odd, in.Raise, c.raise)
		}
		if math.IsInf(in.Value, 0) {
			t.Errorf("%.60s with %g: value %g", c.when, c.odd, in.Value)
		}
		fs := b.Faults()
		switch {
		case c.fault == "" && len(fs) > 0:
			t.Errorf("%.60s with %g: fault %+v", c.when, c.odd, fs)
		case c.fault != "" && (len(fs) != 1 || !strings.Contains(fs[0].Reason.String(), c.fault)):
			t.Errorf("%.60s with %g: faults %+v, want %q", c.when, c.odd, fs, c.fault)
		}
	}
}

// A tag that vanishes while the rule runs leaves it undecided, and the rule
// decides again when the tag is back.
func TestVanishingTag(t *testing.T) {
	for _, when := range []string{"EV.EV1.level > pct(30)", "EV.EV1.level * 2 > EV.EV2.level + pct(10)", "avg(EV.EV1.level, \"10s\") > pct(30)"} {
		b := newBench(t, rule("when: "+when))
		b.set("EV.EV2.level", 20, plant.Good, t0)
		at := t0
		step := func(q plant.Quality) plant.AlarmInput {
			var in plant.AlarmInput
			for range 21 {
				at = at.Add(time.Second)
				out := b.sampleQ("EV.EV1.level", 40, q, at)
				if s, _ := b.scan(at); len(s) > 0 {
					out = s
				}
				in = out["a"]
			}
			return in
		}
		if in := step(plant.Good); in.Raise != plant.True {
			t.Errorf("%s: %s", when, in.Raise)
		}
		if in := step(plant.BadNoData); in.Raise != plant.Unknown || !in.Quality.IsBad() {
			t.Errorf("%s without its tag: %s %s", when, in.Raise, in.Quality)
		}
		if in := step(plant.Good); in.Raise != plant.True || !in.Quality.IsGood() {
			t.Errorf("%s with its tag back: %s %s", when, in.Raise, in.Quality)
		}
		if fs := b.Faults(); len(fs) > 0 {
			t.Errorf("%s: a missing value is no fault of the rule: %+v", when, fs)
		}
	}
}

// Units that do not belong together are refused with both named; those that
// do are converted, so that kPa and bar cannot be mixed up.
func TestUnitMixUps(t *testing.T) {
	for when, want := range map[string]string{
		"EV.EV1.vapour_pressure > pct(20)":                   "pressure",
		"EV.EV1.vapour_pressure > EV.EV1.level":              "pressure",
		"EV.EV1.juice_temperature > K(60)":                   "temperature",
		"EV.EV1.vapour_pressure + EV.EV1.level > kPa(3)":     "pressure",
		"slope(EV.EV1.vapour_pressure, \"1h\") > kPa(3)":     "hour",
		"EV.EV1.vapour_pressure > bogus(1)":                  "bogus",
		"EV.EV1.vapour_pressure > unit(1, \"furlong\")":      "furlong",
		"EV.EV1.vapour_presure > kPa(20)":                    "vapour_pressure",
		"EV.EV9.vapour_pressure > kPa(20)":                   "EV.EV9",
		"EV.EV1.vapour_pressure > unit(1, \"t/h\")":          "pressure",
		"EV.EV1.vapour_pressure > avg(EV.EV1.level, \"1h\")": "pressure",
	} {
		_, _, err := load(t, rule("when: "+fmt.Sprintf("%q", when)))
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "r1.yaml:") {
			t.Errorf("%s: %v, want %q", when, err, want)
		}
	}
	for _, when := range []string{"EV.EV1.vapour_pressure > bar(0.2)", "EV.EV1.vapour_pressure > kPa(20)", "EV.EV1.vapour_pressure > mbar(200)", "EV.EV1.vapour_pressure > vacuum(kPa(80))", "EV.EV1.vapour_pressure > gauge(bar(-0.8))"} {
		b := newBench(t, rule("when: "+when))
		for v, want := range map[float64]plant.Truth{19.9: plant.False, 20.1: plant.True} {
			if in := b.sample("EV.EV1.vapour_pressure", v, t0)["a"]; in.Raise != want {
				t.Errorf("%s at %g kPa: %s", when, v, in.Raise)
			}
		}
	}
}
