package historian

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"math"
	"math/rand"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

func TestCSVRoundTrip(t *testing.T) {
	ctx := context.Background()
	a := openTest(t, t.TempDir(), t0)
	infos := []TagInfo{
		{Path: "EV.EV1.brix", Unit: "Bx", Resolution: 0.01},
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
	if err := a.ExportCSV(ctx, &out, paths, at(-1), at(1e6)); err != nil {
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
	n, err := b.ImportCSV(ctx, bytes.NewReader(out.Bytes()), "export.csv")
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
	if _, err := b.ImportCSV(ctx, bytes.NewReader(out.Bytes()), "export.csv"); err != nil {
		t.Fatal(err)
	}
	var again bytes.Buffer
	if err := b.ExportCSV(ctx, &again, paths, at(-1), at(1e6)); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(out.Bytes(), again.Bytes()) {
		t.Fatal("a second export differs")
	}
}

func mustAppendQuick(t testing.TB, a *Archive, path string, p plant.Point) {
	t.Helper()
	if err := a.Append([]Record{{path, p}}); err != nil {
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
	if err := a.Describe(TagInfo{Path: "A.x", Unit: "kPa"}); err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := a.ImportCSV(ctx, strings.NewReader(c.in), "x.csv")
			var fs plant.Faults
			if !errors.As(err, &fs) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %s", err, c.want)
			}
			if got := collect(t, a, "A.x", at(-1e9), at(1e9)); len(got) != 0 {
				t.Errorf("%d samples stored", len(got))
			}
		})
	}
	// A byte order mark and CRLF, as spreadsheets write them, are fine.
	in := "\ufeff" + strings.ReplaceAll(head+"2026-03-01T00:00:00Z,A.x,1,kPa,Good\n2026-03-01T01:00:00+01:00,A.x,2,kPa,Good\n", "\n", "\r\n")
	if n, err := a.ImportCSV(ctx, strings.NewReader(in), "x.csv"); n != 2 || err != nil {
		t.Fatal(n, err)
	}
	got := collect(t, a, "A.x", at(-1e9), at(1e9))
	if len(got) != 1 || got[0].Value != 2 || got[0].Quality.Code() != extraData {
		t.Fatalf("two values at one time: %v", got)
	}
}

func FuzzImportCSV(f *testing.F) {
	f.Add("time,tag,value,unit,status\n2026-03-01T00:00:00Z,A.x,1,kPa,Good\n")
	f.Add("time,tag,value,unit,status\n2026-03-01T00:00:00.123456789Z,'=x,,kPa,0x80000000\n")
	f.Add("time,tag,value,unit,status\n\"2026-03-01T00:00:00Z\",\"A.x\n\",1e400,kPa,Bad\n")
	a, err := Open(f.TempDir(), Options{})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { a.Close() })
	if err := a.Describe(TagInfo{Path: "A.x", Unit: "kPa"}, TagInfo{Path: "=x", Unit: "kPa"}); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, in string) {
		recs, faults, err := a.parseCSV(context.Background(), strings.NewReader(in), "x.csv")
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
			w.Write([]string{csvTime(r.Point.Time), csvText(r.Path), csvValue(r.Point.Value, 0), "kPa", csvStatus(r.Point.Quality.Code())})
		}
		w.Flush()
		again, faults, err := a.parseCSV(context.Background(), &out, "y.csv")
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
