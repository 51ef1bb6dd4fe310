package historian

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"time"

	"github.com/parquet-go/parquet-go"
)

// rollRow is one line of a roll-up file: what a tag did in the minute or hour
// that starts at Time. Count, sum, min, max, first and last are over samples
// with a usable value (Good or Uncertain).
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

// rollPeriods of the two roll-up kinds, ns.
var rollPeriods = map[string]int64{kindMin: int64(time.Minute), kindHour: nsHour}

// rollWorth: a 1-minute roll-up is kept only for a tag with at least this many
// samples a minute; for slower tags the raw values are as small.
const rollWorth = 4

// roller makes roll-up rows of one tag from samples in order of time.
type roller struct {
	period int64
	rows   []rollAcc
	// state carried from sample to sample
	t      int64
	usable bool
	have   bool
}

// rollAcc is a roll-up while it grows.
type rollAcc struct {
	start                       int64
	count, bad                  int64
	sum, min, max, first, last_ float64
	good                        int64 // ns
}

func (r *roller) at(start int64) *rollAcc {
	if n := len(r.rows); n > 0 && r.rows[n-1].start == start {
		return &r.rows[n-1]
	}
	r.rows = append(r.rows, rollAcc{start: start, sum: 0, min: math.NaN(), max: math.NaN(), first: math.NaN(), last_: math.NaN()})
	return &r.rows[len(r.rows)-1]
}

// hold credits the time from the last sample to t.
func (r *roller) hold(t int64) {
	if !r.have || !r.usable {
		return
	}
	for r.t < t {
		start := floorTo(r.t, r.period)
		end := min(start+r.period, t)
		r.at(start).good += end - r.t
		r.t = end
	}
}

func (r *roller) sample(t int64, v float64, status uint32) {
	r.hold(t)
	acc := r.at(floorTo(t, r.period))
	usable := status>>30 < 2 && !math.IsNaN(v)
	if usable {
		if acc.count == 0 {
			acc.min, acc.max, acc.first = v, v, v
		}
		acc.count++
		acc.sum += v
		acc.min, acc.max, acc.last_ = min(acc.min, v), max(acc.max, v), v
	} else {
		acc.bad++
	}
	r.t, r.usable, r.have = t, usable, true
}

// rollUp makes or renews the roll-ups of complete months and, in the month
// that runs, of complete days.
func (a *Archive) rollUp(ctx context.Context, cutoff int64) error {
	raw := a.cold.list(kindRaw, math.MinInt64, cutoff)
	defer release(raw)
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
	spans := make([]span, 0, len(want))
	for s := range want {
		spans = append(spans, s)
	}
	sort.Slice(spans, func(i, j int) bool { return spans[i].from < spans[j].from })
	for _, s := range spans {
		have := a.cold.list(kindHour, s.from, s.to)
		done := false
		for _, h := range have {
			if h.head.From == s.from && h.head.To == s.to && h.head.Sources >= want[s] && h.sound() {
				done = true
			}
		}
		release(have)
		if done {
			continue
		}
		if err := a.rollSpan(ctx, s.from, s.to, want[s]); err != nil {
			return err
		}
	}
	return nil
}

// rollSpan makes the roll-ups of [from, to) from raw files.
func (a *Archive) rollSpan(ctx context.Context, from, to int64, sources uint64) error {
	raw := a.cold.list(kindRaw, from, to)
	paths := map[string]bool{}
	for _, f := range raw {
		for _, e := range f.head.Tags {
			if e.Min < to && e.Max >= from {
				paths[e.Path] = true
			}
		}
	}
	release(raw)
	sorted := make([]string, 0, len(paths))
	for p := range paths {
		sorted = append(sorted, p)
	}
	slices.Sort(sorted)
	// The minutes of a tag are written as they are made; the hours, which are
	// few, wait for their own file.
	type rolled struct {
		path, unit string
		rows       []rollAcc
	}
	var hours []rolled
	i := 0
	err := a.writeRolls(kindMin, from, to, sources, func() (string, string, []rollAcc, error) {
		for i < len(sorted) {
			path := sorted[i]
			i++
			unit, mins, hrs, err := a.rollTag(ctx, path, from, to)
			if err != nil {
				return "", "", nil, err
			}
			hours = append(hours, rolled{path, unit, hrs})
			if len(mins) > 0 {
				return path, unit, mins, nil
			}
		}
		return "", "", nil, nil
	})
	if err != nil {
		return err
	}
	return a.writeRolls(kindHour, from, to, sources, func() (string, string, []rollAcc, error) {
		for len(hours) > 0 {
			h := hours[0]
			hours = hours[1:]
			if len(h.rows) > 0 {
				return h.path, h.unit, h.rows, nil
			}
		}
		return "", "", nil, nil
	})
}

// rollTag makes the roll-ups of one tag; no minutes if they are not worth it.
func (a *Archive) rollTag(ctx context.Context, path string, from, to int64) (unit string, mins, hours []rollAcc, err error) {
	rm, rh := &roller{period: rollPeriods[kindMin]}, &roller{period: rollPeriods[kindHour]}
	usable, ok, err := a.stateBefore(ctx, path, from)
	if err != nil {
		return "", nil, nil, err
	}
	if ok {
		rm.t, rm.usable, rm.have = from, usable, true
		rh.t, rh.usable, rh.have = from, usable, true
	}
	n := 0
	err = a.scan(ctx, path, from, to, func(u string, s series) error {
		if u != unit && unit != "" {
			// One unit a tag and roll-up file: the newer one from here.
			rm.rows, rh.rows, n = nil, nil, 0
		}
		unit = u
		s.primaries()
		n += s.len()
		for i := range s.time {
			rm.sample(s.time[i], s.value[i], s.status[i])
			rh.sample(s.time[i], s.value[i], s.status[i])
		}
		return nil
	})
	if err != nil {
		return "", nil, nil, err
	}
	// The last sample holds until the next one, if there is one.
	later, err := a.anyAfter(ctx, path, to)
	if err != nil {
		return "", nil, nil, err
	}
	if later {
		rm.hold(to)
		rh.hold(to)
	}
	if n >= rollWorth*len(rm.rows) {
		mins = rm.rows
	}
	return unit, mins, rh.rows, nil
}

// writeRolls writes one roll-up file in place of those inside its span. next
// returns no rows after the last tag.
func (a *Archive) writeRolls(kind string, from, to int64, sources uint64, next func() (path, unit string, rows []rollAcc, err error)) error {
	old := a.cold.list(kind, from, to)
	defer release(old)
	var replaces []*coldFile
	for _, f := range old {
		if f.head.From >= from && f.head.To <= to {
			replaces = append(replaces, f)
		}
	}
	head := fileHead{From: from, To: to, Tick: 1_000_000, Sources: sources}
	_, err := a.cold.add(kind, head, replaces, func(w io.Writer, h *fileHead) (err error) {
		defer recoverTo(&err)
		pw := parquet.NewGenericWriter[rollRow](w, writerOptions()...)
		rows := make([]rollRow, 0, 4096)
		inGroup := 0
		for {
			path, unit, accs, err := next()
			if err != nil {
				return err
			}
			if len(accs) == 0 {
				break
			}
			for a := 0; a < len(accs); a += cap(rows) {
				rows = rows[:0]
				for k := a; k < min(len(accs), a+cap(rows)); k++ {
					rows = append(rows, accs[k].row(path, unit))
				}
				if _, err := pw.Write(rows); err != nil {
					return err
				}
			}
			h.Tags = append(h.Tags, fileEntry{Path: path, Unit: unit, Rows: int64(len(accs)), Min: accs[0].start, Max: accs[len(accs)-1].start})
			if inGroup += len(accs); inGroup >= groupMin {
				if err := pw.Flush(); err != nil {
					return err
				}
				inGroup = 0
			}
		}
		js, err := json.Marshal(h)
		if err != nil {
			return err
		}
		pw.SetKeyValueMetadata(indexKey, string(js))
		return pw.Close()
	})
	return err
}

func (acc *rollAcc) row(path, unit string) rollRow {
	r := rollRow{Tag: path, Unit: unit, Time: acc.start / 1_000_000, Count: acc.count, Bad: acc.bad, Good: acc.good / 1_000_000}
	if acc.count > 0 {
		r.Sum, r.Min, r.Max, r.First, r.Last = &acc.sum, &acc.min, &acc.max, &acc.first, &acc.last_
	}
	return r
}

// stateBefore says whether the last sample before t, at most a day back, is
// usable.
func (a *Archive) stateBefore(ctx context.Context, path string, t int64) (usable, ok bool, err error) {
	err = a.scan(ctx, path, t-nsDay, t, func(_ string, s series) error {
		if n := s.len(); n > 0 {
			usable, ok = s.status[n-1]>>30 < 2 && !math.IsNaN(s.value[n-1]), true
		}
		return nil
	})
	return usable, ok, err
}

// anyAfter reports whether the path has samples at or after t.
func (a *Archive) anyAfter(ctx context.Context, path string, t int64) (bool, error) {
	c, err := a.Coverage(ctx, path)
	if err != nil {
		return false, err
	}
	return c.Samples > 0 && c.Last.UnixNano() >= t, nil
}

// Columns of a roll-up file.
const (
	rcolTime  = 1
	rcolCount = 2
	rcolBad   = 3
	rcolSum   = 4
	rcolMin   = 5
	rcolMax   = 6
	rcolFirst = 7
	rcolLast  = 8
	rcolGood  = 9
)

// scanRoll reads the roll-ups of an entry that start in [from, to).
func (c *coldFile) scanRoll(ctx context.Context, e fileEntry, from, to int64, f func(*rollAcc)) (err error) {
	defer recoverTo(&err)
	return c.eachGroup(ctx, e, func(cols []parquet.ColumnChunk, a, b int64) (err error) {
		var ints [4][]int64
		for k, col := range []int{rcolTime, rcolCount, rcolBad, rcolGood} {
			if ints[k], err = readInts(cols[col], a, b, nil); err != nil {
				return fmt.Errorf("read %s: %w", c.path, err)
			}
		}
		var floats [5][]float64
		for k, col := range []int{rcolSum, rcolMin, rcolMax, rcolFirst, rcolLast} {
			if floats[k], err = readFloats(cols[col], a, b, nil); err != nil {
				return fmt.Errorf("read %s: %w", c.path, err)
			}
		}
		for i, t := range ints[0] {
			t *= 1_000_000
			if t < from || t >= to {
				continue
			}
			f(&rollAcc{start: t, count: ints[1][i], bad: ints[2][i], good: ints[3][i] * 1_000_000,
				sum: floats[0][i], min: floats[1][i], max: floats[2][i], first: floats[3][i], last_: floats[4][i]})
		}
		return nil
	})
}
