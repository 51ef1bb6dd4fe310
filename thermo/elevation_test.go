package thermo

import (
	"math"
	"testing"

	"calandria/plant"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Three juice thermometers, made by the equation of Batterham and Norgate (printed values:
// package liquor) and a purity factor of 0.6. The factor and the equation come back, and
// thermometers 1 K wide tell nothing apart.
func TestElevationFitsTheThermometers(t *testing.T) {
	set := &plant.Equipment{Path: "EV", Set: &plant.SetConfig{PurityPct: 85}}
	bodies := func(sigma float64) []*boiled {
		var out []*boiled
		for _, x := range []struct{ brix, kPa float64 }{{22, 120}, {40, 60}, {66, 15}} {
			rise, _, err := liquor.BatterhamNorgate.ElevationFlagged(liquor.Brix(x.brix), 85, steam.KPa(x.kPa), 0)
			if err != nil {
				t.Fatal(err)
			}
			rise *= 1 + 0.6*0.15
			out = append(out, &boiled{set: set, n: 200, sumK: 200 * rise, sumBrix: 200 * x.brix, sumPurity: 200 * 85, sumKPa: 200 * x.kPa, variance: sigma*sigma - pocketK*pocketK})
		}
		return out
	}
	sharp := (&ElevationFit{bodies: bodies(0.03)}).Fit()
	best := sharp[0]
	if best.Model != liquor.BatterhamNorgate || math.Abs(best.Factor-0.6) > 1e-9 || best.LeftK > 1e-9 || best.Bodies != 3 {
		t.Errorf("the best is %+v", best)
	}
	if i := ProposedElevation(sharp); i != 0 {
		t.Errorf("proposed is %d of %+v", i, sharp)
	}
	if i := ProposedElevation((&ElevationFit{bodies: bodies(1)}).Fit()); i != -1 {
		t.Errorf("thermometers 1 K wide propose %d", i)
	}
	if fits := (&ElevationFit{bodies: bodies(0.03)[:1]}).Fit(); len(fits) > 0 {
		t.Errorf("one body fits any equation: %+v", fits)
	}
}
