package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
)

// quickRules are the demo's vacuum alarm without its delay: a test does not
// wait five minutes.
const quickRules = `
alarms:
  - name: vacuum_low_now
    title: Vacuum low in the last body
    tag: EV.EV5.vapour_pressure
    high: 20
    unit: kPa
    deadband: 1
    severity: severe
    time_to_respond: 5m
    cause: Injection water short or hot, air leak, vacuum pump
    consequence: Syrup Brix falls, sugar colours
    response: Compare tail water and approach to find the pattern
    procedure: "SITE PROCEDURE: vacuum loss"
`

// mill starts the simulated mill and the service on it.
func mill(t testing.TB, files []rules.File, every time.Duration, set simulator.Settings, speed float64) (*running, *simulator.Server) {
	t.Helper()
	log.SetOutput(io.Discard)
	clock, runClock := engine.NewFastClock(speed)
	server, err := simulator.NewServer(simulator.Options{Model: simulator.NewWith(1, clock.Now(), set), Every: every, Now: clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- server.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("simulator: %v", err)
		}
	})
	return start(t, nil, func() (*service.Service, *testLog, error) {
		h, library, err := demo.House(server.Endpoint(), "127.0.0.1:0")
		if err != nil {
			return nil, nil, err
		}
		if files == nil {
			files = library
		}
		demo.Quicken(h, speed, every)
		l := &testLog{}
		runClock()
		core, err := service.NewCore(h, files)
		if err != nil {
			return nil, nil, err
		}
		s, err := service.Open(context.Background(), clock, core, files, t.TempDir(), slog.New(slog.NewTextHandler(l, nil)), nil)
		return s, l, err
	}), server
}

func need(t testing.TB, program string) string {
	t.Helper()
	p, err := exec.LookPath(program)
	if err != nil {
		t.Fatalf("%s is not installed: run 'make test-deps'", program)
	}
	return p
}

// browser opens a headless Chromium, for so long.
func browser(t testing.TB, long time.Duration) context.Context {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(need(t, "chromium")), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel2 := chromedp.NewContext(ctx)
	t.Cleanup(cancel2)
	ctx, cancel3 := context.WithTimeout(ctx, long)
	t.Cleanup(cancel3)
	return ctx
}

// An upset in the simulator goes through OPC UA, calculation, rules and alarms
// and arrives in a browser that is open on another page.
func TestUpsetReachesBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	r, server := mill(t, []rules.File{{Name: "quick.yaml", Data: []byte(quickRules)}}, 200*time.Millisecond, simulator.Settings{}, 60)
	r.await("first values", 30*time.Second, func(s *engine.Picture) bool { return r.point(s, "EV.economy").Usable() })
	ctx := browser(t, 90*time.Second)
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+r.address+"/")); err != nil {
		t.Fatal(err)
	}
	if err := server.Upset("air-leak"); err != nil {
		t.Fatal(err)
	}
	poll(t, 60*time.Second, func() bool {
		on, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.body.innerText.includes("Vacuum low in the last body")`))
		return err == nil && on
	}, r.log.String)
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+r.address+"/alarms")); err != nil {
		t.Fatal(err)
	}
	strip, err := chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerHTML"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Vacuum low in the last body", "EV5"} {
		if !strings.Contains(strip, want) {
			t.Errorf("the alarm page lacks %q", want)
		}
	}
	// The right one: an air leak raises the approach, not the rise.
	s := r.Loop.Picture()
	if a := r.point(s, "CD5.approach"); !(a.Value > 10) {
		t.Errorf("approach %g K after an air leak", a.Value)
	}
	// A clock that goes 60 times as fast makes nothing of the program late.
	for _, x := range s.Health {
		if x.Name == "test signal" && !x.OK {
			t.Errorf("test signal: %s", x.Text)
		}
	}
}

// /metrics obeys Prometheus' rules and a real Prometheus scrapes it.
func TestPrometheus(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	r, _ := mill(t, nil, 200*time.Millisecond, simulator.Settings{}, 1)
	r.await("economy", 30*time.Second, func(s *engine.Picture) bool { return r.point(s, "EV.economy").Usable() })
	text := r.get("/metrics")
	check := exec.Command(need(t, "promtool"), "check", "metrics")
	check.Stdin = strings.NewReader(text)
	out, err := check.CombinedOutput()
	for line := range strings.Lines(string(out)) {
		// Mass is in kilograms, as engineers know it: the one departure.
		if !strings.Contains(line, `use base unit "grams" instead of "kilograms"`) {
			t.Errorf("promtool check metrics: %v: %s", err, line)
		}
	}
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "calandria_") && !strings.Contains(line, `site="`) && !strings.HasPrefix(line, "calandria_build_info") {
			t.Fatalf("no site: %s", line)
		}
	}
	if strings.Contains(text, "NaN") {
		t.Error("a NaN is exported: an absent value has no sample")
	}

	dir := t.TempDir()
	config := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(config, fmt.Appendf(nil, "global: {scrape_interval: 1s}\nscrape_configs: [{job_name: calandria, static_configs: [{targets: ['%s']}]}]\n", r.address), 0o600); err != nil {
		t.Fatal(err)
	}
	port := freePort(t)
	prom := exec.Command(need(t, "prometheus"), "--config.file="+config, "--storage.tsdb.path="+dir, fmt.Sprintf("--web.listen-address=127.0.0.1:%d", port))
	var promLog bytes.Buffer
	prom.Stderr = &promLog
	if err := prom.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { prom.Process.Kill(); prom.Wait() }()
	var got string
	poll(t, 40*time.Second, func() bool {
		got = promQuery(port, `calandria_set_economy_ratio{set="EV"}`)
		return got != ""
	}, func() string { return promLog.String() })
	var v float64
	fmt.Sscan(got, &v)
	want := r.point(r.Loop.Picture(), "EV.economy").Value
	if math.Abs(v-want) > 0.05*want {
		t.Errorf("Prometheus has economy %s, the program %g", got, want)
	}
	if up := promQuery(port, `up{job="calandria"}`); up != "1" {
		t.Errorf("up = %q", up)
	}
}

// unsited takes the label site out of metrics.
func unsited(text string) string {
	return strings.ReplaceAll(regexp.MustCompile(`,?site="[^"]*",?`).ReplaceAllStringFunc(text, func(s string) string {
		if s[0] == ',' && s[len(s)-1] == ',' {
			return ","
		}
		return ""
	}), "{}", "")
}

func promQuery(port int, q string) string {
	res, err := http.Get(fmt.Sprintf("http://127.0.0.1:%d/api/v1/query?query=%s", port, url.QueryEscape(q)))
	if err != nil {
		return ""
	}
	defer res.Body.Close()
	var a struct {
		Data struct{ Result []struct{ Value [2]any } }
	}
	if json.NewDecoder(res.Body).Decode(&a) != nil || len(a.Data.Result) == 0 {
		return ""
	}
	return fmt.Sprint(a.Data.Result[0].Value[1])
}

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func poll(t testing.TB, limit time.Duration, ok func() bool, why func() string) {
	t.Helper()
	for deadline := time.Now().Add(limit); !ok(); time.Sleep(200 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within %s\n%s", limit, why())
		}
	}
}

// program builds the real binary once.
func program(t testing.TB) string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "calandria")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return bin
}

// The real program is killed without warning: what it had told the world is
// there at the next start, and nothing is torn.
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	bin := program(t)
	data := t.TempDir()
	demo := func() *exec.Cmd {
		return exec.Command(bin, "demo", "--data", data, "--days", "0", "--listen", "127.0.0.1:0")
	}
	for round := range 2 {
		for range 4 { // in start-up
			cmd := demo()
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			time.AfterFunc(time.Duration(rand.IntN(600))*time.Millisecond, func() { cmd.Process.Kill() })
			if err := cmd.Wait(); err == nil || cmd.ProcessState.Exited() {
				t.Fatalf("it ended before it was killed: %v", err)
			}
		}
		cmd := demo()
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		var errs bytes.Buffer
		cmd.Stderr = &errs
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		address := ""
		lines := bufio.NewScanner(out)
		for lines.Scan() && address == "" {
			if m := regexp.MustCompile(`Console\s+http://(\S+)`).FindStringSubmatch(lines.Text()); m != nil {
				address = m[1]
			}
		}
		if address == "" {
			cmd.Process.Kill()
			t.Fatalf("round %d: no console; %s", round, errs.String())
		}
		go io.Copy(io.Discard, out)
		poll(t, 30*time.Second, func() bool {
			res, err := http.Get("http://" + address + "/metrics")
			if err != nil {
				return false
			}
			defer res.Body.Close()
			b, _ := io.ReadAll(res.Body)
			m := regexp.MustCompile(`(?m)^calandria_archive_stored_total\{[^}]*\} (\S+)`).FindSubmatch(b)
			var n float64
			if m != nil {
				fmt.Sscan(string(m[1]), &n)
			}
			return n > 1000
		}, errs.String)
		killed := time.Now()
		cmd.Process.Signal(syscall.SIGKILL)
		cmd.Wait()

		ar, err := historian.Open(filepath.Join(data, "archive"), historian.Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		p, ok, err := ar.Last(context.Background(), "EV.EV5.u")
		if err != nil || !ok || killed.Sub(p.Time) > 4*time.Second {
			t.Errorf("round %d: last U5 is of %s before the kill (%v, %v)", round, killed.Sub(p.Time), ok, err)
		}
		ar.Close()
		j, err := journal.Open(filepath.Join(data, "journal.db"))
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Verify(context.Background()); err != nil {
			t.Errorf("round %d: %v", round, err)
		}
		events, err := j.Read(context.Background(), plant.EventFilter{Kinds: []plant.EventKind{plant.EventStart}})
		if err != nil || len(events) < round+1 {
			t.Errorf("round %d: %d starts in the journal, %v", round, len(events), err)
		}
		if n := len(events); round == 1 && n > 1 && events[n-1].DurationS <= 0 {
			t.Error("the start after a kill does not say how long the program was down")
		}
		j.Close()
	}
}

// The command line: exit codes and the form of its faults.
func TestCommands(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.yaml")
	os.WriteFile(bad, []byte("site: {nam: x}\nsets:\n  - name: EV\n    bodies:\n      - name: E1\n        heating_surface: 100\n"), 0o600)
	for _, c := range []struct {
		args string
		code int
		want []string // in either output
	}{
		{"check --config " + bad, 1, []string{`bad.yaml:1:8: site.nam: unknown key; did you mean "name"?`, `bad.yaml:6:9: sets[0].bodies[0].heating_surface: unknown key; did you mean "heating_surface_m2"?`, "faults"}},
		{"check --config " + filepath.Join(dir, "none.yaml"), 1, []string{"read configuration", "calandria init"}},
		{"check --config testdata/other-plant.yaml", 0, []string{"1 alarms", "to fill in", "texts or limits, of vacuum_low"}},
		{"demo --list-upsets", 0, []string{"air-leak", "scaling-ev5"}},
		{"demo --speed=-1", 1, []string{"--speed"}},
		{"demo --speed=60 --data=" + t.TempDir(), 1, []string{"--speed and --data"}},
		{"demo --listen=1.2.3.4.5:1", 1, []string{"--listen: the console cannot listen on 1.2.3.4.5:1", "another address"}},
		{"demo --upset nonsense --days 0", 1, []string{"air-leak"}},
		{"export --tags X --from 1d --data " + dir, 1, []string{"no archive"}},
		{"replay-cases ../../testdata/alarms/alarm-cases.jsonl", 0, []string{"73 cases, 73 passed, 0 failed"}},
		{"rules list --demo", 0, []string{"alarms"}},
		{"version", 0, []string{"calandria"}},
		{"nonsense", 2, []string{"--help"}},
		{"--help", 0, []string{"never writes to the plant", "backtest"}},
		{"browse --endpoint opc.tcp://127.0.0.1:1 --policy None --data " + dir, 1, []string{"calandria:"}},
	} {
		var out, errs bytes.Buffer
		code := run(context.Background(), strings.Fields(c.args), &out, &errs)
		if code != c.code {
			t.Errorf("%s: exit code %d, want %d\n%s%s", c.args, code, c.code, out.String(), errs.String())
		}
		for _, w := range c.want {
			if !strings.Contains(out.String()+errs.String(), w) {
				t.Errorf("%s: no %q in\n%s%s", c.args, w, out.String(), errs.String())
			}
		}
	}
}

// Every metric that the dashboards ask for is exported, with the labels they
// use. Metrics without a value at the moment are looked up by their tag.
func TestDashboardsFindTheirMetrics(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	r, _ := mill(t, nil, 200*time.Millisecond, simulator.Settings{}, 1)
	r.await("economy", 30*time.Second, func(s *engine.Picture) bool { return r.point(s, "EV.economy").Usable() })
	live := map[string]bool{}
	for line := range strings.Lines(r.get("/metrics")) {
		if name, ok := strings.CutPrefix(line, "# TYPE "); ok {
			live[strings.Fields(name)[0]] = true
		}
	}
	for i := range r.House.Tags {
		name, labels, _ := service.MetricName(&r.House.Tags[i])
		live[name] = true
		live[name+" "+strings.Join(labels, ",")] = true
	}
	for _, c := range service.EdgeCounters {
		live[c.Name] = true // the clock skew is known after some minutes only
	}
	b, err := os.ReadFile(filepath.Join("..", "..", "deploy", "grafana", "metrics.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		f := strings.Fields(line)
		if len(f) == 0 || strings.HasPrefix(f[0], "#") {
			continue
		}
		base := f[0]
		for _, suffix := range []string{"_bucket", "_sum", "_count"} {
			base = strings.TrimSuffix(base, suffix)
		}
		if !live[f[0]] && !live[base] {
			t.Errorf("the dashboards ask for %s, which is not exported", f[0])
		}
	}
}
