package engine

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/rules"
)

const smallPlant = `site: {name: Small Mill (invented), barometer_kpa: 101}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets:
  - name: EV
    bodies:
      - name: B1
        heating_surface_m2: 100
        tags: {vapour_pressure: {node: "nsu=u;s=p", unit: kPa}, level: {node: "nsu=u;s=l", unit: "%", range: [0, 110]}}
`

const smallRules = `alarms:
  - name: level_high
    title: Level above {limit}
    tag: EV.B1.level
    unit: "%"
    high: 70
    deadband: 5
    on_delay: 1m
    severity: moderate
    time_to_respond: 4m
    cause: Valve stuck.
    consequence: Juice goes over.
    response: Reduce the feed.
    verify: Sight glass.
    hazard: None.
    procedure: "SITE PROCEDURE: levels"
`

// smallFiles reads the small plant, its rules, a table and one file of scenarios.
func smallFiles(text string) ScenarioFiles {
	all := map[string]string{"a.yaml": text, "plant.yaml": smallPlant, "rules.yaml": smallRules, "usual.yaml": "values:\n  EV.B1.level: 40 noise 0.1\n"}
	return func(name string) ([]rules.File, error) {
		data, ok := all[name]
		if !ok {
			return nil, os.ErrNotExist
		}
		return []rules.File{{Name: name, Data: []byte(data)}}, nil
	}
}

const head = "plant: plant.yaml\nrules: [rules.yaml]\nusual: [usual.yaml]\nlasts: 10m\nscenarios:\n  - name: x\n"

// runSmall runs the first scenario and gives what failed, one line each.
func runSmall(t *testing.T, text string) (*Outcome, string) {
	t.Helper()
	f, err := LoadScenarios("a.yaml", smallFiles(text))
	if err != nil {
		t.Fatal(err)
	}
	o, err := f.Scenarios[0].Run(nil)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, x := range o.Failures {
		lines = append(lines, x.Problem.String()+" | "+x.Fix.String())
	}
	return o, strings.Join(lines, "\n")
}

// What does not come as expected is said with what came instead, and when.
func TestScenarioSaysWhatCameInstead(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"as expected", "    happens: [{at: 1m, signals: {EV.B1.level: 80}}]\n    expect: {only: true, calls: [{alarm: level_high, from: 2m, to: 2m10s}]}", ""},
		{"too late", "    happens: [{at: 1m, signals: {EV.B1.level: 80}}]\n    expect: {calls: [{alarm: level_high, from: 0m, to: 1m}]}", "it came: level_high at 2m"},
		{"not at all", "    happens: [{at: 1m, signals: {EV.B1.level: 69}}]\n    expect: {calls: [{alarm: level_high}]}", "it did not come; at 10m its condition was false"},
		{"though it must not", "    happens: [{at: 1m, signals: {EV.B1.level: 80}}]\n    expect: {no_calls: [{alarm: level_high}]}", "came: level_high at 2m"},
		{"one too many", "    happens: [{at: 1m, signals: {EV.B1.level: 80}}]\n    expect: {only: true}", "no other call was expected"},
		{"too often", "    happens: [{at: 1m, signals: {EV.B1.level: 80}}, {at: 3m, signals: {EV.B1.level: usual}}, {at: 5m, signals: {EV.B1.level: 80}}]\n    expect: {calls: [{alarm: level_high, times: 1}]}", "came 2 times"},
		{"a value", "    expect: {values: [{tag: EV.B1.level, at: 5m, above: 50}]}", "at 5m it is "},
		{"a bad value", "    happens: [{at: 1m, signals: {EV.B1.level: Bad_SensorFailure}}]\n    expect: {values: [{tag: EV.B1.level, at: 5m, bad: true}]}", ""},
		{"out of range is bad", "    happens: [{at: 1m, signals: {EV.B1.level: 111 noise 0}}]\n    expect: {no_calls: [{alarm: level_high}], values: [{tag: EV.B1.level, at: 5m, bad: true}]}", ""},
		{"the operator", "    happens: [{at: 0m, signals: {EV.B1.level: 80}}, {at: 2m, operator: [{name: A, does: acknowledge, alarm: level_high}]}]\n    expect: {states: [{alarm: level_high, at: 3m, is: acknowledged}]}", ""},
		{"the operator is refused", "    happens: [{at: 2m, operator: [{name: A, does: acknowledge, alarm: level_high}]}]\n    expect: {no_calls: [{alarm: level_high}]}", "refused"},
		{"a state", "    expect: {states: [{alarm: level_high, at: 3m, is: acknowledged}]}", "it is normal"},
		{"a gap", "    happens: [{at: 1m, signals: {EV.B1.level: no samples}}]\n    expect: {values: [{tag: calandria.sample_age, at: 5m, above: 230 s, below: 260 s}]}", ""},
		{"gauge pressure", "    happens: [{at: 0m, signals: {EV.B1.vapour_pressure: -0.5 bar gauge}}]\n    expect: {values: [{tag: EV.B1.vapour_pressure, at: 1m, above: 50.9, below: 0.511 bar}]}", ""},
		{"vacuum", "    happens: [{at: 0m, signals: {EV.B1.vapour_pressure: 50 kPa vacuum}}]\n    expect: {values: [{tag: EV.B1.vapour_pressure, at: 1m, above: 50.9, below: 51.1}]}", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, got := runSmall(t, head+c.text)
			if c.want == "" && got != "" || !strings.Contains(got, c.want) {
				t.Errorf("%s, want %q", got, c.want)
			}
		})
	}
}

// A signal at a time is where its phrase says.
func TestSignalOverTime(t *testing.T) {
	phrase := func(at time.Duration, text string) *change {
		c, problem := parsePhrase(text)
		if problem != "" {
			t.Fatalf("%s: %s", text, problem)
		}
		c.at = at
		return c
	}
	x := newInstrument(&plant.Tag{Path: "x", Low: 0, High: 200}, 1)
	x.base = 100
	x.changes = []*change{phrase(10*time.Second, "50 over 10s"), phrase(30*time.Second, "held"), phrase(40*time.Second, "usual * 1.5 over 20s"),
		phrase(70*time.Second, "usual - 3"), phrase(80*time.Second, "no samples"), phrase(90*time.Second, "Uncertain_LastUsableValue"), phrase(100*time.Second, "usual noise 2")}
	for _, c := range []struct {
		at   time.Duration
		want float64
	}{{0, 100}, {10, 100}, {15, 75}, {20, 50}, {29, 50}, {35, 50}, {50, 100}, {60, 150}, {70, 97}, {90, 97}} {
		if v, _, ok := x.read(c.at * time.Second); !ok || v != c.want {
			t.Errorf("at %d s it reads %v, want %v", c.at, v, c.want)
		}
	}
	if _, _, ok := x.read(85 * time.Second); ok {
		t.Error("it sends samples while there are none")
	}
	if _, q, _ := x.read(95 * time.Second); !q.IsUncertain() {
		t.Errorf("quality %s", q)
	}
	var sum, squares float64
	for i := range 2000 {
		v, _, _ := x.read(time.Duration(100+i) * time.Second)
		sum, squares = sum+v-100, squares+(v-100)*(v-100)
	}
	if mean, variance := sum/2000, squares/2000; mean < -0.2 || mean > 0.2 || variance < 3.6 || variance > 4.4 {
		t.Errorf("noise of 2 has mean %.3f and variance %.3f", mean, variance)
	}
}

// The same seed gives the same run.
func TestScenarioRepeats(t *testing.T) {
	text := head + "    happens: [{at: 1m, signals: {EV.B1.level: 74 noise 3}}]\n    expect: {at_most: 9}"
	one, _ := runSmall(t, text)
	two, _ := runSmall(t, text)
	if len(one.Events) == 0 || len(one.Events) != len(two.Events) {
		t.Fatalf("%d and %d events", len(one.Events), len(two.Events))
	}
	for i := range one.Events {
		if one.Events[i].At != two.Events[i].At || one.Events[i].Alarm != two.Events[i].Alarm {
			t.Fatalf("event %d: %v and %v", i, one.Events[i], two.Events[i])
		}
	}
}

// All faults of a file come at once, each with its line and the fix.
func TestScenarioFaults(t *testing.T) {
	faultsOf := func(text string) plant.Faults {
		f, err := LoadScenarios("a.yaml", smallFiles(text))
		if err == nil {
			_, err = f.Scenarios[0].Run(nil)
		}
		var fs plant.Faults
		if !errors.As(err, &fs) {
			t.Fatalf("%v is no list of faults, for\n%s", err, text)
		}
		return fs
	}
	for _, c := range []struct {
		text string
		want []string
	}{
		{"lasts: 1m\n", []string{"no plant file", "no scenario"}},
		{"plant: plant.yaml\nscenarios: [{name: x, expect: {only: true}}]", []string{"no length"}},
		{"plant: plant.yaml\nlast: 1m\nscenarios: []", []string{`did you mean "lasts"?`}},
		{head + "    happens: [{at: 11m, signals: {EV.B1.level: quite high}}, {at: 1m, operator: [{does: acknowlege, alarm: level_high}]}]",
			[]string{"after the end", `"quite" is not a value`, "before the entry above", "not an action", "nobody does it", "nothing is expected"}},
		{head + "    expect: {calls: [{alarm: level_hihg}], values: [{tag: EV.B1.lvel, above: 3}]}", []string{"did you mean level_high", "did you mean EV.B1.level"}},
		{head + "    happens: [{at: 0m, signals: {EV.B1.level: 3 kPa, EV.B1.evaporation: 3}}]\n    expect: {only: true}", []string{"not a unit of level", "measures no such signal"}},
		{head + "    happens: [{at: 0m, upset: air-leak}]\n    expect: {only: true}", []string{"need a mill"}},
		{head + "    usual: [no.yaml]\n    expect: {only: true}", []string{"does not exist"}},
		{head + "    expect: {calls: [{alarm: level_high, from: 5m, to: 3m}], values: [{tag: EV.B1.level}]}", []string{"nothing lies between", "nothing is asked"}},
	} {
		got := faultsOf(c.text)
		if len(got) != len(c.want) {
			t.Errorf("%d faults, want %d:\n%v", len(got), len(c.want), got)
			continue
		}
		for _, w := range c.want {
			found := false
			for _, f := range got {
				found = found || strings.Contains(f.Error(), w)
				if f.Line == 0 || f.File != "a.yaml" {
					t.Errorf("no place: %s", f.Error())
				}
			}
			if !found {
				t.Errorf("%q is not said:\n%v", w, got)
			}
		}
	}
}

func FuzzScenarios(f *testing.F) {
	f.Add(head + "    happens: [{at: 1m, signals: {EV.B1.level: usual + 3 K over 5m noise 0.1, \"*\": held}}]\n    expect: {only: true, calls: [{alarm: level_high, from: 1m, to: 2m}]}")
	f.Add("plant: x\nmill: {seed: 1, days: 3}\nscenarios: [{name: a, lasts: 1d, happens: [{at: 0m, upset: air-leak}], expect: {at_most: 3}}]")
	f.Fuzz(func(t *testing.T, text string) {
		x, err := LoadScenarios("a.yaml", smallFiles(text))
		if err != nil {
			return
		}
		s := &x.Scenarios[0]
		if s.Lasts/s.Scan+s.Before/s.ScanBefore > 300 {
			return
		}
		if o, err := s.Run(nil); err == nil && o.Scans == 0 {
			t.Error("no scan was made")
		}
	})
}
