package main

import (
	"context"
	"errors"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

func testTrials(t *testing.T, ar *historian.Archive, files []rules.File) *engine.Trials {
	t.Helper()
	return engine.NewTrials(service.Past{Archive: ar}, func() []rules.File { return files }, slog.New(slog.DiscardHandler))
}

// tryOut works one trial off and gives its result.
func tryOut(tb testing.TB, t *engine.Trials, wish engine.TrialWish, now time.Time) *engine.Trial {
	tb.Helper()
	if err := t.Start(backtestHouse(tb), wish, now); err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- t.Run(ctx) }()
	x := over(t, wish.Alarm, now)
	cancel()
	<-done
	return x
}

// over waits until the trial of an alarm is over.
func over(t *engine.Trials, alarm string, now time.Time) *engine.Trial {
	for {
		if x, busy := t.Of(alarm, now); busy == "" {
			return x
		}
		runtime.Gosched()
	}
}

// TestTrial: the counts follow from the archive as smallArchive describes it:
// in the last three days the level is over 70 % six times for five minutes, and
// three times within a minute; over 78 % the six times only. They are those of
// the backtest.
func TestTrial(t *testing.T) {
	from := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	ar := smallArchive(t, from)
	files := backtestRules("name: level_high\n    for: body\n    title: \"{title}: level high\"\n    tag: this.level\n    unit: \"%\"\n    high: 70",
		"name: other\n    title: other\n    tag: S.B1.level\n    unit: \"%\"\n    high: 1")
	tr := testTrials(t, ar, files)
	now := from.Add(96 * time.Hour)
	x := tryOut(t, tr, engine.TrialWish{Alarm: "level_high.S.B1", Texts: map[string]string{"high": "78"}, Span: 72 * time.Hour}, now)
	if x.Running || x.Failed != "" || x.Samples != 3*8640 || !x.First.Equal(from.Add(24*time.Hour)) {
		t.Fatalf("%d readings from %s: %s", x.Samples, x.First, x.Failed)
	}
	if p := x.Present; p.Alarms != 9 || p.Active != 6*5*time.Minute+30*time.Second || p.Longest != 5*time.Minute || p.Chattering != 1 ||
		len(p.Hours) != 5 || p.Hours[0] != (engine.HourCount{At: from.Add(54 * time.Hour), N: 3}) {
		t.Errorf("present: %+v", p)
	}
	if p := x.Tried; p.Alarms != 6 || p.Active != 6*5*time.Minute || p.Chattering != 0 || p.Hours[0].N != 1 {
		t.Errorf("tried: %+v", p)
	}
	// Parts of six minutes: five minutes at the beginning of every 120th.
	for side, want := range map[*engine.TrialSide]int{&x.Present: 7, &x.Tried: 6} {
		n := 0
		for i, in := range side.Strip {
			if in {
				n++
			}
			if in != (i%120 == 0) && !(side == &x.Present && i == 300) {
				t.Errorf("part %d: %v", i, in)
			}
		}
		if n != want || len(side.Strip) != 720 {
			t.Errorf("%d of %d parts in alarm, want %d", n, len(side.Strip), want)
		}
	}
	if len(x.Lines) != 1 || !slices.Equal(x.Lines[0].Text, []string{"override:", "  level_high:", "    S.B1: {high: 78}"}) || x.Lines[0].File != "rules.yaml" {
		t.Errorf("lines: %+v", x.Lines)
	}
	whole, err := engine.RunBacktest(context.Background(), backtestHouse(t), files, nil, service.Past{Archive: ar}, from.Add(24*time.Hour), now, 30*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range whole.Rules {
		if r.Spec.Name == "level_high.S.B1" && (r.Alarms != x.Present.Alarms || r.Active != x.Present.Active || r.Chattering != x.Present.Chattering) {
			t.Errorf("the backtest says %+v", r)
		}
	}
	if x.Reloaded {
		t.Error("reloaded without a reload")
	}
	again := slices.Clone(files)
	tr.Files = func() []rules.File { return again }
	if x, _ := tr.Of("level_high.S.B1", now); x == nil || !x.Reloaded {
		t.Errorf("after a reload: %+v", x)
	}
	// An archive that ends before the time says nothing.
	x = tryOut(t, tr, engine.TrialWish{Alarm: "level_high.S.B1", Texts: map[string]string{"on_delay": "1m"}, Span: 8 * time.Hour}, now.Add(48*time.Hour))
	if x.Samples != 0 || x.Failed != "" {
		t.Errorf("empty: %+v", x)
	}
}

func TestTrialRefusals(t *testing.T) {
	ar, err := historian.Open(t.TempDir(), historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer ar.Close()
	files := backtestRules("name: level_high\n    title: high\n    tag: S.B1.level\n    unit: \"%\"\n    high: 70")
	tr := testTrials(t, ar, files)
	now := time.Now()
	start := func(alarm string, texts map[string]string) *engine.Refused {
		t.Helper()
		err := tr.Start(backtestHouse(t), engine.TrialWish{Alarm: alarm, Texts: texts, Span: time.Hour}, now)
		no, ok := errors.AsType[*engine.Refused](err)
		if err != nil && !ok {
			t.Fatal(err)
		}
		return no
	}
	for _, c := range []struct{ alarm, key, text, field, why string }{
		{"nothing", "high", "80", "", "no such alarm"},
		{"level_high", "high", "70", "", "Nothing differs"},
		{"level_high", "high", "80 kPa", "high", "given in kPa"},
		{"level_high", "high", "kPa(80)", "high", "pressure"},
		{"level_high", "on_delay", "soon", "on_delay", "30s"},
	} {
		if no := start(c.alarm, map[string]string{c.key: c.text}); no == nil || no.Field != c.field || !strings.Contains(no.Why.String(), c.why) {
			t.Errorf("%+v: %+v", c, no)
		}
	}
	// One at a time; one that was stopped before it began leaves room.
	if no := start("level_high", map[string]string{"high": "80"}); no != nil {
		t.Fatal(no.Why)
	}
	if x, busy := tr.Of("level_high", now); x == nil || !x.Running || busy != "level_high" {
		t.Errorf("%+v, busy %q", x, busy)
	}
	if no := start("level_high", map[string]string{"high": "81"}); no == nil || !strings.Contains(no.Why.String(), "One at a time") {
		t.Errorf("a second: %+v", no)
	}
	tr.Stop("other")
	tr.Stop("level_high")
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- tr.Run(ctx) }()
	if x := over(tr, "level_high", now); x == nil || !x.Stopped {
		t.Errorf("stopped: %+v", x)
	}
	if no := start("level_high", map[string]string{"high": "82"}); no != nil {
		t.Error(no.Why)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// TestTrialOfEveryRule: what is tried of each alarm of the demo is what its
// files say once the lines are written there.
func TestTrialOfEveryRule(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	h, files, err := demo.House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c, err := engine.New(h, files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	tried := map[string]bool{}
	for _, spec := range c.Rules.Alarms() {
		rule, _, _ := strings.Cut(spec.Name, ".")
		if tried[rule] {
			continue
		}
		tried[rule] = true
		w, ok := rules.ReadWritten(files, h, spec.Name)
		if !ok {
			t.Errorf("%s is not found in the files", spec.Name)
			continue
		}
		try := map[string]string{"on_delay": "47s", "off_delay": "48s"}
		for _, f := range w.Figures {
			if f.Key == "high" || f.Key == "low" {
				try[f.Key] = f.Text + "1"
				if !strings.Contains(f.Text, ".") {
					try[f.Key] = f.Text + ".1"
				}
				if strings.Contains(f.Text, "(") {
					delete(try, f.Key)
				}
			}
		}
		load := func(files []rules.File, opt rules.Options) (plant.AlarmSpec, error) {
			c, err := engine.New(h, files, opt)
			if err != nil {
				return plant.AlarmSpec{}, err
			}
			i := slices.IndexFunc(c.Rules.Alarms(), func(a plant.AlarmSpec) bool { return a.Name == spec.Name })
			return c.Rules.Alarms()[i], nil
		}
		a, err := load(files, rules.Options{Only: spec.Name, Try: try})
		if err != nil {
			t.Errorf("%s: %v", spec.Name, err)
			continue
		}
		kept := slices.Clone(files)
		lines := w.Lines(try)
		slices.SortStableFunc(lines, func(a, b rules.Line) int { return b.Line - a.Line })
		for _, l := range lines {
			i := slices.IndexFunc(kept, func(f rules.File) bool { return f.Name == l.File })
			text := strings.Split(string(kept[i].Data), "\n")
			if l.Through > 0 {
				text = slices.Replace(text, l.Line-1, l.Through, l.Text...)
			} else {
				text = slices.Insert(text, l.Line, l.Text...)
			}
			kept[i].Data = []byte(strings.Join(text, "\n"))
		}
		b, err := load(kept, rules.Options{})
		if err != nil {
			t.Errorf("%s: with the lines in place: %v\n%+v", spec.Name, err, lines)
			continue
		}
		if a.OnDelay != 47*time.Second || a.OffDelay != 48*time.Second || a.OnDelay != b.OnDelay || a.OffDelay != b.OffDelay ||
			(a.Setpoint == nil) != (b.Setpoint == nil) || a.Setpoint != nil && *a.Setpoint != *b.Setpoint {
			t.Errorf("%s: tried %+v\nkept %+v\n%+v", spec.Name, a, b, lines)
		}
	}
	if len(tried) < 30 {
		t.Errorf("only %d rules", len(tried))
	}
}
