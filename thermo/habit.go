package thermo

import (
	"math"
	"time"

	"calandria/thermo/evaporator"
)

// habit is what a house usually does: a mean over some days, a plain one until these have
// passed. The rules speak of departures from it, so that they fit a house that they have
// never seen.
type habit struct {
	lag
	hours  float64 // in it
	spread float64 // variance about the mean
}

// What a set works up counts for a day, what it makes of it for five; an hour is the
// least that is believed. Figures of ours: longer than an upset that somebody mends,
// shorter than a season.
// A set that has just been put together tells nothing for habitAfter.
const workedUpMemory, habitMemory, habitLeast, habitAfter = 24.0, 120.0, 1.0, 1.5

func (h *habit) step(r evaporator.Result, hours, memory float64) {
	if r.OK() && hours > 0 {
		h.hours = min(memory, h.hours+hours)
		share := -math.Expm1(-hours / h.hours)
		if h.ok { // a departure that somebody is called for is not to become the usual
			far := max(6*math.Sqrt(h.spread), 0.05*math.Abs(h.value))
			r.Value = min(max(r.Value, h.value-far), h.value+far)
			h.spread += ((r.Value-h.value)*(r.Value-h.value) - h.spread) * share
		}
		h.lag.step(r, share)
	}
}

func (h *habit) get() evaporator.Result {
	if h.hours < habitLeast {
		return absent("not known yet: an hour of usual running")
	}
	return value(h.value, 0)
}

// deviation is how far it usually departs from the mean, one standard deviation.
func (h *habit) deviation() evaporator.Result {
	r := h.get()
	r.Value = math.Sqrt(h.spread)
	return r
}

// arrangement is since when a set runs as it does: its order of events is a stop, a body
// taken out or put back, or one that is declared, and then the time that everything takes to find its place again.
type arrangement struct {
	bodies uint32 // in service
	hours  float64
	known  bool
}

func (s *setView) arrange(now basis, at time.Time) {
	a := &s.arranged
	switch all := uint32(1)<<len(s.bodies) - 1; {
	case now.bodies != all || s.unfed() || s.anyPlanned(at):
		*a = arrangement{bodies: now.bodies, known: true}
	case !a.known:
		*a = arrangement{bodies: now.bodies, known: true}
	default:
		a.bodies = now.bodies
		a.hours += s.hours
	}
}

// followHabits learns from a set that is fed, whole, and stands still.
func (s *setView) followHabits() {
	if s.unfed() || s.flows.state == upset || s.arranged.hours < habitAfter {
		return
	}
	s.usualSyrup.step(reading(s.m.SyrupBrix), s.hours, habitMemory) // its swings are what is wanted
	for _, b := range s.bodies {
		if !b.m.OutOfService {
			b.usualVapour.step(b.b.VapourC, s.hours, habitMemory)
		}
	}
	if s.flows.state != isSettled {
		return
	}
	s.usualEvaporation.step(s.r.TotalEvaporationTH, s.hours, workedUpMemory)
	s.usualJuice.step(s.r.JuiceTH, s.hours, workedUpMemory)
	s.usualSteam.step(reading(s.m.SteamTH), s.hours, workedUpMemory)
	if s.heats.state == isSettled {
		s.usualEconomy.step(s.r.CorrectedEconomy, s.hours, habitMemory)
		s.usualCount.step(s.r.RillieuxResidual, s.hours, habitMemory)
	}
}
