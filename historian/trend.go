package historian

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/plant/words"
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
	f, t := plant.Nanos(from), plant.Nanos(to)
	if buckets < 1 {
		return nil, fmt.Errorf("trend of %s: %d buckets; give at least 1", path, buckets)
	}
	if f >= t {
		return nil, nil
	}
	b := newRoller(f, (t-f+int64(buckets)-1)/int64(buckets))
	b.bridges = true
	unit := ""
	// How many raw samples would have to be read?
	raw := a.cold.list(kindRaw, f, t)
	var rows float64
	newest := int64(math.MinInt64)
	for _, c := range raw {
		for _, e := range c.entries(path) {
			if e.Min < t && e.Max >= f {
				rows += shareOf(e.Rows, e.Min, e.Max, f, t)
				if e.Max > newest {
					newest, unit = e.Max, e.Unit
				}
			}
		}
	}
	if now := a.Unit(path); now != unit && (rows == 0 || a.hotWithin(path, max(f, newest), t)) {
		unit = now
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
	if err := a.holdFrom(ctx, path, unit, f, len(levels) > 0, b); err != nil {
		return nil, fmt.Errorf("trend of %s: %w", path, err)
	}
	for _, p := range a.plan(path, f, t, levels, raw) {
		c := p.file
		if c == nil {
			if err := a.scan(ctx, path, p.from, p.to, func(u string, s series) error {
				if u != unit {
					b.hold(s.time[0])
					b.held = false // what was before in the wanted unit holds no longer
					return nil
				}
				s.primaries()
				b.samples(s)
				return nil
			}); err != nil {
				return nil, fmt.Errorf("trend of %s: %w", path, err)
			}
			continue
		}
		if err := c.scanRoll(ctx, p.entry, floorTo(p.from, p.period), p.to, b.add); err != nil && ctx.Err() == nil {
			// The raw values are there still, and the roll-up is made anew.
			c.note(c.head.From, c.head.To, words.Of(err))
			return a.Trend(ctx, path, from, to, buckets)
		}
	}
	c, err := a.Coverage(ctx, path)
	if err != nil {
		return nil, fmt.Errorf("trend of %s: %w", path, err)
	}
	if c.Samples > 0 && plant.Nanos(c.Last) >= t {
		b.hold(t)
	} else if b.t < t {
		t = b.t // what comes after the newest sample is not known yet
	}
	out := make([]plant.Bucket, len(b.rows))
	for i := range b.rows {
		end := b.rows[i].start + b.width
		if i == len(out)-1 {
			end = min(end, t)
		}
		out[i] = b.rows[i].bucket(end)
	}
	return out, ctx.Err()
}

// holdFrom finds the value that holds at from, at most a day old. A trend that is
// read from roll-ups does without.
func (a *Archive) holdFrom(ctx context.Context, path, unit string, from int64, rolled bool, b *roller) error {
	if rolled {
		return nil
	}
	for _, back := range []int64{nsHour, nsDay} {
		found := false
		err := a.scan(ctx, path, from-back, from, func(u string, s series) error {
			if n := s.len() - 1; n >= 0 && u == unit {
				b.t, b.v, found = from, s.value[n], true
				b.held = usable(b.v, s.status[n])
			}
			return nil
		})
		if found || err != nil {
			return err
		}
	}
	return nil
}

// piece is a stretch of a trend and where it is read: one roll-up file, or raw.
type piece struct {
	from, to int64
	file     *coldFile // nil: raw
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
				if r.head.From < c.head.To && c.head.From < r.head.To {
					newest = max(newest, r.version)
					for _, e := range r.entries(path) {
						hasRaw = hasRaw || e.Min < c.head.To && e.Max >= c.head.From
					}
				}
			}
			es := c.entries(path)
			p := piece{from: max(from, c.head.From), to: min(to, c.head.To), file: c, period: l.period}
			taken := slices.ContainsFunc(pieces, func(q piece) bool { return p.from < q.to && q.from < p.to })
			stale := newest > c.head.Sources && !onlyWithoutRaw || hasRaw && onlyWithoutRaw
			if taken || stale || len(es) == 0 || !c.sound() || a.hotWithin(path, c.head.From, c.head.To) {
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
