package historian

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
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

// Aggregate computes an aggregate of a tag over [from, to), for each interval (0:
// for all of it) or the piece of it that is left at the end. Samples that were
// stored in another unit than the tag has now are left out.
func (a *Archive) Aggregate(ctx context.Context, path string, agg Aggregate, cfg AggregateConfig, from, to time.Time, interval time.Duration) ([]Summary, error) {
	if !from.Before(to) || interval < 0 {
		return nil, fmt.Errorf("aggregate %s of %s: the range has to end after it starts, and the interval not be negative", agg, path)
	}
	if interval == 0 {
		interval = to.Sub(from)
	}
	step := max(interval, summaryStretch/interval*interval)
	var out []Summary
	for at := from; at.Before(to); at = at.Add(step) {
		end := at.Add(step)
		if end.After(to) {
			end = to
		}
		pts, err := a.around(ctx, path, at, end, interval)
		if err != nil {
			return nil, fmt.Errorf("aggregate %s of %s: %w", agg, path, err)
		}
		got, err := Aggregates(agg, cfg, pts, at, end, interval)
		if err != nil {
			return nil, err
		}
		good, err := Aggregates(PercentGood, cfg, pts, at, end, interval)
		if err != nil {
			return nil, err
		}
		for i, p := range got {
			s := Summary{Point: p}
			if good[i].Quality.IsGood() {
				s.PercentGood = good[i].Value
			}
			out = append(out, s)
		}
	}
	return out, nil
}

// around reads [from, to) and on both sides as far as the second sample that is
// Good, which is all that bounds can need.
func (a *Archive) around(ctx context.Context, path string, from, to time.Time, first time.Duration) ([]plant.Point, error) {
	unit := a.unitOf(path)
	read := func(from, to time.Time) (pts []plant.Point, good int, err error) {
		for v, err := range a.Query(ctx, path, from, to) {
			if err != nil {
				return nil, 0, err
			}
			if v.Unit == unit {
				pts = append(pts, v.Point)
				if usableGood(v.Point) {
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
	switch agg {
	case Count, AnnotationCount, NumberOfTransitions, WorstQuality, WorstQuality2:
		return ""
	case DurationGood, DurationBad, DurationInStateZero, DurationInStateNonZero:
		return "ms"
	case PercentGood, PercentBad:
		return "%"
	case Total, Total2:
		return unit + "*s"
	case VarianceSample, VariancePopulation:
		return "(" + unit + ")^2"
	}
	return unit
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

// ExportAggregates writes an aggregate of each path as CSV: time (of the interval's
// start, or the actual one), tag, value, unit of the result, status, flags of OPC
// 10000-13 (calculated, interpolated, partial, multiple), percent of the interval
// with Good data. The error is a *DamageError if the archive is damaged there.
func (a *Archive) ExportAggregates(ctx context.Context, w io.Writer, paths []string, agg Aggregate, cfg AggregateConfig, from, to time.Time, interval time.Duration) error {
	cw := csv.NewWriter(w)
	if err := cw.Write([]string{"time", "tag", "value", "unit", "status", "flags", "percent_good"}); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	for _, path := range paths {
		cfg := cfg
		cfg.Stepped = cfg.Stepped || Stepped(path)
		sums, err := a.Aggregate(ctx, path, agg, cfg, from, to, interval)
		if err != nil {
			return fmt.Errorf("export: %w", err)
		}
		unit := csvText(unitOfResult(agg, a.unitOf(path)))
		for _, s := range sums {
			code := s.Quality.Code()
			if err := cw.Write([]string{csvTime(s.Time), csvText(path), csvValue(s.Value), unit, csvStatus(code & highBits), flagsOf(code),
				strconv.FormatFloat(s.PercentGood, 'f', 1, 64)}); err != nil {
				return fmt.Errorf("export: %w", err)
			}
		}
	}
	cw.Flush()
	if err := cw.Error(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if d := a.Damage(from, to); len(d) > 0 {
		return &DamageError{d}
	}
	return nil
}
