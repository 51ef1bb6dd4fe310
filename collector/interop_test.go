package collector

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"calandria/plant"
)

func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == "read-server" { // the reader of a Remote
		err := errors.Join(Contain(0), Serve(context.Background(), os.Stdin, os.Stdout, slog.New(slog.NewJSONHandler(os.Stderr, nil))))
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	dir, err := os.MkdirTemp("", "collector-")
	if err != nil {
		panic(err)
	}
	sharedDir = dir
	// Keys take seconds to make: the servers of one test run share them.
	code := m.Run()
	theServer.stop()
	os.RemoveAll(dir)
	if code == 0 {
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

var sharedDir string

const testURI = "urn:interop:test"

// interop is the foreign test server in testdata/interop.
type interop struct {
	t    testing.TB
	cmd  *exec.Cmd
	in   io.WriteCloser
	out  *bufio.Scanner
	mu   sync.Mutex
	port int
	// ended is set once it no longer answers.
	ended  bool
	stderr *logLines
}

const interopDir = "../testdata/interop"

// theServer is the one process that all tests use, one after the other: it
// takes seconds to start.
var theServer *interop

// startInterop gives the test server, set up anew.
func startInterop(t testing.TB, args map[string]any) *interop {
	t.Helper()
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	if args == nil {
		args = map[string]any{}
	}
	if theServer != nil && theServer.cmd.ProcessState == nil && !theServer.ended {
		theServer.t = t
		theServer.do("reset", "args", args)
	} else {
		theServer = launchInterop(t, args)
	}
	s := theServer
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("server said: %.3000s", s.stderr.String())
		}
	})
	return s
}

func launchInterop(t testing.TB, args map[string]any) *interop {
	t.Helper()
	if _, err := os.Stat(filepath.Join(interopDir, "node_modules", "node-opcua")); err != nil {
		t.Fatalf("the OPC UA test server is not installed (%v): run 'make test-deps' first", err)
	}
	args["dir"] = sharedDir
	j, err := json.Marshal(args)
	if err != nil {
		t.Fatal(err)
	}
	s := &interop{t: t, cmd: exec.Command("node", "server.js", string(j)), stderr: &logLines{}}
	s.cmd.Dir = interopDir
	s.cmd.Stderr = s.stderr
	if s.in, err = s.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatalf("start node: %v; install Node.js 20 or later", err)
	}
	s.out = bufio.NewScanner(out)
	s.out.Buffer(nil, 1<<20)
	var ready struct{ Port int }
	s.answer(&ready)
	s.port = ready.Port
	return s
}

// stop ends the process: it ends with its input.
func (s *interop) stop() {
	if s == nil {
		return
	}
	s.in.Close()
	kill := time.AfterFunc(5*time.Second, func() { s.cmd.Process.Kill() })
	defer kill.Stop()
	_ = s.cmd.Wait() // its exit code says nothing
}

// answer reads the next line that is an answer; the stack prints remarks too.
func (s *interop) answer(v any) {
	s.t.Helper()
	for s.out.Scan() {
		line := s.out.Bytes()
		if !bytes.HasPrefix(line, []byte(`{"ok":`)) {
			continue
		}
		var r struct {
			OK    bool
			Error string
		}
		if err := json.Unmarshal(line, &r); err != nil {
			s.t.Fatalf("test server: %v in %s", err, line)
		}
		if !r.OK {
			s.t.Fatalf("test server: %s", r.Error)
		}
		if v != nil {
			if err := json.Unmarshal(line, v); err != nil {
				s.t.Fatal(err)
			}
		}
		return
	}
	s.ended = true
	s.t.Fatalf("test server ended: %v", s.out.Err())
}

// do sends one command: name, then key and value pairs.
func (s *interop) do(cmd string, kv ...any) {
	s.t.Helper()
	s.ask(nil, cmd, kv...)
}

func (s *interop) ask(v any, cmd string, kv ...any) {
	s.t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	m := map[string]any{"cmd": cmd}
	for i := 0; i+1 < len(kv); i += 2 {
		m[kv[i].(string)] = kv[i+1]
	}
	j, err := json.Marshal(m)
	if err != nil {
		s.t.Fatal(err)
	}
	if _, err := s.in.Write(append(j, '\n')); err != nil {
		s.t.Fatalf("test server: %v", err)
	}
	s.answer(v)
}

func (s *interop) set(name string, v any, kv ...any) {
	s.t.Helper()
	s.do("set", append([]any{"name", name, "value", v}, kv...)...)
}

// value is what the server gives a variable at present.
func (s *interop) value(name string) float64 {
	s.t.Helper()
	var r struct{ Value float64 }
	s.ask(&r, "value", "name", name)
	return r.Value
}

// awaitTicks waits until the ramp has gone n steps further: the server's own
// clock, however slow the machine is.
func (s *interop) awaitTicks(n float64) {
	s.t.Helper()
	end := time.Now().Add(hangs)
	for until := s.value("T0") + n; s.value("T0") < until; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			s.t.Fatalf("the server's ramp stands still")
		}
	}
}

func (s *interop) addr() string     { return fmt.Sprintf("127.0.0.1:%d", s.port) }
func (s *interop) endpoint() string { return "opc.tcp://" + s.addr() }

// cutter is a TCP proxy that can close or swallow.
type cutter struct {
	l       net.Listener
	to      string
	mu      sync.Mutex
	conns   map[net.Conn]bool
	refuse  atomic.Bool // closes new connections at once
	swallow atomic.Bool // a black hole: bytes go nowhere, connections stay
	// drop is how many Publish answers with data are to vanish on the way.
	drop atomic.Int32
	// poison takes the place of the next Publish answer.
	poison atomic.Pointer[[]byte]
	wg     sync.WaitGroup
}

func newCutter(t testing.TB, to string) *cutter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &cutter{l: l, to: to, conns: map[net.Conn]bool{}}
	p.wg.Go(p.serve)
	t.Cleanup(func() { l.Close(); p.refuse.Store(true); p.cut(); p.wg.Wait() })
	return p
}

func (p *cutter) serve() {
	for {
		c, err := p.l.Accept()
		if err != nil {
			return
		}
		if p.refuse.Load() {
			c.Close()
			continue
		}
		d, err := net.Dial("tcp", p.to)
		if err != nil {
			c.Close()
			continue
		}
		p.mu.Lock()
		p.conns[c], p.conns[d] = true, true
		p.mu.Unlock()
		p.wg.Go(func() { p.pipe(c, d) })
		p.wg.Go(func() { p.messages(d, c) })
	}
}

func (p *cutter) pipe(from, to net.Conn) {
	defer from.Close()
	defer to.Close()
	b := make([]byte, 64<<10)
	for {
		n, err := from.Read(b)
		if err != nil {
			return
		}
		if p.swallow.Load() {
			continue
		}
		if _, err := to.Write(b[:n]); err != nil {
			return
		}
	}
}

// messages is pipe for what the server sends, message by message: OPC 10000-6,
// 7.1.2.2 and 6.7.2. It reads what is in the clear only.
func (p *cutter) messages(from, to net.Conn) {
	defer from.Close()
	defer to.Close()
	h := make([]byte, 8)
	for {
		if _, err := io.ReadFull(from, h); err != nil {
			return
		}
		b := make([]byte, binary.LittleEndian.Uint32(h[4:]))
		copy(b, h)
		if _, err := io.ReadFull(from, b[8:]); err != nil {
			return
		}
		if p.swallow.Load() {
			continue
		}
		const publishResponse = 829
		if len(b) > 30 && string(b[:3]) == "MSG" && binary.LittleEndian.Uint16(b[26:]) == publishResponse {
			if len(b) > 200 && p.drop.Load() > 0 {
				p.drop.Add(-1)
				continue
			}
			if poison := p.poison.Swap(nil); poison != nil {
				b = append(b[:24], *poison...) // behind the numbers of channel and request
				binary.LittleEndian.PutUint32(b[4:], uint32(len(b)))
			}
		}
		if _, err := to.Write(b); err != nil {
			return
		}
	}
}

func (p *cutter) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.Close()
	}
	clear(p.conns)
}

// outage cuts the line and keeps it down until wait returns.
func (p *cutter) outage(wait func()) {
	p.refuse.Store(true)
	p.cut()
	wait()
	p.refuse.Store(false)
}

func (p *cutter) endpoint() string { return "opc.tcp://" + p.l.Addr().String() }

// logLines collects what a client logs.
type logLines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logLines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logLines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *logLines) count(s string) int { return strings.Count(l.String(), s) }

// rig is a client under test with all it delivered.
type rig struct {
	t       testing.TB
	c       *Client
	log     *logLines
	dir     string
	mu      sync.Mutex
	samples map[plant.TagID][]plant.Point
	total   int
	// unstored: what comes is not stored for the time being.
	unstored atomic.Bool
}

func plainServer(endpoint string) plant.ServerConfig {
	return plant.ServerConfig{Name: "mill", Endpoint: endpoint, Policy: "None", Mode: "None", Publish: 100 * time.Millisecond, SessionTimeout: 20 * time.Second}
}

// tagsOf makes tags with ids 0, 1 ... for nodes of the test namespace; a name
// with '=' in it is a whole node id.
func tagsOf(names ...string) []plant.Tag {
	var tags []plant.Tag
	for i, n := range names {
		node := n
		if !strings.Contains(n, "=") {
			node = "nsu=" + testURI + ";s=" + n
		}
		tags = append(tags, plant.Tag{ID: plant.TagID(i), Path: "EV." + fmt.Sprint(i), Source: plant.Measured, Server: "mill", Node: node,
			Scale: 1, Low: math.NaN(), High: math.NaN(), File: "plant.yaml", Line: 10 + i})
	}
	return tags
}

func ramps(n int) []string {
	var names []string
	for i := range n {
		names = append(names, fmt.Sprintf("T%d", i))
	}
	return names
}

// testPace takes a server that is merely slow for alive: only what tests
// silence itself sets another margin.
var testPace = pace{retryMin: 100 * time.Millisecond, retryMax: 500 * time.Millisecond, keepAlive: 500 * time.Millisecond, margin: time.Minute,
	slow: time.Second, quick: 500 * time.Millisecond, grace: 100 * time.Millisecond, tick: 20 * time.Millisecond, queue: 2000, unstored: time.Hour, every: true}

// newRig makes and runs a client; opts may change it first.
func newRig(t testing.TB, s plant.ServerConfig, tags []plant.Tag, opts ...func(*Client)) *rig {
	t.Helper()
	r := newIdleRig(t, s, tags, opts...)
	stop := make(chan struct{})
	ctx, cancel := contextOf(t)
	go func() {
		defer close(stop)
		if err := r.c.Run(ctx); err != nil {
			t.Errorf("Run: %v", err)
		}
	}()
	var wg sync.WaitGroup
	wg.Go(func() {
		for b := range r.c.Batches() {
			r.mu.Lock()
			for _, x := range b.Samples {
				r.samples[x.Tag] = append(r.samples[x.Tag], x.Point)
				r.total++
			}
			r.mu.Unlock()
			if !r.unstored.Load() {
				r.c.Stored(b.Number)
			}
		}
	})
	t.Cleanup(func() {
		cancel()
		<-stop
		wg.Wait()
		if t.Failed() {
			t.Logf("log:\n%s", r.log)
		}
	})
	return r
}

func newIdleRig(t testing.TB, s plant.ServerConfig, tags []plant.Tag, opts ...func(*Client)) *rig {
	t.Helper()
	r := &rig{t: t, log: &logLines{}, dir: t.TempDir(), samples: map[plant.TagID][]plant.Point{}}
	c, err := New(Config{Server: s, Tags: tags, DataDir: r.dir, Logger: slog.New(slog.NewTextHandler(r.log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	c.pace = testPace
	for _, it := range c.items {
		if it.tag.Sampling == 0 {
			it.tag.Sampling = 50 * time.Millisecond // for the length of the queue
		}
	}
	for _, o := range opts {
		o(c)
	}
	r.c = c
	return r
}

func (r *rig) points(id plant.TagID) []plant.Point {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]plant.Point(nil), r.samples[id]...)
}

func (r *rig) last(id plant.TagID) plant.Point {
	p := r.points(id)
	if len(p) == 0 {
		return plant.Point{}
	}
	return p[len(p)-1]
}

// hangs is when a test gives up: a busy machine is slow, not wrong.
const hangs = 2 * time.Minute

// await waits until ok holds.
func (r *rig) await(what string, ok func() bool) {
	r.t.Helper()
	end := time.Now().Add(hangs)
	for !ok() {
		if time.Now().After(end) {
			h := r.c.Health()
			r.t.Fatalf("not within %v: %s\nstate %s, step %q, error %q, faults %v, counters %+v", hangs, what, h.State, h.Step, h.LastError, h.Faults, h.Counters)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func (r *rig) awaitConnected() {
	r.t.Helper()
	r.await("connected", func() bool { h := r.c.Health(); return h.Connected() })
}

func (r *rig) awaitValue(id plant.TagID, v float64) {
	r.t.Helper()
	r.await(fmt.Sprintf("tag %d is %g", id, v), func() bool { p := r.last(id); return p.Quality.Usable() && p.Value == v })
}

func (r *rig) awaitQuality(id plant.TagID, q plant.Quality) {
	r.t.Helper()
	r.await(fmt.Sprintf("tag %d is %s", id, q), func() bool { return r.last(id).Quality == q })
}
