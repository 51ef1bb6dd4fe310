package thermo_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// A value must not look surer than its readings. The checks here are of that law of the
// design, and of definitions; figures from elsewhere are named where they stand.

// readings is a house whose measured tags are put by hand.
type readings struct {
	t  *testing.T
	h  *plant.House
	c  *thermo.Calculator
	f  *plant.Frame
	at time.Time
}

func newReadings(t *testing.T, yaml string) *readings {
	t.Helper()
	h, err := plant.Load("plant.yaml", []byte("site: {name: Test House (invented)}\n"+
		"opcua: {servers: [{name: s, endpoint: \"opc.tcp://127.0.0.1:1\", policy: None, mode: None}]}\n"+yaml))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(h)
	if err != nil {
		t.Fatal(err)
	}
	return &readings{t, h, c, plant.NewFrame(len(h.Tags)), start}
}

func (x *readings) put(path string, v float64, q plant.Quality) {
	x.t.Helper()
	tag, ok := x.h.Find(path)
	if !ok {
		x.t.Fatalf("no tag %s", path)
	}
	x.f.Points[tag.ID] = plant.Point{Time: x.at, Value: v, Quality: q}
}

func (x *readings) good(values map[string]float64) {
	for path, v := range values {
		x.put(path, v, plant.Good)
	}
}

func (x *readings) run(d, step time.Duration) map[string]thermo.Value {
	var got map[string]thermo.Value
	for range d / step {
		x.at = x.at.Add(step)
		got = byPath(x.h, x.c.Step(x.f, x.at))
	}
	return got
}

// The standard deviations do not come and go between the minutes in which they are worked
// out, also those of values made of others.
func TestSigmaStands(t *testing.T) {
	h, c, m, f := demo(t, simulator.Settings{})
	got := run(t, h, c, m, f, 3*time.Minute, time.Second, nil)
	for range 90 {
		before := got
		got = run(t, h, c, m, f, time.Second, time.Second, nil)
		for path, v := range got {
			b := before[path]
			if !v.Point.Usable() || !b.Point.Usable() || b.Sigma == 0 {
				continue
			}
			if math.Abs(v.Sigma/b.Sigma-1) > 0.2 {
				t.Fatalf("%s: sigma %g, a second before %g", path, v.Sigma, b.Sigma)
			}
		}
	}
	for _, path := range []string{"EV.EV3.u", "EV.EV3.u_ratio", "EV.EV3.scale_resistance", "EV.economy", "CD5.water_need", "CD5.duty", "CD5.water_ratio", "CD5.approach"} {
		if v := got[path]; !v.Point.Usable() || v.Sigma <= 0 {
			t.Errorf("%s = %g has no standard deviation (%s)", path, v.Point.Value, v.Reason)
		}
	}
}

// Two bodies, of which the first heats juice; the heater is known by its juice alone.
const heaterYAML = `sets:
  - name: Q
    smoothing: 0s
    condensate_flash: false
    tags:
      steam_pressure:    {node: "nsu=u;s=p0", unit: kPa, reference: absolute, accuracy: 0.2}
      juice_flow:        {node: "nsu=u;s=f", unit: t/h, accuracy_pct: 0.4}
      juice_brix:        {node: "nsu=u;s=x0", accuracy: 0.1}
      juice_temperature: {node: "nsu=u;s=t0", accuracy: 0.2}
      syrup_brix:        {node: "nsu=u;s=xn", accuracy: 0.2}
    bodies:
      - name: A
        heating_surface_m2: 500
        tags: {vapour_pressure: {node: "nsu=u;s=p1", unit: kPa, reference: absolute, accuracy: 0.2}}
        bleeds: [{name: heater, liquid_brix: 14, ASSUMED tags: {liquid_flow: {node: "nsu=u;s=l", unit: t/h, accuracy_pct: 1}, inlet_temperature: {node: "nsu=u;s=ti", accuracy: 0.2}, outlet_temperature: {node: "nsu=u;s=to", accuracy: 0.2}}}]
      - {name: B, heating_surface_m2: 500, tags: {vapour_pressure: {node: "nsu=u;s=p2", unit: kPa, reference: absolute, accuracy: 0.2}}}
`

// A juice that seems to leave its heater colder than it came tells nothing of the vapour
// taken: it counts as not measured, not as 0. What is assumed instead is said.
func TestHeaterThatCools(t *testing.T) {
	for _, x := range []struct {
		name, assumed string
		in, out       float64
		liquid        float64
		usable        bool
		says          string
	}{
		{"heats", "", 80, 100, 100, true, ""},
		{"by-passed", "", 80, 80, 100, true, ""},
		{"by-passed, within the accuracy of its thermometers", "", 80, 79.5, 100, true, ""},
		{"stands and cools, its meter a little under zero", "", 80, 60, -0.3, true, ""},
		{"its meter far under zero", "", 80, 81, -20, false, "bleed"},
		{"leaves colder", "", 100, 80, 100, false, "bleed"},
		{"leaves colder, with an assumption", "assumed_t_h: 3, ", 100, 80, 100, true, "bleed Q.A.heater taken as 3 t/h"},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := newReadings(t, strings.Replace(heaterYAML, "ASSUMED ", x.assumed, 1))
			r.good(map[string]float64{"Q.steam_pressure": 200, "Q.juice_flow": 60, "Q.juice_brix": 15, "Q.juice_temperature": 100, "Q.syrup_brix": 40,
				"Q.A.vapour_pressure": 120, "Q.B.vapour_pressure": 30,
				"Q.A.heater.liquid_flow": x.liquid, "Q.A.heater.inlet_temperature": x.in, "Q.A.heater.outlet_temperature": x.out})
			v := r.run(2*time.Second, time.Second)["Q.steam_calculated"]
			if v.Point.Usable() != x.usable || !strings.Contains(v.Reason.String(), x.says) {
				t.Errorf("steam_calculated usable %v (%s), want %v and %q", v.Point.Usable(), v.Reason, x.usable, x.says)
			}
		})
	}
}

// Juice hotter than the source of its enthalpy goes, 110 degC, is said, at the set and at
// a heater.
func TestHeatBeyondItsSourceIsSaid(t *testing.T) {
	for _, x := range []struct {
		feed, in, out float64
		says          bool
	}{{105, 80, 100, false}, {114, 80, 100, true}, {105, 95, 112, true}} {
		r := newReadings(t, strings.Replace(heaterYAML, "ASSUMED ", "", 1))
		r.good(map[string]float64{"Q.steam_pressure": 200, "Q.juice_flow": 60, "Q.juice_brix": 15, "Q.juice_temperature": x.feed, "Q.syrup_brix": 40,
			"Q.A.vapour_pressure": 120, "Q.B.vapour_pressure": 30,
			"Q.A.heater.liquid_flow": 100, "Q.A.heater.inlet_temperature": x.in, "Q.A.heater.outlet_temperature": x.out})
		v := r.run(2*time.Second, time.Second)["Q.steam_calculated"]
		if !v.Point.Usable() || strings.Contains(v.Reason.String(), "heat of the juice") != x.says {
			t.Errorf("%+v: steam_calculated %+v", x, v)
		}
	}
}

// A volume flow is turned into mass without its thermometer at a usual temperature, and
// that is said.
func TestUsualTemperatureIsSaid(t *testing.T) {
	yaml := strings.Replace(strings.Replace(heaterYAML, "ASSUMED ", "assumed_t_h: 3, ", 1),
		`juice_flow:        {node: "nsu=u;s=f", unit: t/h, accuracy_pct: 0.4}`, `juice_volume_flow: {node: "nsu=u;s=f", unit: m3/h, accuracy_pct: 0.4}`, 1)
	r := newReadings(t, yaml)
	r.good(map[string]float64{"Q.steam_pressure": 200, "Q.juice_volume_flow": 60, "Q.juice_brix": 15, "Q.juice_temperature": 98, "Q.syrup_brix": 40,
		"Q.A.vapour_pressure": 120, "Q.B.vapour_pressure": 30})
	v := r.run(2*time.Second, time.Second)["Q.juice_in_flow"]
	rho, err := liquor.SPS4.Density(15, 98)
	if err != nil || !v.Point.Usable() || math.Abs(v.Point.Value-60*rho/1000) > 1e-9 || strings.Contains(v.Reason.String(), "usual") {
		t.Fatalf("juice_in_flow %+v, want %g", v, 60*rho/1000)
	}
	r.put("Q.juice_temperature", math.NaN(), plant.BadNoData)
	if v := r.run(time.Second, time.Second)["Q.juice_in_flow"]; !v.Point.Usable() || !strings.Contains(v.Reason.String(), "usual temperature") {
		t.Errorf("juice_in_flow %+v", v)
	}
}

// Two pans on one condenser.
const twoPansYAML = `condensers:
  - name: C
    tags:
      water_inlet_temperature:  {node: "nsu=u;s=ti", accuracy: 0.2}
      water_outlet_temperature: {node: "nsu=u;s=to", accuracy: 0.2}
      water_flow:               {node: "nsu=u;s=w", unit: t/h, accuracy_pct: 1}
pans:
  - name: P
    condenser: C
    heating_surface_m2: 300
    liquor_purity_pct: [80, 60]
    tags: &tags
      vapour_pressure:        {node: "nsu=u;s=pp", unit: kPa, reference: absolute, accuracy: 0.1}
      massecuite_temperature: {node: "nsu=u;s=pt", accuracy: 0.1}
      chest_pressure:         {node: "nsu=u;s=pc", unit: kPa, reference: absolute, accuracy: 0.5}
      level:                  {node: "nsu=u;s=pl"}
      feed_valve:             {node: "nsu=u;s=pf"}
      steam_flow:             {node: "nsu=u;s=ps", unit: t/h, accuracy_pct: 2}
  - name: R
    condenser: C
    heating_surface_m2: 300
    liquor_purity_pct: [80, 60]
    tags:
      vapour_pressure:        {node: "nsu=u;s=rp", unit: kPa, reference: absolute, accuracy: 0.1}
      massecuite_temperature: {node: "nsu=u;s=rt", accuracy: 0.1}
      chest_pressure:         {node: "nsu=u;s=rc", unit: kPa, reference: absolute, accuracy: 0.5}
      level:                  {node: "nsu=u;s=rl"}
      feed_valve:             {node: "nsu=u;s=rf"}
      steam_flow:             {node: "nsu=u;s=rs", unit: t/h, accuracy_pct: 2}
`

func twoPans(t *testing.T) *readings {
	r := newReadings(t, strings.Replace(twoPansYAML, "&tags", "", 1))
	r.good(map[string]float64{"C.water_inlet_temperature": 30, "C.water_outlet_temperature": 46, "C.water_flow": 300})
	for _, p := range []string{"P.", "R."} {
		r.good(map[string]float64{p + "vapour_pressure": 16, p + "massecuite_temperature": 63, p + "chest_pressure": 120, p + "level": 65, p + "feed_valve": 50, p + "steam_flow": 8})
	}
	return r
}

// A pan that stands idle sends its condenser no vapour; a pan of which that is not known
// leaves the vapour unknown. An uncertain pan makes what rests on its vapour uncertain.
func TestCondenserOfPans(t *testing.T) {
	r := twoPans(t)
	got := r.run(3*time.Minute, 10*time.Second)
	both := got["C.water_need"]
	if !both.Point.Quality.IsGood() || both.Sigma <= 0 {
		t.Fatalf("water_need %+v", both)
	}
	// The heat balance by hand: vapour h"(16 kPa) to water at 46 degC warms water from 30.
	lc, _ := steam.LatentHeat(120)
	lv, _ := steam.LatentHeat(16)
	hv, _ := steam.SatVapourEnthalpy(16)
	hi, _ := steam.LiquidEnthalpyAt(30)
	ho, _ := steam.LiquidEnthalpyAt(46)
	if want := 16 * float64(lc/lv) * float64((hv-ho)/(ho-hi)); math.Abs(both.Point.Value/want-1) > 1e-9 {
		t.Errorf("water_need %g t/h, want %g", both.Point.Value, want)
	}
	// 2 % of each steam flow, independent: the vapour is uncertain by 2 %/sqrt 2; the rise of
	// 16 K by 0.28 K.
	if want := both.Point.Value * math.Hypot(0.02/math.Sqrt2, math.Sqrt2*0.2/16); math.Abs(both.Sigma/want-1) > 0.02 {
		t.Errorf("sigma of water_need %g, want %g", both.Sigma, want)
	}
	r.put("R.level", 65, plant.UncertainLastUsable)
	if v := r.run(10*time.Second, 10*time.Second)["C.water_need"]; !v.Point.Quality.IsUncertain() {
		t.Errorf("water_need of an uncertain pan is %v", v.Point.Quality)
	}
	r.put("R.steam_flow", math.NaN(), plant.BadNoData)
	if v := r.run(10*time.Second, 10*time.Second)["C.water_need"]; v.Point.Usable() {
		t.Error("water_need without the steam of one pan has a value")
	}
	r.good(map[string]float64{"R.vapour_pressure": 101, "R.level": 0, "R.steam_flow": 0, "R.massecuite_temperature": 40})
	got = r.run(3*time.Minute, 10*time.Second)
	if v := got["C.water_need"]; !v.Point.Usable() || math.Abs(v.Point.Value/both.Point.Value-0.5) > 1e-6 {
		t.Errorf("water_need with one pan idle %+v, want half of %g", v, both.Point.Value)
	}
	// The approach is that of the pan that boils, not of the one that stands open.
	ts, _ := steam.Tsat(16)
	if v := got["C.approach"]; !v.Point.Usable() || math.Abs(v.Point.Value-float64(ts-46)) > 1e-9 {
		t.Errorf("approach with one pan idle %+v, want %g", v, float64(ts-46))
	}
	r.good(map[string]float64{"P.vapour_pressure": 101, "P.level": 0, "P.steam_flow": 0, "P.massecuite_temperature": 40,
		"R.vapour_pressure": 16, "R.massecuite_temperature": 63, "R.level": 65, "R.steam_flow": 8})
	if v := r.run(3*time.Minute, 10*time.Second)["C.approach"]; !v.Point.Usable() || math.Abs(v.Point.Value-float64(ts-46)) > 1e-9 {
		t.Errorf("approach with the first pan idle %+v, want %g", v, float64(ts-46))
	}
	r.good(map[string]float64{"R.vapour_pressure": 101, "R.level": 0, "R.steam_flow": 0, "R.massecuite_temperature": 40})
	// Nothing boils: the duty is the water's, by its own balance, and there is no approach:
	// the saturation temperature of an open pan less the water would be 54 K.
	r.good(map[string]float64{"P.vapour_pressure": 101, "P.level": 0, "P.steam_flow": 0, "P.massecuite_temperature": 40})
	got = r.run(3*time.Minute, 10*time.Second)
	if v, want := got["C.duty"], 300*float64(ho-hi)/3.6; !v.Point.Usable() || math.Abs(v.Point.Value/want-1) > 1e-9 || v.Sigma <= 0 {
		t.Errorf("duty of the water %+v, want %g", v, want)
	}
	for _, n := range []string{"approach", "saturation_temperature", "water_ratio", "water_need", "vacuum_loss"} {
		if v := got["C."+n]; v.Point.Usable() || !strings.Contains(v.Reason.String(), "at rest") {
			t.Errorf("%s while nothing boils: %v, %q", n, v.Point, v.Reason)
		}
	}
	// What is not known is not at rest.
	r.put("P.vapour_pressure", math.NaN(), plant.BadNoData)
	r.put("P.level", math.NaN(), plant.BadNoData)
	if v := r.run(time.Minute, 10*time.Second)["C.approach"]; v.Point.Usable() || v.Reason != "no usable vapour pressure" {
		t.Errorf("approach of an unknown pan: %v, %q", v.Point, v.Reason)
	}
}

// What a pan's purity, vacuum and steam leave open is said: the purity by configuration is
// an assumption with an uncertainty, a moving vacuum makes the supersaturation uncertain,
// and a strike whose steam was not known for a while has too little water.
func TestPanConfidence(t *testing.T) {
	r := twoPans(t)
	got := r.run(5*time.Minute, time.Second)
	s := got["P.supersaturation"]
	if !s.Point.Quality.IsGood() || s.How != "assumed" || !strings.Contains(s.Reason.String(), "liquor_purity_pct") {
		t.Errorf("supersaturation %+v", s)
	}
	// 0.05 at best: reference text on unit operations, f.5.
	if s.Sigma < 0.05 || s.Sigma > 0.09 {
		t.Errorf("sigma of the supersaturation %g", s.Sigma)
	}
	for _, name := range []string{"evaporation", "u", "temperature_difference", "mother_liquor_brix", "boiling_point_elevation"} {
		if v := got["P."+name]; !v.Point.Usable() || v.Sigma <= 0 {
			t.Errorf("%s = %g ± %g (%s)", name, v.Point.Value, v.Sigma, v.Reason)
		}
	}
	if e := got["P.evaporation"]; math.Abs(e.Sigma/e.Point.Value-0.02) > 1e-9 {
		t.Errorf("evaporation %g ± %g, the steam is good to 2 %%", e.Point.Value, e.Sigma)
	}

	// Without the level the purity goes by the time in the strike, and is less sure for it.
	r.put("P.level", math.NaN(), plant.BadNoData)
	got = r.run(time.Second, time.Second)
	if v := got["P.supersaturation"]; !strings.Contains(v.Reason.String(), "for want of a level") || v.Sigma <= s.Sigma {
		t.Errorf("supersaturation without level ± %g (%s), with it ± %g", v.Sigma, v.Reason, s.Sigma)
	}
	r.put("P.level", 65, plant.Good)

	// The vacuum moves: 2 kPa are 2.6 K.
	r.put("P.vapour_pressure", 14, plant.Good)
	got = r.run(20*time.Second, time.Second)
	if v := got["P.supersaturation"]; !v.Point.Quality.IsUncertain() || !strings.Contains(v.Reason.String(), "vacuum moves") {
		t.Errorf("supersaturation in a moving vacuum %+v", v)
	}
	if v := got["P.evaporation"]; !v.Point.Quality.IsGood() {
		t.Errorf("evaporation in a moving vacuum %+v", v)
	}
	got = r.run(10*time.Minute, time.Second)
	if v := got["P.supersaturation"]; !v.Point.Quality.IsGood() {
		t.Errorf("supersaturation in a vacuum that stands again %+v", v)
	}

	// Ten minutes without steam flow.
	before := got["P.water_evaporated"]
	if !before.Point.Quality.IsGood() {
		t.Fatalf("water_evaporated %+v", before)
	}
	r.put("P.steam_flow", math.NaN(), plant.BadNoData)
	r.run(10*time.Minute, time.Second)
	r.put("P.steam_flow", 8, plant.Good)
	got = r.run(time.Second, time.Second)
	if v := got["P.water_evaporated"]; !v.Point.Quality.IsUncertain() || !strings.Contains(v.Reason.String(), "too little") {
		t.Errorf("water_evaporated with a hole %+v", v)
	}

	// Steam shut: no U, and no talk of bad inputs.
	r.put("P.steam_flow", 0, plant.Good)
	r.run(5*time.Minute, time.Second)
	r.put("P.steam_flow", -0.01, plant.Good)
	got = r.run(5*time.Minute, time.Second)
	if v := got["P.u"]; v.Point.Usable() || v.Reason != "no steam flows" {
		t.Errorf("u without steam: %+v", v)
	}
}

// A pan without a gauge at its calandria goes by the vapour that heats it, less the loss
// of saturation temperature in the pipe, and says that this is assumed.
func TestPanHeatedByVapour(t *testing.T) {
	yaml := strings.Replace(heaterYAML, "ASSUMED ", "assumed_t_h: 3, ", 1) + `pans:
  - name: P
    heated_by: Q.A
    heating_surface_m2: 300
    liquor_purity_pct: [80]
    tags:
      vapour_pressure:        {node: "nsu=u;s=pp", unit: kPa, reference: absolute, accuracy: 0.1}
      massecuite_temperature: {node: "nsu=u;s=pt", accuracy: 0.1}
      steam_flow:             {node: "nsu=u;s=ps", unit: t/h, accuracy_pct: 2}
`
	r := newReadings(t, yaml)
	r.good(map[string]float64{"Q.A.vapour_pressure": 120, "P.vapour_pressure": 16, "P.massecuite_temperature": 63, "P.steam_flow": 8})
	got := r.run(time.Minute, time.Second)
	tc, _ := steam.Tsat(120)
	d := got["P.temperature_difference"]
	if want := float64(tc) - 0.3 - 63; math.Abs(d.Point.Value-want) > 1e-9 || d.How != "assumed" || !strings.Contains(d.Reason.String(), "Q.A") {
		t.Errorf("temperature_difference %+v, want %g", d, want)
	}
	if u := got["P.u"]; !u.Point.Usable() || u.How != "assumed" {
		t.Errorf("u %+v", u)
	}
	if e := got["P.evaporation"]; !e.Point.Usable() || e.How != "balanced" {
		t.Errorf("evaporation %+v", e)
	}
}

// The equation of the solubility is the site's choice, by its author's name. At 63 degC
// Charles' solubility is within 0.12 % by mass of Vavrinecz' (README of the tables), so
// the supersaturation within 0.006 x 1.
func TestSolubilityByName(t *testing.T) {
	var s [2]float64
	for i, name := range []string{"vavrinecz", "charles"} {
		r := newReadings(t, strings.Replace(strings.Replace(twoPansYAML, "&tags", "", 1), "  - name: P\n", "  - name: P\n    solubility: "+name+"\n", 1))
		r.good(map[string]float64{"P.vapour_pressure": 16, "P.massecuite_temperature": 63, "P.chest_pressure": 120, "P.level": 65})
		s[i] = r.run(time.Minute, time.Second)["P.supersaturation"].Point.Value
	}
	if d := math.Abs(s[0] - s[1]); !(d > 1e-4 && d < 0.006*s[0]) {
		t.Errorf("supersaturation %g and %g", s[0], s[1])
	}
	h, err := plant.Load("plant.yaml", []byte("site: {name: T}\npans:\n  - {name: P, solubility: herzfeld, tags: {vapour_pressure: {value: 16}}}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := thermo.New(h); err == nil || !strings.Contains(err.Error(), "pans[0].solubility") || !strings.Contains(err.Error(), "charles") {
		t.Errorf("an equation that does not exist: %v", err)
	}
}

// Nine strikes whose steam at feed-on falls by 3.75 % of the first from one to the next,
// at the same temperatures: the median U of the last three is 23.4 % under that of the
// first three (the definitions), and the time of feed-on has not changed.
func TestScaleFromStrikeToStrike(t *testing.T) {
	r := newReadings(t, strings.Replace(strings.Replace(twoPansYAML, "&tags", "", 1), "      steam_flow:             {node: \"nsu=u;s=ps\"", "      discharge_valve: {node: \"nsu=u;s=pd\"}\n      steam_flow:             {node: \"nsu=u;s=ps\"", 1))
	var got map[string]thermo.Value
	phase := func(minutes int, pressure, temperature, from, to, feed, steam, discharge float64) {
		for i := range 2 * minutes {
			r.good(map[string]float64{"P.vapour_pressure": pressure, "P.massecuite_temperature": temperature, "P.chest_pressure": 120,
				"P.level": from + (to-from)*float64(i)/float64(2*minutes), "P.feed_valve": feed, "P.steam_flow": steam, "P.discharge_valve": discharge})
			got = r.run(30*time.Second, 30*time.Second)
		}
	}
	for i := range 10 {
		if i == 9 {
			if v := got["P.u_change"]; v.Point.Usable() || !strings.Contains(v.Reason.String(), "fewer than nine") {
				t.Errorf("u_change before the ninth strike is over: %+v", v)
			}
		}
		phase(10, 101, 40, 0, 0, 0, 0, 0)
		if i == 9 {
			break
		}
		k := 1 - 0.0375*float64(i)
		phase(10, 16, 62, 0, 35, 0, 4, 0)
		phase(12, 16, 62, 35, 35, 0, 8, 0)
		phase(60, 16, 63, 35, 95, 50, 8*k, 0)
		phase(15, 16, 65, 95, 95, 0, 4, 0)
		phase(10, 101, 70, 95, 0, 0, 0, 100)
		phase(5, 101, 90, 0, 0, 0, 0, 0)
	}
	phase(10, 16, 62, 0, 35, 0, 4, 0)
	if v := got["P.u_change"]; !v.Point.Usable() || math.Abs(v.Point.Value+23.4) > 0.5 {
		t.Errorf("u_change %+v, want -23.4", v)
	}
	if v := got["P.feed_time_change"]; !v.Point.Usable() || math.Abs(v.Point.Value) > 3 {
		t.Errorf("feed_time_change %+v, want 0", v)
	}

	// The steam meter fails at feed-on: the evaporation goes by the U of the strike before,
	// whose steam was 0.7 of 8 t/h at this difference of temperatures, and counts as assumed.
	phase(12, 16, 62, 35, 35, 0, 8, 0)
	phase(20, 16, 63, 35, 55, 50, 8*0.7, 0)
	want := got["P.evaporation"].Point.Value
	for range 20 {
		r.put("P.steam_flow", math.NaN(), plant.BadNoData)
		got = r.run(30*time.Second, 30*time.Second)
	}
	v := got["P.evaporation"]
	if !v.Point.Usable() || v.How != "assumed" || math.Abs(v.Point.Value/want-1) > 0.02 || v.Sigma < 0.2*v.Point.Value {
		t.Errorf("evaporation without a steam flow %+v, want %g", v, want)
	}
	if u := got["P.u"]; u.Point.Usable() {
		t.Errorf("u without a steam flow %+v", u)
	}
}

// A continuous pan that sums its steam over the compartments is as uncertain as the worst
// of them, and a mean temperature that lacks one is uncertain.
func TestContinuousPanConfidence(t *testing.T) {
	x := newContinuous(t)
	x.put("CP.vapour_pressure", 16)
	x.put("CP.chest_pressure", 100)
	for k := range 5 {
		x.put(fmt.Sprintf("CP.K%d.massecuite_temperature", k+1), 64)
	}
	x.put("CP.K1.steam_flow", 1.5)
	x.put("CP.K2.steam_flow", 1)
	if v := x.step()["CP.evaporation"]; !v.Point.Quality.IsGood() {
		t.Fatalf("evaporation %+v", v)
	}
	mark := func(path string, q plant.Quality) {
		tag, _ := x.h.Find(path)
		x.f.Points[tag.ID].Quality = q
	}
	mark("CP.K2.steam_flow", plant.UncertainLastUsable)
	if v := x.step()["CP.evaporation"]; !v.Point.Quality.IsUncertain() {
		t.Errorf("evaporation with an uncertain steam flow is %v", v.Point.Quality)
	}
	mark("CP.K2.steam_flow", plant.Good)
	mark("CP.K3.massecuite_temperature", plant.BadNoData)
	if v := x.step()["CP.temperature_difference"]; !v.Point.Quality.IsUncertain() {
		t.Errorf("the difference on the mean of four of five is %v", v.Point.Quality)
	}
}

// No reading, however wrong, makes a number that is no number, a panic or an endless loop:
// every quantity stays within what is plausible, or is absent with a reason.
func FuzzReadings(f *testing.F) {
	f.Add(uint64(1), uint8(0))
	f.Add(uint64(2), uint8(7))
	f.Add(uint64(80), uint8(49)) // a steam flow whose deviation is no number
	f.Fuzz(func(t *testing.T, seed uint64, most uint8) {
		h, c, m, frame := demo(t, simulator.Settings{Noise: true})
		bounds := map[string][2]float64{}
		for _, q := range thermo.Quantities {
			bounds[string(q.Class)+q.Name] = [2]float64{q.Low, q.High}
		}
		odd := []float64{0, -1, 1, 1e-300, -1e-9, 1e9, -1e9, math.Inf(1), math.Inf(-1), math.MaxFloat64, 0.611, 101.3, 22064, 60, 95, 100, 374}
		next := func(n uint64) uint64 {
			seed ^= seed<<13 | 1
			seed ^= seed >> 7
			seed ^= seed << 17
			return seed % n
		}
		for range 4 {
			m.Step(10 * time.Second)
			feed(t, h, frame, m)
			for range most%32 + 1 {
				i := next(uint64(len(h.Tags)))
				if h.Tags[i].Source != plant.Measured {
					continue
				}
				v := odd[next(uint64(len(odd)))]
				if next(3) == 0 {
					v = frame.Points[i].Value * float64(next(400)) / 100
				}
				frame.Points[i].Value = v
			}
			for _, v := range c.Step(frame, m.Now()) {
				tag := &h.Tags[v.Tag]
				b := bounds[string(tag.Class)+tag.Name]
				switch {
				case !v.Point.Usable() && v.Reason == "":
					t.Fatalf("%s is absent without a reason", tag.Path)
				case v.Point.Usable() && !(v.Point.Value >= b[0] && v.Point.Value <= b[1]):
					t.Fatalf("%s = %g, plausible are %g to %g", tag.Path, v.Point.Value, b[0], b[1])
				case !(v.Sigma >= 0) || math.IsInf(v.Sigma, 0):
					t.Fatalf("%s: sigma %g", tag.Path, v.Sigma)
				}
			}
		}
	})
}
