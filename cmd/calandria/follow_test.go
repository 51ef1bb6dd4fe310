package main

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/historian"
	"calandria/plant"
)

func demoCore(t *testing.T) *core {
	t.Helper()
	h, err := plant.Load("plant.demo.yaml", deploy.Demo())
	if err != nil {
		t.Fatal(err)
	}
	c, err := newCore(h, nil)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A start in the middle of an upset, and one in a steady hour: after the last hours of
// the archive are lived through, the set is as settled as it was for the program that ran
// all the time. Without an archive, or after a pause, it is not.
func TestStartKnowsWhetherTheSetStoodStill(t *testing.T) {
	ctx := context.Background()
	for _, upset := range []string{"", "steam-dip"} {
		ar, err := historian.Open(t.TempDir(), historian.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer ar.Close()
		lived := demoCore(t)
		h := lived.house
		at := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
		m := simulator.New(7, at)
		m.SetService(3)
		tags := map[string][]plant.TagID{}
		for i := range h.Tags {
			tags[h.Tags[i].Node] = append(tags[h.Tags[i].Node], plant.TagID(i))
		}
		instruments := m.Instruments()
		lived.begin(at)
		var records []historian.Record
		for s := 0; s < 3*3600; s += 10 {
			if upset != "" && s == 3*3600-300 {
				if err := m.StartFull(upset); err != nil {
					t.Fatal(err)
				}
			}
			at = at.Add(10 * time.Second)
			m.Step(10 * time.Second)
			for i, r := range m.Values() {
				for _, id := range tags[instruments[i].Node()] {
					v, q := h.Tags[id].Convert(r.Raw, r.Quality)
					p := plant.Point{Time: at, Value: v, Quality: q}
					lived.sample(plant.Sample{Tag: id, Point: p}, at)
					records = append(records, historian.Record{Path: h.Tags[id].Path, Point: p})
				}
			}
			lived.scan(at)
		}
		if err := ar.Append(records); err != nil {
			t.Fatal(err)
		}
		if err := ar.Flush(ctx); err != nil {
			t.Fatal(err)
		}
		for _, pause := range []time.Duration{10 * time.Second, time.Hour} {
			c := demoCore(t)
			now := at.Add(pause)
			if err := c.follow(ctx, ar, newest(ctx, c.house, ar), now); err != nil {
				t.Fatal(err)
			}
			for i := range c.frame.Points {
				if c.frame.Points[i].Quality.Seen() {
					t.Fatalf("%s stands in the frame", c.house.Tags[i].Path)
				}
			}
			c.begin(now)
			for i := range h.Tags {
				if p := lived.frame.Points[i]; h.Tags[i].Source == plant.Measured && p.Quality.Seen() {
					p.Time = now
					c.accept(plant.Sample{Tag: plant.TagID(i), Point: p}, now)
				}
			}
			c.scan(now)
			if pause == 10*time.Second {
				lived.scan(now)
			}
			known := 0
			for _, b := range h.Of(plant.ClassBody) {
				get := func(c *core, name string) plant.Point {
					tag, ok := c.house.Find(b.Path + "." + name)
					if !ok {
						t.Fatal(name)
					}
					return c.frame.Point(tag.ID)
				}
				settled := get(c, "settled").Value
				if pause > 10*time.Second {
					if settled != 0 {
						t.Errorf("%s counts as settled after a pause of %s", b.Path, pause)
					}
					continue
				}
				if want := get(lived, "settled").Value; settled != want {
					t.Errorf("upset %q, %s: settled %g after the start, %g for one that ran", upset, b.Path, settled, want)
				} else if want > 0 {
					known++
				}
				u, want := get(c, "u"), get(lived, "u")
				if u.Quality != want.Quality || math.Abs(u.Value/want.Value-1) > 0.02 {
					t.Errorf("upset %q, %s.u: %g %v, %g %v for one that ran", upset, b.Path, u.Value, u.Quality, want.Value, want.Quality)
				}
			}
			if pause == 10*time.Second && (known == 5) != (upset == "") {
				t.Errorf("upset %q: %d bodies are settled", upset, known)
			}
		}
	}
}

// The history of scale is read without the hours in which the set moved: a U of these is
// no scale. As while the program runs.
func TestScaleHistoryLeavesOutMovedHours(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	ar, err := historian.Open(dir, historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer ar.Close()
	j, err := historian.OpenJournal(filepath.Join(dir, "journal.db"), historian.JournalOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	now := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	var records []historian.Record
	add := func(path string, at time.Time, v float64, q plant.Quality) {
		records = append(records, historian.Record{Path: path, Point: plant.Point{Time: at, Value: v, Quality: q}})
	}
	// EV4 loses 0.4 % a day; in every fourth hour the set moves and U is half of that.
	// EV3 does the same in an archive that does not tell when it moved.
	for m := range 10 * 24 * 6 {
		at := now.Add(-10*24*time.Hour + time.Duration(m)*10*time.Minute)
		u, q, settled := 1.5*(1-0.004*float64(m)/144), plant.Good, 1.0
		if m/6%4 == 3 {
			u, q, settled = u/2, plant.UncertainDataSubNormal, 0
		}
		add("EV.EV4.u", at, u, q)
		add("EV.EV4.settled", at, settled, plant.Good)
		add("EV.EV3.u", at, u, q)
	}
	if err := ar.Append(records); err != nil {
		t.Fatal(err)
	}
	if err := ar.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	moved, err := unsettledHours(ctx, ar, "EV.EV4", now.Add(-10*24*time.Hour), now)
	if err != nil || len(moved) != 60 {
		t.Errorf("%d hours of 60 are unsettled, %v", len(moved), err)
	}
	c := demoCore(t)
	if err := scaleHistory(ctx, c.house, c.calc, ar, j, now); err != nil {
		t.Fatal(err)
	}
	values := map[string]int{}
	for _, s := range c.calc.Scales("") {
		values[s.Body] = s.Forecast.Values
		if strings.HasSuffix(s.Body, "EV4") && math.Abs(s.Forecast.RatePct-0.4) > 0.3 {
			t.Errorf("scale of %s grows by %.2f %% a day, some 0.4 are right: %s", s.Body, s.Forecast.RatePct, s.Forecast.Note)
		}
	}
	if values["EV.EV4"] > 180 || values["EV.EV4"] < 150 {
		t.Errorf("%v hours go in, of 180 settled ones", values)
	}
}
