package evaporator_test

import (
	"math"
	"strings"
	"testing"

	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Missing instruments: which row is used, what stands in, and what is said about
// it. The plant's true state is known, so whatever is present must be right.
func TestMissingInstruments(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	op := demoOperation(p)
	state := s.NewResults()
	if err := s.Predict(&op, state); err != nil {
		t.Fatal(err)
	}
	full := s.Tags(&op, state)
	none := evaporator.Reading{}
	usual := full // the commonest case: no intermediate Brix, condensate, chest pressures
	usual.SyrupTH, usual.SteamTH = none, none
	for b := range 5 {
		x := &usual.Bodies[b]
		x.Brix, x.CondensateTH, x.ChestKPa, x.ChestC, x.JuiceC, x.VapourC = none, none, none, none, none, none
	}

	for _, c := range []struct {
		name   string
		change func(m *evaporator.Measurement)
		row    evaporator.Row
		how    evaporator.How // of U of body 3
		absent string         // part of the reason if U of body 3 is absent
		more   func(t *testing.T, r *evaporator.Results)
	}{
		{"usual tags", func(m *evaporator.Measurement) {}, evaporator.ByJuiceAndBrix, evaporator.Balanced, "", nil},
		{"steam flow too", func(m *evaporator.Measurement) { m.SteamTH = full.SteamTH }, evaporator.ByBoth, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			if v := value(t, "steam difference", r.SteamDifference); math.Abs(v) > 1e-6 {
				t.Errorf("steam difference %g %%", v)
			}
			if v := value(t, "heat closure", r.HeatClosurePct); math.Abs(v) > 1e-6 {
				t.Errorf("heat closure %g %%", v)
			}
		}},
		{"steam meter 5 % high is not averaged in", func(m *evaporator.Measurement) {
			m.SteamTH = evaporator.Read(1.05*full.SteamTH.Value, 1)
		}, evaporator.ByBoth, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			near(t, "steam difference", r.SteamDifference.Value, 5, 1e-6)
			near(t, "measured economy", r.EconomyMeasured.Value*1.05, r.Economy.Value, 1e-9)
		}},
		{"syrup Brix bad, steam flow good", func(m *evaporator.Measurement) { m.SyrupBrix.OK, m.SteamTH = false, full.SteamTH }, evaporator.BySteam, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			near(t, "calculated syrup Brix", value(t, "syrup Brix", r.SyrupBrix), state.SyrupBrix.Value, 1e-7)
			if r.SyrupBrix.How != evaporator.Balanced {
				t.Errorf("syrup Brix is %s", r.SyrupBrix.How)
			}
		}},
		{"Brix after every body, no bleeds", func(m *evaporator.Measurement) {
			for b := range 5 {
				m.Bodies[b].Brix = full.Bodies[b].Brix
			}
			m.BleedTH = [evaporator.MaxEffects]evaporator.Reading{}
		}, evaporator.ByBrixProfile, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			for e := range 4 {
				near(t, "bleed by balance", value(t, "bleed", r.BleedTH[e]), p.Config.Bleed[e], 1e-7)
			}
		}},
		{"feed Brix from syrup flow", func(m *evaporator.Measurement) { m.FeedBrix.OK, m.SyrupTH = false, full.SyrupTH }, evaporator.ByJuiceAndBrix, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			near(t, "feed Brix", r.FeedBrix.Value, 14, 1e-7)
			if r.FeedBrix.How != evaporator.Balanced || !strings.Contains(r.FeedBrix.Reason.String(), "syrup flow") {
				t.Errorf("feed Brix %s, %q", r.FeedBrix.How, r.FeedBrix.Reason)
			}
		}},
		{"juice flow from syrup flow", func(m *evaporator.Measurement) { m.JuiceTH.OK, m.SyrupTH = false, full.SyrupTH }, evaporator.ByJuiceAndBrix, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			near(t, "juice", r.JuiceTH.Value, 130, 1e-7)
		}},
		{"juice flow from steam flow", func(m *evaporator.Measurement) { m.JuiceTH.OK, m.SteamTH = false, full.SteamTH }, evaporator.ByBrixAndNoFlow, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			near(t, "juice", r.JuiceTH.Value, 130, 1e-7)
		}},
		{"one bleed from steam flow", func(m *evaporator.Measurement) { m.BleedTH[1].OK, m.SteamTH = false, full.SteamTH }, evaporator.ByBoth, evaporator.Balanced, "", func(t *testing.T, r *evaporator.Results) {
			near(t, "bleed", value(t, "bleed", r.BleedTH[1]), p.Config.Bleed[1], 1e-6)
			if r.SteamDifference.OK() {
				t.Error("steam difference claimed though the meter was used up")
			}
		}},
		{"one bleed missing, no steam flow", func(m *evaporator.Measurement) { m.BleedTH[1].OK = false }, evaporator.ByJuiceAndBrix, evaporator.Absent, "EV2: bleed flow not measured", func(t *testing.T, r *evaporator.Results) {
			near(t, "evaporation", value(t, "evaporation", r.TotalEvaporationTH), 102, 1e-5)
		}},
		{"vapour pressure 3 from thermometer", func(m *evaporator.Measurement) {
			m.Bodies[2].VapourKPa, m.Bodies[2].VapourC = none, full.Bodies[2].VapourC
		}, evaporator.ByJuiceAndBrix, evaporator.Balanced, "", nil},
		{"vapour pressure 3 from next chest", func(m *evaporator.Measurement) {
			m.Bodies[2].VapourKPa, m.Bodies[3].ChestKPa = none, full.Bodies[3].ChestKPa
		}, evaporator.ByJuiceAndBrix, evaporator.Balanced, "", nil},
		{"vapour pressure 3 unknown", func(m *evaporator.Measurement) { m.Bodies[2].VapourKPa = none }, evaporator.ByJuiceAndBrix, evaporator.Absent, "EV3: no usable vapour-space pressure", func(t *testing.T, r *evaporator.Results) {
			if r.Bodies[3].U.OK() {
				t.Error("U of body 4 without its chest temperature")
			}
			// The rung taken half-way is 2 K off here: by juice flash worth 0.7 % of U elsewhere.
			for _, b := range []int{0, 1, 4} {
				near(t, "U elsewhere", value(t, "U", r.Bodies[b].U), p.Config.U[b]/1000, 0.01)
				if r.Bodies[b].U.How != evaporator.Assumed {
					t.Errorf("U of body %d is %s", b+1, r.Bodies[b].U.How)
				}
			}
			near(t, "steam", value(t, "steam", r.SteamTH), state.SteamTH.Value, 0.003)
		}},
		{"chest 1 unknown", func(m *evaporator.Measurement) { m.SteamKPa = none }, evaporator.ByJuiceAndBrix, evaporator.Absent, "EV1: no usable chest pressure", nil},
		{"last pressure unknown", func(m *evaporator.Measurement) { m.Bodies[4].VapourKPa = none }, evaporator.ByJuiceAndBrix, evaporator.Absent, "EV5: no usable vapour-space pressure", nil},
		{"feed temperature unknown", func(m *evaporator.Measurement) { m.FeedC = none }, evaporator.ByJuiceAndBrix, evaporator.Absent, "no usable feed temperature", nil},
		{"no juice flow, no way round", func(m *evaporator.Measurement) { m.JuiceTH = none }, evaporator.ByTemperatures, evaporator.Absent, "no usable juice flow", func(t *testing.T, r *evaporator.Results) {
			sum := 0.0
			for b := range 5 {
				sum += value(t, "share", r.Bodies[b].DTSharePct)
			}
			near(t, "sum of shares", sum, 100, 1e-9)
			near(t, "BPE 5", value(t, "BPE", r.Bodies[4].BPEK), state.Bodies[4].BPEK.Value, 1e-6)
		}},
		{"steam flow only", func(m *evaporator.Measurement) { m.JuiceTH, m.FeedBrix, m.SteamTH = none, none, full.SteamTH }, evaporator.ByTemperatures, evaporator.Absent, "no usable juice flow", func(t *testing.T, r *evaporator.Results) {
			near(t, "evaporation by count", value(t, "evaporation", r.TotalEvaporationTH), 102, 0.01)
			if r.TotalEvaporationTH.How != evaporator.Assumed || r.Economy.How != evaporator.Assumed {
				t.Errorf("a count is not %s", r.TotalEvaporationTH.How)
			}
		}},
		{"syrup below feed", func(m *evaporator.Measurement) { m.SyrupBrix.Value = 12 }, evaporator.ByJuiceAndBrix, evaporator.Absent, "syrup Brix is not above feed Brix", nil},
		{"bleed larger than the vapour", func(m *evaporator.Measurement) { m.BleedTH[0].Value = 90 }, evaporator.ByJuiceAndBrix, evaporator.Absent, "contradict", nil},
		{"impossible pressure", func(m *evaporator.Measurement) { m.Bodies[2].VapourKPa.Value = -5 }, evaporator.ByJuiceAndBrix, evaporator.Absent, "EV3", nil},
		{"not a number", func(m *evaporator.Measurement) { m.JuiceTH.Value = math.NaN() }, evaporator.ByTemperatures, evaporator.Absent, "no usable juice flow", nil},
		{"pressures swapped", func(m *evaporator.Measurement) { m.Bodies[1].VapourKPa.Value = 60 }, evaporator.ByJuiceAndBrix, evaporator.Absent, "no temperature difference", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := usual
			c.change(&m)
			r := s.NewResults()
			s.Evaluate(&m, r)
			if r.Row != c.row {
				t.Errorf("row %d (%s), want %d", r.Row, r.Row, c.row)
			}
			u := r.Bodies[2].U
			if u.How != c.how {
				t.Errorf("U of body 3 is %s (%s), want %s", u.How, u.Reason, c.how)
			}
			if c.how == evaporator.Absent {
				if !strings.Contains(u.Reason.String(), c.absent) {
					t.Errorf("reason %q does not say %q", u.Reason, c.absent)
				}
			} else if !strings.Contains(c.name, "5 % high") {
				near(t, "U of body 3", u.Value, 1.8, 1e-6)
			}
			if c.more != nil {
				c.more(t, r)
			}
			checkSound(t, r)
		})
	}
}

// checkSound: no value without an origin, no absence without a reason, no number that
// is none.
func checkSound(tb testing.TB, r *evaporator.Results) {
	tb.Helper()
	r.Each(func(name string, x evaporator.Result) {
		switch {
		case x.OK() && (math.IsNaN(x.Value) || math.IsInf(x.Value, 0) || math.IsNaN(x.Sigma)):
			tb.Errorf("%s: %g +/- %g is %s", name, x.Value, x.Sigma, x.How)
		case !x.OK() && x.Reason.String() == "":
			tb.Errorf("%s: absent without a reason", name)
		case !x.OK() && x.Value != 0:
			tb.Errorf("%s: absent with value %g", name, x.Value)
		}
	})
}

// Bodies out of service and parallel bodies: the tags of a predicted state give
// its coefficients back.
func TestLayouts(t *testing.T) {
	body := func(name string, effect int, area float64, beside bool) evaporator.Body {
		return evaporator.Body{Name: name, Effect: effect, AreaM2: area, TubeLengthM: 3, JuiceBeside: beside}
	}
	for _, c := range []struct {
		name   string
		bodies []evaporator.Body
		out    []int
	}{
		{"single", []evaporator.Body{body("1", 1, 500, false)}, nil},
		{"double", []evaporator.Body{body("1", 1, 500, false), body("2", 2, 500, false)}, nil},
		{"quadruple, first effect of two in series", []evaporator.Body{body("1A", 1, 700, false), body("1B", 1, 600, false), body("2", 2, 700, false), body("3", 3, 600, false), body("4", 4, 500, false)}, nil},
		{"first effect of two side by side", []evaporator.Body{body("1A", 1, 700, false), body("1B", 1, 600, true), body("2", 2, 700, false), body("3", 3, 600, false)}, nil},
		{"last effect of two side by side", []evaporator.Body{body("1", 1, 1400, false), body("2", 2, 900, false), body("3A", 3, 400, false), body("3B", 3, 500, true)}, nil},
		{"1B out", []evaporator.Body{body("1A", 1, 1300, false), body("1B", 1, 600, false), body("2", 2, 700, false), body("3", 3, 600, false)}, []int{1}},
		{"effect 2 out", []evaporator.Body{body("1", 1, 1400, false), body("2", 2, 900, false), body("3", 3, 700, false), body("4", 4, 550, false)}, []int{1}},
		{"backward triple", []evaporator.Body{body("3", 3, 700, false), body("2", 2, 700, false), body("1", 1, 700, false)}, nil},
		{"mixed feed", []evaporator.Body{body("2", 2, 900, false), body("3", 3, 700, false), body("1", 1, 900, false)}, nil},
		{"seven effects", []evaporator.Body{body("1", 1, 1500, false), body("2", 2, 1500, false), body("3", 3, 1500, false), body("4", 4, 1400, false), body("5", 5, 1300, false), body("6", 6, 1200, false), body("7", 7, 1100, false)}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := evaporator.New(evaporator.Conventions(c.bodies...))
			if err != nil {
				t.Fatal(err)
			}
			op := evaporator.Operation{SteamKPa: 180, LastKPa: 18, JuiceTH: 100, FeedBrix: 15, FeedC: 100}
			for i, b := range c.bodies {
				op.Bodies[i] = evaporator.BodyOperation{U: 2.6 - 0.3*float64(b.Effect), LevelPct: 35}
			}
			for _, i := range c.out {
				op.Bodies[i].OutOfService = true
			}
			effects := map[int]bool{}
			for i, b := range c.bodies {
				if !op.Bodies[i].OutOfService {
					effects[b.Effect] = true
				}
			}
			if len(effects) > 2 {
				op.BleedTH[0] = 3
			}
			r := s.NewResults()
			limited, err := s.PredictForBrix(&op, 60, 400, r)
			if err != nil || limited {
				t.Fatalf("limited %v, %v", limited, err)
			}
			closes(t, s, r)
			checkSound(t, r)
			m := s.Tags(&op, r)
			for i := range c.bodies {
				m.Bodies[i].Brix = evaporator.Reading{}
			}
			back := s.NewResults()
			s.Evaluate(&m, back)
			checkSound(t, back)
			near(t, "steam", value(t, "steam", back.SteamTH), r.SteamTH.Value, 1e-7)
			for i, b := range c.bodies {
				if op.Bodies[i].OutOfService {
					if back.Bodies[i].U.OK() || back.Bodies[i].U.Reason.String() != b.Name+": out of service" {
						t.Errorf("U of a body out of service: %+v", back.Bodies[i].U)
					}
					continue
				}
				near(t, "U "+b.Name, value(t, "U", back.Bodies[i].U), op.Bodies[i].U, 1e-6)
			}
			// What is only split by surface and difference is known to a tenth.
			for i := range c.bodies {
				m.Bodies[i].CondensateTH = evaporator.Reading{}
			}
			s.Uncertainty(&m, back)
			shared := 0
			for _, o := range back.Bodies {
				if o.U.How == evaporator.Assumed {
					shared++
					if o.U.Sigma < 0.0999*o.U.Value || o.DutyKW.Sigma < 0.0999*o.DutyKW.Value {
						t.Errorf("%s: U %.3f ± %.3f of a shared effect", o.Name, o.U.Value, o.U.Sigma)
					}
				}
			}
			if twins := strings.Contains(c.name, "side by side") || strings.Contains(c.name, "in series"); twins != (shared == 2) {
				t.Errorf("%d bodies share an effect", shared)
			}
		})
	}
}

// closes checks water, solids and the vapour line of a state.
func closes(tb testing.TB, s *evaporator.Set, r *evaporator.Results) {
	tb.Helper()
	var sum float64
	for _, b := range r.Bodies {
		sum += b.EvaporationTH.Value
	}
	near(tb, "sum of evaporation", sum, r.TotalEvaporationTH.Value, 1e-9)
	near(tb, "water", r.SyrupTH.Value+sum, r.JuiceTH.Value, 1e-9)
	near(tb, "solids", r.SyrupTH.Value*r.SyrupBrix.Value, r.JuiceTH.Value*r.FeedBrix.Value, 1e-9)
	made, used := map[int]float64{}, map[int]float64{}
	top := 0
	for _, b := range r.Bodies {
		if !b.InService {
			continue
		}
		made[b.Effect] += b.EvaporationTH.Value
		used[b.Effect] += b.CondensedTH.Value - b.FlashTH.Value
		top = max(top, b.Effect)
	}
	for e := range made {
		if e == top {
			continue
		}
		next := e + 1
		for made[next] == 0 {
			next++
		}
		near(tb, "vapour", made[e]-r.BleedTH[e-1].Value, used[next], 1e-8)
	}
}

// Faults of a design are all named.
func TestDesignCheck(t *testing.T) {
	d := evaporator.Conventions(evaporator.Body{Name: "A", Effect: 1}, evaporator.Body{Name: "B", Effect: 3, AreaM2: 10, JuiceBeside: true})
	d.LossFraction = 0.5
	_, err := evaporator.New(d)
	if err == nil {
		t.Fatal("accepted")
	}
	for _, part := range []string{`"A"`, "heating surface", `"B"`, "effect 2", "loss fraction"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%q does not name %s", err, part)
		}
	}
}

// What must rise or fall.
func TestMonotonic(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	r := s.NewResults()
	base := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	run := func(change func(m *evaporator.Measurement)) evaporator.Results {
		m := base
		change(&m)
		s.Evaluate(&m, r)
		out := *r
		out.Bodies = append([]evaporator.BodyResult(nil), r.Bodies...)
		return out
	}
	a := run(func(*evaporator.Measurement) {})
	hotter := run(func(m *evaporator.Measurement) { m.FeedC.Value += 3 })
	if !(hotter.SteamTH.Value < a.SteamTH.Value) {
		t.Error("hotter feed needs no less steam")
	}
	bleed := run(func(m *evaporator.Measurement) { m.BleedTH[1].Value += 1 })
	if !(bleed.SteamTH.Value > a.SteamTH.Value && bleed.Economy.Value < a.Economy.Value) {
		t.Error("more bleed needs no more steam")
	}
	near(t, "corrected economy with bleeds", bleed.CorrectedEconomy.Value, a.CorrectedEconomy.Value, 0.005)
	syrup := run(func(m *evaporator.Measurement) { m.SyrupBrix.Value++ })
	if !(syrup.SteamTH.Value > a.SteamTH.Value && syrup.Bodies[4].BPEK.Value > a.Bodies[4].BPEK.Value) {
		t.Error("thicker syrup needs no more steam or has no more elevation")
	}
	vacuum := run(func(m *evaporator.Measurement) { m.Bodies[4].VapourKPa.Value++ })
	if !(vacuum.Bodies[4].U.Value > a.Bodies[4].U.Value) {
		t.Error("the same duty at a smaller difference is no larger U")
	}
	loss := demoSet(t, p).Design()
	loss.LossFraction = 0.03
	other, err := evaporator.New(loss)
	if err != nil {
		t.Fatal(err)
	}
	m := base
	other.Evaluate(&m, r)
	if !(r.SteamTH.Value > a.SteamTH.Value) {
		t.Error("more loss needs no more steam")
	}
}

// Superheated exhaust is less steam for the same duty.
func TestSuperheat(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	r := s.NewResults()
	m := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	s.Evaluate(&m, r)
	dry, duty := r.SteamTH.Value, r.Bodies[0].DutyKW.Value
	m.SteamC = evaporator.Read(p.Base.Tc[0]+20, 0.5)
	s.Evaluate(&m, r)
	near(t, "duty", r.Bodies[0].DutyKW.Value, duty, 1e-9)
	// 20 K at about 2.1 kJ/(kg K) over 2216 kJ/kg.
	near(t, "steam", r.SteamTH.Value, dry/(1+20*2.1/2216), 0.001)
}

func TestNoAllocation(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	r := s.NewResults()
	m := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	if n := testing.AllocsPerRun(50, func() { s.Evaluate(&m, r) }); n != 0 {
		t.Errorf("Evaluate allocates %v times", n)
	}
}

// The refractometer drift of the plant, +1.5 Brix: the solids balance shows z = 2.2 with
// flows to 0.5 %, feed +/-0.1 and syrup +/-0.2 Brix (reference text on unit
// operations, from the plant).
func TestDriftSeenBySolids(t *testing.T) {
	p := readPlant(t)
	s := demoSet(t, p)
	m := demoTags(p, p.Base.P0, p.Base.Pv, 66.5)
	m.JuiceTH = evaporator.Read(130, 0.65)
	m.FeedBrix.Sigma, m.SyrupBrix.Sigma = 0.1, 0.2
	m.SyrupTH = evaporator.Read(28, 0.14)
	r := s.NewResults()
	s.Uncertainty(&m, r)
	near(t, "solids out over in", r.SolidsClosurePct.Value, 100*1.5/65, 1e-6)
	near(t, "z", r.SolidsClosurePct.Value/r.SolidsClosurePct.Sigma, 2.2, 0.03)
	got, err := s.Reconcile(&m)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "z of the check", math.Abs(got.Checks[0].Z), 2.2, 0.03)
	if len(got.Checks) != 1 || !got.GrossError {
		t.Errorf("%+v", got)
	}
	// One balance cannot say which of its four instruments it is.
	if len(got.Suspects) != 1 || len(got.Suspects[0].Alike) != 3 {
		t.Errorf("suspects %+v", got.Suspects)
	}
}

func FuzzEvaluate(f *testing.F) {
	p := readPlant(f)
	f.Add(130.0, 14.0, 104.0, 65.0, 173.4, 134.8, 104.9, 74.4, 43.98, 16.0, 18.6, 4.5, 40.0, 28.0, uint64(0))
	f.Add(math.NaN(), math.Inf(1), -5.0, 0.0, 1e308, 1e-300, 0.0, 100.0, 100.0, 100.0, 1e9, -4.0, 0.0, 0.0, uint64(math.MaxUint64))
	f.Add(130.0, 14.0, 104.0, 89.0, 173.4, 134.8, 104.9, 74.4, 43.98, 16.0, 0.0, 0.0, 1.0, 1.0, uint64(0x5555))
	s := demoSet(f, p)
	r := s.NewResults()
	f.Fuzz(func(t *testing.T, juice, x0, tf, xn, p0, p1, p2, p3, p4, p5, b1, b2, st, ln float64, mask uint64) {
		bit := func(i int) bool { return mask>>i&1 == 1 }
		read := func(v float64, i int) evaporator.Reading {
			return evaporator.Reading{Value: v, Sigma: math.Abs(v) * 0.01, OK: !bit(i)}
		}
		m := evaporator.Measurement{
			JuiceTH: read(juice, 0), FeedBrix: read(x0, 1), FeedC: read(tf, 2), SyrupBrix: read(xn, 3), SteamKPa: read(p0, 4),
			SteamTH: read(st, 5), SyrupTH: read(ln, 6), SteamC: read(tf+st, 7), PurityPct: read(xn, 8), CondenserTH: read(b1, 9),
		}
		for i, v := range []float64{p1, p2, p3, p4, p5} {
			b := &m.Bodies[i]
			b.VapourKPa, b.VapourC = read(v, 10+i), read(v, 15+i)
			b.JuiceC, b.Brix, b.LevelPct = read(v+b1, 20+i), read(xn*float64(i+1)/5, 25+i), read(v, 30+i)
			b.ChestKPa, b.CondensateTH, b.ChestC = read(v+1, 35+i), read(b1, 40+i), read(v, 45+i)
			b.OutOfService = bit(50 + i)
		}
		for i, v := range []float64{b1, b2, b1, b2} {
			m.BleedTH[i] = read(v, 55+i)
		}
		s.Evaluate(&m, r)
		checkSound(t, r)
		if mask&3 == 0 { // now and then: the dearer calls
			s.Uncertainty(&m, r)
			checkSound(t, r)
			if got, err := s.Reconcile(&m); err == nil {
				for _, i := range got.Instruments {
					if math.IsNaN(i.Z) || math.IsNaN(i.Reconciled) || math.IsNaN(i.ReconciledSigma) {
						t.Errorf("%s: %+v", i.Name(), i)
					}
				}
			}
		}
	})
}

func FuzzPredict(f *testing.F) {
	p := readPlant(f)
	f.Add(173.4, 16.0, 130.0, 14.0, 104.0, 18.6, 4.5, 2.5, 0.7, 0.1)
	f.Add(math.NaN(), 1e9, -1.0, 90.0, 0.0, 1e6, 0.0, 0.0, 50.0, -3.0)
	f.Add(240.0, 4.0, 30.0, 50.0, 20.0, 0.0, 0.0, 2.5, 2.5, 0.0)
	s := demoSet(f, p)
	r := s.NewResults()
	f.Fuzz(func(t *testing.T, steamKPa, last, juice, brix, c, b1, b2, u1, u5, scale float64) {
		op := demoOperation(p)
		op.SteamKPa, op.LastKPa, op.JuiceTH, op.FeedBrix, op.FeedC = steamKPa, last, juice, brix, c
		op.BleedTH[0], op.BleedTH[1] = b1, b2
		op.Bodies[0].U, op.Bodies[4].U = u1, u5
		op.Bodies[2].U = 1 / (1/op.Bodies[2].U + scale)
		if err := s.Predict(&op, r); err == nil {
			checkSound(t, r)
			closes(t, s, r)
		}
	})
}

// Specific volumes of saturated steam by an independent implementation of IAPWS-IF97
// (python3-iapws 1.5.3): 15 kPa 10.0204 m3/kg at 53.97 degC. 10 t/h through 4 m across
// are 10/3.6*10.0204/12.5664 m/s.
func TestVapourVelocity(t *testing.T) {
	got, err := evaporator.VapourVelocity(10, 15, 53.97, 4)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "velocity", got, 2.2150, 1e-4)
	for _, bad := range [][4]float64{{-1, 15, 54, 4}, {10, 15, 54, 0}, {10, 15, 30, 4}, {10, math.NaN(), 54, 4}, {10, 15, 54, 40}} {
		if v, err := evaporator.VapourVelocity(bad[0], steam.KPa(bad[1]), steam.Celsius(bad[2]), bad[3]); err == nil || v != 0 {
			t.Errorf("%v: %v, %v", bad, v, err)
		}
	}
}

// Whatever goes in: no panic, no NaN or infinity without an error, no value beside one.
func FuzzCleanU(f *testing.F) {
	f.Add(65.0, 85.0, 62.0, 16000.0, 16.0, 2.0)
	f.Add(20.0, 120.0, 105.0, 0.0, 170.0, 0.7)
	f.Add(math.NaN(), math.Inf(1), -1.0, 1e308, math.Inf(-1), 0.0)
	f.Fuzz(func(t *testing.T, brix, heating, juice, constant, p, u float64) {
		check := func(what string, v float64, err error) {
			t.Helper()
			if math.IsNaN(v) || math.IsInf(v, 0) || err != nil && v != 0 || err == nil && v < 0 {
				t.Errorf("%s: %v, error %v", what, v, err)
			}
		}
		for _, c := range append(evaporator.Correlations(), "") {
			v, err := c.U(liquor.Brix(brix), steam.Celsius(heating), steam.Celsius(juice), constant)
			check(string(c), v, err)
		}
		v, err := evaporator.VapourVelocity(constant, steam.KPa(p), steam.Celsius(juice), u)
		check("velocity", v, err)
		v, err = evaporator.HeaterBleedTH(constant, liquor.Brix(brix), liquor.Purity(heating), steam.Celsius(juice), steam.Celsius(heating), steam.KPa(p), u, liquor.Bubnik)
		check("heater", v, err)
	})
}
