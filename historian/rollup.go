package historian

import (
	"context"
	"io"
	"maps"
	"math"
	"slices"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/encoding"

	"calandria/plant"
)

// rollRow is one line of a roll-up file: what a tag did in the period that
// starts at Time. Count, sum, min, max, first and last are over samples with a
// usable value (Good or Uncertain).
type rollRow struct {
	Tag   string   `parquet:"tag,dict"`
	Time  int64    `parquet:"time,timestamp(millisecond),delta"`
	Count int64    `parquet:"count,delta"`
	Bad   int64    `parquet:"bad,delta"`
	Sum   *float64 `parquet:"sum,optional,split"`
	Min   *float64 `parquet:"min,optional,split"`
	Max   *float64 `parquet:"max,optional,split"`
	First *float64 `parquet:"first,optional,split"`
	Last  *float64 `parquet:"last,optional,split"`
	Good  int64    `parquet:"good_ms,delta"` // time with a usable value, ms; a sample holds until the next
	Unit  string   `parquet:"unit,dict"`
}

// rollLevel is a kind of roll-up file.
type rollLevel struct {
	kind   string
	period int64 // ns
	// worth: kept only for a tag with at least so many samples a period; for
	// slower tags what is finer is as small.
	worth int
}

// rollLevels are the roll-ups, the finest first; each period is a multiple of the
// one before. The last one outlives the raw values.
var rollLevels = []rollLevel{
	{"rollup-1min", int64(time.Minute), 4},
	{"rollup-10min", 10 * int64(time.Minute), 4},
	{"rollup-1h", nsHour, 0},
}

var lastLevel = rollLevels[len(rollLevels)-1]

// rollAcc is a roll-up, or a bucket of a trend, while it grows.
type rollAcc struct {
	start                 int64
	count, bad            int64
	sum                   float64
	min, max, first, last float64 // NaN: no value yet
	good                  int64   // ns
	area                  float64 // value times ns, of the good time
}

// widen takes in a value, or several.
func (r *rollAcc) widen(lo, hi, first, last float64) {
	if !(r.min <= lo) { // also where it is NaN yet
		r.min = lo
	}
	if !(r.max >= hi) {
		r.max = hi
	}
	if math.IsNaN(r.first) {
		r.first = first
	}
	r.last = last
}

func (r *rollAcc) row(path, unit string) rollRow {
	out := rollRow{Tag: path, Unit: unit, Time: r.start / 1e6, Count: r.count, Bad: r.bad, Good: r.good / 1e6}
	if r.count > 0 {
		out.Sum, out.Min, out.Max, out.First, out.Last = &r.sum, &r.min, &r.max, &r.first, &r.last
	}
	return out
}

// bucket is the roll-up of a period that ends at end.
func (r *rollAcc) bucket(end int64) plant.Bucket {
	b := plant.Bucket{Start: time.Unix(0, r.start).UTC(), Count: r.count, Bad: r.bad, Min: r.min, Max: r.max, First: r.first, Last: r.last, Mean: nan}
	switch {
	case r.good > 0 && !math.IsNaN(r.area):
		b.Mean = r.area / float64(r.good)
	case r.count > 0:
		b.Mean = r.sum / float64(r.count)
	}
	switch length := end - r.start; {
	case length > 0:
		b.PercentGood = min(100, 100*float64(r.good)/float64(length))
	case r.count > 0: // the newest sample, at the very start
		b.PercentGood = 100
	}
	return b
}

// usable reports whether a sample has a value that counts.
func usable(v float64, status uint32) bool { return status>>30 < 2 && !math.IsNaN(v) }

// roller makes roll-ups of one tag, of periods from start on, from samples or finer
// roll-ups in order of time.
type roller struct {
	start, width int64
	rows         []rollAcc
	// The sample that holds, if it has a usable value.
	t    int64
	v    float64
	held bool
	// bridges: a value that holds is one of each period that it reaches.
	bridges bool
}

func newRoller(start, width int64) *roller { return &roller{start: start, width: width, v: nan} }

func (r *roller) at(t int64) *rollAcc {
	if n := len(r.rows); n == 0 || t >= r.rows[n-1].start+r.width {
		r.rows = append(r.rows, rollAcc{start: r.start + max(0, floorTo(t-r.start, r.width)), min: nan, max: nan, first: nan, last: nan})
	}
	return &r.rows[len(r.rows)-1]
}

// hold credits the time up to t to the sample that holds.
func (r *roller) hold(t int64) {
	for r.held && r.t < t {
		acc := r.at(r.t)
		r.credit(acc, min(acc.start+r.width, t))
		if r.bridges {
			acc.widen(r.v, r.v, r.v, r.v)
		}
	}
	r.t = max(r.t, t)
}

// credit gives a row the time up to t, which lies in it.
func (r *roller) credit(acc *rollAcc, t int64) {
	acc.good += t - r.t
	acc.area += r.v * float64(t-r.t)
	r.t = t
}

// samples takes in the primaries of a series.
func (r *roller) samples(s series) {
	var acc *rollAcc
	end := int64(math.MinInt64) // of the row that the sample before is in
	for i, t := range s.time {
		if t >= end {
			r.hold(t)
			acc = r.at(t)
			end = acc.start + r.width
		} else if r.held && t > r.t { // what holds is in this row already
			r.credit(acc, t)
		} else {
			r.t = max(r.t, t)
		}
		v := s.value[i]
		if r.v, r.held = v, usable(v, s.status[i]); !r.held {
			acc.bad++
			continue
		}
		acc.count++
		acc.sum += v
		acc.widen(v, v, v, v)
	}
}

// add takes in a roll-up.
func (r *roller) add(o *rollAcc) {
	if o.count == 0 && o.bad == 0 && o.good == 0 {
		return
	}
	acc := r.at(o.start)
	acc.bad += o.bad
	if o.count > 0 {
		acc.count += o.count
		acc.sum += o.sum
		acc.widen(o.min, o.max, o.first, o.last)
		r.v = o.sum / float64(o.count)
	}
	acc.good += o.good
	if o.good > 0 { // by its mean, or what held, if that is known
		acc.area += r.v * float64(o.good)
	}
	if o.count > 0 {
		r.v = o.last
	}
	r.t, r.held = math.MaxInt64, false // the time of it is in good
}

// rollUp makes or renews the roll-ups of complete months and, in the month
// that runs, of complete days.
func (a *Archive) rollUp(ctx context.Context, cutoff int64) error {
	raw := a.cold.list(kindRaw, math.MinInt64, cutoff)
	oldest := a.opt.Now().Add(-a.opt.Keep).UnixNano()
	want := map[span]uint64{} // newest raw version in it
	for _, f := range raw {
		for t := f.head.From; t < f.head.To; {
			from, to := monthOf(t)
			if to > cutoff {
				from, to = dayOf(t)
			}
			if to <= cutoff && from >= oldest {
				s := span{from, to}
				want[s] = max(want[s], f.version)
			}
			t = to
		}
	}
	for _, s := range slices.SortedFunc(maps.Keys(want), func(x, y span) int { return int(min(1, max(-1, x.from-y.from))) }) {
		have := a.cold.list(lastLevel.kind, s.from, s.to) // it is written last
		done := slices.ContainsFunc(have, func(h *coldFile) bool {
			return h.head.From == s.from && h.head.To == s.to && h.head.Sources >= want[s] && h.sound()
		})
		if done {
			continue
		}
		if err := a.rollSpan(ctx, s, want[s]); err != nil {
			return err
		}
	}
	return nil
}

// rollSpan makes the roll-ups of a span from raw files: all levels at once, each
// in place of the files inside its span.
func (a *Archive) rollSpan(ctx context.Context, s span, sources uint64) error {
	raw := a.cold.list(kindRaw, s.from, s.to)
	paths := map[string]bool{}
	for _, f := range raw {
		for _, e := range f.head.Tags {
			if e.Min < s.to && e.Max >= s.from {
				paths[e.Path] = true
			}
		}
	}
	var tables []*rowWriter[rollRow] // of each level
	var add func() error
	add = func() error {
		if len(tables) == len(rollLevels) {
			for _, path := range slices.Sorted(maps.Keys(paths)) {
				if err := a.rollTag(ctx, path, s, tables); err != nil {
					return err
				}
			}
			return nil
		}
		kind := rollLevels[len(rollLevels)-1-len(tables)].kind
		old := a.cold.list(kind, s.from, s.to)
		replaces := slices.DeleteFunc(slices.Clone(old), func(f *coldFile) bool { return f.head.From < s.from || f.head.To > s.to })
		_, err := a.cold.add(kind, fileHead{From: s.from, To: s.to, Tick: 1e6, Sources: sources}, replaces, func(w io.Writer, h *fileHead) error {
			return writeTable(w, h, func(t *rowWriter[rollRow]) error {
				tables = append([]*rowWriter[rollRow]{t}, tables...)
				return add()
			})
		})
		return err
	}
	return add()
}

// rollTag writes the roll-ups of one tag. Of one that changed its unit inside the
// span only the newer unit's are.
func (a *Archive) rollTag(ctx context.Context, path string, s span, tables []*rowWriter[rollRow]) error {
	r := newRoller(0, rollLevels[0].period)
	// What held when the span began: a sample at most a day before.
	err := a.scan(ctx, path, s.from-nsDay, s.from, func(_ string, o series) error {
		n := o.len() - 1
		r.t, r.v, r.held = s.from, o.value[n], usable(o.value[n], o.status[n])
		return nil
	})
	unit, n := "", 0
	if err == nil {
		err = a.scan(ctx, path, s.from, s.to, func(u string, o series) error {
			if u != unit && unit != "" {
				r.rows, n = nil, 0
			}
			unit = u
			o.primaries()
			n += o.len()
			r.samples(o)
			return nil
		})
	}
	if err != nil {
		return err
	}
	// The last sample holds until the next one, if there is one.
	c, err := a.Coverage(ctx, path)
	if err != nil {
		return err
	}
	if c.Samples > 0 && c.Last.UnixNano() >= s.to {
		r.hold(s.to)
	}
	for i, l := range rollLevels {
		coarse := newRoller(0, l.period)
		for k := range r.rows {
			coarse.add(&r.rows[k])
		}
		rows := coarse.rows
		if len(rows) == 0 || n < l.worth*len(rows) {
			continue
		}
		e := fileEntry{Path: path, Unit: unit, Rows: int64(len(rows)), Min: rows[0].start, Max: rows[len(rows)-1].start}
		if err := tables[i].put(e, func(k int) rollRow { return rows[k].row(path, unit) }); err != nil {
			return err
		}
	}
	return nil
}

// Columns of a roll-up file, between time and good_ms.
const (
	rcolCount = 2
	rcolSum   = 4
	rcolGood  = 9
)

// scanRoll reads the roll-ups of an entry that start in [from, to).
func (c *coldFile) scanRoll(ctx context.Context, e fileEntry, from, to int64, f func(*rollAcc)) error {
	return c.eachGroup(ctx, e, from, to, func(cols []parquet.ColumnChunk, a, b int64) (err error) {
		var times []int64
		var ints [3][]int64 // count, bad, good
		var floats [5][]float64
		if times, err = c.readTimes(cols, a, b, nil); err != nil {
			return err
		}
		for k, col := range []int{rcolCount, rcolCount + 1, rcolGood} {
			if ints[k], err = readColumn(cols[col], a, b, 0, (*encoding.Values).Int64, nil); err != nil {
				return err
			}
		}
		for k := range floats {
			if floats[k], err = readColumn(cols[rcolSum+k], a, b, nan, (*encoding.Values).Double, nil); err != nil {
				return err
			}
		}
		for i, t := range times {
			if t >= from && t < to {
				f(&rollAcc{start: t, count: ints[0][i], bad: ints[1][i], good: ints[2][i] * 1e6,
					sum: floats[0][i], min: floats[1][i], max: floats[2][i], first: floats[3][i], last: floats[4][i]})
			}
		}
		return nil
	})
}
