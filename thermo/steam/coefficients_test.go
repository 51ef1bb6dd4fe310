package steam

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// The numbers in the source against the table of coefficients in testdata, one by one.
func TestCoefficients(t *testing.T) {
	f, err := os.Open("../../testdata/properties/if97-coefficients.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	region4 := []float64{n1, n2, n3, n4, n5, n6, n7, n8, n9, n10}
	tables := map[string][]term{
		"1 residual": region1Terms[:], "2 ideal": region2Ideal[:], "2 residual": region2Terms[:],
		"3 Helmholtz": region3Terms[:],
	}
	num := func(s string) float64 {
		if s == "" {
			return 0
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	seen := map[string]int{}
	for _, r := range rows[1:] {
		set := r[0] + " " + r[1]
		k := int(num(r[2])) - 1
		seen[set]++
		if r[0] == "4" {
			if region4[k] != num(r[5]) {
				t.Errorf("region 4 n%d = %v, table %v", k+1, region4[k], r[5])
			}
			continue
		}
		if set == "3 log" {
			if num(r[5]) != region3Log {
				t.Errorf("region 3 n1 = %v, table %v", region3Log, r[5])
			}
			continue
		}
		got := tables[set][k]
		if float64(got.i) != num(r[3]) || float64(got.j) != num(r[4]) || got.n != num(r[5]) {
			t.Errorf("%s term %d is %+v, table %v", set, k+1, got, r)
		}
	}
	for set, terms := range tables {
		if len(terms) != seen[set] {
			t.Errorf("%s: %d terms, table has %d", set, len(terms), seen[set])
		}
	}
}

// R7-97 Section 4: the boundary between regions 2 and 3 passes 623.15 K and 16.5291643
// MPa, and Eq. 5 (from memory, read in python3-iapws) is the inverse of Eq. 6.
func TestBoundary23(t *testing.T) {
	if got := boundary23T(16529.1643); math.Abs(got-623.15) > 1e-6 {
		t.Errorf("boundary23T = %.9g K, want 623.15", got)
	}
	for k := 623.15; k <= 863.15; k += 10 {
		p := 0.34805185628969e3 - 0.11671859879975e1*k + 0.10192970039326e-2*k*k
		if got := boundary23T(p * 1e3); math.Abs(got-k) > 1e-6 {
			t.Errorf("boundary23T(%g MPa) = %.9g K, want %g", p, got, k)
		}
	}
}
