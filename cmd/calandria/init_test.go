package main

import (
	"bytes"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
)

// A plant file from nothing, by answers as a person would type them: what is
// proposed is taken, one signal is left out, one is looked for by a word.
func TestInit(t *testing.T) {
	server := millServer(t, 1, 100*time.Millisecond)
	dir := t.TempDir()
	answers := filepath.Join(dir, "answers")
	// Site, altitude (one answer that is no number), zone, effects; then for the
	// five bodies number, surface and users of vapour.
	if err := os.WriteFile(answers, []byte("Mill\nhigh\n500\nUTC\n5\n"+strings.Repeat("1\n1500\n0\n", 5)+"CD5\nPA1, PB1\n150\n150\n"+
		"99\n1 -\n1 EV/header\n1\n\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	in, err := os.Open(answers)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	var out bytes.Buffer
	c := initCmd{Out: filepath.Join(dir, "plant.yaml"), Data: dir, lookAt: lookAt{Endpoint: server.Endpoint(), Policy: "None"}}
	a := &app{ctx: t.Context(), in: in, out: &out, errOut: io.Discard, log: slog.New(slog.DiscardHandler)}
	if err := c.Run(a); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	text, err := os.ReadFile(c.Out)
	if err != nil {
		t.Fatal(err)
	}
	h, err := service.LoadHouse(c.Out, text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	for _, path := range []string{"EV.header_pressure", "EV.juice_flow", "EV.juice_brix", "EV.syrup_brix", "EV.EV1.vapour_pressure", "EV.EV4.vapour_pressure", "EV.EV3.juice_temperature", "EV.EV5.level", "CD5.water_outlet_temperature", "PA1.level", "PB1.massecuite_temperature", "PB1.vapour_pressure"} {
		if tag, ok := h.Find(path); !ok || tag.Node != "nsu=urn:calandria:demo-mill;s="+path {
			t.Errorf("%s is bound to %+v", path, tag)
		}
	}
	if h.Config.Site.BarometerKPa < 95 || h.Config.Site.BarometerKPa > 96 { // ISO 2533: 95.46 kPa at 500 m
		t.Errorf("barometer %g", h.Config.Site.BarometerKPa)
	}
	if files, err := filepath.Glob(filepath.Join(dir, "rules", "*.yaml")); err != nil || len(files) < 4 || slices.ContainsFunc(files, func(f string) bool { return strings.HasSuffix(f, "demo_site.yaml") }) {
		t.Errorf("the rule library is not there: %v, %v", files, err)
	}
	for _, want := range []string{`"high" is no number`, `"99" is none of the lines`, "ladder of temperatures", "EV.economy", "plus or minus"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not said", want)
		}
	}
	if t.Failed() {
		t.Log(out.String())
	}
	if strings.Contains(out.String(), "nothing could be worked out") {
		t.Error(out.String()[max(0, out.Len()-1500):])
	}
	// A second one does not write over the first.
	c.Yes = true
	if err := c.Run(a); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("written over: %v", err)
	}
}
