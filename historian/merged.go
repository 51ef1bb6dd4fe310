package historian

import (
	"context"
	"fmt"
	"time"

	"calandria/plant"
)

const (
	mergedBlock  = 4096    // samples in a block
	mergedWindow = 500_000 // samples that a window may hold, as far as is known before
)

// Merged hands out the samples of many tags with from <= time < to in order of
// time, and of one time in the order of the paths: blocks of at most 4,096, whose
// Tag is the index in paths. Of several samples at one time of a tag it gives the
// primary. Samples that were stored in another unit than the tag has now are left
// out. A block is only good until f returns; an error of f ends the reading and is
// returned. Memory is bounded by the window of time that is decoded at once.
func (a *Archive) Merged(ctx context.Context, paths []string, from, to time.Time, f func([]plant.Sample) error) error {
	units := make([]string, len(paths))
	a.mu.Lock()
	for i, p := range paths {
		if e := a.tags[p]; e != nil {
			units[i] = e.unit
		}
	}
	a.mu.Unlock()
	m := merger{block: make([]plant.Sample, 0, mergedBlock), f: f}
	end := nanos(to)
	for lo := nanos(from); lo < end; {
		hi, some := a.window(paths, lo, end)
		m.reset()
		for i, p := range paths {
			if !some {
				break
			}
			begin := m.len()
			err := a.scan(ctx, p, lo, hi, func(unit string, s series) error {
				if unit == units[i] {
					s.primaries()
					m.appendSeries(s)
				}
				return nil
			})
			if err != nil {
				return fmt.Errorf("read %s from archive: %w", p, err)
			}
			if m.len() > begin {
				m.runs = append(m.runs, mergeRun{tag: plant.TagID(i), at: begin, end: m.len()})
			}
		}
		if err := m.merge(); err != nil {
			return err
		}
		lo = hi
	}
	return m.flush()
}

// window is how far from lo on samples are decoded at once, at most to end, and
// whether there may be any.
func (a *Archive) window(paths []string, lo, end int64) (hi int64, some bool) {
	hi = min(lo+nsDay, end)
	files := a.cold.list(kindRaw, lo, hi)
	defer release(files)
	for {
		rows := 0.0
		for _, c := range files {
			if c.lost != "" {
				rows++
			}
			for _, p := range paths {
				for _, e := range c.entries(p) {
					rows += shareOf(e.Rows, e.Min, e.Max, lo, hi)
				}
			}
		}
		for _, p := range paths {
			for _, e := range a.tagsOf(p) {
				if n, first, last := a.hot.extent(e.id); n > 0 {
					rows += shareOf(int64(n), first, last, lo, hi)
				}
			}
		}
		if rows <= mergedWindow || hi-lo <= int64(time.Minute) {
			return hi, rows > 0
		}
		hi = lo + (hi-lo)/2
	}
}

// shareOf is how many of n samples between first and last are in [lo, hi), if
// they come evenly.
func shareOf(n, first, last, lo, hi int64) float64 {
	return float64(n) * float64(max(0, min(last+1, hi)-max(first, lo))) / float64(last+1-first)
}

// merger merges the runs of one window.
type merger struct {
	series
	runs  []mergeRun
	tree  []int32 // loser tree over the runs
	block []plant.Sample
	f     func([]plant.Sample) error
}

type mergeRun struct {
	tag     plant.TagID
	at, end int
	next    int64 // time of the sample at; the greatest number at the end
}

func (m *merger) reset() {
	m.series.reset()
	m.runs = m.runs[:0]
}

// before reports whether run i comes before run j.
func (m *merger) before(i, j int32) bool {
	x, y := m.runs[i].next, m.runs[j].next
	return x < y || x == y && i < j
}

const noNext = int64(^uint64(0) >> 1)

// merge hands out the window. tree[1:] holds the losers of the matches of a
// knock-out tournament between the runs, tree[0] the winner (Knuth, The Art of
// Computer Programming, 5.4.1).
func (m *merger) merge() error {
	k := len(m.runs)
	if k == 0 {
		return nil
	}
	for i := range m.runs {
		m.runs[i].next = m.time[m.runs[i].at]
	}
	m.tree = append(m.tree[:0], make([]int32, k)...)
	m.tree[0] = m.play(1)
	for {
		w := m.tree[0]
		r := &m.runs[w]
		if r.next == noNext {
			return nil
		}
		m.block = append(m.block, plant.Sample{Tag: r.tag, Point: plant.Point{
			Time: time.Unix(0, r.next).UTC(), Value: m.value[r.at], Quality: plant.QualityOf(m.status[r.at])}})
		if len(m.block) == cap(m.block) {
			if err := m.flush(); err != nil {
				return err
			}
		}
		if r.at++; r.at < r.end {
			r.next = m.time[r.at]
		} else {
			r.next = noNext
		}
		for t := (int(w) + k) / 2; t > 0; t /= 2 {
			if m.before(m.tree[t], w) {
				m.tree[t], w = w, m.tree[t]
			}
		}
		m.tree[0] = w
	}
}

// play fills the tree below node t and returns the winner there; nodes from
// len(runs) on are the runs themselves.
func (m *merger) play(t int) int32 {
	k := len(m.runs)
	if t >= k {
		return int32(t - k)
	}
	x, y := m.play(2*t), m.play(2*t+1)
	if m.before(y, x) {
		x, y = y, x
	}
	m.tree[t] = y
	return x
}

func (m *merger) flush() error {
	if len(m.block) == 0 {
		return nil
	}
	err := m.f(m.block)
	m.block = m.block[:0]
	return err
}
