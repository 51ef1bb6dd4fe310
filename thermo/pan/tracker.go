package pan

import (
	"math"
	"slices"
	"time"
)

// Transition is a change of phase.
type Transition struct {
	From, To Phase
	// At is when the evidence began, Noticed when it was enough.
	At, Noticed time.Time
	Strike      int  // number; 0 outside one
	Why         Code // the evidence
}

// How the tracker keeps its time: figures of ours.
const (
	bucket   = 10 * time.Second // level means
	history  = 45 * time.Minute // of the level
	gapLimit = 10 * time.Minute // without readings
	keep     = 60               // finished strikes
	slopeOf  = 4 * time.Minute  // window of the slope that the table looks at
	atOnce   = 4                // changes of phase that one scan may complete
)

// UsualStrikeHours stands in for a length of strike that is not configured. A figure of
// ours.
const UsualStrikeHours = 4.0

// usualStrikeT stands in for the massecuite of a full strike, t: common practice, no
// source. Only the zeros of flow meters rest on it.
const usualStrikeT = 50.0

// StillKPa is how far the pressure may be from its own mean of a minute, kPa, while
// pressure and temperature are taken to be of the same moment. A figure of ours.
const StillKPa = 0.4

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
	habits  Habits
	missing Code
	dark    time.Time // since when no tag says anything

	m     moment      // the present one
	dwell []time.Time // since when the condition of each row of the table holds

	levels  []levelPoint // of buckets
	sum     float64
	n       int
	begin   time.Time
	vac     tri
	lostAt  time.Time // since when the vacuum is broken
	raised  bool      // vacuum was seen in this charge
	plateau float64   // level at the end of the footing
	peak    float64   // of the level in this strike
	rise    float64   // steepest rise while charging, %/min
	opened  bool      // discharge was open in this drop
	hottest float64
	fedFrom float64       // level when the feed began
	leveled bool          // the level was known in this strike
	shots   time.Duration // of feed, without a pause of FeedShutHeld
	// When these shots began, and when the last was seen.
	shotsFrom, shotSeen time.Time
	pause               time.Duration // for which a pan that is fed stands now
	unfed               bool          // the feed was known all the time, and shut
	washK               []float64     // the same in this wash-out, at every sample
	waterK              []float64     // how much the thermometer read above boiling water in wash-outs, K
	offset              Norm          // by these
	fed                 Norm          // by the usual supersaturation of the feed, K

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
	purityTag      bool        // the purity of the liquor used last is by its tag
	lastPurity     Reading     // of the liquor, as used last
	lastMassecuite Reading     // purity of the massecuite, while boiling
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
	if d.Limits == (Limits{}) {
		d.Limits = DefaultLimits()
	}
	return &Tracker{d: d}
}

// Refit gives the pan another heating surface, m2, and volume, m3, as from now.
func (t *Tracker) Refit(areaM2, volumeM3 float64) { t.d.AreaM2, t.d.VolumeM3 = areaM2, volumeM3 }

// Phase returns the phase and since when.
func (t *Tracker) Phase() (Phase, time.Time) { return t.phase, t.since }

// Missing says what tags are wanting when the phase is Unknown, else Nothing.
func (t *Tracker) Missing() Code { return t.missing }

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
	t.learn()
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
func (t *Tracker) Strikes() []Strike { return slices.Clone(t.done) }

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

// Step takes the readings of one moment and returns the changes of phase they
// complete, usually none. Times must not fall back; an older one is ignored.
// Scans of 1 to 30 s suit it.
func (t *Tracker) Step(at time.Time, in Inputs) []Transition {
	if t.started && !at.After(t.last) || at.IsZero() {
		return nil
	}
	dt := t.elapsed(at)
	f := t.facts(at, in)
	if f.vac == unknown && !f.level.OK && f.discharge == unknown {
		return t.blind(at)
	}
	t.dark, t.missing = time.Time{}, Nothing
	t.observe(at, dt, f)
	t.m = moment{at: at, facts: f}
	t.m.short.Value, t.m.short.OK = t.slope(at, slopeOf)
	var out []Transition
	for range atOnce {
		t.m.in = at.Sub(t.since)
		t.follow()
		r, when := t.next()
		if r == nil {
			break
		}
		if r.To == sameKind {
			t.note(figures(r.Note, f.level.Value))
			t.peak = f.level.Value
			break
		}
		out = append(out, t.change(r, when))
	}
	t.wait(dt, f)
	t.record(at, dt, f)
	return out
}

// elapsed takes the new moment and returns the time since the last one, 0 after a gap.
func (t *Tracker) elapsed(at time.Time) time.Duration {
	lost := at.Sub(t.last)
	began := t.started
	t.last, t.started = at, true
	switch {
	case !began:
		return 0
	case lost <= gapLimit:
		return lost
	}
	t.levels, t.n, t.sum = t.levels[:0], 0, 0
	clear(t.dwell)
	if t.strike != nil {
		if t.phase.Boiling() {
			t.strike.LackingHours += lost.Hours()
		}
		t.strike.Whole = false
		t.strike.note(Remark{Code: GapBefore, At: at})
	}
	return 0
}

// observe keeps what the table needs of the past of a strike.
func (t *Tracker) observe(at time.Time, dt time.Duration, f facts) {
	switch {
	case f.feed == yes && t.shots == 0:
		t.shots, t.shotsFrom, t.shotSeen = max(dt, 1), at, at
	case f.feed == yes:
		t.shots, t.shotSeen = t.shots+dt, at
	case at.Sub(t.shotSeen) >= t.d.Limits.time(FeedShutHeld):
		t.shots = 0
	}
	if f.level.OK {
		t.peak = math.Max(t.peak, f.level.Value)
		t.leveled = true
	}
	if f.inputs.MassecuiteC.OK {
		t.hottest = math.Max(t.hottest, f.inputs.MassecuiteC.Value)
	}
	if f.discharge == yes {
		t.opened = true
	}
	t.unfed = t.unfed && f.feed == no
	switch {
	case f.vac != no:
		t.lostAt = time.Time{}
	case t.lostAt.IsZero():
		t.lostAt = at
	}
}

// wait counts for how long a pan that is fed stands: the feed is shut, or the steam cut back.
func (t *Tracker) wait(dt time.Duration, f facts) {
	if t.phase == FeedOn && (f.feed == no || t.steamCut()) {
		t.pause += dt
		return
	}
	if n := t.waited(); n > 0 {
		t.strike.Phases[len(t.strike.Phases)-1].WaitedMin = n
	}
	t.pause = 0
}

// waited is how long the pan has stood in this phase, min: shorter pauses are between two
// shots of feed.
func (t *Tracker) waited() float64 {
	if t.strike == nil || len(t.strike.Phases) == 0 {
		return 0
	}
	n := t.strike.Phases[len(t.strike.Phases)-1].WaitedMin
	if t.pause >= t.d.Limits.time(FeedShutHeld) {
		n += t.pause.Minutes()
	}
	return n
}

// earlier is for how long the strike was fed before it is fed again now, waits not counted,
// min. Another phase that comes back was none before.
func (t *Tracker) earlier() (n float64) {
	for _, r := range t.strike.Phases[:len(t.strike.Phases)-1] {
		if t.phase == FeedOn && r.Phase == FeedOn {
			n += r.End.Sub(r.Start).Minutes() - r.WaitedMin
		}
	}
	return n
}

// follow keeps what the table needs of the past of a phase.
func (t *Tracker) follow() {
	m := &t.m
	switch t.phase {
	case Charge:
		t.raised = t.raised || m.vac == yes
		if m.short.OK {
			t.rise = math.Max(t.rise, m.short.Value)
		}
	case WashOut:
		if m.vac == yes && m.in >= waterAfter && m.at.Sub(t.lastSample) >= sampling {
			t.lastSample = m.at
			t.washK = gather(t.washK, elevation(m.inputs.MassecuiteC, m.inputs.PressureKPa))
		}
	case Concentrate, Graining:
		switch {
		case !m.level.OK:
		case t.plateau == 0:
			t.plateau = m.level.Value
		case m.level.Value < t.plateau: // the footing boils down
			t.plateau += 0.02 * (m.level.Value - t.plateau)
		}
	}
}

// blind handles a moment without level, pressure and discharge: the phase is
// held for ten minutes, then it is not known any more.
func (t *Tracker) blind(at time.Time) []Transition {
	if t.dark.IsZero() {
		t.dark = at
	}
	t.missing = NothingUsable
	if t.phase == Unknown || at.Sub(t.dark) < gapLimit {
		return nil
	}
	if t.strike != nil {
		t.strike.Whole = false
		t.strike.note(Remark{Code: LostSight})
	}
	return []Transition{t.move(Unknown, t.dark, at, NothingUsable)}
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

func (t *Tracker) note(r Remark) {
	if t.strike != nil {
		t.strike.note(r)
	}
}

// change does what a row of the table says.
func (t *Tracker) change(r *row, when time.Time) Transition {
	from, m := t.phase, &t.m
	if r.Note != Nothing {
		t.note(Remark{Code: r.Note})
	}
	if r.To == Drop && r.Words == VacuumBrokenNow && m.level.OK && m.level.Value < t.limit(FedAtLevel) && from != Charge {
		t.note(figures(BrokenFull, m.level.Value))
	}
	tr := t.move(r.To, when, m.at, r.Words)
	switch r.To {
	case Concentrate:
		if m.level.OK {
			t.plateau = m.level.Value
		}
	case FeedOn:
		t.fedFrom = m.level.Value
		if t.plateau > 0 {
			t.fedFrom = min(t.fedFrom, t.plateau)
		}
	}
	if from == Unknown && t.strike != nil {
		t.strike.Whole = false
		t.note(Remark{Code: UnderWay})
	}
	return tr
}

// move goes to a phase and keeps the strike's record.
func (t *Tracker) move(to Phase, when, noticed time.Time, why Code) Transition {
	if when.Before(t.since) {
		when = t.since
	}
	tr := Transition{From: t.phase, To: to, At: when, Noticed: noticed, Why: why}
	t.closePhase(when)
	if t.phase == WashOut && to == Idle {
		t.learnWater(t.washK)
	}
	t.washK = t.washK[:0]
	inStrike := to.Boiling() || to == Drop || to == SteamOut
	fresh := to == Charge
	switch {
	case t.strike == nil:
	case to == WashOut:
		t.forget()
	case fresh || !inStrike:
		t.finish(when)
	}
	if t.strike == nil && inStrike && to != SteamOut {
		t.number++
		t.strike = &Strike{Number: t.number, Grade: t.d.Grade, Start: when, Whole: fresh}
		t.lastPurity, t.lastMassecuite = Reading{}, Reading{}
		t.plateau, t.peak, t.rise, t.fedFrom = 0, 0, 0, 0
		t.opened, t.raised, t.leveled, t.unfed = false, false, false, true
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
	t.phase, t.since, t.pause = to, when, 0
	t.us, t.steams, t.ss, t.steamCount = t.us[:0], t.steams[:0], t.ss[:0], 0
	t.minuteS = t.minuteS[:0]
	clear(t.dwell)
	return tr
}

// forget drops what turned out to be no strike.
func (t *Tracker) forget() {
	t.strike = nil
	t.number--
}

// finish puts the strike on record, unless nothing was boiled.
func (t *Tracker) finish(when time.Time) {
	s := t.strike
	s.End = when
	_, charged := s.Phase(Charge)
	_, dropped := s.Phase(Drop)
	_, fed := s.Phase(FeedOn)
	washed := charged && dropped && t.unfed && !fed && (t.learnWater(t.overWater(s.Profile)) || t.leveled || t.habits.Phases[FeedOn].Minutes.Known())
	onlyCharged := charged && !slices.ContainsFunc(s.Phases, func(r PhaseRecord) bool { return r.Phase > Charge && r.Phase.Boiling() })
	if s.Length(when) < t.d.Limits.time(StrikeLeast) || washed || onlyCharged && t.leveled {
		t.forget()
		return
	}
	s.Whole = s.Whole && charged && dropped
	if charged && !dropped {
		s.note(Remark{Code: NoDrop})
	}
	t.done = append(t.done, *s)
	if len(t.done) > keep {
		t.done = append(t.done[:0], t.done[1:]...)
	}
	t.strike = nil
	t.learn()
}
