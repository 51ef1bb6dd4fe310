package historian

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"
	"time"

	"calandria/plant"
)

// Value is a stored point with the unit it was stored in.
type Value struct {
	plant.Point
	Unit string
}

// Query yields the samples of a path with from <= time < to in order of time;
// of several at one time the primary. A path without samples yields nothing.
// Where a file is damaged there is one Bad_DataLost sample, and what is beside it
// is yielded: see Damage. After an error nothing more is yielded.
func (a *Archive) Query(ctx context.Context, path string, from, to time.Time) iter.Seq2[Value, error] {
	return a.query(ctx, path, from, to, true)
}

// Versions is Query with every sample at a time, the primary last.
func (a *Archive) Versions(ctx context.Context, path string, from, to time.Time) iter.Seq2[Value, error] {
	return a.query(ctx, path, from, to, false)
}

func (a *Archive) query(ctx context.Context, path string, from, to time.Time, primary bool) iter.Seq2[Value, error] {
	return func(yield func(Value, error) bool) {
		err := a.scan(ctx, path, plant.Nanos(from), plant.Nanos(to), func(unit string, s series) error {
			if primary {
				s.primaries()
			}
			for i := range s.time {
				v := Value{Unit: unit, Point: plant.Point{Time: time.Unix(0, s.time[i]).UTC(), Value: s.value[i], Quality: plant.QualityOf(s.status[i])}}
				if !yield(v, nil) {
					return errStop
				}
			}
			return nil
		})
		if err != nil && !errors.Is(err, errStop) {
			yield(Value{}, fmt.Errorf("read %s from archive: %w", path, err))
		}
	}
}

var errStop = fmt.Errorf("stopped by the reader")

// part is what one place has of a path: the log, or a file.
type part struct {
	unit     string
	min, max int64
	hot      series
	file     *coldFile // nil: hot
	entry    fileEntry
}

// order is that of arrival: files by version, the log last.
func (p *part) order() uint64 {
	if p.file == nil {
		return math.MaxUint64
	}
	return p.file.version
}

// read appends what the part has of [lo, hi).
func (p *part) read(ctx context.Context, lo, hi int64, buf *series) error {
	if p.file != nil {
		return p.file.scanPart(ctx, p.entry, max(lo, p.min), min(hi, p.max+1), buf)
	}
	x, y := p.hot.within(lo, hi)
	buf.appendSeries(p.hot.slice(x, y))
	return nil
}

// partsOf finds what there is of a path in [from, to), sorted by time.
func (a *Archive) partsOf(path string, from, to int64) (parts []part) {
	// The hot part is read first: what moves meanwhile is then seen twice and
	// merged, never missed.
	for _, e := range a.tagsOf(path) {
		s := a.hot.read(e.id, from, to)
		s.tidy()
		if n := s.len(); n > 0 {
			parts = append(parts, part{unit: e.unit, min: s.time[0], max: s.time[n-1], hot: s})
		}
	}
	files := a.cold.list(kindRaw, from, to)
	hides := hidesOf(files)
	for _, c := range files {
		if c.lost != "" { // nobody knows what it had: a mark where it begins
			p := part{unit: a.Unit(path), min: max(c.head.From, from)}
			p.max = p.min
			p.hot.add(p.min, nan, plant.BadDataLost.Code())
			parts = append(parts, p)
			continue
		}
		for _, e := range c.entries(path) {
			if e.Min < to && e.Max >= from {
				for _, s := range shown(hides, c.version, path, max(e.Min, from), min(e.Max+1, to)) {
					parts = append(parts, part{unit: e.Unit, min: s.from, max: s.to - 1, file: c, entry: e})
				}
			}
		}
	}
	sort.SliceStable(parts, func(i, j int) bool { return parts[i].min < parts[j].min })
	return parts
}

// scan hands out the samples of a path in tidy blocks in order of time. Where
// files overlap they are merged a day at a time, so that memory stays bounded
// by the busiest day. Blocks may be changed by f.
func (a *Archive) scan(ctx context.Context, path string, from, to int64, f func(unit string, s series) error) error {
	if from >= to {
		return nil
	}
	if err := a.refresh(); err != nil {
		return err
	}
	parts := a.partsOf(path, from, to)
	var buf series
	for i := 0; i < len(parts); {
		end, j := parts[i].max, i+1
		for j < len(parts) && parts[j].min <= end {
			end = max(end, parts[j].max)
			j++
		}
		block := nsDay
		if j == i+1 { // of one file, what the caches of the processor hold
			e := parts[i].entry
			block = max(nsDay, (e.Max-e.Min)/max(e.Rows, 1)*100_000)
		}
		cluster := parts[i:j]
		sort.SliceStable(cluster, func(i, j int) bool { return cluster[i].order() < cluster[j].order() })
		lo := int64(math.MaxInt64)
		for _, p := range cluster {
			lo = min(lo, p.min)
		}
		for i = j; lo <= end; {
			hi := min(floorTo(lo, block)+block, end+1)
			if err := mergeParts(ctx, cluster, lo, hi, &buf, f); err != nil {
				return err
			}
			lo = hi
		}
	}
	return nil
}

// mergeParts hands out [lo, hi) of parts in order of arrival. Where the unit
// changes inside, the samples of each unit come for themselves.
func mergeParts(ctx context.Context, parts []part, lo, hi int64, buf *series, f func(unit string, s series) error) error {
	buf.cut(0)
	unit := ""
	give := func() error {
		if buf.len() == 0 {
			return nil
		}
		buf.tidy()
		err := f(unit, *buf)
		buf.cut(0)
		return err
	}
	for k := range parts {
		p := &parts[k]
		if p.max < lo || p.min >= hi {
			continue
		}
		if unit != p.unit {
			if err := give(); err != nil {
				return err
			}
			unit = p.unit
		}
		if err := p.read(ctx, lo, hi, buf); err != nil {
			return err
		}
	}
	return give()
}

// Unit is that of a path as described last, "" for one that is not known.
func (a *Archive) Unit(path string) string {
	a.mu.Lock()
	defer a.mu.Unlock()
	if e := a.tags[path]; e != nil {
		return e.unit
	}
	return ""
}

// refresh reads what a program that runs beside has added to the log.
func (a *Archive) refresh() error {
	if !a.opt.ReadOnly || a.legacy {
		return nil
	}
	return a.hot.open()
}

// floorTo rounds t down to a multiple of d, also before 1970.
func floorTo(t, d int64) int64 {
	r := t % d
	if r < 0 {
		r += d
	}
	return t - r
}

// Last returns the newest point of a path, committed or not; false if there is
// none.
func (a *Archive) Last(ctx context.Context, path string) (plant.Point, bool, error) {
	a.mu.Lock()
	e := a.tags[path]
	if e == nil {
		a.mu.Unlock()
		return plant.Point{}, false, nil
	}
	p := e.last
	a.mu.Unlock()
	if p.Quality != (plant.Quality{}) {
		return p, true, nil
	}
	c, err := a.Coverage(ctx, path)
	if err != nil || c.Samples == 0 {
		return plant.Point{}, false, err
	}
	ok := false
	for v, err := range a.Query(ctx, path, c.Last, c.Last.Add(1)) {
		if err != nil {
			return plant.Point{}, false, err
		}
		p, ok = v.Point, true
	}
	if ok {
		a.mu.Lock()
		if e.last.Quality == (plant.Quality{}) || e.last.Time.Before(p.Time) {
			e.last = p
		}
		a.mu.Unlock()
	}
	return p, ok, nil
}

// Tags lists the tags the archive knows, by path, as described last.
func (a *Archive) Tags() []TagInfo {
	a.mu.Lock()
	defer a.mu.Unlock()
	infos := make([]TagInfo, 0, len(a.tags))
	for _, e := range a.tags {
		infos = append(infos, e.info())
	}
	sort.Slice(infos, func(i, j int) bool { return infos[i].Path < infos[j].Path })
	return infos
}

// Coverage says what is held of a path.
func (a *Archive) Coverage(ctx context.Context, path string) (plant.Coverage, error) {
	c := plant.Coverage{Path: path}
	if err := a.refresh(); err != nil {
		return c, err
	}
	lo, hi := int64(math.MaxInt64), int64(math.MinInt64)
	for _, e := range a.tagsOf(path) {
		n, first, last := a.hot.extent(e.id)
		c.Samples += int64(n)
		lo, hi = min(lo, first), max(hi, last)
	}
	a.mu.Lock()
	if e := a.tags[path]; e != nil {
		c.Unit, c.Meaning = e.unit, e.told.Meaning
	}
	a.mu.Unlock()
	files := a.cold.list(kindRaw, math.MinInt64, math.MaxInt64)
	for _, f := range files {
		for _, e := range f.entries(path) {
			c.Samples += e.Rows
			lo, hi = min(lo, e.Min), max(hi, e.Max)
		}
	}
	if c.Samples > 0 {
		c.First, c.Last = time.Unix(0, lo).UTC(), time.Unix(0, hi).UTC()
	}
	return c, nil
}

// Mark names the state of what the archive has for a query; "" while new values may
// still be among it. Bounds of aggregates are looked for far outside, so their mark
// changes with every new file.
func (a *Archive) Mark(q *plant.SeriesQuery) string {
	from, to := plant.Nanos(q.From)-nsDay, plant.Nanos(q.To)+nsDay
	if len(q.At) > 0 || slices.Contains(q.Aggregates, "AnnotationCount") || to > a.opt.Now().Add(-a.opt.Hot).UnixNano() {
		return ""
	}
	if len(q.Aggregates) > 0 {
		from, to = math.MinInt64, math.MaxInt64
	}
	h := sha256.New()
	for _, path := range q.Paths {
		if a.hotWithin(path, plant.Nanos(q.From)-nsDay, plant.Nanos(q.To)+nsDay) {
			return ""
		}
		fmt.Fprintln(h, path, a.Unit(path))
	}
	for _, kind := range coldKinds {
		files := a.cold.list(kind, from, to)
		for _, f := range files {
			fmt.Fprintln(h, f.name)
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}
