package evaporator

import (
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// evaluation is one set of readings on its way to results.
type evaluation struct {
	m      *Measurement
	r      *Results
	tv, tc [MaxBodies]temperature

	juice, feedBrix, syrupBrix Result // as measured or by solids

	missing, missingCount int // bleeds without a value: the last effect of them, and how many
	falls                 int // 1 + the body after which the Brix is known but does not rise

	how How // of what rests on the balances
	why Reason
}

// Evaluate computes everything the usable readings of m allow and stores it in
// r, overwriting what was there; r must come from NewResults. It never fails: a
// value that cannot be computed is absent with its reason. It allocates nothing
// unless a property is extrapolated. Sigmas are left zero: see Uncertainty.
func (s *Set) Evaluate(m *Measurement, r *Results) { s.evaluate(m, r, false, false) }

// evaluate is Evaluate; near and sloppy as in problem.
func (s *Set) evaluate(m *Measurement, r *Results, near, sloppy bool) {
	if len(r.Bodies) != len(s.d.Bodies) {
		r.Bodies = make([]BodyResult, len(s.d.Bodies))
	}
	s.clear(m, r)
	if !s.arrange(func(b int) bool { return m.Bodies[b].OutOfService }) {
		r.each(func(p *Result) { p.absent(because(NoBodies)) })
		for i := range r.Bodies {
			r.Bodies[i].each(func(p *Result) { p.absent(Reason{Of: r.Bodies[i].Name, Why: Out}) })
		}
		return
	}
	r.Effects = s.n
	e := evaluation{m: m, r: r}
	s.read(&e)
	s.storeTemperatures(&e)
	s.balance(&e, near, sloppy)
	s.checks(&e)
}

// read takes over what is known before any balance.
func (s *Set) read(e *evaluation) {
	s.setModel(e.m)
	s.ladder(e)
	s.setStored(e.m)
	s.streams(e)
	s.bleeds(e)
}

// clear resets r to absent results.
func (s *Set) clear(m *Measurement, r *Results) {
	bodies := r.Bodies
	*r = Results{Bodies: bodies}
	for i := range bodies {
		d := s.d.Bodies[i]
		bodies[i] = BodyResult{Name: d.Name, Effect: d.Effect, InService: !m.Bodies[i].OutOfService}
		if m.Bodies[i].OutOfService {
			bodies[i].each(func(p *Result) { p.absent(Reason{Of: d.Name, Why: Out}) })
		}
	}
}

// streams decides juice flow, feed Brix and syrup Brix.
func (s *Set) streams(e *evaluation) {
	m, r := e.m, e.r
	f, x0, ln, xn := flowOK(m.JuiceTH), brixOK(m.FeedBrix), flowOK(m.SyrupTH), brixOK(m.SyrupBrix)
	// The Brix leaving the last body is the syrup Brix when the latter has no tag.
	syrup := m.SyrupBrix
	if !xn && s.lastAlone() && brixOK(m.Bodies[s.last].Brix) {
		syrup, xn = m.Bodies[s.last].Brix, true
	}
	decide := func(to *Result, measured bool, x Reading, balanced bool, v float64, by, without Why) {
		switch {
		case measured:
			*to = Result{Value: x.Value, How: Measured}
		case balanced:
			to.set(v, Balanced, because(by))
		default:
			to.absent(because(without))
		}
	}
	// Solids that come in are in the syrup or in the bodies.
	in, out := m.JuiceTH.Value*m.FeedBrix.Value-100*s.c.stored.SolidsTH, m.SyrupTH.Value*syrup.Value+100*s.c.stored.SolidsTH
	decide(&e.juice, f, m.JuiceTH, ln && x0 && xn, out/m.FeedBrix.Value, JuiceBySyrup, NoJuice)
	decide(&e.feedBrix, x0, m.FeedBrix, f && ln && xn, out/m.JuiceTH.Value, FeedBySyrup, NoFeedBrix)
	decide(&e.syrupBrix, xn, syrup, f && x0 && ln && in < maxLiquor*m.SyrupTH.Value, in/m.SyrupTH.Value, SyrupByFlows, NoSyrupBrix)
	r.JuiceTH, r.FeedBrix, r.SyrupBrix = e.juice, e.feedBrix, e.syrupBrix
	if e.allStreams() {
		v := s.c.evaporated(e.juice.Value, e.feedBrix.Value, e.syrupBrix.Value)
		h := weakest(weakest(e.juice.How, e.feedBrix.How), e.syrupBrix.How)
		r.TotalEvaporationTH.set(v, h, Reason{})
		r.SyrupTH.set(e.juice.Value-s.c.stored.JuiceTH-v, h, Reason{})
	}
}

func (e *evaluation) allStreams() bool { return e.juice.OK() && e.feedBrix.OK() && e.syrupBrix.OK() }

// lastAlone reports whether the last juice group is a single body.
func (s *Set) lastAlone() bool { return len(s.beside(s.last)) == 1 }

// bleeds loads the bleeds and counts those that are missing.
func (s *Set) bleeds(e *evaluation) {
	e.missing, e.missingCount = -1, 0
	for k := range MaxEffects {
		s.c.bleed[k] = 0
		r := &e.r.BleedTH[k]
		switch {
		case s.count[k] == 0:
			r.absent(because(NoSuchEffect))
		case bleedOK(e.m.BleedTH[k]):
			s.c.bleed[k] = e.m.BleedTH[k].Value
			*r = Result{Value: s.c.bleed[k], How: Measured}
		case !s.d.BleedFrom[k] || k == s.act[s.n-1]:
			// The last effect's vapour goes to the condenser; what is bled from it
			// enters no chest and no balance here.
			*r = Result{How: Measured}
		default:
			r.absent(Reason{Of: s.effectName(k), Why: NoBleed})
			e.missing = k
			e.missingCount++
		}
	}
}

// row is the way that the streams allow.
func (s *Set) row(e *evaluation) Row {
	steam := flowOK(e.m.SteamTH)
	switch {
	case e.allStreams() && s.brixProfile(e):
		return ByBrixProfile
	case e.allStreams() && steam:
		return ByBoth
	case e.allStreams():
		return ByJuiceAndBrix
	case e.juice.OK() && e.feedBrix.OK() && steam:
		return BySteam
	case e.feedBrix.OK() && e.syrupBrix.OK() && steam:
		return ByBrixAndNoFlow
	}
	return ByTemperatures
}

// balance chooses the row and computes flows, duties and coefficients.
func (s *Set) balance(e *evaluation, near, sloppy bool) {
	row := s.row(e)
	fault := s.noStreams(e)
	if row != ByTemperatures {
		if fault = s.load(e, row); fault.none() {
			fault = s.flows(e, row, near, sloppy)
		}
	}
	if e.r.Row = row; fault.none() {
		s.storeFlows(e, row)
		return
	}
	s.absentFlows(e.r, fault)
	if row == BySteam || row == ByBrixAndNoFlow {
		e.r.Row = ByTemperatures
	}
	s.byTemperatures(e)
}

// noStreams says which stream is missing for a balance.
func (s *Set) noStreams(e *evaluation) Reason {
	switch {
	case !e.juice.OK():
		return e.juice.Reason
	case !e.feedBrix.OK():
		return e.feedBrix.Reason
	}
	return because(NoSyrupBrix)
}

// flows solves the balances, or says why they cannot be. near and sloppy as in problem.
func (s *Set) flows(e *evaluation, row Row, near, sloppy bool) Reason {
	p := problem{juice: e.juice.Value, steam: e.m.SteamTH.Value, syrup: e.syrupBrix.Value, sought: theSteam, near: near, sloppy: sloppy}
	switch {
	case row == ByBrixProfile:
		s.profile(e)
		return s.verdict(&p)
	case row == BySteam:
		p.sought, p.syrup = nothing, 0
	case row == ByBrixAndNoFlow:
		p.sought = theJuice
	case e.missingCount == 1: // the steam meter stands in for the one missing bleed
		p.sought, p.bleedOf = theBleed, e.missing
	}
	s.solve(&p)
	how, why := Balanced, BleedBySteam
	if b := s.c.bleed[p.bleedOf]; p.sought == theBleed && b < 0 && b > -mostBelow*s.c.sumV {
		how, why = Assumed, BleedClosed
		s.c.bleed[p.bleedOf] = 0
		p.sought, p.near = theSteam, true
		s.solve(&p)
	}
	fault := s.verdict(&p)
	if !fault.none() {
		return fault
	}
	switch {
	case p.sought == theJuice:
		e.juice.set(s.c.juice, Balanced, because(JuiceBySteam))
		e.r.JuiceTH = e.juice
	case e.missingCount == 1:
		e.r.BleedTH[e.missing].set(s.c.bleed[e.missing], how, Reason{Of: s.effectName(e.missing), Why: why})
	}
	return Reason{}
}

// mostBelow is how far below zero the steam flow may leave a bleed, as a share of the
// evaporation, and be believed: it is closed then. Some five standard deviations of
// usual meters; a figure of ours.
const mostBelow = 0.1

// verdict says what is wrong with the state in the chain, if anything.
func (s *Set) verdict(p *problem) Reason {
	c := &s.c
	switch {
	case c.noBPE:
		return because(BeyondElevation)
	case c.noEnth:
		return because(BeyondHeat)
	case c.dry > 0:
		return Reason{Of: s.d.Bodies[c.dry-1].Name, Why: Dry}
	case !c.settled:
		return because(Unsolved)
	case p.sought == theBleed && c.bleed[p.bleedOf] < 0:
		return Reason{Of: s.effectName(p.bleedOf), Why: NegativeBleed}
	}
	for b := range s.d.Bodies {
		if s.in[b] && !(c.v[b] > 0 && c.q[b] > 0) {
			return Reason{Of: s.d.Bodies[b].Name, Why: NoEvaporation}
		}
	}
	return Reason{}
}

func (s *Set) effectName(e int) string {
	if s.count[e] > 0 {
		return s.d.Bodies[s.members[e][0]].Name
	}
	return ""
}

// brixProfile reports whether the Brix after every body is known and rises.
func (s *Set) brixProfile(e *evaluation) bool {
	before, falls := e.feedBrix.Value, 0
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		if len(s.beside(b)) > 1 {
			return false // bodies beside each other: the split of juice is unknown
		}
		x, ok := s.bodyBrix(e, b)
		if !ok {
			return false
		}
		if x <= before && falls == 0 {
			falls = b + 1
		}
		before = x
	}
	e.falls = falls
	return falls == 0
}

func (s *Set) bodyBrix(e *evaluation, b int) (float64, bool) {
	if b == s.last {
		return e.syrupBrix.Value, e.syrupBrix.OK()
	}
	return e.m.Bodies[b].Brix.Value, brixOK(e.m.Bodies[b].Brix)
}

// load puts temperatures and feed into the chain, or says what is missing.
func (s *Set) load(e *evaluation, row Row) Reason {
	c, m := &s.c, e.m
	e.how = Balanced
	if row != ByBrixProfile && e.missingCount > 0 && (e.missingCount > 1 || row != ByBoth) {
		if e.falls > 0 {
			return Reason{Of: s.d.Bodies[e.falls-1].Name, Why: BrixFalls}
		}
		return Reason{Of: s.effectName(e.missing), Why: NoBleed}
	}
	feedC := m.FeedC.Value
	if !tempOK(m.FeedC) {
		if feedC = s.d.AssumedFeedC; !tempOK(Read(feedC, 0)) {
			return because(NoFeedC)
		}
		e.how, e.why = Assumed, because(FeedCAssumed)
	}
	if e.allStreams() && e.syrupBrix.Value <= e.feedBrix.Value {
		return because(SyrupBelowFeed)
	}
	// Ends of the ladder cannot be guessed; inner rungs can, for enthalpies.
	first, last := s.act[0], s.act[s.n-1]
	for _, b := range s.inEffect(first) {
		if e.tc[b].how == Absent {
			return e.tc[b].why
		}
	}
	if t, h := s.meanVapour(last, &e.tv); h == Absent || t <= 0 {
		return e.tv[s.members[last][0]].why
	}
	c.noBPE, c.noEnth = false, false
	for i := range s.n {
		s.loadEffect(e, i)
	}
	// Exhaust steam, superheated if its thermometer says so.
	c.hs = c.hle[first] + c.lam[first]
	if tempOK(m.SteamC) && m.SteamC.Value > c.tce[first] {
		p, _ := s.psat(c.tce[first])
		if st, err := steam.Vapour(steam.KPa(p), steam.Celsius(m.SteamC.Value)); err == nil {
			c.hs = float64(st.EnthalpyKJKg)
		}
	}
	s.setFeed(e.feedBrix.Value, feedC)
	if c.noEnth {
		return because(BeyondHeat)
	}
	return Reason{}
}

// loadEffect puts the temperatures of the i-th effect in service into the chain, and
// how its bodies share the vapour.
func (s *Set) loadEffect(e *evaluation, i int) {
	c, k := &s.c, s.act[i]
	mean, known := s.meanVapour(k, &e.tv)
	if known == Absent {
		mean = s.between(i, e)
		e.how, e.why = Assumed, Reason{Of: s.effectName(k), Why: BetweenRungs}
	}
	var area, chest float64
	c.fixed[k] = s.count[k] > 1
	for _, b := range s.inEffect(k) {
		t, p := e.tv[b].c, e.tv[b].kPa
		if e.tv[b].how == Absent {
			t = mean
			p, _ = s.psat(t)
			if known != Absent {
				e.how, e.why = Assumed, Reason{Of: s.d.Bodies[b].Name, Why: BesideRung}
			}
		}
		s.setVapour(b, t, p)
		t = e.tc[b].c
		if e.tc[b].how == Absent {
			up, h := s.meanVapour(s.act[i-1], &e.tv)
			if h == Absent {
				up = s.between(i-1, e)
			}
			t = up - s.pipeLossK(e.m, s.act[i-1])
		}
		c.tc[b] = t
		area += s.d.Bodies[b].AreaM2
		chest += s.d.Bodies[b].AreaM2 * t
		// Parallel bodies: by condensate flows if all are there.
		c.fixed[k] = c.fixed[k] && flowOK(e.m.Bodies[b].CondensateTH)
	}
	s.setChest(k, chest/area)
	for _, b := range s.inEffect(k) {
		c.weight[b] = s.d.Bodies[b].AreaM2
		if c.fixed[k] {
			c.weight[b] = e.m.Bodies[b].CondensateTH.Value
		}
	}
}

// profile computes every body directly from the Brix on both of its sides
// (ByBrixProfile). Bleeds follow by balance.
func (s *Set) profile(e *evaluation) {
	c := &s.c
	c.juice, c.sumV, c.dry = e.juice.Value, 0, 0
	c.solids = c.juice * c.feedBrix / 100
	c.qe = [MaxEffects]float64{}
	var vap [MaxEffects]float64
	flow, solids, heat := c.juice, c.solids, c.juice*c.feedHeat
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		c.inflow[b] = flow
		flow -= c.store[b].JuiceTH
		solids -= c.store[b].SolidsTH
		x, _ := s.bodyBrix(e, b)
		s.take(b, x)
		if s.d.JuiceByThermometer && tempOK(e.m.Bodies[b].JuiceC) {
			c.tj[b] = e.m.Bodies[b].JuiceC.Value
			c.h[b], c.hvap[b] = s.juiceHeat(x, c.tj[b]), c.hv[b]+s.d.VapourCp*max(0, c.tj[b]-c.tv[b])
		}
		l := 100 * solids / x
		c.v[b], c.outflow[b] = flow-l, l
		out := l * c.h[b]
		c.q[b] = (c.v[b]*c.hvap[b] + out - (heat - c.store[b].HeatMJH)) / (1 - s.loss)
		k := s.d.Bodies[b].Effect - 1
		c.qe[k] += c.q[b]
		vap[k] += c.v[b]
		c.sumV += c.v[b]
		flow, heat = l, out
	}
	var line float64
	for i := range s.n {
		k := s.act[i]
		h, flashed := c.hs, s.d.ExhaustCondensate
		c.flash[k] = 0
		if i > 0 {
			up := s.act[i-1]
			h, flashed = s.vapourHeat(up), s.d.VapourCondensate
			c.flash[k] = max(0, line*(c.hle[up]-c.hle[k])/c.lam[k])
			line -= c.flash[k]
		}
		c.we[k] = c.flash[k] + (c.qe[k]-c.flash[k]*c.lam[k])/(h-c.hle[k])
		if flashed == Flashed {
			line += c.we[k]
		}
		for _, b := range s.inEffect(k) {
			c.w[b] = c.we[k] * c.q[b] / c.qe[k]
		}
		if i > 0 {
			up := s.act[i-1]
			c.bleed[up] = vap[up] + c.flash[k] - c.we[k]
		}
	}
	c.settled = true
}

// purity is that measured, or the design's.
func (s *Set) purity(m *Measurement) liquor.Purity {
	if m.PurityPct.in(10, 100) {
		return liquor.Purity(m.PurityPct.Value)
	}
	return liquor.Purity(s.d.PurityPct)
}
