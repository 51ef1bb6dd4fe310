package collector

import (
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"calandria/plant"
)

const (
	skewSamples = 5 // so a jump shows after three messages
	// driftPoints are taken one a driftEvery; a step of more than driftJump begins
	// the line anew.
	driftPoints = 60
	driftLeast  = 5
	driftEvery  = time.Minute
	driftJump   = 500 * time.Millisecond
)

// clockOf is what the answers of a server tell of its clock.
type clockOf struct {
	recent []time.Duration // server's time less ours, as received
	median time.Duration   // of these
	at     []float64       // s, by our clock, one a minute
	offset []float64       // s
	last   time.Time
}

// note takes the time in an answer, received at now.
func (c *clockOf) note(stamp, now time.Time) {
	if c.recent = append(c.recent, stamp.Sub(now)); len(c.recent) > skewSamples {
		c.recent = c.recent[1:]
	}
	s := slices.Clone(c.recent)
	slices.Sort(s)
	d := s[len(s)/2]
	c.median = d
	if n := len(c.offset); n > 0 && (d-seconds(c.offset[n-1])).Abs() > driftJump {
		c.at, c.offset, c.last = nil, nil, time.Time{}
	}
	if len(c.recent) < skewSamples || now.Sub(c.last) < driftEvery {
		return
	}
	c.last = now
	c.at, c.offset = append(c.at, float64(now.UnixNano())/1e9), append(c.offset, d.Seconds())
	if len(c.at) > driftPoints {
		c.at, c.offset = c.at[1:], c.offset[1:]
	}
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// skew is the median of the last offsets; false without any.
func (c *clockOf) skew() (time.Duration, bool) { return c.median, len(c.recent) > 0 }

// drift is how the offset grows, in parts of a second a second; false before
// driftLeast minutes.
func (c *clockOf) drift() (float64, bool) {
	if len(c.at) < driftLeast {
		return 0, false
	}
	_, slope := stat.LinearRegression(c.at, c.offset, nil, false)
	return slope, true
}

// place gives a point, stamped by its source, the time by our clock
// ([plant.PlaceStamp]) and reports whether the stamp fits.
func (d *driver) place(it *item, p *plant.Point, received time.Time, present, queued bool) (fits bool) {
	if d.c.cfg.OneClock {
		return true
	}
	publish := d.c.cfg.Server.Publish
	p.Time, it.offset, fits = plant.PlaceStamp(p.Time, received, it.last, it.offset, d.clock.median, max(it.tag.Sampling, publish)+publish, present, queued)
	if it.offset != 0 {
		d.h.Counters.Misstamped++
	}
	return fits
}
