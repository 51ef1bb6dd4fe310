package rules

import (
	"strings"
	"testing"
)

// A text states the limit in force, with its unit, also after an override.
func TestTextsStateTheLimit(t *testing.T) {
	const file = `alarms:
  - name: level
    for: body
    title: "{title}: level above {limit}"
    tag: this.level
    unit: "%"
    high: 70
    severity: severe
    time_to_respond: 4m
    cause: above {limit}
    consequence: c
    response: r
    override: {EV.EV2: {high: 60}}
  - name: mean
    title: "more than {limit.rise} in the hour, {limit.factor} times"
    when: avg(EV.EV1.level, "1m") > avg(EV.EV1.level, "1h") + limit.rise and EV.EV1.level > limit.factor * 10
    limits: {rise: pct(12.5), factor: "1.20"}
    severity: severe
    time_to_respond: 4m
    cause: c
    consequence: c
    response: r
  - name: odd
    title: "{limit.unknown}"
    tag: EV.EV1.level
    unit: "%"
    high: 70
    severity: severe
    time_to_respond: 4m
    cause: c
    consequence: c
    response: r
`
	_, _, err := load(t, file)
	if err == nil || !strings.Contains(err.Error(), "text with {limit.unknown}") {
		t.Errorf("a name that is no limit: %v", err)
	}
	s, _ := mustLoad(t, file[:strings.Index(file, "  - name: odd")])
	want := map[string]string{"level.EV.EV1": "level above 70 %", "level.EV.EV2": "level above 60 %", "mean": "more than 12.5 % in the hour, 1.20 times"}
	for _, a := range s.Alarms() {
		if w, ok := want[a.Name]; ok && !strings.Contains(a.Title, w) {
			t.Errorf("%s: %q, want %q in it", a.Name, a.Title, w)
		}
		if a.Name == "level.EV.EV2" && a.Cause != "above 60 %" {
			t.Errorf("cause %q", a.Cause)
		}
	}
}

func TestLimitWords(t *testing.T) {
	for text, want := range map[string]string{"K(12.5)": "12.5 K", "pct(1.8)": "1.8 %", "days(11)": "11 d", "minutes(30)": "30 min", "gauge(kPa(-8))": "-8 kPa gauge",
		"1.20": "1.20", "m2K_kW(0.04)": "0.04 m2.K/kW", "1.1 * K(3)": "1.1 * K(3)", "apples(3)": "apples(3)"} {
		if got := limitWords(text); got != want {
			t.Errorf("%s: %q, want %q", text, got, want)
		}
	}
}

// The value an alarm shows stands beside its limit, also under a mean, an amount
// or further conditions; where the value is another, no limit is claimed.
func TestLimitBesideTheValue(t *testing.T) {
	for when, want := range map[string]bool{
		`avg(EV.EV1.level, "1m") > pct(60) and EV.EV2.level > pct(1)`:                   true,
		"EV.EV1.level > pct(60) and EV.EV2.level > pct(1)\nvalue: EV.EV1.level":         true,
		"abs(EV.EV1.level - EV.EV2.level) > pct(6)\nvalue: EV.EV1.level - EV.EV2.level": true,
		"EV.EV1.level > pct(60)\nvalue: EV.EV2.level":                                   false,
		`EV.EV1.level > avg(EV.EV1.level, "1h") + pct(3)`:                               false,
	} {
		s, _ := mustLoad(t, rule("when: "+when))
		if got := s.Alarms()[0].Setpoint != nil; got != want {
			t.Errorf("%s: limit %v, want %v", when, got, want)
		}
	}
}

// explain: names a calculated tag; a vessel without it keeps its alarm.
func TestExplainedBy(t *testing.T) {
	s, _ := mustLoad(t, rule("tag: EV.EV1.level\nunit: \"%\"\nhigh: 70\nexplain: EV.EV2.level"))
	if got := s.Alarms()[0].Explain; got != "EV.EV2.level" {
		t.Errorf("explain %q", got)
	}
	if _, _, err := load(t, rule("tag: EV.EV1.level\nunit: \"%\"\nhigh: 70\nexplain: EV.EV2.level + 1")); err == nil || !strings.Contains(err.Error(), "explain: is not a tag") {
		t.Errorf("an expression: %v", err)
	}
	if _, _, err := load(t, rule("tag: EV.EV1.level\nunit: \"%\"\nhigh: 70\nexplain: EV.EV2.levle")); err == nil {
		t.Error("a misspelt tag passes")
	}
}

// A deadband is said with the unit of a difference: 1 K, not 1 degC.
func TestDeadbandInWords(t *testing.T) {
	for body, want := range map[string]string{
		"tag: EV.EV2.vapour_pressure\nunit: kPa\nhigh: 70\ndeadband: 2":    "until it is back by more than the deadband of 2 kPa",
		"tag: EV.EV1.level\nunit: \"%\"\nhigh: 70\ndeadband: 5":            "until it is back by more than the deadband of 5 %",
		"tag: EV.EV1.juice_temperature\nunit: degC\nhigh: 70\ndeadband: 1": "until it is back by more than the deadband of 1 K",
	} {
		b := newBench(t, rule(body))
		if got := b.Explain(0, b.f, t0).Words; !strings.HasSuffix(got.String(), want) {
			t.Errorf("%q does not end in %q", got, want)
		}
	}
}
