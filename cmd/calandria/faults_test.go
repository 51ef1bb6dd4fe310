//go:build faults

package main

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// line is a TCP line to an OPC UA server that can be spoilt.
type line struct {
	net.Listener
	to                   string
	down, dumb, slow     atomic.Bool  // refuses and closes; carries nothing; carries each message late
	double, swap, halves atomic.Int32 // messages with values to send twice, to exchange; connections to leave half open
	mu                   sync.Mutex
	conns                []net.Conn
}

func newLine(t *testing.T, port int) *line {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &line{Listener: l, to: fmt.Sprintf("127.0.0.1:%d", port)}
	t.Cleanup(func() { l.Close(); p.down.Store(true); p.cut() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			s, err := net.Dial("tcp", p.to)
			if err != nil || p.down.Load() {
				c.Close()
				continue
			}
			p.mu.Lock()
			p.conns = append(p.conns, c, s)
			p.mu.Unlock()
			go p.carry(c, s, false)
			go p.carry(s, c, true)
		}
	}()
	return p
}

func (p *line) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

// carry hands messages on, one by one (OPC 10000-6, 6.7.2 and 7.1.2.2). Bodies of
// Publish answers pass through a queue, in which they are doubled and exchanged;
// each goes on under the numbers of the answer whose turn it is.
func (p *line) carry(from, to net.Conn, answers bool) {
	const numbers, handle, publishResponse = 24, 36, 829
	defer from.Close()
	half := false
	defer func() {
		if !half {
			to.Close()
		}
	}()
	var turns, bodies [][]byte
	for h := make([]byte, 8); ; {
		if _, err := io.ReadFull(from, h); err != nil {
			return
		}
		b := append(slices.Clone(h), make([]byte, binary.LittleEndian.Uint32(h[4:])-8)...)
		if _, err := io.ReadFull(from, b[8:]); err != nil {
			return
		}
		if p.slow.Load() {
			time.Sleep(1500 * time.Millisecond) // the fault itself, not a wait for anything
		}
		if answers && p.halves.Load() > 0 {
			p.halves.Add(-1)
			half = true
			return // the server's side is closed, ours never hears of it
		}
		if p.dumb.Load() {
			continue
		}
		out := [][]byte{b}
		if answers && len(b) > 40 && string(b[:3]) == "MSG" && binary.LittleEndian.Uint16(b[26:]) == publishResponse {
			turns, bodies, out = append(turns, b), append(bodies, b), nil
			values := len(b) > 130 // a keep-alive is shorter
			switch n := len(bodies); {
			case values && p.double.Load() > 0:
				p.double.Add(-1)
				bodies = append(bodies, b)
			case values && p.swap.Load()%2 == 1 && n > 1:
				p.swap.Add(-1)
				bodies[n-1], bodies[n-2] = bodies[n-2], bodies[n-1]
			case values && p.swap.Load() > 0 && p.swap.Load()%2 == 0:
				p.swap.Add(-1)
				continue // waits for the next
			}
			for ; len(turns) > 0 && len(bodies) > 0; turns, bodies = turns[1:], bodies[1:] {
				x := slices.Concat(turns[0][:numbers], bodies[0][numbers:])
				copy(x[handle:handle+4], turns[0][handle:])
				binary.LittleEndian.PutUint32(x[4:], uint32(len(x)))
				out = append(out, x)
			}
		}
		for _, x := range out {
			if _, err := to.Write(x); err != nil {
				return
			}
		}
	}
}

// lineFault is a row of docs/faults.md.
type lineFault struct {
	name string
	own  bool // a server of its own, for what is done to a server
	// secure: with certificates, which the test trusts in place of an engineer.
	secure bool
	// strike makes the fault and ends it. seen waits until the operator sees it.
	// What a server holds in its queues dies with it: such a row brings its ramp to
	// a stop first, until all is here.
	strike func(f *foreign, l *line, seen func(), tick func(n float64))
	still  bool
	told   string // what the log, and so the journal and the Instruments page, say
}

var lineFaults = []lineFault{
	{name: "cut", told: "connection lost", strike: func(_ *foreign, l *line, seen func(), tick func(float64)) {
		l.down.Store(true)
		l.cut()
		seen()
		tick(30)
		l.down.Store(false)
	}},
	{name: "black_hole", told: "connection lost", strike: func(_ *foreign, l *line, seen func(), _ func(float64)) {
		l.dumb.Store(true)
		seen()
		l.cut()
		l.dumb.Store(false)
	}},
	{name: "half_open", told: "connection lost", strike: func(_ *foreign, l *line, seen func(), _ func(float64)) {
		l.halves.Store(1)
		seen()
	}},
	{name: "slow", strike: func(_ *foreign, l *line, _ func(), tick func(float64)) {
		l.slow.Store(true)
		tick(50)
		l.slow.Store(false)
	}},
	{name: "doubled", strike: func(_ *foreign, l *line, _ func(), tick func(float64)) {
		l.double.Store(3)
		tick(40)
	}},
	{name: "out_of_order", strike: func(_ *foreign, l *line, _ func(), tick func(float64)) {
		l.swap.Store(6)
		tick(60)
	}},
	{name: "server_restart", own: true, still: true, told: "connection lost", strike: func(f *foreign, _ *line, seen func(), _ func(float64)) {
		f.do("stop", nil)
		seen()
		f.do("configure", map[string]any{"args": map[string]any{"ramp": 100, "namespaces": []string{"urn:interop:before"}}})
		f.do("start", nil)
	}},
	{name: "certificate", own: true, still: true, secure: true, told: "not trusted yet", strike: func(f *foreign, _ *line, seen func(), tick func(float64)) {
		f.do("restart", map[string]any{"args": map[string]any{"ramp": 100, "pki": "renewed"}})
		seen()
		tick(20)
	}},
	{name: "wrong_type", own: true, still: true, told: "not a number", strike: func(f *foreign, _ *line, seen func(), _ func(float64)) {
		f.do("set", map[string]any{"name": "T0", "value": "text", "type": "String"})
		seen()
		f.do("set", map[string]any{"name": "T0", "value": 0, "status": "BadSensorFailure"})
		seen()
		f.do("ramp", map[string]any{"ms": 100})
	}},
}

// What fails between the plant and the program, against node-opcua and through a
// line that is spoilt, all at once: of what the server still has nothing is lost,
// nothing is doubled, the alarm that stands never returns, the operator sees the
// loss, and values come again. The rows are those of docs/faults.md.
func TestFaultsOfTheLine(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts servers")
	}
	var yaml, rule strings.Builder
	yaml.WriteString("site: {name: faults}\nconsole: {listen: '127.0.0.1:0'}\npans: [{name: P}]\nopcua:\n  servers:\n")
	rule.WriteString("alarms:\n")
	keys := t.TempDir() // take seconds to make
	args := func() map[string]any {
		return map[string]any{"dir": keys, "port": 0, "variables": 1, "ramp": 100, "history": true, "every": true}
	}
	shared := startForeign(t, args())
	servers, lines := map[string]*foreign{}, map[string]*line{}
	for _, f := range lineFaults {
		servers[f.name] = shared
		if f.own {
			own := args()
			own["loose"] = f.name == "wrong_type"
			servers[f.name] = startForeign(t, own)
		}
		lines[f.name] = newLine(t, servers[f.name].port)
		policy := "policy: None, "
		if f.secure {
			policy = ""
		}
		fmt.Fprintf(&yaml, "    - {name: %s, endpoint: 'opc.tcp://%s', %spublish: 200ms}\n", f.name, lines[f.name].Addr(), policy)
		rule.WriteString(smallRule("high_"+f.name, f.name+" > 5", ""))
	}
	yaml.WriteString("tags:\n")
	for _, f := range lineFaults {
		fmt.Fprintf(&yaml, "  %s: {server: %[1]s, node: 'nsu=urn:interop:test;s=T0', sampling: 50ms}\n", f.name)
	}
	data := t.TempDir()
	r := start(t, nil, func() (*service.Service, *testLog, error) {
		h, err := service.LoadHouse("faults.yaml", []byte(yaml.String()))
		if err != nil {
			return nil, nil, err
		}
		log := &testLog{}
		s, err := openHere(h, []rules.File{{Name: "rules.yaml", Data: []byte(rule.String())}}, data, slog.New(slog.NewTextHandler(log, nil)))
		return s, log, err
	})
	trust := func(t *testing.T) { // an engineer compares the fingerprint and moves the file
		poll(t, time.Minute, func() bool {
			files, _ := filepath.Glob(filepath.Join(data, "rejected", "*"))
			for _, f := range files {
				if os.Rename(f, filepath.Join(data, "trusted", filepath.Base(f))) != nil {
					return false
				}
			}
			return len(files) > 0
		}, r.log.String)
	}
	t.Run("", func(t *testing.T) {
		for _, f := range lineFaults {
			t.Run(f.name, func(t *testing.T) {
				t.Parallel()
				r.lineFault(t, f, servers[f.name], lines[f.name], trust)
			})
		}
	})
}

func (r *running) lineFault(t *testing.T, f lineFault, server *foreign, l *line, trust func(*testing.T)) {
	live := func(n float64) float64 {
		var v float64
		s := &running{Service: r.Service, t: t, log: r.log}
		s.await("values of "+f.name, time.Minute, func(s *engine.Picture) bool {
			p := r.point(s, f.name)
			v = p.Value
			return p.Usable() && v > n
		})
		return v
	}
	if f.secure {
		trust(t)
	}
	first := live(live(10) + 3) // a tick while the server makes its item is nobody's loss
	before, struck := first, time.Now()
	seen := func() {
		(&running{Service: r.Service, t: t, log: r.log}).await("the operator sees "+f.name, time.Minute, func(s *engine.Picture) bool {
			for _, a := range s.Alarms {
				if a.Name == "high_"+f.name && !a.Active {
					t.Error("the alarm has returned")
				}
			}
			return r.point(s, f.name).Quality.IsBad()
		})
		t.Logf("the operator saw it after %.1f s", time.Since(struck).Seconds())
	}
	tick := func(n float64) {
		until := server.value("T0") + n
		poll(t, time.Minute, func() bool { return server.value("T0") >= until }, func() string { return "the server's ramp stands" })
	}
	if f.still {
		server.do("ramp", map[string]any{"ms": 0})
		before = live(server.value("T0") - 0.5)
	}
	struck = time.Now()
	f.strike(server, l, seen, tick)
	if f.secure {
		trust(t)
	}
	ended := time.Now()
	after := live(before + 20)
	t.Logf("live again %.1f s after it ended", time.Since(ended).Seconds())
	if f.told != "" && !strings.Contains(r.log.String(), f.told) {
		t.Errorf("the log does not say %q", f.told)
	}
	lost, doubled, holes := 0, 0, ""
	poll(t, time.Minute, func() bool { // what the server's history has comes beside what is live
		var values []plant.Point
		for v, err := range r.Archive.Versions(t.Context(), f.name, struck.Add(-time.Hour), time.Now().Add(time.Hour)) {
			if err == nil && v.Usable() && v.Value >= first && v.Value <= after { // a value that came too late to be judged is Uncertain
				values = append(values, v.Point)
			}
		}
		slices.SortStableFunc(values, func(a, b plant.Point) int { return cmp.Compare(a.Value, b.Value) })
		lost, doubled, holes = 0, 0, ""
		for i := 1; i < len(values); i++ {
			switch step := int(math.Round(values[i].Value - values[i-1].Value)); {
			case step == 0:
				doubled++
			case step > 1:
				lost += step - 1
				holes += fmt.Sprintf("between %v and %v; ", values[i-1], values[i])
			}
		}
		return lost == 0 && len(values) > 0 && values[len(values)-1].Value >= math.Floor(after)
	}, func() string { return fmt.Sprintf("%d lost, %d doubled: %s\n%s", lost, doubled, holes, r.log) })
	returns, err := r.Journal.Read(t.Context(), plant.EventFilter{Alarm: "high_" + f.name, Kinds: []plant.EventKind{plant.EventReturn}})
	if err != nil || len(returns) != 0 || doubled != 0 {
		t.Errorf("%d doubled; false returns %v, %v", doubled, returns, err)
	}
}
