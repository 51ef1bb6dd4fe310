package liquor_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// tableRow is one row of a table in testdata/properties. The README there explains
// kind (computed, literature, cross-check, ...), the tolerances and the sources.
type tableRow struct {
	t                          *testing.T
	id, equation, kind, source string
	fields                     map[string]string
	extra                      map[string]float64
	want                       float64
}

func readTable(t *testing.T, name string) []tableRow {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "properties", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var rows []tableRow
	for _, line := range all[1:] {
		r := tableRow{t: t, fields: map[string]string{}, extra: map[string]float64{}}
		for i, h := range all[0] {
			r.fields[h] = line[i]
		}
		r.id, r.equation, r.kind, r.source = r.fields["id"], r.fields["equation"], r.fields["kind"], r.fields["source"]
		for pair := range strings.SplitSeq(r.fields["extra"], ";") {
			if k, v, ok := strings.Cut(pair, "="); ok {
				r.extra[k] = number(t, v)
			}
		}
		r.want = number(t, r.fields["value"])
		rows = append(rows, r)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func (r tableRow) num(column string, otherwise float64) float64 {
	if r.fields[column] == "" {
		return otherwise
	}
	return number(r.t, r.fields[column])
}

func (r tableRow) brix() liquor.Brix     { return liquor.Brix(r.num("B_pct", math.NaN())) }
func (r tableRow) purity() liquor.Purity { return liquor.Purity(r.num("P_pct", 100)) }
func (r tableRow) celsius() steam.Celsius {
	return steam.Celsius(r.num("T_C", 20))
}

// pressure is that of the row, or of its saturation temperature, or one atmosphere.
func (r tableRow) pressure() steam.KPa {
	if ts, ok := r.extra["Tsat_C"]; ok {
		p, err := steam.Psat(steam.Celsius(ts))
		if err != nil {
			r.t.Fatal(err)
		}
		return p
	}
	return steam.KPa(100 * r.num("p_bar", 1.01325))
}

func (r tableRow) site() liquor.Impurity {
	return liquor.Impurity{M: r.extra["m"], B: r.extra["b"], C: r.extra["c"]}
}

// check compares with the row's own tolerance (the larger of the absolute and the
// relative one). A value outside the source's range counts, because it carries one.
func (r tableRow) check(got float64, err error) {
	r.t.Helper()
	got, _, err = liquor.Accept(got, err)
	if err != nil {
		r.t.Errorf("%s: %v", r.id, err)
		return
	}
	tol := max(r.num("tol_abs", 0), r.num("tol_rel", 0)*math.Abs(r.want))
	if r.fields["tol_abs"] == "" && r.fields["tol_rel"] == "" {
		r.t.Fatalf("%s has no tolerance", r.id)
	}
	if !(math.Abs(got-r.want) <= tol) {
		r.t.Errorf("%s %s (%s): %.10g, want %.10g within %.3g; source: %s", r.id, r.equation, r.kind, got, r.want, tol, r.source)
	}
}

// each runs every row of a table; f returns the value for the row's equation, or false
// if the equation is not known, which fails.
func each(t *testing.T, table string, want int, f func(r tableRow) (float64, error, bool)) {
	t.Helper()
	rows := readTable(t, table)
	if len(rows) != want {
		t.Errorf("%s has %d rows, want %d", table, len(rows), want)
	}
	for _, r := range rows {
		t.Run(r.id+" "+r.equation+" "+r.kind, func(t *testing.T) {
			r.t = t
			v, err, known := f(r)
			if !known {
				t.Fatalf("no equation %q", r.equation)
			}
			r.check(v, err)
		})
	}
}
