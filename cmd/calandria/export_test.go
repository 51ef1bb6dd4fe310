package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"calandria/cmd/service"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
)

const exportPlant = `site: {name: Test Mill, time_zone: Asia/Kolkata}
opcua: {servers: [{name: m, endpoint: "opc.tcp://127.0.0.1:1"}]}
sets:
  - name: S
    bodies:
      - {name: B1, heating_surface_m2: 1000, tags: {vapour_pressure: {node: "nsu=urn:m;s=p"}, juice_temperature: {node: "nsu=urn:m;s=t"}}}
`

// filled is a data folder with two days of a ramp, a value a minute.
func filled(t *testing.T) (dir, config string, from time.Time) {
	t.Helper()
	dir = t.TempDir()
	config = filepath.Join(dir, "plant.yaml")
	if err := os.WriteFile(config, []byte(exportPlant), 0o600); err != nil {
		t.Fatal(err)
	}
	ar, err := historian.Open(filepath.Join(dir, "archive"), historian.Options{})
	if err != nil {
		t.Fatal(err)
	}
	from = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	w := ar.Bulk(context.Background(), nil)
	for _, x := range []struct{ path, unit string }{{"S.B1.vapour_pressure", "kPa"}, {"S.B1.juice_temperature", "degC"}} {
		if err := ar.Describe(historian.TagInfo{Path: x.path, Unit: x.unit}); err != nil {
			t.Fatal(err)
		}
		for i := range 2 * 1440 {
			if err := w.Add(x.path, plant.Point{Time: from.Add(time.Duration(i) * time.Minute), Value: float64(i), Quality: plant.Good}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := ar.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, config, from
}

func export(t *testing.T, c exportCmd) string {
	t.Helper()
	var out bytes.Buffer
	if err := c.Run(&app{ctx: t.Context(), out: &out, errOut: io.Discard, log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestExportForms(t *testing.T) {
	dir, config, from := filled(t)
	base := exportCmd{Tags: []string{"S.B1.*"}, From: "2026-11-01T00:00:00Z", To: "2026-11-03T00:00:00Z", Config: config, Data: dir}
	c := base
	c.Aggregate, c.Interval, c.Wide = []string{"TimeAverage2", "Count"}, plantDuration(6*time.Hour), true
	rows, err := csv.NewReader(strings.NewReader(export(t, c))).ReadAll()
	if err != nil || len(rows) != 9 || rows[0][1] != "S.B1.juice_temperature TimeAverage2" || rows[1][0] != "2026-11-01T05:30:00.000+05:30" {
		t.Fatalf("%v %v", err, rows[:2])
	}
	for i, r := range rows[1:8] { // the mean of a line over six hours of minutes, known by itself
		if r[1] != fmt.Sprint(360*i+180) || r[2] != "Good" || r[3] != "100" || r[4] != "360" {
			t.Errorf("row %d: %v", i, r)
		}
	}
	// Notes about the tag or its vessel are its annotations; others are not.
	j, err := journal.Open(filepath.Join(dir, "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	for i, source := range []string{"S.B1", "S.B1.vapour_pressure", "S.B1.juice_temperature", "S", ""} {
		if _, err := j.Append([]plant.Event{{Time: from.Add(time.Duration(i+7) * time.Hour), Kind: plant.EventNote, Source: source, Text: "seen"}}, journal.State{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	c = base
	c.Tags, c.Aggregate, c.Interval = []string{"S.B1.vapour_pressure"}, []string{"AnnotationCount"}, plantDuration(12*time.Hour)
	if rows, err = csv.NewReader(strings.NewReader(export(t, c))).ReadAll(); err != nil || len(rows) != 5 || rows[1][2] != "2" || rows[2][2] != "0" || rows[1][4] != "Good" {
		t.Errorf("annotations: %v %v", rows, err)
	}
	c = base
	c.Format, c.Out = "parquet", filepath.Join(dir, "x.parquet")
	export(t, c)
	data, err := os.ReadFile(c.Out)
	if err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	if err != nil || f.NumRows() != 4*1440 {
		t.Fatal(err)
	}
	if about, _ := f.Lookup("calandria.about"); !strings.Contains(about, `"site":"Test Mill"`) || !strings.Contains(about, "Bad_NoCommunication") {
		t.Errorf("the file says %q", about)
	}
	for what, spoil := range map[string]func(*exportCmd){
		"--aggregate: \"Mean\" is not known": func(c *exportCmd) { c.Aggregate = []string{"Mean"} }, "--zone": func(c *exportCmd) { c.Zone = "Mars" },
		"--from": func(c *exportCmd) { c.From = "soon" }, "no tag": func(c *exportCmd) { c.Tags = []string{"X"} },
		"plant.yaml": func(c *exportCmd) { c.Format, c.Config = "openmetrics", filepath.Join(dir, "none", "plant.yaml") },
	} {
		c := base
		spoil(&c)
		if err := c.Run(&app{ctx: t.Context(), out: io.Discard, errOut: io.Discard}); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// The past goes into Prometheus: the real promtool makes blocks of an export, and
// dumps from them what went in, in pascals and at its time.
func TestExportToPrometheus(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: runs promtool")
	}
	dir, config, from := filled(t)
	file, blocks := filepath.Join(dir, "past.txt"), filepath.Join(dir, "blocks")
	export(t, exportCmd{Tags: []string{"S.B1.vapour_pressure", "S.B1.juice_temperature"}, From: "2026-11-01T00:00:00Z", To: "2026-11-02T00:00:00Z", Format: "openmetrics", Out: file, Config: config, Data: dir})
	if out, err := exec.Command("promtool", "tsdb", "create-blocks-from", "openmetrics", file, blocks).CombinedOutput(); err != nil {
		t.Fatalf("promtool: %v (from Debian's prometheus; make test-deps)\n%s", err, out)
	}
	if err := os.MkdirAll(filepath.Join(blocks, "wal"), 0o750); err != nil { // dump wants it
		t.Fatal(err)
	}
	out, err := exec.Command("promtool", "tsdb", "dump", blocks).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	n := 0
	for line := range strings.Lines(string(out)) {
		name, rest, ok := strings.Cut(line, "} ")
		if !ok {
			continue
		}
		var v, ms float64
		if _, err := fmt.Sscan(rest, &v, &ms); err != nil {
			t.Fatal(line, err)
		}
		minute := (ms - float64(from.UnixMilli())) / 60e3
		switch {
		case strings.Contains(name, `"calandria_body_vapour_pressure_pascals"`) && math.Abs(v-1000*minute) < 1e-6:
			n++
		case strings.Contains(name, `"calandria_body_juice_temperature_celsius"`) && v == minute:
			n++
		default:
			t.Fatal(line)
		}
		if !strings.Contains(name, `body="B1"`) || !strings.Contains(name, `set="S"`) || !strings.Contains(name, `site="Test Mill"`) {
			t.Fatal(line)
		}
	}
	if n != 2*1440 {
		t.Errorf("%d samples came out, 2880 went in", n)
	}
}

// HELP is true of every series of a metric: no vessel's name, no unit but its own.
func TestHelp(t *testing.T) {
	h, files, err := service.LoadPlant("../../deploy/plant.demo.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if h, err = service.WholeHouse(h, files); err != nil {
		t.Fatal(err)
	}
	all := service.NewHelp(h)
	wrong := regexp.MustCompile(`(?i)%|\bkPa\b|\bdegC\b|\bt/h\b|\bBx\b|\bkW\b|^days|, s\b|[+-]\d\d on`)
	for i := range h.Tags {
		name, labels, _ := service.MetricName(&h.Tags[i])
		help := all[name]
		if strings.Contains(name, "server_mill") || strings.HasPrefix(name, "calandria_server_") && len(labels) != 1 {
			t.Errorf("%s: the name of a server belongs into a label, not %v", name, labels)
		}
		if wrong.MatchString(strings.ReplaceAll(help, "90 % band", "band")) {
			t.Errorf("%s: another unit than its own: %q", name, help)
		}
		for _, e := range h.Equipment {
			if len(service.MetricLabels[h.Tags[i].Class]) > 0 && regexp.MustCompile(`(?i)\b(`+regexp.QuoteMeta(e.Name)+`|`+regexp.QuoteMeta(e.Title)+`)\b`).MatchString(help) {
				t.Errorf("%s: names %s: %q", name, e.Name, help)
			}
		}
	}
	for name, want := range map[string]string{
		"calandria_body_steady":                 "The body has worked for two hours at a steady load, so that its heat transfer can be judged.",
		"calandria_server_clock_offset_seconds": "How far the clock of the OPC UA server is ahead of ours, in seconds.",
	} {
		if all[name] != want {
			t.Errorf("%s: %q", name, all[name])
		}
	}
}
