package service

import (
	"context"
	"maps"
	"time"

	"calandria/engine"
	"calandria/rules"
)

func (b *Backend) RuleText(_ context.Context, alarm string) (*rules.Written, error) {
	return b.S.Trials.Written(b.House(), alarm)
}

func (b *Backend) Try(_ context.Context, w engine.TrialWish) error {
	w.Texts = maps.Clone(w.Texts)
	return b.S.Trials.Start(b.House(), w, time.Now())
}

func (b *Backend) Trial(alarm string) (*engine.Trial, string) {
	return b.S.Trials.Of(alarm, time.Now())
}

func (b *Backend) StopTrial(alarm string) { b.S.Trials.Stop(alarm) }
