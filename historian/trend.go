package historian

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"calandria/plant"
)

// rawTrendRows is how many raw samples a trend reads before it turns to
// roll-ups.
const rawTrendRows = 400_000

// Trend condenses [from, to) to at most the given number of buckets, so that
// no spike is lost. Buckets without a value are left out. Long stretches of
// fast tags are read from roll-ups; then the buckets are whole periods of those
// and the first may begin before from. After raw values have been deleted the
// 1-hour roll-ups answer. Samples in another unit than the newest are left out.
func (a *Archive) Trend(ctx context.Context, path string, from, to time.Time, buckets int) ([]plant.Bucket, error) {
	f, t := nanos(from), nanos(to)
	if buckets < 1 {
		return nil, fmt.Errorf("trend of %s: %d buckets; give at least 1", path, buckets)
	}
	if f >= t {
		return nil, nil
	}
	b := &bucketer{start: f, width: (t - f + int64(buckets) - 1) / int64(buckets)}
	// How many raw samples would have to be read?
	raw := a.cold.list(kindRaw, f, t)
	defer release(raw)
	var rows float64
	newest := int64(math.MinInt64)
	for _, c := range raw {
		for _, e := range c.entries(path) {
			if e.Min < t && e.Max >= f {
				rows += shareOf(e.Rows, e.Min, e.Max, f, t)
				if e.Max > newest {
					newest, b.unit = e.Max, e.Unit
				}
			}
		}
	}
	if unit := a.unitOf(path); unit != b.unit && (rows == 0 || a.hotWithin(path, max(f, newest), t)) {
		b.unit = unit
	}
	levels := []rollLevel{}
	for _, l := range slices.Backward(rollLevels) {
		if rows > rawTrendRows && b.width >= 4*l.period {
			levels = append(levels, l)
		}
	}
	if len(levels) > 0 {
		p := levels[0].period
		b.start, b.width = floorTo(f, p), (b.width+p-1)/p*p
	}
	if err := a.holdFrom(ctx, path, f, len(levels) > 0, b); err != nil {
		return nil, fmt.Errorf("trend of %s: %w", path, err)
	}
	pieces := a.plan(path, f, t, levels, raw)
	defer func() {
		for _, p := range pieces {
			release(p.files)
		}
	}()
	for _, p := range pieces {
		if p.files == nil {
			if err := a.scan(ctx, path, p.from, p.to, b.series); err != nil {
				return nil, fmt.Errorf("trend of %s: %w", path, err)
			}
			continue
		}
		c := p.files[0]
		if err := c.scanRoll(ctx, p.entry, floorTo(p.from, p.period), p.to, b.roll); err != nil && ctx.Err() == nil {
			// The raw values are there still, and the roll-up is made anew.
			c.note(c.head.From, c.head.To, err.Error())
			return a.Trend(ctx, path, from, to, buckets)
		}
	}
	c, err := a.Coverage(ctx, path)
	if err != nil {
		return nil, fmt.Errorf("trend of %s: %w", path, err)
	}
	if c.Samples > 0 && nanos(c.Last) >= t {
		b.hold(t)
	} else if b.t < t {
		t = b.t // what comes after the newest sample is not known yet
	}
	b.close(t)
	return b.out, ctx.Err()
}

// holdFrom finds the value that holds at from, at most a day old. A trend that is
// read from roll-ups does without.
func (a *Archive) holdFrom(ctx context.Context, path string, from int64, rolled bool, b *bucketer) error {
	for _, back := range []int64{nsHour, nsDay} {
		if b.have || rolled {
			break
		}
		err := a.scan(ctx, path, from-back, from, func(unit string, s series) error {
			if n := s.len() - 1; n >= 0 && unit == b.unit {
				b.t, b.v, b.have = from, s.value[n], true
				b.usable = usable(b.v, s.status[n])
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// piece is a stretch of a trend and where it is read: one roll-up file, or raw.
type piece struct {
	from, to int64
	files    []*coldFile // held
	entry    fileEntry
	period   int64
}

// plan divides [from, to) into stretches read from roll-ups of the levels, the
// first that there is, and stretches read raw; where raw values are gone, from
// the last level.
func (a *Archive) plan(path string, from, to int64, levels []rollLevel, raw []*coldFile) (pieces []piece) {
	take := func(l rollLevel, onlyWithoutRaw bool) {
		for _, c := range a.cold.list(l.kind, from, to) {
			// A roll-up older than some raw file of its span is stale.
			newest, hasRaw := uint64(0), false
			for _, r := range raw {
				if r.overlaps(c.head.From, c.head.To) {
					newest = max(newest, r.version)
					for _, e := range r.entries(path) {
						hasRaw = hasRaw || e.Min < c.head.To && e.Max >= c.head.From
					}
				}
			}
			es := c.entries(path)
			p := piece{from: max(from, c.head.From), to: min(to, c.head.To), files: []*coldFile{c}, period: l.period}
			taken := slices.ContainsFunc(pieces, func(q piece) bool { return p.from < q.to && q.from < p.to })
			stale := newest > c.head.Sources && !onlyWithoutRaw || hasRaw && onlyWithoutRaw
			if taken || stale || len(es) == 0 || !c.sound() || a.hotWithin(path, c.head.From, c.head.To) {
				release(p.files)
				continue
			}
			p.entry = es[len(es)-1]
			pieces = append(pieces, p)
		}
	}
	for _, l := range levels {
		take(l, false)
	}
	take(lastLevel, true)
	slices.SortFunc(pieces, func(x, y piece) int { return cmp.Compare(x.from, y.from) })
	at := from
	for _, p := range slices.Clone(pieces) {
		if at < p.from {
			pieces = append(pieces, piece{from: at, to: p.from})
		}
		at = p.to
	}
	if at < to {
		pieces = append(pieces, piece{from: at, to: to})
	}
	slices.SortFunc(pieces, func(x, y piece) int { return cmp.Compare(x.from, y.from) })
	return pieces
}

// hotWithin reports whether the log has samples of a path in [from, to).
func (a *Archive) hotWithin(path string, from, to int64) bool {
	for _, e := range a.tagsOf(path) {
		if n, first, last := a.hot.extent(e.id); n > 0 && first < to && last >= from {
			s := a.hot.read(e.id, from, to)
			return s.len() > 0
		}
	}
	return false
}

// bucketer fills buckets from samples and roll-ups in order of time.
type bucketer struct {
	start, width int64
	unit         string
	out          []plant.Bucket
	index        int64
	sum, area    float64 // of the bucket: of samples, and of value times ns
	good         int64   // ns with a value
	// the sample that holds
	t            int64
	v            float64
	have, usable bool
}

func (b *bucketer) at(t int64) *plant.Bucket {
	if n := len(b.out); n == 0 || t >= b.start+(b.index+1)*b.width {
		b.close(math.MaxInt64)
		b.index = max(0, (t-b.start)/b.width)
		i := b.index
		b.out = append(b.out, plant.Bucket{Start: time.Unix(0, b.start+i*b.width).UTC(), Min: nan, Max: nan, First: nan, Last: nan, Mean: nan})
	}
	return &b.out[len(b.out)-1]
}

// close finishes the last bucket; the trend ends at end.
func (b *bucketer) close(end int64) {
	if n := len(b.out); n > 0 {
		k := &b.out[n-1]
		switch {
		case b.good > 0:
			k.Mean = b.area / float64(b.good)
		case k.Count > 0:
			k.Mean = b.sum / float64(k.Count)
		}
		from := b.start + b.index*b.width
		switch length := min(from+b.width, end) - from; {
		case length > 0:
			k.PercentGood = min(100, 100*float64(b.good)/float64(length))
		case k.Count > 0: // the newest sample, at the very start
			k.PercentGood = 100
		}
	}
	b.sum, b.area, b.good = 0, 0, 0
}

func (b *bucketer) add(k *plant.Bucket, n int64, sum, lo, hi, first, last float64) {
	if math.IsNaN(k.Min) {
		k.Min, k.Max, k.First = lo, hi, first
	}
	k.Count += n
	b.sum += sum
	k.Min, k.Max, k.Last = min(k.Min, lo), max(k.Max, hi), last
}

// hold credits the time up to t to the sample that holds.
func (b *bucketer) hold(t int64) {
	for b.have && b.usable && b.t < t {
		k := b.at(b.t)
		end := min(b.start+(b.index+1)*b.width, t)
		b.good += end - b.t
		b.area += b.v * float64(end-b.t)
		b.add(k, 0, 0, b.v, b.v, b.v, b.v)
		b.t = end
	}
	b.t = max(b.t, t)
}

func (b *bucketer) roll(r *rollAcc) {
	if r.count == 0 && r.bad == 0 && r.good == 0 {
		return
	}
	k := b.at(r.start)
	k.Bad += r.bad
	mean := b.v // it held
	if r.count > 0 {
		b.add(k, r.count, r.sum, r.min, r.max, r.first, r.last)
		mean, b.v, b.have = r.sum/float64(r.count), r.last, true
	}
	if b.have {
		b.good += r.good
		b.area += mean * float64(r.good)
	}
	b.t, b.usable = math.MaxInt64, false // the time of it is in good
}

func (b *bucketer) series(unit string, s series) error {
	if unit != b.unit {
		b.hold(s.time[0])
		b.usable = false // what was before in the wanted unit holds no longer
		return nil
	}
	s.primaries()
	for i, t := range s.time {
		b.hold(t)
		k := b.at(t)
		v := s.value[i]
		b.t, b.v, b.have, b.usable = t, v, true, usable(v, s.status[i])
		if !b.usable {
			k.Bad++
			continue
		}
		b.add(k, 1, v, v, v, v, v)
	}
	return nil
}
