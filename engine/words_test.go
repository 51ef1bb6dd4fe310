package engine_test

import (
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// A call of the operator carries the words of the calculated tag that its rule
// names: which instrument is suspect, what took the vacuum.
func TestCallsCarryTheirExplanation(t *testing.T) {
	h, err := plant.Load("plant.demo.yaml", deploy.Demo())
	if err != nil {
		t.Fatal(err)
	}
	files := libraryFiles(t)
	c, err := engine.New(h, files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	c.Calc.NoUncertainty()
	at := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	m := simulator.New(7, at)
	m.SetService(3)
	tags := map[string][]plant.TagID{}
	for i := range h.Tags {
		tags[h.Tags[i].Node] = append(tags[h.Tags[i].Node], plant.TagID(i))
	}
	instruments := m.Instruments()
	c.Begin(at)
	var calls []plant.Event
	run := func(d, step time.Duration) {
		for end := at.Add(d); at.Before(end); {
			at = at.Add(step)
			m.Step(step)
			for i, r := range m.Values() {
				for _, id := range tags[instruments[i].Node()] {
					v, q := h.Tags[id].Convert(r.Raw, r.Quality)
					p := plant.Point{Time: at, Value: v, Quality: q}
					if q.IsBad() {
						p = plant.BadPoint(at, q)
					}
					c.Sample(plant.Sample{Tag: id, Point: p}, at)
				}
			}
			c.AllWell(at)
			c.Scan(at)
			c.Alarms.Advance(at)
			for _, e := range c.Drain() {
				if e.Kind == plant.EventAlarm {
					calls = append(calls, e)
				}
			}
		}
	}
	run(9*time.Hour, 30*time.Second)
	if err := m.Start("air-leak"); err != nil {
		t.Fatal(err)
	}
	calls = nil
	run(15*time.Minute, 10*time.Second)
	for _, e := range calls {
		if e.Alarm == "vacuum_low.EV.EV5" {
			if !strings.HasPrefix(e.Reason, "air or gas explains") {
				t.Errorf("it says %q", e.Reason)
			}
			if a := c.Alarms.Spec(e.Alarm); !strings.HasPrefix(c.Words(a).String(), "air or gas explains") {
				t.Errorf("as things stand it says %q", c.Words(a))
			}
			return
		}
	}
	t.Errorf("no call of the poor vacuum: %v", calls)
}
