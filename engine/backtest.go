package engine

import (
	"cmp"
	"slices"
	"time"

	"calandria/plant"
	"calandria/rules"
)

// Backtest is what rules would have done between From and To.
type Backtest struct {
	From, To time.Time // half-open
	Samples  int       // raw samples replayed, those for warming included
	Scans    int       // without those for warming
	Rules    []RuleRecord
	// Against: the rules tried were compared with those in use.
	Against bool
	// Gone are alarms of the rules in use that the tried ones lack.
	Gone   []RuleRecord
	Faults []rules.RuleFault // rules that could not be evaluated
}

// RuleRecord is one alarm's part of it.
type RuleRecord struct {
	Spec       plant.AlarmSpec
	Alarms     int           // times it called the operator
	Hidden     int           // times it came while it was suppressed
	Active     time.Duration // in alarm, shown or hidden
	Longest    time.Duration
	Share      float64   // of the time, 0 to 1
	Chattering int       // episodes of three or more within a minute
	WorstHour  time.Time // the hour with the most alarms, zero without any
	Worst      int       // alarms in that hour
	Suppressed float64   // share of the scans with a known suppress_when in which it held, 0 to 1
	Present    int       // alarms under the rules in use; -1: no such alarm there

	known, held int // scans of that
	occurrence  uint64
	since       time.Time // of the running activation
	recent      []time.Time
	hours       map[time.Time]int

	// For a picture of it, where it is asked for: equal parts of the time, true
	// if it was in alarm in them, and the hours with the most alarms, those first.
	Strip []bool
	part  time.Duration
	Hours []HourCount
	Stood bool // it was in alarm when the time began
}

// HourCount is an hour with alarms.
type HourCount struct {
	At time.Time
	N  int
}

// Compare adds what the rules in use did beside those tried.
func (b *Backtest) Compare(old *Backtest) {
	b.Against = true
	before := map[string]int{}
	for _, r := range old.Rules {
		before[r.Spec.Name] = r.Alarms
	}
	for i := range b.Rules {
		r := &b.Rules[i]
		if n, ok := before[r.Spec.Name]; ok {
			r.Present = n
			delete(before, r.Spec.Name)
		}
	}
	for _, r := range old.Rules {
		if n, gone := before[r.Spec.Name]; gone {
			r.Present = n
			b.Gone = append(b.Gone, r)
		}
	}
}

func (b *Backtest) note(c *Core, events []plant.Event) {
	for _, e := range events {
		i, ok := c.Alarms.Index(e.Alarm)
		if !ok {
			continue
		}
		r := &b.Rules[i]
		switch e.Kind {
		case plant.EventAlarm:
			unhidden := e.Occurrence == r.occurrence // called when suppression ended
			r.occurrence = e.Occurrence
			if !unhidden {
				r.since = e.Time
			}
			if e.Time.Before(b.From) {
				continue
			}
			if !e.Annunciated {
				r.Hidden++
				continue
			}
			r.Alarms++
			r.hours[e.Time.Truncate(time.Hour)]++
			r.recent = append(r.recent, e.Time)
			before := len(r.recent)
			for e.Time.Sub(r.recent[0]) > time.Minute {
				r.recent = r.recent[1:]
			}
			// An episode begins with the third within a minute and lasts while
			// each further one comes within the minute of the two before.
			if len(r.recent) == 3 && before == 3 {
				r.Chattering++
			}
		case plant.EventReturn:
			r.end(b.From, e.Time)
		}
	}
}

// end closes a running activation.
func (r *RuleRecord) end(from, at time.Time) {
	if r.since.IsZero() {
		return
	}
	if r.since.Before(from) {
		r.since, r.Stood = from, at.After(from)
	}
	if d := at.Sub(r.since); d > 0 {
		r.Active += d
		r.Longest = max(r.Longest, d)
		for i := range r.Strip {
			begin := from.Add(time.Duration(i) * r.part)
			if begin.Before(at) && begin.Add(r.part).After(r.since) {
				r.Strip[i] = true
			}
		}
	}
	r.since = time.Time{}
}

func (r *RuleRecord) finish(from, to time.Time) {
	r.end(from, to)
	r.Suppressed = float64(r.held) / float64(max(r.known, 1))
	r.Share = r.Active.Seconds() / to.Sub(from).Seconds()
	for h, n := range r.hours {
		if n > r.Worst || n == r.Worst && h.Before(r.WorstHour) {
			r.Worst, r.WorstHour = n, h
		}
	}
	if r.Strip != nil {
		for h, n := range r.hours {
			r.Hours = append(r.Hours, HourCount{h, n})
		}
		slices.SortFunc(r.Hours, func(a, b HourCount) int { return cmp.Or(cmp.Compare(b.N, a.N), a.At.Compare(b.At)) })
		r.Hours = r.Hours[:min(len(r.Hours), worstHours)]
	}
	r.hours, r.recent = nil, nil
}

// worstHours is how many hours are listed for a picture.
const worstHours = 5
