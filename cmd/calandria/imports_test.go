package main

import (
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// allowed says what each package may import of ours: the table in
// DEVELOPERS.md. Test files are not counted.
var allowed = map[string][]string{
	"plant":               {},
	"thermo/steam":        {},
	"thermo/liquor":       {"thermo/steam"},
	"thermo/evaporator":   {"thermo/steam", "thermo/liquor"},
	"thermo/condenser":    {"thermo/steam", "thermo/liquor"},
	"thermo/fouling":      {"thermo/steam", "thermo/liquor"},
	"thermo/pan":          {"thermo/steam", "thermo/liquor"},
	"thermo":              {"plant", "thermo/steam", "thermo/liquor", "thermo/evaporator", "thermo/condenser", "thermo/fouling", "thermo/pan"},
	"rules":               {"plant"},
	"alerting":            {"plant"},
	"alerting/notify":     {"plant", "alerting"},
	"collector":           {"plant"},
	"collector/simulator": {"plant", "thermo/steam", "thermo/liquor", "thermo/evaporator"},
	"historian":           {"plant"},
	"console":             {"plant", "alerting"},
	"deploy":              {},
	"deploy/grafana":      {},
}

// forbidden says what the core must not import: it has no clock to read, no
// file, socket, log or metric.
var forbidden = []string{"net", "net/http", "os", "log", "log/slog", "database/sql", "github.com/prometheus/client_golang/prometheus"}

var coreFolders = []string{"plant", "thermo", "thermo/steam", "thermo/liquor", "thermo/evaporator", "thermo/condenser", "thermo/fouling", "thermo/pan", "rules"}

func TestImports(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}}: {{join .Imports " "}}`, "calandria/...").CombinedOutput()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, out)
	}
	seen := map[string]bool{}
	for line := range strings.Lines(string(out)) {
		name, list, _ := strings.Cut(strings.TrimSpace(line), ":")
		name = strings.TrimPrefix(name, "calandria/")
		if name == "cmd/calandria" {
			continue
		}
		ours, ok := allowed[name]
		if !ok {
			t.Errorf("package %s is not in the table: where does it belong?", name)
			continue
		}
		seen[name] = true
		for _, imp := range strings.Fields(list) {
			if own, is := strings.CutPrefix(imp, "calandria/"); is && !slices.Contains(ours, own) {
				t.Errorf("%s imports %s", name, own)
			}
			if slices.Contains(coreFolders, name) && slices.Contains(forbidden, imp) {
				t.Errorf("%s imports %s: the core is arithmetic", name, imp)
			}
		}
	}
	for name := range allowed {
		if !seen[name] {
			t.Errorf("the table lists %s, which does not exist", name)
		}
	}
}
