package main

import (
	"bytes"
	"context"
	"io"
	"log"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
)

// millServer is a mill like the demo's as an OPC UA server that answers.
func millServer(t *testing.T, seed uint64, every time.Duration) *simulator.Server {
	t.Helper()
	log.SetOutput(io.Discard)
	server, err := simulator.NewServer(simulator.Options{Model: simulator.New(seed, time.Now().UTC()), Every: every})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- server.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	for deadline := time.Now().Add(20 * time.Second); ; {
		c, err := net.Dial("tcp", strings.TrimPrefix(server.Endpoint(), "opc.tcp://"))
		if err == nil {
			c.Close()
			break
		}
		if time.Now().After(deadline) {
			t.Fatal(err)
		}
	}
	return server
}

// The demo's mill as its plant file binds it gives no finding; mistakes of a
// first day (common practice, no source) are named, with the way out.
func TestCheckOnline(t *testing.T) {
	server := millServer(t, 1, 100*time.Millisecond)
	good := strings.ReplaceAll(string(deploy.Demo()), "opc.tcp://127.0.0.1:4840", server.Endpoint())
	good = regexp.MustCompile(`rules:\n  - rules/\*.yaml`).ReplaceAllString(good, "rules: []")
	line := func(file, signal, old, replacement string) string {
		t.Helper()
		lines := strings.Split(file, "\n")
		for i, l := range lines {
			if strings.Contains(l, ";s="+signal+`"`) && strings.Contains(l, old) {
				lines[i] = strings.Replace(l, old, replacement, 1)
				return strings.Join(lines, "\n")
			}
		}
		t.Fatalf("no line of %s with %s", signal, old)
		return ""
	}
	exchange := func(file, x, y string) string {
		return strings.NewReplacer(";s="+x+`"`, ";s="+y+`"`, ";s="+y+`"`, ";s="+x+`"`).Replace(file)
	}
	check := func(t *testing.T, file string) (string, error) {
		t.Helper()
		dir := t.TempDir()
		name := filepath.Join(dir, "plant.yaml")
		if err := os.WriteFile(name, []byte(file), 0o600); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		c := checkCmd{Config: name, Online: true, For: 3 * time.Second, Data: dir}
		err := c.Run(&app{ctx: t.Context(), out: &out, errOut: io.Discard, log: slog.New(slog.DiscardHandler)})
		return out.String(), err
	}
	t.Run("as bound", func(t *testing.T) {
		t.Parallel()
		if out, err := check(t, good); err != nil || !strings.Contains(out, "agree") {
			t.Errorf("%v\n%s", err, out)
		}
	})
	for _, c := range []struct{ name, file, want, fix string }{
		{"Brix exchanged", exchange(good, "EV.juice_brix", "EV.syrup_brix"), "EV.juice_brix", "exchange"},
		{"gauge forgotten", line(good, "EV.EV1.vapour_pressure", "reference: gauge, ", ""), "EV.EV1.vapour_pressure", "reference: gauge"},
		{"vacuum forgotten", line(good, "EV.EV4.vapour_pressure", "reference: vacuum, ", ""), "EV.EV4.vapour_pressure", "reference: vacuum"},
		{"another unit", line(good, "EV.juice_flow", "unit: t/h, range: [0, 200]", "unit: kg/h"), "EV.juice_flow", "unit: t/h"},
		{"bound twice", line(good, "EV.EV3.level", "EV.EV3.level", "EV.EV4.level"), "level", "the node is bound twice"},
		{"bodies exchanged", exchange(good, "EV.EV3.juice_temperature", "EV.EV4.juice_temperature"), "juice_temperature", "exchange"},
		{"Fahrenheit", line(good, "EV.EV4.juice_temperature", "unit: degC, range: [0, 150]", "unit: degF"), "EV.EV4.juice_temperature", "unit: "},
		{"a temperature as a flow", line(good, "EV.steam_flow", "EV.steam_flow", "EV.steam_temperature"), "EV.steam_", "node"},
		{"condenser water exchanged", exchange(good, "CD5.water_inlet_temperature", "CD5.water_outlet_temperature"), "water_", "exchange"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if c.file == good {
				t.Fatal("the file is not changed")
			}
			_, err := check(t, c.file)
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), c.fix) || strings.Count(err.Error(), "\n") > 3 {
				t.Errorf("%v", err)
			}
		})
	}
}
