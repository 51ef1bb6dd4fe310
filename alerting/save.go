package alerting

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"calandria/plant"
)

// savedVersion is the version of [Saved]; others are refused.
const savedVersion = 1

// Saved is the state of an engine for storage, as JSON. It holds no running
// on- or off-delays: those start again with the first good sample (R-R1).
// Store it before a transition is shown to anyone (R-R2).
type Saved struct {
	Version int          `json:"version"`
	At      time.Time    `json:"at"`
	Alarms  []SavedAlarm `json:"alarms"`
	Groups  []SavedGroup `json:"groups,omitempty"`
}

// SavedAlarm is the state of one alarm. State repeats what follows from the
// other fields, so that damage shows.
type SavedAlarm struct {
	Name         string        `json:"name"`
	State        string        `json:"state"`
	Active       bool          `json:"active"`
	Acked        bool          `json:"acked"`
	Confirmed    bool          `json:"confirmed"`
	Latched      bool          `json:"latched"`
	Shelving     string        `json:"shelving"`
	ShelvedUntil time.Time     `json:"shelved_until,omitzero"`
	Suppressed   []Suppression `json:"suppressed,omitempty"`
	OutOfService bool          `json:"out_of_service"`
	Occurrence   uint64        `json:"occurrence"`
	ActiveSince  time.Time     `json:"active_since,omitzero"`
	LastChange   time.Time     `json:"last_change,omitzero"`
	RealarmCount int           `json:"realarm_count"`
	RealarmDue   time.Time     `json:"realarm_due,omitzero"`
	Comment      string        `json:"comment,omitempty"`
	Value        *float64      `json:"value,omitempty"`
	Quality      *uint32       `json:"quality,omitempty"` // status code, absent before the first
	InputTime    time.Time     `json:"input_time,omitzero"`
}

// SavedGroup is the first-up mark of one group.
type SavedGroup struct {
	Name      string    `json:"name"`
	Mark      string    `json:"mark,omitempty"`
	Candidate string    `json:"candidate,omitempty"`
	Since     time.Time `json:"since,omitzero"`
	DecideAt  time.Time `json:"decide_at,omitzero"`
}

// untouched: nothing ever happened to the alarm, so that one without saved
// state is the same.
func (a *alarm) untouched() bool {
	return a.state == Normal && a.occurrence == 0 && !a.active && a.acked && a.confirmed && !a.latched && a.shelving == Unshelved && len(a.reasons) == 0 &&
		!a.outOfService && a.comment == "" && a.lastChange.IsZero() && (!a.quality.Seen() || a.quality.Code() == 0)
}

// Save returns the state for storage: of the alarms to which something ever
// happened.
func (e *Engine) Save() Saved {
	s := Saved{Version: savedVersion, At: e.now}
	for i := range e.alarms {
		if !e.alarms[i].untouched() {
			s.Alarms = append(s.Alarms, e.SaveAlarm(i))
		}
	}
	s.Groups = e.saveGroups()
	return s
}

func (e *Engine) saveGroups() (out []SavedGroup) {
	for i := range e.groups {
		g := &e.groups[i]
		if g.mark == none && g.candidate == none {
			continue
		}
		sg := SavedGroup{Name: g.name}
		if g.mark != none {
			sg.Mark = e.alarms[g.mark].spec.Name
		}
		if g.candidate != none {
			sg.Candidate, sg.Since, sg.DecideAt = e.alarms[g.candidate].spec.Name, g.since, g.decideAt
		}
		out = append(out, sg)
	}
	return out
}

// SaveAlarm returns the state of one alarm, for storage that keeps them one by
// one.
func (e *Engine) SaveAlarm(index int) SavedAlarm {
	a := &e.alarms[index]
	s := SavedAlarm{
		Name: a.spec.Name, State: a.state.String(),
		Active: a.active, Acked: a.acked, Confirmed: a.confirmed, Latched: a.latched,
		Shelving: a.shelving.String(), ShelvedUntil: a.shelfUntil,
		Suppressed: a.reasons, OutOfService: a.outOfService,
		Occurrence: a.occurrence, ActiveSince: a.activeSince, LastChange: a.lastChange,
		RealarmCount: a.realarmCount, RealarmDue: a.realarmDue,
		Comment: a.comment, InputTime: a.inputTime,
	}
	if !math.IsNaN(a.value) && !math.IsInf(a.value, 0) { // JSON has no word for them
		v := a.value
		s.Value = &v
	}
	if a.quality.Seen() {
		code := a.quality.Code()
		s.Quality = &code
	}
	return s
}

// derived is the state that follows from the flags: out of service before
// suppressed before shelved (R-S1), then as ISA-18.2 clause 5.3 defines it.
func (a *alarm) derived() State {
	switch {
	case a.outOfService:
		return OutOfService
	case len(a.reasons) > 0:
		return SuppressedByDesign
	case a.shelving != Unshelved:
		return Shelved
	case a.active && a.acked:
		return Acknowledged
	case a.active:
		return Unacknowledged
	case a.latched && a.acked:
		return LatchedAck
	case a.latched:
		return LatchedUnack
	case a.acked:
		return Normal
	}
	return ReturnedUnack
}

// restore takes over a saved state. False means that the state contradicts
// itself; then the alarm is put where it shows most: in view, unacknowledged.
func (a *alarm) restore(s *SavedAlarm, now time.Time) (sound bool) {
	a.active, a.acked, a.confirmed, a.latched = s.Active, s.Acked, s.Confirmed, s.Latched
	a.occurrence, a.activeSince, a.lastChange = s.Occurrence, s.ActiveSince, s.LastChange
	a.realarmCount, a.comment = s.RealarmCount, s.Comment
	a.outOfService, a.reasons = s.OutOfService, s.Suppressed
	shelvingSound := true
	switch s.Shelving {
	case "", "unshelved":
		shelvingSound = s.ShelvedUntil.IsZero()
	case "timed":
		a.shelving, shelvingSound = TimedShelving, !s.ShelvedUntil.IsZero()
	case "oneshot":
		a.shelving = OneShotShelving
	default:
		shelvingSound = false
	}
	a.shelfUntil = notBefore(s.ShelvedUntil, now) // R-R3
	a.realarmDue = notBefore(s.RealarmDue, now)   // R-R4
	if s.InputTime.Before(now) || s.InputTime.Equal(now) {
		a.inputTime = s.InputTime
	}
	a.value = math.NaN()
	if s.Value != nil {
		a.value = *s.Value
	}
	if s.Quality != nil {
		a.quality = plant.QualityOf(*s.Quality)
	}
	a.state = a.derived()
	if shelvingSound && a.state.String() == s.State {
		return true
	}
	a.shelving, a.shelfUntil, a.reasons, a.outOfService = Unshelved, time.Time{}, nil, false
	a.acked, a.confirmed = false, true
	a.state = a.derived()
	return false
}

// notBefore moves a timer that ran out while the program was down to now.
func notBefore(due, now time.Time) time.Time {
	if !due.IsZero() && due.Before(now) {
		return now
	}
	return due
}

// Restore takes over a saved state at the moment the program starts again. It
// is for a new engine. By itself it raises, acknowledges and clears nothing
// (R-R2): shelvings that ran out meanwhile end now (R-R3) and a reminder that
// fell due is given once (R-R4). Alarms without saved state start new. The
// returned error reports states that could not be used; those alarms were put
// on the side that shows more, and the journal says so (RECORD): raise a
// system alarm for it.
func (e *Engine) Restore(s Saved, now time.Time) error {
	e.startedAt, e.now = now, now
	e.stored = false
	if s.Version != savedVersion {
		return e.unreadable(fmt.Errorf("stored alarm state has version %d, this program reads %d", s.Version, savedVersion), now)
	}
	var damaged []string
	for i := range s.Alarms {
		saved := &s.Alarms[i]
		index, known := e.byName[saved.Name]
		if !known { // renamed while the program was down
			index = slices.IndexFunc(e.alarms, func(a alarm) bool { return a.spec.Formerly == saved.Name })
			known = index >= 0 && !slices.ContainsFunc(s.Alarms, func(x SavedAlarm) bool { return x.Name == e.alarms[index].spec.Name })
		}
		if !known {
			if saved.State != Normal.String() {
				e.events = append(e.events, plant.Event{Time: now, Kind: plant.EventChange, Alarm: saved.Name,
					Before: saved.State, Occurrence: saved.Occurrence, Text: "no longer defined; it was " + saved.State})
			}
			continue
		}
		if !e.alarms[index].restore(saved, now) {
			damaged = append(damaged, saved.Name)
		}
	}
	for i := range s.Groups {
		e.restoreGroup(&s.Groups[i], now)
	}
	for i := range e.alarms {
		a := &e.alarms[i]
		e.setReminder(a, a.realarmDue.IsZero(), now)
		e.retime(i)
	}
	for i := range e.alarms {
		e.dropForbidden(i, now)
	}
	e.Advance(now)
	if len(damaged) > 0 {
		err := fmt.Errorf("stored state of %d alarms contradicts itself, first %q: they start in view and unacknowledged", len(damaged), damaged[0])
		e.note(err, now)
		return err
	}
	return nil
}

// Parts is the state for storage, cut so that a transition writes little: one
// part of JSON for each alarm under its name, and under the empty name what
// concerns all of them.
type Parts map[string][]byte

// SaveParts returns the parts that changed since the last call, or all. Whole
// means that these are all there are and replace whatever is stored: so it is
// if all are asked for, with the first call, and with the first one after
// [Engine.Restore] or [Engine.Reload]. Value, quality and time of an input are
// stored as they were at the alarm's own last change.
func (e *Engine) SaveParts(all bool) (parts Parts, whole bool, err error) {
	whole = all || !e.stored
	parts = Parts{}
	add := func(name string, v any) {
		b, fault := json.Marshal(v)
		if fault != nil {
			err = fmt.Errorf("store the state of alarm %q: %w", name, fault)
			return
		}
		parts[name] = b
	}
	if whole {
		for i := range e.alarms {
			if !e.alarms[i].untouched() {
				add(e.alarms[i].spec.Name, e.SaveAlarm(i))
			}
		}
	} else {
		for _, i := range e.moved {
			add(e.alarms[i].spec.Name, e.SaveAlarm(i))
		}
	}
	add("", Saved{Version: savedVersion, At: e.now, Groups: e.saveGroups()})
	if err != nil {
		return nil, false, err
	}
	for _, i := range e.moved {
		e.alarms[i].moved = false
	}
	e.moved, e.stored = e.moved[:0], true
	return parts, whole, nil
}

// move notes that an alarm's state for storage changed.
func (e *Engine) move(index int) {
	if a := &e.alarms[index]; !a.moved {
		a.moved = true
		e.moved = append(e.moved, index)
	}
}

// RestoreParts is [Engine.Restore] from the stored parts. An alarm whose part
// cannot be read starts in view and unacknowledged. If the part of the empty
// name cannot be read, every alarm starts unshelved, unsuppressed and
// unacknowledged: whatever is in alarm calls again at its first sample.
func (e *Engine) RestoreParts(parts Parts, now time.Time) error {
	var s Saved
	if err := json.Unmarshal(parts[""], &s); err != nil {
		e.startedAt, e.now = now, now
		return e.unreadable(fmt.Errorf("stored alarm state cannot be read: %w", err), now)
	}
	for _, name := range slices.Sorted(maps.Keys(parts)) {
		if name == "" {
			continue
		}
		var a SavedAlarm
		if err := json.Unmarshal(parts[name], &a); err != nil || a.Name != name {
			// Without a state that fits: Restore reports it as damaged.
			a = SavedAlarm{Name: name, Occurrence: uint64(max(now.Unix(), 0))}
		}
		s.Alarms = append(s.Alarms, a)
	}
	return e.Restore(s, now)
}

// unreadable starts without stored state. Occurrences are numbered from the
// present second on, so that no earlier number is used again.
func (e *Engine) unreadable(err error, now time.Time) error {
	for i := range e.alarms {
		e.alarms[i].occurrence = uint64(max(now.Unix(), 0))
	}
	e.note(err, now)
	return err
}

func (e *Engine) note(err error, now time.Time) {
	e.events = append(e.events, plant.Event{Time: now, Kind: plant.EventRecord, Text: err.Error()})
}

func (e *Engine) restoreGroup(s *SavedGroup, now time.Time) {
	for gi := range e.groups {
		g := &e.groups[gi]
		if g.name != s.Name {
			continue
		}
		if m, known := e.byName[s.Mark]; known && e.alarms[m].group == gi {
			g.mark = m
			e.alarms[m].firstUp = true
		}
		if c, known := e.byName[s.Candidate]; known && e.alarms[c].group == gi && g.mark == none {
			g.candidate, g.since, g.decideAt = c, s.Since, notBefore(s.DecideAt, now)
			e.timers.set(len(e.alarms)+gi, g.decideAt)
		}
		e.clearFirstUp(gi)
	}
}

// dropForbidden ends what the present definition of an alarm does not allow.
func (e *Engine) dropForbidden(index int, t time.Time) {
	a := &e.alarms[index]
	if a.shelving != Unshelved && a.spec.NoShelving {
		e.fire(index, shelfOver, t, nil)
	}
	if limit := t.Add(a.spec.MaxShelve); a.shelving != Unshelved && a.spec.MaxShelve > 0 &&
		(a.shelfUntil.IsZero() || a.shelfUntil.After(limit)) {
		a.shelfUntil = limit
		e.retime(index)
	}
	if a.spec.HighlyManaged || a.spec.Class == "system" {
		for _, s := range a.reasons {
			e.fire(index, unsuppress, t, &Command{By: s.By, Reason: "never suppressed automatically"})
		}
	}
	e.updateConsequence(index, t)
}
