package deploy

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

// millRun is a mill and the program that watches it.
type millRun struct {
	*blindHouse
	house  *plant.House
	core   *engine.Core
	also   *engine.Core                     // a second program that watches the same mill; nil: none
	sent   func(path string, p plant.Point) // told of each sample; nil: nobody
	ids    map[*blindTag]plant.TagID
	watch  []plant.TagID // quantities of which hours are kept
	names  []string
	mean   [][]float64 // hourly means of usable values, by quantity
	last   [][]float64 // the newest usable value of the hour; NaN: none
	sigma  [][]float64 // its stated standard deviation; NaN: none
	calls  []plant.Event
	found  []thermo.FinishedStrike
	ideal  *idealMill
	quiet  time.Time // from then on the upsets
	warm   int       // hours that do not count
	sum, n []float64
	lastV  []float64
}

func newMillRun(t *testing.T, h *blindHouse) *millRun {
	t.Helper()
	m := &millRun{blindHouse: h, warm: 48, ids: map[*blindTag]plant.TagID{}}
	var err error
	if m.house, err = plant.Load("plant.yaml", []byte(h.plant())); err != nil {
		t.Fatal(err)
	}
	files := slices.DeleteFunc(ruleFiles(t), func(f rules.File) bool { return f.Name == "demo_site.yaml" })
	if m.core, err = engine.New(m.house, files, rules.Options{}); err != nil {
		t.Fatal(err)
	}
	m.house = m.core.House
	for _, g := range h.tags {
		x, ok := m.house.Find(g.path)
		if !ok {
			t.Fatalf("no tag %s", g.path)
		}
		m.ids[g] = x.ID
	}
	add := func(path string) {
		x, ok := m.house.Find(path)
		if !ok {
			t.Fatalf("no quantity %s", path)
		}
		m.watch, m.names = append(m.watch, x.ID), append(m.names, path)
	}
	for _, q := range []string{"economy", "evaporation", "steam_calculated"} {
		if _, ok := m.house.Find(setName + "." + q); ok {
			add(setName + "." + q)
		}
	}
	for _, b := range h.set.bodies {
		for _, q := range []string{"u", "evaporation", "u_ratio", "cleaning_due", "cleaning_due_early", "cleaning_due_late", "u_clean"} {
			add(setName + "." + b.name + "." + q)
		}
	}
	for _, p := range h.pans {
		for _, q := range []string{"supersaturation", "thermometer_offset_found"} {
			add(p.name + "." + q)
		}
	}
	n := len(m.watch)
	m.mean, m.last, m.sigma = make([][]float64, n), make([][]float64, n), make([][]float64, n)
	m.sum, m.n, m.lastV = make([]float64, n), make([]float64, n), make([]float64, n)
	return m
}

// hourly gives the means of a quantity by the hour, of Uncertain values too.
func (m *millRun) hourly(path string) []float64 { return m.mean[m.index(path)] }

func (m *millRun) index(path string) int { return slices.Index(m.names, path) }

// newest gives the newest usable value of each hour.
func (m *millRun) newest(path string) []float64 { return m.last[slices.Index(m.names, path)] }

// acknowledge acknowledges what calls, and gives it.
func acknowledge(c *engine.Core, at time.Time) (calls []plant.Event) {
	for _, e := range c.Alarms.Drain() {
		if e.Kind == plant.EventAlarm && e.Annunciated {
			calls = append(calls, e)
			_ = c.Alarms.Do(alerting.Command{Action: alerting.Acknowledge, Alarm: e.Alarm, User: "operator"}, at)
			c.Alarms.Drain()
		}
	}
	return calls
}

// cores are the programs that watch the mill.
func (m *millRun) cores() []*engine.Core {
	if m.also == nil {
		return []*engine.Core{m.core}
	}
	return []*engine.Core{m.core, m.also}
}

// until runs mill and program to a time, with a scan each step.
func (m *millRun) until(end time.Time, step time.Duration) {
	scanned := m.now
	for m.now.Before(end) {
		scanned = scanned.Add(step)
		_ = m.run(scanned, func(g *blindTag, v, own float64, good bool) error {
			p := plant.Point{Time: m.now, Value: own, Quality: plant.Good}
			if g.reference == "" && g.unit == "" || g.exact {
				p.Value = v
			}
			if !good {
				p = plant.BadPoint(m.now, plant.BadNoCommunication)
			}
			if m.sent != nil {
				m.sent(g.path, p)
			}
			for _, c := range m.cores() {
				c.Sample(plant.Sample{Tag: m.ids[g], Point: p}, m.now)
			}
			return nil
		})
		for _, c := range m.cores() {
			c.AllWell(m.now)
			c.Scan(m.now)
			c.Alarms.Advance(m.now)
		}
		m.calls = append(m.calls, acknowledge(m.core, m.now)...)
		if m.also != nil {
			acknowledge(m.also, m.now)
		}
		m.core.Drain()
		m.found = append(m.found, m.core.Calc.TakeFinished()...)
		for i, id := range m.watch {
			p := m.core.Frame.Points[id]
			m.lastV[i] = math.NaN()
			if p.Usable() {
				m.sum[i], m.n[i], m.lastV[i] = m.sum[i]+p.Value, m.n[i]+1, p.Value
			}
		}
		if m.now.Unix()%3600 == 0 {
			stated := m.core.Picture(m.now).Sigma
			for i, id := range m.watch {
				sd, ok := stated[id]
				if !ok {
					sd = math.NaN()
				}
				m.sigma[i] = append(m.sigma[i], sd)
				m.mean[i], m.last[i] = append(m.mean[i], m.sum[i]/m.n[i]), append(m.last[i], m.lastV[i])
				m.sum[i], m.n[i] = 0, 0
			}
		}
	}
}

// errorsOf gives the relative errors in steady hours, in %, and which part of these has a value.
func errorsOf(truth, got []float64, steady []bool) (e []float64, share float64) {
	n := 0.0
	for i := range truth {
		if i >= len(got) || !steady[i] || truth[i] <= 0 {
			continue
		}
		n++
		if !math.IsNaN(got[i]) {
			e = append(e, 100*math.Abs(got[i]/truth[i]-1))
		}
	}
	return e, float64(len(e)) / max(1, n)
}

// millFigures are what one mill brought, or the sum over some.
type millFigures struct {
	lines                 []string
	u, uIdeal             []float64 // errors of U by the hour and body, %
	steam, steamIdeal     []float64 // of economy
	hit, hitIdeal, told   int
	inBand, cycles        int
	falseSet, falsePans   float64 // a week
	upsets, named         int
	stops, callsOfStop    int
	strikes, strikesFound int
	one, two, stated      float64 // hours within one and two stated sigma, of so many
	worstU                float64 // greatest median error of U of a body
	leastShare            float64
}

// spread gives the median and the 95 % point.
func spread(e []float64) (median, p95 float64) {
	if len(e) == 0 {
		return math.NaN(), math.NaN()
	}
	e = slices.Clone(e)
	slices.Sort(e)
	return e[len(e)/2], e[int(0.95*float64(len(e)-1))]
}

// figures compares what the program made of the mill with its truth.
func (m *millRun) figures() *millFigures {
	f := &millFigures{}
	say := func(format string, a ...any) { f.lines = append(f.lines, fmt.Sprintf(format, a...)) }
	steady := make([]bool, len(m.hours))
	for i := range m.hours {
		steady[i] = m.hours[i].steady && i > m.warm && (i < 1 || m.hours[i-1].steady) && (m.quiet.IsZero() || m.begin.Add(time.Duration(i)*time.Hour).Before(m.quiet))
	}
	col := func(get func(h *blindHour) float64) []float64 {
		out := make([]float64, len(m.hours))
		for i := range m.hours {
			out[i] = get(&m.hours[i])
		}
		return out
	}
	m.ideal = newIdeal(m.blindHouse)
	f.leastShare = 1
	row := func(name, path string, truth, ideal []float64) (p, q []float64) {
		i := slices.Index(m.names, path)
		got := m.mean[i]
		p, share := errorsOf(truth, got, steady)
		q, _ = errorsOf(truth, ideal, steady)
		a, b := spread(p)
		c, d := spread(q)
		one, two, n := covered(truth, got, m.sigma[i], steady)
		f.one, f.two, f.stated = f.one+one, f.two+two, f.stated+n
		say("%-18s median %5.2f %%  95 %% %5.2f %%  has a value %3.0f %%   ideal %5.2f %% %5.2f %%   within 1 and 2 sigma %3.0f %3.0f %%", name, a, b, 100*share, c, d, 100*one/n, 100*two/n)
		if strings.HasSuffix(name, " U") {
			f.worstU, f.leastShare = max(f.worstU, a), min(f.leastShare, share)
		}
		return p, q
	}
	f.steam, f.steamIdeal = row("economy", setName+".economy", col(func(h *blindHour) float64 { return h.economy }), m.ideal.economy)
	row("evaporation", setName+".evaporation", col(func(h *blindHour) float64 { return h.evap }), m.ideal.evap)
	for i, b := range m.set.bodies {
		q := setName + "." + b.name + "."
		p, d := row(b.name+" U", q+"u", col(func(h *blindHour) float64 { return h.u[i] }), m.ideal.u[i])
		f.u, f.uIdeal = append(f.u, p...), append(f.uIdeal, d...)
		row(b.name+" evaporation", q+"evaporation", col(func(h *blindHour) float64 { return h.v[i] }), m.ideal.v[i])
		row(b.name+" % of clean", q+"u_ratio", col(func(h *blindHour) float64 { return h.ratio[i] }), m.ideal.ratio[i])
	}
	m.daily(say)
	m.forecasts(f, say)
	m.alarmsOf(f, say)
	m.strikesOf(f, say)
	return f
}

// daily shows, by the day, how far U and the % of clean are off, in %, with the ideal's beside it.
func (m *millRun) daily(say func(string, ...any)) {
	for i, b := range m.set.bodies {
		q := setName + "." + b.name + "."
		u, r := m.hourly(q+"u"), m.hourly(q+"u_ratio")
		var line strings.Builder
		for d := 0; d+24 <= len(m.hours); d += 24 {
			var e, ei, er, n float64
			for k := d; k < d+24; k++ {
				if t := m.hours[k]; t.steady && t.u[i] > 0 && !math.IsNaN(u[k]) && !math.IsNaN(m.ideal.u[i][k]) {
					e, ei, n = e+100*(u[k]/t.u[i]-1), ei+100*(m.ideal.u[i][k]/t.u[i]-1), n+1
					er += 100 * (r[k]/t.ratio[i] - 1)
				}
			}
			fmt.Fprintf(&line, "%+.1f(%+.1f)%+.1f ", e/n, ei/n, er/n)
		}
		say("%s by the day, U (ideal) %% of clean: %s", b.name, line.String())
	}
}

// forecasts compares the day of the limit, as told at half-way, with the day it came.
func (m *millRun) forecasts(f *millFigures, say func(string, ...any)) {
	seen := map[string]int{}
	for _, c := range m.cycles {
		seen[c.body.name]++
		if c.met == 0 {
			continue
		}
		half := c.from.Add(time.Duration(c.met / 2 * 24 * float64(time.Hour)))
		i := int(half.Sub(m.begin).Hours())
		q := setName + "." + c.body.name + "."
		due := m.newest(q + "cleaning_due")
		if i >= len(due) || !m.quiet.IsZero() && half.After(m.quiet) {
			continue
		}
		left := c.met / 2
		early, late := m.newest(q + "cleaning_due_early")[i], m.newest(q + "cleaning_due_late")[i]
		j := slices.IndexFunc(m.set.bodies, func(b *blindBody) bool { return b == c.body })
		ideal := m.ideal.due(j, c, i)
		f.cycles++
		hit := math.Abs(due[i]-left) <= 0.15*left
		if hit {
			f.hit++
		}
		if !math.IsNaN(due[i]) {
			f.told++
			if early <= left && left <= late {
				f.inBand++
			}
		}
		if math.Abs(ideal-left) <= 0.15*left {
			f.hitIdeal++
		}
		say("%s cycle %d from %s (%s, restored %.3f): %.2f d left at half-way; told %.2f (%.2f to %.2f), ideal %.2f; ratio told %.3f true %.3f ideal %.3f%s", c.body.name, seen[c.body.name], c.from.Format("Jan 2"),
			c.body.scale.law, (1+usualRest)/(1+c.body.u0*c.r0), left, due[i], early, late, ideal, m.newest(q + "u_ratio")[i], m.hours[i].ratio[j], m.ideal.ratio[j][i], map[bool]string{true: " hit"}[hit])
	}
	say("day of the limit at half-way within 15 %%: %d of %d, told %d, in its 90 %% band %d; ideal %d", f.hit, f.cycles, f.told, f.inBand, f.hitIdeal)
}

// covered tells in which part of the steady hours the truth is within one and two stated sigma.
func covered(truth, got, sigma []float64, steady []bool) (one, two, n float64) {
	for i := range truth {
		if i < len(got) && steady[i] && truth[i] > 0 && sigma[i] > 0 && !math.IsNaN(got[i]) {
			z := math.Abs(got[i]-truth[i]) / sigma[i]
			one, two, n = one+b2f(z < 1), two+b2f(z < 2), n+1
		}
	}
	return one, two, n
}

func withoutPath(alarm string) (name, path string) {
	i := strings.IndexByte(alarm, '.')
	return alarm[:i], alarm[i+1:]
}

// alarmsOf counts calls: false ones by rule, those of stops, and the upsets.
func (m *millRun) alarmsOf(f *millFigures, say func(string, ...any)) {
	type tally struct {
		n   int
		all []string
	}
	falses := map[string]*tally{}
	stops := map[string]int{}
	urgent := 0
	hit := map[*blindUpset][]string{}
	duty := map[string]bool{"cleaning_due": true, "clean_interval_over": true}
	for _, e := range m.calls {
		name, path := withoutPath(e.Alarm)
		at := e.Time
		claimed := false
		for _, u := range m.upsets {
			if !at.Before(u.from) && at.Before(u.to.Add(2*time.Hour)) {
				hit[u] = append(hit[u], e.Alarm)
				claimed = true
			}
		}
		if claimed || at.Before(m.begin.Add(time.Duration(m.warm)*time.Hour)) || duty[name] {
			continue
		}
		planned := slices.ContainsFunc(m.ops, func(o blindOp) bool {
			return at.After(o.from.Add(-time.Hour)) && at.Before(o.to.Add(2*time.Hour))
		})
		if planned && strings.HasPrefix(path, setName) {
			stops[e.Alarm]++
			f.callsOfStop++
			urgent += int(b2f(e.Priority == 1))
			continue
		}
		if falses[e.Alarm] == nil {
			falses[e.Alarm] = &tally{}
		}
		falses[e.Alarm].n++
		falses[e.Alarm].all = append(falses[e.Alarm].all, at.Format("Jan 2 15:04"))
		if strings.HasPrefix(path, setName) || path == "C1" {
			f.falseSet++
		} else {
			f.falsePans++
		}
	}
	weeks := (m.now.Sub(m.begin).Hours() - float64(m.warm)) / 168
	if !m.quiet.IsZero() {
		for _, u := range m.upsets {
			weeks -= u.to.Sub(u.from).Hours() / 168
		}
	}
	f.falseSet, f.falsePans = f.falseSet/weeks, f.falsePans/weeks
	say("false calls a week: set and condenser %.2f, pans and the rest %.2f", f.falseSet, f.falsePans)
	for _, k := range slices.SortedFunc(maps.Keys(falses), func(a, b string) int { return falses[b].n - falses[a].n }) {
		say("  %5.2f a week  %s: %s", float64(falses[k].n)/weeks, k, strings.Join(falses[k].all, ", "))
	}
	for _, o := range m.ops {
		if o.state == 3 {
			f.stops++
		}
	}
	say("calls of %d planned stops or outages: %d, %d of them urgent", f.stops, f.callsOfStop, urgent)
	for _, a := range slices.SortedFunc(maps.Keys(stops), func(a, b string) int { return stops[b] - stops[a] }) {
		say("  %3d  %s", stops[a], a)
	}
	for _, u := range m.upsets {
		f.upsets++
		named := slices.ContainsFunc(hit[u], func(a string) bool {
			return slices.ContainsFunc(u.want, func(w string) bool { return strings.HasPrefix(a, w) })
		})
		if named {
			f.named++
		}
		slices.Sort(hit[u])
		say("upset %s %s: named %v, of %v; calls %v", u.from.Format("Jan 2 15:04"), u.name, named, u.want, slices.Compact(hit[u]))
	}
	say("upsets named: %d of %d", f.named, f.upsets)
}

// strikesOf compares strikes found with strikes boiled.
func (m *millRun) strikesOf(f *millFigures, say func(string, ...any)) {
	for _, p := range m.pans {
		var starts, drops []time.Time
		var s []float64
		for i, b := range p.begins {
			if b.wash {
				continue
			}
			if b.phase == panDrop {
				drops = append(drops, b.at)
			}
			if b.phase == panFeed && i+1 < len(p.begins) && b.n > 0 {
				s = append(s, b.s/b.n)
			}
			if b.phase == panCharge {
				starts = append(starts, b.at)
			}
		}
		found, matched, whole := 0, 0, 0
		var off []float64
		for _, x := range m.found {
			if x.Pan != p.name {
				continue
			}
			found++
			if x.Strike.Whole {
				whole++
			}
			for _, d := range starts {
				if dt := x.Strike.Start.Sub(d).Minutes(); math.Abs(dt) < 20 {
					matched++
					off = append(off, dt)
				}
			}
		}
		f.strikes, f.strikesFound = f.strikes+len(drops), f.strikesFound+matched
		slices.Sort(s)
		slices.Sort(off)
		mid := func(x []float64) float64 {
			if len(x) == 0 {
				return math.NaN()
			}
			return x[len(x)/2]
		}
		var bias float64
		for _, g := range m.tags {
			if g.path == p.name+".massecuite_temperature" {
				bias += g.sigma(60) * g.bias
			}
			if g.path == p.name+".vapour_pressure" {
				bias -= tsat(p.pressure+g.sigma(0)*g.bias) - tsat(p.pressure)
			}
		}
		o := m.newest(p.name + ".thermometer_offset_found")
		say("%s (%s): %d strikes boiled, %d found, %d at their time, %d whole; start off by %.1f min; S fed %.3f; thermometer over water true %.2f found %.2f", p.name, p.grade, len(drops), found, matched, whole, mid(off), mid(s), bias+0.5, o[len(o)-1])
	}
}
