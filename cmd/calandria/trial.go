package main

import (
	"context"
	"maps"
	"time"

	"calandria/engine"
	"calandria/rules"
)

func (b *backend) RuleText(_ context.Context, alarm string) (*rules.Written, error) {
	return b.s.trials.Written(b.House(), alarm)
}

func (b *backend) Try(_ context.Context, w engine.TrialWish) error {
	w.Texts = maps.Clone(w.Texts)
	return b.s.trials.Start(b.House(), w, time.Now())
}

func (b *backend) Trial(alarm string) (*engine.Trial, string) {
	return b.s.trials.Of(alarm, time.Now())
}

func (b *backend) StopTrial(alarm string) { b.s.trials.Stop(alarm) }
