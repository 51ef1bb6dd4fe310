package fouling_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"calandria/thermo/fouling"
)

var monday = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

// demoSet is the invented mill, some days after its last cleanings. What 1 % of
// U lost costs is in proportion to its effect on syrup Brix: 0.13, 0.13, 0.17,
// 0.24, 0.34 Bx (computed for that set).
func demoSet(r *rand.Rand) []fouling.PlanBody {
	bx := []float64{0.13, 0.13, 0.17, 0.24, 0.34}
	var set []fouling.PlanBody
	for i, b := range bodies {
		grow := 1.0
		days := 4.0
		if r != nil {
			grow = math.Exp(0.3 * r.NormFloat64())
			days = float64(r.IntN(14))
		}
		set = append(set, fouling.PlanBody{Name: b.name, Model: fouling.LinearModel(b.clean, grow*b.rf10/10), Days: days, LimitRatio: b.limit,
			LossPerPctDay: 100 * bx[i], CleaningCost: 1500, OffCostPerHour: 120, OffHours: 10, PressurePerPctKPa: 2.2 * bx[i] / 0.34})
	}
	return set
}

// exact is the least cost over every schedule: each day each body or none,
// without shortcut but that equal states are visited once. It shares no code
// with the package.
func exact(set []fouling.PlanBody, s fouling.PlanSettings) float64 {
	total := s.Days + s.LookAheadDays
	type key struct {
		day  int
		last [5]int8
	}
	seen := map[key]float64{}
	lost := make([][]float64, 2*len(set)) // by days, of the running cycle and after
	for i, b := range set {
		for d := range total {
			at := func(t float64) float64 { return 100 * (1 - b.Model.U(t)/b.Model.U(0)) }
			lost[2*i] = append(lost[2*i], at(b.Days+float64(d)+0.5))
			lost[2*i+1] = append(lost[2*i+1], at(float64(d)+0.5))
		}
	}
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
	var from func(d int, last [5]int8) float64
	from = func(d int, last [5]int8) float64 {
		if d == total {
			return 0
		}
		k := key{d, last}
		if v, ok := seen[k]; ok {
			return v
		}
		best := math.Inf(1)
		for clean := -1; clean < len(set); clean++ {
			if clean >= 0 {
				if !crew(d) {
					break
				}
				b := set[clean]
				if last[clean] >= 0 && d-int(last[clean]) < 3 || last[clean] < 0 && b.Days+float64(d) < 3 {
					continue
				}
			}
			var c float64
			p := s.PressureKPa
			for i, b := range set {
				if i == clean {
					c += b.CleaningCost
					if !stop(d) {
						c += b.OffHours * b.OffCostPerHour
					}
					continue
				}
				pct := lost[2*i][d]
				if last[i] >= 0 {
					pct = lost[2*i+1][d-int(last[i])-1]
				}
				c += pct * b.LossPerPctDay
				if pct > 100*(1-b.LimitRatio) {
					c += 50 * b.LossPerPctDay
				}
				p += pct * b.PressurePerPctKPa
			}
			if s.LimitKPa > 0 && p > s.LimitKPa {
				c += (p - s.LimitKPa) * s.CostPerKPaDay
			}
			next := last
			if clean >= 0 {
				next[clean] = int8(d)
			}
			best = math.Min(best, c+from(d+1, next))
		}
		seen[k] = best
		return best
	}
	return from(0, [5]int8{-1, -1, -1, -1, -1})
}

// Greedy with look-ahead against full enumeration: five bodies, two weeks (nine
// days shown and five of look-ahead),
// random states, rates, stops and header limits. Within 1 % every time.
func TestPlanAgainstEnumeration(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	t.Parallel()
	r := rand.New(rand.NewPCG(21, 4))
	worst, same := 0.0, 0
	const cases = 3
	for n := range cases {
		set := demoSet(r)
		s := fouling.PlanSettings{Start: monday, Days: 9, LookAheadDays: 5, PressureKPa: 173, CostPerKPaDay: 150}
		if n%2 == 0 {
			s.LimitKPa = 225
		}
		if n%3 == 0 {
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
		if gap < -1e-9 {
			t.Fatalf("case %d: cost %.2f under the least of all, %.2f: the two do not count alike", n, p.Cost, want)
		}
		if gap < 1e-9 {
			same++
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
	for range 10 {
		set := demoSet(r)
		set[4].MaxDays = 16
		s := fouling.PlanSettings{Start: monday, Days: 21, NoCrew: []time.Weekday{time.Sunday}, MaxPerWeek: 2, MinDaysApart: 2, PressureKPa: 173, LimitKPa: 235, CostPerKPaDay: 100}
		p, err := fouling.MakePlan(set, s)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range p.Cleanings {
			if c.Day.Weekday() == time.Sunday {
				t.Errorf("%s on a Sunday", c.Body)
			}
			if i > 0 && c.Day.Sub(p.Cleanings[i-1].Day) < 48*time.Hour {
				t.Errorf("%s and %s too close", p.Cleanings[i-1].Body, c.Body)
			}
			if i >= 2 && c.Day.Sub(p.Cleanings[i-2].Day) < 7*24*time.Hour {
				t.Errorf("three cleanings within a week, the last on %s", c.Day)
			}
			if c.First.After(c.Day) || c.Last.Before(c.Day) {
				t.Errorf("window %s to %s about %s", c.First, c.Last, c.Day)
			}
			if c.Saves < 0 {
				t.Errorf("%s costs more than it saves: %g", c.Body, c.Saves)
			}
		}
		if p.Cost > p.CostNone {
			t.Errorf("the plan costs %g, doing nothing %g", p.Cost, p.CostNone)
		}
	}
}

// The three limits are named where each binds.
func TestBindingLimit(t *testing.T) {
	one := func(change func(*fouling.PlanBody, *fouling.PlanSettings)) fouling.Cleaning {
		t.Helper()
		b := fouling.PlanBody{Name: "EV5", Model: fouling.LinearModel(0.7, 0.04), Days: 8, LossPerPctDay: 30, CleaningCost: 3000}
		s := fouling.PlanSettings{Start: monday, Days: 14}
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
	if c := one(func(*fouling.PlanBody, *fouling.PlanSettings) {}); c.Binding != fouling.LimitU || !c.Latest.Equal(monday.AddDate(0, 0, 11)) {
		t.Errorf("%+v", c)
	}
	if c := one(func(b *fouling.PlanBody, _ *fouling.PlanSettings) { b.MaxDays = 12 }); c.Binding != fouling.LimitInterval || !c.Latest.Equal(monday.AddDate(0, 0, 4)) {
		t.Errorf("%+v", c)
	}
	if c := one(func(b *fouling.PlanBody, s *fouling.PlanSettings) {
		b.PressurePerPctKPa = 2.2
		s.PressureKPa, s.LimitKPa, s.CostPerKPaDay = 173, 230, 500
	}); c.Binding != fouling.LimitPressure || c.Day.After(c.Latest) {
		t.Errorf("%+v", c)
	}
	if c := one(func(b *fouling.PlanBody, _ *fouling.PlanSettings) { b.LimitBy = monday.AddDate(0, 0, 6) }); c.Binding != fouling.LimitU || c.Day.After(monday.AddDate(0, 0, 6)) {
		t.Errorf("%+v", c)
	}
	// A stop of the mill is used if one is near the best day.
	if c := one(func(b *fouling.PlanBody, s *fouling.PlanSettings) {
		b.OffCostPerHour = 400
		s.Stops = []fouling.Stop{{From: monday.AddDate(0, 0, 5), To: monday.AddDate(0, 0, 6), Reason: "public holiday"}}
	}); c.Stop != "public holiday" || !c.Day.Equal(monday.AddDate(0, 0, 5)) || c.WaitCost < 3000 {
		t.Errorf("%+v", c)
	}
}

func TestPlanRefuses(t *testing.T) {
	good := demoSet(nil)
	for what, change := range map[string]func([]fouling.PlanBody, *fouling.PlanSettings){
		"no start":   func(_ []fouling.PlanBody, s *fouling.PlanSettings) { s.Start = time.Time{} },
		"no days":    func(_ []fouling.PlanBody, s *fouling.PlanSettings) { s.Days = 0 },
		"NaN cost":   func(b []fouling.PlanBody, _ *fouling.PlanSettings) { b[2].LossPerPctDay = math.NaN() },
		"no model":   func(b []fouling.PlanBody, _ *fouling.PlanSettings) { b[0].Model = fouling.Model{} },
		"twice":      func(b []fouling.PlanBody, _ *fouling.PlanSettings) { b[1].Name = b[0].Name },
		"stop wrong": func(_ []fouling.PlanBody, s *fouling.PlanSettings) { s.Stops = []fouling.Stop{{}} },
	} {
		b := append([]fouling.PlanBody(nil), good...)
		s := fouling.PlanSettings{Start: monday, Days: 14}
		change(b, &s)
		if _, err := fouling.MakePlan(b, s); err == nil {
			t.Errorf("%s passed", what)
		}
	}
}

func aPlan(t *testing.T) fouling.Plan {
	t.Helper()
	set := demoSet(nil)
	set[4].Name = "EV5; \"Körper fünf\", last body of the northern set with a long name\nsecond line"
	set[4].Days = 10
	p, err := fouling.MakePlan(set, fouling.PlanSettings{Start: monday, Days: 14, PressureKPa: 173, LimitKPa: 235, CostPerKPaDay: 100, CostUnit: "Bx days"})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Cleanings) < 2 {
		t.Fatalf("only %d cleanings", len(p.Cleanings))
	}
	return p
}

// Every output says what it is, and what not.
func TestOutputsCarryTheNotice(t *testing.T) {
	p := aPlan(t)
	p.Cleanings[0].Stop = "=1+1"
	var text, table bytes.Buffer
	if err := p.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	if err := p.WriteCSV(&table); err != nil {
		t.Fatal(err)
	}
	if strings.Count(text.String(), fouling.Notice) != 2 {
		t.Errorf("text:\n%s", &text)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+len(p.Cleanings) {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows[1:] {
		if row[len(row)-1] != fouling.Notice {
			t.Errorf("row without the notice: %q", row)
		}
	}
	if rows[1][11] != "'=1+1" {
		t.Errorf("a formula passed into the CSV: %q", rows[1][11])
	}
	for _, w := range []func() error{
		func() error { return p.WriteCalendar(&text, time.Time{}, "mill.example") },
		func() error { return p.WriteCalendar(&text, monday, "") },
	} {
		if w() == nil {
			t.Error("a calendar without stamp or domain passed")
		}
	}
}

// unfold and check a calendar by the rules of RFC 5545: CRLF ends every line, no
// line is longer than 75 octets (3.1), components nest and are not empty (3.6),
// UID and DTSTAMP stand once in each (3.8.4.7, 3.8.7.2), text is escaped (3.3.11).
func checkCalendar(t *testing.T, data []byte) (events []map[string]string) {
	t.Helper()
	s := string(data)
	if !strings.HasSuffix(s, "\r\n") {
		t.Fatal("does not end in CRLF")
	}
	if strings.ContainsAny(strings.ReplaceAll(s, "\r\n", ""), "\r\n") {
		t.Fatal("a bare CR or LF")
	}
	for l := range strings.SplitSeq(s, "\r\n") {
		if len(l) > 75 {
			t.Errorf("%d octets: %q", len(l), l)
		}
		if !utf8.ValidString(l) {
			t.Errorf("a character was cut: %q", l)
		}
	}
	var open []string
	uids := map[string]bool{}
	var now map[string]string
	for l := range strings.SplitSeq(strings.TrimSuffix(strings.ReplaceAll(s, "\r\n ", ""), "\r\n"), "\r\n") {
		name, value, ok := strings.Cut(l, ":")
		if !ok {
			t.Fatalf("no colon in %q", l)
		}
		name, param, _ := strings.Cut(name, ";")
		switch name {
		case "BEGIN":
			open = append(open, value)
			now = map[string]string{"component": value}
			continue
		case "END":
			if len(open) == 0 || open[len(open)-1] != value {
				t.Fatalf("END:%s in %v", value, open)
			}
			if len(open) == 2 {
				for _, need := range []string{"UID", "DTSTAMP", "DTSTART", "SUMMARY", "DESCRIPTION"} {
					if now[need] == "" {
						t.Errorf("%s without %s", value, need)
					}
				}
				events = append(events, now)
			}
			open = open[:len(open)-1]
			continue
		}
		if len(open) == 1 {
			now[name] = value
			continue
		}
		if _, twice := now[name]; twice {
			t.Errorf("%s twice", name)
		}
		now[name] = value
		switch name {
		case "UID":
			if uids[value] || !strings.Contains(value, "@") {
				t.Errorf("UID %q", value)
			}
			uids[value] = true
		case "DTSTAMP":
			if _, err := time.Parse("20060102T150405Z", value); err != nil {
				t.Error(err)
			}
		case "DTSTART", "DTEND":
			if _, err := time.Parse("20060102", value); err != nil || param != "VALUE=DATE" {
				t.Errorf("%s: %v", l, err)
			}
		case "SUMMARY", "DESCRIPTION":
			for i := 0; i < len(value); i++ {
				switch value[i] {
				case '\\':
					i++
					if i == len(value) || !strings.ContainsRune(`\;,nN`, rune(value[i])) {
						t.Errorf("bad escape in %q", value)
					}
				case ';', ',':
					t.Errorf("unescaped %c in %q", value[i], value)
				}
			}
		}
	}
	if len(open) != 0 || len(events) == 0 {
		t.Errorf("open %v, %d events", open, len(events))
	}
	return events
}

func TestCalendar(t *testing.T) {
	p := aPlan(t)
	var b bytes.Buffer
	stamp := time.Date(2026, 3, 1, 7, 30, 0, 0, time.FixedZone("", 2*3600))
	if err := p.WriteCalendar(&b, stamp, "mill.example"); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(b.String(), "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:") {
		t.Errorf("begins %q", b.String()[:60])
	}
	ev := checkCalendar(t, b.Bytes())
	if len(ev) != len(p.Cleanings) {
		t.Fatalf("%d events for %d cleanings", len(ev), len(p.Cleanings))
	}
	plain := strings.NewReplacer(`\n`, "\n", `\,`, ",", `\;`, ";", `\\`, `\`)
	for i, e := range ev {
		if e["DTSTAMP"] != "20260301T053000Z" {
			t.Errorf("DTSTAMP %s", e["DTSTAMP"])
		}
		if e["DTSTART"] != p.Cleanings[i].Day.Format("20060102") || e["DTEND"] != p.Cleanings[i].Day.AddDate(0, 0, 1).Format("20060102") {
			t.Errorf("%s to %s for %s", e["DTSTART"], e["DTEND"], p.Cleanings[i].Day)
		}
		if !strings.Contains(plain.Replace(e["DESCRIPTION"]), fouling.Notice) {
			t.Error("an event without the notice")
		}
		if want := "Proposed: clean " + p.Cleanings[i].Body; !strings.HasPrefix(plain.Replace(e["SUMMARY"]), want) {
			t.Errorf("summary %q, want %q", e["SUMMARY"], want)
		}
	}
	// An empty plan is a calendar too.
	p.Cleanings = nil
	b.Reset()
	if err := p.WriteCalendar(&b, stamp, "mill.example"); err != nil {
		t.Fatal(err)
	}
	checkCalendar(t, b.Bytes())
}

func FuzzCalendar(f *testing.F) {
	f.Add("EV5", "holiday; with, all\\the \"signs\"\r\n", "mill.example")
	f.Add("Verdampfkörper 🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭", "\xff\xfe", "a b")
	f.Fuzz(func(t *testing.T, name, stop, domain string) {
		p := fouling.Plan{Start: monday, Days: 3, Cleanings: []fouling.Cleaning{{Body: name, Day: monday, Stop: stop, Hours: 8}, {Body: "x", Day: monday}}}
		var b bytes.Buffer
		if err := p.WriteCalendar(&b, monday, domain); err != nil {
			if domain == "" {
				return
			}
			t.Fatal(err)
		}
		checkCalendar(t, b.Bytes())
		b.Reset()
		if err := p.WriteText(&b); err != nil {
			t.Fatal(err)
		}
		b.Reset()
		if err := p.WriteCSV(&b); err != nil {
			t.Fatal(err)
		}
		if _, err := csv.NewReader(&b).ReadAll(); err != nil && utf8.ValidString(name+stop) {
			t.Fatal(err)
		}
	})
}

func ExampleMakePlan() {
	bodies := []fouling.PlanBody{
		{Name: "EV4", Model: fouling.LinearModel(1.3, 0.013), Days: 6, LossPerPctDay: 24, CleaningCost: 1500, OffCostPerHour: 120},
		{Name: "EV5", Model: fouling.LinearModel(0.7, 0.040), Days: 9, LossPerPctDay: 34, CleaningCost: 1500, OffCostPerHour: 120},
	}
	p, err := fouling.MakePlan(bodies, fouling.PlanSettings{Start: monday, Days: 10})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range p.Cleanings {
		fmt.Printf("%s %s, U %.2f of clean, limit: %s\n", c.Day.Format(time.DateOnly), c.Body, c.RatioBefore, c.Binding)
	}
	fmt.Println(p.Notice)
	// Output:
	// 2026-03-02 EV5, U 0.80 of clean, limit: U ratio
	// 2026-03-08 EV4, U 0.83 of clean, limit: none in sight
	// Planning information only. It is not a permission to isolate, open or enter a vessel; site procedures, permits and local law decide.
}

func ExampleTracker() {
	k, err := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	if err != nil {
		fmt.Println(err)
		return
	}
	_ = k.Cleaned(epoch)
	scale := fouling.LinearModel(0.7, 0.04)
	for h := range 10 * 24 {
		k.Observe(fouling.Value{At: epoch.Add(time.Duration(h) * time.Hour), U: scale.U(float64(h) / 24), Sigma: 0.01, Quality: fouling.Good})
	}
	f := k.Forecast(epoch.Add(240 * time.Hour))
	fmt.Printf("%s: U %.3f, limit %.3f about %s, %.1f %% a day\n", f.Status, f.U, f.Limit, f.Due.Format(time.DateOnly), f.RatePct)
	// Output: expected: U 0.547, limit 0.455 about 2026-03-20, 2.8 % a day
}

func ExampleMaxThroughput() {
	body := fouling.LinearModel(0.7, 0.08) // kW/(m2 K), m2 K/kW a day
	o, err := fouling.MaxThroughput(body.U, 0.75, 60)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f days, within 2 %% from %.1f to %.1f\n", o.Boiling, o.FlatLow, o.FlatHigh)
	// Output: 5.4 days, within 2 % from 3.5 to 8.5
}
