//go:build !race

// Months of arithmetic: the race detector has nothing to see here and takes ten
// times as long. make test runs these in its own ring.

package main

import (
	"bytes"
	"context"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/historian/marks"
	"calandria/plant"
)

// siteFolder is a plant file of the invented mill with its rules, as a site has
// them.
func siteFolder(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(filepath.Join(dir, "rules"), deploy.Rules()); err != nil {
		t.Fatal(err)
	}
	text := string(deploy.Demo())
	if !strings.Contains(text, "\nrules:") {
		text += "\nrules: [rules/*.yaml]\n"
	}
	if err := os.WriteFile(filepath.Join(dir, "plant.yaml"), []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
	return dir
}

// rawHistory writes what the instruments of a mill showed to the archive of a
// data folder, and nothing that was calculated.
func rawHistory(t testing.TB, dir, data string, m *simulator.Model, from, to time.Time, step time.Duration) {
	t.Helper()
	h, _, err := service.LoadPlant(filepath.Join(dir, "plant.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	ar, err := historian.Open(service.ArchiveDir(h, data), historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer ar.Close()
	if err := ar.Describe(service.Describe(h)...); err != nil {
		t.Fatal(err)
	}
	nodes := map[string]int{}
	for i, in := range m.Instruments() {
		nodes[in.Node()] = i
	}
	w := ar.Bulk(context.Background(), nil)
	err = simulator.Past(m, from, to, step, func(at time.Time, rs []simulator.Reading) {
		for i := range h.Tags {
			tag := &h.Tags[i]
			n, ok := nodes[tag.Node]
			if !ok || tag.Source != plant.Measured {
				continue
			}
			v, q := tag.Convert(rs[n].Raw, rs[n].Quality)
			if err := w.Add(tag.Path, plant.Point{Time: at, Value: v, Quality: q}); err != nil {
				t.Fatal(err)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// calandria runs the program as a person does and gives what it prints.
func calandria(t testing.TB, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(context.Background(), args, &out, &errs); code != 0 {
		t.Fatalf("%s: exit code %d: %s%s", strings.Join(args, " "), code, out.String(), errs.String())
	}
	return out.String()
}

// BenchmarkRecalculate is a day of raw history of the invented mill, five bodies
// and its pans, sampled every ten seconds.
func BenchmarkRecalculate(b *testing.B) {
	dir := siteFolder(b)
	data := filepath.Join(dir, "data")
	to := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	from := to.Add(-24 * time.Hour)
	if err := os.MkdirAll(data, 0o750); err != nil {
		b.Fatal(err)
	}
	rawHistory(b, dir, data, simulator.New(1, from), from, to, 10*time.Second)
	for b.Loop() {
		out := calandria(b, "recalculate", "--config", filepath.Join(dir, "plant.yaml"), "--data", data, "--why", "a benchmark", "--by", "bench", "--to", to.Format(time.RFC3339))
		if !strings.Contains(out, "values calculated again") {
			b.Fatal(out)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/8640, "us/scan")
}

// A site's first day: raw history is in the archive, and nothing was ever
// calculated from it. After a recalculation the program knows U, scale, cleanings
// and strikes as if it had watched; then a meter turns out to have read wrong.
func TestFirstDay(t *testing.T) {
	if testing.Short() {
		t.Skip("a week of arithmetic: make test runs it")
	}
	dir := siteFolder(t)
	data, plantFile := filepath.Join(dir, "data"), filepath.Join(dir, "plant.yaml")
	if err := os.MkdirAll(data, 0o750); err != nil {
		t.Fatal(err)
	}
	to := time.Now().UTC().Truncate(time.Minute)
	from := to.Add(-6 * 24 * time.Hour)
	m := simulator.New(5, from)
	rawHistory(t, dir, data, m, from, to, time.Minute)
	truth := m.Truth()

	out := calandria(t, "recalculate", "--config", plantFile, "--data", data, "--step", "1m", "--why", "first day", "--by", "D. Noon")
	if !strings.Contains(out, "values calculated again") || !strings.Contains(out, "Alarms that would have called") {
		t.Fatal(out)
	}
	out = calandria(t, "cleaning", "--config", plantFile, "--data", data)
	for _, body := range []string{"EV.EV1", "EV.EV2", "EV.EV3", "EV.EV4", "EV.EV5"} {
		if !strings.Contains(out, body+" ") {
			t.Errorf("%s is not in the plan:\n%s", body, out)
		}
	}
	if out = calandria(t, "strikes", "--data", data, "--from", "10d"); strings.Count(out, "PA1") < 8 {
		t.Errorf("strikes on record:\n%s", out)
	}

	// The calculated values are the mill's true ones, as good as its instruments.
	u := func() float64 {
		ar, err := service.OpenArchive(filepath.Join(data, "archive"))
		if err != nil {
			t.Fatal(err)
		}
		defer ar.Close()
		b, err := ar.Trend(context.Background(), "EV.EV3.u", to.Add(-2*time.Hour), to, 1)
		if err != nil || len(b) != 1 || b[0].Count < 60 {
			t.Fatalf("U of two hours: %+v %v", b, err)
		}
		return 1000 * b[0].Mean
	}
	before := u()
	if want := truth.Set.UWM2K[2]; math.Abs(before/want-1) > 0.1 {
		t.Errorf("U of EV3 is %.0f, truly %.0f W/(m2.K)", before, want)
	}

	// The alarms of the past are a report: neither called nor journalled.
	j, err := journal.Open(filepath.Join(data, "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	events, err := j.Read(context.Background(), plant.EventFilter{Kinds: []plant.EventKind{plant.EventAlarm}})
	j.Close()
	if err != nil || len(events) > 0 {
		t.Errorf("%d alarms in the journal: %v", len(events), err)
	}

	// The juice meter has read 4 % low in the last day: what is calculated follows.
	bad := func(args ...string) string {
		var out, errs bytes.Buffer
		if code := run(context.Background(), append(args, "--config", plantFile, "--data", data), &out, &errs); code == 0 {
			t.Errorf("%v was taken: %s", args, out.String())
		}
		return errs.String()
	}
	if text := bad("correct", "EV.juice_flow", "--from", "1d", "--factor", "1.04", "--by", "D. Noon"); !strings.Contains(text, "reason") {
		t.Errorf("a correction without a reason: %s", text)
	}
	if text := bad("correct", "EV.evaporation", "--from", "1d", "--factor", "1.04", "--by", "D. Noon", "--why", "x"); !strings.Contains(text, "measured") {
		t.Errorf("a correction of a calculated value: %s", text)
	}
	out = calandria(t, "correct", "EV.juice_flow", "--from", "1d", "--factor", "1.04", "--by", "D. Noon", "--why", "checked against the tank", "--config", plantFile, "--data", data)
	if !strings.Contains(out, "correction 1 of EV.juice_flow is on record") {
		t.Fatal(out)
	}
	after := u()
	if after <= before*1.01 || after > before*1.2 {
		t.Errorf("U of EV3 was %.0f and is %.0f W/(m2.K) with 4 %% more juice", before, after)
	}
	if text := bad("correct", "EV.juice_flow", "--from", "2h", "--factor", "0.9", "--by", "D. Noon", "--why", "again"); !strings.Contains(text, "withdraw that one first") {
		t.Errorf("a correction over another: %s", text)
	}
	if out = calandria(t, "correct", "--config", plantFile, "--data", data); !strings.Contains(out, "times 1.04") || !strings.Contains(out, "in force") {
		t.Errorf("the list: %s", out)
	}
	calandria(t, "correct", "--withdraw", "1", "--by", "D. Noon", "--why", "the tank was wrong", "--config", plantFile, "--data", data)
	if back := u(); math.Abs(back/before-1) > 1e-3 {
		t.Errorf("U of EV3 was %.1f, with the correction taken back %.1f W/(m2.K)", before, back)
	}
	calandria(t, "verify", "--data", data)
}

// A job that is cut off goes on where it was, and its strikes are those of a job that
// was not; values of the site's own tags are calculated too. The next job begins with
// what was learned a day before its stretch, and comes to the same U.
func TestRecalculationGoesOn(t *testing.T) {
	if testing.Short() {
		t.Skip("days of arithmetic: make test runs it")
	}
	dir := siteFolder(t)
	to := time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC)
	from := to.Add(-3 * 24 * time.Hour)
	h, files, err := service.LoadPlant(filepath.Join(dir, "plant.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	site := func(name string) *service.Recalculator {
		data := filepath.Join(dir, name)
		if err := os.MkdirAll(data, 0o750); err != nil {
			t.Fatal(err)
		}
		rawHistory(t, dir, data, simulator.New(5, from), from, to, time.Minute)
		ar, err := historian.Open(service.ArchiveDir(h, data), historian.Options{})
		if err != nil {
			t.Fatal(err)
		}
		j, err := journal.Open(filepath.Join(data, "journal.db"))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { ar.Close(); j.Close() })
		return &service.Recalculator{Archive: ar, Journal: j, Marks: marks.Folder{Dir: filepath.Join(data, service.MarksFolder)}, House: h, Files: files,
			Log: slog.New(slog.DiscardHandler), Save: 500 * time.Millisecond}
	}
	job := func(id int64, from time.Time) plant.Job {
		return plant.Job{ID: id, From: from, To: to, Args: `{"Step": 60000000000}`}
	}
	through := func(float64, time.Time) error { return nil }
	whole, cut := site("whole"), site("cut")
	want, err := whole.Run(context.Background(), job(1, from), through)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	if _, err = cut.Run(ctx, job(1, from), func(done float64, _ time.Time) error {
		if done > 0.7 {
			stop()
		}
		return nil
	}); err == nil {
		t.Fatal("the job was not cut off")
	}
	got, err := cut.Run(context.Background(), job(1, from), through)
	if err != nil {
		t.Fatal(err)
	}
	if got.Values >= want.Values || want.Strikes < 10 || got.Strikes != want.Strikes {
		t.Errorf("%d values and %d strikes, %d and %d in one go", got.Values, got.Strikes, want.Values, want.Strikes)
	}
	mean := func(path string, from time.Time) float64 {
		t.Helper()
		b, err := cut.Archive.Trend(context.Background(), path, from, to, 1)
		if err != nil || len(b) != 1 || b[0].Count < 60 {
			t.Fatalf("%s from %s: %+v %v", path, from, b, err)
		}
		return b[0].Mean
	}
	if steady := mean("EV.EV3.steady", to.Add(-24*time.Hour)); steady < 0.5 {
		t.Errorf("EV3 was steady for %g of the last day", steady)
	}
	late, began := to.Add(-6*time.Hour), time.Time{}
	u := mean("EV.EV1.u", late)
	if _, err = cut.Run(context.Background(), job(2, late), func(done float64, at time.Time) error {
		if began.IsZero() {
			began = at
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if began.Before(late.Add(-24 * time.Hour)) {
		t.Errorf("the time before was lived through from %s on", began)
	}
	if anew := mean("EV.EV1.u", late); math.Abs(anew/u-1) > 1e-3 {
		t.Errorf("U of EV1 %g, with what was learned the day before %g", u, anew)
	}
}
