package fouling_test

import (
	"bytes"
	"flag"
	"os"
	"testing"
	"time"

	"calandria/thermo/fouling"
)

var update = flag.Bool("update", false, "write the golden files anew")

// The three outputs as they stand, for a set of the invented mill with a public
// holiday and a header limit.
func TestPlanGolden(t *testing.T) {
	set := demoSet(nil)
	for i := range set {
		set[i].Days = []float64{3, 12, 6, 8, 9}[i]
		set[i].CleaningCost = 6000
	}
	p, err := fouling.MakePlan(set, fouling.PlanSettings{Start: monday, Days: 14, PressureKPa: 173, LimitKPa: 235, CostPerKPaDay: 100, CostUnit: "USD",
		Stops: []fouling.Stop{{From: monday.AddDate(0, 0, 5), To: monday.AddDate(0, 0, 6), Reason: "public holiday"}}, NoCrew: []time.Weekday{time.Sunday}})
	if err != nil {
		t.Fatal(err)
	}
	for name, write := range map[string]func(*bytes.Buffer) error{
		"plan.txt": func(b *bytes.Buffer) error { return p.WriteText(b) },
		"plan.csv": func(b *bytes.Buffer) error { return p.WriteCSV(b) },
		"plan.ics": func(b *bytes.Buffer) error { return p.WriteCalendar(b, monday.Add(-17*time.Hour), "mill.example") },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		path := "testdata/" + name
		if *update {
			if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), want) {
			t.Errorf("%s changed; if it should, run the test with -update\n%s", path, &b)
		}
	}
}
