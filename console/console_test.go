package console

import (
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"html"
	"html/template"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/condenser"
)

var update = flag.Bool("update", false, "rewrite the golden pages")

// consoleLog collects what a page writes to its console.
type consoleLog struct {
	mu    sync.Mutex
	lines []string
}

func (l *consoleLog) add(s string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lines = append(l.lines, s)
}

func (l *consoleLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.lines, "\n")
}

const host = "127.0.0.1:8420"

// ask sends a request to a handler.
func ask(h http.Handler, method, path, body string, header http.Header) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host = host
	r.RemoteAddr = "127.0.0.1:50000"
	if body != "" {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for k, v := range header {
		r.Header[k] = v
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// get asks a handler for a page and checks the status.
func get(t testing.TB, h http.Handler, path string, want int) string {
	t.Helper()
	w := ask(h, http.MethodGet, path, "", nil)
	if w.Code != want {
		t.Fatalf("GET %s: status %d, want %d\n%.2000s", path, w.Code, want, w.Body)
	}
	return w.Body.String()
}

func newServer(t testing.TB, b Backend, o Options) *Server {
	t.Helper()
	s, err := New(b, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

var pagePaths = []struct{ name, path string }{
	{"house", "/"}, {"set", "/vessel/EV"}, {"body", "/vessel/EV.EV3"}, {"pan", "/vessel/PA1"}, {"condenser", "/vessel/CD5"},
	{"alarms", "/alarms"}, {"alarm", "/alarms/EV5_vacuum_low"}, {"alarm-shelved", "/alarms/CDA_approach_high"},
	{"trends", "/trends?tag=EV.EV5.u&tag=EV.EV5.vapour_pressure&span=8h"}, {"trends-empty", "/trends"},
	{"record", "/record"}, {"record-filtered", "/record?kind=actions&match=night"},
	{"instruments", "/instruments"}, {"instruments-faulty", "/instruments?show=faulty"}, {"rules", "/rules"}, {"procedures", "/procedures"},
	{"cleaning", "/cleaning"}, {"cleaning-refused", "/cleaning?nocrew=someday"}, {"pans", "/pans"},
	{"whatif", "/whatif?set=EV&EV.EV5=clean&juice=%2B10%25"},
	{"measures", "/record/measures"}, {"past", "/past"}, {"shift", "/record/shift"}, {"report", "/record/report?span=day"}, {"rule", "/rules/EV5_vacuum_low"},
	{"look", "/look"}, {"wall", "/wall"}, {"search", "/search?q=vacuum"}, {"strike", "/strikes/1"}, {"strike-usual", "/strikes/3"}, {"strike-running", "/pans/PA1/running"},
}

var assetMark = regexp.MustCompile(`\?v=[0-9a-f]{12}`)

// blockTag is a tag beside which white space is not shown.
var (
	blockTag = regexp.MustCompile(`\s*(</?(?:html|head|body|header|main|footer|nav|section|div|article|aside|form|fieldset|legend|table|thead|` +
		`tbody|tr|th|td|caption|ul|ol|li|dl|dt|dd|p|h1|h2|h3|details|summary|input|button|select|option|optgroup|noscript|meta|link|title|` +
		`script|datalist|svg|rect|path|line|polyline|g|defs|pattern|circle|use|!doctype)\b[^>]*>)\s*`)
	white = regexp.MustCompile(`\s+`)
)

// squeeze writes a page with one block a line, so that the layout of a template
// makes no difference.
func squeeze(page string) string {
	page = white.ReplaceAllString(page, " ")
	page = blockTag.ReplaceAllString(page, "\n$1\n")
	return strings.TrimSpace(strings.ReplaceAll(page, "\n\n", "\n")) + "\n"
}

// TestGolden compares every page with its golden file, at a fixed moment.
// Run with -update to rewrite them, then read the difference.
func TestGolden(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(9*365*24*time.Hour + 3*time.Hour + 4*time.Minute)
		s := newServer(t, newMill(t, time.Now()), Options{Version: "0.0"})
		for _, p := range append(slices.Clone(pagePaths), struct{ name, path string }{"error", "/nothing"}) {
			w := ask(s.Handler(), http.MethodGet, p.path, "", nil)
			got := assetMark.ReplaceAllString(squeeze(w.Body.String()), "?v=HASH")
			file := filepath.Join("testdata", "golden", p.name+".html")
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				continue
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s differs from %s: %s", p.path, file, firstDifference(got, string(want)))
			}
		}
	})
}

// TestTemplateLines keeps the templates readable.
func TestTemplateLines(t *testing.T) {
	files, err := filepath.Glob("templates/*.html")
	if err != nil || len(files) < 15 {
		t.Fatalf("%d templates, %v", len(files), err)
	}
	for _, name := range files {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for i, l := range strings.Split(string(body), "\n") {
			if n := len([]rune(l)); n > 120 {
				t.Errorf("%s:%d has %d characters, at most 120", name, i+1, n)
			}
		}
	}
}

// TestPageWeight: a page is light enough for a slow line, also with a long journal.
func TestPageWeight(t *testing.T) {
	m := newMill(t, time.Now())
	for i := range 500 {
		m.events = append(m.events, plant.Event{Seq: uint64(len(m.events) + 1), Time: time.Now(), Kind: plant.EventAlarm, Alarm: "EV5_vacuum_low",
			Source: "EV.EV5", Priority: 2, Annunciated: true, Text: fmt.Sprintf("the vacuum of body 5 is falling, time %d", i)})
	}
	for i := range 600 { // a large house
		a := m.specs[i%8]
		a.Name, a.Topic, a.Document = fmt.Sprintf("%s_%d", a.Name, i), fmt.Sprintf("procedure %d", i%90), ""
		m.specs = append(m.specs, a)
	}
	s := newServer(t, m, Options{})
	for _, p := range append(slices.Clone(pagePaths), struct{ name, path string }{"every tag", "/instruments?show=all"}) {
		if n := len(get(t, s.Handler(), p.path, http.StatusOK)); n > 100_000 {
			t.Errorf("%s has %d bytes, at most 100,000", p.path, n)
		}
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return fmt.Sprintf("line %d\n got %.300s\nwant %.300s", i+1, g[i], w[i])
		}
	}
	return fmt.Sprintf("%d lines, want %d", len(g), len(w))
}

var (
	linkRE   = regexp.MustCompile(`(?:href|src)="([^"]*)"`)
	actionRE = regexp.MustCompile(`(?:form)?action="([^"]*)"`)
	inlineRE = regexp.MustCompile(`(?i)<style|\sstyle\s*=|<script(?:[^>]*)>[^<]|\son[a-z]+\s*=\s*["']|javascript:`)
)

// TestLinks follows every link and asset of every page, and checks that each
// form's address takes a POST.
func TestLinks(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	seen := map[string]bool{}
	for _, p := range pagePaths {
		body := get(t, s.Handler(), p.path, http.StatusOK)
		for _, m := range linkRE.FindAllStringSubmatch(body, -1) {
			link := html.UnescapeString(m[1])
			if strings.HasPrefix(link, "#") || seen[link] {
				continue
			}
			seen[link] = true
			if !strings.HasPrefix(link, "/") || strings.HasPrefix(link, "//") {
				t.Errorf("%s links outside: %s", p.path, link)
				continue
			}
			link, _, _ = strings.Cut(link, "#")
			if w := ask(s.Handler(), http.MethodGet, link, "", nil); w.Code != http.StatusOK {
				t.Errorf("%s: link %s answers %d", p.path, link, w.Code)
			}
		}
		for _, m := range actionRE.FindAllStringSubmatch(body, -1) {
			link := html.UnescapeString(m[1])
			if link == "/trends" || link == "/record" || link == "/cleaning" || link == "/whatif" || link == "/rules" || link == "/search" || link == "/api/v1/series" { // GET forms
				continue
			}
			if w := ask(s.Handler(), http.MethodPost, link, "", nil); w.Code == http.StatusNotFound || w.Code == http.StatusMethodNotAllowed {
				t.Errorf("%s: form to %s answers %d", p.path, link, w.Code)
			}
		}
		if m := inlineRE.FindString(body); m != "" {
			t.Errorf("%s: %q needs more than the content security policy allows", p.path, m)
		}
		if strings.Contains(body, "http://") || strings.Contains(body, "https://") {
			t.Errorf("%s names an outside address", p.path)
		}
	}
	if len(seen) < 40 {
		t.Errorf("only %d links seen", len(seen))
	}
	// Modules name each other without a content mark.
	for name := range s.assets {
		for _, m := range regexp.MustCompile(`from "\./([^"]+)"`).FindAllStringSubmatch(string(s.assets[name].body), -1) {
			if _, ok := s.assets[m[1]]; !ok {
				t.Errorf("%s imports %s, which does not exist", name, m[1])
			}
		}
	}
}

// TestVendored compares the vendored files with the sums in their README.
func TestVendored(t *testing.T) {
	readme, err := os.ReadFile("static/vendor/README.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile("`([^`]+)` \\| `([0-9a-f]{64})`").FindAllStringSubmatch(string(readme), -1)
	if len(rows) != 3 {
		t.Fatalf("%d files listed, want 3", len(rows))
	}
	for _, r := range rows {
		body, err := os.ReadFile(filepath.Join("static/vendor", r[1]))
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(body); hex.EncodeToString(sum[:]) != r[2] {
			t.Errorf("%s is not the file that the README lists", r[1])
		}
	}
}

// parseTokens reads the two themes of tokens.css.
func parseTokens(t *testing.T) map[string]map[string]string {
	t.Helper()
	css, err := os.ReadFile("static/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	themes := map[string]map[string]string{"day": {}, "night": {}}
	for _, m := range regexp.MustCompile(`--([a-z0-9-]+):\s*(?:light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\)|(#[0-9a-f]{6}));`).FindAllStringSubmatch(string(css), -1) {
		themes["day"][m[1]], themes["night"][m[1]] = m[2]+m[4], m[3]+m[4]
	}
	return themes
}

// luminance and contrast are WCAG 2.2's definitions of relative luminance and
// contrast ratio.
func luminance(t *testing.T, hexColour string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(hexColour, "#"), 16, 32)
	if err != nil {
		t.Fatalf("colour %q: %v", hexColour, err)
	}
	lin := func(c uint64) float64 {
		v := float64(c&255) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(n>>16) + 0.7152*lin(n>>8) + 0.0722*lin(n)
}

func contrast(t *testing.T, a, b string) float64 {
	la, lb := luminance(t, a), luminance(t, b)
	if la < lb {
		la, lb = lb, la
	}
	return (la + 0.05) / (lb + 0.05)
}

func TestContrastFormula(t *testing.T) {
	// Black on white is 21:1 by WCAG's own definition.
	if got := contrast(t, "#000000", "#ffffff"); math.Abs(got-21) > 1e-9 {
		t.Errorf("black on white %.3f, want 21", got)
	}
}

// TestTokens checks every pair of colours that belong together: WCAG 2.2
// 1.4.3 (text 4.5:1, and 7:1 for values, 1.4.6), 1.4.11 (shapes and focus 3:1).
func TestTokens(t *testing.T) {
	themes := parseTokens(t)
	if len(themes) != 2 || len(themes["day"]) != len(themes["night"]) || len(themes["day"]) < 20 {
		t.Fatalf("themes: day %d tokens, night %d", len(themes["day"]), len(themes["night"]))
	}
	type pair struct {
		a, b string
		min  float64
	}
	var pairs []pair
	for _, ground := range []string{"ground", "panel", "sunk"} {
		pairs = append(pairs, pair{"ink", ground, 7}, pair{"muted", ground, 4.5}, pair{"edge", ground, 3}, pair{"focus", ground, 3})
	}
	for i := range 6 {
		pairs = append(pairs, pair{fmt.Sprintf("trace-%d", i), "panel", 3})
	}
	for i := 1; i <= 4; i++ {
		pairs = append(pairs, pair{fmt.Sprintf("p%d", i), fmt.Sprintf("p%d-ink", i), 4.5})
	}
	// The outline in ink is part of a mark, because the fills alone are not
	// 3:1 against every ground.
	pairs = append(pairs, pair{"bar-dark", "panel", 3}, pair{"bar-dark", "sunk", 3}, pair{"panel", "bar-dark", 4.5})
	for theme, c := range themes {
		for _, p := range pairs {
			if c[p.a] == "" || c[p.b] == "" {
				t.Errorf("%s: no token %s or %s", theme, p.a, p.b)
				continue
			}
			if got := contrast(t, c[p.a], c[p.b]); got < p.min {
				t.Errorf("%s: %s on %s has %.2f:1, want %g:1", theme, p.a, p.b, got, p.min)
			}
		}
		// The fills of the priorities were measured for colour blindness; they
		// mean the same in both themes.
		for k, want := range map[string]string{"p1": "#c8102e", "p2": "#f28a1c", "p3": "#ffe26a", "p4": "#8fb7e8"} {
			if c[k] != want {
				t.Errorf("%s: %s is %s, the measured palette has %s", theme, k, c[k], want)
			}
		}
	}
}

// TestNoColourElsewhere: tokens.css is the only file with a colour.
func TestNoColourElsewhere(t *testing.T) {
	colour := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|\b(?:rgb|rgba|hsl|hsla|oklch|color-mix)\(|:\s*(?:black|white|red|green|blue|orange|yellow|grey|gray)\b`)
	for _, glob := range []string{"static/*.css", "static/*.js", "static/*.svg", "templates/*.html"} {
		files, _ := filepath.Glob(glob)
		if len(files) == 0 {
			t.Fatalf("no %s", glob)
		}
		for _, f := range files {
			if f == "static/tokens.css" {
				continue
			}
			body, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			text := regexp.MustCompile(`href="[^"]*"|&#\d+;`).ReplaceAllString(string(body), "")
			if m := colour.FindString(text); m != "" {
				t.Errorf("%s has a colour of its own: %s", f, m)
			}
		}
	}
}

// TestTokensUsed: every colour variable that a style uses exists.
func TestTokensUsed(t *testing.T) {
	themes := parseTokens(t)
	css, err := os.ReadFile("static/console.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`var\(--([a-z0-9-]+)\)`).FindAllStringSubmatch(string(css), -1) {
		if themes["day"][m[1]] == "" {
			t.Errorf("console.css uses --%s, which no theme has", m[1])
		}
	}
}

// TestHostileText: names and messages from the plant, from rule files and from
// people are text, whatever they contain.
func TestHostileText(t *testing.T) {
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>`
	m := newMill(t, time.Now())
	for _, e := range m.house.Equipment {
		e.Title = evil
	}
	for i := range m.house.Tags {
		m.house.Tags[i].Meaning, m.house.Tags[i].Unit = evil, "t/h"
		m.house.Tags[i].Node, m.house.Tags[i].Server = evil, evil
	}
	m.house.Config.Site.Name, m.house.Config.Site.Note = evil, evil
	m.hostile = evil
	m.trial = &engine.Trial{Alarm: evil, Samples: 1, From: time.Now().Add(-time.Hour), To: time.Now(), Changes: []engine.TrialChange{{Key: evil, Was: evil, Is: evil, Unit: evil}}, Present: engine.TrialSide{Fault: evil},
		Lines: []engine.TrialLine{{File: evil, Was: evil, Text: []string{evil}, Note: evil}}}
	m.cleanings = []plant.Cleaning{{Body: evil, End: time.Now().Add(-time.Minute), Method: evil, Note: evil, User: evil}}
	m.specs = nil
	for i, n := range []string{`a/b?c#d`, evil, `../../etc`, `%2e%2e`, `ü "quoted" ☃`} {
		m.specs = append(m.specs, plant.AlarmSpec{Name: n, Title: evil, Source: evil, Area: evil, Priority: plant.Priority(1 + i%4), Class: evil, Cause: evil, Consequence: evil,
			Response: evil, Verify: evil, Hazard: evil, Procedure: evil, Unit: evil, Group: evil})
	}
	var err error
	if m.engine, err = alerting.New(m.specs); err != nil {
		t.Fatal(err)
	}
	m.step(func(now time.Time) {
		for _, s := range m.specs {
			m.feed(s.Name, now.Add(-time.Minute), plant.True, 1)
		}
	})
	m.mu.Lock()
	m.picture.Sources[0].Name, m.picture.Sources[0].LastError, m.picture.Sources[0].Connected = evil, evil, false
	m.picture.Health[0] = engine.Health{Name: evil, Text: evil}
	for i := range m.picture.Reasons {
		m.picture.Reasons[i] = evil
	}
	m.picture.Suspects = []thermo.Suspect{{Set: "EV", What: evil, Tags: []string{evil}, Alike: []string{evil}, Unit: evil, Text: evil}}
	m.picture.Vacuum = []thermo.Vacuum{{Condenser: "CD5", OK: true, Text: evil, Diagnosis: condenser.Diagnosis{Findings: []condenser.Finding{
		{Cause: condenser.Cause(evil), CheckFirst: evil, Doubt: evil, Evidence: []condenser.Evidence{{What: evil, Now: 1, Normal: 1, Unit: evil}}}}}}, {Condenser: evil, Reason: evil}}
	m.events = append(m.events, plant.Event{Seq: 999, Kind: plant.EventKind(evil), Alarm: evil, Source: evil, User: evil, Comment: evil, Reason: evil, Text: evil, Unit: evil})
	m.mu.Unlock()
	s := newServer(t, m, Options{Version: evil})
	paths := []string{"/", "/vessel/EV", "/vessel/CD5", "/vessel/EV.EV3", "/vessel/PA1", "/alarms", "/trends?tag=EV.EV5.u", "/record", "/record?match=" + url.QueryEscape(evil), "/instruments?show=all", "/rules",
		"/cleaning", "/pans", "/strikes/1", "/record/measures", "/record/shift"}
	m.hostile = evil
	for _, a := range m.specs {
		paths = append(paths, "/alarms/"+url.PathEscape(a.Name), "/rules/"+url.PathEscape(a.Name))
	}
	for _, p := range paths {
		body := get(t, s.Handler(), p, http.StatusOK)
		if strings.Contains(body, "<script>alert") || strings.Contains(body, "<img") {
			t.Errorf("%s: markup from outside reaches the page", p)
		}
	}
	for _, p := range []string{"/vessel/" + url.PathEscape(evil), "/alarms/nothing" + url.PathEscape(evil), "/trends?tag=" + url.QueryEscape(evil), "/record?kind=" + url.QueryEscape(evil), "/" + url.PathEscape(evil)} {
		w := ask(s.Handler(), http.MethodGet, p, "", nil)
		if w.Code < 400 || strings.Contains(w.Body.String(), "<script>alert") {
			t.Errorf("%s: status %d, markup kept: %v", p, w.Code, strings.Contains(w.Body.String(), "<script>alert"))
		}
	}
	// An odd name can be acknowledged.
	w := ask(s.Handler(), http.MethodPost, "/alarms/"+url.PathEscape(`a/b?c#d`)+"/acknowledge", "occurrence=1&name="+url.QueryEscape(evil), http.Header{"Sec-Fetch-Site": {"same-origin"}})
	if w.Code != http.StatusSeeOther {
		t.Errorf("acknowledge of an odd name: %d", w.Code)
	}
}

func TestHeaders(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	for _, p := range []string{"/", "/nothing", "/api/v1/picture", "/static/console.css", "/healthz"} {
		w := ask(s.Handler(), http.MethodGet, p, "", nil)
		h := w.Header()
		if csp := h.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'self';") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", p, csp)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("X-Frame-Options") != "DENY" || h.Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: headers missing: %v", p, h)
		}
	}
	a := s.assets["console.css"]
	if w := ask(s.Handler(), http.MethodGet, "/static/console.css?v="+a.hash, "", nil); !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
		t.Error("a marked asset is not kept")
	}
	if w := ask(s.Handler(), http.MethodGet, "/static/../server.go", "", nil); w.Code == http.StatusOK {
		t.Error("a file outside is served")
	}
	for _, f := range []string{"/static/console.css", "/static/live.js"} {
		if kind := ask(s.Handler(), http.MethodGet, f, "", nil).Header().Get("Content-Type"); !strings.HasPrefix(kind, "text/") {
			t.Errorf("%s: %q", f, kind)
		}
	}
}

// TestRefusals: what is not asked properly is refused, and nothing happens.
func TestRefusals(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	before := len(m.events)
	same := http.Header{"Sec-Fetch-Site": {"same-origin"}}
	ack := "/alarms/EV5_vacuum_low/acknowledge"
	for _, c := range []struct {
		what, method, path, body string
		header                   http.Header
		want                     int
	}{
		{"cross-site form", "POST", ack, "occurrence=1&name=X", http.Header{"Sec-Fetch-Site": {"cross-site"}}, http.StatusForbidden},
		{"same-site form of another origin", "POST", ack, "occurrence=1&name=X", http.Header{"Sec-Fetch-Site": {"same-site"}}, http.StatusForbidden},
		{"old browser, foreign origin", "POST", ack, "occurrence=1&name=X", http.Header{"Origin": {"http://evil.example"}}, http.StatusForbidden},
		{"cross-site theme", "POST", "/theme", "theme=night", http.Header{"Sec-Fetch-Site": {"cross-site"}}, http.StatusForbidden},
		{"acknowledge by GET", "GET", ack, "", nil, http.StatusSeeOther},
		{"no name", "POST", ack, "occurrence=1", same, http.StatusUnprocessableEntity},
		{"name too long", "POST", ack, "occurrence=1&name=" + strings.Repeat("x", 61), same, http.StatusBadRequest},
		{"control characters in the name", "POST", ack, "occurrence=1&name=a%00b", same, http.StatusBadRequest},
		{"name not text", "POST", ack, "occurrence=1&name=%ff%fe", same, http.StatusBadRequest},
		{"no occurrence", "POST", ack, "name=X", same, http.StatusUnprocessableEntity},
		{"occurrence not a number", "POST", ack, "occurrence=one&name=X", same, http.StatusBadRequest},
		{"unknown alarm", "POST", "/alarms/none/acknowledge", "occurrence=1&name=X", same, http.StatusNotFound},
		{"unknown action", "POST", "/alarms/EV5_vacuum_low/delete", "occurrence=1&name=X", same, http.StatusNotFound},
		{"shelve without reason", "POST", "/alarms/EV5_vacuum_low/shelve", "name=X&time=10m", same, http.StatusUnprocessableEntity},
		{"shelve without time", "POST", "/alarms/EV5_vacuum_low/shelve", "name=X&reason=y", same, http.StatusUnprocessableEntity},
		{"form too large", "POST", ack, "occurrence=1&name=X&comment=" + strings.Repeat("x", maxBody), same, http.StatusRequestEntityTooLarge},
		{"query too long", "GET", "/record?match=" + strings.Repeat("x", maxQuery), "", nil, http.StatusRequestURITooLong},
		{"path too long", "GET", "/" + strings.Repeat("x", maxPath), "", nil, http.StatusRequestURITooLong},
		{"cross-site cleaning", "POST", "/cleaning/record", "body=EV.EV4&end=2026-01-01+06:00&method=x&name=X", http.Header{"Sec-Fetch-Site": {"cross-site"}}, http.StatusForbidden},
		{"cross-site note", "POST", "/record/note", "text=x&name=X", http.Header{"Sec-Fetch-Site": {"cross-site"}}, http.StatusForbidden},
		{"cross-site acknowledgement of several", "POST", "/alarms", "choose=EV5_vacuum_low%231&name=X", http.Header{"Sec-Fetch-Site": {"cross-site"}}, http.StatusForbidden},
		{"cleaning by GET", "GET", "/cleaning/record", "", nil, http.StatusNotFound},
		{"several: none chosen", "POST", "/alarms", "name=X", same, http.StatusUnprocessableEntity},
		{"several: no name", "POST", "/alarms", "choose=EV5_vacuum_low%231", same, http.StatusUnprocessableEntity},
		{"several: no occurrence", "POST", "/alarms", "choose=EV5_vacuum_low&name=X", same, http.StatusBadRequest},
		{"several: no such alarm", "POST", "/alarms", "choose=none%231&name=X", same, http.StatusNotFound},
		{"out of service without reason", "POST", "/alarms/EV5_vacuum_low/remove", "name=X", same, http.StatusUnprocessableEntity},
		{"cleaning of no body", "POST", "/cleaning/record", "body=PA1&end=2026-01-01+06:00&method=x&name=X", same, http.StatusUnprocessableEntity},
		{"cleaning without time", "POST", "/cleaning/record", "body=EV.EV4&end=yesterday&method=x&name=X", same, http.StatusUnprocessableEntity},
		{"cleaning long ago", "POST", "/cleaning/record", "body=EV.EV4&end=2001-01-01+06:00&method=x&name=X", same, http.StatusUnprocessableEntity},
		{"note without text", "POST", "/record/note", "name=X", same, http.StatusUnprocessableEntity},
		{"note about nothing", "POST", "/record/note", "name=X&text=y&source=EV9", same, http.StatusUnprocessableEntity},
		{"plan of a pan", "GET", "/cleaning?set=PA1", "", nil, http.StatusNotFound},
		{"prediction of a pan", "GET", "/whatif?set=PA1", "", nil, http.StatusNotFound},
		{"prediction of no amount", "GET", "/whatif?juice=more", "", nil, http.StatusBadRequest},
		{"prediction of no body", "GET", "/whatif?EV.EV5=polish", "", nil, http.StatusBadRequest},
		{"prediction of no amount by program", "GET", "/api/v1/whatif?juice=10%25", "", nil, http.StatusBadRequest},
		{"plan of too many days", "GET", "/cleaning?days=46", "", nil, http.StatusBadRequest},
		{"plan with a cost that is none", "GET", "/cleaning?cost=NaN", "", nil, http.StatusBadRequest},
		{"plan as a file that cannot be", "GET", "/cleaning/plan.csv?nocrew=someday", "", nil, http.StatusBadRequest},
		{"measures of another span", "GET", "/record/measures?span=1y", "", nil, http.StatusBadRequest},
		{"shift of seven hours", "GET", "/record/shift?hours=7", "", nil, http.StatusBadRequest},
		{"shift to come", "GET", "/record/shift?at=2199-01-01T06:00", "", nil, http.StatusBadRequest},
		{"rule that is not there", "GET", "/rules/none", "", nil, http.StatusNotFound},
		{"write to the API", "POST", "/api/v1/picture", "x=1", same, http.StatusMethodNotAllowed},
		{"delete", "DELETE", "/alarms", "", nil, http.StatusMethodNotAllowed},
		{"unknown stream", "GET", "/stream?view=secrets", "", nil, http.StatusBadRequest},
		{"no such vessel", "GET", "/vessel/EV9", "", nil, http.StatusNotFound},
		{"too many tags", "GET", "/trends?tag=a&tag=b&tag=c&tag=d&tag=e&tag=f&tag=g&tag=h&tag=i", "", nil, http.StatusBadRequest},
		{"span too long", "GET", "/api/v1/series?tag=EV.EV5.u&from=2000-01-01T00:00:00Z&to=2009-01-01T00:00:00Z", "", nil, http.StatusBadRequest},
		{"no metrics", "GET", "/metrics", "", nil, http.StatusNotFound},
	} {
		if w := ask(s.Handler(), c.method, c.path, c.body, c.header); w.Code != c.want {
			t.Errorf("%s: status %d, want %d: %.200s", c.what, w.Code, c.want, w.Body)
		}
	}
	if len(m.events) != before {
		t.Errorf("refused requests left %d journal entries", len(m.events)-before)
	}
	r := httptest.NewRequest("GET", "/", nil)
	r.Host = "rebound.example:8420"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	if w.Code != http.StatusMisdirectedRequest {
		t.Errorf("a foreign host name: status %d", w.Code)
	}
}

// TestCommands: each action reaches the engine, and a refusal of the engine is
// told in words.
func TestCommands(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	same := http.Header{"Sec-Fetch-Site": {"same-origin"}}
	post := func(action, form string, want int) string {
		t.Helper()
		w := ask(s.Handler(), "POST", "/alarms/EV5_vacuum_low/"+action, form, same)
		if w.Code != want {
			t.Fatalf("%s %s: status %d, want %d\n%.1500s", action, form, w.Code, want, w.Body)
		}
		return w.Body.String()
	}
	state := func() alerting.State {
		a, _ := s.status("EV5_vacuum_low")
		return a.State
	}
	if body := post("acknowledge", "occurrence=7&name=D", http.StatusConflict); !strings.Contains(body, "has come again since this page was made") || state() != alerting.Unacknowledged {
		t.Error("another occurrence than the present one was acknowledged, or the refusal is not explained")
	}
	w := ask(s.Handler(), "POST", "/alarms/EV5_vacuum_low/acknowledge", "occurrence=1&name=D.+Noon&comment=seen", same)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/alarms/EV5_vacuum_low?done=acknowledge" || state() != alerting.Acknowledged {
		t.Fatalf("acknowledge: %d to %q, state %v", w.Code, w.Header().Get("Location"), state())
	}
	c := w.Result().Cookies()
	if len(c) != 1 || c[0].Name != nameCookie || c[0].SameSite != http.SameSiteStrictMode || !c[0].HttpOnly {
		t.Fatalf("cookies: %+v", c)
	}
	if body := post("acknowledge", "occurrence=1&name=D", http.StatusConflict); !strings.Contains(body, "acknowledged already") {
		t.Error("a second acknowledgement is not explained")
	}
	// The journal cannot be written: it is done, but not said as if it were on record.
	m.unrecorded = true
	w = ask(s.Handler(), "POST", "/alarms/EV5_vacuum_low/comment", "name=D&comment=x", same)
	if to := w.Header().Get("Location"); w.Code != http.StatusSeeOther || !strings.Contains(get(t, s.Handler(), to, http.StatusOK), "not yet on record") {
		t.Errorf("%d to %q does not say that it is not yet on record", w.Code, to)
	}
	m.unrecorded = false
	// The name is remembered.
	remembered := same.Clone()
	remembered.Set("Cookie", c[0].Name+"="+c[0].Value)
	if w := ask(s.Handler(), "POST", "/alarms/EV5_vacuum_low/comment", "comment=looking", remembered); w.Code != http.StatusSeeOther {
		t.Fatalf("comment: %d", w.Code)
	}
	if last := m.events[len(m.events)-1]; last.User != "D. Noon" || last.Comment != "looking" {
		t.Errorf("journal: %+v", last)
	}
	if body := post("shelve", "name=D&time=8h&reason=gauge+line+blown+out", http.StatusConflict); !strings.Contains(body, "longer than this alarm may be shelved") {
		t.Error("too long a shelving is not explained")
	}
	post("shelve", "name=D&time=30m&reason=gauge+line+blown+out", http.StatusSeeOther)
	if state() != alerting.Shelved {
		t.Fatalf("state %v, want shelved", state())
	}
	body := get(t, s.Handler(), "/alarms", http.StatusOK)
	if !regexp.MustCompile(`until [^(]*\d\d:\d\d:\d\d \(\d+ min left\)`).MatchString(body) {
		t.Error("the shelved list does not say until when")
	}
	post("unshelve", "name=D", http.StatusSeeOther)
	if state() != alerting.Unacknowledged {
		t.Errorf("state %v after unshelving an active alarm, want unacknowledged (R-S3)", state())
	}
	post("shelve", "name=D&time=once&reason=test", http.StatusSeeOther)
}

func TestThemeAndName(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	w := ask(s.Handler(), "POST", "/theme", "theme=night&back=%2Falarms", nil)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/alarms" {
		t.Fatalf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	w = ask(s.Handler(), "GET", "/", "", http.Header{"Cookie": {themeCookie + "=night; " + nameCookie + "=J.+%C3%9Cnal"}})
	if !strings.Contains(w.Body.String(), `data-theme="night"`) || !strings.Contains(w.Body.String(), "J. Ünal") {
		t.Error("theme or name is not remembered")
	}
	w = ask(s.Handler(), "GET", "/", "", http.Header{"Cookie": {themeCookie + `="><script>; ` + nameCookie + "=%3Cscript%3E"}})
	if w.Code != 200 || strings.Contains(w.Body.String(), "><script>;") || strings.Contains(w.Body.String(), "<script>alert") {
		t.Error("a cookie reaches the page as markup")
	}
}

// TestFaultsSayNothing: a fault behind a page tells the reader nothing of
// files, queries or stacks.
func TestFaultsSayNothing(t *testing.T) {
	m := newMill(t, time.Now())
	m.broken = errors.New("query: SELECT * FROM journal: open /var/lib/calandria/journal.db: no such file")
	s := newServer(t, m, Options{})
	for _, p := range []string{"/record", "/api/v1/events", "/api/v1/series?tag=EV.EV5.u"} {
		body := get(t, s.Handler(), p, http.StatusInternalServerError)
		for _, word := range []string{"SELECT", "/var", "journal.db", "goroutine", ".go"} {
			if strings.Contains(body, word) {
				t.Errorf("%s tells %q", p, word)
			}
		}
	}
	// Pages that only use the archive for decoration still stand.
	for _, p := range []string{"/", "/vessel/EV.EV3", "/alarms/EV5_vacuum_low", "/trends?tag=EV.EV5.u"} {
		get(t, s.Handler(), p, http.StatusOK)
	}
	sick := newServer(t, panics{m}, Options{})
	if body := get(t, sick.Handler(), "/alarms", http.StatusInternalServerError); strings.Contains(body, "boom") || strings.Contains(body, "goroutine") {
		t.Error("a panic reaches the reader")
	}
}

type panics struct{ *fakeMill }

func (panics) Picture() *engine.Picture { panic("boom") }

// TestBeforeFirstPicture: every page stands before the first scan.
func TestBeforeFirstPicture(t *testing.T) {
	m := newMill(t, time.Now())
	m.picture = nil
	s := newServer(t, m, Options{})
	for _, p := range []string{"/", "/vessel/EV", "/vessel/EV.EV3", "/vessel/PA1", "/alarms", "/trends?tag=EV.EV5.u", "/record", "/instruments", "/rules"} {
		if body := get(t, s.Handler(), p, http.StatusOK); !strings.Contains(body, "No picture yet") {
			t.Errorf("%s does not say that there is no picture yet", p)
		}
	}
	get(t, s.Handler(), "/alarms/EV5_vacuum_low", http.StatusNotFound)
	get(t, s.Handler(), "/healthz", http.StatusServiceUnavailable)
	get(t, s.Handler(), "/api/v1/picture", http.StatusServiceUnavailable)
}

func TestOptions(t *testing.T) {
	m := newMill(t, time.Now())
	for _, c := range []struct {
		o  Options
		ok bool
	}{
		{Options{}, true},
		{Options{Listen: "localhost:9000"}, true},
		{Options{Listen: "[::1]:9000"}, true},
		{Options{Listen: ":9000"}, false},
		{Options{Listen: "0.0.0.0:9000"}, false},
		{Options{Listen: "192.0.2.7:9000"}, false},
		{Options{Listen: "192.0.2.7:9000", BehindProxy: true}, true},
		{Options{Listen: "9000"}, false},
	} {
		if _, err := New(m, c.o); (err == nil) != c.ok {
			t.Errorf("%+v: %v", c.o, err)
		}
	}
	s := newServer(t, m, Options{Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "up 1\n") })})
	if body := get(t, s.Handler(), "/metrics", http.StatusOK); body != "up 1\n" {
		t.Errorf("metrics: %q", body)
	}
}

func TestAPI(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	var p struct {
		Seq    uint64
		Values []struct {
			Path, Quality, Unit string
			Value               *float64
			Reason              string
		}
		Alarms []struct{ Name, State string }
	}
	decode := func(path string, v any) {
		t.Helper()
		if err := json.Unmarshal([]byte(get(t, s.Handler(), path, http.StatusOK)), v); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
	}
	decode("/api/v1/picture", &p)
	if len(p.Values) != len(m.house.Tags) || p.Seq == 0 || len(p.Alarms) != 7 {
		t.Errorf("picture: %d values, seq %d, %d alarms", len(p.Values), p.Seq, len(p.Alarms))
	}
	for _, v := range p.Values {
		switch v.Path {
		case "EV.EV3.vapour_temperature":
			if v.Value != nil || v.Quality != "Bad_SensorFailure" {
				t.Errorf("a bad value is given as a number: %+v", v)
			}
		case "EV.EV5.vapour_pressure":
			if v.Value == nil || *v.Value != 21.9 || v.Unit != "kPa" {
				t.Errorf("%+v", v)
			}
		}
	}
	var tags struct{ Tags []struct{ Path, Unit string } }
	decode("/api/v1/tags", &tags)
	if len(tags.Tags) != len(m.house.Tags) {
		t.Errorf("%d tags", len(tags.Tags))
	}
	var events struct {
		Events []struct {
			Seq  uint64
			Kind string
		}
	}
	decode("/api/v1/events?limit=3", &events)
	if len(events.Events) != 3 || events.Events[0].Seq < events.Events[2].Seq {
		t.Errorf("events: %+v", events)
	}
	decode("/healthz", &struct{}{})
}

// TestRecordPages walks the whole journal backwards by the page's own links.
func TestRecordPages(t *testing.T) {
	m := newMill(t, time.Now())
	for i := range 250 {
		m.events = append(m.events, plant.Event{Seq: uint64(len(m.events) + 1), Time: time.Now(), Kind: plant.EventNote, Text: fmt.Sprintf("note %d", i)})
	}
	s := newServer(t, m, Options{})
	next, rows, pages := "/record?all=yes", 0, 0
	for next != "" {
		body := get(t, s.Handler(), next, http.StatusOK)
		rows += strings.Count(body, `<td class="n">`)
		pages++
		next = ""
		if mt := regexp.MustCompile(`href="(/record\?[^"]*before=[^"]*)">Older`).FindStringSubmatch(body); mt != nil {
			next = html.UnescapeString(mt[1])
		}
	}
	if rows != len(m.events) || pages != 5 {
		t.Errorf("%d rows on %d pages, want %d on 5", rows, pages, len(m.events))
	}
}

// --- stream ---

// sink is a ResponseWriter that a bubble's goroutines can read.
type sink struct {
	mu     sync.Mutex
	header http.Header
	code   int
	text   strings.Builder
	fail   bool
}

func (s *sink) Header() http.Header { return s.header }
func (s *sink) WriteHeader(c int)   { s.code = c }
func (s *sink) Flush()              {}
func (s *sink) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fail {
		return 0, errors.New("gone")
	}
	return s.text.Write(b)
}

type sse struct {
	id, name string
	data     string
}

// take returns the events since the last call.
func (s *sink) take() []sse {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []sse
	for _, block := range strings.Split(s.text.String(), "\n\n") {
		var e sse
		for _, l := range strings.Split(block, "\n") {
			k, v, _ := strings.Cut(l, ": ")
			switch k {
			case "id":
				e.id = v
			case "event":
				e.name = v
			case "data":
				e.data = v
			}
		}
		if e.name != "" {
			out = append(out, e)
		}
	}
	s.text.Reset()
	return out
}

func count(events []sse, name string) (n int) {
	for _, e := range events {
		if e.name == name {
			n++
		}
	}
	return n
}

// open starts a stream inside a bubble.
func open(s *Server, query string) (out *sink, stop func(), ended <-chan struct{}) {
	ctx, cancel := context.WithCancel(context.Background())
	r := httptest.NewRequestWithContext(ctx, http.MethodGet, "/stream?"+query, nil)
	r.Host = host
	out = &sink{header: http.Header{}, code: http.StatusOK}
	done := make(chan struct{})
	go func() {
		s.Handler().ServeHTTP(out, r)
		close(done)
	}()
	return out, cancel, done
}

func TestStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMill(t, time.Now())
		s := newServer(t, m, Options{})
		out, stop, ended := open(s, "view=house")
		synctest.Wait()
		first := out.take()
		if len(first) != 1 || first[0].name != "picture" || first[0].id != fmt.Sprint(len(m.events)) {
			t.Fatalf("on connecting: %+v, want one picture with the journal number %d", first, len(m.events))
		}
		var msg message
		if err := json.Unmarshal([]byte(first[0].data), &msg); err != nil {
			t.Fatal(err)
		}
		for _, id := range []string{"strip", "set:EV", "pans", "condensers", "health"} {
			if msg.Parts[id] == "" {
				t.Errorf("the first message lacks %s", id)
			}
		}
		if len(msg.Calls) != 2 {
			t.Errorf("%d alarms call, want 2", len(msg.Calls))
		}

		// Nothing changes: only the heartbeat, each second.
		time.Sleep(10*time.Second + time.Millisecond)
		quiet := out.take()
		if n := count(quiet, "beat"); n != 10 || len(quiet) != 10 {
			t.Errorf("%d beats of %d messages in 10 s, want 10 of 10", n, len(quiet))
		}
		var b beat
		if err := json.Unmarshal([]byte(quiet[9].data), &b); err != nil || b.AgeMs < 9000 {
			t.Errorf("the beat says the picture is %d ms old (%v), want some 10 s", b.AgeMs, err)
		}

		// One value changes: only the parts that show it are sent.
		m.step(func(time.Time) { m.values["PA1.level"] = 75 })
		time.Sleep(600 * time.Millisecond)
		changed := out.take()
		i := slices.IndexFunc(changed, func(e sse) bool { return e.name == "picture" })
		if i < 0 {
			t.Fatal("a change was not sent")
		}
		msg = message{}
		json.Unmarshal([]byte(changed[i].data), &msg)
		if msg.Parts["pans"] == "" || msg.Parts["set:EV"] != "" || msg.Parts["condensers"] != "" {
			t.Errorf("sent %d parts for a change of one pan", len(msg.Parts))
		}

		// Forty changes in two seconds are at most two repaints a second.
		time.Sleep(time.Second)
		out.take()
		for i := range 40 {
			m.step(func(time.Time) { m.values["EV.steam_flow"] = 40 + float64(i) })
			time.Sleep(50 * time.Millisecond)
		}
		if n := count(out.take(), "picture"); n < 3 || n > 5 {
			t.Errorf("%d repaints in 2 s, want about 4", n)
		}

		// A new alarm is among the calls, with the new journal number.
		time.Sleep(2 * time.Second)
		out.take()
		m.step(func(time.Time) {})
		m.step(func(now time.Time) { m.feed("EV2_level_low", now, plant.True, 7) })
		time.Sleep(urgentEvery) // it does not wait for the next repaint
		alarm := out.take()
		i = slices.IndexFunc(alarm, func(e sse) bool { return e.name == "picture" })
		if i < 0 || !strings.Contains(alarm[i].data, "Priority 1, urgent: Juice level of body 2 is very low") || alarm[i].id != fmt.Sprint(len(m.events)) {
			t.Errorf("the alarm was not sent: %+v", alarm)
		}
		stop()
		<-ended
	})
}

// TestStreamEnds: a stream ends with its client and with the server, a client
// that cannot be written to is dropped, and their number is bounded.
func TestStreamEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMill(t, time.Now())
		s := newServer(t, m, Options{MaxStreams: 2})
		a, stopA, endedA := open(s, "view=alarms")
		b, stopB, endedB := open(s, "")
		synctest.Wait()
		c, _, endedC := open(s, "view=house")
		<-endedC
		if c.code != http.StatusServiceUnavailable || c.header.Get("Retry-After") == "" {
			t.Errorf("a third stream: status %d", c.code)
		}
		stopA()
		<-endedA
		d, stopD, endedD := open(s, "view=vessel&path=EV.EV5")
		synctest.Wait()
		if d.code != http.StatusOK || count(d.take(), "picture") != 1 {
			t.Errorf("a place that was given back is not free: %d", d.code)
		}
		b.mu.Lock()
		b.fail = true
		b.mu.Unlock()
		time.Sleep(2 * time.Second)
		<-endedB
		s.stopOnce.Do(func() { close(s.stopping) })
		<-endedD
		stopB()
		stopD()
		_ = a
	})
}

// TestSeats: when all live pages are taken, a station that has many gives one up.
func TestSeats(t *testing.T) {
	s := &seats{most: 4}
	first := s.take("A", "")
	for range 3 {
		s.take("A", "")
	}
	if x := s.take("A", ""); x != nil {
		t.Error("a fifth of four")
	}
	b := s.take("B", "")
	select {
	case <-first.gone:
	default:
		t.Error("the oldest of the station with the most was not given up")
	}
	if s.take("B", "") == nil || s.take("B", "") != nil || s.take("C", "") == nil {
		t.Error("two and two: neither gives up, but to a third one does")
	}
	s.leave(b)
	s.leave(first)
	if len(s.taken) != 3 {
		t.Errorf("%d are taken", len(s.taken))
	}
}

// TestCompressed: pages come compressed to who takes it, and live pages too.
func TestCompressed(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	for _, path := range []string{"/alarms", "/api/v1/tags", "/static/live.js"} {
		w := ask(s.Handler(), "GET", path, "", http.Header{"Accept-Encoding": {"gzip"}})
		if w.Header().Get("Content-Encoding") != "gzip" {
			t.Errorf("%s: %d, %v", path, w.Code, w.Header())
			continue
		}
		z, err := gzip.NewReader(w.Body)
		if err != nil {
			t.Fatal(err)
		}
		packed := w.Body.Len()
		plain, err := io.ReadAll(z)
		if err != nil || len(plain) < 2*packed || string(plain) != get(t, s.Handler(), path, http.StatusOK) && path != "/alarms" {
			t.Errorf("%s: %d bytes in %d: %v", path, len(plain), packed, err)
		}
	}
}

// TestStreamsShare: a page open at many stations is drawn once a picture.
func TestStreamsShare(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	drawn := 0
	f := func(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
		drawn++
		return s.housePage(r, p, now)
	}
	r := httptest.NewRequest(http.MethodGet, "/stream?view=house", nil)
	for range 20 {
		if _, err := s.changes(f, r, m.Picture(), map[string]template.HTML{}); err != nil {
			t.Fatal(err)
		}
	}
	m.step(func(time.Time) {})
	s.changes(f, r, m.Picture(), map[string]template.HTML{})
	if drawn != 2 {
		t.Errorf("drawn %d times for two pictures", drawn)
	}
}

// TestServeStops: Run's loop ends in order although a stream is open.
func TestServeStops(t *testing.T) {
	sv := serve(t)
	resp, err := http.Get(sv.url + "/stream?view=house")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	buf := make([]byte, 100)
	if _, err := resp.Body.Read(buf); err != nil {
		t.Fatal(err)
	}
	begin := time.Now()
	sv.stop()
	if d := time.Since(begin); d > 3*time.Second {
		t.Errorf("stopping took %v with a stream open", d)
	}
}

// --- formats and queries ---

func TestNumbers(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	tag := func(d plant.Dimension, name string) *plant.Tag {
		return &plant.Tag{Dimension: d, Name: name, Unit: d.Canonical()}
	}
	for _, c := range []struct {
		tag  *plant.Tag
		v    float64
		want string
		unit string
	}{
		{tag(plant.Pressure, "vapour_pressure"), 16.04, "16.0", "kPa abs"},
		{tag(plant.Temperature, "juice_temperature"), -0.04, "0.0", "°C"},
		{tag(plant.Temperature, "juice_temperature"), -3.26, "−3.3", "°C"},
		{tag(plant.TempDifference, "approach"), 7.31, "7.3", "K"},
		{tag(plant.TempDifference, "boiling_point_elevation"), 0.4, "0.40", "K"},
		{tag(plant.Ratio, "u_ratio"), 0.834, "83", "% of clean"},
		{tag(plant.Ratio, "economy"), 2.497, "2.50", "t/t"},
		{tag(plant.HeatTransfer, "u"), 0.7, "0.70", "kW/(m²·K)"},
		{tag(plant.State, "pump_running"), 1, "running", ""},
		{tag(plant.State, "other"), 0, "no", ""},
		{tag(plant.MassFlow, "steam_flow"), math.NaN(), dash, "t/h"},
		{tag(plant.MassFlow, "steam_flow"), math.Inf(1), dash, "t/h"},
		{tag(plant.AnyDimension, "phase"), 12.3456, "12.35", ""},
	} {
		if got := s.number(c.tag, c.v).String(); got != c.want || unitText(c.tag).String() != c.unit {
			t.Errorf("%s %v: %q %q, want %q %q", c.tag.Name, c.v, got, unitText(c.tag), c.want, c.unit)
		}
	}
	for _, c := range []struct {
		d    time.Duration
		want string
	}{{-time.Second, "0 s"}, {59 * time.Second, "59 s"}, {3 * time.Minute, "3 min"}, {125 * time.Minute, "2 h 05 min"}, {51 * time.Hour, "2 d 3 h"}} {
		if got := span(c.d).String(); got != c.want {
			t.Errorf("span(%v) = %q, want %q", c.d, got, c.want)
		}
	}
}

// TestAbsent: an absent value is an en dash with its reason, in every way of
// being absent.
func TestAbsent(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	p := m.Picture()
	id := func(path string) plant.TagID { tag, _ := m.house.Find(path); return tag.ID }
	for _, c := range []struct {
		id  plant.TagID
		why string
	}{
		{plant.NoTag, "neither measured nor calculated here"},
		{id("EV.EV3.vapour_temperature"), "the sensor has failed"},
		{id("CDB.approach"), "needs the vapour pressure of the condenser, which is not measured"},
		{plant.TagID(len(m.house.Tags) + 5), "neither measured nor calculated here"},
	} {
		r := s.read(p, c.id, time.Now())
		if r.Text != dash || r.OK || r.Class != "absent" || r.Why.String() != c.why {
			t.Errorf("%d: %q %q, want a dash for %q", c.id, r.Text, r.Why, c.why)
		}
	}
	if r := s.read(p, id("EV.EV4.level"), time.Now()); r.Text != "42" || r.Word != "doubtful" || r.Why != "the sensor is not accurate" {
		t.Errorf("a doubtful value: %+v", r)
	}
	if r := s.read(&engine.Picture{Frame: plant.NewFrame(0)}, id("EV.EV4.level"), time.Now()); r.Why != "no value has arrived yet" {
		t.Errorf("before data: %+v", r)
	}
	if r := s.read(&engine.Picture{Frame: &plant.Frame{Points: []plant.Point{{Value: math.NaN(), Quality: plant.Good}}}}, 0, time.Now()); r.OK || r.Text != dash {
		t.Errorf("a Good NaN is shown as a number: %+v", r)
	}
}

var celsius = shownUnit{text: "°C", plain: "K", scale: 1}

// TestLadder: lengths in the picture are temperatures.
func TestLadder(t *testing.T) {
	rs := []rung{{Name: "A", Chest: 120, Boiling: 110, Vapour: 106, Ratio: 0.75}, {Name: "B", Chest: math.NaN(), Boiling: math.NaN(), Vapour: math.NaN(), Ratio: math.NaN()},
		{Name: "C", Chest: 100, Boiling: math.NaN(), Vapour: 90, Ratio: math.NaN()}, {Name: "K", Condenser: true, Chest: 89, Vapour: 80, Boiling: math.NaN(), Ratio: math.NaN()}}
	d := drawLadder("x", rs, celsius)
	h := map[string]float64{}
	for _, r := range d.Rects {
		h[r.Class] = r.H
		if r.H < 0 || r.Y < 0 || r.Y+r.H > d.H || r.X < 0 || r.X+r.W > d.W {
			t.Errorf("%+v lies outside the picture", r)
		}
	}
	// A: 10 K drive boiling, of which a quarter is lost to scale, and 4 K are
	// boiling-point rise: 7.5 to 2.5 to 4.
	perK := h["lt-outline"] / 14
	for class, k := range map[string]float64{"lt-bar useful": 7.5, "lt-bar scale": 2.5, "lt-bar rise": 4, "lt-bar apparent": 10, "lt-bar approach": 9} {
		if math.Abs(h[class]/perK-k) > 0.1 {
			t.Errorf("%s is %.2f K long, want %g", class, h[class]/perK, k)
		}
	}
	if d := drawLadder("x", rs[1:2], celsius); len(d.Rects) != 0 || !strings.Contains(d.Captions[0].Text.String(), "No temperatures") {
		t.Error("a ladder without temperatures should say so")
	}
}

// TestLadderLarge: seven effects and a condenser still fit, and no vapour line
// joins bodies of one effect.
func TestLadderLarge(t *testing.T) {
	var rs []rung
	for i := range 7 {
		top := 125 - 10*float64(i)
		rs = append(rs, rung{Effect: max(1, i), Chest: top, Boiling: top - 7, Vapour: top - 9, Ratio: 0.9})
	}
	rs = append(rs, rung{Condenser: true, Chest: 55, Vapour: 45, Boiling: math.NaN(), Ratio: math.NaN()})
	d := drawLadder("x", rs, celsius)
	for i := range 7 {
		bar, next := d.Rects[4*i], rect{X: d.W}
		if i < 6 {
			next = d.Rects[4*i+4]
		}
		for _, c := range d.Captions {
			// A figure of 18 units has digits about 10 wide.
			if c.Class == "lt-dt" && c.X > bar.X && c.X < next.X && c.X+10*float64(len(c.Text)) > next.X+next.W {
				t.Errorf("%q runs over the next bar", c.Text)
			}
		}
	}
	for _, c := range d.Captions { // a word of 15 units beside a figure of 16: about 8 wide each
		if c.Text == "steam" && c.X+8*5 > d.Rects[0].X+d.Rects[0].W/2-8*2.5 {
			t.Error("the word steam runs into the first figure")
		}
	}
	n := 0
	for _, l := range d.Lines {
		if l.Class == "lt-vapour" {
			n++
		}
	}
	// One line for the steam, and two for each of six passages: bodies 1 and 2
	// share an effect.
	if n != 13 {
		t.Errorf("%d lines of vapour, want 13", n)
	}
}

// TestStrikeRibbon: hostile and odd strikes stay inside the picture.
func TestStrikeRibbon(t *testing.T) {
	now := time.Now()
	for _, st := range []ribbon{
		{Started: now.Add(-time.Hour)},
		{Started: now.Add(-50 * time.Hour), Expected: time.Hour, Phases: []ribbonPhase{{Name: "x", Start: now.Add(-50 * time.Hour)}}},
		{Started: now.Add(time.Hour), Expected: time.Hour, Phases: []ribbonPhase{{Name: "x", Start: now.Add(2 * time.Hour), End: now}, {Expected: 500 * time.Hour}}},
	} {
		for _, size := range []strikeSize{slimStrike, wideStrike} {
			d := drawStrike("x", size, st, true, st.Expected, now, []plant.Bucket{{Start: now, Mean: math.NaN()}, {Start: now.Add(-time.Minute), Mean: 99}}, nil)
			for _, r := range d.Rects {
				if r.W <= 0 || r.H <= 0 || r.X < 0 || r.X+r.W > d.W+0.2 || r.Y+r.H > d.H {
					t.Errorf("%+v lies outside", r)
				}
			}
			if len(d.Lines) > 100 {
				t.Errorf("%d lines", len(d.Lines))
			}
		}
	}
}

// BenchmarkHouse is one repaint of the house page for one client.
func BenchmarkHouse(b *testing.B) {
	m := newMill(b, time.Now())
	s := newServer(b, m, Options{})
	r := httptest.NewRequest(http.MethodGet, "/stream?view=house", nil)
	for b.Loop() {
		p := *m.Picture() // a new one each time
		if _, err := s.changes(s.housePage, r, &p, map[string]template.HTML{}); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzTrendQuery(f *testing.F) {
	for _, q := range []string{"tag=EV.u&span=8h", "tag=a&from=2026-01-01T00:00:00Z&to=2026-01-02T00:00:00Z&points=5", "points=-1", "span=9", "tag=%ff", "from=1e9"} {
		f.Add(q)
	}
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, raw string) {
		q, err := url.ParseQuery(raw)
		if err != nil {
			return
		}
		got, err := parseTrend(q, time.UTC, now)
		if err != nil {
			if fe, ok := errors.AsType[*failed](err); !ok || fe.code != http.StatusBadRequest {
				t.Fatalf("%q: %v is not a refusal", raw, err)
			}
			return
		}
		if d := got.To.Sub(got.From); d < time.Second || d > maxSpan || len(got.Tags) > maxTraces {
			t.Fatalf("%q: %+v is out of bounds", raw, got)
		}
	})
}

func FuzzRecordQuery(f *testing.F) {
	for _, q := range []string{"kind=alarms&match=x&before=10", "limit=501", "after=-1", "from=x", "kind=program&limit=5"} {
		f.Add(q)
	}
	f.Fuzz(func(t *testing.T, raw string) {
		q, err := url.ParseQuery(raw)
		if err != nil {
			return
		}
		got, err := parseRecord(q, time.UTC)
		if err == nil && (got.Filter.Limit < 1 || got.Filter.Limit > maxEvents || len(got.Filter.Match) > 100) {
			t.Fatalf("%q: %+v is out of bounds", raw, got)
		}
	})
}

func FuzzLocalPath(f *testing.F) {
	for _, p := range []string{"/alarms?done=x", "//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)", "/a\nb", "/%2f%2fevil"} {
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, raw string) {
		got := localPath(raw)
		u, err := url.Parse(got)
		if err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(got, "/") || strings.HasPrefix(got, "//") || strings.HasPrefix(got, "/\\") {
			t.Fatalf("%q leads to %q", raw, got)
		}
	})
}

func FuzzCleanText(f *testing.F) {
	f.Add("  a  b ")
	f.Add("a\x00b")
	f.Add("\xff")
	f.Fuzz(func(t *testing.T, raw string) {
		got, err := cleanText("x", raw, 60)
		if err == nil && (len([]rune(got)) > 60 || strings.ContainsAny(got, "\x00\n\r\x1b") || got != strings.TrimSpace(got)) {
			t.Fatalf("%q became %q", raw, got)
		}
	})
}
