package main

import (
	"testing"
	"time"

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
` + smallRule("gated", "EV.B1.vapour_pressure > 50", "only_when: works") +
		smallRule("two", "EV.B1.vapour_pressure > 50 and EV.B1.level > 10", "")
	c, err := newCore(h, []rules.File{{Name: "a.yaml", Data: []byte(file)}})
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
	c.begin(at)
	c.scan(at)
	sample := func(path string, v float64, source, now time.Time) {
		if !c.sample(plant.Sample{Tag: tag(path), Point: plant.Point{Time: source, Value: v, Quality: plant.Good}}, now) {
			t.Fatalf("%s was not taken", path)
		}
	}
	now := at.Add(3 * time.Second)
	sample("EV.B1.level", 30, at.Add(2*time.Second), now)
	sample("EV.B1.vapour_pressure", 60, at.Add(-5*time.Hour), now)
	c.scan(now)
	c.alarms.Advance(now.Add(time.Minute))
	for _, name := range []string{"gated", "two"} {
		i, _ := c.alarms.Index(name)
		if st := c.alarms.Status(i); !st.Active {
			t.Errorf("%s: the condition has been true for a minute and it is %s", name, st.Word)
		}
	}
	if n := c.alarms.Late(); n > 0 {
		t.Errorf("%d inputs were thrown away", n)
	}
}
