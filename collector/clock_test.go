package collector

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// clockRig is a driver that gets one message a second from a server whose clock is
// anything; our own clock is at.
type clockRig struct {
	t   *testing.T
	d   *driver
	at  time.Time
	seq uint32
}

func newClockRig(t *testing.T, items int) *clockRig {
	r := &clockRig{t: t, d: benchDriver(t, items), at: time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)}
	r.d.c.cfg.Now = func() time.Time { return r.at }
	return r
}

// message brings one value of each stamp, of the tags in order, and gives the
// newest sample of each.
func (r *clockRig) message(header time.Time, stamps ...time.Time) []plant.Sample {
	r.t.Helper()
	n := &ua.DataChangeNotification{}
	for i, at := range stamps {
		v := ua.MustVariant(float64(r.seq) + float64(i)/10)
		n.MonitoredItems = append(n.MonitoredItems, &ua.MonitoredItemNotification{ClientHandle: uint32(r.d.items[i].tag.ID) + 1,
			Value: &ua.DataValue{EncodingMask: ua.DataValueValue | ua.DataValueSourceTimestamp, Value: v, SourceTimestamp: at}})
	}
	r.seq++
	err := r.d.message(context.Background(), &ua.PublishResponse{ResponseHeader: &ua.ResponseHeader{Timestamp: header}, SubscriptionID: 1,
		NotificationMessage: &ua.NotificationMessage{SequenceNumber: r.seq, NotificationData: []*ua.ExtensionObject{{Value: n}}}}, r.at)
	if err != nil {
		r.t.Fatal(err)
	}
	r.d.flush()
	out := make([]plant.Sample, len(stamps))
	for _, s := range (<-r.d.c.out).Samples {
		out[s.Tag] = s
	}
	r.d.unstored = r.d.unstored[:0]
	return out
}

// Whatever a server's clock does, each value is judged at the time of its receipt,
// within what sampling and publishing explain, in the order of the server's queue,
// and the source's own time is kept beside it.
func TestClocks(t *testing.T) {
	const steps = 200
	type clock func(step int) time.Duration // how far ahead
	offset := func(d time.Duration) clock { return func(int) time.Duration { return d } }
	jump := func(a, b time.Duration) clock {
		return func(i int) time.Duration {
			if i < steps/2 {
				return a
			}
			return b
		}
	}
	drift := func(ppm int) clock {
		return func(i int) time.Duration { return time.Duration(i) * time.Second / 1e6 * time.Duration(ppm) }
	}
	cases := map[string]clock{}
	for _, d := range []time.Duration{time.Second, 2 * time.Second, 5 * time.Second, time.Minute, time.Hour, 24 * time.Hour} {
		for _, sign := range []time.Duration{1, -1} {
			cases[fmt.Sprintf("offset %v", sign*d)] = offset(sign * d)
			cases[fmt.Sprintf("jump by %v", sign*d)] = jump(0, sign*d)
			cases[fmt.Sprintf("set right from %v", sign*d)] = jump(sign*d, 0)
			cases[fmt.Sprintf("jump from %v to the other side", sign*d)] = jump(sign*d, -sign*d)
		}
	}
	for _, ppm := range []int{50, -50, 20000, -20000, 500000, -500000} {
		cases[fmt.Sprintf("drift of %d millionths", ppm)] = drift(ppm)
	}
	cases["stands still"] = func(i int) time.Duration { return -time.Duration(i) * time.Second }
	for name, ahead := range cases {
		for _, headerLies := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, header wrong too %v", name, headerLies), func(t *testing.T) {
				r := newClockRig(t, 3)
				var last [3]time.Time
				for i := range steps {
					r.at = r.at.Add(time.Second)
					header, wrong := r.at, ahead(i)
					if headerLies {
						header = header.Add(wrong)
					}
					// Sampled up to 0.9 s ago; the third value has a clock of its own that is right.
					taken := r.at.Add(-time.Duration(i%10) * 100 * time.Millisecond)
					stamps := []time.Time{taken.Add(wrong), r.at.Add(wrong), taken}
					for id, s := range r.message(header, stamps...) {
						if early := r.at.Sub(s.Point.Time); early > 3*time.Second || early < -plant.StampAhead {
							t.Fatalf("step %d, tag %d: judged %v before its receipt", i, id, early)
						}
						if s.Point.Time.Before(last[id]) {
							t.Fatalf("step %d, tag %d: judged at %v, after one of %v", i, id, s.Point.Time, last[id])
						}
						last[id] = s.Point.Time
						if !s.Point.Time.Add(s.Offset).Equal(stamps[id]) {
							t.Fatalf("step %d, tag %d: the source's own time is lost: %v and %v is not %v", i, id, s.Point.Time, s.Offset, stamps[id])
						}
						if id == 2 && s.Offset != 0 {
							t.Fatalf("step %d: a right stamp was moved by %v", i, s.Offset)
						}
					}
				}
				r.d.show()
				h := r.d.c.Health()
				end := ahead(steps - 1)
				if want := 0; end.Abs() > 5*time.Second {
					if want = 2; h.MisstampedTags != want || (h.StampOffset-end).Abs() > 4*time.Second {
						t.Errorf("%d misstamped tags by %v; want %d by %v", h.MisstampedTags, h.StampOffset, want, end)
					}
				}
				if headerLies && (h.ClockSkew-end).Abs() > 3*time.Second {
					t.Errorf("the server's clock is said to be ahead by %v; it is by %v", h.ClockSkew, end)
				}
			})
		}
	}
}

// The drift of a server's clock is found within some minutes, and a step does not
// count as drift.
func TestDrift(t *testing.T) {
	var c clockOf
	at := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	for i := range 3600 {
		ahead := time.Duration(i) * 100 * time.Microsecond
		if i >= 1200 {
			ahead += time.Hour
		}
		now := at.Add(time.Duration(i) * time.Second)
		c.note(now.Add(ahead), now)
		if d, ok := c.drift(); ok && (d < 95e-6 || d > 105e-6) {
			t.Fatalf("second %d: drift %v, want 100e-6", i, d)
		}
	}
	if _, ok := c.drift(); !ok {
		t.Error("no drift after an hour")
	}
}

// What comes behind a queue that filled is old by right: only the newest of a
// message is the present value.
func TestQueuedValuesKeepTheirTimes(t *testing.T) {
	r := newClockRig(t, 1)
	r.at = r.at.Add(time.Second)
	r.message(r.at, r.at)
	r.at = r.at.Add(30 * time.Second)
	stamps := []time.Time{r.at.Add(-20 * time.Second), r.at.Add(-10 * time.Second), r.at.Add(-time.Second)}
	n := &ua.DataChangeNotification{}
	for i, at := range stamps {
		n.MonitoredItems = append(n.MonitoredItems, &ua.MonitoredItemNotification{ClientHandle: uint32(r.d.items[0].tag.ID) + 1,
			Value: &ua.DataValue{EncodingMask: ua.DataValueValue | ua.DataValueSourceTimestamp, Value: ua.MustVariant(float64(i)), SourceTimestamp: at}})
	}
	r.d.take(r.d.subs[0], &ua.NotificationMessage{SequenceNumber: 2, NotificationData: []*ua.ExtensionObject{{Value: n}}}, r.at, true)
	r.d.flush()
	for i, s := range (<-r.d.c.out).Samples {
		if !s.Point.Time.Equal(stamps[i]) {
			t.Errorf("sample %d stands at %v, sampled at %v", i, s.Point.Time, stamps[i])
		}
	}
}

// A real server stamps one value an hour ahead, then an hour behind, then right
// again; another is right all the time.
func TestWrongStampsOfARealServer(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 2})
	r := newRig(t, plainServer(s.endpoint()), tagsOf("T0", "T1"))
	r.awaitConnected()
	r.awaitValue(0, 0)
	v := 0.0
	for _, off := range []time.Duration{0, time.Hour, -time.Hour, 24 * time.Hour, 0} {
		v++
		began := time.Now()
		s.set("T0", v, "time", began.Add(off).UnixMilli())
		s.set("T1", v)
		r.awaitValue(0, v)
		r.awaitValue(1, v)
		for id := range plant.TagID(2) {
			if at := r.last(id).Time; at.Before(began.Add(-5*time.Millisecond)) || at.After(time.Now().Add(plant.StampAhead)) {
				t.Errorf("stamp off by %v: tag %d stands at %v, set at %v", off, id, at, began)
			}
		}
		wrong := 0
		if off != 0 {
			wrong = 1
		}
		r.await("the health says so", func() bool { return r.c.Health().MisstampedTags == wrong })
	}
}
