package engine

import (
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/thermo"
)

// Picture is everything that can be seen of the program at one moment. It is
// never changed once handed out, nor is anything that it points to.
type Picture struct {
	House *plant.House
	Specs []plant.AlarmSpec // definitions in force

	At    time.Time    // when the loop made it, by the wall clock
	Seq   uint64       // journal number of the last event it contains
	Frame *plant.Frame // a copy of the loop's frame

	// Reasons says why a calculated value is absent, in words.
	Reasons map[plant.TagID]string
	// How says how a value was obtained where there is more to say than its
	// source: "balanced from flow and Brix", "assumed".
	How map[plant.TagID]string
	// Sigma is one standard deviation of a value in the tag's unit. Tags that
	// are not in it use the stated accuracy of their instrument.
	Sigma map[plant.TagID]float64

	Alarms  []alerting.Status
	Sources []Source
	Health  []Health
	Strikes []thermo.Strike

	Suspects []thermo.Suspect // instruments that contradict the others, the worst first
	Vacuum   []thermo.Vacuum  // of each condenser
}

// Source is the state of one data source, such as an OPC UA server.
type Source struct {
	Name      string
	Connected bool
	Since     time.Time // of the present state
	Endpoint  string
	LastError string
	Tags      int // configured
	Faults    []SourceFault
}

// SourceFault is one tag that cannot be read as configured.
type SourceFault struct {
	Tag     plant.TagID
	Problem string
	Text    string // with path, file and line
}

// Health is a fact about the program itself: archive, journal, forwarder.
type Health struct {
	Name string
	OK   bool
	Text string
}

// Picture makes a picture of the core at a moment. The caller adds what the core
// does not know: sources, health, the journal's number.
func (c *Core) Picture(at time.Time) *Picture {
	p := &Picture{House: c.House, Specs: c.Rules.Alarms(), At: at, Frame: c.Frame.Clone(), Alarms: c.Alarms.Snapshot(),
		Reasons: map[plant.TagID]string{}, How: map[plant.TagID]string{}, Sigma: map[plant.TagID]float64{}, Strikes: c.Calc.Strikes()}
	for i := range p.Alarms {
		if a := &p.Alarms[i]; a.Active {
			a.Words = c.Words(a.Spec)
		}
	}
	for i := range c.values {
		v := &c.values[i]
		switch {
		case !v.Point.Usable():
			p.Reasons[v.Tag] = v.Reason
		case v.Reason != "":
			p.How[v.Tag] = v.How + ": " + v.Reason
		default:
			p.How[v.Tag] = v.How
		}
		if v.Sigma > 0 {
			p.Sigma[v.Tag] = v.Sigma
		}
	}
	return p
}
