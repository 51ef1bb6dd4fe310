package alerting

import (
	"errors"
	"fmt"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Status names of refusals, as in OPC 10000-9 clauses 5.7 to 5.9 and
// OPC 10000-6 annex A.
const (
	BadAlreadyAcked     = "Bad_ConditionBranchAlreadyAcked"
	BadAlreadyConfirmed = "Bad_ConditionBranchAlreadyConfirmed"
	BadEventIDUnknown   = "Bad_EventIdUnknown"
	BadInvalidState     = "Bad_InvalidState"
	BadAlreadyShelved   = "Bad_ConditionAlreadyShelved"
	BadNotShelved       = "Bad_ConditionNotShelved"
	BadShelvingTime     = "Bad_ShelvingTimeOutOfRange"
	BadUserAccessDenied = "Bad_UserAccessDenied"
	BadNodeIDUnknown    = "Bad_NodeIdUnknown"
	BadInvalidArgument  = "Bad_InvalidArgument"
)

// whyRefused says each refusal in words for a person.
var whyRefused = map[string]string{
	BadAlreadyAcked:     "it is acknowledged already",
	BadAlreadyConfirmed: "there is nothing to confirm",
	BadEventIDUnknown:   "that occurrence is not the present one; look at the alarm again",
	BadInvalidState:     "not possible in its present state",
	BadAlreadyShelved:   "it is shelved that way already; the time is not extended",
	BadNotShelved:       "it is not shelved",
	BadShelvingTime:     "the time must be more than zero and not above the alarm's longest shelving",
	BadUserAccessDenied: "this alarm's class does not allow it",
	BadNodeIDUnknown:    "there is no alarm of that name",
	BadInvalidArgument:  "the command is not known",
}

// Refusal is the error of a command that was not carried out. It has been
// journalled as REJECTED.
type Refusal struct {
	Action Action
	Alarm  string
	Code   string // OPC UA status name, e.g. "Bad_ConditionNotShelved"
}

func (r *Refusal) Error() string {
	return fmt.Sprintf("%s %s: %s (%s)", r.Action, r.Alarm, whyRefused[r.Code], r.Code)
}

// Action is what a command asks for.
type Action string

// The actions. Suppress and Unsuppress are for logic, the others for people.
const (
	Acknowledge       Action = "acknowledge"
	Confirm           Action = "confirm"
	Reset             Action = "reset"
	TimedShelve       Action = "timed_shelve"
	OneShotShelve     Action = "oneshot_shelve"
	Unshelve          Action = "unshelve"
	Suppress          Action = "suppress"
	Unsuppress        Action = "unsuppress"
	RemoveFromService Action = "remove_from_service"
	PlaceInService    Action = "place_in_service"
	Comment           Action = "comment"
)

// actions gives each action its trigger of the state table.
var actions = map[Action]trigger{
	Acknowledge:       acknowledge,
	Confirm:           confirm,
	Reset:             reset,
	TimedShelve:       shelveTimed,
	OneShotShelve:     shelveOneShot,
	Unshelve:          unshelve,
	Suppress:          suppress,
	Unsuppress:        unsuppress,
	RemoveFromService: removeService,
	PlaceInService:    placeService,
	Comment:           commented,
}

// Command is an operator's action, or a suppression by logic. Whether the user
// may do it at all is the caller's business; what the alarm allows is decided
// here.
type Command struct {
	Action Action
	Alarm  string // name; ignored when Many is used
	// Occurrence is the one the user has seen, 0 for the latest. Acknowledge
	// and Confirm refuse any other than the present one, so that an old
	// picture cannot acknowledge a new alarm.
	Occurrence uint64
	// Many applies the command to several alarms; each is done or refused by
	// itself.
	Many []Target

	User    string
	Station string // workstation or address
	// Comment of the user. Empty leaves the alarm's comment as it is, except
	// with the action Comment, where it clears it (OPC 10000-9, 5.7.3).
	Comment string
	Reason  string
	Words   words.Text // Reason of logic, as it can be said in another language
	// Duration of a timed shelving: more than zero, at most the alarm's
	// MaxShelve.
	Duration time.Duration
	// By names the logic that suppresses. Each logic has its own suppression,
	// and the alarm stays hidden until the last one ends.
	By string
	// Authorised is set when the user has the role that may shelve highly
	// managed alarms; it also takes a reason and an alarm with a MaxShelve.
	Authorised bool
}

// Target is one alarm and the occurrence of it that is meant (0: the latest).
type Target struct {
	Alarm      string
	Occurrence uint64
}

// Do carries out a command at the time now, after the timers due by then. A
// refused command is journalled as REJECTED and returned as a *[Refusal]; with
// Many the refusals are joined.
func (e *Engine) Do(c Command, now time.Time) error {
	e.Advance(now)
	if len(c.Many) == 0 {
		return e.do(&c, now)
	}
	var errs []error
	for _, t := range c.Many {
		one := c
		one.Many, one.Alarm, one.Occurrence = nil, t.Alarm, t.Occurrence
		if err := e.do(&one, now); err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

func (e *Engine) do(c *Command, now time.Time) error {
	i, known := e.byName[c.Alarm]
	on, isAction := actions[c.Action]
	if !known || !isAction {
		code := BadNodeIDUnknown
		if known {
			code = BadInvalidArgument
		}
		e.events = append(e.events, plant.Event{
			Time: now, Kind: plant.EventRejected, Alarm: c.Alarm, Action: string(c.Action), Code: code,
			User: c.User, Station: c.Station, Comment: c.Comment, Reason: c.Reason,
			Text: whyRefused[code],
		})
		return &Refusal{Action: c.Action, Alarm: c.Alarm, Code: code}
	}
	if r := e.fire(i, on, now, c); r != nil && r.Code != "" {
		return &Refusal{Action: c.Action, Alarm: c.Alarm, Code: r.Code}
	}
	return nil
}

func because(by string, reason words.Text) *Command {
	return &Command{By: by, Reason: reason.String(), Words: reason}
}

// SuppressWhile suppresses an alarm by logic while the condition is True, and
// ends that suppression when it is False or Unknown: suppression fails to the
// visible side (R-S5). by names the logic. Repeating it is silent (R-S2), and
// so is asking for what is never suppressed automatically (R-N1).
func (e *Engine) SuppressWhile(index int, by string, condition plant.Truth, reason words.Text, now time.Time) {
	e.Advance(now)
	a := &e.alarms[index]
	switch is := a.suppressedBy(by); {
	case is && condition != plant.True:
		e.fire(index, unsuppress, now, because(by, reason))
	case !is && condition == plant.True && !a.neverSuppressed() && !e.recordLost:
		e.fire(index, suppress, now, because(by, reason))
	}
}
