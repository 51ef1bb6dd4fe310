package alerting

import "calandria/plant"

// State is where one alarm stands for the operator: the nine states of the
// transition diagram of ISA-18.2 clause 5.3 (IEC 62682 has the same).
type State uint8

// The states, with the letter the standard gives each.
const (
	Normal             State = iota // A: condition normal, acknowledged
	Unacknowledged                  // B: in alarm, not acknowledged
	Acknowledged                    // C: in alarm, acknowledged
	ReturnedUnack                   // D: condition normal again, not acknowledged
	LatchedUnack                    // E: condition normal, latched, not acknowledged
	LatchedAck                      // F: condition normal, latched, acknowledged
	Shelved                         // G: hidden by the operator for a time
	SuppressedByDesign              // H: hidden by logic
	OutOfService                    // I: hidden for maintenance
	stateCount               = iota
	stay               State = 254 // in the table: the state does not change
)

var stateCodes = [stateCount]string{"NORM", "UNACK", "ACKED", "RTNUN", "LTUNK", "LTACK", "SHLVD", "DSUPR", "OOSRV"}

var stateWords = [stateCount]string{
	"normal",
	"unacknowledged",
	"acknowledged",
	"returned, unacknowledged",
	"latched, unacknowledged",
	"latched, acknowledged",
	"shelved",
	"suppressed by design",
	"out of service",
}

// String gives the standard's short code, which the journal carries: "UNACK".
func (s State) String() string {
	if int(s) < len(stateCodes) {
		return stateCodes[s]
	}
	return "?"
}

// Word gives the state in words: "returned, unacknowledged".
func (s State) Word() string {
	if int(s) < len(stateWords) {
		return stateWords[s]
	}
	return "unknown state"
}

// Hidden reports whether the operator is not called in this state.
func (s State) Hidden() bool { return s >= Shelved && s <= OutOfService }

// Annunciated reports whether the state asks for the operator's attention:
// unacknowledged in any way and not hidden.
func (s State) Annunciated() bool {
	return s == Unacknowledged || s == ReturnedUnack || s == LatchedUnack
}

// stateNamed finds a state by its code.
func stateNamed(code string) (State, bool) {
	for i, c := range stateCodes {
		if c == code {
			return State(i), true
		}
	}
	return 0, false
}

// trigger is something that may move an alarm from one state to another.
type trigger uint8

const (
	condTrue      trigger = iota // condition true, after its on-delay
	condFalse                    // condition false, after deadband and off-delay
	acknowledge                  // operator
	confirm                      // operator
	reset                        // operator
	realarmDue                   // re-alarm time over
	escalated                    // the priority has been raised
	shelveTimed                  // operator
	shelveOneShot                // operator
	shelfOver                    // the shelving's time is up
	oneShotOver                  // a one-shot shelving has seen its return
	unshelve                     // operator
	suppress                     // logic
	unsuppress                   // logic
	removeService                // authorised person
	placeService                 // authorised person
	edited                       // definition changed
	qualityMoved                 // quality of the input changed
	commented                    // comment added
	triggerCount  = iota
)

// states is a set of states.
type states uint16

func in(list ...State) states {
	var m states
	for _, s := range list {
		m |= 1 << s
	}
	return m
}

// The sets that the table uses: A..F, G, H and so on as in the standard.
var (
	shown  = in(Normal, Unacknowledged, Acknowledged, ReturnedUnack, LatchedUnack, LatchedAck)
	hidden = in(Shelved, SuppressedByDesign, OutOfService)
	anyOne = shown | hidden
)

// guard is a named condition on the alarm and the command.
type guard struct {
	name string
	ok   func(a *alarm, c *Command) bool
}

func not(g guard) guard {
	return guard{"not " + g.name, func(a *alarm, c *Command) bool { return !g.ok(a, c) }}
}

func both(g, h guard) guard {
	return guard{g.name + " and " + h.name, func(a *alarm, c *Command) bool { return g.ok(a, c) && h.ok(a, c) }}
}

var (
	always   = guard{"always", func(*alarm, *Command) bool { return true }}
	active   = guard{"active", func(a *alarm, _ *Command) bool { return a.active }}
	acked    = guard{"acknowledged", func(a *alarm, _ *Command) bool { return a.acked }}
	latched  = guard{"latched", func(a *alarm, _ *Command) bool { return a.latched }}
	unlatchd = not(latched)

	confirmable = guard{"confirmation pending", func(a *alarm, _ *Command) bool { return !a.confirmed }}
	otherEvent  = guard{"another occurrence meant", func(a *alarm, c *Command) bool {
		return c.Occurrence != 0 && c.Occurrence != a.occurrence
	}}
	resettable = guard{"latched, not active, acknowledged and confirmed", func(a *alarm, _ *Command) bool {
		return a.latched && !a.active && a.acked && a.confirmed
	}}

	shelved    = guard{"shelved", func(a *alarm, _ *Command) bool { return a.shelving != Unshelved }}
	isTimed    = guard{"timed-shelved", func(a *alarm, _ *Command) bool { return a.shelving == TimedShelving }}
	isOneShot  = guard{"one-shot-shelved", func(a *alarm, _ *Command) bool { return a.shelving == OneShotShelving }}
	noShelving = guard{"shelving not allowed", func(a *alarm, c *Command) bool { return !a.mayShelve(c) }}
	badTime    = guard{"duration out of range", func(a *alarm, c *Command) bool {
		return c.Duration <= 0 || a.spec.MaxShelve > 0 && c.Duration > a.spec.MaxShelve
	}}

	byThis    = guard{"suppressed by this logic", func(a *alarm, c *Command) bool { return a.suppressedBy(c.By) }}
	byAny     = guard{"suppressed", func(a *alarm, _ *Command) bool { return len(a.reasons) > 0 }}
	byOther   = guard{"suppressed by other logic too", func(a *alarm, c *Command) bool { return a.suppressedByOther(c.By) }}
	protected = guard{"never suppressed automatically", func(a *alarm, _ *Command) bool { return a.neverSuppressed() }}

	// What leaving the last kind of suppression leads to.
	backActive = active
	backClear  = both(not(active), unlatchd)
	backLtack  = both(both(not(active), latched), acked)
	backLtunk  = both(both(not(active), latched), not(acked))
)

// row is one line of the state table: in one of the states From, on trigger
// On, if the guard holds, the alarm goes to To and the journal gets Journal
// (and then Then). An empty Journal is silence. Code is the OPC UA status of a
// refusal.
type row struct {
	No      int // row of the standard's table, 0 for an addition of ours
	From    states
	On      trigger
	If      guard
	To      State
	Journal plant.EventKind
	Then    plant.EventKind
	Code    string
}

// table is the whole behaviour of an alarm. The first row that fits is taken.
// Sources: ISA-18.2 clause 5.3, OPC 10000-9 clauses 5.7 and 5.8; RULES.md
// says which rows rest on a rule of this project.
var table = []row{
	// The condition.
	{No: 1, From: in(Normal), On: condTrue, If: always, To: Unacknowledged, Journal: plant.EventAlarm},
	{No: 10, From: in(ReturnedUnack), On: condTrue, If: always, To: Unacknowledged, Journal: plant.EventAlarm},
	{No: 12, From: in(LatchedUnack), On: condTrue, If: always, To: Unacknowledged, Journal: plant.EventAlarm},
	{No: 15, From: in(LatchedAck), On: condTrue, If: always, To: Unacknowledged, Journal: plant.EventAlarm},
	{No: 19, From: hidden, On: condTrue, If: always, To: stay, Journal: plant.EventAlarm},
	{No: 3, From: in(Unacknowledged), On: condFalse, If: unlatchd, To: ReturnedUnack, Journal: plant.EventReturn},
	{No: 4, From: in(Unacknowledged), On: condFalse, If: latched, To: LatchedUnack, Journal: plant.EventReturn},
	{No: 5, From: in(Acknowledged), On: condFalse, If: unlatchd, To: Normal, Journal: plant.EventReturn},
	{No: 6, From: in(Acknowledged), On: condFalse, If: latched, To: LatchedAck, Journal: plant.EventReturn},
	{No: 19, From: hidden, On: condFalse, If: always, To: stay, Journal: plant.EventReturn},

	// Acknowledge, confirm, reset.
	{From: anyOne, On: acknowledge, If: otherEvent, To: stay, Journal: plant.EventRejected, Code: BadEventIDUnknown},
	{No: 24, From: anyOne, On: acknowledge, If: acked, To: stay, Journal: plant.EventRejected, Code: BadAlreadyAcked},
	{No: 2, From: in(Unacknowledged), On: acknowledge, If: always, To: Acknowledged, Journal: plant.EventAck},
	{No: 9, From: in(ReturnedUnack), On: acknowledge, If: always, To: Normal, Journal: plant.EventAck},
	{No: 11, From: in(LatchedUnack), On: acknowledge, If: always, To: LatchedAck, Journal: plant.EventAck},
	{From: hidden, On: acknowledge, If: always, To: stay, Journal: plant.EventAck},
	{From: anyOne, On: confirm, If: otherEvent, To: stay, Journal: plant.EventRejected, Code: BadEventIDUnknown},
	{From: anyOne, On: confirm, If: confirmable, To: stay, Journal: plant.EventConfirm},
	{No: 25, From: anyOne, On: confirm, If: always, To: stay, Journal: plant.EventRejected, Code: BadAlreadyConfirmed},
	{No: 14, From: in(LatchedAck), On: reset, If: resettable, To: Normal, Journal: plant.EventReset},
	{From: hidden, On: reset, If: resettable, To: stay, Journal: plant.EventReset},
	{No: 13, From: anyOne, On: reset, If: always, To: stay, Journal: plant.EventRejected, Code: BadInvalidState},

	// Re-alarm.
	{No: 7, From: in(Acknowledged), On: realarmDue, If: active, To: Unacknowledged, Journal: plant.EventRealarm},
	{No: 8, From: in(Unacknowledged), On: realarmDue, If: active, To: Unacknowledged, Journal: plant.EventRealarm},
	{No: 7, From: in(Acknowledged), On: escalated, If: active, To: Unacknowledged, Journal: plant.EventRealarm},
	{From: anyOne, On: escalated, If: always, To: stay},

	// Shelving.
	{From: anyOne, On: shelveTimed, If: noShelving, To: stay, Journal: plant.EventRejected, Code: BadUserAccessDenied},
	{From: anyOne, On: shelveOneShot, If: noShelving, To: stay, Journal: plant.EventRejected, Code: BadUserAccessDenied},
	{No: 26, From: anyOne, On: shelveTimed, If: isTimed, To: stay, Journal: plant.EventRejected, Code: BadAlreadyShelved},
	{No: 26, From: anyOne, On: shelveOneShot, If: isOneShot, To: stay, Journal: plant.EventRejected, Code: BadAlreadyShelved},
	{No: 28, From: anyOne, On: shelveTimed, If: badTime, To: stay, Journal: plant.EventRejected, Code: BadShelvingTime},
	{From: in(LatchedUnack, LatchedAck), On: shelveTimed, If: always, To: stay, Journal: plant.EventRejected, Code: BadInvalidState},
	{From: in(LatchedUnack, LatchedAck), On: shelveOneShot, If: always, To: stay, Journal: plant.EventRejected, Code: BadInvalidState},
	{No: 16, From: shown, On: shelveTimed, If: always, To: Shelved, Journal: plant.EventShelve},
	{No: 16, From: shown, On: shelveOneShot, If: always, To: Shelved, Journal: plant.EventShelve},
	{No: 29, From: in(Shelved), On: shelveTimed, If: isOneShot, To: Shelved, Journal: plant.EventShelve},
	{No: 29, From: in(Shelved), On: shelveOneShot, If: isTimed, To: Shelved, Journal: plant.EventShelve},
	{From: in(SuppressedByDesign, OutOfService), On: shelveTimed, If: always, To: stay, Journal: plant.EventShelve},
	{From: in(SuppressedByDesign, OutOfService), On: shelveOneShot, If: always, To: stay, Journal: plant.EventShelve},
	{No: 27, From: anyOne, On: unshelve, If: not(shelved), To: stay, Journal: plant.EventRejected, Code: BadNotShelved},
	{No: 18, From: in(Shelved), On: unshelve, If: backActive, To: Unacknowledged, Journal: plant.EventUnshelve, Then: plant.EventAlarm},
	{No: 17, From: in(Shelved), On: unshelve, If: backClear, To: Normal, Journal: plant.EventUnshelve},
	{From: in(Shelved), On: unshelve, If: backLtack, To: LatchedAck, Journal: plant.EventUnshelve},
	{From: in(Shelved), On: unshelve, If: backLtunk, To: LatchedUnack, Journal: plant.EventUnshelve},
	{From: in(SuppressedByDesign, OutOfService), On: unshelve, If: shelved, To: stay, Journal: plant.EventUnshelve},
	{No: 18, From: in(Shelved), On: shelfOver, If: backActive, To: Unacknowledged, Journal: plant.EventUnshelve, Then: plant.EventAlarm},
	{No: 17, From: in(Shelved), On: shelfOver, If: backClear, To: Normal, Journal: plant.EventUnshelve},
	{From: in(Shelved), On: shelfOver, If: backLtack, To: LatchedAck, Journal: plant.EventUnshelve},
	{From: in(Shelved), On: shelfOver, If: backLtunk, To: LatchedUnack, Journal: plant.EventUnshelve},
	{From: in(SuppressedByDesign, OutOfService), On: shelfOver, If: shelved, To: stay, Journal: plant.EventUnshelve},
	{No: 17, From: in(Shelved), On: oneShotOver, If: backClear, To: Normal, Journal: plant.EventUnshelve},
	{From: in(Shelved), On: oneShotOver, If: backLtack, To: LatchedAck, Journal: plant.EventUnshelve},
	{From: in(Shelved), On: oneShotOver, If: backLtunk, To: LatchedUnack, Journal: plant.EventUnshelve},
	{From: in(SuppressedByDesign, OutOfService), On: oneShotOver, If: shelved, To: stay, Journal: plant.EventUnshelve},

	// Suppression by design.
	{From: anyOne, On: suppress, If: byThis, To: stay},
	{From: anyOne, On: suppress, If: protected, To: stay, Journal: plant.EventRejected, Code: BadUserAccessDenied},
	{No: 20, From: shown | in(Shelved), On: suppress, If: always, To: SuppressedByDesign, Journal: plant.EventSuppress},
	{From: in(SuppressedByDesign, OutOfService), On: suppress, If: always, To: stay, Journal: plant.EventSuppress},
	{From: anyOne, On: unsuppress, If: not(byThis), To: stay},
	{From: in(SuppressedByDesign), On: unsuppress, If: byOther, To: stay, Journal: plant.EventUnsuppress},
	{From: in(SuppressedByDesign), On: unsuppress, If: shelved, To: Shelved, Journal: plant.EventUnsuppress},
	{No: 21, From: in(SuppressedByDesign), On: unsuppress, If: backActive, To: Unacknowledged, Journal: plant.EventUnsuppress, Then: plant.EventAlarm},
	{No: 21, From: in(SuppressedByDesign), On: unsuppress, If: backClear, To: Normal, Journal: plant.EventUnsuppress},
	{From: in(SuppressedByDesign), On: unsuppress, If: backLtack, To: LatchedAck, Journal: plant.EventUnsuppress},
	{From: in(SuppressedByDesign), On: unsuppress, If: backLtunk, To: LatchedUnack, Journal: plant.EventUnsuppress},
	{From: in(OutOfService), On: unsuppress, If: always, To: stay, Journal: plant.EventUnsuppress},

	// Out of service.
	{No: 22, From: shown | in(Shelved, SuppressedByDesign), On: removeService, If: always, To: OutOfService, Journal: plant.EventOutOfService},
	{From: in(OutOfService), On: removeService, If: always, To: stay, Journal: plant.EventRejected, Code: BadInvalidState},
	{From: in(OutOfService), On: placeService, If: byAny, To: SuppressedByDesign, Journal: plant.EventInService},
	{From: in(OutOfService), On: placeService, If: shelved, To: Shelved, Journal: plant.EventInService},
	{No: 23, From: in(OutOfService), On: placeService, If: backActive, To: Unacknowledged, Journal: plant.EventInService, Then: plant.EventAlarm},
	{No: 23, From: in(OutOfService), On: placeService, If: backClear, To: Normal, Journal: plant.EventInService},
	{From: in(OutOfService), On: placeService, If: backLtack, To: LatchedAck, Journal: plant.EventInService},
	{From: in(OutOfService), On: placeService, If: backLtunk, To: LatchedUnack, Journal: plant.EventInService},
	{From: shown | in(Shelved, SuppressedByDesign), On: placeService, If: always, To: stay, Journal: plant.EventRejected, Code: BadInvalidState},

	// What leaves the state alone.
	{No: 30, From: anyOne, On: edited, If: always, To: stay, Journal: plant.EventChange},
	{No: 31, From: anyOne, On: qualityMoved, If: always, To: stay, Journal: plant.EventQuality},
	{No: 32, From: anyOne, On: commented, If: always, To: stay, Journal: plant.EventComment},
}

// byStateAndTrigger finds the rows to try without walking the whole table.
var byStateAndTrigger = indexTable(table)

func indexTable(rows []row) (index [stateCount][triggerCount][]*row) {
	for i := range rows {
		r := &rows[i]
		for s := range State(stateCount) {
			if r.From&(1<<s) != 0 {
				index[s][r.On] = append(index[s][r.On], r)
			}
		}
	}
	return index
}
