package historian

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"calandria/plant"
)

// checkMerged compares Merged with the samples that Query gives path by path,
// sorted by the library.
func checkMerged(t *testing.T, a *Archive, paths []string, from, to time.Time) {
	t.Helper()
	var want []plant.Sample
	for i, p := range paths {
		for v, err := range a.Query(context.Background(), p, from, to) {
			if err != nil {
				t.Fatal(err)
			}
			want = append(want, plant.Sample{Tag: plant.TagID(i), Point: v.Point})
		}
	}
	slices.SortStableFunc(want, func(x, y plant.Sample) int { return x.Point.Time.Compare(y.Point.Time) })
	var got []plant.Sample
	err := a.Merged(context.Background(), paths, from, to, func(block []plant.Sample) error {
		if len(block) == 0 || len(block) > mergedBlock {
			t.Fatalf("a block of %d", len(block))
		}
		got = append(got, block...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("%d samples, want %d", len(got), len(want))
	}
	for i := range got {
		if got[i].Tag != want[i].Tag || !equalPoints(got[i].Point, want[i].Point) {
			t.Fatalf("sample %d is %v, want %v", i, got[i], want[i])
		}
	}
}

func TestMerged(t *testing.T) {
	ctx := context.Background()
	now := at(0)
	a, err := Open(t.TempDir(), Options{Now: func() time.Time { return now }, Hot: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	var paths []string
	for k := range 7 { // no power of two
		p := fmt.Sprint("A.x", k)
		paths = append(paths, p)
		var pts []plant.Point
		for i := range 3000 {
			pts = append(pts, good(float64(i*(40+k)), float64(i)))
		}
		mustAppend(t, a, p, pts...)
	}
	mustAppend(t, a, "A.x3", good(400, -1), plant.BadPoint(at(500), plant.BadSensorFailure))
	now = at(80_000)
	if err := a.Maintain(ctx); err != nil { // most in Parquet, the rest hot
		t.Fatal(err)
	}
	paths = append(paths, "A.none", "A.x0")
	checkMerged(t, a, paths, at(-10), at(1e6))
	checkMerged(t, a, paths, at(400), at(401))
	checkMerged(t, a, paths[:1], at(79_000), at(90_000))
	checkMerged(t, a, nil, at(0), at(1e6))

	stop := errors.New("enough")
	n := 0
	err = a.Merged(ctx, paths, at(-10), at(1e6), func([]plant.Sample) error { n++; return stop })
	if !errors.Is(err, stop) || n != 1 {
		t.Fatal(n, err)
	}
}

// BenchmarkMerged reads 160 tags at 10 s for 4 days, values at a resolution.
func BenchmarkMerged(b *testing.B) {
	a, err := Open(b.TempDir(), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	n := fillDays(b, a, 160, 4, 10*time.Second, 0.01)
	var paths []string
	for _, t := range a.Tags() {
		paths = append(paths, t.Path)
	}
	start := cpu(b)
	for b.Loop() {
		var got int64
		var last time.Time
		err := a.Merged(context.Background(), paths, t0.Add(-5*24*time.Hour), t0.Add(time.Hour), func(block []plant.Sample) error {
			got += int64(len(block))
			if block[0].Point.Time.Before(last) {
				return errors.New("out of order")
			}
			last = block[len(block)-1].Point.Time
			return nil
		})
		if err != nil || got != n {
			b.Fatal(got, n, err)
		}
	}
	b.ReportMetric(float64(cpu(b)-start)/float64(b.N)/float64(n), "cpu-ns/sample")
}
