package liquor_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

func TestElevationTable(t *testing.T) {
	models := map[string]liquor.BPEModel{
		"sp97": liquor.StarzakPeacock, "hugot": liquor.Hugot, "peacock95": liquor.Peacock,
		"crapiste_sucrose": liquor.CrapisteLozano,
	}
	each(t, "boiling-point-elevation.csv", 74, func(r tableRow) (float64, error, bool) {
		m, ok := models[r.equation]
		v, err := m.Elevation(r.brix(), r.purity(), r.pressure(), 0)
		return v, err, ok
	})
}

func TestInverseElevationTable(t *testing.T) {
	models := map[string]liquor.BPEModel{
		"brix_from_bpe_sp97": liquor.StarzakPeacock, "brix_from_bpe_peacock95": liquor.Peacock,
	}
	each(t, "inverse-bpe.csv", 11, func(r tableRow) (float64, error, bool) {
		m, ok := models[r.equation]
		v, err := m.BrixFromElevation(r.extra["bpe"], r.purity(), r.pressure(), 0)
		return float64(v), err, ok
	})
}

func TestWaterActivityTable(t *testing.T) {
	each(t, "water-activity.csv", 16, func(r tableRow) (float64, error, bool) {
		v, err := liquor.WaterActivity(r.brix(), r.celsius())
		return v, err, r.equation == "sp97"
	})
}

// Check values of an independent calculation for a demonstration set: the form with 374
// by its authors' names and the Geankoplis polynomial, printed to two decimals.
func TestElevationPrinted(t *testing.T) {
	for _, c := range []struct {
		brix                  liquor.Brix
		tv                    steam.Celsius
		geankoplis, hugot, bn float64
	}{
		{15.7, 121, 0.43, 0.37, 0.30},
		{25.5, 108, 0.86, 0.68, 0.58},
		{34.4, 96, 1.35, 1.05, 0.85},
		{46.5, 83, 2.17, 1.74, 1.43},
		{60, 64, 3.31, 3.00, 2.67},
		{65, 57, 3.78, 3.71, 3.39},
		{80, 60, math.NaN(), 8.00, 8.01}, // Geankoplis "must not be used for pans"
	} {
		p, err := steam.Psat(c.tv)
		if err != nil {
			t.Fatal(err)
		}
		for m, want := range map[liquor.BPEModel]float64{liquor.Geankoplis: c.geankoplis, liquor.Hugot: c.hugot, liquor.BatterhamNorgate: c.bn} {
			got, _, err := liquor.Accept(m.Elevation(c.brix, 100, p, 0))
			if math.IsNaN(want) {
				wantRange(t, fmt.Sprint(m, " at ", c.brix), err)
				continue
			}
			if err != nil || math.Abs(got-want) > 0.0051 {
				t.Errorf("%s at %g Brix, %g degC: %.3f, %v, want %.2f", m, float64(c.brix), float64(c.tv), got, err, want)
			}
		}
	}
}

func TestSpecificHeatTable(t *testing.T) {
	models := map[string]liquor.HeatModel{"bubnik95": liquor.Bubnik, "hugot_cp": liquor.HugotHeat, "popov_cp": liquor.PopovHeat}
	each(t, "specific-heat.csv", 23, func(r tableRow) (float64, error, bool) {
		m, ok := models[r.equation]
		v, err := m.SpecificHeat(r.brix(), r.purity(), r.celsius())
		return v, err, ok
	})
}

func TestEnthalpyTable(t *testing.T) {
	each(t, "specific-enthalpy.csv", 11, func(r tableRow) (float64, error, bool) {
		v, err := liquor.Bubnik.Enthalpy(r.brix(), r.purity(), r.celsius())
		return v, err, r.equation == "bubnik95_h"
	})
}

func TestDensityTable(t *testing.T) {
	each(t, "density.csv", 66, func(r tableRow) (float64, error, bool) {
		m, by := liquor.SPS4, 1.0
		switch r.equation {
		case "sps4":
		case "short":
			m = liquor.ShortDensity
		case "sps4_ratio20": // relative density 20/20
			water, err := m.Density(0, 20)
			if err != nil {
				t.Fatal(err)
			}
			by = water
		case "sps4_d20_4": // relative to water at 4 degC, 999.972 kg/m3
			by = 999.972
		default:
			return 0, nil, false
		}
		v, err := m.Density(r.brix(), r.celsius())
		return v / by, err, true
	})
}

func TestSolubilityTable(t *testing.T) {
	each(t, "solubility.csv", 24, func(r tableRow) (float64, error, bool) {
		v, err := liquor.SolubilityModel(r.equation).Solubility(r.celsius())
		return v, err, true
	})
}

func TestSupersaturationTable(t *testing.T) {
	each(t, "supersaturation.csv", 23, func(r tableRow) (float64, error, bool) {
		switch r.equation {
		case "sc_wv":
			v, err := r.site().Coefficient(r.extra["q"])
			return v, err, true
		case "ss_vav":
			v, err := liquor.Vavrinecz.Supersaturation(r.brix(), r.purity(), r.celsius(), r.site())
			return v, err, true
		}
		return 0, nil, false
	})
}

func TestHeadTable(t *testing.T) {
	each(t, "hydrostatic.csv", 8, func(r tableRow) (float64, error, bool) {
		v, err := liquor.HeadRise(r.pressure(), r.extra["rho"], r.extra["H"])
		return v, err, r.equation == "dT_head"
	})
}

// Density of water against IF97 at one atmosphere: within 0.02 kg/m3, rounded.
func TestWaterLimit(t *testing.T) {
	for c := steam.Celsius(1); c < 100; c += 3 {
		w, err := liquor.SPS4.Density(0, c)
		s, err2 := steam.Liquid(101.325, c)
		if err != nil || err2 != nil || math.Abs(w-1/s.VolumeM3Kg) > 0.0249 {
			t.Errorf("%g degC: %.4f against IF97 %.4f, %v %v", float64(c), w, 1/s.VolumeM3Kg, err, err2)
		}
	}
}

// The solubility lines agree within 0.12 % (rounded) absolute from 0 to 80 degC, and the cane
// constants with the line 1 - 0.088 q (from memory) within 1 % to q = 1.
func TestModelsAgree(t *testing.T) {
	for c := steam.Celsius(0); c <= 80; c++ {
		a, err1 := liquor.Vavrinecz.Solubility(c)
		b, err2 := liquor.Charles.Solubility(c)
		if err1 != nil || err2 != nil || math.Abs(a-b) > 0.1249 {
			t.Errorf("solubility at %g degC: %.3f and %.3f, %v %v", float64(c), a, b, err1, err2)
		}
	}
	line := liquor.Impurity{M: -0.088, B: 1}
	for q := 0.0; q <= 1; q += 0.1 {
		a, err1 := liquor.CaneImpurity().Coefficient(q)
		b, err2 := line.Coefficient(q)
		if err1 != nil || err2 != nil || math.Abs(a-b) > 0.01 {
			t.Errorf("coefficient at q = %g: %.4f and %.4f, %v %v", q, a, b, err1, err2)
		}
	}
}

// Lines of constant supersaturation of a low-grade liquor (purity 68, 16 kPa) that an
// independent calculation gives, with Charles' solubility, the line 1 - 0.088 q and the
// elevation by Batterham and Norgate, printed to one decimal.
func TestConstantSupersaturationLines(t *testing.T) {
	const p = 16
	ts, err := steam.Tsat(p)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ s, brix, bpe float64 }{{1.0, 79.6, 7.6}, {1.1, 81.0, 8.2}, {1.2, 82.2, 8.7}, {1.3, 83.3, 9.2}} {
		bpe := 8.0
		var b liquor.Brix
		for range 20 {
			b, _, err = liquor.Accept(liquor.Charles.BrixAtSupersaturation(c.s, 68, ts+steam.Celsius(bpe), liquor.Impurity{M: -0.088, B: 1}))
			if err != nil {
				t.Fatal(err)
			}
			bpe, _, err = liquor.Accept(liquor.BatterhamNorgate.Elevation(b, 68, p, 0))
			if err != nil {
				t.Fatal(err)
			}
		}
		if math.Abs(float64(b)-c.brix) > 0.051 || math.Abs(bpe-c.bpe) > 0.051 {
			t.Errorf("S = %g: %.2f Brix, %.2f K; want %.1f and %.1f", c.s, float64(b), bpe, c.brix, c.bpe)
		}
	}
}

func TestElevationRoundTrip(t *testing.T) {
	for _, m := range append(liquor.BPEModels(), "") {
		t.Run(string(m), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				top := 95.0
				if m == liquor.Geankoplis {
					top = 70
				}
				b := rapid.Float64Range(0, top).Draw(t, "Brix")
				p := steam.KPa(math.Exp(rapid.Float64Range(0, math.Log(2000)).Draw(t, "ln p")))
				purity := liquor.Purity(rapid.Float64Range(0, 102).Draw(t, "purity"))
				k := rapid.Float64Range(-0.9, 5).Draw(t, "k")
				e, _, err := liquor.Accept(m.Elevation(liquor.Brix(b), purity, p, k))
				if err != nil {
					t.Fatal(err)
				}
				if e < 0 {
					t.Fatalf("elevation %g", e)
				}
				back, _, err := liquor.Accept(m.BrixFromElevation(e, purity, p, k))
				if err != nil {
					t.Fatal(err)
				}
				if m == liquor.CrapisteLozano && b < 1e-3 {
					return // B^0.0942 starts vertically
				}
				if math.Abs(float64(back)-b) > 1e-7 {
					t.Fatalf("%g Brix, %g K, back %.12g", b, e, float64(back))
				}
				if b2 := b + 0.1; b2 < top {
					e2, _, err := liquor.Accept(m.Elevation(liquor.Brix(b2), purity, p, k))
					if err != nil || e2 <= e {
						t.Fatalf("elevation does not rise with Brix: %g at %g, %g at %g, %v", e, b, e2, b2, err)
					}
				}
			})
		})
	}
}

// The elevation of StarzakPeacock satisfies its own equation psat(T) aw(T) = p.
func TestStarzakPeacockCloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := liquor.Brix(rapid.Float64Range(0, 95).Draw(t, "Brix"))
		p := steam.KPa(math.Exp(rapid.Float64Range(0, math.Log(500)).Draw(t, "ln p")))
		e, _, err := liquor.Accept(liquor.StarzakPeacock.Elevation(b, 100, p, 0))
		if err != nil {
			t.Fatal(err)
		}
		ts, err := steam.Tsat(p)
		if err != nil {
			t.Fatal(err)
		}
		tb := ts + steam.Celsius(e)
		ps, err := steam.Psat(tb)
		if err != nil {
			t.Fatal(err)
		}
		a, err := liquor.WaterActivity(b, tb)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(ps)*a/float64(p)-1) > 1e-10 {
			t.Fatalf("psat aw / p = %.15g at %g Brix, %g kPa", float64(ps)*a/float64(p), float64(b), float64(p))
		}
	})
}

// The purity factor is exactly 1 + k (1 - P/100).
func TestPurityFactor(t *testing.T) {
	pure, err1 := liquor.StarzakPeacock.Elevation(65, 100, 16, 0.7)
	impure, err2 := liquor.StarzakPeacock.Elevation(65, 80, 16, 0.7)
	if err1 != nil || err2 != nil || math.Abs(impure/pure-1.14) > 1e-12 {
		t.Errorf("%g / %g, %v %v", impure, pure, err1, err2)
	}
}

// Specific heat is the slope of the enthalpy.
func TestEnthalpyIsIntegral(t *testing.T) {
	for _, m := range append(liquor.HeatModels(), "") {
		rapid.Check(t, func(t *rapid.T) {
			b := liquor.Brix(rapid.Float64Range(0, 100).Draw(t, "Brix"))
			c := steam.Celsius(rapid.Float64Range(1, 179).Draw(t, "t"))
			purity := liquor.Purity(rapid.Float64Range(0, 100).Draw(t, "purity"))
			cp, _, e1 := liquor.Accept(m.SpecificHeat(b, purity, c))
			hi, _, e2 := liquor.Accept(m.Enthalpy(b, purity, c+0.5))
			lo, _, e3 := liquor.Accept(m.Enthalpy(b, purity, c-0.5))
			zero, _, e4 := liquor.Accept(m.Enthalpy(b, purity, 0))
			if err := errors.Join(e1, e2, e3, e4); err != nil {
				t.Fatal(err)
			}
			if math.Abs(hi-lo-cp) > 1e-9 || zero != 0 {
				t.Fatalf("%s: dh/dt %.12g, cp %.12g, h(0) %g", m, hi-lo, cp, zero)
			}
		})
	}
}

func TestSupersaturationRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom(liquor.SolubilityModels()).Draw(t, "model")
		site := rapid.SampledFrom([]liquor.Impurity{{}, liquor.CaneImpurity(), {M: 0.178, B: 0.820, C: 2.1}, {M: -0.088, B: 1}}).Draw(t, "site")
		b := liquor.Brix(rapid.Float64Range(0, 96).Draw(t, "Brix"))
		purity := liquor.Purity(rapid.Float64Range(1, 102).Draw(t, "purity"))
		c := steam.Celsius(rapid.Float64Range(-10, 115).Draw(t, "t"))
		s, _, err := liquor.Accept(m.Supersaturation(b, purity, c, site))
		var r *liquor.RangeError
		if errors.As(err, &r) {
			return // q beyond 8
		}
		back, _, err := liquor.Accept(m.BrixAtSupersaturation(s, purity, c, site))
		if err != nil {
			if errors.As(err, &r) && r.Quantity == "solubility coefficient" {
				return
			}
			t.Fatal(err)
		}
		if math.Abs(float64(back-b)) > 1e-8 {
			t.Fatalf("%g Brix, S %g, back %g", float64(b), s, float64(back))
		}
	})
}

// A pure saturated solution has a supersaturation of 1, and so has one at the inverse's
// Brix.
func TestSaturationIsOne(t *testing.T) {
	b, err := liquor.Vavrinecz.BrixAtSupersaturation(1, 100, 65, liquor.CaneImpurity())
	sat, err2 := liquor.Vavrinecz.Solubility(65)
	if err != nil || err2 != nil || math.Abs(float64(b)-sat) > 1e-10 {
		t.Errorf("%g, %g, %v %v", float64(b), sat, err, err2)
	}
}

func TestMassecuite(t *testing.T) {
	// Consistency: 92 Brix, purity 84, 45 % crystal on massecuite.
	bml, err1 := liquor.MotherLiquorBrix(92, 45)
	c, err3 := liquor.CrystalContent(92, bml)
	const pml = 100 * (92*0.84 - 45) / (92 - 45) // sucrose of the mother liquor over its solids
	cs, err2 := liquor.CrystalOnSolids(84, pml)
	if err := errors.Join(err1, err2, err3); err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(bml)-100*47/55.) > 1e-12 || math.Abs(c-45) > 1e-12 || math.Abs(cs-100*45/92.) > 1e-12 {
		t.Errorf("mother liquor %g Brix, crystal %g on massecuite, %g on solids", float64(bml), c, cs)
	}
	for what, err := range map[string]error{
		"purer mother liquor":  second(liquor.CrystalOnSolids(80, 85)),
		"pure mother liquor":   second(liquor.CrystalOnSolids(100, 100)),
		"denser mother liquor": second(liquor.CrystalContent(80, 85)),
		"too much crystal":     second(liquor.MotherLiquorBrix(80, 85)),
	} {
		wantRange(t, what, err)
	}
}

func second[T any](_ T, err error) error { return err }

func wantRange(t *testing.T, what string, err error) {
	t.Helper()
	var r *liquor.RangeError
	if !errors.As(err, &r) {
		t.Errorf("%s: error %v, want a *RangeError", what, err)
	}
}

func TestZones(t *testing.T) {
	z := liquor.TypicalZones()
	for s, want := range map[float64]liquor.Zone{
		0: liquor.Undersaturated, 0.999: liquor.Undersaturated, 1: liquor.Metastable, 1.19: liquor.Metastable,
		1.2: liquor.Intermediate, 1.3: liquor.Labile, 2: liquor.Labile,
	} {
		if got, err := z.Zone(s); err != nil || got != want {
			t.Errorf("S = %g: %s, %v; want %s", s, got, err, want)
		}
	}
	wantRange(t, "NaN", second(z.Zone(math.NaN())))
	wantRange(t, "limits", second(liquor.ZoneLimits{Metastable: 1.2, Intermediate: 1.1, Labile: 1.3}.Zone(1)))
	wantRange(t, "zero limits", second(liquor.ZoneLimits{}.Zone(1)))
}

func TestExtrapolationIsFlagged(t *testing.T) {
	for _, c := range []struct {
		what  string
		err   error
		input string
	}{
		{"peacock95 at 12 Brix", second(liquor.Peacock.Elevation(12, 100, 100, 0)), "Brix"},
		{"sp97 at 2.5 bar", second(liquor.StarzakPeacock.Elevation(20, 100, 250, 0)), "absolute pressure"},
		{"purity 101", second(liquor.StarzakPeacock.Elevation(20, 101, 100, 0)), "purity"},
		{"k 4", second(liquor.StarzakPeacock.Elevation(20, 90, 100, 4)), "purity factor k"},
		{"sp97 inverse at 92 Brix", second(liquor.StarzakPeacock.BrixFromElevation(21, 100, 16, 0)), "Brix"},
		{"cp at 120 degC", second(liquor.Bubnik.SpecificHeat(20, 85, 120)), "temperature"},
		{"enthalpy at 92 Brix", second(liquor.Bubnik.Enthalpy(92, 85, 65)), "Brix"},
		{"density at 110 degC", second(liquor.SPS4.Density(20, 110)), "temperature"},
		{"solubility at 95 degC", second(liquor.Vavrinecz.Solubility(95)), "temperature"},
		{"supersaturation at 91 Brix", second(liquor.Vavrinecz.Supersaturation(91, 90, 70, liquor.CaneImpurity())), "Brix"},
		{"coefficient at q 4", second(liquor.CaneImpurity().Coefficient(4)), "nonsucrose/water"},
	} {
		var x *liquor.Extrapolation
		if !errors.As(fmt.Errorf("compute: %w", c.err), &x) {
			t.Errorf("%s: error %v, want an *Extrapolation", c.what, c.err)
			continue
		}
		if x.Input != c.input || x.Property == "" || x.Value == 0 || x.Error() == "" {
			t.Errorf("%s: %+v, want input %s", c.what, *x, c.input)
		}
	}
	// The value stands beside the error, carries on smoothly, and Accept takes it.
	inside, err := liquor.Peacock.Elevation(15, 100, 100, 0)
	if err != nil {
		t.Fatal(err)
	}
	v, err := liquor.Peacock.Elevation(14.999999, 100, 100, 0)
	a, flagged, err2 := liquor.Accept(v, err)
	if err == nil || err2 != nil || !flagged || a != v || math.Abs(v-inside) > 1e-6 {
		t.Errorf("%g %v, %g %v %v", v, err, a, flagged, err2)
	}
}

func TestHardLimits(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, v := range []float64{nan, inf, -inf, -1, 1e300} {
		for _, m := range liquor.BPEModels() {
			wantRange(t, "Elevation Brix", second(m.Elevation(liquor.Brix(v), 100, 16, 0)))
			wantRange(t, "Elevation pressure", second(m.Elevation(65, 100, steam.KPa(v), 0)))
			wantRange(t, "Elevation purity", second(m.Elevation(65, liquor.Purity(v), 16, 0)))
			wantRange(t, "Elevation k", second(m.Elevation(65, 100, 16, v)))
			wantRange(t, "BrixFromElevation", second(m.BrixFromElevation(v, 100, 16, 0)))
		}
		for _, m := range liquor.HeatModels() {
			wantRange(t, "SpecificHeat", second(m.SpecificHeat(liquor.Brix(v), 85, 60)))
			wantRange(t, "Enthalpy", second(m.Enthalpy(20, liquor.Purity(v), 60)))
			wantRange(t, "Enthalpy", second(m.Enthalpy(20, 85, steam.Celsius(v))))
		}
		wantRange(t, "Density", second(liquor.SPS4.Density(liquor.Brix(v), 20)))
		wantRange(t, "Density", second(liquor.ShortDensity.Density(20, steam.Celsius(v))))
		wantRange(t, "Solubility", second(liquor.Vavrinecz.Solubility(steam.Celsius(v*100))))
		wantRange(t, "Supersaturation", second(liquor.Vavrinecz.Supersaturation(liquor.Brix(v), 90, 65, liquor.CaneImpurity())))
		wantRange(t, "Coefficient", second(liquor.CaneImpurity().Coefficient(v)))
		wantRange(t, "Coefficient constants", second(liquor.Impurity{M: 10 * v}.Coefficient(1)))
		wantRange(t, "BrixAtSupersaturation", second(liquor.Charles.BrixAtSupersaturation(v, 90, 65, liquor.CaneImpurity())))
		wantRange(t, "HeadRise", second(liquor.HeadRise(16, v*1e4, 1)))
	}
}

func TestUnknownModels(t *testing.T) {
	for _, err := range []error{
		second(liquor.BPEModel("antoine").Elevation(60, 100, 16, 0)),
		second(liquor.BPEModel("antoine").BrixFromElevation(2, 100, 16, 0)),
		second(liquor.HeatModel("x").SpecificHeat(60, 100, 16)),
		second(liquor.DensityModel("x").Density(60, 16)),
		second(liquor.SolubilityModel("x").Solubility(60)),
		second(liquor.SolubilityModel("x").Supersaturation(60, 90, 60, liquor.Impurity{})),
		second(liquor.SolubilityModel("x").BrixAtSupersaturation(1, 90, 60, liquor.Impurity{})),
	} {
		var u *liquor.UnknownModel
		if !errors.As(err, &u) {
			t.Errorf("error %v, want *UnknownModel", err)
		}
	}
	if m := liquor.BPEModels(); m[0] != liquor.StarzakPeacock || len(slices.Compact(slices.Sorted(slices.Values(m)))) != 6 {
		t.Errorf("models %v", m)
	}
}

func TestZeroAllocation(t *testing.T) {
	got := testing.AllocsPerRun(100, func() {
		for _, m := range [...]liquor.BPEModel{liquor.StarzakPeacock, liquor.Peacock, liquor.BatterhamNorgate} {
			e, _ := m.Elevation(65, 84, 16, 0.2)
			_, _ = m.BrixFromElevation(e, 84, 16, 0.2)
		}
		_, _ = liquor.Bubnik.Enthalpy(65, 84, 60)
		_, _ = liquor.SPS4.Density(65, 60)
		_, _ = liquor.Vavrinecz.Supersaturation(80, 84, 65, liquor.CaneImpurity())
	})
	if got != 0 {
		t.Errorf("%v allocations, want none", got)
	}
}

// No input panics, and no function returns a NaN or an infinity without an error, or a
// value other than the flagged one with it.
func FuzzLiquor(f *testing.F) {
	f.Add(65.0, 84.0, 16.0, 0.0, 60.0)
	f.Add(0.0, 100.0, 101.325, 0.5, 100.0)
	f.Add(95.0, 102.0, 2000.0, 5.0, 180.0)
	f.Add(99.99, 1.0, 1.0, -0.9, -10.0)
	f.Add(math.NaN(), math.Inf(1), -1.0, 1e308, math.Inf(-1))
	f.Fuzz(func(t *testing.T, b, purity, p, k, c float64) {
		check := func(what string, v float64, err error) {
			t.Helper()
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%s: %v, error %v", what, v, err)
			}
			if err != nil {
				var x *liquor.Extrapolation
				if errors.As(err, &x) {
					if x.Value != v {
						t.Errorf("%s: %v beside a flagged %v", what, v, x.Value)
					}
				} else if v != 0 {
					t.Errorf("%s: value %v with error %v", what, v, err)
				}
			}
		}
		bx, pu, kp, tc := liquor.Brix(b), liquor.Purity(purity), steam.KPa(p), steam.Celsius(c)
		for _, m := range liquor.BPEModels() {
			v, err := m.Elevation(bx, pu, kp, k)
			check(string(m), v, err)
			x, err := m.BrixFromElevation(b, pu, kp, k)
			check("inverse "+string(m), float64(x), err)
		}
		for _, m := range liquor.HeatModels() {
			v, err := m.SpecificHeat(bx, pu, tc)
			check("cp", v, err)
			v, err = m.Enthalpy(bx, pu, tc)
			check("h", v, err)
		}
		for _, m := range liquor.DensityModels() {
			v, err := m.Density(bx, tc)
			check("density", v, err)
		}
		site := liquor.Impurity{M: k, B: b / 50, C: p}
		for _, m := range liquor.SolubilityModels() {
			for _, i := range []liquor.Impurity{site, liquor.CaneImpurity()} {
				v, err := m.Supersaturation(bx, pu, tc, i)
				check("supersaturation", v, err)
				x, err := m.BrixAtSupersaturation(k, pu, tc, i)
				check("Brix at supersaturation", float64(x), err)
			}
			v, err := m.Solubility(tc)
			check("solubility", v, err)
		}
		v, err := site.Coefficient(b)
		check("coefficient", v, err)
		v, err = liquor.HeadRise(kp, purity, k)
		check("head", v, err)
		v, err = liquor.CrystalOnSolids(pu, liquor.Purity(k))
		check("crystal on solids", v, err)
		v, err = liquor.CrystalContent(bx, liquor.Brix(k))
		check("crystal content", v, err)
		x, err := liquor.MotherLiquorBrix(bx, k)
		check("mother liquor Brix", float64(x), err)
		if z, err := (liquor.ZoneLimits{Metastable: b, Intermediate: p, Labile: k}).Zone(c); (err == nil) != (z != "") {
			t.Errorf("zone %q beside %v", z, err)
		}
		// The forms for every scan say the same as the others, with a flag for the error.
		same := func(what string, v, flagged float64, extrapolated bool, err, flaggedErr error) {
			t.Helper()
			var x *liquor.Extrapolation
			if v != flagged || errors.As(err, &x) != extrapolated || (err != nil && !extrapolated) != (flaggedErr != nil) {
				t.Errorf("%s: %v, %v; flagged %v, %v, %v", what, v, err, flagged, extrapolated, flaggedErr)
			}
		}
		for _, m := range liquor.BPEModels() {
			v, err := m.Elevation(bx, pu, kp, k)
			f, out, ferr := m.ElevationFlagged(bx, pu, kp, k)
			same("elevation "+string(m), v, f, out, err, ferr)
			x, err := m.BrixFromElevation(b, pu, kp, k)
			g, out, ferr := m.BrixFromElevationFlagged(b, pu, kp, k)
			same("Brix from elevation "+string(m), float64(x), float64(g), out, err, ferr)
		}
		for _, m := range liquor.HeatModels() {
			v, err := m.Enthalpy(bx, pu, tc)
			f, out, ferr := m.EnthalpyFlagged(bx, pu, tc)
			same("enthalpy", v, f, out, err, ferr)
		}
		for _, m := range liquor.DensityModels() {
			v, err := m.Density(bx, tc)
			f, out, ferr := m.DensityFlagged(bx, tc)
			same("density", v, f, out, err, ferr)
		}
		for _, m := range liquor.SolubilityModels() {
			v, err := m.Supersaturation(bx, pu, tc, site)
			f, out, ferr := m.SupersaturationFlagged(bx, pu, tc, site)
			same("supersaturation", v, f, out, err, ferr)
		}
	})
}

var sink float64

func BenchmarkElevation(b *testing.B) {
	for _, m := range liquor.BPEModels() {
		b.Run(string(m), func(b *testing.B) {
			x := liquor.Brix(45)
			for b.Loop() {
				v, _ := m.Elevation(x, 84, 16, 0)
				sink += v
				x += 1e-9
			}
		})
	}
}

func BenchmarkBrixFromElevation(b *testing.B) {
	for _, m := range []liquor.BPEModel{liquor.StarzakPeacock, liquor.BatterhamNorgate} {
		b.Run(string(m), func(b *testing.B) {
			e := 4.0
			for b.Loop() {
				v, _ := m.BrixFromElevation(e, 84, 16, 0)
				sink += float64(v)
				e += 1e-9
			}
		})
	}
}

func BenchmarkEnthalpy(b *testing.B) {
	for b.Loop() {
		v, _ := liquor.Bubnik.Enthalpy(65, 84, 60)
		sink += v
	}
}

func BenchmarkSupersaturation(b *testing.B) {
	site := liquor.CaneImpurity()
	for b.Loop() {
		v, _ := liquor.Vavrinecz.Supersaturation(80, 84, 65, site)
		sink += v
	}
}
