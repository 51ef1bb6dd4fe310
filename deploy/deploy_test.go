package deploy

import (
	"math"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/plant"
)

// The plant file loads, and each of its tags is an instrument of the mill with
// the same unit: what the collector would convert is what the model means.
func TestDemoPlantFitsTheMill(t *testing.T) {
	h, err := plant.Load("plant.demo.yaml", Demo())
	if err != nil {
		t.Fatal(err)
	}
	if h.Config.Site.BarometerKPa != simulator.BarometerKPa {
		t.Errorf("barometer %g, the mill has %g", h.Config.Site.BarometerKPa, simulator.BarometerKPa)
	}
	m := simulator.New(1, time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC))
	m.Step(time.Second)
	readings := map[string]simulator.Reading{}
	for i, in := range m.Instruments() {
		readings[in.Node()] = m.Values()[i]
	}
	used := map[string]bool{}
	for i := range h.Tags {
		tag := &h.Tags[i]
		if tag.Source != plant.Measured {
			continue
		}
		r, ok := readings[tag.Node]
		if !ok {
			t.Errorf("%s: no instrument %s", tag.Path, tag.Node)
			continue
		}
		used[tag.Node] = true
		v, q := tag.Convert(r.Raw, plant.Good)
		if q.IsBad() || math.Abs(v-r.Value) > 1e-9*(1+math.Abs(v)) {
			t.Errorf("%s: raw %g reads %g (%s), the mill means %g %s", tag.Path, r.Raw, v, q, r.Value, tag.Unit)
		}
		if tag.Dimension != plant.State && tag.Dimension != plant.AnyDimension && tag.SigmaAbs == 0 && tag.SigmaRel == 0 {
			t.Errorf("%s: no accuracy", tag.Path)
		}
	}
	for node := range readings {
		if !used[node] {
			t.Errorf("instrument %s is in no tag", node)
		}
	}
}
