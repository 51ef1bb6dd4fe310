package plant

import (
	"testing"
	"time"
)

// The forms of a time; the moments are worked out by hand from the offsets of RFC
// 3339, section 5.8, and from IST = UTC+5:30.
func TestParseMoment(t *testing.T) {
	zone := time.FixedZone("IST", 5*3600+1800)
	now := time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	for in, want := range map[string]string{
		"2026-11-01T06:00:00Z": "2026-11-01T06:00:00Z", "2026-11-01T06:00:00+05:30": "2026-11-01T00:30:00Z", "1937-01-01T12:00:27.87+00:20": "",
		"2026-11-01": "2026-10-31T18:30:00Z", "2026-11-01 06:00": "2026-11-01T00:30:00Z", "2026-11-01T06:00": "2026-11-01T00:30:00Z",
		"1793512800": "2026-11-01T06:00:00Z", "1793512800000": "2026-11-01T06:00:00Z", "1793512800.5": "2026-11-01T06:00:00.5Z",
		"8h": "2026-11-30T04:00:00Z", "3d": "2026-11-27T12:00:00Z", "": "", "yesterday": "", "-5h": "", "1e300": "", "0": "", "2026-13-01": "",
	} {
		got, err := ParseMoment(in, zone, now)
		if want == "" {
			if err == nil {
				t.Errorf("%q is taken for %v", in, got)
			}
			continue
		}
		if err != nil || got.Format(time.RFC3339Nano) != want {
			t.Errorf("%q: %v %v, want %s", in, got, err, want)
		}
	}
}

func TestSeriesQueryCheck(t *testing.T) {
	at := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	good := SeriesQuery{Paths: []string{"a"}, From: at, To: at.Add(time.Hour)}
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for field, spoil := range map[string]func(*SeriesQuery){
		"tag": func(q *SeriesQuery) { q.Paths = nil }, "from": func(q *SeriesQuery) { q.To = q.From }, "points": func(q *SeriesQuery) { q.Points = 4001 },
		"aggregate": func(q *SeriesQuery) { q.Points, q.Aggregates = 5, []string{"Count"} }, "interval": func(q *SeriesQuery) { q.Interval = time.Minute },
		"at": func(q *SeriesQuery) { q.At = make([]time.Time, MaxSeriesAt+1) }, "limit": func(q *SeriesQuery) { q.Limit = MaxSeriesPage + 1 },
		"shape": func(q *SeriesQuery) { q.Format, q.Columns = "openmetrics", true },
	} {
		q := good
		spoil(&q)
		if e, ok := q.Check().(*QueryError); !ok || e.Field != field {
			t.Errorf("%s: %v", field, q.Check())
		}
	}
}
