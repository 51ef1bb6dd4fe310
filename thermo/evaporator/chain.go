package evaporator

import (
	"fmt"
	"math"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Set computes one evaporator set. It holds the design and scratch space so
// that a calculation allocates nothing; it is not safe for concurrent use.
type Set struct {
	d     Design
	water water
	loss  float64 // share of the calandrias' duty, see setLoss

	// The layout in service, made by arrange.
	act     [MaxEffects]int // effects in service (0-based), in vapour order
	n       int             // how many
	members [MaxEffects][MaxBodies]int
	count   [MaxEffects]int
	forward bool // juice order is vapour order, so one sweep is exact
	shared  bool // some effect has several bodies, so shares need iterating
	in      [MaxBodies]bool
	inlet   [MaxBodies]int // index of the group before; -1 = feed
	group   [MaxBodies]int // first body of the juice group
	last    int            // first body of the last juice group

	c     chain
	tests comparison // of Reconcile
	// For Uncertainty: a copy to disturb, results to compare.
	m                             Measurement
	plus, minus                   Results
	listBase, listPlus, listMinus []*Result
}

// stream is a flow of juice.
type stream struct {
	flow   float64 // t/h
	solids float64 // t/h
	heat   float64 // MJ/h, zero at 0 degC
	temp   float64 // degC
}

// chain is the state of the balances. Arrays are by body or by effect
// (0-based, as in the design).
type chain struct {
	feed   stream
	purity liquor.Purity
	heat   liquor.HeatAt

	// Given.
	tv, pv, hv [MaxBodies]float64            // vapour space: Tsat, kPa, enthalpy of saturated vapour
	rise       [MaxBodies]liquor.ElevationAt // the elevation under pv
	tc         [MaxBodies]float64            // chest condensing temperature of the body
	weight     [MaxBodies]float64            // duty of bodies sharing vapour goes as weight (Tc - Tj)
	fixed      [MaxEffects]bool              // or as weight alone
	tce        [MaxEffects]float64
	hle, lam   [MaxEffects]float64 // condensate enthalpy and latent heat at tce
	bleed      [MaxEffects]float64
	store      [MaxBodies]Stored
	stored     Stored  // all of it
	hs         float64 // enthalpy of exhaust steam

	// Found.
	out                       [MaxBodies]stream  // outlet of each body
	mix                       [MaxBodies]stream  // outlet of each juice group, at its first body
	v, x, bpe, tj, q, w, hvap [MaxBodies]float64 // t/h, Brix, K, degC, MJ/h, t/h, kJ/kg
	inflow, intemp            [MaxBodies]float64
	bend                      [MaxBodies]float64 // slope of boil's equation in v where it was last solved; 0 = unknown
	lean                      [MaxBodies]float64 // evaporation per duty of effect 1, t/MJ, between closeOn's last sweeps
	qe, we, flash, vap        [MaxEffects]float64
	sumV                      float64
	gain                      float64 // evaporation per duty of effect 1, t/MJ, where closeOn last ended

	rough   float64 // relative error allowed in a sweep that another follows
	dry     int     // 1 + body whose liquor would exceed maxLiquor; 0 = none
	noBPE   bool    // the elevation equation gave no value
	noEnth  bool
	settled bool
}

// maxLiquor is where the balance stops concentrating: no evaporator works
// there, and the property equations end.
const maxLiquor = 90.0

// New checks the design and returns a Set for it.
func New(d Design) (*Set, error) {
	if err := d.Check(); err != nil {
		return nil, fmt.Errorf("evaporator set: %w", err)
	}
	bodies := make([]Body, len(d.Bodies))
	copy(bodies, d.Bodies)
	d.Bodies = bodies
	s := &Set{d: d, water: if97}
	s.plus.Bodies = make([]BodyResult, len(bodies))
	s.minus.Bodies = make([]BodyResult, len(bodies))
	return s, nil
}

// water is the saturation line in use. It is IAPWS-IF97 everywhere but in a
// test that compares with a model built on another formulation.
type water struct {
	tsat      func(steam.KPa) (steam.Celsius, error)
	psat      func(steam.Celsius) (steam.KPa, error)
	satLiquid func(steam.KPa) (steam.KJPerKg, error)
	satVapour func(steam.KPa) (steam.KJPerKg, error)
}

var if97 = water{steam.Tsat, steam.Psat, steam.SatLiquidEnthalpy, steam.SatVapourEnthalpy}

// Design returns the set's design. Its Bodies must not be changed.
func (s *Set) Design() Design { return s.d }

// NewResults returns Results with room for the set's bodies.
func (s *Set) NewResults() *Results { return &Results{Bodies: make([]BodyResult, len(s.d.Bodies))} }

// arrange lays out the bodies in service. It reports whether there is any.
func (s *Set) arrange(out func(body int) bool) bool {
	s.n, s.forward, s.shared = 0, true, false
	for e := range s.count {
		s.count[e] = 0
	}
	before, lastEffect := -1, -1
	groupStart := -1
	for b := range s.d.Bodies {
		s.in[b] = !out(b)
		if !s.in[b] {
			continue
		}
		e := s.d.Bodies[b].Effect - 1
		s.members[e][s.count[e]] = b
		s.count[e]++
		if s.count[e] > 1 {
			s.shared = true
		}
		if e < lastEffect {
			s.forward = false
		}
		beside := s.d.Bodies[b].JuiceBeside && groupStart >= 0 && lastEffect == e
		if beside {
			s.group[b] = groupStart
			s.inlet[b] = s.inlet[groupStart]
		} else {
			before = groupStart
			groupStart = b
			s.group[b] = b
			s.inlet[b] = before
		}
		lastEffect = e
	}
	s.last = groupStart
	for e := range s.count {
		if s.count[e] > 0 {
			s.act[s.n] = e
			s.n++
		}
	}
	return s.n > 0
}

// setLoss stores the share of the calandrias' duty that is lost: that of the
// measurement, or the design's.
func (s *Set) setLoss(pct Reading) {
	s.loss = s.d.LossFraction
	if lossOK(pct) {
		s.loss = pct.Value / 100
	}
}

// setPurity stores the purity of the juice, %.
func (s *Set) setPurity(p liquor.Purity) {
	s.c.purity = p
	s.c.heat, _ = s.d.Heat.At(p) // the zero value gives no enthalpy and that is noticed
}

// elevation returns the boiling-point elevation in body b, K.
func (s *Set) elevation(b int, brix float64) float64 {
	if s.d.Water || brix <= 0 {
		return 0
	}
	v, _, err := s.c.rise[b].Elevation(liquor.Brix(brix))
	if err != nil {
		s.c.noBPE = true
		return 0
	}
	return v
}

// extrapolated reports whether the elevation or the enthalpy of the juice of
// body b was computed outside the range its source gives.
func (s *Set) extrapolated(b int) bool {
	if s.d.Water {
		return false
	}
	_, elevation, _ := s.c.rise[b].Elevation(liquor.Brix(s.c.x[b]))
	_, heat, _ := s.c.heat.Enthalpy(liquor.Brix(s.c.x[b]), steam.Celsius(s.c.tj[b]))
	return elevation || heat
}

// juiceHeat returns the enthalpy of juice in kJ/kg.
func (s *Set) juiceHeat(brix, c float64) float64 {
	if s.d.Water {
		p, err1 := s.water.psat(steam.Celsius(c))
		h, err2 := s.water.satLiquid(p)
		if err1 != nil || err2 != nil {
			s.c.noEnth = true
		}
		return float64(h)
	}
	v, _, err := s.c.heat.Enthalpy(liquor.Brix(brix), steam.Celsius(c))
	if err != nil {
		s.c.noEnth = true
		return 0
	}
	return v
}

// setFeed stores the feed stream.
func (s *Set) setFeed(flow, brix, c float64) {
	s.c.feed = stream{flow: flow, solids: flow * brix / 100, heat: flow * s.juiceHeat(brix, c), temp: c}
}

// setVapour stores the vapour space of body b from its saturation temperature.
func (s *Set) setVapour(b int, tv, pv float64) {
	s.c.tv[b], s.c.pv[b] = tv, pv
	s.c.rise[b], _ = s.d.Elevation.At(s.c.purity, steam.KPa(pv), s.d.PurityFactor)
	h, err := s.water.satVapour(steam.KPa(pv))
	if err != nil {
		s.c.noEnth = true
	}
	s.c.hv[b] = float64(h)
}

// setChest stores the mean condensing temperature of effect e.
func (s *Set) setChest(e int, tc float64) {
	c := &s.c
	c.tce[e] = tc
	p, err := s.water.psat(steam.Celsius(tc))
	if err != nil {
		c.noEnth = true
		return
	}
	hl, err1 := s.water.satLiquid(p)
	hv, err2 := s.water.satVapour(p)
	if err1 != nil || err2 != nil {
		c.noEnth = true
		return
	}
	c.hle[e], c.lam[e] = float64(hl), float64(hv-hl)
}

// vapourOf returns the mixed vapour of effect e: flow and enthalpy.
func (s *Set) vapourOf(e int) (flow, h float64) {
	var heat, plain float64
	for _, b := range s.members[e][:s.count[e]] {
		flow += s.c.v[b]
		heat += s.c.v[b] * s.c.hvap[b]
		plain += s.c.hvap[b]
	}
	if flow > 0 {
		if h = heat / flow; h > 2000 && h < 3500 {
			return flow, h
		}
	}
	return flow, plain / float64(s.count[e])
}

// start puts first guesses into everything that is iterated.
func (s *Set) start() {
	c := &s.c
	c.dry, c.noBPE, c.noEnth, c.settled = 0, false, false, false
	c.rough = 0
	// A straight line of evaporation to 60 % of the water is near enough.
	total := 0
	for e := range s.n {
		total += s.count[s.act[e]]
	}
	done := 0
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		c.bend[b] = 0
		c.v[b] = c.feed.flow * 0.7 / float64(total)
		done++
		left := c.feed.flow * (1 - 0.7*float64(done)/float64(total))
		c.x[b] = 100 * c.feed.solids / left
		if c.x[b] > maxLiquor {
			c.x[b] = maxLiquor
		}
		if s.forward && !s.shared {
			continue // one sweep is exact and reads nothing else
		}
		c.bpe[b] = s.elevation(b, c.x[b])
		c.tj[b] = c.tv[b] + c.bpe[b]
		c.hvap[b] = c.hv[b] + s.d.VapourCp*c.bpe[b]
		h := s.juiceHeat(c.x[b], c.tj[b])
		c.out[b] = stream{left, c.feed.solids, left * h, c.tj[b]}
		c.mix[b] = c.out[b]
	}
}

// boil solves body b for the evaporation when heat (MJ/h, after loss) enters
// through the tubes and the juice in flows in.
func (s *Set) boil(b int, heat float64, in stream) {
	c := &s.c
	floor := in.solids * 100 / maxLiquor // least outflow
	// eval returns the evaporation that the balance asks for when it is v.
	eval := func(v float64) float64 {
		l := max(in.flow-v, floor)
		if l <= 0 {
			l = 1e-9
		}
		c.x[b] = 100 * in.solids / l
		c.bpe[b] = s.elevation(b, c.x[b])
		c.tj[b] = c.tv[b] + c.bpe[b]
		c.hvap[b] = c.hv[b] + s.d.VapourCp*c.bpe[b]
		h := s.juiceHeat(c.x[b], c.tj[b])
		c.out[b] = stream{l, in.solids, l * h, c.tj[b]}
		// q(1-loss) + in = V H + L h with L = in - V
		return (heat + in.heat - in.flow*h) / (c.hvap[b] - h)
	}
	v0 := c.v[b]
	if !(v0 > -in.flow && v0 < in.flow) {
		v0 = 0.2 * in.flow
	}
	// The slope hardly changes from call to call: that of the last one makes the
	// first step as good as a secant's.
	tolerance := max(c.rough, 1e-13) * in.flow
	g0 := eval(v0)
	v1 := v0 + (g0-v0)/(1-c.bend[b])
	rounds := 30
	if math.Abs(g0-v0) <= tolerance {
		v1, rounds = g0, 0
	}
	for range rounds {
		g1 := eval(v1)
		e0, e1 := g0-v0, g1-v1
		if math.Abs(e1) <= tolerance || e1 == e0 {
			v1 = g1
			break
		}
		if bend := (g1 - g0) / (v1 - v0); math.Abs(bend) < 0.5 && math.Abs(v1-v0) > 1e-7*in.flow {
			c.bend[b] = bend
		}
		v2 := v1 - e1*(v1-v0)/(e1-e0)
		v0, g0, v1 = v1, g1, v2
		if math.Abs(v1-v0) <= 1e-14*in.flow {
			break
		}
	}
	if in.flow-v1 < floor {
		v1 = in.flow - floor
		c.dry = b + 1
	}
	c.v[b] = v1
	c.out[b].flow = in.flow - v1
}

// sweep follows the vapour from the exhaust steam to the condenser with q1
// MJ/h given up in effect 1, and leaves the whole state in the chain.
func (s *Set) sweep(q1 float64) {
	c := &s.c
	c.settled = false
	rounds := 1
	if !s.forward || s.shared {
		rounds = 80
	}
	for round := range rounds {
		c.dry = 0
		var before [MaxBodies]float64
		if rounds > 1 {
			before = c.v
		}
		s.pass(q1)
		if rounds == 1 {
			c.settled = true
			break
		}
		worst := 0.0
		for b := range s.d.Bodies {
			if s.in[b] {
				worst = max(worst, math.Abs(c.v[b]-before[b]))
			}
		}
		if round > 0 && worst <= max(0.1*c.rough, 1e-14)*c.feed.flow {
			c.settled = true
			break
		}
	}
}

// pass is one pass of a sweep.
func (s *Set) pass(q1 float64) {
	c := &s.c
	c.sumV = 0
	var line float64 // condensate in the flash line, t/h
	for i := range s.n {
		e := s.act[i]
		bodies := s.members[e][:s.count[e]]
		var q, w, x float64
		if i == 0 {
			q = q1
			w = q / (c.hs - c.hle[e])
			if s.d.ExhaustCondensate == Flashed {
				line = w
			}
		} else {
			up := s.act[i-1]
			supply, h := s.vapourOf(up)
			if line > 0 {
				x = max(0, line*(c.hle[up]-c.hle[e])/c.lam[e])
				line -= x
			}
			// The flash is saturated vapour; only the vapour proper is superheated.
			w = supply - c.bleed[up] + x
			q = (w-x)*(h-c.hle[e]) + x*c.lam[e]
			if s.d.VapourCondensate == Flashed {
				line += w
			}
		}
		c.qe[e], c.we[e], c.flash[e] = q, w, x

		var sum float64
		for _, b := range bodies {
			sum += s.share(e, b)
		}
		for _, b := range bodies {
			part := 1 / float64(len(bodies))
			if sum > 0 {
				part = s.share(e, b) / sum
			}
			c.q[b], c.w[b] = q*part, w*part
		}
		c.vap[e] = 0
		for k, b := range bodies {
			in := c.feed
			if p := s.inlet[b]; p >= 0 {
				in = c.mix[p]
			}
			if part, several := s.juicePart(b, bodies); several {
				in.flow *= part
				in.solids *= part
				in.heat *= part
			}
			c.inflow[b], c.intemp[b] = in.flow, in.temp
			in = c.less(in, b)
			s.boil(b, c.q[b]*(1-s.loss), in)
			c.vap[e] += c.v[b]
			if k == len(bodies)-1 || s.group[bodies[k+1]] != s.group[b] {
				s.merge(s.group[b], bodies)
			}
		}
		c.sumV += c.vap[e]
	}
}

// less is the juice to body b without what the body stores of it.
func (c *chain) less(in stream, b int) stream {
	st := &c.store[b]
	in.flow -= st.JuiceTH
	in.solids -= st.SolidsTH
	in.heat -= st.HeatMJH
	return in
}

// evaporated is the water t/h that leaves the set by the balance of solids: all of
// the juice that is neither syrup nor stored.
func (c *chain) evaporated(flow, x0, xn float64) float64 {
	return flow - c.stored.JuiceTH - (flow*x0-100*c.stored.SolidsTH)/xn
}

// setStored takes over what the bodies in service store.
func (s *Set) setStored(m *Measurement) {
	c := &s.c
	c.stored = Stored{}
	for b := range s.d.Bodies {
		c.store[b] = Stored{}
		if s.in[b] {
			st := m.Bodies[b].Stored
			c.store[b] = st
			c.stored.JuiceTH += st.JuiceTH
			c.stored.SolidsTH += st.SolidsTH
			c.stored.HeatMJH += st.HeatMJH
		}
	}
}

// share is the weight of body b in the duty of its effect.
func (s *Set) share(e, b int) float64 {
	if s.count[e] == 1 {
		return 1
	}
	if s.c.fixed[e] {
		return s.c.weight[b]
	}
	return max(0, s.c.weight[b]*(s.c.tc[b]-s.c.tj[b]))
}

// juicePart returns the part of its group's juice that goes to body b: as the
// duty, so that the bodies beside each other leave about the same Brix.
func (s *Set) juicePart(b int, bodies []int) (part float64, several bool) {
	var sum float64
	members := 0
	for _, o := range bodies {
		if s.group[o] == s.group[b] {
			sum += s.c.q[o]
			members++
		}
	}
	if members == 1 {
		return 1, false
	}
	if !(sum > 0) {
		return 1 / float64(members), true
	}
	return s.c.q[b] / sum, true
}

// merge mixes the outlets of a juice group.
func (s *Set) merge(group int, bodies []int) {
	var m stream
	var t float64
	for _, b := range bodies {
		if s.group[b] == group {
			o := s.c.out[b]
			m.flow += o.flow
			m.solids += o.solids
			m.heat += o.heat
			t += o.flow * o.temp
		}
	}
	if m.flow > 0 {
		m.temp = t / m.flow
	}
	s.c.mix[group] = m
}

// closeOn finds the first-effect duty for which the total evaporation is target
// t/h and leaves the chain there. The evaporation rises with the duty almost in a
// straight line. It starts from the Rillieux count, or, if the chain holds the
// solution of a case close by, from that.
func (s *Set) closeOn(target float64, near bool) bool {
	c := &s.c
	first := s.act[0]
	lam := c.hs - c.hle[first]
	s0 := target / float64(s.n)
	for i := range s.n - 1 {
		s0 += c.bleed[s.act[i]] * (1 - float64(i+1)/float64(s.n))
	}
	q0, gain, tolerance := s0*lam, s.roughGain(), 1e-13*c.feed.flow
	// The first sweeps only lead to the next ones.
	c.rough = 1e-5
	var before [MaxBodies]float64
	if near {
		q0, gain, c.rough = c.qe[first]+(target-c.sumV)/c.gain, c.gain, 1e-6
		s.shift(q0 - c.qe[first])
	} else {
		for b, d := range s.d.Bodies {
			c.lean[b] = gain / float64(s.n*max(1, s.count[d.Effect-1]))
		}
	}
	s.sweep(q0)
	f0 := c.sumV - target
	used := c.rough
	c.rough *= 1e-3
	if near && math.Abs(f0) <= 1e-5*c.feed.flow {
		c.rough = 0
	}
	q1, at := q0-f0/gain, q0
	low, high := math.Inf(-1), math.Inf(1)
	// A sweep binds the answer only as far as it is exact.
	bind := func(q, f float64, rough float64) {
		switch margin := 100 * rough * c.feed.flow; {
		case f > margin:
			high = min(high, q)
		case f <= -margin:
			low = max(low, q)
		}
	}
	bind(q0, f0, used)
	c.gain = gain
	for range 80 {
		before = c.v
		s.shift(q1 - at)
		s.sweep(q1)
		at = q1
		f1 := c.sumV - target
		if g := (f1 - f0) / (q1 - q0); math.Abs(q1-q0) > 1e-5*math.Abs(q1) && g > 0.2*gain && g < 5*gain {
			c.gain = g
			for b := range s.d.Bodies {
				c.lean[b] = (c.v[b] - before[b]) / (q1 - q0)
			}
		}
		used = c.rough
		switch {
		case used > 0: // not to be judged
			c.rough = 0
			if math.Abs(f1) <= 1e-9*c.feed.flow {
				continue
			}
		case math.Abs(f1) <= tolerance:
			return c.settled
		}
		bind(q1, f1, used)
		next := q1 - f1*(q1-q0)/(f1-f0)
		switch {
		case next > low && next < high:
		case math.IsInf(low, 0):
			next = high - (math.Abs(q1-q0) + lam)
		case math.IsInf(high, 0):
			next = low + math.Abs(q1-q0) + lam
		default:
			next = (low + high) / 2
		}
		if next == q1 || !math.IsInf(high, 0) && high-low <= 1e-14*math.Abs(high) {
			return c.settled && math.Abs(f1) < 1e-9*c.feed.flow // rounding
		}
		q0, f0, q1 = q1, f1, next
	}
	return false
}

// shift moves the evaporations to where a change of the duty will bring them, as
// first guesses.
func (s *Set) shift(duty float64) {
	for b := range s.d.Bodies {
		if s.in[b] {
			s.c.v[b] += s.c.lean[b] * duty
		}
	}
}

// roughGain is about the evaporation per duty of effect 1, t/MJ: every effect
// hands its heat on, less the loss; more evaporated before is less juice, and more
// condensate, that flashes after.
func (s *Set) roughGain() float64 {
	c := &s.c
	var gain, line float64
	heat := 1.0
	for i := range s.n {
		e := s.act[i]
		b := s.members[e][0]
		if i > 0 {
			up := s.act[i-1]
			flash := line * (c.hle[up] - c.hle[e])
			line += heat/c.lam[e] - flash/c.lam[e]
			heat += flash
			if s.d.VapourCondensate != Flashed {
				line = 0
			}
			if s.forward {
				heat -= gain * 3.8 * (c.tv[s.members[up][0]] - c.tv[b])
			}
		}
		latent := c.hv[b] - 4*c.tv[b]
		v := heat * (1 - s.loss) / latent
		gain += v
		heat = v * (c.hv[b] - c.hle[e])
		if i+1 < s.n {
			heat = v * c.lam[s.act[i+1]]
		}
	}
	if !(gain > 0) {
		return float64(s.n) / (c.hs - c.hle[s.act[0]])
	}
	return gain
}
