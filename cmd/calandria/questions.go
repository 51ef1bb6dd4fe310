package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"calandria/console"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

// What the console asks beyond the picture. The loop owns the engines, so it
// is the loop that answers.

// Scales implements console.Backend.
func (b *backend) Scales(ctx context.Context, set string) (found []thermo.Scale, err error) {
	err = b.s.loop.Call(ctx, func(c *engine.Core) { found = c.Calc.Scales(set) })
	return found, err
}

// PlanCleanings implements console.Backend.
func (b *backend) PlanCleanings(ctx context.Context, w thermo.CleaningWish) (p thermo.CleaningProposal, err error) {
	zone, err := time.LoadLocation(b.House().Config.Site.TimeZone)
	if err != nil {
		return p, err
	}
	var failed error
	if err := b.s.loop.Call(ctx, func(c *engine.Core) { p, failed = c.Calc.ProposeCleanings(w, c.Frame.At, zone) }); err != nil {
		return p, err
	}
	if failed != nil {
		return p, &engine.Refused{Why: failed.Error()}
	}
	return p, nil
}

// WhatIf implements console.Backend.
func (b *backend) WhatIf(ctx context.Context, x thermo.Supposition) (out thermo.Outlook, err error) {
	var failed error
	if err := b.s.loop.Call(ctx, func(c *engine.Core) { out, failed = c.Calc.WhatIf(x) }); err != nil {
		return out, err
	}
	if failed != nil {
		return out, &engine.Refused{Why: failed.Error()}
	}
	return out, nil
}

// RecordCleaning implements console.Backend: the tracker first, which may
// refuse; then the record, then the journal.
func (b *backend) RecordCleaning(ctx context.Context, c plant.Cleaning) error {
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
		text := "cleaned, back in service " + c.End.UTC().Format("2006-01-02 15:04 MST")
		if c.Method != "" {
			text += ": " + c.Method
		}
		e := plant.Event{Time: now, Received: now, Kind: plant.EventNote, Source: c.Body, User: c.User, Station: c.Station, Comment: c.Note, Text: text}
		if _, err := b.s.journal.PutCleaning(plant.Cleaning{Body: c.Body, Start: start, End: c.End, User: c.User, Method: c.Method, Note: c.Note}, e); err != nil {
			failed = fmt.Errorf("store the cleaning: %w", err)
			return
		}
		l.Show(now)
	})
	return errors.Join(err, failed)
}

// Cleanings implements console.Backend.
func (b *backend) Cleanings(ctx context.Context, body string, from, to time.Time) ([]plant.Cleaning, error) {
	return b.s.journal.Cleanings(ctx, body, from, to)
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
