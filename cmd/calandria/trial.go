package main

import (
	"context"
	"maps"
	"path/filepath"
	"time"

	"calandria/console"
	"calandria/engine"
)

// RuleText implements console.Backend.
func (b *backend) RuleText(_ context.Context, alarm string) (console.RuleText, error) {
	w, err := b.s.trials.Written(b.House(), alarm)
	if err != nil {
		return console.RuleText{}, err
	}
	out := console.RuleText{Alarm: w.Alarm, Vessel: w.Vessel, Vessels: w.Vessels, Unit: w.Unit}
	for _, f := range w.Figures {
		out.Figures = append(out.Figures, console.RuleFigure{Key: f.Key, Text: f.Text, File: filepath.Base(f.File), Line: f.Line})
	}
	return out, nil
}

// Try implements console.Backend.
func (b *backend) Try(_ context.Context, w console.TrialWish) error {
	w.Texts = maps.Clone(w.Texts)
	return b.s.trials.Start(b.House(), w, time.Now())
}

// Trial implements console.Backend.
func (b *backend) Trial(alarm string) (*engine.Trial, string) {
	return b.s.trials.Of(alarm, time.Now())
}

// StopTrial implements console.Backend.
func (b *backend) StopTrial(alarm string) { b.s.trials.Stop(alarm) }
