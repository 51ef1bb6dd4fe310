package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const backtestPlant = `
site: {name: Small (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:4840", policy: None, mode: None}]}
sets:
  - name: S
    bodies:
      - {name: B1, heating_surface_m2: 100, tags: {level: {node: "nsu=urn:x;s=l1"}}}
      - {name: B2, heating_surface_m2: 100, tags: {level: {node: "nsu=urn:x;s=l2"}, in_service: {node: "nsu=urn:x;s=s2"}}}
`

const backtestTexts = `
    cause: A valve stuck.
    consequence: Juice is carried over.
    response: Open the valve.
    severity: moderate
    time_to_respond: 5m
`

func backtestRules(lines ...string) []rules.File {
	var text strings.Builder
	text.WriteString("alarms:\n")
	for _, l := range lines {
		text.WriteString("  - " + l + backtestTexts)
	}
	return []rules.File{{Name: "rules.yaml", Data: []byte(text.String())}}
}

func backtestHouse(t testing.TB) *plant.House {
	t.Helper()
	h, err := plant.Load("plant.yaml", []byte(backtestPlant))
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// smallArchive holds four days: the level of B1 is over 70 % for five minutes
// at 0 and 12 h of each day, swings across it every ten seconds for one minute
// at 6 h of the third day; on the last day B2, whose level is high, is out of
// service.
func smallArchive(t testing.TB, from time.Time) *historian.Archive {
	t.Helper()
	ar, err := historian.Open(t.TempDir(), historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ar.Close() })
	var recs []historian.Record
	add := func(path string, at time.Time, v float64) {
		recs = append(recs, historian.Record{Path: path, Point: plant.Point{Time: at, Value: v, Quality: plant.Good}})
	}
	for s := 0; s < 4*86400; s += 10 {
		at, level := from.Add(time.Duration(s)*time.Second), 40+5*math.Sin(float64(s)/600)
		day, in := s/86400, s%86400
		if in%43200 < 300 {
			level = 80
		}
		if day == 2 && in >= 6*3600 && in < 6*3600+60 && in/10%2 == 0 {
			level = 75
		}
		add("S.B1.level", at, level)
		if s%60 == 0 {
			on, l2 := 1.0, 40.0
			if day == 3 {
				l2 = 90
			}
			if s >= 3*86400-60 {
				on = 0
			}
			add("S.B2.level", at, l2)
			add("S.B2.in_service", at, on)
		}
		if len(recs) > 5000 {
			if err := ar.Append(recs); err != nil {
				t.Fatal(err)
			}
			recs = recs[:0]
			if err := ar.Flush(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := ar.Append(recs); err != nil {
		t.Fatal(err)
	}
	if err := ar.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	return ar
}

// The counts follow from the archive as described there: over the last three
// days six calls without a delay and three in the swinging minute.
func TestBacktest(t *testing.T) {
	from := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	ar := smallArchive(t, from)
	inUse := backtestRules(
		"name: level_high\n    for: body\n    title: \"{title}: level high\"\n    tag: this.level\n    unit: \"%\"\n    high: 70\n    on_delay: 1m",
		"name: gone\n    title: gone\n    tag: S.B1.level\n    unit: \"%\"\n    high: 79")
	tried := backtestRules(
		"name: level_high\n    for: body\n    title: \"{title}: level high\"\n    tag: this.level\n    unit: \"%\"\n    high: 70\n    only_when: default(this.in_service, 1) == 1",
		"name: hidden\n    title: hidden\n    tag: S.B1.level\n    unit: \"%\"\n    high: 70\n    suppress_when: S.B2.in_service == 0",
		"name: shut\n    title: shut\n    tag: S.B1.level\n    unit: \"%\"\n    high: 99\n    suppress_when: S.B1.level > pct(5)",
		"name: mean_high\n    title: mean\n    when: avg(S.B1.level, \"2d\") > 100")
	r, err := engine.RunBacktest(context.Background(), backtestHouse(t), inUse, tried, service.Past{Archive: ar}, from.Add(24*time.Hour), from.Add(96*time.Hour), 10*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	byName := map[string]engine.RuleRecord{}
	for _, x := range r.Rules {
		byName[x.Spec.Name] = x
	}
	for name, want := range map[string]engine.RuleRecord{
		"level_high.S.B1": {Alarms: 9, Active: 6*5*time.Minute + 30*time.Second, Longest: 5 * time.Minute, Chattering: 1, Worst: 3, Present: 6},
		"level_high.S.B2": {Present: 1},
		"hidden":          {Alarms: 7, Hidden: 2, Active: 6*5*time.Minute + 30*time.Second, Longest: 5 * time.Minute, Chattering: 1, Worst: 3, Present: -1},
		"mean_high":       {Present: -1},
	} {
		got := byName[name]
		if got.Alarms != want.Alarms || got.Hidden != want.Hidden || got.Active != want.Active || got.Longest != want.Longest ||
			got.Chattering != want.Chattering || got.Worst != want.Worst || got.Present != want.Present {
			t.Errorf("%s: %+v\nwant %+v", name, got, want)
		}
	}
	if got := byName["hidden"].Suppressed; math.Abs(got-1.0/3) > 0.01 {
		t.Errorf("hidden for %.3f of the time, of three days one", got)
	}
	notes := fmt.Sprint(misfits(r))
	for _, want := range []string{"level_high.S.B1: called 9 times since 2026-03-02", "hidden: called 7 times", "shut: suppress_when held for 100.0 % of the time since 2026-03-02"} {
		if !strings.Contains(notes, want) {
			t.Errorf("what does not fit: %s; lacks %s", notes, want)
		}
	}
	if strings.Contains(notes, "mean_high") || strings.Contains(notes, "S.B2") {
		t.Errorf("what does not fit: %s", notes)
	}
	if len(r.Gone) != 1 || r.Gone[0].Spec.Name != "gone" || r.Gone[0].Present != 6 {
		t.Errorf("gone: %+v", r.Gone)
	}
	var out bytes.Buffer
	r.Write(&out)
	golden := filepath.Join("testdata", "backtest.golden")
	if *update {
		if err := os.WriteFile(golden, out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(out.Bytes(), want) {
		t.Errorf("the report differs from %s; with -update it is written anew\n%s", golden, out.Bytes())
	}
}
