package alerting

import (
	"os"
	"strings"
	"testing"
)

// The published and project cases of testdata/alarms; each names its basis.
func TestAlarmCases(t *testing.T) {
	f, err := os.Open("../testdata/alarms/alarm-cases.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	results, err := ReplayCases(f)
	if err != nil {
		t.Fatal(err)
	}
	if len(results) != 73 {
		t.Errorf("%d cases, want 73", len(results))
	}
	for _, r := range results {
		t.Run(r.ID, func(t *testing.T) {
			if !r.Passed() {
				t.Errorf("%s (line %d, rests on %s)\n%s", r.Title, r.Line, strings.Join(r.Basis, "; "), strings.Join(r.Failures, "\n"))
			}
		})
	}
}
