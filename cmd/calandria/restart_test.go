//go:build !race

// Months of arithmetic: the race detector has nothing to see here and takes ten
// times as long. make test runs these in its own ring.

package main

import (
	"context"
	"log/slog"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
)

// memory is an archive in memory: every tag has a sample at each of its times.
type memory struct{ points map[string][]plant.Point }

func (m *memory) add(path string, p plant.Point) { m.points[path] = append(m.points[path], p) }

// Merged implements engine.Past.
func (m *memory) Merged(_ context.Context, paths []string, from, to time.Time, f func([]plant.Sample) error) error {
	var all []plant.Sample
	for i, path := range paths {
		list := m.points[path]
		a, _ := slices.BinarySearchFunc(list, from, func(p plant.Point, t time.Time) int { return p.Time.Compare(t) })
		for _, p := range list[a:] {
			if !p.Time.Before(to) {
				break
			}
			all = append(all, plant.Sample{Tag: plant.TagID(i), Point: p})
		}
	}
	slices.SortStableFunc(all, func(a, b plant.Sample) int { return a.Point.Time.Compare(b.Point.Time) })
	return f(all)
}

// Last implements engine.Past.
func (m *memory) Last(_ context.Context, path string, before time.Time) (plant.Point, bool, error) {
	list := m.points[path]
	n, _ := slices.BinarySearchFunc(list, before, func(p plant.Point, t time.Time) int { return p.Time.Compare(t) })
	if n == 0 {
		return plant.Point{}, false, nil
	}
	return list[n-1], true, nil
}

// Coverage implements archived.
func (m *memory) Coverage(_ context.Context, path string) (plant.Coverage, error) {
	list := m.points[path]
	if len(list) == 0 {
		return plant.Coverage{Path: path}, nil
	}
	return plant.Coverage{Path: path, First: list[0].Time, Last: list[len(list)-1].Time, Samples: int64(len(list))}, nil
}

// A program that is stopped in order or killed, at twenty random moments of a week
// with upsets, a recorded cleaning and strikes, and started again, stands an hour
// later where one stands that never stopped.
func TestRestartsForgetNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("a week of arithmetic: make test runs it")
	}
	const step = time.Minute
	ctx, quiet := context.Background(), slog.New(slog.DiscardHandler)
	h, files, err := demo.House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h.Config.Scan = step
	lived, err := engine.New(h, files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(filepath.Join(t.TempDir(), "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	begun := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	m := simulator.New(11, begun)
	nodes := map[string]int{}
	for i, in := range m.Instruments() {
		nodes[in.Node()] = i
	}
	ar := &memory{points: map[string][]plant.Point{}}
	first := lived.House.Tags[slices.IndexFunc(lived.House.Tags, func(x plant.Tag) bool { return x.Source == plant.Derived })]
	lived.Begin(begun)
	lived.AllWell(begun)

	const steps = int(7 * 24 * time.Hour / step)
	random := rand.New(rand.NewPCG(1, 2))
	stops := map[int]bool{}
	for len(stops) < 20 {
		stops[random.IntN(steps-400)+300] = true
	}
	upsets := map[int]string{1500: "air-leak", 3000: "brix-drift", 5200: "gas-ev4", 7600: "air-leak"}
	checkpoints := make([][]byte, 4) // the last minutes'
	type again struct {
		core  *engine.Core
		until int
	}
	var restarted []again
	for i := range steps {
		at := begun.Add(time.Duration(i) * step)
		m.AdvanceTo(at)
		if name := upsets[i]; name != "" {
			if err := m.Start(name); err != nil {
				t.Fatal(err)
			}
		}
		if name := upsets[i-180]; name != "" {
			if err := m.Clear(name); err != nil {
				t.Fatal(err)
			}
		}
		var samples []plant.Sample
		for k := range lived.House.Tags {
			tag := &lived.House.Tags[k]
			if n, ok := nodes[tag.Node]; ok && tag.Source == plant.Measured {
				r := m.Values()[n]
				v, q := tag.Convert(r.Raw, r.Quality)
				p := plant.Point{Time: at, Value: v, Quality: q}
				ar.add(tag.Path, p)
				samples = append(samples, plant.Sample{Tag: tag.ID, Point: p})
			}
		}
		cores := []*engine.Core{lived}
		for _, r := range restarted {
			cores = append(cores, r.core)
		}
		for _, c := range cores {
			for _, s := range samples {
				c.Sample(s, at)
			}
			c.AllWell(at)
			c.Scan(at)
			c.Alarms.Advance(at)
			if i == 4000 {
				if err := c.Calc.Cleaned("EV.EV4", at.Add(-20*time.Minute), at); err != nil {
					t.Fatal(err)
				}
			}
			c.Calc.TakeFinished()
		}
		if i == 4000 {
			if _, err := j.PutCleaning(plant.Cleaning{Body: "EV.EV4", Start: at.Add(-2 * time.Hour), End: at.Add(-20 * time.Minute), User: "D. Noon"}, plant.Event{Time: at, Kind: plant.EventNote, Source: "EV.EV4"}); err != nil {
				t.Fatal(err)
			}
		}
		ar.add(first.Path, lived.Frame.Points[first.ID])
		events := lived.Drain()
		for _, e := range slices.Clone(events) { // somebody acknowledges and shelves now and then
			if e.Kind == plant.EventAlarm && e.Annunciated && random.IntN(3) > 0 {
				cmd := alerting.Command{Action: alerting.Acknowledge, Alarm: e.Alarm, User: "D. Noon"}
				if random.IntN(4) == 0 {
					cmd = alerting.Command{Action: alerting.TimedShelve, Alarm: e.Alarm, User: "D. Noon", Reason: "known", Duration: 3 * time.Hour}
				}
				for _, c := range cores {
					_ = c.Alarms.Do(cmd, at)
				}
				events = append(events, lived.Drain()...)
			}
		}
		for k := range events {
			events[k].Received = at
		}
		parts, whole, err := lived.Alarms.SaveParts(false)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := j.Append(events, journal.State{Parts: parts, Whole: whole}); err != nil {
			t.Fatal(err)
		}

		for len(restarted) > 0 && restarted[0].until == i {
			sameState(t, lived, restarted[0].core, at)
			restarted = restarted[1:]
		}
		for k := range i {
			if stops[i+k] && k < 4 { // near a stop
				data, err := lived.Save(at.Add(time.Nanosecond))
				if err != nil {
					t.Fatal(err)
				}
				copy(checkpoints[1:], checkpoints)
				checkpoints[0] = data
			}
			if k == 4 {
				break
			}
		}
		if stops[i] {
			age := random.IntN(4) // 0: in order; else the checkpoint is some minutes old
			dir := t.TempDir()
			if err := historian.WriteCheckpoint(dir, service.CheckpointName, checkpoints[age]); err != nil {
				t.Fatal(err)
			}
			core, err := service.NewCore(h, files)
			if err != nil {
				t.Fatal(err)
			}
			b, err := service.Begin(ctx, core, files, ar, j, dir, at.Add(step/2), quiet, nil)
			if err != nil {
				t.Fatal(err)
			}
			if len(b.Events) > 0 {
				t.Errorf("%s: %d events would be journalled twice, first %+v", at.Format("2 15:04"), len(b.Events), b.Events[0])
			}
			restarted = append(restarted, again{b.Core, i + 60})
			slices.SortFunc(restarted, func(a, b again) int { return a.until - b.until })
		}
	}
}

// sameState compares what two cores know.
func sameState(t *testing.T, a, b *engine.Core, at time.Time) {
	t.Helper()
	when := at.Format("2 15:04")
	differ := 0
	for i := range a.Frame.Points {
		p, q := a.Frame.Points[i], b.Frame.Points[i]
		if p.Quality != q.Quality || math.Abs(p.Value-q.Value) > 1e-6*max(1, math.Abs(p.Value)) {
			if differ++; differ < 4 {
				t.Errorf("%s: %s is %v, after the restart %v", when, a.House.Tags[i].Path, p, q)
			}
		}
	}
	if differ > 0 {
		t.Errorf("%s: %d of %d tags differ", when, differ, len(a.Frame.Points))
	}
	for i, spec := range a.Rules.Alarms() {
		if x, y := a.Alarms.Status(i), b.Alarms.Status(i); x.Code != y.Code {
			t.Errorf("%s: %s is %s, after the restart %s", when, spec.Name, x.Word, y.Word)
		}
	}
	for i, s := range a.Calc.Scales("") {
		if r := b.Calc.Scales("")[i]; s.Forecast.Due.Sub(r.Forecast.Due).Abs() > time.Hour || s.Forecast.Status != r.Forecast.Status || len(s.Cycles) != len(r.Cycles) || !s.Started.Equal(r.Started) {
			t.Errorf("%s: %s: %s %v since %v, after the restart %s %v since %v", when, s.Body, s.Forecast.Status, s.Forecast.Due, s.Started, r.Forecast.Status, r.Forecast.Due, r.Started)
		}
	}
	x, y := a.Calc.Suspects(), b.Calc.Suspects()
	if len(x) != len(y) || len(x) > 0 && x[0].What != y[0].What {
		t.Errorf("%s: suspects %v, after the restart %v", when, x, y)
	}
	for i, s := range a.Calc.Strikes() {
		r := b.Calc.Strikes()[i]
		if s.Phase != r.Phase || !s.Since.Equal(r.Since) || (s.Running == nil) != (r.Running == nil) || len(s.Finished) != len(r.Finished) {
			t.Errorf("%s: %s in %s since %v, %d strikes; after the restart in %s since %v, %d strikes", when, s.Pan, s.Phase, s.Since, len(s.Finished), r.Phase, r.Since, len(r.Finished))
		}
	}
}
