package rules

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"calandria/plant"
)

// TimeAverage2, Minimum2 and Maximum2 over the stepped example series of OPC
// 10000-13 (Part 13), annex A, "Historian 3"; the file names the edition and the
// way of each table. A window agrees with them to within one slice of sixty.
func TestWindowAgainstPart13(t *testing.T) {
	data, err := os.ReadFile("testdata/part13-historian3.json")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Points []struct {
			T      string
			Value  *float64
			Status string
		}
		Tables []struct {
			Aggregate string
			Seconds   float64
			Rows      []struct {
				T     string
				Value *float64
			}
		}
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	clock := func(s string) time.Time {
		x, err := time.Parse("2006-01-02 15:04:05", "2012-01-02 "+s)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	kinds := map[string]windowKind{"TimeAverage2": windowAvg, "Minimum2": windowMin, "Maximum2": windowMax}
	checked := 0
	for _, table := range doc.Tables {
		length := time.Duration(table.Seconds * float64(time.Second))
		for _, row := range table.Rows {
			if row.Value == nil {
				continue
			}
			// The table's interval excludes its end: so do the samples given here.
			end := clock(row.T).Add(length)
			w := newWindow(0, "x", length)
			for _, p := range doc.Points {
				at := clock(p.T)
				if !at.Before(end) {
					break
				}
				q := plant.Good
				v := math.NaN()
				switch p.Status {
				case "Bad":
					q = plant.Bad
				case "Bad_NoData":
					continue
				case "Uncertain": // the series treats Uncertain as Bad
					q = plant.Bad
				}
				if p.Value != nil {
					v = *p.Value
				}
				w.add(plant.Point{Time: at, Value: v, Quality: q})
			}
			got, q := w.value(kinds[table.Aggregate], end)
			if q.IsBad() {
				// Fewer than half of the window is covered: more careful than the table.
				continue
			}
			checked++
			// The largest step of the series inside one slice.
			if tol := 20.0 / windowSlices; math.Abs(got-*row.Value) > tol {
				t.Errorf("%s from %s: %g, the table has %g", table.Aggregate, row.T, got, *row.Value)
			}
		}
	}
	if checked < 20 {
		t.Errorf("only %d rows were compared", checked)
	}
}

// Against the plain definitions, worked out from all samples: integrals of the
// held value over the exact window.
func TestWindowAgainstDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for trial := range 60 {
		length := time.Duration(30+rng.IntN(3000)) * time.Second
		w := newWindow(0, "x", length)
		var ps []plant.Point
		at := t0
		for range 400 {
			at = at.Add(time.Duration(rng.ExpFloat64() * float64(length) / 80))
			p := plant.Point{Time: at, Value: 100 + 10*math.Sin(float64(len(ps))/20) + rng.NormFloat64(), Quality: plant.Good}
			if rng.IntN(40) == 0 {
				p = plant.BadPoint(at, plant.Bad)
			}
			ps = append(ps, p)
			w.add(p)
		}
		now := at.Add(time.Duration(rng.IntN(5)) * time.Second)
		from := now.Add(-length)
		var good, sum, sq, low, high float64
		low, high = math.Inf(1), math.Inf(-1)
		for i, p := range ps {
			end := now
			if i+1 < len(ps) {
				end = ps[i+1].Time
			}
			start := p.Time
			if start.Before(from) {
				start = from
			}
			if dt := end.Sub(start).Seconds(); dt > 0 && p.Quality.IsGood() {
				good += dt
				sum += dt * p.Value
				sq += dt * p.Value * p.Value
				low, high = min(low, p.Value), max(high, p.Value)
			}
		}
		mean := sum / good
		for _, c := range []struct {
			kind windowKind
			want float64
			tol  float64
		}{
			{windowAvg, mean, 0.25}, {windowStd, math.Sqrt(sq/good - mean*mean), 0.3}, {windowMin, low, 3}, {windowMax, high, 3},
		} {
			got, q := w.value(c.kind, now)
			if q.IsBad() || math.Abs(got-c.want) > c.tol {
				t.Errorf("trial %d, kind %d: %g (%s), want %g", trial, c.kind, got, q, c.want)
			}
		}
	}
}

// A ramp has an exact answer for each function.
func TestWindowRamp(t *testing.T) {
	const length = 10 * time.Minute
	w := newWindow(0, "x", length)
	now := t0
	for s := range 1800 {
		now = t0.Add(time.Duration(s) * time.Second)
		w.add(plant.Point{Time: now, Value: 50 + 0.01*float64(s), Quality: plant.Good}) // 36 an hour
	}
	last := 50 + 0.01*1799
	for _, c := range []struct {
		name string
		kind windowKind
		want float64
		tol  float64
	}{
		{"avg", windowAvg, last - 3, 0.02}, {"delta", windowDelta, 6, 0.02}, {"slope", windowSlope, 36, 0.05},
		{"std", windowStd, 6 / math.Sqrt(12), 0.01}, {"min", windowMin, last - 6, 0.12}, {"max", windowMax, last, 1e-9},
	} {
		got, q := w.value(c.kind, now)
		if math.Abs(got-c.want) > c.tol || !q.IsGood() {
			t.Errorf("%s = %g (%s), want %g", c.name, got, q, c.want)
		}
	}
}

// How a window speaks of gaps: bad below half, uncertain below nine tenths.
func TestWindowQuality(t *testing.T) {
	w := newWindow(0, "x", 100*time.Second)
	at := func(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }
	check := func(s float64, kind windowKind, v float64, class string) {
		t.Helper()
		got, q := w.value(kind, at(s))
		word := "good"
		if q.IsBad() {
			word = "bad"
		} else if q.IsUncertain() {
			word = "uncertain"
		}
		if word != class || class != "bad" && math.Abs(got-v) > 0.2 {
			t.Errorf("after %g s: %g, %s (%s); want %g, %s", s, got, word, q, v, class)
		}
	}
	check(0, windowAvg, 0, "bad")
	w.add(plant.Point{Time: at(0), Value: 10, Quality: plant.Good})
	check(49, windowAvg, 0, "bad")
	check(51, windowAvg, 10, "uncertain")
	check(91, windowAvg, 10, "good")
	check(99, windowDelta, 0, "bad") // nothing is known of 100 s ago
	check(105, windowDelta, 0, "good")
	w.add(plant.Point{Time: at(200), Value: 99, Quality: plant.BadNoCommunication})
	check(205, windowAvg, 10, "good")
	check(205, windowDelta, 0, "bad")
	check(230, windowAvg, 10, "uncertain")
	check(255, windowAvg, 0, "bad")
	w.add(plant.Point{Time: at(300), Value: 20, Quality: plant.UncertainSensor})
	check(400, windowAvg, 20, "uncertain")
	w.add(plant.Point{Time: at(400), Value: 20, Quality: plant.Good})
	check(505, windowAvg, 20, "good")
	// A long silence is not data, but a held value is.
	check(100000, windowAvg, 20, "good")
	// Out of order: ignored.
	w.add(plant.Point{Time: at(99000), Value: 50, Quality: plant.Good})
	w.add(plant.Point{Time: at(98000), Value: 70, Quality: plant.Good})
	check(100001, windowAvg, 20.3, "good") // it was late for the look at 100000: counts from there
	check(100101, windowAvg, 50, "good")
}

func TestUnchanged(t *testing.T) {
	b := newBench(t, rule(`when: unchanged(EV.syrup_brix) > minutes(30)`))
	see := func(s int, want plant.Truth) {
		t.Helper()
		if out, _ := b.scan(t0.Add(time.Duration(s) * time.Second)); out["a"].Raise != want {
			t.Errorf("at %d s: %+v, want %s", s, out["a"], want)
		}
	}
	see(0, plant.Unknown)
	b.sample("EV.syrup_brix", 65, t0)
	see(1800, plant.False)
	b.sample("EV.syrup_brix", 65, t0.Add(1800*time.Second)) // the same again is no change
	see(1801, plant.True)
	b.sample("EV.syrup_brix", 65.1, t0.Add(1810*time.Second))
	see(1811, plant.False)
	b.sampleQ("EV.syrup_brix", 0, plant.Bad, t0.Add(1900*time.Second))
	see(9999, plant.Unknown)
}
