package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

func (m *smallMill) do(c alerting.Command) {
	m.t.Helper()
	c.User = "tester"
	if err := m.Loop.Do(context.Background(), c); err != nil {
		m.t.Fatal(err)
	}
}

func (m *smallMill) mustReload() {
	m.t.Helper()
	if err := m.reload.Reload(context.Background()); err != nil {
		m.t.Fatal(err)
	}
}

// eventTexts lists events as "KIND alarm: text".
func eventTexts(es []plant.Event) string {
	var b strings.Builder
	for _, e := range es {
		b.WriteString(string(e.Kind) + " " + e.Alarm + ": " + e.Text + "\n")
	}
	return b.String()
}

// What is unchanged keeps its state; what is changed is evaluated anew and
// journalled with old and new; alarms come and go.
func TestReloadKeepsState(t *testing.T) {
	m := newSmallMill(t, "", "alarms:\n"+
		smallRule("kept", "EV.B1.vapour_pressure > 10", "")+
		smallRule("moved", "EV.B1.vapour_pressure > 30", "")+
		smallRule("mended", "EV.B1.level > 10", "")+
		smallRule("gone", "EV.B1.level > 20", "")+
		smallRule("hidden", "EV.B1.level > 30", "suppress_when: EV.B1.vapour_pressure > 5"))
	m.start()
	m.await("start", 10*time.Second, func(s *engine.Picture) bool {
		return m.alarm(s, "kept").Active && m.alarm(s, "mended").Active && m.alarm(s, "hidden").SuppressedOrShelved && !m.alarm(s, "moved").Active
	})
	m.do(alerting.Command{Action: alerting.Acknowledge, Alarm: "kept"})
	m.do(alerting.Command{Action: alerting.Acknowledge, Alarm: "mended"})
	m.do(alerting.Command{Action: alerting.Acknowledge, Alarm: "gone"})
	before := m.await("acknowledged", 5*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "gone").Acked && m.alarm(s, "gone").Active })
	m.rules("alarms:\n" +
		smallRule("new", "EV.B1.level > 35", "") +
		smallRule("moved", "EV.B1.vapour_pressure > 15", "") +
		smallRule("kept", "EV.B1.vapour_pressure > 10", "") +
		smallRule("mended", "EV.B1.level > 90", "") +
		smallRule("hidden", "EV.B1.level > 30", ""))
	m.mustReload()
	snap := m.await("swapped", 5*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "gone") == nil })
	for name, want := range map[string]alerting.State{"kept": alerting.Acknowledged, "moved": alerting.Unacknowledged, "mended": alerting.Normal,
		"new": alerting.Unacknowledged, "hidden": alerting.Unacknowledged} {
		if a := m.alarm(snap, name); a == nil || a.State != want {
			t.Errorf("%s: %+v, want %s", name, a, want)
		}
	}
	if a, b := m.alarm(before, "kept"), m.alarm(snap, "kept"); a.Occurrence != b.Occurrence || !a.ActiveSince.Equal(b.ActiveSince) {
		t.Errorf("the alarm that was kept began anew: %+v", b)
	}
	if n := len(m.Service.Loop.Specs()); n != 5 {
		t.Errorf("%d definitions on the pages, want 5", n)
	}
	got := eventTexts(m.events(plant.EventChange, plant.EventConfig))
	for _, want := range []string{"CHANGE new: added", "CHANGE gone: removed", `CHANGE mended: condition "EV.B1.level is above 10`, "-> \"EV.B1.level is above 90",
		"CHANGE hidden: condition", "CHANGE moved: condition", "CONFIG : rules reloaded: 5 alarms: 1 added, 1 removed, 3 changed; rule files "} {
		if !strings.Contains(got, want) {
			t.Errorf("the journal lacks %q:\n%s", want, got)
		}
	}
	if strings.Contains(got, "CHANGE kept") {
		t.Errorf("the alarm that was kept is journalled as changed:\n%s", got)
	}
	// The same files again: nothing happens.
	m.mustReload()
	if again := eventTexts(m.events(plant.EventChange, plant.EventConfig)); again != got {
		t.Errorf("a reload of the same files is journalled:\n%s", again)
	}
	// A restart goes on from there.
	m.stop()
	m.start()
	m.await("after a restart", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "kept").State == alerting.Acknowledged })
	if err := m.Journal.Verify(context.Background()); err != nil {
		t.Error(err)
	}
}

// Derived tags may come, go and change places; their values, the pages, the
// archive and the metrics follow.
func TestReloadOfDerivedTags(t *testing.T) {
	derived := func(name, value string) string {
		return "\n  - name: " + name + "\n    expr: " + value + "\n    unit: kPa\n    dimension: pressure\n    meaning: \"Invented " + name + "\"\n"
	}
	alarms := "\nalarms:\n" + smallRule("high", "double > kPa(30)", "")
	m := newSmallMill(t, "", "derived:"+derived("double", "EV.B1.vapour_pressure * 2")+derived("old", "EV.B1.vapour_pressure * 3")+alarms)
	m.start()
	value := func(s *engine.Picture, path string) float64 {
		tag, ok := s.House.Find(path)
		if !ok {
			return -1
		}
		return s.Frame.Point(tag.ID).Value
	}
	m.await("start", 10*time.Second, func(s *engine.Picture) bool {
		return value(s, "double") == 40 && value(s, "old") == 60 && m.alarm(s, "high").Active
	})
	m.do(alerting.Command{Action: alerting.Acknowledge, Alarm: "high"})
	m.rules("derived:" + derived("first", "EV.B1.vapour_pressure + kPa(1)") + derived("double", "EV.B1.vapour_pressure * 2") + alarms)
	m.mustReload()
	snap := m.await("swapped", 5*time.Second, func(s *engine.Picture) bool {
		return value(s, "first") == 21 && value(s, "double") == 40 && value(s, "old") == -1
	})
	if a := m.alarm(snap, "high"); a.State != alerting.Acknowledged {
		t.Errorf("the alarm on a derived tag is %s", a.Code)
	}
	metrics := unsited(m.get("/metrics"))
	for name, want := range map[string]bool{"calandria_site_first_pascals 21000": true, "calandria_site_double_pascals 40000": true, "calandria_site_old_pascals": false} {
		if strings.Contains(metrics, name) != want {
			t.Errorf("/metrics: %s: %t", name, !want)
		}
	}
	if err := m.Archive.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	if p, ok, err := m.Archive.Last(context.Background(), "first"); err != nil || !ok || p.Value != 21 {
		t.Errorf("archive: %+v %t %v", p, ok, err)
	}
	for _, tag := range m.Archive.Tags() {
		if tag.Path == "first" && tag.Unit != "kPa" {
			t.Errorf("archived as %+v", tag)
		}
	}
	// What is worked out otherwise shows at the alarm above it.
	m.rules("derived:" + derived("first", "EV.B1.vapour_pressure + kPa(1)") + derived("double", "EV.B1.vapour_pressure") + alarms)
	m.mustReload()
	m.await("returned", 5*time.Second, func(s *engine.Picture) bool { return value(s, "double") == 20 && !m.alarm(s, "high").Active })
	if got := eventTexts(m.events(plant.EventChange)); !strings.Contains(got, "CHANGE high: a tag beneath its condition") {
		t.Errorf("journal:\n%s", got)
	}
}

// Faulty files change nothing: every fault is logged with its line, the first
// is in the journal. A changed plant file is not taken over, and that is said.
func TestReloadOfFaultyFiles(t *testing.T) {
	good := "alarms:\n" + smallRule("kept", "EV.B1.vapour_pressure > 10", "")
	m := newSmallMill(t, "", good)
	m.start()
	before := m.await("start", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "kept").Active })
	for _, c := range []struct{ name, text, want string }{
		{"two faults", "alarms:\n" + smallRule("kept", "EV.B1.vapour_presure > 10", "") + smallRule("other", "EV.B1.level >", ""), "did you mean"},
		{"no YAML", "alarms: [", "a.yaml"},
		{"empty", "", "a.yaml"},
		{"mixed units", "alarms:\n" + smallRule("kept", "EV.B1.vapour_pressure > EV.B1.level", ""), "a.yaml:5"},
		{"twice", good + smallRule("kept", "EV.B1.level > 10", ""), "a.yaml"},
	} {
		m.rules(c.text)
		if err := m.reload.Reload(context.Background()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
		es := m.events(plant.EventConfig)
		if last := es[len(es)-1].Text; !strings.Contains(last, "the rules are not reloaded, the old rules stay in force: ") || !strings.Contains(last, "a.yaml") {
			t.Errorf("%s: journal %q", c.name, last)
		}
	}
	if n := strings.Count(m.log.String(), "rules not reloaded"); n < 6 {
		t.Errorf("logged %d times, want each fault:\n%s", n, m.log)
	}
	at := m.Loop.Picture().At
	snap := m.await("next picture", 5*time.Second, func(s *engine.Picture) bool { return s.At.After(at) })
	if a := m.alarm(snap, "kept"); !a.Active || a.Occurrence != m.alarm(before, "kept").Occurrence || snap.House != before.House {
		t.Errorf("something changed: %+v", a)
	}
	if err := os.Remove(filepath.Join(m.dir, "rules", "a.yaml")); err != nil {
		t.Fatal(err)
	}
	if err := m.reload.Reload(context.Background()); err == nil || !strings.Contains(err.Error(), "no file matches") {
		t.Errorf("no rule file: %v", err)
	}
	m.rules(good + smallRule("second", "EV.B1.level > 10", ""))
	m.write("plant.yaml", smallPlant+"# changed\n")
	m.mustReload()
	m.await("the second alarm", 5*time.Second, func(s *engine.Picture) bool { a := m.alarm(s, "second"); return a != nil && a.Active })
	if !strings.Contains(m.log.String(), "plant.yaml has changed: that takes a restart") {
		t.Errorf("log:\n%s", m.log)
	}
}

// Alarms on measured tags are asked at once, as of their newest sample, and the
// windows of unchanged rules stay filled.
func TestAdoptInTheCore(t *testing.T) {
	const yaml = `site: {name: Mill (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:4840", policy: None}]}
sets:
  - name: EV
    bodies:
      - {name: B1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p"}, level: {node: "nsu=urn:x;s=l"}}}
`
	build := func(limit string) *engine.Core {
		h, err := plant.Load("plant.yaml", []byte(yaml))
		if err != nil {
			t.Fatal(err)
		}
		c, err := engine.New(h, []rules.File{{Name: "a.yaml", Data: []byte("alarms:\n" + smallRule("limit", "EV.B1.vapour_pressure > "+limit, "") +
			smallRule("mean", `avg(EV.B1.level, "10m") > 30`, ""))}}, rules.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	c := build("20")
	at := time.Date(2026, 3, 27, 6, 0, 0, 0, time.UTC)
	send := func(path string, v float64) {
		tag, _ := c.House.Find(path)
		c.Sample(plant.Sample{Tag: tag.ID, Point: plant.Point{Time: at, Value: v, Quality: plant.Good}}, at)
	}
	for range 601 {
		send("EV.B1.vapour_pressure", 15)
		send("EV.B1.level", 40)
		c.Scan(at)
		at = at.Add(time.Second)
	}
	status := func(name string) alerting.Status {
		i, _ := c.Alarms.Index(name)
		return c.Alarms.Status(i)
	}
	if status("limit").Active || !status("mean").Active {
		t.Fatal("the scene is not set")
	}
	newest := status("limit").InputTime
	c.Alarms.Drain()
	if err := c.Adopt(build("10"), at); err != nil {
		t.Fatal(err)
	}
	if a := status("limit"); !a.Active || !a.ActiveSince.Equal(newest) {
		t.Errorf("the limit that moved: %+v, want active since its newest sample %s", a, newest)
	}
	c.Scan(at)
	if a := status("mean"); !a.Active || a.Quality != plant.Good {
		t.Errorf("the window was emptied: %+v", a)
	}
	// Another plant is refused.
	h, err := plant.Load("plant.yaml", []byte(strings.Replace(yaml, "level:", "brix:", 1)))
	if err != nil {
		t.Fatal(err)
	}
	other, err := engine.New(h, nil, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Adopt(other, at); err == nil || !strings.Contains(err.Error(), "restart") {
		t.Errorf("another plant: %v", err)
	}
}
