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
	for i, m := range ex.Inputs.Scale {
		n := string(rune('1' + i))
		r, err := fouling.ResistanceOfScale(m, ex.Inputs.Rho, ex.Inputs.K)
		if err != nil {
			t.Fatal(err)
		}
		p := ex.Published["Rf_"+n]
		near(t, "R_f "+n, r/1000, p.Value, p.TolRel)
		u, err := fouling.CoefficientUnderScale(ex.Inputs.Clean[i]/1000, r)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "fouled U "+n, 1000*u, ex.Recomputed["Ufouled_from_clean_"+n], 1e-6)
		back, err := fouling.Resistance(u, ex.Inputs.Clean[i]/1000)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "resistance back", back, r, 1e-9)
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
			m := fouling.LinearModel(b.clean, b.rf10/10)
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

var laws = []fouling.Model{
	{Kind: fouling.Linear, Start: 1.4, Coefficient: 0.04},
	{Kind: fouling.Linear, Start: 1.4, Coefficient: 0.04, Shape: 3},
	{Kind: fouling.Logarithmic, Start: 1.4, Coefficient: 0.3, Shape: 0.5},
	{Kind: fouling.Power, Start: 1.4, Coefficient: 0.1, Shape: 0.6},
	{Kind: fouling.Asymptotic, Start: 1.4, Coefficient: 0.6, Shape: 6},
	{Kind: fouling.InverseSquare, Start: 1.4, Coefficient: 0.15},
}

func sampled(m fouling.Model, days float64, noise func() float64) []fouling.Observation {
	var obs []fouling.Observation
	for d := 0.25; d < days; d += 0.125 {
		obs = append(obs, fouling.Observation{Day: d, U: 1 / (1/m.U(d) + noise())})
	}
	return obs
}

// Without noise every law gives its numbers back and is chosen, and DaysTo
// inverts U.
func TestLawsComeBack(t *testing.T) {
	for _, m := range laws {
		obs := sampled(m, 14, func() float64 { return 0 })
		f, err := fouling.FitKind(obs, m.Kind)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range []float64{0.5, 7, 13, 20} {
			near(t, m.Kind.String()+": U", f.Model.U(d), m.U(d), 2e-4)
		}
		near(t, m.Kind.String()+": coefficient", f.Model.Coefficient, m.Coefficient, 0.01)
		chosen, all, err := fouling.Choose(obs, fouling.Linear)
		if err != nil || len(all) < 4 {
			t.Fatalf("%d fits, %v", len(all), err)
		}
		if chosen.Model.Kind != m.Kind {
			t.Errorf("%v: chose %v", m.Kind, chosen.Model.Kind)
		}
		for _, d := range []float64{0, 3.5, 11} {
			if m.Resistance(d) == 0 {
				continue
			}
			got, ok := m.DaysTo(m.U(d))
			if !ok {
				t.Errorf("%v: U of day %g is never met", m.Kind, d)
			}
			near(t, "days to", got, d, 1e-6)
		}
	}
	if _, ok := laws[4].DaysTo(0.4); ok {
		t.Error("an asymptote was crossed")
	}
	if _, ok := (fouling.Model{Start: 1, Coefficient: -1}).DaysTo(0.5); ok {
		t.Error("falling resistance met a limit")
	}
}

// A tenth of wild values must not turn the line: the robust fit stays within
// 5 % of the slope where plain least squares is off by far more.
func TestFitIsRobust(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	m := laws[0]
	obs := sampled(m, 12, func() float64 { return 0.01 * r.NormFloat64() })
	for i := range obs {
		if i%10 == 3 && i > len(obs)/2 {
			obs[i].U *= 0.6
		}
	}
	f, err := fouling.FitKind(obs, fouling.Linear)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", f.Model.Coefficient, m.Coefficient, 0.05)
}

// Leaving the linear law needs clear evidence: with white noise alone it is
// left in less than one cycle in twenty, and a chosen law is kept until its
// lead is gone.
func TestChoiceHasHysteresis(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	r := rand.New(rand.NewPCG(9, 4))
	left := 0
	for range 60 {
		obs := sampled(laws[0], 10, func() float64 { return 0.03 * r.NormFloat64() })
		f, _, err := fouling.Choose(obs, fouling.Linear)
		if err != nil {
			t.Fatal(err)
		}
		if f.Model.Kind != fouling.Linear {
			left++
		}
	}
	if left > 3 {
		t.Errorf("linear was left in %d of 60 linear cycles", left)
	}
	// Somewhere between clear and no evidence the answer depends on what was before.
	held := false
	for n := range 80 {
		r := rand.New(rand.NewPCG(uint64(n), 8))
		obs := sampled(laws[4], 8, func() float64 { return 0.06 * r.NormFloat64() })
		a, _, _ := fouling.Choose(obs, fouling.Linear)
		b, _, _ := fouling.Choose(obs, fouling.Asymptotic)
		if a.Model.Kind == fouling.Linear && b.Model.Kind == fouling.Asymptotic {
			held = true
		}
		if a.Model.Kind == fouling.Asymptotic && b.Model.Kind == fouling.Linear {
			t.Error("hysteresis the wrong way round")
		}
	}
	if !held {
		t.Error("no hysteresis seen")
	}
}

func TestTooFew(t *testing.T) {
	for _, obs := range [][]fouling.Observation{nil, {{Day: 1, U: 1}}, {{Day: 1, U: 1}, {Day: 1, U: 1}, {Day: 1, U: 1}, {Day: 1, U: 1}}, {{Day: math.NaN(), U: 1}, {Day: 1, U: math.Inf(1)}}} {
		if _, err := fouling.FitKind(obs, fouling.Linear); !errors.Is(err, fouling.ErrTooFew) {
			t.Errorf("%v: %v", obs, err)
		}
		if _, _, err := fouling.Choose(obs, fouling.Power); !errors.Is(err, fouling.ErrTooFew) {
			t.Errorf("%v: %v", obs, err)
		}
	}
}

// Cleanings found in the values: a step up after a stop is one; a step up
// without a stop, a stop without a step, and a change of level are none.
func TestCleaningsAreFound(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	m := fouling.LinearModel(0.7, 0.04)
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
	got, err := fouling.Cleanings(v, fouling.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 || !got[0].Equal(at(first)) || !got[1].Equal(at(second)) {
		t.Errorf("cleanings %v, want %v and %v", got, at(first), at(second))
	}
}

func follow(t *testing.T, k *fouling.Tracker, m fouling.Model, from, hours int, noise func() float64) {
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
	m := fouling.LinearModel(0.7, 0.05)
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
	m := fouling.LinearModel(0.7, 0.04)
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
	if s, ok := k.Started(); !ok || !s.Equal(at(200)) || k.Values() != 18 || len(k.Cycles()) != 1 {
		t.Fatalf("running cycle since %v with %d values, %d before", s, k.Values(), len(k.Cycles()))
	}
	c := k.Cycles()[0]
	near(t, "rate of the finished cycle", c.Rate, 0.04, 0.06)
	near(t, "clean U of the finished cycle", c.CleanU, 0.7, 0.02)
	if err := k.Cleaned(at(205)); err != nil {
		t.Fatal(err)
	}
	if s, _ := k.Started(); !s.Equal(at(205)) || len(k.Cycles()) != 1 {
		t.Errorf("the correction made a cycle: since %v, %d before", s, len(k.Cycles()))
	}
	if err := k.Cleaned(at(100)); err == nil {
		t.Error("a record before the running cycle passed")
	}
	if k.Observe(fouling.Value{At: at(10), U: 0.6, Quality: fouling.Good}); k.Late() != 1 {
		t.Errorf("late values: %d", k.Late())
	}
}

// An answer within hours of a cleaning, from the cycles before: within 15 % of
// the day, the band marked as resting on them.
func TestEarlyAnswer(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	noise := func() float64 { return 0.015 * r.NormFloat64() }
	m := fouling.LinearModel(0.7, 0.04)
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	f := k.Forecast(at(0))
	if f.Status != fouling.NoData || f.Note == "" {
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
	want, _ := m.DaysTo(0.7 * 0.65)
	near(t, "days to the limit after six hours", f.Days()+0.25, want, 0.15)
	if f.FromEarlierPct < 80 || f.Cycles != 4 || f.Late.IsZero() || !f.Early.Before(f.Due) || !f.Due.Before(f.Late) {
		t.Errorf("early forecast %+v", f)
	}
	follow(t, k, m, hour+6, 1, noise)
	if _, ok := k.Predict(at(hour + 5)); ok {
		t.Error("a band for the past")
	}
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

// Saved and restored, the tracker gives the same answers.
func TestStateRoundTrip(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	noise := func() float64 { return 0.02 * r.NormFloat64() }
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	_ = k.Cleaned(at(0))
	follow(t, k, fouling.LinearModel(0.7, 0.04), 0, 8*24, noise)
	_ = k.Cleaned(at(8*24 + 10))
	follow(t, k, fouling.LinearModel(0.7, 0.05), 8*24+10, 5*24, noise)
	data, err := json.Marshal(k)
	if err != nil {
		t.Fatal(err)
	}
	var l fouling.Tracker
	if err := json.Unmarshal(data, &l); err != nil {
		t.Fatal(err)
	}
	now := at(14 * 24)
	if a, b := k.Forecast(now), l.Forecast(now); a != b {
		t.Errorf("restored: %+v\nbefore:   %+v", b, a)
	}
	again, _ := json.Marshal(&l)
	if string(again) != string(data) {
		// Fit remembers the law chosen; it may have been set by the forecast.
		if k2, _ := json.Marshal(k); string(k2) != string(again) {
			t.Error("the state changes on its way through JSON")
		}
	}
}

// Gas or condensate in a calandria: U falls by a quarter within hours. That is
// reported as suspect and does not bend the forecast by much.
func TestFastFallIsSuspect(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	noise := func() float64 { return 0.015 * r.NormFloat64() }
	m := fouling.LinearModel(0.7, 0.04)
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
	follow(t, k, fouling.LinearModel(0.7, 0.1), 0, 10*24, none)
	if f := k.Forecast(at(10 * 24)); f.Status != fouling.Reached || f.Days() != 0 {
		t.Errorf("past the limit: %+v", f)
	}
	k, _ = fouling.NewTracker(fouling.Settings{CleanU: 0.7, HorizonDays: 30})
	_ = k.Cleaned(at(0))
	follow(t, k, fouling.LinearModel(0.7, 0.001), 0, 20*24, none)
	if f := k.Forecast(at(20 * 24)); f.Status != fouling.FarOff || !f.Due.IsZero() {
		t.Errorf("hardly any scale: %+v", f)
	}
}

func TestSettingsAreChecked(t *testing.T) {
	for _, s := range []fouling.Settings{
		{CleanU: -1}, {CleanU: math.NaN()}, {LimitRatio: 1.2}, {Confidence: 1}, {HorizonDays: -3}, {MinGapHours: 0.1},
		{Typical: &fouling.Prior{}},
	} {
		if _, err := fouling.NewTracker(s); err == nil {
			t.Errorf("%+v passed", s)
		}
	}
	k, _ := fouling.NewTracker(fouling.Settings{})
	if err := k.Configure(fouling.Settings{LimitRatio: 2}); err == nil {
		t.Error("a bad limit passed")
	}
	if err := k.Configure(fouling.Settings{LimitRatio: 0.8}); err != nil {
		t.Error(err)
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
		for _, v := range []float64{fc.Limit, fc.U, fc.Clean, fc.RatePct, fc.RateSigmaPct, fc.FromEarlierPct, fc.Days()} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("forecast %+v", fc)
			}
		}
		if !fc.Due.IsZero() && (fc.Early.After(fc.Due) || (!fc.Late.IsZero() && fc.Late.Before(fc.Due))) {
			t.Fatalf("band in the wrong order: %+v", fc)
		}
		if b, ok := k.Predict(at(h + 30)); ok && !(b.Low <= b.Middle && b.Middle <= b.High) {
			t.Fatalf("band %+v", b)
		}
		s, err := json.Marshal(k)
		if err != nil {
			t.Fatal(err)
		}
		var l fouling.Tracker
		if err := json.Unmarshal(s, &l); err != nil {
			t.Fatalf("%v in %s", err, s)
		}
	})
}

// Whatever the file holds, restoring it gives an error or a tracker that works.
func FuzzState(f *testing.F) {
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	_ = k.Cleaned(epoch)
	for i := range 80 {
		k.Observe(fouling.Value{At: epoch.Add(time.Duration(i) * time.Hour), U: 0.7 - 0.001*float64(i), Quality: fouling.Good})
	}
	_ = k.Cleaned(epoch.Add(90 * time.Hour))
	s, _ := json.Marshal(k)
	f.Add(s)
	f.Add([]byte(`{"settings":{},"values":[{"t":"2026-01-01T00:00:00Z","u":1e300}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		var l fouling.Tracker
		if json.Unmarshal(data, &l) != nil {
			return
		}
		fc := l.Forecast(epoch.Add(1000 * time.Hour))
		if math.IsNaN(fc.U) || math.IsNaN(fc.Days()) || math.IsNaN(fc.RatePct) {
			t.Fatalf("%+v", fc)
		}
	})
}

// Scale that grows with the juice, 0.02 m2 K/kW in a thousand tonnes, on a body that
// stands for three of twelve days and runs at two loads: on the axis of the juice the fit
// returns the rate and hardly any scatter, on that of days it cannot.
func TestThroughputAxis(t *testing.T) {
	const clean, rate = 1.3, 0.02
	var byJuice, byDay []fouling.Observation
	juice := 0.0
	for h := range 12 * 24 {
		load := 0.130 // thousand t/h
		switch day := h / 24; {
		case day >= 4 && day < 7:
			load = 0
		case day >= 9:
			load = 0.09
		}
		juice += load
		if load == 0 {
			continue
		}
		u := 1 / (1/clean + rate*juice)
		byJuice = append(byJuice, fouling.Observation{Day: juice, U: u})
		byDay = append(byDay, fouling.Observation{Day: float64(h+1) / 24, U: u})
	}
	a, err := fouling.FitKind(byJuice, fouling.Linear)
	if err != nil {
		t.Fatal(err)
	}
	b, err := fouling.FitKind(byDay, fouling.Linear)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(a.Model.Coefficient/rate-1) > 1e-6 || math.Abs(a.Model.U(2*juice)*(1/clean+2*rate*juice)-1) > 1e-6 {
		t.Errorf("by juice: %+v, want rate %g", a.Model, rate)
	}
	if !(b.ScatterPct > 100*a.ScatterPct && b.ScatterPct > 0.5) {
		t.Errorf("scatter by juice %g %%, by days %g %%", a.ScatterPct, b.ScatterPct)
	}
}
