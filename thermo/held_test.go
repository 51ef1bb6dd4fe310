package thermo_test

import (
	"math"
	"testing"
)

// Juice that is cut by 40 % for 20 minutes every two hours, on the quadruple of other
// making: U has a value nearly always, and its plus-or-minus holds also while the set
// moves.
func TestUStandsThroughCuts(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	var scans, there, moving, one, two [4]int
	for seed := range uint64(3) {
		house, c, f := load4(t)
		c.NoReconciliation()
		h := newHouse4(seed)
		for range 3600 {
			h.step(2, false)
		}
		for s := range 8 * 360 {
			h.cut = 0
			if at := s % 720; at >= 360 && at < 480 {
				h.cut = 0.4
			}
			for range 5 {
				h.step(2, true)
			}
			h.read(t, house, f, 10, false)
			for _, v := range c.Step(f, h.now) {
				tag := &house.Tags[v.Tag]
				if tag.Name != "u" || s < 300 {
					continue
				}
				k := int(tag.Path[2] - 'A')
				scans[k]++
				if !v.Point.Usable() {
					continue
				}
				there[k]++
				if v.Point.Quality.IsGood() {
					continue
				}
				moving[k]++
				off := math.Abs(v.Point.Value-h.u[k]) / v.Sigma
				if off < 1 {
					one[k]++
				}
				if off < 2 {
					two[k]++
				}
			}
		}
	}
	var sum, sumOne, sumTwo int
	for k := range 4 {
		t.Logf("body %c: U in %.1f %% of the scans; %d of %d while the set moves, %.0f / %.0f %% within one and two sigma", 'A'+k,
			100*float64(there[k])/float64(scans[k]), moving[k], there[k], 100*float64(one[k])/float64(moving[k]), 100*float64(two[k])/float64(moving[k]))
		sum, sumOne, sumTwo = sum+moving[k], sumOne+one[k], sumTwo+two[k]
		if there[k]*10 < scans[k]*9 {
			t.Errorf("body %c: too seldom", 'A'+k)
		}
	}
	t.Logf("all: %.0f / %.0f %%", 100*float64(sumOne)/float64(sum), 100*float64(sumTwo)/float64(sum))
	if sumTwo*100 < 92*sum {
		t.Error("what is held is surer than it should be")
	}
}
