package condenser_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"calandria/thermo/condenser"
	"calandria/thermo/steam"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.6g, want %.6g within %.2g", what, got, want, rel)
	}
}

func load(t *testing.T, path string, into any) {
	t.Helper()
	data, err := os.ReadFile("../../testdata/" + path)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// Kern, Process Heat Transfer, example 14.4
// (testdata/examples/10-kern-barometric-condenser.json).
func TestKernBarometricCondenser(t *testing.T) {
	var ex struct {
		Inputs struct {
			Vapour   float64 `json:"T_vapour_F"`
			In       float64 `json:"T_water_in_F"`
			Approach float64 `json:"approach_F"`
			Flow     float64 `json:"vapour_lb_h"`
		}
		Recomputed struct {
			Ratio float64 `json:"water_kg_per_kg_vapour_direct_contact"`
			Tail  float64 `json:"tail_water_C"`
			PSat  float64 `json:"p_sat_vapour_kPa"`
		}
	}
	load(t, "examples/10-kern-barometric-condenser.json", &ex)
	c := func(f float64) steam.Celsius { return steam.Celsius((f - 32) / 1.8) }
	const lbH = 0.45359237e-3 // t/h
	p, err := steam.Psat(c(ex.Inputs.Vapour))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "vapour pressure", float64(p), ex.Recomputed.PSat, 1e-4)
	out := c(ex.Inputs.Vapour - ex.Inputs.Approach)
	near(t, "tail water", float64(out), ex.Recomputed.Tail, 1e-7)
	perf, err := condenser.Perform(ex.Inputs.Flow*lbH, p, c(ex.Inputs.In), out)
	if err != nil {
		t.Fatal(err)
	}
	// The recomputation uses another formulation of water.
	near(t, "ratio", perf.RatioKgKg, ex.Recomputed.Ratio, 5e-4)
	near(t, "approach", perf.ApproachK, ex.Inputs.Approach/1.8, 1e-6)
}

func read(v float64) condenser.Reading { return condenser.Reading{Value: v, OK: true} }

type state struct {
	V        []float64
	Pv       []float64 `json:"pv"`
	CWFlow   float64   `json:"cw_flow"`
	CWOut    float64   `json:"cw_out"`
	Approach float64   `json:"approach"`
}

type plant struct {
	Base    state            `json:"base"`
	Fouling map[string]state `json:"fouling"`
	Upsets  map[string]struct {
		Tags map[string]float64 `json:"tags"`
	} `json:"upsets"`
}

// The condenser of the invented plant (testdata/plant/plant.json), in every state.
func TestPlantCondenser(t *testing.T) {
	var p plant
	load(t, "plant/plant.json", &p)
	states := []state{p.Base}
	for _, s := range p.Fouling {
		states = append(states, s)
	}
	for _, s := range states {
		perf, err := condenser.Perform(s.V[4], steam.KPa(s.Pv[4]), 30, steam.Celsius(s.CWOut))
		if err != nil {
			t.Fatal(err)
		}
		// Their vapour is superheated by the elevation of 2.6 to 3.4 K: 0.25 %.
		near(t, "water", perf.WaterNeedTH, s.CWFlow, 0.004)
		near(t, "approach", perf.ApproachK, s.Approach, 5e-4)
	}
}

// Water need against rise for vapour at 55.3 degC: computed values of the reference
// text on unit operations, whole kg/kg.
func TestWaterNeedAgainstRise(t *testing.T) {
	p, _ := steam.Psat(55.3)
	for rise, want := range map[float64]float64{10: 58, 15: 38, 18: 32, 20: 29, 25: 23} {
		w, err := condenser.WaterTH(1, p, 30, steam.Celsius(30+rise))
		if err != nil || math.Abs(w-want) > 0.51 {
			t.Errorf("rise %g K: %g kg/kg, %v; want %g", rise, w, err, want)
		}
	}
}

// Each upset of the plant that touches the vacuum puts its own cause first.
func TestDiagnosePlantUpsets(t *testing.T) {
	var p plant
	load(t, "plant/plant.json", &p)
	base := condenser.Observation{
		PressureKPa: read(16), InC: read(30), OutC: read(48), GasC: read(55.3),
		VapourTH: read(p.Base.V[4]), WaterTH: read(p.Base.CWFlow), SwingK: read(1),
	}
	upset := func(name string) condenser.Observation {
		o := base
		o.PressureKPa = read(p.Upsets[name].Tags["p5"])
		o.OutC = read(p.Upsets[name].Tags["cw_out"])
		return o
	}
	first := func(name string, o condenser.Observation, want condenser.Cause) condenser.Diagnosis {
		t.Helper()
		d, err := condenser.Diagnose(o, base, 1)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if len(d.Findings) == 0 || d.Findings[0].Cause != want {
			t.Errorf("%s: first is %+v, want %s", name, d.Findings, want)
		}
		return d
	}
	none := condenser.Reading{}

	leak := upset("airleak")
	leak.GasC, leak.VapourTH = read(54.5), none
	d := first("air leak", leak, condenser.Air)
	near(t, "vapour temperature's rise", d.RiseK, 8.74, 0.005)
	if d.Findings[0].ExplainsK < 8 {
		t.Errorf("air explains %g K", d.Findings[0].ExplainsK)
	}
	bare := leak
	bare.GasC = none
	first("air leak, no gas thermometer", bare, condenser.Air)

	water := upset("cwloss")
	water.WaterTH = read(0.75 * p.Base.CWFlow)
	water.GasC, water.VapourTH = none, none
	d = first("water loss", water, condenser.LittleWater)
	for _, f := range d.Findings {
		if f.Cause == condenser.Air {
			t.Errorf("water loss taken for air: %+v", f)
		}
	}

	warm := base
	warm.InC, warm.OutC = read(34), read(52)
	warm.PressureKPa = read(19.4)
	warm.GasC = read(59.3)
	first("warm water", warm, condenser.WarmWater)

	load := base
	load.VapourTH = read(1.3 * p.Base.V[4])
	load.OutC, load.PressureKPa, load.GasC = read(53.2), read(20.5), read(60.4)
	first("overload", load, condenser.Overload)

	// A pump that reports that it stopped decides between gas and contact, whatever
	// the gas thermometer shows. Common practice, no source.
	tripped := leak
	tripped.GasC, tripped.PumpStopped = read(60), true
	d = first("vacuum pump stopped", tripped, condenser.Air)
	if f := d.Findings[0]; f.Doubt == "" || len(d.Findings) > 1 && d.Findings[1].Cause == condenser.Internals {
		t.Errorf("vacuum pump stopped: %+v", d.Findings)
	}

	blocked := base
	blocked.PressureKPa, blocked.GasC = read(20), read(60)
	first("blocked internals", blocked, condenser.Internals)

	deep := base
	deep.PressureKPa, deep.GasC, deep.OutC = read(10.5), read(46.5), read(43)
	first("too deep", deep, condenser.VacuumTooDeep)

	flooding := base
	flooding.SwingK = read(12)
	first("flooding", flooding, condenser.TailPipe)

	if d, err := condenser.Diagnose(base, base, 1); err != nil || len(d.Findings) != 0 {
		t.Errorf("normal running: %+v, %v", d, err)
	}
	if _, err := condenser.Diagnose(condenser.Observation{}, base, 1); err == nil {
		t.Error("no readings, no error")
	}
}

func FuzzNoNaN(f *testing.F) {
	f.Add(11.0, 16.0, 30.0, 48.0, 55.0, 300.0)
	f.Add(math.NaN(), math.Inf(1), -1.0, 1e300, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, v, p, in, out, gas, w float64) {
		ok := func(x float64, err error) {
			if err == nil && (math.IsNaN(x) || math.IsInf(x, 0)) {
				t.Errorf("%g without an error", x)
			}
		}
		ok(condenser.DutyKW(v, steam.KPa(p), gas, steam.Celsius(out)))
		ok(condenser.WaterTH(v, steam.KPa(p), steam.Celsius(in), steam.Celsius(out)))
		perf, err := condenser.Perform(v, steam.KPa(p), steam.Celsius(in), steam.Celsius(out))
		ok(perf.RatioKgKg, err)
		obs := condenser.Observation{PressureKPa: read(p), InC: read(in), OutC: read(out),
			GasC: read(gas), VapourTH: read(v), WaterTH: read(w), SwingK: read(v)}
		good := condenser.Observation{PressureKPa: read(16), InC: read(30), OutC: read(48),
			GasC: read(55), VapourTH: read(11), WaterTH: read(350)}
		for _, pair := range [][2]condenser.Observation{{obs, good}, {good, obs}} {
			if d, err := condenser.Diagnose(pair[0], pair[1], 1); err == nil {
				for _, fi := range d.Findings {
					ok(fi.ExplainsK, nil)
				}
			}
		}
	})
}

// A condenser of a fixed number of transfer units leaves exp(-NTU) of the distance between
// vapour and injection water: with less water or more vapour its approach grows with its
// rise, and that is no air. Source: effectiveness of a condenser, 1 - exp(-NTU) (Kays and
// London, from memory).
func TestApproachGoesWithLoad(t *testing.T) {
	const ntu = 1.4
	state := func(vapour, water, in, air float64) condenser.Observation {
		rise := vapour * 2380 / (4.18 * water) // 2380 kJ/kg, of vapour at some 16 kPa
		tv := in + rise/(1-math.Exp(-ntu)) + air
		p, err := steam.Psat(steam.Celsius(tv))
		if err != nil {
			t.Fatal(err)
		}
		return condenser.Observation{PressureKPa: read(float64(p)), InC: read(in), OutC: read(in + rise)}
	}
	normal := state(12, 420, 28, 0)
	for _, x := range []struct {
		name string
		now  condenser.Observation
		want condenser.Cause
		air  float64
	}{
		{"a quarter less water", state(12, 315, 28, 0), condenser.LittleWater, 0},
		{"a third more vapour", state(16, 420, 28, 0), condenser.LittleWater, 0}, // neither flow is measured: the two look alike
		{"air of 5 K", state(12, 420, 28, 5), condenser.Air, 5},
		{"warm water", state(12, 420, 34, 0), condenser.WarmWater, 0},
		{"air and less water", state(12, 336, 28, 6), condenser.Air, 6},
	} {
		d, err := condenser.Diagnose(x.now, normal, 0.05)
		if err != nil || len(d.Findings) == 0 || d.Findings[0].Cause != x.want {
			t.Errorf("%s: %v, %+v", x.name, err, d.Findings)
			continue
		}
		air := 0.0
		for _, f := range d.Findings {
			if f.Cause == condenser.Air {
				air = f.ExplainsK
			}
		}
		if math.Abs(air-x.air) > 0.3 {
			t.Errorf("%s: air explains %.2f K, want %.2f", x.name, air, x.air)
		}
	}
}
