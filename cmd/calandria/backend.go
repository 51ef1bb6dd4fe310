package main

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"sync"
	"time"

	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/series"
	"calandria/plant"
)

// backend is the console's view of the service.
type backend struct {
	*engine.Loop // what it answers itself
	s            *service
	views        sync.Mutex // one change of them at a time
}

var _ console.Backend = (*backend)(nil)

func (b *backend) Trend(ctx context.Context, path string, from, to time.Time, points int) ([]plant.Bucket, error) {
	buckets, err := b.s.archive.Trend(ctx, path, from, to, points)
	return slices.DeleteFunc(buckets, func(x plant.Bucket) bool { return math.IsNaN(x.Mean) }), err
}

func (b *backend) WriteSeries(ctx context.Context, w io.Writer, q plant.SeriesQuery) (string, error) {
	h := b.House()
	about := series.About{Site: h.Config.Site.Name, Notes: b.s.journal.Notes}
	if q.Format == "openmetrics" {
		var err error
		if about.Metric, err = metricsOf(h, q.Paths); err != nil {
			return "", err
		}
	}
	cursor, err := series.Write(ctx, b.s.archive, w, q, about)
	if _, ok := errors.AsType[*historian.DamageError](err); ok {
		err = nil // the figures say it: Bad_DataLost
	}
	return cursor, err
}

func (b *backend) SeriesMark(q plant.SeriesQuery) string { return b.s.archive.Mark(&q) }

func (b *backend) Aggregates() []string { return series.AggregateNames() }

func (b *backend) Head() (uint64, string) { return b.s.journal.Head() }

// viewsKey is the setting with the saved views.
const viewsKey = "trend_views"

func (b *backend) Views(context.Context) ([]console.TrendView, error) {
	stored, _, err := b.s.journal.Setting(viewsKey)
	if err != nil {
		return nil, err
	}
	return console.ReadViews(stored)
}

func (b *backend) KeepView(_ context.Context, v console.TrendView, drop bool) error {
	b.views.Lock()
	defer b.views.Unlock()
	stored, _, err := b.s.journal.Setting(viewsKey)
	if err == nil {
		stored, err = console.ChangeViews(stored, v, drop)
	}
	if err != nil {
		return err
	}
	return b.s.journal.PutSetting(viewsKey, stored)
}

func (b *backend) Choice(_ context.Context, person string) (string, error) {
	choice, _, err := b.s.journal.Setting("look of " + person)
	return choice, err
}

func (b *backend) KeepChoice(_ context.Context, person, choice string) error {
	return b.s.journal.PutSetting("look of "+person, choice)
}

func (b *backend) Events(ctx context.Context, f plant.EventFilter) ([]plant.Event, error) {
	f.Newest = true
	return b.s.journal.Read(ctx, f)
}
