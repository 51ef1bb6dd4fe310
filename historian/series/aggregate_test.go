package series

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// part13 is testdata/historian/part13.json: the example series and results of
// OPC 10000-13 and the read table of OPC 10000-11; each table names its source.
type part13 struct {
	Raw map[string]struct {
		Config AggregateConfig
		Points []struct {
			T      string
			Value  any
			Status string
		}
		Annotations []struct{ T string }
	}
	Tables []part13Table
	Extra  []struct {
		ID, Source string
		Raw        [][2]any
		Good       []float64 `json:"good_values_in_interval"`
		Expect     json.RawMessage
	} `json:"extra_vectors"`
	Part11 struct {
		ValuesAt []string `json:"values_at"`
		Source   string
		Cases    []struct {
			ID, Start, End string
			Num            int  `json:"num_values_per_node"`
			Bounds         bool `json:"return_bounds"`
			Result         []string
		}
	} `json:"part11_raw_read"`
}

type part13Table struct {
	ID, Aggregate, Historian, Start, End, Level, Source string
	Interval                                            int64 `json:"processing_interval_ms"`
	Tolerance                                           float64
	Rows                                                []part13Row
}

// part13Row is one result. Where the publication contradicts its own clause (assert is
// false), the reading of the clause counts; Total there is the time average times the
// interval, as 5.4.3.8 says.
type part13Row struct {
	T, Status      string
	Value          any
	Assert         *bool
	ValueByClause  any    `json:"value_by_clause"`
	StatusByClause string `json:"status_by_clause"`
}

// is compares a result with the row; average gives the time average of its interval.
func (r part13Row) is(t *testing.T, g plant.Point, tab *part13Table, average func(Aggregate) []plant.Point) bool {
	value, status, tolerance := r.Value, r.Status, tab.Tolerance
	if r.Assert != nil && !*r.Assert {
		if r.ValueByClause != nil {
			value, status = r.ValueByClause, r.StatusByClause
		}
		if i, total := strings.CutPrefix(tab.Aggregate, "Total"); total && value != nil {
			for _, p := range average(Aggregate("TimeAverage" + i)) {
				if p.Time.Equal(g.Time) {
					value = p.Value * float64(tab.Interval) / 1000
				}
			}
		}
	}
	want := number(t, value)
	return g.Quality.Code()&^infoDataValue == statusNamed(t, status) && (math.IsNaN(want) && math.IsNaN(g.Value) || math.Abs(g.Value-want) <= tolerance)
}

func loadPart13(t *testing.T) part13 {
	t.Helper()
	b, err := os.ReadFile("../../testdata/historian/part13.json")
	if err != nil {
		t.Fatal(err)
	}
	var p part13
	if err := json.Unmarshal(b, &p); err != nil {
		t.Fatal(err)
	}
	for name, raw := range p.Raw {
		for _, a := range raw.Annotations {
			raw.Config.Annotations = append(raw.Config.Annotations, clock(t, a.T))
		}
		p.Raw[name] = raw
	}
	for i := range p.Tables {
		if tab := &p.Tables[i]; tab.ID == "AnnotationCount/Historian2" {
			// The head of this table says 16 s, its rows are a minute apart.
			tab.Interval = clock(t, tab.Rows[1].T).Sub(clock(t, tab.Rows[0].T)).Milliseconds()
		}
	}
	return p
}

func clock(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse("2006-01-02 15:04:05", "2012-01-02 "+s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func statusNamed(t *testing.T, s string) uint32 {
	t.Helper()
	var code uint32
	for w := range strings.SplitSeq(s, ", ") {
		bits, ok := map[string]uint32{
			"Good": 0, "Uncertain": 0x40000000, "UncertainDataSubNormal": 0x40A40000, "Bad": 0x80000000,
			"BadNoData": 0x809B0000, "Bad_NoData": 0x809B0000, "Calculated": bitCalculated, "Interpolated": bitInterpolated,
			"Partial": bitPartial, "MultipleValues": bitMultiple, "MultiValue": bitMultiple,
		}[w]
		if !ok {
			t.Fatalf("status %q", s)
		}
		code |= bits
	}
	return code
}

func number(t *testing.T, v any) float64 {
	switch v := v.(type) {
	case string: // the aggregate is a status code
		return float64(statusNamed(t, v))
	case float64:
		return v
	case bool:
		if v {
			return 1
		}
		return 0
	}
	return math.NaN()
}

func TestAggregatesPart13(t *testing.T) {
	data := loadPart13(t)
	rows := 0
	for _, tab := range data.Tables {
		t.Run(tab.ID, func(t *testing.T) {
			raw := data.Raw[tab.Historian]
			var pts []plant.Point
			for _, p := range raw.Points {
				pts = append(pts, plant.Point{Time: clock(t, p.T), Value: number(t, p.Value), Quality: plant.QualityOf(statusNamed(t, p.Status))})
			}
			interval := time.Duration(tab.Interval) * time.Millisecond
			got, err := Aggregates(Aggregate(tab.Aggregate), raw.Config, pts, clock(t, tab.Start), clock(t, tab.End), interval)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != len(tab.Rows) {
				t.Fatalf("%d results, want %d", len(got), len(tab.Rows))
			}
			average := func(agg Aggregate) []plant.Point {
				ps, err := Aggregates(agg, raw.Config, pts, clock(t, tab.Start), clock(t, tab.End), interval)
				if err != nil {
					t.Fatal(err)
				}
				return ps
			}
			for i, r := range tab.Rows {
				rows++
				g := got[i]
				code := g.Quality.Code()
				if code&0x1F != 0 && code&infoDataValue == 0 {
					t.Errorf("%s: historian bits without their InfoType: %08X", r.T, code)
				}
				if !g.Time.Equal(clock(t, r.T)) || !r.is(t, g, &tab, average) {
					t.Errorf("%s: got %s %v %08X, want %v %s (%s)", r.T, g.Time.Format("15:04:05.000"), g.Value, code, r.Value, r.Status, tab.Source)
				}
			}
		})
	}
	t.Logf("%d rows asserted", rows)
}

func TestAggregatesRefuse(t *testing.T) {
	ok := DefaultAggregateConfig()
	pts := []plant.Point{good(0, 1)}
	for _, c := range []struct {
		name       string
		agg        Aggregate
		cfg        AggregateConfig
		start, end time.Time
	}{
		{"unknown", "Median", ok, at(0), at(10)},
		{"range backwards", "Average", ok, at(10), at(0)},
		{"percentages", "Average", AggregateConfig{PercentDataGood: 40, PercentDataBad: 50}, at(0), at(10)},
		{"percentages above 100", "Average", AggregateConfig{PercentDataGood: 140, PercentDataBad: 50}, at(0), at(10)},
	} {
		if _, err := Aggregates(c.agg, c.cfg, pts, c.start, c.end, 0); err == nil {
			t.Errorf("%s: no error", c.name)
		}
	}
}

// OPC 10000-11, 4.4, table 1: the rows that read forward without bounds and
// with both ends given.
func TestRawReadPart11(t *testing.T) {
	data := loadPart13(t).Part11
	a := openTest(t, t.TempDir(), t0)
	min := func(s string) time.Time {
		var h, m int
		if _, err := fmt.Sscanf(s, "%d:%d", &h, &m); err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		return t0.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute)
	}
	for i, v := range data.ValuesAt {
		mustAppend(t, a, "A.x", plant.Point{Time: min(v), Value: float64(i), Quality: plant.Good})
	}
	n := 0
	for _, c := range data.Cases {
		if c.Bounds || c.Num != 0 || !strings.Contains(c.Start, ":") || !strings.Contains(c.End, ":") || !min(c.Start).Before(min(c.End)) {
			continue
		}
		n++
		var got []string
		for v, err := range a.Query(context.Background(), "A.x", min(c.Start), min(c.End)) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, v.Time.Format("3:04"))
		}
		if fmt.Sprint(got) != fmt.Sprint(c.Result) {
			t.Errorf("%s: %s to %s: got %v, want %v (%s)", c.ID, c.Start, c.End, got, c.Result, data.Source)
		}
	}
	if n < 3 {
		t.Fatalf("only %d rows of the table apply", n)
	}
}

// The further vectors of the same source: straight lines and steps, spreads, and a ramp.
func TestAggregatesPart13Extra(t *testing.T) {
	read := func(raw json.RawMessage, into any) {
		t.Helper()
		if err := json.Unmarshal(raw, into); err != nil {
			t.Fatal(err)
		}
	}
	cfg := DefaultAggregateConfig()
	seen := 0
	check := func(id string, agg Aggregate, cfg AggregateConfig, pts []plant.Point, start, end time.Time, want float64) {
		t.Helper()
		seen++
		got, err := Aggregates(agg, cfg, pts, start, end, 0)
		if err != nil || len(got) != 1 || math.Abs(got[0].Value-want) > 1e-6 {
			t.Errorf("%s, %s at %s: %v, want %v: %v", id, agg, start.Format("15:04:05"), got, want, err)
		}
	}
	for _, x := range loadPart13(t).Extra {
		var pts []plant.Point
		switch {
		case x.ID == "ramp": // value v at 10 v + 1.234 s
			var want []struct {
				Aggregate Aggregate
				Start     float64 `json:"interval_start_s"`
				Interval  float64 `json:"interval_s"`
				Value     float64
			}
			read(x.Expect, &want)
			for v := range 20 {
				pts = append(pts, good(float64(10*v)+1.234, float64(v)))
			}
			for _, w := range want {
				check(x.ID, w.Aggregate, cfg, pts, at(w.Start), at(w.Start+w.Interval), w.Value)
			}
		case x.Good != nil:
			var want map[Aggregate]float64
			read(x.Expect, &want)
			for i, v := range x.Good {
				pts = append(pts, good(float64(i), v))
			}
			for agg, w := range want {
				check(x.ID, agg, cfg, pts, at(0), at(60), w)
			}
		default:
			var want []map[string]any
			read(x.Expect, &want)
			for _, p := range x.Raw {
				pts = append(pts, plant.Point{Time: clock(t, p[0].(string)), Value: p[1].(float64), Quality: plant.Good})
			}
			for _, w := range want {
				for how, v := range w {
					if how == "t" {
						continue
					}
					cfg := cfg
					cfg.Stepped, cfg.UseSlopedExtrapolation = strings.HasPrefix(how, "stepped"), strings.HasSuffix(how, "extrapolation")
					start := clock(t, w["t"].(string))
					check(x.ID+" "+how, "Interpolative", cfg, pts, start, start.Add(time.Second), v.(float64))
				}
			}
		}
	}
	if seen != 10+8+4 {
		t.Errorf("%d vectors", seen)
	}
}
