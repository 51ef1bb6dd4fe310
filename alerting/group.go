package alerting

import (
	"fmt"
	"strings"
	"time"

	"calandria/plant"
)

const none = -1

// group is a first-up group (OPC 10000-9, 5.8.2 FirstInGroupFlag): the member
// that called first carries the mark until every member is normal and
// acknowledged (R-F1).
type group struct {
	name      string
	members   []int
	mark      int
	candidate int // while the decision is held for input skew
	since     time.Time
	decideAt  time.Time
}

// bidFirstUp is called when a member calls the operator. Hidden members do not
// call, and so never take the mark (R-F2).
func (e *Engine) bidFirstUp(index int, t time.Time) {
	gi := e.alarms[index].group
	if gi < 0 {
		return
	}
	g := &e.groups[gi]
	switch {
	case g.mark != none:
	case e.hold == 0:
		g.mark = index
		e.alarms[index].firstUp = true
	case g.candidate == none:
		g.candidate, g.since, g.decideAt = index, t, t.Add(e.hold)
		e.timers.set(len(e.alarms)+gi, g.decideAt)
	case t.Before(g.since): // equal times: the first to arrive keeps it
		g.candidate, g.since = index, t
	}
}

// decideFirstUp ends the hold: the candidate with the earliest source time has
// the mark.
func (e *Engine) decideFirstUp(gi int, t time.Time) {
	g := &e.groups[gi]
	e.timers.set(len(e.alarms)+gi, time.Time{})
	g.mark, g.candidate, g.decideAt = g.candidate, none, time.Time{}
	if g.mark == none {
		return
	}
	e.alarms[g.mark].firstUp = true
	e.record(g.mark, plant.EventFirstUp, e.alarms[g.mark].state, t, condTrue, &noCommand, "")
	e.clearFirstUp(gi)
}

// clearFirstUp takes the mark away once every member is normal and
// acknowledged. Members out of service are not waited for (R-F2).
func (e *Engine) clearFirstUp(gi int) {
	if gi < 0 || e.groups[gi].mark == none {
		return
	}
	g := &e.groups[gi]
	for _, m := range g.members {
		if a := &e.alarms[m]; !a.outOfService && (a.active || !a.acked) {
			return
		}
	}
	e.alarms[g.mark].firstUp = false
	g.mark = none
}

// isFirst reports that an alarm has its group's mark or may still get it.
func (e *Engine) isFirst(index int) bool {
	a := &e.alarms[index]
	return a.firstUp || a.group >= 0 && e.groups[a.group].candidate == index
}

// weigh begins or ends the suppression of an alarm as the consequence of
// another. It begins only while the alarm is normal, so that nothing already
// shown is taken away, and never for what rule R-N1 or its priority protects.
// It ends as soon as no shown, active alarm with a usable input explains it.
func (e *Engine) weigh(index int, t time.Time) {
	a := &e.alarms[index]
	if len(a.parents) == 0 && len(a.reasons) == 0 {
		return
	}
	reason := none
	for _, p := range a.parents {
		if parent := &e.alarms[p]; parent.active && !parent.state.Hidden() && parent.quality.Usable() {
			reason = p
			break
		}
	}
	switch is := a.suppressedBy(ByConsequence); {
	case is && reason == none:
		e.fire(index, unsuppress, t, &Command{By: ByConsequence, Reason: "nothing shown explains it any more"})
	case !is && reason != none && a.state == Normal && !a.active && !e.recordLost &&
		a.spec.Priority > plant.PriorityHigh && !a.neverSuppressed() && !e.isFirst(index):
		e.fire(index, suppress, t, &Command{By: ByConsequence, Reason: "consequence of " + e.alarms[reason].spec.Name})
	}
}

// checkCycles refuses alarms that explain themselves by way of others.
func (e *Engine) checkCycles() error {
	const (
		unseen = iota
		open
		done
	)
	mark := make([]uint8, len(e.alarms))
	var path []string
	var visit func(i int) error
	visit = func(i int) error {
		name := e.alarms[i].spec.Name
		path = append(path, name)
		defer func() { path = path[:len(path)-1] }()
		switch mark[i] {
		case done:
			return nil
		case open:
			return fmt.Errorf("alarm %q: consequence of: it explains itself: %s; take one of these links out", name, strings.Join(path, " <- "))
		}
		mark[i] = open
		for _, p := range e.alarms[i].parents {
			if err := visit(p); err != nil {
				return err
			}
		}
		mark[i] = done
		return nil
	}
	for i := range e.alarms {
		if err := visit(i); err != nil {
			return err
		}
	}
	return nil
}
