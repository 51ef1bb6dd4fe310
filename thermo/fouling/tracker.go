package fouling

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"calandria/plant/words"
)

// Quality of a value of U. The zero value is Bad: nothing is good by default.
type Quality uint8

// The qualities.
const (
	Bad       Quality = iota // not used
	Uncertain                // used with a quarter of the weight
	Good
)

// Settings of a Tracker. The zero value of a field means the default given.
type Settings struct {
	// CleanU is U of the clean body by the site's record, kW/(m2 K). 0: the usual state
	// after a cleaning, as the cycles known have it.
	CleanU float64
	// LimitRatio to clean U at which cleaning is due; default 0.65.
	LimitRatio float64
	// HorizonDays bounds a forecast; default 120.
	HorizonDays float64
	// Reference is the condition in which U is quoted; by default that of the first
	// day after the first cleaning.
	Reference Shape
}

// Figures of ours. A step up of leastStepPct of U after leastGapHours without usable
// values is taken for a cleaning that nobody entered; settleHours after a cleaning or
// such a stop are not used. The band of a forecast is one of confidence.
const (
	leastStepPct  = 8.0
	leastGapHours = 4.0
	settleHours   = 1.0
	startHours    = 2.0 // from the return to work to the first value
	confidence    = 0.9
)

func (s Settings) withDefaults() Settings {
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	def(&s.LimitRatio, 0.65)
	def(&s.HorizonDays, 120)
	return s
}

func (s Settings) check() error {
	var errs []error
	if s.CleanU != 0 {
		errs = append(errs, within("clean_u", s.CleanU, lowU, highU, "kW/(m2 K)"))
	}
	errs = append(errs,
		within("limit_ratio", s.LimitRatio, 0.1, 0.99, ""),
		within("horizon_days", s.HorizonDays, 1, 1000, "d"))
	if !s.Reference.sound() {
		errs = append(errs, errors.New("reference: a logarithm is out of range"))
	}
	return errors.Join(errs...)
}

// Cycle is a finished cycle of a body.
type Cycle struct {
	Start time.Time
	// End is the next cleaning: the last usable value before it, or the record.
	End      time.Time
	Recorded bool // Start comes from a record, not from a step in U
	Values   int  // hourly values used
	// StartU and EndU are the fitted U at the cleaning and at the end, kW/(m2 K) at
	// the reference.
	StartU, EndU float64
	// Restored is StartU over clean U, as clean U was known at the end: how well the
	// cleaning restored the body.
	Restored, RestoredSigma float64
	// RatePct is the growth of scale over the first ten days, % of clean 1/U a day.
	RatePct, RatePctSigma float64
	Kind                  Kind    // the law of the most weight
	White                 float64 // noise of an hourly value, as a share of clean 1/U
	Members               [members]MemberFit
}

// MemberFit is what one law at one shape made of a cycle: 1/U at the cleaning, m2 K/kW,
// and the mean rate over ten days, m2 K/kW per day.
type MemberFit struct {
	Start, StartSigma, Rate, RateSigma float64
}

// Days is the length of the cycle.
func (c Cycle) Days() float64 { return c.End.Sub(c.Start).Hours() / 24 }

const (
	maxCycles = 24
	maxValues = 24 * 100 // hourly values of a cycle; older ones are thinned
)

type sample struct {
	At    time.Time
	U     float64
	Sigma float64
	Shape Shape
}

type state struct {
	Settings Settings
	Started  time.Time
	Recorded bool
	// Known is false until a first cleaning: the start of the data is no cleaning.
	Known  bool
	Values []sample
	Held   []sample // after a gap, not yet decided
	Last   time.Time
	Cycles []Cycle
	Law    [members]float64 // probability of each law after these cycles
	Late   int
	// Reference is the condition of the first day after the first cleaning.
	Reference Shape
	Shares    knowledge // of earlier cycles; all 0: none
	// Doubtful is when values came back after a gap that did not show a cleaning
	// at once.
	Doubtful time.Time
	// Learned is the newest value in post.
	Learned time.Time
}

// A Tracker follows one body. Feed it hourly medians of normalised U and the
// records of its cleanings; ask it for forecasts. It is not safe for use by
// several goroutines. All it knows is plain data in its fields.
type Tracker struct {
	s    state
	post *posterior // of the values up to s.Learned; nil when stale
}

// NewTracker returns a tracker, or what is wrong with the settings.
func NewTracker(s Settings) (*Tracker, error) {
	s = s.withDefaults()
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("scale tracker: %w", err)
	}
	return &Tracker{s: state{Settings: s}}, nil
}

func (t *Tracker) stale() { t.post = nil }

// Cycles lists the finished cycles, oldest first. The slice is the caller's.
func (t *Tracker) Cycles() []Cycle { return slices.Clone(t.s.Cycles) }

// Started returns the start of the running cycle, and whether it is a cleaning
// (found or recorded) or just the first value.
func (t *Tracker) Started() (at time.Time, cleaning bool) { return t.s.Started, t.s.Known }

// Cleanings lists when the cleanings known ended, oldest first.
func (t *Tracker) Cleanings() []time.Time {
	var out []time.Time
	for _, c := range t.s.Cycles {
		out = append(out, c.Start)
	}
	if t.s.Known {
		out = append(out, t.s.Started)
	}
	return out
}

// CleanedWith takes the last return of the body for a cleaning, because most bodies of
// its set were found cleaned at the time at: within a day and a half of it, after a gap
// of leastGapHours, with a step up of a quarter of leastStepPct. What a first body loses in
// a cycle may be less than shows by itself. It reports whether it was one.
func (t *Tracker) CleanedWith(at time.Time) bool {
	s := &t.s
	first := s.Doubtful
	if first.IsZero() || first.Sub(at).Abs() > 36*time.Hour {
		return false
	}
	cut, _ := slices.BinarySearchFunc(s.Values, first, func(v sample, at time.Time) int { return v.At.Compare(at) })
	if cut == 0 || cut == len(s.Values) {
		return false
	}
	step, _ := t.stepUp(first, s.Values[cut:], leastStepPct/4)
	if step {
		t.begin(first, cut)
	}
	return step
}

// begin starts a cycle at the return first, which is at the index cut of the values.
func (t *Tracker) begin(first time.Time, cut int) {
	s := &t.s
	rest := slices.Clone(s.Values[cut:])
	s.Values = s.Values[:cut]
	t.close(s.Values[cut-1].At)
	s.Started, s.Known, s.Recorded = first, true, false
	for _, v := range rest {
		t.append(v)
	}
}

// Newest is the time of the newest value of the running cycle; zero if it has none.
func (t *Tracker) Newest() time.Time {
	if n := len(t.s.Values); n > 0 {
		return t.s.Values[n-1].At
	}
	return time.Time{}
}

// Rescale multiplies U of the running cycle before a time: those values were another's.
func (t *Tracker) Rescale(factor float64, before time.Time) {
	for i := range t.s.Values {
		v := &t.s.Values[i]
		if u := v.U * factor; v.At.Before(before) && u >= lowU && u <= highU {
			v.U = u
		}
	}
	t.stale()
}

// Observe takes the median U of one hour. A Bad value and one out of 0.01 to 20
// is a gap; a shape that is not known counts as that of the reference. It returns true if the values show a cleaning that was not recorded: a
// stop of leastGapHours and then, over the median of the values of up to a day, at
// least three, a step up of leastStepPct and of three standard errors. A change of
// level or rate alone never ends a cycle.
func (t *Tracker) Observe(v Value) (cleaned bool) {
	at, u, sigma, q := v.At, v.U, v.Sigma, v.Quality
	if q == Bad || q > Good || !(u >= lowU && u <= highU) || at.IsZero() {
		return false
	}
	s := &t.s
	if !s.Last.IsZero() && !at.After(s.Last) {
		s.Late++
		return false
	}
	if !(sigma >= 0 && sigma < u) {
		sigma = 0
	}
	if q == Uncertain {
		if sigma == 0 {
			sigma = usualSigma * u
		}
		sigma *= 2
	}
	x := sample{at.UTC(), u, sigma, Shape{}}
	if v.Shape.known() {
		x.Shape = v.Shape
	}
	settle := hours(settleHours)
	if s.Started.IsZero() {
		s.Started = x.At
	}
	if s.Known && x.At.Sub(s.Started) < settle {
		s.Last = x.At
		return false
	}
	gap := !s.Last.IsZero() && x.At.Sub(s.Last) >= hours(leastGapHours)
	s.Last = x.At
	if gap && len(s.Values) > 0 {
		s.Held = append(s.Held[:0], x)
		return false
	}
	if len(s.Held) > 0 {
		s.Held = append(s.Held, x)
		return t.decide()
	}
	t.append(x)
	return t.reconsider()
}

// decide looks at the values held since a gap. What does not show a cleaning at
// once may show it within a day: a body can be slow to come to its work.
func (t *Tracker) decide() bool {
	s := &t.s
	first := s.Held[0].At
	held := slices.Clone(s.Held)
	end := s.Values[len(s.Values)-1].At
	step, known := t.stepUp(first, held, leastStepPct)
	if !known {
		return false
	}
	s.Held = s.Held[:0]
	if step {
		t.close(end)
		s.Started, s.Known, s.Recorded = first, true, false
	} else {
		s.Doubtful = first
	}
	for _, v := range held {
		if v.At.Sub(first) >= hours(settleHours) {
			t.append(v)
		}
	}
	t.stale()
	return step
}

// reconsider looks again at a gap that did not show a cleaning at once.
func (t *Tracker) reconsider() bool {
	s := &t.s
	first := s.Doubtful
	if first.IsZero() {
		return false
	}
	cut, _ := slices.BinarySearchFunc(s.Values, first, func(v sample, at time.Time) int { return v.At.Compare(at) })
	rest := slices.Clone(s.Values[cut:])
	if cut == 0 || len(rest) == 0 || rest[len(rest)-1].At.Sub(first) > hours(settleHours+24) {
		s.Doubtful = time.Time{}
		return false
	}
	if step, _ := t.stepUp(first, rest, leastStepPct); !step {
		return false
	}
	t.begin(first, cut)
	return true
}

// stepUp reports whether U stands higher after a gap than in the day before it:
// by leastPct, and by three standard errors of the two medians. Neighbouring
// hours are alike, so that a value counts by the time it covers: one for each
// memory of what lasts. Known is false while there are fewer than three values.
func (t *Tracker) stepUp(first time.Time, since []sample, leastPct float64) (step, known bool) {
	const need, memory = 3, 8 // values; hours
	var before, after []float64
	d := t.Dependence()
	for _, v := range t.s.Values {
		if v.At.Before(first) {
			u, _ := d.At(v.U, v.Shape)
			before = append(before, u)
		}
	}
	before = before[max(0, len(before)-24):]
	for _, v := range since {
		if v.At.Sub(first) >= hours(settleHours) {
			u, _ := d.At(v.U, v.Shape)
			after = append(after, u)
		}
	}
	if len(after) < need || len(before) == 0 {
		return false, false
	}
	level := median(before)
	dev := make([]float64, len(before))
	for i, b := range before {
		dev[i] = math.Abs(b - level)
	}
	independent := func(n int) float64 { return 1 + float64(n-1)/memory }
	// Of three hours and a day it is about three times the scatter of one hour.
	limit := 3 * madToSigma * median(dev) * math.Sqrt(1/independent(len(before))+1/independent(len(after)))
	up := median(after) - level
	return up >= leastPct/100*level && up >= limit, true
}

func (t *Tracker) append(x sample) {
	s := &t.s
	s.Values = append(s.Values, x)
	if len(s.Values) > maxValues { // thin the older half
		n := 0
		for i, v := range s.Values {
			if i >= maxValues/2 || i%2 == 0 {
				s.Values[n] = v
				n++
			}
		}
		s.Values = s.Values[:n]
	}
	// Between two bins little is new: a cycle is learned from anew once for each.
	if len(s.Values) < 48 || x.At.Sub(s.Learned) >= hours(24*leastBin) {
		t.stale()
	}
	t.settle()
}

// Cleaned records a cleaning that ended at the time at: the body is back in
// service, clean. It may come late: values after it move to the new cycle. A
// record within 24 h of a cleaning found in the values, or of an earlier
// record, moves the start of the running cycle and makes no second one. A time
// before the running cycle is refused.
func (t *Tracker) Cleaned(at time.Time) error {
	s := &t.s
	at = at.UTC()
	if at.IsZero() {
		return words.Errorf("record of a cleaning: no time given")
	}
	if !s.Last.IsZero() && at.Sub(s.Last) > 366*24*time.Hour {
		return words.Errorf("record of a cleaning: %s is more than a year after the last value", at.Format(time.RFC3339))
	}
	d := at.Sub(s.Started)
	switch {
	case s.Known && d.Abs() <= 24*time.Hour:
		s.Recorded = true
		old := s.Started
		s.Started = at
		if at.After(old) {
			s.Values = slices.DeleteFunc(s.Values, func(v sample) bool { return v.At.Sub(at) < hours(settleHours) })
			s.Held = slices.DeleteFunc(s.Held, func(v sample) bool { return v.At.Before(at) })
		}
		t.stale()
		return nil
	case !s.Started.IsZero() && d < 0:
		return words.Errorf("record of a cleaning: %s is before the running cycle, which began %s",
			at.Format(time.RFC3339), s.Started.Format(time.RFC3339))
	}
	all := append(s.Values, s.Held...)
	s.Held = nil
	cut, _ := slices.BinarySearchFunc(all, at, func(v sample, at time.Time) int { return v.At.Compare(at) })
	rest := slices.Clone(all[cut:])
	s.Values = all[:cut]
	t.stale()
	t.close(at)
	s.Started, s.Known, s.Recorded = at, true, true
	for _, v := range rest {
		if v.At.Sub(at) >= hours(settleHours) {
			t.append(v)
		}
	}
	t.stale()
	return nil
}

// close ends the running cycle. Only one that began with a cleaning and lasted
// two days teaches anything about the body.
func (t *Tracker) close(end time.Time) {
	s := &t.s
	t.stale()
	if s.Known && len(s.Values) >= 12 && s.Values[len(s.Values)-1].At.Sub(s.Started) >= 48*time.Hour {
		p := t.posterior()
		y0, _ := p.start()
		yEnd, _ := p.trend(p.last)
		if y0 > 1/highU && yEnd > 1/highU {
			c := Cycle{Start: s.Started, End: end, Recorded: s.Recorded, Values: len(s.Values), StartU: 1 / y0, EndU: 1 / yEnd,
				Kind: p.kind(), White: p.white}
			c.Restored, c.RestoredSigma = p.restored()
			c.RatePct, c.RatePctSigma = p.ratePct()
			for i := range p.members {
				m := &p.members[i]
				c.Members[i] = MemberFit{m.m[atStart], math.Sqrt(m.p[atStart][atStart]), m.m[atRate], math.Sqrt(m.p[atRate][atRate])}
				s.Law[i] = m.w
			}
			s.Cycles = append(s.Cycles, c)
			if len(s.Cycles) > maxCycles {
				s.Cycles = slices.Delete(s.Cycles, 0, len(s.Cycles)-maxCycles)
			}
		}
	}
	if len(s.Values) >= 24 {
		t.keep()
	}
	s.Values, s.Doubtful = nil, time.Time{}
	t.stale()
}

// firstFrom and firstTo bound the hours after a cleaning whose condition is the
// reference; firstLeast values of them make one.
const firstFrom, firstTo, firstLeast = 6, 30, 6

func (t *Tracker) firstHours() []sample {
	var v []sample
	for _, x := range t.s.Values {
		if h := x.At.Sub(t.s.Started).Hours(); t.s.Known && h >= firstFrom && h <= firstTo {
			v = append(v, x)
		}
	}
	return v
}

// origin is day 0 of the running cycle: the cleaning or, where the body stood after it, the
// return to work, half an hour later, as a value stands for the middle of its hour.
func (t *Tracker) origin() time.Time {
	o := t.s.Started
	if v := t.s.Values; t.s.Known && len(v) > 0 && v[0].At.Add(-hours(startHours)).After(o) {
		o = v[0].At.Add(-hours(startHours))
	}
	return o.Add(30 * time.Minute)
}

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// observed makes observations of values, with their steps from the reference.
func (t *Tracker) observed(values []sample) []observation {
	ref := t.reference()
	out := make([]observation, len(values))
	origin := t.origin()
	for i, v := range values {
		out[i] = observation{day: v.At.Sub(origin).Hours() / 24, u: v.U, sigma: v.Sigma}
		if t.s.Known && v.At.Sub(t.s.Started) < hours(firstFrom) { // it comes to its work slowly
			out[i].sigma = 2 * max(v.Sigma, usualSigma*v.U)
		}
		if ref.known() && v.Shape.known() {
			var level float64
			out[i].z, level = ref.to(v.Shape)
			out[i].u *= math.Exp(-level)
		}
	}
	return out
}

// nothing reports that neither a value nor a cycle is known.
func (t *Tracker) nothing() bool {
	return t.s.Started.IsZero() || len(t.s.Values) == 0 && len(t.s.Cycles) == 0
}

// Clean is U of the clean body at the reference, kW/(m2 K), and its sigma: the site's
// record, else the usual state after a cleaning, as the trends of the cycles carried
// back to their cleanings have it; the running one is included after its first day. It
// is 0 while no cleaning is known.
func (t *Tracker) Clean() (u, sigma float64) {
	v := t.s.Values
	switch {
	case t.s.Settings.CleanU > 0:
		return t.s.Settings.CleanU, RecordSigma * t.s.Settings.CleanU
	case t.nothing() || !t.s.Known,
		len(t.s.Cycles) == 0 && (len(v) < firstLeast || v[len(v)-1].At.Sub(t.s.Started) < hours(firstTo)):
		return 0, 0
	}
	y, sd := t.posterior().clean()
	if !(y > 1/highU) {
		return 0, 0
	}
	return 1 / y, sd / (y * y)
}

func (t *Tracker) posterior() *posterior {
	if t.post == nil {
		t.post = learn(t.observed(t.s.Values), t.Prior())
		if n := len(t.s.Values); n > 0 {
			t.s.Learned = t.s.Values[n-1].At
		}
	}
	return t.post
}
