package plant

import (
	"time"

	"calandria/plant/words"
)

// Priority of an alarm, 1 the most urgent. The zero value is "none": a message
// for the journal only.
type Priority int

// Priorities as used on every screen and in every export.
const (
	PriorityNone   Priority = 0
	PriorityUrgent Priority = 1 // act now: people or equipment
	PriorityHigh   Priority = 2 // prompt
	PriorityMedium Priority = 3 // this shift
	PriorityLow    Priority = 4 // maintenance, advice
)

// String gives the word shown beside the number.
func (p Priority) String() string {
	if p < PriorityNone || p > PriorityLow {
		return "none"
	}
	return [...]string{"none", "urgent", "high", "medium", "low"}[p]
}

// EventKind says what an event records. The alarm kinds are those of the
// state table in package alerting.
type EventKind string

// Kinds of event.
const (
	EventAlarm        EventKind = "ALARM"
	EventReturn       EventKind = "RETURN"
	EventAck          EventKind = "ACK"
	EventConfirm      EventKind = "CONFIRM"
	EventReset        EventKind = "RESET"
	EventShelve       EventKind = "SHELVE"
	EventUnshelve     EventKind = "UNSHELVE"
	EventSuppress     EventKind = "SUPPRESS"
	EventUnsuppress   EventKind = "UNSUPPRESS"
	EventOutOfService EventKind = "OUT_OF_SERVICE"
	EventInService    EventKind = "IN_SERVICE"
	EventRealarm      EventKind = "REALARM"
	EventQuality      EventKind = "QUALITY"
	EventRejected     EventKind = "REJECTED"
	EventComment      EventKind = "COMMENT"
	EventChange       EventKind = "CHANGE"
	EventFirstUp      EventKind = "FIRST_UP" // first of a group, where the decision was held

	EventStart  EventKind = "START"  // the program started
	EventStop   EventKind = "STOP"   // the program stopped in order
	EventSource EventKind = "SOURCE" // a data source was lost or came back
	EventRecord EventKind = "RECORD" // the journal or archive failed or recovered
	EventConfig EventKind = "CONFIG" // configuration loaded or refused
	EventNote   EventKind = "NOTE"   // an operator's note, a cleaning record
	EventTask   EventKind = "TASK"   // something to be done, handed over until it is
	EventDone   EventKind = "DONE"   // a task is done: that of the number in Occurrence
	EventNotify EventKind = "NOTIFY" // notices could not be delivered, were refused, or are delivered again
	EventAccess EventKind = "ACCESS" // sign-in, sign-out, refusal

	EventCorrection EventKind = "CORRECTION" // values of the past are to be read otherwise, or as they were again
)

// Event is one numbered journal entry: a transition, an operator's action, a
// fact about the program. Unused fields are empty. Events are never edited.
type Event struct {
	Seq      uint64    // journal number, 0 until journalled
	Time     time.Time // when it happened: source time or moment of expiry
	Received time.Time // when the program dealt with it
	Kind     EventKind

	Alarm       string // name of the alarm
	Source      string // path of the equipment or tag
	Area        string // operating position that was called, at that moment
	Occurrence  uint64 // ties ALARM, ACK and RETURN of one activation together
	Priority    Priority
	State       string   // state after the event
	Before      string   // state before the event
	Value       *float64 // value that triggered, if any
	Setpoint    *float64
	Unit        string
	Quality     string // status name of the deciding input
	Annunciated bool   // the operator was called
	FirstUp     bool   // first of its group
	// AtStart: it happened while the program was down, and was found in the
	// archive at the next start. Nobody was called at its time.
	AtStart bool `json:",omitzero"`

	User      string
	Station   string // workstation or address the action came from
	Comment   string
	Reason    string
	Code      string  // status name of a refusal
	Action    string  // action that was refused, or mode of a shelving
	DurationS float64 // length of a shelving, s
	Count     int     // number of a re-alarm
	Text      string  // one line for a person
	// Words is Reason as it can be said in another language; the journal has Reason alone.
	Words words.Text `json:"-" state:"-"`
	// Record is what was stored or changed beside the journal, as JSON with its
	// table and ID, so that the journal's chain proves it too; mostly empty.
	Record string `json:",omitempty"`
}
