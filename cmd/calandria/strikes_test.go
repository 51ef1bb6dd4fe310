package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/collector/simulator"
	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

// Strikes of the invented mill, lived through by the loop: each is on record as it ends,
// also when the journal refuses for a while; a start takes them from the record, and one
// without a record finds the same strikes in the archive. Then an operator chooses which to
// compare with and the laboratory corrects a purity; both outlive a start.
func TestStrikesOnRecord(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	ctx := context.Background()
	dir := t.TempDir()
	ar, err := historian.Open(filepath.Join(dir, "archive"), historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer ar.Close()
	record := func(name string) *journal.Journal {
		j, err := journal.Open(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { j.Close() })
		return j
	}
	quiet := slog.New(slog.DiscardHandler)
	j := record("journal.db")
	house := func() *plant.House {
		h, _, err := demo.House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	h := house()
	lived, err := engine.New(h, nil, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	lived.Calc.NoUncertainty()
	lived.Calc.NoReconciliation()
	at := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	m := simulator.New(7, at)
	tags := map[string][]plant.TagID{}
	for i := range h.Tags {
		if h.Tags[i].Class == plant.ClassPan || h.Tags[i].Name == "vapour_pressure" {
			tags[h.Tags[i].Node] = append(tags[h.Tags[i].Node], plant.TagID(i))
		}
	}
	instruments := m.Instruments()
	lived.Begin(at)
	lived.Record = func(plant.TagID, plant.Point) {}
	var records []plant.Record
	for range 10 * 240 {
		at = at.Add(15 * time.Second)
		m.Step(15 * time.Second)
		for i, r := range m.Values() {
			for _, id := range tags[instruments[i].Node()] {
				v, q := h.Tags[id].Convert(r.Raw, r.Quality)
				p := plant.Point{Time: at, Value: v, Quality: q}
				lived.Sample(plant.Sample{Tag: id, Point: p}, at)
				records = append(records, plant.Record{Path: h.Tags[id].Path, Point: p})
			}
		}
		lived.Scan(at)
		for _, f := range lived.Calc.TakeFinished() {
			if err := service.KeepStrike(j, &f); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := errors.Join(ar.Append(records), ar.Flush(ctx)); err != nil {
		t.Fatal(err)
	}
	of := func(c *thermo.Calculator, path string) thermo.Strike {
		for _, s := range c.Strikes() {
			if s.Pan == path {
				return s
			}
		}
		t.Fatalf("no pan %s", path)
		return thermo.Strike{}
	}
	live := of(lived.Calc, "PA1")
	kept, err := j.Strikes(ctx, plant.StrikeFilter{Pan: "PA1"})
	if err != nil || len(kept) != len(live.Finished) || len(kept) < 2 {
		t.Fatalf("%d strikes of %d on record: %v", len(kept), len(live.Finished), err)
	}
	for i, r := range kept {
		s := live.Finished[len(kept)-1-i]
		got, err := service.StrikeOf(r)
		if err != nil || r.Grade != "A" || !r.Start.Equal(s.Start) || r.Number != s.Number || len(got.Profile) != len(s.Profile) || len(got.Profile) < 20 || math.Abs(got.WaterT.Value-s.WaterT.Value) > 1e-4 {
			t.Errorf("on record %+v: %v", got, err)
		}
	}

	// A start with a record, and one without: both read the archive, there is no
	// checkpoint.
	start := func(j *journal.Journal) *service.Begun {
		core, err := service.NewCore(house(), nil)
		if err != nil {
			t.Fatal(err)
		}
		b, err := service.Begin(ctx, core, nil, service.Past{Archive: ar}, j, dir, at, quiet, nil)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	again := start(j)
	back := of(again.Core.Calc, "PA1")
	if len(back.Finished) != len(live.Finished) || back.Running == nil || back.Running.Start.Sub(live.Running.Start).Abs() > time.Minute {
		t.Fatalf("after a start: %d strikes of %d, running %v", len(back.Finished), len(live.Finished), back.Running != nil)
	}
	for i := range back.Finished {
		if a, b := &live.Finished[i], &back.Finished[i]; !a.Start.Equal(b.Start) || a.Number != b.Number || a.Whole != b.Whole {
			t.Errorf("strike %d of %v came back as %d of %v", a.Number, a.Start, b.Number, b.Start)
		}
	}
	if found := again.Strikes; len(found) != 0 {
		t.Errorf("%d strikes would be recorded twice", len(found))
	}
	other := start(record("empty.db"))
	fresh := other.Strikes
	n := 0
	for _, f := range fresh {
		if f.Pan != "PA1" {
			continue
		}
		a := &live.Finished[n]
		n++
		if f.Strike.Start.Sub(a.Start).Abs() > time.Minute || f.Strike.End.Sub(a.End).Abs() > 2*time.Minute || math.Abs(f.Strike.WaterT.Value/a.WaterT.Value-1) > 0.01 || f.Strike.Whole != a.Whole {
			t.Errorf("from the archive: %v to %v, %.1f t; live: %v to %v, %.1f t", f.Strike.Start, f.Strike.End, f.Strike.WaterT.Value, a.Start, a.End, a.WaterT.Value)
		}
	}
	if n != len(live.Finished) {
		t.Errorf("the archive gives %d strikes, %d were lived through", n, len(live.Finished))
	}

	// The operator and the laboratory.
	l := engine.NewLoop(engine.LoopOptions{Core: lived, Archive: service.ArchiveEdge{Archive: ar}, Journal: service.JournalEdge{Committer: journal.NewCommitter(j, 0, quiet), Journal: j},
		Counts: service.LoopCounts(prometheus.NewRegistry()), Log: quiet})
	b := &service.Backend{Loop: l, S: &service.Service{Loop: l, Journal: j, Archive: ar, Log: quiet, House: h}}
	running, stop := context.WithCancel(ctx)
	done := make(chan error)
	go func() { done <- l.Run(running) }()
	defer func() { stop(); <-done }()
	list, err := b.StrikeRecords(ctx, plant.StrikeFilter{Pan: "PA1", Limit: 10})
	if err != nil || len(list) != len(kept) {
		t.Fatalf("%d strikes: %v", len(list), err)
	}
	var whole, usual *console.Strike
	for i := range list {
		if list[i].Reference {
			usual = &list[i]
		} else if list[i].Whole {
			whole = &list[i]
		} else if err := b.ChooseReference(ctx, console.ReferenceChoice{Strike: list[i].ID, User: "D. Noon"}); err == nil || !strings.Contains(err.Error(), "not seen whole") {
			t.Errorf("a strike that was not seen whole was taken: %v", err)
		}
	}
	if whole == nil || usual == nil || whole.Against == nil || whole.Against.ID != usual.ID || whole.Against.Chosen || len(whole.Against.Phases) < 6 {
		t.Fatalf("of %d strikes none is compared with another", len(list))
	}
	if err := b.ChooseReference(ctx, console.ReferenceChoice{Strike: whole.ID, User: "D. Noon", Station: "desk"}); err != nil {
		t.Fatal(err)
	}
	if x := of(start(j).Core.Calc, "PA1"); !x.Chosen || x.Usual == nil || !x.Usual.Start.Equal(whole.Start) {
		t.Errorf("after a start strikes are compared with %+v", x.Usual)
	}
	if ps, err := b.Strikes(ctx); err != nil || ps[0].By != "D. Noon" || !ps[0].Chosen || ps[0].Usual.ID != whole.ID || ps[0].Running == nil || ps[0].Running.Against == nil {
		t.Errorf("%v %+v", err, ps[0])
	}
	lab := console.StrikeLab{Strike: usual.ID, MassecuitePurity: 87.4, LiquorPurity: 68, MassecuiteBrix: math.NaN(), User: "L. Ames"}
	if err := b.RecordPurities(ctx, lab); err != nil {
		t.Fatal(err)
	}
	// By hand, 87.4 and 68: (87.4 - 68)/(100 - 68) of the Brix.
	got, err := b.StrikeRecords(ctx, plant.StrikeFilter{ID: usual.ID})
	if want := (87.4 - 68) / (100 - 68) * usual.DropBrix.Value; err != nil || len(got) != 1 || math.Abs(got[0].Balance.CrystalPct.Value-want) > 0.01 || got[0].Balance.By != "L. Ames" || got[0].Balance.LiquorAssumed || !got[0].Start.Equal(usual.Start) {
		t.Errorf("%v: %+v, want %.2f %% crystal", err, got, want)
	}
	lab.LiquorPurity = 90
	if err := b.RecordPurities(ctx, lab); err == nil || !strings.Contains(err.Error(), "purer") {
		t.Errorf("exchanged purities: %v", err)
	}
	if err := b.ChooseReference(ctx, console.ReferenceChoice{Pan: "PA1", User: "D. Noon"}); err != nil {
		t.Fatal(err)
	}
	if x := of(start(j).Core.Calc, "PA1"); x.Chosen {
		t.Error("the choice was not taken back")
	}
	events, err := j.Read(ctx, plant.EventFilter{Source: "PA1", Kinds: []plant.EventKind{plant.EventNote}})
	if err != nil || len(events) != 3 || !strings.Contains(events[0].Text, "compared with strike") || !strings.Contains(events[1].Text, "before: massecuite purity 87.4, liquor purity 69") || events[1].User != "L. Ames" || !strings.Contains(events[2].Text, "most ordinary") {
		t.Errorf("%v: journal %+v", err, events)
	}

	// The command line reads the same record beside the program.
	cli := func(args string) string {
		var out, errs bytes.Buffer
		if code := run(ctx, append(strings.Fields(args), "--data", dir), &out, &errs); code != 0 {
			t.Errorf("%s: exit code %d: %s", args, code, errs.String())
		}
		return out.String()
	}
	if text := cli("strikes --from 2026-05-01 --pan PA1"); !strings.Contains(text, "feed on 1") || strings.Count(text, "PA1") != len(kept) {
		t.Error(text)
	}
	rows, err := csv.NewReader(strings.NewReader(cli("strikes --from 2026-05-01 --format csv"))).ReadAll()
	if err != nil || len(rows) < 3 {
		t.Errorf("%d rows: %v", len(rows), err)
	}
	rows, err = csv.NewReader(strings.NewReader(cli("strikes --profile " + strconv.FormatInt(usual.ID, 10)))).ReadAll()
	if err != nil || len(rows) < 60 || rows[30][1] != "feed on" {
		t.Errorf("%d rows of the profile: %v", len(rows), err)
	}
	var doc struct{ Strikes []struct{ ID int64 } }
	if err := json.Unmarshal([]byte(cli("strikes --from 2026-05-01 --format json")), &doc); err != nil || len(doc.Strikes) < 2 {
		t.Errorf("%v %+v", err, doc)
	}
	if code := run(ctx, []string{"strikes", "--profile", "999", "--data", dir}, io.Discard, io.Discard); code != 1 {
		t.Errorf("a strike that is not there: exit code %d", code)
	}
}
