package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"calandria/alerting"
	"calandria/cmd/service"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
)

// badDisk is a disk that takes 50 ms to sync, and refuses when told so.
type badDisk struct {
	historian.Disk
	why  error // full, or read-only
	full atomic.Bool
}

const slowSync = 50 * time.Millisecond

func (d *badDisk) Create(name string) (historian.WriteFile, error) {
	f, err := d.Disk.Create(name)
	return &badFile{f, d}, err
}

func (d *badDisk) SyncDir(dir string) error {
	time.Sleep(slowSync)
	return d.Disk.SyncDir(dir)
}

func (d *badDisk) FreePct(string) float64 { return 4 }

type badFile struct {
	historian.WriteFile
	disk *badDisk
}

func (f *badFile) Write(b []byte) (int, error) {
	if f.disk.full.Load() {
		return 0, f.disk.why
	}
	return f.WriteFile.Write(b)
}

func (f *badFile) Sync() error {
	time.Sleep(slowSync)
	return f.WriteFile.Sync()
}

// badJournal is a journal on that disk.
type badJournal struct {
	service.JournalEdge
	disk  *badDisk
	waits []plant.Event
}

func (j *badJournal) Commit(events []plant.Event, state map[string][]byte, whole bool) bool {
	time.Sleep(slowSync)
	j.waits = append(j.waits, events...)
	if j.disk.full.Load() {
		return false
	}
	events, j.waits = j.waits, nil
	return j.JournalEdge.Commit(events, state, whole)
}

// A slow disk, then one that is full or read-only, and fifty trends read all the
// while: no scan is late, alarms are raised, and what is not on record is not said
// to be.
func TestSlowAndFullDisk(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: runs for seconds")
	}
	for name, why := range map[string]error{"full": syscall.ENOSPC, "read-only": syscall.EROFS} {
		t.Run(name, func(t *testing.T) { slowAndFullDisk(t, why) })
	}
}

func slowAndFullDisk(t *testing.T, why error) {
	h := manyTagsPlant(t)
	files := []rules.File{{Name: "rules.yaml", Data: []byte(`alarms:
  - {name: high, title: T, cause: C, consequence: Q, response: R, severity: moderate, time_to_respond: 5m, tag: t0, high: 100, unit: kPa}
  - {name: low_space, title: T, cause: C, consequence: Q, response: R, severity: moderate, time_to_respond: 5m, when: calandria.disk_free_pct < pct(10)}
`)}}
	c, err := engine.New(h, files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	dir, disk := t.TempDir(), &badDisk{why: why}
	ar, j := stores(t, c.House, dir, historian.Options{Files: disk})
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	counts := service.LoopCounts(prometheus.NewRegistry())
	var scans, overruns atomic.Int64
	counts.ScanSeconds = prometheus.ObserverFunc(func(s float64) { scans.Add(1) })
	counts.Overruns = counterFunc(func(float64) { overruns.Add(1) })
	l := engine.NewLoop(engine.LoopOptions{Core: c, Archive: service.ArchiveEdge{Archive: ar}, Journal: &badJournal{JournalEdge: service.JournalEdge{Committer: journal.NewCommitter(j, 0, log), Journal: j}, disk: disk}, Counts: counts, Log: log,
		Checkpoint: func(data []byte) error { time.Sleep(2 * slowSync); return nil }})
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	defer running.Wait()
	defer cancel()
	running.Go(func() { ar.Run(ctx) })
	running.Go(func() { l.Run(ctx) })
	for i := range 50 {
		running.Go(func() {
			for ctx.Err() == nil {
				now := time.Now()
				ar.Trend(ctx, fmt.Sprintf("t%d", i), now.Add(-time.Hour), now, 500)
				time.Sleep(slowSync)
			}
		})
	}
	var stored atomic.Int64
	feed := func(value float64, until func() bool) {
		t.Helper()
		for end := time.Now().Add(time.Minute); !until(); time.Sleep(100 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal("it never comes to that")
			}
			now := time.Now()
			samples := make([]plant.Sample, 500)
			for i := range samples {
				samples[i] = plant.Sample{Tag: plant.TagID(i), Point: plant.Point{Time: now, Value: value, Quality: plant.Good}}
			}
			l.Take(ctx, samples, func() { stored.Add(1) })
		}
	}
	alarm := func(name string) alerting.Status {
		for _, a := range l.Picture().Alarms {
			if a.Name == name {
				return a
			}
		}
		return alerting.Status{}
	}
	acknowledge := func(name string) error {
		return l.Do(ctx, alerting.Command{Action: alerting.Acknowledge, Alarm: name, Occurrence: alarm(name).Occurrence, User: "tester"})
	}
	feed(50, func() bool { return scans.Load() > 3 && stored.Load() > 10 && alarm("low_space").Annunciated })
	if err := acknowledge("low_space"); err != nil {
		t.Errorf("on a slow disk: %v", err)
	}
	disk.full.Store(true)
	for end := ar.Health(); end.OK; end = ar.Health() {
		feed(50, func() bool { return true })
	}
	before := stored.Load()
	feed(150, func() bool { return alarm("high").Annunciated })
	if err := acknowledge("high"); !errors.Is(err, engine.ErrNotOnRecord) {
		t.Errorf("an acknowledgement that is not on record: %v", err)
	}
	scanned := scans.Load()
	feed(150, func() bool { return scans.Load() > scanned+2 })
	if n := stored.Load(); n != before {
		t.Errorf("%d batches are said to be stored on a full disk", n-before)
	}
	disk.full.Store(false)
	feed(150, func() bool { return stored.Load() > before+10 })
	if n := overruns.Load(); n != 0 {
		t.Errorf("%d of %d scans were late", n, scans.Load())
	}
	events, err := j.Read(ctx, plant.EventFilter{Alarm: "high", Kinds: []plant.EventKind{plant.EventAck}})
	if err != nil || len(events) != 1 {
		t.Errorf("on record after all: %v, %v", events, err)
	}
}

type counterFunc func(float64)

func (f counterFunc) Add(x float64) { f(x) }
