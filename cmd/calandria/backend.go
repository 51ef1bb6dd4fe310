package main

import (
	"context"
	"time"

	"calandria/alerting"
	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
)

// backend is the console's view of the service.
type backend struct{ s *service }

var _ console.Backend = (*backend)(nil)

// House implements console.Backend.
func (b *backend) House() *plant.House { return b.s.loop.House() }

// Specs implements console.Backend.
func (b *backend) Specs() []plant.AlarmSpec { return b.s.loop.Specs() }

// Picture implements console.Backend.
func (b *backend) Picture() *engine.Picture { return b.s.loop.Picture() }

// Changed implements console.Backend.
func (b *backend) Changed() <-chan struct{} { return b.s.loop.Changed() }

// Do implements console.Backend.
func (b *backend) Do(ctx context.Context, c alerting.Command) error { return b.s.loop.Do(ctx, c) }

// Trend implements console.Backend.
func (b *backend) Trend(ctx context.Context, path string, from, to time.Time, points int) (console.Series, error) {
	s := console.Series{Path: path, From: from, To: to}
	if t, ok := b.House().Find(path); ok {
		s.Unit = t.Unit
	}
	buckets, err := b.s.archive.Trend(ctx, path, from, to, points)
	if err != nil {
		return s, err
	}
	for _, x := range buckets {
		if x.Count > 0 {
			s.Buckets = append(s.Buckets, console.Bucket{Time: x.Start, Min: x.Min, Max: x.Max, Mean: x.Mean, Doubt: x.Bad > 0})
		}
	}
	return s, nil
}

// Events implements console.Backend.
func (b *backend) Events(ctx context.Context, f console.EventFilter) ([]plant.Event, error) {
	return b.s.journal.Read(ctx, historian.Filter{AfterSeq: f.After, BeforeSeq: f.Before, From: f.From, To: f.To, Kinds: f.Kinds, Match: f.Match, Limit: f.Limit, Newest: true})
}
