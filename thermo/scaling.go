package thermo

import (
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
)

// scaling follows the scale of one body: medians of U by the hour go into the
// tracker of package fouling, which knows the earlier cycles.
type scaling struct {
	track    *fouling.Tracker
	hour     time.Time // beginning of the hour being gathered
	values   []float64
	doubtful bool
	// Condition of these values: sums, and of how many; of the flux, which may be
	// missing, of how many of its own.
	shape          fouling.Shape
	shaped, fluxed float64
	depends        fouling.Dependence // as of the beginning of this hour
	cleaning       bool
	now            time.Time
	forecast       fouling.Forecast
	// The body's share of the set's temperature difference, a slow mean; 0: not known.
	share float64
	// found is the last cleaning that U itself showed.
	found time.Time
	// shared is true while parallel bodies have one U between them.
	shared bool
}

func newScaling(b *plant.BodyConfig, n *normal) (*scaling, error) {
	t, err := fouling.NewTracker(fouling.Settings{CleanU: b.CleanUWM2K / 1000, LimitRatio: b.CleaningLimit, Reference: n.reference()})
	if err != nil {
		return nil, err
	}
	return &scaling{track: t, depends: t.Dependence()}, nil
}

func (s *scaling) step(u evaporator.Result, in fouling.Shape, worst plant.Quality, cleaning bool, at time.Time) {
	if hour := at.Truncate(time.Hour); !hour.Equal(s.hour) {
		s.close(s.hour.Add(time.Hour))
		s.hour = hour
		s.look(at)
	}
	s.now = at
	if s.cleaning && !cleaning {
		s.values = s.values[:0]
		// A time before the running cycle is refused: nothing is lost by that.
		_ = s.track.Cleaned(at)
	}
	s.cleaning = cleaning
	if u.OK() && !cleaning && len(s.values) < 40000 {
		s.values = append(s.values, u.Value)
		s.doubtful = s.doubtful || worst.IsUncertain()
		if in != (fouling.Shape{}) {
			s.shape.Heating += in.Heating
			s.shape.Brix += in.Brix
			s.shape.Level += in.Level
			s.shaped++
			if in.Flux != 0 {
				s.shape.Flux += in.Flux
				s.fluxed++
			}
		}
	}
}

// look works the forecast out anew, and what U depends on.
func (s *scaling) look(at time.Time) {
	s.now = at
	s.forecast = s.track.Forecast(at)
	s.depends = s.track.Dependence()
}

// close ends an hour. Without values for a good part of it there is no median
// worth having.
func (s *scaling) close(end time.Time) {
	if len(s.values) >= 5 {
		slices.Sort(s.values)
		q := fouling.Good
		if s.doubtful {
			q = fouling.Uncertain
		}
		if s.track.Observe(fouling.Value{At: end, U: s.values[len(s.values)/2], Quality: q, Shape: s.mean()}) {
			s.found, _ = s.track.Started()
		}
	}
	s.values, s.doubtful = s.values[:0], false
	s.shape, s.shaped, s.fluxed = fouling.Shape{}, 0, 0
}

// mean is the condition of the hour.
func (s *scaling) mean() fouling.Shape {
	if s.shaped < 5 {
		return fouling.Shape{}
	}
	m := fouling.Shape{Heating: s.shape.Heating / s.shaped, Brix: s.shape.Brix / s.shaped, Level: s.shape.Level / s.shaped}
	if s.fluxed >= 5 {
		m.Flux = s.shape.Flux / s.fluxed
	}
	return m
}

// Cleaned tells the scale tracker of a body that a cleaning ended at the time
// end, and works its forecast out anew as of now. It may come late: values
// since then move to the new cycle. The error says why it was refused: there is
// no such body, or end is before its running cycle.
func (c *Calculator) Cleaned(body string, end, now time.Time) error {
	for _, s := range c.sets {
		for _, b := range s.bodies {
			if b.equip.Path != body {
				continue
			}
			if err := b.scaling.track.Cleaned(end); err != nil {
				return err
			}
			b.scaling.look(now)
			return nil
		}
	}
	return words.Errorf("there is no body %q", body)
}

// cleanedTogether finds the cleanings of bodies whose own step in U is too small to
// show one, by those of most of the others at the same stop.
func (s *setView) cleanedTogether() {
	if len(s.bodies) == 0 || s.bodies[0].scaling.hour.Equal(s.compared) {
		return
	}
	s.compared = s.bodies[0].scaling.hour
	for _, b := range s.bodies {
		at, n := b.scaling.found, 0
		if at.IsZero() || b.scaling.now.Sub(at) > 48*time.Hour {
			continue
		}
		for _, o := range s.bodies {
			if f := o.scaling.found; !f.IsZero() && f.Sub(at).Abs() <= 36*time.Hour {
				n++
			}
		}
		if n < 2 || 2*n < len(s.bodies) {
			continue
		}
		for _, o := range s.bodies {
			if o.scaling.found.Sub(at).Abs() > 36*time.Hour && o.scaling.track.CleanedWith(at) {
				o.scaling.found, _ = o.scaling.track.Started()
				o.scaling.look(o.scaling.now)
			}
		}
	}
}

// difference follows the body's share of the set's temperature difference.
func (s *scaling) difference(share evaporator.Result, hours float64) {
	const memory = 24 // h
	if !share.OK() {
		return
	}
	if s.share == 0 {
		s.share = share.Value / 100
	}
	s.share += (share.Value/100 - s.share) * -math.Expm1(-hours/memory)
}

// Scale is where a body stands between two cleanings.
type Scale struct {
	Body     string             `json:"body"` // path
	Forecast fouling.Forecast   `json:"forecast"`
	Started  time.Time          `json:"started,omitzero"` // of the running cycle
	Cleaned  bool               `json:"cleaned"`          // Started is a cleaning, and not just the first value
	Cycles   []fouling.Cycle    `json:"-"`
	Depends  fouling.Dependence `json:"-"` // how U goes with the condition
	// Share of the set's temperature difference; 0: not known.
	Share float64 `json:"difference_share"`
}

// scaleOf tells where a body stands.
func (v *bodyView) scaleOf() Scale {
	t := v.scaling.track
	x := Scale{Body: v.equip.Path, Forecast: v.scaling.forecast, Cycles: t.Cycles(), Depends: t.Dependence(), Share: v.scaling.share}
	if v.scaling.shared {
		x.Forecast.Weak = append(slices.Clone(x.Forecast.Weak), fouling.Weakness{Kind: fouling.OfItsEffect})
	}
	x.Started, x.Cleaned = t.Started()
	return x
}

// Scales tells where every body of a set stands; the path of the set, or ""
// for all.
func (c *Calculator) Scales(set string) []Scale {
	var out []Scale
	for _, s := range c.sets {
		if set != "" && s.equip.Path != set {
			continue
		}
		for _, b := range s.bodies {
			out = append(out, b.scaleOf())
		}
	}
	return out
}

// weakened is a result of the forecast with what weakens it, in words.
func (v *bodyView) weakened(r evaporator.Result) evaporator.Result {
	for _, w := range v.scaling.forecast.Weak {
		r.Reason.Text = join(r.Reason.Text, w.Words())
	}
	if v.scaling.shared {
		r.Reason.Why = evaporator.Shared
	}
	return r
}

func (v *bodyView) scaleRate() evaporator.Result {
	f := &v.scaling.forecast
	if f.Status == fouling.NoData {
		return absent(noHour)
	}
	return v.weakened(value(f.RatePct, f.RateSigmaPct))
}

// scaleExcess compares the rate with that of the cycles before.
func (v *bodyView) scaleExcess() evaporator.Result {
	f := &v.scaling.forecast
	var sum float64
	n := 0
	for _, c := range v.scaling.track.Cycles() {
		if c.RatePct > 0 {
			sum += c.RatePct
			n++
		}
	}
	switch {
	case f.Status == fouling.NoData:
		return absent(noHour)
	case n < 2:
		return absent("two earlier cycles tell what is usual")
	}
	return value((f.RatePct-2*f.RateSigmaPct)*float64(n)/sum, 0)
}

func (v *bodyView) due(pick func(*fouling.Forecast) time.Time) evaporator.Result {
	f := &v.scaling.forecast
	when := pick(f)
	switch {
	case f.Status == fouling.NoData:
		return absent(noHour)
	case when.IsZero():
		return evaporator.Result{Reason: evaporator.Reason{Why: evaporator.NotInSight, Text: f.Status.Words()}}
	}
	return v.weakened(value(max(0, when.Sub(v.scaling.now).Hours()/24), 0))
}

// restored is how well the last cleaning restored the body.
func (v *bodyView) restored() evaporator.Result {
	f := &v.scaling.forecast
	switch {
	case f.Status == fouling.NoData:
		return absent(noHour)
	case f.Restored == 0:
		return absent(noCleaning)
	}
	return value(f.Restored, f.RestoredSigma)
}

func (v *bodyView) daysInService() evaporator.Result {
	at, cleaning := v.scaling.track.Started()
	switch {
	case at.IsZero():
		return absent(noHour)
	case !cleaning:
		return absent(noCleaning)
	}
	return value(max(0, v.scaling.now.Sub(at).Hours()/24), 0)
}
