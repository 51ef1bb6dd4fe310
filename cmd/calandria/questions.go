package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
	"calandria/thermo/fouling"
)

// What the console asks beyond the picture. The loop owns the engines, so it
// is the loop that answers.

func (b *backend) scales(ctx context.Context, set string) (found []thermo.Scale, err error) {
	err = b.s.loop.Call(ctx, func(c *engine.Core) { found = c.Calc.Scales(set) })
	return found, err
}

// Scales implements console.Backend.
func (b *backend) Scales(ctx context.Context, set string) ([]console.Scale, error) {
	found, err := b.scales(ctx, set)
	if err != nil {
		return nil, err
	}
	out := make([]console.Scale, 0, len(found))
	for _, x := range found {
		f := x.Forecast
		c := console.Scale{Body: x.Body, Started: x.Started, Cleaned: x.Cleaned, CleanU: x.CleanU, Limit: x.Config.CleaningLimit, Status: string(f.Status),
			Due: f.Due, Early: f.Early, Late: f.Late, Confidence: f.Confidence, U: f.U, RatePct: f.RatePct, SigmaPct: f.RateSigmaPct,
			Values: f.Values, Cycles: f.Cycles, FromEarlierPct: f.FromEarlierPct, Law: f.Kind.String(), Suspect: f.Suspect, Note: f.Note}
		if c.Status == "" {
			c.Status = string(fouling.NoData)
		}
		if d := x.Depends; d.Reference != (fouling.Shape{}) {
			c.Follows = fmt.Sprintf("U follows %.0f ± %.0f %% of the formula in temperature, %.0f ± %.0f %% in Brix", 100*d.Share[0], 100*d.Sigma[0], 100*d.Share[1], 100*d.Sigma[1])
		}
		out = append(out, c)
	}
	return out, nil
}

// PlanCleanings implements console.Backend. The costs that nobody gave are
// those of the command line.
func (b *backend) PlanCleanings(ctx context.Context, w console.PlanWish) (console.CleaningPlan, error) {
	for _, d := range []struct {
		v *float64
		d float64
	}{{&w.Hours, 10}, {&w.LossCost, 50}, {&w.Cost, 1500}, {&w.OffCost, 150}} {
		if *d.v == 0 {
			*d.v = d.d
		}
	}
	if w.Days == 0 {
		w.Days = 21
	}
	out := console.CleaningPlan{Wish: w, Notice: fouling.Notice}
	found, err := b.scales(ctx, w.Set)
	if err != nil {
		return out, err
	}
	zone, err := time.LoadLocation(b.House().Config.Site.TimeZone)
	if err != nil {
		return out, err
	}
	now := time.Now()
	plan, err := planWish{Days: w.Days, Stops: w.Stops, NoCrew: w.NoCrew, Hours: w.Hours, LossCost: w.LossCost, Cost: w.Cost, OffCost: w.OffCost}.plan(found, now, zone)
	if err != nil {
		return out, &engine.Refused{Why: err.Error()}
	}
	out.Start, out.Cost, out.CostNone, out.Overdue, out.Assumed = plan.Start, plan.Cost, plan.CostNone, plan.Overdue, plan.Assumed
	for _, c := range plan.Cleanings {
		out.Lines = append(out.Lines, console.PlanLine{Body: c.Body, Day: c.Day, Hours: c.Hours, First: c.First, Last: c.Last, Latest: c.Latest,
			Binding: string(c.Binding), WaitCost: c.WaitCost, RatioBefore: c.RatioBefore, Stop: c.Stop})
	}
	var table, calendar bytes.Buffer
	if err := plan.WriteCSV(&table); err != nil {
		return out, fmt.Errorf("write the plan: %w", err)
	}
	if err := plan.WriteCalendar(&calendar, now.UTC(), "calandria.invalid"); err != nil {
		return out, fmt.Errorf("write the calendar: %w", err)
	}
	out.CSV, out.Calendar = table.Bytes(), calendar.Bytes()
	return out, nil
}

// RecordCleaning implements console.Backend: the tracker first, which may
// refuse; then the record, then the journal.
func (b *backend) RecordCleaning(ctx context.Context, c console.Cleaning) error {
	var failed error
	err := b.s.loop.Call(ctx, func(core *engine.Core) {
		l := b.s.loop
		now := l.Now()
		if c.End.After(now) {
			failed = &engine.Refused{Why: "The end of the cleaning is in the future."}
			return
		}
		if err := core.Calc.Cleaned(c.Body, c.End, now); err != nil {
			failed = &engine.Refused{Why: "Not recorded: " + err.Error()}
			return
		}
		start := c.Start
		if start.IsZero() {
			start = c.End
		}
		if _, err := b.s.journal.PutCleaning(historian.Cleaning{Body: c.Body, Start: start, End: c.End, User: c.User, Method: c.Method, Note: c.Note}); err != nil {
			failed = fmt.Errorf("store the cleaning: %w", err)
			return
		}
		text := "cleaned, back in service " + c.End.UTC().Format("2006-01-02 15:04 MST")
		if c.Method != "" {
			text += ": " + c.Method
		}
		l.Event(plant.Event{Time: now, Kind: plant.EventNote, Source: c.Body, User: c.User, Station: c.Station, Comment: c.Note, Text: text})
		l.Show(now)
	})
	return errors.Join(err, failed)
}

// Cleanings implements console.Backend.
func (b *backend) Cleanings(ctx context.Context, body string, from, to time.Time) ([]console.Cleaning, error) {
	found, err := b.s.journal.Cleanings(ctx, body, from, to)
	if err != nil {
		return nil, err
	}
	var out []console.Cleaning
	for _, c := range found {
		out = append(out, console.Cleaning{Body: c.Body, Start: c.Start, End: c.End, Method: c.Method, Note: c.Note, User: c.User})
	}
	return out, nil
}

// Explain implements console.Backend.
func (b *backend) Explain(ctx context.Context, alarm string) (e rules.Explanation, err error) {
	known := false
	err = b.s.loop.Call(ctx, func(c *engine.Core) {
		var i int
		if i, known = c.Alarms.Index(alarm); known {
			e = c.Rules.Explain(i, c.Frame, c.Frame.At)
		}
	})
	if err == nil && !known {
		err = &engine.Refused{Why: "There is no such alarm."}
	}
	return e, err
}

// AddNote implements console.Backend.
func (b *backend) AddNote(ctx context.Context, n console.Note) error {
	return b.s.loop.Call(ctx, func(c *engine.Core) {
		now := b.s.loop.Now()
		b.s.loop.Event(plant.Event{Time: now, Kind: plant.EventNote, Source: n.Source, User: n.User, Station: n.Station, Text: n.Text})
		b.s.loop.Show(now)
	})
}
