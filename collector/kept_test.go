package collector

import (
	"fmt"
	"io"
	"slices"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// disk is what an archive would hold over the starts of a client.
type disk struct {
	dir    string
	points [4][]plant.Point
}

// life runs a client until goOn says no, and then lets it stop in order, or kills
// it: then what it would say at its end does not happen.
func (k *disk) life(t *testing.T, s plant.ServerConfig, trust func(*Client), kill func(), goOn func(r *driver, n int) bool) Health {
	t.Helper()
	r := newIdleRig(t, s, tagsOf("T0", "T1", "T2", "Still"))
	r.c.cfg.DataDir = k.dir
	trust(r.c)
	if len(k.points[0]) > 0 {
		r.c.cfg.Until = k.points[0][len(k.points[0])-1].Time.Add(50 * time.Millisecond)
		r.c.cfg.Archived = func(id plant.TagID) (plant.Point, time.Duration, bool) {
			p := slices.MaxFunc(k.points[id], func(a, b plant.Point) int { return a.Time.Compare(b.Time) })
			return p, 0, true
		}
	}
	d := newDriver(r.c)
	ctx, cancel := contextOf(t)
	defer cancel()
	go func() { defer close(r.c.out); d.run(ctx) }()
	n, ended := 0, false
	for b := range r.c.Batches() {
		if ended && kill != nil {
			continue
		}
		for _, x := range b.Samples {
			k.points[x.Tag] = append(k.points[x.Tag], x.Point)
		}
		r.c.Stored(b.Number)
		if n++; !ended && !goOn(d, n) {
			if ended = true; kill != nil {
				kill()
			}
			cancel()
		}
	}
	return d.h
}

// The program stops and starts again. What the server kept is fetched, then its
// history is asked, and what stays open is marked.
func TestStartTakesUpWhatTheServerKept(t *testing.T) {
	for _, c := range []struct {
		name             string
		history, dropped bool
		killed           bool
	}{
		{"orderly stop", false, false, false},
		{"killed", false, false, true},
		{"the server forgot, and has history", true, true, false},
		{"the server forgot, and has no history", false, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := startInterop(t, map[string]any{"variables": 3, "ramp": 100, "users": true, "history": c.history})
			k := &disk{dir: t.TempDir()}
			p := newCutter(t, s.addr())
			var kill func()
			if c.killed {
				kill = func() { p.refuse.Store(true); p.cut() }
			}
			k.life(t, secureServer(t, p.endpoint()), trustAll(t, s), kill, func(_ *driver, n int) bool { return n < 15 })
			p.refuse.Store(false)
			if c.dropped {
				s.do("drop")
			}
			s.awaitTicks(s.value("T0") + 20)
			h := k.life(t, secureServer(t, p.endpoint()), trustAll(t, s), nil, func(d *driver, n int) bool {
				return n < 15 || c.dropped && (len(d.holes) > 0 || n < 40)
			})
			marked := slices.IndexFunc(k.points[0], func(p plant.Point) bool { return p.Quality == plant.BadNoData })
			points := slices.DeleteFunc(slices.Clone(k.points[0]), func(p plant.Point) bool { return p.Quality.IsBad() })
			slices.SortStableFunc(points, func(a, b plant.Point) int { return a.Time.Compare(b.Time) })
			holes, repeats := missing(points)
			if repeats != 0 {
				t.Errorf("%d repeated", repeats)
			}
			if open := c.dropped && !c.history; open {
				if holes == 0 || marked < 0 || h.Gap == "" {
					t.Errorf("%d missing, marked at %d, told %q", holes, marked, h.Gap)
				}
			} else if holes != 0 || marked >= 0 || h.Gap != "" {
				t.Errorf("%d missing, marked at %d, told %q; %+v", holes, marked, h.Gap, h.Counters)
			}
			// A value that stood still is known again.
			if last := k.points[3][len(k.points[3])-1]; last.Value != 42 || !last.Quality.IsGood() {
				t.Errorf("the value that does not change is %v", last)
			}
			if !c.dropped && h.Counters.Reactivated+h.Counters.Transferred == 0 {
				t.Errorf("nothing was taken up: %+v", h.Counters)
			}
		})
	}
}

// A server that is away is looked for at a steady pace, however long; only one that
// refuses is left alone longer each time.
func TestLooksForAServerThatIsAway(t *testing.T) {
	r := newRig(t, plainServer("opc.tcp://127.0.0.1:1"), tagsOf("T0"), func(c *Client) { c.pace.retryMin, c.pace.retryMax = 20*time.Millisecond, time.Hour })
	r.await("thirty attempts", func() bool { return r.c.Health().Counters.Attempts > 30 })
}

// Only who refuses is left alone: a server that starts or stops is looked for as one
// that is away.
func TestWhatIsARefusal(t *testing.T) {
	for err, want := range map[error]bool{ua.StatusBadUserAccessDenied: true, ua.StatusBadIdentityTokenRejected: true, ua.StatusBadTooManySessions: true, errNotWelcome: true,
		distrust("no"): true, ua.StatusBadServerHalted: false, ua.StatusBadShutdown: false, ua.StatusBadTCPServerTooBusy: false, ua.StatusBadTimeout: false, io.EOF: false} {
		if got := refusal(fmt.Errorf("connect: %w", err)); got != want {
			t.Errorf("%v: a refusal %v", err, got)
		}
	}
}
