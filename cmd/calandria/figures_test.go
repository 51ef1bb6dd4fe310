package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"

	"calandria/alerting"
	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/historian"
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
	t.Run("throughput", measureThroughput)
	t.Run("disk", measureDisk)
	t.Run("latency", measureLatency)
	t.Run("demo", measureDemo)
	t.Run("rules", measureRules)
}

// measureThroughput takes 2,000 values ten times a second from node-opcua, by
// a bare gopcua client that discards them and by the whole program.
func measureThroughput(t *testing.T) {
	const n, span = 2000, 15 * time.Second
	f := startForeign(t, map[string]any{"port": 0, "variables": n, "ramp": 100})
	endpoint := fmt.Sprintf("opc.tcp://127.0.0.1:%d", f.port)

	bare := func() float64 {
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
			it.RequestedParameters.SamplingInterval, it.RequestedParameters.QueueSize = 100, 10
			items = append(items, it)
		}
		for part := range slices.Chunk(items, 500) {
			if _, err := sub.Monitor(ctx, ua.TimestampsToReturnBoth, part...); err != nil {
				t.Fatal(err)
			}
		}
		count, begun := 0, time.Time{}
		for {
			m := <-notes
			x, ok := m.Value.(*ua.DataChangeNotification)
			if !ok {
				continue
			}
			if begun.IsZero() {
				begun = time.Now() // the initial values do not count
				continue
			}
			count += len(x.MonitoredItems)
			if d := time.Since(begun); d > span {
				return float64(count) / d.Seconds()
			}
		}
	}()

	var yaml, rule strings.Builder
	fmt.Fprintf(&yaml, "site: {name: bench}\nopcua: {servers: [{name: s, endpoint: '%s', policy: None, publish: 200ms}]}\npans: [{name: P}]\nconsole: {listen: '127.0.0.1:0'}\ntags:\n", endpoint)
	rule.WriteString("alarms:\n")
	for i := range n {
		fmt.Fprintf(&yaml, "  T%d: {node: 'nsu=urn:interop:test;s=T%d', sampling: 100ms}\n", i, i)
		fmt.Fprintf(&rule, "  - {name: high_%[1]d, title: high, tag: T%[1]d, high: 1e12, severity: minor, time_to_respond: 20m, cause: c, consequence: c, response: r, procedure: p}\n", i)
	}
	r := start(t, nil, func() (*service, *testLog, error) {
		h, err := loadHouse("bench.yaml", []byte(yaml.String()))
		if err != nil {
			return nil, nil, err
		}
		l := &testLog{}
		s, err := open(context.Background(), h, []rules.File{{Name: "bench-rules.yaml", Data: []byte(rule.String())}}, t.TempDir(), slog.New(slog.NewTextHandler(l, nil)), nil)
		return s, l, err
	})
	r.await("connected", 60*time.Second, func(s *engine.Picture) bool { return len(s.Sources) > 0 && s.Sources[0].Connected })
	time.Sleep(3 * time.Second)
	before, begun := r.archive.Health().Stored, time.Now()
	time.Sleep(span)
	ours := float64(r.archive.Health().Stored-before) / time.Since(begun).Seconds()
	t.Logf("values a second from node-opcua, %d at 10 Hz: bare gopcua client %.0f, through calculation, %d rules and archive %.0f, ratio %.2f", n, bare, n, ours, ours/bare)
}

// measureDisk gives the bytes a sample takes on disk, for the demo's noisy
// instruments.
func measureDisk(t *testing.T) {
	dir := t.TempDir()
	ar, err := historian.Open(dir, historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	h, _, err := demoHouse("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := ar.Describe(describe(h)...); err != nil {
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
	t.Logf("Parquet: %.2f bytes a sample (%d samples of the simulator at 1 s, values at a twentieth of the stated accuracy)", float64(bytes)/float64(samples), samples)
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
	ctx := browser(t)
	ctx, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+r.address+"/")); err != nil {
		t.Fatal(err)
	}
	// The page notes the moment at which the strip shows the alarm.
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`window.seen = 0; new MutationObserver(() => { const on = document.getElementById("strip").innerText.includes("Vacuum low in the last body"); if (on && !window.seen) window.seen = Date.now(); if (!on) window.seen = 0; }).observe(document.body, {subtree: true, childList: true, characterData: true}); true`)); err != nil {
		t.Fatal(err)
	}
	var took []float64
	for range 40 {
		begun := time.Now()
		f.set("QE/V4/PT", (84.5-23)/3.386388640341)
		var seen float64
		poll(t, 20*time.Second, func() bool {
			v, err := chromedp.Run(ctx, chromedp.Evaluate[float64]("window.seen"))
			seen = v
			return err == nil && v > 0
		}, func() string { return "the alarm did not reach the browser" })
		took = append(took, seen-float64(begun.UnixMilli()))
		f.set("QE/V4/PT", (84.5-15)/3.386388640341)
		_ = r.loop.Do(ctx, alerting.Command{Action: alerting.Acknowledge, Alarm: "vacuum_low", User: "bench"})
		poll(t, 20*time.Second, func() bool {
			v, err := chromedp.Run(ctx, chromedp.Evaluate[float64]("window.seen"))
			return err == nil && v == 0
		}, func() string { return "the alarm did not leave" })
	}
	slices.Sort(took)
	t.Logf("change at the server to alarm in the browser, publishing 200 ms: median %.0f ms, p99 %.0f ms (n = %d)", took[len(took)/2], took[len(took)-1], len(took))
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
