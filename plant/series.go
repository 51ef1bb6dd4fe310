package plant

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant/words"
)

// Limits of a SeriesQuery.
const (
	MaxSeriesTags   = 100
	MaxSeriesPoints = 4000
	MaxSeriesAt     = 1000
	MaxSeriesPage   = 200_000
)

// SeriesQuery says what of the archive is wanted, and how it is to be written.
// The command, the API and the pages ask with it alike. The values are those
// that were stored, or those of one of At, Aggregates and Points.
type SeriesQuery struct {
	Paths    []string
	From, To time.Time // half-open
	// At are moments, for the value at each (Interpolative of OPC 10000-13).
	At []time.Time
	// Aggregates are names of OPC 10000-13, one result for each Interval; 0: one
	// for all of the time. Whole days count by the calendar of Zone.
	Aggregates []string
	Interval   time.Duration
	// Points condenses the values for a screen: at most so many stretches of equal
	// length with Minimum, Maximum and Mean, so that no spike is lost.
	Points          int
	UncertainAsGood bool // in the percentages and bounds of aggregates
	// Versions gives every value of a time, the one that counts last.
	Versions bool

	Format  string         // csv, json, parquet, openmetrics
	Columns bool           // a column for each tag; else a row for each figure
	Zone    *time.Location // of the times that are written; nil: UTC
	Epoch   string         // s or ms: times as numbers since 1970 in JSON and CSV; else RFC 3339
	// Limit is the greatest number of figures; 0: none. Cursor goes on where
	// the answer before ended.
	Limit  int
	Cursor string
}

// QueryError says which parameter of a query cannot be, and what to write.
type QueryError struct{ Field, Problem string }

func (e *QueryError) Error() string { return e.Field + ": " + e.Problem }

// SeriesFormats are the ways to write a series.
var SeriesFormats = []string{"csv", "json", "parquet", "openmetrics"}

// Check finds what cannot be in a query.
func (q *SeriesQuery) Check() error {
	bad := func(field, format string, args ...any) error {
		return &QueryError{field, fmt.Sprintf(format, args...)}
	}
	kinds := 0
	for _, on := range []bool{len(q.At) > 0, len(q.Aggregates) > 0, q.Points > 0} {
		if on {
			kinds++
		}
	}
	switch {
	case len(q.Paths) == 0:
		return bad("tag", "name at least one")
	case len(q.Paths) > MaxSeriesTags && q.Limit > 0:
		return bad("tag", "at most %d at once", MaxSeriesTags)
	case kinds > 1:
		return bad("aggregate", "give one of aggregate, at and points")
	case len(q.At) > MaxSeriesAt:
		return bad("at", "at most %d moments", MaxSeriesAt)
	case q.Points < 0 || q.Points == 1 || q.Points > MaxSeriesPoints:
		return bad("points", "give a whole number from 2 to %d", MaxSeriesPoints)
	case len(q.At) == 0 && !q.From.Before(q.To):
		return bad("from", "it has to be before to")
	case q.Interval < 0 || q.Interval > 0 && q.Interval < time.Millisecond:
		return bad("interval", "give 1ms or more")
	case q.Interval > 0 && len(q.Aggregates) == 0:
		return bad("interval", "it needs an aggregate")
	case q.Interval > 0 && q.To.Sub(q.From)/q.Interval > 10_000_000:
		return bad("interval", "more than ten million results a tag; give a longer one")
	case q.Limit < 0 || q.Limit > MaxSeriesPage:
		return bad("limit", "give a whole number from 1 to %d", MaxSeriesPage)
	case q.Format == "openmetrics" && q.Columns:
		return bad("shape", "openmetrics has rows only")
	}
	return nil
}

// MatchPaths gives those of all that are one of wanted, once each; a * at its end stands
// for any ending. missing is the first of wanted that none is; "": there is none.
func MatchPaths(wanted, all []string) (paths []string, missing string) {
	for _, want := range wanted {
		prefix, wild := strings.CutSuffix(strings.TrimSpace(want), "*")
		found := false
		for _, p := range all {
			if p == prefix || wild && strings.HasPrefix(p, prefix) {
				if found = true; !slices.Contains(paths, p) {
					paths = append(paths, p)
				}
			}
		}
		if !found && missing == "" {
			missing = want
		}
	}
	return paths, missing
}

// ParseMoment reads a time: RFC 3339 with any offset, a date with or without a
// time of day in the zone, seconds or milliseconds since 1970, or an age such
// as 8h or 3d. The years are 1970 to 2200.
func ParseMoment(s string, zone *time.Location, now time.Time) (time.Time, error) {
	s = strings.TrimSpace(s)
	t, ok := time.Time{}, false
	if n, err := strconv.ParseFloat(s, 64); err == nil && len(s) >= 9 && n > 0 && n < 1e14 {
		if n < 1e11 { // seconds to the year 5138
			n *= 1000
		}
		t, ok = time.UnixMilli(int64(n)), true
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02"} {
		if x, err := time.ParseInLocation(layout, s, zone); err == nil && !ok {
			t, ok = x, true
		}
	}
	if d, err := ParseDuration(s); err == nil && !ok && s != "0" {
		t, ok = now.Add(-d), true
	}
	if !ok || t.Year() < 1970 || t.Year() > 2200 {
		return time.Time{}, words.Errorf("%q is neither a date (2026-11-01), nor a time (2026-11-01T06:00:00+05:30), nor seconds or milliseconds since 1970, nor an age (8h, 3d)", s)
	}
	return t.UTC(), nil
}

// Coverage says what the archive holds of a tag.
type Coverage struct {
	Path    string
	Unit    string // as described last
	Meaning string
	First   time.Time // source time of the first and last sample; zero if there is none
	Last    time.Time
	Samples int64 // raw samples held; may count one twice while it is being moved
}

// MinTime and MaxTime bound the times of samples: what fits in int64 ns, with room
// for arithmetic.
var (
	MinTime = time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)
	MaxTime = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
)

// Nanos is a time in ns since 1970, clipped to MinTime..MaxTime.
func Nanos(t time.Time) int64 {
	if t.Before(MinTime) {
		return MinTime.UnixNano()
	}
	if t.After(MaxTime) {
		return MaxTime.UnixNano()
	}
	return t.UnixNano()
}
