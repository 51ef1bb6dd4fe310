package series

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/historian"
	"calandria/plant"
)

// Figure is one figure of a series: a stored value, or what an aggregate makes
// of an interval.
type Figure struct {
	plant.Point
	Tag, Unit string
	Aggregate string // "": a stored value
	// PercentGood is how much of the interval has Good data, 0..100 %; of a stored
	// value NaN.
	PercentGood float64
	tag         int
	from        int64 // ns: a query that begins with this figure begins there
}

// Check finds what cannot be in a query, as a *plant.QueryError.
func Check(q *plant.SeriesQuery) error {
	if err := q.Check(); err != nil {
		return err
	}
	for _, name := range q.Aggregates {
		if !slices.Contains(AggregateNames(), name) {
			return &plant.QueryError{Field: "aggregate", Problem: fmt.Sprintf("%q is not known; take one of %s", name, strings.Join(AggregateNames(), ", "))}
		}
		if q.Format == "openmetrics" && unitOfResult(Aggregate(name), "x") != "x" {
			return &plant.QueryError{Field: "aggregate", Problem: name + " has another unit than the metric; openmetrics takes those with the unit of the tag"}
		}
	}
	if q.Format == "openmetrics" && (len(q.Aggregates) > 1 || q.Points > 0) {
		return &plant.QueryError{Field: "aggregate", Problem: "openmetrics takes one aggregate at a time, and no points"}
	}
	_, _, err := cursorOf(q)
	return err
}

// cursorOf is the tag and the time that the cursor of a query names; a query
// without one begins at the first tag and at From.
func cursorOf(q *plant.SeriesQuery) (tag int, from time.Time, err error) {
	if q.Cursor == "" {
		return 0, q.From, nil
	}
	first, second, _ := strings.Cut(q.Cursor, ".")
	tag, err1 := strconv.Atoi(first)
	ns, err2 := strconv.ParseInt(second, 10, 64)
	if err1 != nil || err2 != nil || tag < 0 || tag >= len(q.Paths) {
		return 0, q.From, &plant.QueryError{Field: "cursor", Problem: "not one that an answer to this query gave"}
	}
	return tag, time.Unix(0, ns).UTC(), nil
}

// archive is where the values of series come from.
type archive struct{ *historian.Archive }

// nan is no value.
var nan = math.NaN()

var errStop = errors.New("stopped by the reader")

// figures yields what a checked query asks for: tag by tag in order of time, or,
// across, all tags in order of time.
func (a archive) figures(ctx context.Context, q plant.SeriesQuery, across bool, about About) iter.Seq2[Figure, error] {
	return func(yield func(Figure, error) bool) {
		tag, from, err := cursorOf(&q)
		give := func(f Figure) error {
			if !yield(f, nil) {
				return errStop
			}
			return nil
		}
		if across {
			err = errors.Join(err, a.acrossTags(ctx, q, about, from, give))
		} else {
			for i := tag; i < len(q.Paths) && err == nil; i, from = i+1, q.From {
				err = a.ofTag(ctx, q, about, i, from, q.To, give)
			}
		}
		if err != nil && !errors.Is(err, errStop) {
			yield(Figure{}, err)
		}
	}
}

// acrossStretch is how much time of stored values is put in order at once.
const acrossStretch = 3 * time.Hour

func (a archive) acrossTags(ctx context.Context, q plant.SeriesQuery, about About, from time.Time, f func(Figure) error) error {
	if len(q.At) > 0 {
		return a.acrossOnce(ctx, q, about, from, q.To, f)
	}
	for s := from; s.Before(q.To); {
		e := q.To
		switch {
		case q.Interval > 0:
			e = s
			for n := 0; n < 1000 && e.Before(q.To); n++ {
				e = intervalEnd(&q, e)
			}
		case q.Points == 0 && len(q.Aggregates) == 0:
			e = s.Add(acrossStretch)
		}
		if e.After(q.To) {
			e = q.To
		}
		if err := a.acrossOnce(ctx, q, about, s, e, f); err != nil {
			return err
		}
		s = e
	}
	return nil
}

func (a archive) acrossOnce(ctx context.Context, q plant.SeriesQuery, about About, from, to time.Time, f func(Figure) error) error {
	var all []Figure
	for i := range q.Paths {
		if err := a.ofTag(ctx, q, about, i, from, to, func(x Figure) error { all = append(all, x); return nil }); err != nil {
			return err
		}
	}
	slices.SortStableFunc(all, func(x, y Figure) int { return cmp.Compare(x.from, y.from) })
	for _, x := range all {
		if err := f(x); err != nil {
			return err
		}
	}
	return nil
}

// intervalEnd is where the interval that begins at s ends: whole days by the
// calendar of the zone, so that a day of 23 or 25 hours is one.
func intervalEnd(q *plant.SeriesQuery, s time.Time) time.Time {
	if days := q.Interval / (24 * time.Hour); q.Zone != nil && days > 0 && q.Interval%(24*time.Hour) == 0 {
		return s.In(q.Zone).AddDate(0, 0, int(days)).UTC()
	}
	return s.Add(q.Interval)
}

// ofTag hands out the figures of one tag in [from, to).
func (a archive) ofTag(ctx context.Context, q plant.SeriesQuery, about About, tag int, from, to time.Time, f func(Figure) error) error {
	path := q.Paths[tag]
	unit := a.Unit(path)
	cfg := DefaultAggregateConfig()
	cfg.TreatUncertainAsBad, cfg.Stepped = !q.UncertainAsGood, Stepped(path)
	aggs := make([]Aggregate, len(q.Aggregates))
	for i, name := range q.Aggregates {
		aggs[i] = Aggregate(name)
	}
	if about.Notes != nil && slices.Contains(aggs, "AnnotationCount") {
		var err error
		if cfg.Annotations, err = about.Notes(ctx, path, from, to); err != nil {
			return err
		}
	}
	each := func(start time.Time, ss []Summary) error {
		for k, s := range ss {
			if err := f(Figure{Point: s.Point, Tag: path, Unit: unitOfResult(aggs[k], unit), Aggregate: string(aggs[k]), PercentGood: s.PercentGood, tag: tag, from: start.UnixNano()}); err != nil {
				return err
			}
		}
		return nil
	}
	switch {
	case len(q.At) > 0:
		aggs = []Aggregate{"Interpolative"}
		for _, t := range q.At {
			if t.Before(from) {
				continue
			}
			if err := a.summaries(ctx, path, aggs, cfg, t, t.Add(time.Millisecond), time.Millisecond, each); err != nil {
				return err
			}
		}
	case len(aggs) > 0 && q.Interval == 0:
		return a.summaries(ctx, path, aggs, cfg, from, to, to.Sub(from), each)
	case len(aggs) > 0:
		for s := from; s.Before(to); {
			e := intervalEnd(&q, s)
			step := e.Sub(s)
			for n := 0; n < 10_000 && e.Before(to) && intervalEnd(&q, e).Sub(e) == step; n++ {
				e = intervalEnd(&q, e)
			}
			if e.After(to) {
				e = to
			}
			if err := a.summaries(ctx, path, aggs, cfg, s, e, step, each); err != nil {
				return err
			}
			s = e
		}
	case q.Points > 0:
		return a.condensed(ctx, path, unit, tag, from, to, q.Points, f)
	default:
		read := a.Query
		if q.Versions {
			read = a.Versions
		}
		for v, err := range read(ctx, path, from, to) {
			if err != nil {
				return err
			}
			if err := f(Figure{Point: v.Point, Tag: path, Unit: v.Unit, PercentGood: math.NaN(), tag: tag, from: v.Time.UnixNano()}); err != nil {
				return err
			}
		}
	}
	return nil
}

// condensed hands out Minimum, Maximum and Mean of the buckets of a trend.
func (a archive) condensed(ctx context.Context, path, unit string, tag int, from, to time.Time, points int, f func(Figure) error) error {
	buckets, err := a.Trend(ctx, path, from, to, points)
	if err != nil {
		return err
	}
	for i := range buckets {
		b := &buckets[i]
		status := plant.Good
		switch {
		case math.IsNaN(b.Mean):
			status = plant.BadNoData
		case b.Bad > 0 || b.PercentGood < 99.95:
			status = plant.UncertainDataSubNormal
		}
		for _, k := range []struct {
			name string
			v    float64
		}{{"Minimum", b.Min}, {"Maximum", b.Max}, {"Mean", b.Mean}} {
			if err := f(Figure{Point: plant.Point{Time: b.Start, Value: k.v, Quality: status}, Tag: path, Unit: unit, Aggregate: k.name,
				PercentGood: b.PercentGood, tag: tag, from: b.Start.UnixNano()}); err != nil {
				return err
			}
		}
	}
	return nil
}
