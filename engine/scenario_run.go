package engine

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"
)

// Mill is a plant that moves by itself, for scenarios that ask for it.
type Mill interface {
	Step(time.Duration)
	Start(upset string) error
	StartFull(upset string) error
	Clear(upset string) error
	// Each hands on what every instrument reads now, in the unit of its tag.
	Each(func(path string, v float64, q plant.Quality))
}

// Outcome is what came of a scenario.
type Outcome struct {
	Scenario *Scenario
	Failures []plant.Fault
	Events   []ScenarioEvent
	Scans    int
}

// ScenarioEvent is an event with its time since time 0 of the scenario.
type ScenarioEvent struct {
	At time.Duration
	plant.Event
}

// run is a scenario under way.
type scenarioRun struct {
	*Scenario
	core   *Core
	mill   Mill
	byPath map[string]*instrument // measured
	order  []*instrument
	system map[string]*instrument // by name
	out    *Outcome
	last   time.Time // of the last sample
	clocks scenarioClocks

	checks []func(at time.Duration) // after each scan
	ends   []func()
	phases map[string]string
	ended  map[string]int
	begun  map[string][]time.Duration // "PA1 feed on"
	why    map[int]string             // of calls that had not come when their time was over
}

// Mills makes the mill that a file of scenarios asks for, as it is at a moment.
type Mills func(w MillWish, at time.Time) Mill

// Run carries a scenario out on engines of its own. mills may be nil where no
// file asks for one. The error is a [plant.Faults]: names that this plant does
// not have; what did not come as expected is no error but in Failures.
func (s *Scenario) Run(mills Mills) (*Outcome, error) {
	c, err := s.file.core()
	if err != nil {
		return nil, err
	}
	var mill Mill
	if w := s.file.Mill; w != nil && mills != nil {
		mill = mills(*w, s.file.start.Add(-s.Before))
	}
	r := &scenarioRun{Scenario: s, core: c, mill: mill, byPath: map[string]*instrument{}, system: map[string]*instrument{}, out: &Outcome{Scenario: s},
		phases: map[string]string{}, ended: map[string]int{}, begun: map[string][]time.Duration{}, why: map[int]string{}}
	if err := r.prepare(); err != nil {
		return nil, err
	}
	if len(s.Expect.Forecasts) == 0 { // a forecast needs it, nothing else does
		c.Calc.NoUncertainty()
	}
	start := s.file.start
	r.beginClocks(start.Add(-s.Before))
	c.Begin(start.Add(-s.Before))
	todo := 0
	step := s.ScanBefore
	for at := -s.Before; ; {
		for ; todo < len(s.Happens) && s.Happens[todo].At <= at; todo++ {
			if err := r.happen(todo, start.Add(s.Happens[todo].At)); err != nil {
				return nil, err
			}
		}
		r.scan(at, start.Add(at))
		if at >= s.Lasts {
			break
		}
		if at >= 0 {
			step = s.Scan
		}
		next := min(at+step, s.Lasts)
		if at < 0 {
			next = min(next, 0)
		}
		if mill != nil {
			for left := next - at; left > 0; left -= time.Minute {
				mill.Step(min(left, time.Minute))
			}
		}
		at = next
	}
	for _, end := range r.ends {
		end()
	}
	slices.SortStableFunc(r.out.Failures, func(a, b plant.Fault) int { return a.Line - b.Line })
	return r.out, nil
}

// prepare resolves the names in the plant.
func (r *scenarioRun) prepare() error {
	h := r.core.House
	var faults plant.Faults
	nodes := map[string]*instrument{}
	for i := range h.Tags {
		t := &h.Tags[i]
		switch t.Source {
		case plant.Measured:
			node := t.Server + " " + t.Node
			if nodes[node] == nil {
				nodes[node] = newInstrument(t, r.Seed)
				r.order = append(r.order, nodes[node])
			}
			x := nodes[node]
			x.tags = append(x.tags, t.ID)
			r.byPath[t.Path] = x
		case plant.System:
			r.system[t.Name] = newInstrument(t, r.Seed)
		}
	}
	usual := func(table map[string]*change) {
		for _, p := range slices.Sorted(maps.Keys(table)) {
			for _, id := range r.named(p, plant.Measured) {
				c, err := table[p].resolve(&h.Tags[id], h.Config.Site.BarometerKPa)
				if err != nil {
					faults = append(faults, r.file.doc.Fault("usual", words.Say("%s: %s", p, words.Of(err)), ""))
					continue
				}
				x := r.byPath[h.Tags[id].Path]
				x.usual, x.base = c, c.number
				if c.noise > 0 {
					x.noise = c.noise
				}
			}
		}
	}
	usual(r.file.usual)
	usual(r.Scenario.usual)
	for _, c := range r.changes {
		ids := append(r.named(c.pattern, plant.Measured), r.named(c.pattern, plant.System)...)
		if len(ids) == 0 {
			faults = append(faults, r.file.doc.Fault(c.field, "the plant measures no such signal",
				plant.DidYouMean(h.Suggest(c.pattern), "%s", "name a measured signal, or one of calandria.")))
		}
		done := map[*instrument]bool{}
		for _, id := range ids {
			t := &h.Tags[id]
			x := r.byPath[t.Path]
			if t.Source == plant.System {
				x = r.system[t.Name]
			}
			d, err := c.resolve(t, h.Config.Site.BarometerKPa)
			if err != nil {
				faults = append(faults, r.file.doc.Fault(c.field, words.Of(err), ""))
			} else if !done[x] {
				x.changes = append(x.changes, d)
				done[x] = true
			}
		}
	}
	r.prepareClocks(&faults)
	for i, hp := range r.Happens {
		for k, o := range hp.Operator {
			r.checkAlarm(&faults, fmt.Sprintf("%s.happens[%d].operator[%d].alarm", r.field, i, k), o.Alarm)
		}
	}
	r.expect(&faults)
	return faults.Err()
}

// named lists the tags of a source that a path or pattern means.
func (r *scenarioRun) named(pattern string, source plant.Source) []plant.TagID {
	h := r.core.House
	if t, ok := h.Find(pattern); ok {
		if t.Source != source {
			return nil
		}
		return []plant.TagID{t.ID}
	}
	var ids []plant.TagID
	if strings.Contains(pattern, "*") {
		for i := range h.Tags {
			if h.Tags[i].Source == source && source == plant.Measured && covers(pattern, h.Tags[i].Path) {
				ids = append(ids, plant.TagID(i))
			}
		}
	}
	return ids
}

// checkAlarm refuses names that no alarm of the rules has.
func (r *scenarioRun) checkAlarm(faults *plant.Faults, field, patterns string) {
	var names []string
	for _, a := range r.core.Rules.Alarms() {
		names = append(names, a.Name)
	}
	for p := range strings.SplitSeq(patterns, ",") {
		if p = strings.TrimSpace(p); !slices.ContainsFunc(names, func(n string) bool { return covers(p, n) }) {
			*faults = append(*faults, r.file.doc.Fault(field, words.Say("the rules have no alarm %q", p),
				plant.DidYouMean(plant.Nearest(p, names), "%s", "'calandria rules list' has their names")))
		}
	}
}

// happen does what is no signal: operator and upsets.
func (r *scenarioRun) happen(i int, at time.Time) error {
	h, field := &r.Happens[i], fmt.Sprintf("%s.happens[%d]", r.field, i)
	var faults plant.Faults
	fault := func(err error) {
		if err != nil {
			faults = append(faults, r.file.doc.Fault(field, words.Of(err), ""))
		}
	}
	if h.Upset != "" && h.Full {
		fault(r.mill.StartFull(h.Upset))
	} else if h.Upset != "" {
		fault(r.mill.Start(h.Upset))
	}
	if h.Clear != "" {
		fault(r.mill.Clear(h.Clear))
	}
	for _, path := range slices.Sorted(maps.Keys(h.Planned)) {
		fault(r.core.Calc.Declare(thermo.Planned{Path: path, From: at, Until: at.Add(h.Planned[path]), By: "operator"}))
	}
	for k, o := range h.Operator {
		err := r.core.Alarms.Do(alerting.Command{Action: alerting.Action(o.Does), Alarm: o.Alarm, User: o.Name, Reason: o.Reason, Comment: o.Comment,
			Duration: o.For, Authorised: o.Authorised}, at)
		if (err != nil) != o.Refused {
			said := "it was done, and was to be refused"
			if err != nil {
				said = "refused: " + err.Error()
			}
			r.fail(fmt.Sprintf("%s.operator[%d]", field, k), fmt.Sprintf("%s %s by %s: %s", o.Does, o.Alarm, o.Name, said), "")
		}
	}
	return faults.Err()
}

// scan sends what the instruments read at one moment and lets the engines work.
func (r *scenarioRun) scan(at time.Duration, now time.Time) {
	c := r.core
	taken := now
	now = r.setClocks(at, now)
	if r.mill != nil {
		r.mill.Each(func(path string, v float64, q plant.Quality) {
			if x := r.byPath[path]; x != nil {
				x.base, x.baseBad = v, q
			}
		})
	}
	for _, x := range r.order {
		v, q, ok := x.read(at)
		if !ok {
			continue
		}
		r.last = now
		for _, id := range x.tags {
			c.Sample(r.stamped(x, at, plant.Sample{Tag: id, Point: plant.Point{Time: taken, Value: v, Quality: q}}, now), now)
		}
	}
	c.AllWell(now)
	r.tellClocks(now)
	c.Set("bad_tags_pct", c.BadTagsPct(), now)
	if !r.last.IsZero() {
		c.Set("sample_age", now.Sub(r.last).Seconds(), now)
	}
	for name, x := range r.system {
		if v, _, ok := x.read(at); ok {
			c.Set(name, v, now)
		}
	}
	c.Scan(now)
	c.Alarms.Advance(now)
	r.out.Scans++
	for _, e := range c.Drain() {
		r.out.Events = append(r.out.Events, ScenarioEvent{At: e.Time.Sub(r.file.start), Event: e})
	}
	if at < 0 {
		return
	}
	for _, check := range r.checks {
		check(at)
	}
}

func (r *scenarioRun) fail(field, problem, instead string) {
	r.out.Failures = append(r.out.Failures, r.file.doc.Fault(field, words.Verbatim(problem), words.Verbatim(instead)))
}

// calls are the alarms that came in a span: those that called the operator, or
// the hidden ones.
func (r *scenarioRun) calls(patterns string, sp span, hidden bool) []ScenarioEvent {
	var out []ScenarioEvent
	for _, e := range r.out.Events {
		if e.Kind == plant.EventAlarm && e.Annunciated != hidden && e.At >= sp.from && e.At <= sp.to && covers(patterns, e.Alarm) {
			out = append(out, e)
		}
	}
	return out
}

// firstUp reports whether an occurrence has the mark of its group, given at
// once or when the group's time of decision was over.
func (r *scenarioRun) firstUp(e ScenarioEvent) bool {
	return e.FirstUp || slices.ContainsFunc(r.out.Events, func(x ScenarioEvent) bool {
		return x.Kind == plant.EventFirstUp && x.Alarm == e.Alarm && x.Occurrence == e.Occurrence
	})
}

// list says which alarms came and when.
func list(events []ScenarioEvent) string {
	if len(events) == 0 {
		return "nothing"
	}
	var parts []string
	for i, e := range events {
		if i == 8 {
			parts = append(parts, fmt.Sprintf("and %d more", len(events)-i))
			break
		}
		parts = append(parts, fmt.Sprintf("%s at %s", e.Alarm, shortTime(e.At)))
	}
	return strings.Join(parts, ", ")
}

func shortTime(d time.Duration) string { return plant.ShortDuration(d.Round(time.Second)) }

func (sp span) String() string { return shortTime(sp.from) + " to " + shortTime(sp.to) }

// expect turns what is expected into checks.
func (r *scenarioRun) expect(faults *plant.Faults) {
	e := &r.Expect
	at := func(list string, i int) string { return fmt.Sprintf("%s.expect.%s[%d]", r.field, list, i) }
	for i := range e.Calls {
		r.checkAlarm(faults, at("calls", i)+".alarm", e.Calls[i].Alarm)
		r.expectCall(i, at("calls", i))
	}
	for i := range e.NoCalls {
		x := &e.NoCalls[i]
		if x.Alarm != "*" {
			r.checkAlarm(faults, at("no_calls", i)+".alarm", x.Alarm)
		}
		r.ends = append(r.ends, func() {
			if came := r.calls(x.Alarm, r.span(x.From, x.To), x.Hidden); len(came) > 0 {
				r.fail(at("no_calls", i), fmt.Sprintf("%s was not to call from %s", x.Alarm, r.span(x.From, x.To)), "came: "+list(came)+reasonOf(came[0]))
			}
		})
	}
	for i := range e.Returns {
		x := &e.Returns[i]
		r.checkAlarm(faults, at("returns", i)+".alarm", x.Alarm)
		r.ends = append(r.ends, func() { r.checkReturn(x, at("returns", i)) })
	}
	r.ends = append(r.ends, r.checkAll)
	for i := range e.States {
		x := &e.States[i]
		r.checkAlarm(faults, at("states", i)+".alarm", x.Alarm)
		r.once(x.At, func(time.Duration) {
			k, ok := r.core.Alarms.Index(x.Alarm)
			if st := r.core.Alarms.Status(k); ok && st.Word != x.Is && st.Code != x.Is {
				r.fail(at("states", i), fmt.Sprintf("%s was to be %s at %s", x.Alarm, x.Is, shortTime(x.At)), fmt.Sprintf("it is %s (%s)", st.Word, st.Code))
			}
		})
	}
	for i := range e.Values {
		r.expectValue(faults, &e.Values[i], at("values", i))
	}
	for i := range e.Forecasts {
		x := &e.Forecasts[i]
		t, ok := r.core.House.Find(x.Body + ".cleaning_due")
		if !ok {
			*faults = append(*faults, r.file.doc.Fault(at("forecasts", i)+".body", "no such body of an evaporator", "write its path, such as EV.EV3"))
			continue
		}
		r.once(x.At, func(now time.Duration) {
			p := r.core.Frame.Point(t.ID)
			due := now + time.Duration(p.Value*24*float64(time.Hour))
			switch {
			case !p.Usable():
				r.fail(at("forecasts", i), fmt.Sprintf("no forecast for %s at %s", x.Body, shortTime(now)), r.reason(t))
			case due < x.From || due > x.To:
				r.fail(at("forecasts", i), fmt.Sprintf("%s was to be due from %s", x.Body, span{x.From, x.To}), fmt.Sprintf("by the forecast at %s it is due at %s", shortTime(now), shortTime(due)))
			}
		})
	}
	if len(e.Strikes) > 0 {
		r.checks = append(r.checks, r.watchStrikes)
	}
	for i := range e.Strikes {
		x := &e.Strikes[i]
		if p, ok := r.core.House.Equip(x.Pan); !ok || p.Pan == nil {
			*faults = append(*faults, r.file.doc.Fault(at("strikes", i)+".pan", "the plant has no such pan", "write its name, such as PA1"))
		}
		r.ends = append(r.ends, func() {
			sp := r.span(x.From, x.To)
			came := r.begun[x.Pan+" "+x.Phase]
			if !slices.ContainsFunc(came, func(d time.Duration) bool { return d >= sp.from && d <= sp.to }) {
				var said []string
				for _, k := range slices.Sorted(maps.Keys(r.begun)) {
					if rest, ok := strings.CutPrefix(k, x.Pan+" "); ok {
						for _, d := range r.begun[k] {
							said = append(said, rest+" at "+shortTime(d))
						}
					}
				}
				r.fail(at("strikes", i), fmt.Sprintf("%s of %s was to begin from %s", x.Phase, x.Pan, sp), "found: "+strings.Join(said, ", "))
			}
		})
	}
}

// once runs a check at the first scan from a moment on.
func (r *scenarioRun) once(when time.Duration, f func(now time.Duration)) {
	done := false
	r.checks = append(r.checks, func(at time.Duration) {
		if !done && at >= when {
			done = true
			f(at)
		}
	})
}

func (r *scenarioRun) expectCall(i int, field string) {
	x := &r.Expect.Calls[i]
	sp := r.span(x.From, x.To)
	r.once(sp.to, func(at time.Duration) {
		if len(r.calls(x.Alarm, sp, x.Hidden)) > 0 {
			return
		}
		if k, ok := r.core.Alarms.Index(x.Alarm); ok {
			r.why[i] = howItStood(r.core.Rules.Explain(k, r.core.Frame, r.core.Frame.At), at)
		}
	})
	r.ends = append(r.ends, func() {
		want := x.Alarm + " was to call"
		if x.Hidden {
			want = x.Alarm + " was to come hidden"
		}
		came := r.calls(x.Alarm, sp, x.Hidden)
		switch n := len(came); {
		case n == 0:
			instead := "it did not come"
			if others := append(r.calls(x.Alarm, span{-1 << 62, 1 << 62}, false), r.calls(x.Alarm, span{-1 << 62, 1 << 62}, true)...); len(others) > 0 {
				instead = "it came: " + list(others)
				if others[0].Annunciated == x.Hidden {
					instead += map[bool]string{true: ", called", false: ", hidden: " + others[0].State}[others[0].Annunciated]
				}
			} else if r.why[i] != "" {
				instead += "; " + r.why[i]
			}
			r.fail(field, fmt.Sprintf("%s from %s", want, sp), instead+"; called in that time: "+list(r.calls("*", sp, false)))
			return
		case x.Times > 0 && n != x.Times:
			r.fail(field, fmt.Sprintf("%s %d times from %s", want, x.Times, sp), fmt.Sprintf("came %d times: %s", n, list(came)))
		}
		if !slices.ContainsFunc(came, func(e ScenarioEvent) bool { return strings.Contains(e.Reason, x.Says) }) {
			r.fail(field, fmt.Sprintf("%s was to say %q", x.Alarm, x.Says), fmt.Sprintf("it says %q", came[0].Reason))
		}
		if x.FirstUp != nil && r.firstUp(came[0]) != *x.FirstUp {
			r.fail(field, fmt.Sprintf("%s: first-up is %v, expected %v", x.Alarm, !*x.FirstUp, *x.FirstUp), "called: "+list(r.calls("*", sp, false)))
		}
	})
}

// howItStood is how a rule stood that did not call.
func howItStood(e rules.Explanation, at time.Duration) string {
	parts := []string{fmt.Sprintf("at %s its condition was %s", shortTime(at), e.Raise)}
	if e.OnlyWords != "" && e.Only != plant.True {
		parts = append(parts, fmt.Sprintf("only while %s: %s", e.OnlyWords, e.Only))
	}
	for i, p := range e.Parts {
		if i == 6 {
			break
		}
		parts = append(parts, fmt.Sprintf("%s (%.5g, %.5g) %s", p.Words, p.Left, p.Right, p.Truth))
	}
	for _, w := range e.Waits {
		parts = append(parts, w.String())
	}
	return strings.Join(parts, "; ")
}

func reasonOf(e ScenarioEvent) string {
	if e.Reason == "" {
		return ""
	}
	return fmt.Sprintf(" (%s)", e.Reason)
}

func (r *scenarioRun) checkReturn(x *ExpectedCall, field string) {
	sp := r.span(x.From, x.To)
	var all []ScenarioEvent
	for _, e := range r.out.Events {
		if e.Kind == plant.EventReturn && covers(x.Alarm, e.Alarm) {
			all = append(all, e)
			if e.At >= sp.from && e.At <= sp.to {
				return
			}
		}
	}
	r.fail(field, fmt.Sprintf("%s was to return from %s", x.Alarm, sp), "returned: "+list(all))
}

// checkAll looks at the calls as a whole, and at the rules themselves.
func (r *scenarioRun) checkAll() {
	e := &r.Expect
	if early := r.calls("*", span{-1 << 62, -1}, false); len(early) > 0 {
		r.fail(r.field, "in the usual running before time 0 nobody was to be called", "came: "+list(early)+reasonOf(early[0]))
	}
	all := r.calls("*", r.span(nil, nil), false)
	if e.AtMost > 0 && len(all) > e.AtMost {
		r.fail(r.field+".expect.at_most", fmt.Sprintf("at most %d calls", e.AtMost), fmt.Sprintf("came %d: %s", len(all), list(all)))
	}
	if e.Only {
		others := slices.DeleteFunc(all, func(x ScenarioEvent) bool {
			return slices.ContainsFunc(slices.Concat(e.Calls, e.MayCall), func(c ExpectedCall) bool {
				sp := r.span(c.From, c.To)
				return !c.Hidden && covers(c.Alarm, x.Alarm) && x.At >= sp.from && x.At <= sp.to
			})
		})
		if len(others) > 0 {
			r.fail(r.field+".expect.only", "no other call was expected", "came: "+list(others)+reasonOf(others[0]))
		}
	}
	for _, f := range r.core.Rules.Faults() {
		r.fail(r.field, fmt.Sprintf("rule %s could not be evaluated: %s", f.Rule, f.Reason), "")
	}
}

func (r *scenarioRun) expectValue(faults *plant.Faults, x *ExpectedValue, field string) {
	h := r.core.House
	t, ok := h.Find(x.Tag)
	if !ok {
		*faults = append(*faults, r.file.doc.Fault(field+".tag", "there is no such tag", plant.DidYouMean(h.Suggest(x.Tag), "%s", "")))
		return
	}
	low, high := math.Inf(-1), math.Inf(1)
	want := ""
	for _, b := range []struct {
		name, text string
		to         *float64
	}{{"above", x.Above, &low}, {"below", x.Below, &high}} {
		if b.text == "" {
			continue
		}
		want = strings.TrimSpace(want + " " + b.name + " " + b.text)
		c, problem := parsePhrase(b.text)
		if problem == "" && (c.kind != toValue || c.over > 0 || !math.IsNaN(c.noise)) {
			problem = fmt.Sprintf("%q is not a value", b.text)
		}
		if problem == "" {
			d, err := c.resolve(t, h.Config.Site.BarometerKPa)
			if err != nil {
				problem = err.Error()
			}
			*b.to = d.number
		}
		if problem != "" {
			*faults = append(*faults, r.file.doc.Fault(field+"."+b.name, words.Verbatim(problem), `write for example 26 or "0.3 bar gauge"`))
		}
	}
	sp := r.span(x.From, x.To)
	seen, failed := false, false
	r.checks = append(r.checks, func(at time.Duration) {
		if at < sp.from || failed || at > sp.to && seen {
			return
		}
		seen = true
		p := r.core.Frame.Point(t.ID)
		if p.Usable() == x.Bad || !x.Bad && (p.Value <= low || p.Value >= high) {
			failed = true
			is := fmt.Sprintf("%.5g %s", p.Value, t.Unit)
			if !p.Usable() {
				is = p.Quality.String() + ": " + r.reason(t)
			}
			if x.Bad {
				want = "without a usable value"
			}
			r.fail(field, fmt.Sprintf("%s was to be %s from %s", x.Tag, want, sp), fmt.Sprintf("at %s it is %s", shortTime(at), is))
		}
	})
}

// reason says why a calculated tag has no value.
func (r *scenarioRun) reason(t *plant.Tag) string {
	for i := range r.core.values {
		if r.core.values[i].Tag == t.ID {
			return r.core.values[i].Reason.String()
		}
	}
	return "no value has come"
}

// watchStrikes notes when phases begin and strikes end.
func (r *scenarioRun) watchStrikes(at time.Duration) {
	for _, s := range r.core.Calc.Strikes() {
		if phase := s.Phase.String(); r.phases[s.Pan] != phase {
			r.phases[s.Pan] = phase
			k := s.Pan + " " + phase
			r.begun[k] = append(r.begun[k], at)
		}
		if n := len(s.Finished); n != r.ended[s.Pan] {
			r.ended[s.Pan] = n
			r.begun[s.Pan+" end"] = append(r.begun[s.Pan+" end"], at)
		}
	}
}

// Write prints the outcome for a person: a line, and what failed or, if asked
// for, all that came.
func (o *Outcome) Write(w io.Writer, events bool, took time.Duration) {
	s := o.Scenario
	at := s.file.doc.At(s.field)
	verdict := "ok  "
	if len(o.Failures) > 0 {
		verdict = "FAIL"
	}
	fmt.Fprintf(w, "%s  %s:%d: %s (%d scans, %.1f s)\n", verdict, s.file.doc.File, at.Line, s.Name, o.Scans, took.Seconds())
	for _, f := range o.Failures {
		fmt.Fprintf(w, "      line %d: %s\n", f.Line, f.Problem)
		if f.Fix != "" {
			fmt.Fprintf(w, "               %s\n", f.Fix)
		}
	}
	if !events {
		return
	}
	for _, e := range o.Events {
		if e.Kind == plant.EventQuality {
			continue // at a start there is one for each rule that looks back
		}
		line := fmt.Sprintf("      %10s  %-12s %s", shortTime(e.At), e.Kind, e.Alarm)
		switch {
		case e.Kind == plant.EventAlarm && e.Annunciated:
			line += ", " + e.Priority.String()
		case e.Kind == plant.EventAlarm:
			line += ", hidden"
		}
		if e.FirstUp {
			line += ", first up"
		}
		if e.Value != nil {
			line += fmt.Sprintf(", %.5g %s", *e.Value, e.Unit)
		}
		if e.User != "" {
			line += ", by " + e.User
		}
		fmt.Fprintln(w, line+reasonOf(e))
	}
}
