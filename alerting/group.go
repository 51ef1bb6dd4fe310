package alerting

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
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

// updateConsequence begins or ends the suppression of an alarm as the consequence of
// another. It begins only while the alarm is normal, so that nothing already
// shown is taken away, and never for what rule R-N1 or its priority protects.
// It ends as soon as no shown, active alarm explains it whose input is usable, or
// has been bad for no longer than the engine's patience.
func (e *Engine) updateConsequence(index int, t time.Time) {
	a := &e.alarms[index]
	if len(a.parents) == 0 && len(a.reasons) == 0 {
		return
	}
	reason, doubted := none, none
	for _, p := range a.parents {
		parent := &e.alarms[p]
		if !parent.active || parent.state.Hidden() {
			continue
		}
		if parent.quality.Usable() || !parent.doubtedAt.IsZero() {
			reason = p
			break
		}
		doubted = p
	}
	switch is := a.suppressedBy(ByConsequence); {
	case is && reason == none:
		ends := words.Text("nothing shown explains it any more")
		if doubted != none {
			ends = words.Say("%s explains it no longer: its input is %s", e.alarms[doubted].spec.Name, words.Verbatim(e.alarms[doubted].quality.String()))
		}
		e.fire(index, unsuppress, t, because(ByConsequence, ends))
	case !is && reason != none && a.state == Normal && !a.active && !e.recordLost &&
		a.spec.Priority > plant.PriorityHigh && !a.neverSuppressed() && !e.isFirst(index):
		e.fire(index, suppress, t, because(ByConsequence, words.Say("consequence of %s", e.alarms[reason].spec.Name)))
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

// A burst is more than burstLines new lines within burstTime: the flood of
// EEMUA 191 and ISA-18.2 (more than 10 in 10 min, from memory), but sliding and
// of lines, for it is about what can be read.
const (
	burstLines = 10
	burstTime  = 10 * time.Minute
)

// Line is one line of the list of active alarms: an alarm, and those that may be
// folded under it. The numbers are places in the list given to [Fold].
type Line struct {
	Lead    int
	Members []int
	// Burst: it is the first of its area in a burst, and the members came with it.
	Burst bool
}

// Fold puts a list of alarms that are to be shown into lines. Members of a
// first-up group go under the alarm that has the mark, or would get it while the
// choice waits. If even so more than ten
// lines came within ten minutes, those of one area go under the first of them
// (R-F3). An urgent or high alarm, a highly managed one and one of class system
// has a line of its own, always. Fold only arranges: states, calls and
// the journal know nothing of it. The lines keep the order of the list.
func Fold(list []*Status) []Line {
	leads := map[string]int{}
	for i, s := range list {
		if (s.FirstUp || s.bids) && s.Group != "" {
			leads[s.Group] = i
		}
	}
	under := make([]int, len(list)) // what it goes under, itself if nothing
	for i, s := range list {
		under[i] = i
		if l, ok := leads[s.Group]; ok && s.Group != "" && l != i && foldable(s) {
			under[i] = l
		}
	}
	burst := map[int]bool{}
	for _, run := range bursts(list, under) {
		first := map[string]int{}
		for _, i := range run {
			area := areaOf(list[i])
			l, ok := first[area]
			switch {
			case !ok:
				first[area] = i
			case foldable(list[i]):
				under[i] = l
				burst[l] = true
			}
		}
	}
	place := map[int]int{}
	var lines []Line
	for i := range list {
		if under[i] == i {
			place[i] = len(lines)
			lines = append(lines, Line{Lead: i, Burst: burst[i]})
		}
	}
	for i := range list {
		l := under[i]
		for under[l] != l { // a group's first-up may itself have gone into a burst
			l = under[l]
		}
		if l != i {
			line := &lines[place[l]]
			line.Members = append(line.Members, i)
		}
	}
	return lines
}

// foldable says whether an alarm may stand under another.
func foldable(s *Status) bool {
	p := s.Spec
	return p == nil || (p.Priority == plant.PriorityNone || p.Priority > plant.PriorityHigh) && !p.HighlyManaged && p.Class != "system"
}

func areaOf(s *Status) string {
	if s.Spec == nil {
		return ""
	}
	return s.Spec.Area
}

// bursts finds the runs of lines that came too quickly to be read, each in order
// of time.
func bursts(list []*Status, under []int) [][]int {
	var lines []int
	for i := range list {
		if under[i] == i {
			lines = append(lines, i)
		}
	}
	slices.SortStableFunc(lines, func(a, b int) int {
		return cmp.Or(list[a].ActiveSince.Compare(list[b].ActiveSince), cmp.Compare(list[a].Index, list[b].Index))
	})
	var runs [][]int
	from, to := 0, 0 // of the run being gathered
	for i, j := 0, 0; i < len(lines); i++ {
		for j < len(lines) && list[lines[j]].ActiveSince.Sub(list[lines[i]].ActiveSince) < burstTime {
			j++
		}
		if j-i <= burstLines {
			continue
		}
		if i >= to {
			if to > from {
				runs = append(runs, lines[from:to])
			}
			from = i
		}
		to = j
	}
	if to > from {
		runs = append(runs, lines[from:to])
	}
	return runs
}
