package deploy

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// scenarioFiles reads files of this folder for the scenarios.
func scenarioFiles(pattern string) ([]rules.File, error) {
	names, err := filepath.Glob(pattern)
	if err != nil || len(names) == 0 {
		return nil, fmt.Errorf("no file matches %q", pattern)
	}
	var out []rules.File
	for _, n := range names {
		data, err := os.ReadFile(n)
		if err != nil {
			return nil, err
		}
		out = append(out, rules.File{Name: n, Data: data})
	}
	return out, nil
}

// Every scenario comes as it says it must, and every rule of the library has one in
// which it must call and one in which it must not. What is expected of a rule is read
// off its own limit and delay; what an upset must bring is from its description; both
// are ours, there is no source outside.
func TestScenarios(t *testing.T) {
	names, err := filepath.Glob("scenarios/*.yaml")
	if err != nil || len(names) == 0 {
		t.Fatalf("no scenarios: %v", err)
	}
	mills := func(w engine.MillWish, at time.Time) engine.Mill {
		m := simulator.New(uint64(w.Seed), at)
		m.SetService(w.Days)
		return m
	}
	calls, quiet := map[string][]string{}, map[string][]string{}
	for _, name := range names {
		f, err := engine.LoadScenarios(name, scenarioFiles)
		if err != nil {
			t.Fatal(err)
		}
		for i := range f.Scenarios {
			s := &f.Scenarios[i]
			note := func(to map[string][]string, list []engine.ExpectedCall) {
				for _, c := range list {
					for p := range strings.SplitSeq(c.Alarm, ",") {
						kind, _, _ := strings.Cut(strings.TrimSpace(p), ".")
						if where := filepath.Base(name) + ": " + s.Name; !c.Hidden && !slices.Contains(to[kind], where) {
							to[kind] = append(to[kind], where)
						}
					}
				}
			}
			note(calls, s.Expect.Calls)
			note(quiet, s.Expect.NoCalls)
			t.Run(filepath.Base(name)+"/"+s.Name, func(t *testing.T) {
				if testing.Short() && (f.Mill != nil || s.Before > 12*time.Hour || s.Lasts > 5*time.Hour) {
					t.Skip("left to make test: long")
				}
				t.Parallel()
				o, err := s.Run(mills)
				if err != nil {
					t.Fatal(err)
				}
				if len(o.Failures) > 0 {
					var b strings.Builder
					o.Write(&b, testing.Verbose(), 0)
					t.Error(b.String())
				}
			})
		}
	}
	var b strings.Builder
	b.WriteString("<!-- coverage:begin -->\n<!-- Written by: go test ./deploy -run Scenarios -update -->\n\n| rule | calls in | keeps quiet in |\n| --- | --- | --- |\n")
	for _, kind := range libraryRules(t) {
		if len(calls[kind]) == 0 || len(quiet[kind]) == 0 {
			t.Errorf("%s: %d scenarios in which it must call, %d in which it must not", kind, len(calls[kind]), len(quiet[kind]))
			continue
		}
		fmt.Fprintf(&b, "| %s | %s | %s |\n", kind, calls[kind][0], quiet[kind][0])
	}
	b.WriteString("\n<!-- coverage:end -->")
	generated(t, "scenarios/README.md", "coverage", b.String())
}

// libraryRules lists the alarms of all rule files, those to copy from included.
func libraryRules(t *testing.T) []string {
	t.Helper()
	var kinds []string
	for _, pattern := range []string{"rules/*.yaml", "rules/more/*.yaml"} {
		files, err := scenarioFiles(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			_, alarms, _ := strings.Cut(string(f.Data), "\nalarms:")
			for _, m := range regexp.MustCompile(`(?m)^  - name: (\w+)`).FindAllStringSubmatch(alarms, -1) {
				kinds = append(kinds, m[1])
			}
		}
	}
	slices.Sort(kinds)
	return kinds
}

// generated compares what stands between two marks of a file, and writes it anew
// with -update.
func generated(t *testing.T, file, mark, want string) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	end := "<!-- " + mark + ":end -->"
	i, j := strings.Index(text, "<!-- "+mark+":begin -->"), strings.Index(text, end)
	if i < 0 || j < i {
		t.Fatalf("%s has no place for %s", file, mark)
	}
	if j += len(end); text[i:j] == want {
		return
	}
	if !*update {
		t.Fatalf("%s: what stands at %s is no longer so; run the test with -update", file, mark)
	}
	if err := os.WriteFile(file, []byte(text[:i]+want+text[j:]), 0o644); err != nil {
		t.Fatal(err)
	}
}

var start = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

// The tables of usual readings are those of the invented mill, quiet and three
// days after a cleaning: a pan at rest, and one that feeds.
func TestUsualReadings(t *testing.T) {
	h, err := plant.Load("plant.demo.yaml", Demo())
	if err != nil {
		t.Fatal(err)
	}
	m := simulator.NewWith(1, start, simulator.Settings{BrixLoop: true, WaterFollows: true, Steady: true})
	m.SetService(3)
	read := func(owner string) map[string]string {
		out := map[string]string{}
		m.Each(func(path string, v float64, q plant.Quality) {
			tag, ok := h.Find(path)
			if !ok || q.IsBad() || owner != "" && !strings.HasPrefix(path, owner+".") {
				return
			}
			out[path] = fmt.Sprintf("%.6g", v)
			// What stands at an end of its range does not flicker.
			if s := 0.3 * tag.Sigma(v); s > 0 && v-tag.Low > 5*s {
				out[path] += fmt.Sprintf(" noise %.2g", s)
			}
		})
		return out
	}
	usual, boiling := read(""), map[string]string{}
	pans := map[string]string{"PA1": "CDA", "PB1": "CDB", "PC1": "CDC"}
	rests := map[string]int{}
	for range 20 * 360 {
		m.Step(10 * time.Second)
		now := map[string]float64{}
		m.Each(func(path string, v float64, _ plant.Quality) { now[path] = v })
		for p, condenser := range pans {
			if now[p+".phase"] == 0 {
				rests[p]++
			}
			var into map[string]string
			switch {
			case now[p+".phase"] == 0 && rests[p] == 20:
				into = usual
			case now[p+".phase"] == 3 && math.Abs(now[p+".level"]-60) < 1:
				into = boiling
			default:
				continue
			}
			for _, owner := range []string{p, condenser} {
				maps.Copy(into, read(owner))
			}
		}
	}
	write := func(name, about string, values map[string]string) {
		var b strings.Builder
		fmt.Fprintf(&b, "about: %s\nvalues:\n", about)
		for _, p := range slices.Sorted(maps.Keys(values)) {
			fmt.Fprintf(&b, "  %s: %s\n", p, values[p])
		}
		old, err := os.ReadFile(name)
		if *update {
			if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
				t.Fatal(err)
			}
		} else if err != nil || string(old) != b.String() {
			t.Errorf("%s is not what the mill reads; go test ./deploy -run UsualReadings -update", name)
		}
	}
	write("scenarios/usual/set.yaml", "Readings of the invented mill in usual running, its pans at rest. Written by a test.", usual)
	write("scenarios/usual/pans_feeding.yaml", "Readings of the invented mill's pans while they feed. Written by a test.", boiling)
}
