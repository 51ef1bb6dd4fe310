package thermo

import (
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
)

// Instruments that read one thing are compared without any balance. The saturation
// temperature over an effect is read by the vapour gauges of its bodies, by their
// vapour and juice thermometers (these less the boiling-point elevation) and by the
// chest gauges and thermometers of the next effect (with the loss of the pipe). The
// juice to the set is often read by the meters of the heaters it passes, its
// temperature by the last of them. Each reading is taken in K (a flow in % by its
// logarithm) as mean of ten minutes, and compared with the weighted mean of the
// others.
//
// Twice: with what the formulas are good for, which sees an error that was there from
// the start; and less the difference that each reading usually has from the others,
// with the scatter that this really shows, which sees a new error of some tenths of a
// kelvin. The second needs [usualFrom] of comparing; flows and temperatures of heaters
// are compared only so, once they are seen to move with the juice.
//
// All figures are ours.
const (
	sharedBlock  = 10 * time.Minute
	sharedLeast  = 6                // minutes with a value in a block
	sharedRest   = 30 * time.Minute // after bodies came or went
	usualFrom    = 6.0              // h of comparing until the usual differences count
	usualMemory  = 36.0             // h of comparing
	usualKept    = 72 * time.Hour   // a new difference is not learned before
	absoluteZ    = 4.0              // in two of three blocks
	usualZ       = 4.0              // in five of six
	usualSurely  = 5.0              // in two of three
	mostOff      = 2.5              // standard deviations of a block are learned
	alikeZ2      = 9.0              // less than this between the squares of two tests: alike
	restShare    = 0.8              // of the limit: what must be left without the suspect
	moved        = 2.0              // K or 3 % a block: nobody is compared
	sameMovement = 0.25
	mostFlowPct  = 10.0 // beyond, the juice goes another way
	mostK        = 6.0  // the same of a heater's outlet
)

// conversion is what a reading has to be turned into.
type conversion uint8

const (
	asPressure  conversion = iota // K, its saturation temperature
	asChestKPa                    // the same with the loss of the pipe
	asVapourC                     // K
	asJuiceC                      // K less the elevation
	asChestC                      // K with the loss of the pipe
	asSteamC                      // K, a chest thermometer on the set's own steam
	asFlow                        // %
	asHeaterOut                   // K
)

// shared is one state of the process that several instruments read.
type shared struct {
	list   []*instrument
	there  int  // instruments with a value in this block; 0 where it moved too much
	heater bool // the first is compared with heaters, if they move with it
	bodies uint32

	steps    [6]finding // of the last blocks, newest first
	found    int        // of them
	learned  time.Time  // the first block that was not learned, zero while all are
	departed int        // what contradicted then
	suspect  *Suspect
	asOf     time.Time
	process  bool // the suspect may be no instrument
}

// instrument is one of them.
type instrument struct {
	x    *series
	as   conversion
	body *bodyView // nil: none

	sum           float64 // of the block
	n             int
	low, high     float64
	y             float64 // mean of the block
	there         bool
	own           float64 // one standard deviation of a reading by its stated accuracy, in K or %
	floor, widths float64 // least scatter; by the formulas

	offset, variance, hours, weight float64 // learned
	mean, spread                    float64 // of the reading itself, where heaters are compared

	brix *brixTest // of a juice thermometer in a body with a refractometer
	air  []airPair // this gauge reading beside others of the same vapour

	scatter float64 // of its usual difference, 0 while that does not count
	x0, s   float64 // what is compared
	in      bool
}

// airPair is a gauge or vacuum reading beside another one that tells the air pressure.
type airPair struct {
	other   *instrument
	witness int // of the air
}

// finding is what one block said.
type finding struct {
	who   int // index, -1: nobody
	alike uint32
	off   float64
	sigma float64
	z     float64
	usual bool // against the usual difference
	sure  bool
}

// sharing are the shared things of a set.
type sharing struct {
	k      *checking
	things []*shared
	more   []*series // readings that no balance takes as such
	block  time.Time
	layout uint32
	from   time.Time // bodies last came or went
	flow   float64   // usual juice flow, t/h
	air    *air
}

func newSharing(k *checking, sky *air) *sharing {
	g := &sharing{k: k, air: sky}
	s := k.s
	series := func(body int, dst *evaporator.Reading) *series {
		for _, x := range k.list {
			if x.dst == dst && x.body == body {
				return x
			}
		}
		return nil
	}
	effects := 0
	for _, b := range s.bodies {
		effects = max(effects, b.equip.Body.Effect)
	}
	for e := 0; e <= effects; e++ { // 0: the steam to the set
		t := &shared{}
		add := func(body int, dst *evaporator.Reading, as conversion) {
			if x := series(body, dst); x != nil {
				n := &instrument{x: x, as: as}
				if body >= 0 {
					n.body = s.bodies[body]
				}
				t.list = append(t.list, n)
			}
		}
		if e == 0 {
			add(-1, &s.m.SteamKPa, asPressure)
		}
		for i, b := range s.bodies {
			switch b.equip.Body.Effect {
			case e:
				add(i, &b.m.VapourKPa, asPressure)
				add(i, &b.m.VapourC, asVapourC)
				add(i, &b.m.JuiceC, asJuiceC)
				t.bodies |= 1 << i
			case e + 1:
				chest, kPa := asChestC, asChestKPa
				if e == 0 {
					chest, kPa = asSteamC, asPressure
				}
				add(i, &b.m.ChestKPa, kPa)
				add(i, &b.m.ChestC, chest)
				t.bodies |= 1 << i
			}
		}
		g.keep(t)
	}
	flows, outs := &shared{heater: true}, &shared{heater: true}
	if x := series(-1, &s.m.JuiceTH); x != nil {
		flows.list = append(flows.list, &instrument{x: x, as: asFlow})
	}
	if x := series(-1, &s.m.FeedC); x != nil {
		outs.list = append(outs.list, &instrument{x: x, as: asHeaterOut})
	}
	for _, l := range s.bleeds {
		for _, h := range []struct {
			what words.Text
			dst  *evaporator.Reading
			to   *shared
			as   conversion
		}{{"liquid flow", &l.liquid, flows, asFlow}, {"outlet temperature", &l.tout, outs, asHeaterOut}} {
			if len(h.to.list) == 0 || len(h.to.list) >= 16 {
				continue
			}
			for _, i := range s.in.list {
				if i.dst == h.dst {
					x := newSeries(h.what, h.dst)
					x.of, x.inputs, x.body = strings.TrimPrefix(l.path, s.equip.Path+"."), []*input{i}, -1
					g.more = append(g.more, x)
					h.to.list = append(h.to.list, &instrument{x: x, as: h.as})
				}
			}
		}
	}
	g.keep(flows)
	g.keep(outs)
	return g
}

func newSeries(what words.Text, dst *evaporator.Reading) *series {
	x := &series{what: what, dst: dst, body: -1}
	for j := range x.ring {
		x.ring[j] = math.NaN()
	}
	return x
}

func (g *sharing) keep(t *shared) {
	k := g.k
	if len(t.list) >= 2 && len(t.list) <= 32 {
		g.things = append(g.things, t)
	}
	gauged := func(n *instrument) bool { return k.house.Tags[n.x.inputs[0].tag].Gauged() }
	for _, n := range t.list {
		for _, o := range t.list {
			if !t.heater && gauged(n) && !gauged(o) && len(g.air.list) < airMost-2 {
				n.air = append(n.air, airPair{o, g.air.add(plant.NoTag, nil)})
			}
		}
		if n.as == asJuiceC {
			n.brix = g.refractometer(n)
		}
	}
}

// minute takes the minute that has just been closed, and at the end of a block compares.
func (g *sharing) minute(at time.Time) {
	k := g.k
	layout := uint32(0)
	for i, b := range k.s.bodies {
		if !b.m.OutOfService {
			layout |= 1 << i
		}
	}
	if layout != g.layout {
		g.layout, g.from = layout, at
		g.drop()
	}
	block := at.Add(-testEvery).Truncate(sharedBlock)
	if !block.Equal(g.block) {
		if !g.block.IsZero() && block.Sub(g.block) <= 2*sharedBlock {
			g.compare(at)
		}
		g.block = block
		g.drop()
	}
	if !g.running() || at.Sub(g.from) < sharedRest {
		return
	}
	for _, t := range g.things {
		for _, n := range t.list {
			y, ok := n.reading(k)
			if !ok {
				continue
			}
			if n.n == 0 {
				n.low, n.high = y, y
			}
			n.sum += y
			n.n++
			n.low, n.high = min(n.low, y), max(n.high, y)
		}
	}
}

// drop forgets the minutes of a block.
func (g *sharing) drop() {
	for _, t := range g.things {
		for _, n := range t.list {
			n.sum, n.n = 0, 0
		}
	}
}

// running reports whether juice flows as it does when the set works.
func (g *sharing) running() bool {
	flow := g.k.s.r.JuiceTH
	if !flow.OK() || g.k.s.unfed() || !g.k.s.r.TotalEvaporationTH.OK() {
		return false
	}
	if flow.Value < 0.5*g.flow {
		return false
	}
	if g.flow == 0 {
		g.flow = flow.Value
	}
	g.flow += (flow.Value - g.flow) / (24 * 60)
	return true
}

// reading is the last minute of n in K or %, and how well it is known.
func (n *instrument) reading(k *checking) (float64, bool) {
	v := n.x.ring[(n.x.next-1+testMost)%testMost]
	if math.IsNaN(v) || !n.x.dst.OK {
		return 0, false
	}
	loss := 0.0
	if b := n.body; b != nil {
		if b.m.OutOfService || b.steadiness.state != isSettled {
			return 0, false
		}
		if e := b.equip.Body.Effect - 2; e >= 0 {
			loss = k.s.m.PipeLossK[e].Value
		}
	}
	n.own = n.x.sigma
	n.widths, n.floor = 0.3, 0.08
	switch n.as {
	case asPressure, asChestKPa:
		t, ok := tsat(v)
		if !ok {
			return 0, false
		}
		n.own *= tsatSlope(v)
		n.widths, n.floor = 0.1, 0.05 // bodies on one line
		if n.as == asPressure {
			return t, true
		}
		n.floor = 0.06
		return t + loss, true
	case asVapourC: // it may be superheated by the elevation
		e := n.body.b.BPEK
		if !e.OK() {
			return 0, false
		}
		n.widths, n.floor = 0.15+0.25*e.Value, 0.04+0.05*e.Value
	case asJuiceC: // the pocket may stand under a part of the head
		e := n.body.b.BPEK
		if !e.OK() {
			return 0, false
		}
		head := 0.0
		if h := n.body.b.HeadK; h.OK() {
			head = h.Value
		}
		n.widths, n.floor = math.Hypot(0.25+0.15*e.Value, 0.3*head), 0.04+0.05*e.Value
		return v - e.Value, true
	case asChestC:
		return v + loss, true
	case asFlow:
		if !(v > 0) {
			return 0, false
		}
		n.own, n.floor = 100*n.own/v, 0.15
		return 100 * math.Log(v), true
	}
	return v, true
}

// sameWithin is how far the usual difference from the juice to the set may be for a
// heater's reading to be of it: mud and water go other ways, and pipes lose heat.
func (n *instrument) sameWithin() float64 {
	if n.as == asFlow {
		return 10 // %
	}
	return 1.5 // K
}

// compare ends a block.
func (g *sharing) compare(at time.Time) {
	for _, t := range g.things {
		t.there = 0
		restless := false
		for _, n := range t.list {
			if n.there = n.n >= sharedLeast && g.k.unfit(n.x) == ""; n.there {
				n.y = n.sum / float64(n.n)
				t.there++
				limit := moved
				if n.as == asFlow {
					limit = 1.5 * moved
				}
				restless = restless || n.high-n.low > limit && (!t.heater || n == t.list[0])
			}
		}
		if restless {
			t.there = 0
		}
	}
	g.breathe()
	for _, t := range g.things {
		if t.there < 2 {
			if t.suspect != nil && at.Sub(t.asOf) > testHold {
				t.suspect, t.found = nil, 0
			}
			continue
		}
		f := finding{who: -1}
		usual := t.usual()
		if usual {
			f = t.worst(usualZ)
			f.usual, f.sure = true, math.Abs(f.z) > usualSurely
		}
		learn := f.who < 0 && !(usual && t.beyond(usualZ))
		if f.who < 0 && t.absolute() {
			f = t.worst(absoluteZ)
			f.sure = true
		}
		if f.who < 0 && !t.learned.IsZero() && !t.list[t.departed].there {
			// Nothing new is known of what contradicted.
			if at.Sub(t.asOf) > testHold {
				t.suspect, t.found = nil, 0
			}
			if at.Sub(t.learned) > usualKept {
				t.learned = time.Time{}
			}
			continue
		}
		copy(t.steps[1:], t.steps[:])
		t.steps[0], t.found = f, min(t.found+1, len(t.steps))
		switch {
		case learn:
			t.learned = time.Time{}
			t.learn()
			g.refractometers(t, at)
		case t.learned.IsZero():
			t.learned, t.departed = at, max(0, f.who)
		case at.Sub(t.learned) > usualKept:
			t.learned = time.Time{}
			for _, n := range t.list { // as it has stood for days it is the usual now
				n.hours, n.weight, n.variance = 0, 0, 0
			}
		}
		g.publish(t, at)
	}
}

// breathe tells the air what gauge readings say beside others, and takes the gauge
// readings of the block along with it: what the weather moves is no instrument's fault.
func (g *sharing) breathe() {
	was := g.air.shift
	each := func(f func(n *instrument, perKPa float64)) {
		for _, t := range g.things {
			for _, n := range t.list {
				if p := n.x.dst.Value; t.there >= 2 && n.there && len(n.air) > 0 && p > 0 {
					f(n, tsatSlope(p))
				}
			}
		}
	}
	each(func(n *instrument, perKPa float64) {
		for _, x := range n.air {
			if o := x.other; o.there {
				own := math.Hypot(math.Hypot(n.own, n.widths), math.Hypot(o.own, o.widths)) / perKPa
				g.air.hear(x.witness, was+(o.y-n.y)/perKPa, own, math.Hypot(airBeside, airBesideK/perKPa), math.Hypot(airStill, 0.1/perKPa))
			}
		}
	})
	each(func(n *instrument, perKPa float64) { n.y += (g.air.x[0] + g.air.x[1] - was) * perKPa })
}

// absolute prepares the comparison by formulas.
func (t *shared) absolute() bool {
	count := 0
	for _, n := range t.list {
		n.in = n.there && !t.heater && n.own > 0
		if n.in {
			n.x0, n.s = n.y, math.Hypot(n.own, n.widths)
			count++
		}
	}
	return count >= 2
}

// usual prepares that with learned differences.
func (t *shared) usual() bool {
	count := 0
	for i, n := range t.list {
		n.in = n.there && n.hours >= usualFrom
		if n.scatter = 0; n.in {
			n.scatter = math.Hypot(math.Sqrt(n.variance)*(1+usualFrom/6/n.hours), math.Hypot(n.floor, 0.2*n.own))
		}
		if n.in && t.heater && i > 0 {
			n.in = t.list[0].in && n.variance < sameMovement*sameMovement*t.list[0].spread && math.Abs(n.offset) < n.sameWithin()
		}
		if !n.in {
			continue
		}
		n.x0, n.s = n.y-n.offset, n.scatter
		count++
	}
	return count >= 2
}

// test compares every reading with the weighted mean of the others; skip is left out.
func (t *shared) test(skip int) (best int, top float64) {
	var w, wx float64
	for i, n := range t.list {
		if n.in && i != skip {
			w += 1 / (n.s * n.s)
			wx += n.x0 / (n.s * n.s)
		}
	}
	best = -1
	for i, n := range t.list {
		if !n.in || i == skip {
			continue
		}
		z, _, _ := n.against(w, wx)
		if z = math.Abs(z); best < 0 || z > top {
			best, top = i, z
		}
	}
	return best, top
}

// against is the reading against the others: test, difference and its standard
// deviation.
func (n *instrument) against(w, wx float64) (z, off, sigma float64) {
	own := 1 / (n.s * n.s)
	if rest := w - own; rest > 1e-12*w {
		off = n.x0 - (wx-n.x0*own)/rest
		sigma = math.Sqrt(n.s*n.s + 1/rest)
		z = off / sigma
	}
	return z, off, sigma
}

// beyond reports whether something contradicts.
func (t *shared) beyond(limit float64) bool {
	_, top := t.test(-1)
	return top > limit
}

// worst names a reading, with those that would explain the contradiction as well. It
// names nobody if the others still contradict each other without it.
func (t *shared) worst(limit float64) finding {
	f := finding{who: -1}
	best, top := t.test(-1)
	if best < 0 || top <= limit {
		return f
	}
	if _, left := t.test(best); left > restShare*limit {
		return f
	}
	var w, wx float64
	for _, n := range t.list {
		if n.in {
			w += 1 / (n.s * n.s)
			wx += n.x0 / (n.s * n.s)
		}
	}
	// Of twins the one that is known less well.
	for i, n := range t.list {
		if z, _, _ := n.against(w, wx); n.in && math.Abs(z) > top*(1-1e-9) && n.s > t.list[best].s {
			best = i
		}
	}
	f.who = best
	f.z, f.off, f.sigma = t.list[best].against(w, wx)
	for i, n := range t.list {
		if n.in && i != best {
			if z, _, _ := n.against(w, wx); top*top-z*z < alikeZ2 {
				f.alike |= 1 << i
			}
		}
	}
	return f
}

// learn takes a block without contradiction into the usual differences.
func (t *shared) learn() {
	var w, wx float64
	trained := slices.ContainsFunc(t.list, func(n *instrument) bool { return n.there && n.hours >= usualFrom })
	weight := func(n *instrument) float64 {
		if !n.there || trained && n.hours < usualFrom {
			return 0
		}
		s := math.Hypot(max(n.own, 0.05), n.widths)
		return 1 / (s * s)
	}
	for _, n := range t.list {
		if v := weight(n); v > 0 {
			w += v
			wx += v * (n.y - n.offset)
		}
	}
	first := t.list[0]
	if t.heater && !first.there || w == 0 {
		return
	}
	hours := sharedBlock.Hours()
	share := -math.Expm1(-hours / usualMemory)
	for i, n := range t.list {
		if !n.there {
			continue
		}
		var e, free float64
		if t.heater {
			e, free = n.y-first.y-n.offset, 1
			if i == 0 {
				e = n.y - n.mean
			}
		} else {
			e = n.y - n.offset - wx/w
			free = max(0.2, 1-weight(n)/w)
		}
		if n.scatter > 0 && !(t.heater && i == 0) {
			// What departs slowly shall not widen what it is measured by.
			e = max(-mostOff*n.scatter, min(mostOff*n.scatter, e))
		}
		n.hours += hours
		n.weight += share * (1 - n.weight)
		a := share / n.weight
		switch {
		case t.heater && i == 0:
			n.mean += a * e
			n.spread = (1 - a) * (n.spread + a*e*e)
		default:
			n.offset += a * e
			n.variance = (1 - a) * (n.variance + a*e*e/free)
		}
	}
}

// publish names the suspect that two of the last three blocks agree on, or five of six
// where it is less sure.
func (g *sharing) publish(t *shared, at time.Time) {
	var now *finding
	count, sure := 0, 0
	for i := range t.steps[:t.found] {
		f := &t.steps[i]
		if f.who < 0 {
			continue
		}
		if now == nil {
			now = f
		}
		if (now.alike|1<<now.who)&(f.alike|1<<f.who) != 0 && (now.off > 0) == (f.off > 0) || f == now {
			count++
			if f.sure && i < 3 {
				sure++
			}
		}
	}
	if sure < 2 && count < 5 {
		t.suspect = nil
		return
	}
	if t.steps[0].who < 0 {
		return // as it was
	}
	x, ok := g.name(t, now)
	if !ok {
		t.suspect = nil
		return
	}
	x.Since = at
	if old := t.suspect; old != nil && old.What == x.What {
		x.Since = old.Since
	}
	t.suspect, t.asOf = &x, at
}

// name makes the words.
func (g *sharing) name(t *shared, f *finding) (Suspect, bool) {
	k, n := g.k, t.list[f.who]
	if n.as == asFlow && math.Abs(f.off) > mostFlowPct || n.as == asHeaterOut && math.Abs(f.off) > mostK {
		return Suspect{}, false
	}
	x := Suspect{Set: k.s.equip.Path, What: n.x.name(), Tags: k.tags(n.x), Bias: n.inOwnUnit(f.off), Z: f.z, Sigma: math.Abs(n.inOwnUnit(f.sigma)), Unit: unitOf(n.x.what)}
	if n.as == asFlow {
		x.Unit = plant.MassFlow.Canonical()
	}
	if span := k.span(n.x); span > 0 && math.Abs(x.Bias) > span {
		return Suspect{}, false
	}
	if x.Text = k.reads(&x, n.x); f.usual {
		x.Text = words.Say(byUsualDifference, x.Text)
	}
	var alike []words.Text
	for rest := f.alike; rest != 0; rest &= rest - 1 {
		alike = k.orElse(alike, &x, t.list[bits.TrailingZeros32(rest)].x)
	}
	if n.as == asJuiceC {
		if o := g.brixOf(n, f.off); o != nil {
			alike = k.orElse(alike, &x, o)
		}
	}
	x.Text = notApart(x.Text, alike)
	t.process = false
	switch {
	case (n.as == asChestC || n.as == asSteamC) && f.off < 0:
		t.process = true
		x.Text = join(x.Text, gasDoesSo)
	case n.as == asFlow && n != t.list[0] && f.off < 0:
		x.Text = join(x.Text, bypassDoesSo)
	}
	return x, true
}

// brixOf is the refractometer whose error would explain that of a juice thermometer by
// the elevation, nil if there is none or it would have to be so large that the balances
// would tell.
func (g *sharing) brixOf(n *instrument, off float64) *series {
	const most = 3.0 // Bx, where a solids balance checks
	b := n.body
	k := g.k
	i := slices.Index(k.s.bodies, b)
	e, brix := b.b.BPEK, b.b.BrixOut
	if i < 0 || !e.OK() || !brix.OK() || !k.s.brixMeasured(i) || !(brix.Value > 0 && brix.Value < 95) {
		return nil
	}
	// The elevation goes about as B/(100 - B).
	slope := e.Value * 100 / (brix.Value * (100 - brix.Value))
	if math.Abs(off) > most*slope && k.s.m.SyrupTH.OK {
		return nil
	}
	for _, x := range k.list {
		if x.dst == &b.m.Brix || x.dst == &k.s.m.SyrupBrix && i+1 == len(k.s.bodies) {
			return x
		}
	}
	return nil
}

// suspects adds those found to list, which is of the balances. What an instrument that
// stands in the balances makes of them is no second suspect.
func (g *sharing) suspects(list []Suspect) (all []Suspect, instrument bool) {
	found, spoils := false, false
	for _, t := range g.things {
		if s := t.suspect; s != nil {
			found = true
			for _, n := range t.list {
				if n.x.name() == s.What && n.as != asJuiceC && n.as != asChestC && n.as != asSteamC {
					spoils = true
				}
			}
		}
	}
	for _, t := range g.things {
		if t.suspect != nil {
			all = append(all, *t.suspect)
			instrument = instrument || !t.process
		}
	}
	for _, t := range g.things {
		for _, n := range t.list {
			if n.brix == nil || n.brix.suspect == nil {
				continue
			}
			x := n.brix.suspect
			same := func(s Suspect) bool { return slices.Contains(s.Tags, x.Tags[0]) || slices.Contains(s.Alike, x.Tags[0]) }
			if found, instrument = true, true; !slices.ContainsFunc(all, same) && !slices.ContainsFunc(list, same) {
				all = append(all, *x)
			}
		}
	}
	if !found {
		return list, len(list) > 0
	}
	if !spoils {
		for _, s := range list {
			if !slices.ContainsFunc(all, func(a Suspect) bool {
				return a.What == s.What || slices.ContainsFunc(s.Tags, func(tag string) bool { return slices.Contains(a.Tags, tag) })
			}) {
				all = append(all, s)
				instrument = true
			}
		}
	}
	return all, instrument
}
