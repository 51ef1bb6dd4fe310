package thermo

import (
	"math"
	"time"

	"calandria/thermo/evaporator"
)

// An instrument that begins to read wrong departs from what the instruments of this set
// told together before: what each of them, and the equations, are off by for good is
// learned (see checking.learn). Against that an error shows which the stated accuracies,
// and that of the equation of the boiling-point elevation, would hide.

// Figures of ours: with them five mills of another making had no false suspect in 120
// days, and a syrup refractometer 1.8 Bx high was named on three of eight.
const (
	// departsBy is how far a reading wanders from what it is off by for good, as a part
	// of its stated accuracy.
	departsBy = 0.4
	// departsFrom is the test statistic from which a departure counts.
	departsFrom = 5.0
	// departsKnown is the weight that what is learned must have: a day without contradiction.
	departsKnown = 0.4
	// departsLast: what has departed for so long is the usual from then on.
	departsLast = 48 * time.Hour
	// departsEvery is how often it is looked for: a part of a window.
	departsEvery = 5 * time.Minute
)

// departed tests the window against what is learned, and keeps what departs.
func (k *checking) departed(at time.Time) {
	d := &k.departures
	if at.Sub(d.at).Abs() < departsEvery {
		return
	}
	d.at, d.found = at, d.found[:0]
	m := k.m
	all := readingsOf(&m, len(k.s.bodies))
	for _, x := range k.list {
		r := all[x.place]
		off, weight, memory := x.learned()
		if !r.OK || r.Sigma == 0 || *weight < departsKnown {
			continue
		}
		r.Value += *off
		if memory >= lossMemory { // not a bleed: that moves with the pans
			r.Sigma *= departsBy
		}
	}
	if err := k.s.set.ReconcileInto(&m, &d.room); err != nil {
		return
	}
	for _, s := range d.room.Suspects {
		if at := k.find(d.room.Instruments[s.Instrument]); at >= 0 && math.Abs(s.Z) > departsFrom && k.list[at].unmetered == nil {
			d.found = append(d.found, s)
		}
	}
	switch {
	case len(d.found) == 0:
		d.since = time.Time{}
	case d.since.IsZero():
		d.since = at
	case at.Sub(d.since) > departsLast:
		d.found = d.found[:0]
	}
}

// departures is what departs from the learned.
type departures struct {
	room  evaporator.Reconciliation // used again
	found []evaporator.Suspicion
	since time.Time
	at    time.Time // looked for
}

// accused is a suspicion, and the reconciliation that it is of.
type accused struct {
	*evaporator.Reconciliation
	evaporator.Suspicion
}

// accused are the suspects of a window: of the readings as they are, else of their
// departures.
func (k *checking) accused(r *evaporator.Reconciliation) (all []accused) {
	for _, s := range r.Suspects {
		all = append(all, accused{r, s})
	}
	if len(all) == 0 && !r.GrossError {
		for _, s := range k.departures.found {
			all = append(all, accused{&k.departures.room, s})
		}
	}
	return all
}
