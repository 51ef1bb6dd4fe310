package rules

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"calandria/plant"
)

// trialFiles: a rule with an override elsewhere, one for a single vessel, a
// free condition over two lines and a rule that is a consequence of another.
var trialFiles = []string{`alarms:
  - name: level
    for: body
    title: T
    tag: this.level
    unit: "%"
    high: 70
    on_delay: 1m
    consequence_of: [wet]
    cause: C
    consequence: Q
    response: R
    severity: moderate
    time_to_respond: 5m
  - name: press
    title: T
    tag: EV.EV1.vapour_pressure
    unit: kPa
    high: 150   # as the vessel's plate says
    deadband: "2"
    off_delay: 30s
    cause: C
    consequence: Q
    response: R
    severity: moderate
    time_to_respond: 5m
  - name: wet
    for: body
    title: T
    when: >-
      this.level > limit.top
      and this.vapour_pressure > kPa(10)
    limits: {top: pct(80)}
    cause: C
    consequence: Q
    response: R
    severity: moderate
    time_to_respond: 5m
  - name: last
    for: body
    where: this.last_effect
    title: T
    tag: this.level
    unit: "%"
    low: 20
    cause: C
    consequence: Q
    response: R
    severity: moderate
    time_to_respond: 5m
  - name: other
    title: T
    when: spare > 3
    cause: C
    consequence: Q
    response: R
    severity: moderate
    time_to_respond: 5m
`, `title: Site
override:
  level:
    EV.EV2: {high: 75, unit: "%"}
    "*": {on_delay: 2m}
`}

func trialSources() []File {
	return []File{{Name: "a.yaml", Data: []byte(trialFiles[0])}, {Name: "b.yaml", Data: []byte(trialFiles[1])}}
}

func apply(files []File, lines []Line) []File {
	out := slices.Clone(files)
	// From the bottom, so that numbers stay true.
	lines = slices.Clone(lines)
	slices.SortFunc(lines, func(a, b Line) int { return b.Line - a.Line })
	for _, x := range lines {
		i := slices.IndexFunc(out, func(f File) bool { return f.Name == x.File })
		text := strings.Split(string(out[i].Data), "\n")
		if x.Through > 0 {
			text = slices.Replace(text, x.Line-1, x.Through, x.Text...)
		} else {
			text = slices.Insert(text, x.Line, x.Text...)
		}
		out[i].Data = []byte(strings.Join(text, "\n"))
	}
	return out
}

// TestTrialLines: what is tried is what stands in the files once the lines are
// written there.
func TestTrialLines(t *testing.T) {
	for _, c := range []struct {
		alarm string
		try   map[string]string
		want  []string // pieces of the lines
	}{
		{"level.EV.EV1", map[string]string{"high": "72", "on_delay": "3m"}, []string{"    EV.EV1: {high: 72, on_delay: 3m}"}},
		{"level.EV.EV2", map[string]string{"high": "77.5"}, []string{`    EV.EV2: {high: 77.5, unit: "%"}`}},
		{"level.EV.EV2", map[string]string{"off_delay": "10s"}, []string{`    EV.EV2: {high: 75, unit: "%", off_delay: 10s}`}},
		{"press", map[string]string{"high": "bar(1.6)", "deadband": "3"}, []string{"    high: bar(1.6)  # as the vessel's plate says", "    deadband: 3"}},
		{"press", map[string]string{"on_delay": "5s", "off_delay": "1m", "deadband": "2"}, []string{"    on_delay: 5s", "    off_delay: 1m"}},
		{"press", map[string]string{"deadband": ""}, nil},
		{"wet.EV.EV3", map[string]string{"limits.top": "pct(85)"}, []string{"  wet:", "    EV.EV3: {limits: {top: pct(85)}}"}},
		{"wet.EV.EV3", map[string]string{"when": "this.level > pct(50)"}, []string{"    when: 'this.level > pct(50)'"}},
		{"last.EV.EV3", map[string]string{"low": "18", "off_delay": "1m"}, []string{"    low: 18", "    off_delay: 1m"}},
		{"other", map[string]string{"when": "spare > 4"}, []string{"    when: 'spare > 4'"}},
	} {
		w, ok := ReadWritten(trialSources(), house(t), c.alarm)
		if !ok {
			t.Fatalf("%s: not found", c.alarm)
		}
		tried, err := Load(trialSources(), house(t), Options{Only: c.alarm, Try: c.try})
		if err != nil {
			t.Fatalf("%s %v: %v", c.alarm, c.try, err)
		}
		lines := w.Lines(c.try)
		var text []string
		for _, x := range lines {
			text = append(text, x.Text...)
		}
		for _, want := range c.want {
			if !slices.Contains(text, want) {
				t.Errorf("%s %v: no line %q in %q", c.alarm, c.try, want, text)
			}
		}
		kept, err := Load(apply(trialSources(), lines), house(t), Options{})
		if err != nil {
			t.Errorf("%s %v: with the lines in place: %v\n%q", c.alarm, c.try, err, text)
			continue
		}
		find := func(s *Set) (plant.AlarmSpec, string) {
			i := slices.IndexFunc(s.Alarms(), func(a plant.AlarmSpec) bool { return a.Name == c.alarm })
			return s.Alarms()[i], s.Hash(i)
		}
		a, _ := find(tried)
		b, _ := find(kept)
		if a.OnDelay != b.OnDelay || a.OffDelay != b.OffDelay || (a.Setpoint == nil) != (b.Setpoint == nil) || a.Setpoint != nil && *a.Setpoint != *b.Setpoint {
			t.Errorf("%s %v: tried %+v, kept %+v\n%q", c.alarm, c.try, a, b, text)
		}
		words := func(s *Set) string {
			i := slices.IndexFunc(s.Alarms(), func(a plant.AlarmSpec) bool { return a.Name == c.alarm })
			return (s.alarms[i].words + s.alarms[i].holdWords).String()
		}
		if words(tried) != words(kept) {
			t.Errorf("%s %v: tried %q, kept %q", c.alarm, c.try, words(tried), words(kept))
		}
	}
}

// TestTryOnly: only the alarm and what it is a consequence of are made.
func TestTryOnly(t *testing.T) {
	s, err := Load(trialSources(), house(t), Options{Only: "level.EV.EV1"})
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(s.Alarms(), func(a plant.AlarmSpec) bool { return a.Name == "level.EV.EV1" })
	if len(s.Alarms()) != 6 || !slices.Equal(s.Alarms()[i].ConsequenceOf, []string{"wet.EV.EV1"}) {
		t.Errorf("%d alarms, a consequence of %v", len(s.Alarms()), s.Alarms()[i].ConsequenceOf)
	}
	var reads []string
	for _, id := range s.Reads(i) {
		reads = append(reads, s.house.Tags[id].Path)
	}
	if !slices.Equal(reads, []string{"EV.EV1.level"}) {
		t.Errorf("reads %v", reads)
	}
}

// TestTryFaults: what is wrong is told at the field that was typed.
func TestTryFaults(t *testing.T) {
	for _, c := range []struct{ alarm, key, text, problem, fix string }{
		{"press", "high", "1.6 bar", "given in bar, but this figure is in kPa", "write 160"},
		{"press", "high", "degC(60)", "high is given as", ""},
		{"press", "high", "150 degC", "given in degC, but this figure is in kPa", "the number alone"},
		{"press", "high", "150,5", "decimal comma", "150.5"},
		{"press", "high", "", "nothing is given", ""},
		{"press", "high", "spare +", "", ""},
		{"press", "low", "3", "no low", ""},
		{"press", "deadband", "-2", "not negative", ""},
		{"press", "deadband", "0.02 bar", "given in bar", "write 2"},
		{"press", "on_delay", "soon", "not a time", "30s"},
		{"press", "on_delay", "-3s", "not a time", "30s"},
		{"press", "on_delay", "25h", "longer than a day", ""},
		{"wet.EV.EV1", "limits.top", "kPa(3)", "", ""},
		{"wet.EV.EV1", "limits.bottom", "3", "no limit", ""},
		{"wet.EV.EV1", "when", "this.levl > pct(3)", "", ""},
	} {
		_, err := Load(trialSources(), house(t), Options{Only: c.alarm, Try: map[string]string{c.key: c.text}})
		var faults plant.Faults
		if !errors.As(err, &faults) {
			t.Errorf("%+v: %v", c, err)
			continue
		}
		f := faults[0]
		if c.key != "limits.top" && f.Field != TryField+c.key || !strings.Contains(f.Problem.String(), c.problem) || !strings.Contains(f.Fix.String(), c.fix) {
			t.Errorf("%+v: %q: %s; %s", c, f.Field, f.Problem, f.Fix)
		}
	}
	if _, err := Load(trialSources(), house(t), Options{Only: "press", Try: map[string]string{"high": "160 kPa", "deadband": "", "on_delay": ""}}); err != nil {
		t.Errorf("the rule's own unit beside the number: %v", err)
	}
}
