package service

import (
	"errors"
	"os"
	"regexp"
	"strings"
	"testing"

	"calandria/console/catalog"
	"calandria/plant"
	"calandria/rules"
)

// Faults of every kind of a plant file and of a rule read in the language of the page:
// nothing of it is English but what the file has, which stands in quotes or is a key.
// That the words are English is common knowledge, no source.
func TestNoFaultStaysEnglish(t *testing.T) {
	all, err := catalog.All()
	if err != nil {
		t.Fatal(err)
	}
	lines := func(name string) []string {
		body, err := os.ReadFile("../../testdata/faults/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Split(strings.TrimSpace(string(body)), "\n")
	}
	house, err := LoadHouse("plant.yaml", []byte("{site: {name: X}, sets: [{name: EV, bodies: [{name: EV1, heating_surface_m2: 100, tags: {level: {value: 40}, vapour_pressure: {value: 90}}}]}]}"))
	if err != nil {
		t.Fatal(err)
	}
	english := regexp.MustCompile(`(?i)\b(the|is|are|not|with|which|there|takes?|gives?|writes?|leave|known|must|of|or|and|than|this|here)\b`)
	quoted := regexp.MustCompile(`"[^"]*"|'[^']*'|\{[^}]*\}|\([^)]*\)|\b\w+:|\bthis(\.\w+)+`)
	seen := map[string]bool{}
	check := func(what string, err error) {
		var faults plant.Faults
		if !errors.As(err, &faults) {
			t.Errorf("%s: %v, want faults", what, err)
		}
		for _, f := range faults {
			for _, l := range all {
				got := l.Say(f.Says())
				if l.Tag != "en" && english.MatchString(quoted.ReplaceAllString(got, "")) {
					t.Errorf("%s: %s: %s\n%s", what, l.Tag, got, f.Says())
				}
			}
			seen[f.Problem.In(func(format string, _ []any) string { return format })] = true
		}
	}
	for _, line := range lines("plant.txt") {
		_, err := LoadHouse("plant.yaml", []byte(line))
		check(line, err)
	}
	for _, line := range lines("rules.txt") {
		_, err := rules.Load([]rules.File{{Name: "r.yaml", Data: []byte("alarms: [{name: a, title: t, severity: minor, respond: minutes, " + line + "}]")}}, house, rules.Options{})
		check(line, err)
	}
	if len(seen) < 80 {
		t.Errorf("%d kinds of faults, want 80 at least", len(seen))
	}
}
