//go:build !race

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/cmd/demo"
	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/historian/marks"
	"calandria/plant"
	"calandria/rules"
)

var season = flag.Int("season", 5, "days that the engine lives through")

// A season goes through engine, archive, journal and checkpoints, as the loop would
// send it, in steps of five minutes: upsets, cleanings and strikes come, and somebody
// acknowledges. Memory, processor time a step, the checkpoint and the number of files
// are those of its first half. make detection runs 120 days.
func TestSeason(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: days of arithmetic")
	}
	const step = 5 * time.Minute
	ctx := context.Background()
	h, files, err := demo.House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h.Config.Scan = step
	core, err := engine.New(h, files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	h = core.House
	dir := t.TempDir()
	begun := time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)
	at := begun
	ar, j := stores(t, h, dir, historian.Options{Now: func() time.Time { return at }})
	marks := &marks.Folder{Dir: filepath.Join(dir, "learned")}
	m := simulator.New(5, begun)
	nodes := map[string]int{}
	for i, in := range m.Instruments() {
		nodes[in.Node()] = i
	}
	core.Begin(begun)
	core.AllWell(begun)

	upsets := []string{"air-leak", "brix-drift", "gas-ev4"}
	random := rand.New(rand.NewPCG(7, 8))
	samples, events := 0, 0
	var begin, end struct {
		heap, checkpoint, files int
		cpu                     time.Duration
	}
	day := func(n int) {
		perDay := int(24 * time.Hour / step)
		for i := range perDay {
			at = begun.Add(time.Duration(n*perDay+i) * step)
			if name := upsets[n%len(upsets)]; n%4 == 1 && i == 60 {
				err = m.Start(name)
			} else if n%4 == 1 && i == 100 {
				err = m.Clear(name)
			}
			if err != nil {
				t.Fatal(err)
			}
			m.AdvanceTo(at)
			values := m.Values()
			var store []plant.Record
			for k := range h.Tags {
				tag := &h.Tags[k]
				if n, ok := nodes[tag.Node]; ok && tag.Source == plant.Measured {
					v, q := tag.Convert(values[n].Raw, values[n].Quality)
					p := plant.Point{Time: at, Value: v, Quality: q}
					core.Sample(plant.Sample{Tag: tag.ID, Point: p}, at)
					store = append(store, plant.Record{Path: tag.Path, Point: p})
				}
			}
			core.AllWell(at)
			core.Scan(at)
			core.Alarms.Advance(at)
			core.Calc.TakeFinished()
			for k := range h.Tags {
				if tag := &h.Tags[k]; tag.Source != plant.Measured && core.Frame.Points[k].Time.Equal(at) {
					store = append(store, plant.Record{Path: tag.Path, Point: core.Frame.Points[k]})
				}
			}
			samples += len(store)
			told := core.Drain()
			for _, e := range told {
				if e.Kind == plant.EventAlarm && e.Annunciated && random.IntN(3) > 0 {
					_ = core.Alarms.Do(alerting.Command{Action: alerting.Acknowledge, Alarm: e.Alarm, User: "D. Noon"}, at)
				}
			}
			told = append(told, core.Drain()...)
			for k := range told {
				told[k].Received = at
			}
			events += len(told)
			parts, whole, err := core.Alarms.SaveParts(false)
			if err == nil {
				_, err = j.Append(told, journal.State{Parts: parts, Whole: whole})
			}
			if err := errors.Join(err, ar.Append(store)); err != nil {
				t.Fatal(err)
			}
			if i%12 == 11 { // each hour; the program commits each second
				if err := errors.Join(ar.Flush(ctx), ar.Maintain(ctx), marks.Keep(at, func() ([]byte, error) { return core.Save(at) })); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	stretch := func(from, to int, into *struct {
		heap, checkpoint, files int
		cpu                     time.Duration
	}) {
		cpu := processCPU(t, os.Getpid())
		for n := from; n < to; n++ {
			day(n)
		}
		into.cpu = (processCPU(t, os.Getpid()) - cpu) / time.Duration(to-from)
		runtime.GC()
		runtime.GC() // what was held by finalizers
		var mem runtime.MemStats
		runtime.ReadMemStats(&mem)
		state, err := core.Save(at)
		if err != nil {
			t.Fatal(err)
		}
		into.heap, into.checkpoint, into.files = int(mem.HeapAlloc), len(state), 0
		err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error { into.files++; return err })
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("days %d to %d: %v a day, heap %.1f MB, checkpoint %d kB, %d files, %.2f B a sample, journal %.0f B an event", from, to, into.cpu.Round(time.Millisecond),
			float64(into.heap)/1e6, into.checkpoint/1000, into.files, folderBytes(t, filepath.Join(dir, "archive"))/float64(samples), size(t, filepath.Join(dir, "journal.db"))/float64(max(events, 1)))
	}
	tenth := *season / 5
	stretch(0, 2*tenth, &begin) // what is learned in the first days is no growth
	stretch(2*tenth, 3*tenth, &begin)
	stretch(3*tenth, 4*tenth, &end)
	stretch(4*tenth, 5*tenth, &end)
	for _, x := range []struct {
		what       string
		then, now  float64
		most, more float64
	}{
		{"heap, MB", float64(begin.heap) / 1e6, float64(end.heap) / 1e6, 1.2, 8},
		{"checkpoint, kB", float64(begin.checkpoint) / 1e3, float64(end.checkpoint) / 1e3, 1.2, 50},
		{"processor time a day, s", begin.cpu.Seconds(), end.cpu.Seconds(), 1.5, 0.1},
		// A day ends as a few files of each kind; checkpoints are thinned.
		{"files a day", float64(begin.files) / float64(3*tenth), float64(end.files) / float64(5*tenth), 1.2, 1},
	} {
		if x.now > x.most*x.then+x.more {
			t.Errorf("%s: %.2f, was %.2f", x.what, x.now, x.then)
		}
	}
	if err := errors.Join(j.Verify(ctx)); err != nil || events == 0 {
		t.Error(fmt.Sprint(events, " events"), err)
	}
}

func size(t *testing.T, file string) float64 {
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	return float64(info.Size())
}
