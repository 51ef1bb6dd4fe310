package series

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"calandria/plant"
)

// Summary is the result of an aggregate for one interval, and how much of the
// interval has Good data.
type Summary struct {
	plant.Point
	PercentGood float64
}

// lookAround is how far beyond a range bounds are looked for.
const lookAround = 400 * 24 * time.Hour

// summaryStretch is how much time is worked on at once.
const summaryStretch = 7 * 24 * time.Hour

// summaries hands to f, interval by interval of [from, to), what each of the
// aggregates is there; the last interval may be shorter. Samples that were stored
// in another unit than the tag has now are left out.
func (a archive) summaries(ctx context.Context, path string, aggs []Aggregate, cfg AggregateConfig, from, to time.Time, interval time.Duration, f func(start time.Time, s []Summary) error) error {
	step := max(interval, summaryStretch/interval*interval)
	for at := from; at.Before(to); at = at.Add(step) {
		end := at.Add(step)
		if end.After(to) {
			end = to
		}
		pts, err := a.around(ctx, path, at, end, interval)
		if err != nil {
			return fmt.Errorf("aggregates of %s: %w", path, err)
		}
		good, err := Aggregates("PercentGood", cfg, pts, at, end, interval)
		if err != nil {
			return err
		}
		got := make([][]plant.Point, len(aggs))
		for k, agg := range aggs {
			if got[k], err = Aggregates(agg, cfg, pts, at, end, interval); err != nil {
				return err
			}
		}
		for i := range good {
			out := make([]Summary, len(aggs))
			for k := range aggs {
				if out[k].Point = got[k][i]; good[i].Quality.IsGood() {
					out[k].PercentGood = good[i].Value
				}
			}
			if err := f(at.Add(time.Duration(i)*interval), out); err != nil {
				return err
			}
		}
	}
	return nil
}

// around reads [from, to) and on both sides as far as the second sample that is
// Good, which is all that bounds can need.
func (a archive) around(ctx context.Context, path string, from, to time.Time, first time.Duration) ([]plant.Point, error) {
	unit := a.Unit(path)
	read := func(from, to time.Time) (pts []plant.Point, good int, err error) {
		for v, err := range a.Query(ctx, path, from, to) {
			if err != nil {
				return nil, 0, err
			}
			if v.Unit == unit {
				pts = append(pts, v.Point)
				if v.Quality.IsGood() && !math.IsNaN(v.Value) {
					good++
				}
			}
		}
		return pts, good, nil
	}
	c, err := a.Coverage(ctx, path)
	if err != nil {
		return nil, err
	}
	pts, _, err := read(from, to)
	if err != nil {
		return nil, err
	}
	for d, done := max(first, time.Hour), false; !done; d *= 8 {
		done = d >= lookAround || from.Add(-d).Before(c.First)
		before, good, err := read(from.Add(-d), from)
		if err != nil {
			return nil, err
		}
		if done = done || good > 1; done {
			pts = append(before, pts...)
		}
	}
	for d, done := max(first, time.Hour), false; !done; d *= 8 {
		done = d >= lookAround || to.Add(d).After(c.Last)
		after, good, err := read(to, to.Add(d))
		if err != nil {
			return nil, err
		}
		if done = done || good > 1; done {
			pts = append(pts, after...)
		}
	}
	return pts, nil
}

// Stepped reports whether values of the path hold until the next one, rather
// than lie on a line.
func Stepped(path string) bool {
	return dimensionOf(nil, path) == plant.State
}

// unitOfResult is the unit of an aggregate of values in a unit.
func unitOfResult(agg Aggregate, unit string) string {
	row, err := agg.find()
	if err != nil {
		return unit
	}
	return strings.ReplaceAll(aggregates[row].unit, "#", unit)
}

// flagsOf names the historian bits of a status code.
func flagsOf(code uint32) string {
	var words []string
	for _, f := range []struct {
		bit  uint32
		word string
	}{{bitCalculated, "calculated"}, {bitInterpolated, "interpolated"}, {bitPartial, "partial"}, {bitMultiple, "multiple"}} {
		if code&infoDataValue != 0 && code&f.bit != 0 {
			words = append(words, f.word)
		}
	}
	return strings.Join(words, " ")
}
