package pan

import (
	"math"
	"slices"
	"time"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Transition is a change of phase.
type Transition struct {
	From, To Phase
	// At is when the evidence began, Noticed when it was enough.
	At, Noticed time.Time
	Strike      int    // number; 0 outside one
	Why         string // the evidence, in plain words
}

// Thresholds of the phase logic. Common practice, no source; the ones that need a
// site's figures scale with Design.
const (
	vacuumBelowKPa = 60.0 // under vacuum below this,
	brokenAboveKPa = 70.0 // broken above this
	valveOpenPct   = 5.0
	hotC           = 82.0 // no massecuite is as hot under vacuum: steam-out
	emptyPct       = 4.0

	bucket   = 10 * time.Second // level means
	history  = 45 * time.Minute
	gapLimit = 10 * time.Minute
	profile  = 2 * time.Minute
	keep     = 60 // finished strikes
)

// UsualStrikeHours stands in for a length of strike that is not configured. A figure of
// ours.
const UsualStrikeHours = 4.0

// StillKPa is how far the pressure may be from its own mean of a minute, kPa, while
// pressure and temperature are taken to be of the same moment. A figure of ours.
const StillKPa = 0.4

// tri is a fact that may be unknown.
type tri int8

const (
	unknown tri = iota
	no
	yes
)

func known(b bool) tri {
	if b {
		return yes
	}
	return no
}

// Tracker finds the strikes of one batch pan. Step it with every scan; it keeps
// time by its argument alone. It is not safe for use by several goroutines.
type Tracker struct {
	d Design

	started bool
	last    time.Time
	phase   Phase
	since   time.Time // of the phase
	strike  *Strike
	number  int
	done    []Strike
	missing string
	dark    time.Time // since when no tag says anything

	// dwell times of the conditions, by name of the rule
	dwell map[string]time.Time

	levels  []levelMean // of buckets
	sum     float64
	n       int
	begin   time.Time
	vac     tri
	plateau float64 // level at the end of the footing
	peak    float64 // of the level in this strike
	rise    float64 // steepest rise while charging, %/min
	opened  bool    // discharge was open in this drop
	hottest float64
	fedFrom float64 // level when the feed began

	// collected in this phase: medians and sums
	us, steams, ss []float64
	steamBase      float64 // median of steams when they were steamCount
	steamCount     int
	lastSample     time.Time
	lastProfile    time.Time
	minuteS        []float64
	minute         time.Time
	calm           float64     // pressure followed with a lag of a minute, kPa; 0: not yet
	tail           []tailPoint // last five minutes of boiling
	vacSince       time.Time   // vacuum lost while boiling
	purityTag      bool        // the purity of the liquor used last is by its tag
	lastPurity     Reading     // of the liquor, as used last
	lastMassecuite Reading     // purity of the massecuite, while boiling
}

type levelMean struct {
	at time.Time
	v  float64
}

type tailPoint struct {
	at                               time.Time
	brix, temperature, level, liquor Reading
	ss                               Reading
}

// NewTracker returns a tracker for a pan.
func NewTracker(d Design) *Tracker {
	if d.StrikeHours <= 0 {
		d.StrikeHours = UsualStrikeHours
	}
	return &Tracker{d: d, dwell: map[string]time.Time{}}
}

// Phase returns the phase and since when.
func (t *Tracker) Phase() (Phase, time.Time) { return t.phase, t.since }

// Missing says what tags are wanting when the phase is Unknown, else "".
func (t *Tracker) Missing() string { return t.missing }

// Running returns a copy of the strike in progress. U and steam of the present phase are
// those so far.
func (t *Tracker) Running() (Strike, bool) {
	if t.strike == nil {
		return Strike{}, false
	}
	s := t.strike.Clone()
	if n := len(s.Phases); n > 0 {
		if r := &s.Phases[n-1]; r.End.IsZero() {
			r.U, r.Steam = medianReading(t.us), medianReading(t.steams)
		}
	}
	return s, true
}

// Remember takes over the strikes of a record, in order of time, as after a start: they
// stand in place of what the tracker found of the same time, and it counts on from their
// numbers. It returns what it had found beside them, as it is numbered now. Two strikes
// are the same if they share more than half of the shorter one.
func (t *Tracker) Remember(record []Strike) (found []Strike) {
	all := slices.Clone(record)
	if len(record) > 0 {
		t.number = 0
	}
	for i := range record {
		t.number = max(t.number, record[i].Number)
	}
	first := len(all)
	for i := range t.done {
		s := t.done[i]
		if slices.ContainsFunc(record, func(r Strike) bool { return sameStrike(&r, &s) }) {
			continue
		}
		if len(record) > 0 {
			t.number++
			s.Number = t.number
		}
		all = append(all, s)
	}
	found = slices.Clone(all[first:])
	slices.SortStableFunc(all, func(a, b Strike) int { return a.Start.Compare(b.Start) })
	t.done = all[max(0, len(all)-keep):]
	if t.strike != nil && len(record) > 0 {
		t.number++
		t.strike.Number = t.number
	}
	return found
}

func sameStrike(a, b *Strike) bool {
	from, to := a.Start, a.End
	if b.Start.After(from) {
		from = b.Start
	}
	if b.End.Before(to) {
		to = b.End
	}
	return 2*to.Sub(from) > min(a.End.Sub(a.Start), b.End.Sub(b.Start))
}

// Sums returns the length of the running strike, the water evaporated so far, t, and for
// how much of the boiling that was not known; ok is false between strikes. It copies
// nothing: for every scan.
func (t *Tracker) Sums(now time.Time) (length time.Duration, waterT Reading, lacking time.Duration, ok bool) {
	if t.strike == nil {
		return 0, Reading{}, 0, false
	}
	return t.strike.Length(now), t.strike.WaterT, time.Duration(t.strike.LackingHours * float64(time.Hour)), true
}

// Strikes returns the finished strikes, oldest first, at most 60. The records
// share their slices with the tracker: read only.
func (t *Tracker) Strikes() []Strike { return append([]Strike(nil), t.done...) }

// Newest is the number of the newest finished strike, 0 if there is none.
func (t *Tracker) Newest() int {
	if n := len(t.done); n > 0 {
		return t.done[n-1].Number
	}
	return 0
}

// Since returns the finished strikes with a number above n, oldest first.
func (t *Tracker) Since(n int) []Strike {
	var out []Strike
	for i := range t.done {
		if t.done[i].Number > n {
			out = append(out, t.done[i])
		}
	}
	return out
}

// facts are what the readings say at one moment.
type facts struct {
	vac, steam, feed, discharge, hot, seed tri
	level                                  Reading // mean of the last 30 s
	in                                     Inputs
}

func (t *Tracker) facts(at time.Time, in Inputs) facts {
	in.PressureKPa = in.PressureKPa.checked(1, 200)
	in.MassecuiteC = in.MassecuiteC.checked(0, 150)
	in.LevelPct = in.LevelPct.checked(-20, 150)
	in.SteamValvePct = in.SteamValvePct.checked(-10, 110)
	in.SteamTH = in.SteamTH.checked(-5, 500)
	in.ChestKPa = in.ChestKPa.checked(1, 1000)
	in.FeedValvePct = in.FeedValvePct.checked(-10, 110)
	in.FeedTH = in.FeedTH.checked(-20, 1000)
	in.DischargePct = in.DischargePct.checked(-10, 110)
	in.SeedPct = in.SeedPct.checked(-10, 110)
	in.MassecuiteBrix = in.MassecuiteBrix.checked(0, 100)
	in.ConsistencyPct = in.ConsistencyPct.checked(-20, 200)
	in.LiquorPurityPct = in.LiquorPurityPct.checked(1, 100)
	in.LiquorBrix = in.LiquorBrix.checked(0, 96)
	in.FeedBrix = in.FeedBrix.checked(0, 96)
	in.MassecuitePurityPct = in.MassecuitePurityPct.checked(1, 100)
	f := facts{in: in}
	if in.PressureKPa.OK {
		switch p := in.PressureKPa.Value; {
		case p < vacuumBelowKPa:
			t.vac = yes
		case p > brokenAboveKPa:
			t.vac = no
		case t.vac == unknown:
			t.vac = no
		}
		f.vac = t.vac
	}
	either := func(valve, flow Reading, least float64) tri {
		if !valve.OK && !flow.OK {
			return unknown
		}
		return known(valve.OK && valve.Value > valveOpenPct || flow.OK && flow.Value > least)
	}
	// A flow meter's zero is not exact: 2 % of a strike an hour, or 1 t/h.
	least := 1.0
	if t.d.StrikeT > 0 {
		least = 0.02 * t.d.StrikeT
	}
	f.steam = either(in.SteamValvePct, in.SteamTH, least*0.3)
	f.feed = either(in.FeedValvePct, in.FeedTH, least)
	f.discharge = either(in.DischargePct, Reading{}, 0)
	if in.SeedPct.OK {
		f.seed = known(in.SeedPct.Value > 50)
	}
	if in.MassecuiteC.OK {
		f.hot = known(in.MassecuiteC.Value > hotC)
	}
	t.meanLevel(at, in.LevelPct)
	f.level = t.recent(at, 30*time.Second)
	return f
}

// meanLevel gathers the level into means of ten seconds: it sloshes.
func (t *Tracker) meanLevel(at time.Time, l Reading) {
	if l.OK {
		if t.n == 0 {
			t.begin = at
		}
		t.sum += l.Value
		t.n++
	}
	if t.n > 0 && (at.Sub(t.begin) >= bucket || at.Before(t.begin)) {
		t.levels = append(t.levels, levelMean{t.begin.Add(at.Sub(t.begin) / 2), t.sum / float64(t.n)})
		t.sum, t.n = 0, 0
		cut := 0
		for cut < len(t.levels) && at.Sub(t.levels[cut].at) > history {
			cut++
		}
		if cut > len(t.levels)/2 {
			t.levels = append(t.levels[:0], t.levels[cut:]...)
		}
	}
}

func (t *Tracker) recent(at time.Time, window time.Duration) Reading {
	var s float64
	n := 0
	for i := len(t.levels) - 1; i >= 0 && at.Sub(t.levels[i].at) <= max(window, 2*bucket); i-- {
		s += t.levels[i].v
		n++
	}
	if t.n > 0 {
		s += t.sum / float64(t.n)
		n++
	}
	if n == 0 {
		// Slow scans: the last mean serves for two minutes.
		if k := len(t.levels); k > 0 && at.Sub(t.levels[k-1].at) < 2*time.Minute {
			return Use(t.levels[k-1].v)
		}
		return Reading{}
	}
	return Use(s / float64(n))
}

// slope of the level over the window, %/min, and false without enough of it.
func (t *Tracker) slope(at time.Time, window time.Duration) (float64, bool) {
	var n, sx, sy, sxx, sxy float64
	first := time.Duration(0)
	for i := len(t.levels) - 1; i >= 0; i-- {
		age := at.Sub(t.levels[i].at)
		if age > window {
			break
		}
		x := -age.Minutes()
		y := t.levels[i].v
		n++
		sx += x
		sy += y
		sxx += x * x
		sxy += x * y
		first = age
	}
	if n < 4 || first < window*6/10 {
		return 0, false
	}
	den := n*sxx - sx*sx
	if !(den > 1e-9) {
		return 0, false
	}
	return (n*sxy - sx*sy) / den, true
}

// held reports whether a condition has held for d, and since when. Conditions
// are named so that each has its own clock, cleared at every change of phase.
func (t *Tracker) held(name string, cond bool, at time.Time, d time.Duration) (time.Time, bool) {
	if !cond {
		delete(t.dwell, name)
		return time.Time{}, false
	}
	s, ok := t.dwell[name]
	if !ok {
		t.dwell[name] = at
		s = at
	}
	return s, at.Sub(s) >= d
}

// Step takes the readings of one moment and returns the changes of phase they
// complete, usually none. Times must not fall back; an older one is ignored.
// Scans of 1 to 30 s suit it.
func (t *Tracker) Step(at time.Time, in Inputs) []Transition {
	if t.started && !at.After(t.last) || at.IsZero() {
		return nil
	}
	gap := t.started && at.Sub(t.last) > gapLimit
	lost := at.Sub(t.last)
	var dt time.Duration
	if t.started && !gap {
		dt = lost
	}
	t.last, t.started = at, true
	if gap {
		if t.strike != nil && t.phase.Boiling() {
			t.strike.LackingHours += lost.Hours()
		}
		t.levels, t.n, t.sum = t.levels[:0], 0, 0
		clear(t.dwell)
		if t.strike != nil {
			t.strike.Whole = false
			t.strike.note("no readings for some time before %s", at.Format(time.TimeOnly))
		}
	}
	f := t.facts(at, in)
	if f.vac == unknown && !f.level.OK && f.discharge == unknown {
		return t.blind(at)
	}
	t.dark, t.missing = time.Time{}, ""
	if f.level.OK {
		t.peak = math.Max(t.peak, f.level.Value)
	}
	if f.in.MassecuiteC.OK {
		t.hottest = math.Max(t.hottest, f.in.MassecuiteC.Value)
	}
	if f.discharge == yes {
		t.opened = true
	}
	var out []Transition
	if t.phase == Unknown {
		p, why := t.first(f)
		if p != Unknown {
			out = append(out, t.change(p, at, at, why))
			if t.strike != nil {
				t.strike.Whole = false
				t.strike.note("already under way when the readings began")
			}
		}
	}
	for range 3 { // a scan may complete more than one change
		p, when, why := t.next(at, f)
		if p == t.phase {
			break
		}
		out = append(out, t.change(p, when, at, why))
	}
	t.record(at, dt, f)
	return out
}

// blind handles a moment without level, pressure and discharge: the phase is
// held for ten minutes, then it is not known any more.
func (t *Tracker) blind(at time.Time) []Transition {
	if t.dark.IsZero() {
		t.dark = at
	}
	t.missing = "none of level, vapour pressure and discharge valve is usable"
	if t.phase == Unknown || at.Sub(t.dark) < gapLimit {
		return nil
	}
	if t.strike != nil {
		t.strike.Whole = false
		t.strike.note("lost: %s", t.missing)
	}
	return []Transition{t.change(Unknown, t.dark, at, t.missing)}
}

// first guesses the phase when the readings begin.
func (t *Tracker) first(f facts) (Phase, string) {
	const why = "as the readings began"
	full := f.level.OK && f.level.Value >= 85
	content := f.level.OK && f.level.Value > 8
	switch {
	case f.vac == yes && f.feed == yes:
		return FeedOn, why
	case f.vac == yes && full && f.feed == no:
		return Tighten, why
	case f.vac == yes && content && f.level.Value > 45:
		return FeedOn, why
	case f.vac == yes && content:
		return Concentrate, why
	case f.vac == yes && !f.level.OK && f.steam == yes:
		return FeedOn, why
	case f.vac == yes:
		return Charge, why
	case f.discharge == yes:
		return Drop, why
	case f.vac == no && content:
		return Drop, why
	case f.vac == unknown && content && f.feed == yes:
		return FeedOn, why
	case f.vac == unknown && full:
		return Tighten, why
	case f.vac == unknown && content && f.level.Value > 45:
		return FeedOn, why
	case f.vac == unknown && content:
		return Concentrate, why
	case f.hot == yes:
		return SteamOut, why
	}
	return Idle, why
}

// next is the state machine: the phase that follows, or the same.
func (t *Tracker) next(at time.Time, f facts) (Phase, time.Time, string) {
	stay := func() (Phase, time.Time, string) { return t.phase, at, "" }
	in := at.Sub(t.since)
	back := func(d time.Duration) time.Time { // not before the phase began
		w := at.Add(-d)
		if w.Before(t.since) {
			return t.since
		}
		return w
	}
	short, okShort := t.slope(at, 4*time.Minute)

	switch t.phase {
	case Idle, SteamOut:
		if s, ok := t.held("vacuum", f.vac == yes, at, 45*time.Second); ok {
			return Charge, s, "vacuum is being raised"
		}
		filling := f.level.OK && f.level.Value > 7 && okShort && short > 0.25 && f.discharge != yes
		if s, ok := t.held("filling", filling, at, 60*time.Second); ok {
			w := s
			if short > 0 {
				w = back(at.Sub(s) + min(20*time.Minute, time.Duration(f.level.Value/short*float64(time.Minute))))
			}
			return Charge, w, "the level rises"
		}
		if t.phase == SteamOut {
			cooled := f.in.MassecuiteC.OK && t.hottest > hotC && f.in.MassecuiteC.Value < t.hottest-5
			if s, ok := t.held("cooled", cooled, at, 60*time.Second); ok {
				return Idle, s, "the pan cools after steam-out"
			}
			if !f.in.MassecuiteC.OK && in > 20*time.Minute || in > 2*time.Hour {
				return Idle, at, "steam-out taken for over"
			}
		}
		return stay()

	case Charge:
		if p, w, why, ok := t.dropped(at, f); ok {
			return p, w, why
		}
		if f.level.OK {
			if okShort {
				t.rise = math.Max(t.rise, short)
			}
			flat := f.level.Value >= 10 && okShort && t.rise > 0.25 && short < 0.3*t.rise && in >= 3*time.Minute
			// A footing that was there already, or came between two readings.
			still := f.level.Value >= 15 && okShort && math.Abs(short) < 0.15 && in >= 12*time.Minute
			if s, ok := t.held("footing", flat || still, at, 30*time.Second); ok {
				t.plateau = f.level.Value
				return Concentrate, back(at.Sub(s) + 2*time.Minute), "the level stands: footing in"
			}
			if s, ok := t.held("feed", f.feed == yes && f.level.Value > 60, at, time.Minute); ok {
				t.fedFrom = f.level.Value
				return FeedOn, s, "the feed is open"
			}
			return stay()
		}
		base, haveBase := t.steamMedian()
		up := f.in.SteamTH.OK && haveBase && len(t.steams) > 4 && f.in.SteamTH.Value > 1.8*base && base > 0.05
		if !f.in.SteamTH.OK {
			up = f.in.SteamValvePct.OK && f.in.SteamValvePct.Value > 60
		}
		if s, ok := t.held("steam up", up && in >= 3*time.Minute, at, 45*time.Second); ok {
			return Concentrate, s, "full steam, no level to tell the footing"
		}
		if s, ok := t.held("feed", f.feed == yes && in >= 3*time.Minute, at, time.Minute); ok {
			t.note("no level: charge and concentrate are one")
			return FeedOn, s, "the feed is open"
		}
		if f.feed == unknown {
			return t.tighten(at, f, stay)
		}
		return stay()

	case Concentrate, Graining:
		if p, w, why, ok := t.dropped(at, f); ok {
			return p, w, why
		}
		if t.phase == Concentrate && f.seed == yes {
			return Graining, at, "seed was drawn in"
		}
		if f.level.OK && t.plateau == 0 {
			t.plateau = f.level.Value
		}
		if s, ok := t.held("feed", f.feed == yes, at, 45*time.Second); ok {
			t.fedFrom = f.level.Value
			return FeedOn, s, "the feed is open"
		}
		if f.level.OK {
			if f.level.Value < t.plateau {
				t.plateau += 0.02 * (f.level.Value - t.plateau)
			}
			over := 4.0
			why := "the level rises"
			if f.feed == no {
				over, why = 8, "the level rises, fed through a valve without a tag"
			}
			if s, ok := t.held("rising", f.level.Value > t.plateau+over, at, 90*time.Second); ok {
				w := s
				if long, ok := t.slope(at, 15*time.Minute); ok && long > 0.03 {
					w = back(min(40*time.Minute, time.Duration((f.level.Value-t.plateau)/long*float64(time.Minute))))
				}
				t.fedFrom = t.plateau
				return FeedOn, w, why
			}
		}
		if f.feed == unknown && !f.level.OK {
			return t.tighten(at, f, stay)
		}
		return stay()

	case FeedOn:
		if p, w, why, ok := t.dropped(at, f); ok {
			return p, w, why
		}
		if f.level.OK && t.peak-f.level.Value > 15 && f.vac != no {
			t.note("cut over: the level fell to %.0f %% under vacuum", f.level.Value)
			t.peak = f.level.Value
		}
		return t.tighten(at, f, stay)

	case Tighten:
		if p, w, why, ok := t.dropped(at, f); ok {
			return p, w, why
		}
		// Fed again for long: it was not the end.
		if s, ok := t.held("fed again", f.feed == yes, at, 4*time.Minute); ok {
			return FeedOn, s, "the feed is open again"
		}
		return stay()

	case Drop:
		if _, ok := t.held("vacuum again", f.vac == yes && f.discharge != yes && f.level.OK && f.level.Value > 50, at, 2*time.Minute); ok {
			t.note("vacuum was lost and regained")
			return Tighten, at, "vacuum is back and the pan is full"
		}
		if f.level.OK {
			if s, ok := t.held("empty", f.level.Value < emptyPct && f.discharge != yes, at, 30*time.Second); ok {
				return SteamOut, s, "the pan is empty"
			}
			if s, ok := t.held("empty, open", f.level.Value < emptyPct, at, 5*time.Minute); ok {
				return SteamOut, s, "the pan is empty"
			}
		} else {
			if s, ok := t.held("shut", t.opened && f.discharge == no, at, 45*time.Second); ok {
				return SteamOut, s, "the discharge is shut again"
			}
		}
		if s, ok := t.held("hot", f.hot == yes && f.discharge != yes && (!f.level.OK || f.level.Value < 15), at, 30*time.Second); ok {
			return SteamOut, s, "hot: steam-out"
		}
		if s, ok := t.held("vacuum", f.vac == yes && (!f.level.OK || f.level.Value < 15) && f.discharge != yes, at, time.Minute); ok {
			t.note("no steam-out seen")
			return Charge, s, "vacuum is being raised"
		}
		return stay()
	}
	return stay()
}

// tighten looks for the end of the feed.
func (t *Tracker) tighten(at time.Time, f facts, stay func() (Phase, time.Time, string)) (Phase, time.Time, string) {
	in := at.Sub(t.since)
	if f.feed != unknown {
		full := !f.level.OK || f.level.Value >= 80
		if s, ok := t.held("feed shut", f.feed == no && full, at, 5*time.Minute); ok {
			return Tighten, s, "the feed is shut"
		}
		return stay()
	}
	// Without a tag of the feed: the steam is cut back, or the level stands.
	if base, ok := t.steamMedian(); ok && len(t.steams) > 20 && (!f.level.OK || f.level.Value >= 80) {
		now := f.in.SteamTH
		if !now.OK {
			now = f.in.SteamValvePct
		}
		if s, ok := t.held("steam cut", now.OK && now.Value < 0.7*base, at, 4*time.Minute); ok {
			return Tighten, s, "the steam is cut back, no tag of the feed"
		}
	}
	if f.level.OK && f.level.Value >= 88 && in > 10*time.Minute && t.phase == FeedOn {
		window := min(30*time.Minute, max(8*time.Minute, in/8))
		mean := (f.level.Value - t.fedFrom) / in.Minutes()
		s, ok := t.slope(at, window)
		if w, held := t.held("level stands", ok && mean > 0 && s < 0.4*mean, at, 2*time.Minute); held {
			w = w.Add(-window / 2)
			if w.Before(t.since) {
				w = t.since
			}
			return Tighten, w, "the level stands, no tag of the feed"
		}
	}
	return stay()
}

// dropped looks for the end of boiling.
func (t *Tracker) dropped(at time.Time, f facts) (Phase, time.Time, string, bool) {
	nothing := f.level.OK && t.peak < 10
	end := Drop
	if nothing {
		end = Idle
	}
	lost, lostLong := t.held("vacuum lost", f.vac == no, at, 5*time.Minute)
	_, lostShort := t.held("vacuum lost, no steam", f.vac == no && f.steam != yes, at, 45*time.Second)
	if s, ok := t.held("discharge", f.discharge == yes && f.vac != yes, at, 10*time.Second); ok && !nothing {
		if f.vac == no && lost.Before(s) { // boiling ended with the vacuum
			s = lost
		}
		return end, s, "the discharge is open", true
	}
	if s, ok := t.held("discharge under vacuum", f.discharge == yes && f.vac == yes, at, 3*time.Minute); ok {
		t.note("discharge open under vacuum")
		return end, s, "the discharge is open", true
	}
	// While the vacuum is being raised it is not lost yet.
	if t.phase == Charge && t.vacSince.IsZero() {
		if f.vac == yes {
			t.vacSince = at
		}
	} else if lostShort || lostLong {
		if f.level.OK && f.level.Value < 60 && t.phase != Charge {
			t.note("vacuum broken with the pan %.0f %% full", f.level.Value)
		}
		return end, lost, "the vacuum is broken", true
	}
	if f.level.OK && f.vac != yes {
		s, ok := t.slope(at, 2*time.Minute)
		if w, held := t.held("emptying", ok && s < -1.5 && f.level.Value < t.peak-8, at, 20*time.Second); held {
			w = w.Add(-time.Minute - time.Duration(8/math.Max(1, -s)*float64(time.Minute)))
			if w.Before(t.since) {
				w = t.since
			}
			return end, w, "the level falls fast", true
		}
	}
	return 0, time.Time{}, "", false
}

// steamMedian is the median of the phase's steam so far; it is worked out anew
// when a tenth more has been gathered.
func (t *Tracker) steamMedian() (float64, bool) {
	n := len(t.steams)
	if n < t.steamCount || n > t.steamCount+t.steamCount/10 {
		t.steamBase, _ = median(t.steams)
		t.steamCount = n
	}
	return t.steamBase, n > 0
}

func (t *Tracker) note(format string, args ...any) {
	if t.strike != nil {
		t.strike.note(format, args...)
	}
}

// change moves to a phase and keeps the strike's record.
func (t *Tracker) change(to Phase, when, noticed time.Time, why string) Transition {
	if when.Before(t.since) {
		when = t.since
	}
	tr := Transition{From: t.phase, To: to, At: when, Noticed: noticed, Why: why}
	t.closePhase(when)
	inStrike := to.Boiling() || to == Drop || to == SteamOut
	fresh := to == Charge
	if t.strike != nil && (fresh || !inStrike) {
		t.finish(when)
	}
	if t.strike == nil && inStrike && to != SteamOut {
		t.number++
		t.strike = &Strike{Number: t.number, Grade: t.d.Grade, Start: when, Whole: fresh}
		t.lastPurity, t.lastMassecuite = Reading{}, Reading{}
		t.plateau, t.peak, t.rise, t.fedFrom, t.opened, t.vacSince = 0, 0, 0, 0, false, time.Time{}
		t.lastProfile = time.Time{}
	}
	if to == Drop && t.strike != nil {
		t.atDrop(when)
		t.opened = false
	}
	if to == SteamOut || to == Idle {
		t.hottest = 0
	}
	if t.strike != nil {
		tr.Strike = t.strike.Number
		if len(t.strike.Phases) < 60 {
			t.strike.Phases = append(t.strike.Phases, PhaseRecord{Phase: to, Start: when})
		}
	}
	t.phase, t.since = to, when
	t.us, t.steams, t.ss, t.steamCount = t.us[:0], t.steams[:0], t.ss[:0], 0
	t.minuteS = t.minuteS[:0]
	clear(t.dwell)
	return tr
}

func (t *Tracker) closePhase(when time.Time) {
	if t.strike == nil || len(t.strike.Phases) == 0 {
		return
	}
	r := &t.strike.Phases[len(t.strike.Phases)-1]
	if !r.End.IsZero() {
		return
	}
	r.End = when
	r.U, r.Steam = medianReading(t.us), medianReading(t.steams)
	if len(t.ss) > 0 {
		var s float64
		for _, v := range t.ss {
			s += v
		}
		r.MeanS = Use(s / float64(len(t.ss)))
	}
	if l := t.recent(when, 30*time.Second); l.OK {
		r.Level = l
	}
	// What was noticed late lies some minutes back in the tail.
	var brix, ml, ss []float64
	for _, p := range t.tail {
		if p.at.After(when) || p.at.Before(r.Start) || when.Sub(p.at) > 3*time.Minute {
			continue
		}
		for _, x := range []struct {
			to *[]float64
			r  Reading
		}{{&brix, p.brix}, {&ml, p.liquor}, {&ss, p.ss}} {
			if x.r.OK {
				*x.to = append(*x.to, x.r.Value)
			}
		}
	}
	if r.Phase.Boiling() {
		r.Brix, r.LiquorBrix, r.EndS = medianReading(brix), medianReading(ml), medianReading(ss)
	}
	if r.Phase == Charge {
		t.footing(r)
	}
}

// footing weighs what the charge left in the pan: level, volume and density.
func (t *Tracker) footing(charge *PhaseRecord) {
	s := t.strike
	if !(t.d.VolumeM3 > 0) || !charge.Level.OK || !charge.Brix.OK || charge.Level.Value <= 0 {
		return
	}
	temp := 65.0 // the density hardly cares
	if n := len(t.tail); n > 0 && t.tail[n-1].temperature.OK {
		temp = t.tail[n-1].temperature.Value
	}
	if m, err := massOf(t.d.VolumeM3*charge.Level.Value/100, charge.Brix.Value, temp); err == nil {
		s.FootingT, s.FootingBrix = Use(m), charge.Brix
	}
}

func (t *Tracker) finish(when time.Time) {
	s := t.strike
	s.End = when
	_, charged := s.Phase(Charge)
	_, dropped := s.Phase(Drop)
	s.Whole = s.Whole && charged && dropped
	if charged && !dropped {
		s.note("ended without a drop")
	}
	t.done = append(t.done, *s)
	if len(t.done) > keep {
		t.done = append(t.done[:0], t.done[1:]...)
	}
	t.strike = nil
}

// atDrop takes the medians of the last five minutes of boiling.
func (t *Tracker) atDrop(when time.Time) {
	var brix, temp, level, ml []float64
	for _, p := range t.tail {
		if p.at.After(when) || when.Sub(p.at) > 5*time.Minute {
			continue
		}
		add := func(to *[]float64, r Reading) {
			if r.OK {
				*to = append(*to, r.Value)
			}
		}
		add(&brix, p.brix)
		add(&temp, p.temperature)
		add(&level, p.level)
		add(&ml, p.liquor)
	}
	s := t.strike
	s.DropBrix, s.DropC, s.DropLevel, s.DropLiquor = medianReading(brix), medianReading(temp), medianReading(level), medianReading(ml)
	if s.DropBrix.OK && s.DropLiquor.OK {
		if c, err := liquor.CrystalContent(liquor.Brix(s.DropBrix.Value), liquor.Brix(s.DropLiquor.Value)); err == nil {
			s.DropCrystal = Use(c)
		} else {
			s.note("massecuite of %.1f Brix is thinner than its liquor, %.1f: spindle Brix, or a wrong purity", s.DropBrix.Value, s.DropLiquor.Value)
		}
	}
	s.Weigh(Purities{Massecuite: t.lastMassecuite, Liquor: t.lastPurity, LiquorAssumed: !t.purityTag}, t.d.Site)
}

// purity of the mother liquor: the tag, else the design's by level or time.
func (t *Tracker) purity(at time.Time, f facts) Reading {
	if f.in.LiquorPurityPct.OK {
		return f.in.LiquorPurityPct
	}
	p := t.d.LiquorPurityPct
	if !(p[0] > 0 && p[0] <= 100 && p[1] > 0 && p[1] <= 100) || t.strike == nil {
		return Reading{}
	}
	x := at.Sub(t.strike.Start).Hours() / t.d.StrikeHours
	if f.level.OK {
		x = (f.level.Value - 30) / 70
	}
	x = math.Min(1, math.Max(0, x))
	return Use(p[0] + (p[1]-p[0])*x)
}

// record samples the strike: sums every scan, medians every 15 s, profile every
// two minutes.
func (t *Tracker) record(at time.Time, dt time.Duration, f facts) {
	s := t.strike
	if s == nil || len(s.Phases) == 0 {
		return
	}
	r := &s.Phases[len(s.Phases)-1]
	// The thermometer lags a moving vacuum, 1 kPa is 1.3 K: no supersaturation then.
	moving := true
	if p := f.in.PressureKPa; p.OK {
		if t.calm == 0 || dt == 0 {
			t.calm = p.Value
		} else {
			t.calm += (p.Value - t.calm) * (1 - math.Exp(-dt.Seconds()/60))
		}
		moving = math.Abs(p.Value-t.calm) > StillKPa
	}
	point := ProfilePoint{At: at, Phase: t.phase, LevelPct: f.level, PressureKPa: f.in.PressureKPa, MassecuiteC: f.in.MassecuiteC,
		MassecuiteBrix: f.in.MassecuiteBrix, ConsistencyPct: f.in.ConsistencyPct}
	sample := at.Sub(t.lastSample) >= 15*time.Second || at.Before(t.lastSample)
	if t.phase.Boiling() && !f.in.SteamTH.OK && f.vac != no {
		s.LackingHours += dt.Hours()
	}
	if t.phase > Charge && t.phase.Boiling() && f.feed == yes {
		if f.in.FeedTH.OK && f.in.FeedBrix.OK {
			m := math.Max(0, f.in.FeedTH.Value) * dt.Hours()
			s.FeedT = Use(s.FeedT.Value + m)
			s.FeedSolidsT = Use(s.FeedSolidsT.Value + m*f.in.FeedBrix.Value/100)
		} else {
			s.FeedLackingHours += dt.Hours()
		}
	}
	if t.phase.Boiling() && f.in.MassecuitePurityPct.OK {
		t.lastMassecuite = f.in.MassecuitePurityPct
	}
	if t.phase.Boiling() && f.in.SteamTH.OK && f.vac != no {
		pan := steam.KPa(15)
		if f.in.PressureKPa.OK {
			pan = steam.KPa(f.in.PressureKPa.Value)
		}
		chest := steam.KPa(120) // the latent heat hardly cares
		if f.in.ChestKPa.OK {
			chest = steam.KPa(f.in.ChestKPa.Value)
		}
		if e, err := Evaporation(math.Max(0, f.in.SteamTH.Value), chest, pan, math.Min(50, math.Max(0, t.d.LossPct))); err == nil {
			point.EvaporationTH = Use(e)
			h := dt.Hours()
			r.WaterT = Use(r.WaterT.Value + e*h)
			s.WaterT = Use(s.WaterT.Value + e*h)
			s.WaterHours += h
		}
		if sample && f.in.ChestKPa.OK && f.in.MassecuiteC.OK && t.d.AreaM2 > 0 {
			if u, err := U(math.Max(0, f.in.SteamTH.Value), chest, f.in.MassecuiteC.Value, t.d.AreaM2); err == nil && u > 0 {
				point.U = Use(u)
				if len(t.us) < 10000 {
					t.us = append(t.us, u)
				}
			}
		}
	}
	if sample {
		t.lastSample = at
		st := f.in.SteamTH
		if !st.OK {
			st = f.in.SteamValvePct
		}
		if st.OK && len(t.steams) < 10000 {
			t.steams = append(t.steams, st.Value)
		}
		if t.phase.Boiling() && f.vac == yes && (!moving || f.in.LiquorBrix.OK) && f.in.MassecuiteC.OK {
			if q := t.purity(at, f); q.OK {
				r.Purity = q
				t.lastPurity, t.purityTag = q, f.in.LiquorPurityPct.OK
				brix, ss, err := t.liquor(f, q.Value)
				if err == nil {
					point.LiquorBrix, point.Supersaturation = Use(brix), Use(ss)
					if len(t.ss) < 10000 {
						t.ss = append(t.ss, ss)
					}
					t.minuteMean(at, ss, r)
				}
			}
		}
		if t.phase.Boiling() {
			t.tail = append(t.tail, tailPoint{at, f.in.MassecuiteBrix, f.in.MassecuiteC, f.level, point.LiquorBrix, point.Supersaturation})
			if len(t.tail) > 120 {
				t.tail = append(t.tail[:0], t.tail[60:]...)
			}
		}
		if (at.Sub(t.lastProfile) >= profile || at.Before(t.lastProfile)) && len(s.Profile) < 1500 {
			t.lastProfile = at
			s.Profile = append(s.Profile, point)
		}
	}
	r.Level = f.level
}

// liquor is Brix and supersaturation of the mother liquor: by its own Brix, else by the
// boiling point.
func (t *Tracker) liquor(f facts, purity float64) (brix, ss float64, err error) {
	if b := f.in.LiquorBrix; b.OK {
		ss, _, _, err = Supersaturation(MeasuredLiquor{Brix: b.Value, MassecuiteC: f.in.MassecuiteC.Value, LiquorPurityPct: purity}, t.d.Site)
		return b.Value, ss, err
	}
	l, err := motherLiquor(f.in.MassecuiteC.Value, f.in.PressureKPa.Value, purity, t.d.Site)
	return float64(l.Brix), l.Supersaturation, err
}

// minuteMean judges supersaturation by means of a minute: single readings carry
// the noise of two instruments.
func (t *Tracker) minuteMean(at time.Time, v float64, r *PhaseRecord) {
	if len(t.minuteS) == 0 {
		t.minute = at
	}
	t.minuteS = append(t.minuteS, v)
	if at.Sub(t.minute) < 45*time.Second {
		return
	}
	m := 0.0
	for _, x := range t.minuteS {
		m += x / float64(len(t.minuteS))
	}
	span := at.Sub(t.minute).Minutes() + 0.25
	t.minuteS = t.minuteS[:0]
	if span > 3 {
		return
	}
	if !r.MaxS.OK || m > r.MaxS.Value {
		r.MaxS = Use(m)
	}
	s := t.strike
	if !s.MaxS.OK || m > s.MaxS.Value {
		s.MaxS, s.MaxSAt = Use(m), at
	}
	if t.phase == FeedOn || t.phase == Tighten {
		z := t.d.Site.zones()
		if m >= z.Intermediate {
			s.FalseGrainMinutes += span
		}
		if m < z.Metastable {
			s.DissolvingMinutes += span
		}
	}
}
