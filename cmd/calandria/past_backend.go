package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"calandria/console"
	"calandria/engine"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/plant/words"
)

func (b *backend) Past(ctx context.Context) (p console.Past, err error) {
	if p.Corrections, err = allCorrections(ctx, b.s.journal); err != nil {
		return p, err
	}
	p.Jobs, err = b.s.journal.Jobs(ctx, false)
	return p, err
}

func (b *backend) Correct(ctx context.Context, c plant.Correction) error {
	if t, ok := b.House().Find(c.Tag); !ok || t.Source != plant.Measured {
		return &engine.Refused{Why: words.Say("The plant has no instrument %s.", c.Tag), Field: "tag"}
	}
	held, err := b.s.archive.Coverage(ctx, c.Tag)
	if err != nil {
		return err
	}
	c.At = time.Now().UTC()
	done, _, err := b.s.journal.PutCorrection(c, held)
	return b.follow(done, err, c.By, c.Reason)
}

func (b *backend) WithdrawCorrection(_ context.Context, id int64, by, why string) error {
	done, _, err := b.s.journal.WithdrawCorrection(id, by, why, time.Now().UTC())
	return b.follow(done, err, by, why)
}

// follow lets what depends on a correction be calculated again, up to now: what was
// learned in its stretch is in the figures of the days after it.
func (b *backend) follow(c plant.Correction, err error, by, why string) error {
	if refused, ok := errors.AsType[*journal.CorrectionError](err); ok {
		return &engine.Refused{Why: words.Text(refused.Problem + "; " + refused.Fix + ".")}
	}
	if err != nil {
		return err
	}
	return b.ask("", c.From, time.Time{}, by, fmt.Sprintf("correction %d of %s: %s", c.ID, c.Tag, why))
}

func (b *backend) Recalculate(_ context.Context, equipment string, from, to time.Time, by, why string) error {
	return b.ask(equipment, from, to, by, why)
}

func (b *backend) ask(equipment string, from, to time.Time, by, why string) error {
	if now := time.Now(); to.IsZero() || to.After(now) {
		to = now
	}
	job := newJob(recalculationArgs{Equipment: equipment}, from, to, by, why)
	if !job.From.Before(job.To) {
		return &engine.Refused{Why: "The stretch ends before it begins, or lies in the future.", Field: "from"}
	}
	_, err := b.s.journal.AskJob(job)
	return err
}

func (b *backend) CancelJob(ctx context.Context, id int64, by string) error {
	open, err := b.s.journal.Jobs(ctx, true)
	if err != nil {
		return err
	}
	for _, j := range open {
		if j.ID == id {
			j.State, j.Ended, j.Text = plant.JobCancelled, time.Now().UTC(), "cancelled by "+by
			return b.s.journal.UpdateJob(j)
		}
	}
	return &engine.Refused{Why: "That job has ended already."}
}
