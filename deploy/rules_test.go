package deploy

import (
	"flag"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

var update = flag.Bool("update", false, "write the table of priorities anew")

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

// load makes the engines of a plant file with rule files, those of the program's own
// tags included.
func load(t *testing.T, plantFile []byte, files []rules.File) *rules.Set {
	t.Helper()
	h, err := plant.Load("plant.yaml", plantFile)
	if err != nil {
		t.Fatal(err)
	}
	c, err := engine.New(h, files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return c.Rules
}

// withoutSite are the rule files without that of the demonstration's own site.
func withoutSite(t *testing.T) []rules.File {
	return slices.DeleteFunc(ruleFiles(t), func(f rules.File) bool { return f.Name == "demo_site.yaml" })
}

func TestRuleLibraryLoads(t *testing.T) {
	s := load(t, Demo(), ruleFiles(t))
	for _, n := range s.Notes() {
		t.Logf("%s:%d: %s: %s", n.File, n.Line, n.Rule, n.Text)
	}
	t.Logf("%d alarms", len(s.Alarms()))
}

// What every alarm of the library has to say, and what it must not.
func TestRuleLibraryIsRationalised(t *testing.T) {
	s := load(t, Demo(), ruleFiles(t))
	kinds := map[string]bool{}
	for _, a := range s.Alarms() {
		name, _, _ := strings.Cut(a.Name, ".")
		kinds[name] = true
		if a.Priority == plant.PriorityNone || a.Respond <= 0 {
			t.Errorf("%s: priority %s, %s to respond", a.Name, a.Priority, a.Respond)
		}
		if a.Priority == plant.PriorityUrgent && a.Respond > 10*time.Minute {
			t.Errorf("%s: urgent with %s to respond", a.Name, a.Respond)
		}
	}
	if len(kinds) < 80 {
		t.Errorf("%d kinds of alarm, want 80", len(kinds))
	}
	sayWell(t, s.Alarms())
	for _, n := range s.Notes() {
		if strings.Contains(n.Text, "write the unit") {
			t.Errorf("%s:%d: %s: %s", n.File, n.Line, n.Rule, n.Text)
		}
	}
	// A site learns from 'calandria check' which procedures it still has to name.
	missing := map[string]bool{}
	for _, p := range s.Placeholders() {
		if p.Field == "procedure" {
			missing[p.Rule] = true
		}
	}
	for k := range kinds {
		if !missing[k] {
			t.Errorf("the procedure of %s is not listed as the site's to fill in", k)
		}
	}
}

// sayWell checks the texts as somebody reads them at three in the morning: short
// sentences, the first thing to do first, a number beside it, no dialect of ours.
func sayWell(t *testing.T, alarms []plant.AlarmSpec) {
	t.Helper()
	// What has no number: a pump stopped, a body being cleaned, a fact about the program.
	switches := []string{"vacuum_pump_stopped", "injection_pump_stopped", "pan_vacuum_pump", "body_instrument_lost", "pan_instrument_lost",
		"archive_failed", "files_damaged", "journal_failed", "forwarding_failed", "notices_failed", "alarm_state_lost", "mill_server_lost"}
	notFirst := regexp.MustCompile(`^(The|It|If|When|Perhaps|Maybe|Try|Please|Consider|You|Should) `)
	dialect := regexp.MustCompile(`(?i)\b(setpoint|deadband|PV|HH|NCG|boolean|threshold|operator|ASAP|ensure|utili[sz]e)\b`)
	seen := map[string]bool{}
	for _, a := range alarms {
		kind, _, _ := strings.Cut(a.Name, ".")
		if seen[kind] {
			continue
		}
		seen[kind] = true
		for what, text := range map[string]string{"title": a.Title, "cause": a.Cause, "consequence": a.Consequence, "response": a.Response,
			"verify": a.Verify, "hazard": a.Hazard, "area": a.Area} {
			if strings.TrimSpace(text) == "" || strings.ContainsAny(text, "{}") {
				t.Errorf("%s: %s is %q", a.Name, what, text)
			}
			if w := dialect.FindString(text); w != "" {
				t.Errorf("%s: %s says %q", a.Name, what, w)
			}
			if what == "title" || what == "area" {
				continue
			}
			if !strings.HasSuffix(text, ".") && !strings.HasSuffix(text, "?") {
				t.Errorf("%s: %s has no end: %q", a.Name, what, text)
			}
			for _, sentence := range regexp.MustCompile(`[.;:?] `).Split(text, -1) {
				if n := len(strings.Fields(sentence)); n > 18 {
					t.Errorf("%s: %s has a sentence of %d words: %q", a.Name, what, n, sentence)
				}
			}
		}
		if notFirst.MatchString(a.Response) {
			t.Errorf("%s: the response does not begin with what to do: %q", a.Name, a.Response)
		}
		if !strings.HasPrefix(a.Procedure, "SITE PROCEDURE: ") {
			t.Errorf("%s: procedure %q is not left to the site", a.Name, a.Procedure)
		}
		if a.Priority == plant.PriorityUrgent && strings.HasPrefix(a.Hazard, "None") {
			t.Errorf("%s: urgent, and no hazard named", a.Name)
		}
		if slices.Contains(switches, kind) {
			continue
		}
		if a.Setpoint == nil && !strings.ContainsAny(a.Title, "0123456789") && a.Unit == "" {
			t.Errorf("%s: neither value nor limit stands beside %q", a.Name, a.Title)
		}
	}
}

// The distribution of priorities stands in rules/README.md as it is.
func TestPriorityDistribution(t *testing.T) {
	s := load(t, Demo(), ruleFiles(t))
	var alarms, kinds [5]int
	names := map[plant.Priority][]string{}
	seen := map[string]bool{}
	for _, a := range s.Alarms() {
		alarms[a.Priority]++
		if kind, _, _ := strings.Cut(a.Name, "."); !seen[kind] {
			seen[kind] = true
			kinds[a.Priority]++
			names[a.Priority] = append(names[a.Priority], kind)
		}
	}
	var b strings.Builder
	b.WriteString("<!-- priorities:begin -->\n<!-- Written by: go test ./deploy -run Distribution -update -->\n\n| priority | kinds | share | alarms of the demo mill | share |\n| --- | --- | --- | --- | --- |\n")
	for p := plant.PriorityUrgent; p <= plant.PriorityLow; p++ {
		fmt.Fprintf(&b, "| %s | %d | %.0f %% | %d | %.0f %% |\n", p, kinds[p], 100*float64(kinds[p])/float64(len(seen)), alarms[p], 100*float64(alarms[p])/float64(len(s.Alarms())))
	}
	for _, p := range []plant.Priority{plant.PriorityUrgent, plant.PriorityHigh} {
		slices.Sort(names[p])
		fmt.Fprintf(&b, "\n%s: %s.\n", strings.ToUpper(p.String()[:1])+p.String()[1:], strings.Join(names[p], ", "))
	}
	b.WriteString("\n<!-- priorities:end -->")
	generated(t, "rules/README.md", "priorities", b.String())
}

// No over-pressure limit and no motor rating is stated by the library: without
// a file of the site's own these alarms do not run.
func TestLimitsOfTheSiteAreLeftToIt(t *testing.T) {
	s := load(t, Demo(), withoutSite(t))
	inactive := map[string]bool{}
	for _, p := range s.Placeholders() {
		if p.Inactive {
			inactive[p.Rule] = true
		}
	}
	for _, r := range []string{"calandria_pressure_high", "pan_stiff"} {
		if !inactive[r] {
			t.Errorf("%s has a limit of its own", r)
		}
		for _, a := range s.Alarms() {
			if strings.HasPrefix(a.Name, r+".") {
				t.Errorf("%s runs without a limit of the site", a.Name)
			}
		}
	}
}

// A small site with few instruments can use the library as it is.
func TestRuleLibraryOnASmallSite(t *testing.T) {
	const small = `
site: {name: Small (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:4840", policy: None, mode: None}]}
sets:
  - name: S
    bodies:
      - {name: B1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p1"}}}
      - {name: B2, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p2"}, level: {node: "nsu=urn:x;s=l2"}}}
`
	s := load(t, []byte(small), withoutSite(t))
	var names []string
	for _, a := range s.Alarms() {
		names = append(names, a.Name)
	}
	for _, want := range []string{"vacuum_low.S.B2", "level_high.S.B2", "pressure_reversed.S.B1", "bad_quality_flood"} {
		if !slices.Contains(names, want) {
			t.Errorf("%s is missing of %v", want, names)
		}
	}
}

// The rule files to copy from load where their vessels and instruments are; that they
// call is in the scenarios.
func TestRulesToCopy(t *testing.T) {
	for _, c := range []struct {
		plant, rules string
		alarms       int
	}{
		{"own_instruments", "site_instruments", 4},
		{"continuous", "continuous_pans", 11}, // five of the first compartment, three of each other
	} {
		plants, err := scenarioFiles("scenarios/plants/" + c.plant + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		data, err := fs.ReadFile(Rules(), "more/"+c.rules+".yaml")
		if err != nil {
			t.Fatal(err)
		}
		s := load(t, plants[0].Data, []rules.File{{Name: c.rules + ".yaml", Data: data}})
		if n := len(s.Alarms()); n != c.alarms {
			t.Errorf("%s: %d alarms, want %d", c.rules, n, c.alarms)
		}
		sayWell(t, s.Alarms())
		// What its head tells the reader to write is what stands in the plant file.
		for _, m := range regexp.MustCompile(`(?m)^#     (\w+: \{node: )`).FindAllStringSubmatch(string(data), -1) {
			if !strings.Contains(string(plants[0].Data), "  "+m[1]) {
				t.Errorf("%s: the plant file has no %s", c.rules, m[1])
			}
		}
	}
}
