package engine

import (
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
)

// Picture is everything that can be seen of the program at one moment. It is
// never changed once handed out, nor is anything that it points to.
type Picture struct {
	House *plant.House
	Specs []plant.AlarmSpec // definitions in force

	At time.Time // when the loop made it, by the wall clock
	// ClockOff is how far the machine's clock is ahead of that of At.
	ClockOff time.Duration
	Seq      uint64       // journal number of the last event it contains
	Frame    *plant.Frame // a copy of the loop's frame

	// Reasons says why a calculated value is absent, in words.
	Reasons map[plant.TagID]words.Text
	// How says how a value was obtained where there is more to say than its
	// source: "balanced from flow and Brix", "assumed".
	How map[plant.TagID]Origin
	// Sigma is one standard deviation of a value in the tag's unit. Tags that
	// are not in it use the stated accuracy of their instrument.
	Sigma map[plant.TagID]float64

	// Confirmed is when the evidence for a value was last heard of, by our own
	// clock, by TagID. A server that says nothing changed confirms its values; a
	// calculated value is as old as the oldest reading of its set, pan or condenser.
	Confirmed []time.Time

	Alarms  []alerting.Status
	Sources []Source
	Health  []Health
	Stages  []Stage // of the heartbeat
	Strikes []thermo.Strike

	Checks   []thermo.InstrumentCheck // how far each reading of a set is checked
	Suspects []thermo.Suspect         // instruments that contradict the others, the worst first
	Vacuum   []thermo.Vacuum          // of each condenser

	Usual map[plant.TagID]thermo.Band // where figures usually lie at the present load
}

// Origin is how a value was obtained, and what there is to say of that.
type Origin struct{ How, Note words.Text }

// Words says both.
func (o Origin) Words() words.Text {
	if o.Note == "" {
		return o.How
	}
	return words.Say("%s: %s", o.How, o.Note)
}

// Clock gives a moment of the machine's clock by the program's own.
func (p *Picture) Clock(machine time.Time) time.Time {
	if p == nil {
		return machine
	}
	return machine.Add(-p.ClockOff)
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

	// Crashes counts how often the server sent what ended the process that reads it.
	Crashes uint64
	// Gap says what is missing in the archive for good since the last stop.
	Gap string
	// Heard is when the server last vouched for its values; zero: it does not.
	Heard time.Time
	// Skew is how far the server's clock is ahead of ours, Drift how that grows
	// (s/s); Stamps is the median over the MisstampedTags, whose source times
	// cannot be true.
	Skew, Stamps   time.Duration
	Drift          float64
	MisstampedTags int
	Misstamped     []SourceFault // the first of them
}

// ClockOffset is the worse of the server's clock and of the stamps of its tags, if
// most of them are wrong.
func (s *Source) ClockOffset() time.Duration {
	if 2*s.MisstampedTags > s.Tags && s.Stamps.Abs() > s.Skew.Abs() {
		return s.Stamps
	}
	return s.Skew
}

// AheadText says how far another clock is from ours.
func AheadText(d time.Duration) words.Text {
	if d < 0 {
		return words.Say("%s behind", (-d).Round(100*time.Millisecond).String())
	}
	return words.Say("%s ahead", d.Round(100*time.Millisecond).String())
}

// SourceFault is one tag that cannot be read as configured.
type SourceFault struct {
	Tag     plant.TagID
	Problem words.Text
	Text    words.Text // with path, file and line
}

// Health is a fact about the program itself: archive, journal, forwarder.
type Health struct {
	Name words.Text
	OK   bool
	Text words.Text
}

// Picture makes a picture of the core at a moment. The caller adds what the core
// does not know: sources, health, the journal's number.
func (c *Core) Picture(at time.Time) *Picture {
	p := &Picture{House: c.House, Specs: c.Rules.Alarms(), At: at, Frame: c.Frame.Clone(), Alarms: c.Alarms.Snapshot(),
		Reasons: map[plant.TagID]words.Text{}, How: map[plant.TagID]Origin{}, Sigma: map[plant.TagID]float64{}, Strikes: c.Calc.Strikes(), Usual: c.Calc.Usual(c.Frame, at)}
	for i := range p.Alarms {
		if a := &p.Alarms[i]; a.Active {
			a.Words = c.Words(a.Spec)
		}
	}
	for i := range c.values {
		v := &c.values[i]
		if v.Point.Usable() {
			p.How[v.Tag] = Origin{v.How, v.Reason}
		} else {
			p.Reasons[v.Tag] = v.Reason
		}
		if v.Sigma > 0 {
			p.Sigma[v.Tag] = v.Sigma
		}
	}
	return p
}
