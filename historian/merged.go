package historian

import (
	"context"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

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
// returned. While f works on a window of time the next one is decoded, by another
// goroutine that ends with Merged; memory is bounded by the two.
func (a *Archive) Merged(ctx context.Context, paths []string, from, to time.Time, f func([]plant.Sample) error) error {
	units := make([]string, len(paths))
	for i, p := range paths {
		units[i] = a.Unit(p)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	decoded, free := make(chan *merger), make(chan *merger, 2)
	free <- &merger{}
	free <- &merger{}
	var reading errgroup.Group
	reading.Go(func() error {
		defer close(decoded)
		end := plant.Nanos(to)
		for lo := plant.Nanos(from); lo < end; {
			hi, rows := a.window(paths, lo, end)
			var m *merger
			select {
			case m = <-free:
			case <-ctx.Done():
				return ctx.Err()
			}
			m.reset(rows)
			for i, p := range paths {
				if rows == 0 {
					break
				}
				err := a.scan(ctx, p, lo, hi, func(unit string, s series) error {
					if unit == units[i] {
						s.primaries()
						m.add(i, lo, s)
					}
					return nil
				})
				if err != nil {
					return fmt.Errorf("read %s from archive: %w", p, err)
				}
			}
			m.sort(uint64(hi - lo))
			select {
			case decoded <- m:
			case <-ctx.Done():
				return ctx.Err()
			}
			lo = hi
		}
		return nil
	})
	if err := handOut(decoded, free, f); err != nil {
		cancel()
		_ = reading.Wait() // it was told to end
		return err
	}
	return reading.Wait()
}

func handOut(decoded <-chan *merger, free chan<- *merger, f func([]plant.Sample) error) error {
	block := make([]plant.Sample, 0, mergedBlock)
	for m := range decoded {
		for _, r := range m.rows {
			block = append(block, plant.Sample{Tag: plant.TagID(r.tag), Point: plant.Point{
				Time: time.Unix(0, m.time[r.at]).UTC(), Value: m.value[r.at], Quality: plant.QualityOf(m.status[r.at])}})
			if len(block) == mergedBlock {
				if err := f(block); err != nil {
					return err
				}
				block = block[:0]
			}
		}
		free <- m
	}
	if len(block) == 0 {
		return nil
	}
	return f(block)
}

// window is how far from lo on samples are decoded at once, at most to end, and
// about how many there are.
func (a *Archive) window(paths []string, lo, end int64) (hi int64, about int) {
	hi = min(lo+nsDay, end)
	type extent struct{ rows, first, last int64 }
	var all []extent
	files := a.cold.list(kindRaw, lo, hi)
	for _, c := range files {
		if c.lost != "" {
			all = append(all, extent{1, lo, lo})
		}
		for _, p := range paths {
			for _, e := range c.entries(p) {
				all = append(all, extent{e.Rows, e.Min, e.Max})
			}
		}
	}
	for _, p := range paths {
		for _, e := range a.tagsOf(p) {
			if n, first, last := a.hot.extent(e.id); n > 0 {
				all = append(all, extent{int64(n), first, last})
			}
		}
	}
	for {
		rows := 0.0
		for _, x := range all {
			rows += shareOf(x.rows, x.first, x.last, lo, hi)
		}
		if rows <= mergedWindow || hi-lo <= int64(time.Minute) {
			return hi, int(math.Ceil(rows))
		}
		hi = lo + (hi-lo)/2
	}
}

// shareOf is how many of n samples between first and last are in [lo, hi), if
// they come evenly.
func shareOf(n, first, last, lo, hi int64) float64 {
	return float64(n) * float64(max(0, min(last+1, hi)-max(first, lo))) / float64(last+1-first)
}

// merger is the samples of one window, and their order.
type merger struct {
	series
	rows, other []mergedRow
	tick        int64 // ns: all times are multiples of it from the start of the window on
}

type mergedRow struct {
	key     uint64 // time since the start of the window
	at, tag uint32
}

func (m *merger) reset(about int) {
	m.series.cut(0)
	m.series.grow(about)
	m.rows = slices.Grow(m.rows[:0], about)
	m.rows, m.tick = m.rows[:0], int64(time.Millisecond)
}

func (m *merger) add(tag int, lo int64, s series) {
	for i, t := range s.time {
		m.rows = append(m.rows, mergedRow{uint64(t - lo), uint32(m.len() + i), uint32(tag)})
		for (t-lo)%m.tick != 0 {
			m.tick /= 1000
		}
	}
	m.appendSeries(s)
}

// sort brings the rows into the order of their keys, all below most; those of one
// key keep theirs. It is a radix sort (Knuth, The Art of Computer Programming,
// 5.2.5), by eleven bits at a time of the key in ticks.
func (m *merger) sort(most uint64) {
	const radix = 11
	for i := range m.rows {
		m.rows[i].key /= uint64(m.tick)
	}
	if cap(m.other) < len(m.rows) {
		m.other = make([]mergedRow, len(m.rows))
	}
	for shift := 0; shift < bits.Len64(most/uint64(m.tick)); shift += radix {
		var at [1 << radix]int
		for i := range m.rows {
			at[m.rows[i].key>>shift&(1<<radix-1)]++
		}
		sum := 0
		for i, n := range at {
			at[i] = sum
			sum += n
		}
		to := m.other[:len(m.rows)]
		for _, r := range m.rows {
			k := r.key >> shift & (1<<radix - 1)
			to[at[k]] = r
			at[k]++
		}
		m.rows, m.other = to, m.rows[:cap(m.rows)]
	}
}
