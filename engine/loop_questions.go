package engine

import (
	"cmp"
	"context"
	"errors"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"
)

// What is asked beyond the picture: the loop owns the core, so it is the loop that
// answers, from any goroutine.

// ask lets the core answer. Its own error is the one of f.
func ask[T any](ctx context.Context, l *Loop, f func(c *Core) (T, error)) (answer T, err error) {
	var own error
	err = l.Call(ctx, func(c *Core) { answer, own = f(c) })
	return answer, errors.Join(err, own)
}

// refusing makes the error of a request that cannot be carried out a [*Refused].
func refusing[T any](answer T, err error) (T, error) {
	if err != nil {
		err = &Refused{Why: words.Of(err)}
	}
	return answer, err
}

// Scales tells where the bodies of a set stand between two cleanings.
func (l *Loop) Scales(ctx context.Context, set string) ([]thermo.Scale, error) {
	return ask(ctx, l, func(c *Core) ([]thermo.Scale, error) { return c.Calc.Scales(set), nil })
}

// Declare takes what is planned, as from now, and journals it; see [thermo.Calculator.Declare].
func (l *Loop) Declare(ctx context.Context, p thermo.Planned, station string) error {
	return l.Act(ctx, func(c *Core, now time.Time) (plant.Event, error) {
		text := "declared as planned until " + p.Until.UTC().Format("2006-01-02 15:04 MST")
		if !p.Until.After(p.From) {
			p.Until, text = now, "what was declared as planned is over"
		}
		p.From = now
		if err := c.Calc.Declare(p); err != nil {
			return plant.Event{}, &Refused{Why: words.Say("Not declared: %s", words.Of(err))}
		}
		return plant.Event{Source: p.Path, User: p.By, Station: station, Text: text}, nil
	})
}

// Declared lists what is planned and has not ended.
func (l *Loop) Declared(ctx context.Context) ([]thermo.Planned, error) {
	return ask(ctx, l, func(c *Core) ([]thermo.Planned, error) { return c.Calc.Declared(l.Now()), nil })
}

// PlanCleanings proposes the cleanings of a set; one that cannot be planned is a
// [*Refused].
func (l *Loop) PlanCleanings(ctx context.Context, w thermo.CleaningWish) (thermo.CleaningProposal, error) {
	zone, err := time.LoadLocation(l.House().Config.Site.TimeZone)
	if err != nil {
		return thermo.CleaningProposal{}, err
	}
	return ask(ctx, l, func(c *Core) (thermo.CleaningProposal, error) {
		return refusing(c.Calc.ProposeCleanings(w, c.Frame.At, zone))
	})
}

// WhatIf predicts what becomes of a set; what cannot be predicted is a [*Refused].
func (l *Loop) WhatIf(ctx context.Context, x thermo.Supposition) (thermo.Outlook, error) {
	return ask(ctx, l, func(c *Core) (thermo.Outlook, error) { return refusing(c.Calc.WhatIf(x)) })
}

// Strikes tells where the batch pans stand.
func (l *Loop) Strikes(ctx context.Context) ([]thermo.Strike, error) {
	return ask(ctx, l, func(c *Core) ([]thermo.Strike, error) { return c.Calc.Strikes(), nil })
}

// Explain says what an alarm's condition is made of and how it stands. An alarm that
// is not there is a [*Refused].
func (l *Loop) Explain(ctx context.Context, alarm string) (rules.Explanation, error) {
	return ask(ctx, l, func(c *Core) (rules.Explanation, error) {
		i, known := c.Alarms.Index(alarm)
		if !known {
			return rules.Explanation{}, &Refused{Why: "There is no such alarm."}
		}
		return c.Rules.Explain(i, c.Frame, c.Frame.At), nil
	})
}

// Act lets a person's act change the core: f does it and gives source, text, user and
// station of the note that the journal then gets; without a text there is none, such as
// where a record has taken its note along. If f fails, nothing is journalled.
func (l *Loop) Act(ctx context.Context, f func(c *Core, now time.Time) (plant.Event, error)) error {
	_, err := ask(ctx, l, func(c *Core) (plant.Event, error) {
		now := l.Now()
		e, err := f(c, now)
		if err != nil {
			return e, err
		}
		if e.Time, e.Kind = now, cmp.Or(e.Kind, plant.EventNote); e.Text != "" {
			l.Event(e)
		}
		l.Show(now)
		return e, nil
	})
	return err
}

// Note journals a person's remark, or a task of the handover and that it is done.
func (l *Loop) Note(ctx context.Context, e plant.Event) error {
	return l.Act(ctx, func(*Core, time.Time) (plant.Event, error) { return e, nil })
}
