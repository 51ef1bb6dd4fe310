package evaporator_test

import (
	"fmt"
	"math"
	"testing"

	"calandria/thermo/evaporator"
)

// The tags of every state of the invented plant give back the coefficients and
// the steam that an independent model put in: to five figures with the model's
// own formulation of water, and with IAPWS-IF97 within what the two formulations
// differ (0.009 % in pressure is 2 mK of a difference of 6 to 25 K).
// Source: testdata/plant/plant.json.
func TestInverse(t *testing.T) {
	p := readPlant(t)
	t.Run("SR1", func(t *testing.T) { testInverse(t, p, sr1Set(t, p), 5e-6) })
	t.Run("IF97", func(t *testing.T) { testInverse(t, p, demoSet(t, p), 2e-4) })
}

func testInverse(t *testing.T, p plantFile, s *evaporator.Set, five float64) {
	r := s.NewResults()

	states := map[string]plantState{"base": p.Base}
	for day, st := range p.Fouling {
		states["fouling day "+day] = st
	}
	for name, st := range states {
		t.Run(name, func(t *testing.T) {
			m := demoTags(p, st.P0, st.Pv, st.Brix[4])
			s.Evaluate(&m, r)
			if r.Row != evaporator.ByJuiceAndBrix {
				t.Fatalf("row %d (%s)", r.Row, r.Row)
			}
			near(t, "steam", value(t, "steam", r.SteamTH), st.S, five)
			near(t, "evaporation", value(t, "evaporation", r.TotalEvaporationTH), st.Evap, five)
			near(t, "economy", value(t, "economy", r.Economy), st.Economy, five)
			near(t, "specific", value(t, "specific", r.SpecificKgM2H), st.SpecTotal, five)
			near(t, "Rillieux", value(t, "Rillieux", r.RillieuxSteamTH), st.RillieuxS, five)
			for i := range st.U {
				b := &r.Bodies[i]
				is := func(what string, got evaporator.Result, want float64) {
					t.Helper()
					what = fmt.Sprintf("body %d %s", i+1, what)
					near(t, what, value(t, what, got), want, five)
				}
				is("U", b.U, st.U[i]/1000)
				is("Tc", b.ChestC, st.Tc[i])
				is("Tv", b.VapourC, st.Tv[i])
				is("Tj", b.JuiceC, st.Tj[i])
				near(t, "BPE", value(t, "BPE", b.BPEK), st.BPE[i], 4*five) // the elevation keeps IF97 inside
				is("duty", b.DutyKW, 1000*st.Q[i])
				is("V", b.EvaporationTH, st.V[i])
				is("L", b.JuiceOutTH, st.L[i])
				is("Brix", b.BrixOut, st.Brix[i])
				is("condensed", b.CondensedTH, st.W[i])
				near(t, "flash", value(t, "flash", b.FlashTH), st.Flash[i], 5*five) // a difference of liquid enthalpies
				near(t, "head", value(t, "head", b.HeadK), st.Head[i], 0.05)
				is("specific", b.SpecificKgM2H, st.Spec[i])
				is("dT", b.DTK, st.DT[i])
				is("apparent dT", b.DTApparentK, st.DTApp[i])
				is("apparent U", b.UApparent, st.Q[i]/(p.Config.A[i]*st.DTApp[i])*1000)
			}
		})
	}
	for name, up := range p.Upsets {
		t.Run(name, func(t *testing.T) {
			pv := make([]float64, 5)
			for i := range pv {
				pv[i] = up.Tags[fmt.Sprintf("p%d", i+1)]
			}
			p0 := p.Base.P0
			if name == "steamdip" {
				p0 -= 25
			}
			m := demoTags(p, p0, pv, up.Tags["bx5"])
			if name == "bleed2open" {
				m.BleedTH[1].Value += 3.5
			}
			s.Evaluate(&m, r)
			near(t, "steam", value(t, "steam", r.SteamTH), up.Tags["S"], five)
			near(t, "economy", value(t, "economy", r.Economy), up.Tags["econ"], five)
			resid := value(t, "Rillieux residual", r.RillieuxResidual)
			if want := up.Tags["rillieux_resid_pct"]; math.Abs(resid-want) > 100*five {
				t.Errorf("Rillieux residual %.6f %%, want %.6f", resid, want)
			}
			for i := range pv {
				b := &r.Bodies[i]
				near(t, b.Name+" U", value(t, "U", b.U), up.Tags[fmt.Sprintf("U%d", i+1)]/1000, five)
				near(t, b.Name+" dT", value(t, "dT", b.DTK), up.Tags[fmt.Sprintf("dT%d", i+1)], five)
				near(t, b.Name+" Brix", value(t, "Brix", b.BrixOut), up.Tags[fmt.Sprintf("bx%d", i+1)], five)
			}
		})
	}
}

func BenchmarkEvaluate(b *testing.B) {
	p := readPlant(b)
	s := demoSet(b, p)
	r := s.NewResults()
	m := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	b.ReportAllocs()
	for b.Loop() {
		s.Evaluate(&m, r)
	}
	if !r.Bodies[4].U.OK() {
		b.Fatal(r.Bodies[4].U.Reason)
	}
}
