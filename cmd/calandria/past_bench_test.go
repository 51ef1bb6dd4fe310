package main

import (
	"bytes"
	"context"
	"log/slog"
	"testing"
	"time"

	"calandria/collector/simulator"
)

// BenchmarkPast is the filling of the demo's archive with sixty days.
func BenchmarkPast(b *testing.B) {
	for b.Loop() {
		var out bytes.Buffer
		a := &app{ctx: context.Background(), out: &out, log: slog.New(slog.DiscardHandler)}
		now := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		p, err := newFiller(a, b.TempDir(), now)
		if err != nil {
			b.Fatal(err)
		}
		m := simulator.New(1, now)
		if err := simulator.Past(m, now.Add(-60*24*time.Hour), now, pastStep, func(t time.Time, rs []simulator.Reading) {
			if recorded(now.Sub(t), t) {
				p.step(a.ctx, t, m, rs)
			}
		}); err != nil {
			b.Fatal(err)
		}
		if err := p.finish(); err != nil {
			b.Fatal(err)
		}
		p.close()
	}
}
