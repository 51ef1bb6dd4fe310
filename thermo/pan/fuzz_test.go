package pan_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"calandria/thermo/liquor"
	"calandria/thermo/pan"
	"calandria/thermo/steam"
)

// From a liquor to the temperature it boils at, and back: Brix and supersaturation of the
// mother liquor come out as they went in, for every equation, over the whole range that
// the equations take, and what lies outside a source is marked.
func TestMotherLiquorRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := pan.Site{
			Elevation:    rapid.SampledFrom(liquor.BPEModels()).Draw(t, "elevation"),
			Solubility:   rapid.SampledFrom(liquor.SolubilityModels()).Draw(t, "solubility"),
			PurityFactor: rapid.Float64Range(0, 3).Draw(t, "k"),
		}
		top := 95.0
		if s.Elevation == liquor.Geankoplis {
			top = 70
		}
		b := liquor.Brix(rapid.Float64Range(1, top).Draw(t, "Brix"))
		p := steam.KPa(rapid.Float64Range(5, 60).Draw(t, "p"))
		purity := liquor.Purity(rapid.Float64Range(20, 100).Draw(t, "purity"))
		e, beyond, err := s.Elevation.ElevationFlagged(b, purity, p, s.PurityFactor)
		if err != nil {
			t.Fatal(err)
		}
		ts, err := steam.Tsat(p)
		if err != nil {
			t.Fatal(err)
		}
		tmc := float64(ts) + e
		want, beyond2, refused := s.Solubility.SupersaturationFlagged(b, purity, steam.Celsius(tmc), liquor.CaneImpurity())
		l, err := pan.MotherLiquor(pan.LiquorReading{MassecuiteC: tmc, PressureKPa: float64(p), LiquorPurityPct: float64(purity)}, s)
		if (refused != nil) != (err != nil) {
			t.Fatalf("%v, and from the elevation %v", refused, err)
		}
		if err != nil {
			return
		}
		if math.Abs(float64(l.Brix-b)) > 1e-6 || math.Abs(l.Supersaturation-want) > 1e-6*(1+want) {
			t.Fatalf("%g Brix, S %g became %g and %g", float64(b), want, float64(l.Brix), l.Supersaturation)
		}
		edge := math.Abs(float64(b)-math.Round(float64(b))) < 1e-6 // the end of a range, but for rounding
		if l.Extrapolated != (beyond || beyond2) && !edge {
			t.Fatalf("extrapolated %v, want %v or %v", l.Extrapolated, beyond, beyond2)
		}
	})
}

// Whatever goes in: no panic, and no NaN or infinity without an error.
func FuzzPan(f *testing.F) {
	f.Add(63.0, 16.0, 70.0, 92.0, 360.0)
	f.Add(0.0, 0.0, 0.0, 0.0, 0.0)
	f.Add(99.99, 1.0, 100.0, 100.0, 1e-300)
	f.Add(math.NaN(), math.Inf(1), -1.0, 1e308, math.Inf(-1))
	f.Fuzz(func(t *testing.T, a, b, c, d, e float64) {
		check := func(what string, err error, values ...float64) {
			t.Helper()
			for _, v := range values {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%s: %v, error %v", what, v, err)
				}
				if err != nil && v != 0 {
					t.Errorf("%s: %v beside %v", what, v, err)
				}
			}
		}
		l, err := pan.MotherLiquor(pan.LiquorReading{MassecuiteC: a, PressureKPa: b, LiquorPurityPct: c, SigmaK: d, SigmaKPa: e, SigmaPurityPct: d},
			pan.Site{PurityFactor: e})
		check("mother liquor", err, l.ElevationK, l.SaturationC, float64(l.Brix), l.Supersaturation, l.PerK, l.PerKPa, l.PerPurity, l.Sigma)
		ss, sigma, _, err := pan.Supersaturation(pan.MeasuredLiquor{Brix: a, SigmaBrix: d, MassecuiteC: b, SigmaK: e, LiquorPurityPct: c, SigmaPurityPct: d}, pan.Site{})
		check("supersaturation", err, ss, sigma)
		v, err := pan.Evaporation(a, steam.KPa(b), steam.KPa(c), d)
		check("evaporation", err, v)
		v, err = pan.U(a, steam.KPa(b), c, d)
		check("U", err, v)
		v, err = pan.SeedRatio(a, b)
		check("seed ratio", err, v)
		x, y, err := pan.SJM(liquor.Purity(a), liquor.Purity(b), liquor.Purity(c))
		check("SJM", err, x, y)
		x, y, z, err := pan.CrystalByPurity(liquor.Brix(a), liquor.Purity(b), liquor.Purity(c))
		check("crystal", err, x, y, float64(z))
		bal, err := pan.Balance([]pan.Stream{{T: a, Brix: liquor.Brix(b), Purity: liquor.Purity(c)}, {T: d, Brix: liquor.Brix(e), Purity: liquor.Purity(a)}}, liquor.Brix(d), liquor.Purity(e))
		check("balance", err, bal.Massecuite.T, float64(bal.Massecuite.Purity), bal.EvaporationT, bal.CrystalOnSolidsPct, bal.CrystalPct, bal.CrystalT, float64(bal.MotherLiquorBrix))
		use := func(v float64) pan.Reading { return pan.Reading{Value: v, OK: true} }
		// Strikes of any kind: nothing here may panic.
		one := pan.Strike{WaterT: use(a), MaxS: use(b), DropBrix: use(c)}
		pan.Compare(&one, &one, one.Start)
		pan.Scaling([]pan.Strike{one, one})
		pan.Reference([]pan.Strike{one})
	})
}
