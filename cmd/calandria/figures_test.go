package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"

	"calandria/alerting"
	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/influx"
	"calandria/plant"
	"calandria/rules"
)

var figures = flag.Bool("figures", false, "measure the figures of the program as a whole (minutes)")

// TestFigures measures what the program as a whole does, each ratio against a
// named peer in the same run. It is for `make bench` and asserts nothing about
// speed: machines are noisy.
func TestFigures(t *testing.T) {
	if !*figures {
		t.Log("run with -figures")
		return
	}
	defer keepFigures(t)
	defer debug.SetGCPercent(debug.SetGCPercent(gcPercent)) // as main does
	t.Run("value", measureValue)
	t.Run("start", measureStart)
	t.Run("append", measureAppend)
	t.Run("store", measureStore)
	t.Run("disk", measureDisk)
	t.Run("latency", measureLatency)
	t.Run("demo", measureDemo)
	t.Run("pages", measurePages)
	t.Run("rules", measureRules)
}

// measureValue takes values once a second from node-opcua, by a bare gopcua
// client that discards them and by the whole program with its readers: processor
// time a value, in the first and in the last minute, bytes written, what is lost.
func measureValue(t *testing.T) {
	for _, n := range []int{100, 1000, 5000, 20_000} {
		t.Run(fmt.Sprint(n), func(t *testing.T) { measureValues(t, n) })
	}
	name := "processor time a value, whole program, %d tags, last minute, us"
	if few, many := taken[fmt.Sprintf(name, 100)], taken[fmt.Sprintf(name, 20_000)]; few > 0 && many > 0 {
		figure(t, "processor time a value, 20,000 tags over 100", "times", many/few)
	}
}

// ownCPU is the processor time of this process and of the readers it started.
func ownCPU(t *testing.T) time.Duration {
	sum := processCPU(t, os.Getpid())
	children, err := filepath.Glob("/proc/self/task/*/children")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range children {
		b, _ := os.ReadFile(c)
		for pid := range strings.FieldsSeq(string(b)) {
			if args, _ := os.ReadFile("/proc/" + pid + "/cmdline"); strings.Contains(string(args), "read-server") {
				n, _ := strconv.Atoi(pid)
				sum += processCPU(t, n)
			}
		}
	}
	return sum
}

func measureValues(t *testing.T, n int) {
	{
		f := startForeign(t, map[string]any{"port": 0, "variables": n, "ramp": 1000, "every": true})
		endpoint := fmt.Sprintf("opc.tcp://127.0.0.1:%d", f.port)
		bare := bareClient(t, endpoint, n, 30*time.Second)
		var yaml strings.Builder
		files := make([]rules.File, (n+4999)/5000)
		fmt.Fprintf(&yaml, "site: {name: bench}\nopcua: {servers: [{name: s, endpoint: '%s', policy: None, publish: 200ms}]}\npans: [{name: P}]\nconsole: {listen: '127.0.0.1:0'}\ntags:\n", endpoint)
		for i := range files {
			files[i] = rules.File{Name: fmt.Sprintf("bench-%d.yaml", i), Data: []byte("alarms:\n")}
		}
		for i := range n {
			fmt.Fprintf(&yaml, "  T%d: {node: 'nsu=urn:interop:test;s=T%d', sampling: 1s}\n", i, i)
			to := &files[i/5000].Data
			*to = fmt.Appendf(*to, "  - {name: high_%[1]d, title: high, tag: T%[1]d, high: 1e12, severity: minor, time_to_respond: 20m, cause: c, consequence: c, response: r, procedure: p}\n", i)
		}
		r := start(t, nil, func() (*service.Service, *testLog, error) {
			h, err := service.LoadHouse("bench.yaml", []byte(yaml.String()))
			if err != nil {
				return nil, nil, err
			}
			l := &testLog{}
			s, err := openHere(h, files, t.TempDir(), slog.New(slog.NewTextHandler(l, nil)))
			return s, l, err
		})
		r.await("connected", 60*time.Second, func(s *engine.Picture) bool { return len(s.Sources) > 0 && s.Sources[0].Connected })
		time.Sleep(10 * time.Second)
		each := func(d time.Duration) (us, written float64) {
			stored, cpu, io := r.Archive.Health().Stored, ownCPU(t), bytesWritten(t)
			time.Sleep(d)
			values := float64(r.Archive.Health().Stored - stored)
			return float64((ownCPU(t) - cpu).Microseconds()) / values, (bytesWritten(t) - io) / values
		}
		first, written := each(time.Minute)
		time.Sleep(*minutes - 2*time.Minute)
		last, _ := each(time.Minute)
		figure(t, fmt.Sprintf("processor time a value, bare OPC UA client, %d tags", n), "us", bare)
		figure(t, fmt.Sprintf("processor time a value, whole program, %d tags, first minute", n), "us", first)
		figure(t, fmt.Sprintf("processor time a value, whole program, %d tags, last minute", n), "us", last)
		figure(t, fmt.Sprintf("written a value, all in, %d tags", n), "B", written)
		lost := 0
		for i := 0; i < n; i += n / 50 {
			before := math.NaN()
			for v, err := range r.Archive.Versions(t.Context(), fmt.Sprintf("T%d", i), time.Now().Add(-time.Hour), time.Now()) {
				if now := math.Round(v.Value - float64(i)/1000); err == nil && v.Quality.IsGood() && now > 0 {
					if now > before+1 {
						lost += int(now - before - 1)
						t.Logf("T%d: from %g to %g at %s", i, before, now, v.Time.Format(time.TimeOnly))
					}
					before = now
				}
			}
		}
		figure(t, fmt.Sprintf("values lost of 50 tags of %d", n), "", float64(lost))
		r.stop()
	}
}

var minutes = flag.Duration("for", 10*time.Minute, "how long the whole program is measured, at least 2m")

// bareClient is the processor time in us that a client takes for a value which
// only decodes it.
func bareClient(t *testing.T, endpoint string, n int, span time.Duration) float64 {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	c, err := opcua.NewClient(endpoint, opcua.SecurityMode(ua.MessageSecurityModeNone))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Connect(ctx); err != nil {
		t.Fatal(err)
	}
	defer c.Close(ctx)
	ns, err := c.FindNamespace(ctx, "urn:interop:test")
	if err != nil {
		t.Fatal(err)
	}
	notes := make(chan *opcua.PublishNotificationData, 1000)
	sub, err := c.Subscribe(ctx, &opcua.SubscriptionParameters{Interval: 200 * time.Millisecond}, notes)
	if err != nil {
		t.Fatal(err)
	}
	var items []*ua.MonitoredItemCreateRequest
	for i := range n {
		it := opcua.NewMonitoredItemCreateRequestWithDefaults(ua.NewStringNodeID(ns, fmt.Sprintf("T%d", i)), ua.AttributeIDValue, uint32(i))
		it.RequestedParameters.SamplingInterval, it.RequestedParameters.QueueSize = 1000, 10
		items = append(items, it)
	}
	for part := range slices.Chunk(items, 500) {
		if _, err := sub.Monitor(ctx, ua.TimestampsToReturnBoth, part...); err != nil {
			t.Fatal(err)
		}
	}
	count, begun, cpu := 0, time.Now().Add(5*time.Second), time.Duration(0) // the initial values do not count
	for m := range notes {
		x, ok := m.Value.(*ua.DataChangeNotification)
		if !ok || time.Now().Before(begun) {
			continue
		}
		if cpu == 0 {
			begun, cpu = time.Now(), processCPU(t, os.Getpid())
			continue
		}
		if count += len(x.MonitoredItems); time.Since(begun) > span {
			break
		}
	}
	return float64((processCPU(t, os.Getpid()) - cpu).Microseconds()) / float64(count)
}

// bytesWritten is what this process has sent to the disk.
func bytesWritten(t *testing.T) (n float64) {
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		fmt.Sscanf(line, "write_bytes: %f", &n)
	}
	return n
}

// measureStart opens a plant of 20,000 tags on an empty folder and again.
func measureStart(t *testing.T) {
	var yaml strings.Builder
	yaml.WriteString("site: {name: bench}\nopcua: {servers: [{name: s, endpoint: 'opc.tcp://127.0.0.1:1', policy: None}]}\npans: [{name: P}]\ntags:\n")
	for i := range 20_000 {
		fmt.Fprintf(&yaml, "  T%d: {node: 'nsu=urn:x;s=T%d'}\n", i, i)
	}
	dir := t.TempDir()
	file := filepath.Join(t.TempDir(), "bench.yaml")
	if err := os.WriteFile(file, []byte(yaml.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, which := range []string{"first", "second"} {
		begun, cpu := time.Now(), processCPU(t, os.Getpid())
		s, err := service.OpenRun(context.Background(), file, dir, slog.New(slog.DiscardHandler), nil, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s start: %s", which, time.Since(begun).Round(time.Millisecond))
		figure(t, "processor time of a start with 20,000 tags, "+which, "s", (processCPU(t, os.Getpid()) - cpu).Seconds())
		s.Close()
	}
}

// measureAppend stores the same samples in the archive and in VictoriaMetrics
// (Debian victoria-metrics), 2,000 tags at 1 s over five minutes: processor time
// and bytes on the disk a sample, the archive's with the move to Parquet.
func measureAppend(t *testing.T) {
	const tags, seconds = 2000, 300
	begun := time.Now().Truncate(time.Second).Add(-time.Hour)
	value := func(tag, s int) float64 { return math.Round(100*wave(tag, s)) / 100 }
	dir := t.TempDir()
	now := begun
	ar, err := historian.Open(dir, historian.Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	recs := make([]plant.Record, tags)
	for i := range recs {
		recs[i].Path = fmt.Sprintf("EV.t%d", i)
		if err := ar.Describe(historian.TagInfo{Path: recs[i].Path, Resolution: 0.01}); err != nil {
			t.Fatal(err)
		}
	}
	cpu := processCPU(t, os.Getpid())
	for s := range seconds {
		now = begun.Add(time.Duration(s) * time.Second)
		for i := range recs {
			recs[i].Point = plant.Point{Time: now, Value: value(i, s), Quality: plant.Good}
		}
		if err := errors.Join(ar.Append(recs), ar.Flush(t.Context())); err != nil {
			t.Fatal(err)
		}
	}
	now = now.Add(24 * time.Hour)
	if err := errors.Join(ar.Maintain(t.Context()), ar.Close()); err != nil {
		t.Fatal(err)
	}
	each := func(d time.Duration) float64 { return float64(d.Nanoseconds()) / 1000 / tags / seconds }
	figure(t, "processor time a sample appended, committed and moved", "us", each(processCPU(t, os.Getpid())-cpu))
	figure(t, "on the disk a sample", "B", folderBytes(t, dir)/tags/seconds)

	dir = t.TempDir()
	base, vm := victoria(t, dir)
	cpu = processCPU(t, vm.Process.Pid)
	for s := range seconds {
		var b bytes.Buffer
		at := begun.Add(time.Duration(s) * time.Second).UnixMilli()
		for i := range tags {
			fmt.Fprintf(&b, "t{path=\"EV.t%d\"} %g %d\n", i, value(i, s), at)
		}
		r, err := http.Post(base+"/api/v1/import/prometheus", "text/plain", &b)
		if err != nil || r.StatusCode >= 300 {
			t.Fatal(err, r)
		}
		r.Body.Close()
	}
	flushed(t, base)
	figure(t, "processor time a sample, VictoriaMetrics", "us", each(processCPU(t, vm.Process.Pid)-cpu))
	vm.Process.Signal(os.Interrupt)
	vm.Wait()
	figure(t, "on the disk a sample, VictoriaMetrics", "B", folderBytes(t, dir)/tags/seconds)
}

func flushed(t *testing.T, base string) {
	r, err := http.Get(base + "/internal/force_flush")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
}

// measureStore forwards a million values of a house of 400 tags, each with its status,
// into VictoriaMetrics: what that costs here, on the line, and there.
func measureStore(t *testing.T) {
	const tags, each = 400, 2500
	dir, sent := t.TempDir(), new(atomic.Int64)
	base, vm := victoria(t, dir)
	target, err := url.Parse(base)
	if err != nil {
		t.Fatal(err)
	}
	pass := httputil.NewSingleHostReverseProxy(target)
	line := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		sent.Add(int64(len(b)))
		r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(b)), int64(len(b))
		pass.ServeHTTP(w, r)
	}))
	defer line.Close()
	now := time.Now().Truncate(time.Second)
	ar, err := historian.Open(t.TempDir(), historian.Options{Queue: tags * each})
	if err != nil {
		t.Fatal(err)
	}
	defer ar.Close()
	labels := map[string]influx.Tag{}
	var recs []plant.Record
	for i := range tags {
		path := fmt.Sprintf("EV.EV%d.t%d", i%5, i)
		labels[path] = influx.Tag{Unit: "kPa", Signal: fmt.Sprintf("t%d", i), Labels: map[string]string{"site": "mill", "set": "EV", "body": fmt.Sprintf("EV%d", i%5)}}
		for s := range each {
			recs = append(recs, plant.Record{Path: path, Point: plant.Point{Time: now.Add(time.Duration(s-each) * time.Second), Value: math.Round(100*wave(i, s)) / 100, Quality: plant.Good}})
		}
	}
	if err := errors.Join(ar.Append(recs), ar.Flush(t.Context())); err != nil {
		t.Fatal(err)
	}
	f, err := influx.New(ar, influx.Config{URL: line.URL, Bucket: "mill"}, labels, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	own, theirs, done := processCPU(t, os.Getpid()), processCPU(t, vm.Process.Pid), make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	poll(t, 3*time.Minute, func() bool { return f.Health().Sent >= tags*each }, func() string { return f.Health().Words().String() })
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	flushed(t, base)
	figure(t, "forwarding a million values, processor time here (with the proxy that counts)", "s", (processCPU(t, os.Getpid()) - own).Seconds())
	figure(t, "forwarding a million values, processor time of VictoriaMetrics", "s", (processCPU(t, vm.Process.Pid) - theirs).Seconds())
	figure(t, "forwarding a million values, on the line", "MB", float64(sent.Load())/1e6)
	vm.Process.Signal(os.Interrupt)
	vm.Wait()
	figure(t, "forwarding a million values, disk of VictoriaMetrics, value and status", "MB", folderBytes(t, dir)/1e6)
}

func folderBytes(t *testing.T, dir string) (n float64) {
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if i, ierr := d.Info(); ierr == nil {
				n += float64(i.Size())
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// figuresRun is one run of the figures, a line of figuresFile. Of each figure less is
// better.
type figuresRun struct {
	Date, Commit, Machine, Load string
	Figures                     map[string]float64
}

const figuresFile = "testdata/figures.jsonl"

var taken = map[string]float64{}

// figure notes one figure of this run.
func figure(t *testing.T, name, unit string, v float64) {
	t.Helper()
	t.Logf("%s: %.3g %s", name, v, unit)
	taken[name+", "+unit] = v
}

// keepFigures adds this run to the file, and shows what has become worse by a
// fifth since the last run on a machine of this kind.
func keepFigures(t *testing.T) {
	if len(taken) == 0 {
		return
	}
	now := figuresRun{Date: time.Now().UTC().Format(time.RFC3339), Machine: fmt.Sprintf("%s, %d processors", processorName(), runtime.NumCPU()), Load: machineLoad(), Figures: taken}
	if out, err := exec.Command("git", "rev-parse", "--short", "HEAD").Output(); err == nil {
		now.Commit = strings.TrimSpace(string(out))
	}
	old, err := os.ReadFile(figuresFile)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	before := map[string]float64{}
	for line := range bytes.Lines(old) {
		var r figuresRun
		if err := json.Unmarshal(line, &r); err != nil {
			t.Fatal(err)
		}
		if r.Machine == now.Machine {
			maps.Copy(before, r.Figures)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(taken)) {
		if was, ok := before[name]; ok && taken[name] > 1.2*was {
			t.Logf("WORSE: %s: %.3g, was %.3g", name, taken[name], was)
		}
	}
	js, err := json.Marshal(now)
	if err == nil {
		err = os.WriteFile(figuresFile, append(append(old, js...), '\n'), 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func processorName() string {
	b, _ := os.ReadFile("/proc/cpuinfo")
	for line := range strings.Lines(string(b)) {
		if name, ok := strings.CutPrefix(line, "model name\t: "); ok {
			return strings.TrimSpace(name)
		}
	}
	return runtime.GOARCH
}

// measureDisk gives the bytes a sample takes on disk, for the demo's noisy
// instruments.
func measureDisk(t *testing.T) {
	dir := t.TempDir()
	ar, err := historian.Open(dir, historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	h, _, err := demo.House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := ar.Describe(service.Describe(h)...); err != nil {
		t.Fatal(err)
	}
	w := ar.Bulk(context.Background(), nil)
	from := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	m := simulator.New(1, from)
	samples := 0
	for t0 := from; t0.Before(from.Add(8 * time.Hour)); t0 = t0.Add(time.Second) {
		m.AdvanceTo(t0)
		for _, v := range m.Values() {
			q := v.Quality
			if err := w.Add(v.Path, plant.Point{Time: t0, Value: v.Value, Quality: q}); err != nil {
				t.Fatal(err)
			}
			samples++
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	var bytes int64
	filepath.Walk(dir, func(p string, i os.FileInfo, err error) error {
		if err == nil && strings.HasSuffix(p, ".parquet") {
			bytes += i.Size()
		}
		return nil
	})
	ar.Close()
	figure(t, "Parquet a sample of the simulator at 1 s, values at a twentieth of the stated accuracy", "B", float64(bytes)/float64(samples))
}

// measureLatency is the time from a value's change at the server to the alarm
// in a browser, publishing interval 200 ms.
func measureLatency(t *testing.T) {
	f := startForeign(t, map[string]any{"port": 0, "plant": true})
	for _, n := range []string{"V1/pans", "BC/in", "BC/out", "T1/PT", "T1/TT", "T2/PT", "T2/TT"} {
		f.do("add", map[string]any{"name": n})
	}
	newOtherState(t).show(f)
	r := otherPlant(t, f.port, t.TempDir())
	r.await("economy", 30*time.Second, func(s *engine.Picture) bool { return r.point(s, "QE.economy").Usable() })
	ctx := browser(t, 30*time.Minute)
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+r.address+"/")); err != nil {
		t.Fatal(err)
	}
	// The page notes the moment at which the strip shows the alarm.
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`window.seen = 0; new MutationObserver(() => { const on = document.getElementById("strip").innerText.includes("Vacuum low in the last body"); if (on && !window.seen) window.seen = Date.now(); if (!on) window.seen = 0; }).observe(document.body, {subtree: true, childList: true, characterData: true}); true`)); err != nil {
		t.Fatal(err)
	}
	var took []float64
	for range 500 {
		begun := time.Now()
		f.set("QE/V4/PT", (84.5-23)/3.386388640341)
		var seen float64
		poll(t, 20*time.Second, func() bool {
			v, err := chromedp.Run(ctx, chromedp.Evaluate[float64]("window.seen"))
			seen = v
			return err == nil && v > 0
		}, func() string {
			shown, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.getElementById("strip")?.innerText ?? "no strip"`))
			return fmt.Sprintf("the alarm did not reach the browser, which shows %q %v", shown, err)
		})
		took = append(took, seen-float64(begun.UnixMilli()))
		f.set("QE/V4/PT", (84.5-15)/3.386388640341)
		_ = r.Loop.Do(ctx, alerting.Command{Action: alerting.Acknowledge, Alarm: "vacuum_low", User: "bench"})
		// An acknowledged alarm leaves the strip before its value is back.
		r.await("the alarm's return", 20*time.Second, func(s *engine.Picture) bool {
			return !slices.ContainsFunc(s.Alarms, func(a alerting.Status) bool { return a.Name == "vacuum_low" && a.State != alerting.Normal })
		})
	}
	slices.Sort(took)
	figure(t, "change at the server to alarm in the browser, publishing 200 ms, median of 500", "ms", took[len(took)/2])
	figure(t, "change at the server to alarm in the browser, publishing 200 ms, p99 of 500", "ms", took[len(took)*99/100])
}

// measureDemo runs the real binary for ten minutes.
func measureDemo(t *testing.T) {
	bin := program(t)
	static := filepath.Join(t.TempDir(), "static")
	build := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", static, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	info, err := os.Stat(static)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bin, "demo", "--data", t.TempDir(), "--listen", "127.0.0.1:0")
	cmd.Stdout, cmd.Stderr = io.Discard, os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() }()
	usage := func() (cpu float64, rss, peak int) {
		b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", cmd.Process.Pid))
		s := string(b)
		f := strings.Fields(s[strings.LastIndex(s, ")")+2:])
		var u, k float64
		fmt.Sscan(f[11], &u)
		fmt.Sscan(f[12], &k)
		b, _ = os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
		for line := range strings.Lines(string(b)) {
			fmt.Sscanf(line, "VmRSS: %d kB", &rss)
			fmt.Sscanf(line, "VmHWM: %d kB", &peak)
		}
		return (u + k) / 100, rss, peak
	}
	time.Sleep(9 * time.Minute)
	c0, _, _ := usage()
	time.Sleep(time.Minute)
	c1, rss, peak := usage()
	t.Logf("demo after ten minutes at speed 1: %.0f MB resident (peak %.0f MB, while filling the past), %.1f %% of one core; static binary %.1f MB",
		float64(rss)/1024, float64(peak)/1024, 100*(c1-c0)/60, float64(info.Size())/1e6)
}

// measurePages opens 500 live pages of the demo: processor time and memory with and
// without them, and whether each is fed and no scan is late.
func measurePages(t *testing.T) {
	const pages, span = 500, 30 * time.Second
	address := fmt.Sprintf("127.0.0.1:%d", freePort(t))
	cmd := exec.Command(program(t), "demo", "--data", t.TempDir(), "--days", "0", "--listen", address)
	cmd.Stdout, cmd.Stderr = io.Discard, io.Discard
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() }()
	get := func(path string) string {
		r, err := http.Get("http://" + address + path)
		if err != nil {
			return ""
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return string(b)
	}
	poll(t, time.Minute, func() bool { return strings.Contains(get("/healthz"), `"ok"`) }, func() string { return "the demo does not start" })
	usage := func() (cores, mb float64) {
		cpu := processCPU(t, cmd.Process.Pid)
		time.Sleep(span)
		cores = (processCPU(t, cmd.Process.Pid) - cpu).Seconds() / span.Seconds()
		b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
		for line := range strings.Lines(string(b)) {
			fmt.Sscanf(line, "VmRSS: %f kB", &mb)
		}
		return cores, mb / 1024
	}
	alone, lean := usage()
	ctx, cancel := context.WithCancel(t.Context())
	var open sync.WaitGroup
	defer open.Wait()
	defer cancel()
	beats := make([]atomic.Int64, pages)
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: pages}}
	defer client.CloseIdleConnections()
	for i := range pages {
		open.Go(func() {
			rq, _ := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/stream?view="+[]string{"house", "alarms"}[i%2], nil)
			r, err := client.Do(rq)
			if err != nil {
				return
			}
			defer r.Body.Close()
			for lines := bufio.NewScanner(r.Body); lines.Scan(); {
				if strings.HasPrefix(lines.Text(), "event:") {
					beats[i].Add(1)
				}
			}
		})
	}
	poll(t, time.Minute, func() bool {
		fed := 0
		for i := range beats {
			fed += int(min(1, beats[i].Load()))
		}
		return fed == pages
	}, func() string { return "a page is not fed" })
	before := make([]int64, pages)
	for i := range beats {
		before[i] = beats[i].Load()
	}
	full, fat := usage()
	least := math.Inf(1)
	for i := range beats {
		least = min(least, float64(beats[i].Load()-before[i])/span.Seconds())
	}
	figure(t, "processor time of one live page of 500", "ms a second", 1000*(full-alone)/pages)
	figure(t, "memory of one live page of 500", "kB", 1024*(fat-lean)/pages)
	t.Logf("500 pages: %.2f of a core, %.0f MB (without %.2f, %.0f MB); the least fed page had %.2f events a second; late scans: %s", full, fat, alone, lean, least,
		regexp.MustCompile(`(?m)^calandria_scans_overrun_total\S* (\S+)`).FindString(get("/metrics")))
}
