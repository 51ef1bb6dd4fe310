package service

import (
	"context"
	"fmt"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// RecordCleaning: the tracker first, which may
// refuse; then the record, then the journal.
func (b *Backend) RecordCleaning(ctx context.Context, c plant.Cleaning) error {
	return b.Act(ctx, func(core *engine.Core, now time.Time) (none plant.Event, err error) {
		if c.End.After(now) {
			return none, &engine.Refused{Why: "The end of the cleaning is in the future."}
		}
		if err := core.Calc.Cleaned(c.Body, c.End, now); err != nil {
			return none, &engine.Refused{Why: words.Say("Not recorded: %s", words.Of(err))}
		}
		if c.Start.IsZero() {
			c.Start = c.End
		}
		text := "cleaned, back in service " + c.End.UTC().Format("2006-01-02 15:04 MST")
		if c.Method != "" {
			text += ": " + c.Method
		}
		_, err = b.S.Journal.PutCleaning(c, plant.Event{Time: now, Received: now, Kind: plant.EventNote, Source: c.Body, User: c.User, Station: c.Station, Comment: c.Note, Text: text})
		if err != nil {
			err = fmt.Errorf("store the cleaning: %w", err)
		}
		return none, err
	})
}

func (b *Backend) Cleanings(ctx context.Context, body string, from, to time.Time) ([]plant.Cleaning, error) {
	return b.S.Journal.Cleanings(ctx, body, from, to)
}
