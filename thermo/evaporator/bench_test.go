package evaporator_test

import (
	"testing"

	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
)

// Other layouts and readings than the usual: parallel bodies, backward feed, the
// dearest elevation equation, contradictory readings.
func BenchmarkEvaluateOther(b *testing.B) {
	p := readPlant(b)
	run := func(name string, s *evaporator.Set, m evaporator.Measurement) {
		b.Run(name, func(b *testing.B) {
			r := s.NewResults()
			b.ReportAllocs()
			for b.Loop() {
				s.Evaluate(&m, r)
			}
		})
	}
	m := demoTags(p, p.Base.P0, p.Base.Pv, 65)
	d := demoSet(b, p).Design()
	d.Elevation = liquor.StarzakPeacock
	s, err := evaporator.New(d)
	if err != nil {
		b.Fatal(err)
	}
	run("StarzakPeacock", s, m)

	bad := m
	bad.BleedTH[0].Value = 60
	run("contradiction", demoSet(b, p), bad)

	for name, effects := range map[string][]int{"parallel": {1, 1, 2, 2, 3, 4, 5, 5}, "backward": {5, 4, 3, 2, 1}} {
		var bodies []evaporator.Body
		for _, e := range effects {
			bodies = append(bodies, evaporator.Body{Name: "b", Effect: e, AreaM2: 500})
		}
		s, err := evaporator.New(evaporator.Conventions(bodies...))
		if err != nil {
			b.Fatal(err)
		}
		n := m
		for i, e := range effects {
			n.Bodies[i].VapourKPa = evaporator.Read(p.Base.Pv[e-1], 0.2)
		}
		if name == "backward" {
			n.FeedC.Value = 60
			n.BleedTH = [evaporator.MaxEffects]evaporator.Reading{0: evaporator.Read(2, 0), 1: evaporator.Read(0, 0), 2: evaporator.Read(0, 0), 3: evaporator.Read(0, 0)}
		}
		run(name, s, n)
	}
}
