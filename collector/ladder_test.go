package collector

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// A message that vanishes on the way is fetched again (C5).
func TestMissedMessageIsFetchedAgain(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 10, "ramp": 100})
	p := newCutter(t, s.addr())
	r := newRig(t, plainServer(p.endpoint()), tagsOf(ramps(10)...))
	r.awaitConnected()
	r.await("values flow", func() bool { return len(r.points(0)) > 5 })
	p.drop.Store(1)
	r.await("the hole is seen and filled", func() bool { return r.c.Health().Counters.Republished >= 1 })
	n := len(r.points(0))
	r.await("values flow on", func() bool { return len(r.points(0)) > n+10 })
	if holes, repeats := missing(r.points(0)); holes != 0 || repeats != 0 {
		t.Errorf("%d missing, %d repeated", holes, repeats)
	}
	if h := r.c.Health(); h.Counters.Gaps != 1 || h.Counters.Lost != 0 || h.Counters.Reconnects != 0 {
		t.Errorf("counters %+v", h.Counters)
	}
}

// What the server no longer has is counted, and shows as Bad_DataLost.
func TestLostMessageShows(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 9, "ramp": 100})
	p := newCutter(t, s.addr())
	r := newRig(t, plainServer(p.endpoint()), tagsOf("T0", "T1", "Still", "T2", "T3", "T4", "T5", "T6"), func(c *Client) { c.pace.grace = time.Second })
	r.awaitConnected()
	r.awaitValue(2, 42)
	r.await("values flow", func() bool { return len(r.points(0)) > 5 })
	p.drop.Store(1)
	r.await("a message is gone", func() bool { return p.drop.Load() == 0 })
	s.do("forget")
	r.await("the loss is noticed", func() bool { return r.c.Health().Counters.Lost >= 1 })
	r.await("the unchanged value is stated again", func() bool { return r.last(2).Quality.IsGood() && len(r.points(2)) == 3 })
	if q := r.points(2)[1].Quality; q != plant.BadDataLost {
		t.Errorf("the loss shows as %s", q)
	}
}

// The session dies while its subscriptions live on: they are moved (D4). The
// server allows that only to the same user over a protected channel.
func TestTransfer(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 5, "ramp": 100, "users": true})
	cfg := secureServer(t, s.endpoint())
	r := newRig(t, cfg, tagsOf(ramps(5)...), trustAll(t, s))
	r.awaitConnected()
	r.await("values flow", func() bool { return len(r.points(0)) > 5 })
	s.do("drop", "keep", true)
	r.await("recovered", func() bool { h := r.c.Health(); return h.Counters.Reconnects == 1 && h.Connected() })
	n := len(r.points(0))
	r.await("values flow again", func() bool { return len(r.points(0)) > n+10 })
	if h := r.c.Health(); h.Counters.Transferred != 1 {
		t.Errorf("counters %+v", h.Counters)
	}
	if holes, repeats := missing(r.points(0)); holes != 0 || repeats != 0 {
		t.Errorf("%d missing, %d repeated", holes, repeats)
	}
}

// Session and subscriptions are gone: what the server's history has fills the
// gap (D6, H).
func TestBackfill(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 4, "ramp": 100, "history": true})
	p := newCutter(t, s.addr())
	r := newRig(t, plainServer(p.endpoint()), tagsOf(ramps(4)...))
	r.awaitConnected()
	r.await("values flow", func() bool { return len(r.points(0)) > 5 })
	p.refuse.Store(true)
	p.cut()
	s.do("drop")
	s.awaitTicks(15)
	p.refuse.Store(false)
	r.await("filled", func() bool { return r.c.Health().Counters.Backfilled > 10 })
	n := len(r.points(0))
	r.await("values flow again", func() bool { return len(r.points(0)) > n+5 })
	for id := range plant.TagID(4) {
		points := r.points(id)
		slices.SortStableFunc(points, func(a, b plant.Point) int { return a.Time.Compare(b.Time) })
		if holes, repeats := missing(points); holes != 0 || repeats != 0 {
			t.Errorf("tag %d: %d missing, %d repeated", id, holes, repeats)
		}
	}
	if h := r.c.Health(); h.Counters.Recreated != 1 {
		t.Errorf("counters %+v", h.Counters)
	}
}

// The server drops the subscriptions and keeps the session (C8).
func TestSubscriptionsDropped(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 2, "ramp": 100})
	r := newRig(t, plainServer(s.endpoint()), tagsOf("T0", "T1", "Still"))
	r.awaitConnected()
	r.awaitValue(2, 42)
	s.do("dropSubscriptions")
	r.await("noticed and made anew", func() bool { return r.log.count("dropped a subscription") > 0 || r.c.Health().Counters.Reconnects > 0 })
	n := len(r.points(0))
	r.await("values flow again", func() bool { return len(r.points(0)) > n+5 })
	r.awaitValue(2, 42)
}

// A receiver that does not take values stops the asking; the server's queues
// hold what comes meanwhile (L2).
func TestStalledReceiver(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 3, "ramp": 100})
	for _, c := range []struct {
		name  string
		queue int
		holes bool
	}{{"within the server's queue", 2000, false}, {"beyond it", 10, true}} {
		t.Run(c.name, func(t *testing.T) {
			r := newIdleRig(t, plainServer(s.endpoint()), tagsOf(ramps(3)...))
			r.c.cfg.Queue = 1
			r.c.out = make(chan Batch, 1)
			r.c.pace.queue = c.queue
			ctx, cancel := contextOf(t)
			done := make(chan struct{})
			go func() { defer close(done); r.c.Run(ctx) }()
			r.await("stalled", func() bool { return !r.c.Health().Stalled.IsZero() })
			s.awaitTicks(20)
			// Values that came up while it stalled, and some from after.
			for until := s.value("T0") + 5; r.last(0).Value < until; {
				for _, x := range (<-r.c.Batches()).Samples {
					r.samples[x.Tag] = append(r.samples[x.Tag], x.Point)
				}
			}
			cancel()
			for range r.c.Batches() {
			}
			<-done
			h := r.c.Health()
			holes, repeats := missing(r.samples[0])
			if repeats != 0 || (holes > 0) != c.holes || (h.Counters.Overflows > 0) != c.holes || h.Counters.Stalls == 0 || h.Counters.Reconnects != 0 {
				t.Errorf("%d missing, %d repeated, counters %+v", holes, repeats, h.Counters)
			}
			lost := 0
			for _, p := range r.samples[0] {
				if p.Quality == plant.BadDataLost {
					lost++
				}
			}
			if (lost > 0) != c.holes {
				t.Errorf("%d marks of lost data", lost)
			}
		})
	}
}

// While the server says that it does not run, its values do not count (B3).
func TestServerState(t *testing.T) {
	s := startInterop(t, nil)
	r := newRig(t, plainServer(s.endpoint()), tagsOf("Still", "Any"))
	r.awaitConnected()
	r.awaitValue(0, 42)
	s.do("state", "state", "Suspended")
	r.awaitQuality(0, plant.BadOutOfService)
	r.await("the picture says so", func() bool { return r.c.Health().ServerState == "Suspended" })
	s.do("state", "state", "Running")
	r.awaitValue(0, 42)
}

// Limits a server does not state are found by halving (G3).
func TestInChunksHalves(t *testing.T) {
	for _, n := range []int{0, 1, 7, 1000} {
		limit, calls := 1000, 0
		var got []int
		err := inChunks(n, &limit, func(lo, hi int) error {
			if calls++; hi-lo > 60 {
				return fmt.Errorf("call: %w", tooMany[0])
			}
			for i := lo; i < hi; i++ {
				got = append(got, i)
			}
			return nil
		})
		if err != nil || len(got) != n || n == 1000 && limit > 62 {
			t.Errorf("%d things: %v, limit %d, did %d in %d calls", n, err, limit, len(got), calls)
		}
		for i, v := range got {
			if i != v {
				t.Fatalf("place %d holds %d", i, v)
			}
		}
	}
}

func TestSequenceNumbers(t *testing.T) {
	const top = 4294967295 // OPC 10000-4, 5.14.1.1: the last; 1 follows, 0 is never used
	if after(1) != 2 || after(top) != 1 {
		t.Errorf("after %d comes %d", uint32(top), after(top))
	}
	for _, c := range []struct {
		a, b uint32
		want bool
	}{{2, 1, true}, {1, 1, false}, {1, 2, false}, {1, top, true}, {top, 1, false}} {
		if ahead(c.a, c.b) != c.want {
			t.Errorf("%d ahead of %d: %v", c.a, c.b, !c.want)
		}
	}
}

// A program that is killed has on its disk what was acknowledged. The rest the
// server still keeps, and the next client fetches it (C6; OPC 10000-4, 5.14.6).
func TestNothingIsForgottenBeforeItIsStored(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 3, "ramp": 100, "users": true})
	p := newCutter(t, s.addr())
	dir := t.TempDir()
	var onDisk []plant.Point
	// life collects until what comes from f is false; only what it calls stored is kept.
	life := func(endpoint string, began func(*driver), f func(n int) (goOn, stored bool)) *driver {
		r := newIdleRig(t, secureServer(t, endpoint), tagsOf(ramps(3)...))
		r.c.cfg.DataDir = dir
		trustAll(t, s)(r.c)
		d := newDriver(r.c)
		began(d)
		ctx, cancel := contextOf(t)
		defer cancel()
		go func() { defer close(r.c.out); d.run(ctx) }()
		n := 0
		for b := range r.c.Batches() {
			n++
			goOn, stored := f(n)
			if !goOn {
				cancel()
			}
			if !stored {
				continue
			}
			for _, x := range b.Samples {
				if x.Tag == 0 {
					onDisk = append(onDisk, x.Point)
				}
			}
			r.c.Stored(b.Number)
		}
		return d
	}
	first := life(p.endpoint(), func(*driver) {}, func(n int) (bool, bool) {
		if n == 20 { // it takes no leave
			p.refuse.Store(true)
			p.cut()
		}
		return n < 20, n <= 8
	})
	before := len(onDisk)
	second := life(s.endpoint(), func(d *driver) {
		for _, old := range first.subs {
			sub := &subscription{id: old.id, rate: old.rate, health: old.health, next: 1, held: map[uint32]*ua.NotificationMessage{}}
			d.subs = append(d.subs, sub)
			for i, it := range d.items {
				it.sub, it.id = sub, first.items[i].id
			}
		}
	}, func(n int) (bool, bool) { return n < 30, true })
	if c := second.h.Counters; c.Transferred+c.Reconnects == 0 && c.Republished < 10 {
		t.Errorf("nothing was fetched again: %+v", c)
	}
	// What was stored just before the kill may come twice: the archive makes it one.
	if holes, _ := missing(slices.Compact(onDisk)); holes != 0 || len(onDisk) < before+20 {
		t.Errorf("%d missing; %d values before, %d in all", holes, before, len(onDisk))
	}
}

// A disk that is full keeps no message for ever: after a while it is
// acknowledged all the same, and counted.
func TestAcknowledgesWhenTheDiskIsFull(t *testing.T) {
	d := benchDriver(t, 1)
	ack := &ua.SubscriptionAcknowledgement{SubscriptionID: 1, SequenceNumber: 1}
	d.pace.unstored = 10 * time.Second
	d.enqueue([]plant.Sample{{}}, ack)
	d.flush()
	now := time.Now()
	if d.release(now); len(d.acks) != 0 {
		t.Fatalf("acknowledged before it is stored: %v", d.acks)
	}
	if d.release(now.Add(11 * time.Second)); len(d.acks) != 1 || d.h.Counters.Unstored != 1 || len(d.unstored) != 0 {
		t.Fatalf("acknowledgements %v, counters %+v", d.acks, d.h.Counters)
	}
}
