package liquor_test

import (
	"math"
	"testing"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// What is prepared for one pressure and purity is the same to the last bit as
// the equation asked in full, in range, beyond it and where there is no value.
func TestPreparedIsTheSame(t *testing.T) {
	same := func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }
	brix := []float64{-1, 0, 3, 15, 40, 64.9, 70, 80, 86, 94, 96, math.NaN()}
	for _, m := range append(liquor.BPEModels(), "", "nobody's") {
		for _, p := range []float64{0.5, 1, 8, 16, 101.325, 210, 1999, 2100, math.NaN()} {
			for _, purity := range []float64{-1, 60, 86, 101, 103} {
				for _, k := range []float64{-2, 0, 0.7, 4} {
					at, errAt := m.At(liquor.Purity(purity), steam.KPa(p), k)
					for _, b := range brix {
						want, beyond, err := m.ElevationFlagged(liquor.Brix(b), liquor.Purity(purity), steam.KPa(p), k)
						got, gotBeyond, gotErr := at.Elevation(liquor.Brix(b))
						if !same(got, want) || gotBeyond != beyond || (gotErr == nil) != (err == nil) {
							t.Errorf("%q at %g Bx, %g kPa, purity %g, k %g: %g %v %v, in full %g %v %v", m, b, p, purity, k, got, gotBeyond, gotErr, want, beyond, err)
						}
						if errAt != nil && err == nil {
							t.Errorf("%q at %g kPa: refused, but has a value", m, p)
						}
					}
				}
			}
		}
	}
	for _, m := range append(liquor.HeatModels(), "", "nobody's") {
		for _, purity := range []float64{-1, 60, 101, 103, math.NaN()} {
			at, _ := m.At(liquor.Purity(purity))
			for _, b := range append(brix, 101) {
				for _, c := range []float64{-1, 0, 60, 115, 181} {
					want, beyond, err := m.EnthalpyFlagged(liquor.Brix(b), liquor.Purity(purity), steam.Celsius(c))
					got, gotBeyond, gotErr := at.Enthalpy(liquor.Brix(b), steam.Celsius(c))
					if !same(got, want) || gotBeyond != beyond || (gotErr == nil) != (err == nil) {
						t.Errorf("%q at %g Bx, purity %g, %g degC: %g %v %v, in full %g %v %v", m, b, purity, c, got, gotBeyond, gotErr, want, beyond, err)
					}
				}
			}
		}
	}
}
