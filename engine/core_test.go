package engine_test

import (
	"testing"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// The first value of a signal may be hours old, and signals of one condition
// come with source times out of step: what the frame takes is never lost to an
// alarm because something else of its condition was newer.
func TestOlderSourceTimeIsNotLost(t *testing.T) {
	h, err := plant.Load("plant.yaml", []byte(`site: {name: Small Mill (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets:
  - name: EV
    bodies:
      - name: B1
        heating_surface_m2: 100
        tags: {vapour_pressure: {node: "nsu=u;s=p", unit: kPa}, level: {node: "nsu=u;s=l", unit: "%"}}
`))
	if err != nil {
		t.Fatal(err)
	}
	file := `derived:
  - {name: works, dimension: state, meaning: works, expr: "EV.B1.level >= 0"}
alarms:
` + oneRule("gated", "EV.B1.vapour_pressure > 50", "only_when: works") +
		oneRule("two", "EV.B1.vapour_pressure > 50 and EV.B1.level > 10", "")
	c, err := engine.New(h, []rules.File{{Name: "a.yaml", Data: []byte(file)}}, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	tag := func(path string) plant.TagID {
		x, ok := h.Find(path)
		if !ok {
			t.Fatal(path)
		}
		return x.ID
	}
	at := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	c.Begin(at)
	c.Scan(at)
	sample := func(path string, v float64, source, now time.Time) {
		if !c.Sample(plant.Sample{Tag: tag(path), Point: plant.Point{Time: source, Value: v, Quality: plant.Good}}, now) {
			t.Fatalf("%s was not taken", path)
		}
	}
	now := at.Add(3 * time.Second)
	sample("EV.B1.level", 30, at.Add(2*time.Second), now)
	sample("EV.B1.vapour_pressure", 60, at.Add(-5*time.Hour), now)
	c.Scan(now)
	c.Alarms.Advance(now.Add(time.Minute))
	for _, name := range []string{"gated", "two"} {
		i, _ := c.Alarms.Index(name)
		if st := c.Alarms.Status(i); !st.Active {
			t.Errorf("%s: the condition has been true for a minute and it is %s", name, st.Word)
		}
	}
}

func oneRule(name, when, more string) string {
	return `
  - name: ` + name + `
    title: "Invented ` + name + `"
    when: ` + when + `
    priority: high
    priority_reason: a test
    severity: severe
    time_to_respond: 10m
    cause: a test
    consequence: none
    response: look
    verify: look
    hazard: none
    procedure: "none"
    ` + more + "\n"
}
