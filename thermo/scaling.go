package thermo

import (
	"fmt"
	"slices"
	"time"

	"calandria/plant"
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
	// Condition of these values: sums, and of how many.
	shape    fouling.Shape
	shaped   float64
	depends  fouling.Dependence // as of the beginning of this hour
	cleaning bool
	now      time.Time
	forecast fouling.Forecast
}

func newScaling(b *plant.BodyConfig, n *normal) (*scaling, error) {
	t, err := fouling.NewTracker(fouling.Settings{CleanU: b.CleanUWM2K / 1000, LimitRatio: b.CleaningLimit, Reference: n.reference()})
	if err != nil {
		return nil, err
	}
	return &scaling{track: t, depends: t.Dependence()}, nil
}

func (s *scaling) step(u evaporator.Result, in fouling.Shape, worst plant.Quality, cleaning, forecast bool, at time.Time) {
	if hour := at.Truncate(time.Hour); !hour.Equal(s.hour) {
		s.close(s.hour.Add(time.Hour))
		s.hour = hour
		if forecast {
			s.look(at)
		} else {
			s.depends = s.track.Dependence()
		}
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
		s.track.Observe(fouling.Value{At: end, U: s.values[len(s.values)/2], Quality: q, Shape: s.mean()})
	}
	s.values, s.doubtful = s.values[:0], false
	s.shape, s.shaped = fouling.Shape{}, 0
}

// mean is the condition of the hour.
func (s *scaling) mean() fouling.Shape {
	if s.shaped < 5 {
		return fouling.Shape{}
	}
	return fouling.Shape{Heating: s.shape.Heating / s.shaped, Brix: s.shape.Brix / s.shaped, Level: s.shape.Level / s.shaped}
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
	return fmt.Errorf("there is no body %q", body)
}

// ForecastScale works the forecasts of all bodies out anew, as of at. Step does
// it by itself once an hour.
func (c *Calculator) ForecastScale(at time.Time) {
	for _, s := range c.sets {
		for _, b := range s.bodies {
			b.scaling.look(at)
		}
	}
}

// Scale is where a body stands between two cleanings.
type Scale struct {
	Body     string // path
	Config   *plant.BodyConfig
	Forecast fouling.Forecast
	Started  time.Time // of the running cycle
	Cleaned  bool      // Started is a cleaning, and not just the first value
	Cycles   []fouling.Cycle
	Model    fouling.Model
	Known    bool // there is a model
	CleanU   float64
	Depends  fouling.Dependence // how U goes with the condition
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
			t := b.scaling.track
			x := Scale{Body: b.equip.Path, Config: b.equip.Body, Forecast: b.scaling.forecast, Cycles: t.Cycles(), CleanU: t.CleanU(), Depends: t.Dependence()}
			if u := b.b.U; u.OK() && u.How == evaporator.Assumed { // parallel bodies: one U for all of them
				x.Forecast.Note = join(x.Forecast.Note, "the scale of its effect, not of this body: "+u.Reason.String())
			}
			x.Started, x.Cleaned = t.Started()
			x.Model, x.Known = t.Model()
			out = append(out, x)
		}
	}
	return out
}

func (v *bodyView) scaleRate() evaporator.Result {
	f := v.scaling.forecast
	if f.Values == 0 && f.Cycles == 0 || f.Status == fouling.NoData || f.Status == "" {
		return absent("no hour of U since the start")
	}
	r := value(f.RatePct, f.RateSigmaPct)
	r.Reason.Text = f.Note
	return r
}

func (v *bodyView) due(pick func(fouling.Forecast) time.Time) evaporator.Result {
	f := v.scaling.forecast
	when := pick(f)
	switch {
	case f.Status == fouling.NoData || f.Status == "":
		return absent("no hour of U since the start")
	case when.IsZero():
		return evaporator.Result{Reason: evaporator.Reason{Of: "the limit is not in sight", Text: string(f.Status)}}
	}
	r := value(max(0, when.Sub(v.scaling.now).Hours()/24), 0)
	r.Reason.Text = f.Note
	return r
}

func (v *bodyView) daysInService() evaporator.Result {
	at, cleaning := v.scaling.track.Started()
	switch {
	case at.IsZero():
		return absent("no hour of U since the start")
	case !cleaning:
		return absent("no cleaning has been recorded or found yet")
	}
	return value(max(0, v.scaling.now.Sub(at).Hours()/24), 0)
}
