//go:build detection

package deploy

import (
	"flag"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

var coverageMills = flag.String("coverage-mills", "A61,C61,B61,A62,C62,B62,A63,C63,B63,A64,C64,B64,A65,C65,B65,A66,C66,B66", "the mills of the coverage: a name and its seed")

// TestDetectionCoverage holds what is stated as plus-or-minus against the truth of mills that
// no figure was chosen by. An instrument errs in one direction for days, so that a mill is one
// case for each figure: the mean of its steady hours from the second day on.
func TestDetectionCoverage(t *testing.T) {
	type tally struct{ n, one, two, square, ideal float64 }
	sums := map[string]*tally{}
	kinds := []string{"U", "evaporation of a body", "evaporation", "steam", "economy"}
	for _, k := range kinds {
		sums[k] = &tally{}
	}
	for _, name := range strings.Split(*coverageMills, ",") {
		seed, err := strconv.ParseUint(name[1:], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		h := blindHouses[name[:1]](seed, 60)
		h.ops = nil
		m := newMillRun(t, h)
		m.until(h.begin.Add(60*time.Hour), time.Minute)
		m.ideal = newIdeal(h)
		line := name
		add := func(kind, path string, truth func(h *blindHour) float64, ideal func(i int) float64) {
			got, sigma := m.hourly(path), m.sigma[m.index(path)]
			var off, sd, best, n float64
			for i := 30; i < len(m.hours); i++ {
				if x := &m.hours[i]; x.steady && m.hours[i-1].steady && sigma[i] > 0 && !math.IsNaN(got[i]) && !math.IsNaN(ideal(i)) {
					off, sd, best, n = off+got[i]/truth(x)-1, sd+sigma[i]/truth(x), best+ideal(i)/truth(x)-1, n+1
				}
			}
			if n == 0 {
				return
			}
			s, z := sums[kind], math.Abs(off/sd)
			s.n, s.one, s.two = s.n+1, s.one+b2f(z < 1), s.two+b2f(z < 2)
			s.square, s.ideal = s.square+1e4*off*off/n/n, s.ideal+1e4*best*best/n/n
			line += fmt.Sprintf(" | %s %+.2f ± %.2f (%+.2f)", strings.TrimPrefix(path, setName+"."), 100*off/n, 100*sd/n, 100*best/n)
		}
		add("economy", setName+".economy", func(h *blindHour) float64 { return h.economy }, func(i int) float64 { return m.ideal.economy[i] })
		add("steam", setName+".steam_calculated", func(h *blindHour) float64 { return h.steam }, func(i int) float64 { return m.ideal.evap[i] / m.ideal.economy[i] })
		add("evaporation", setName+".evaporation", func(h *blindHour) float64 { return h.evap }, func(i int) float64 { return m.ideal.evap[i] })
		for j, b := range h.set.bodies {
			q := setName + "." + b.name
			add("U", q+".u", func(h *blindHour) float64 { return h.u[j] }, func(i int) float64 { return m.ideal.u[j][i] })
			add("evaporation of a body", q+".evaporation", func(h *blindHour) float64 { return h.v[j] }, func(i int) float64 { return m.ideal.v[j][i] })
		}
		t.Log(line)
	}
	for _, k := range kinds {
		s := sums[k]
		t.Logf("%-22s %3.0f cases: within one sigma %3.0f %%, two %3.0f %%; error %.2f %%, of the ideal %.2f %% (root mean square)", k, s.n, 100*s.one/s.n, 100*s.two/s.n, math.Sqrt(s.square/s.n), math.Sqrt(s.ideal/s.n))
	}
}

// TestDetectionPair prints how far U of parallel bodies is off before and after an outage of one
// of them, which tells them apart.
func TestDetectionPair(t *testing.T) {
	for _, seed := range []uint64{71, 72} {
		h := blindHouses["B"](seed, 60)
		from := h.begin.Add(20 * time.Hour)
		h.ops = []blindOp{{from: from, to: from.Add(8 * time.Hour), body: h.set.bodies[1]}}
		m := newMillRun(t, h)
		m.until(h.begin.Add(60*time.Hour), time.Minute)
		for j, name := range []string{"B2", "B3"} {
			off := func(from, to int) (e, sigma float64) {
				path, n := setName+"."+name+".u", 0.0
				for i := from; i < to; i++ {
					if x := &m.hours[i]; x.steady && x.u[j+1] > 0 && !math.IsNaN(m.hourly(path)[i]) {
						e, sigma, n = e+m.hourly(path)[i]/x.u[j+1]-1, sigma+m.sigma[m.index(path)][i]/x.u[j+1], n+1
					}
				}
				return 100 * e / n, 100 * sigma / n
			}
			before, wide := off(10, 20)
			after, narrow := off(40, 60)
			t.Logf("mill B%d, U of %s: %+.1f ± %.1f %% off before the outage, %+.1f ± %.1f %% after", seed, name, before, wide, after, narrow)
		}
	}
}
