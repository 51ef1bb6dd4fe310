package thermo

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/thermo/evaporator"
)

// Gauge and vacuum readings count from the air outside, and the weather moves that by
// 1 to 3 kPa in days (common practice, no source). What is known of it comes from
// witnesses: the barometer; a gauge reading beside an absolute one or a thermometer of
// the same vapour; an absolute reading of a vessel that stands open to the air. A
// witness is the air plus an error of its own that hardly changes. So a Kalman filter
// holds two parts of the air, what the configured barometer is off by and the weather
// about that, and the error of each witness.
//
// Figures of ours, all one standard deviation, kPa.
const (
	airConfigured = 0.4  // a barometer_kpa that the site gave; altitude is known to 30 m
	airGuessed    = 3.0  // none given: 300 m
	airWeather    = 0.6  // about the mean of the year
	airMemory     = 36.0 // h, of the weather
	airRepeat     = 0.02 // a barometer, from minute to minute
	airBeside     = 0.3  // a pair, one block of ten minutes, with what does not average out
	airBesideK    = 0.15 // the same, of its thermometer or formula, K
	airStill      = 0.1  // an absolute reading of an open vessel, from minute to minute
	airDrift      = 0.1  // of a witness' own error in a day, as a share of it
	airGate       = 4.0  // standard deviations: a witness that jumps is not heard
	airAgain      = 72.0 // h, until its error is learned anew
	airInstrument = 0.3  // what an absolute transmitter may be off by at least
	airOpenWithin = 5.0  // of what is known: an open vessel
	airOpenFor    = 10   // minutes
	airHeard      = 6.0  // h
	airMost       = 64   // witnesses
)

// witness is one of them.
type witness struct {
	tag    plant.TagID             // read here, minute by minute; NoTag: a pair, see sharing
	open   func(*plant.Frame) bool // the vessel may be open to the air; nil: a barometer
	own    float64                 // its error, before anything is learned; 0: not known yet
	silent float64                 // h that it was not heard
	sum    float64
	n      int
	still  int     // minutes
	at     float64 // kPa at which it stands still
}

// air is the air pressure of the site.
type air struct {
	usual float64 // of the configuration
	list  []*witness
	x     []float64   // the configured off by, weather, each witness off by
	p     [][]float64 // covariance
	last  time.Time   // the last minute
	shift float64     // pressure less usual, as the frame has it
	rows  []row
}

// AirShift is the air pressure less the configured barometer, kPa: what the gauge and
// vacuum readings of the next frame are to be raised by.
func (c *Calculator) AirShift() float64 { return c.air.shift }

// begin finds the witnesses that are read here.
func (a *air) begin(c *Calculator) {
	h := c.house
	a.usual, a.rows = h.Config.Site.BarometerKPa, c.rows(h.Site)
	prior := airConfigured
	if h.Document.At("site.barometer_kpa").Line == 0 {
		prior = airGuessed
	}
	a.x, a.p = []float64{0, 0}, [][]float64{{prior * prior, 0}, {0, airWeather * airWeather}}
	read := func(e *plant.Equipment, signal string, open func(*plant.Frame) bool) {
		if id := e.Tag(signal); id != plant.NoTag && !h.Tags[id].Gauged() && (open == nil || h.Tags[id].Source == plant.Measured) {
			a.add(id, open)
		}
	}
	read(h.Site, "barometer", nil)
	for _, s := range c.sets {
		for _, b := range s.bodies {
			read(b.equip, "vapour_pressure", func(f *plant.Frame) bool { return off(f, b.inService) || on(f, b.cleaning) })
		}
	}
	for _, v := range c.pans { // one never boils at the pressure of the air
		read(v.equip, "vapour_pressure", func(*plant.Frame) bool { return true })
	}
}

// add gives a new witness its place.
func (a *air) add(tag plant.TagID, open func(*plant.Frame) bool) int {
	a.list = append(a.list, &witness{tag: tag, open: open})
	for i := range a.p {
		a.p[i] = append(a.p[i], 0)
	}
	a.x = append(a.x, 0)
	a.p = append(a.p, make([]float64, len(a.x)))
	return len(a.list) - 1
}

// step reads the witnesses and, at the end of a minute, hears them.
func (a *air) step(c *Calculator, f *plant.Frame, at time.Time) {
	if minute := at.Truncate(time.Minute); !minute.Equal(a.last) {
		a.predict(minute)
		for i, w := range a.list {
			if w.n == 0 {
				w.still = 0
				continue
			}
			mean := w.sum / float64(w.n)
			w.n, w.sum, w.still = 0, 0, w.still+1
			if math.Abs(mean-w.at) > airStill {
				w.still, w.at = 0, mean
			}
			own := c.house.Tags[w.tag].Sigma(mean)
			switch {
			case w.open == nil:
				a.hear(i, mean-a.usual, max(airRepeat, own), airRepeat, airRepeat)
			case w.still >= airOpenFor:
				a.hear(i, mean-a.usual, max(airInstrument, own), airStill, airStill)
			}
		}
		a.shift = a.x[0] + a.x[1]
	}
	for _, w := range a.list {
		if p := f.Point(w.tag); p.Usable() && (w.open == nil || w.open(f) && math.Abs(p.Value-a.usual-a.shift) < airOpenWithin+3*a.sigma()) {
			w.n, w.sum = w.n+1, w.sum+p.Value
		}
	}
	for _, r := range a.rows {
		c.store(r, r.q.site(a), at, plant.Good, "")
	}
}

// predict lets the time go by.
func (a *air) predict(at time.Time) {
	hours := max(0, at.Sub(a.last).Hours())
	if a.last.IsZero() {
		hours = 0
	}
	a.last = at
	keep := math.Exp(-hours / airMemory)
	a.x[1] *= keep
	for i := range a.p {
		a.p[1][i] *= keep
		a.p[i][1] *= keep
	}
	a.p[1][1] += airWeather * airWeather * (1 - keep*keep)
	for i, w := range a.list {
		w.silent += hours
		if v := &a.p[i+2][i+2]; *v < w.own*w.own {
			*v += hours / 24 * airDrift * airDrift * w.own * w.own
		}
	}
}

// hear takes what witness i says the air is above the usual. own is what it may be off
// by for good, once how well it is known each time, repeat how far it moves by itself
// between two times.
func (a *air) hear(i int, y, own, once, repeat float64) {
	k, w := i+2, a.list[i]
	gains := func() (hp [airMost]float64, v float64) { // H P, and H P H'
		for j := range a.x {
			hp[j] = a.p[0][j] + a.p[1][j] + a.p[k][j]
		}
		return hp, hp[0] + hp[1] + hp[k]
	}
	if w.own == 0 || w.silent > airAgain { // new, or another instrument, it seems
		for j := range a.x {
			a.p[k][j], a.p[j][k] = 0, 0
		}
		w.own, a.x[k], a.p[k][k], w.silent = own, 0, own*own, 0
	}
	hp, v := gains()
	off := y - a.x[0] - a.x[1] - a.x[k]
	if math.Abs(off) > airGate*math.Sqrt(v+repeat*repeat) {
		return
	}
	w.silent = 0
	for j := range a.x {
		gain := hp[j] / (v + once*once)
		a.x[j] += gain * off
		for l := range a.x {
			a.p[j][l] -= gain * hp[l]
		}
	}
}

// sigma is one standard deviation of the air pressure, kPa.
func (a *air) sigma() float64 { return math.Sqrt(max(0, a.p[0][0]+2*a.p[0][1]+a.p[1][1])) }

// pressure is the air pressure, and who says so.
func (a *air) pressure() evaporator.Result {
	r := value(a.usual+a.shift, a.sigma())
	heard := false
	for _, w := range a.list {
		if now := w.own > 0 && w.silent < airHeard; now && w.open == nil && w.tag != plant.NoTag {
			r.How = evaporator.Measured
			return r
		} else if now {
			heard = true
		}
	}
	r.Reason.Text = "there is no barometer: estimated from gauge readings beside absolute ones and thermometers, and from open vessels"
	if !heard {
		r.How, r.Reason.Text = evaporator.Assumed, "there is no barometer, and nothing else tells: barometer_kpa as configured"
	}
	return r
}
