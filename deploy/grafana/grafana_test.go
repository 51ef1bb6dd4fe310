package grafana

//lint:file-ignore SA1019 The classic form of a dashboard: the newer one needs a newer Grafana than most sites run.

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

var update = flag.Bool("update", false, "write the dashboards anew")

// The files are what the generator makes, and Grafana's own schema takes them.
func TestDashboards(t *testing.T) {
	registerKinds()
	for _, d := range dashboards {
		t.Run(d.file, func(t *testing.T) {
			built, err := d.build()
			if err != nil {
				t.Fatal(err)
			}
			for i := range built.Panels {
				if p := built.Panels[i].Panel; p != nil {
					p.Id = cog.ToPtr(uint32(i + 1))
				} else {
					built.Panels[i].RowPanel.Id = uint32(i + 1)
				}
			}
			want, err := json.MarshalIndent(built, "", "  ")
			if err != nil {
				t.Fatal(err)
			}
			want = append(want, '\n')
			if *update {
				if err := os.WriteFile(d.file, want, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			got, err := os.ReadFile(d.file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s is not what the generator makes; run go test ./deploy/grafana -update", d.file)
			}
			checkSchema(t, got)
			checkPanels(t, &built)
		})
	}
}

// registerKinds makes the kinds of panels and queries known to the decoder.
func registerKinds() {
	cog.NewRuntime().RegisterPanelcfgVariant(timeseries.VariantConfig())
	cog.NewRuntime().RegisterPanelcfgVariant(stat.VariantConfig())
	cog.NewRuntime().RegisterPanelcfgVariant(statetimeline.VariantConfig())
	cog.NewRuntime().RegisterDataqueryVariant(prometheus.VariantConfig())
}

// checkSchema decodes a dashboard strictly: unknown or missing fields, also in
// the options of the kinds of panels and in the queries, are errors.
func checkSchema(t *testing.T, data []byte) {
	var whole dashboard.Dashboard
	if err := faults(whole.UnmarshalJSONStrict(data)); err != nil {
		t.Errorf("Grafana's schema: %v", err)
	}
	var raw struct{ Panels []json.RawMessage }
	if err := json.Unmarshal(data, &raw); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, r := range raw.Panels {
		if bytes.Contains(r, []byte(`"type": "row"`)) {
			continue
		}
		var p dashboard.Panel
		if err := faults(p.UnmarshalJSONStrict(r)); err != nil {
			t.Errorf("Grafana's schema: %v", err)
		}
		if err := p.Validate(); err != nil {
			t.Errorf("Grafana's schema: %v", err)
		}
		for _, q := range p.Targets {
			if _, ok := q.(*prometheus.Dataquery); !ok {
				t.Errorf("%s: query of type %T", *p.Title, q)
			}
		}
		n++
	}
	if n == 0 {
		t.Error("no panels")
	}
}

// The strict decoder does find faults.
func TestSchemaFindsFaults(t *testing.T) {
	registerKinds()
	var good dashboard.Panel
	if err := faults(good.UnmarshalJSONStrict([]byte(`{"type": "stat", "title": "x"}`))); err != nil {
		t.Fatalf("a good panel: %v", err)
	}
	for name, bad := range map[string]string{
		"field of a panel":  `{"type": "stat", "titel": "x"}`,
		"field of options":  `{"type": "stat", "options": {"graphMood": "area"}}`,
		"field of a query":  `{"type": "stat", "targets": [{"datasource": {"type": "prometheus"}, "expression": "up"}]}`,
		"a word for a size": `{"type": "stat", "gridPos": {"h": "tall", "w": 1, "x": 0, "y": 0}}`,
	} {
		var p dashboard.Panel
		if faults(p.UnmarshalJSONStrict([]byte(bad))) == nil {
			t.Errorf("%s: no fault found", name)
		}
	}
}

// faults drops the empty list that UnmarshalJSONStrict of a panel returns where
// it found nothing.
func faults(err error) error {
	var list cog.BuildErrors
	if errors.As(err, &list) && len(list) == 0 {
		return nil
	}
	return err
}

// checkPanels: every panel says what it shows, in which unit, with names for
// its curves, and none lies over another.
func checkPanels(t *testing.T, d *dashboard.Dashboard) {
	var taken []dashboard.GridPos
	for _, p := range d.Panels {
		var pos dashboard.GridPos
		if p.RowPanel != nil {
			pos = *p.RowPanel.GridPos
		} else {
			pos = *p.Panel.GridPos
			title := *p.Panel.Title
			if p.Panel.Description == nil || *p.Panel.Description == "" {
				t.Errorf("%s: no description", title)
			}
			if c := p.Panel.FieldConfig; p.Panel.Type != "state-timeline" && (c == nil || c.Defaults.Unit == nil || *c.Defaults.Unit == "") {
				t.Errorf("%s: no unit", title)
			}
			if p.Panel.Datasource == nil || *p.Panel.Datasource.Uid != "${datasource}" {
				t.Errorf("%s: the data source is not the variable", title)
			}
			if len(p.Panel.Links) > 0 {
				t.Errorf("%s: has links", title)
			}
			for _, q := range p.Panel.Targets {
				if q := q.(prometheus.Dataquery); q.LegendFormat == nil || *q.LegendFormat == "" {
					t.Errorf("%s: %s has no legend", title, q.Expr)
				}
			}
		}
		if pos.X+pos.W > 24 {
			t.Errorf("a panel at %d,%d is wider than the page", pos.X, pos.Y)
		}
		for _, o := range taken {
			if pos.X < o.X+o.W && o.X < pos.X+pos.W && pos.Y < o.Y+o.H && o.Y < pos.Y+pos.H {
				t.Errorf("two panels at %d,%d and %d,%d overlap", pos.X, pos.Y, o.X, o.Y)
			}
		}
		taken = append(taken, pos)
	}
}

// A metric is a row of metrics.txt.
type metric struct {
	kind   string
	labels []string
}

// exported reads metrics.txt, which a test of cmd/calandria compares with what
// the running program exports.
func exported(t *testing.T) map[string]metric {
	t.Helper()
	data, err := os.ReadFile("metrics.txt")
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]metric{}
	for i, line := range strings.Split(strings.TrimSpace(string(data)), "\n") {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Fields(line)
		if len(f) < 2 || len(f) > 3 {
			t.Fatalf("metrics.txt:%d: %q; write name, type and labels", i+1, line)
		}
		x := metric{kind: f[1]}
		if len(f) == 3 {
			x.labels = strings.Split(f[2], ",")
		}
		m[f[0]] = x
		if x.kind == "histogram" {
			m[f[0]+"_bucket"] = metric{"counter", x.labels}
		}
	}
	return m
}

var (
	name     = regexp.MustCompile(`\b(?:calandria|process|go)_[a-z0-9_]+\b`)
	selector = regexp.MustCompile(`\b((?:calandria|process|go)_[a-z0-9_]+)\{([^}]*)\}`)
	matcher  = regexp.MustCompile(`(\w+)\s*(?:=~|!~|!=|=)\s*"`)
	grouping = regexp.MustCompile(`\bby \(([^)]*)\)`)
	legendOf = regexp.MustCompile(`\{\{\s*(\w+)\s*\}\}`)
	counting = regexp.MustCompile(`\b(rate|increase)\(\s*((?:calandria|process|go)_[a-z0-9_]+)`)
	valuesOf = regexp.MustCompile(`^label_values\((.*), *(\w+)\)$`)
)

// checkQuery compares the names and labels of one expression with what the
// program exports. legend may name labels too.
func checkQuery(m map[string]metric, expr, legend string) error {
	names := name.FindAllString(expr, -1)
	if len(names) == 0 {
		return fmt.Errorf("%s: no metric", expr)
	}
	labels := []string{"instance", "job"}
	for _, n := range names {
		x, ok := m[n]
		if !ok {
			return fmt.Errorf("%s: there is no metric %s", expr, n)
		}
		labels = append(labels, x.labels...)
		ranged := slices.ContainsFunc(counting.FindAllStringSubmatch(expr, -1), func(s []string) bool { return s[2] == n })
		if ranged != (x.kind == "counter") {
			return fmt.Errorf("%s: %s is a %s; rate and increase belong to counters and to them only", expr, n, x.kind)
		}
	}
	for _, s := range selector.FindAllStringSubmatch(expr, -1) {
		if !strings.Contains(s[2], `instance="$instance"`) && !strings.Contains(s[2], `site=~"$site"`) && strings.Contains(expr, "$") {
			return fmt.Errorf("%s: %s is neither of the chosen instance nor of the chosen houses", expr, s[1])
		}
		for _, l := range matcher.FindAllStringSubmatch(s[2], -1) {
			if l[1] != "instance" && l[1] != "job" && !slices.Contains(m[s[1]].labels, l[1]) {
				return fmt.Errorf("%s: %s has no label %s", expr, s[1], l[1])
			}
		}
	}
	for _, g := range grouping.FindAllStringSubmatch(expr, -1) {
		for _, l := range strings.Split(g[1], ",") {
			if !slices.Contains(labels, strings.TrimSpace(l)) {
				return fmt.Errorf("%s: no label %s to group by", expr, l)
			}
		}
	}
	for _, l := range legendOf.FindAllStringSubmatch(legend, -1) {
		if !slices.Contains(labels, l[1]) {
			return fmt.Errorf("%s: no label %s for the legend", expr, l[1])
		}
	}
	return nil
}

// eachQuery visits the expressions of panels and variables.
func eachQuery(t *testing.T, visit func(where, expr, legend string)) {
	t.Helper()
	for _, d := range dashboards {
		b, err := d.build()
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range b.Panels {
			if p.Panel == nil {
				continue
			}
			for _, q := range p.Panel.Targets {
				q := q.(prometheus.Dataquery)
				visit(d.file+": "+*p.Panel.Title, q.Expr, *q.LegendFormat)
			}
		}
		for _, a := range b.Annotations.List {
			visit(d.file+": marks "+a.Name, *a.Expr, *a.TitleFormat)
		}
		for _, v := range b.Templating.List {
			if v.Type != "query" {
				continue
			}
			def := *v.Definition
			s := valuesOf.FindStringSubmatch(def)
			if s == nil {
				t.Errorf("%s: %s: %q does not read label_values(metric, label)", d.file, v.Name, def)
				continue
			}
			visit(d.file+": variable "+v.Name, s[1], "{{"+s[2]+"}}")
		}
	}
}

// Every query asks for metrics and labels that exist.
func TestQueriesAskForWhatIsExported(t *testing.T) {
	m := exported(t)
	n := 0
	eachQuery(t, func(where, expr, legend string) {
		n++
		if err := checkQuery(m, expr, legend); err != nil {
			t.Errorf("%s: %v", where, err)
		}
	})
	t.Logf("%d queries", n)
	for _, bad := range []struct{ expr, legend string }{
		{`calandria_body_u_kelvin{instance="$instance"}`, ""},
		{`calandria_body_u_ratio{instance="$instance",pan="PA1"}`, ""},
		{`calandria_body_u_ratio{set="$set"}`, ""},
		{`calandria_body_u_ratio{instance="$instance"}`, "{{pan}}"},
		{`sum by (pan) (calandria_body_u_ratio{instance="$instance"})`, ""},
		{`rate(calandria_body_u_ratio{instance="$instance"}[5m])`, ""},
		{`calandria_samples_total{instance="$instance"}`, ""},
	} {
		if err := checkQuery(m, bad.expr, bad.legend); err == nil {
			t.Errorf("%s (legend %q) passes", bad.expr, bad.legend)
		}
	}
}

// Every query is PromQL: Prometheus' own parser takes it, as a recording rule.
func TestQueriesParse(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: needs promtool")
	}
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is missing: make test-deps")
	}
	var b strings.Builder
	b.WriteString("groups:\n- name: panels\n  rules:\n")
	seen := map[string]bool{}
	variable := regexp.MustCompile(`\$(\w+)`)
	eachQuery(t, func(_, expr, _ string) {
		expr = strings.ReplaceAll(expr, "$__rate_interval", "1m")
		expr = variable.ReplaceAllString(expr, "$1")
		if !seen[expr] {
			fmt.Fprintf(&b, "  - record: panel:q%d\n    expr: %q\n", len(seen), expr)
			seen[expr] = true
		}
	})
	file := filepath.Join(t.TempDir(), "panels.rules.yaml")
	if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(promtool, "check", "rules", file).CombinedOutput(); err != nil {
		t.Errorf("promtool check rules: %v\n%s", err, out)
	}
}
