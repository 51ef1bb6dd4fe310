package fouling

import (
	"fmt"

	"calandria/plant/words"
)

// This file holds the words of the package. Everything else speaks in types.

// Notice stands on every output of this package.
const Notice words.Text = "Planning information only. It is never a permission to isolate, open or enter a vessel, or to mix chemicals: site procedures, permits and local law decide."

// Status of a forecast.
type Status uint8

// The statuses.
const (
	NoData       Status = iota // neither values nor earlier cycles
	CleanUnknown               // no cleaning seen and no clean U given: no ratio, no day
	Expected                   // a day with a band
	Reached                    // the trend is at the limit now
	FarOff                     // not within the horizon
	TooEarly                   // the band is open or wider than the answer
)

var statusNames = [...]words.Text{"no data", "clean U not known", "expected", "reached", "beyond horizon", "too early to say"}

// String is the name as it is written in records.
func (s Status) String() string {
	if int(s) < len(statusNames) {
		return statusNames[s].String()
	}
	return fmt.Sprintf("status(%d)", s)
}

// Words is the name for a reader.
func (s Status) Words() words.Text { return statusNames[s] }

// MarshalText writes the name.
func (s Status) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// WeakKind is a reason why a forecast is weak.
type WeakKind uint8

// The reasons.
const (
	MetInMidCycle  WeakKind = iota // no cleaning is known yet
	FirstCycle                     // no cycle of the body has ended yet
	ConditionMoved                 // heating, Brix or flux moved, and how U goes with them is not known
	OfItsEffect                    // parallel bodies that nothing has told apart yet
)

// Weakness is one reason, and what it is worth.
type Weakness struct {
	Kind WeakKind
	Pct  float64 // of U, where the kind has one
}

// MarshalText says it in words.
func (w Weakness) MarshalText() ([]byte, error) { return w.Words().MarshalText() }

// Words says it in words.
func (w Weakness) Words() words.Text {
	switch w.Kind {
	case MetInMidCycle:
		return "no cleaning known yet: the body was met in mid-cycle, and the rate rests on its running values only"
	case FirstCycle:
		return "first cycle: neither rate nor law has been seen before"
	case ConditionMoved:
		return words.Say("heating, Brix or heat flux have moved and how U goes with them is not known yet: that alone is worth ± %.1f %% of U", w.Pct)
	case OfItsEffect:
		return "the scale of its effect, not of this body: parallel bodies are told apart when one is out while the other runs"
	}
	return ""
}
