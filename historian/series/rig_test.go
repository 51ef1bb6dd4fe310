package series

import (
	"context"
	"math"
	"testing"
	"time"

	"calandria/historian"
	"calandria/plant"
)

// t0 is the moment that at counts from, in s.
var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func at(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }

func good(s, v float64) plant.Point {
	return plant.Point{Time: at(s), Value: v, Quality: plant.Good}
}

func openTest(t testing.TB, dir string, now time.Time) *historian.Archive {
	t.Helper()
	a, err := historian.Open(dir, historian.Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

func collect(t testing.TB, a *historian.Archive, path string, from, to time.Time) (out []historian.Value) {
	t.Helper()
	for v, err := range a.Query(context.Background(), path, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func mustAppend(t testing.TB, a *historian.Archive, path string, pts ...plant.Point) {
	t.Helper()
	for _, p := range pts {
		if err := a.Append([]plant.Record{{Path: path, Point: p}}); err != nil {
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
