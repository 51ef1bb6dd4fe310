package plant

import "time"

// Rhythm is how long a reading usually stands still: an instrument that sends only
// steps stands for long while nothing moves.
type Rhythm struct {
	longest, second time.Duration
	changes         int
}

// Figures of ours. rhythmKept is how much of the longest gaps is kept at each change:
// half after some 1,400, which are some days of a refractometer that sends steps. With
// fewer than rhythmKnown the longest gaps are still to come. On four mills in models of
// their own the longest gap but one of three weeks was forgotten by the next in six cases
// at 0.998, in none at this.
const (
	rhythmKept  = 0.9995
	rhythmKnown = 300
)

// Gap takes the time between two changes.
func (r *Rhythm) Gap(d time.Duration) {
	r.longest, r.second = time.Duration(rhythmKept*float64(r.longest)), time.Duration(rhythmKept*float64(r.second))
	r.changes++
	if d > r.longest {
		r.longest, r.second = d, r.longest
	} else {
		r.second = max(r.second, d)
	}
}

// Usual is the time that it usually stands still at most: the longest gap but one, as
// one may have been a fault. While few changes are known it is taken for longer.
func (r *Rhythm) Usual() time.Duration {
	return r.second * max(1, rhythmKnown/time.Duration(max(1, r.changes)))
}
