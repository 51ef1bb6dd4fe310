package historian

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"time"

	"calandria/plant/words"
)

const (
	nsHour = int64(time.Hour)
	nsDay  = 24 * nsHour
)

// monthMaxBytes is the size above which the files of a month stay files of a
// day: rewriting them would cost more than it saves.
const monthMaxBytes = 1 << 30

// Maintain moves segments that are full or older than Options.Hot to Parquet, merges
// small files, makes roll-ups and deletes raw files older than Options.Keep.
// Run calls it once a minute; it may also be called by hand. What could not be
// done is tried again the next time.
func (a *Archive) Maintain(ctx context.Context) error {
	if a.opt.ReadOnly {
		return fmt.Errorf("maintain archive: %w", errReadOnly)
	}
	a.maintaining.Lock()
	defer a.maintaining.Unlock()
	free := a.free()
	a.mu.Lock()
	a.health.FreePct = free
	a.mu.Unlock()
	now := a.opt.Now().UnixNano()
	cutoff := floorTo(now-int64(a.opt.Hot), nsHour)
	var errs []error
	step := func(what string, err error) {
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", what, err))
		}
	}
	a.flushing.Lock()
	if a.hot.full(now - int64(a.opt.Hot)) {
		a.hot.seal()
	}
	a.flushing.Unlock()
	step("move to Parquet", a.move())
	step("merge files", a.merge(ctx, cutoff))
	step("roll up", a.rollUp(ctx, cutoff))
	step("delete old files", a.retain(now-int64(a.opt.Keep)))
	err := errors.Join(errs...)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	a.mu.Lock()
	a.health.OK = err == nil
	if err != nil {
		a.health.LastError = err
	}
	a.mu.Unlock()
	return err
}

// monthOf returns the UTC month that contains t.
func monthOf(t int64) (from, to int64) {
	y, m, _ := time.Unix(0, t).UTC().Date()
	return time.Date(y, m, 1, 0, 0, 0, 0, time.UTC).UnixNano(), time.Date(y, m+1, 1, 0, 0, 0, 0, time.UTC).UnixNano()
}

func dayOf(t int64) (from, to int64) {
	d := floorTo(t, nsDay)
	return d, d + nsDay
}

// mergeDelay keeps late files from causing a rewrite of a month each hour.
const mergeDelay = 6 * time.Hour

// mergeGroup is a month, and whether the files are of decimals.
type mergeGroup struct {
	month   int64
	decimal bool
}

// maxDayFiles is how many files of a day that still runs are left unmerged.
const maxDayFiles = 24

// merge makes one file of the files of a complete day, and of a complete month.
// Of a day that runs it merges the small ones when they are many.
func (a *Archive) merge(ctx context.Context, cutoff int64) error {
	files := a.cold.list(kindRaw, math.MinInt64, math.MaxInt64)
	byMonth := map[mergeGroup][]*coldFile{}
	for _, f := range files {
		if !f.sound() {
			continue // it stays as it is, for a repair from a backup
		}
		m, _ := monthOf(f.head.From)
		g := mergeGroup{m, f.head.Decimal}
		byMonth[g] = append(byMonth[g], f)
	}
	months := slices.SortedFunc(maps.Keys(byMonth), func(x, y mergeGroup) int { return cmp.Compare(x.month, y.month) })
	for _, m := range months {
		group := byMonth[m]
		_, end := monthOf(m.month)
		var size int64
		for _, f := range group {
			size += f.size
		}
		if end <= cutoff && size <= monthMaxBytes {
			if len(group) > 1 && (a.mergedAt[m].IsZero() || len(group) > 24 || a.opt.Now().Sub(a.mergedAt[m]) >= mergeDelay) {
				if err := a.mergeFiles(ctx, group); err != nil {
					return err
				}
				if a.mergedAt == nil {
					a.mergedAt = map[mergeGroup]time.Time{}
				}
				a.mergedAt[m] = a.opt.Now()
			}
			continue
		}
		byDay := map[int64][]*coldFile{}
		for _, f := range group {
			if d, dend := dayOf(f.head.From); f.head.To <= dend && (dend <= cutoff || len(f.head.Replaces) == 0) {
				byDay[d] = append(byDay[d], f)
			}
		}
		for d, fs := range byDay {
			if len(fs) > maxDayFiles || len(fs) > 1 && d+nsDay <= cutoff {
				if err := a.mergeFiles(ctx, fs); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

type tagKey struct{ path, unit string }

// mergeFiles writes one file with the contents of several and puts it in
// their place. Memory is bounded by one tag.
func (a *Archive) mergeFiles(ctx context.Context, files []*coldFile) error {
	files = slices.Clone(files)
	slices.SortFunc(files, func(x, y *coldFile) int {
		if x.version < y.version {
			return -1
		}
		return 1
	})
	head := rawHead(files[0].head.Decimal)
	others := a.cold.list(kindRaw, math.MinInt64, math.MaxInt64)
	hides := hidesOf(others)
	decimals := map[tagKey]int{}
	for _, h := range hides { // kept while it hides something outside these files
		for _, o := range others {
			if !slices.Contains(files, o) && o.version < h.Version && o.head.From < h.To && h.From < o.head.To {
				head.Hides = append(head.Hides, h)
				break
			}
		}
	}
	var keys []tagKey
	for _, f := range files {
		head.From, head.To, head.Tick = min(head.From, f.head.From), max(head.To, f.head.To), min(head.Tick, f.head.Tick)
		for _, e := range f.head.Tags {
			k := tagKey{e.Path, e.Unit}
			before, ok := decimals[k]
			if !ok {
				keys = append(keys, k)
			}
			if e.Decimals != nil {
				before = max(before, *e.Decimals)
			}
			decimals[k] = before
		}
	}
	sort.Slice(keys, func(i, j int) bool {
		if keys[i].path != keys[j].path {
			return keys[i].path < keys[j].path
		}
		return keys[i].unit < keys[j].unit
	})
	var out taggedSeries
	_, err := a.cold.add(kindRaw, head, files, fillRaw(func(put func(*taggedSeries) error) error {
		for _, k := range keys {
			out.cut(0)
			out.path, out.unit, out.decimals = k.path, k.unit, decimals[k]
			for _, f := range files { // in order of version: later arrivals behind
				for _, e := range f.entries(k.path) {
					if e.Unit != k.unit {
						continue
					}
					for _, s := range shown(hides, f.version, k.path, e.Min, e.Max+1) {
						if err := f.scan(ctx, e, s.from, s.to, &out.series); err != nil {
							if ctx.Err() == nil {
								f.note(e.Min, e.Max+1, words.Of(err)) // the next time it is left out
							}
							return err
						}
					}
				}
			}
			out.tidy()
			if err := put(&out); err != nil {
				return err
			}
		}
		return nil
	}))
	return err
}

// retain deletes raw files that ended before limit.
func (a *Archive) retain(limit int64) error {
	files := a.cold.list(kindRaw, math.MinInt64, limit)
	var gone []*coldFile
	for _, f := range files {
		if f.head.To <= limit {
			gone = append(gone, f)
		}
	}
	a.cold.put(kindRaw, nil, gone)
	return nil
}
