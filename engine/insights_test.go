package engine

import (
	"slices"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/plant"
	"calandria/rules"
)

// TestInsightsShared: between two questions every picture gets the same lists,
// and asking for them costs nothing.
func TestInsightsShared(t *testing.T) {
	h, err := plant.Load("plant.demo.yaml", deploy.Demo())
	if err != nil {
		t.Fatal(err)
	}
	c, err := New(h, nil, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var in insights
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	_, first := in.asOf(c.Calc, at, 1)
	if len(first) != 4 || first[0].OK || first[0].Reason == "" {
		t.Fatalf("%+v", first)
	}
	if n := testing.AllocsPerRun(100, func() { in.asOf(c.Calc, at.Add(9*time.Second), 2) }); n != 0 {
		t.Errorf("%v allocations a picture", n)
	}
	if _, again := in.asOf(c.Calc, at.Add(9*time.Second), 2); &again[0] != &first[0] {
		t.Error("asked again within ten seconds")
	}
	_, later := in.asOf(c.Calc, at.Add(10*time.Second), 2)
	if &later[0] == &first[0] {
		t.Error("a list that was handed out is written to again")
	}
	for i := range in.vacuum {
		in.vacuum[i].OK = true
	}
	in.open = false
	for _, x := range []struct {
		after time.Duration
		seq   uint64
		anew  bool
	}{{30 * time.Second, 2, false}, {59 * time.Second, 2, false}, {11 * time.Second, 3, true}, {60 * time.Second, 2, true}, {-time.Second, 2, true}} {
		was := in
		if _, got := was.asOf(c.Calc, in.asked.Add(x.after), x.seq); (&got[0] != &later[0]) != x.anew {
			t.Errorf("%+v: asked anew: %v", x, !x.anew)
		}
	}
}

// TestInsightsNameASuspect: a gauge of the demo's mill that reads 12 kPa too high
// reaches the picture with its tag, its side and a tag to look at.
func TestInsightsNameASuspect(t *testing.T) {
	h, err := plant.Load("plant.demo.yaml", deploy.Demo())
	if err != nil {
		t.Fatal(err)
	}
	c, err := New(h, nil, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	const wrong = "EV.EV3.vapour_pressure"
	to := time.Date(2026, 3, 1, 4, 0, 0, 0, time.UTC)
	m := simulator.New(1, to.Add(-4*time.Hour))
	tags := map[string][]plant.TagID{}
	for i := range h.Tags {
		tags[h.Tags[i].Node] = append(tags[h.Tags[i].Node], plant.TagID(i))
	}
	instruments := m.Instruments()
	c.Begin(to.Add(-4 * time.Hour))
	err = simulator.Past(m, to.Add(-4*time.Hour), to, 30*time.Second, func(at time.Time, rs []simulator.Reading) {
		for i, r := range rs {
			for _, id := range tags[instruments[i].Node()] {
				v, q := h.Tags[id].Convert(r.Raw, r.Quality)
				if h.Tags[id].Path == wrong {
					v += 12
				}
				c.accept(plant.Sample{Tag: id, Point: plant.Point{Time: at, Value: v, Quality: q}}, at)
			}
		}
		c.Scan(at)
	})
	if err != nil {
		t.Fatal(err)
	}
	var in insights
	suspects, vacuum := in.asOf(c.Calc, to, 1)
	if len(suspects) == 0 || suspects[0].Set != "EV" || !slices.Contains(append(suspects[0].Tags, suspects[0].Alike...), wrong) || suspects[0].Sigma <= 0 || suspects[0].Since.IsZero() || suspects[0].Text == "" {
		t.Fatalf("suspects: %+v", suspects)
	}
	if len(vacuum) != 4 || !vacuum[0].OK {
		t.Errorf("vacuum: %+v", vacuum)
	}
}
