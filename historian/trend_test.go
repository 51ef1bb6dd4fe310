package historian

import (
	"context"
	"math"
	"math/rand"
	"testing"
	"time"

	"calandria/plant"
)

// noisy is an invented signal: a slow wander and noise about a mean, with a
// spike now and then.
type noisy struct {
	rng         *rand.Rand
	mean, noise float64
	x           float64
}

func newNoisy(seed int64, mean, noise float64) *noisy {
	return &noisy{rng: rand.New(rand.NewSource(seed)), mean: mean, noise: noise, x: mean}
}

func (n *noisy) next() float64 {
	n.x += (n.mean-n.x)*0.01 + n.rng.NormFloat64()*n.noise
	return n.x + n.rng.NormFloat64()*n.noise
}

// checkBuckets compares a trend with the samples themselves: every sample in
// exactly one bucket, and its extremes with it.
func checkBuckets(t *testing.T, bs []plant.Bucket, pts []plant.Point, most int) {
	t.Helper()
	if len(bs) > most {
		t.Fatalf("%d buckets, asked for %d", len(bs), most)
	}
	var n, bad int64
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, b := range bs {
		n += b.Count
		bad += b.Bad
		if i > 0 && !b.Start.After(bs[i-1].Start) {
			t.Fatal("buckets out of order")
		}
		if b.Count > 0 {
			lo, hi = min(lo, b.Min), max(hi, b.Max)
			if b.Mean < b.Min-1e-9 || b.Mean > b.Max+1e-9 || b.First < b.Min || b.First > b.Max || b.Last < b.Min || b.Last > b.Max {
				t.Fatalf("bucket contradicts itself: %+v", b)
			}
		}
	}
	var wn, wbad int64
	wlo, whi := math.Inf(1), math.Inf(-1)
	for _, p := range pts {
		if !p.Usable() {
			wbad++
			continue
		}
		wn++
		wlo, whi = min(wlo, p.Value), max(whi, p.Value)
	}
	if n != wn || bad != wbad || lo != wlo || hi != whi {
		t.Fatalf("trend has %d samples, %d bad, %v..%v; want %d, %d, %v..%v", n, bad, lo, hi, wn, wbad, wlo, whi)
	}
}

// Roll-ups and raw samples give the same trend; after raw values are deleted
// the hours are still there; late samples are seen.
func TestTrendFromRollUps(t *testing.T) {
	ctx := context.Background()
	from := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	now := from
	a, err := Open(t.TempDir(), Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	sig := newNoisy(1, 56, 0.05)
	var pts []plant.Point
	w := a.Bulk(ctx, nil)
	end := from.Add(30 * 24 * time.Hour)
	for at := from; at.Before(end); at = at.Add(5 * time.Second) { // fast enough for 1-minute roll-ups
		p := plant.Point{Time: at, Value: sig.next(), Quality: plant.Good}
		if len(pts)%5000 == 77 {
			p.Value += 30 // a spike of one sample
		}
		if k := len(pts) % 100_000; k < 300 {
			p = plant.BadPoint(at, plant.BadNoCommunication)
		}
		pts = append(pts, p)
	}
	if err := w.Add("EV.EV1.vapour_pressure", pts...); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	trend := func(n int) []plant.Bucket {
		t.Helper()
		bs, err := a.Trend(ctx, "EV.EV1.vapour_pressure", from, end, n)
		if err != nil {
			t.Fatal(err)
		}
		return bs
	}
	checkBuckets(t, trend(1000), pts, 1000) // raw: no roll-ups yet
	now = end.Add(48 * time.Hour)
	if err := a.Maintain(ctx); err != nil {
		t.Fatal(err)
	}
	files := a.cold.list(rollLevels[0].kind, plant.Nanos(from), plant.Nanos(end))
	n := 0
	for _, f := range files {
		n += len(f.head.Tags)
	}
	if n == 0 {
		t.Fatal("no 1-minute roll-ups of a fast tag")
	}
	for _, n := range []int{1, 7, 200, 1000} {
		checkBuckets(t, trend(n), pts, n)
	}
	// A late sample makes the roll-up of its month stale at once.
	late := plant.Point{Time: from.Add(30*time.Hour + time.Millisecond), Value: 500, Quality: plant.Good}
	mustAppend(t, a, "EV.EV1.vapour_pressure", late)
	pts = append(pts, late)
	checkBuckets(t, trend(1000), pts, 1000)
	now = now.Add(7 * time.Hour)
	if err := a.Maintain(ctx); err != nil {
		t.Fatal(err)
	}
	checkBuckets(t, trend(1000), pts, 1000)

	// Good time: a sample holds until the next one.
	hours := a.cold.list(lastLevel.kind, plant.Nanos(from), plant.Nanos(end))
	var goodNS int64
	for _, f := range hours {
		for _, e := range f.entries("EV.EV1.vapour_pressure") {
			if err := f.scanRoll(ctx, e, math.MinInt64/2, math.MaxInt64/2, func(r *rollAcc) { goodNS += r.good }); err != nil {
				t.Fatal(err)
			}
		}
	}
	var want time.Duration
	for i, p := range pts[:len(pts)-2] {
		if p.Usable() {
			want += pts[i+1].Time.Sub(p.Time)
		}
	}
	if d := time.Duration(goodNS) - want; d.Abs() > time.Second {
		t.Errorf("good time %v, want %v", time.Duration(goodNS), want)
	}

	// Raw values are deleted, the hours stay.
	a.opt.Keep = 24 * time.Hour
	now = end.Add(1000 * time.Hour)
	if err := a.Maintain(ctx); err != nil {
		t.Fatal(err)
	}
	if got := collect(t, a, "EV.EV1.vapour_pressure", from, end); len(got) != 0 {
		t.Fatalf("%d raw samples outlive retention", len(got))
	}
	checkBuckets(t, trend(200), pts, 200)
}

// The unit stays with the sample when a tag is configured anew.
func TestUnitStaysWithSample(t *testing.T) {
	ctx := context.Background()
	now := at(0)
	dir := t.TempDir()
	a, err := Open(dir, Options{Now: func() time.Time { return now }, Hot: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	describe := func(unit string) {
		if err := a.Describe(TagInfo{Path: "A.x", Unit: unit, Meaning: "m"}); err != nil {
			t.Fatal(err)
		}
	}
	describe("bar")
	mustAppend(t, a, "A.x", good(0, 1))
	describe("kPa")
	mustAppend(t, a, "A.x", good(10, 100))
	now = at(86400 * 3)
	if err := a.Maintain(ctx); err != nil {
		t.Fatal(err)
	}
	a.Close()
	a = openTest(t, dir, now)
	got := collect(t, a, "A.x", at(0), at(100))
	if len(got) != 2 || got[0].Unit != "bar" || got[1].Unit != "kPa" {
		t.Fatal(got)
	}
	if tags := a.Tags(); len(tags) != 1 || tags[0].Unit != "kPa" {
		t.Fatal(tags)
	}
	describe2 := TagInfo{Path: "A.x", Unit: "bar"}
	if err := a.Describe(describe2); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, a, "A.x", good(20, 2))
	if got := collect(t, a, "A.x", at(0), at(100)); len(got) != 3 || got[2].Unit != "bar" {
		t.Fatal(got)
	}
	bs, err := a.Trend(ctx, "A.x", at(0), at(100), 10)
	if err != nil || len(bs) != 2 || bs[0].First != 1 || bs[1].First != 2 {
		t.Fatal("a trend has one unit", bs, err)
	}
	if p, ok, err := a.Last(ctx, "A.x"); !ok || err != nil || p.Value != 2 {
		t.Fatal(p, ok, err)
	}
	if c, err := a.Coverage(ctx, "A.x"); err != nil || c.Samples != 3 || !c.First.Equal(at(0)) || !c.Last.Equal(at(20)) || c.Unit != "bar" {
		t.Fatal(c, err)
	}
}

// A process that only reads keeps reading while the other one moves, merges
// and removes files.
func TestReadBesideWriter(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	now := at(0)
	a, err := Open(dir, Options{Now: func() time.Time { return now }, Hot: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	mustAppend(t, a, "A.x", good(0, 0))
	b, err := Open(dir, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for i := 1; i < 200; i++ {
		mustAppend(t, a, "A.x", good(float64(i)*3600, float64(i)))
		now = at(float64(i) * 3600)
		if i%5 == 0 {
			if err := a.Maintain(ctx); err != nil {
				t.Fatal(err)
			}
		}
		if i%9 == 0 {
			if got := collect(t, b, "A.x", at(0), at(1e9)); len(got) != i+1 {
				t.Fatalf("%d samples seen from beside, want %d", len(got), i+1)
			}
		}
	}
	if err := b.Append([]Record{{Path: "A.x", Point: good(0, 0)}}); err == nil {
		t.Error("a read-only archive takes samples")
	}
	if err := b.Maintain(ctx); err == nil {
		t.Error("a read-only archive is maintained")
	}
}

// Run commits by itself, ends with ctx, and leaves nothing uncommitted.
func TestRun(t *testing.T) {
	dir := t.TempDir()
	a, err := Open(dir, Options{Commit: 10 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	end := make(chan error, 1)
	go func() { end <- a.Run(ctx) }()
	now := time.Now()
	if err := a.Append([]Record{{Path: "A.x", Point: plant.Point{Time: now, Value: 1, Quality: plant.Good}}}); err != nil {
		t.Fatal(err)
	}
	for a.Health().Stored == 0 {
		time.Sleep(time.Millisecond)
	}
	if err := a.Append([]Record{{Path: "A.x", Point: plant.Point{Time: now.Add(1), Value: 2, Quality: plant.Good}}}); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := <-end; err != nil {
		t.Fatal(err)
	}
	if h := a.Health(); h.Pending != 0 || h.Stored != 2 || !h.OK {
		t.Fatalf("%+v", h)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestAppendRules(t *testing.T) {
	a := openTest(t, t.TempDir(), t0)
	if err := a.Describe(TagInfo{Path: "A.r", Unit: "kPa", Resolution: 0.01}); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, a, "A.x",
		plant.Point{Time: at(1), Value: math.NaN(), Quality: plant.Good}, // not a number is never Good
		plant.Point{Time: at(2), Value: math.Inf(1), Quality: plant.UncertainSensor},
		plant.Point{Time: at(3), Value: 5, Quality: plant.BadSensorFailure}, // a Bad sample may have a value
		plant.Point{Time: at(4)}, // no quality yet
		good(0, 9),               // late: inserted at its time
		good(0, 9),               // twice is once
		plant.Point{Time: at(5), Value: 0, Quality: plant.Good}, // zero is a value
	)
	want := []plant.Point{good(0, 9), plant.BadPoint(at(1), plant.BadOutOfRange), plant.BadPoint(at(2), plant.BadOutOfRange),
		{Time: at(3), Value: 5, Quality: plant.BadSensorFailure}, {Time: at(4), Value: 0, Quality: plant.BadWaitingForInitial}, good(5, 0)}
	got := collect(t, a, "A.x", at(0), at(100))
	if len(got) != len(want) {
		t.Fatal(got)
	}
	for i := range want {
		if !equalPoints(got[i].Point, want[i]) {
			t.Errorf("%d: got %v, want %v", i, got[i].Point, want[i])
		}
	}
	mustAppend(t, a, "A.r", good(0, 56.237))
	if v := collect(t, a, "A.r", at(0), at(1))[0].Value; v != 56.24 {
		t.Errorf("rounded to %v", v)
	}
	for _, r := range []Record{{Path: "A.x", Point: plant.Point{Value: 1, Quality: plant.Good}}, {Path: "", Point: good(0, 1)}, {Path: "A.x", Point: plant.Point{Time: time.Date(2500, 1, 1, 0, 0, 0, 0, time.UTC)}}} {
		if err := a.Append([]Record{r}); err == nil {
			t.Errorf("%v is taken", r)
		}
	}
	if n, _, _ := a.Last(context.Background(), "A.none"); n.Quality.Seen() {
		t.Error("a tag without samples has a last one")
	}
}
