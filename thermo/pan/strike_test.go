package pan_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"calandria/plant/words"
	"calandria/thermo/liquor"
	"calandria/thermo/pan"
	"calandria/thermo/steam"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.6g, want %.6g within %.2g", what, got, want, tol)
	}
}

func load(t testing.TB, path string, into any) {
	t.Helper()
	data, err := os.ReadFile("../../testdata/" + path)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// table is the phase table of an invented pan (testdata/plant/plant.json,
// "pans"). Values are those at the end of a phase.
type table struct {
	Grade string
	Mc    float64 `json:"mc_t"`
	Water float64 `json:"ev_strike"`
	Area  float64
	P     float64 `json:"p_abs"`
	Tw    float64 `json:"tw"`
	Heat  float64 `json:"T_heat"`
	Rows  []struct {
		Hours  float64 `json:"dur_h"`
		L0     float64 `json:"level_start"`
		L1     float64 `json:"level_end"`
		Evap   float64 `json:"evap_t_h"`
		MlBx   float64 `json:"ml_bx"`
		MlP    float64 `json:"ml_P"`
		S      float64
		SC     float64
		T      float64 `json:"T_mc"`
		BPE    float64
		McBx   float64 `json:"mc_bx"`
		Cry    float64 `json:"crystal_pct"`
		U      float64
		EvapM2 float64 `json:"spec_evap"`
	}
}

func tables(t testing.TB) map[string]table {
	var p struct{ Pans map[string]table }
	load(t, "plant/plant.json", &p)
	if len(p.Pans) != 3 {
		t.Fatalf("%d pans", len(p.Pans))
	}
	return p.Pans
}

// demoSite is the liquor of the invented mill: the models its table was made
// with.
var demoSite = pan.Site{Elevation: liquor.BatterhamNorgate, Solubility: liquor.Charles, Impurity: liquor.Impurity{M: -0.088, B: 1, C: 0}}

var day = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

var phaseOf = []pan.Phase{pan.Charge, pan.Concentrate, pan.FeedOn, pan.Tighten, pan.Drop, pan.SteamOut}

// boil makes the readings of strikes of a table, step by step, each after half
// an hour of idling. noise adds that of the instruments, defaults of ours. It returns when each phase began.
func boil(tb table, strikes int, step time.Duration, noise *rand.Rand, slow float64, f func(at time.Time, in pan.Inputs)) (starts []map[pan.Phase]time.Time, end time.Time) {
	at := day
	g := func(s float64) float64 {
		if noise == nil {
			return 0
		}
		return s * noise.NormFloat64()
	}
	p, temp, evap := 101.3, 45.0, 0.0
	slosh := 0.0
	emit := func(level, tgtP, tauP, tgtT, tauT, e, feed, dis, brix, purity float64) {
		dt := step.Seconds()
		p += (tgtP - p) * (1 - math.Exp(-dt/tauP))
		temp += (tgtT - temp) * (1 - math.Exp(-dt/tauT))
		evap += (e - evap) * (1 - math.Exp(-dt/60))
		valve := 0.0
		if evap > 0.05 {
			valve = math.Min(100, 12+70*evap/tb.Rows[2].Evap)
		}
		if noise != nil && level > 5 { // boiling slosh
			slosh = 2 * math.Sin(2*math.Pi*0.17*at.Sub(day).Seconds())
		} else {
			slosh = 0
		}
		lp, _ := steam.LatentHeat(steam.KPa(max(p, 5)))
		chest, _ := steam.Psat(steam.Celsius(tb.Heat))
		lc, _ := steam.LatentHeat(chest)
		sth := evap * float64(lp) / float64(lc)
		f(at, pan.Inputs{
			PressureKPa: pan.Use(p + g(0.05)), MassecuiteC: pan.Use(temp + g(0.05)), LevelPct: pan.Use(level + slosh + g(0.8)),
			SteamValvePct: pan.Use(valve + g(0.3)), SteamTH: pan.Use(sth * (1 + g(0.008))), ChestKPa: pan.Use(float64(chest) + g(0.15)),
			FeedValvePct: pan.Use(feed + g(0.3)), FeedTH: pan.Use(feed*0.4 + g(0.1)), DischargePct: pan.Use(dis + g(0.3)),
			MassecuiteBrix: pan.Use(brix + g(0.06)), ConsistencyPct: pan.Use(40 + g(1)), LiquorPurityPct: pan.Reading{Value: purity, OK: purity > 0},
		})
		at = at.Add(step)
	}
	for range strikes {
		for range int(30 * time.Minute / step) {
			emit(0, 101.3, 100, 50, 900, 0, 0, 0, 20, 0)
		}
		st := map[pan.Phase]time.Time{}
		for i, r := range tb.Rows {
			st[phaseOf[i]] = at
			prev := r
			if i > 0 {
				prev = tb.Rows[i-1]
			}
			hours := r.Hours
			if phaseOf[i] == pan.FeedOn {
				hours *= slow
			}
			n := int(hours * float64(time.Hour) / float64(step))
			for j := range n {
				x := float64(j) / float64(n)
				mix := func(a, b float64) float64 { return a + x*(b-a) }
				level := 100 * mix(r.L0, r.L1)
				switch phaseOf[i] {
				case pan.Drop:
					dis := 0.0
					if x > 0.15 {
						dis = 100
					}
					emit(level, 101.3, 60, 62.5, 1200, 0, 0, dis, mix(prev.McBx, r.McBx), 0)
				case pan.SteamOut:
					emit(0, 101.3, 60, 99, 200, 0, 0, 0, 20, 0)
				default:
					feed := 0.0
					if phaseOf[i] == pan.FeedOn {
						feed = 25 + 40*(1-x)
					}
					tau := 25.0
					if phaseOf[i] == pan.Charge {
						tau = 120
					}
					ts, _ := steam.Tsat(steam.KPa(p))
					emit(level, tb.P, tau, math.Min(float64(ts)+mix(prev.BPE, r.BPE), 68), 40, r.Evap, feed, 0, mix(prev.McBx, r.McBx), mix(prev.MlP, r.MlP))
				}
			}
		}
		starts = append(starts, st)
	}
	for range int(30 * time.Minute / step) {
		emit(0, 101.3, 100, 50, 900, 0, 0, 0, 20, 0)
	}
	return starts, at
}

func designOf(tb table) pan.Design {
	return pan.Design{AreaM2: tb.Area, StrikeT: tb.Mc, Site: demoSite, StrikeHours: 3}
}

// follow runs a tracker over the strikes, with some tags taken away.
func follow(t testing.TB, tb table, strikes int, step time.Duration, noise *rand.Rand, without func(*pan.Inputs)) (*pan.Tracker, []map[pan.Phase]time.Time, []pan.Transition) {
	t.Helper()
	k := pan.NewTracker(designOf(tb))
	var all []pan.Transition
	starts, _ := boil(tb, strikes, step, noise, 1, func(at time.Time, in pan.Inputs) {
		if without != nil {
			without(&in)
		}
		all = append(all, k.Step(at, in)...)
	})
	return k, starts, all
}

// Every pan, every phase, with all tags: found within four minutes of its start,
// with the noise of the instruments, at 2 s and at 15 s a scan.
func TestStrikesAreFound(t *testing.T) {
	for name, tb := range tables(t) {
		for _, step := range []time.Duration{2 * time.Second, 15 * time.Second} {
			for _, noisy := range []bool{false, true} {
				var r *rand.Rand
				if noisy {
					r = rand.New(rand.NewPCG(1, uint64(step)))
				}
				what := fmt.Sprintf("%s, %v, noise %v", name, step, noisy)
				k, starts, all := follow(t, tb, 3, step, r, nil)
				got := k.Strikes()
				if len(got) != 3 {
					t.Errorf("%s: %d strikes: %v", what, len(got), all)
					continue
				}
				for i, s := range got {
					if !s.Whole || len(s.Phases) != 6 || len(s.Notes) != 0 {
						t.Errorf("%s: strike %d whole %v, phases %v, notes %v", what, i, s.Whole, s.Phases, s.Notes)
					}
					for p, want := range starts[i] {
						rec, ok := s.Phase(p)
						if !ok {
							t.Errorf("%s: no %v", what, p)
							continue
						}
						if d := rec.Start.Sub(want).Abs(); d > 4*time.Minute {
							t.Errorf("%s: %v began %v off", what, p, rec.Start.Sub(want))
						}
					}
				}
			}
		}
	}
}

// What a strike's record says against the table it was made from: water
// evaporated, U of feed on, supersaturation, Brix and temperature at the drop.
func TestStrikeRecord(t *testing.T) {
	for name, tb := range tables(t) {
		k, _, _ := follow(t, tb, 1, 2*time.Second, rand.New(rand.NewPCG(4, 4)), nil)
		s := k.Strikes()[0]
		if !s.WaterT.OK {
			t.Fatalf("%s: no water", name)
		}
		// Table: spell of each phase times its evaporation.
		var water, maxS float64
		for _, r := range tb.Rows {
			water += r.Hours * r.Evap
			if r.Evap > 0 {
				maxS = math.Max(maxS, r.S)
			}
		}
		near(t, name+": water evaporated", s.WaterT.Value, water, 0.03*water)
		near(t, name+": water of the table", water, tb.Water, 0.01*tb.Water)
		feed, _ := s.Phase(pan.FeedOn)
		// U of the table is at the end of the phase with the evaporation of the whole
		// phase; the temperature difference hardly moves.
		near(t, name+": U of feed on", 1000*feed.U.Value, tb.Rows[2].U, 0.05*tb.Rows[2].U)
		near(t, name+": highest supersaturation", s.MaxS.Value, maxS, 0.025)
		near(t, name+": Brix at the drop", s.DropBrix.Value, tb.Rows[3].McBx, 0.3)
		near(t, name+": temperature at the drop", s.DropC.Value, tb.Rows[3].T, 0.3)
		near(t, name+": level at the drop", s.DropLevel.Value, 100, 2)
		near(t, name+": liquor at the drop", s.DropLiquor.Value, tb.Rows[3].MlBx, 0.4)
		near(t, name+": crystal at the drop", s.DropCrystal.Value, tb.Rows[3].Cry, 2.5)
		if len(s.Profile) < 20 {
			t.Errorf("%s: profile of %d points", name, len(s.Profile))
		}
		if _, err := json.Marshal(s); err != nil {
			t.Error(err)
		}
	}
}

// missing lists sets of tags taken away, and how far off the start of each phase
// may then be, in minutes (absent: the phase need not be found).
var missing = []struct {
	name    string
	without func(*pan.Inputs)
	off     map[pan.Phase]float64
}{
	{"pressure", func(i *pan.Inputs) { i.PressureKPa.OK = false }, map[pan.Phase]float64{pan.Charge: 7, pan.Concentrate: 5, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 7, pan.SteamOut: 5}},
	{"temperature", func(i *pan.Inputs) { i.MassecuiteC.OK = false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3, pan.SteamOut: 4}},
	{"level", func(i *pan.Inputs) { i.LevelPct.OK = false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3, pan.SteamOut: 4}},
	{"steam valve", func(i *pan.Inputs) { i.SteamValvePct.OK = false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3, pan.SteamOut: 4}},
	{"steam", func(i *pan.Inputs) { i.SteamValvePct.OK, i.SteamTH.OK = false, false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3, pan.SteamOut: 4}},
	{"feed valve", func(i *pan.Inputs) { i.FeedValvePct.OK = false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3, pan.SteamOut: 4}},
	{"feed", func(i *pan.Inputs) { i.FeedValvePct.OK, i.FeedTH.OK = false, false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 12, pan.Tighten: 8, pan.Drop: 3, pan.SteamOut: 4}},
	{"feed and steam", func(i *pan.Inputs) {
		i.FeedValvePct.OK, i.FeedTH.OK, i.SteamValvePct.OK, i.SteamTH.OK = false, false, false, false
	}, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 12, pan.Tighten: 20, pan.Drop: 3, pan.SteamOut: 4}},
	{"discharge", func(i *pan.Inputs) { i.DischargePct.OK = false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3, pan.SteamOut: 4}},
	{"Brix and consistency", func(i *pan.Inputs) { i.MassecuiteBrix.OK, i.ConsistencyPct.OK = false, false }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 4, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3, pan.SteamOut: 4}},
	{"all but the level", func(i *pan.Inputs) { *i = pan.Inputs{LevelPct: i.LevelPct} }, map[pan.Phase]float64{pan.Charge: 8, pan.Concentrate: 5, pan.FeedOn: 12, pan.Tighten: 20, pan.Drop: 8, pan.SteamOut: 6}},
	{"all but pressure and feed valve", func(i *pan.Inputs) { *i = pan.Inputs{PressureKPa: i.PressureKPa, FeedValvePct: i.FeedValvePct} }, map[pan.Phase]float64{pan.Charge: 3, pan.FeedOn: 3, pan.Tighten: 3, pan.Drop: 3}},
	{"all but pressure and steam", func(i *pan.Inputs) { *i = pan.Inputs{PressureKPa: i.PressureKPa, SteamTH: i.SteamTH} }, map[pan.Phase]float64{pan.Charge: 3, pan.Concentrate: 5, pan.Drop: 3}},
	{"all but pressure", func(i *pan.Inputs) { *i = pan.Inputs{PressureKPa: i.PressureKPa} }, map[pan.Phase]float64{pan.Charge: 3, pan.Drop: 7}},
}

// Tags taken away one at a time, then nearly all: the strikes are still found.
func TestStrikesWithoutTags(t *testing.T) {
	for name, tb := range tables(t) {
		for _, m := range missing {
			k, starts, all := follow(t, tb, 3, 5*time.Second, rand.New(rand.NewPCG(2, 3)), m.without)
			got := k.Strikes()
			if r, ok := k.Running(); ok { // the end of steam-out may not show
				got = append(got, r)
			}
			if len(got) != 3 {
				t.Errorf("%s without %s: %d strikes: %v", name, m.name, len(got), all)
				continue
			}
			for i, s := range got {
				for p, tol := range m.off {
					rec, ok := s.Phase(p)
					if !ok {
						t.Errorf("%s without %s: strike %d has no %v: %v", name, m.name, i+1, p, s.Phases)
						continue
					}
					if d := rec.Start.Sub(starts[i][p]); d.Abs() > time.Duration(tol*float64(time.Minute)) {
						t.Errorf("%s without %s: strike %d, %v began %v off", name, m.name, i+1, p, d)
					}
				}
			}
		}
	}
}

// A tag that is lost in the middle and comes back does not end or split a strike.
func TestTagsComeAndGo(t *testing.T) {
	for name, tb := range tables(t) {
		for _, m := range missing[:10] {
			n := 0
			k, starts, all := follow(t, tb, 2, 5*time.Second, rand.New(rand.NewPCG(7, 3)), func(i *pan.Inputs) {
				n++
				if n/180%3 == 1 { // a quarter of an hour in three
					m.without(i)
				}
			})
			got := k.Strikes()
			if len(got) != 2 {
				t.Errorf("%s, %s come and go: %d strikes: %v", name, m.name, len(got), all)
				continue
			}
			for i, s := range got {
				for _, p := range []pan.Phase{pan.FeedOn, pan.Drop} {
					rec, ok := s.Phase(p)
					if !ok {
						t.Errorf("%s, %s come and go: no %v", name, m.name, p)
					} else if d := rec.Start.Sub(starts[i][p]); d.Abs() > 16*time.Minute {
						t.Errorf("%s, %s come and go: %v began %v off", name, m.name, p, d)
					}
				}
			}
		}
	}
}

func TestNothingToGoBy(t *testing.T) {
	tb := tables(t)["PA1"]
	k, _, all := follow(t, tb, 1, 5*time.Second, nil, func(i *pan.Inputs) { *i = pan.Inputs{FeedValvePct: i.FeedValvePct, SteamTH: i.SteamTH} })
	if p, _ := k.Phase(); p != pan.Unknown || len(all) != 0 || k.Missing() == pan.Nothing {
		t.Errorf("phase %v, %v, missing %q", p, all, k.Missing())
	}
	// NaN and nonsense are not usable readings.
	k = pan.NewTracker(pan.Design{})
	k.Step(day, pan.Inputs{LevelPct: pan.Use(math.NaN()), PressureKPa: pan.Use(-4), DischargePct: pan.Use(math.Inf(1))})
	if p, _ := k.Phase(); p != pan.Unknown {
		t.Errorf("phase %v from nonsense", p)
	}
}

// A graining strike: the seed tag marks graining between concentrate and feed.
func TestGraining(t *testing.T) {
	tb := tables(t)["PC1"]
	k := pan.NewTracker(designOf(tb))
	var seedAt time.Time
	boil(tb, 1, 5*time.Second, nil, 1, func(at time.Time, in pan.Inputs) {
		in.SeedPct = pan.Use(0)
		if h := at.Sub(day).Hours() - 0.5; h > 0.7 && h < 0.72 {
			in.SeedPct = pan.Use(100)
			if seedAt.IsZero() {
				seedAt = at
			}
		}
		k.Step(at, in)
	})
	s := k.Strikes()[0]
	g, ok := s.Phase(pan.Graining)
	if !ok || g.Start.Sub(seedAt).Abs() > 10*time.Second {
		t.Errorf("graining %v, seeded at %v", g, seedAt)
	}
	if len(s.Phases) != 7 || s.Phases[3].Phase != pan.FeedOn {
		t.Errorf("%v", s.Phases)
	}
}

// Vacuum lost for three minutes with the steam on, then regained: no drop.
func TestVacuumUpset(t *testing.T) {
	tb := tables(t)["PA1"]
	k := pan.NewTracker(designOf(tb))
	boil(tb, 1, 5*time.Second, nil, 1, func(at time.Time, in pan.Inputs) {
		if m := at.Sub(day).Minutes() - 30; m > 70 && m < 73 {
			in.PressureKPa = pan.Use(80)
		}
		k.Step(at, in)
	})
	if s := k.Strikes(); len(s) != 1 || len(s[0].Phases) != 6 {
		t.Errorf("%d strikes", len(s))
	}
}

// Started in the middle, after a gap, or fed nonsense in time: the strike is
// found but not called whole.
func TestNotWhole(t *testing.T) {
	tb := tables(t)["PB1"]
	k := pan.NewTracker(designOf(tb))
	boil(tb, 2, 5*time.Second, nil, 1, func(at time.Time, in pan.Inputs) {
		h := at.Sub(day).Hours()
		if h < 2.5 || h > 9 && h < 9.5 {
			return
		}
		k.Step(at, in)
		if tr := k.Step(at.Add(-time.Hour), in); tr != nil {
			t.Fatal("a step into the past")
		}
	})
	s := k.Strikes()
	if len(s) != 2 {
		t.Fatalf("%d strikes", len(s))
	}
	for i := range s {
		if s[i].Whole || len(s[i].Notes) == 0 {
			t.Errorf("strike %d: whole %v, notes %v", i, s[i].Whole, s[i].Notes)
		}
	}
	if s[0].Phases[0].Phase != pan.FeedOn {
		t.Errorf("began in %v", s[0].Phases[0].Phase)
	}
}

// The last strike closes, whatever shows its end: a level whose zero is 9 % off and no other
// tag of the drop, or the pressure alone.
func TestLastStrikeCloses(t *testing.T) {
	for name, only := range map[string]func(pan.Inputs) pan.Inputs{
		"level that stands at a residue": func(in pan.Inputs) pan.Inputs {
			return pan.Inputs{LevelPct: pan.Use(in.LevelPct.Value + 9), PressureKPa: in.PressureKPa, FeedValvePct: in.FeedValvePct, SteamValvePct: in.SteamValvePct}
		},
		"pressure, steam valve and feed valve": func(in pan.Inputs) pan.Inputs {
			return pan.Inputs{PressureKPa: in.PressureKPa, FeedValvePct: in.FeedValvePct, SteamValvePct: in.SteamValvePct}
		},
		"pressure": func(in pan.Inputs) pan.Inputs { return pan.Inputs{PressureKPa: in.PressureKPa} },
	} {
		k := pan.NewTracker(designOf(tables(t)["PA1"]))
		var last pan.Inputs
		_, at := boil(tables(t)["PA1"], 2, 10*time.Second, rand.New(rand.NewPCG(9, 3)), 1, func(at time.Time, in pan.Inputs) {
			last = only(in)
			k.Step(at, last)
		})
		for range 300 {
			at = at.Add(10 * time.Second)
			k.Step(at, last)
		}
		if r, ok := k.Running(); ok || len(k.Strikes()) != 2 {
			t.Errorf("%s: %d strikes, the last runs: %v, %v", name, len(k.Strikes()), ok, r.Phases)
		}
	}
}

// Water that is boiled to wash the pan is no strike, and tells the thermometer's offset.
func TestWashOut(t *testing.T) {
	k := pan.NewTracker(pan.Design{})
	at := day
	hold := func(d time.Duration, in pan.Inputs) {
		for range int(d / (10 * time.Second)) {
			at = at.Add(10 * time.Second)
			k.Step(at, in)
		}
	}
	ts, err := steam.Tsat(16)
	if err != nil {
		t.Fatal(err)
	}
	for _, off := range []float64{0.7, 0.7, 0.7} {
		water := pan.Inputs{PressureKPa: pan.Use(16), MassecuiteC: pan.Use(float64(ts) + off), LevelPct: pan.Use(45), SteamValvePct: pan.Use(60), FeedValvePct: pan.Use(0), DischargePct: pan.Use(0)}
		hold(10*time.Minute, pan.Inputs{PressureKPa: pan.Use(101), MassecuiteC: pan.Use(40), LevelPct: pan.Use(0), SteamValvePct: pan.Use(0), FeedValvePct: pan.Use(0), DischargePct: pan.Use(0)})
		hold(30*time.Minute, water)
		if p, _ := k.Phase(); p != pan.WashOut {
			t.Errorf("water boils, and the phase is %v", p)
		}
		hold(5*time.Minute, pan.Inputs{PressureKPa: pan.Use(101), MassecuiteC: pan.Use(60), LevelPct: pan.Use(20), SteamValvePct: pan.Use(0), FeedValvePct: pan.Use(0), DischargePct: pan.Use(100)})
	}
	if n := k.Strikes(); len(n) != 0 {
		t.Errorf("%d strikes of water", len(n))
	}
	near(t, "offset by water", k.Offset().Value, 0.7, 1e-6)
}

// A strike whose feed takes half as long again stands out against the others.
func TestCompare(t *testing.T) {
	tb := tables(t)["PA1"]
	k, _, _ := follow(t, tb, 5, 5*time.Second, rand.New(rand.NewPCG(3, 3)), nil)
	ref, ok := pan.Reference(k.Strikes())
	if !ok {
		t.Fatal("no reference")
	}
	long := pan.NewTracker(designOf(tb))
	boil(tb, 1, 5*time.Second, rand.New(rand.NewPCG(5, 3)), 1.5, func(at time.Time, in pan.Inputs) {
		in.SteamTH.Value /= 1.5
		long.Step(at, in)
	})
	s := long.Strikes()[0]
	c := pan.Compare(&s, &ref, day)
	if len(c.Findings) < 2 {
		t.Fatalf("%+v", c)
	}
	for _, d := range c.Phases {
		if d.Phase == pan.FeedOn {
			near(t, "duration ratio", d.DurationRatio, 1.5, 0.05)
			near(t, "U ratio", d.URatio.Value, 1/1.5, 0.03)
			near(t, "supersaturation", d.MeanS.Value, 0, 0.01)
		}
	}
	// While it runs: feed on is late before it is over, and U is the one so far; what the
	// strike has not come to yet has no time.
	running := pan.NewTracker(designOf(tb))
	boil(tb, 1, 5*time.Second, rand.New(rand.NewPCG(5, 3)), 1.5, func(at time.Time, in pan.Inputs) {
		in.SteamTH.Value /= 1.5
		if at.Before(day.Add(3*time.Hour + 15*time.Minute)) { // idle 30 min, charge and concentrate 27
			running.Step(at, in)
		}
	})
	now, ok := running.Running()
	if !ok {
		t.Fatal("no strike is running")
	}
	c = pan.Compare(&now, &ref, day.Add(3*time.Hour+15*time.Minute))
	if !strings.Contains(words.Join(pan.Words(c.Findings), "; ").String(), "feed on has lasted 13") {
		t.Errorf("running: %q", pan.Words(c.Findings))
	}
	for _, d := range c.Phases {
		switch d.Phase {
		case pan.FeedOn:
			if !d.Running || !d.U.OK || !d.UsualU.OK || !d.WaterT.OK || d.Brix.OK || !d.UsualBrix.OK {
				t.Errorf("running: %+v", d)
			}
		case pan.Tighten, pan.Drop:
			if d.Duration != 0 || d.Usual <= 0 || d.DurationRatio != 0 {
				t.Errorf("to come: %+v", d)
			}
		}
	}
	again := k.Strikes()[1]
	if c := pan.Compare(&again, &ref, day); len(c.Findings) != 0 {
		t.Errorf("usual strikes differ: %v", c.Findings)
	}
	if _, ok := pan.Reference(nil); ok {
		t.Error("a reference from nothing")
	}
	// Scale: U falls by 3 % a strike.
	var many []pan.Strike
	for i := range 12 {
		x := k.Strikes()[i%5].Clone()
		for j := range x.Phases {
			x.Phases[j].U.Value *= 1 - 0.03*float64(i)
		}
		many = append(many, x)
	}
	if f := pan.Scaling(many); !f.Suspect {
		t.Errorf("%+v", f)
	}
	if f := pan.Scaling(k.Strikes()); f.Suspect || f.Finding.Code == pan.Nothing {
		t.Errorf("%+v", f)
	}
}

// One scan in the longest phase, with nothing of the feed to go by.
func BenchmarkStep(b *testing.B) {
	k := pan.NewTracker(designOf(tables(b)["PC1"]))
	at := day
	in := pan.Inputs{PressureKPa: pan.Use(14), LevelPct: pan.Use(60), MassecuiteC: pan.Use(62.5), SteamTH: pan.Use(2), ChestKPa: pan.Use(134), LiquorPurityPct: pan.Use(45)}
	for range 4000 {
		k.Step(at, in)
		at = at.Add(time.Second)
	}
	b.ReportAllocs()
	for b.Loop() {
		k.Step(at, in)
		at = at.Add(time.Second)
	}
}

func FuzzTracker(f *testing.F) {
	f.Add([]byte{1, 2, 3, 200, 100, 50, 9, 255, 255, 0, 0, 0, 40, 41, 42, 43})
	f.Fuzz(func(t *testing.T, data []byte) {
		k := pan.NewTracker(pan.Design{AreaM2: 360, VolumeM3: 60, LiquorPurityPct: [2]float64{80, 68}})
		at := day
		data = data[:min(len(data), 4000)]
		for i := 0; i+9 < len(data); i += 4 {
			d := data[i:]
			r := func(j int, scale float64) pan.Reading {
				v := float64(d[j]) * scale
				switch d[j] {
				case 255:
					v = math.NaN()
				case 254:
					v = math.Inf(-1)
				}
				return pan.Reading{Value: v, OK: d[j]%7 != 0}
			}
			at = at.Add(time.Duration(d[9]) * 4 * time.Second)
			for _, tr := range k.Step(at, pan.Inputs{PressureKPa: r(0, 0.5), MassecuiteC: r(1, 0.5), LevelPct: r(2, 0.5), SteamTH: r(3, 0.1),
				ChestKPa: r(4, 1), FeedValvePct: r(5, 0.5), DischargePct: r(6, 0.1), MassecuiteBrix: r(7, 0.4), SeedPct: r(8, 0.3),
				MassecuitePurityPct: r(4, 0.4), FeedBrix: r(2, 0.4), FeedTH: r(7, 0.2)}) {
				if tr.From == tr.To || tr.At.After(tr.Noticed) {
					t.Fatalf("%+v", tr)
				}
			}
		}
		all := k.Strikes()
		if s, ok := k.Running(); ok {
			all = append(all, s)
		}
		for _, s := range all {
			body, err := json.Marshal(s) // refuses NaN
			if err != nil {
				t.Fatal(err)
			}
			var back pan.Strike
			if err := json.Unmarshal(body, &back); err != nil || len(back.Phases) != len(s.Phases) || back.WaterT.OK != s.WaterT.OK {
				t.Fatalf("a record does not come back: %v", err)
			}
			for i, p := range s.Phases {
				if !p.End.IsZero() && p.End.Before(p.Start) || i > 0 && p.Start.Before(s.Phases[i-1].End) {
					t.Fatalf("phases %v", s.Phases)
				}
			}
		}
	})
}

// A phase that comes back counts with all its stretches: fed again after a short
// tightening, and a drop whose vacuum is regained.
func TestPhaseInStretches(t *testing.T) {
	min := func(m int) time.Time { return day.Add(time.Duration(m) * time.Minute) }
	s := pan.Strike{Start: min(0), Whole: true, Phases: []pan.PhaseRecord{
		{Phase: pan.Charge, Start: min(0), End: min(10)},
		{Phase: pan.FeedOn, Start: min(10), End: min(70), WaterT: pan.Use(8), U: pan.Use(0.5), MaxS: pan.Use(1.15)},
		{Phase: pan.Tighten, Start: min(70), End: min(75), WaterT: pan.Use(0.5), U: pan.Use(0.3), MaxS: pan.Use(1.1)},
		{Phase: pan.FeedOn, Start: min(75), End: min(155), WaterT: pan.Use(9), U: pan.Use(0.4), MaxS: pan.Use(1.12)},
		{Phase: pan.Tighten, Start: min(155), End: min(175), WaterT: pan.Use(2), U: pan.Use(0.2)},
		{Phase: pan.Drop, Start: min(175), End: min(178)},
		{Phase: pan.Tighten, Start: min(178), End: min(188)},
		{Phase: pan.Drop, Start: min(188), End: min(203)},
	}}
	for _, c := range []struct {
		phase        pan.Phase
		start, end   int
		water, u, ss float64
	}{
		{pan.Charge, 0, 10, 0, 0, 0},
		{pan.FeedOn, 15, 155, 17, 0.4, 1.15}, // 60 + 80 min
		{pan.Tighten, 153, 188, 2.5, 0.2, 1.1},
		{pan.Drop, 185, 203, 0, 0, 0},
	} {
		r, ok := s.Phase(c.phase)
		if !ok || !r.Start.Equal(min(c.start)) || !r.End.Equal(min(c.end)) || r.WaterT.Value != c.water || r.U.Value != c.u || r.MaxS.Value != c.ss {
			t.Errorf("%v: %+v", c.phase, r)
		}
	}
	if _, ok := s.Phase(pan.Graining); ok {
		t.Error("a phase that it did not have")
	}
	if l := s.Length(min(500)); l != 203*time.Minute {
		t.Errorf("length %v, want to the end of the last drop", l)
	}
	c := pan.Compare(&s, &s, min(500))
	if len(c.Phases) != 4 || len(c.Findings) != 0 {
		t.Errorf("against itself: %+v", c)
	}
	// While the last stretch lasts it has no end.
	s.Phases = s.Phases[:4]
	s.Phases[3].End = time.Time{}
	if r, _ := s.Phase(pan.FeedOn); !r.End.IsZero() || r.Duration(min(100)) != 85*time.Minute {
		t.Errorf("running: %+v", r)
	}
}

// The end of the strikes of the invented pans: crystal by the purities is that of the table
// (testdata/plant/plant.json, which an independent program computed by both Brix), the values
// at the end of each phase are the table's, and the masses are those of what went in.
func TestEndOfStrike(t *testing.T) {
	const feedTH, feedBrix, volume = 20, 65, 50
	for name, tb := range tables(t) {
		end := tb.Rows[3] // tighten
		purity := 100 * (end.Cry + (100-end.Cry)/100*end.MlBx*end.MlP/100) / end.McBx
		d := designOf(tb)
		d.VolumeM3, d.Grade = volume, tb.Grade
		k := pan.NewTracker(d)
		boil(tb, 1, 5*time.Second, rand.New(rand.NewPCG(7, 3)), 1, func(at time.Time, in pan.Inputs) {
			in.MassecuitePurityPct, in.FeedBrix = pan.Use(purity), pan.Use(feedBrix)
			if in.FeedTH.Value = 0; in.FeedValvePct.Value > 5 {
				in.FeedTH.Value = feedTH
			}
			k.Step(at, in)
		})
		s := k.Strikes()[0]
		if s.Grade != tb.Grade || s.Balance.LiquorAssumed || len(s.Notes)+len(s.Balance.Doubts) != 0 {
			t.Errorf("%s: grade %q, assumed %v, notes %q, doubts %q", name, s.Grade, s.Balance.LiquorAssumed, pan.Words(s.Notes), pan.Words(s.Balance.Doubts))
		}
		// The end of a phase is found within minutes, and medians of minutes lag behind a
		// Brix that rises by 1.2 in 27 of them.
		near(t, name+" crystal by purities", s.Balance.CrystalPct.Value, end.Cry, 0.4)
		near(t, name+" crystal by Brix", s.DropCrystal.Value, end.Cry, 1)
		near(t, name+" liquor by purities", s.Balance.LiquorBrix.Value, end.MlBx, 0.4)
		near(t, name+" S by purities", s.Balance.Supersaturation.Value, end.S, 0.035)
		for i, p := range phaseOf[:4] {
			r, _ := s.Phase(p)
			row := tb.Rows[i]
			if p == pan.Charge { // the vacuum has hardly stood still
				continue
			}
			near(t, fmt.Sprintf("%s %v: Brix at the end", name, p), r.Brix.Value, row.McBx, 0.25)
			near(t, fmt.Sprintf("%s %v: S at the end", name, p), r.EndS.Value, row.S, 0.03)
		}
		// 0.3 or 0.35 of the volume, at the density of a liquor of some 86 Brix: 1.44.
		near(t, name+" footing", s.FootingT.Value, volume*tb.Rows[0].L1*1.43, 0.06*volume*tb.Rows[0].L1*1.43)
		fed := feedTH * tb.Rows[2].Hours
		near(t, name+" feed", s.FeedT.Value, fed, 0.05*fed)
		massecuite := (s.FootingT.Value*s.FootingBrix.Value + s.FeedT.Value*feedBrix) / s.DropBrix.Value
		near(t, name+" massecuite", s.Balance.MassecuiteT.Value, massecuite, 1e-6)
		near(t, name+" water", s.Balance.WaterT.Value, s.FootingT.Value+s.FeedT.Value-massecuite, 1e-6)
	}
}

// A record outlives the program: strikes written and read again stand in place of what a
// new tracker finds in the archive of the same time, and it counts on.
func TestRemember(t *testing.T) {
	tb := tables(t)["PA1"]
	whole, _, _ := follow(t, tb, 4, 5*time.Second, nil, nil)
	live := whole.Strikes()
	data, err := json.Marshal(live[:3])
	if err != nil {
		t.Fatal(err)
	}
	var record []pan.Strike
	if err := json.Unmarshal(data, &record); err != nil {
		t.Fatal(err)
	}
	for i := range record {
		record[i].Number += 40
	}
	near(t, "water of the record", record[1].WaterT.Value, live[1].WaterT.Value, 1e-5)
	if len(record[1].Profile) != len(live[1].Profile) || record[1].Profile[30].Phase != live[1].Profile[30].Phase {
		t.Error("the profile of the record is another")
	}
	// After a start: the archive from the middle of the first strike on, at 30 s, up to the
	// middle of a fifth.
	k := pan.NewTracker(designOf(tb))
	var last time.Time
	boil(tb, 5, 30*time.Second, nil, 1, func(at time.Time, in pan.Inputs) {
		if h := at.Sub(day).Hours(); h > 2 && h < 4*3.8+2 {
			k.Step(at, in)
			last = at
		}
	})
	if _, ok := k.Running(); !ok {
		t.Fatalf("no strike is running at %v", last)
	}
	found := k.Remember(record)
	if len(found) != 1 || found[0].Number != 44 || found[0].Start.Sub(live[3].Start).Abs() > 2*time.Minute {
		t.Fatalf("found beside the record: %d", len(found))
	}
	all := k.Strikes()
	if len(all) != 4 || all[0].Number != 41 || !all[0].Whole || !all[0].Start.Equal(live[0].Start) || all[3].Number != 44 || k.Newest() != 44 {
		t.Errorf("%d strikes, %d to %d", len(all), all[0].Number, k.Newest())
	}
	if r, _ := k.Running(); r.Number != 45 {
		t.Errorf("the running strike has number %d", r.Number)
	}
	if n := k.Since(42); len(n) != 2 || n[0].Number != 43 {
		t.Errorf("since 42: %d", len(n))
	}
}

// The usual strike is one of the last ten whole ones of its grade.
func TestUsual(t *testing.T) {
	var all []pan.Strike
	for i := range 24 {
		s := pan.Strike{Number: i, Grade: "A", Whole: true, Start: day}
		minutes := 100 + i // the older, the shorter
		if i%2 == 1 {
			s.Grade = "B"
		}
		s.Phases = []pan.PhaseRecord{{Phase: pan.FeedOn, Start: day, End: day.Add(time.Duration(minutes) * time.Minute)}}
		all = append(all, s)
	}
	all[22].Whole = false
	// A, whole, the last ten: 2, 4 .. 20; their median is 111 min, nearest 10 or 12.
	if r, ok := pan.Usual(all, "A"); !ok || r.Number != 10 && r.Number != 12 {
		t.Errorf("the usual strike is %d", r.Number)
	}
	if _, ok := pan.Usual(all, "C"); ok {
		t.Error("a usual strike of a grade that was not boiled")
	}
}

// Fed in shots of two minutes in four, a pan that waits for steam with its feed shut is not at
// its end: the shots after that show it, though none is as long as fed_again_held_min.
func TestFedInShots(t *testing.T) {
	k := pan.NewTracker(pan.Design{AreaM2: 300, VolumeM3: 50, StrikeHours: 3})
	minute := func(m, level, feed float64) {
		k.Step(day.Add(time.Duration(m*float64(time.Minute))), pan.Inputs{PressureKPa: pan.Use(15), MassecuiteC: pan.Use(68),
			LevelPct: pan.Use(level), SteamTH: pan.Use(6), FeedValvePct: pan.Use(feed), DischargePct: pan.Use(0)})
	}
	want := func(m float64, p pan.Phase) {
		t.Helper()
		if got, _ := k.Phase(); got != p {
			t.Errorf("after %.0f min: %v, want %v", m, got, p)
		}
	}
	for m := 0.0; m < 160; m += 0.5 {
		shot := 50 * float64(1-int(m)/2%2)
		switch {
		case m < 100:
			minute(m, 50+0.38*m, shot)
		case m < 120: // no steam
			minute(m, 88, 0)
		case m < 145:
			minute(m, 88+0.4*(m-120), shot)
		default:
			minute(m, 98, 0)
		}
		switch m {
		case 99.5, 130:
			want(m, pan.FeedOn)
		case 115, 155:
			want(m, pan.Tighten)
		}
	}
}
