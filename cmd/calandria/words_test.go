package main

import (
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/plant"
)

// A call of the operator carries the words of the calculated tag that its rule
// names: which instrument is suspect, what took the vacuum.
func TestCallsCarryTheirExplanation(t *testing.T) {
	h, err := plant.Load("plant.demo.yaml", deploy.Demo())
	if err != nil {
		t.Fatal(err)
	}
	files, err := ruleFilesFS(deploy.Rules())
	if err != nil {
		t.Fatal(err)
	}
	c, err := newCore(h, files)
	if err != nil {
		t.Fatal(err)
	}
	c.calc.NoUncertainty()
	at := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	m := simulator.New(7, at)
	m.SetService(3)
	tags := map[string][]plant.TagID{}
	for i := range h.Tags {
		tags[h.Tags[i].Node] = append(tags[h.Tags[i].Node], plant.TagID(i))
	}
	instruments := m.Instruments()
	c.begin(at)
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
					c.sample(plant.Sample{Tag: id, Point: p}, at)
				}
			}
			c.allWell(at)
			c.scan(at)
			c.alarms.Advance(at)
			for _, e := range c.drain() {
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
			if a := c.alarms.Spec(e.Alarm); !strings.HasPrefix(c.words(a), "air or gas explains") {
				t.Errorf("as things stand it says %q", c.words(a))
			}
			return
		}
	}
	t.Errorf("no call of the poor vacuum: %v", calls)
}
