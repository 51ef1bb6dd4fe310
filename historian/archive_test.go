package historian

import (
	"context"
	"fmt"
	"math"
	"math/rand"
	"testing"
	"time"

	"calandria/plant"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func at(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }

func good(s, v float64) plant.Point {
	return plant.Point{Time: at(s), Value: v, Quality: plant.Good}
}

func openTest(t testing.TB, dir string, now time.Time) *Archive {
	t.Helper()
	a, err := Open(dir, Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

func collect(t testing.TB, a *Archive, path string, from, to time.Time) []Value {
	t.Helper()
	var out []Value
	for v, err := range a.Query(context.Background(), path, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func mustAppend(t testing.TB, a *Archive, path string, pts ...plant.Point) {
	t.Helper()
	for _, p := range pts {
		if err := a.Append([]Record{{Path: path, Point: p}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
}

func equalPoints(a, b plant.Point) bool {
	return a.Time.Equal(b.Time) && a.Quality.Code() == b.Quality.Code() &&
		(a.Value == b.Value || math.IsNaN(a.Value) && math.IsNaN(b.Value))
}

// A model of the archive in plain Go: what was appended, by the rules of the
// package comment. Random appends, moves, merges and reopenings must agree
// with it.
func TestAgainstModel(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	for seed := range int64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			rng := rand.New(rand.NewSource(seed))
			dir := t.TempDir()
			now := at(0)
			open := func() *Archive {
				a, err := Open(dir, Options{Now: func() time.Time { return now }, Hot: 2 * time.Hour})
				if err != nil {
					t.Fatal(err)
				}
				return a
			}
			a := open()
			defer func() { a.Close() }()
			model := map[string][]plant.Point{}
			paths := []string{"EV.EV1.brix", "EV.EV2.brix", "PA1.level"}
			span := 3600.0 * 24 * 40
			for step := range 150 {
				switch k := rng.Intn(40); {
				case k < 35:
					p := paths[rng.Intn(len(paths))]
					s := float64(rng.Intn(int(span)))
					if rng.Intn(3) == 0 {
						s = float64(rng.Intn(200)) * 3600 // many at one time
					}
					pt := good(s, float64(rng.Intn(3)))
					switch rng.Intn(6) {
					case 0:
						pt = plant.BadPoint(at(s), plant.BadSensorFailure)
					case 1:
						pt.Quality = plant.UncertainSensor
					}
					mustAppend(t, a, p, pt)
					dup := false
					for _, q := range model[p] {
						dup = dup || equalPoints(q, pt)
					}
					if !dup {
						model[p] = append(model[p], pt)
					}
				case k < 37:
					now = at(float64(rng.Intn(int(span * 1.2))))
					if err := a.Maintain(context.Background()); err != nil {
						t.Fatal(err)
					}
				case k == 37:
					if err := a.Close(); err != nil {
						t.Fatal(err)
					}
					a = open()
				default:
					p := paths[rng.Intn(len(paths))]
					from := at(float64(rng.Intn(int(span))))
					to := from.Add(time.Duration(rng.Intn(30*24)) * time.Hour)
					check(t, a, model[p], p, from, to, step)
				}
			}
			for _, p := range paths {
				check(t, a, model[p], p, at(-1), at(span+1), 150)
			}
		})
	}
}

func check(t *testing.T, a *Archive, all []plant.Point, path string, from, to time.Time, step int) {
	t.Helper()
	var s series
	for _, p := range all {
		if !p.Time.Before(from) && p.Time.Before(to) { // R1: start included, end excluded
			s.add(p.Time.UnixNano(), p.Value, p.Quality.Code())
		}
	}
	s.tidy()
	n := 0
	for v, err := range a.Versions(context.Background(), path, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		if n >= s.len() {
			t.Fatalf("step %d: more samples than appended: %v", step, v)
		}
		want := plant.Point{Time: time.Unix(0, s.time[n]), Value: s.value[n], Quality: plant.QualityOf(s.status[n])}
		if !equalPoints(v.Point, want) {
			t.Fatalf("step %d sample %d: got %v, want %v", step, n, v.Point, want)
		}
		n++
	}
	if n != s.len() {
		t.Fatalf("step %d: %d samples, want %d", step, n, s.len())
	}
}
