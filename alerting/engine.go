package alerting

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Shelving is how an alarm is shelved (OPC 10000-9, 5.8.17).
type Shelving uint8

// The kinds of shelving. Timed ends by the clock, one-shot when the alarm
// goes inactive (or by the clock, where the alarm has a longest shelving).
const (
	Unshelved Shelving = iota
	TimedShelving
	OneShotShelving
)

// String gives unshelved, timed or oneshot.
func (s Shelving) String() string {
	switch s {
	case TimedShelving:
		return "timed"
	case OneShotShelving:
		return "oneshot"
	}
	return "unshelved"
}

// Suppression is one logic that hides an alarm.
type Suppression struct {
	By     string     `json:"by"` // the logic; [ByConsequence] for consequences
	Reason words.Text `json:"reason"`
}

// ByConsequence is the name of the engine's own suppression logic: an alarm
// hidden because an alarm that explains it is shown.
const ByConsequence = "consequence"

// alarm is one state machine. The flags are independent of each other; state
// follows from them by way of the table.
type alarm struct {
	spec  *plant.AlarmSpec
	state State

	active, acked, confirmed, latched bool

	shelving     Shelving
	reasons      []Suppression
	outOfService bool

	occurrence   uint64
	activeSince  time.Time
	lastChange   time.Time
	realarmCount int
	comment      string

	quality   plant.Quality
	value     float64
	inputTime time.Time

	// Timers; the zero time is "not running".
	pendingSince time.Time // start of a running on- or off-delay
	doubtedAt    time.Time // as a cause with a bad input: when it explains nothing any more
	shelfUntil   time.Time
	realarmDue   time.Time

	group    int // first-up group, -1 for none
	firstUp  bool
	parents  []int // alarms that explain this one
	children []int // alarms this one explains

	moved bool // changed since the state was last stored
}

func (a *alarm) suppressedBy(by string) bool {
	return slices.ContainsFunc(a.reasons, func(x Suppression) bool { return x.By == by })
}

func (a *alarm) suppressedByOther(by string) bool {
	return slices.ContainsFunc(a.reasons, func(x Suppression) bool { return x.By != by })
}

// neverSuppressed is rule R-N1 as far as it concerns one alarm: highly managed
// alarms, alarms about the program and its data, and the first-up of a group.
func (a *alarm) neverSuppressed() bool {
	return a.spec.HighlyManaged || a.spec.Class == "system" || a.firstUp
}

func (a *alarm) mayShelve(c *Command) bool {
	if a.spec.NoShelving {
		return false
	}
	return !a.spec.HighlyManaged || c.Authorised && c.Reason != "" && a.spec.MaxShelve > 0
}

// pendingDue is when the running on- or off-delay ends.
func (a *alarm) pendingDue() time.Time {
	if a.pendingSince.IsZero() {
		return time.Time{}
	}
	if a.active {
		return a.pendingSince.Add(a.spec.OffDelay)
	}
	return a.pendingSince.Add(a.spec.OnDelay)
}

// due is the alarm's earliest timer, the zero time if none runs.
func (a *alarm) due() time.Time {
	return earlier(earlier(a.pendingDue(), a.doubtedAt), earlier(a.shelfUntil, a.realarmDue))
}

// earlier returns the earlier of two timers, where zero means not running.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// Engine runs the alarms of one plant. It has no clock: time comes with every
// call, and the same calls give the same events. It is not safe for use by
// several goroutines; its owner hands out [Status] values, which are.
type Engine struct {
	alarms []alarm
	byName map[string]int
	groups []group
	timers timerHeap
	events []plant.Event
	moved  []int // alarms changed since the state was last stored
	stored bool  // the state was stored whole since the last restore or reload

	now        time.Time // latest time seen
	startedAt  time.Time // earlier samples count as stamped now (after a restart)
	hold       time.Duration
	patience   time.Duration
	recordLost bool
}

// New makes an engine with every alarm normal, acknowledged and without
// quality. All faults of the specifications are reported at once.
func New(specs []plant.AlarmSpec) (*Engine, error) {
	e := &Engine{}
	if err := e.build(specs); err != nil {
		return nil, err
	}
	return e, nil
}

// HoldFirstUp sets how long the choice of a group's first-up waits for members
// with an earlier source time: the worst skew between inputs, for example two
// publishing intervals. The default is zero, decide at once. With a hold the
// decision is journalled as FIRST_UP.
func (e *Engine) HoldFirstUp(d time.Duration) { e.hold = max(d, 0) }

// BearBadCause sets how long an active alarm goes on to explain its consequences
// while its input is bad. The default is zero: they are shown at once. One bad
// sample is no reason to call a dozen alarms that one cause explains; a cause
// that stays bad is (R-S5).
func (e *Engine) BearBadCause(d time.Duration) { e.patience = max(d, 0) }

// RecordLost tells whether the journal can be written. While it cannot, no
// automatic suppression begins (R-N1); those that run were recorded and stay.
func (e *Engine) RecordLost(lost bool, now time.Time) {
	e.Advance(now)
	e.recordLost = lost
	if !lost {
		for i := range e.alarms {
			e.updateConsequence(i, now)
		}
	}
}

// build sets up alarms, groups and consequences for the specifications.
func (e *Engine) build(specs []plant.AlarmSpec) error {
	if err := check(specs); err != nil {
		return err
	}
	own := slices.Clone(specs)
	e.alarms = make([]alarm, len(own))
	e.byName = make(map[string]int, len(own))
	groups := map[string]int{}
	e.groups = nil
	for i := range own {
		s := &own[i]
		s.ConsequenceOf = slices.Clone(s.ConsequenceOf)
		e.byName[s.Name] = i
		e.alarms[i] = alarm{spec: s, acked: true, confirmed: true, value: math.NaN(), group: -1}
		if s.Group == "" {
			continue
		}
		g, known := groups[s.Group]
		if !known {
			g = len(e.groups)
			groups[s.Group] = g
			e.groups = append(e.groups, group{name: s.Group, mark: none, candidate: none})
		}
		e.alarms[i].group = g
		e.groups[g].members = append(e.groups[g].members, i)
	}
	for i := range own {
		for _, cause := range own[i].ConsequenceOf {
			p, known := e.byName[cause]
			if known {
				e.link(p, i)
				continue
			}
			for _, p := range e.groups[groups[cause]].members {
				if p != i {
					e.link(p, i)
				}
			}
		}
	}
	if err := e.checkCycles(); err != nil {
		return err
	}
	e.timers.resize(len(e.alarms) + len(e.groups))
	return nil
}

func (e *Engine) link(parent, child int) {
	if !slices.Contains(e.alarms[child].parents, parent) {
		e.alarms[child].parents = append(e.alarms[child].parents, parent)
		e.alarms[parent].children = append(e.alarms[parent].children, child)
	}
}

// check reports every fault of the specifications.
func check(specs []plant.AlarmSpec) error {
	var errs []error
	names := map[string]bool{}
	groups := map[string]bool{}
	for i := range specs {
		names[specs[i].Name] = true
		groups[specs[i].Group] = specs[i].Group != ""
	}
	seen := map[string]int{}
	for i := range specs {
		s := &specs[i]
		fault := func(field, what string) {
			at := ""
			if s.File != "" {
				at = fmt.Sprintf("%s:%d: ", s.File, s.Line)
			}
			errs = append(errs, fmt.Errorf("%salarm %q: %s: %s", at, s.Name, field, what))
		}
		if s.Name == "" {
			fault("name", "missing; give the alarm a name that will not change")
		}
		if first, twice := seen[s.Name]; twice {
			fault("name", fmt.Sprintf("used twice (also by alarm %d); names must be unique", first+1))
		} else {
			seen[s.Name] = i
		}
		for _, f := range []struct{ field, text string }{{"cause", s.Cause}, {"consequence", s.Consequence}, {"response", s.Response}} {
			if f.text == "" {
				fault(f.field, "missing; an alarm needs a cause, a consequence and something the operator can do, otherwise make it a message")
			}
		}
		if s.Priority < plant.PriorityUrgent || s.Priority > plant.PriorityLow {
			fault("priority", "must be urgent, high, medium or low")
		}
		for _, d := range []struct {
			field string
			d     time.Duration
		}{{"on-delay", s.OnDelay}, {"off-delay", s.OffDelay}, {"re-alarm", s.Realarm}, {"longest shelving", s.MaxShelve}, {"time to respond", s.Respond}} {
			if d.d < 0 {
				fault(d.field, "must not be negative")
			}
		}
		if s.Setpoint != nil && (math.IsNaN(*s.Setpoint) || math.IsInf(*s.Setpoint, 0)) {
			fault("setpoint", "must be a finite number")
		}
		for _, cause := range s.ConsequenceOf {
			if cause == s.Name {
				fault("consequence of", "an alarm cannot explain itself")
			} else if !names[cause] && !groups[cause] {
				fault("consequence of", fmt.Sprintf("there is no alarm or group %q", cause))
			}
		}
	}
	return errors.Join(errs...)
}

// Len returns the number of alarms.
func (e *Engine) Len() int { return len(e.alarms) }

// Index finds an alarm by its name.
func (e *Engine) Index(name string) (int, bool) {
	i, ok := e.byName[name]
	return i, ok
}

// InputTime is the time of the last input that an alarm took, the zero time
// before the first.
func (e *Engine) InputTime(index int) time.Time { return e.alarms[index].inputTime }

// Feed gives an alarm what its condition says at in.Time. Timers due by then
// are handled first, so a delay that ends at t comes before a sample stamped t
// (R-D5). A sample older than the alarm's last one is ignored. A
// call that changes nothing allocates nothing.
func (e *Engine) Feed(index int, in plant.AlarmInput) {
	t := in.Time
	if t.Before(e.startedAt) {
		t = e.startedAt
	}
	e.Advance(t)
	a := &e.alarms[index]
	if t.Before(a.inputTime) {
		return
	}
	a.inputTime = t
	a.value = in.Value

	if in.Quality.Seen() || a.quality.Seen() {
		e.takeQuality(index, in.Quality, t)
	}
	decided := in.Raise
	if a.active {
		decided = in.Hold
	}
	if in.Quality.IsBad() {
		decided = plant.Unknown
	}
	want := plant.TruthOf(!a.active) // what would change the condition
	switch {
	case decided != want: // also Unknown: running delays are dropped (R-Q1)
		if !a.pendingSince.IsZero() {
			a.pendingSince = time.Time{}
			e.retime(index)
		}
	case a.active && a.spec.OffDelay > 0, !a.active && a.spec.OnDelay > 0:
		if a.pendingSince.IsZero() {
			a.pendingSince = t
			e.retime(index)
		}
	default:
		e.turn(index, t)
	}
}

// takeQuality keeps the quality of an input and journals a change of it. The
// first one is no change if it is plain Good.
func (e *Engine) takeQuality(index int, q plant.Quality, t time.Time) {
	a := &e.alarms[index]
	if !q.Seen() {
		q = plant.BadWaitingForInitial
	}
	const nameBits = 0xFFFF0000 // the low half is flags, not part of the name
	before := a.quality
	a.quality = q
	switch {
	case q.Usable():
		a.doubtedAt = time.Time{}
	case before.Usable() && e.patience > 0 && len(a.children) > 0:
		a.doubtedAt = t.Add(e.patience)
	}
	e.retime(index)
	if before.Seen() && before.Code()&nameBits == q.Code()&nameBits {
		return
	}
	if !before.Seen() && q.Code()&nameBits == 0 {
		return
	}
	e.fire(index, qualityMoved, t, nil)
}

// turn changes the condition from inactive to active or back.
func (e *Engine) turn(index int, t time.Time) {
	a := &e.alarms[index]
	a.pendingSince = time.Time{}
	if a.active {
		e.fire(index, condFalse, t, nil)
		if a.shelving == OneShotShelving {
			e.fire(index, oneShotOver, t, nil)
		}
	} else {
		e.fire(index, condTrue, t, nil)
	}
}

// Advance handles every timer due by now, in order of time. Each event is
// stamped with the moment its timer ran out (R-D4).
func (e *Engine) Advance(now time.Time) {
	for {
		id, due, ok := e.timers.first()
		if !ok || due.After(now) {
			break
		}
		if id >= len(e.alarms) {
			e.decideFirstUp(id-len(e.alarms), due)
			continue
		}
		// The condition before the shelf before the reminder: what the
		// process does comes before who is told.
		// A timer is taken away before it is acted on, so that none can keep
		// this loop from ending.
		a := &e.alarms[id]
		e.move(id)
		switch {
		case !a.pendingSince.IsZero() && a.pendingDue().Equal(due):
			e.turn(id, due)
		case a.doubtedAt.Equal(due):
			a.doubtedAt = time.Time{}
			for _, child := range a.children {
				e.updateConsequence(child, due)
			}
		case a.shelfUntil.Equal(due):
			a.shelfUntil = time.Time{}
			e.fire(id, shelfOver, due, nil)
		default:
			a.realarmDue = time.Time{}
			e.fire(id, realarmDue, due, nil)
		}
		e.retime(id)
	}
	if now.After(e.now) {
		e.now = now
	}
}

// retime brings the timer heap up to date with an alarm.
func (e *Engine) retime(index int) { e.timers.set(index, e.alarms[index].due()) }

// fire takes one trigger through the table: the first row that fits decides
// the next state and what is journalled. It returns the row, nil if none fits.
func (e *Engine) fire(index int, on trigger, t time.Time, c *Command) *row {
	a := &e.alarms[index]
	if c == nil {
		c = &noCommand
	}
	for _, r := range byStateAndTrigger[a.state][on] {
		if r.If.ok(a, c) {
			e.take(index, r, t, c)
			return r
		}
	}
	return nil
}

var noCommand Command

// take carries out a row of the table.
func (e *Engine) take(index int, r *row, t time.Time, c *Command) {
	a := &e.alarms[index]
	if r.Code != "" {
		e.record(index, r.Journal, a.state, t, r.On, c, r.Code)
		return
	}
	if r.Journal == "" {
		return
	}
	e.move(index)
	before := a.state
	if r.To != stay {
		a.state = r.To
	}
	a.change(r.On, t, c)
	if before.Hidden() && !a.state.Hidden() {
		a.uncover()
	}
	if a.state != before || r.On == condTrue || r.On == condFalse {
		a.lastChange = t
	}
	called := r.Journal == plant.EventRealarm || (r.Journal == plant.EventAlarm || r.Then == plant.EventAlarm) && !a.state.Hidden()
	e.setReminder(a, called, t)
	if called {
		e.bidFirstUp(index, t)
	}
	e.record(index, r.Journal, before, t, r.On, c, "")
	if r.Then != "" {
		e.record(index, r.Then, before, t, r.On, &noCommand, "")
	}
	e.retime(index)
	if r.On == commented || r.On == edited {
		return
	}
	e.clearFirstUp(a.group)
	e.updateConsequence(index, t)
	for _, child := range a.children {
		e.updateConsequence(child, t)
	}
}

// change sets the flags that a trigger changes, whatever the state.
func (a *alarm) change(on trigger, t time.Time, c *Command) {
	if c.Comment != "" || on == commented {
		a.comment = c.Comment
	}
	switch on {
	case condTrue:
		a.active, a.acked, a.confirmed = true, false, true
		a.latched = a.latched || a.spec.Latching
		a.occurrence++
		a.activeSince = t
		a.realarmCount = 0
	case condFalse:
		a.active = false
		a.realarmCount = 0
	case acknowledge:
		a.acked, a.confirmed = true, !a.spec.Confirm
	case confirm:
		a.confirmed = true
	case reset:
		a.latched = false
	case realarmDue, escalated:
		a.acked, a.confirmed = false, true
		a.realarmCount++
	case shelveTimed:
		a.shelving, a.shelfUntil = TimedShelving, t.Add(c.Duration)
	case shelveOneShot:
		a.shelving, a.shelfUntil = OneShotShelving, time.Time{}
		if a.spec.MaxShelve > 0 {
			a.shelfUntil = t.Add(a.spec.MaxShelve)
		}
	case shelfOver, oneShotOver, unshelve:
		a.shelving, a.shelfUntil = Unshelved, time.Time{}
	case suppress:
		// A fresh slice: pictures given out keep theirs.
		a.reasons = append(slices.Clip(a.reasons), Suppression{By: c.By, Reason: cmp.Or(c.Words, words.Verbatim(c.Reason))})
	case unsuppress:
		a.reasons = slices.DeleteFunc(slices.Clone(a.reasons), func(s Suppression) bool { return s.By == c.By })
	case removeService:
		a.outOfService = true
	case placeService:
		a.outOfService = false
	}
}

// uncover sets acknowledgement when the last suppression has ended: what is
// active must be acknowledged again (R-S3), what has gone is done (R-S4).
func (a *alarm) uncover() {
	switch a.state {
	case Unacknowledged:
		a.acked, a.confirmed = false, true
	case Normal:
		a.acked = true
	}
}

// setReminder starts the re-alarm time at each call of the operator and stops
// it with the return and while hidden (R-A1).
func (e *Engine) setReminder(a *alarm, called bool, t time.Time) {
	switch {
	case a.spec.Realarm == 0 || !a.active || a.state.Hidden():
		a.realarmDue = time.Time{}
	case called:
		a.realarmDue = t.Add(a.spec.Realarm)
	}
}

// record appends one event to those waiting for [Engine.Drain].
func (e *Engine) record(index int, kind plant.EventKind, before State, t time.Time, on trigger, c *Command, code string) {
	a := &e.alarms[index]
	ev := plant.Event{
		Time: t, Kind: kind,
		Alarm: a.spec.Name, Source: a.spec.Source, Area: a.spec.Area,
		Occurrence: a.occurrence, Priority: a.spec.Priority,
		State: a.state.String(), Before: before.String(),
		Setpoint: a.spec.Setpoint, Unit: a.spec.Unit,
		User: c.User, Station: c.Station, Comment: c.Comment, Reason: c.Reason, Words: c.Words,
		Code: code,
	}
	if a.quality.Seen() {
		ev.Quality = a.quality.String()
	}
	if !math.IsNaN(a.value) {
		v := a.value
		ev.Value = &v
	}
	switch kind {
	case plant.EventAlarm:
		ev.Annunciated = !a.state.Hidden()
		ev.FirstUp = a.firstUp
		ev.Text = a.spec.Title
	case plant.EventRealarm:
		ev.Annunciated = true
		ev.Count = a.realarmCount
		ev.Text = a.spec.Title
		if on == escalated {
			ev.Reason = "priority raised"
		}
	case plant.EventFirstUp:
		ev.FirstUp = true
		ev.Text = "first of group " + a.spec.Group
	case plant.EventShelve:
		ev.Action = a.shelving.String()
		if on == shelveTimed {
			ev.DurationS = c.Duration.Seconds()
		}
	case plant.EventUnshelve:
		switch on {
		case unshelve:
			ev.Action = "operator"
		case shelfOver:
			ev.Action = "expired"
		case oneShotOver:
			ev.Action = "one-shot"
		}
	case plant.EventRejected:
		ev.Action = string(c.Action)
		ev.Text = whyRefused[code]
	}
	e.events = append(e.events, ev)
}

// Drain returns the events since the last call, in order, nil if there are
// none. Their Received and Seq are for the journal to fill.
func (e *Engine) Drain() []plant.Event {
	out := e.events
	e.events = nil
	return out
}
