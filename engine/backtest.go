package engine

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
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

// Write writes it for reading.
func (b *Backtest) Write(w io.Writer) {
	days := b.To.Sub(b.From).Hours() / 24
	fmt.Fprintf(w, "%s to %s, %.1f days, %d samples, %d scans\n\n", b.From.Format(time.RFC3339), b.To.Format(time.RFC3339), days, b.Samples, b.Scans)
	head := []string{"alarm", "priority", "alarms", "a day", "hidden", "in alarm", "share", "longest", "chattering", "worst hour"}
	if b.Against {
		head = append(head, "rules in use")
	}
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(t, strings.Join(head, "\t"))
	rows := slices.SortedStableFunc(slices.Values(b.Rules), func(x, y RuleRecord) int { return y.Alarms - x.Alarms })
	total, was, silent := 0, 0, 0
	for _, r := range rows {
		total += r.Alarms
		was += max(0, r.Present)
		if r.Alarms == 0 && r.Hidden == 0 && r.Active == 0 && r.Present <= 0 {
			silent++
			continue
		}
		worst := ""
		if r.Worst > 0 {
			worst = fmt.Sprintf("%s: %d", r.WorstHour.Format("2006-01-02 15:04"), r.Worst)
		}
		cells := []string{r.Spec.Name, r.Spec.Priority.String(), fmt.Sprint(r.Alarms), fmt.Sprintf("%.2f", float64(r.Alarms)/days), fmt.Sprint(r.Hidden),
			r.Active.Round(time.Second).String(), fmt.Sprintf("%.1f %%", 100*r.Share), r.Longest.Round(time.Second).String(), fmt.Sprint(r.Chattering), worst}
		if b.Against {
			present := "no such alarm"
			if r.Present >= 0 {
				present = fmt.Sprint(r.Present)
			}
			cells = append(cells, present)
		}
		fmt.Fprintln(t, strings.TrimRight(strings.Join(cells, "\t"), "\t"))
	}
	t.Flush()
	for _, r := range b.Gone {
		was += r.Present
		if r.Present > 0 {
			fmt.Fprintf(w, "\n%s is not among the rules tried; under those in use it came %d times", r.Spec.Name, r.Present)
		}
	}
	fmt.Fprintf(w, "\n%d alarms, %.2f a day", total, float64(total)/days)
	if b.Against {
		fmt.Fprintf(w, "; with the rules in use %d, %.2f a day", was, float64(was)/days)
	}
	fmt.Fprintf(w, "\n%d further alarms did not come\n", silent)
	for _, f := range b.Faults {
		fmt.Fprintf(w, "%s could not be evaluated %d times: %s\n", f.Rule, f.Count, f.Reason)
	}
}
