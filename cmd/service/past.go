package service

import (
	"context"
	"time"

	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
)

// Past is the archive as the engine replays it.
type Past struct{ *historian.Archive }

var _ engine.Past = Past{}

func (p Past) Last(ctx context.Context, path string, before time.Time) (plant.Point, bool, error) {
	newest, ok, err := p.Archive.Last(ctx, path)
	if err != nil || !ok || newest.Time.Before(before) {
		return newest, ok, err
	}
	for _, back := range []time.Duration{time.Hour, 24 * time.Hour, 31 * 24 * time.Hour} {
		var last plant.Point
		for v, err := range p.Archive.Query(ctx, path, before.Add(-back), before) {
			if err != nil {
				return last, false, err
			}
			last = v.Point
		}
		if !last.Time.IsZero() {
			return last, true, nil
		}
	}
	return plant.Point{}, false, nil
}
