package simulator

import (
	"fmt"
	"time"
)

// Past runs the model from from to to in steps of step and hands on what the
// instruments read at each step, the order being that of [Model.Instruments].
// The slice is only valid during the call. The history holds several cycles of
// scale and cleaning and a few upsets; it ends with the set some nine and a
// half days after its last cleaning, so that EV5 is due soon, and with a strike
// on feed in PA1. The model stays where the history ends: stepping on continues
// it without a seam.
//
// The model is to be fresh from [New]; its own start time is replaced by from.
// fn may be nil. Past returns an error for times that make no sense.
func Past(m *Model, from, to time.Time, step time.Duration, fn func(t time.Time, samples []Reading)) error {
	switch {
	case !from.Before(to):
		return fmt.Errorf("simulator: the past ends (%s) before it begins (%s)", to, from)
	case step <= 0 || step > 2*time.Minute:
		return fmt.Errorf("simulator: a step of %s; give more than 0 and at most 2m", step)
	}
	m.rewind(from, to)
	events := plan(from, to)
	for t := from; ; {
		for len(events) > 0 && !events[0].at.After(t) {
			if err := events[0].do(m); err != nil {
				return err
			}
			events = events[1:]
		}
		if fn != nil {
			fn(t, m.readings)
		}
		if !t.Before(to) {
			return nil
		}
		d := min(step, to.Sub(t))
		t = t.Add(d)
		m.Step(d)
	}
}

// endService is the age of the scale at the end of a past, days.
const endService = 9.5

// rewind puts the model at from such that at to the set and PA1 are where the
// demonstration wants them.
func (m *Model) rewind(from, to time.Time) {
	m.now, m.start = from, from
	m.nextDip = from.Add(time.Duration((2 + m.rng.Float64()) * float64(time.Hour)))
	m.nextBurst, m.nextGap = from, from.Add(m.gapWait())
	// A cycle is 11 days in service, 10 h of cleaning and 1.5 h of starting, which
	// do not count as service.
	cycle := cleaningCycleD + cleaningHours/24 + 1.5/24
	service := endService - to.Sub(from).Hours()/24
	for service < 0 {
		service += cycle
	}
	if service > cleaningCycleD { // it would begin inside a cleaning
		service = cleaningCycleD - 0.05
	}
	into := [3]time.Duration{75 * time.Minute, 175 * time.Minute, 310 * time.Minute}
	for i := range m.pans {
		m.pans[i].layOut(from, to, into[i], m.settings.Steady)
		m.pans[i].pressure = 0
	}
	if m.settings.Scaling {
		m.service = service
	}
	m.settle()
}

type pastEvent struct {
	at time.Time
	do func(m *Model) error
}

// plan says what goes wrong in a past: days are counted back from its end, so
// that a shorter past has the later ones only.
func plan(from, to time.Time) []pastEvent {
	var es []pastEvent
	ago := func(days, hours float64, do func(m *Model) error) {
		at := to.Add(-time.Duration((days*24 + hours) * float64(time.Hour)))
		if !at.Before(from) {
			es = append(es, pastEvent{at, do})
		}
	}
	begin := func(name string) func(*Model) error { return func(m *Model) error { return m.Start(name) } }
	end := func(name string) func(*Model) error { return func(m *Model) error { return m.Clear(name) } }
	fail := func(path string, k FaultKind, size float64) func(*Model) error {
		return func(m *Model) error { return m.Fault(path, k, size) }
	}
	ago(52, 6, begin("steam-dip"))
	ago(44, 3, begin("flooding-ev3"))
	ago(44, 1.5, end("flooding-ev3"))
	ago(39, 0, fail("EV.EV2.chest_temperature", Open, 0))
	ago(38, 14, fail("EV.EV2.chest_temperature", NoFault, 0))
	ago(32, 10, begin("brix-drift"))
	ago(28, 8, end("brix-drift"))
	ago(26, 15, begin("gas-ev4"))
	ago(26, 7, end("gas-ev4"))
	ago(18, 2, begin("water-loss"))
	ago(18, 1.2, end("water-loss"))
	ago(13, 20, fail("EV.EV3.vapour_pressure", Frozen, 0))
	ago(13, 14, fail("EV.EV3.vapour_pressure", NoFault, 0))
	ago(6, 9, begin("air-leak"))
	ago(6, 7.5, end("air-leak"))
	ago(4, 4, begin("entrainment-ev3"))
	ago(4, 3.6, end("entrainment-ev3"))
	ago(2, 16, begin("steam-dip"))
	return es
}
