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
	Tables []struct {
		ID, Aggregate, Historian, Start, End, Level, Source string
		Interval                                            int64 `json:"processing_interval_ms"`
		Tolerance                                           float64
		Rows                                                []struct {
			T      string
			Value  any
			Status string
			Assert *bool
		}
	}
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
			for _, a := range raw.Annotations {
				raw.Config.Annotations = append(raw.Config.Annotations, clock(t, a.T))
			}
			interval := time.Duration(tab.Interval) * time.Millisecond
			if tab.ID == "AnnotationCount/Historian2" {
				// The head of this table says 16 s, its rows are a minute apart.
				interval = clock(t, tab.Rows[1].T).Sub(clock(t, tab.Rows[0].T))
			}
			got, err := Aggregates(Aggregate(tab.Aggregate), raw.Config, pts, clock(t, tab.Start), clock(t, tab.End), interval)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != len(tab.Rows) {
				t.Fatalf("%d results, want %d", len(got), len(tab.Rows))
			}
			for i, r := range tab.Rows {
				if r.Assert != nil && !*r.Assert {
					continue // the publication contradicts its own clause there
				}
				rows++
				g, want := got[i], number(t, r.Value)
				code := g.Quality.Code()
				if code&0x1F != 0 && code&infoDataValue == 0 {
					t.Errorf("%s: historian bits without their InfoType: %08X", r.T, code)
				}
				ok := g.Time.Equal(clock(t, r.T)) && code&^infoDataValue == statusNamed(t, r.Status) &&
					(math.IsNaN(want) && math.IsNaN(g.Value) || math.Abs(g.Value-want) <= tab.Tolerance)
				if !ok {
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
