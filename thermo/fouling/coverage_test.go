package fouling_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"calandria/thermo/fouling"
)

func at(h int) time.Time { return epoch.Add(time.Duration(h) * time.Hour) }

// A 90 % band must hold about 90 % of what comes: 85 to 95 % of held-back hourly
// values, and of the days on which the limit is met. Simulated cycles with seeds
// of our own; no published data of this kind were found.
func TestBandsAreCalibrated(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	t.Parallel()
	r := rand.New(rand.NewPCG(7, 11))
	var values, valuesIn, days, daysIn, early, earlyIn, late, lateIn int
	for n := range 60 {
		b := bodies[n%5]
		m := law(r, b)
		tr := cycle(r, m, b.clean, b.limit, 24*60)
		k, err := fouling.NewTracker(fouling.Settings{CleanU: b.clean, LimitRatio: b.limit})
		if err != nil {
			t.Fatal(err)
		}
		if err := k.Cleaned(epoch); err != nil {
			t.Fatal(err)
		}
		next := 0
		for _, day := range []int{2, 5, 9, 14} {
			for ; next <= day*24; next++ {
				k.Observe(fouling.Value{At: at(next), U: tr.value[next], Quality: fouling.Good})
			}
			for _, ahead := range []int{6, 24, 72, 168} {
				h := day*24 + ahead
				band, ok := k.Predict(at(h))
				if !ok {
					t.Fatalf("no band at hour %d", h)
				}
				values++
				if band.Low <= tr.value[h] && tr.value[h] <= band.High {
					valuesIn++
				}
			}
			if !math.IsNaN(tr.due) && tr.due > float64(day)+0.5 {
				f := k.Forecast(at(day * 24))
				due := epoch.Add(time.Duration(tr.due * 24 * float64(time.Hour)))
				in := !due.Before(f.Early) && (f.Late.IsZero() || !due.After(f.Late))
				days++
				if day <= 5 {
					early++
				} else {
					late++
				}
				if in {
					daysIn++
					if day <= 5 {
						earlyIn++
					} else {
						lateIn++
					}
				}
			}
		}
	}
	pct := func(a, b int) float64 { return 100 * float64(a) / float64(b) }
	t.Logf("values: %.1f %% of %d; days of the limit: %.1f %% of %d (asked early %.1f %% of %d, later %.1f %% of %d)",
		pct(valuesIn, values), values, pct(daysIn, days), days, pct(earlyIn, early), early, pct(lateIn, late), late)
	for _, c := range []struct {
		what  string
		in, n int
	}{{"hourly values", valuesIn, values}, {"days of the limit", daysIn, days}} {
		if p := pct(c.in, c.n); p < 85 || p > 95 {
			t.Errorf("%s: the 90 %% band holds %.1f %% of %d", c.what, p, c.n)
		}
	}
}

// At half-way the time left to the limit is known within 15 % of itself, for a
// body with three earlier cycles. EV4 and EV5, which decide when the set stops,
// must do so nine times in ten. The first bodies lose so little that drift of
// the instruments (here 0.7 % a week, a default of ours) hides it:
// a forecast that knew law, rate and the trend of now exactly would miss 15 %
// sometimes too (the figure in the log). For them, taken
// together, the median error must be within 20 %.
func TestTimeToLimitAtHalfway(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	t.Parallel()
	r := rand.New(rand.NewPCG(3, 5))
	last, lastIn := 0, 0
	var first []float64
	for _, b := range bodies {
		cycles := 14
		if b.limit < 0.7 {
			cycles = 24
		}
		var errs []float64
		ideal := 0
		for range cycles {
			k, _ := fouling.NewTracker(fouling.Settings{CleanU: b.clean, LimitRatio: b.limit})
			hour := 0
			own := b.rf10 * math.Exp(0.15*r.NormFloat64())
			for c := range 4 {
				rate := own / 10 * math.Exp(0.1*r.NormFloat64())
				tr := cycle(r, fouling.LinearModel(b.clean*(1+0.01*r.NormFloat64()), rate), b.clean, b.limit, 24*70)
				if math.IsNaN(tr.due) {
					continue
				}
				if err := k.Cleaned(at(hour)); err != nil {
					t.Fatal(err)
				}
				end := int(tr.due * 24)
				if c < 3 {
					end = min(end, 14*24)
				}
				for h := range end {
					k.Observe(fouling.Value{At: at(hour + h), U: tr.value[h], Quality: fouling.Good})
					if c == 3 && h == end/2 {
						left := tr.due - float64(h)/24
						if known := (1/(b.limit*b.clean) - tr.trend[h]) / rate; math.Abs(known-left) <= 0.15*left {
							ideal++
						}
						errs = append(errs, math.Abs(k.Forecast(at(hour+h)).Days()-left)/left)
					}
				}
				hour += end + 10
			}
		}
		slices.Sort(errs)
		within := 0
		for _, e := range errs {
			if e <= 0.15 {
				within++
			}
		}
		n := len(errs)
		t.Logf("%s: median error %.1f %%, within 15 %%: %d of %d (knowing everything but the future: %d)", b.name, 100*errs[n/2], within, n, ideal)
		if b.limit < 0.7 {
			last, lastIn = last+n, lastIn+within
		} else {
			first = append(first, errs...)
		}
	}
	slices.Sort(first)
	if m := first[len(first)/2]; m > 0.20 {
		t.Errorf("EV1 to EV3: median error %.1f %%, want 20", 100*m)
	} else {
		t.Logf("EV1 to EV3 together: median error %.1f %%", 100*m)
	}
	if float64(lastIn) < 0.85*float64(last) { // nine in ten, less what 48 draws scatter
		t.Errorf("EV4 and EV5: %d of %d within 15 %%, want nine in ten", lastIn, last)
	}
}
