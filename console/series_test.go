package console

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

func request(t *testing.T, h http.Handler, path string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "localhost"
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// asked are requests that together use every parameter of the description.
var asked = map[string][]string{
	"/api/v1/picture": {""},
	"/api/v1/tags":    {""},
	"/api/v1/series": {
		"tag=EV.EV5.u&span=2h", "tag=EV.EV5.u&tag=EV.syrup_brix&span=2h&shape=columns", "tag=EV.EV5.*&from=1d&to=20h&aggregate=TimeAverage2,PercentGood&interval=1h&uncertain=good",
		"tag=EV.EV5.u&at=2h,1h", "tag=EV.EV5.u&points=100&span=60d&shape=columns&time=s", "tag=EV.EV5.u&span=1d&limit=10&zone=Asia/Kolkata", "tag=EV.EV5.u&span=2h&format=json&cursor=",
	},
	"/api/v1/marks":        {"span=8h", "tag=EV.EV5.u&from=2d&to=1d"},
	"/api/v1/views":        {""},
	"/api/v1/events":       {"kind=alarms&all=yes&match=vacuum&before=1000&after=1&from=2d&to=2200-01-01&limit=5"},
	"/api/v1/cleaning":     {"set=EV&days=21&hours=10&loss=50&cost=1500&off=150&stop=1500&how=usual&stops=&nocrew="},
	"/api/v1/whatif":       {"set=EV&steam_pressure=&last_pressure=&juice=&brix=&syrup_brix=&hold=brix&more=&EV.EV5=clean"},
	"/api/v1/strikes":      {"pan=PA1&grade=&from=300d&to=2200-01-01&limit=5"},
	"/api/v1/strikes/{id}": {""},
	"/api/v1/planned":      {""},
	"/api/v1/openapi.json": {"v=x"},
	"/healthz":             {""},
}

// The description is OpenAPI 3.1 by the schema of the OpenAPI Initiative, lists
// every address of the API, and every answer is as it says.
func TestOpenAPI(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	read := func(data []byte) any {
		t.Helper()
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
		if err != nil {
			t.Fatalf("%v: %.300s", err, data)
		}
		return v
	}
	official, err := os.ReadFile("testdata/openapi/oas-3.1-schema.json")
	if err != nil {
		t.Fatal(err)
	}
	served := []byte(get(t, s.Handler(), "/api/v1/openapi.json", http.StatusOK))
	c := jsonschema.NewCompiler()
	for name, doc := range map[string]any{"https://spec.openapis.org/oas/3.1/schema/2021-04-15": read(official), "https://example.invalid/api": read(served)} {
		if err := c.AddResource(name, doc); err != nil {
			t.Fatal(err)
		}
	}
	oas, err := c.Compile("https://spec.openapis.org/oas/3.1/schema/2021-04-15")
	if err != nil {
		t.Fatal(err)
	}
	if err := oas.Validate(read(served)); err != nil {
		t.Errorf("not OpenAPI 3.1: %v", err)
	}
	source, err := os.ReadFile("server.go")
	if err != nil {
		t.Fatal(err)
	}
	var routes []string
	for _, x := range regexp.MustCompile(`on\("GET (/api/[^"]+|/healthz)"`).FindAllSubmatch(source, -1) {
		routes = append(routes, string(x[1]))
	}
	for path := range s.api.Paths {
		if !slices.Contains(routes, path) {
			t.Errorf("%s is described and not served", path)
		}
	}
	for _, path := range routes {
		queries := asked[path]
		if _, ok := s.api.Paths[path]; !ok || queries == nil {
			t.Errorf("%s is served, but not described, or not asked here", path)
			continue
		}
		pointer := strings.NewReplacer("~", "~0", "/", "~1").Replace(path)
		answer, err := c.Compile("https://example.invalid/api#/paths/" + url.PathEscape(pointer) + "/get/responses/200/content/application~1json/schema")
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		used := map[string]bool{}
		for _, q := range queries {
			v, _ := url.ParseQuery(q)
			for name := range v {
				used[name] = true
			}
			w := request(t, s.Handler(), strings.ReplaceAll(path, "{id}", "1")+"?"+q)
			if w.Code != http.StatusOK {
				t.Errorf("%s?%s: %d %s", path, q, w.Code, w.Body)
				continue
			}
			if err := answer.Validate(read(w.Body.Bytes())); err != nil {
				t.Errorf("%s?%s: %v\n%.600s", path, q, err, w.Body)
			}
		}
		for _, p := range s.api.Paths[path]["get"].Parameters {
			if p.In == "query" && !used[p.Name] {
				t.Errorf("%s: parameter %s is not asked here", path, p.Name)
			}
		}
		if w := request(t, s.Handler(), strings.ReplaceAll(path, "{id}", "1")+"?intervall=1h"); path != "/api/v1/whatif" && (w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "intervall")) {
			t.Errorf("%s takes a parameter that does not exist: %d %.200s", path, w.Code, w.Body)
		}
	}
	// The handbook has the same addresses and parameters.
	docs, err := os.ReadFile("../docs/api.md")
	if err != nil {
		t.Fatal(err)
	}
	for path, ops := range s.api.Paths {
		if !strings.Contains(string(docs), "`GET "+path+"`") {
			t.Errorf("docs/api.md does not know %s", path)
		}
		for _, p := range ops["get"].Parameters {
			if p.In == "query" && p.Name != "v" && p.Name != "more" && !strings.Contains(string(docs), "`"+p.Name+"`") {
				t.Errorf("docs/api.md does not know parameter %s of %s", p.Name, path)
			}
		}
	}
	for _, x := range regexp.MustCompile("`GET (/api/[^`]*|/healthz)`").FindAllStringSubmatch(string(docs), -1) {
		if _, ok := s.api.Paths[x[1]]; !ok {
			t.Errorf("docs/api.md knows %s, which is not served", x[1])
		}
	}
}

func TestSeriesAnswers(t *testing.T) {
	m := newMill(t, time.Now())
	h := newServer(t, m, Options{}).Handler()
	for q, want := range map[string]string{
		"": "tag: name at least one", "tag=EV.EV5.uu": "Did you mean EV.EV5.u?", "tag=EV.EV5.u&aggregate=Median": "TimeAverage2", "tag=EV.EV5.u&interval=1h": "needs an aggregate",
		"tag=EV.EV5.u&from=tomorrow": "from: write a time", "tag=EV.EV5.u&points=5000": "2 to 4000", "tag=EV.EV5.u&limit=0": "1 to 200000", "tag=EV.EV5.u&shape=wide": "rows, columns",
		"tag=EV.EV5.u&cursor=7.1": "cursor", "tag=EV.EV5.u&zone=Mars": "zone", "tag=EV.EV5.u&format=openmetrics&aggregate=Count": "another unit", "tag=EV.EV5.u&from=2026-03-02&to=2026-03-01": "from before to",
	} {
		if w := request(t, h, "/api/v1/series?"+q); w.Code < 400 || w.Code >= 500 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%q: %d %s", q, w.Code, w.Body)
		}
	}
	// Moments far from now have their values too.
	if w := request(t, h, "/api/v1/series?tag=EV.EV5.u&tag=EV.syrup_brix&format=csv&at=20d,6h,2h"); strings.Count(w.Body.String(), "Interpolative") != 6 {
		t.Errorf("three moments of two tags: %d %s", w.Code, w.Body)
	}
	// Pages by the Link header are together what one answer is.
	from := time.Now().Add(-6 * time.Hour).UTC().Format(time.RFC3339)
	whole := request(t, h, "/api/v1/series?format=csv&tag=EV.EV5.u&tag=EV.syrup_brix&from="+from)
	var pages strings.Builder
	path, n := "/api/v1/series?format=csv&tag=EV.EV5.u&tag=EV.syrup_brix&limit=17&from="+from, 0
	for ; path != "" && n < 100; n++ {
		w := request(t, h, path)
		_, body, _ := strings.Cut(w.Body.String(), "\n")
		pages.WriteString(body)
		next := regexp.MustCompile(`<(.*)>; rel="next"`).FindStringSubmatch(w.Header().Get("Link"))
		if path = ""; next != nil {
			path = next[1]
		}
	}
	if _, body, _ := strings.Cut(whole.Body.String(), "\n"); body != pages.String() || n < 5 {
		t.Errorf("%d pages are not the whole:\n%.400s\n%.400s", n, body, pages.String())
	}
	// The past has a mark; what ends now has none.
	past := "/api/v1/series?tag=EV.EV5.u&from=" + time.Now().Add(-50*24*time.Hour).UTC().Format(time.DateOnly) + "&to=" + time.Now().Add(-40*24*time.Hour).UTC().Format(time.DateOnly)
	first := request(t, h, past)
	tag := first.Header().Get("ETag")
	if tag == "" || first.Code != http.StatusOK {
		t.Fatalf("%d, no ETag: %v", first.Code, first.Header())
	}
	if again := request(t, h, past, "If-None-Match", tag); again.Code != http.StatusNotModified || again.Body.Len() > 0 {
		t.Errorf("asked again: %d", again.Code)
	}
	if live := request(t, h, "/api/v1/series?tag=EV.EV5.u&span=1h"); live.Header().Get("ETag") != "" || live.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("what still changes has an ETag: %v", live.Header())
	}
	w := request(t, h, "/api/v1/series?format=parquet&shape=columns&tag=EV.EV5.u&span=2h")
	if f, err := parquet.OpenFile(bytes.NewReader(w.Body.Bytes()), int64(w.Body.Len())); err != nil || f.NumRows() == 0 || !strings.HasPrefix(w.Header().Get("Content-Disposition"), "attachment") {
		t.Errorf("parquet: %v %v", err, w.Header())
	}
	if w := request(t, h, "/api/v1/series?format=openmetrics&tag=EV.EV5.u&span=2h"); !strings.HasSuffix(w.Body.String(), "# EOF\n") {
		t.Errorf("openmetrics: %.300s", w.Body)
	}
}

// Grafana's Infinity data source takes rows of JSON: the array at root_selector, and
// of each row the columns by selector, as the types string, number, timestamp (RFC
// 3339) and timestamp_epoch (ms) (documentation of the plugin, "JSON" and "Columns").
// The queries of the handbook are read here as the plugin reads them.
func TestGrafanaRows(t *testing.T) {
	docs, err := os.ReadFile("../docs/api.md")
	if err != nil {
		t.Fatal(err)
	}
	h := newServer(t, newMill(t, time.Now()), Options{}).Handler()
	blocks := regexp.MustCompile("(?s)```json\n(.*?)```").FindAllStringSubmatch(string(docs), -1)
	if len(blocks) < 2 {
		t.Fatalf("docs/api.md has %d queries", len(blocks))
	}
	now := time.Now()
	fill := strings.NewReplacer("${__from}", fmt.Sprint(now.Add(-6*time.Hour).UnixMilli()), "${__to}", fmt.Sprint(now.UnixMilli()), "${__interval_ms}", "60000", "QE.B4.", "EV.EV5.", "QE.", "EV.")
	for _, block := range blocks {
		var q struct {
			Type, Source, Format, URL string
			Root                      string `json:"root_selector"`
			Columns                   []struct{ Selector, Text, Type string }
		}
		if err := json.Unmarshal([]byte(block[1]), &q); err != nil || q.Type != "json" || q.Source != "url" || len(q.Columns) < 3 {
			t.Fatalf("%v: %s", err, block[1])
		}
		u, err := url.Parse(fill.Replace(q.URL))
		if err != nil {
			t.Fatal(err)
		}
		var answer map[string]json.RawMessage
		if err := json.Unmarshal([]byte(get(t, h, u.RequestURI(), http.StatusOK)), &answer); err != nil {
			t.Fatal(err)
		}
		var rows []map[string]any
		if err := json.Unmarshal(answer[q.Root], &rows); err != nil || len(rows) == 0 {
			t.Fatalf("%s: %d rows: %v", q.URL, len(rows), err)
		}
		numbers := 0
		for _, row := range rows {
			for _, c := range q.Columns {
				v, ok := row[c.Selector]
				switch x := v.(type) {
				case nil:
					ok = ok && c.Type == "number"
				case string:
					ok = ok && (c.Type == "string" || c.Type == "timestamp" && isTime(x))
				case float64:
					numbers++
					ok = ok && (c.Type == "number" || c.Type == "timestamp_epoch" && x > 1e12 && x < 1e13)
				}
				if !ok {
					t.Fatalf("%s: %s is %v, not a %s", q.URL, c.Selector, v, c.Type)
				}
			}
		}
		if numbers == 0 {
			t.Errorf("%s has no number", q.URL)
		}
	}
}

func isTime(s string) bool {
	_, err := time.Parse(time.RFC3339, s)
	return err == nil
}
