package alerting

import (
	"slices"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Status is an immutable picture of one alarm.
type Status struct {
	Index int
	Name  string
	Spec  *plant.AlarmSpec // never changed; a reload makes new ones

	State State  // with String (code) and Word
	Code  string // "UNACK"
	Word  string // "unacknowledged"

	Active    bool // the condition, after deadband and delays
	Acked     bool
	Confirmed bool
	Latched   bool
	Retain    bool // still something to see or do: OPC 10000-9, 3.1.17
	// Annunciated: it asks for attention now; false for everything hidden.
	Annunciated bool

	Shelving            Shelving
	ShelvedUntil        time.Time // zero: no end by the clock
	Suppressed          []Suppression
	OutOfService        bool
	SuppressedOrShelved bool // any of the three

	Occurrence   uint64    // number of the present or last occurrence, 0 before the first
	ActiveSince  time.Time // beginning of that occurrence
	LastChange   time.Time // last change of state or condition
	RealarmCount int
	RealarmDue   time.Time // zero: none
	PendingUntil time.Time // end of a running on- or off-delay, zero: none
	FirstUp      bool
	bids         bool // its group has no mark yet, and it would get it now
	Group        string

	Value     float64 // NaN if there is none
	Quality   plant.Quality
	InputTime time.Time
	Comment   string // latest comment

	// Words is what the calculated tag under the alarm's Explain says now. Who
	// makes a picture fills it in; the engine leaves it empty.
	Words words.Text
}

// Status returns the picture of one alarm.
func (e *Engine) Status(index int) Status {
	a := &e.alarms[index]
	return Status{
		Index: index, Name: a.spec.Name, Spec: a.spec,
		State: a.state, Code: a.state.String(), Word: a.state.Word(),
		Active: a.active, Acked: a.acked, Confirmed: a.confirmed, Latched: a.latched,
		Retain:      a.active || !a.acked || !a.confirmed || a.latched,
		Annunciated: a.state.Annunciated(),
		Shelving:    a.shelving, ShelvedUntil: a.shelfUntil,
		Suppressed: slices.Clip(a.reasons), OutOfService: a.outOfService,
		SuppressedOrShelved: a.state.Hidden(),
		Occurrence:          a.occurrence, ActiveSince: a.activeSince, LastChange: a.lastChange,
		RealarmCount: a.realarmCount, RealarmDue: a.realarmDue, PendingUntil: a.pendingDue(),
		FirstUp: a.firstUp, bids: !a.firstUp && e.isFirst(index), Group: a.spec.Group,
		Value: a.value, Quality: a.quality, InputTime: a.inputTime, Comment: a.comment,
	}
}

// Spec returns the definition of an alarm, nil if there is none of that name.
func (e *Engine) Spec(name string) *plant.AlarmSpec {
	if i, ok := e.byName[name]; ok {
		return e.alarms[i].spec
	}
	return nil
}

// Snapshot returns the pictures of all alarms, in the order of the
// specifications.
func (e *Engine) Snapshot() []Status {
	return e.AppendStatus(make([]Status, 0, len(e.alarms)))
}

// AppendStatus appends the pictures of all alarms to a slice.
func (e *Engine) AppendStatus(to []Status) []Status {
	for i := range e.alarms {
		to = append(to, e.Status(i))
	}
	return to
}

// FirstUp returns the name of the alarm that has a group's first-up mark, ""
// if none has.
func (e *Engine) FirstUp(groupName string) string {
	for i := range e.groups {
		if g := &e.groups[i]; g.name == groupName && g.mark != none {
			return e.alarms[g.mark].spec.Name
		}
	}
	return ""
}
