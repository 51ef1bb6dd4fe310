package evaporator_test

import (
	"math"
	"testing"

	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
)

// What a set stores counts: water and solids that come in are in the vapours, in the
// syrup or in the bodies; by hand for the whole set, and body by body.
func TestStored(t *testing.T) {
	d := evaporator.Design{
		Bodies:   []evaporator.Body{{Name: "A", Effect: 1, AreaM2: 2600}, {Name: "B", Effect: 2, AreaM2: 2000}, {Name: "C", Effect: 3, AreaM2: 1600}},
		VapourCp: 1.9, PurityPct: 88, Elevation: liquor.BPEModels()[0], Heat: liquor.Bubnik,
	}
	s, err := evaporator.New(d)
	if err != nil {
		t.Fatal(err)
	}
	read := func(v float64) evaporator.Reading { return evaporator.Read(v, 0) }
	m := evaporator.Measurement{JuiceTH: read(250), FeedBrix: read(15), FeedC: read(110), SyrupBrix: read(60), SteamKPa: read(200)}
	for i, p := range []float64{140, 80, 18} {
		m.Bodies[i].VapourKPa = read(p)
	}
	steady, r := s.NewResults(), s.NewResults()
	s.Evaluate(&m, steady)
	for _, row := range []evaporator.Row{evaporator.ByJuiceAndBrix, evaporator.BySteam, evaporator.ByBrixProfile} {
		m := m
		switch row {
		case evaporator.BySteam:
			m.SteamTH, m.SyrupBrix = read(steady.SteamTH.Value), evaporator.Reading{}
		case evaporator.ByBrixProfile:
			m.Bodies[0].Brix, m.Bodies[1].Brix = read(22), read(34)
		}
		m.Bodies[0].Stored = evaporator.Stored{JuiceTH: 6, SolidsTH: 1.4, HeatMJH: 2000}
		m.Bodies[1].Stored = evaporator.Stored{JuiceTH: -2, SolidsTH: 0.3}
		m.Bodies[2].Stored = evaporator.Stored{SolidsTH: 1}
		s.Evaluate(&m, r)
		if r.Row != row {
			t.Fatalf("row %v, want %v: %v", r.Row, row, r.TotalEvaporationTH.Reason)
		}
		if row != evaporator.BySteam {
			// By hand: 250 t/h of juice, 4 of them stored; 37.5 t/h of solids, 2.7 stored.
			if syrup := 100 * (37.5 - 2.7) / 60; math.Abs(r.SyrupTH.Value-syrup) > 1e-9 || math.Abs(r.TotalEvaporationTH.Value-(246-syrup)) > 1e-9 {
				t.Errorf("%v: syrup %.3f, evaporation %.3f", row, r.SyrupTH.Value, r.TotalEvaporationTH.Value)
			}
		}
		in, solids, sum := 250.0, 37.5, 0.0
		for i := range r.Bodies {
			b, st := &r.Bodies[i], m.Bodies[i].Stored
			if math.Abs(b.JuiceInTH.Value-in) > 1e-6 {
				t.Errorf("%v: juice to %s %.4f, %.4f are right", row, b.Name, b.JuiceInTH.Value, in)
			}
			in -= st.JuiceTH + b.EvaporationTH.Value
			solids -= st.SolidsTH
			sum += b.EvaporationTH.Value
			if out := b.JuiceOutTH.Value; math.Abs(out-in) > 1e-6 || math.Abs(out*b.BrixOut.Value/100-solids) > 1e-6 {
				t.Errorf("%v: %s lets out %.4f t/h of %.4f Bx, %.4f t/h with %.4f of solids are right", row, b.Name, out, b.BrixOut.Value, in, solids)
			}
		}
		if math.Abs(sum-r.TotalEvaporationTH.Value) > 1e-6 {
			t.Errorf("%v: the bodies evaporate %.4f, the set %.4f", row, sum, r.TotalEvaporationTH.Value)
		}
	}
	// A steady measurement afterwards is what it was.
	s.Evaluate(&m, r)
	if r.SteamTH != steady.SteamTH || r.Bodies[2].U != steady.Bodies[2].U {
		t.Errorf("what was stored is still counted: %v, %v", r.SteamTH, steady.SteamTH)
	}
}
