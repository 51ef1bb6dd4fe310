package plant

import "time"

// The times of values are a server's word. They decide nothing unless our own
// clock bears them out: what a server sends as its present value was sampled
// within one sampling and one publishing interval of its receipt. A stamp that
// cannot be true by that is replaced by one of our own clock, value for value, so
// that no fault of a clock keeps a value from being judged. What was replaced is
// kept beside the value ([Sample.Offset]).

const (
	// StampAhead is how far a stamp may lie behind its receipt, stampLag how much
	// older it may be than sampling and publishing explain. Ours: half a scan, for
	// clocks kept by NTP; a scan, for a server that is busy.
	StampAhead = 500 * time.Millisecond
	stampLag   = time.Second
)

// PlaceStamp gives a sample that its source stamped a time by our clock, and how far
// the clock behind it is ahead. present says that it is the tag's value just now: if
// its stamp fits neither our clock, nor the offset found before, nor the server's own
// clock, it counts as of its receipt. So does every stamp from the future. span is the
// sampling and publishing interval together, last the time of the sample before; queued
// says that the source stamped that one earlier. fits says whether the stamp fits.
func PlaceStamp(stamp, received, last time.Time, before, server, span time.Duration, present, queued bool) (at time.Time, offset time.Duration, fits bool) {
	age := stamp.Sub(received)
	offset = before
	candidates := [...]time.Duration{0, server, before}
	if server < -StampAhead-stampLag {
		// Its stamps may look like such that were long under way. Right ones, of a clock
		// behind the server, look like the future by the server's.
		candidates = [...]time.Duration{server, 0, before}
	}
	for _, o := range candidates {
		if e := age - o; e <= StampAhead && e >= -(span+stampLag) {
			offset, fits = o, true
			break
		}
	}
	if !fits && (present || age-before > StampAhead) {
		offset = age
	}
	at = stamp.Add(-offset)
	if (present && at.Before(last) || queued && !at.After(last)) && last.Sub(received) <= stampLag {
		// The server's queue tells the order: the one before came late, and counts as of
		// its receipt, or the clock was set back a little.
		at = last.Add(time.Millisecond)
	}
	return at, offset, fits
}
