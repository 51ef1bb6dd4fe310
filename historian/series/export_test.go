package series

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"

	"calandria/historian"
	"calandria/plant"
)

// The tables of OPC 10000-13 once more, with the example series in an archive:
// what is read around the range gives the bounds that the standard wants.
func TestArchiveAggregatesPart13(t *testing.T) {
	data := loadPart13(t)
	a := openTest(t, t.TempDir(), clock(t, "12:10:00"))
	for name, raw := range data.Raw {
		var recs []plant.Record
		for _, p := range raw.Points {
			recs = append(recs, plant.Record{Path: "A." + name, Point: plant.Point{Time: clock(t, p.T), Value: number(t, p.Value), Quality: plant.QualityOf(statusNamed(t, p.Status))}})
		}
		if err := a.Append(recs); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	rows := 0
	for _, tab := range data.Tables {
		var got []Summary
		from, to := clock(t, tab.Start), clock(t, tab.End)
		interval := time.Duration(tab.Interval) * time.Millisecond
		if interval == 0 {
			interval = to.Sub(from)
		}
		err := archive{a}.summaries(context.Background(), "A."+tab.Historian, []Aggregate{Aggregate(tab.Aggregate)}, data.Raw[tab.Historian].Config,
			from, to, interval, func(_ time.Time, s []Summary) error { got = append(got, s...); return nil })
		if err != nil || len(got) != len(tab.Rows) {
			t.Fatalf("%s: %d results, want %d: %v", tab.ID, len(got), len(tab.Rows), err)
		}
		average := func(agg Aggregate) (ps []plant.Point) {
			err := archive{a}.summaries(context.Background(), "A."+tab.Historian, []Aggregate{agg}, data.Raw[tab.Historian].Config, from, to, interval,
				func(_ time.Time, s []Summary) error { ps = append(ps, s[0].Point); return nil })
			if err != nil {
				t.Fatal(err)
			}
			return ps
		}
		for i, r := range tab.Rows {
			rows++
			if !r.is(t, got[i].Point, &tab, average) {
				t.Errorf("%s %s: got %v %08X, want %v %s", tab.ID, r.T, got[i].Value, got[i].Quality.Code(), r.Value, r.Status)
			}
		}
	}
	t.Logf("%d rows asserted", rows)
}

// A month of a ramp in stretches: every mean is known without the archive.
func TestExportAggregates(t *testing.T) {
	a := openTest(t, t.TempDir(), at(1e7))
	if err := a.Describe(historian.TagInfo{Path: "EV.EV1.vapour_pressure", Unit: "kPa"}); err != nil {
		t.Fatal(err)
	}
	w := a.Bulk(context.Background(), nil)
	for i := range 30 * 24 * 60 {
		if err := w.Add("EV.EV1.vapour_pressure", good(float64(i)*60, float64(i))); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	q := plant.SeriesQuery{Paths: []string{"EV.EV1.vapour_pressure"}, From: at(0), To: at(29 * 86400), Aggregates: []string{"TimeAverage2"}, Interval: 8 * time.Hour, Format: "csv"}
	rows, _ := readCSV(t, a, q)
	if len(rows) != 1+29*3 {
		t.Fatal(len(rows))
	}
	for i, r := range rows[1:] {
		want := csvValue(float64(i)*480 + 240)
		if got := strings.Join(r, ","); got != csvTime(at(float64(i)*8*3600), nil)+",EV.EV1.vapour_pressure,"+want+",kPa,Good,TimeAverage2,calculated,100,house" {
			t.Fatalf("row %d: %v, want a mean of %s", i, r, want)
		}
	}
	// A page of 50, and what its cursor leaves.
	q.Limit = 50
	page, cursor := readCSV(t, a, q)
	q.Cursor = cursor
	rest, end := readCSV(t, a, q)
	if end != "" || !slices.EqualFunc(append(page, rest[1:]...), rows, slices.Equal) {
		t.Errorf("%d and %d rows of %d, cursor %q", len(page), len(rest), len(rows), end)
	}
	q.Cursor, q.Aggregates = "", []string{"Median"}
	var qe *plant.QueryError
	if _, err := Write(context.Background(), a, io.Discard, q, About{}); !errors.As(err, &qe) || !strings.Contains(qe.Problem, "TimeAverage2") {
		t.Fatalf("an unknown aggregate: %v", err)
	}
}

func readCSV(t *testing.T, a *historian.Archive, q plant.SeriesQuery) (rows [][]string, cursor string) {
	t.Helper()
	var out bytes.Buffer
	cursor, err := Write(context.Background(), a, &out, q, About{Site: "house"})
	if err != nil {
		t.Fatal(err)
	}
	if rows, err = csv.NewReader(&out).ReadAll(); err != nil {
		t.Fatal(err)
	}
	return rows, cursor
}

// Days are days of the site's calendar: Berlin's 25 October 2026 has 25 hours (IANA
// time zone database). A sample a minute makes the hours countable.
func TestCalendarDays(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	a := openTest(t, t.TempDir(), time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC))
	from, to := time.Date(2026, 10, 24, 0, 0, 0, 0, zone), time.Date(2026, 10, 27, 0, 0, 0, 0, zone)
	w := a.Bulk(context.Background(), nil)
	for at := from; at.Before(to); at = at.Add(time.Minute) {
		if err := w.Add("A.x", plant.Point{Time: at.UTC(), Value: 1, Quality: plant.Good}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	for _, wide := range []bool{false, true} {
		rows, _ := readCSV(t, a, plant.SeriesQuery{Paths: []string{"A.x"}, From: from, To: to, Aggregates: []string{"Count"}, Interval: 24 * time.Hour, Zone: zone, Format: "csv", Columns: wide})
		var got []string
		for _, r := range rows[1:] {
			got = append(got, r[0]+" "+r[slices.Index(rows[0], map[bool]string{false: "value", true: "A.x Count"}[wide])])
		}
		if s := strings.Join(got, ", "); s != "2026-10-24T00:00:00.000+02:00 1440, 2026-10-25T00:00:00.000+02:00 1500, 2026-10-26T00:00:00.000+01:00 1440" {
			t.Error(s)
		}
	}
}

// Every shape and format says the same of two tags, page by page as well.
func TestSeriesForms(t *testing.T) {
	a := openTest(t, t.TempDir(), at(1e6))
	for i := range 100 {
		mustAppend(t, a, "A.x", good(float64(i), float64(i)))
		if i%2 == 0 {
			mustAppend(t, a, "A.y", good(float64(i), float64(-i)))
		}
	}
	mustAppend(t, a, "A.y", plant.BadPoint(at(99), plant.BadNoCommunication))
	base := plant.SeriesQuery{Paths: []string{"A.x", "A.y"}, From: at(0), To: at(100), Format: "csv"}
	long, _ := readCSV(t, a, base)
	if len(long) != 1+100+51 {
		t.Fatal(len(long))
	}
	base.Columns = true
	wide, _ := readCSV(t, a, base)
	if len(wide) != 101 || wide[1][1] != "0" || wide[2][3] != "" || wide[3][3] != "-2" || wide[100][3] != "" || wide[100][4] != "Bad_NoCommunication" {
		t.Fatal(len(wide), wide[1], wide[100])
	}
	q, pages := base, [][]string{wide[0]}
	q.Limit = 7
	for n := 0; ; n++ {
		rows, cursor := readCSV(t, a, q)
		pages = append(pages, rows[1:]...)
		if q.Cursor = cursor; cursor == "" || n > 100 {
			break
		}
	}
	if !slices.EqualFunc(pages, wide, slices.Equal) {
		t.Errorf("%d rows in pages, %d at once", len(pages), len(wide))
	}
	for _, columns := range []bool{false, true} {
		q := base
		q.Format, q.Columns = "json", columns
		var out bytes.Buffer
		if _, err := Write(t.Context(), a, &out, q, About{Site: "house"}); err != nil {
			t.Fatal(err)
		}
		var got struct {
			Site   string
			Rows   []map[string]any
			Series []struct {
				Tag   string
				Time  []string
				Value []*float64
			}
		}
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Fatalf("%v\n%s", err, out.Bytes())
		}
		if columns && (len(got.Series) != 2 || len(got.Series[0].Value) != 100 || len(got.Series[1].Time) != 51 || got.Series[1].Value[50] != nil) {
			t.Errorf("%+v", got.Series)
		}
		if !columns && (len(got.Rows) != 151 || got.Rows[150]["status"] != "Bad_NoCommunication" || got.Rows[150]["value"] != nil || got.Rows[1]["value"] != 1.) {
			t.Errorf("%d rows", len(got.Rows))
		}
		q.Format = "parquet"
		out.Reset()
		if _, err := Write(t.Context(), a, &out, q, About{Site: "house"}); err != nil {
			t.Fatal(err)
		}
		f, err := parquet.OpenFile(bytes.NewReader(out.Bytes()), int64(out.Len()))
		if err != nil {
			t.Fatal(err)
		}
		if about, ok := f.Lookup("calandria.about"); !ok || !strings.Contains(about, `"site":"house"`) || f.NumRows() != int64(map[bool]int{false: 151, true: 100}[columns]) {
			t.Errorf("%d rows, about %q", f.NumRows(), about)
		}
	}
	// What holds at three moments: between two samples, at one, after the last of
	// tag y that was not Bad.
	at3, _ := readCSV(t, a, plant.SeriesQuery{Paths: []string{"A.y"}, At: []time.Time{at(1), at(4), at(98.5)}, Format: "csv"})
	if len(at3) != 4 || at3[1][2] != "-1" || at3[2][2] != "-4" || at3[3][2] != "-98" || at3[3][4] == "Good" {
		t.Error(at3)
	}
}

// What a trend shows is what the aggregates of OPC 10000-13 give of values that hold
// until the next: its mean is TimeAverage2, its band Minimum2 to Maximum2, its share of
// Good time PercentGood.
func TestTrendIsTheAggregates(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		a := openTest(t, t.TempDir(), at(1e6))
		defer a.Close()
		var pts []plant.Point
		for s := 0.0; s < 3600; s += float64(rapid.IntRange(1, 240).Draw(rt, "step")) {
			p := good(s, math.Round(100*rapid.Float64Range(0, 50).Draw(rt, "value"))/100)
			if rapid.IntRange(0, 5).Draw(rt, "quality") == 0 {
				p = plant.BadPoint(p.Time, plant.BadNoCommunication)
			}
			pts = append(pts, p)
		}
		mustAppend(t, a, "A.x", pts...)
		cfg := AggregateConfig{PercentDataBad: 100, PercentDataGood: 100, Stepped: true}
		first, last := 600.0, pts[len(pts)-1].Time.Sub(at(0)).Seconds()
		buckets, err := a.Trend(context.Background(), "A.x", at(first), at(first+60*math.Floor((last-first)/60)), int((last-first)/60))
		if err != nil {
			rt.Fatal(err)
		}
		for _, b := range buckets {
			of := func(agg Aggregate) plant.Point {
				ps, err := Aggregates(agg, cfg, pts, b.Start, b.Start.Add(time.Minute), 0)
				if err != nil {
					rt.Fatal(err)
				}
				return ps[0]
			}
			for agg, got := range map[Aggregate]float64{"TimeAverage2": b.Mean, "Minimum2": b.Min, "Maximum2": b.Max, "PercentGood": b.PercentGood} {
				if want := of(agg); math.IsNaN(want.Value) != math.IsNaN(got) || math.Abs(want.Value-got) > 1e-9*math.Max(1, math.Abs(got)) {
					rt.Fatalf("%s at %v: the trend has %v, the standard %v %v", agg, b.Start, got, want.Value, want.Quality)
				}
			}
		}
	})
}
