package collector

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

func contextOf(t testing.TB) (context.Context, context.CancelFunc) {
	return context.WithCancel(context.Background())
}

// missing counts the holes in a ramp that rises by 1 with every sample, and
// what came twice or out of order.
func missing(points []plant.Point) (holes, repeats int) {
	prev := math.NaN()
	for _, p := range points {
		if !p.Quality.IsGood() || p.Value == 0 {
			continue // 0 is the value before the ramp begins
		}
		switch d := math.Round(p.Value - prev); {
		case math.IsNaN(prev) || d == 1:
		case d > 1:
			holes += int(d) - 1
		default:
			repeats++
		}
		prev = p.Value
	}
	return holes, repeats
}

func TestCutWithLivingSession(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 20, "ramp": 100})
	p := newCutter(t, s.addr())
	r := newRig(t, plainServer(p.endpoint()), tagsOf(append(ramps(20), "Still")...))
	r.awaitConnected()
	r.awaitValue(20, 42)
	r.await("values flow", func() bool { return len(r.points(0)) > 15 })
	p.outage(func() { s.awaitTicks(35) })
	r.awaitConnected()
	r.await("the unchanged value is stated again", func() bool { return r.last(20).Quality.IsGood() })
	n := len(r.points(0))
	r.await("values flow again", func() bool { return len(r.points(0)) > n+15 })

	for id := range plant.TagID(20) {
		if holes, repeats := missing(r.points(id)); holes != 0 || repeats != 0 {
			t.Errorf("tag %d: %d samples missing, %d repeated", id, holes, repeats)
		}
	}
	h := r.c.Health()
	if h.Counters.Reactivated != 1 || h.Counters.Recreated != 0 || h.Counters.Lost != 0 {
		t.Errorf("the session should have lived on: %+v", h.Counters)
	}
	if r.log.count("connection lost") != 1 {
		t.Errorf("the loss should be logged once:\n%s", r.log)
	}
	// D7: Bad at the moment of detection, and the unchanged value again after it.
	still := r.points(20)
	if len(still) != 3 || still[1].Quality != plant.BadNoCommunication || still[2].Value != 42 || !still[2].Time.After(still[1].Time) {
		t.Errorf("unchanged value over a loss: %v", still)
	}
	bad := 0
	for _, x := range r.points(3) {
		if x.Quality == plant.BadNoCommunication {
			bad++
		}
	}
	if bad != 1 {
		t.Errorf("a tag turned Bad_NoCommunication %d times, not once", bad)
	}
}

func TestBlackHole(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 3, "ramp": 100})
	p := newCutter(t, s.addr())
	r := newRig(t, plainServer(p.endpoint()), tagsOf(ramps(3)...), func(c *Client) { c.pace.margin = 2 * time.Second })
	r.awaitConnected()
	r.await("values flow", func() bool { return len(r.points(0)) > 5 })
	p.swallow.Store(true)
	r.await("silence is noticed", func() bool { h := r.c.Health(); return !h.Connected() })
	if h := r.c.Health(); h.LastError != errSilent.Error() {
		t.Errorf("reason %q", h.LastError)
	}
	r.awaitQuality(0, plant.BadNoCommunication)
	p.cut()
	p.swallow.Store(false)
	r.awaitConnected()
	n := len(r.points(0))
	r.await("values flow again", func() bool { return len(r.points(0)) > n+5 })
	if holes, _ := missing(r.points(0)); holes != 0 {
		t.Errorf("%d samples missing; counters %+v", holes, r.c.Health().Counters)
	}
}

func TestServerRestart(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 5, "ramp": 100})
	r := newRig(t, plainServer(s.endpoint()), tagsOf(ramps(5)...))
	r.awaitConnected()
	r.await("values flow", func() bool { return len(r.points(0)) > 5 })
	before := r.c.Health().ServerStarted
	// F2: another namespace comes first now, so that all indexes move.
	s.do("restart", "absent", 500, "args", map[string]any{"namespaces": []string{"urn:interop:before"}})
	r.await("a new server is noticed", func() bool { h := r.c.Health(); return h.Connected() && h.ServerStarted.After(before) })
	n := len(r.points(0))
	r.await("values flow again", func() bool { return len(r.points(0)) > n+5 })
	if h := r.c.Health(); h.Counters.Recreated != 1 || len(h.Faults) != 0 {
		t.Errorf("faults %v, counters %+v", h.Faults, h.Counters)
	}
}

func TestServerAbsentAtStart(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 1})
	s.do("stop")
	r := newRig(t, plainServer(s.endpoint()), tagsOf("Still"))
	r.await("several attempts", func() bool { return r.c.Health().Counters.Attempts > 4 })
	r.awaitQuality(0, plant.BadNoCommunication)
	if n := r.log.count("cannot connect"); n != 1 {
		t.Errorf("logged %d times, not once:\n%s", n, r.log)
	}
	if n := len(r.points(0)); n != 1 {
		t.Errorf("%d points while absent, not one", n)
	}
	if h := r.c.Health(); !strings.Contains(h.LastError, "nothing answers") {
		t.Errorf("reason %q", h.LastError)
	}
	s.do("start")
	r.awaitConnected()
	r.awaitValue(0, 42)
}

func TestSessionDropped(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 3, "ramp": 100})
	r := newRig(t, plainServer(s.endpoint()), tagsOf(append(ramps(3), "Still")...))
	r.awaitConnected()
	r.await("values flow", func() bool { return len(r.points(0)) > 5 })
	s.do("drop")
	r.await("the loss is noticed and mended", func() bool { h := r.c.Health(); return h.Counters.Reconnects == 1 && h.Connected() })
	r.awaitValue(3, 42)
	n := len(r.points(0))
	r.await("values flow again", func() bool { return len(r.points(0)) > n+5 })
}

func TestFaultyNodes(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 3, "ramp": 100, "maxItems": 2})
	r := newRig(t, plainServer(s.endpoint()), tagsOf("T0", "Nowhere", "nsu=urn:elsewhere;s=X", "Any", "T1", "i=85"))
	r.awaitConnected()
	r.await("the others run", func() bool { return len(r.points(0)) > 5 && len(r.points(4)) > 5 })
	r.awaitQuality(1, plant.BadNodeIDUnknown)
	r.awaitQuality(2, plant.BadNodeIDUnknown)
	s.set("Any", "text")
	r.awaitQuality(3, plant.BadTypeMismatch)
	r.awaitQuality(5, plant.BadAttributeIDInvalid)
	r.await("four faults", func() bool { return len(r.c.Health().Faults) == 4 })
	want := map[int]string{11: "does not exist on server mill", 12: "has no namespace urn:elsewhere", 13: "is of type String, not a number", 15: "Bad_AttributeIdInvalid"}
	for _, f := range r.c.Health().Faults {
		if f.File != "plant.yaml" || !strings.Contains(f.Problem, want[f.Line]) {
			t.Errorf("fault %v, want %q", f.Error(), want[f.Line])
		}
		if n := r.log.count(f.Problem); n != 1 {
			t.Errorf("%q logged %d times", f.Problem, n)
		}
	}
	// Each comes back by itself once it is mended.
	s.set("Any", 7.5)
	r.awaitValue(3, 7.5)
	s.do("add", "name", "Nowhere", "value", 3)
	r.awaitValue(1, 3)
	s.do("register", "uri", "urn:elsewhere")
	r.await("two faults left", func() bool { return len(r.c.Health().Faults) == 2 })
}

// TestValues sends every kind of value through a foreign server.
func TestValues(t *testing.T) {
	s := startInterop(t, nil)
	r := newRig(t, plainServer(s.endpoint()), tagsOf("Any", "Flag"))
	r.awaitConnected()
	r.await("first values", func() bool { return len(r.points(0)) > 0 && len(r.points(1)) > 0 })
	for _, c := range []struct {
		typ    string
		value  any
		status any
		want   float64
		q      plant.Quality
	}{
		{"Double", 1.25, nil, 1.25, plant.Good},
		{"Double", 2.5, "UncertainLastUsableValue", 2.5, plant.UncertainLastUsable},
		{"Double", 3.5, "BadSensorFailure", 0, plant.BadSensorFailure},
		{"Double", 3.5, "GoodLocalOverride", 3.5, plant.GoodLocalOverride},
		{"Double", "NaN", nil, 0, plant.BadOutOfRange},
		{"Float", "Infinity", nil, 0, plant.BadOutOfRange},
		{"Float", 0.5, nil, 0.5, plant.Good},
		{"Boolean", true, nil, 1, plant.Good},
		{"Boolean", false, nil, 0, plant.Good},
		{"SByte", -128, nil, -128, plant.Good},
		{"Byte", 255, nil, 255, plant.Good},
		{"Int16", -32768, nil, -32768, plant.Good},
		{"UInt16", 65535, nil, 65535, plant.Good},
		{"Int32", math.MinInt32, nil, math.MinInt32, plant.Good},
		{"UInt32", uint32(math.MaxUint32), nil, math.MaxUint32, plant.Good},
		{"UInt64", []uint32{1 << 20, 5}, nil, 1<<52 + 5, plant.Good}, // high word, low word
		{"UInt64", []uint32{1 << 22, 1}, nil, 0, plant.BadOutOfRange},
		{"String", "98.6", nil, 0, plant.BadTypeMismatch},
		{"Double", 4, nil, 4, plant.Good},
		{"Double", []float64{1, 2}, nil, 0, plant.BadTypeMismatch},
		{"Null", nil, nil, 0, plant.BadNoData},
		{"Double", 5, nil, 5, plant.Good},
	} {
		name, id := "Any", plant.TagID(0)
		if c.typ == "Boolean" {
			name, id = "Flag", 1
		}
		n := len(r.points(id))
		at := time.Now().UTC().Truncate(time.Millisecond)
		kv := []any{"type", c.typ, "time", at.Format(time.RFC3339Nano)}
		if c.status != nil {
			kv = append(kv, "status", c.status)
		}
		s.set(name, c.value, kv...)
		r.await(c.typ+" arrives", func() bool { return len(r.points(id)) > n })
		p := r.last(id)
		if p.Quality != c.q || c.q.Usable() && p.Value != c.want || !c.q.Usable() && !math.IsNaN(p.Value) {
			t.Errorf("%s %v with status %v gave %v (%s), want %v (%s)", c.typ, c.value, c.status, p.Value, p.Quality, c.want, c.q)
		}
		if !p.Time.Equal(at) {
			t.Errorf("%s: time %v, want the source's %v", c.typ, p.Time, at)
		}
	}
}
