package fouling_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"calandria/thermo/fouling"
)

var monday = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

// demoSet is the invented mill, some days after its last cleanings. What 1 % of
// U lost costs is in proportion to its effect on syrup Brix: 0.13, 0.13, 0.17,
// 0.24, 0.34 Bx (computed for that set).
func demoSet(r *rand.Rand, days int) []fouling.PlanBody {
	bx := []float64{0.13, 0.13, 0.17, 0.24, 0.34}
	var set []fouling.PlanBody
	for i, b := range bodies {
		grow, ago := 1.0, 4.0
		if r != nil {
			grow = math.Exp(0.3 * r.NormFloat64())
			ago = float64(r.IntN(14))
		}
		set = append(set, fouling.PlanBody{Name: b.name, Course: linear(b.clean, grow*b.rf10/10).course(ago, days+fouling.PlanAhead), Days: ago, LimitRatio: b.limit,
			LossPerPctDay: 100 * bx[i], CleaningCost: 1500, OffCostPerHour: 120, OffHours: 10, DifferenceShare: 0.2})
	}
	return set
}

// exact is the least cost over every schedule: each day each body or none (or all, or
// none), without shortcut but that equal states are visited once. It shares no code
// with the package.
func exact(set []fouling.PlanBody, s fouling.PlanSettings) float64 {
	total := s.Days + fouling.PlanAhead
	type key struct {
		day  int
		last [3]int8
	}
	seen := map[key]float64{}
	stop := func(d int) bool {
		noon := s.Start.AddDate(0, 0, d).Add(12 * time.Hour)
		for _, x := range s.Stops {
			if !noon.Before(x.From) && noon.Before(x.To) {
				return true
			}
		}
		return false
	}
	crew := func(d int) bool {
		for _, w := range s.NoCrew {
			if s.Start.AddDate(0, 0, d).Weekday() == w {
				return stop(d)
			}
		}
		return true
	}
	var from func(d int, last [3]int8) float64
	from = func(d int, last [3]int8) float64 {
		if d == total {
			return 0
		}
		k := key{d, last}
		if v, ok := seen[k]; ok {
			return v
		}
		best := math.Inf(1)
		for choice := -1; choice < len(set); choice++ {
			cleans := func(i int) bool { return choice >= 0 && (s.Together || i == choice) }
			if choice >= 0 && !crew(d) || s.Together && choice > 0 {
				break
			}
			ok, c := true, 0.0
			if s.Together && choice == 0 && !stop(d) {
				c += 10 * s.StopCostPerHour
			}
			next := last
			for i, b := range set {
				since := b.Days + float64(d)
				if last[i] >= 0 {
					since = float64(d - int(last[i]))
				}
				if cleans(i) {
					ok = ok && since >= 3
					c += b.CleaningCost
					if !s.Together && !stop(d) {
						c += b.OffHours * b.OffCostPerHour
					}
					next[i] = int8(d)
					continue
				}
				ratio := b.Course.Running[d]
				if last[i] >= 0 {
					ratio = b.Course.Fresh[d-int(last[i])-1]
				}
				c += 100 * (1 - ratio) * b.LossPerPctDay
				if ratio < b.LimitRatio {
					c += 50 * b.LossPerPctDay
				}
			}
			if ok {
				best = math.Min(best, c+from(d+1, next))
			}
		}
		seen[k] = best
		return best
	}
	return from(0, [3]int8{-1, -1, -1})
}

// Against full enumeration of three bodies over three weeks (a week shown and two
// ahead), random states, rates, stops and free days: within 1 %, and within the
// bound that the plan states.
func TestPlanAgainstEnumeration(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(21, 4))
	worst, same := 0.0, 0
	const cases = 24
	for n := range cases {
		s := fouling.PlanSettings{Start: monday, Days: 7, Together: n%3 == 2, StopCostPerHour: 300}
		set := demoSet(r, s.Days)
		r.Shuffle(len(set), func(i, j int) { set[i], set[j] = set[j], set[i] })
		set = set[:3]
		if n%2 == 0 {
			s.Stops = []fouling.Stop{{From: monday.AddDate(0, 0, 6), To: monday.AddDate(0, 0, 8), Reason: "holiday"}}
		}
		if n%4 == 1 {
			s.NoCrew = []time.Weekday{time.Sunday, time.Wednesday}
		}
		p, err := fouling.MakePlan(set, s)
		if err != nil {
			t.Fatal(err)
		}
		want := exact(set, s)
		gap := p.Cost/want - 1
		if gap < -1e-9 || p.AtLeast > want*(1+1e-9) {
			t.Fatalf("case %d: cost %.2f, bound %.2f, the least of all %.2f: they do not count alike", n, p.Cost, p.AtLeast, want)
		}
		if gap < 1e-9 {
			same++
		} else if s.Together {
			t.Errorf("case %d: a plan of stops costs %.2f, the best is %.2f", n, p.Cost, want)
		}
		worst = max(worst, gap)
		if gap > 0.01 {
			t.Errorf("case %d: cost %.1f, the best is %.1f", n, p.Cost, want)
		}
	}
	t.Logf("worst %.3f %% over the best, the very best in %d of %d", 100*worst, same, cases)
}

func TestPlanKeepsItsBounds(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	for n := range 10 {
		s := fouling.PlanSettings{Start: monday, Days: 21, NoCrew: []time.Weekday{time.Sunday}, Together: n%2 == 1, StopCostPerHour: 500}
		p, err := fouling.MakePlan(demoSet(r, s.Days), s)
		if err != nil {
			t.Fatal(err)
		}
		byDay := map[time.Time]int{}
		for _, c := range p.Cleanings {
			byDay[c.Day]++
			if c.Day.Weekday() == time.Sunday {
				t.Errorf("%s on a Sunday", c.Body)
			}
			if c.First.After(c.Day) || c.Last.Before(c.Day) {
				t.Errorf("window %s to %s about %s", c.First, c.Last, c.Day)
			}
			if c.Saves < 0 || c.WaitCost < -1e-6*p.Cost {
				t.Errorf("%s costs more than it saves: %g, or waiting saves: %g", c.Body, c.Saves, c.WaitCost)
			}
		}
		want := 1
		if s.Together {
			want = len(bodies)
		}
		for d, n := range byDay {
			if n != want {
				t.Errorf("%d cleanings on %s, want %d", n, d, want)
			}
		}
		if p.Cost > p.CostNone || p.AtLeast > p.Cost*(1+1e-9) {
			t.Errorf("the plan costs %g, doing nothing %g, at least %g", p.Cost, p.CostNone, p.AtLeast)
		}
	}
}

// A house that stops every eleven days and cleans all five then gets a plan of stops,
// not of twelve cleanings.
func TestPlanOfStops(t *testing.T) {
	var cleaned [][]time.Time
	for range 5 {
		var c []time.Time
		for n := range 5 {
			c = append(c, monday.AddDate(0, 0, 11*n).Add(time.Duration(len(cleaned))*3*time.Hour))
		}
		cleaned = append(cleaned, c)
	}
	h := fouling.LearnHabit(cleaned)
	if !h.Together || h.Stops != 5 || math.Abs(h.EveryDays-11) > 0.01 {
		t.Errorf("habit %+v", h)
	}
	p, err := fouling.MakePlan(demoSet(nil, 21), fouling.PlanSettings{Start: monday, Days: 21, Together: h.Together, StopCostPerHour: 2000})
	if err != nil {
		t.Fatal(err)
	}
	days := map[time.Time]bool{}
	for _, c := range p.Cleanings {
		days[c.Day] = true
	}
	if len(days) == 0 || len(days) > 3 || len(p.Cleanings) != 5*len(days) {
		t.Errorf("%d cleanings on %d days", len(p.Cleanings), len(days))
	}
	// One body a day, spread over the time, is no habit of stops.
	for i := range cleaned {
		for n := range cleaned[i] {
			cleaned[i][n] = monday.AddDate(0, 0, 11*n+2*i)
		}
	}
	if h := fouling.LearnHabit(cleaned); h.Together || math.Abs(h.EveryDays-11) > 0.01 {
		t.Errorf("habit %+v of a house that cleans body by body", h)
	}
}

// Without a price of a cleaning the plan keeps to the house's own interval, by stops or
// body by body: the price is the one that makes it the best.
func TestPlanFollowsTheHouse(t *testing.T) {
	for _, together := range []bool{true, false} {
		for _, every := range []float64{6, 9, 14} {
			set := demoSet(nil, 120)
			for i := range set {
				set[i].EveryDays, set[i].LimitRatio = every, 0.2
				set[i].Course = linear(2, 0.01*float64(i+1)).course(0, 120+fouling.PlanAhead)
				set[i].Days = 0
			}
			s := fouling.PlanSettings{Start: monday, Days: 45, Together: together, StopCostPerHour: 4321}
			if n := s.PriceByHabit(set); n != len(set) {
				t.Fatalf("%d of %d bodies priced", n, len(set))
			}
			if want := map[bool]float64{true: 0, false: 4321}[together]; s.StopCostPerHour != want {
				t.Errorf("together %v: an hour of a stop costs %g, want %g", together, s.StopCostPerHour, want)
			}
			of := set
			if !together {
				of = set[:1]
			}
			if b := fouling.BestBoiling(of, s).Cost; math.Abs(b.Days+10.0/24-every) > 0.01 {
				t.Errorf("every %g days, together %v: best boiling %g days", every, together, b.Days)
			}
			p, err := fouling.MakePlan(set, s)
			if err != nil {
				t.Fatal(err)
			}
			var at []time.Time
			for _, c := range p.Cleanings {
				if c.Body == set[0].Name {
					at = append(at, c.Day)
				}
			}
			// A plan that ends somewhere spreads the cleanings evenly over its days.
			if want := (45 + fouling.PlanAhead) / every; len(at) < 2 || math.Abs(float64(len(at))-want*45/(45+fouling.PlanAhead)) > 1.5 {
				t.Errorf("every %g days, together %v: %d cleanings in 45 days", every, together, len(at))
			}
			for i := 1; i < len(at); i++ {
				if d := at[i].Sub(at[i-1]).Hours() / 24; math.Abs(d-every) > 2+every/5 {
					t.Errorf("every %g days, together %v: %g days from cleaning to cleaning", every, together, d)
				}
			}
		}
	}
	// A house of which nothing is known keeps the costs it was given.
	set := demoSet(nil, 21)
	s := fouling.PlanSettings{Start: monday, Days: 21}
	if n := s.PriceByHabit(set); n != 0 || set[0].CleaningCost != 1500 || fouling.Intervals(set) != nil {
		t.Errorf("%d priced, cost %g", n, set[0].CleaningCost)
	}
}

// U that falls as 1/(1 + a t) loses 100 (T - ln(1 + a T)/a) in T days: calculus.
func TestIntervals(t *testing.T) {
	const a, hours = 0.05, 12.0
	b := fouling.PlanBody{Name: "B", Course: linear(1, a).course(0, 100), EveryDays: 10, LossPerPctDay: 3, OffHours: hours, LimitRatio: 0.5}
	got := fouling.Intervals([]fouling.PlanBody{b, b})
	for i, every := range []float64{5, 7.5, 10, 12.5, 15} {
		T := every - hours/24
		loss := 2 * 3 * 100 * (T - math.Log1p(a*T)/a) / every
		for what, x := range map[string][2]float64{
			"interval": {got[i].EveryDays, every}, "hours": {got[i].OffHours, 30 / every * hours}, "last U": {got[i].EndRatio, 1 / (1 + a*T)},
			"loss": {got[i].LossPerDay, loss}, "mean U": {got[i].Ratio, math.Log1p(a*T) / a / T},
		} {
			if math.Abs(x[0]/x[1]-1) > 4e-3 { // the course is known by the day
				t.Errorf("every %g days, %s: %g, want %g", every, what, x[0], x[1])
			}
		}
	}
}

// The limit is named, and kept at the early end of the forecast's band; a stop of the
// mill is used if one is near the best day; what waiting costs has a band.
func TestLatestDay(t *testing.T) {
	one := func(change func(*fouling.PlanBody, *fouling.PlanSettings)) fouling.Cleaning {
		t.Helper()
		b := fouling.PlanBody{Name: "EV5", Course: linear(0.7, 0.04).course(8, 14+fouling.PlanAhead), Days: 8, LimitRatio: 0.65, OffHours: 10, LossPerPctDay: 30, CleaningCost: 3000}
		s := fouling.PlanSettings{Start: monday, Days: 14}
		b.Course.Sigma = 0.2
		change(&b, &s)
		p, err := fouling.MakePlan([]fouling.PlanBody{b}, s)
		if err != nil {
			t.Fatal(err)
		}
		if len(p.Cleanings) == 0 {
			t.Fatal("no cleaning planned")
		}
		return p.Cleanings[0]
	}
	// 0.65 of clean U is met after (1/0.65-1)/0.7/0.04 = 19.2 days: day 11 of the plan.
	if c := one(func(*fouling.PlanBody, *fouling.PlanSettings) {}); !c.Latest.Equal(monday.AddDate(0, 0, 11)) || !(c.WaitLow < c.WaitCost && c.WaitCost < c.WaitHigh) {
		t.Errorf("%+v", c)
	}
	if c := one(func(b *fouling.PlanBody, _ *fouling.PlanSettings) { b.LimitBy = monday.AddDate(0, 0, 6) }); c.Day.After(monday.AddDate(0, 0, 6)) {
		t.Errorf("%+v", c)
	}
	if c := one(func(b *fouling.PlanBody, s *fouling.PlanSettings) {
		b.OffCostPerHour = 400
		s.Stops = []fouling.Stop{{From: monday.AddDate(0, 0, 5), To: monday.AddDate(0, 0, 6), Reason: "public holiday"}}
	}); c.Stop != "public holiday" || !c.Day.Equal(monday.AddDate(0, 0, 5)) || c.WaitCost < 3000 {
		t.Errorf("%+v", c)
	}
}

func TestPlanRefuses(t *testing.T) {
	for what, change := range map[string]func([]fouling.PlanBody, *fouling.PlanSettings){
		"no start":   func(_ []fouling.PlanBody, s *fouling.PlanSettings) { s.Start = time.Time{} },
		"no days":    func(_ []fouling.PlanBody, s *fouling.PlanSettings) { s.Days = 0 },
		"NaN cost":   func(b []fouling.PlanBody, _ *fouling.PlanSettings) { b[2].LossPerPctDay = math.NaN() },
		"no course":  func(b []fouling.PlanBody, _ *fouling.PlanSettings) { b[0].Course = fouling.Course{} },
		"twice":      func(b []fouling.PlanBody, _ *fouling.PlanSettings) { b[1].Name = b[0].Name },
		"stop wrong": func(_ []fouling.PlanBody, s *fouling.PlanSettings) { s.Stops = []fouling.Stop{{}} },
	} {
		b := demoSet(nil, 14)
		s := fouling.PlanSettings{Start: monday, Days: 14}
		change(b, &s)
		if _, err := fouling.MakePlan(b, s); err == nil {
			t.Errorf("%s passed", what)
		}
	}
}

// The best boiling time of one body under linear scale is the published one
// (testdata/examples/18-linear-fouling-cycle.json, see TestLinearCycle), and faster
// scale makes it shorter. Where bodies are cleaned together there is one for all.
func TestBestBoiling(t *testing.T) {
	b := fouling.PlanBody{Name: "x", Course: linear(0.7, 0.08).course(0, 60), OffHours: 18, CleaningCost: 1000, LossPerPctDay: 30}
	b.Course.Sigma = 0.2
	best := fouling.BestBoiling([]fouling.PlanBody{b}, fouling.PlanSettings{})
	o, err := fouling.MaxThroughput(linear(0.7, 0.08).U, 0.75, 60)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "most throughput", best.Throughput.Days, o.Boiling, 0.02)
	if v := best.Throughput; !v.Known || !(v.Low < v.Days && v.Days < v.High && v.FlatLow < v.Days && v.Days < v.FlatHigh) {
		t.Errorf("%+v", v)
	}
	// Linear loss of a + b t: t = sqrt(2 C / b) if the downtime is small; 30 a day for
	// each of some 5 % a day, falling.
	if v := best.Cost; !v.Known || v.Days < 2 || v.Days > 8 {
		t.Errorf("least cost %+v", v)
	}
	if v := fouling.BestBoiling(demoSet(nil, 60), fouling.PlanSettings{Together: true, StopCostPerHour: 500}); !v.Throughput.Known || !v.Cost.Known {
		t.Errorf("five together: %+v", v)
	}
}

func ExampleMakePlan() {
	plan := []fouling.PlanBody{
		{Name: "EV4", Course: linear(1.3, 0.013).course(6, 10+fouling.PlanAhead), Days: 6, LimitRatio: 0.65, OffHours: 10, LossPerPctDay: 24, CleaningCost: 1500, OffCostPerHour: 120},
		{Name: "EV5", Course: linear(0.7, 0.040).course(9, 10+fouling.PlanAhead), Days: 9, LimitRatio: 0.65, OffHours: 10, LossPerPctDay: 34, CleaningCost: 1500, OffCostPerHour: 120},
	}
	p, err := fouling.MakePlan(plan, fouling.PlanSettings{Start: monday, Days: 10})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range p.Cleanings {
		fmt.Printf("%s %s, U %.2f of clean\n", c.Day.Format(time.DateOnly), c.Body, c.Ratio)
	}
	// Output:
	// 2026-03-02 EV5, U 0.79 of clean
	// 2026-03-10 EV5, U 0.83 of clean
	// 2026-03-11 EV4, U 0.79 of clean
}

func ExampleTracker() {
	k, err := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	if err != nil {
		fmt.Println(err)
		return
	}
	_ = k.Cleaned(epoch)
	scale := linear(0.7, 0.04)
	for h := range 10 * 24 {
		k.Observe(fouling.Value{At: epoch.Add(time.Duration(h) * time.Hour), U: scale.U(float64(h) / 24), Sigma: 0.01, Quality: fouling.Good})
	}
	f := k.Forecast(epoch.Add(240 * time.Hour))
	fmt.Printf("%s: %.0f %% of clean, limit %.0f %% about %s, %.1f %% a day\n", f.Status, 100*f.Ratio, 100*f.Limit, f.Due.Format(time.DateOnly), f.RatePct)
	// Output: expected: 78 % of clean, limit 65 % about 2026-03-20, 2.8 % a day
}

func ExampleMaxThroughput() {
	body := linear(0.7, 0.08) // kW/(m2 K), m2 K/kW a day
	o, err := fouling.MaxThroughput(body.U, 0.75, 60)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f days, within 2 %% from %.1f to %.1f\n", o.Boiling, o.FlatLow, o.FlatHigh)
	// Output: 5.4 days, within 2 % from 3.5 to 8.5
}
