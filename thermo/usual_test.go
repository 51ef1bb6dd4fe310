package thermo

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"calandria/plant"
)

// A figure that follows the load by a straight line with noise (normal
// distribution: 99.7 % lie within three standard deviations, any handbook of
// statistics) is usual at every load. One whose cooling water fails is not, at
// once, and an hour of that does not become usual.
func TestUsualBand(t *testing.T) {
	f := plant.NewFrame(2)
	c := &Calculator{usuals: []*usual{{tag: 0, load: 1}}}
	rnd := rand.New(rand.NewPCG(3, 4))
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	outside, judged := 0, 0
	run := func(d time.Duration, load func(time.Time) float64, off float64) {
		outside, judged = 0, 0
		for end := at.Add(d); at.Before(end); at = at.Add(20 * time.Second) {
			x := load(at)
			y := 10 + 0.05*x + off + 0.3*rnd.NormFloat64()
			f.Points[0], f.Points[1] = plant.Point{Time: at, Value: y, Quality: plant.Good}, plant.Point{Time: at, Value: x, Quality: plant.Good}
			c.usuals[0].step(f, at)
			if b, ok := c.Usual(f, at)[0]; ok && at.Second() == 0 {
				judged++
				if b.Departs() != 0 {
					outside++
				}
			}
		}
	}
	swing := func(at time.Time) float64 { return 100 + 20*math.Sin(float64(at.Unix())/9000) }
	run(11*time.Hour, swing, 0)
	if judged > 0 {
		t.Errorf("judged after %d minutes, in less than half a day", judged)
	}
	run(48*time.Hour, swing, 0)
	if judged < 2700 || float64(outside) > 0.006*float64(judged) {
		t.Errorf("%d of %d minutes outside", outside, judged)
	}
	b := c.Usual(f, at)[0]
	if want := 10 + 0.05*f.Points[1].Value; b.Low > want || b.High < want || b.High-b.Low > 1.5 {
		t.Errorf("band %.2f to %.2f around %.2f", b.Low, b.High, want)
	}
	run(time.Hour, swing, 3)
	if outside < judged-2 {
		t.Errorf("after the change %d of %d minutes outside", outside, judged)
	}
	// Run down: neither judged nor learned.
	n := c.usuals[0].n
	run(time.Hour, func(time.Time) float64 { return 20 }, 0)
	if judged > 1 || c.usuals[0].n > n+1.01 {
		t.Errorf("a set that is run down: judged %d, learned %g", judged, c.usuals[0].n-n)
	}
}
