package thermo

import (
	"math"
	"time"

	"calandria/thermo/evaporator"
)

// While a set moves its bodies store juice, solids and heat or give them up, and the
// balances count it. What a body holds follows from its surface and, where there is
// one, its level. Its Brix is measured (a tag of its own, or the syrup Brix for the
// last one) or goes by the washing-out of a well-mixed vessel,
//
//	M dx/dt = L_in x_in - (L_in - V) x
//
// with the evaporation V of the moment before (text-book balance, from
// memory). The slope of a measured value is its distance to its own lag, and so is
// that of some minutes ago: juice flow and feed Brix enter the balances behind the
// same lag, or a step of them would come before its answer and be taken for
// evaporation.
//
// Measured on plants in models that share nothing with the balances: the error of U
// in usual disturbances falls to about half, and one after a stop from as much as U
// itself to a few per cent.
const (
	slopeMinutes = 2.0
	levelMinutes = 3.0
	// metalMJK is the heat that tubes, plates and shell take up, MJ/(K m2) of heating
	// surface: some 20 kg/m2 of metal, a figure of ours.
	metalMJK = 0.010
)

// Gap ends what is known of a set: one that was not followed for longer begins anew.
const Gap = 15 * time.Minute

// slope is the change of a value an hour, behind a lag of the given minutes.
func (l *lag) slope(v float64, ok bool, hours, minutes float64) float64 {
	if !ok {
		l.ok = false
		return 0
	}
	if !l.ok {
		l.value, l.ok = v, true
		return 0
	}
	l.value -= (v - l.value) * math.Expm1(-hours*60/minutes)
	return (v - l.value) * 60 / minutes
}

// behind is a reading behind the lag of the slopes.
func (l *lag) behind(r evaporator.Reading, hours float64) evaporator.Reading {
	if !r.OK {
		l.ok = false
		return r
	}
	if !l.ok {
		l.value, l.ok = r.Value, true
	}
	l.value -= (r.Value - l.value) * math.Expm1(-hours*60/slopeMinutes)
	r.Value = l.value
	return r
}

// contents is what one body holds.
type contents struct {
	brix        float64
	ok          bool
	level, x, c lag // of level, measured Brix and boiling temperature
}

// holds is the juice of a body in t, by its level if that is measured. 35 % of the
// tubes is what hold takes it for.
func (b *bodyView) holds() float64 {
	if l := b.m.LevelPct; l.OK {
		return tubesTonnes(b) * (0.28 + min(1, max(0, l.Value/100)))
	}
	return hold(b)
}

// lastGroup is the first of the bodies that the syrup leaves, or -1.
func (s *setView) lastGroup() int {
	first, effect := -1, 0
	for i, b := range s.bodies {
		if b.m.OutOfService {
			continue
		}
		if first < 0 || b.equip.Body.Juice != "beside" || b.b.Effect != effect {
			first, effect = i, b.b.Effect
		}
	}
	return first
}

// flows are the readings that closures compare.
type flows struct{ juiceTH, feedBrix, syrupTH, syrupBrix, steamTH float64 }

// discrepancies puts the readings as they are into what says how far they
// contradict one another: corrected ones would agree.
func (s *setView) discrepancies() {
	u, x := &s.used, s.plainFlows
	if c := &s.r.SolidsClosurePct; c.OK() {
		in := u.JuiceTH.Value * u.FeedBrix.Value
		stored := in*(1+c.Value/100) - u.SyrupTH.Value*u.SyrupBrix.Value
		c.Value = 100 * ((x.syrupTH*x.syrupBrix+stored)/(x.juiceTH*x.feedBrix) - 1)
	}
	for _, c := range []*evaporator.Result{&s.r.SteamDifference, &s.r.HeatClosurePct} {
		if c.OK() && u.SteamTH.Value > 0 {
			c.Value = 100 * ((1+c.Value/100)*x.steamTH/u.SteamTH.Value - 1)
		}
	}
}

// store works out what the bodies store, and the measurement that the balances use.
// It goes by the results of the moment before.
func (s *setView) store(at time.Time) {
	hours := at.Sub(s.followed).Hours()
	s.anew = s.followed.IsZero() || hours < 0 || at.Sub(s.followed) > Gap
	s.followed = at
	if s.anew {
		hours = 0
		s.flowBehind, s.feedBehind = lag{}, lag{}
		for _, b := range s.bodies {
			b.holding = contents{}
			b.duty, b.difference, b.apparent, b.held = lag{}, lag{}, lag{}, held{}
		}
	}
	s.hours = hours
	s.used = s.m
	s.used.JuiceTH = s.flowBehind.behind(s.m.JuiceTH, hours)
	s.used.FeedBrix = s.feedBehind.behind(s.m.FeedBrix, hours)
	s.plainFlows = flows{s.used.JuiceTH.Value, s.used.FeedBrix.Value, s.used.SyrupTH.Value, s.used.SyrupBrix.Value, s.used.SteamTH.Value}
	s.check.correct()
	s.stored = 0
	if !s.m.JuiceTH.OK || !s.m.FeedBrix.OK || s.r.Row == evaporator.ByTemperatures || s.r.Row == evaporator.NoRow {
		// Nothing tells what comes in.
		for _, b := range s.bodies {
			b.holding = contents{}
		}
		return
	}
	last := s.lastGroup()
	xin := s.used.FeedBrix.Value
	into := xin
	var net float64
	for i, b := range s.bodies {
		h := &b.holding
		if b.m.OutOfService || !b.b.BrixOut.OK() || !b.b.EvaporationTH.OK() || !b.b.JuiceInTH.OK() || !b.b.JuiceC.OK() {
			*h = contents{}
			continue
		}
		if b.equip.Body.Juice == "beside" {
			xin = into // it takes the juice that the one before took
		}
		into = xin
		if !h.ok {
			h.brix, h.ok = b.b.BrixOut.Value, true
		}
		in := b.b.JuiceInTH.Value
		holds, level := b.holds(), b.m.LevelPct
		juice := tubesTonnes(b) / 100 * h.level.slope(level.Value, level.OK, hours, levelMinutes)
		juice = min(in, max(-in, juice))
		var dx float64
		measured := b.m.Brix
		if i >= last && s.m.SyrupBrix.OK {
			measured = s.m.SyrupBrix
		}
		if measured.OK {
			h.brix = measured.Value
			dx = h.x.slope(measured.Value, true, hours, slopeMinutes)
		} else if h.x.ok = false; hours > 0 {
			was := h.brix
			out := max(0.02*in, in-b.b.EvaporationTH.Value)
			h.brix = min(90, (was+hours/holds*in*xin)/(1+hours/holds*out))
			dx = (h.brix - was) / hours
		}
		// Heat of juice cp T, cp = 4.187 (1 - 0.0056 Brix) kJ/(kg K) (Hugot, from memory).
		c := b.b.JuiceC.Value
		cp := 4.187 * (1 - 0.0056*h.brix)
		dc := h.c.slope(c, true, hours, slopeMinutes)
		st := evaporator.Stored{
			JuiceTH:  juice,
			SolidsTH: (holds*dx + juice*h.brix) / 100,
			HeatMJH:  (juice*cp-holds*dx*4.187*0.0056)*c + dc*(holds*cp+metalMJK*b.areaM2),
		}
		s.used.Bodies[i].Stored = st
		xin = h.brix
		net += st.JuiceTH
		if x := s.m.SyrupBrix; x.OK && x.Value > 1 {
			net -= 100 * st.SolidsTH / x.Value
		}
	}
	if e := s.r.TotalEvaporationTH; e.OK() && e.Value > 0 {
		s.stored = math.Abs(net) / e.Value
	}
}

// asRead takes the lag off the readings that entered behind one.
func (s *setView) asRead() {
	if s.r.JuiceTH.How == evaporator.Measured {
		s.r.JuiceTH.Value += s.m.JuiceTH.Value - s.flowBehind.value
	}
	if s.r.FeedBrix.How == evaporator.Measured {
		s.r.FeedBrix.Value += s.m.FeedBrix.Value - s.feedBehind.value
	}
}
