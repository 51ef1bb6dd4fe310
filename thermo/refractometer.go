package thermo

import (
	"math"
	"time"

	"calandria/plant/words"
)

// A refractometer is compared with the boiling-point elevation: juice thermometer less
// saturation, against the elevation by the Brix that is read. A constant difference is
// the site's elevation and the thermometers; a new one is an error of the refractometer
// or of the juice thermometer. At 65 Bx one Bx is 0.2 K, less than a block of ten
// minutes scatters, so hours are averaged, and the mean is measured by how far it
// usually wanders. Figures of ours.
const (
	brixRecent = 2.0  // h, memory of the mean that is tested
	brixUsual  = 72.0 // h, of the usual difference, and until a new one counts as usual
	brixFrom   = 24.0 // h of comparing until it is tested
	brixFloor  = 0.02 // K, least wander of the mean
	brixZ      = 4.5  // standard deviations
	brixLearn  = 2.5  // beyond, the usual difference is not learned
	brixHolds  = 6    // blocks in a row

	mostSeen = 0.5 // of a reading: it is not checked if only a larger error would be seen
)

// brixTest is that of one refractometer.
type brixTest struct {
	n    *instrument // the juice thermometer
	x    *series     // the refractometer
	body int

	usual, variance, hours, recent, heard float64
	departed                              time.Time // since when it is not learned; zero: it is
	blocks                                int       // in a row beyond
	suspect                               *Suspect
}

// wander is one standard deviation of the mean about the usual difference, K.
func (t *brixTest) wander() float64 {
	return math.Hypot(math.Sqrt(t.variance)*(1+brixFrom/4/max(1, t.hours)), brixFloor)
}

// perBx is the rise of the elevation with Brix, K: it goes about as B/(100 - B).
func (t *brixTest) perBx(b *bodyView) float64 {
	e, x := b.b.BPEK, b.b.BrixOut
	if !e.OK() || !x.OK() || !(x.Value > 5 && x.Value < 95) {
		return 0
	}
	return e.Value * 100 / (x.Value * (100 - x.Value))
}

// step takes the difference of a block, K.
func (t *brixTest) step(g *sharing, e float64, at time.Time) {
	hours := sharedBlock.Hours()
	t.heard += hours
	t.recent += (e - t.recent) * max(-math.Expm1(-hours/brixRecent), hours/t.heard)
	off, s := t.recent-t.usual, t.wander()
	z := off / s
	switch {
	case t.hours < brixFrom || math.Abs(z) < brixLearn:
		t.hours += hours
		share := max(-math.Expm1(-hours/brixUsual), hours/t.hours)
		t.usual += share * (e - t.usual)
		t.variance += share * (off*off - t.variance)
		t.departed = time.Time{}
	case t.departed.IsZero():
		t.departed = at
	case at.Sub(t.departed).Hours() > brixUsual: // it is the usual now
		t.usual, t.hours, t.departed = t.recent, brixFrom, time.Time{}
	}
	if t.blocks++; t.hours < brixFrom || math.Abs(z) < brixZ {
		t.blocks = 0
	}
	b := g.k.s.bodies[t.body]
	per := t.perBx(b)
	if t.blocks < brixHolds || per == 0 {
		if math.Abs(z) < brixLearn {
			t.suspect = nil
		}
		return
	}
	// A Brix that reads high makes the elevation too large, and so the difference small.
	x := Suspect{Set: g.k.s.equip.Path, What: t.x.name(), Tags: g.k.tags(t.x), Bias: -off / per, Sigma: s / per, Z: -z, Unit: unitOf(t.x.what),
		Alike: g.k.tags(t.n.x), Since: at}
	if t.suspect != nil {
		x.Since = t.suspect.Since
	}
	x.Text = words.Say("%s by the boiling-point elevation, against its usual difference, or it is %s by %s: the balances cannot tell them apart",
		g.k.reads(&x, t.x), g.k.short(t.n.x), words.Measure{Value: math.Abs(off), Unit: "K", Form: "%.2g"})
	t.suspect = &x
}

// refractometers compares those of the bodies of one thing at the end of a block.
func (g *sharing) refractometers(t *shared, at time.Time) {
	for _, n := range t.list {
		if n.brix == nil || !n.there {
			continue
		}
		var w, wy float64
		for _, o := range t.list {
			if o.there && o.as != asJuiceC && o.as != asChestC {
				v := 1 / (o.own*o.own + o.widths*o.widths + 1e-6)
				w, wy = w+v, wy+v*(o.y-o.offset)
			}
		}
		if w > 0 && g.k.unfit(n.brix.x) == "" {
			n.brix.step(g, n.y-wy/w, at)
		}
	}
}

// refractometer is the test of the Brix in the body of a juice thermometer, nil if none
// is measured there.
func (g *sharing) refractometer(n *instrument) *brixTest {
	s := g.k.s
	for i, b := range s.bodies {
		for _, x := range g.k.list {
			if b == n.body && (x.dst == &b.m.Brix || x.dst == &s.m.SyrupBrix && i+1 == len(s.bodies)) {
				return &brixTest{n: n, x: x, body: i}
			}
		}
	}
	return nil
}

// InstrumentCheck says how far one reading of a set is checked by the others.
type InstrumentCheck struct {
	Set      string
	What     words.Text
	Tags     []string
	Smallest float64 // error that would be seen, in Unit, +Inf: it is not checked
	Unit     string
	By       words.Text // what checks it
	Named    bool       // it is under suspicion
}

// State is what the checks say of the reading.
func (x *InstrumentCheck) State() words.Text {
	switch {
	case x.Named:
		return "contradicts the others"
	case math.IsInf(x.Smallest, 1):
		return "not checked"
	}
	return "nothing found"
}

// Checks lists how far each reading of each set is checked, in the order of the set.
func (c *Calculator) Checks() []InstrumentCheck {
	var out []InstrumentCheck
	for _, s := range c.sets {
		for _, x := range s.check.list {
			if len(x.inputs) > 0 {
				out = append(out, s.check.checked(x))
			}
		}
	}
	return out
}

func (k *checking) checked(x *series) InstrumentCheck {
	out := InstrumentCheck{Set: k.s.equip.Path, What: x.name(), Tags: k.tags(x), Smallest: math.Inf(1), Unit: unitOf(x.what)}
	take := func(least float64, by words.Text) {
		if least > 0 && least < out.Smallest && least < mostSeen*math.Abs(x.dst.Value) {
			out.Smallest, out.By = least, by
		}
	}
	if k.last != nil {
		for _, in := range k.last.Instruments {
			if in.Checked && in.Of == x.of && in.What == x.what {
				v := in.Reading.Sigma * in.Reading.Sigma
				take(surely*v/math.Sqrt(max(1e-12*v, v-in.ReconciledSigma*in.ReconciledSigma)), "the balances")
			}
		}
	}
	for _, t := range k.shared.things {
		for _, n := range t.list {
			if b := n.brix; b != nil && b.x == x && b.hours >= brixFrom {
				if per := b.perBx(k.s.bodies[b.body]); per > 0 {
					take(brixZ*b.wander()/per, "the boiling-point elevation, a new error")
				}
			}
			if n.x == x && n.in && n.s > 0 {
				take(n.inOwnUnit(usualZ*n.beside(t)), "instruments that read the same")
			}
		}
	}
	for i := range k.suspects {
		out.Named = out.Named || k.suspects[i].What == out.What
	}
	return out
}

// beside is one standard deviation of the reading against the others, K or %.
func (n *instrument) beside(t *shared) float64 {
	var w float64
	for _, o := range t.list {
		if o.in && o != n {
			w += 1 / (o.s * o.s)
		}
	}
	return math.Sqrt(n.s*n.s + 1/w)
}

// inOwnUnit turns K or % into the unit of the reading.
func (n *instrument) inOwnUnit(off float64) float64 {
	switch n.as {
	case asPressure, asChestKPa:
		return off / max(1e-6, tsatSlope(n.x.dst.Value))
	case asFlow:
		return n.x.dst.Value * off / 100
	}
	return off
}
