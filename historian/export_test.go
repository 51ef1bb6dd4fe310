package historian

import (
	"bytes"
	"context"
	"encoding/csv"
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// The tables of OPC 10000-13 once more, with the example series in an archive:
// what is read around the range gives the bounds that the standard wants.
func TestArchiveAggregatesPart13(t *testing.T) {
	data := loadPart13(t)
	a := openTest(t, t.TempDir(), clock(t, "12:10:00"))
	for name, raw := range data.Raw {
		var recs []Record
		for _, p := range raw.Points {
			recs = append(recs, Record{Path: "A." + name, Point: plant.Point{Time: clock(t, p.T), Value: number(t, p.Value), Quality: plant.QualityOf(statusNamed(t, p.Status))}})
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
		if tab.Aggregate == string(AnnotationCount) {
			continue // not of values: checked without an archive
		}
		got, err := a.Aggregate(context.Background(), "A."+tab.Historian, Aggregate(tab.Aggregate), data.Raw[tab.Historian].Config,
			clock(t, tab.Start), clock(t, tab.End), time.Duration(tab.Interval)*time.Millisecond)
		if err != nil || len(got) != len(tab.Rows) {
			t.Fatalf("%s: %d results, want %d: %v", tab.ID, len(got), len(tab.Rows), err)
		}
		for i, r := range tab.Rows {
			if r.Assert != nil && !*r.Assert {
				continue
			}
			rows++
			want := number(t, r.Value)
			if code := got[i].Quality.Code(); code&^infoDataValue != statusNamed(t, r.Status) || !(math.IsNaN(want) && math.IsNaN(got[i].Value) || math.Abs(got[i].Value-want) <= tab.Tolerance) {
				t.Errorf("%s %s: got %v %08X, want %v %s", tab.ID, r.T, got[i].Value, code, r.Value, r.Status)
			}
		}
	}
	t.Logf("%d rows asserted", rows)
}

// A month of a ramp in stretches: every mean is known without the archive.
func TestExportAggregates(t *testing.T) {
	a := openTest(t, t.TempDir(), at(1e7))
	if err := a.Describe(TagInfo{Path: "EV.EV1.vapour_pressure", Unit: "kPa"}); err != nil {
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
	var out bytes.Buffer
	err := a.ExportAggregates(context.Background(), &out, []string{"EV.EV1.vapour_pressure"}, TimeAverage2, DefaultAggregateConfig(), at(0), at(29*86400), 8*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(rows) != 1+29*3 {
		t.Fatal(len(rows), err)
	}
	for i, r := range rows[1:] {
		want := csvValue(float64(i)*480 + 240)
		if r[0] != csvTime(at(float64(i)*8*3600)) || r[2] != want || r[3] != "kPa" || r[4] != "Good" || r[5] != "calculated" || r[6] != "100.0" {
			t.Fatalf("row %d: %v, want a mean of %s", i, r, want)
		}
	}
	err = a.ExportAggregates(context.Background(), &out, []string{"EV.EV1.vapour_pressure"}, "Median", DefaultAggregateConfig(), at(0), at(100), 0)
	if err == nil || !strings.Contains(err.Error(), "TimeAverage2") {
		t.Fatalf("an unknown aggregate: %v", err)
	}
}
