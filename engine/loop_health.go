package engine

import (
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"
)

// offer hands journalled events to the notifiers.
func (l *Loop) offer(events []plant.Event) {
	for _, n := range l.Notifiers {
		for i := range events {
			if events[i].Alarm != "" {
				n.Offer(events[i], l.specs[events[i].Alarm])
			}
		}
	}
}

// A receiver flaps when the journal has notifyMost entries of the last hour about
// it: it gets no more, and it counts as well again only once it has been so for
// notifySettle. One that flaps must not fill the journal.
const (
	notifyMost   = 6
	notifySettle = 5 * time.Minute
)

// notifyRecord is what the journal knows about a notifier.
type notifyRecord struct {
	down    bool
	well    time.Time // since when it has been well, zero while it is not
	refused uint64
	told    bool        // the journal has it as down
	entries []time.Time // of the last hour
}

// notifyHealth journals that a notifier fails, delivers again, or was refused,
// sets its tag, and reports whether all are well.
func (l *Loop) notifyHealth(at time.Time) (ok bool) {
	ok = true
	for _, n := range l.Notifiers {
		h, t := n.State(), l.journalled[n]
		t.entries = slices.DeleteFunc(t.entries, func(x time.Time) bool { return at.Sub(x) > time.Hour })
		flaps := len(t.entries) >= notifyMost
		switch {
		case !h.OK:
			t.down, t.well = true, time.Time{}
		case t.well.IsZero():
			t.well = at
		}
		if h.OK && (!flaps || at.Sub(t.well) >= notifySettle) {
			t.down = false
		}
		ok = ok && !t.down
		l.core.Set("notify_"+h.Name+"_ok", plant.Flag(!t.down), at)
		if (t.down != t.told || h.Refused > t.refused) && !flaps {
			e := plant.Event{Time: at, Kind: plant.EventNotify, Source: h.Name, Text: h.Text.String()}
			if t.told && !t.down {
				e.Text = "notices are delivered again; " + h.Text.String()
			}
			t.entries = append(t.entries, at)
			if len(t.entries) == notifyMost {
				e.Text += "; it comes and goes: no more entries about it for up to an hour"
			}
			t.told, t.refused = t.down, h.Refused
			l.Event(e)
		}
		l.journalled[n] = t
	}
	return ok
}

// ruleFaultMemory is how long a rule that went wrong counts as faulty; one that
// goes on going wrong does so at every scan or sample.
const ruleFaultMemory = time.Minute

// faultyRules lists the rules that went wrong lately.
func (l *Loop) faultyRules(at time.Time) []rules.RuleFault {
	faults := l.core.Rules.Faults()
	return slices.DeleteFunc(faults, func(f rules.RuleFault) bool { return at.Sub(f.Last) > ruleFaultMemory })
}

// ruleLine says which rules cannot be evaluated or are slow, for the health
// lines.
func ruleLine(faults []rules.RuleFault, alarms int) (ok bool, text words.Text) {
	if len(faults) == 0 {
		return true, words.Say("%d alarms watched", alarms)
	}
	const most = 3
	var lines []words.Text
	for _, f := range faults[:min(most, len(faults))] {
		form := words.Text("%s cannot be evaluated, so does not warn: %s")
		if f.Slow {
			form = "%s is %s"
		}
		lines = append(lines, words.Say(form, f.Rule, f.Reason))
	}
	if text = words.Join(lines, "; "); len(faults) > most {
		text = words.Say("%s and %d more", text, len(faults)-most)
	}
	return false, text
}

// insights keep what the calculation says of instruments and vacuum for the
// pictures. They are asked once a minute, and after ten seconds when something
// happened or a condenser was not judged; between that the pictures share them.
type insights struct {
	asked    time.Time
	seq      uint64
	open     bool // a condenser was not judged: asked again soon
	suspects []thermo.Suspect
	vacuum   []thermo.Vacuum
	checks   []thermo.InstrumentCheck
}

const (
	insightsEvery = time.Minute
	insightsSoon  = 10 * time.Second
)

// asOf gives them as of a moment; seq is the journal's last number by then.
func (i *insights) asOf(calc *thermo.Calculator, at time.Time, seq uint64) ([]thermo.Suspect, []thermo.Vacuum) {
	since := at.Sub(i.asked)
	if since >= 0 && since < insightsSoon || since >= 0 && since < insightsEvery && seq == i.seq && !i.open {
		return i.suspects, i.vacuum
	}
	i.asked, i.seq, i.open, i.suspects, i.vacuum, i.checks = at, seq, false, nil, calc.Vacuum(), calc.Checks()
	for _, s := range calc.Suspects() {
		s.Tags, s.Alike = slices.Clone(s.Tags), slices.Clone(s.Alike)
		i.suspects = append(i.suspects, s)
	}
	for _, v := range i.vacuum {
		i.open = i.open || !v.OK
	}
	return i.suspects, i.vacuum
}

// owners says which tags a value stands on, for how old its evidence is.
type owners struct {
	house  *plant.House
	of     []int // by tag: the set, pan or condenser that it belongs to
	oldest []time.Time
}

// confirmed gives when the evidence of each value was last heard of; heard is when
// each measured tag brought a sample.
func (o *owners) confirmed(p *Picture, heard []time.Time) []time.Time {
	if o.house != p.House {
		names := map[string]int{}
		o.house, o.of = p.House, make([]int, len(p.House.Tags))
		for i := range o.of {
			root, _, _ := strings.Cut(p.House.Tags[i].Owner, ".")
			if _, ok := names[root]; !ok {
				names[root] = len(names)
			}
			o.of[i] = names[root]
		}
		o.oldest = make([]time.Time, len(names))
	}
	servers := map[string]time.Time{}
	for i := range p.Sources {
		servers[p.Sources[i].Name] = p.Sources[i].Heard
	}
	clear(o.oldest)
	out := make([]time.Time, len(o.of))
	for i := range out {
		if p.House.Tags[i].Source != plant.Measured {
			continue
		}
		if i < len(heard) {
			out[i] = heard[i]
		}
		if !p.Frame.Points[i].Usable() {
			continue
		}
		if at := servers[p.House.Tags[i].Server]; at.After(out[i]) {
			out[i] = at
		}
		if t := &o.oldest[o.of[i]]; t.IsZero() || out[i].Before(*t) {
			*t = out[i]
		}
	}
	for i := range out {
		switch p.House.Tags[i].Source {
		case plant.Derived, plant.Ruled:
			out[i] = o.oldest[o.of[i]]
		case plant.Measured:
		default:
			out[i] = p.At
		}
	}
	return out
}
