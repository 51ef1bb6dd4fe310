package main

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What a person types wrong is named, with what to type instead.
func TestWrongInputIsNamed(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		t.Helper()
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return name
	}
	plant := func(name, console string) string {
		return write(name, `
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
`+console, 0o600)
	}
	write("open.yaml", "users: []\n", 0o644)
	var demo ruleSource
	demo.Demo = true
	for _, x := range []struct {
		name string
		run  interface{ Run(*app) error }
		want []string
	}{
		{"check, no account file", &checkCmd{Config: plant("a.yaml", "console: {accounts: none.yaml}\n")}, []string{"a.yaml", "none.yaml does not exist", "calandria user add"}},
		{"check, account file open to all", &checkCmd{Config: plant("b.yaml", "console: {accounts: open.yaml}\n")}, []string{"open.yaml", "set its mode to 0600"}},
		{"check, address for all", &checkCmd{Config: plant("c.yaml", "console: {listen: \"0.0.0.0:8420\"}\n")}, []string{"c.yaml", "not a loopback", "behind_proxy: true"}},
		{"check, no certificate", &checkCmd{Config: plant("d.yaml", "console: {tls_certificate: no.pem, tls_key: no.key}\n")}, []string{"d.yaml", "no.key"}},
		{"browse, a web address", &browseCmd{lookAt: lookAt{Endpoint: "http://host", Policy: "None"}}, []string{"--endpoint http://host", "opc.tcp://host:4840"}},
		{"cleaning, no hours", &cleaningCmd{ruleSource: demo, Days: 21, Hours: new(float64)}, []string{"--hours 0", "0.5 to 24"}},
		{"cleaning, no days", &cleaningCmd{ruleSource: demo}, []string{"--days 0"}},
		{"cleaning, no such set", &cleaningCmd{ruleSource: demo, Days: 21, Set: "QE"}, []string{`--set "QE"`, "sets: EV"}},
		{"explain, a rule for many vessels", &rulesExplainCmd{ruleSource: demo, Name: "vacuum_low"}, []string{"vacuum_low.EV.EV5"}},
		{"explain, no such alarm", &rulesExplainCmd{ruleSource: demo, Name: "nothing_of_the_kind"}, []string{"rules list"}},
	} {
		var out bytes.Buffer
		err := x.run.Run(&app{ctx: context.Background(), out: &out, log: slog.New(slog.DiscardHandler)})
		if err == nil {
			t.Errorf("%s: nothing said", x.name)
			continue
		}
		for _, w := range x.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %q lacks %q", x.name, err, w)
			}
		}
	}
	// In good order nothing is said against it.
	if err := (&checkCmd{Config: plant("e.yaml", "console: {listen: \"127.0.0.1:8420\"}\n")}).Run(&app{ctx: context.Background(), out: &bytes.Buffer{}, log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Error(err)
	}
}
