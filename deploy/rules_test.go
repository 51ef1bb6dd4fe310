package deploy

import (
	"io/fs"
	"testing"

	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

// ruleFiles are the rule files as the program would read them.
func ruleFiles(t *testing.T) []rules.File {
	t.Helper()
	names, err := fs.Glob(Rules(), "*.yaml")
	if err != nil || len(names) == 0 {
		t.Fatalf("no rule files: %v", err)
	}
	var files []rules.File
	for _, n := range names {
		data, err := fs.ReadFile(Rules(), n)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, rules.File{Name: n, Data: data})
	}
	return files
}

// demoHouse is the demo's house with the tags that the program adds.
func demoHouse(t *testing.T) (*plant.House, *thermo.Calculator) {
	t.Helper()
	h, err := plant.Load("plant.demo.yaml", Demo())
	if err != nil {
		t.Fatal(err)
	}
	calc, err := thermo.New(h)
	if err != nil {
		t.Fatal(err)
	}
	for name, d := range map[string]plant.Dimension{
		"scan_overruns": plant.AnyDimension, "archive_ok": plant.State, "journal_ok": plant.State, "forward_ok": plant.State,
		"bad_tags_pct": plant.Percent, "sample_age": plant.Duration, "rule_faults": plant.AnyDimension, "alarm_state_ok": plant.State,
		"server_mill_connected": plant.State,
	} {
		if _, err := h.AddTag(plant.Tag{Path: "calandria." + name, Owner: "calandria", Class: plant.ClassSystem, Name: name, Dimension: d, Source: plant.System}); err != nil {
			t.Fatal(err)
		}
	}
	return h, calc
}

func TestRuleLibraryLoads(t *testing.T) {
	h, _ := demoHouse(t)
	s, err := rules.Load(ruleFiles(t), h, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range s.Notes() {
		t.Logf("%s:%d: %s: %s", n.File, n.Line, n.Rule, n.Text)
	}
	t.Logf("%d alarms, %d derived", len(s.Alarms()), len(s.Derived()))
}
