package engine

import (
	"fmt"
	"time"

	"calandria/plant"
)

// Adopt takes over the rules of another core of the same plant between two scans,
// and gives its account in one line; mark names the rule files. An error changes
// nothing. Only what runs in the loop's goroutine may call it.
func (l *Loop) Adopt(next *Core, mark string) (sum string, err error) {
	c, now := l.core, l.Now()
	c.Alarms.Advance(now)
	l.commit(now)
	before := describeRules(c, now)
	if err := c.Adopt(next, now); err != nil {
		return "", err
	}
	l.specs = SpecsByName(c.Rules.Alarms())
	changed := map[string]bool{}
	added, removed := 0, 0
	events := c.Drain()
	for _, e := range events {
		if e.Kind == plant.EventChange {
			changed[e.Alarm] = true
		}
	}
	after := describeRules(c, now)
	for name := range before {
		if _, still := after[name]; !still {
			removed++
		}
	}
	for i, spec := range c.Rules.Alarms() {
		was, known := before[spec.Name]
		is := after[spec.Name]
		if !known {
			added++
			continue
		}
		if was.hash == is.hash {
			continue
		}
		// The engine journals what changed in a definition; the condition is
		// known here only.
		text := ""
		switch {
		case was.words != is.words:
			text = fmt.Sprintf("condition %q -> %q", was.words, is.words)
		case !changed[spec.Name]:
			text = "a tag beneath its condition is worked out otherwise"
		}
		changed[spec.Name] = true
		if text != "" {
			st := c.Alarms.Status(i)
			events = append(events, plant.Event{Time: now, Kind: plant.EventChange, Alarm: spec.Name, Source: spec.Source, Area: spec.Area,
				Occurrence: st.Occurrence, Priority: spec.Priority, State: st.Code, Before: st.Code, Reason: "rules reloaded", Text: text})
		}
	}
	edited := len(changed) - added - removed
	sum = fmt.Sprintf("%d alarms: %d added, %d removed, %d changed; rule files %s", len(after), added, removed, edited, mark)
	events = append(events, plant.Event{Time: now, Kind: plant.EventConfig, Source: SystemOwner, Text: "rules reloaded: " + sum})
	l.store(events, now, false)
	l.scan(now)
	return sum, nil
}

// ruleText is an alarm's rule as far as the engine does not know it.
type ruleText struct{ hash, words string }

func describeRules(c *Core, at time.Time) map[string]ruleText {
	m := map[string]ruleText{}
	for i, spec := range c.Rules.Alarms() {
		x := c.Rules.Explain(i, c.Frame, at)
		words := x.Words
		if x.OnlyWords != "" {
			words += "; only while " + x.OnlyWords
		}
		if x.SuppressWords != "" {
			words += "; suppressed while " + x.SuppressWords
		}
		m[spec.Name] = ruleText{c.Rules.Hash(i), words.String()}
	}
	return m
}
