package engine

import (
	"cmp"
	"sync"
	"sync/atomic"
	"time"
)

// Clock is the program's own clock. It begins with the machine's and counts on by
// itself, so that somebody who sets the machine's clock neither hurries an alarm
// nor holds one back. Small differences it makes up at the pace of NTP; the rest
// is taken up by a restart.
type Clock struct {
	wall      func() time.Time
	count     func() time.Duration // since the start, by a counter that nobody sets
	simulated bool
	speed     float64 // of the demo: how often it goes round while the machine's does once

	mu    sync.Mutex
	start time.Time
	made  time.Duration // of the difference made up
	last  time.Duration
}

// slewPPM is how fast the difference is made up, millionths: as NTP does.
const slewPPM = 500

// NewClock starts a clock at the machine's time.
func NewClock() *Clock {
	start := time.Now()
	return &Clock{wall: time.Now, count: func() time.Duration { return time.Since(start) }, speed: 1, start: start.Round(0).UTC()}
}

// NewFastClock makes a clock for a simulated plant that lives faster than we do,
// and for the program that watches it. It stands at the machine's time until run is
// called.
func NewFastClock(speed float64) (c *Clock, run func()) {
	start := time.Now().Round(0).UTC()
	var began atomic.Pointer[time.Time]
	count := func() time.Duration {
		if b := began.Load(); b != nil {
			return time.Duration(float64(time.Since(*b)) * speed)
		}
		return 0
	}
	c = &Clock{wall: func() time.Time { return start.Add(count()) }, count: count, speed: speed, simulated: true, start: start}
	return c, func() { b := time.Now(); began.Store(&b) }
}

// Simulated reports whether it is that of a demo.
func (c *Clock) Simulated() bool { return c.simulated }

// Real is how long a time of this clock takes on the machine's.
func (c *Clock) Real(d time.Duration) time.Duration { return time.Duration(float64(d) / c.speed) }

// Passes is how much of this clock passes in a time of the machine's.
func (c *Clock) Passes(d time.Duration) time.Duration {
	return time.Duration(float64(d) * cmp.Or(c.speed, 1))
}

// Now is the time; any goroutine may ask.
func (c *Clock) Now() time.Time {
	now, _ := c.read()
	return now
}

// Off is how far the machine's clock is ahead of this one.
func (c *Clock) Off() time.Duration {
	now, wall := c.read()
	return wall.Sub(now)
}

func (c *Clock) read() (now, wall time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := c.count()
	wall = c.wall().Round(0).UTC()
	now = c.start.Add(n + c.made)
	most := (n - c.last) * slewPPM / 1e6
	step := min(max(wall.Sub(now), -most), most)
	c.made, c.last = c.made+step, n
	return now.Add(step), wall
}
