package engine

import (
	"testing"
	"time"
)

// Somebody sets the machine's clock: the program's own counts on, and says by how
// much they differ.
func TestClockCountsOn(t *testing.T) {
	start := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	for _, jump := range []time.Duration{0, time.Second, -time.Second, time.Hour, -time.Hour, 24 * time.Hour, -24 * time.Hour} {
		var gone, set time.Duration
		c := &Clock{start: start, count: func() time.Duration { return gone }, wall: func() time.Time { return start.Add(gone + set) }}
		before := c.Now()
		for s := range 600 {
			gone += time.Second
			if s == 300 {
				set = jump
			}
			now := c.Now()
			if step := now.Sub(before); step < 999*time.Millisecond || step > 1001*time.Millisecond {
				t.Fatalf("jump of %v: a second took %v", jump, step)
			}
			before = now
		}
		// 300 s at 500 millionths make up 0.15 s.
		if left := jump.Abs() - c.Off().Abs(); left < 0 || left > 151*time.Millisecond {
			t.Errorf("jump of %v: the clock says it is off by %v", jump, c.Off())
		}
	}
}
