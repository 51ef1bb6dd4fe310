package alerting

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"calandria/plant"
)

// Change says who changed the definitions and why, for the journal.
type Change struct {
	User    string
	Station string
	Reason  string // reason or number of the approved change
}

// Reload changes to other definitions. Alarms of the same name keep their
// state, timers and occurrence; an edited one is journalled as CHANGE with its
// old and new attributes, and so are alarms that come and go. An acknowledged,
// active alarm whose priority was raised calls again. Faulty definitions
// change nothing. Indexes are those of the new specifications; give every
// alarm its condition again afterwards, for its setpoint may have moved.
func (e *Engine) Reload(specs []plant.AlarmSpec, by Change, now time.Time) error {
	e.Advance(now)
	n := &Engine{events: e.events, now: e.now, startedAt: e.startedAt, hold: e.hold, patience: e.patience, recordLost: e.recordLost}
	if err := n.build(specs); err != nil {
		return err
	}
	for i := range n.alarms {
		if old, known := e.before(n.alarms[i].spec, n); known {
			n.alarms[i].inherit(&e.alarms[old])
			n.retime(i)
		}
	}
	for _, s := range e.Save().Groups {
		n.restoreGroup(&s, now)
	}
	c := Command{User: by.User, Station: by.Station, Reason: by.Reason}
	for i := range e.alarms {
		if a := &e.alarms[i]; !n.has(a.spec.Name) && !n.renamed(a.spec.Name) {
			n.events = append(n.events, plant.Event{Time: now, Kind: plant.EventChange, Alarm: a.spec.Name, Source: a.spec.Source,
				Area: a.spec.Area, Occurrence: a.occurrence, Priority: a.spec.Priority, Before: a.state.String(),
				User: by.User, Station: by.Station, Reason: by.Reason, Text: "removed; it was " + a.state.Word()})
		}
	}
	for i := range n.alarms {
		old, known := e.before(n.alarms[i].spec, n)
		if !known {
			n.changed(i, "added", c, now)
			continue
		}
		before, after := e.alarms[old].spec, n.alarms[i].spec
		diff := differences(before, after)
		if len(diff) == 0 {
			continue
		}
		n.changed(i, strings.Join(diff, "; "), c, now)
		n.reconcile(i, before, now)
	}
	for i := range n.alarms {
		n.dropForbidden(i, now)
	}
	*e = *n
	e.Advance(now)
	return nil
}

// before finds the alarm that a definition takes over: that of its name, else that
// of its former name, unless the new definitions still have one of that name.
func (e *Engine) before(spec *plant.AlarmSpec, next *Engine) (int, bool) {
	if i, known := e.byName[spec.Name]; known {
		return i, true
	}
	if spec.Formerly == "" || next.has(spec.Formerly) {
		return 0, false
	}
	i, known := e.byName[spec.Formerly]
	return i, known
}

// renamed reports that a definition takes over the state of a name.
func (e *Engine) renamed(name string) bool {
	return slices.ContainsFunc(e.alarms, func(a alarm) bool { return a.spec.Formerly == name })
}

func (e *Engine) has(name string) bool {
	_, known := e.byName[name]
	return known
}

// changed journals an edit of the definition.
func (e *Engine) changed(index int, text string, c Command, now time.Time) {
	if r := e.fire(index, edited, now, &c); r != nil {
		e.events[len(e.events)-1].Text = text
	}
}

// inherit takes over the state of the alarm's earlier definition.
func (a *alarm) inherit(old *alarm) {
	keep := *a
	*a = *old
	a.spec, a.group, a.parents, a.children, a.firstUp, a.moved = keep.spec, keep.group, keep.parents, keep.children, false, keep.moved
}

// reconcile brings running timers in line with an edited definition.
func (e *Engine) reconcile(index int, before *plant.AlarmSpec, now time.Time) {
	a := &e.alarms[index]
	if due := a.pendingDue(); !due.IsZero() && due.Before(now) {
		// The new delay is over already: it ends now, not in the past.
		a.pendingSince = a.pendingSince.Add(now.Sub(due))
	}
	if a.spec.Realarm != before.Realarm {
		e.setReminder(a, true, now)
	}
	e.retime(index)
	if a.spec.Priority < before.Priority {
		e.fire(index, escalated, now, nil)
	}
}

// differences lists the attributes that differ, old and new. Where an alarm is
// written down is not an attribute of it.
func differences(before, after *plant.AlarmSpec) []string {
	var out []string
	b, a := reflect.ValueOf(*before), reflect.ValueOf(*after)
	for i := range b.NumField() {
		name := b.Type().Field(i).Name
		if name == "File" || name == "Line" {
			continue
		}
		was, is := attribute(b.Field(i)), attribute(a.Field(i))
		if was != is {
			out = append(out, fmt.Sprintf("%s %s -> %s", name, was, is))
		}
	}
	return out
}

func attribute(v reflect.Value) string {
	switch x := v.Interface().(type) {
	case *float64:
		if x == nil {
			return "none"
		}
		return fmt.Sprint(*x)
	case string:
		return fmt.Sprintf("%q", x)
	case []string:
		return fmt.Sprintf("%q", x)
	default:
		return fmt.Sprint(x)
	}
}
