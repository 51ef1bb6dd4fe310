package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestImportFirst: a site brings its history before the service has ever run.
// The plant file says which tags there are; the archive of a folder that has
// none and a plant file that is not there give an error that says what to do.
func TestImportFirst(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	config := write("plant.yaml", `
site: {name: Small House, barometer_kpa: 101.3}
opcua:
  servers: [{name: dcs, endpoint: "opc.tcp://127.0.0.1:4840", policy: None}]
sets:
  - name: S
    bodies:
      - name: B1
        heating_surface_m2: 1000
        tags:
          vapour_pressure: {node: "nsu=urn:x;s=PT1", unit: bar, reference: gauge}
`)
	history := write("history.csv", "time,tag,value,unit,status\n"+
		"2026-03-01T06:00:00.000Z,S.B1.vapour_pressure,161.5,kPa,Good\n"+
		"2026-03-01T06:00:10.000Z,S.B1.vapour_pressure,161.75,kPa,Good\n")
	a := func(out io.Writer) *app {
		return &app{ctx: context.Background(), out: out, log: slog.New(slog.DiscardHandler)}
	}

	data := filepath.Join(dir, "data")
	err := (&importCmd{File: history, Config: filepath.Join(dir, "none.yaml"), Data: data}).Run(a(io.Discard))
	if err == nil || !strings.Contains(err.Error(), "--config") {
		t.Errorf("without a plant file: %v", err)
	}
	var out bytes.Buffer
	if err := (&importCmd{File: history, Config: config, Data: data}).Run(a(&out)); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "2 samples") {
		t.Errorf("said %q", out.String())
	}
	// Once it is known, no plant file is needed.
	if err := (&importCmd{File: history, Config: filepath.Join(dir, "none.yaml"), Data: data}).Run(a(io.Discard)); err != nil {
		t.Error(err)
	}
	out.Reset()
	if err := (&exportCmd{Tags: []string{"S.B1.vapour_pressure"}, From: "2026-03-01", To: "2026-03-02", Data: data}).Run(a(&out)); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "161.75,kPa,Good") {
		t.Errorf("exported %q", out.String())
	}
	// As the instrument shows it: 101.3 kPa and 0.6 bar.
	gauge := write("gauge.csv", "time,tag,value,unit,status\n2026-03-01T06:00:20.000Z,S.B1.vapour_pressure,0.6,bar gauge,Good\n")
	if err := (&importCmd{File: gauge, Config: config, Data: data}).Run(a(io.Discard)); err != nil {
		t.Error(err)
	}
	out.Reset()
	if err := (&exportCmd{Tags: []string{"S.B1.vapour_pressure"}, From: "2026-03-01", To: "2026-03-02", Data: data}).Run(a(&out)); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "161.3,kPa,Good") {
		t.Errorf("exported %q", out.String())
	}
	below := write("below.csv", "time,tag,value,unit,status\n2026-03-01T06:00:00.000Z,S.B1.vapour_pressure,-5,kPa,Good\n")
	if err := (&importCmd{File: below, Config: config, Data: data}).Run(a(io.Discard)); err == nil || !strings.Contains(err.Error(), "below.csv:2:47: value: -5 kPa is no possible pressure") {
		t.Errorf("5 kPa below nothing: %v", err)
	}
	// What the plant does not have is still refused.
	wrong := write("wrong.csv", "time,tag,value,unit,status\n2026-03-01T06:00:00.000Z,S.B1.vapor_pressure,161.5,kPa,Good\n")
	if err := (&importCmd{File: wrong, Config: config, Data: data}).Run(a(io.Discard)); err == nil || !strings.Contains(err.Error(), "did you mean S.B1.vapour_pressure?") {
		t.Errorf("a wrong tag: %v", err)
	}
}
