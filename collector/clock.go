package collector

import (
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"calandria/plant"
)

// The times of values are a server's word. They decide nothing unless our own
// clock bears them out: what a server sends as its present value was sampled
// within one sampling and one publishing interval of its receipt. A stamp that
// cannot be true by that is replaced by one of our own clock, value for value, so
// that no fault of a clock keeps a value from being judged. What was replaced is
// kept beside the value (plant.Sample.Offset).

const (
	// stampAhead is how far a stamp may lie behind its receipt, stampLag how much
	// older it may be than sampling and publishing explain. Ours: half a scan, for
	// clocks kept by NTP; a scan, for a server that is busy.
	stampAhead = 500 * time.Millisecond
	stampLag   = time.Second

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

// believable reports whether a stamp that lies d after its receipt can be that of
// a value sampled just now, if the clock behind it is ahead by offset.
func (it *item) believable(d, offset, publish time.Duration) bool {
	e := d - offset
	return e <= stampAhead && e >= -(max(it.tag.Sampling, publish)+publish+stampLag)
}

// place gives a point, stamped by its source, the time by our clock. present says
// that it is the tag's value just now: if its stamp fits neither our clock, nor
// what was found before, nor the server's own clock, it counts as of its receipt.
// So does every stamp from the future. The result says whether the stamp fits.
func (d *driver) place(it *item, p *plant.Point, received time.Time, present bool) bool {
	if d.c.cfg.OneClock {
		return true
	}
	publish := d.c.cfg.Server.Publish
	age := p.Time.Sub(received)
	fits := false
	for _, offset := range [...]time.Duration{0, it.offset, d.clock.median} {
		if fits = it.believable(age, offset, publish); fits {
			it.offset = offset
			break
		}
	}
	if !fits && (present || age-it.offset > stampAhead) {
		it.offset = age
	}
	p.Time = p.Time.Add(-it.offset)
	if present && p.Time.Before(it.last) && it.last.Sub(received) <= stampAhead {
		// Set back a little: the server's queue tells the order.
		p.Time = it.last.Add(time.Millisecond)
	}
	if it.offset != 0 {
		d.h.Counters.Misstamped++
	}
	return fits
}
