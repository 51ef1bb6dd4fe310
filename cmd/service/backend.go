package service

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

// Backend is the console's view of the service.
type Backend struct {
	*engine.Loop // what it answers itself
	S            *Service
	views        sync.Mutex // one change of them at a time
}

var _ console.Backend = (*Backend)(nil)

func (b *Backend) Trend(ctx context.Context, path string, from, to time.Time, points int) ([]plant.Bucket, error) {
	buckets, err := b.S.Archive.Trend(ctx, path, from, to, points)
	return slices.DeleteFunc(buckets, func(x plant.Bucket) bool { return math.IsNaN(x.Mean) }), err
}

func (b *Backend) WriteSeries(ctx context.Context, w io.Writer, q plant.SeriesQuery) (string, error) {
	h := b.House()
	about := series.About{Site: h.Config.Site.Name, Notes: b.S.Journal.Notes}
	if q.Format == "openmetrics" {
		var err error
		if about.Metric, err = MetricsOf(h, q.Paths); err != nil {
			return "", err
		}
	}
	cursor, err := series.Write(ctx, b.S.Archive, w, q, about)
	if _, ok := errors.AsType[*historian.DamageError](err); ok {
		err = nil // the figures say it: Bad_DataLost
	}
	return cursor, err
}

func (b *Backend) SeriesMark(q plant.SeriesQuery) string { return b.S.Archive.Mark(&q) }

func (b *Backend) Aggregates() []string { return series.AggregateNames() }

func (b *Backend) Head() (uint64, string) { return b.S.Journal.Head() }

// viewsKey is the setting with the saved views.
const viewsKey = "trend_views"

func (b *Backend) Views(context.Context) ([]console.TrendView, error) {
	stored, _, err := b.S.Journal.Setting(viewsKey)
	if err != nil {
		return nil, err
	}
	return console.ReadViews(stored)
}

func (b *Backend) KeepView(_ context.Context, v console.TrendView, drop bool) error {
	b.views.Lock()
	defer b.views.Unlock()
	stored, _, err := b.S.Journal.Setting(viewsKey)
	if err == nil {
		stored, err = console.ChangeViews(stored, v, drop)
	}
	if err != nil {
		return err
	}
	return b.S.Journal.PutSetting(viewsKey, stored)
}

func (b *Backend) Choice(_ context.Context, person string) (string, error) {
	choice, _, err := b.S.Journal.Setting("look of " + person)
	return choice, err
}

func (b *Backend) KeepChoice(_ context.Context, person, choice string) error {
	return b.S.Journal.PutSetting("look of "+person, choice)
}

func (b *Backend) Events(ctx context.Context, f plant.EventFilter) ([]plant.Event, error) {
	f.Newest = true
	return b.S.Journal.Read(ctx, f)
}
