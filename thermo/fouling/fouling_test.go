package fouling_test

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"calandria/thermo/fouling"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.8g, want %.8g within %.2g", what, got, want, rel)
	}
}

type published struct {
	Value  float64
	TolRel float64 `json:"tol_rel"`
}

func load(t *testing.T, path string, into any) {
	t.Helper()
	data, err := os.ReadFile("../../testdata/" + path)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// Kahsay and Gabbiye 2015, table 6, five effects
// (testdata/examples/14-kahsay-gabbiye-fouling-resistance.json).
func TestKahsayResistances(t *testing.T) {
	var ex struct {
		Inputs struct {
			Scale []float64 `json:"scale_kg_m2"`
			Rho   float64   `json:"rho_scale"`
			K     float64   `json:"k_scale"`
			Clean []float64 `json:"U_clean_illustrative"`
		}
		Published  map[string]published
		Recomputed map[string]float64
	}
	load(t, "examples/14-kahsay-gabbiye-fouling-resistance.json", &ex)
	for i := range ex.Inputs.Scale {
		n := string(rune('1' + i))
		r, err := fouling.Resistance(ex.Recomputed["Ufouled_from_clean_"+n]/1000, ex.Inputs.Clean[i]/1000)
		if err != nil {
			t.Fatal(err)
		}
		p := ex.Published["Rf_"+n]
		near(t, "R_f "+n, r/1000, p.Value, p.TolRel)
	}
}

// The invented mill (testdata/plant/plant.json, "fouling"): U of five bodies from
// day 0 to 14 under linear scale, printed to a whole W/(m2 K).
func TestDemoScaling(t *testing.T) {
	table := map[float64][5]float64{
		0: {2500, 2200, 1800, 1300, 700}, 3: {2445, 2150, 1744, 1237, 646}, 6: {2392, 2103, 1690, 1180, 599},
		9: {2342, 2057, 1641, 1128, 559}, 10: {2326, 2043, 1625, 1112, 547}, 14: {2262, 1986, 1564, 1051, 503},
	}
	for day, row := range table {
		for i, b := range bodies {
			m := linear(b.clean, b.rf10/10)
			if got := 1000 * m.U(day); math.Abs(got-row[i]) > 0.51 {
				t.Errorf("%s day %g: U %.1f, want %.0f", b.name, day, got, row[i])
			}
		}
	}
}

func TestResistanceNamesWhatIsWrong(t *testing.T) {
	var re *fouling.RangeError
	if _, err := fouling.Resistance(0, 1); !errors.As(err, &re) || re.Quantity != "U" {
		t.Errorf("error %v does not name U", err)
	}
}

// Cleanings found in the values: a step up after a stop is one; a step up
// without a stop, a stop without a step, and a change of level are none.
func TestCleaningsAreFound(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	m := linear(0.7, 0.04)
	var v []fouling.Value
	h := 0
	run := func(hours int, from, factor float64) {
		for i := range hours {
			u := m.U(from+float64(i)/24) * factor * (1 + 0.015*r.NormFloat64())
			v = append(v, fouling.Value{At: at(h), U: u, Quality: fouling.Good})
			h++
		}
	}
	run(9*24, 0, 1)
	h += 10 // stop
	first := h
	run(4*24, 0, 1)
	h += 8 // a stop without cleaning
	run(3*24, 4, 1)
	run(24, 7, 1.12) // more vapour: a step without a stop
	run(2*24, 8, 1)
	for i := range 12 { // the tags go bad while the body is washed
		v = append(v, fouling.Value{At: at(h), U: 3 + float64(i), Quality: fouling.Bad})
		h++
	}
	second := h
	run(48, 0, 1)
	k, err := fouling.NewTracker(fouling.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	var got []time.Time
	for _, v := range v {
		if k.Observe(v) {
			at, _ := k.Started()
			got = append(got, at)
		}
	}
	if len(got) != 2 || !got[0].Equal(at(first)) || !got[1].Equal(at(second)) {
		t.Errorf("cleanings %v, want %v and %v", got, at(first), at(second))
	}
}

// A body that loses 5 % in a cycle does not show its cleaning by itself. Where most of
// its set was found cleaned at the same stop, its small step up is one; no step is none.
func TestCleanedWithTheOthers(t *testing.T) {
	for _, cleaned := range []bool{true, false} {
		r := rand.New(rand.NewPCG(3, 3))
		m := linear(2.5, 0.002)
		k, _ := fouling.NewTracker(fouling.Settings{})
		observe := func(h int, day float64) {
			k.Observe(fouling.Value{At: at(h), U: m.U(day) * (1 + 0.01*r.NormFloat64()), Quality: fouling.Good})
		}
		for h := range 12 * 24 {
			observe(h, float64(h)/24)
		}
		back := 12*24 + 10
		if k.CleanedWith(at(back)) {
			t.Error("cleaned before it came back")
		}
		for h := back; h < back+14; h++ {
			day := 12.0
			if cleaned {
				day = 0
			}
			observe(h, day)
		}
		if got := k.CleanedWith(at(back - 6)); got != cleaned {
			t.Errorf("cleaned %v, taken for %v", cleaned, got)
		}
		if s, known := k.Started(); cleaned && (!known || !s.Equal(at(back))) {
			t.Errorf("running since %v", s)
		}
	}
}

func follow(t *testing.T, k *fouling.Tracker, m scaled, from, hours int, noise func() float64) {
	t.Helper()
	for i := range hours {
		if k.Observe(fouling.Value{At: at(from + i), U: m.U(float64(i)/24) * (1 + noise()), Quality: fouling.Good}) {
			t.Fatalf("a cleaning was found at hour %d", from+i)
		}
	}
}

// A body that comes slowly to its work after a cleaning, with readings that
// scatter: the step shows after some hours only, and is found then, with the
// values since the stop in the new cycle. A slow start without a cleaning is
// none. Invented figures.
func TestCleaningAfterSlowStart(t *testing.T) {
	m := linear(0.7, 0.05)
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 4))
		for _, cleaned := range []bool{true, false} {
			k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
			if err := k.Cleaned(at(0)); err != nil {
				t.Fatal(err)
			}
			h, lasting := 0, 0.0
			scatter := func() float64 {
				lasting = lasting*math.Exp(-1./8) + 0.02*math.Sqrt(1-math.Exp(-2./8))*r.NormFloat64()
				return 1 + lasting + 0.03*r.NormFloat64()
			}
			for ; h < 9*24; h++ {
				k.Observe(fouling.Value{At: at(h), U: m.U(float64(h)/24) * scatter(), Quality: fouling.Good})
			}
			h += 9
			back, day := h, 0.0
			if !cleaned {
				day = 9
			}
			found := 0
			for ; h < back+60; h++ {
				slow := 1 - 0.35*math.Exp(-float64(h-back)/4)
				if k.Observe(fouling.Value{At: at(h), U: m.U(day+float64(h-back)/24) * slow * scatter(), Quality: fouling.Good}) {
					found++
				}
			}
			s, _ := k.Started()
			switch {
			case cleaned && (found != 1 || !s.Equal(at(back)) || len(k.Cycles()) != 1):
				t.Errorf("seed %d: found %d times, running since %v, want %v", seed, found, s, at(back))
			case !cleaned && found > 0:
				t.Errorf("seed %d: a cleaning where there was none", seed)
			}
		}
	}
}

// A record that comes late moves the values behind it to the new cycle; one
// near a cleaning found before only corrects its time.
func TestRecords(t *testing.T) {
	none := func() float64 { return 0 }
	m := linear(0.7, 0.04)
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	if err := k.Cleaned(at(0)); err != nil {
		t.Fatal(err)
	}
	follow(t, k, m, 0, 200, none)
	// Cleaned without a stop of the signal; the record comes after 20 hours.
	follow(t, k, m, 200, 20, none)
	if err := k.Cleaned(at(200)); err != nil {
		t.Fatal(err)
	}
	if s, ok := k.Started(); !ok || !s.Equal(at(200)) || k.Forecast(at(220)).Values != 19 || len(k.Cycles()) != 1 {
		t.Fatalf("running cycle since %v with %d values, %d before", s, k.Forecast(at(220)).Values, len(k.Cycles()))
	}
	c := k.Cycles()[0]
	near(t, "rate of the finished cycle, % a day", c.RatePct, 2.8, 0.06)
	near(t, "U at the beginning of the finished cycle", c.StartU, 0.7, 0.02)
	near(t, "what the cleaning restored", c.Restored, 1, 0.02)
	if err := k.Cleaned(at(205)); err != nil {
		t.Fatal(err)
	}
	if s, _ := k.Started(); !s.Equal(at(205)) || len(k.Cycles()) != 1 {
		t.Errorf("the correction made a cycle: since %v, %d before", s, len(k.Cycles()))
	}
	if err := k.Cleaned(at(100)); err == nil {
		t.Error("a record before the running cycle passed")
	}
	before := k.Forecast(at(220))
	if k.Observe(fouling.Value{At: at(10), U: 0.6, Quality: fouling.Good}); k.Forecast(at(220)).Values != before.Values {
		t.Error("a value of the past was taken")
	}
}

// An answer within hours of a cleaning, from the cycles before: within 15 % of
// the day, the band marked as resting on them.
func TestEarlyAnswer(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	noise := func() float64 { return 0.015 * r.NormFloat64() }
	m := linear(0.7, 0.04)
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	f := k.Forecast(at(0))
	if f.Status != fouling.NoData {
		t.Errorf("forecast from nothing: %+v", f)
	}
	hour := 0
	for range 4 {
		if err := k.Cleaned(at(hour)); err != nil {
			t.Fatal(err)
		}
		follow(t, k, m, hour, 12*24, noise)
		hour += 12*24 + 10
	}
	if err := k.Cleaned(at(hour)); err != nil {
		t.Fatal(err)
	}
	follow(t, k, m, hour, 6, noise)
	f = k.Forecast(at(hour + 6))
	want := m.days(0.7 * 0.65)
	near(t, "days to the limit after six hours", f.Days()+0.25, want, 0.15)
	if f.FromEarlierPct < 80 || f.Cycles != 4 || f.Late.IsZero() || !f.Early.Before(f.Due) || !f.Due.Before(f.Late) {
		t.Errorf("early forecast %+v", f)
	}
	follow(t, k, m, hour+6, 1, noise)
	// Later the cycle speaks for itself and the band narrows.
	for i := 7; i < 10*24; i++ {
		k.Observe(fouling.Value{At: at(hour + i), U: m.U(float64(i)/24) * (1 + noise()), Quality: fouling.Good})
	}
	g := k.Forecast(at(hour + 240))
	if g.FromEarlierPct > 60 || g.Late.Sub(g.Early) >= f.Late.Sub(f.Early) {
		t.Errorf("after ten days %+v", g)
	}
	near(t, "days to the limit after ten days", g.Days()+10, want, 0.1)
}

// Gas or condensate in a calandria: U falls by a quarter within hours. That is
// reported as suspect and does not bend the forecast by much.
func TestFastFallIsSuspect(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	noise := func() float64 { return 0.015 * r.NormFloat64() }
	m := linear(0.7, 0.04)
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	_ = k.Cleaned(at(0))
	follow(t, k, m, 0, 9*24, noise)
	before := k.Forecast(at(9 * 24))
	for i := range 6 {
		h := 9*24 + i
		k.Observe(fouling.Value{At: at(h), U: 0.75 * m.U(float64(h)/24) * (1 + noise()), Quality: fouling.Good})
	}
	after := k.Forecast(at(9*24 + 6))
	if before.Suspect || !after.Suspect {
		t.Errorf("suspect before %v, after %v", before.Suspect, after.Suspect)
	}
	near(t, "days to the limit", after.Days(), before.Days(), 0.15)
}

func TestLimitReachedAndFarOff(t *testing.T) {
	none := func() float64 { return 0 }
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	_ = k.Cleaned(at(0))
	follow(t, k, linear(0.7, 0.1), 0, 10*24, none)
	if f := k.Forecast(at(10 * 24)); f.Status != fouling.Reached || f.Days() != 0 {
		t.Errorf("past the limit: %+v", f)
	}
	k, _ = fouling.NewTracker(fouling.Settings{CleanU: 0.7, HorizonDays: 30})
	_ = k.Cleaned(at(0))
	follow(t, k, linear(0.7, 0.001), 0, 20*24, none)
	if f := k.Forecast(at(20 * 24)); f.Status != fouling.FarOff || !f.Due.IsZero() {
		t.Errorf("hardly any scale: %+v", f)
	}
}

func TestSettingsAreChecked(t *testing.T) {
	for _, s := range []fouling.Settings{
		{CleanU: -1}, {CleanU: math.NaN()}, {LimitRatio: 1.2}, {HorizonDays: -3},
	} {
		if _, err := fouling.NewTracker(s); err == nil {
			t.Errorf("%+v passed", s)
		}
	}
}

// Whatever the values, forecasts hold no NaN and nothing panics.
func FuzzTracker(f *testing.F) {
	f.Add([]byte{10, 200, 3, 0, 9, 180, 255, 1, 2, 3}, 0.7)
	f.Add([]byte{1, 1, 1, 1, 255, 0, 255, 0, 255, 0, 255, 0, 9, 9, 9}, 0.0)
	f.Fuzz(func(t *testing.T, data []byte, clean float64) {
		k, err := fouling.NewTracker(fouling.Settings{CleanU: clean})
		if err != nil {
			return
		}
		if len(data) > 300 {
			data = data[:300]
		}
		h := 0
		for i, b := range data {
			h += 1 + int(b%16)
			switch {
			case b == 255:
				_ = k.Cleaned(at(h - i%30))
			case b == 254:
				k.Observe(fouling.Value{At: at(h), U: math.NaN(), Sigma: math.Inf(1), Quality: fouling.Good})
			default:
				k.Observe(fouling.Value{At: at(h), U: float64(b) / 60, Sigma: float64(b%7) / 30, Quality: fouling.Quality(b % 4)})
			}
		}
		fc := k.Forecast(at(h + 1))
		for _, v := range []float64{fc.Ratio, fc.RatioSigma, fc.Restored, fc.U, fc.Clean, fc.CleanSigma, fc.RatePct, fc.RateSigmaPct, fc.FromEarlierPct, fc.Days()} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("forecast %+v", fc)
			}
		}
		if !fc.Due.IsZero() && (fc.Early.After(fc.Due) || (!fc.Late.IsZero() && fc.Late.Before(fc.Due))) {
			t.Fatalf("band in the wrong order: %+v", fc)
		}
	})
}
