package thermo_test

import (
	"math"
	"strings"
	"testing"

	"calandria/plant"
	"calandria/thermo"
)

// Two bodies of one effect, one with 2.7 and one with 1.9 kW/(m2 K), share one U until
// one is out of service for four hours while the other runs. From then on each has its
// own. The plant is the dynamic model of the tests, which shares nothing with the
// balances: there the effect is one body, whose U is the mean of what is in service.
func TestParallelBodiesAreToldApart(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	t.Parallel()
	whole, _, fw := load4(t)
	parts, err := plant.Load("p.yaml", []byte(twoBeside()))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(parts)
	if err != nil {
		t.Fatal(err)
	}
	fp := plant.NewFrame(len(parts.Tags))
	h := newHouse4(4)
	const one, two = 2.7, 1.9
	run := func(hours int, inB float64) map[string]thermo.Value {
		h.clean[1] = (inB*one + two) / 2
		var got map[string]thermo.Value
		for range hours * 60 {
			for range 10 {
				h.step(6, true)
			}
			h.read(t, whole, fw, 60, false)
			for i := range parts.Tags {
				tag := &parts.Tags[i]
				if w, ok := whole.Find(strings.Replace(tag.Path, ".B2.", ".B.", 1)); ok {
					fp.Points[i] = fw.Points[w.ID]
				}
				switch tag.Path {
				case "Q.B.in_service":
					fp.Points[i] = plant.Point{Time: h.now, Value: inB, Quality: plant.Good}
				case "Q.B2.in_service":
					fp.Points[i] = plant.Point{Time: h.now, Value: 1, Quality: plant.Good}
				}
			}
			got = byPath(parts, c.Step(fp, h.now))
		}
		return got
	}
	before := run(4, 1)
	if b, b2 := before["Q.B.u"], before["Q.B2.u"]; math.Abs(b.Point.Value/b2.Point.Value-1) > 1e-6 || b.Point.Quality.IsGood() || !b.Point.Usable() ||
		b.Sigma < 0.09*b.Point.Value || !strings.Contains(b.Reason.String(), "told them apart") {
		t.Errorf("before any outage: %+v and %+v, want one U, uncertain", b, b2)
	}
	run(5, 0)
	after := run(7, 1)
	for path, want := range map[string]float64{"Q.B.u": one, "Q.B2.u": two} {
		v := after[path]
		t.Logf("%s: %.3f ± %.3f, true %.3f; before the outage %.3f", path, v.Point.Value, v.Sigma, want, before[path].Point.Value)
		if !v.Point.Quality.IsGood() || math.Abs(v.Point.Value/want-1) > 0.06 {
			t.Errorf("%s = %.3f (%s), want %.3f", path, v.Point.Value, v.Reason, want)
		}
	}
}
