package deploy

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
)

// The files for Prometheus pass its own checker, and its tests of rules.
func TestPrometheusFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is missing: make test-deps")
	}
	for _, args := range [][]string{
		{"check", "config", "prometheus.yml"},
		{"check", "rules", "--lint=all", "--lint-fatal", "calandria.rules.yaml"},
		{"test", "rules", "calandria.rules.test.yaml"},
	} {
		cmd := exec.Command(promtool, args...)
		cmd.Dir = "prometheus"
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

// The rules ask for metrics that the program exports (grafana/metrics.txt).
func TestPrometheusRulesAskForWhatIsExported(t *testing.T) {
	list, err := os.ReadFile("grafana/metrics.txt")
	if err != nil {
		t.Fatal(err)
	}
	exported := map[string]bool{}
	for line := range strings.Lines(string(list)) {
		name, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		exported[name] = true
		if strings.HasPrefix(rest, "histogram") {
			exported[name+"_bucket"] = true
		}
	}
	file, err := os.ReadFile("prometheus/calandria.rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	expr := regexp.MustCompile(`(?m)^\s+expr: (.*)$`)
	name := regexp.MustCompile(`\b(?:calandria|process)_[a-z0-9_]+\b`)
	n := 0
	for _, e := range expr.FindAllStringSubmatch(string(file), -1) {
		for _, m := range name.FindAllString(e[1], -1) {
			n++
			if !exported[m] {
				t.Errorf("%s: there is no metric %s", e[1], m)
			}
		}
	}
	if n == 0 {
		t.Error("no expressions found")
	}
}
