package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
)

// A first day at a terminal, against an OPC UA server of another making with the names and
// units of an Indian mill: `init` by a person's answers, `check --online`, then ten mistakes
// in one file. The mistakes are common practice, no source; the signals behind the names are
// those of testdata/interop/odd-mills.json.
func TestFirstDayAtTerminal(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	const frozen = "BH/EVAP/TT_CJ"
	server := startForeign(t, map[string]any{"mill": "indian", "wobble": 100, "frozen": []string{"BH/EVAP/FIC_EXH_SP"}})
	dir := t.TempDir()
	run := func(in string, c interface{ Run(*app) error }) (string, error) {
		t.Helper()
		var out bytes.Buffer
		answers := filepath.Join(dir, "answers")
		if err := os.WriteFile(answers, []byte(in), 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := os.Open(answers)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		err = c.Run(&app{ctx: t.Context(), in: f, out: &out, errOut: io.Discard, log: slog.New(slog.DiscardHandler)})
		return out.String(), err
	}
	file := filepath.Join(dir, "plant.yaml")
	// Site, altitude, zone, effects; number, surface and users of each body; condenser, pans
	// and their surfaces; then Enter for what is proposed for each vessel.
	said, err := run("Odd mill\n340\nAsia/Kolkata\n4\n"+strings.Repeat("1\n1600\n0\n", 4)+"CD1\nPAN1, PAN2, PAN3\n220\n220\n220\n"+strings.Repeat("\n", 12),
		&initCmd{Out: file, Data: dir, lookAt: lookAt{Endpoint: fmt.Sprintf("opc.tcp://127.0.0.1:%d", server.port), Policy: "None"}})
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	h, err := service.LoadHouse(file, text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	for path, node := range signalsOf(t, "indian") {
		if tag, ok := h.Find(path); !ok || tag.Node != "nsu=urn:interop:test;s="+node {
			t.Errorf("%s is bound to %+v, want %s", path, tag, node)
		}
	}
	check := func() (string, error) {
		return run("", &checkCmd{Config: file, Online: true, For: 6 * time.Second, Data: dir})
	}
	if said, err := check(); err != nil || !strings.Contains(said, "agree") {
		t.Errorf("as init wrote it: %v\n%s", err, said)
	}

	lines := strings.Split(string(text), "\n")
	change := func(node, old, replacement string) {
		t.Helper()
		for i, l := range lines {
			if strings.Contains(l, "s="+node+`"`) && strings.Contains(l, old) {
				lines[i] = strings.Replace(l, old, replacement, 1)
				return
			}
		}
		t.Fatalf("no line of %s with %q in\n%s", node, old, text)
	}
	change("BH/EVAP/BDY1_VAP_PR", "reference: gauge, ", "")
	change("BH/PAN/PAN1_VAC", "reference: vacuum, ", "")
	change("BH/EVAP/FT_EXH", `unit: "t/h"`, `unit: "kg/h"`)
	change("BH/PAN/PAN2_MC_TEMP", `unit: "degC"`, `unit: "degF"`)
	change("BH/EVAP/BDY3_LVL", "BDY3_LVL", "BDY4_LVL")
	change("BH/CANE/CRUSH_TCH", "BH/CANE/CRUSH_TCH", "BH/EVAP/FIC_EXH_SP")
	change("BH/PAN/PAN3_MC_TEMP", "PAN3_MC_TEMP", "PAN3_AGT_AMP")
	swap := func(x, y string) string { return "s=" + x + `"` + "\x00s=" + y + `"` }
	wrong := strings.Join(lines, "\n")
	for _, pair := range []string{swap("BH/EVAP/BX_CJ", "BH/EVAP/BX_SYR"), swap("BH/EVAP/COND1_INJ_WTR_TEMP", "BH/EVAP/COND1_TAIL_WTR_TEMP")} {
		x, y, _ := strings.Cut(pair, "\x00")
		wrong = strings.NewReplacer(x, y, y, x).Replace(wrong)
	}
	if err := os.WriteFile(file, []byte(wrong), 0o600); err != nil {
		t.Fatal(err)
	}
	// The tenth is no mistake of the file: an instrument that stands still.
	server.do("configure", map[string]any{"args": map[string]any{"frozen": []string{"BH/EVAP/FIC_EXH_SP", frozen}}})
	_, err = check()
	if err == nil {
		t.Fatal("ten mistakes are not found")
	}
	found := strings.Split(err.Error(), "\n")
	for _, c := range [][2]string{
		{"EV.EV1.vapour_pressure", "reference: gauge"}, {"PAN1.vapour_pressure", "reference: vacuum"}, {"EV.steam_flow", "unit: t/h"},
		{"PAN2.massecuite_temperature", "unit: degC"}, {"level", "bound twice"}, {"EV.cane_rate", "set point"}, {"PAN3.massecuite_temperature", "node"},
		{"EV.juice_brix", "exchange"}, {"CD1.water_", "exchange"}, {"EV.juice_temperature", "stands still"},
	} {
		n := 0
		for _, line := range found {
			if strings.Contains(line, c[0]) && strings.Contains(line, c[1]) {
				n++
			}
		}
		if n == 0 {
			t.Errorf("%s: %q is not said", c[0], c[1])
		}
	}
	if len(found) > 13 {
		t.Errorf("%d lines for ten mistakes", len(found))
	}
	if t.Failed() {
		t.Logf("%v", err)
	}
}

// signalsOf gives what the nodes of an odd mill are, by signal.
func signalsOf(t *testing.T, name string) map[string]string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "interop", "odd-mills.json"))
	if err != nil {
		t.Fatal(err)
	}
	var mills map[string]struct {
		Nodes []struct{ Path, Signal string }
	}
	if err := json.Unmarshal(data, &mills); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, n := range mills[name].Nodes {
		if n.Signal != "" {
			out[n.Signal] = n.Path
		}
	}
	return out
}
