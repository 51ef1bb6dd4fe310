package deploy

import (
	"bytes"
	"flag"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/collector/simulator"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
	"calandria/thermo/pan"
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
	addSystemTags(t, h)
	return h, calc
}

// addSystemTags adds the facts about itself that the program offers to rules.
func addSystemTags(t *testing.T, h *plant.House) {
	t.Helper()
	for name, d := range map[string]plant.Dimension{
		"scan_overruns": plant.AnyDimension, "archive_ok": plant.State, "journal_ok": plant.State, "forward_ok": plant.State, "notify_ok": plant.State,
		"bad_tags_pct": plant.Percent, "sample_age": plant.Duration, "rule_faults": plant.AnyDimension, "alarm_state_ok": plant.State,
		"server_mill_connected": plant.State,
	} {
		if _, err := h.AddTag(plant.Tag{Path: "calandria." + name, Owner: "calandria", Class: plant.ClassSystem, Name: name, Dimension: d, Source: plant.System}); err != nil {
			t.Fatal(err)
		}
	}
}

func TestRuleLibraryLoads(t *testing.T) {
	h, _ := demoHouse(t)
	s, err := rules.Load(ruleFiles(t), h, rules.Options{Names: thermo.Names()})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range s.Notes() {
		t.Logf("%s:%d: %s: %s", n.File, n.Line, n.Rule, n.Text)
	}
	t.Logf("%d alarms, %d derived", len(s.Alarms()), len(s.Derived()))
}

// A body whose diameter is known has the alarm of its vapour's velocity, the others not.
func TestVapourVelocityRule(t *testing.T) {
	data := bytes.Replace(Demo(), []byte("        tube_length_m: 2.25\n"), []byte("        tube_length_m: 2.25\n        diameter_m: 4\n"), 1)
	h, err := plant.Load("plant.demo.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := thermo.New(h); err != nil {
		t.Fatal(err)
	}
	addSystemTags(t, h)
	s, err := rules.Load(ruleFiles(t), h, rules.Options{Names: thermo.Names()})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, a := range s.Alarms() {
		if strings.HasPrefix(a.Name, "vapour_velocity_high") {
			got = append(got, a.Name+" "+a.Title)
		}
	}
	if len(got) != 1 || got[0] != "vapour_velocity_high.EV.EV5 Body 5: vapour above 4.6 m/s off the juice, juice may go over with it" {
		t.Errorf("%q", got)
	}
	sayWell(t, s.Alarms())
}

// mill runs the invented mill, the quantities, the rules and the alarms in one
// loop, as the program does, but on event time.
type mill struct {
	t      *testing.T
	model  *simulator.Model
	house  *plant.House
	calc   *thermo.Calculator
	set    *rules.Set
	engine *alerting.Engine
	frame  *plant.Frame
	now    time.Time
	tags   [][]plant.TagID // by instrument
	system map[string]float64

	cleaned bool
	seen    []plant.Event // annunciated alarms, all of them
	quiet   bool          // log nothing
	events  []plant.Event // all of them
	// alter changes what an instrument reads, in the units of the program.
	alter func(path string, v float64) float64
	// lost says whether a tag has no usable value; each is called at every step.
	lost func(path string) bool
	each func()
}

func newMill(t *testing.T, start time.Time, days float64) *mill {
	t.Helper()
	return millWith(t, 7, start, days)
}

func millWith(t *testing.T, seed uint64, start time.Time, days float64) *mill {
	t.Helper()
	m := &mill{t: t, now: start, model: simulator.New(seed, start)}
	m.model.SetService(days)
	m.house, m.calc = demoHouse(t)
	var err error
	if m.set, err = rules.Load(ruleFiles(t), m.house, rules.Options{Names: thermo.Names()}); err != nil {
		t.Fatal(err)
	}
	if m.engine, err = alerting.New(m.set.Alarms()); err != nil {
		t.Fatal(err)
	}
	m.calc.NoUncertainty()
	m.frame = plant.NewFrame(len(m.house.Tags))
	for _, in := range m.model.Instruments() {
		var ids []plant.TagID
		for i := range m.house.Tags {
			if m.house.Tags[i].Node == in.Node() {
				ids = append(ids, plant.TagID(i))
			}
		}
		m.tags = append(m.tags, ids)
	}
	m.system = map[string]float64{"archive_ok": 1, "journal_ok": 1, "forward_ok": 1, "notify_ok": 1, "alarm_state_ok": 1, "server_mill_connected": 1}
	return m
}

// run lets time pass in steps and returns the names of the alarms that were
// annunciated, each once, in order.
func (m *mill) run(d, step time.Duration) []string {
	var raised []string
	feed := func(i int, in plant.AlarmInput) { m.engine.Feed(i, in) }
	put := func(id plant.TagID, p plant.Point) { m.frame.Points[id] = p }
	hide := func(i int, tr plant.Truth, reason string) {
		m.engine.SuppressWhile(i, "plant state", tr, reason, m.now)
	}
	for end := m.now.Add(d); m.now.Before(end); {
		m.now = m.now.Add(step)
		m.model.Step(step)
		bad, measured := 0, 0
		for i, r := range m.model.Values() {
			for _, id := range m.tags[i] {
				v, q := m.house.Tags[id].Convert(r.Raw, r.Quality)
				if m.alter != nil {
					v = m.alter(m.house.Tags[id].Path, v)
				}
				p := plant.Point{Time: m.now, Value: v, Quality: q}
				if m.lost != nil && m.lost(m.house.Tags[id].Path) {
					q = plant.BadNoCommunication
				}
				if q.IsBad() {
					p = plant.BadPoint(m.now, q)
					bad++
				}
				measured++
				m.frame.Points[id] = p
				m.set.Sample(m.frame, id, feed, hide)
			}
		}
		m.frame.At = m.now
		m.system["bad_tags_pct"] = 100 * float64(bad) / float64(measured)
		for i := range m.house.Tags {
			if t := &m.house.Tags[i]; t.Source == plant.System {
				put(t.ID, plant.Point{Time: m.now, Value: m.system[t.Name], Quality: plant.Good})
			}
		}
		for _, v := range m.calc.Step(m.frame, m.now) {
			put(v.Tag, v.Point)
		}
		m.set.Scan(m.frame, m.now, put, feed, hide)
		m.engine.Advance(m.now)
		if m.each != nil {
			m.each()
		}
		if tag, ok := m.house.Find("EV.EV1.cleaning"); ok && m.frame.Point(tag.ID).Value == 1 {
			m.cleaned = true
		}
		for _, ev := range m.engine.Drain() {
			if ev.Kind == plant.EventAlarm { // as the program does
				if x, ok := m.house.Find(m.spec(ev.Alarm).Explain); ok {
					ev.Reason = m.calc.Words(x.ID)
				}
			}
			m.events = append(m.events, ev)
			if ev.Kind != plant.EventAlarm || !ev.Annunciated {
				continue
			}
			m.seen = append(m.seen, ev)
			if slices.Contains(raised, ev.Alarm) {
				continue
			}
			raised = append(raised, ev.Alarm)
			if !m.quiet {
				m.t.Logf("%s %s, %s", m.now.Format("2 15:04:05"), ev.Alarm, ev.Priority)
			}
		}
	}
	return raised
}

// In normal running nobody is called: over a day with the usual
// disturbances, strikes and noise not one alarm is annunciated.
func TestRulesAreCalmWhenNormal(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	m := newMill(t, start, 3)
	if got := m.run(24*time.Hour, 10*time.Second); len(got) > 0 {
		t.Errorf("annunciated in normal running: %v", got)
	}
	for _, f := range m.set.Faults() {
		t.Errorf("rule fault: %+v", f)
	}
}

// Each upset of the invented mill brings the alarm that names it, and a
// cleaning brings none: what must be seen first, from the description of the
// upsets (our own model; no source outside).
func TestRulesNameEachUpset(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	m := newMill(t, start, 3)
	m.run(9*time.Hour, 20*time.Second)
	for _, c := range []struct {
		upset string
		lasts time.Duration
		want  []string
		never []string
	}{
		{"air-leak", time.Hour, []string{"vacuum_low.EV.EV5", "air_leak.EV.EV5"}, []string{"cooling_water_short.EV.EV5"}},
		{"water-loss", time.Hour, []string{"vacuum_low.EV.EV5", "cooling_water_short.EV.EV5"}, []string{"air_leak.EV.EV5"}},
		{"steam-dip", time.Hour, []string{"steam_pressure_dip.EV"}, []string{"vacuum_low.EV.EV5", "cleaning_due.EV.EV5"}},
		{"flooding-ev3", time.Hour, []string{"condensate_level_high_high.EV.EV3"}, []string{"u_step_down.EV.EV3", "cleaning_due.EV.EV3"}},
		{"gas-ev4", 90 * time.Minute, []string{"gas_in_calandria.EV.EV4"}, []string{"cleaning_due.EV.EV4"}},
		{"low-level-ev2", time.Hour, []string{"level_low.EV.EV2"}, []string{"u_step_down.EV.EV2", "cleaning_due.EV.EV2"}},
		{"entrainment-ev3", time.Hour, []string{"condensate_sugar.EV.EV4"}, []string{"boiler_condensate_sugar.EV.EV1"}},
		{"bleed-ev2", time.Hour, []string{"bleed_outlet_hot.EV.EV2.secondary_heater"}, nil},
		// A drift shows as the last day against the last week: not within a shift.
		{"brix-drift", 30 * time.Hour, []string{"solids_not_closed.EV"}, nil},
	} {
		start := m.model.Start
		if c.upset == "gas-ev4" || c.upset == "brix-drift" {
			start = m.model.StartFull // they take hours and days
		}
		if err := start(c.upset); err != nil {
			t.Fatal(err)
		}
		t.Log(c.upset)
		got := m.run(c.lasts, 10*time.Second)
		for _, w := range c.want {
			if !slices.Contains(got, w) {
				t.Errorf("%s: %s did not come; came: %v", c.upset, w, got)
			}
		}
		for _, n := range c.never {
			if slices.Contains(got, n) {
				t.Errorf("%s: %s came", c.upset, n)
			}
		}
		if len(got) > 6 {
			t.Errorf("%s: a flood of %d alarms: %v", c.upset, len(got), got)
		}
		if err := m.model.Clear(c.upset); err != nil {
			t.Fatal(err)
		}
		m.run(3*time.Hour, 20*time.Second)
	}
}

// The set is stopped, cleaned and started again without a flood.
func TestRulesThroughACleaning(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	m := newMill(t, start, 10.9)
	got := m.run(24*time.Hour, 10*time.Second)
	if !m.cleaned {
		t.Fatal("the mill was not cleaned; the test shows nothing")
	}
	for _, a := range got {
		switch a {
		// At the end of its cycle the set is at its limits: what these say is true.
		case "cleaning_due.EV.EV5", "steam_at_header_limit.EV", "syrup_brix_low.EV":
		default:
			t.Errorf("%s was annunciated", a)
		}
	}
}

var start = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

// What every alarm of the library has to say, and what it must not.
func TestRuleLibraryIsRationalised(t *testing.T) {
	h, _ := demoHouse(t)
	s, err := rules.Load(ruleFiles(t), h, rules.Options{Names: thermo.Names()})
	if err != nil {
		t.Fatal(err)
	}
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
		"archive_failed", "journal_failed", "forwarding_failed", "notices_failed", "alarm_state_lost", "mill_server_lost"}
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
	h, _ := demoHouse(t)
	s, err := rules.Load(ruleFiles(t), h, rules.Options{Names: thermo.Names()})
	if err != nil {
		t.Fatal(err)
	}
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
	t.Log(b.String())
	data, err := os.ReadFile("rules/README.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	i, j := strings.Index(text, "<!-- priorities:begin -->"), strings.Index(text, "<!-- priorities:end -->")
	if i < 0 || j < i {
		t.Fatal("rules/README.md has no place for the priorities")
	}
	j += len("<!-- priorities:end -->")
	if text[i:j] == b.String() {
		return
	}
	if !*update {
		t.Fatal("rules/README.md states another distribution; go test ./deploy -run Distribution -update")
	}
	if err := os.WriteFile("rules/README.md", []byte(text[:i]+b.String()+text[j:]), 0o644); err != nil {
		t.Fatal(err)
	}
}

// No over-pressure limit and no motor rating is stated by the library: without
// a file of the site's own these alarms do not run.
func TestLimitsOfTheSiteAreLeftToIt(t *testing.T) {
	h, _ := demoHouse(t)
	var files []rules.File
	for _, f := range ruleFiles(t) {
		if f.Name != "demo_site.yaml" {
			files = append(files, f)
		}
	}
	s, err := rules.Load(files, h, rules.Options{Names: thermo.Names()})
	if err != nil {
		t.Fatal(err)
	}
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
	h, err := plant.Load("plant.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := thermo.New(h); err != nil {
		t.Fatal(err)
	}
	addSystemTags(t, h)
	var files []rules.File
	for _, f := range ruleFiles(t) {
		if f.Name != "demo_site.yaml" {
			files = append(files, f)
		}
	}
	s, err := rules.Load(files, h, rules.Options{Names: thermo.Names()})
	if err != nil {
		t.Fatal(err)
	}
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

// A set whose juice is metered by volume has the alarms on the juice too, and one
// with pressures of its bodies alone is not held to stand still for ever, which
// would silence every alarm that waits for it to run.
func TestRulesWithTheMetersThereAre(t *testing.T) {
	const head = `
site: {name: Small (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:4840", policy: None, mode: None}]}
sets:
  - name: S
`
	const bodies = `
    bodies:
      - {name: B1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p1"}}}
      - {name: B2, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p2"}}}
`
	const volume = `
    tags:
      juice_volume_flow: {node: "nsu=urn:x;s=f", unit: m3/h}
      steam_pressure: {node: "nsu=urn:x;s=p0"}
`
	cases := []struct {
		name, config string
		read         map[string]float64
		running      float64
		alarm        string // comes within ten minutes
	}{
		{"juice by volume", head + volume + bodies, map[string]float64{"S.juice_volume_flow": 200, "S.steam_pressure": 200}, 1, ""},
		{"juice by volume, lost", head + volume + bodies, map[string]float64{"S.juice_volume_flow": 5, "S.steam_pressure": 200}, 1, "juice_lost.S.B1"},
		{"juice by volume, standing", head + volume + bodies, map[string]float64{"S.juice_volume_flow": 5, "S.steam_pressure": 101}, 0, ""},
		{"pressures only", head + bodies, map[string]float64{"S.B1.vapour_pressure": 160, "S.B2.vapour_pressure": 159.5}, 1, ""},
		{"steam pressure only, standing", head + "    tags: {steam_pressure: {node: \"nsu=urn:x;s=p0\"}}" + bodies, map[string]float64{"S.steam_pressure": 101}, 0, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			h, err := plant.Load("plant.yaml", []byte(c.config))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := thermo.New(h); err != nil {
				t.Fatal(err)
			}
			addSystemTags(t, h)
			var files []rules.File
			for _, f := range ruleFiles(t) {
				if f.Name != "demo_site.yaml" {
					files = append(files, f)
				}
			}
			s, err := rules.Load(files, h, rules.Options{Names: thermo.Names()})
			if err != nil {
				t.Fatal(err)
			}
			engine, err := alerting.New(s.Alarms())
			if err != nil {
				t.Fatal(err)
			}
			f := plant.NewFrame(len(h.Tags))
			put := func(id plant.TagID, p plant.Point) { f.Points[id] = p }
			hide := func(int, plant.Truth, string) {}
			for at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC); at.Minute() < 10; at = at.Add(10 * time.Second) {
				f.At = at
				for path, v := range c.read {
					tag, ok := h.Find(path)
					if !ok {
						t.Fatalf("no tag %s", path)
					}
					put(tag.ID, plant.Point{Time: at, Value: v, Quality: plant.Good})
					s.Sample(f, tag.ID, engine.Feed, hide)
				}
				s.Scan(f, at, put, engine.Feed, hide)
				engine.Advance(at)
			}
			tag, ok := h.Find("S.running")
			if !ok {
				t.Fatalf("no S.running: %v", s.Notes())
			}
			if f.Point(tag.ID).Value != c.running {
				t.Errorf("running is %v (%v), want %v", f.Point(tag.ID).Value, f.Point(tag.ID).Quality, c.running)
			}
			var came []string
			for _, e := range engine.Drain() {
				if e.Kind == plant.EventAlarm && strings.HasPrefix(e.Alarm, "juice_lost") {
					came = append(came, e.Alarm)
				}
			}
			if strings.Join(came, " ") != c.alarm {
				t.Errorf("alarms %v, want %q", came, c.alarm)
			}
		})
	}
}

// The alarms on instruments of the site's own load where those instruments are.
func TestSiteInstruments(t *testing.T) {
	const tags = `
tags:
  syrup_ph: {node: "nsu=urn:x;s=ph", title: "pH of the syrup", range: [0, 14]}
  condensate_tank_vent_temperature: {node: "nsu=urn:x;s=vent", title: "Vent of the condensate tank", dimension: temperature, unit: degC, range: [0, 150]}
  caustic_tank_level: {node: "nsu=urn:x;s=caustic", title: "Caustic tank", dimension: level, unit: "%", range: [0, 110]}
  caustic_transfer: {node: "nsu=urn:x;s=transfer", title: "1 while caustic is pumped", dimension: state}
  tail_water_conductivity: {node: "nsu=urn:x;s=tail", title: "Tail water of the evaporator", dimension: conductivity, unit: uS/cm, range: [0, 5000]}
`
	data, err := fs.ReadFile(Rules(), "more/site_instruments.yaml")
	if err != nil {
		t.Fatal(err)
	}
	demo := string(Demo())
	i := strings.Index(demo, "\ntags:\n")
	h, err := plant.Load("plant.yaml", []byte(demo[:i]+tags))
	if err != nil {
		t.Fatal(err)
	}
	s, err := rules.Load([]rules.File{{Name: "site_instruments.yaml", Data: data}}, h, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(s.Alarms()); n != 4 {
		t.Errorf("%d alarms, want 4", n)
	}
	sayWell(t, s.Alarms())
	// What its head tells the reader to write is what stands here.
	for _, line := range strings.Split(strings.TrimSpace(tags), "\n")[1:] {
		name, _, _ := strings.Cut(strings.TrimSpace(line), ":")
		if !strings.Contains(string(data), "#     "+name+": {node") {
			t.Errorf("the head of the file does not show %s", name)
		}
	}
}

// The file for continuous pans belongs to a pan with compartments, and calls.
func TestContinuousPanRules(t *testing.T) {
	data, err := fs.ReadFile(Rules(), "more/continuous_pans.yaml")
	if err != nil {
		t.Fatal(err)
	}
	h, err := plant.Load("plant.yaml", []byte(`site: {name: Test House (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
pans:
  - name: CP
    grade: C
    liquor_purity_pct: [68, 55]
    tags: {vapour_pressure: {node: "nsu=u;s=p", unit: kPa}, chest_pressure: {node: "nsu=u;s=c", unit: kPa}}
    compartments:
      - {name: K1, title: First, tags: {massecuite_temperature: {node: "nsu=u;s=t"}, level: {node: "nsu=u;s=l"}, feed_valve: {node: "nsu=u;s=v"}, feed_flow: {node: "nsu=u;s=f", unit: t/h}}}
      - {name: K2, title: Second, tags: {massecuite_temperature: {node: "nsu=u;s=t2"}}}
      - {name: K3, title: Third, tags: {massecuite_temperature: {node: "nsu=u;s=t3"}}}
`))
	if err != nil {
		t.Fatal(err)
	}
	calc, err := thermo.New(h)
	if err != nil {
		t.Fatal(err)
	}
	s, err := rules.Load([]rules.File{{Name: "continuous_pans.yaml", Data: data}}, h, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(s.Alarms()); n != 11 { // five of the first compartment, three of each other
		t.Errorf("%d alarms, want 11", n)
	}
	sayWell(t, s.Alarms())
	f := plant.NewFrame(len(h.Tags))
	at := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	put := func(path string, v float64) {
		tag, ok := h.Find(path)
		if !ok {
			t.Fatal(path)
		}
		f.Points[tag.ID] = plant.Point{Time: at, Value: v, Quality: plant.Good}
		s.Sample(f, tag.ID, func(int, plant.AlarmInput) {}, func(int, plant.Truth, string) {})
	}
	raised := map[string]plant.Truth{}
	for range 20 * 6 {
		at = at.Add(10 * time.Second)
		f.At = at
		for path, v := range map[string]float64{"CP.vapour_pressure": 15, "CP.chest_pressure": 120, "CP.K1.massecuite_temperature": 67,
			"CP.K1.level": 50, "CP.K1.feed_valve": 40, "CP.K1.feed_flow": 0, "CP.K2.massecuite_temperature": 55, "CP.K3.massecuite_temperature": 76} {
			put(path, v)
		}
		for _, v := range calc.Step(f, at) {
			f.Points[v.Tag] = v.Point
		}
		emit := func(i int, in plant.AlarmInput) { raised[s.Alarms()[i].Name] = in.Raise }
		s.Scan(f, at, func(id plant.TagID, p plant.Point) { f.Points[id] = p }, emit, func(int, plant.Truth, string) {})
		for i := range s.Alarms() {
			emit(i, s.Input(i, f, at))
		}
	}
	for name, want := range map[string]plant.Truth{"compartment_hot.CP.K3": plant.True, "compartment_hot.CP.K1": plant.False, "compartment_low.CP.K1": plant.True, "compartment_feed_lost.CP.K1": plant.True,
		"compartment_false_grain.CP.K1": plant.True, "compartment_dissolving.CP.K2": plant.True, "compartment_hot.CP.K2": plant.False, "compartment_dissolving.CP.K1": plant.False} {
		if raised[name] != want {
			t.Errorf("%s: %s, want %s", name, raised[name], want)
		}
	}
}

// Conditions that no upset of the mill brings: each is put before its rule by
// altering what the instruments read.
func TestRulesOfRareConditions(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	for _, c := range []struct {
		name   string
		before time.Duration
		lasts  time.Duration
		alter  map[string]func(v float64) float64
		want   string
	}{
		{"caustic in the condensate of a body being cleaned", time.Hour, 3 * time.Minute, map[string]func(float64) float64{
			"EV.EV3.cleaning": func(float64) float64 { return 1 }, "EV.EV3.condensate_conductivity": func(float64) float64 { return 900 }}, "cleaning_liquor_in_condensate.EV.EV3"},
		{"a body being cleaned gets vapour", time.Hour, time.Minute, map[string]func(float64) float64{
			"EV.EV1.cleaning": func(float64) float64 { return 1 }}, "cleaning_not_isolated.EV.EV1"},
		// These speak of what the pan usually does: it has to have boiled five strikes.
		{"no seed taken", 26 * time.Hour, 40 * time.Minute, map[string]func(float64) float64{
			"PA1.feed_valve": func(float64) float64 { return 0 }, "PA1.feed_flow": func(float64) float64 { return 0 }, "PA1.level": func(float64) float64 { return 32 },
			"PA1.massecuite_temperature": func(float64) float64 { return 64.5 }, "PA1.vapour_pressure": func(float64) float64 { return 16 }},
			"seed_or_footing_missing.PA1"},
		{"no footing", 44 * time.Hour, 90 * time.Minute, map[string]func(float64) float64{
			"PB1.level": func(float64) float64 { return 4 }, "PB1.vapour_pressure": func(float64) float64 { return 16 }, "PB1.feed_valve": func(float64) float64 { return 0 }}, "seed_or_footing_missing.PB1"},
		{"vapour far too fast in the last body", 25 * time.Hour, 45 * time.Minute, map[string]func(float64) float64{
			"EV.EV5.vapour_pressure": func(v float64) float64 { return v / 2 }, "CD5.vapour_pressure": func(v float64) float64 { return v / 2 }}, "entrainment_risk.EV.EV5"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMill(t, start, 3)
			m.quiet = true
			m.settle(c.before)
			// From the moment on at which the pan is about to do it.
			for _, x := range []struct {
				path  string
				phase pan.Phase
			}{{"seed_or_footing_missing.PA1", pan.Concentrate}, {"seed_or_footing_missing.PB1", pan.Charge}} {
				if c.want == x.path {
					tag, _ := m.house.Find(x.path[len(x.path)-3:] + ".phase_found")
					for m.frame.Point(tag.ID).Value != float64(x.phase) {
						m.run(20*time.Second, 20*time.Second)
					}
				}
			}
			if was := m.engine.Spec(c.want); was == nil {
				t.Fatalf("no alarm %s", c.want)
			}
			m.alter = func(path string, v float64) float64 {
				if f, ok := c.alter[path]; ok {
					return f(v)
				}
				return v
			}
			if got := m.run(c.lasts, 5*time.Second); !slices.Contains(got, c.want) {
				x, _ := m.house.Find("PA1.supersaturation")
				t.Errorf("%s did not come; came %v (supersaturation of PA1 %v)", c.want, got, m.frame.Point(x.ID).Value)
			}
		})
	}
}

// An instrument that stands still is named after half an hour and the delay, and
// no other with it; that none is named while they flicker is what the quiet days
// and the day with a cleaning show.
func TestRulesNameEachStillInstrument(t *testing.T) {
	still := map[string]string{
		"EV.juice_flow":                "juice_flow_still.EV",
		"EV.juice_brix":                "juice_brix_still.EV",
		"EV.steam_flow":                "steam_flow_still.EV",
		"EV.EV2.level":                 "level_still.EV.EV2",
		"CD5.water_flow":               "water_flow_still.CD5",
		"CD5.water_outlet_temperature": "water_temperature_still.CD5",
		"PA1.level":                    "pan_level_still.PA1",
		"PA1.massecuite_temperature":   "massecuite_temperature_still.PA1",
	}
	m := newMill(t, start, 3)
	m.quiet = true
	m.settle(time.Hour)
	held := map[string]float64{"PA1.level": 65, "PA1.massecuite_temperature": 66} // of a pan that boils
	m.alter = func(path string, v float64) float64 {
		switch path {
		case "PA1.steam_valve", "PA1.feed_valve":
			return 60
		case "PA1.vapour_pressure":
			return 16
		case "PA1.discharge_valve":
			return 0
		}
		if still[path] == "" {
			return v
		}
		if _, ok := held[path]; !ok {
			held[path] = v
		}
		return held[path]
	}
	if got := m.run(33*time.Minute, 5*time.Second); slices.ContainsFunc(got, func(a string) bool { return strings.Contains(a, "_still.") }) {
		t.Errorf("too early: %v", got)
	}
	got := m.run(5*time.Minute, 5*time.Second)
	for path, want := range still {
		if !slices.Contains(got, want) {
			t.Errorf("%s stands still, %s did not come; came %v", path, want, got)
		}
	}
	for _, a := range got {
		if strings.Contains(a, "_still.") && !slices.Contains(slices.Collect(maps.Values(still)), a) {
			t.Errorf("%s came", a)
		}
	}
}
