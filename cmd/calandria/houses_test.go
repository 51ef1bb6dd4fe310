package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/console"
	"calandria/deploy"
	"calandria/engine"
	"calandria/plant"
)

// served runs a server of Debian until the test ends, and waits for its address to
// answer.
func served(t testing.TB, health, name string, args ...string) *exec.Cmd {
	t.Helper()
	out, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(need(t, name), args...)
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait(); out.Close() })
	poll(t, 30*time.Second, func() bool {
		r, err := http.Get(health)
		return err == nil && r.Body.Close() == nil && r.StatusCode == http.StatusOK
	}, func() string { b, _ := os.ReadFile(out.Name()); return name + " does not start: " + string(b) })
	return cmd
}

func victoria(t testing.TB, dir string) (base string, cmd *exec.Cmd) {
	t.Helper()
	addr := fmt.Sprintf("127.0.0.1:%d", freePort(t))
	return "http://" + addr, served(t, "http://"+addr+"/health", "victoria-metrics", "-storageDataPath="+dir, "-httpListenAddr="+addr, "-retentionPeriod=100y", "-loggerLevel=ERROR", "-search.latencyOffset=0s")
}

// sample is one series of an answer to a PromQL query.
type sample struct {
	Metric map[string]string
	Value  [2]any
}

func ask(t testing.TB, base, expr string) []sample {
	t.Helper()
	r, err := http.Get(base + "/api/v1/query?query=" + url.QueryEscape(expr))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var a struct {
		Status, Error string
		Data          struct{ Result []sample }
	}
	if err := json.NewDecoder(r.Body).Decode(&a); err != nil || a.Status != "success" {
		t.Fatalf("%s: %v %s", expr, err, a.Error)
	}
	return a.Data.Result
}

func sitesOf(all []sample) []string {
	sites := map[string]bool{}
	for _, s := range all {
		sites[s.Metric["site"]] = true
	}
	return slices.Sorted(maps.Keys(sites))
}

// Two demos in one VictoriaMetrics: one Prometheus scrapes both and writes on, and both
// forward their values. The label site tells the houses apart in both ways, and the
// dashboard across houses asks for what is there.
func TestTwoHousesInOneStore(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts servers")
	}
	store, _ := victoria(t, t.TempDir())
	names := []string{"North Mill", "South Mill"}
	var mills []*running
	var targets []string
	for i, name := range names {
		server := millServer(t, uint64(i+1), time.Second)
		m := start(t, nil, func() (*service.Service, *testLog, error) {
			text := strings.NewReplacer("Demo Mill (invented)", name, "opc.tcp://127.0.0.1:4840", server.Endpoint()).Replace(string(deploy.Demo()))
			h, err := service.LoadHouse("plant.yaml", []byte(text+"\ninfluxdb: {url: "+store+", org: mill, bucket: mill}\n"))
			if err != nil {
				return nil, nil, err
			}
			console.OptionsOf(h).Listen = "127.0.0.1:0"
			files, err := service.RuleFilesFS(deploy.Rules())
			if err != nil {
				return nil, nil, err
			}
			l := &testLog{}
			s, err := openHere(h, files, t.TempDir(), slog.New(slog.NewTextHandler(l, nil)))
			return s, l, err
		})
		mills, targets = append(mills, m), append(targets, strconv.Quote(m.address))
	}
	for _, m := range mills {
		m.await("values", 3*time.Minute, func(s *engine.Picture) bool { return m.point(s, "EV.economy").Usable() })
	}
	config := filepath.Join(t.TempDir(), "prometheus.yml")
	if err := os.WriteFile(config, fmt.Appendf(nil, "global: {scrape_interval: 1s}\nscrape_configs:\n  - {job_name: calandria, static_configs: [{targets: [%s]}]}\nremote_write: [{url: %q}]\n",
		strings.Join(targets, ", "), store+"/api/v1/write"), 0o600); err != nil {
		t.Fatal(err)
	}
	addr := fmt.Sprintf("127.0.0.1:%d", freePort(t))
	served(t, "http://"+addr+"/-/ready", "prometheus", "--config.file="+config, "--web.listen-address="+addr, "--storage.tsdb.path="+t.TempDir(), "--log.level=error")
	for _, expr := range []string{"calandria_set_evaporation_kilograms_per_second", `calandria_value{path="EV.syrup_brix"}`} {
		poll(t, 3*time.Minute, func() bool { return slices.Equal(sitesOf(ask(t, store, expr)), names) }, func() string { return expr + " is not there of both houses" })
	}
	// What was forwarded is each house's own value.
	for i, name := range names {
		got := ask(t, store, fmt.Sprintf(`last_over_time(calandria_value{path="EV.syrup_brix",site=%q}[1m])`, name))
		want := map[float64]bool{}
		for v, err := range mills[i].Archive.Query(t.Context(), "EV.syrup_brix", time.Now().Add(-time.Hour), time.Now().Add(time.Minute)) {
			if err != nil {
				t.Fatal(err)
			}
			want[v.Value] = true
		}
		v, _ := strconv.ParseFloat(fmt.Sprint(got[0].Value[1]), 64)
		if len(got) != 1 || !want[v] || got[0].Metric["set"] != "EV" {
			t.Errorf("%s: %v is not of its archive of %d values", name, got, len(want))
		}
	}
	// A note about the set is an annotation of its tags, over the API of its house only.
	if err := mills[0].Loop.Note(t.Context(), plant.Event{Kind: plant.EventNote, Source: "EV", Text: "steam hammer heard", User: "tester"}); err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"1", "0"} {
		r, err := http.Get("http://" + mills[i].address + "/api/v1/series?tag=EV.economy&aggregate=AnnotationCount&span=1h&interval=1h&format=csv")
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(r.Body).ReadAll()
		r.Body.Close()
		count := slices.Index(rows[0], "value")
		if err != nil || len(rows) < 2 || count < 0 || rows[len(rows)-1][count] != want {
			t.Errorf("%s: notes by the API: %v %v, want %s", names[i], rows, err, want)
		}
	}
	board, err := os.ReadFile("../../deploy/grafana/houses.json")
	if err != nil {
		t.Fatal(err)
	}
	// These take hours of a house, or a pan that boils.
	late := regexp.MustCompile("u_ratio|cleaning_due|supersaturation|alarm_active|body_cleaning")
	n := 0
	for _, m := range regexp.MustCompile(`"expr": (".*")`).FindAllStringSubmatch(string(board), -1) {
		expr, err := strconv.Unquote(strings.NewReplacer(`\u003e`, ">", `\u003c`, "<").Replace(m[1]))
		if err != nil {
			t.Fatal(m[1], err)
		}
		expr = strings.NewReplacer("$site", ".*", "$__rate_interval", "1m").Replace(expr)
		n++
		var got []sample
		poll(t, time.Minute, func() bool { // a rate takes two samples of each house
			got = ask(t, store, expr)
			if strings.HasPrefix(expr, "count(count") {
				return len(got) > 0 && fmt.Sprint(got[0].Value[1]) == "2"
			}
			return late.MatchString(expr) || slices.Equal(sitesOf(got), names)
		}, func() string { return fmt.Sprintf("%s: %v", expr, got) })
	}
	if n < 12 {
		t.Errorf("%d queries of the dashboard", n)
	}
}
