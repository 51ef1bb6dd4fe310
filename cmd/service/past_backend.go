package service

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

func (b *Backend) Past(ctx context.Context) (p console.Past, err error) {
	if p.Corrections, err = AllCorrections(ctx, b.S.Journal); err != nil {
		return p, err
	}
	p.Jobs, err = b.S.Journal.Jobs(ctx, false)
	return p, err
}

func (b *Backend) Correct(ctx context.Context, c plant.Correction) error {
	if t, ok := b.House().Find(c.Tag); !ok || t.Source != plant.Measured {
		return &engine.Refused{Why: words.Say("The plant has no instrument %s.", c.Tag), Field: "tag"}
	}
	held, err := b.S.Archive.Coverage(ctx, c.Tag)
	if err != nil {
		return err
	}
	c.At = time.Now().UTC()
	done, _, err := b.S.Journal.PutCorrection(c, held)
	return b.follow(done, err, c.By, c.Reason)
}

func (b *Backend) WithdrawCorrection(_ context.Context, id int64, by, why string) error {
	done, _, err := b.S.Journal.WithdrawCorrection(id, by, why, time.Now().UTC())
	return b.follow(done, err, by, why)
}

// follow lets what depends on a correction be calculated again, up to now: what was
// learned in its stretch is in the figures of the days after it.
func (b *Backend) follow(c plant.Correction, err error, by, why string) error {
	if refused, ok := errors.AsType[*journal.CorrectionError](err); ok {
		return &engine.Refused{Why: words.Say("%s; %s.", refused.Problem, refused.Fix)}
	}
	if err != nil {
		return err
	}
	return b.ask("", c.From, time.Time{}, by, fmt.Sprintf("correction %d of %s: %s", c.ID, c.Tag, why))
}

func (b *Backend) Recalculate(_ context.Context, equipment string, from, to time.Time, by, why string) error {
	return b.ask(equipment, from, to, by, why)
}

func (b *Backend) ask(equipment string, from, to time.Time, by, why string) error {
	if now := time.Now(); to.IsZero() || to.After(now) {
		to = now
	}
	job := NewJob(RecalculationArgs{Equipment: equipment}, from, to, by, why)
	if !job.From.Before(job.To) {
		return &engine.Refused{Why: "The stretch ends before it begins, or lies in the future.", Field: "from"}
	}
	_, err := b.S.Journal.AskJob(job)
	return err
}

func (b *Backend) CancelJob(ctx context.Context, id int64, by string) error {
	open, err := b.S.Journal.Jobs(ctx, true)
	if err != nil {
		return err
	}
	for _, j := range open {
		if j.ID == id {
			j.State, j.Ended, j.Text = plant.JobCancelled, time.Now().UTC(), "cancelled by "+by
			return b.S.Journal.UpdateJob(j)
		}
	}
	return &engine.Refused{Why: "That job has ended already."}
}
