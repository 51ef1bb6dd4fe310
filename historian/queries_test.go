package historian

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// The questions of the handbook are put to a real DuckDB over a real archive of six
// days; the answers are known from how the values were made.
func TestQueries(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: runs node and DuckDB")
	}
	duckdb, err := filepath.Abs("../testdata/duckdb")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(duckdb, "node_modules")); err != nil {
		t.Fatalf("DuckDB is not installed: run 'make test-deps' (%v)", err)
	}
	doc, err := os.ReadFile("../docs/formats/queries.md")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	from := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	now := from
	a, err := Open(filepath.Join(dir, "archive"), Options{Site: "Test Mill", Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	high := 60.0
	if err := a.Describe(TagInfo{Path: "QE.economy", Meaning: "water evaporated per steam", Class: "set"}, TagInfo{Path: "QE.B4.vapour_pressure", Unit: "kPa", Class: "body", High: &high},
		TagInfo{Path: "QE.B4.u_ratio", Class: "body"}, TagInfo{Path: "PA1.phase_found", Class: "pan", States: map[int]string{1: "idle", 2: "charge"}}); err != nil {
		t.Fatal(err)
	}
	const days = 6
	w := a.Bulk(context.Background(), nil)
	for i := range days * 1440 {
		at, day := from.Add(time.Duration(i)*time.Minute), float64(i)/1440
		vacuum := 20 + 10*math.Mod(day, 1) // above 25 for half of each day
		for path, v := range map[string]float64{"QE.B4.vapour_pressure": vacuum, "QE.economy": 3 - 0.02*vacuum, "QE.B4.u_ratio": 1 - 0.01*day, "PA1.phase_found": float64(1 + i/60%3/2)} {
			p := plant.Point{Time: at, Value: v, Quality: plant.Good}
			switch {
			case path == "QE.B4.u_ratio" && i >= 3000 && i < 3120:
				continue // two hours of silence
			case path == "QE.economy" && i < 144: // a tenth of the first day
				p = plant.BadPoint(at, plant.BadNoCommunication)
			}
			if err := w.Add(path, p); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	now = from.Add((days + 3) * 24 * time.Hour)
	if err := a.Maintain(t.Context()); err != nil {
		t.Fatal(err)
	}
	var queries []string
	for _, m := range regexp.MustCompile("(?s)```sql\n(.*?);?\n```").FindAllSubmatch(doc, -1) {
		queries = append(queries, string(m[1]))
	}
	js, err := json.Marshal(queries)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", filepath.Join(duckdb, "run.js"))
	cmd.Dir, cmd.Stdin, cmd.Env = dir, bytes.NewReader(js), append(os.Environ(), "TZ=UTC")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s%s", err, out, errs.String())
	}
	var answers [][]map[string]any
	for line := range strings.Lines(string(out)) {
		var rows []map[string]any
		if err := json.Unmarshal([]byte(line), &rows); err != nil {
			t.Fatal(err)
		}
		answers = append(answers, rows)
	}
	if len(answers) != 13 || len(queries) != 13 {
		t.Fatalf("%d answers to %d statements, want two views and eleven questions", len(answers), len(queries))
	}
	q := func(n int) []map[string]any { return answers[n+1] }
	near := func(n, row int, key string, want, by float64) {
		t.Helper()
		if len(q(n)) <= row {
			t.Errorf("question %d has %d rows", n, len(q(n)))
			return
		}
		if got, ok := q(n)[row][key].(float64); !ok || math.Abs(got-want) > by {
			t.Errorf("question %d, row %d: %s is %v, want %g", n, row, key, q(n)[row][key], want)
		}
	}
	for n, rows := range map[int]int{1: 4, 2: 4, 3: 4 * days, 4: 1, 5: days, 6: 1, 7: 5, 8: days, 9: 1, 10: 2, 11: 4 * days} {
		if len(q(n)) != rows {
			t.Errorf("question %d has %d rows, want %d: %.300v", n, len(q(n)), rows, q(n))
		}
	}
	if r := q(2)[3]; r["tag"] != "QE.economy" || r["site"] != "Test Mill" || r["meaning"] != "water evaporated per steam" || r["class"] != "set" {
		t.Errorf("question 2: %v", r)
	}
	if r := q(4)[0]; r["status"] != "Bad_NoCommunication" || r["n"] != "144" {
		t.Errorf("question 4: %v", r)
	}
	near(2, 2, "range_high", high, 0)
	near(3, 3, "percent_good", 90, 0.01)
	near(5, 1, "economy", 3-0.02*(25-10./2880), 1e-9) // the mean of 20 ... 30 over the minutes of a day
	near(6, 0, "percent_a_day", -1, 1e-9)
	near(7, 0, "minutes", 121, 1e-9)
	near(8, 0, "minutes", 719, 1e-9) // 12:01 to 24:00
	near(9, 0, "correlation", -1, 1e-9)
	near(9, 0, "economy_per_kpa", -0.02, 1e-9)
	if r := q(10)[0]; r["phase"] != "idle" || q(10)[1]["phase"] != "charge" {
		t.Errorf("question 10: %v", q(10))
	}
	near(10, 0, "hours", days*24*2/3., 0.02)
	near(11, 4, "percent_good", 100, 0.1)
}
