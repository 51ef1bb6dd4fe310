package historian

import (
	"context"
	"fmt"
	"math"
	"sort"
	"time"
)

// Bucket is what a tag did in one column of a trend. Min, Max, First, Last and
// Mean are over usable samples and NaN where Count is 0.
type Bucket struct {
	Start       time.Time
	Min, Max    float64
	First, Last float64
	Mean        float64 // sum of samples by their number, not weighted by time
	Count       int64
	Bad         int64 // samples without a usable value: draw a gap
}

// rawTrendRows is how many raw samples a trend reads before it turns to
// roll-ups.
const rawTrendRows = 400_000

// Trend condenses [from, to) to at most the given number of buckets, so that
// no spike is lost. Buckets without any sample are left out. Long stretches of
// fast tags are read from roll-ups; then the buckets are whole minutes or
// hours and the first may begin before from. After raw values have been
// deleted the 1-hour roll-ups answer. Samples in another unit than the newest
// are left out.
func (a *Archive) Trend(ctx context.Context, path string, from, to time.Time, buckets int) ([]Bucket, error) {
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
	return b.done(), nil
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
	out          []Bucket
	sum          float64
	index        int64
}

func (b *bucketer) at(t int64) *Bucket {
	i := (t - b.start) / b.width
	if t < b.start {
		i = 0
	}
	if n := len(b.out); n == 0 || i > b.index {
		b.close()
		b.index = i
		nan := math.NaN()
		b.out = append(b.out, Bucket{Start: time.Unix(0, b.start+i*b.width).UTC(), Min: nan, Max: nan, First: nan, Last: nan, Mean: nan})
	}
	return &b.out[len(b.out)-1]
}

func (b *bucketer) close() {
	if n := len(b.out); n > 0 && b.out[n-1].Count > 0 {
		b.out[n-1].Mean = b.sum / float64(b.out[n-1].Count)
	}
	b.sum = 0
}

func (b *bucketer) add(k *Bucket, n int64, sum, lo, hi, first, last float64) {
	if k.Count == 0 {
		k.Min, k.Max, k.First = lo, hi, first
	}
	k.Count += n
	b.sum += sum
	k.Min, k.Max, k.Last = min(k.Min, lo), max(k.Max, hi), last
}

func (b *bucketer) roll(r *rollAcc) {
	if r.count == 0 && r.bad == 0 {
		return
	}
	k := b.at(r.start)
	k.Bad += r.bad
	if r.count > 0 {
		b.add(k, r.count, r.sum, r.min, r.max, r.first, r.last_)
	}
}

func (b *bucketer) series(unit string, s series) error {
	if unit != b.unit {
		return nil
	}
	s.primaries()
	for i, t := range s.time {
		k := b.at(t)
		v := s.value[i]
		if s.status[i]>>30 >= 2 || math.IsNaN(v) {
			k.Bad++
			continue
		}
		b.add(k, 1, v, v, v, v, v)
	}
	return nil
}

func (b *bucketer) done() []Bucket {
	b.close()
	return b.out
}
