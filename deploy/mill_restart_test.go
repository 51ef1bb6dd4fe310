//go:build detection

package deploy

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// millPast is the archive of a mill in memory: what its instruments sent, by path.
type millPast map[string][]plant.Point

// Merged implements engine.Past.
func (p millPast) Merged(_ context.Context, paths []string, from, to time.Time, f func([]plant.Sample) error) error {
	var all []plant.Sample
	for i, path := range paths {
		list := p[path]
		a, _ := slices.BinarySearchFunc(list, from, func(p plant.Point, t time.Time) int { return p.Time.Compare(t) })
		for _, x := range list[a:] {
			if !x.Time.Before(to) {
				break
			}
			all = append(all, plant.Sample{Tag: plant.TagID(i), Point: x})
		}
	}
	slices.SortStableFunc(all, func(a, b plant.Sample) int { return a.Point.Time.Compare(b.Point.Time) })
	return f(all)
}

// Last implements engine.Past.
func (p millPast) Last(_ context.Context, path string, before time.Time) (plant.Point, bool, error) {
	list := p[path]
	n, _ := slices.BinarySearchFunc(list, before, func(p plant.Point, t time.Time) int { return p.Time.Compare(t) })
	if n == 0 {
		return plant.Point{}, false, nil
	}
	return list[n-1], true, nil
}

// A program that stops at any moment, in order or with a checkpoint some minutes old, and starts
// again with the archive of the gap, stands an hour later where one stands that never stopped.
func TestDetectionMillsRestart(t *testing.T) {
	const step = 30 * time.Second
	for _, name := range []string{"A", "B"} {
		h := blindHouses[name](3, 20)
		m := newMillRun(t, h)
		past := millPast{}
		m.sent = func(path string, p plant.Point) { past[path] = append(past[path], p) }
		r := rand.New(rand.NewPCG(7, 7))
		m.until(h.begin.Add(36*time.Hour), step)
		for n := range 12 {
			m.until(m.now.Add(time.Duration(r.IntN(9*3600))*time.Second).Truncate(step), step)
			data, err := m.core.Save(m.now)
			if err != nil {
				t.Fatal(err)
			}
			saved := m.now
			m.until(m.now.Add(time.Duration(r.IntN(40*n+1))*step), step) // it is down, or its checkpoint is old
			cp, err := engine.ReadCheckpoint(data)
			if err != nil {
				t.Fatal(err)
			}
			house, err := plant.Load("plant.yaml", []byte(h.plant()))
			if err != nil {
				t.Fatal(err)
			}
			files := slices.DeleteFunc(ruleFiles(t), func(f rules.File) bool { return f.Name == "demo_site.yaml" })
			again, err := engine.Resume(house, files, cp, m.now)
			if err != nil {
				t.Fatal(err)
			}
			if err := again.Follow(context.Background(), past, saved, m.now.Add(time.Nanosecond), engine.Steps{{Step: step}}, func(at time.Time) error { acknowledge(again, at); return nil }); err != nil {
				t.Fatal(err)
			}
			m.also = again
			m.until(m.now.Add(time.Hour), step)
			m.also = nil
			differ := 0
			for i := range m.core.Frame.Points {
				p, q := m.core.Frame.Points[i], again.Frame.Points[i]
				if p.Quality != q.Quality || math.Abs(p.Value-q.Value) > 1e-6*max(1, math.Abs(p.Value)) {
					if differ++; differ < 5 {
						t.Errorf("%s %s, %v old: %s is %v, after the restart %v", name, m.now.Format("2 15:04:05"), m.now.Sub(saved), m.house.Tags[i].Path, p, q)
					}
				}
			}
			for i, spec := range m.core.Rules.Alarms() {
				if x, y := m.core.Alarms.Status(i), again.Alarms.Status(i); x.Code != y.Code {
					t.Errorf("%s %s: %s is %s, after the restart %s", name, m.now.Format("2 15:04"), spec.Name, x.Word, y.Word)
				}
			}
			t.Logf("%s %s, checkpoint %v old: %d of %d tags differ", name, m.now.Format("2 15:04:05"), m.now.Sub(saved)-time.Hour, differ, len(m.core.Frame.Points))
		}
	}
}
