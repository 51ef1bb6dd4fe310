package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/cmd/service"
	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
)

// testLog keeps what the program logs.
type testLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *testLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *testLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// running is a service under test.
type running struct {
	*service.Service
	t       testing.TB
	address string
	log     *testLog
	stop    func()
}

// stores opens the archive of a house and a journal in a folder, until the test ends.
func stores(t testing.TB, h *plant.House, dir string, o historian.Options) (*historian.Archive, *journal.Journal) {
	t.Helper()
	ar, err := historian.Open(filepath.Join(dir, "archive"), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ar.Close() })
	if err := ar.Describe(service.Describe(h)...); err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(filepath.Join(dir, "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return ar, j
}

// start opens and runs a service and stops it with the test.
func start(t testing.TB, h *plant.House, load func() (*service.Service, *testLog, error)) *running {
	t.Helper()
	s, log, err := load()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	address := make(chan string, 1)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, func(a string) { address <- a }) }()
	r := &running{Service: s, t: t, log: log}
	var once sync.Once
	r.stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Errorf("run: %v", err)
			}
			s.Close()
		})
	}
	t.Cleanup(r.stop)
	select {
	case r.address = <-address:
	case err := <-done:
		t.Fatalf("run: %v", err)
	}
	return r
}

// await polls until ok or the limit.
func (r *running) await(what string, limit time.Duration, ok func(s *engine.Picture) bool) *engine.Picture {
	r.t.Helper()
	deadline := time.After(limit)
	for {
		next := r.Loop.Changed()
		if s := r.Loop.Picture(); s != nil && ok(s) {
			return s
		}
		select {
		case <-next:
		case <-deadline:
			r.t.Fatalf("%s: not within %s; log:\n%s", what, limit, r.log)
		}
	}
}

func (r *running) point(s *engine.Picture, path string) plant.Point {
	r.t.Helper()
	tag, ok := r.House.Find(path)
	if !ok {
		r.t.Fatalf("no tag %s", path)
	}
	return s.Frame.Point(tag.ID)
}

func (r *running) get(path string) string {
	r.t.Helper()
	res, err := http.Get("http://" + r.address + path)
	if err != nil {
		r.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != 200 {
		r.t.Fatalf("GET %s: %d %v\n%s", path, res.StatusCode, err, b)
	}
	return string(b)
}

// foreign is the independent OPC UA server.
type foreign struct {
	t    testing.TB
	mu   sync.Mutex // one question at a time
	cmd  *exec.Cmd
	in   io.WriteCloser
	out  *bufio.Scanner
	port int
}

func startForeign(t testing.TB, args map[string]any) *foreign {
	t.Helper()
	dir := filepath.Join("..", "..", "testdata", "interop")
	if _, err := os.Stat(filepath.Join(dir, "node_modules", "node-opcua")); err != nil {
		t.Fatalf("the independent OPC UA server is not installed: run 'make test-deps' (%v)", err)
	}
	if args["dir"] == nil {
		args["dir"] = t.TempDir()
	}
	b, _ := json.Marshal(args)
	f := &foreign{t: t, cmd: exec.Command("node", "server.js", string(b))}
	f.cmd.Dir = dir
	f.cmd.Stderr = os.Stderr
	f.in, _ = f.cmd.StdinPipe()
	out, _ := f.cmd.StdoutPipe()
	f.out = bufio.NewScanner(out)
	if err := f.cmd.Start(); err != nil {
		t.Fatalf("start the independent OPC UA server: %v", err)
	}
	t.Cleanup(func() { f.in.Close(); f.cmd.Process.Kill(); f.cmd.Wait() })
	var hello struct{ Port int }
	f.answer(&hello)
	f.port = hello.Port
	return f
}

func (f *foreign) answer(v any) {
	f.t.Helper()
	for f.out.Scan() {
		if !strings.HasPrefix(f.out.Text(), "{") {
			continue
		}
		var a struct {
			OK    bool
			Error string
		}
		if err := json.Unmarshal(f.out.Bytes(), &a); err != nil || !a.OK {
			f.t.Fatalf("independent server: %v %s", err, f.out.Text())
		}
		if v != nil {
			_ = json.Unmarshal(f.out.Bytes(), v)
		}
		return
	}
	f.t.Fatal("the independent server ended")
}

func (f *foreign) do(cmd string, fields map[string]any) {
	f.t.Helper()
	f.ask(nil, cmd, fields)
}

func (f *foreign) ask(v any, cmd string, fields map[string]any) {
	f.t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	m := map[string]any{"cmd": cmd}
	maps.Copy(m, fields)
	b, _ := json.Marshal(m)
	if _, err := f.in.Write(append(b, '\n')); err != nil {
		f.t.Fatal(err)
	}
	f.answer(v)
}

// value is what the server gives a variable at present.
func (f *foreign) value(name string) float64 {
	f.t.Helper()
	var r struct{ Value float64 }
	f.ask(&r, "value", map[string]any{"name": name})
	return r.Value
}

func (f *foreign) set(name string, v float64) {
	f.t.Helper()
	f.do("set", map[string]any{"name": name, "value": v})
}

// otherPlant opens the service on the plant of testdata/other-plant.yaml.
func otherPlant(t testing.TB, port int, data string) *running {
	return start(t, nil, func() (*service.Service, *testLog, error) {
		h, files, err := service.LoadPlant(filepath.Join("testdata", "other-plant.yaml"))
		if err != nil {
			return nil, nil, err
		}
		h.Config.OPCUA.Servers[0].Endpoint = fmt.Sprintf("opc.tcp://127.0.0.1:%d", port)
		console.OptionsOf(h).Listen = "127.0.0.1:0"
		log := &testLog{}
		s, err := openHere(h, files, data, slog.New(slog.NewTextHandler(log, nil)))
		return s, log, err
	})
}

// state of the other plant: what its instruments show, from a prediction with
// U of our choice.
type otherState struct {
	set *evaporator.Set
	op  evaporator.Operation
	r   *evaporator.Results
}

func newOtherState(t testing.TB) *otherState {
	t.Helper()
	d := evaporator.Conventions(
		evaporator.Body{Name: "V1", Effect: 1, AreaM2: 3200}, evaporator.Body{Name: "V2", Effect: 2, AreaM2: 2400},
		evaporator.Body{Name: "V3", Effect: 3, AreaM2: 2400}, evaporator.Body{Name: "V4", Effect: 4, AreaM2: 2400})
	d.LossFraction, d.PurityPct = 0.02, 88
	d.Elevation, d.Heat = liquor.StarzakPeacock, liquor.Bubnik
	d.BleedFrom[0] = true
	set, err := evaporator.New(d)
	if err != nil {
		t.Fatal(err)
	}
	s := &otherState{set: set, r: set.NewResults()}
	s.op = evaporator.Operation{LastKPa: 15.5, JuiceTH: 300, FeedBrix: 14.2, FeedC: 103}
	s.op.BleedTH[0] = 36
	for i, u := range []float64{2.31, 1.87, 1.29, 0.61} {
		s.op.Bodies[i].U = u
	}
	if _, err := set.PredictForBrix(&s.op, 64, 300, s.r); err != nil {
		t.Fatal(err)
	}
	return s
}

// show puts the state on the server, in the server's own units.
func (s *otherState) show(f *foreign) {
	f.t.Helper()
	const baro = 84.5
	gaugeBar := func(kPa float64) float64 { return (kPa - baro) / 100 }
	f.set("QE/VE/PT-100", gaugeBar(s.op.SteamKPa))
	f.set("QE/VE/FT-100", s.r.SteamTH.Value)
	f.set("QE/JC/FT-110", s.op.JuiceTH)
	f.set("QE/JC/AT-110", s.op.FeedBrix)
	f.set("QE/JC/TT-110", s.op.FeedC*9/5+32)
	f.set("QE/ML/AT-150", s.r.Bodies[3].BrixOut.Value/100)
	f.set("V1/pans", (s.op.BleedTH[0]-6)/3.6)
	p := func(i int) float64 { return s.r.Bodies[i].VapourKPa.Value }
	f.set("QE/V1/PT", gaugeBar(p(0)))
	f.set("QE/V2/PT", p(1)*10)
	f.set("QE/V3/PT", (baro-p(2))/0.133322387415)
	f.set("QE/V4/PT", (baro-p(3))/3.386388640341)
	f.set("QE/V4/TT", s.r.Bodies[3].JuiceC.Value)
	f.set("QE/V1/LT", 37)
	f.set("BC/in", 29)
	f.set("BC/out", 47)
	f.set("T1/PT", (baro-16)/0.133322387415)
	f.set("T1/TT", 63.2)
	f.set("T2/PT", 150)
	f.set("T2/TT", 62.9)
}

// A plant that is not the demo's, on a server that none of us wrote: other
// names, other units, a height above the sea. Its U, economy and elevations
// come back; what was done to it raises the right alarm; a node that is not
// there is named with its line and the rest runs; a restart of the program
// keeps the alarm.
func TestOtherPlant(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	f := startForeign(t, map[string]any{"port": 0, "plant": true})
	for _, n := range []string{"V1/pans", "BC/in", "BC/out", "T1/PT", "T1/TT", "T2/PT", "T2/TT"} {
		f.do("add", map[string]any{"name": n})
	}
	s := newOtherState(t)
	s.show(f)
	data := t.TempDir()
	r := otherPlant(t, f.port, data)
	snap := r.await("economy", 20*time.Second, func(s *engine.Picture) bool {
		return len(s.Sources) > 0 && s.Sources[0].Connected && r.point(s, "QE.economy").Usable() && r.point(s, "T1.supersaturation").Usable()
	})
	check := func(path string, want, rel float64) {
		t.Helper()
		p := r.point(snap, path)
		if !p.Usable() || math.Abs(p.Value-want) > rel*math.Abs(want) {
			tag, _ := r.House.Find(path)
			t.Errorf("%s = %g %s, want %g; %s", path, p.Value, p.Quality, want, snap.Reasons[tag.ID])
		}
	}
	for i, b := range []string{"V1", "V2", "V3", "V4"} {
		check("QE."+b+".u", s.op.Bodies[i].U, 0.002)
		check("QE."+b+".boiling_point_elevation", s.r.Bodies[i].BPEK.Value, 0.002)
		check("QE."+b+".brix_out", s.r.Bodies[i].BrixOut.Value, 0.002)
	}
	check("QE.V4.u_ratio", 0.61/0.7, 0.002)
	check("QE.V4.boiling_point_elevation_measured", s.r.Bodies[3].BPEK.Value, 0.005)
	check("QE.economy", s.r.Economy.Value, 0.002)
	check("QE.steam_calculated", s.r.SteamTH.Value, 0.002)
	check("BC.approach", s.r.Bodies[3].VapourC.Value-47, 0.001)
	if sup := r.point(snap, "T1.supersaturation"); !sup.Usable() || sup.Value < 0.9 || sup.Value > 1.4 {
		t.Errorf("supersaturation of T1: %+v", sup)
	}
	// The uncertainty is there too.
	if tag, _ := r.House.Find("QE.V4.u"); snap.Sigma[tag.ID] <= 0 || snap.Sigma[tag.ID] > 0.1*0.61 {
		t.Errorf("sigma of U4: %g", snap.Sigma[tag.ID])
	}
	// The node that is not there.
	if h := r.Sources[0].Health(); len(h.Faults) != 1 || !strings.Contains(h.Faults[0].Error(), "other-plant.yaml:") || h.Faults[0].Path != "T2.level" {
		t.Errorf("faults: %+v", h.Faults)
	}
	// Vacuum falls: the alarm comes, at the sample's own time.
	f.set("QE/V4/PT", (84.5-23)/3.386388640341)
	alarm := func(s *engine.Picture) *alerting.Status {
		for i := range s.Alarms {
			if s.Alarms[i].Name == "vacuum_low" {
				return &s.Alarms[i]
			}
		}
		return nil
	}
	r.await("vacuum alarm", 10*time.Second, func(s *engine.Picture) bool { a := alarm(s); return a != nil && a.State == alerting.Unacknowledged })
	// A bad status holds it.
	f.do("set", map[string]any{"name": "QE/V4/PT", "value": 0, "status": "BadSensorFailure"})
	snap = r.await("bad vacuum gauge", 10*time.Second, func(s *engine.Picture) bool {
		return r.point(s, "QE.V4.vapour_pressure").Quality == plant.BadSensorFailure
	})
	if a := alarm(snap); a.State != alerting.Unacknowledged {
		t.Errorf("bad input changed the alarm to %s", a.Code)
	}
	snap = r.await("U4 absent", 5*time.Second, func(s *engine.Picture) bool { return !r.point(s, "QE.V4.u").Usable() })
	if tag, _ := r.House.Find("QE.V4.u"); snap.Reasons[tag.ID] == "" {
		t.Error("U4 is absent without a reason")
	}
	if err := r.Loop.Do(context.Background(), alerting.Command{Action: alerting.Acknowledge, Alarm: "vacuum_low", User: "tester"}); err != nil {
		t.Error(err)
	}
	r.stop()
	// Again on the same data.
	r = otherPlant(t, f.port, data)
	snap = r.await("first picture", 10*time.Second, func(s *engine.Picture) bool { return alarm(s) != nil })
	if a := alarm(snap); a.State != alerting.Acknowledged || !a.Active {
		t.Errorf("after a restart the alarm is %s", a.Code)
	}
	f.set("QE/V4/PT", (84.5-15)/3.386388640341)
	r.await("return", 20*time.Second, func(s *engine.Picture) bool { return alarm(s).State == alerting.Normal })
	if err := r.Journal.Verify(context.Background()); err != nil {
		t.Error(err)
	}
}

// A server that is absent: said once, shown, tried again; and two programs
// never share a data folder.
func TestAbsentServer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	data := t.TempDir()
	r := otherPlant(t, port, data)
	r.await("absence shown", 10*time.Second, func(s *engine.Picture) bool {
		return len(s.Sources) == 1 && !s.Sources[0].Connected && strings.Contains(s.Sources[0].LastError, "nothing answers")
	})
	if m := unsited(r.get("/metrics")); !strings.Contains(m, `calandria_source_connected{source="plc"} 0`) {
		t.Error("/metrics does not say that the source is down")
	}
	if n := strings.Count(r.log.String(), "level=WARN") + strings.Count(r.log.String(), "level=ERROR"); n != 1 {
		t.Errorf("logged %d times:\n%s", n, r.log)
	}
	h, files, err := service.LoadPlant(filepath.Join("testdata", "other-plant.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := openHere(h, files, data, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "in use by another") {
		t.Errorf("a second program on the same data: %v", err)
	}
}

// openHere opens a service on a core of its own, by the clock of the machine.
func openHere(h *plant.House, files []rules.File, data string, log *slog.Logger) (*service.Service, error) {
	core, err := service.NewCore(h, files)
	if err != nil {
		return nil, err
	}
	return service.Open(context.Background(), engine.NewClock(), core, files, data, log, nil)
}
