package thermo

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
)

// What the bodies store while a set moves is counted (see storage.go), but only as
// well as their contents are known: after a change a U is wrong for as long as the
// juice takes to pass. So the set is compared with what its bodies still hold:
// the juice flow and feed Brix pass through a chain of well-mixed bodies, each with
// the residence time of its hold-up, and the further back a body stands the longer
// it holds juice of before. The syrup Brix, which closes the balance of the whole
// set, is compared with itself over the whole chain, for every body, and so is what
// the bodies store in all (a laboratory value or a level that jumps is no more than
// Uncertain by that); the pressures of a body, whose heat is stored in its juice
// and metal, over its own residence time.
//
// Shares of the larger of both values; a departure by more makes U Uncertain, by
// movedAbsent times as much absent, until it has come back to settledShare of the
// limit and to the limit. Figures of ours, above the wandering of a well-run set: on
// the invented mill U is uncertain in 2.5 % of two usual days and never absent.
//
// A set that was not followed before (a start, a gap) counts as moved, as far as makes
// it Uncertain for the residence time of the whole chain: see [Calculator.Follow].
//
// What is marked, and how: see [marks].
const (
	movedFlow     = 0.08
	movedFeed     = 0.05 // of the feed Brix
	movedSyrup    = 0.05 // of the syrup Brix
	movedStored   = 0.10 // of the evaporation
	movedPressure = 0.08
	movedAbsent   = 2
	settledShare  = 0.6
	movedUnknown  = settledShare * math.E
)

// notFollowed is the reason of a start.

// Residence time of a body whose juice flow is not known, and its bounds, in
// minutes: figures of ours.
const residenceUsual, residenceLeast, residenceMost = 5.0, 1.0, 60.0

// settled says whether a U can be believed.
type settled uint8

const (
	isSettled settled = iota
	settling          // Uncertain
	upset             // absent
)

// lag follows a value behind a well-mixed volume.
type lag struct {
	value float64
	ok    bool
}

// step takes share of the way to v, and gives how far behind it is still.
func (l *lag) step(r evaporator.Result, share float64) float64 {
	if !r.OK() {
		return 0
	}
	if !l.ok {
		l.value, l.ok = r.Value, true
	}
	l.value += (r.Value - l.value) * share
	return apart(r.Value, l.value)
}

// apart is the difference of two values as a share of the larger.
func apart(a, b float64) float64 {
	if most := max(math.Abs(a), math.Abs(b)); most > 1e-9 {
		return math.Abs(a-b) / most
	}
	return 0
}

// steadiness is what one body holds, and what that says of its U.
type steadiness struct {
	flow, feed    lag
	chest, vapour lag
	away          bool // out of service
	minutes       float64
	moved         move // by its own flow, feed Brix and pressures
	state         settled

	// The words, and what they were made of.
	signal     words.Text
	left       int
	text       words.Text
	base, note words.Text // a note of the set, and that with the text before it
}

// move is how far a value has moved, in limits. It fades no faster than juice is
// washed out, so that a value on its way through that of before is not settled.
type move struct {
	limits  float64
	signal  words.Text
	minutes float64 // that it takes to fade by e
}

func (f *move) fade(share float64) { f.limits -= f.limits * share }

func (f *move) worse(limits float64, signal words.Text, minutes float64) {
	if limits > f.limits {
		*f = move{limits, signal, minutes}
	}
}

// hold is the juice of a body in t: tubes 35 % full and as much again beside them,
// a figure of ours.
func hold(b *bodyView) float64 { return 0.35 * 1.8 * tubesTonnes(b) }

// settle works out how far the set is from standing still. It is arithmetic in
// event time and allocates nothing but words that change.
func (s *setView) settle(at time.Time) {
	dt := at.Sub(s.settledAt).Minutes()
	s.settledAt = at
	if s.anew {
		dt = 0
		s.syrupLag, s.syrupMoved, s.flows, s.heats = lag{}, move{}, steadiness{}, steadiness{}
		for _, b := range s.bodies {
			b.steadiness = steadiness{}
		}
	}
	total := 0.0
	for _, b := range s.bodies {
		b.steadiness.minutes = residenceUsual
		if out := b.b.JuiceOutTH; out.OK() {
			// The balance goes by the juice flow of some minutes ago.
			now := out.Value + s.m.JuiceTH.Value - s.used.JuiceTH.Value
			b.steadiness.minutes = residenceMost
			if now > 0 {
				b.steadiness.minutes = min(residenceMost, max(residenceLeast, 60*hold(b)/now))
			}
		}
		if !b.m.OutOfService && b.equip.Body.Juice != "beside" {
			total += b.steadiness.minutes
		}
	}
	part := func(minutes float64) float64 { return -math.Expm1(-dt / minutes) }
	total = max(total, residenceLeast)
	s.syrupMoved.fade(part(total))
	s.syrupMoved.worse(s.syrupLag.step(reading(s.m.SyrupBrix), part(total))/movedSyrup, "syrup Brix", total)
	s.syrupMoved.worse(min(movedAbsent, s.stored/movedStored), whatBodiesStore, total)
	if s.anew {
		s.syrupMoved = move{movedUnknown, notFollowed, total}
	}

	flows := s.syrupMoved
	flowNow, feedNow := s.r.JuiceTH, reading(s.m.FeedBrix)
	flow, feed := flowNow, feedNow
	path := 0.0
	intoFlow, intoFeed, intoPath := flow, feed, path
	for _, b := range s.bodies {
		r := &b.steadiness
		if b.m.OutOfService {
			r.away, r.state = true, isSettled
			continue
		}
		if r.away { // it fills: nothing has come through yet
			r.away = false
			r.flow = lag{ok: true}
			r.chest, r.vapour = lag{}, lag{}
		}
		if b.equip.Body.Juice == "beside" { // it takes the juice that the one before took
			flow, feed, path = intoFlow, intoFeed, intoPath
		}
		intoFlow, intoFeed, intoPath = flow, feed, path
		path += r.minutes
		share := part(r.minutes)
		r.flow.step(flow, share)
		r.feed.step(feed, share)
		if flow.OK() {
			flow.Value = r.flow.value
		}
		if feed.OK() {
			feed.Value = r.feed.value
		}
		r.moved.fade(share)
		if flowNow.OK() {
			x := apart(flowNow.Value, flow.Value) / movedFlow
			r.moved.worse(x, "juice flow", path)
			flows.worse(x, "juice flow", path)
		}
		if feedNow.OK() {
			x := apart(feedNow.Value, feed.Value) / movedFeed
			r.moved.worse(x, "feed Brix", path)
			flows.worse(x, "feed Brix", path)
		}
		chest := words.Text("vapour pressure before it")
		if b.b.Effect == 1 {
			chest = "steam pressure"
		}
		r.moved.worse(r.chest.step(b.b.ChestKPa, share)/movedPressure, chest, r.minutes)
		r.moved.worse(r.vapour.step(b.b.VapourKPa, share)/movedPressure, "vapour pressure", r.minutes)
		worst := r.moved
		worst.worse(s.syrupMoved.limits, s.syrupMoved.signal, s.syrupMoved.minutes)
		r.judge(worst)
	}
	heats := flows
	for _, b := range s.bodies {
		if !b.m.OutOfService {
			heats.worse(b.steadiness.moved.limits, b.steadiness.moved.signal, b.steadiness.moved.minutes)
		}
	}
	s.flows.judge(flows)
	s.heats.judge(heats)
}

// judge moves between the states, each of which ends later than it begins.
func (r *steadiness) judge(f move) {
	switch {
	case f.limits > movedAbsent || r.state == upset && f.limits > 1:
		r.state = upset
	case f.limits > 1 || r.state != isSettled && f.limits > settledShare:
		r.state = settling
	default:
		r.state = isSettled
		return
	}
	left := max(5, 5*int(math.Ceil(f.minutes*math.Log(f.limits/settledShare)/5)))
	if f.signal != r.signal || left != r.left {
		r.signal, r.left = f.signal, left
		r.text = words.Say(setMoved, f.signal, left)
		if f.signal == notFollowed {
			r.text = words.Say(holdUnknown, left)
		}
		r.note = ""
	}
}

// with is the note of the set with this body's word before it.
func (r *steadiness) with(base words.Text) words.Text {
	if r.note == "" || base != r.base {
		r.base, r.note = base, join(r.text, base)
	}
	return r.note
}

// reading is a reading as a result.
func reading(r evaporator.Reading) evaporator.Result {
	if !r.OK {
		return evaporator.Result{}
	}
	return evaporator.Result{Value: r.Value, How: evaporator.Measured}
}

// marks are what becomes of a quantity while what it rests on is not settled.
type marks uint8

const (
	// steadyAnyway stands on readings of the moment, or on windows of its own.
	steadyAnyway marks = iota
	// onFlows rests on the juice and solids of the whole set: Uncertain. It is never
	// absent: with what is stored counted it is within a tenth in nine of ten minutes of
	// an upset, and an operator needs it most then.
	onFlows
	// onHeats rests on the heat of all bodies besides: Uncertain.
	onHeats
	// onBody rests on the share of one body: Uncertain. It feeds the condenser and the
	// alarms of entrainment, which are wanted in an upset.
	onBody
	// onBrix is a Brix that nothing measures: Uncertain, and absent in an upset: somebody
	// would steer by it.
	onBrix
	// onU is made of U: Uncertain, and as it was before the set moved, see hold.
	onU
)

// markOf says which it is.
func markOf(q *Quantity) marks {
	if q.Class == plant.ClassSet {
		switch q.Name {
		case "evaporation", "syrup_calculated", "economy_measured", "specific_evaporation", "rillieux_steam", "solids_closure":
			return onFlows
		case "steam_calculated", "economy", "economy_corrected", "rillieux_residual", "steam_difference", "heat_closure":
			return onHeats
		}
		return steadyAnyway
	}
	switch q.Name {
	case "evaporation", "juice_out_flow", "duty", "specific_evaporation", "condensed_flow", "flash_flow", "juice_flash_flow",
		"vapour_velocity", "boiling_temperature", "boiling_point_elevation", "head_elevation", "temperature_difference", "difference_share":
		return onBody
	case "brix_out":
		return onBrix
	case "u", "u_apparent", "u_normalised", "u_ratio", "scale_resistance":
		return onU
	}
	return steadyAnyway
}

// believed is the U that scale is followed by: none while the set settles.
func (v *bodyView) believed() evaporator.Result {
	if v.steadiness.state != isSettled {
		return absent(v.steadiness.text)
	}
	return v.u
}

// doubt is the quality and the note of what rests on r.
func (r *steadiness) doubt(worst plant.Quality, note words.Text) (plant.Quality, words.Text) {
	if r.state == isSettled {
		return worst, note
	}
	return plant.Worse(worst, plant.UncertainDataSubNormal), r.with(note)
}

// brixMeasured: the Brix of the juice leaving the body is a reading.
func (s *setView) brixMeasured(i int) bool {
	switch s.r.Row {
	case evaporator.ByBrixProfile:
		return true
	case evaporator.BySteam:
		return false
	}
	return i >= s.lastGroup() && s.r.SyrupBrix.How == evaporator.Measured && i+1 == len(s.bodies)
}

func (v *bodyView) settledNow() evaporator.Result {
	if v.m.OutOfService {
		return absent(outOfService)
	}
	if v.steadiness.state == isSettled {
		return evaporator.Result{Value: 1, How: evaporator.Balanced}
	}
	return evaporator.Result{How: evaporator.Balanced, Reason: evaporator.Reason{Text: v.steadiness.text}}
}
