package thermo

import (
	"time"

	"calandria/plant/words"
	"calandria/thermo/evaporator"
)

// Planned is a stop of a set, or a body taken out, that a person has declared: from then
// until its end the set is not judged by what is usual. It ends by itself.
type Planned struct {
	Path  string    `json:"path"` // of the set or of the body
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
	By    string    `json:"by"`
}

// PlannedMost is the longest that can be declared. A figure of ours: longer than a cleaning,
// shorter than what nobody remembers.
const PlannedMost = 14 * 24 * time.Hour

func (p *Planned) on(at time.Time) bool { return !at.Before(p.From) && at.Before(p.Until) }

// flag is 1 while it lasts.
func (p *Planned) flag(at time.Time) evaporator.Result {
	if p.on(at) {
		return value(1, 0)
	}
	return value(0, 0)
}

// plans are those of every set and body, by path.
func (c *Calculator) plans(f func(path string, p *Planned)) {
	for _, s := range c.sets {
		f(s.equip.Path, &s.declared)
		for _, b := range s.bodies {
			f(b.equip.Path, &b.declared)
		}
	}
}

// Declare takes in what is planned, from now on; one that ends now is withdrawn. It fails
// where there is no such set or body, and where the end is past or too far.
func (c *Calculator) Declare(p Planned) error {
	found := false
	switch d := p.Until.Sub(p.From); {
	case d < 0:
		return words.Errorf("its end is past")
	case d > PlannedMost:
		return words.Errorf("it can last %d days at most", int(PlannedMost.Hours()/24))
	}
	c.plans(func(path string, to *Planned) {
		if path == p.Path {
			*to, found = p, true
		}
	})
	if !found {
		return words.Errorf("there is no set or body %q", p.Path)
	}
	return nil
}

// Declared lists what is planned and has not ended.
func (c *Calculator) Declared(at time.Time) []Planned {
	list := []Planned{}
	c.plans(func(_ string, p *Planned) {
		if p.on(at) {
			list = append(list, *p)
		}
	})
	return list
}

// anyPlanned reports whether the set or one of its bodies is declared out.
func (s *setView) anyPlanned(at time.Time) bool {
	on := s.declared.on(at)
	for _, b := range s.bodies {
		on = on || b.declared.on(at)
	}
	return on
}
