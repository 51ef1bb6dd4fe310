package evaporator

import (
	"math"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// storeFlows stores what the solved chain says.
func (s *Set) storeFlows(e *evaluation, row Row) {
	c, r := &s.c, e.r
	how, why := e.how, e.why
	if row != Predicted {
		how = weakest(weakest(how, e.juice.How), e.feedBrix.How)
		if row != BySteam {
			how = weakest(how, e.syrupBrix.How)
		}
	}
	if how != Assumed {
		why = Reason{}
	}
	steamTH := c.we[s.act[0]]
	r.SteamTH.set(steamTH, how, why)
	if row == BySteam || row == ByBrixAndNoFlow {
		out := c.juice - c.stored.JuiceTH - c.sumV
		r.TotalEvaporationTH.set(c.sumV, how, why)
		r.SyrupTH.set(out, how, why)
		if row == BySteam {
			r.SyrupBrix.set(100*(c.solids-c.stored.SolidsTH)/out, how, because(SyrupBySteam))
		}
		r.SteamTH = Result{Value: e.m.SteamTH.Value, How: Measured}
	}
	if !s.d.Water {
		_, r.FeedExtrapolated, _ = c.heat.Enthalpy(liquor.Brix(c.feedBrix), steam.Celsius(c.feedC))
	}
	if row == ByBrixProfile {
		for i := range s.n - 1 {
			if k := s.act[i]; !r.BleedTH[k].OK() {
				r.BleedTH[k].set(c.bleed[k], Balanced, Reason{Of: s.effectName(k), Why: BleedByProfile})
			}
		}
	}
	r.SumDTK = Result{How: Measured}
	var surface float64
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		bh, bw := how, why
		if k := s.d.Bodies[b].Effect - 1; s.count[k] > 1 && !c.fixed[k] && row != ByBrixProfile {
			bh, bw = Assumed, Reason{Of: s.d.Bodies[b].Name, Why: Shared}
		}
		surface += s.d.Bodies[b].AreaM2
		s.storeBody(e, b, bh, bw)
		s.storeDifference(e, b, bh, bw)
	}
	for b := range r.Bodies {
		o := &r.Bodies[b]
		switch {
		case !s.in[b]:
		case !o.DTK.OK():
			o.DTSharePct.absent(o.DTK.Reason)
		case !r.SumDTK.OK():
			o.DTSharePct.absent(r.SumDTK.Reason)
		default:
			o.DTSharePct.set(100*o.DTK.Value/r.SumDTK.Value, o.DTK.How, o.DTK.Reason)
		}
	}
	total := r.TotalEvaporationTH
	r.SpecificKgM2H.set(1000*total.Value/surface, total.How, Reason{})
	h := weakest(total.How, r.SteamTH.How)
	r.Economy.set(total.Value/r.SteamTH.Value, h, why)
	s.rillieux(r, total.Value, r.SteamTH.Value, h, why)
}

// storeBody stores flows and duty of body b.
func (s *Set) storeBody(e *evaluation, b int, how How, why Reason) {
	c, o, d := &s.c, &e.r.Bodies[b], &s.d.Bodies[b]
	k := d.Effect - 1
	o.EvaporationTH.set(c.v[b], how, why)
	o.JuiceInTH.set(c.inflow[b], how, why)
	o.JuiceOutTH.set(c.outflow[b], how, why)
	o.BrixOut.set(c.x[b], how, why)
	if x := e.m.Bodies[b].Brix; brixOK(x) {
		o.BrixDiff.set(x.Value-c.x[b], how, why)
	} else {
		o.BrixDiff.absent(Reason{Of: d.Name, Why: NoBrixReading})
	}
	o.DutyKW.set(c.q[b]/3.6, how, why) // MJ/h -> kW
	o.SpecificKgM2H.set(1000*c.v[b]/d.AreaM2, how, why)
	o.CondensedTH.set(c.w[b], how, why)
	part := 0.0
	if c.we[k] != 0 {
		part = c.w[b] / c.we[k]
	}
	o.FlashTH.set(c.flash[k]*part, how, why)
	o.JuiceFlashTH.set(c.v[b]-c.q[b]*(1-s.loss)/(c.hvap[b]-c.h[b]), how, why)
}

// storeDifference stores the temperatures of body b that need the Brix, and its
// coefficients. A guessed rung is no use here.
func (s *Set) storeDifference(e *evaluation, b int, how How, why Reason) {
	c, o, d, tv, tc := &s.c, &e.r.Bodies[b], &s.d.Bodies[b], &e.tv[b], &e.tc[b]
	lost := func(why Reason, list ...*Result) {
		for _, p := range list {
			p.absent(why)
		}
		e.r.SumDTK.absent(why)
	}
	if tv.how == Absent {
		lost(tv.why, &o.BPEK, &o.JuiceC, &o.HeadK, &o.DTK, &o.U, &o.UApparent)
		return
	}
	th := weakest(how, tv.how)
	o.BPEK.set(c.bpe[b], th, why)
	o.Extrapolated = s.extrapolated(b)
	tj, jh := c.tj[b], th
	if j := e.m.Bodies[b].JuiceC; s.d.JuiceByThermometer && tempOK(j) {
		tj, jh = j.Value, Measured
	}
	o.JuiceC.set(tj, jh, why)
	s.head(e.m, b, o, th)
	if tc.how == Absent {
		lost(tc.why, &o.DTK, &o.U, &o.UApparent)
		return
	}
	dh := weakest(jh, tc.how)
	o.DTK.set(tc.c-tj, dh, why)
	if sum := &e.r.SumDTK; b == s.members[d.Effect-1][0] && sum.OK() {
		sum.Value, sum.How = sum.Value+tc.c-tj, weakest(sum.How, dh)
	}
	coefficient := func(to *Result, dt float64) {
		if dt > 0.05 {
			to.set(o.DutyKW.Value/(d.AreaM2*dt), weakest(dh, how), why)
		} else {
			to.absent(Reason{Of: d.Name, Why: NoDifference})
		}
	}
	coefficient(&o.U, tc.c-tj)
	coefficient(&o.UApparent, tc.c-tv.c)
}

// saved sums the bleeds: all, each times the effects before it and its own, and each
// times those after.
func (s *Set) saved(r *Results) (sum, before, after float64) {
	for i := range s.n - 1 {
		b, k := r.BleedTH[s.act[i]].Value, float64(i+1)
		sum += b
		before += k * b
		after += (float64(s.n) - k) * b
	}
	return sum, before, after
}

// rillieux stores the count and the corrected economy.
func (s *Set) rillieux(r *Results, total, steamTH float64, how How, why Reason) {
	sum, before, after := s.saved(r)
	for i := range s.n - 1 {
		b := &r.BleedTH[s.act[i]]
		if how = weakest(how, b.How); !b.OK() {
			why = b.Reason
		}
	}
	count := (total-before)/float64(s.n) + sum
	r.RillieuxSteamTH.set(count, how, why)
	r.RillieuxResidual.set(100*(count/steamTH-1), how, why)
	r.CorrectedEconomy.set((total+after)/steamTH, how, why)
}

// head stores the hydrostatic rise at the mean heating surface.
func (s *Set) head(m *Measurement, b int, o *BodyResult, how How) {
	d, lv := &s.d.Bodies[b], m.Bodies[b].LevelPct
	switch {
	case d.TubeLengthM == 0:
		o.HeadK.absent(Reason{Of: d.Name, Why: NoTubeLength})
		return
	case !lv.in(0, 150):
		o.HeadK.absent(Reason{Of: d.Name, Why: NoLevel})
		return
	}
	// The density's source ends at 100 degC; up to 125 degC that is 2 % of the head.
	rho, _, err := liquor.Accept(liquor.SPS4.Density(liquor.Brix(s.c.x[b]), steam.Celsius(min(s.c.tj[b], 100))))
	if err != nil {
		o.HeadK.absent(Reason{Of: d.Name, Why: NoDensity})
		return
	}
	rise, err := liquor.HeadRise(steam.KPa(s.c.pv[b]), rho*(1-s.d.HeadVoid), s.d.HeadDepth*lv.Value/100*d.TubeLengthM)
	if err != nil {
		o.HeadK.absent(Reason{Of: d.Name, Why: NoHead})
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

// byTemperatures computes what is left without balances: evaporation and economy from
// the steam meter by the Rillieux count, shares of the apparent temperature
// difference, and the last body's elevation.
func (s *Set) byTemperatures(e *evaluation) {
	r := e.r
	dt, how := 0.0, Measured
	for i := range s.n {
		d := r.Bodies[s.members[s.act[i]][0]].DTApparentK
		dt += d.Value
		how = weakest(how, d.How)
	}
	for b := range r.Bodies {
		if o := &r.Bodies[b]; s.in[b] && how != Absent && dt > 0 {
			o.DTSharePct.set(100*o.DTApparentK.Value/dt, weakest(how, Assumed), Reason{Of: o.Name, Why: ByApparent})
		}
	}
	s.lastElevation(e)
	if e.missingCount > 0 {
		return
	}
	why, n := because(ByCount), float64(s.n)
	sum, before, after := s.saved(r)
	if total := r.TotalEvaporationTH; total.OK() {
		count := (total.Value-before)/n + sum
		r.RillieuxSteamTH.set(count, Assumed, why)
		if count > 0 {
			r.Economy.set(total.Value/count, Assumed, why)
		}
	} else if meter := e.m.SteamTH; flowOK(meter) && n*meter.Value > after {
		r.TotalEvaporationTH.set(n*meter.Value-after, Assumed, why)
		r.Economy.set(n-after/meter.Value, Assumed, why)
		r.RillieuxSteamTH = Result{Value: meter.Value, How: Measured}
	}
}

// lastElevation stores the elevation of the last body by the syrup Brix.
func (s *Set) lastElevation(e *evaluation) {
	b := s.last
	o := &e.r.Bodies[b]
	if !e.syrupBrix.OK() || !s.lastAlone() || !o.VapourC.OK() {
		return
	}
	s.c.noBPE = false
	s.c.rise[b], _ = s.d.Elevation.At(s.c.purity, steam.KPa(o.VapourKPa.Value), s.d.PurityFactor)
	bpe := s.elevation(b, e.syrupBrix.Value)
	if s.c.noBPE {
		return
	}
	h := weakest(e.syrupBrix.How, o.VapourC.How)
	o.BPEK.set(bpe, h, Reason{})
	o.BrixOut = e.syrupBrix
	o.JuiceC.set(o.VapourC.Value+bpe, h, Reason{})
	if o.ChestC.OK() {
		o.DTK.set(o.ChestC.Value-o.JuiceC.Value, weakest(h, o.ChestC.How), Reason{})
	}
}

// checks stores the redundancies.
func (s *Set) checks(e *evaluation) {
	m, r := e.m, e.r
	meter := m.SteamTH.Value
	own := r.Row == ByJuiceAndBrix || r.Row == ByBoth || r.Row == ByBrixProfile
	switch {
	case !flowOK(m.SteamTH):
		for _, p := range [...]*Result{&r.EconomyMeasured, &r.SteamDifference, &r.HeatClosurePct} {
			p.absent(because(NoMeter))
		}
	case r.SteamTH.OK() && own && !s.usesSteam(r):
		r.SteamDifference.set(100*(meter/r.SteamTH.Value-1), r.SteamTH.How, r.SteamTH.Reason)
		brought := meter * (s.c.hs - s.c.hle[s.act[0]])
		r.HeatClosurePct.set(100*(brought/s.c.qe[s.act[0]]-1), r.SteamTH.How, r.SteamTH.Reason)
	default:
		why := r.SteamTH.Reason
		if r.SteamTH.OK() {
			why = because(MeterUsed)
		}
		r.SteamDifference.absent(why)
		r.HeatClosurePct.absent(why)
	}
	if total := r.TotalEvaporationTH; flowOK(m.SteamTH) {
		r.EconomyMeasured.set(total.Value/meter, total.How, total.Reason)
	}
	switch {
	case !flowOK(m.SyrupTH):
		r.SolidsClosurePct.absent(because(NeedsSyrupFlow))
	case !flowOK(m.JuiceTH) || !brixOK(m.FeedBrix) || r.SyrupBrix.How != Measured:
		r.SolidsClosurePct.absent(because(NeedsAllStreams))
	default:
		out := m.SyrupTH.Value*r.SyrupBrix.Value + 100*s.c.stored.SolidsTH
		r.SolidsClosurePct.set(100*(out/(m.JuiceTH.Value*m.FeedBrix.Value)-1), Measured, Reason{})
	}
}

// usesSteam reports whether a missing bleed was balanced from the steam flow.
func (s *Set) usesSteam(r *Results) bool {
	for e := range r.BleedTH {
		if r.Row == ByBoth && r.BleedTH[e].How == Balanced {
			return true
		}
	}
	return false
}

// finite reports whether v is a number.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
