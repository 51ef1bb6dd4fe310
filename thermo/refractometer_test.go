package thermo_test

import (
	"math"
	"strings"
	"testing"

	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// On the plant that the calculator has never seen a juice thermometer stands in the last
// body. The refractometer of the syrup begins to read 1 Bx low, then a juice meter 7 %
// low beside a right refractometer: each is named within four hours, nobody before.
// What an ideal estimator sees in these readings: 4.6 to 6 standard deviations.
func TestRefractometerAgainstElevation(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: days of a plant")
	}
	yaml := strings.Replace(beetYAML, `          vapour_pressure: {node: "nsu=u;s=p4", unit: mmHg, reference: vacuum, accuracy: 0.5}
`, `          vapour_pressure: {node: "nsu=u;s=p4", unit: mbar, accuracy: 1}
          juice_temperature: {node: "nsu=u;s=j4", accuracy: 0.3}
`, 1)
	const syrup = `      syrup_volume_flow: {node: "nsu=u;s=syrup", unit: m3/h, accuracy_pct: 0.5}
`
	for _, x := range []struct {
		name, want, without string
		brix, flow          float64
	}{
		{"refractometer", "Q.syrup_brix", syrup, -1, 0},
		{"juice meter", "Q.juice_volume_flow", "", 0, -0.07},
	} {
		t.Run(x.name, func(t *testing.T) {
			house, err := plant.Load("beet.yaml", []byte(strings.Replace(yaml, x.without, "", 1)))
			if err != nil {
				t.Fatal(err)
			}
			c, err := thermo.New(house)
			if err != nil {
				t.Fatal(err)
			}
			c.NoUncertainty()
			f := plant.NewFrame(len(house.Tags))
			h := newHouse4(11)
			for range 1800 {
				h.step(4, false)
			}
			named, wrong := -1, ""
			const from = 60 * 3600
			for s := 0; s < from+5*3600; s += 20 {
				for range 4 {
					h.step(5, true)
				}
				h.read(t, house, f, 20, false)
				put := func(path string, v float64) {
					tag, _ := house.Find(path)
					f.Points[tag.ID] = plant.Point{Time: h.now, Value: v, Quality: plant.Good}
				}
				p := steam.KPa(must(steam.Psat(steam.Celsius(h.tv[3]))))
				put("Q.D.juice_temperature", h.tv[3]+must(liquor.StarzakPeacock.Elevation(liquor.Brix(h.x[3]), 91, p, 0))+0.15+0.05*h.r.NormFloat64())
				if s > from {
					for path, by := range map[string]float64{"Q.syrup_brix": x.brix, "Q.juice_volume_flow": x.flow * 330} {
						tag, _ := house.Find(path)
						f.Points[tag.ID].Value += by
					}
				}
				got := byPath(house, c.Step(f, h.now))
				for i, q := range c.Suspects() {
					switch all := strings.Join(append(q.Tags, q.Alike...), " "); {
					case s <= from:
						wrong = q.Text.String()
					case i == 0 && named < 0 && strings.Contains(all, x.want):
						named = s - from
						t.Logf("after %.1f h: %s", float64(named)/3600, q.Text)
					case i == 0 && named < 0:
						wrong = q.Text.String()
					}
				}
				if s == from {
					e := got["Q.elevation_correction"]
					t.Logf("elevation of the site %+.1f ± %.1f %% (%s)", e.Point.Value, e.Sigma, e.Reason)
					for _, k := range c.Checks() {
						t.Logf("%-30s %-16s %.2g %s by %s", k.What, k.State(), k.Smallest, k.Unit, k.By)
						if k.What == "syrup Brix" && !(k.Smallest < 1.2) {
							t.Errorf("an error of the syrup refractometer of %.2g Bx would be seen, want 1.2 or less", k.Smallest)
						}
						if k.What == "feed temperature" && !math.IsInf(k.Smallest, 1) && k.By == "" {
							t.Error("checked by nobody")
						}
					}
				}
			}
			if wrong != "" {
				t.Errorf("suspected wrongly: %s", wrong)
			}
			if named < 0 || named > 4*3600 {
				t.Errorf("%s was not named within four hours", x.want)
			}
		})
	}
}
