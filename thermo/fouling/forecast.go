package fouling

import (
	"math"
	"time"
)

// Forecast says where a body stands and when it meets its cleaning limit. See the
// package's text for the one meaning of clean, ratio and limit.
type Forecast struct {
	Status Status    `json:"status"`
	At     time.Time `json:"at,omitzero"` // asked for
	// Ratio is U of the trend now over clean U, Limit the ratio at which cleaning is
	// due. Ratio is 0 while clean U is not known.
	Ratio      float64 `json:"ratio"`
	RatioSigma float64 `json:"ratio_sigma"`
	Limit      float64 `json:"limit"`
	// U is the trend now at the reference, Clean the clean body's, kW/(m2 K).
	U          float64 `json:"u"`
	Clean      float64 `json:"clean"`
	CleanSigma float64 `json:"clean_sigma"`
	// Restored is U just after the last cleaning over clean U; 0: no cleaning known.
	Restored      float64 `json:"restored"`
	RestoredSigma float64 `json:"restored_sigma"`
	// Due is the median day; Early and Late bound the band of Confidence. Late is
	// zero if the band is open.
	Due        time.Time `json:"due,omitzero"`
	Early      time.Time `json:"early,omitzero"`
	Late       time.Time `json:"late,omitzero"`
	Confidence float64   `json:"confidence"`
	// RatePct is the growth of scale as % of clean 1/U a day, a mean over ten days;
	// Kind the law of the most weight (the band averages over all laws).
	RatePct      float64 `json:"rate_pct"`
	RateSigmaPct float64 `json:"rate_sigma_pct"`
	Kind         Kind    `json:"kind"`
	// FromEarlierPct tells how much of the rate rests on earlier cycles or on
	// defaults, 100 just after a cleaning; Values and Cycles what stands behind it.
	FromEarlierPct float64 `json:"from_earlier_pct"`
	Values         int     `json:"values"`
	Cycles         int     `json:"cycles"`
	// Suspect: the last six hours lie far below the trend: U fell faster than scale
	// grows. Look for gas, condensate, level and instruments first.
	Suspect bool       `json:"suspect"`
	Weak    []Weakness `json:"weak"` // what weakens the answer
}

// Forecast answers for the moment at, which must not be before the last value.
//
// The limit is met when the trend meets it; a single low hour does not. The band is
// that of a mixture over all laws and shapes, each with the uncertainty of its
// parameters and of clean U under white and lasting noise, drift and a wandering rate;
// it is calibrated on simulated bodies (see the tests). A body met in mid-cycle whose
// clean U nobody has given has no day.
func (t *Tracker) Forecast(at time.Time) Forecast {
	s := &t.s
	f := Forecast{At: at, Confidence: confidence, Limit: s.Settings.LimitRatio, Values: len(s.Values), Cycles: len(s.Cycles)}
	if t.nothing() || at.Before(s.Started) {
		return f
	}
	p := t.posterior()
	now := math.Max(at.Sub(t.origin()).Hours()/24, p.last)
	if y, _ := p.trend(now); y > 1/highU {
		f.U = 1 / y
	}
	f.RatePct, f.RateSigmaPct = p.ratePct()
	f.FromEarlierPct = 100
	{
		_, sd := p.rate()
		if before := p.prior.Members[0].Rate.next2(); before > 0 {
			f.FromEarlierPct = 100 * math.Min(1, sd*sd/before)
		}
	}
	f.Kind = p.kind()
	f.Suspect = t.suspect(p)
	if f.Clean, f.CleanSigma = t.Clean(); f.Clean == 0 {
		f.Status = CleanUnknown
		return f
	}
	f.Ratio, f.RatioSigma = p.ratio(now)
	if s.Known && len(s.Values) > 0 {
		f.Restored, f.RestoredSigma = p.restored()
	}
	t.day(&f, p)
	t.addWeaknesses(&f)
	return f
}

// day fills in when the limit is met.
func (t *Tracker) day(f *Forecast, p *posterior) {
	s := &t.s
	horizon := p.last + s.Settings.HorizonDays
	day := func(d float64) time.Time { return t.origin().Add(hours(24 * d)).Round(time.Second) }
	q := (1 - f.Confidence) / 2
	c := p.crossings(f.Limit, horizon, q, 0.5, 1-q) // early, due, late
	if len(c) > 0 {
		f.Early = day(c[0])
	}
	if len(c) < 2 {
		f.Status = FarOff
		return
	}
	f.Due, f.Status = day(c[1]), Expected
	if len(c) > 2 {
		f.Late = day(c[2])
	}
	switch {
	case c[1] <= p.last:
		f.Status = Reached
	case len(c) < 3 || c[2]-c[0] > 2*math.Max(c[1]-p.last, 1):
		f.Status = TooEarly
	}
}

// addWeaknesses adds what weakens the answer.
func (t *Tracker) addWeaknesses(f *Forecast) {
	s := &t.s
	if !s.Known {
		f.Weak = append(f.Weak, Weakness{Kind: MetInMidCycle})
	} else if f.Cycles == 0 {
		f.Weak = append(f.Weak, Weakness{Kind: FirstCycle})
	}
	if n := len(s.Values); n > 0 {
		d := t.Dependence()
		// Worth a quarter of what is allowed to be lost: a figure of ours.
		if _, sd := d.At(s.Values[n-1].U, s.Values[n-1].Shape); sd > 0.25*(1-f.Limit)*s.Values[n-1].U {
			f.Weak = append(f.Weak, Weakness{ConditionMoved, 100 * sd / s.Values[n-1].U})
		}
	}
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
	m := p.members[0]
	for i := range p.members {
		if p.members[i].w > m.w {
			m = p.members[i]
		}
	}
	ps := points(t.observed(v[:len(v)-6]))
	m.g = make([]float64, len(ps))
	for i := range ps {
		m.g[i] = m.mean(ps[i])
	}
	m.run(ps, &p.prior, p.white)
	day := v[len(v)-3].At.Sub(t.origin()).Hours() / 24
	h, added := m.trend(day, day-ps[len(ps)-1].t)
	mean, variance := m.apply(h)
	level := p.prior.level()
	sd := math.Sqrt(variance + added + level*level*(lasting*lasting+p.white*p.white/6))
	return median(recent)-mean > math.Max(4*sd, 0.08*mean)
}

// ratePct is the rate as % of clean 1/U a day.
func (p *posterior) ratePct() (rate, sigma float64) {
	y, _ := p.clean()
	rate, sigma = p.rate()
	if !(y > 0) {
		return 0, 0
	}
	return 100 * rate / y, 100 * sigma / y
}

// Value is the median U of one hour.
type Value struct {
	At      time.Time // end of the hour
	U       float64   // kW/(m2 K)
	Sigma   float64   // of U; 0: not known
	Quality Quality
	Shape   Shape // the condition it was taken in
}

// Course is U over clean U on the coming days.
type Course struct {
	// Running is that of each half day from the start asked for if the body is not
	// cleaned, Fresh that of each half day after a cleaning: at 0.5, 1.5 ... days.
	Running, Fresh []float64
	// Sigma is the relative sigma of the rate.
	Sigma float64
}

// Course is the mean of all that the forecast holds possible, for a plan of days from
// start. It reports false while clean U is not known.
func (t *Tracker) Course(start time.Time, days int) (Course, bool) {
	if u, _ := t.Clean(); u == 0 {
		return Course{}, false
	}
	p := t.posterior()
	age := math.Max(start.Sub(t.origin()).Hours()/24, p.last)
	var c Course
	fresh := *p
	if !t.s.Known { // this cycle did not begin clean
		fresh.prior = t.Prior()
	}
	for d := range days {
		at := float64(d) + 0.5
		r, _ := p.ratio(age + at)
		c.Running = append(c.Running, r)
		y, _ := p.mixture(func(m *member) (float64, float64) {
			on, constant, _ := p.reference(m)
			clean, _ := m.apply(vector{atStart: on})
			clean += constant
			return clean / (clean + math.Max(0, m.m[atRate])*m.basis(at)), 0
		})
		c.Fresh = append(c.Fresh, y)
	}
	if rate, sd := p.rate(); rate > 0 {
		c.Sigma = sd / rate
	}
	return c, true
}
