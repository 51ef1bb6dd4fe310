package plant

import "time"

// Rhythm is how long a reading usually stands still: an instrument that sends only
// steps stands for long while nothing moves.
type Rhythm struct{ longest, second time.Duration }

// rhythmKept is how much of the longest gaps is kept at each change, a figure of ours:
// half after some 350 changes.
const rhythmKept = 0.998

// Gap takes the time between two changes.
func (r *Rhythm) Gap(d time.Duration) {
	r.longest, r.second = time.Duration(rhythmKept*float64(r.longest)), time.Duration(rhythmKept*float64(r.second))
	if d > r.longest {
		r.longest, r.second = d, r.longest
	} else {
		r.second = max(r.second, d)
	}
}

// Usual is the time that it usually stands still at most: the longest gap but one, as
// one may have been a fault.
func (r *Rhythm) Usual() time.Duration { return r.second }
