package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The exit code tells whether all came as expected; faults of a file are no run.
func TestScenarioCommand(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"plant.yaml": `site: {name: Small Mill (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
rules: [rules.yaml]
sets: [{name: EV, bodies: [{name: B1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=u;s=p"}, level: {node: "nsu=u;s=l"}}}]}]
`,
		"rules.yaml": `alarms: [{name: level_high, title: t, tag: EV.B1.level, unit: "%", high: 70, severity: moderate, time_to_respond: 4m, cause: c., consequence: c., response: r.}]`,
		"good.yaml":  "plant: plant.yaml\nlasts: 2m\nscenarios: [{name: it calls, happens: [{at: 1m, signals: {EV.B1.level: 75}}], expect: {calls: [{alarm: level_high, from: 1m, to: 1m}]}}]\n",
		"bad.yaml":   "plant: plant.yaml\nlasts: 2m\nscenarios: [{name: it does not, happens: [{at: 1m, signals: {EV.B1.level: 65}}], expect: {calls: [{alarm: level_high}]}}]\n",
		"wrong.yaml": "plant: plant.yaml\nlasts: 2m\nscenarios: [{name: x, expct: {}}]\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		files []string
		code  int
		want  string
	}{
		{[]string{"good.yaml"}, 0, "1 scenarios, 0 failed"},
		{[]string{"good.yaml", "bad.yaml"}, 1, "level_high was to call from 0s to 2m"},
		{[]string{"good.yaml", "wrong.yaml"}, 1, `did you mean "expect"?`},
	} {
		args := []string{"test", "-v"}
		for _, f := range c.files {
			args = append(args, filepath.Join(dir, f))
		}
		var out bytes.Buffer
		if code := run(context.Background(), args, &out, &out); code != c.code || !strings.Contains(out.String(), c.want) {
			t.Errorf("%v: exit code %d, want %d with %q:\n%s", c.files, code, c.code, c.want, out.String())
		}
	}
}
