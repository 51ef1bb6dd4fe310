package thermo_test

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/fouling"
)

func byPath(h *plant.House, values []thermo.Value) map[string]thermo.Value {
	got := map[string]thermo.Value{}
	for _, v := range values {
		got[h.Tags[v.Tag].Path] = v
	}
	return got
}

// The standard deviations shown are those that come out when every instrument
// is shaken by its stated accuracy, a thousand times. The model is taken as exact here:
// its errors are shaken in the tests of package evaporator.
func TestSigmaAgreesWithMonteCarlo(t *testing.T) {
	const line = "    pipe_loss_k: 0.3"
	exact := bytes.Replace(deploy.Demo(), []byte(line), []byte("    sigma: {loss_pct: 0, pipe_loss_k: 0, boiling_point_pct: 0, heat_pct: 0}\n"+line), 1)
	exact = bytes.Replace(exact, []byte("  barometer_kpa: 100.8"), []byte("  barometer_kpa: 100.8\n  tags: {barometer: {value: 100.8}}"), 1)
	h, c, m, f := demoOf(t, exact, simulator.Settings{})
	c.NoReconciliation()
	m.AdvanceTo(start.Add(30 * time.Minute))
	m.Step(30 * time.Second)
	feed(t, h, f, m)
	at := m.Now()
	names := []string{"EV.EV1.u", "EV.EV2.u", "EV.EV3.u", "EV.EV4.u", "EV.EV5.u", "EV.steam_calculated", "EV.economy", "EV.evaporation", "EV.EV5.u_ratio", "EV.EV3.scale_resistance", "CD5.approach", "CD5.water_need"}
	for id := range h.Tags {
		if tag := &h.Tags[id]; tag.Source == plant.Fixed {
			f.Points[id] = plant.Point{Time: at, Value: tag.Value, Quality: plant.Good}
		}
	}
	c.Step(f, at.Add(-time.Minute))
	stated := byPath(h, c.Step(f, at))
	sigma := map[string]float64{}
	for _, n := range names {
		if sigma[n] = stated[n].Sigma; sigma[n] <= 0 {
			t.Fatalf("%s has no sigma: %+v", n, stated[n])
		}
	}
	truth := f.Clone()
	rng := rand.New(rand.NewPCG(3, 4))
	sum, sq := map[string]float64{}, map[string]float64{}
	c.NoUncertainty()
	const draws = 1000
	for range draws {
		node := map[string]float64{} // one instrument may serve two signals
		for i := range h.Tags {
			if tag := &h.Tags[i]; tag.Source == plant.Measured && truth.Points[i].Usable() {
				if _, ok := node[tag.Node]; !ok {
					node[tag.Node] = rng.NormFloat64()
				}
				f.Points[i].Value = truth.Points[i].Value + tag.Sigma(truth.Points[i].Value)*node[tag.Node]
			}
		}
		at = at.Add(24 * time.Hour) // the filters forget
		got := byPath(h, c.Step(f, at))
		for _, n := range names {
			v := got[n]
			if !v.Point.Usable() {
				t.Fatalf("%s: %s", n, v.Reason)
			}
			sum[n] += v.Point.Value
			sq[n] += v.Point.Value * v.Point.Value
		}
	}
	for _, n := range names {
		mean := sum[n] / draws
		s := math.Sqrt(sq[n]/draws - mean*mean)
		// Clean U of the record is not shaken, and has a sigma of its own.
		switch n {
		case "EV.EV5.u_ratio":
			s = math.Hypot(s, fouling.RecordSigma*mean)
		case "EV.EV3.scale_resistance":
			s = math.Hypot(s, fouling.RecordSigma/1.8)
		}
		t.Logf("%-24s %.4g, stated ± %.4g, shaken ± %.4g", n, mean, sigma[n], s)
		// A standard deviation of 1000 draws is itself good to 2.2 %.
		if math.Abs(sigma[n]/s-1) > 0.1 {
			t.Errorf("%s: stated ± %.4g, shaken ± %.4g", n, sigma[n], s)
		}
	}
}

// With a configured reference U is normalised to it and the scale is followed
// there: a level below the best one does not count as scale.
func TestNormalisedU(t *testing.T) {
	text := strings.Replace(beetYAML, "        heating_surface_m2: 1350\n", "        heating_surface_m2: 1350\n        reference_brix: 65\n        reference_chest_c: 84\n        level_factor: [[10, 0.5], [40, 1], [100, 0.8]]\n", 1)
	text = strings.Replace(text, "          vapour_pressure: {node: \"nsu=u;s=p4\"", "          level: {node: \"nsu=u;s=l4\", accuracy: 1}\n          vapour_pressure: {node: \"nsu=u;s=p4\"", 1)
	house, err := plant.Load("p.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(house)
	if err != nil {
		t.Fatal(err)
	}
	f := plant.NewFrame(len(house.Tags))
	h := newHouse4(2)
	for range 1000 {
		h.step(5, false)
	}
	h.read(t, house, f, 5, false)
	level, _ := house.Find("Q.D.level")
	f.Points[level.ID] = plant.Point{Time: h.now, Value: 40, Quality: plant.Good}
	// By hand: before the body has shown its own, some of T/B counts, of a clean U of 0.85;
	// the level whole.
	var share [3]float64
	for _, x := range c.Scales("") {
		if x.Body == "Q.D" {
			share = x.Depends.Share
		}
	}
	if share[0] < 0.4 || share[0] > 0.9 || share[1] < 0.4 || share[1] > 0.9 {
		t.Errorf("shares of a body that has shown nothing: %.2f", share)
	}
	step := func(share, now, ref float64) float64 { return 1 - math.Pow(now/ref, share) }
	want := func(got map[string]thermo.Value, level float64) float64 {
		u, brix, chest := got["Q.D.u"].Point.Value, got["Q.D.brix_out"].Point.Value, got["Q.D.chest_saturation_temperature"].Point.Value
		return 1 / (level/u - step(share[0], chest, 84)/0.85 - step(share[1], 65, brix)/0.85)
	}
	got := byPath(house, c.Step(f, h.now))
	if v, w := got["Q.D.u_normalised"].Point.Value, want(got, 1); math.Abs(v/w-1) > 0.01 {
		t.Errorf("normalised U %.3f, by hand %.3f", v, w)
	}
	f.Points[level.ID] = plant.Point{Time: h.now, Value: 10, Quality: plant.Good}
	got = byPath(house, c.Step(f, h.now.Add(24*time.Hour)))
	if v, w := got["Q.D.u_normalised"].Point.Value, want(got, 0.5); math.Abs(v/w-1) > 0.01 {
		t.Errorf("at a low level normalised U is %.3f, by hand %.3f", v, w)
	}
	if v := got["Q.D.u_ratio"]; math.Abs(v.Point.Value-got["Q.D.u_normalised"].Point.Value/0.85) > 1e-9 {
		t.Errorf("u_ratio %.3f is not that of normalised U", v.Point.Value)
	}
	for _, bad := range [][2]string{
		{"        reference_brix: 65\n", ""},
		{"[[10, 0.5], [40, 1]", "[[40, 0.5], [10, 1]"},
		{"level_factor: [[10, 0.5]", "level_factor: [[10]"},
	} {
		if _, err := plant.Load("p.yaml", []byte(strings.Replace(text, bad[0], bad[1], 1))); err == nil {
			t.Errorf("accepted with %q for %q", bad[1], bad[0])
		}
	}
}

// A small temperature difference gives no U: it would be little but error.
func TestSmallDifference(t *testing.T) {
	house, c, f := load4(t)
	h := newHouse4(2)
	for range 1000 {
		h.step(5, false)
	}
	h.read(t, house, f, 5, false)
	// The first two vapour spaces move together until 3 K are left.
	tag, _ := house.Find("Q.B.vapour_pressure")
	one, _ := house.Find("Q.A.vapour_pressure")
	f.Points[tag.ID].Value = f.Points[one.ID].Value * 0.875
	got := byPath(house, c.Step(f, h.now))
	dt, u := got["Q.B.temperature_difference"], got["Q.B.u"]
	if !(dt.Point.Value > 1 && dt.Point.Value < 4) {
		t.Fatalf("the difference is %.2f K", dt.Point.Value)
	}
	if u.Point.Usable() || !strings.Contains(u.Reason.String(), "below 4 K") {
		t.Errorf("U at %.2f K: %+v", dt.Point.Value, u)
	}
	if r := got["Q.B.u_ratio"]; r.Point.Usable() {
		t.Error("u_ratio without U")
	}
}

// twoBeside is the plant of four effects with two bodies in the second, each with half
// of the surface.
func twoBeside() string {
	tags := `        tags:
          vapour_pressure: {node: "nsu=u;s=p2", unit: kPa, reference: gauge, accuracy: 0.2}
          in_service: {node: "nsu=u;s=in%s"}
`
	half := func(name, juice, bleeds string) string {
		return fmt.Sprintf("      - name: %s\n        effect: 2\n        juice: %s\n        heating_surface_m2: 1025\n%s", name, juice, bleeds) + fmt.Sprintf(tags, name)
	}
	i, j := strings.Index(beetYAML, "      - name: B\n"), strings.Index(beetYAML, "      - name: C\n")
	text := beetYAML[:i] + half("B", "in_line", "        bleeds:\n          - {name: heaters, tags: {flow: {node: \"nsu=u;s=b2\", unit: t/h, accuracy_pct: 2}}}\n") + half("B2", "beside", "") + beetYAML[j:]
	return strings.ReplaceAll(text, "          cleaning: {node: \"nsu=u;s=cleaning\"}\n", "")
}

// Two bodies beside each other, each with half of the surface, are one: the set
// has the same steam and evaporation, each half the same U. With one of them
// out of service the other takes all.
func TestBodiesBeside(t *testing.T) {
	text := twoBeside()
	whole, cw, fw := load4(t)
	parts, err := plant.Load("p.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	cp, err := thermo.New(parts)
	if err != nil {
		t.Fatal(err)
	}
	fp := plant.NewFrame(len(parts.Tags))
	h := newHouse4(4)
	for range 1000 {
		h.step(5, false)
	}
	h.read(t, whole, fw, 5, false)
	one := byPath(whole, cw.Step(fw, h.now))
	share := func(inB, inB2 float64) map[string]thermo.Value {
		for i := range parts.Tags {
			tag := &parts.Tags[i]
			if w, ok := whole.Find(strings.Replace(tag.Path, ".B2.", ".B.", 1)); ok {
				fp.Points[i] = fw.Points[w.ID]
			}
			switch tag.Path {
			case "Q.B.in_service":
				fp.Points[i] = plant.Point{Time: h.now, Value: inB, Quality: plant.Good}
			case "Q.B2.in_service":
				fp.Points[i] = plant.Point{Time: h.now, Value: inB2, Quality: plant.Good}
			}
		}
		return byPath(parts, cp.Step(fp, h.now))
	}
	two := share(1, 1)
	same := func(got map[string]thermo.Value, path, as string, times float64) {
		t.Helper()
		v, w := got[path], one[as]
		if !v.Point.Usable() || math.Abs(v.Point.Value/w.Point.Value/times-1) > 2e-3 {
			t.Errorf("%s = %.5g (%s), %s = %.5g, want %g times it", path, v.Point.Value, v.Reason, as, w.Point.Value, times)
		}
	}
	for _, p := range []string{"Q.steam_calculated", "Q.evaporation", "Q.A.u", "Q.C.u", "Q.D.u", "Q.D.brix_out"} {
		same(two, p, p, 1)
	}
	for _, b := range []string{"Q.B.", "Q.B2."} {
		same(two, b+"u", "Q.B.u", 1)
		same(two, b+"duty", "Q.B.duty", 0.5)
		same(two, b+"brix_out", "Q.B.brix_out", 1)
	}
	for _, x := range cp.Scales("Q") {
		if shared := x.Body == "Q.B" || x.Body == "Q.B2"; shared != slices.Contains(x.Forecast.Weak, fouling.Weakness{Kind: fouling.OfItsEffect}) {
			t.Errorf("%s: weakness of the forecast: %v", x.Body, x.Forecast.Weak)
		}
	}
	h.now = h.now.Add(time.Hour) // the means forget
	alone := share(0, 1)
	same(alone, "Q.B2.duty", "Q.B.duty", 1)
	same(alone, "Q.B2.u", "Q.B.u", 2)
	same(alone, "Q.D.u", "Q.D.u", 1)
	if v := alone["Q.B.u"]; v.Point.Usable() || !strings.Contains(v.Reason.String(), "out of service") {
		t.Errorf("a body out of service: %+v", v)
	}
	if _, err := plant.Load("p.yaml", []byte(strings.Replace(text, "juice: in_line", "juice: beside", 1))); err == nil || !strings.Contains(err.Error(), "beside") {
		t.Errorf("beside nothing: %v", err)
	}
}

// The make-up is part of the steam; without its meter the steam is not known.
func TestSteamMakeUp(t *testing.T) {
	house, c, f := load4(t)
	h := newHouse4(4)
	for range 1000 {
		h.step(5, false)
	}
	h.read(t, house, f, 5, false)
	got := byPath(house, c.Step(f, h.now))
	if v := got["Q.steam_difference"]; !v.Point.Usable() || math.Abs(v.Point.Value) > 5 {
		t.Errorf("steam meters less balance: %.2f %% (%s)", v.Point.Value, v.Reason)
	}
	tag, _ := house.Find("Q.steam_make_up_flow")
	f.Points[tag.ID] = plant.BadPoint(h.now, plant.BadSensorFailure)
	got = byPath(house, c.Step(f, h.now.Add(time.Second)))
	if v := got["Q.economy_measured"]; v.Point.Usable() {
		t.Errorf("economy by half a steam meter: %.2f", v.Point.Value)
	}
	if v := got["Q.economy"]; !v.Point.Usable() {
		t.Errorf("economy by balance: %s", v.Reason)
	}
}
