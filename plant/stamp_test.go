package plant_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"calandria/plant"
)

// A server of a right clock stamps a value each second and is late with them, by up to
// eight seconds: whatever counts as of its receipt, the values keep the order in which
// the server stamped them, and none counts as of a time after its receipt.
func TestPlacedInTheOrderOfStamps(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	begun := time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)
	for series := range 200 {
		stamp, received, last, before := begun, begun, time.Time{}, time.Duration(0)
		server := time.Duration(rng.IntN(3)-1) * 700 * time.Millisecond // as slow answers make it look
		for range 200 {
			queue := 1 + rng.IntN(4)
			sent := stamp.Add(time.Duration(queue)*time.Second + time.Duration(rng.IntN(8000))*time.Millisecond)
			if sent.After(received) {
				received = sent
			}
			for i := range queue {
				stamp = stamp.Add(time.Second)
				at, offset, _ := plant.PlaceStamp(stamp, received, last, before, server, 1200*time.Millisecond, i == queue-1, true)
				if !at.After(last) || at.After(received.Add(plant.StampAhead+time.Duration(queue)*time.Millisecond)) {
					t.Fatalf("series %d: %s, received %s, counts as of %s, the one before as of %s", series, stamp, received, at, last)
				}
				last, before = at, offset
			}
		}
	}
}
