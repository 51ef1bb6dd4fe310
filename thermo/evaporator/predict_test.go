package evaporator_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
)

func demoOperation(p plantFile) evaporator.Operation {
	op := evaporator.Operation{
		SteamKPa: p.Base.P0, LastKPa: p.Config.P5,
		JuiceTH: p.Config.Feed, FeedBrix: p.Config.FeedBrix, FeedC: p.Config.FeedC,
	}
	for i, u := range p.Config.U {
		op.Bodies[i] = evaporator.BodyOperation{U: u / 1000, LevelPct: 100 * p.Config.Level[i]}
	}
	copy(op.BleedTH[:], p.Config.Bleed)
	return op
}

// The prediction gives every state of the invented plant: base, fouling days
// (scale resistance linear in time, plant description section 5) and upsets.
// Source: testdata/plant/plant.json.
func TestPredictPlant(t *testing.T) {
	p := readPlant(t)
	for _, c := range []struct {
		name string
		set  *evaporator.Set
		tol  float64
	}{{"SR1", sr1Set(t, p), 5e-6}, {"IF97", demoSet(t, p), 3e-4}} {
		t.Run(c.name, func(t *testing.T) {
			s, r := c.set, c.set.NewResults()
			check := func(t *testing.T, st plantState) {
				t.Helper()
				near(t, "steam", value(t, "steam", r.SteamTH), st.S, c.tol)
				near(t, "evaporation", value(t, "evaporation", r.TotalEvaporationTH), st.Evap, c.tol)
				near(t, "economy", value(t, "economy", r.Economy), st.Economy, c.tol)
				for i := range st.U {
					b := &r.Bodies[i]
					near(t, b.Name+" pressure", value(t, "p", b.VapourKPa), st.Pv[i], c.tol)
					near(t, b.Name+" U", value(t, "U", b.U), st.U[i]/1000, c.tol)
					near(t, b.Name+" V", value(t, "V", b.EvaporationTH), st.V[i], c.tol)
					near(t, b.Name+" Brix", value(t, "Brix", b.BrixOut), st.Brix[i], c.tol)
					near(t, b.Name+" dT", value(t, "dT", b.DTK), st.DT[i], 4*c.tol)
					near(t, b.Name+" duty", value(t, "q", b.DutyKW), 1000*st.Q[i], c.tol)
				}
			}
			t.Run("base", func(t *testing.T) {
				op := demoOperation(p)
				if err := s.Predict(&op, r); err != nil {
					t.Fatal(err)
				}
				check(t, p.Base)
			})
			for day, st := range p.Fouling {
				t.Run("day "+day, func(t *testing.T) {
					op := demoOperation(p)
					op.SteamKPa = st.P0
					for i := range st.U {
						op.Bodies[i].U = st.U[i] / 1000
					}
					if err := s.Predict(&op, r); err != nil {
						t.Fatal(err)
					}
					check(t, st)
					// The Brix controller finds the pressure.
					limited, err := s.PredictForBrix(&op, p.Config.Target, p.Config.Header, r)
					if err != nil {
						t.Fatal(err)
					}
					if limited != st.Limited {
						t.Errorf("limited by the header: %v, want %v", limited, st.Limited)
					}
					near(t, "controlled pressure", op.SteamKPa, st.P0, 2*c.tol)
				})
			}
			for name, up := range p.Upsets {
				t.Run(name, func(t *testing.T) {
					op := demoOperation(p)
					op.LastKPa = up.Tags["p5"]
					limit := p.Config.Header
					switch name {
					case "steamdip":
						op.SteamKPa -= 25
						limit = op.SteamKPa
					case "bleed2open":
						op.BleedTH[1] += 3.5
					}
					for i := range p.Config.U {
						op.Bodies[i].U = up.Tags[fmt.Sprintf("U%d", i+1)] / 1000
					}
					if err := s.Predict(&op, r); err != nil {
						t.Fatal(err)
					}
					near(t, "steam", r.SteamTH.Value, up.Tags["S"], c.tol)
					near(t, "syrup Brix", r.SyrupBrix.Value, up.Tags["bx5"], c.tol)
					for i := range p.Config.U {
						near(t, "pressure", r.Bodies[i].VapourKPa.Value, up.Tags[fmt.Sprintf("p%d", i+1)], c.tol)
						near(t, "Brix", r.Bodies[i].BrixOut.Value, up.Tags[fmt.Sprintf("bx%d", i+1)], c.tol)
					}
					target := p.Config.Target
					switch name {
					case "bxdrift": // the refractometer reads 1.5 high: the true Brix is held 1.5 low
						target -= 1.5
					}
					limited, err := s.PredictForBrix(&op, target, limit, r)
					if err != nil {
						t.Fatal(err)
					}
					near(t, "closed steam pressure", op.SteamKPa, up.Closed.P0, 2*c.tol)
					near(t, "closed steam", r.SteamTH.Value, up.Closed.S, 2*c.tol)
					if limited != up.Closed.Limited {
						t.Errorf("closed: limited %v, want %v", limited, up.Closed.Limited)
					}
				})
			}
		})
	}
}

func example(tb testing.TB, name string) (inputs, published map[string]json.RawMessage) {
	tb.Helper()
	data, err := os.ReadFile("../../testdata/examples/" + name + ".json")
	if err != nil {
		tb.Fatal(err)
	}
	var f struct {
		Inputs, Published map[string]json.RawMessage
	}
	if err := json.Unmarshal(data, &f); err != nil {
		tb.Fatal(err)
	}
	return f.Inputs, f.Published
}

func number[T any](tb testing.TB, m map[string]json.RawMessage, name string) T {
	tb.Helper()
	var v T
	if err := json.Unmarshal(m[name], &v); err != nil {
		tb.Fatalf("%s: %v", name, err)
	}
	return v
}

// published compares a result with a published value within its tolerance.
func published(tb testing.TB, m map[string]json.RawMessage, name string, got float64) {
	tb.Helper()
	p := number[struct {
		Value  float64
		TolRel float64 `json:"tol_rel"`
	}](tb, m, name)
	near(tb, name, got, p.Value, p.TolRel)
}

// Geankoplis example 8.5-1 (testdata/examples/01): the published areas put in, the
// published flows come out.
func TestPredictGeankoplis(t *testing.T) {
	in, out := example(t, "01-geankoplis-triple-effect-sugar")
	area := 104.963 // recomputed equal area; the published 105 is within its tolerance
	d := evaporator.Conventions(
		evaporator.Body{Name: "1", Effect: 1, AreaM2: area},
		evaporator.Body{Name: "2", Effect: 2, AreaM2: area},
		evaporator.Body{Name: "3", Effect: 3, AreaM2: area})
	d.LossFraction, d.PipeLossK, d.VapourCondensate, d.VapourCp = 0, 0, evaporator.Drained, 1.884
	d.Elevation, d.Heat = liquor.Geankoplis, liquor.GeankoplisHeat
	s, err := evaporator.New(d)
	if err != nil {
		t.Fatal(err)
	}
	op := evaporator.Operation{
		SteamKPa: number[float64](t, in, "p_steam_kPa"), LastKPa: number[float64](t, in, "p_last_kPa"),
		JuiceTH: number[float64](t, in, "feed_kg_h") / 1000, FeedBrix: 100 * number[float64](t, in, "x_feed"), FeedC: number[float64](t, in, "T_feed_C"),
	}
	for i, u := range number[[]float64](t, in, "U_W_m2K") {
		op.Bodies[i].U = u / 1000
	}
	r := s.NewResults()
	if err := s.Predict(&op, r); err != nil {
		t.Fatal(err)
	}
	near(t, "product", r.SyrupBrix.Value, 50, 0.01)
	published(t, out, "area_each", area)
	published(t, out, "steam", 1000*r.SteamTH.Value)
	published(t, out, "economy", r.Economy.Value)
	published(t, out, "V1", 1000*r.Bodies[0].EvaporationTH.Value)
	published(t, out, "V2", 1000*r.Bodies[1].EvaporationTH.Value)
	published(t, out, "V3", 1000*r.Bodies[2].EvaporationTH.Value)
	published(t, out, "x1", r.Bodies[0].BrixOut.Value/100)
	published(t, out, "x2", r.Bodies[1].BrixOut.Value/100)

	// And back: tags of the state give the coefficients.
	m := s.Tags(&op, r)
	back := s.NewResults()
	for b := range 3 {
		m.Bodies[b].Brix = evaporator.Reading{}
	}
	s.Evaluate(&m, back)
	for i, u := range number[[]float64](t, in, "U_W_m2K") {
		near(t, "U", value(t, "U", back.Bodies[i].U), u/1000, 1e-7)
	}
}

func BenchmarkPredict(b *testing.B) {
	p := readPlant(b)
	s := demoSet(b, p)
	r := s.NewResults()
	op := demoOperation(p)
	b.ReportAllocs()
	for b.Loop() {
		if err := s.Predict(&op, r); err != nil {
			b.Fatal(err)
		}
	}
	if math.IsNaN(r.SteamTH.Value) {
		b.Fatal("NaN")
	}
}

// What one change does, others held: 14 sensitivities of the invented plant
// (testdata/plant/plant.json, "sensitivities"), with IAPWS-IF97: the formulation
// cancels out of differences.
func TestPredictSensitivities(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	r := s.NewResults()
	base := demoOperation(p)
	at := func(op evaporator.Operation) map[string]float64 {
		t.Helper()
		if err := s.Predict(&op, r); err != nil {
			t.Fatal(err)
		}
		out := map[string]float64{"bx5": r.SyrupBrix.Value, "S": r.SteamTH.Value, "econ": r.Economy.Value, "V5": r.Bodies[4].EvaporationTH.Value}
		for i := range 4 {
			out[fmt.Sprintf("p%d", i+1)] = r.Bodies[i].VapourKPa.Value
		}
		return out
	}
	from := at(base)
	changes := map[string]func(op *evaporator.Operation){
		"p0 +5 kPa":      func(op *evaporator.Operation) { op.SteamKPa += 5 },
		"feed +2 t/h":    func(op *evaporator.Operation) { op.JuiceTH += 2 },
		"feed Brix +0.5": func(op *evaporator.Operation) { op.FeedBrix += 0.5 },
		"feed temp -3 K": func(op *evaporator.Operation) { op.FeedC -= 3 },
		"p5 +1 kPa":      func(op *evaporator.Operation) { op.LastKPa++ },
	}
	for i, by := range []float64{2, 1, 1, 1} {
		changes[fmt.Sprintf("V%d bleed +%g t/h", i+1, by)] = func(op *evaporator.Operation) { op.BleedTH[i] += by }
	}
	for i := range 5 {
		changes[fmt.Sprintf("U%d -10 %%", i+1)] = func(op *evaporator.Operation) { op.Bodies[i].U *= 0.9 }
	}
	for name, want := range p.Sensitivities {
		change, ok := changes[name]
		if !ok {
			t.Errorf("no change for %q", name)
			continue
		}
		op := base
		change(&op)
		got := at(op)
		for k, w := range want {
			if d := got[k] - from[k]; math.Abs(d-w) > 0.002*math.Abs(w)+2e-4 {
				t.Errorf("%s: %s changes by %.5f, want %.5f", name, k, d, w)
			}
		}
	}
}
