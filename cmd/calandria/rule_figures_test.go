package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"calandria/cmd/service"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
)

const (
	manyTags  = 5000
	manyRules = 10000
)

func manyTagsPlant(tb testing.TB) *plant.House {
	var p strings.Builder
	p.WriteString("site: {name: Big (invented)}\nopcua: {servers: [{name: s, endpoint: \"opc.tcp://127.0.0.1:4840\", policy: None, mode: None}]}\npans: [{name: PA}]\ntags:\n")
	for i := range manyTags {
		fmt.Fprintf(&p, "  t%d: {node: \"nsu=urn:x;i=%d\", unit: kPa, dimension: pressure}\n", i, i+1)
	}
	h, err := plant.Load("plant.yaml", []byte(p.String()))
	if err != nil {
		tb.Fatal(err)
	}
	return h
}

// manyRuleFile holds 10,000 rules: all thresholds, or 6,000 of them with
// arithmetic, several comparisons, averages and plant states beside.
func manyRuleFile(mixed bool) []rules.File {
	var r strings.Builder
	r.WriteString("alarms:\n")
	for i := range manyRules {
		a, b := i%manyTags, (i*7+1)%manyTags
		fmt.Fprintf(&r, "  - name: r%d\n    title: T\n    cause: C\n    consequence: Q\n    response: R\n    severity: moderate\n    time_to_respond: 5m\n", i)
		switch {
		case !mixed || i < 6000:
			fmt.Fprintf(&r, "    tag: t%d\n    high: %d\n    unit: kPa\n    deadband: 2\n    on_delay: 5s\n", a, 120+i/manyTags)
		case i < 7000:
			fmt.Fprintf(&r, "    when: abs(t%d - t%d) > kPa(60)\n", a, b)
		case i < 8000:
			fmt.Fprintf(&r, "    when: t%d > kPa(130) and t%d < kPa(80) or t%d > t%d + kPa(60)\n", a, b, a, b)
		case i < 9000:
			fmt.Fprintf(&r, "    when: avg(t%d, \"10m\") > kPa(120)\n", a)
		default:
			fmt.Fprintf(&r, "    tag: t%d\n    low: 60\n    unit: kPa\n    only_when: t%d > kPa(50)\n", a, b)
		}
	}
	return []rules.File{{Name: "rules.yaml", Data: []byte(r.String())}}
}

func machineLoad() string {
	b, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Join(strings.Fields(string(b))[:3], " ")
}

// measureRules gives the CPU that 10,000 rules over 5,000 tags take at one scan
// a second, the time from a change to its durable journal entry at that load,
// and the CPU of one evaluation of a threshold against Prometheus, which
// evaluates the same thresholds over the same values in the same run.
func measureRules(t *testing.T) {
	t.Logf("load of the machine before: %s", machineLoad())
	share, took, bare := liveRules(t)
	t.Logf("%d rules over %d tags at 1 s, every value new each second: %.1f %% of one core, with archive and journal; change to journal %s; writing and syncing 4 kB by itself, on the same disk at the same time: %s",
		manyRules, manyTags, 100*share, spreadOf(took), spreadOf(bare))
	ours := ruleCPU(t, manyRuleFile(false)) - ruleCPU(t, nil)
	ourEach := ours / manyRules
	theirs := prometheusCPU(t)
	t.Logf("CPU of one evaluation of a threshold: here %s, Prometheus %s; Prometheus takes %.0f times as much", ourEach, theirs, float64(theirs)/float64(ourEach))
	t.Logf("load of the machine after: %s", machineLoad())
}

// wave is the value of a tag at a second: noise about 100, one tag in 500 at a
// time far above its limit for ten seconds, one of them new each second.
func wave(tag, second int) float64 {
	v := 100 + float64((tag*7919+second*104729)%1000)/100 - 5
	if (tag+(second+tag/500)/10)%500 == 0 {
		v += 40
	}
	return v
}

// ruleCPU is the CPU of one second of samples and scan in the core.
func ruleCPU(t *testing.T, files []rules.File) time.Duration {
	c, err := engine.New(manyTagsPlant(t), files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	c.Begin(at)
	const warm, seconds = 5, 60
	var begun time.Duration
	for s := range warm + seconds {
		if s == warm {
			begun = processCPU(t, os.Getpid())
		}
		at = at.Add(time.Second)
		for i := range manyTags {
			c.Sample(plant.Sample{Tag: plant.TagID(i), Point: plant.Point{Time: at, Value: wave(i, s), Quality: plant.Good}}, at)
		}
		c.Scan(at)
		c.Alarms.Advance(at)
		c.Alarms.Drain()
	}
	return (processCPU(t, os.Getpid()) - begun) / seconds
}

// spreadOf sorts durations and says how they lie.
func spreadOf(d []time.Duration) string {
	slices.Sort(d)
	return fmt.Sprintf("median %s, p99 %s, worst %s (n = %d)", d[len(d)/2].Round(10*time.Microsecond), d[len(d)*99/100].Round(10*time.Microsecond), d[len(d)-1].Round(10*time.Microsecond), len(d))
}

// bareSync writes and syncs 4 kB every 50 ms, until ctx ends: what the disk
// and the machine allow at most.
func bareSync(ctx context.Context, path string) (took []time.Duration, err error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for block := make([]byte, 4096); ; {
		select {
		case <-ctx.Done():
			return took, nil
		case <-tick.C:
		}
		begun := time.Now()
		if _, err := f.Write(block); err != nil {
			return nil, err
		}
		if err := f.Sync(); err != nil {
			return nil, err
		}
		took = append(took, time.Since(begun))
	}
}

// liveRules runs the loop with archive and journal on disk in real time. It
// gives the share of one core, the times from a change to its durable journal
// entry, and those of a bare write beside it.
func liveRules(t *testing.T) (share float64, took, bare []time.Duration) {
	h := manyTagsPlant(t)
	c, err := engine.New(h, manyRuleFile(true), rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	ar, j := stores(t, c.House, dir, historian.Options{})
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	counts := service.LoopCounts(prometheus.NewRegistry())
	counts.JournalSeconds = prometheus.ObserverFunc(func(s float64) { took = append(took, time.Duration(s*1e9)) })
	l := engine.NewLoop(engine.LoopOptions{Core: c, Archive: service.ArchiveEdge{Archive: ar}, Journal: service.JournalEdge{Committer: journal.NewCommitter(j, 0, log), Journal: j}, Counts: counts, Log: log})
	ctx, cancel := context.WithCancel(t.Context())
	ran := make(chan error, 2)
	go func() { ran <- ar.Run(ctx) }()
	go func() { ran <- l.Run(ctx) }()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	synced := make(chan error, 1)
	go func() {
		var err error
		bare, err = bareSync(ctx, filepath.Join(dir, "bare"))
		synced <- err
	}()
	const warm, seconds = 5, 60
	var cpu time.Duration
	for s := range warm + seconds {
		if s == warm {
			cpu = processCPU(t, os.Getpid())
			took = nil
		}
		<-tick.C
		// The values come in ten batches, as from a server that publishes every
		// 100 ms; a change is known when its batch is.
		now := time.Now()
		for b := range 10 {
			var samples []plant.Sample
			for i := b * manyTags / 10; i < (b+1)*manyTags/10; i++ {
				samples = append(samples, plant.Sample{Tag: plant.TagID(i), Point: plant.Point{Time: now, Value: wave(i, s), Quality: plant.Good}})
			}
			l.Take(ctx, samples)
		}
	}
	share = (processCPU(t, os.Getpid()) - cpu).Seconds() / seconds
	cancel()
	<-ran
	<-ran
	if err := <-synced; err != nil {
		t.Fatal(err)
	}
	if len(took) == 0 {
		t.Fatal("nothing was journalled")
	}
	return share, took, bare
}

// prometheusCPU is the CPU that Prometheus takes for one evaluation of a
// threshold: with the rules less without them, over the evaluations.
func prometheusCPU(t *testing.T) time.Duration {
	begun := time.Now()
	mux := http.NewServeMux()
	mux.HandleFunc("/metrics", func(w http.ResponseWriter, _ *http.Request) {
		var b strings.Builder
		s := int(time.Since(begun).Seconds())
		for i := range manyTags {
			fmt.Fprintf(&b, "t%d %g\n", i, wave(i, s))
		}
		io.WriteString(w, b.String())
	})
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: mux}
	go srv.Serve(ln)
	defer srv.Close()
	var r strings.Builder
	r.WriteString("groups:\n")
	for i := range manyRules {
		if i%500 == 0 {
			fmt.Fprintf(&r, "- name: g%d\n  interval: 1s\n  rules:\n", i/500)
		}
		fmt.Fprintf(&r, "  - {alert: r%d, expr: 't%d > %d', for: 5s}\n", i, i%manyTags, 120+i/manyTags)
	}
	const seconds = 40
	run := func(withRules bool) (cpu time.Duration, evals float64) {
		dir := t.TempDir()
		conf := fmt.Sprintf("global: {scrape_interval: 1s, evaluation_interval: 1s}\nscrape_configs: [{job_name: x, static_configs: [{targets: ['%s']}]}]\n", ln.Addr())
		if withRules {
			conf += "rule_files: [rules.yml]\n"
		}
		for name, text := range map[string]string{"prometheus.yml": conf, "rules.yml": r.String()} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		own, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		address := own.Addr().String()
		own.Close()
		cmd := exec.Command(need(t, "prometheus"), "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address, "--log.level=error")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		defer func() {
			_ = cmd.Process.Signal(os.Interrupt)
			_ = cmd.Wait()
		}()
		time.Sleep(10 * time.Second)
		c0, e0 := processCPU(t, cmd.Process.Pid), promValue(t, address, "prometheus_rule_evaluations_total")
		time.Sleep(seconds * time.Second)
		c1, e1 := processCPU(t, cmd.Process.Pid), promValue(t, address, "prometheus_rule_evaluations_total")
		return c1 - c0, e1 - e0
	}
	bare, _ := run(false)
	with, evals := run(true)
	t.Logf("Prometheus: %.0f evaluations in %d s; CPU %s with rules, %s without", evals, seconds, with.Round(time.Millisecond), bare.Round(time.Millisecond))
	if evals == 0 {
		t.Fatal("Prometheus evaluated nothing")
	}
	return time.Duration(float64(with-bare) / evals)
}

func promValue(t *testing.T, address, name string) float64 {
	resp, err := http.Get("http://" + address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for line := range strings.Lines(string(b)) {
		if strings.HasPrefix(line, name) {
			if v, err := strconv.ParseFloat(strings.TrimSpace(line[strings.LastIndex(strings.TrimSpace(line), " ")+1:]), 64); err == nil {
				sum += v
			}
		}
	}
	return sum
}

// processCPU is the user and system time of a process, from /proc (Linux), in
// ticks of 10 ms.
func processCPU(t *testing.T, pid int) time.Duration {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	f := strings.Fields(string(b[strings.LastIndex(string(b), ")")+1:]))
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}
