package deploy

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"calandria/plant"
	"calandria/thermo"
)

var update = flag.Bool("update", false, "write the tables in README.md anew")

const (
	signalsBegin = "<!-- signals:begin -->"
	signalsEnd   = "<!-- signals:end -->"
)

// classes in the order of the tables, with the title of each.
var classes = []struct {
	class plant.Class
	title string
}{
	{plant.ClassSet, "Evaporator set (`sets[].tags`)"},
	{plant.ClassBody, "Body (`sets[].bodies[].tags`)"},
	{plant.ClassBleed, "Bleed (`bodies[].bleeds[].tags`)"},
	{plant.ClassCondenser, "Condenser (`condensers[].tags`)"},
	{plant.ClassPan, "Vacuum pan (`pans[].tags`)"},
	{plant.ClassCompartment, "Compartment of a continuous pan (`pans[].compartments[].tags`)"},
}

// signalTables writes the section of README: one table of measured signals a
// class, and one of the calculated quantities.
func signalTables() string {
	var b strings.Builder
	unit := func(d plant.Dimension) string {
		switch u := d.Canonical(); {
		case d == plant.State:
			return "0 or 1"
		case u == "":
			return "–"
		case d == plant.Pressure:
			return u + " abs."
		default:
			return u
		}
	}
	b.WriteString(signalsBegin + "\n<!-- Written by: go test ./deploy -run README -update -->\n")
	for _, c := range classes {
		fmt.Fprintf(&b, "\n%s:\n\n| signal | unit | meaning |\n| --- | --- | --- |\n", c.title)
		for _, s := range plant.Signals {
			if s.Class == c.class {
				fmt.Fprintf(&b, "| `%s` | %s | %s |\n", s.Name, unit(s.Dimension), s.Meaning)
			}
		}
	}
	b.WriteString("\n**Calculated quantities** are tags like the measured ones: archived, exported, shown and usable in rules.\n" +
		"\n| of | quantity | unit | meaning | worked out from | source |\n| --- | --- | --- | --- | --- | --- |\n")
	for _, q := range thermo.Quantities {
		fmt.Fprintf(&b, "| %s | `%s` | %s | %s | %s | %s |\n", q.Class, q.Name, unit(q.Dimension), q.Meaning, q.Inputs, q.Source)
	}
	b.WriteString("\n" + signalsEnd)
	return b.String()
}

// The tables in README are those of the program.
func TestREADMESignals(t *testing.T) {
	const path = "../README.md"
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	readme := string(data)
	before, rest, ok := strings.Cut(readme, signalsBegin)
	_, after, ok2 := strings.Cut(rest, signalsEnd)
	if !ok || !ok2 {
		t.Fatalf("README.md has no section between %s and %s", signalsBegin, signalsEnd)
	}
	want := before + signalTables() + after
	if readme == want {
		return
	}
	if !*update {
		t.Fatal("the tables of signals in README.md are not those of the program; run go test ./deploy -run README -update")
	}
	if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Every row belongs to a table, and no text breaks one.
func TestREADMETablesHoldEverything(t *testing.T) {
	known := map[plant.Class]bool{}
	for _, c := range classes {
		known[c.class] = true
	}
	for _, s := range plant.Signals {
		if !known[s.Class] || strings.ContainsAny(s.Meaning, "|\n") {
			t.Errorf("%s %s has no table or breaks it", s.Class, s.Name)
		}
	}
	for _, q := range thermo.Quantities {
		if !known[q.Class] || strings.ContainsAny(q.Meaning+q.Inputs+q.Source, "|\n") {
			t.Errorf("%s %s has no table or breaks it", q.Class, q.Name)
		}
	}
}
