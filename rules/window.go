package rules

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

const (
	windowSlices = 60
	minWindow    = time.Second
	maxWindow    = 31 * 24 * time.Hour

	// A window value is bad below minCover and uncertain below fullCover.
	minCover  = 0.5
	fullCover = 0.9
)

type windowKind uint8

const (
	windowAvg windowKind = iota
	windowMin
	windowMax
	windowStd
	windowDelta
	windowSlope
)

var windowFunctions = map[string]windowKind{
	"avg": windowAvg, "min_over": windowMin, "max_over": windowMax,
	"std": windowStd, "delta": windowDelta, "slope": windowSlope,
}

var windowWords = [...]words.Text{"average of %s over %s", "lowest %s in %s", "highest %s in %s",
	"standard deviation of %s over %s", "change of %s in %s", "slope of %s over %s, an hour"}

// slice is one sixtieth of a window: the integrals over the time in which the
// held value was usable.
type slice struct {
	good     float64 // s
	sum, sq  float64 // of (value - ref) and its square, weighted by time
	low      float64
	high     float64
	begin    float64 // value held when the slice began; NaN if there was none
	seen     bool    // low and high are set
	doubtful bool    // an uncertain value stood in it
}

// window looks back over the recent past of one tag.
type window struct {
	tag    plant.TagID
	path   string
	length time.Duration
	step   int64 // ns of a slice

	started bool
	at      int64 // ns up to which the slices are filled
	slot    int64 // number of the newest slice: at / step
	held    plant.Point
	ref     float64 // taken off values before squaring, against cancellation
	hasRef  bool
	ring    [windowSlices + 2]slice

	// What the slices strictly between the oldest and the newest come to: it
	// changes only when a new slice begins. It is put together from groups of slices
	// that lie wholly between them.
	inner            slice                              `state:"-"`
	innerOf, innerTo int64                              `state:"-"`
	hasInner         bool                               `state:"-"`
	groups           [windowSlices/group + 2]sliceGroup `state:"-"`
}

// group is how many slices make one.
const group = 8

// sliceGroup is what the slices of one group come to.
type sliceGroup struct {
	slice
	of    int64 // number of its first slice / group
	known bool
}

func newWindow(tag plant.TagID, path string, length time.Duration) *window {
	w := &window{tag: tag, path: path, length: length, step: int64(length) / windowSlices}
	for i := range w.ring {
		w.ring[i].begin = math.NaN()
	}
	return w
}

// floorDiv rounds toward minus infinity, so that times before 1970 work.
func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

func (w *window) slice(slot int64) *slice {
	n := int64(len(w.ring))
	return &w.ring[((slot%n)+n)%n]
}

func (w *window) usable() bool { return w.held.Usable() && !math.IsInf(w.held.Value, 0) }

func (w *window) open(slot int64) {
	s := w.slice(slot)
	*s = slice{begin: math.NaN()}
	w.slot = slot
	if w.usable() {
		s.begin = w.held.Value
		s.note(w.held.Value, w.held.Quality)
	}
}

func (s *slice) note(v float64, q plant.Quality) {
	if !s.seen {
		s.low, s.high, s.seen = v, v, true
	}
	s.low, s.high = min(s.low, v), max(s.high, v)
	s.doubtful = s.doubtful || !q.IsGood()
}

// join adds a part of another slice.
func (s *slice) join(o *slice, part float64) {
	s.good += part * o.good
	s.sum += part * o.sum
	s.sq += part * o.sq
	s.doubtful = s.doubtful || o.doubtful
	if !o.seen {
		return
	}
	if !s.seen {
		s.low, s.high, s.seen = o.low, o.high, true
		return
	}
	if o.low < s.low { // min and max, which see to NaN, take three times as long
		s.low = o.low
	}
	if o.high > s.high {
		s.high = o.high
	}
}

// advance lets the held value stand until the moment to.
func (w *window) advance(to int64) {
	if !w.started || to <= w.at {
		return
	}
	if to-w.at > int64(w.length)+2*w.step {
		w.hasInner, w.groups = false, [len(w.groups)]sliceGroup{}
		// A long silence: only the part that the window still sees matters.
		w.at = to - int64(w.length) - 2*w.step
		w.open(floorDiv(w.at, w.step))
		for i := range w.ring {
			if s := &w.ring[i]; s != w.slice(w.slot) {
				*s = slice{begin: math.NaN()}
			}
		}
	}
	for w.at < to {
		end := min((w.slot+1)*w.step, to)
		if w.usable() {
			s, dt, v := w.slice(w.slot), float64(end-w.at)/1e9, w.held.Value-w.ref
			s.good += dt
			s.sum += v * dt
			s.sq += v * v * dt
			s.note(w.held.Value, w.held.Quality)
		}
		w.at = end
		if end == (w.slot+1)*w.step {
			w.open(w.slot + 1)
		}
	}
}

// add takes a sample; one older than the newest sample is ignored. A sample
// that was on its way while a scan looked at the window counts from that scan.
func (w *window) add(p plant.Point) {
	t := p.Time.UnixNano()
	if w.started && p.Time.Before(w.held.Time) {
		return
	}
	if !w.started {
		w.started, w.at = true, t
		w.held = p
		w.anchor()
		w.open(floorDiv(t, w.step))
		return
	}
	w.advance(t)
	w.held = p
	w.anchor()
	if w.usable() {
		s := w.slice(w.slot)
		s.note(p.Value, p.Quality)
		if math.IsNaN(s.begin) {
			s.begin = p.Value
		}
	}
}

func (w *window) anchor() {
	if !w.hasRef && w.usable() {
		w.ref, w.hasRef = w.held.Value, true
	}
}

// between is what the slices from one to another, which is left out, come to.
func (w *window) between(from, to int64) (all slice) {
	for k := from; k < to; {
		if k%group != 0 || k+group > to {
			all.join(w.slice(k), 1)
			k++
			continue
		}
		n := k / group
		g := &w.groups[uint64(n)%uint64(len(w.groups))]
		if !g.known || g.of != n {
			*g = sliceGroup{of: n, known: true}
			for i := range int64(group) {
				g.join(w.slice(k+i), 1)
			}
		}
		all.join(&g.slice, 1)
		k += group
	}
	return all
}

// value works one function of the window out at a moment.
func (w *window) value(kind windowKind, now time.Time) (float64, plant.Quality) {
	if !w.started {
		return math.NaN(), plant.BadWaitingForInitial
	}
	w.advance(now.UnixNano())
	from := w.at - int64(w.length)
	first := floorDiv(from, w.step)
	// Of the oldest slice only a part lies inside.
	part := 1 - float64(from-first*w.step)/float64(w.step)
	if !w.hasInner || w.innerOf != first || w.innerTo != w.slot {
		w.inner = w.between(first+1, w.slot)
		w.innerOf, w.innerTo, w.hasInner = first, w.slot, true
	}
	all := w.inner
	all.join(w.slice(first), part)
	if w.slot != first {
		all.join(w.slice(w.slot), 1)
	}
	good, total, sq, low, high := all.good, all.sum, all.sq, all.low, all.high
	cover := good / w.length.Seconds()
	if !all.seen || cover < minCover {
		return math.NaN(), plant.BadNoData
	}
	q := plant.Good
	if all.doubtful || cover < fullCover {
		q = plant.UncertainSubNormal
	}
	switch kind {
	case windowMin:
		return low, q
	case windowMax:
		return high, q
	case windowStd:
		mean := total / good
		return math.Sqrt(max(0, sq/good-mean*mean)), q
	case windowDelta:
		if !w.usable() {
			return math.NaN(), w.held.Quality
		}
		then := w.slice(first).begin
		if next := w.slice(first + 1).begin; !math.IsNaN(next) && !math.IsNaN(then) {
			then += (1 - part) * (next - then)
		}
		if math.IsNaN(then) {
			return math.NaN(), plant.BadNoData
		}
		return w.held.Value - then, q
	case windowSlope:
		return w.slope(first, q)
	}
	return w.ref + total/good, q
}

// slope fits a straight line to the means of the slices, each weighted by its
// good time; per hour.
func (w *window) slope(first int64, q plant.Quality) (float64, plant.Quality) {
	var n, sx, sy, sxx, sxy float64
	for k := first; k <= w.slot; k++ {
		s := w.slice(k)
		if s.good <= 0 {
			continue
		}
		end := min((k+1)*w.step, w.at)
		x := (float64(k*w.step-first*w.step) + float64(end-k*w.step)/2) / float64(time.Hour)
		y := s.sum / s.good
		n += s.good
		sx += s.good * x
		sy += s.good * y
		sxx += s.good * x * x
		sxy += s.good * x * y
	}
	d := n*sxx - sx*sx
	if !(d > 0) {
		return math.NaN(), plant.BadNoData
	}
	return (n*sxy - sx*sy) / d, q
}

// tracker keeps when a tag last changed its value.
type tracker struct {
	tag    plant.TagID
	path   string
	seen   bool
	sure   bool // a change was seen, so since is exact
	value  float64
	since  time.Time
	rhythm plant.Rhythm
	latest plant.Quality
}

func (t *tracker) add(p plant.Point) {
	t.latest = p.Quality
	if !p.Usable() {
		return
	}
	switch {
	case !t.seen:
		t.seen, t.value, t.since = true, p.Value, p.Time
	case math.Abs(p.Value-t.value) > plant.SameWithin*math.Max(1, math.Abs(t.value)):
		if t.sure {
			t.rhythm.Gap(p.Time.Sub(t.since))
		}
		t.sure, t.value, t.since = true, p.Value, p.Time
	}
}

// standsStill is how many times its usual longest gap a reading may stand still: a
// figure of ours.
const standsStill = 3

// unchanged is the time since the last change, s, 0 within the rhythm of the tag: three
// times as long as it usually stands still. Until a first change has been seen it is
// the least it can be, and uncertain.
func (t *tracker) unchanged(at time.Time) (float64, plant.Quality) {
	switch {
	case t.latest.IsBad():
		return math.NaN(), t.latest
	case !t.seen:
		return math.NaN(), plant.BadWaitingForInitial
	case !t.sure:
		return max(0, at.Sub(t.since).Seconds()), plant.UncertainInitialValue
	}
	still := at.Sub(t.since)
	if still < standsStill*t.rhythm.Usual() {
		still = 0
	}
	return max(0, still.Seconds()), t.latest
}
