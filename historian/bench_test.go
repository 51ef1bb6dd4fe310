package historian

import (
	"context"
	"fmt"
	"io/fs"
	"math/rand"
	"path/filepath"
	"testing"
	"time"

	"calandria/plant"
)

// fillDays writes invented noisy signals: days of so many tags, a sample each
// step with the jitter of a source clock (0..4 ms).
func fillDays(b testing.TB, a *Archive, tags, days int, step time.Duration, resolution float64) (samples int64) {
	b.Helper()
	w := a.Bulk(context.Background(), nil)
	end := t0
	from := end.Add(-time.Duration(days) * 24 * time.Hour)
	var sigs []*noisy
	var paths []string
	for k := range tags {
		p := fmt.Sprintf("EV.EV%d.signal_%d", k%5+1, k)
		if err := a.Describe(TagInfo{Path: p, Unit: "kPa", Resolution: resolution}); err != nil {
			b.Fatal(err)
		}
		paths = append(paths, p)
		sigs = append(sigs, newNoisy(int64(k), 56, 0.05))
	}
	for at := from; at.Before(end); at = at.Add(step) { // in order of time, as a simulation gives them
		for k, p := range paths {
			v := sigs[k].next()
			pt := plant.Point{Time: at.Add(time.Duration(sigs[k].rng.Intn(5)) * time.Millisecond), Value: v, Quality: plant.Good}
			if err := w.Add(p, pt); err != nil {
				b.Fatal(err)
			}
			samples++
		}
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	return samples
}

func dirBytes(b testing.TB, dir string) (n int64) {
	b.Helper()
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			info, ierr := d.Info()
			if ierr != nil {
				return ierr
			}
			n += info.Size()
		}
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return n
}

// BenchmarkBulk is the fill of the demonstration: samples a second and bytes a
// sample, values kept exactly and at a resolution.
func BenchmarkBulk(b *testing.B) {
	for _, res := range []float64{0, 0.001, 0.01} {
		b.Run(fmt.Sprintf("resolution=%v", res), func(b *testing.B) {
			for b.Loop() {
				dir := b.TempDir()
				a, err := Open(dir, Options{})
				if err != nil {
					b.Fatal(err)
				}
				start := time.Now()
				n := fillDays(b, a, 200, 6, 72*time.Second, res)
				b.ReportMetric(float64(n)/time.Since(start).Seconds(), "samples/s")
				b.ReportMetric(float64(dirBytes(b, filepath.Join(dir, kindRaw)))/float64(n), "B/sample")
				a.Close()
			}
		})
	}
}

// BenchmarkAppend is the live path: one batch a commit, each value at a
// resolution. It reports processor time and bytes of the log; and of the move to
// Parquet, processor time and bytes of the file.
func BenchmarkAppend(b *testing.B) {
	for _, batch := range []int{200, 2000, 20_000} {
		b.Run(fmt.Sprint("batch=", batch), func(b *testing.B) {
			dir := b.TempDir()
			now := t0
			a, err := Open(dir, Options{Now: func() time.Time { return now }})
			if err != nil {
				b.Fatal(err)
			}
			defer a.Close()
			infos, recs := manyTags(batch)
			if err := a.Describe(infos...); err != nil {
				b.Fatal(err)
			}
			rng := rand.New(rand.NewSource(1))
			start := cpu(b)
			for b.Loop() {
				now = now.Add(time.Second)
				for k := range recs {
					p := &recs[k].Point
					p.Time = now.Add(time.Duration(k%7) * time.Millisecond)
					p.Value += float64(rng.Intn(5)-2) / 100
				}
				if err := a.Append(recs); err != nil {
					b.Fatal(err)
				}
				if err := a.Flush(context.Background()); err != nil {
					b.Fatal(err)
				}
			}
			samples := float64(b.N * batch)
			b.ReportMetric(float64(cpu(b)-start)/samples, "cpu-ns/sample")
			b.ReportMetric(float64(dirBytes(b, filepath.Join(dir, hotDir)))/samples, "log-B/sample")
			a.hot.seal()
			start = cpu(b)
			if err := a.move(); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(cpu(b)-start)/samples, "move-cpu-ns/sample")
			b.ReportMetric(float64(dirBytes(b, filepath.Join(dir, kindRaw)))/samples, "raw-B/sample")
		})
	}
}

// BenchmarkRead reads 30 days of a value a second: raw and as roll-ups, to a
// thousand buckets; an hour of them; and all in order of time, as a replay does.
func BenchmarkRead(b *testing.B) {
	ctx := context.Background()
	now := t0
	a, err := Open(b.TempDir(), Options{Now: func() time.Time { return now }})
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	fillDays(b, a, 2, 30, time.Second, 0.01)
	from := t0.Add(-30 * 24 * time.Hour)
	trend := func(name string, from, to time.Time) {
		b.Run(name, func(b *testing.B) {
			began := cpu(b)
			for b.Loop() {
				if bs, err := a.Trend(ctx, "EV.EV1.signal_0", from, to, 1000); err != nil || len(bs) < 500 {
					b.Fatal(len(bs), err)
				}
			}
			b.ReportMetric(float64(cpu(b)-began)/float64(b.N)/1e6, "cpu-ms/op")
		})
	}
	trend("raw/30d", from, t0)
	trend("raw/1h", from, from.Add(time.Hour))
	now = t0.Add(24 * time.Hour)
	if err := a.Maintain(ctx); err != nil {
		b.Fatal(err)
	}
	trend("rolled/30d", from, t0)
	b.Run("merged", func(b *testing.B) {
		n, began := 0, cpu(b)
		for b.Loop() {
			err := a.Merged(ctx, []string{"EV.EV1.signal_0", "EV.EV2.signal_1"}, t0.Add(-5*24*time.Hour), t0, func(s []plant.Sample) error {
				n += len(s)
				return nil
			})
			if err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(cpu(b)-began)/float64(n), "cpu-ns/sample")
	})
}
