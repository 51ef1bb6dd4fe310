package main

import (
	"fmt"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/cmd/service"
	"calandria/console"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// A data folder that an earlier version wrote is taken over: each value, each line
// of the journal, the acknowledgement and the account are there, and it goes on.
func TestUpgrade(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts the program")
	}
	for _, version := range []string{"first", "before"} {
		t.Run(version, func(t *testing.T) {
			m := newSmallMill(t, "", "alarms:\n"+smallRule("pressure", watched, "")+smallRule("level", "EV.B1.level > 10", ""))
			if out, err := exec.Command("tar", "-xzf", "testdata/upgrade/"+version+".tar.gz", "-C", m.data).CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, out)
			}
			m.start()
			s := m.await("watching", time.Minute, func(s *engine.Picture) bool { return m.alarm(s, "pressure").Active && m.alarm(s, "level").Active })
			if a := m.alarm(s, "pressure"); !a.Acked || a.Occurrence != 1 {
				t.Errorf("the acknowledged alarm is %+v", a)
			}
			i := 0
			for v, err := range m.Archive.Versions(t.Context(), "EV.B1.level", time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 11, 29, 4, 0, 0, 0, time.UTC)) {
				if err != nil || v.Value != float64(i)/4 || !v.Quality.IsGood() {
					t.Fatal(i, v, err)
				}
				i++
			}
			if i != 600 {
				t.Errorf("%d values of 600", i)
			}
			for _, kind := range []plant.EventKind{plant.EventStart, plant.EventAlarm, plant.EventAck, plant.EventShelve, plant.EventStop} {
				if len(m.events(kind)) == 0 {
					t.Errorf("the journal has no %s", kind)
				}
			}
			if n := len(m.events(plant.EventStart)); n != 2 {
				t.Errorf("%d starts, not the old and the new", n)
			}
			if err := m.Journal.Verify(t.Context()); err != nil {
				t.Error(err)
			}
			if len(m.events(plant.EventReturn)) != 0 {
				t.Error("an alarm returned")
			}
			if a, err := console.LoadAccounts(filepath.Join(m.data, "accounts.yaml")); err != nil || len(a.Users) != 1 || a.Users[0].Role != console.Engineer {
				t.Errorf("%+v %v", a, err)
			}
			if set, _ := filepath.Glob(filepath.Join(m.data, "*.damaged-*")); len(set) > 0 {
				t.Errorf("taken for damaged: %v", set)
			}
			m.stop()
		})
	}
}

// A machine is lost for good, and another goes on from the backup that was made
// while the first one ran: alarm states are as they were, and what came since is
// asked of the server's history.
func TestBackupGoesOnElsewhere(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts servers")
	}
	f := startForeign(t, map[string]any{"port": 0, "variables": 1, "ramp": 100, "history": true, "every": true})
	yaml := fmt.Sprintf("site: {name: backup}\nconsole: {listen: '127.0.0.1:0'}\npans: [{name: P}]\nopcua: {servers: [{name: s, endpoint: 'opc.tcp://127.0.0.1:%d', policy: None, publish: 200ms}]}\ntags: {T0: {node: 'nsu=urn:interop:test;s=T0', sampling: 50ms}}\n", f.port)
	on := func(data string) *running {
		return start(t, nil, func() (*service.Service, *testLog, error) {
			h, err := service.LoadHouse("plant.yaml", []byte(yaml))
			if err != nil {
				return nil, nil, err
			}
			log := &testLog{}
			s, err := openHere(h, []rules.File{{Name: "rules.yaml", Data: []byte("alarms:\n" + smallRule("high", "T0 > 5", ""))}}, data, slog.New(slog.NewTextHandler(log, nil)))
			return s, log, err
		})
	}
	live := func(r *running, from float64) float64 {
		s := r.await("values", time.Minute, func(s *engine.Picture) bool {
			p := r.point(s, "T0")
			return p.Usable() && p.Value > from && len(s.Alarms) > 0 && s.Alarms[0].Active
		})
		return r.point(s, "T0").Value
	}
	lost := t.TempDir()
	one := on(lost)
	live(one, 10)
	if err := one.Loop.Do(t.Context(), alerting.Command{Action: alerting.Acknowledge, Alarm: "high", User: "tester"}); err != nil {
		t.Fatal(err)
	}
	poll(t, time.Minute, func() bool { // the acknowledged alarm and a checkpoint are on the disk
		p, ok, err := one.Archive.Last(t.Context(), "T0")
		return err == nil && ok && p.Value > 15
	}, one.log.String)
	said, err := exec.Command("../../deploy/backup.sh", lost, t.TempDir()).Output()
	if err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	data := strings.TrimSpace(string(said))
	for _, name := range []string{"anchors.jsonl", "journal.key", "journal.pub", "journal.db", "archive/tags"} {
		if _, err := os.Stat(filepath.Join(data, name)); err != nil {
			t.Error(err)
		}
	}
	out := &strings.Builder{}
	if err := (&verifyCmd{Data: data}).Run(&app{ctx: t.Context(), out: out, log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Errorf("the copy is not proven: %v\n%s", err, out)
	}
	until := live(one, f.value("T0")+20)
	one.stop()
	if err := os.RemoveAll(lost); err != nil {
		t.Fatal(err)
	}

	two := on(data)
	after := live(two, until+10)
	if a := two.Loop.Picture().Alarms[0]; !a.Acked || a.Occurrence != 1 {
		t.Errorf("the acknowledged alarm is %+v", a)
	}
	var values []float64
	poll(t, time.Minute, func() bool {
		values = values[:0]
		for v, err := range two.Archive.Versions(t.Context(), "T0", time.Now().Add(-time.Hour), time.Now().Add(time.Hour)) {
			if err == nil && v.Quality.IsGood() && v.Value >= 1 && v.Value <= after {
				values = append(values, math.Round(v.Value))
			}
		}
		slices.Sort(values)
		n := len(values)
		return n > 0 && values[n-1] >= math.Round(after) && int(values[n-1]-values[0])+1 == n && len(slices.Compact(values)) == n
	}, func() string { return fmt.Sprint(values, two.log) })
	if err := two.Journal.Verify(t.Context()); err != nil {
		t.Error(err)
	}
	returns, err := two.Journal.Read(t.Context(), plant.EventFilter{Kinds: []plant.EventKind{plant.EventReturn}})
	if err != nil || len(returns) != 0 {
		t.Errorf("%v %v", returns, err)
	}
}
