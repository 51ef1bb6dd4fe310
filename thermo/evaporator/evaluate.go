package evaporator

import (
	"math"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// temperature is a temperature of the ladder and where it came from.
type temperature struct {
	c, kPa float64
	how    How
	why    Reason
}

func (s *Set) tsat(kPa float64) (float64, bool) {
	t, err := s.water.tsat(steam.KPa(kPa))
	return float64(t), err == nil
}

func (s *Set) psat(c float64) (float64, bool) {
	p, err := s.water.psat(steam.Celsius(c))
	return float64(p), err == nil
}

// fromKPa and fromC make a saturation state out of either reading.
func (s *Set) fromKPa(r Reading) (temperature, bool) {
	if !pressureOK(r) {
		return temperature{}, false
	}
	t, ok := s.tsat(r.Value)
	return temperature{c: t, kPa: r.Value, how: Measured}, ok
}

func (s *Set) fromC(c float64, how How) (temperature, bool) {
	p, ok := s.psat(c)
	return temperature{c: c, kPa: p, how: how}, ok
}

// Reasons that stand in more than one place.
const (
	whyOut       = "out of service"
	whyNoVapour  = "no usable vapour-space pressure, vapour temperature or next chest pressure"
	whyNoChest   = "no usable chest pressure, upstream vapour pressure or chest temperature"
	whyNoDT      = "no temperature difference left between chest and juice"
	whyBetween   = "vapour temperature not measured: taken between its neighbours for the balance only"
	whyNoJuice   = "no usable juice flow, and no syrup flow with both Brix to find it from"
	whyNoFeedBx  = "no usable feed Brix, and no syrup flow with syrup Brix and juice flow to find it from"
	whyNoSyrupBx = "no usable syrup Brix and no steam flow to find it from"
	whyNoFeedC   = "no usable feed temperature"
	whyNoBleed   = "bleed flow not measured"
	whyShared    = "vapour shared between parallel bodies by surface and temperature difference: no condensate flows"
)

// Evaluate computes everything the usable readings of m allow and stores it in
// r, overwriting what was there; r must come from NewResults. It never fails: a
// value that cannot be computed is absent with its reason. It allocates nothing
// unless a property is extrapolated. Sigmas are left zero: see Uncertainty.
func (s *Set) Evaluate(m *Measurement, r *Results) {
	if len(r.Bodies) != len(s.d.Bodies) {
		r.Bodies = make([]BodyResult, len(s.d.Bodies))
	}
	s.clear(m, r)
	if !s.arrange(func(b int) bool { return m.Bodies[b].OutOfService }) {
		why := Reason{Text: "no body in service"}
		r.each(func(p *Result) { p.absent(why) })
		for i := range r.Bodies {
			r.Bodies[i].each(func(p *Result) { p.absent(Reason{Of: r.Bodies[i].Name, Text: whyOut}) })
		}
		return
	}
	r.Effects = s.n
	s.setPurity(s.purity(m))
	s.setLoss(m.LossPct)

	var tv, tc [MaxBodies]temperature
	s.ladder(m, &tv, &tc)
	s.storeTemperatures(m, r, &tv, &tc)

	in := s.streams(m, r)
	s.balance(m, r, in, &tv, &tc)
	s.checks(m, r)
}

// purity is that measured, or the design's.
func (s *Set) purity(m *Measurement) liquor.Purity {
	if m.PurityPct.in(10, 100) {
		return liquor.Purity(m.PurityPct.Value)
	}
	return liquor.Purity(s.d.PurityPct)
}

// clear resets r to absent results.
func (s *Set) clear(m *Measurement, r *Results) {
	bodies := r.Bodies
	*r = Results{Bodies: bodies}
	for i := range bodies {
		d := s.d.Bodies[i]
		bodies[i] = BodyResult{Name: d.Name, Effect: d.Effect, InService: !m.Bodies[i].OutOfService}
		if m.Bodies[i].OutOfService {
			bodies[i].each(func(p *Result) { p.absent(Reason{Of: d.Name, Text: whyOut}) })
		}
	}
}

// ladder finds the vapour and chest temperatures of every body in service.
func (s *Set) ladder(m *Measurement, tv, tc *[MaxBodies]temperature) {
	// Vapour spaces: pressure; thermometer; next chest's pressure plus the pipe.
	for i := range s.n {
		e := s.act[i]
		for _, b := range s.members[e][:s.count[e]] {
			bm := &m.Bodies[b]
			t, ok := s.fromKPa(bm.VapourKPa)
			if !ok && tempOK(bm.VapourC) {
				t, ok = s.fromC(bm.VapourC.Value, Measured)
			}
			if !ok && i+1 < s.n {
				next := s.act[i+1]
				for _, o := range s.members[next][:s.count[next]] {
					if chest, good := s.fromKPa(m.Bodies[o].ChestKPa); good {
						t, ok = s.fromC(chest.c+s.d.PipeLossK, Balanced)
						break
					}
				}
			}
			if !ok {
				t = temperature{why: Reason{s.d.Bodies[b].Name, whyNoVapour}}
			}
			tv[b] = t
		}
	}
	// Chests: own pressure; upstream vapour less the pipe; thermometer.
	for i := range s.n {
		e := s.act[i]
		for _, b := range s.members[e][:s.count[e]] {
			bm := &m.Bodies[b]
			t, ok := s.fromKPa(bm.ChestKPa)
			if !ok && i == 0 {
				t, ok = s.fromKPa(m.SteamKPa)
			}
			if !ok && i > 0 {
				if up, how := s.meanVapour(s.act[i-1], tv); how != Absent {
					t, ok = s.fromC(up-s.d.PipeLossK, weakest(how, Balanced))
				}
			}
			if !ok && tempOK(bm.ChestC) {
				t, ok = s.fromC(bm.ChestC.Value, Measured)
			}
			if !ok {
				t = temperature{why: Reason{s.d.Bodies[b].Name, whyNoChest}}
			}
			tc[b] = t
		}
	}
}

// meanVapour is the mean vapour temperature of the bodies of effect e that have
// one, by surface.
func (s *Set) meanVapour(e int, tv *[MaxBodies]temperature) (c float64, how How) {
	var area float64
	how = Measured
	for _, b := range s.members[e][:s.count[e]] {
		if tv[b].how == Absent {
			continue
		}
		a := s.d.Bodies[b].AreaM2
		area += a
		c += a * tv[b].c
		how = max(how, tv[b].how)
	}
	if area == 0 {
		return 0, Absent
	}
	return c / area, how
}

// storeTemperatures stores what needs no balance.
func (s *Set) storeTemperatures(m *Measurement, r *Results, tv, tc *[MaxBodies]temperature) {
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		o, bm := &r.Bodies[b], &m.Bodies[b]
		o.VapourC.set(tv[b].c, tv[b].how, tv[b].why)
		o.VapourKPa.set(tv[b].kPa, tv[b].how, tv[b].why)
		o.ChestC.set(tc[b].c, tc[b].how, tc[b].why)
		o.ChestKPa.set(tc[b].kPa, tc[b].how, tc[b].why)
		how := weakest(tv[b].how, tc[b].how)
		o.DTApparentK.set(tc[b].c-tv[b].c, how, firstWhy(tc[b], tv[b]))

		name := s.d.Bodies[b].Name
		if p, ok := s.fromKPa(bm.VapourKPa); ok && tempOK(bm.VapourC) {
			o.VapourDisagreeK.set(p.c-bm.VapourC.Value, Measured, Reason{})
		} else {
			o.VapourDisagreeK.absent(Reason{name, "needs vapour pressure and vapour temperature"})
		}
		chest, ok := s.fromKPa(bm.ChestKPa)
		if !ok && s.d.Bodies[b].Effect-1 == s.act[0] {
			chest, ok = s.fromKPa(m.SteamKPa)
		}
		if ok && tempOK(bm.ChestC) {
			o.ChestGasK.set(chest.c-bm.ChestC.Value, Measured, Reason{})
		} else {
			o.ChestGasK.absent(Reason{name, "needs chest pressure and chest temperature"})
		}
		if tv[b].how != Absent && tempOK(bm.JuiceC) {
			o.BPEMeasured.set(bm.JuiceC.Value-tv[b].c, tv[b].how, Reason{})
		} else {
			o.BPEMeasured.absent(Reason{name, "needs juice temperature and vapour pressure"})
		}
	}
	first, last := s.members[s.act[0]][0], s.members[s.act[s.n-1]][0]
	r.TotalDTK.set(tc[first].c-tv[last].c, weakest(tc[first].how, tv[last].how), firstWhy(tc[first], tv[last]))
}

func firstWhy(a, b temperature) Reason {
	if a.how == Absent || a.why.Text != "" {
		return a.why
	}
	return b.why
}

// inputs are the streams of a set as measured or balanced.
type inputs struct {
	juice, feedBrix, syrupBrix Result
	steam                      Reading
}

// streams decides juice flow, feed Brix and syrup Brix.
func (s *Set) streams(m *Measurement, r *Results) inputs {
	s.setStored(m)
	var in inputs
	in.steam = m.SteamTH
	in.steam.OK = flowOK(m.SteamTH)
	f, x0, ln, xn := flowOK(m.JuiceTH), brixOK(m.FeedBrix), flowOK(m.SyrupTH), brixOK(m.SyrupBrix)
	// The Brix leaving the last body is the syrup Brix when the latter has no tag.
	syrup := m.SyrupBrix
	if !xn && s.group[s.last] == s.last && s.lastAlone() && brixOK(m.Bodies[s.last].Brix) {
		syrup, xn = m.Bodies[s.last].Brix, true
	}
	switch {
	case f:
		in.juice = Result{Value: m.JuiceTH.Value, How: Measured}
	case ln && x0 && xn:
		in.juice.set(m.SyrupTH.Value*syrup.Value/m.FeedBrix.Value, Balanced, Reason{Text: "juice flow from syrup flow and both Brix"})
	default:
		in.juice.absent(Reason{Text: whyNoJuice})
	}
	switch {
	case x0:
		in.feedBrix = Result{Value: m.FeedBrix.Value, How: Measured}
	case f && ln && xn:
		in.feedBrix.set(m.SyrupTH.Value*syrup.Value/m.JuiceTH.Value, Balanced, Reason{Text: "feed Brix from syrup flow, syrup Brix and juice flow"})
	default:
		in.feedBrix.absent(Reason{Text: whyNoFeedBx})
	}
	switch {
	case xn:
		in.syrupBrix = Result{Value: syrup.Value, How: Measured}
	case f && x0 && ln && m.JuiceTH.Value*m.FeedBrix.Value < maxLiquor*m.SyrupTH.Value:
		in.syrupBrix.set(m.JuiceTH.Value*m.FeedBrix.Value/m.SyrupTH.Value, Balanced, Reason{Text: "syrup Brix from juice flow, feed Brix and syrup flow"})
	default:
		in.syrupBrix.absent(Reason{Text: whyNoSyrupBx})
	}
	r.JuiceTH, r.FeedBrix, r.SyrupBrix = in.juice, in.feedBrix, in.syrupBrix
	return in
}

// lastAlone reports whether the last juice group is a single body.
func (s *Set) lastAlone() bool {
	members := 0
	for b := range s.d.Bodies {
		if s.in[b] && s.group[b] == s.last {
			members++
		}
	}
	return members == 1
}

// balance chooses the row and computes flows, duties and coefficients.
func (s *Set) balance(m *Measurement, r *Results, in inputs, tv, tc *[MaxBodies]temperature) {
	c := &s.c
	how := Balanced
	var why Reason

	missing, missingCount := s.bleeds(m, r)
	s.byBrix(in, r)

	row := NoRow
	bxProfile := s.brixProfile(m, in)
	switch {
	case in.juice.OK() && in.feedBrix.OK() && in.syrupBrix.OK() && bxProfile:
		row = ByBrixProfile
	case in.juice.OK() && in.feedBrix.OK() && in.syrupBrix.OK() && in.steam.OK:
		row = ByBoth
	case in.juice.OK() && in.feedBrix.OK() && in.syrupBrix.OK():
		row = ByJuiceAndBrix
	case in.juice.OK() && in.feedBrix.OK() && in.steam.OK:
		row = BySteam
	case in.feedBrix.OK() && in.syrupBrix.OK() && in.steam.OK:
		row = ByBrixAndNoFlow
	default:
		row = ByTemperatures
	}

	if row != ByTemperatures {
		if fault, ok := s.prepare(m, in, row, tv, tc, &how, &why, missing, missingCount); !ok {
			s.absentFlows(r, fault)
			if row == BySteam || row == ByBrixAndNoFlow {
				row = ByTemperatures
			}
			r.Row = row
			s.byTemperatures(m, r, in, missingCount)
			return
		}
	} else {
		fault := Reason{Text: whyNoJuice}
		switch {
		case in.juice.OK() && !in.feedBrix.OK():
			fault.Text = whyNoFeedBx
		case in.juice.OK():
			fault.Text = whyNoSyrupBx
		}
		s.absentFlows(r, fault)
		r.Row = row
		s.byTemperatures(m, r, in, missingCount)
		return
	}
	r.Row = row

	// Solve.
	s.start()
	target := r.TotalEvaporationTH.Value
	fault, ok := Reason{}, true
	switch row {
	case ByBrixProfile:
		s.profile(m, in)
	case BySteam:
		s.sweep(in.steam.Value * (c.hs - c.hle[s.act[0]]))
		ok = c.settled
	case ByBrixAndNoFlow:
		q1 := in.steam.Value * (c.hs - c.hle[s.act[0]])
		var flow float64
		flow, ok = s.findFlow(q1, in.feedBrix.Value, in.syrupBrix.Value, s.feedC(m))
		in.juice.set(flow, Balanced, Reason{Text: "juice flow from the steam flow and both Brix"})
		r.JuiceTH = in.juice
	default:
		if missingCount == 1 { // the steam meter stands in for the one missing bleed
			q1 := in.steam.Value * (c.hs - c.hle[s.act[0]])
			ok = s.findBleed(missing, q1, target)
			r.BleedTH[missing].set(c.bleed[missing], Balanced, Reason{Of: s.effectName(missing), Text: "bleed by balance from the steam flow"})
			if ok && c.bleed[missing] < -0.02*target {
				ok = false
			}
		} else {
			ok = s.closeOn(target, false)
		}
	}
	fault, ok = s.verdict(ok)
	if !ok {
		if row == ByBrixAndNoFlow {
			r.JuiceTH.absent(fault)
		}
		if missingCount == 1 {
			r.BleedTH[missing].absent(fault)
		}
		s.absentFlows(r, fault)
		s.byTemperatures(m, r, in, missingCount)
		return
	}
	how = weakest(weakest(weakest(how, in.juice.How), in.feedBrix.How), Balanced)
	s.storeFlows(m, r, in, row, how, why, tv, tc)
}

// bleeds loads the bleeds and counts those that are missing.
func (s *Set) bleeds(m *Measurement, r *Results) (missing, count int) {
	missing = -1
	for e := range MaxEffects {
		s.c.bleed[e] = 0
		served := s.count[e] > 0
		switch {
		case !served:
			r.BleedTH[e].absent(Reason{Text: "no body of this effect in service"})
		case bleedOK(m.BleedTH[e]):
			s.c.bleed[e] = m.BleedTH[e].Value
			r.BleedTH[e] = Result{Value: s.c.bleed[e], How: Measured}
		case !s.d.BleedFrom[e] || e == s.act[s.n-1]:
			// The last effect's vapour goes to the condenser; what is bled from it
			// enters no chest and no balance here.
			r.BleedTH[e] = Result{How: Measured}
		default:
			r.BleedTH[e].absent(Reason{s.effectName(e), whyNoBleed})
			missing = e
			count++
		}
	}
	return missing, count
}

// byBrix stores what juice flow and Brix say alone.
func (s *Set) byBrix(in inputs, r *Results) {
	if in.juice.OK() && in.feedBrix.OK() && in.syrupBrix.OK() {
		e := s.c.evaporated(in.juice.Value, in.feedBrix.Value, in.syrupBrix.Value)
		h := weakest(weakest(in.juice.How, in.feedBrix.How), in.syrupBrix.How)
		r.TotalEvaporationTH.set(e, h, Reason{})
		r.SyrupTH.set(in.juice.Value-s.c.stored.JuiceTH-e, h, Reason{})
	}
}

// verdict says whether the chain, closed or not, is a state that can be.
func (s *Set) verdict(closed bool) (fault Reason, ok bool) {
	c := &s.c
	switch {
	case c.noBPE:
		return Reason{Text: "the boiling-point elevation equation does not reach the calculated Brix or pressure"}, false
	case c.noEnth:
		return Reason{Text: "a temperature or Brix is outside the range of the heat equations"}, false
	case c.dry > 0:
		return Reason{s.d.Bodies[c.dry-1].Name, "the balance would boil the juice dry: flow, Brix, steam or bleed readings contradict each other"}, false
	case !closed:
		return Reason{Text: "the balances do not close: flow, Brix, steam or bleed readings contradict each other"}, false
	}
	for b := range s.d.Bodies {
		if s.in[b] && !(c.v[b] > 0 && c.q[b] > 0) {
			return Reason{s.d.Bodies[b].Name, "the balance leaves no evaporation here: flow, Brix, steam or bleed readings contradict each other"}, false
		}
	}
	return Reason{}, true
}

func (s *Set) effectName(e int) string {
	if s.count[e] > 0 {
		return s.d.Bodies[s.members[e][0]].Name
	}
	return ""
}

func (s *Set) feedC(m *Measurement) float64 {
	if tempOK(m.FeedC) {
		return m.FeedC.Value
	}
	return s.d.AssumedFeedC
}

// brixProfile reports whether the Brix after every body is known and rises.
func (s *Set) brixProfile(m *Measurement, in inputs) bool {
	before := in.feedBrix.Value
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		if s.group[b] != b || (s.group[b] == b && s.grouped(b)) {
			return false // bodies beside each other: the split of juice is unknown
		}
		x, ok := s.bodyBrix(m, in, b)
		if !ok || x <= before {
			return false
		}
		before = x
	}
	return true
}

func (s *Set) grouped(b int) bool {
	return b+1 < len(s.d.Bodies) && s.in[b+1] && s.group[b+1] == b
}

func (s *Set) bodyBrix(m *Measurement, in inputs, b int) (float64, bool) {
	if b == s.last {
		return in.syrupBrix.Value, in.syrupBrix.OK()
	}
	return m.Bodies[b].Brix.Value, brixOK(m.Bodies[b].Brix)
}

// prepare loads the chain with temperatures, feed and bleeds. When something
// needed is missing it returns the reason and false.
func (s *Set) prepare(m *Measurement, in inputs, row Row, tv, tc *[MaxBodies]temperature, how *How, why *Reason, missing, missingCount int) (Reason, bool) {
	c := &s.c
	if row != ByBrixProfile && missingCount > 0 {
		if missingCount > 1 || row != ByBoth {
			return Reason{s.effectName(missing), whyNoBleed}, false
		}
	}
	if !tempOK(m.FeedC) {
		if !tempOK(Read(s.d.AssumedFeedC, 0)) {
			return Reason{Text: whyNoFeedC}, false
		}
		*how, *why = Assumed, Reason{Text: "feed temperature assumed from the design"}
	}
	if in.juice.OK() && in.feedBrix.OK() && in.syrupBrix.OK() && in.syrupBrix.Value <= in.feedBrix.Value {
		return Reason{Text: "syrup Brix is not above feed Brix"}, false
	}

	// Ends of the ladder cannot be guessed; inner rungs can, for enthalpies.
	first, last := s.act[0], s.act[s.n-1]
	for _, b := range s.members[first][:s.count[first]] {
		if tc[b].how == Absent {
			return tc[b].why, false
		}
	}
	if t, h := s.meanVapour(last, tv); h == Absent || t <= 0 {
		return tv[s.members[last][0]].why, false
	}
	c.dry, c.noBPE, c.noEnth = 0, false, false
	for i := range s.n {
		e := s.act[i]
		mean, known := s.meanVapour(e, tv)
		if known == Absent {
			mean = s.between(i, tv, tc)
			*how, *why = Assumed, Reason{s.effectName(e), whyBetween}
		}
		for _, b := range s.members[e][:s.count[e]] {
			t, p := tv[b].c, tv[b].kPa
			if tv[b].how == Absent {
				t = mean
				p, _ = s.psat(t)
				if known != Absent {
					*how, *why = Assumed, Reason{s.d.Bodies[b].Name, "vapour temperature taken from the body beside it"}
				}
			}
			s.setVapour(b, t, p)
		}
		var area, chest float64
		for _, b := range s.members[e][:s.count[e]] {
			t := tc[b].c
			if tc[b].how == Absent {
				up, h := s.meanVapour(s.act[i-1], tv)
				if h == Absent {
					up = s.between(i-1, tv, tc)
				}
				t = up - s.d.PipeLossK
			}
			c.tc[b] = t
			area += s.d.Bodies[b].AreaM2
			chest += s.d.Bodies[b].AreaM2 * t
		}
		s.setChest(e, chest/area)

		// Parallel bodies: by condensate flows if all are there.
		c.fixed[e] = s.count[e] > 1
		for _, b := range s.members[e][:s.count[e]] {
			if !flowOK(m.Bodies[b].CondensateTH) {
				c.fixed[e] = false
			}
		}
		for _, b := range s.members[e][:s.count[e]] {
			c.weight[b] = s.d.Bodies[b].AreaM2
			if c.fixed[e] {
				c.weight[b] = m.Bodies[b].CondensateTH.Value
			}
		}
	}

	// Exhaust steam, superheated if its thermometer says so.
	tce := c.tce[first]
	p, _ := s.psat(tce)
	hs := c.hle[first] + c.lam[first]
	if tempOK(m.SteamC) && m.SteamC.Value > tce {
		if st, err := steam.Vapour(steam.KPa(p), steam.Celsius(m.SteamC.Value)); err == nil {
			hs = float64(st.EnthalpyKJKg)
		}
	}
	c.hs = hs
	flow := in.juice.Value
	if !in.juice.OK() {
		flow = in.steam.Value * 3 // first guess; findFlow improves it
	}
	s.setFeed(flow, in.feedBrix.Value, s.feedC(m))
	if c.noEnth {
		return Reason{Text: "a temperature is outside the range of the heat equations"}, false
	}
	return Reason{}, true
}

// between interpolates the vapour temperature of the i-th effect in service
// from the nearest known rungs of the ladder.
func (s *Set) between(i int, tv, tc *[MaxBodies]temperature) float64 {
	lowI, lowT := -1, 0.0
	first := s.act[0]
	for _, b := range s.members[first][:s.count[first]] {
		if tc[b].how != Absent {
			lowT = tc[b].c
		}
	}
	for j := range i {
		if t, h := s.meanVapour(s.act[j], tv); h != Absent {
			lowI, lowT = j, t
		}
	}
	for j := i + 1; j < s.n; j++ {
		if t, h := s.meanVapour(s.act[j], tv); h != Absent {
			return lowT + (t-lowT)*float64(i-lowI)/float64(j-lowI)
		}
	}
	return lowT
}

// profile computes every body directly from the Brix on both of its sides
// (row 4). Bleeds follow by balance.
func (s *Set) profile(m *Measurement, in inputs) {
	c := &s.c
	from := c.feed
	c.sumV = 0
	for e := range s.n {
		c.qe[s.act[e]], c.vap[s.act[e]] = 0, 0
	}
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		x, _ := s.bodyBrix(m, in, b)
		c.inflow[b], c.intemp[b] = from.flow, from.temp
		from = c.less(from, b)
		l := 100 * from.solids / x
		c.x[b] = x
		c.bpe[b] = s.elevation(b, x)
		c.tj[b] = c.tv[b] + c.bpe[b]
		if s.d.JuiceByThermometer && tempOK(m.Bodies[b].JuiceC) {
			c.tj[b] = m.Bodies[b].JuiceC.Value
		}
		c.hvap[b] = c.hv[b] + s.d.VapourCp*max(0, c.tj[b]-c.tv[b])
		h := s.juiceHeat(x, c.tj[b])
		c.v[b] = from.flow - l
		c.out[b] = stream{l, from.solids, l * h, c.tj[b]}
		c.q[b] = (c.v[b]*c.hvap[b] + c.out[b].heat - from.heat) / (1 - s.loss)
		e := s.d.Bodies[b].Effect - 1
		c.qe[e] += c.q[b]
		c.vap[e] += c.v[b]
		c.sumV += c.v[b]
		from = c.out[b]
	}
	var line float64
	for i := range s.n {
		e := s.act[i]
		h := c.hs
		c.flash[e] = 0
		if i > 0 {
			_, h = s.vapourOf(s.act[i-1])
			if line > 0 {
				c.flash[e] = max(0, line*(c.hle[s.act[i-1]]-c.hle[e])/c.lam[e])
				line -= c.flash[e]
			}
		}
		c.we[e] = c.flash[e] + (c.qe[e]-c.flash[e]*c.lam[e])/(h-c.hle[e])
		if i == 0 && s.d.ExhaustCondensate == Flashed || i > 0 && s.d.VapourCondensate == Flashed {
			line += c.we[e]
		}
		for _, b := range s.members[e][:s.count[e]] {
			c.w[b] = c.we[e] * c.q[b] / c.qe[e]
		}
		if i > 0 {
			up := s.act[i-1]
			c.bleed[up] = c.vap[up] + c.flash[e] - c.we[e]
		}
	}
	c.settled = true
}

// findFlow finds the juice flow that steam giving up q1 MJ/h concentrates from
// x0 to xn.
func (s *Set) findFlow(q1, x0, xn, feedC float64) (flow float64, ok bool) {
	miss := func(f float64) float64 {
		s.setFeed(f, x0, feedC)
		s.sweep(q1)
		return s.c.sumV - s.c.evaporated(f, x0, xn)
	}
	f0 := s.c.feed.flow
	e0 := miss(f0)
	f1 := f0 + e0/(1-x0/xn)
	for range 60 {
		e1 := miss(f1)
		if math.Abs(e1) < 1e-10*f1 {
			return f1, s.c.settled
		}
		next := f1 - e1*(f1-f0)/(e1-e0)
		if !(next > 0.2*f1) {
			next = 0.2 * f1
		} else if !(next < 5*f1) {
			next = 5 * f1
		}
		f0, e0, f1 = f1, e1, next
	}
	return f1, false
}

// findBleed finds the one missing bleed, after effect e, so that steam giving
// up q1 MJ/h makes the total evaporation target.
func (s *Set) findBleed(e int, q1, target float64) bool {
	miss := func(b float64) float64 {
		s.c.bleed[e] = b
		s.sweep(q1)
		return s.c.sumV - target
	}
	b0 := 0.0
	e0 := miss(b0)
	after := 0
	for i := range s.n {
		if s.act[i] > e {
			after++
		}
	}
	b1 := b0 + e0/float64(max(after, 1))
	for range 60 {
		e1 := miss(b1)
		if math.Abs(e1) < 1e-10*target {
			return s.c.settled
		}
		next := b1 - e1*(b1-b0)/(e1-e0)
		if math.IsNaN(next) || math.Abs(next) > 10*target {
			return false
		}
		b0, e0, b1 = b1, e1, next
	}
	return false
}

// storeFlows stores what the solved chain says.
func (s *Set) storeFlows(m *Measurement, r *Results, in inputs, row Row, how How, why Reason, tv, tc *[MaxBodies]temperature) {
	c := &s.c
	if !(how == Assumed) {
		why = Reason{}
	}
	if row == BySteam || row == ByBrixAndNoFlow {
		r.TotalEvaporationTH.set(c.sumV, how, why)
		out := c.feed.flow - c.stored.JuiceTH - c.sumV
		r.SyrupTH.set(out, how, why)
		if row == BySteam {
			r.SyrupBrix.set(100*(c.feed.solids-c.stored.SolidsTH)/out, how, Reason{Text: "syrup Brix from the steam flow"})
		}
	}
	first := s.act[0]
	if !s.d.Water {
		_, r.FeedExtrapolated, _ = c.heat.Enthalpy(liquor.Brix(in.feedBrix.Value), steam.Celsius(c.feed.temp))
	}
	r.SteamTH.set(c.we[first], how, why)
	if row == BySteam || row == ByBrixAndNoFlow {
		r.SteamTH.set(in.steam.Value, Measured, Reason{})
	}

	var sumDT float64
	sumHow := Measured
	var sumWhy Reason
	var surface float64
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		o, d := &r.Bodies[b], &s.d.Bodies[b]
		e := d.Effect - 1
		bh, bw := how, why
		if s.count[e] > 1 && !c.fixed[e] && row != ByBrixProfile {
			bh, bw = Assumed, Reason{d.Name, whyShared}
		}
		surface += d.AreaM2
		o.EvaporationTH.set(c.v[b], bh, bw)
		o.JuiceInTH.set(c.inflow[b], bh, bw)
		o.JuiceOutTH.set(c.out[b].flow, bh, bw)
		o.BrixOut.set(c.x[b], bh, bw)
		if brixOK(m.Bodies[b].Brix) {
			o.BrixDiff.set(m.Bodies[b].Brix.Value-c.x[b], bh, bw)
		} else {
			o.BrixDiff.absent(Reason{d.Name, "no measured Brix after this body"})
		}
		duty := c.q[b] / 3.6 // MJ/h -> kW
		o.DutyKW.set(duty, bh, bw)
		o.SpecificKgM2H.set(1000*c.v[b]/d.AreaM2, bh, bw)
		o.CondensedTH.set(c.w[b], bh, bw)
		part := 0.0
		if c.we[e] != 0 {
			part = c.w[b] / c.we[e]
		}
		o.FlashTH.set(c.flash[e]*part, bh, bw)
		latent := c.hvap[b] - s.juiceHeat(c.x[b], c.tj[b])
		o.JuiceFlashTH.set(c.v[b]-c.q[b]*(1-s.loss)/latent, bh, bw)

		// Temperatures that need the Brix; from here a guessed rung is no use.
		if tv[b].how == Absent {
			o.BPEK.absent(tv[b].why)
			o.JuiceC.absent(tv[b].why)
			o.HeadK.absent(tv[b].why)
			o.DTK.absent(tv[b].why)
			o.U.absent(tv[b].why)
			o.UApparent.absent(tv[b].why)
			sumHow, sumWhy = Absent, tv[b].why
			continue
		}
		th := weakest(bh, tv[b].how)
		o.BPEK.set(c.bpe[b], th, bw)
		o.Extrapolated = s.extrapolated(b)
		tj := c.tj[b]
		jh := th
		if s.d.JuiceByThermometer && tempOK(m.Bodies[b].JuiceC) {
			tj, jh = m.Bodies[b].JuiceC.Value, Measured
		}
		o.JuiceC.set(tj, jh, bw)
		s.head(m, b, o, th)
		if tc[b].how == Absent {
			o.DTK.absent(tc[b].why)
			o.U.absent(tc[b].why)
			o.UApparent.absent(tc[b].why)
			sumHow, sumWhy = Absent, tc[b].why
			continue
		}
		dt := tc[b].c - tj
		dh := weakest(jh, tc[b].how)
		o.DTK.set(dt, dh, bw)
		if b == s.members[e][0] {
			sumDT += dt
			sumHow = weakest(sumHow, dh)
		}
		if dt > 0.05 {
			o.U.set(duty/(d.AreaM2*dt), weakest(dh, bh), bw)
		} else {
			o.U.absent(Reason{d.Name, whyNoDT})
		}
		if app := tc[b].c - tv[b].c; app > 0.05 {
			o.UApparent.set(duty/(d.AreaM2*app), weakest(dh, bh), bw)
		} else {
			o.UApparent.absent(Reason{d.Name, whyNoDT})
		}
	}
	r.SumDTK.set(sumDT, sumHow, sumWhy)
	for b := range r.Bodies {
		o := &r.Bodies[b]
		switch {
		case !s.in[b]:
		case !o.DTK.OK():
			o.DTSharePct.absent(o.DTK.Reason)
		case !r.SumDTK.OK():
			o.DTSharePct.absent(sumWhy)
		default:
			o.DTSharePct.set(100*o.DTK.Value/r.SumDTK.Value, o.DTK.How, o.DTK.Reason)
		}
	}
	if row == ByBrixProfile {
		for i := range s.n - 1 {
			e := s.act[i]
			if !r.BleedTH[e].OK() {
				r.BleedTH[e].set(c.bleed[e], Balanced, Reason{s.effectName(e), "bleed by balance from the Brix profile"})
			}
		}
	}

	// The set.
	total := r.TotalEvaporationTH.Value
	r.SpecificKgM2H.set(1000*total/surface, r.TotalEvaporationTH.How, Reason{})
	steamTH := r.SteamTH.Value
	eh := weakest(r.TotalEvaporationTH.How, r.SteamTH.How)
	r.Economy.set(total/steamTH, eh, why)
	s.rillieux(r, total, steamTH, eh, why)
}

// rillieux stores the count and the corrected economy.
func (s *Set) rillieux(r *Results, total, steamTH float64, how How, why Reason) {
	n := float64(s.n)
	var sumK, sum, extra float64
	for i := range s.n - 1 {
		b := r.BleedTH[s.act[i]]
		how = weakest(how, b.How)
		k := float64(i + 1)
		sumK += k * b.Value
		sum += b.Value
		extra += (n - k) * b.Value
		if !b.OK() {
			why = b.Reason
		}
	}
	count := (total-sumK)/n + sum
	r.RillieuxSteamTH.set(count, how, why)
	r.RillieuxResidual.set(100*(count/steamTH-1), how, why)
	r.CorrectedEconomy.set((total+extra)/steamTH, how, why)
}

// head stores the hydrostatic rise at the mean heating surface.
func (s *Set) head(m *Measurement, b int, o *BodyResult, how How) {
	d := &s.d.Bodies[b]
	if d.TubeLengthM == 0 {
		o.HeadK.absent(Reason{d.Name, "tube length not given"})
		return
	}
	lv := m.Bodies[b].LevelPct
	if !lv.in(0, 150) {
		o.HeadK.absent(Reason{d.Name, "no usable level"})
		return
	}
	// The density's source ends at 100 degC; up to 125 degC that is 2 % of the head.
	rho, _, err := liquor.Accept(liquor.SPS4.Density(liquor.Brix(s.c.x[b]), steam.Celsius(min(s.c.tj[b], 100))))
	if err != nil {
		o.HeadK.absent(Reason{d.Name, "outside the range of the density equation"})
		return
	}
	depth := s.d.HeadDepth * lv.Value / 100 * d.TubeLengthM
	rise, err := liquor.HeadRise(steam.KPa(s.c.pv[b]), rho*(1-s.d.HeadVoid), depth)
	if err != nil {
		o.HeadK.absent(Reason{d.Name, "outside the range of the hydrostatic head"})
		return
	}
	o.HeadK.set(rise, how, Reason{})
}

// absentFlows marks everything that needs the balances absent.
func (s *Set) absentFlows(r *Results, why Reason) {
	for b := range r.Bodies {
		if !s.in[b] {
			continue
		}
		o := &r.Bodies[b]
		for _, p := range [...]*Result{&o.JuiceC, &o.BPEK, &o.HeadK, &o.DTK, &o.DTSharePct, &o.EvaporationTH, &o.JuiceInTH,
			&o.JuiceOutTH, &o.BrixOut, &o.BrixDiff, &o.DutyKW, &o.U, &o.UApparent, &o.SpecificKgM2H, &o.CondensedTH, &o.FlashTH, &o.JuiceFlashTH} {
			p.absent(why)
		}
	}
	for _, p := range [...]*Result{&r.SteamTH, &r.Economy, &r.CorrectedEconomy, &r.SpecificKgM2H, &r.RillieuxSteamTH,
		&r.RillieuxResidual, &r.SumDTK} {
		p.absent(why)
	}
	if !r.TotalEvaporationTH.OK() {
		r.TotalEvaporationTH.absent(why)
		r.SyrupTH.absent(why)
	}
}

// byTemperatures computes what is left without balances (row 5): evaporation
// and economy from the steam meter by the Rillieux count, shares of the
// apparent temperature difference, and the last body's elevation.
func (s *Set) byTemperatures(m *Measurement, r *Results, in inputs, missingBleeds int) {
	sum, how := 0.0, Measured
	for i := range s.n {
		b := s.members[s.act[i]][0]
		d := r.Bodies[b].DTApparentK
		sum += d.Value
		how = weakest(how, d.How)
	}
	for b := range r.Bodies {
		o := &r.Bodies[b]
		if s.in[b] && how != Absent && sum > 0 {
			o.DTSharePct.set(100*o.DTApparentK.Value/sum, weakest(how, Assumed), Reason{o.Name, "share of the apparent difference: no Brix profile for the elevation"})
		}
	}
	if b := s.last; in.syrupBrix.OK() && s.lastAlone() && r.Bodies[b].VapourC.OK() {
		o := &r.Bodies[b]
		s.c.noBPE = false
		s.c.rise[b], _ = s.d.Elevation.At(s.c.purity, steam.KPa(o.VapourKPa.Value), s.d.PurityFactor)
		bpe := s.elevation(b, in.syrupBrix.Value)
		if !s.c.noBPE {
			h := weakest(in.syrupBrix.How, o.VapourC.How)
			o.BPEK.set(bpe, h, Reason{})
			o.BrixOut = in.syrupBrix
			o.JuiceC.set(o.VapourC.Value+bpe, h, Reason{})
			if o.ChestC.OK() {
				o.DTK.set(o.ChestC.Value-o.JuiceC.Value, weakest(h, o.ChestC.How), Reason{})
			}
		}
	}
	if missingBleeds > 0 {
		return
	}
	why := Reason{Text: "by the Rillieux count, without heat balances"}
	n := float64(s.n)
	var saved, sumB, sumK float64
	for i := range s.n - 1 {
		b := r.BleedTH[s.act[i]].Value
		sumB += b
		sumK += float64(i+1) * b
		saved += (n - float64(i+1)) * b
	}
	switch {
	case r.TotalEvaporationTH.OK():
		count := (r.TotalEvaporationTH.Value-sumK)/n + sumB
		r.RillieuxSteamTH.set(count, Assumed, why)
		if count > 0 {
			r.Economy.set(r.TotalEvaporationTH.Value/count, Assumed, why)
		}
	case in.steam.OK:
		if e := n*in.steam.Value - saved; e > 0 {
			r.TotalEvaporationTH.set(e, Assumed, why)
			r.Economy.set(e/in.steam.Value, Assumed, why)
			r.RillieuxSteamTH.set(in.steam.Value, Measured, Reason{})
		}
	}
}

// checks stores the redundancies.
func (s *Set) checks(m *Measurement, r *Results) {
	steamOK := flowOK(m.SteamTH)
	own := r.Row == ByJuiceAndBrix || r.Row == ByBoth || r.Row == ByBrixProfile
	byBalance := r.SteamTH.OK() && own
	noMeter := Reason{Text: "no usable steam flow"}
	switch {
	case !steamOK:
		r.EconomyMeasured.absent(noMeter)
		r.SteamDifference.absent(noMeter)
		r.HeatClosurePct.absent(noMeter)
	default:
		if r.TotalEvaporationTH.OK() {
			r.EconomyMeasured.set(r.TotalEvaporationTH.Value/m.SteamTH.Value, r.TotalEvaporationTH.How, r.TotalEvaporationTH.Reason)
		} else {
			r.EconomyMeasured.absent(r.TotalEvaporationTH.Reason)
		}
		usedUp := s.usesSteam(r)
		if byBalance && !usedUp {
			r.SteamDifference.set(100*(m.SteamTH.Value/r.SteamTH.Value-1), r.SteamTH.How, r.SteamTH.Reason)
			first := s.act[0]
			brought := m.SteamTH.Value * (s.c.hs - s.c.hle[first])
			r.HeatClosurePct.set(100*(brought/s.c.qe[first]-1), r.SteamTH.How, r.SteamTH.Reason)
		} else {
			why := r.SteamTH.Reason
			if r.SteamTH.OK() {
				why = Reason{Text: "the steam flow is already used by the calculation"}
			}
			r.SteamDifference.absent(why)
			r.HeatClosurePct.absent(why)
		}
	}
	switch {
	case !flowOK(m.SyrupTH):
		r.SolidsClosurePct.absent(Reason{Text: "no usable syrup flow"})
	case !flowOK(m.JuiceTH) || !brixOK(m.FeedBrix) || r.SyrupBrix.How != Measured:
		r.SolidsClosurePct.absent(Reason{Text: "needs juice flow, feed Brix, syrup flow and syrup Brix, all measured"})
	default:
		out := m.SyrupTH.Value*r.SyrupBrix.Value + 100*s.c.stored.SolidsTH
		r.SolidsClosurePct.set(100*(out/(m.JuiceTH.Value*m.FeedBrix.Value)-1), Measured, Reason{})
	}
}

// usesSteam reports whether a missing bleed was balanced from the steam flow.
func (s *Set) usesSteam(r *Results) bool {
	if r.Row != ByBoth {
		return false
	}
	for e := range r.BleedTH {
		if r.BleedTH[e].How == Balanced {
			return true
		}
	}
	return false
}
