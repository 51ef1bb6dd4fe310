package demo

import (
	"context"
	"io"
	"log/slog"
	"testing"
	"time"
)

// BenchmarkPast is the filling of the demo's archive with sixty days.
func BenchmarkPast(b *testing.B) {
	for b.Loop() {
		p := Past{Data: b.TempDir(), Days: 60, Seed: 1, Log: slog.New(slog.DiscardHandler), Out: io.Discard, Show: func(float64, time.Time) {}}
		if _, err := p.Mill(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
}
