package historian

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sort"
	"time"

	"calandria/plant"
)

// bulkRows is how many samples a BulkWriter gathers before it writes files;
// rewriteRows, how many a Rewrite does, beside the running program.
const bulkRows, rewriteRows = 4_000_000, 1_000_000

// BulkWriter fills the past: it writes big stretches of time straight into
// Parquet files, past the hot table. Samples may come in any order; those of
// one tag in order of time are cheapest. It is for one goroutine.
type BulkWriter struct {
	a        *Archive
	ctx      context.Context
	tags     map[string]*bulkTag
	rows     int
	most     int // rows
	written  int64
	progress func(samples int64)
	closed   bool
	// write stores one file; another one for a Rewrite.
	write func(head fileHead, fill fillFile) error
}

type bulkTag struct {
	entry *tagEntry
	series
}

// Bulk starts a BulkWriter. progress, if not nil, is called now and then with
// the number of samples accepted so far. Nothing can be read before Close or
// until enough has been gathered to write a file. What is filled in is forwarded
// to InfluxDB as well, if a forwarder has run on this archive before.
func (a *Archive) Bulk(ctx context.Context, progress func(samples int64)) *BulkWriter {
	w := &BulkWriter{a: a, ctx: ctx, most: bulkRows, tags: map[string]*bulkTag{}, progress: progress}
	w.write = func(head fileHead, fill fillFile) error {
		c, err := a.cold.add(kindRaw, head, nil, fill)
		if c == nil {
			return err
		}
		for _, t := range w.tags {
			if t.len() > 0 {
				n := t.len() - 1
				a.noteLast(t.entry.path, t.time[n], t.value[n], t.status[n])
			}
		}
		return a.forwarding.add(c.head.From, c.head.To)
	}
	return w
}

// Add takes samples of one path. Describe the tag first if it has a unit.
func (w *BulkWriter) Add(path string, points ...plant.Point) error {
	if w.closed {
		return errors.New("bulk write: already closed")
	}
	if w.a.opt.ReadOnly {
		return fmt.Errorf("bulk write: %w", errReadOnly)
	}
	t := w.tags[path]
	if t == nil {
		if path == "" {
			return errors.New("bulk write: the path is empty")
		}
		w.a.mu.Lock()
		e := w.a.tags[path]
		if e == nil {
			e = w.a.describe(TagInfo{Path: path})
		}
		w.a.mu.Unlock()
		t = &bulkTag{entry: e}
		w.tags[path] = t
	}
	for i := range points {
		p := &points[i]
		if p.Time.Before(plant.MinTime) || p.Time.After(plant.MaxTime) {
			return fmt.Errorf("bulk write: %s has a time outside 1900..2200: %v", path, p.Time)
		}
		v, s := settle(t.entry, *p)
		t.add(p.Time.UnixNano(), v, s)
	}
	before := w.written
	w.rows += len(points)
	w.written += int64(len(points))
	if w.progress != nil && before/100_000 != w.written/100_000 {
		w.progress(w.written)
	}
	if w.rows >= w.most {
		return w.flush()
	}
	return nil
}

// Close writes what is left. After nil everything added is durable.
func (w *BulkWriter) Close() error {
	if w.closed {
		return nil
	}
	w.closed = true
	if err := w.flush(); err != nil {
		return err
	}
	if w.progress != nil {
		w.progress(w.written)
	}
	return nil
}

// flush writes one file for each UTC month that has samples.
func (w *BulkWriter) flush() error {
	if w.rows == 0 {
		return nil
	}
	// The dictionary first, so that no file holds a tag that is not in it.
	if err := w.a.Flush(w.ctx); err != nil {
		return fmt.Errorf("bulk write: %w", err)
	}
	paths := make([]string, 0, len(w.tags))
	lo, hi := int64(math.MaxInt64), int64(math.MinInt64)
	for p, t := range w.tags {
		if t.len() == 0 {
			continue
		}
		t.tidy()
		lo, hi = min(lo, t.time[0]), max(hi, t.time[t.len()-1])
		paths = append(paths, p)
	}
	sort.Strings(paths)
	for from := lo; from <= hi; {
		if err := w.ctx.Err(); err != nil {
			return fmt.Errorf("bulk write: %w", err)
		}
		_, to := monthOf(from)
		if err := errors.Join(w.month(paths, from, to, true), w.month(paths, from, to, false)); err != nil {
			return fmt.Errorf("bulk write: %w", err)
		}
		from = to
	}
	for _, t := range w.tags {
		t.cut(0)
	}
	w.rows = 0
	return nil
}

// month writes one file with what there is of [from, to), of the tags with
// decimals or of the others.
func (w *BulkWriter) month(paths []string, from, to int64, decimal bool) error {
	return w.write(rawHead(decimal), fillRaw(func(put func(*taggedSeries) error) error {
		for _, p := range paths {
			t := w.tags[p]
			if (t.entry.decimals < exactDecimals) != decimal {
				continue
			}
			i, j := t.within(from, to)
			if err := put(&taggedSeries{path: p, unit: t.entry.unit, decimals: t.entry.decimals, series: t.slice(i, j)}); err != nil {
				return err
			}
		}
		return nil
	}))
}

// noteLast keeps the newest point of a path for Last.
func (a *Archive) noteLast(path string, t int64, v float64, status uint32) {
	p := plant.Point{Time: time.Unix(0, t).UTC(), Value: v, Quality: plant.QualityOf(status)}
	a.mu.Lock()
	defer a.mu.Unlock()
	if e := a.tags[path]; e != nil && e.last.Quality != (plant.Quality{}) && !p.Time.Before(e.last.Time) {
		e.last = p
	}
}
