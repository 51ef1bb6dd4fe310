package fouling

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
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
	// CleanU is the reference of the body, kW/(m2 K), to which LimitRatio refers.
	// 0: what the cycles known began with, their trends carried back to the cleaning.
	// It is U as this program finds it; one of other origin differs by the errors of
	// the instruments, and a few percent are a good part of what may be lost.
	CleanU float64 `json:"clean_u,omitempty"`
	// LimitRatio to clean U at which cleaning is due; default 0.65.
	LimitRatio float64 `json:"limit_ratio,omitempty"`
	// Confidence of the band; default 0.9.
	Confidence float64 `json:"confidence,omitempty"`
	// HorizonDays bounds a forecast; default 120.
	HorizonDays float64 `json:"horizon_days,omitempty"`
	// A step up of MinStepPct of U (default 8) after MinGapHours (default 4)
	// without usable values is taken for a cleaning that nobody entered.
	MinStepPct  float64 `json:"min_step_pct,omitempty"`
	MinGapHours float64 `json:"min_gap_hours,omitempty"`
	// SettleHours after a cleaning or a stop of MinGapHours are not used; default 2.
	SettleHours float64 `json:"settle_hours,omitempty"`
	// Reference is the condition in which U is quoted; by default that of the first
	// day after the first cleaning.
	Reference Shape `json:"reference,omitzero"`
	// Typical replaces TypicalPrior for a body without earlier cycles.
	Typical *Prior `json:"typical,omitempty"`
}

func (s Settings) withDefaults() Settings {
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	def(&s.LimitRatio, 0.65)
	def(&s.Confidence, 0.9)
	def(&s.HorizonDays, 120)
	def(&s.MinStepPct, 8)
	def(&s.MinGapHours, 4)
	def(&s.SettleHours, 2)
	return s
}

func (s Settings) check() error {
	var errs []error
	if s.CleanU != 0 {
		errs = append(errs, within("clean_u", s.CleanU, lowU, highU, "kW/(m2 K)"))
	}
	errs = append(errs,
		within("limit_ratio", s.LimitRatio, 0.1, 0.99, ""),
		within("confidence", s.Confidence, 0.5, 0.99, ""),
		within("horizon_days", s.HorizonDays, 1, 1000, "d"),
		within("min_step_pct", s.MinStepPct, 1, 100, "%"),
		within("min_gap_hours", s.MinGapHours, 1, 240, "h"),
		within("settle_hours", s.SettleHours, 0, 48, "h"))
	if !s.Reference.sound() {
		errs = append(errs, errors.New("reference: a logarithm is out of range"))
	}
	if p := s.Typical; p != nil {
		errs = append(errs,
			within("typical.start", p.Start, 1/highU, 1/lowU, "m2 K/kW"),
			within("typical.start_sigma", p.StartSigma, 1e-6, 1/lowU, "m2 K/kW"),
			within("typical.rate", p.Rate, 0, 10, "m2 K/kW per day"),
			within("typical.rate_sigma", p.RateSigma, 1e-9, 10, "m2 K/kW per day"),
			within("typical.rate_days", p.RateDays, 1, 100, "d"))
		if !p.Noise.sound() || !soundWeights(p.Weight) {
			errs = append(errs, errors.New("typical: every figure of the noise must be above 0 and at most 1 (auto_days 30), the weights 0 to 1 and not all 0"))
		}
	}
	return errors.Join(errs...)
}

// Cycle is a finished cycle of a body.
type Cycle struct {
	Start time.Time `json:"start"`
	// End is the next cleaning: the last usable value before it, or the record.
	End      time.Time `json:"end"`
	Recorded bool      `json:"recorded"` // Start comes from a record, not from a step in U
	Values   int       `json:"values"`   // hourly values used
	// CleanU and EndU are the fitted U at the start and the end, kW/(m2 K) the median of hours 6 to 30, 0 if there was none.
	CleanU float64 `json:"clean_u"`
	EndU   float64 `json:"end_u"`
	// Rate is the mean growth of the scale resistance over the first ten days,
	// m2 K/kW per day.
	Rate      float64 `json:"rate"`
	RateSigma float64 `json:"rate_sigma"`
	Model     Model   `json:"model"`
	Noise     Noise   `json:"noise"`
	// Weight is the probability of each law after this cycle.
	Weight [kinds]float64 `json:"weight"`
	// Shape is the same by the shapes tried for each law.
	Shape [kinds][shapesTried]float64 `json:"shape"`
	// Share of the formula for clean bodies that U followed, and its standard
	// deviation, earlier cycles included: heating, Brix (see Shape).
	Share      [2]float64 `json:"share"`
	ShareSigma [2]float64 `json:"share_sigma"`
}

// Days is the length of the cycle.
func (c Cycle) Days() float64 { return c.End.Sub(c.Start).Hours() / 24 }

func (n Noise) sound() bool {
	ok := func(v, hi float64) bool { return v > 1e-9 && v <= hi }
	return ok(n.White, 1) && ok(n.Auto, 1) && ok(n.AutoDays, 30) && ok(n.Drift, 1)
}

func soundWeights(w [kinds]float64) bool {
	var sum float64
	for _, v := range w {
		if !(v >= 0 && v <= 1) {
			return false
		}
		sum += v
	}
	return sum > 0.01
}

const (
	maxCycles = 24
	maxValues = 24 * 100 // hourly values of a cycle; older ones are thinned
)

type sample struct {
	At    time.Time `json:"t"`
	U     float64   `json:"u"`
	Sigma float64   `json:"s,omitempty"`
	Shape Shape     `json:"c,omitzero"`
}

type state struct {
	Settings Settings  `json:"settings"`
	Started  time.Time `json:"started"`
	Recorded bool      `json:"recorded,omitempty"`
	// Known is false until a first cleaning: the start of the data is no cleaning.
	Known  bool      `json:"known,omitempty"`
	Values []sample  `json:"values,omitempty"`
	Held   []sample  `json:"held,omitempty"` // after a gap, not yet decided
	Last   time.Time `json:"last"`
	Cycles []Cycle   `json:"cycles,omitempty"`
	Kind   Kind      `json:"kind"`
	Late   int       `json:"late,omitempty"`
	// Reference is the condition of the first day after the first cleaning.
	Reference Shape      `json:"reference,omitzero"`
	Shares    *knowledge `json:"shares,omitempty"`
	// Doubtful is when values came back after a gap that did not show a cleaning
	// at once.
	Doubtful time.Time `json:"doubtful,omitzero"`
}

// A Tracker follows one body. Feed it hourly medians of normalised U and the
// records of its cleanings; ask it for forecasts. It is not safe for use by
// several goroutines. It marshals to JSON and back without loss.
type Tracker struct {
	s     state
	post  *posterior // of the values as they are; nil when stale
	fit   *Fit
	fitEr error
}

// NewTracker returns a tracker, or what is wrong with the settings.
func NewTracker(s Settings) (*Tracker, error) {
	s = s.withDefaults()
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("scale tracker: %w", err)
	}
	return &Tracker{s: state{Settings: s}}, nil
}

// MarshalJSON writes the whole state.
func (t *Tracker) MarshalJSON() ([]byte, error) { return json.Marshal(t.s) }

// UnmarshalJSON replaces the state. The settings in the JSON are checked.
func (t *Tracker) UnmarshalJSON(b []byte) error {
	var s state
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("state of a scale tracker: %w", err)
	}
	s.Settings = s.Settings.withDefaults()
	if err := s.Settings.check(); err != nil {
		return fmt.Errorf("state of a scale tracker: %w", err)
	}
	ok := func(v []sample) bool {
		return !slices.ContainsFunc(v, func(x sample) bool {
			return !(x.U >= lowU && x.U <= highU) || !(x.Sigma >= 0) || !x.Shape.sound() || x.At.Before(s.Started)
		})
	}
	if !ok(s.Values) || !ok(s.Held) || len(s.Values) > 2*maxValues || len(s.Cycles) > 2*maxCycles {
		return errors.New("state of a scale tracker: a value is out of range or there are too many")
	}
	if !s.Reference.sound() {
		return errors.New("state of a scale tracker: the reference is out of range")
	}
	if err := s.Shares.check(); err != nil {
		return err
	}
	for _, c := range s.Cycles {
		for _, w := range c.Shape {
			for _, v := range w {
				if !(v >= 0 && v <= 1) {
					return errors.New("state of a scale tracker: a weight of a cycle is out of range")
				}
			}
		}
		if !(c.CleanU >= lowU && c.CleanU <= highU) || !(c.RateSigma >= 0 && c.RateSigma < 1e3) || !(math.Abs(c.Rate) < 1e3) ||
			!c.Noise.sound() || !soundWeights(c.Weight) {
			return errors.New("state of a scale tracker: a cycle is out of range")
		}
	}
	*t = Tracker{s: s}
	return nil
}

// Configure replaces the settings and keeps what was learned.
func (t *Tracker) Configure(s Settings) error {
	s = s.withDefaults()
	if err := s.check(); err != nil {
		return fmt.Errorf("scale tracker: %w", err)
	}
	t.s.Settings = s
	t.stale()
	return nil
}

func (t *Tracker) stale() { t.post, t.fit, t.fitEr = nil, nil, nil }

// Cycles lists the finished cycles, oldest first. The slice is the caller's.
func (t *Tracker) Cycles() []Cycle { return slices.Clone(t.s.Cycles) }

// Started returns the start of the running cycle, and whether it is a cleaning
// (found or recorded) or just the first value.
func (t *Tracker) Started() (at time.Time, cleaning bool) { return t.s.Started, t.s.Known }

// Late counts values older than the newest one; they are not used.
func (t *Tracker) Late() int { return t.s.Late }

// Values counts the hourly values of the running cycle.
func (t *Tracker) Values() int { return len(t.s.Values) }

// Observe takes the median U of one hour. A Bad value and one out of 0.01 to 20
// is a gap; a shape that is not known counts as that of the reference. It returns true if the values show a cleaning that was not recorded: a
// stop of MinGapHours and then, over the median of the values of up to a day, at
// least three, a step up of MinStepPct and of three standard errors. A change of
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
	settle := hours(s.Settings.SettleHours)
	if s.Started.IsZero() {
		s.Started = x.At
	}
	if s.Known && x.At.Sub(s.Started) < settle {
		s.Last = x.At
		return false
	}
	gap := !s.Last.IsZero() && x.At.Sub(s.Last) >= hours(s.Settings.MinGapHours)
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
	step, known := t.stepUp(first, held)
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
		if v.At.Sub(first) >= hours(s.Settings.SettleHours) {
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
	if cut == 0 || len(rest) == 0 || rest[len(rest)-1].At.Sub(first) > hours(s.Settings.SettleHours+24) {
		s.Doubtful = time.Time{}
		return false
	}
	if step, _ := t.stepUp(first, rest); !step {
		return false
	}
	s.Values = s.Values[:cut]
	t.close(s.Values[cut-1].At)
	s.Started, s.Known, s.Recorded = first, true, false
	for _, v := range rest {
		t.append(v)
	}
	return true
}

// stepUp reports whether U stands higher after a gap than in the day before it:
// by MinStepPct, and by three standard errors of the two medians. Neighbouring
// hours are alike, so that a value counts by the time it covers: one for each
// memory of the noise. Known is false while there are fewer than three values.
func (t *Tracker) stepUp(first time.Time, since []sample) (step, known bool) {
	const need, memory = 3, 8 // values; hours, as in TypicalNoise
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
		if v.At.Sub(first) >= hours(t.s.Settings.SettleHours) {
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
	limit := 3 * mad * median(dev) * math.Sqrt(1/independent(len(before))+1/independent(len(after)))
	up := median(after) - level
	return up >= t.s.Settings.MinStepPct/100*level && up >= limit, true
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
	t.stale()
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
		return errors.New("record of a cleaning: no time given")
	}
	if !s.Last.IsZero() && at.Sub(s.Last) > 366*24*time.Hour {
		return fmt.Errorf("record of a cleaning: %s is more than a year after the last value", at.Format(time.RFC3339))
	}
	d := at.Sub(s.Started)
	switch {
	case s.Known && d.Abs() <= 24*time.Hour:
		s.Recorded = true
		old := s.Started
		s.Started = at
		if at.After(old) {
			s.Values = slices.DeleteFunc(s.Values, func(v sample) bool { return v.At.Sub(at) < hours(s.Settings.SettleHours) })
			s.Held = slices.DeleteFunc(s.Held, func(v sample) bool { return v.At.Before(at) })
		}
		t.stale()
		return nil
	case !s.Started.IsZero() && d < 0:
		return fmt.Errorf("record of a cleaning: %s is before the running cycle, which began %s",
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
		if v.At.Sub(at) >= hours(s.Settings.SettleHours) {
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
		rate, sd := p.rate()
		c := Cycle{Start: s.Started, End: end, Recorded: s.Recorded, Values: len(s.Values),
			Rate: rate, RateSigma: sd, Weight: p.weights(), Shape: p.shapes()}
		c.Share, c.ShareSigma = t.shares()
		c.Noise = p.noise
		if y0 > 1/highU {
			c.CleanU = 1 / y0
			c.Noise = times(p.noise, 1/y0)
			if f, _, err := Choose(t.atReference(), s.Kind); err == nil {
				c.Model = f.Model
			}
			if y, _ := p.spread(p.last, false); y > 1/highU {
				c.EndU = 1 / y
			}
			s.Cycles = append(s.Cycles, c)
			if len(s.Cycles) > maxCycles {
				s.Cycles = slices.Delete(s.Cycles, 0, len(s.Cycles)-maxCycles)
			}
		}
	}
	if n := len(s.Values); n >= 24 {
		t.keep()
	}
	s.Values, s.Kind, s.Doubtful = nil, Linear, time.Time{}
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

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

func (t *Tracker) observations() []Observation {
	return t.observed(t.s.Values)
}

// observed makes observations of values, with their steps from the reference.
func (t *Tracker) observed(values []sample) []Observation {
	ref := t.reference()
	out := make([]Observation, len(values))
	for i, v := range values {
		out[i] = Observation{Day: v.At.Sub(t.s.Started).Hours() / 24, U: v.U, Sigma: v.Sigma}
		if t.s.Known && v.At.Sub(t.s.Started) < hours(firstFrom) { // it comes to its work slowly
			out[i].Sigma = 2 * max(v.Sigma, usualSigma*v.U)
		}
		if ref.known() && v.Shape.known() {
			var level float64
			out[i].z, level = ref.to(v.Shape)
			out[i].U *= math.Exp(-level)
		}
	}
	return out
}

// atReference is the values of the running cycle as they would be at the
// reference.
func (t *Tracker) atReference() []Observation {
	d := t.provisional()
	out := t.observations()
	for i, v := range t.s.Values {
		out[i].U, _ = d.At(v.U, v.Shape)
	}
	return out
}

// CleanU is the reference to which the limit refers: the setting, else the median
// over the cycles of U at the cleaning, as their trends carried back have it; the
// running one is included after its first day. 0 if there is nothing yet.
//
// A median of the first day would be U with a day's scale on it: of a body that is
// cleaned every twelve days and loses a fifth, 1 to 2 % of U, and that puts the day of
// the limit off by a tenth and more.
func (t *Tracker) CleanU() float64 {
	if t.s.Settings.CleanU > 0 {
		return t.s.Settings.CleanU
	}
	var u []float64
	for _, c := range t.s.Cycles {
		u = append(u, c.CleanU)
	}
	if v := t.s.Values; t.s.Known && len(v) >= firstLeast && v[len(v)-1].At.Sub(t.s.Started) >= hours(firstTo) {
		if y, _ := t.posterior().start(); y > 1/highU {
			u = append(u, 1/y)
		}
	}
	return median(u)
}

// Prior is what earlier cycles of the body say: their mean, with the spread
// between them, shrunk towards the typical while they are few. Two imaginary
// cycles that spread by 25 % in rate and 3 % in clean U stand beside the real
// ones, so that a single cycle does not look like certainty.
func (t *Tracker) Prior() Prior {
	base := TypicalPrior(t.s.Settings.CleanU)
	if t.s.Settings.Typical != nil {
		base = *t.s.Settings.Typical
	}
	if k := t.s.Shares; k != nil && base.ShareSigma != [2]float64{} {
		base.Share, base.shareCov = k.Share, k.Cov
		for i := range shares {
			base.ShareSigma[i] = math.Sqrt(k.Cov[i][i])
		}
	}
	n := float64(len(t.s.Cycles))
	if n == 0 {
		return base
	}
	var sw, rate, y0 float64
	w := make([]float64, len(t.s.Cycles))
	for i, c := range t.s.Cycles {
		rel := c.RateSigma / math.Max(math.Abs(c.Rate), 1e-9)
		w[i] = 1 / (0.25*0.25 + rel*rel)
		// A season changes: what is ten cycles old counts half.
		w[i] *= math.Exp2(-float64(len(w)-1-i) / 10)
		sw += w[i]
		rate += w[i] * c.Rate
		y0 += w[i] / c.CleanU
	}
	rate, y0 = rate/sw, y0/sw
	// Between-cycle spread: what is seen less what a cycle's own error explains.
	const imaginary, rateCV, startCV = 2.0, 0.25, 0.03
	vr := imaginary * (rateCV * rate) * (rateCV * rate)
	vy := imaginary * (startCV * y0) * (startCV * y0)
	for _, c := range t.s.Cycles {
		d := c.Rate - rate
		vr += math.Max(0, d*d-c.RateSigma*c.RateSigma)
		e := 1/c.CleanU - y0
		vy += e * e
	}
	vr /= imaginary + math.Max(0, n-1)
	vy /= imaginary + math.Max(0, n-1)
	p := base
	p.Cycles = len(t.s.Cycles)
	p.Rate, p.Start = rate, y0
	p.RateSigma = math.Sqrt(vr*(1+1/n) + 1/sw*rate*rate*0.1)
	p.StartSigma = math.Sqrt(vy * (1 + 1/n))
	if base.RateSigma > 0 && base.Rate > 0 && rate <= 0 {
		p.Rate, p.RateSigma = base.Rate, base.RateSigma
	}
	// Noise and law: geometric and arithmetic means with the base as one or two
	// cycles' worth.
	ln := [4]float64{math.Log(base.Noise.White), math.Log(base.Noise.Auto), math.Log(base.Noise.AutoDays), math.Log(base.Noise.Drift)}
	for k := range p.Weight {
		for i := range shapesTried {
			p.shape[k][i] = 4 * base.Weight[k] * usualShape(Kind(k), i)
		}
	}
	for _, c := range t.s.Cycles {
		for i, v := range []float64{c.Noise.White, c.Noise.Auto, c.Noise.AutoDays, c.Noise.Drift} {
			ln[i] += math.Log(v)
		}
		for k := range p.Weight {
			for i, w := range c.Shape[k] {
				p.shape[k][i] += w
			}
		}
	}
	for i := range ln {
		ln[i] = math.Exp(ln[i] / (n + 1))
	}
	p.Noise = Noise{ln[0], ln[1], ln[2], ln[3]}
	for k := range p.Weight {
		p.Weight[k] = 0
		for i := range shapesTried {
			p.shape[k][i] /= 4 + n
			p.Weight[k] += p.shape[k][i]
		}
	}
	return p
}

func (t *Tracker) posterior() *posterior {
	if t.post == nil {
		p := learn(t.observations(), t.Prior())
		t.post = &p
	}
	return t.post
}

// Fit returns the law chosen for the running cycle and the fits of all. It
// needs four values, otherwise ErrTooFew.
func (t *Tracker) Fit() (Fit, error) {
	if t.fit == nil && t.fitEr == nil {
		f, _, err := Choose(t.atReference(), t.s.Kind)
		if err != nil {
			t.fitEr = err
		} else {
			t.fit = &f
			t.s.Kind = f.Model.Kind
		}
	}
	if t.fitEr != nil {
		return Fit{}, t.fitEr
	}
	return *t.fit, nil
}

// Status of a forecast.
type Status string

// The statuses.
const (
	NoData   Status = "no data"          // neither values nor earlier cycles
	Expected Status = "expected"         // a day with a band
	Reached  Status = "reached"          // the trend is at the limit now
	FarOff   Status = "beyond horizon"   // not within the horizon
	TooEarly Status = "too early to say" // the band is open or wider than the answer
)

// Forecast says when a body meets its cleaning limit.
type Forecast struct {
	Status Status    `json:"status"`
	At     time.Time `json:"at"` // asked for
	// Limit is the U at which cleaning is due, U the trend now, Clean the fitted
	// value after the last cleaning, kW/(m2 K).
	Limit float64 `json:"limit"`
	U     float64 `json:"u"`
	Clean float64 `json:"clean"`
	// Due is the median day; Early and Late bound the band of Confidence. Late is
	// zero if the band is open.
	Due        time.Time `json:"due"`
	Early      time.Time `json:"early"`
	Late       time.Time `json:"late"`
	Confidence float64   `json:"confidence"`
	// RatePct is the growth of scale as % of clean 1/U a day; Kind the law chosen
	// for showing (the band averages over all laws).
	RatePct      float64 `json:"rate_pct"`
	RateSigmaPct float64 `json:"rate_sigma_pct"`
	Kind         Kind    `json:"kind"`
	// FromEarlierPct tells how much of the rate rests on earlier cycles or on
	// defaults, 100 just after a cleaning; Values and Cycles what stands behind it.
	FromEarlierPct float64 `json:"from_earlier_pct"`
	Values         int     `json:"values"`
	Cycles         int     `json:"cycles"`
	// Suspect: the last six hours lie far above the trend, faster than scale
	// grows. Look for gas, condensate, level and instruments first.
	Suspect bool `json:"suspect,omitempty"`
	// Note says in plain words what weakens the answer.
	Note string `json:"note,omitempty"`
}

// Days until the median day from the moment asked; 0 once reached.
func (f Forecast) Days() float64 {
	if f.Due.IsZero() {
		return 0
	}
	return math.Max(0, f.Due.Sub(f.At).Hours()/24)
}

// Forecast answers for the moment at, which must not be before the last value.
// It answers from the first hours after a cleaning, at first from the earlier
// cycles of the body.
//
// The limit is met when the trend meets it; a single low hour does not. The
// band is that of a mixture over all laws and shapes, each with the uncertainty
// of its parameters under white and lasting noise and drift; it is calibrated
// on simulated cycles (see the tests).
func (t *Tracker) Forecast(at time.Time) Forecast {
	s := &t.s
	f := Forecast{Status: NoData, At: at, Confidence: s.Settings.Confidence, Values: len(s.Values), Cycles: len(s.Cycles)}
	ref := t.CleanU()
	switch {
	case s.Started.IsZero():
		f.Note = "no usable value of U yet"
		return f
	case len(s.Values) == 0 && len(s.Cycles) == 0 && s.Settings.CleanU == 0:
		f.Note = "no usable value of U yet"
		return f
	case at.Before(s.Started):
		f.Note = "asked for a time before the running cycle"
		return f
	}
	p := t.posterior()
	if ref == 0 {
		if y, _ := p.start(); y > 1/highU {
			ref = 1 / y
		}
		f.Note = "no clean U in the settings and no first day after a cleaning yet: the limit refers to the fitted start"
	}
	if !(ref > 0) {
		f.Note = "no clean U known"
		return f
	}
	f.Limit = ref * s.Settings.LimitRatio
	now := math.Max(at.Sub(s.Started).Hours()/24, p.last)
	if y, _ := p.spread(now, false); y > 1/highU {
		f.U = 1 / y
	}
	y0, _ := p.start()
	if y0 > 1/highU {
		f.Clean = 1 / y0
	}
	rate, sd := p.rate()
	if y0 > 0 {
		f.RatePct, f.RateSigmaPct = 100*rate/y0, 100*sd/y0
	}
	f.FromEarlierPct = 100
	if p.prior.RateSigma > 0 {
		f.FromEarlierPct = 100 * math.Min(1, sd*sd/(p.prior.RateSigma*p.prior.RateSigma))
	}
	if fit, err := t.Fit(); err == nil {
		f.Kind = fit.Model.Kind
	}
	f.Suspect = t.suspect(p)

	y := 1 / f.Limit
	horizon := p.last + s.Settings.HorizonDays
	day := func(d float64) time.Time { return s.Started.Add(hours(24 * d)).Round(time.Second) }
	q := (1 - s.Settings.Confidence) / 2
	due, ok := p.crossing(y, 0.5, horizon)
	early, okEarly := p.crossing(y, q, horizon)
	late, okLate := p.crossing(y, 1-q, horizon)
	if okEarly {
		f.Early = day(early)
	}
	if !ok {
		f.Status = FarOff
		return f
	}
	f.Due, f.Status = day(due), Expected
	if okLate {
		f.Late = day(late)
	}
	switch {
	case due <= p.last:
		f.Status = Reached
	case !okLate || late-early > 2*math.Max(due-p.last, 1):
		f.Status = TooEarly
	}
	if n := len(s.Values); n > 0 && f.Note == "" {
		d := t.Dependence()
		// Worth a quarter of what is allowed to be lost: a figure of ours.
		if _, sd := d.At(s.Values[n-1].U, s.Values[n-1].Shape); sd > 0.25*(1-s.Settings.LimitRatio)*s.Values[n-1].U {
			f.Note = fmt.Sprintf("heating and Brix have moved and how U goes with them is not known yet: that alone is worth ± %.1f %% of U", 100*sd/s.Values[n-1].U)
		}
	}
	if !s.Known && f.Note == "" {
		f.Note = "no cleaning known yet: the first value was taken for the start of the cycle"
	}
	return f
}

// suspect reports whether U of the last hours is far below the trend of the
// values before them.
func (t *Tracker) suspect(p *posterior) bool {
	v := t.s.Values
	if len(v) < 30 {
		return false
	}
	recent := make([]float64, 0, 6)
	d := t.provisional()
	for _, x := range v[len(v)-6:] {
		u, _ := d.At(x.U, x.Shape)
		recent = append(recent, 1/u)
	}
	cut := v[:len(v)-6]
	obs := t.observed(cut)
	m := p.members[0]
	for i := range p.members {
		if p.members[i].w > m.w {
			m = p.members[i]
		}
	}
	ps := points(obs, mostPoints, leastBin)
	m.of(ps)
	m.run(ps, p.prior, p.noise)
	day := v[len(v)-3].At.Sub(t.s.Started).Hours() / 24
	mean, variance := m.at(day, day-ps[len(ps)-1].t, p.noise, true)
	sd := math.Sqrt(variance + p.noise.White*p.noise.White/6)
	return median(recent)-mean > math.Max(4*sd, 0.08*mean)
}

// Band is the range of one hourly value of U at a moment, kW/(m2 K).
type Band struct {
	Low, Middle, High float64
}

// Predict returns the band, of the settings' confidence, in which one hourly
// value of U at the time at and in the reference condition will lie. It reports false before the last value
// and while nothing is known.
func (t *Tracker) Predict(at time.Time) (Band, bool) {
	s := &t.s
	if s.Started.IsZero() || (len(s.Values) == 0 && len(s.Cycles) == 0 && s.Settings.CleanU == 0) {
		return Band{}, false
	}
	p := t.posterior()
	d := at.Sub(s.Started).Hours() / 24
	if d < p.last || d > p.last+s.Settings.HorizonDays {
		return Band{}, false
	}
	mean, sd := p.spread(d, true)
	z := quantileOfNormal(0.5 + s.Settings.Confidence/2)
	lo, hi := mean-z*sd, mean+z*sd
	if !(lo > 1/highU) {
		return Band{}, false
	}
	return Band{1 / hi, 1 / mean, 1 / lo}, true
}

// Value is the median U of one hour.
type Value struct {
	At      time.Time // end of the hour
	U       float64   // kW/(m2 K)
	Sigma   float64   // of U; 0: not known
	Quality Quality
	Shape   Shape // the condition it was taken in
}

// Cleanings finds the cleanings in a record of hourly values: the times at which
// a body came back with a step up in U, by the rule of [Tracker.Observe].
func Cleanings(values []Value, s Settings) ([]time.Time, error) {
	t, err := NewTracker(s)
	if err != nil {
		return nil, err
	}
	var out []time.Time
	for _, v := range values {
		if t.Observe(v) {
			at, _ := t.Started()
			out = append(out, at)
		}
	}
	return out, nil
}

// Model returns the most probable law of the running cycle with the earlier
// cycles in it, for a plan, and false while nothing is known.
func (t *Tracker) Model() (Model, bool) {
	if t.s.Started.IsZero() || (len(t.s.Values) == 0 && len(t.s.Cycles) == 0 && t.s.Settings.CleanU == 0) {
		return Model{}, false
	}
	p := t.posterior()
	best := -1
	for i, m := range p.members {
		if m.kind != InverseSquare && m.m[0] > 1/highU && m.m[1] > 0 && (best < 0 || m.w > p.members[best].w) {
			best = i
		}
	}
	if best < 0 {
		return Model{}, false
	}
	m := p.members[best]
	return Model{Kind: m.kind, Start: m.m[0], Coefficient: m.m[1] * m.scale, Shape: m.shape}, true
}
