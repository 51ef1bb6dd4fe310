package series

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"math/rand"
	"strings"
	"testing"
	"time"

	"calandria/historian"
	"calandria/plant"
)

// now is when the tests import.
var now = t0.Add(365 * 24 * time.Hour)

func TestCSVRoundTrip(t *testing.T) {
	ctx := context.Background()
	a := openTest(t, t.TempDir(), t0)
	infos := []historian.TagInfo{
		{Path: "EV.EV1.mixed", Unit: "Bx", Resolution: 0.01},
		{Path: "EV.EV1.u", Unit: "kW/(m2.K)"},
		{Path: "=cmd|' /C calc'!A0", Unit: "-1"},
		{Path: "'quoted", Unit: "@"},
	}
	if err := a.Describe(infos...); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewSource(1))
	var paths []string
	for _, in := range infos {
		paths = append(paths, in.Path)
		for i := range 500 {
			p := plant.Point{Time: t0.Add(time.Duration(i)*time.Second + time.Duration(rng.Intn(3)*100)), Value: rng.NormFloat64() * 50, Quality: plant.Good}
			switch rng.Intn(8) {
			case 0:
				p = plant.BadPoint(p.Time, plant.BadSensorFailure)
			case 1:
				p.Quality = plant.UncertainSensor
			case 2:
				p.Quality = plant.QualityOf(0x40930401) // with bits the name does not tell
			case 3:
				p.Quality = plant.QualityOf(0x812D0000) // a code without a name here
				p.Value = math.NaN()
			}
			mustAppendQuick(t, a, in.Path, p)
		}
	}
	if err := a.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := exportCSV(ctx, a, &out, paths, at(-1), at(1e6)); err != nil {
		t.Fatal(err)
	}
	// A spreadsheet takes no cell for a formula, but numbers are numbers.
	rows, err := csv.NewReader(bytes.NewReader(out.Bytes())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range rows {
		for c, cell := range r {
			if c != 2 && cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
				t.Fatalf("line %d: cell %q begins a formula", i+1, cell)
			}
		}
	}
	b := openTest(t, t.TempDir(), t0)
	if err := b.Describe(infos...); err != nil {
		t.Fatal(err)
	}
	n, err := Import(ctx, b, bytes.NewReader(out.Bytes()), "export.csv", nil, now)
	if err != nil || n != len(rows)-1 {
		t.Fatalf("%d samples: %v", n, err)
	}
	for _, p := range paths {
		x, y := collect(t, a, p, at(-1), at(1e6)), collect(t, b, p, at(-1), at(1e6))
		if len(x) != 500 || len(y) != 500 {
			t.Fatalf("%s: %d and %d samples", p, len(x), len(y))
		}
		for i := range x {
			if !equalPoints(x[i].Point, y[i].Point) || x[i].Unit != y[i].Unit {
				t.Fatalf("%s: %v became %v", p, x[i], y[i])
			}
		}
	}
	// Importing again adds nothing.
	if _, err := Import(ctx, b, bytes.NewReader(out.Bytes()), "export.csv", nil, now); err != nil {
		t.Fatal(err)
	}
	var again bytes.Buffer
	if err := exportCSV(ctx, b, &again, paths, at(-1), at(1e6)); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(out.Bytes(), again.Bytes()) {
		t.Fatal("a second export differs")
	}
}

func mustAppendQuick(t testing.TB, a *historian.Archive, path string, p plant.Point) {
	t.Helper()
	if err := a.Append([]plant.Record{{Path: path, Point: p}}); err != nil {
		t.Fatal(err)
	}
}

func TestImportFaults(t *testing.T) {
	const head = "time,tag,value,unit,status\n"
	cases := []struct{ name, in, want string }{
		{"empty", "", "x.csv:1:1: the file is empty"},
		{"other head", "a,b\n", `x.csv:1:1: the first line is "a,b"; make it time,tag,value,unit,status`},
		{"fields", head + "2026-03-01T00:00:00Z,A.x\n", "x.csv:2:1: 2 fields; give 5"},
		{"time", head + "yesterday,A.x,1,kPa,Good\n", `x.csv:2:1: time: "yesterday" is not a time`},
		{"far time", head + "1800-03-01T00:00:00Z,A.x,1,kPa,Good\n", "x.csv:2:1: time: "},
		{"tag", head + "2026-03-01T00:00:00Z,A.y,1,kPa,Good\n", `x.csv:2:22: tag: tag "A.y" is not known; did you mean A.x?`},
		{"unit", head + "2026-03-01T00:00:00Z,A.x,1,bar,Good\n", `x.csv:2:28: unit: unit "bar", but A.x is kept in "kPa"`},
		{"value", head + "2026-03-01T00:00:00Z,A.x,\"1,5\",kPa,Good\n", `x.csv:2:26: value: "1,5" is not a decimal number`},
		{"NaN", head + "2026-03-01T00:00:00Z,A.x,NaN,kPa,Good\n", "is not a decimal number"},
		{"hexadecimal", head + "2026-03-01T00:00:00Z,A.x,0x1p4,kPa,Good\n", "is not a decimal number"},
		{"no value", head + "2026-03-01T00:00:00Z,A.x,,kPa,Good\n", "x.csv:2:26: value: there is no value, but the status is Good"},
		{"status", head + "2026-03-01T00:00:00Z,A.x,1,kPa,Fine\n", `x.csv:2:32: status: status "Fine" is not known`},
		{"quotes", head + "2026-03-01T00:00:00Z,\"A.x,1,kPa,Good\n", "x.csv:"},
		{"two at once", head + "2026-03-01T00:00:00Z,A.x,1,kPa,Good\nx,A.x,1,kPa,Good\n2026-03-01T00:00:00Z,A.x,y,kPa,Good\n", "x.csv:4:26: value:"},
	}
	ctx := context.Background()
	a := openTest(t, t.TempDir(), t0)
	if err := a.Describe(historian.TagInfo{Path: "A.x", Unit: "kPa"}); err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := Import(ctx, a, strings.NewReader(c.in), "x.csv", nil, now)
			var fs plant.Faults
			if !errors.As(err, &fs) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %s", err, c.want)
			}
			if got := collect(t, a, "A.x", at(-1e9), at(1e9)); len(got) != 0 {
				t.Errorf("%d samples stored", len(got))
			}
		})
	}
	// One cause in many lines is told three times, and the lines are counted.
	_, err := Import(ctx, a, strings.NewReader(head+strings.Repeat("2026-03-01 00:00,A.x,1,bar,Good\n", 500)), "x.csv", nil, now)
	var fs plant.Faults
	if !errors.As(err, &fs) || len(fs) != 7 || !strings.Contains(err.Error(), "x.csv: 994 more faults of the same causes") {
		t.Errorf("%d faults: %v", len(fs), err)
	}
	// A byte order mark and CRLF, as spreadsheets write them, are fine.
	in := "\ufeff" + strings.ReplaceAll(head+"2026-03-01T00:00:00Z,A.x,1,kPa,Good\n2026-03-01T01:00:00+01:00,A.x,2,kPa,Good\n", "\n", "\r\n")
	if n, err := Import(ctx, a, strings.NewReader(in), "x.csv", nil, now); n != 2 || err != nil {
		t.Fatal(n, err)
	}
	got := collect(t, a, "A.x", at(-1e9), at(1e9))
	if len(got) != 1 || got[0].Value != 2 || got[0].Quality.Code() != (infoDataValue|0x08) {
		t.Fatalf("two values at one time: %v", got)
	}
}

func FuzzImportCSV(f *testing.F) {
	f.Add("time,tag,value,unit,status\n2026-03-01T00:00:00Z,A.x,1,kPa,Good\n")
	f.Add("time,tag,value,unit,status\n2026-03-01T00:00:00.123456789Z,'=x,,kPa,0x80000000\n")
	f.Add("time,tag,value,unit,status\n\"2026-03-01T00:00:00Z\",\"A.x\n\",1e400,kPa,Bad\n")
	a, err := historian.Open(f.TempDir(), historian.Options{})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { a.Close() })
	if err := a.Describe(historian.TagInfo{Path: "A.x", Unit: "kPa"}, historian.TagInfo{Path: "=x", Unit: "kPa"}); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, in string) {
		recs, faults, err := parsed(a, strings.NewReader(in), "x.csv", nil)
		if err != nil {
			t.Fatalf("an error that names no line: %v", err)
		}
		for _, fa := range faults {
			if fa.Line < 1 || fa.Problem == "" {
				t.Fatalf("fault without place: %+v", fa)
			}
		}
		if len(faults) > 0 {
			return
		}
		// What is accepted means the same when written and read again.
		var out bytes.Buffer
		w := csv.NewWriter(&out)
		w.Write(csvHead)
		for _, r := range recs {
			w.Write([]string{csvTime(r.Point.Time, nil), csvText(r.Path), csvValue(r.Point.Value), "kPa", csvStatus(r.Point.Quality.Code())})
		}
		w.Flush()
		again, faults, err := parsed(a, &out, "y.csv", nil)
		if err != nil || len(faults) > 0 || len(again) != len(recs) {
			t.Fatalf("%v %v: %d and %d samples", err, faults, len(recs), len(again))
		}
		for i := range recs {
			p, q := recs[i].Point, again[i].Point
			if recs[i].Path != again[i].Path || !equalPoints(p, q) {
				t.Fatalf("%v became %v", recs[i], again[i])
			}
		}
	})
}

// Readings as instruments send them: the factors are exact by definition (SI, BIPM
// brochure; conventional mmHg of ISO 80000-4), gauge and vacuum count from the barometer.
func TestImportUnits(t *testing.T) {
	h, err := plant.Load("plant.yaml", []byte(`
site: {name: Test House (invented), barometer_kpa: 98.6, tags: {barometer: {node: "nsu=u;s=w", unit: mbar}}}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets:
  - name: S
    tags:
      juice_flow: {node: "nsu=u;s=f", unit: kg/s}
      juice_temperature: {node: "nsu=u;s=t", unit: degF}
      juice_brix: {node: "nsu=u;s=b"}
    bodies:
      - name: B
        heating_surface_m2: 1000
        tags: {vapour_pressure: {node: "nsu=u;s=p", unit: mmHg, reference: vacuum}}
tags:
  odd: {node: "nsu=u;s=o", unit: scoops}
`))
	if err != nil {
		t.Fatal(err)
	}
	a := openTest(t, t.TempDir(), t0)
	for _, tag := range h.Tags {
		if err := a.Describe(historian.TagInfo{Path: tag.Path, Unit: tag.Unit}); err != nil {
			t.Fatal(err)
		}
	}
	const p = "S.B.vapour_pressure"
	for _, c := range []struct {
		tag, value, unit string
		want             float64
		fault            string
	}{
		{p, "16", "kPa", 16, ""},
		{p, "16", "kPa absolute", 16, ""},
		{p, "160", "mbar absolute", 16, ""},
		{p, "-82.6", "kPa gauge", 16, ""},
		{p, "0.7", "bar gauge", 168.6, ""},
		{p, "600", "mmHg vacuum", 98.6 - 79.993432449, ""},
		{p, "600", "mmHg", 98.6 - 79.993432449, ""}, // the instrument's own unit: vacuum, says the plant file
		{p, "600", "mmHg vac", 98.6 - 79.993432449, ""},
		{p, "10", "psig", 98.6 + 68.94757293168, ""},
		{"site.barometer", "1013", "hPa", 101.3, ""},
		{p, "25", "inHg vacuum", 98.6 - 84.659716008525, ""},
		{p, "-0.5", "kPa", -0.5, ""}, // a zero error
		{"S.juice_flow", "90", "kg/s", 324, ""},
		{"S.juice_temperature", "212", "degF", 100, ""},
		{"S.juice_temperature", "373.15", "K", 100, ""},
		{"S.juice_brix", "0.65", "kg/kg", 65, ""},
		{"odd", "-7", "scoops", -7, ""},
		{p, "-5", "kPa", 0, "x.csv:2:42: value: -5 kPa is no possible pressure (-5 kPa)"},
		{p, "800", "mmHg vacuum", 0, "value: 800 mmHg vacuum is no possible pressure (-8.05791 kPa)"},
		{p, "0.7", "bar", 0, `unit: unit "bar" does not say what a pressure counts from; write "bar absolute", "bar gauge" or "bar vacuum"`},
		{p, "7", "K", 0, `unit: unit "K", but S.B.vapour_pressure is kept in "kPa"; use one of kPa, Pa,`},
		{p, "7", "kPa sideways", 0, `unit: unit "kPa sideways"`},
		{"S.juice_flow", "7", "t/h gauge", 0, "only a pressure counts from somewhere"},
		{"S.juice_temperature", "-80", "degC", 0, "is no possible temperature"},
		{"S.juice_brix", "165", "Bx", 0, "is no possible Brix"},
		{"odd", "7", "kPa", 0, "convert the values to scoops"},
	} {
		rows, faults, err := parsed(a, strings.NewReader("time,tag,value,unit,status\n2026-03-01T00:00:00Z,"+c.tag+","+c.value+","+c.unit+",Good\n"), "x.csv", h)
		switch {
		case err != nil:
			t.Fatal(err)
		case c.fault == "":
			if len(faults) > 0 || len(rows) != 1 || math.Abs(rows[0].Point.Value-c.want) > 1e-9 {
				t.Errorf("%s %s: %v, %v, want %g", c.value, c.unit, rows, faults, c.want)
			}
		case len(faults) != 1 || !strings.Contains(faults.Error(), c.fault):
			t.Errorf("%s %s: %v, want %s", c.value, c.unit, faults, c.fault)
		}
	}
	// A Bad value may be anything; gauge needs the barometer of a plant file.
	parse := func(line string, house *plant.House) plant.Faults {
		_, faults, err := parsed(a, strings.NewReader("time,tag,value,unit,status\n2026-03-01T00:00:00Z,"+line+"\n"), "x.csv", house)
		if err != nil {
			t.Fatal(err)
		}
		return faults
	}
	if f := parse(p+",-5,kPa,Bad", h); len(f) > 0 {
		t.Error(f)
	}
	if f := parse(p+",0.7,bar gauge,Good", nil); len(f) != 1 || !strings.Contains(f.Error(), "give the plant file: it knows the barometer") {
		t.Error(f)
	}
	if f := parse(p+",160,mbar absolute,Good", nil); len(f) > 0 {
		t.Error(f)
	}
}

func exportCSV(ctx context.Context, a *historian.Archive, w io.Writer, paths []string, from, to time.Time) error {
	_, err := Write(ctx, a, w, plant.SeriesQuery{Paths: paths, From: from, To: to, Versions: true, Format: "csv"}, About{})
	return err
}

func parsed(a *historian.Archive, r io.Reader, name string, house *plant.House) (rows []plant.Record, faults plant.Faults, err error) {
	_, faults, err = archive{a}.parseCSV(context.Background(), r, name, house, now, func(r plant.Record) error { rows = append(rows, r); return nil })
	return rows, faults, err
}
