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

// checkPlant is an invented house that lacks much, with rules of every kind of note.
const checkPlant = `
site: {name: Small House (invented), barometer_kpa: 101.3}
opcua:
  servers: [{name: dcs, endpoint: "opc.tcp://127.0.0.1:4840", policy: None}]
rules: [own.yaml]
sets:
  - name: S
    bodies:
      - {name: B1, heating_surface_m2: 1000, tags: {vapour_pressure: {node: "nsu=urn:x;s=1", unit: bar}, level: {node: "nsu=urn:x;s=2", unit: "%"}}}
      - {name: B2, heating_surface_m2: 1000, tags: {vapour_pressure: {node: "nsu=urn:x;s=3", unit: bar}}}
      - {name: B3, heating_surface_m2: 1000, tags: {vapour_pressure: {node: "nsu=urn:x;s=4", unit: bar}}}
`

const checkRules = `
derived:
  - {name: head, for: body, dimension: level, meaning: x, expr: 100 - this.level}
alarms:
  - {name: quiet, for: body, when: this.level > 20, title: T, cause: C., consequence: Q., response: R., severity: minor, time_to_respond: 20m, procedure: "SITE PROCEDURE: a"}
  - {name: grave, for: body, when: this.head < pct(3), title: T, cause: C., consequence: Q., response: R., severity: danger, time_to_respond: 1m, procedure: "SITE PROCEDURE: b"}
  - {name: stated, for: body, tag: this.vapour_pressure, high: "SITE LIMIT: plate", title: T, cause: C., consequence: Q., response: R., severity: severe, time_to_respond: 5m, procedure: "SITE PROCEDURE: c"}
  - {name: falls, for: body, when: this.vapour_pressure < next.vapour_pressure, title: T, cause: C., consequence: Q., response: R., severity: minor, time_to_respond: 20m, procedure: "SITE PROCEDURE: d"}
`

func runCheck(t *testing.T, c checkCmd) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"plant.yaml": checkPlant, "own.yaml": checkRules} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c.Config = filepath.Join(dir, "plant.yaml")
	var out bytes.Buffer
	if err := c.Run(&app{ctx: context.Background(), out: &out, log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(out.String(), dir+string(filepath.Separator), "")
}

// The serious comes first and nothing drowns in repetition.
func TestCheckGroupsItsNotes(t *testing.T) {
	_, got, _ := strings.Cut(runCheck(t, checkCmd{}), "\n")
	want := `
Alarms left out. They do not run until the tag or the limit is there:
  urgent  grave: S.B2, S.B3 (head is left out (no level))  own.yaml:6
  high  stated: S.B1, S.B2, S.B3 (high is the site's to state: own.yaml:7)  own.yaml:7
  low  quiet: S.B2, S.B3 (no level)  own.yaml:5

Derived tags left out for want of a tag:
  head: S.B2, S.B3 (no level)  own.yaml:3

Lacking for balances and forecasts:
  S has no juice_flow: flows, U and economy will be absent
  S has no juice_brix: give a tag, or a fixed value: from the laboratory
  S has no syrup_brix: flows, U and economy will be absent
  S has no juice_temperature: the heat balance of the first body will be absent
  S has no steam_pressure: U of the first body will be absent
  no cleaning signal: S.B1, S.B2, S.B3. Record each cleaning in the console: the forecasts of scale rest on it
  no chest_temperature with a chest_pressure: S.B1, S.B2, S.B3. Gas in these calandrias shows only as a fall of U, like condensate over the tubes: u_step_down names both causes

Units taken or worked out. See that they are meant:
  quiet: 20 is taken as 20 %; write the unit to be sure  own.yaml:5

Other remarks: 1, on falls.S.B3

To fill in, as the site's to state: 5 texts or limits, of quiet, grave, stated, falls

no fault in the files; alarms left out: 7, of 3 kinds; derived tags left out: 2, of 1 kinds; lacking for balances and forecasts: 7; units taken: 1; other remarks: 1; to fill in: 5; --all prints every one with its line
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestCheckAllGivesEveryLine(t *testing.T) {
	got := runCheck(t, checkCmd{All: true})
	for _, want := range []string{
		"note: own.yaml:6: grave.S.B2: left out: S.B2.head is left out (S.B2 has no level)\n",
		"note: own.yaml:6: grave.S.B3: left out",
		"note: own.yaml:3: S.B3.head: stays without value: S.B3 has no level\n",
		"note: own.yaml:5: quiet: 20 is taken as 20 %; write the unit to be sure\n",
		"note: own.yaml:8: falls.S.B3: left out: S.B3 has no next\n",
		"to fill in: own.yaml:7: rule stated: high still has a placeholder\n",
		"note: S has no juice_flow",
		"no fault in the files; 18 notes, 5 to fill in\n",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}
