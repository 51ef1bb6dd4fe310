package steam_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// row is one row of a table in testdata/properties, by column name.
type row map[string]string

// readTable reads a table of testdata/properties; its README names the sources.
func readTable(t *testing.T, name string) []row {
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
	rows := make([]row, 0, len(all)-1)
	for _, fields := range all[1:] {
		r := row{}
		for i, h := range all[0] {
			r[h] = fields[i]
		}
		rows = append(rows, r)
	}
	return rows
}

func (r row) num(t *testing.T, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("%v: column %s: %v", r, column, err)
	}
	return v
}

// near fails unless got is within rel of want, relatively.
func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.10g, want %.10g (off by %.2g relative)", what, got, want, math.Abs(got/want-1))
	}
}

func must[T any](t *testing.T) func(v T, err error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Error(err)
		}
		return v
	}
}
