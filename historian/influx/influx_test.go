package influx

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"calandria/historian"
	"calandria/plant"
)

var t0 = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

func at(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }

func good(s, v float64) plant.Point {
	return plant.Point{Time: at(s), Value: v, Quality: plant.Good}
}

func openTest(t *testing.T) *historian.Archive {
	t.Helper()
	a, err := historian.Open(t.TempDir(), historian.Options{Now: func() time.Time { return t0 }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

// freePort finds a port of the loopback that is free at the moment.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// startServer runs a real server for the test and waits until url answers.
func startServer(t *testing.T, url, bin string, args ...string) (stop func()) {
	t.Helper()
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	path, err := exec.LookPath(bin)
	if err != nil {
		t.Fatalf("%s is needed for this test: run 'make test-deps'", bin)
	}
	cmd := exec.Command(path, args...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	stopped := false
	stop = func() {
		if !stopped {
			stopped = true
			cmd.Process.Signal(os.Interrupt)
			cmd.Wait()
		}
	}
	t.Cleanup(stop)
	deadline := time.Now().Add(60 * time.Second)
	for {
		resp, err := http.Get(url)
		if err == nil {
			resp.Body.Close()
			return stop
		}
		if time.Now().After(deadline) {
			stop()
			t.Fatalf("%s does not answer: %v\n%s", bin, err, out.String())
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// awkward are points that a line protocol can get wrong.
func awkward() map[string][]plant.Point {
	ns := time.Date(2026, 3, 1, 6, 0, 0, 123456789, time.UTC)
	return map[string][]plant.Point{
		"EV.EV3.vapour_pressure": {
			{Time: ns, Value: 56.25, Quality: plant.Good},
			{Time: ns.Add(1), Value: -0.1, Quality: plant.UncertainSensor},
			plant.BadPoint(ns.Add(time.Second), plant.BadSensorFailure),
			{Time: ns.Add(2 * time.Second), Value: 0, Quality: plant.Good},
			{Time: ns.Add(3 * time.Second), Value: 1e-300, Quality: plant.Good},
			{Time: ns.Add(4 * time.Second), Value: 123456789.123, Quality: plant.Good},
		},
		`site.odd name, "quoted"=x\y`: {{Time: ns, Value: 1, Quality: plant.Good}},
		"PA1.massecuite_temperature":  {{Time: ns, Value: 68.5, Quality: plant.Good}},
	}
}

var testTags = map[string]Tag{
	"EV.EV3.vapour_pressure":     {Unit: "kPa", Signal: "vapour_pressure", Labels: map[string]string{"set": "EV", "body": "EV3"}},
	"PA1.massecuite_temperature": {Unit: "degC", Signal: "massecuite_temperature", Labels: map[string]string{"pan": "PA1", "empty": ""}},
}

// forwardAll runs a forwarder until done reports true.
func forwardAll(t *testing.T, f *Forwarder, done func(Health) bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 60*time.Second)
	defer cancel()
	f.poll = 5 * time.Millisecond
	end := make(chan error, 1)
	go func() { end <- f.Run(ctx) }()
	for !done(f.Health()) {
		if ctx.Err() != nil {
			t.Fatalf("not done: %+v", f.Health())
		}
		time.Sleep(5 * time.Millisecond)
	}
	cancel()
	if err := <-end; err != nil {
		t.Fatal(err)
	}
}

func newForwarder(t *testing.T, a *historian.Archive, url string) *Forwarder {
	t.Helper()
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("secret-token\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := New(a, Config{URL: url, Org: "mill", Bucket: "boiling house", TokenFile: token}, testTags, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// VictoriaMetrics (Debian victoria-metrics) takes the v2 write API and gives
// back what it stored, to the ms.
func TestForwardVictoriaMetrics(t *testing.T) {
	addr := freePort(t)
	base := "http://" + addr
	startServer(t, base+"/health", "victoria-metrics", "-storageDataPath="+t.TempDir(), "-httpListenAddr="+addr, "-retentionPeriod=100y", "-loggerLevel=ERROR")
	a := openTest(t)
	n := 0
	want := map[string]map[int64]float64{}
	// 90 minutes of a signal every second, with a bad stretch.
	for i := range 5400 {
		p := good(float64(i), math.Round(1000*(56+math.Sin(float64(i)/60)))/1000)
		if i/60 == 30 {
			p = plant.BadPoint(p.Time, plant.BadNoCommunication)
		}
		if err := a.Append([]plant.Record{{Path: "EV.EV3.vapour_pressure", Point: p}}); err != nil {
			t.Fatal(err)
		}
		n++
		add := func(name string, v float64) {
			if want[name] == nil {
				want[name] = map[int64]float64{}
			}
			want[name][p.Time.UnixMilli()] = v
		}
		add("calandria_status", float64(p.Quality.Code()))
		if p.Usable() {
			add("calandria_value", p.Value)
		}
	}
	if err := a.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	f := newForwarder(t, a, base)
	forwardAll(t, f, func(h Health) bool { return h.Sent >= uint64(n) })
	if h := f.Health(); h.SetAside != 0 || !h.OK {
		t.Fatalf("%+v", h)
	}
	http.Get(base + "/internal/force_flush")
	resp, err := http.Get(base + "/api/v1/export?match[]=" + url.QueryEscape(`{__name__=~"calandria_.*"}`) + "&reduce_mem_usage=1")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	got := map[string]map[int64]float64{}
	dec := json.NewDecoder(resp.Body)
	for {
		var line struct {
			Metric     map[string]string
			Values     []float64
			Timestamps []int64
		}
		if err := dec.Decode(&line); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		for k, v := range map[string]string{"set": "EV", "body": "EV3", "unit": "kPa", "signal": "vapour_pressure", "path": "EV.EV3.vapour_pressure"} {
			if line.Metric[k] != v {
				t.Errorf("label %s is %q, want %q", k, line.Metric[k], v)
			}
		}
		name := line.Metric["__name__"]
		if got[name] == nil {
			got[name] = map[int64]float64{}
		}
		for i, ts := range line.Timestamps {
			got[name][ts] = line.Values[i]
		}
	}
	for name, w := range want {
		if len(got[name]) != len(w) {
			t.Errorf("%s: %d samples came back, want %d", name, len(got[name]), len(w))
		}
		for ts, v := range w {
			if g, ok := got[name][ts]; !ok || g != v {
				t.Fatalf("%s at %d: %v, want %v", name, ts, g, v)
			}
		}
	}
}

// InfluxDB 1.6.7 (Debian influxdb) parses lines strictly and keeps ns. It has
// no v2 API, so a small gateway of this test moves the lines to /write?db=.
func TestForwardInfluxLines(t *testing.T) {
	dir := t.TempDir()
	httpAddr, rpcAddr := freePort(t), freePort(t)
	conf := filepath.Join(dir, "influx.conf")
	if err := os.WriteFile(conf, fmt.Appendf(nil, `reporting-disabled = true
bind-address = %q
[meta]
  dir = %q
[data]
  dir = %q
  wal-dir = %q
[http]
  bind-address = %q
  log-enabled = false
[logging]
  level = "error"
`, rpcAddr, dir+"/meta", dir+"/data", dir+"/wal", httpAddr), 0o600); err != nil {
		t.Fatal(err)
	}
	base := "http://" + httpAddr
	startServer(t, base+"/ping", "influxd", "-config", conf)
	if _, err := http.PostForm(base+"/query", url.Values{"q": {"CREATE DATABASE mill"}}); err != nil {
		t.Fatal(err)
	}
	gateway := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/api/v2/write" || r.URL.Query().Get("precision") != "ns" || r.Header.Get("Authorization") != "Token secret-token" {
			t.Errorf("request %s with authorization %q", r.URL, r.Header.Get("Authorization"))
		}
		req, _ := http.NewRequest("POST", base+"/write?db=mill&precision=n", r.Body)
		req.Header.Set("Content-Encoding", r.Header.Get("Content-Encoding"))
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Error(err)
			return
		}
		w.WriteHeader(resp.StatusCode)
		io.Copy(w, resp.Body)
		resp.Body.Close()
	}))
	defer gateway.Close()
	a := openTest(t)
	n := 0
	for path, pts := range awkward() {
		for _, p := range pts {
			if err := a.Append([]plant.Record{{Path: path, Point: p}}); err != nil {
				t.Fatal(err)
			}
		}
		n += len(pts)
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	f := newForwarder(t, a, gateway.URL)
	forwardAll(t, f, func(h Health) bool { return h.Sent+h.SetAside >= uint64(n) })
	if h := f.Health(); h.SetAside != 0 {
		t.Fatalf("%+v", h)
	}
	// Sending all of it again changes nothing.
	f2 := newForwarder(t, a, gateway.URL)
	f2.name = "another" // begins again with all that the log holds
	forwardAll(t, f2, func(h Health) bool { return h.Sent >= uint64(n) })

	resp, err := http.Get(base + "/query?db=mill&epoch=ns&q=" + url.QueryEscape(`SELECT "path","body","pan","unit","value","status" FROM calandria`))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var res struct {
		Results []struct {
			Series []struct {
				Columns []string
				Values  [][]any
			}
			Error string
		}
	}
	dec := json.NewDecoder(resp.Body)
	dec.UseNumber()
	if err := dec.Decode(&res); err != nil {
		t.Fatal(err)
	}
	if len(res.Results) != 1 || len(res.Results[0].Series) != 1 {
		t.Fatalf("%+v", res)
	}
	rows := res.Results[0].Series[0].Values
	if len(rows) != n {
		t.Errorf("%d points came back, want %d", len(rows), n)
	}
	for _, r := range rows {
		ns, _ := r[0].(json.Number).Int64()
		path := r[1].(string)
		var want *plant.Point
		for _, p := range awkward()[path] {
			if p.Time.UnixNano() == ns {
				want = &p
			}
		}
		if want == nil {
			t.Errorf("point nobody sent: %v", r)
			continue
		}
		if code, _ := r[6].(json.Number).Int64(); uint32(code) != want.Quality.Code() {
			t.Errorf("%s: status %d, want %v", path, code, want.Quality)
		}
		if want.Quality.IsBad() != (r[5] == nil) {
			t.Errorf("%s: value %v with %v", path, r[5], want.Quality)
		} else if r[5] != nil {
			if v, _ := r[5].(json.Number).Float64(); v != want.Value {
				t.Errorf("%s: value %v, want %v", path, v, want.Value)
			}
		}
		if path == "EV.EV3.vapour_pressure" && (r[2] != "EV3" || r[4] != "kPa") {
			t.Errorf("tags of %v", r)
		}
	}
}

// strict is a stub of the write API that refuses by rule.
type strict struct {
	mu    sync.Mutex
	plan  []int // status codes to answer with, then 204
	after string
	seen  map[string]int // accepted lines
	calls int
	deny  string // 400 while a line contains this
	max   int    // 413 above this many lines
}

func (s *strict) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	body := readLines(r)
	if len(s.plan) > 0 {
		code := s.plan[0]
		s.plan = s.plan[1:]
		if code != http.StatusNoContent {
			if s.after != "" {
				w.Header().Set("Retry-After", s.after)
			}
			http.Error(w, "planned", code)
			return
		}
	}
	if s.max > 0 && len(body) > s.max {
		http.Error(w, "too large", http.StatusRequestEntityTooLarge)
		return
	}
	for _, l := range body {
		if s.deny != "" && strings.Contains(l, s.deny) {
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(http.StatusBadRequest)
			io.WriteString(w, `{"code":"invalid","message":"field type conflict"}`)
			return
		}
	}
	for _, l := range body {
		s.seen[l]++
	}
	w.WriteHeader(http.StatusNoContent)
}

func readLines(r *http.Request) []string {
	b, _ := io.ReadAll(gunzip(r))
	return strings.Split(strings.TrimSpace(string(b)), "\n")
}

func TestForwardRefusals(t *testing.T) {
	const n = 300
	fill := func(t *testing.T) *historian.Archive {
		a := openTest(t)
		for i := range n {
			path := "A.fine"
			if i%100 == 50 {
				path = "A.poison"
			}
			if err := a.Append([]plant.Record{{Path: path, Point: good(float64(i), float64(i))}}); err != nil {
				t.Fatal(err)
			}
		}
		if err := a.Flush(context.Background()); err != nil {
			t.Fatal(err)
		}
		return a
	}
	cases := []struct {
		name     string
		stub     *strict
		setAside uint64
		waits    func(t *testing.T, w []time.Duration)
	}{
		{"all well", &strict{}, 0, nil},
		{"503 and 429 are tried again, later and later", &strict{plan: []int{503, 503, 503, 429, 502, 500, 408}}, 0, func(t *testing.T, w []time.Duration) {
			for i := range 7 {
				base := min(time.Second<<i, longestWait)
				if w[i] < base/2 || w[i] > base*3/2 {
					t.Errorf("wait %d is %v, want %v with half of it as jitter", i, w[i], base)
				}
			}
		}},
		{"Retry-After in seconds", &strict{plan: []int{429}, after: "40"}, 0, func(t *testing.T, w []time.Duration) {
			if w[0] != 40*time.Second {
				t.Errorf("waited %v", w[0])
			}
		}},
		{"Retry-After as a date", &strict{plan: []int{503}, after: time.Now().Add(90 * time.Second).UTC().Format(http.TimeFormat)}, 0, func(t *testing.T, w []time.Duration) {
			if w[0] < 80*time.Second || w[0] > 90*time.Second {
				t.Errorf("waited %v", w[0])
			}
		}},
		{"Retry-After without measure", &strict{plan: []int{503}, after: "999999999"}, 0, func(t *testing.T, w []time.Duration) {
			if w[0] != longestAsked {
				t.Errorf("waited %v", w[0])
			}
		}},
		{"a wrong token loses nothing", &strict{plan: []int{401, 403, 404}}, 0, nil},
		{"413 is cut in halves", &strict{max: 7}, 0, nil},
		{"a poisoned sample is set aside", &strict{deny: "path=A.poison"}, 3, nil},
		{"everything is refused", &strict{deny: "calandria"}, n, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.stub.seen = map[string]int{}
			srv := httptest.NewServer(c.stub)
			defer srv.Close()
			a := fill(t)
			f := newForwarder(t, a, srv.URL)
			var log bytes.Buffer
			f.log = slog.New(slog.NewTextHandler(&log, nil))
			var mu sync.Mutex
			var waits []time.Duration
			f.wait = func(ctx context.Context, d time.Duration) {
				if d > time.Second/4 {
					mu.Lock()
					waits = append(waits, d)
					mu.Unlock()
				}
				sleep(ctx, time.Millisecond)
			}
			forwardAll(t, f, func(h Health) bool { return h.Sent+h.SetAside >= n })
			h := f.Health()
			if h.SetAside != c.setAside || h.Sent != n-c.setAside {
				t.Errorf("%+v", h)
			}
			if uint64(len(c.stub.seen)) != n-c.setAside {
				t.Errorf("%d different lines arrived", len(c.stub.seen))
			}
			if c.waits != nil {
				c.waits(t, waits)
			}
			if c.setAside == n && c.stub.calls > 200 {
				t.Errorf("%d requests for a batch that is refused whole", c.stub.calls)
			}
			if strings.Contains(log.String()+fmt.Sprint(h), "secret-token") {
				t.Error("the token is in the log")
			}
			if got := strings.Count(log.String(), "level=ERROR"); got > 1 {
				t.Errorf("%d errors logged for one batch", got)
			}
		})
	}
}

// The cursor survives restarts and the move of samples to Parquet: everything
// arrives, whatever was moved while the target was away.
func TestForwardAfterLongOutage(t *testing.T) {
	ctx := context.Background()
	stub := &strict{seen: map[string]int{}}
	srv := httptest.NewServer(stub)
	defer srv.Close()
	dir := t.TempDir()
	now := at(0)
	open := func() *historian.Archive {
		a, err := historian.Open(dir, historian.Options{Hot: time.Hour, Now: func() time.Time { return now }})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	a := open()
	i := 0
	put := func(n int) {
		for range n {
			if err := a.Append([]plant.Record{{Path: "A.x", Point: good(float64(i)*600, float64(i))}, {Path: "B.x", Point: good(float64(i)*600, float64(i))}}); err != nil {
				t.Fatal(err)
			}
			i++
		}
		if err := a.Flush(ctx); err != nil {
			t.Fatal(err)
		}
		now = at(float64(i) * 600)
	}
	put(10)
	f := newForwarder(t, a, srv.URL)
	forwardAll(t, f, func(h Health) bool { return h.Sent == 20 })
	for range 5 { // five days without the target, moved and merged meanwhile
		put(144)
		if err := a.Maintain(ctx); err != nil {
			t.Fatal(err)
		}
	}
	a.Close()
	a = open()
	defer func() { a.Close() }()
	f = newForwarder(t, a, srv.URL)
	forwardAll(t, f, func(Health) bool {
		stub.mu.Lock()
		defer stub.mu.Unlock()
		return len(stub.seen) >= 2*i
	})
	forwardAll(t, newForwarder(t, a, srv.URL), func(h Health) bool { return h.Lag == 0 && h.OK && h.Stretches == 0 })
	stub.mu.Lock()
	defer stub.mu.Unlock()
	// A line that comes twice is one point: same series, same time, same value.
	defer func() {
		for line := range stub.seen {
			t.Errorf("arrived, and nobody measured it: %s", line)
		}
	}()
	for k := range i {
		for _, p := range []string{"A.x", "B.x"} {
			line := "calandria,path=" + p + " status=0i,value=" + strconv.Itoa(k) + " " + strconv.FormatInt(at(float64(k)*600).UnixNano(), 10)
			if stub.seen[line] == 0 {
				t.Fatalf("never arrived: %s", line)
			}
			delete(stub.seen, line)
		}
	}
}
func gunzip(r *http.Request) io.Reader {
	if r.Header.Get("Content-Encoding") != "gzip" {
		return r.Body
	}
	z, err := gzip.NewReader(r.Body)
	if err != nil {
		return strings.NewReader("")
	}
	return z
}
