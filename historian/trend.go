package historian

import (
	"context"
	"fmt"
	"math"
	"sort"
	"time"

	"calandria/plant"
)

// rawTrendRows is how many raw samples a trend reads before it turns to
// roll-ups.
const rawTrendRows = 400_000

// Trend condenses [from, to) to at most the given number of buckets, so that
// no spike is lost. Buckets without a value are left out. Long stretches of
// fast tags are read from roll-ups; then the buckets are whole minutes or
// hours and the first may begin before from. After raw values have been
// deleted the 1-hour roll-ups answer. Samples in another unit than the newest
// are left out.
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
	a.mu.Lock()
	described := a.tags[path]
	a.mu.Unlock()
	if described != nil && described.unit != b.unit {
		if rows == 0 || a.hotWithin(path, max(f, newest), t) {
			b.unit = described.unit
		}
	}
	kind := ""
	if rows > rawTrendRows {
		switch {
		case b.width >= 4*rollPeriods[kindHour]:
			kind = kindHour
		case b.width >= 4*rollPeriods[kindMin]:
			kind = kindMin
		}
	}
	if kind != "" {
		p := rollPeriods[kind]
		b.start, b.width = floorTo(f, p), (b.width+p-1)/p*p
	}
	if err := a.holdFrom(ctx, path, f, kind, b); err != nil {
		return nil, fmt.Errorf("trend of %s: %w", path, err)
	}
	pieces := a.plan(path, f, t, kind, raw)
	var broken *coldFile
	var err error
	for _, p := range pieces {
		if p.file == nil {
			err = a.scan(ctx, path, p.from, p.to, b.series)
		} else if err = p.file.scanRoll(ctx, p.entry, floorTo(p.from, p.period), p.to, b.roll); err != nil && ctx.Err() == nil {
			broken = p.file
			broken.note(broken.head.From, broken.head.To, err.Error())
		}
		if err != nil {
			break
		}
	}
	for _, p := range pieces {
		if p.file != nil {
			release([]*coldFile{p.file})
		}
	}
	if broken != nil { // the raw values are there still, and the roll-up is made anew
		return a.Trend(ctx, path, from, to, buckets)
	}
	if err != nil {
		return nil, fmt.Errorf("trend of %s: %w", path, err)
	}
	later, err := a.anyAfter(ctx, path, t)
	if err != nil {
		return nil, fmt.Errorf("trend of %s: %w", path, err)
	}
	if later {
		b.hold(t)
	}
	if !later && b.t < t {
		t = b.t // what comes after the newest sample is not known yet
	}
	b.close(t)
	return b.out, nil
}

// holdFrom finds the value that holds at from, at most a day old. A trend that is
// read from roll-ups does without.
func (a *Archive) holdFrom(ctx context.Context, path string, from int64, kind string, b *bucketer) error {
	for _, back := range []int64{nsHour, nsDay} {
		if b.have || kind != "" {
			break
		}
		err := a.scan(ctx, path, from-back, from, func(unit string, s series) error {
			if n := s.len() - 1; n >= 0 && unit == b.unit {
				b.t, b.v, b.have = from, s.value[n], true
				b.usable = s.status[n]>>30 < 2 && !math.IsNaN(b.v)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// piece is a stretch of a trend and where it is read: a roll-up file, or raw.
type piece struct {
	from, to int64
	file     *coldFile
	entry    fileEntry
	period   int64
}

// plan divides [from, to) into stretches read from roll-ups of the kind (none:
// "") and stretches read raw; where raw values are gone, from 1-hour roll-ups.
// Files in pieces are held.
func (a *Archive) plan(path string, from, to int64, kind string, raw []*coldFile) []piece {
	var rolls []piece
	take := func(kind string, onlyWithoutRaw bool) {
		for _, c := range a.cold.list(kind, from, to) {
			keep := false
			// A roll-up older than some raw file of its span is stale.
			newest, hasRaw := uint64(0), false
			for _, r := range raw {
				if r.overlaps(c.head.From, c.head.To) {
					newest = max(newest, r.version)
					for _, e := range r.entries(path) {
						hasRaw = hasRaw || (e.Min < c.head.To && e.Max >= c.head.From)
					}
				}
			}
			es := c.entries(path)
			if !c.sound() {
				es = nil
			}
			fresh := newest <= c.head.Sources
			if onlyWithoutRaw {
				fresh = !hasRaw
			}
			if fresh && len(es) > 0 {
				if !a.hotWithin(path, c.head.From, c.head.To) {
					p := piece{from: max(from, c.head.From), to: min(to, c.head.To), file: c, entry: es[len(es)-1], period: rollPeriods[kind]}
					free := true
					for _, q := range rolls {
						free = free && (p.to <= q.from || q.to <= p.from)
					}
					if free {
						rolls = append(rolls, p)
						keep = true
					}
				}
			}
			if !keep {
				release([]*coldFile{c})
			}
		}
	}
	if kind != "" {
		take(kind, false)
	}
	take(kindHour, true)
	sort.Slice(rolls, func(i, j int) bool { return rolls[i].from < rolls[j].from })
	var pieces []piece
	at := from
	for _, p := range rolls {
		if at < p.from {
			pieces = append(pieces, piece{from: at, to: p.from})
		}
		pieces = append(pieces, p)
		at = p.to
	}
	if at < to {
		pieces = append(pieces, piece{from: at, to: to})
	}
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
	i := (t - b.start) / b.width
	if t < b.start {
		i = 0
	}
	if n := len(b.out); n == 0 || i > b.index {
		b.close(math.MaxInt64)
		b.index = i
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
		b.add(k, r.count, r.sum, r.min, r.max, r.first, r.last_)
		mean, b.v, b.have = r.sum/float64(r.count), r.last_, true
	}
	if b.have {
		b.good += r.good
		b.area += mean * float64(r.good)
	}
	b.t, b.usable = math.MaxInt64, false // the time of it is in good
}

func (b *bucketer) series(unit string, s series) error {
	if unit != b.unit {
		return nil
	}
	s.primaries()
	for i, t := range s.time {
		b.hold(t)
		k := b.at(t)
		v := s.value[i]
		b.t, b.v, b.have, b.usable = t, v, true, s.status[i]>>30 < 2 && !math.IsNaN(v)
		if !b.usable {
			k.Bad++
			continue
		}
		b.add(k, 1, v, v, v, v, v)
	}
	return nil
}
