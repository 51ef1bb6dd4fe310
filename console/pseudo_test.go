package console

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"golang.org/x/net/html"

	"calandria/alerting"
	"calandria/console/catalog"
	"calandria/engine"
	"calandria/engine/setup"
	"calandria/plant"
	"calandria/thermo"
)

// A language of marks: its texts are the English ones in brackets, what is put into them
// stands outside. What of a page is in no bracket was not said through the catalogue.
const opening, closing = "⟦", "⟧"

// bracketed is a text in the language of marks.
func bracketed(key string) string {
	var out strings.Builder
	at := 0
	piece := func(s string) {
		bare := strings.TrimSpace(s)
		before, after, _ := strings.Cut(s, bare)
		if bare == "" {
			out.WriteString(s)
			return
		}
		out.WriteString(before + opening + bare + closing + after)
	}
	for _, m := range aValue.FindAllStringIndex(key, -1) {
		piece(key[at:m[0]])
		out.WriteString(key[m[0]:m[1]])
		at = m[1]
	}
	piece(key[at:])
	return out.String()
}

// markedLanguage makes the language of one file, as any further one is made.
func markedLanguage(t *testing.T) *catalog.Language {
	texts := map[string]string{}
	for key := range allKeys(t) {
		texts[key] = bracketed(key)
	}
	body, err := json.Marshal(texts)
	if err != nil {
		t.Fatal(err)
	}
	all, err := catalog.Load(fstest.MapFS{"eo.json": {Data: body}})
	if err != nil {
		t.Fatal(err)
	}
	return all[1]
}

var (
	inMarks = regexp.MustCompile(opening + `[^` + opening + closing + `]*` + closing)
	// plainly is what no language changes: addresses, versions, names of files and of the
	// program, units, times of day and zones, codes of quality.
	plainly = regexp.MustCompile(`https?://\S+|\b[A-Za-z]\w*(\.\w+)+\b|opc\.tcp://\S+|ns=\d+;[isgb]=\S+|\b[\w-]+\.(yaml|md|csv|pdf|json|html)\b|\bCalandria\b|\bUTC\b|\d{4}-\d\d-\d\dT[\d:]+Z?|` +
		`\b(kPa|bar|kgf/cm2|psi|[mc]mHg|inHg|degC|degF|t/h|kg/s|kg/h|klb/h|kJ|kW|MW|m2|m3|min|Bx|ISA-18\.2|EEMUA|OPC UA|Brix|USD|CSV|PDF|cookie|pH)\b|` +
		`\b(Good|Bad|Uncertain)\w*\b|\b[A-Z]{3,}\b|[ns]su?=\S+|\b\w+_\w+\b|µS/cm|[µ°·/]?\b(m|s|h|d|t|K|C|F|S|A|U|W|L)\b[²³]?`)
	aRest = regexp.MustCompile(`\pL{2,}`)
)

// unsaid lists what a page says outside the brackets, but for what is data.
func unsaid(t *testing.T, page string, data *strings.Replacer) (out []string) {
	root, err := html.ParseWithOptions(strings.NewReader(page), html.ParseOptionEnableScripting(false))
	if err != nil {
		t.Fatal(err)
	}
	look := func(where, text string) {
		rest := text
		for inMarks.MatchString(rest) {
			rest = inMarks.ReplaceAllString(rest, "")
		}
		left := plainly.ReplaceAllString(data.Replace(rest), "")
		if rest = data.Replace(plainly.ReplaceAllString(rest, "")); aRest.MatchString(rest) && aRest.MatchString(left) {
			out = append(out, fmt.Sprintf("%s: %s   [%s]", where, strings.Join(strings.Fields(text), " "), strings.Join(strings.Fields(rest), " ")))
		}
	}
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		switch {
		case n.Type == html.ElementNode && slices.Contains([]string{"code", "script", "style", "kbd"}, n.Data):
			return
		case n.Type == html.TextNode:
			look(n.Parent.Data, n.Data)
		}
		for _, a := range n.Attr {
			if slices.Contains([]string{"title", "aria-label", "placeholder", "data-why", "alt"}, a.Key) {
				look(n.Data+" "+a.Key, a.Val)
			}
		}
		for c := range n.ChildNodes() {
			walk(c)
		}
	}
	walk(root)
	return out
}

// siteWords is what the site itself wrote: names, titles, texts of rules and of people.
func siteWords(m *fakeMill, more ...string) *strings.Replacer {
	list := append(more, m.house.Config.Site.Name, m.house.Config.Site.Note)
	for _, e := range m.house.Equipment {
		list = append(list, e.Path, e.Name, e.Title)
	}
	for i := range m.specs {
		a := &m.specs[i]
		list = append(list, a.Title, a.Name, a.Cause, a.Consequence, a.Verify, a.Hazard, a.Procedure, a.Topic, a.Area, a.Source)
		list = append(list, strings.Split(a.Response, "\n")...)
	}
	for _, tags := range derived {
		for _, d := range tags {
			list = append(list, d.what.String())
		}
	}
	for _, e := range m.events {
		list = append(list, e.User, e.Reason, e.Comment)
	}
	slices.SortFunc(list, func(a, b string) int { return len(b) - len(a) })
	var pairs []string
	for _, x := range list {
		if x = strings.TrimSpace(x); x != "" {
			pairs = append(pairs, x, "")
		}
	}
	return strings.NewReplacer(pairs...)
}

// Every word of every page is said through the catalogue, so that one more file of texts is
// one more language.
func TestEveryWordIsInTheCatalogue(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: reads the whole program")
	}
	marked := markedLanguage(t)
	m := newMill(t, time.Now())
	m.insight = true
	m.step(func(now time.Time) {
		m.planned = []thermo.Planned{{Path: "EV.EV4", From: now, Until: now.Add(5 * time.Hour), By: "A. Day"}}
		m.past = Past{Corrections: []plant.Correction{{ID: 1, Tag: "EV.juice_flow", From: now.Add(-time.Hour), To: now, Factor: 1.04, By: "A. Day", Reason: "gland"}},
			Jobs: []plant.Job{{ID: 1, From: now.Add(-time.Hour), To: now, By: "A. Day", Why: "gland", State: plant.JobRunning}}}
	})
	options := Options{Targets: map[string]Target{"EV.economy": {Least: ptr(2.4)}}, Reports: []ReportOrder{{Span: "week", Folder: "reports", Mail: "A. Day"}, {Span: "season", Folder: "reports"}},
		Version: "0.0"}
	s := newServer(t, m, options)
	speakMarks(t, s, marked)
	data := siteWords(m, append(s.b.Aggregates(), "A. Day", "B. Night", "M. Okoro", "gland", "D. Noon", "Asia/Kolkata", "America/Sao_Paulo", "English", "español", "português", "esperanto", "mill", "CD1, CDA", "no such time zone",
		"Loss of vacuum (invented)", "1. Compare the approach of the condenser with its usual figure.", "feed valve hunted", "high: 21", "only this vessel", "usual rise", "reports", `"x"`, `"someday"`, "42:0123456789abcdef", "written a second ago", "in order", "held: steam pressure.", "in alarm since the delay ran out",
		"nothing", "the set is in service", "vapour pressure of EV5 above 20 kPa, for 30 s", "vapour pressure of EV5 > 20 kPa", "age < 60 s", "feed on took 110 min, usually 80", "concentrate has lasted 105 min, usually 18",
		"the liquor by the purities would be at a supersaturation of 0.88: a purity is wrong, or the Brix is of the spindle", "EV2 vapour pressure", "EV2 level", "balanced from flow and Brix", "what a cleaning restores is not known",
		"EV.EV2.vapour_pressure seems to read 6.3 kPa low (± 1.2, z 5.3), or it is EV.EV2.vapour_temperature: the balances cannot tell them apart", "EV.EV2.vapour_pressure seems to read 6,3 kPa low (± 1,2, z 5,3), or it is EV.EV2.vapour_temperature: the balances cannot tell them apart",
		"needs the vapour pressure of the condenser, which is not measured", "pump, strainer and valve", "the gas temperature would decide")...)
	asker := http.Header{"Cookie": {lookCookie + "=language%3Deo"}, "Sec-Fetch-Site": {"same-origin"}}
	found := map[string]string{}
	check := func(name string, body string) {
		for _, x := range unsaid(t, body, data) {
			if found[x] == "" {
				found[x] = name
				t.Errorf("%s: %s", name, x)
			}
		}
	}
	pages := append(slices.Clone(pagePaths), []struct{ name, path string }{{"all instruments", "/instruments?show=all"}, {"alarm out", "/alarms/EV3_thermometer"}, {"error", "/nothing"}, {"setup", "/setup"},
		{"shift report", "/record/report?span=shift"}, {"season", "/record/report?span=season"}, {"refused day", "/record/report?at=x"}, {"journal", "/record?kind=all"}, {"procedure", "/procedures/vacuum%20loss"},
		{"search", "/search?q=a"}, {"body 5", "/vessel/EV.EV5"}, {"pan 2", "/vessel/PB1"}}...)
	for _, p := range pages {
		check(p.name, ask(s.Handler(), http.MethodGet, p.path, "", asker).Body.String())
	}
	for path, form := range map[string]url.Values{
		"/cleaning/record": {"body": {"EV.EV4"}, "method": {"refuse"}, "end": {"x"}}, "/cleaning/planned": {"set": {"EV"}, "until": {"x"}}, "/past/correct": {"tag": {"x"}, "from": {"y"}},
		"/past/recalculate": {"from": {"x"}}, "/rules/EV5_vacuum_low/try": {"high": {"x"}}, "/alarms/EV5_vacuum_low/" + string(alerting.TimedShelve): {"name": {"A. Day"}}, "/look": {"time_zone": {"x"}},
		"/strikes/1/laboratory": {"massecuite": {"x"}}, "/strikes/1/reference": {}, "/record/note": {}, "/record/tasks/1/done": {}, "/trends/views": {}, "/setup": {"site": {""}},
		"/alarms/EV5_vacuum_low/acknowledge": {"name": {"A. Day"}, "occurrence": {"99"}}, "/alarms/EV5_vacuum_low/unshelve": {"name": {"A. Day"}}, "/alarms/EV5_vacuum_low/confirm": {"name": {"A. Day"}},
		"/alarms/EV5_vacuum_low/place": {"name": {"A. Day"}, "why": {"gland"}}, "/alarms": {"name": {"A. Day"}}, "/alarms/nothing/acknowledge": {"name": {"A. Day"}, "occurrence": {"1"}},
	} {
		check("POST "+path, ask(s.Handler(), http.MethodPost, path, form.Encode(), asker).Body.String())
	}
	if err := m.Try(t.Context(), engine.TrialWish{Alarm: "EV5_vacuum_low", Texts: map[string]string{"high": "21"}, Span: 24 * time.Hour}); err != nil {
		t.Fatal(err)
	}
	check("trial", ask(s.Handler(), http.MethodGet, "/rules/EV5_vacuum_low", "", asker).Body.String())
	m.finishTrial()
	check("trial over", ask(s.Handler(), http.MethodGet, "/rules/EV5_vacuum_low", "", asker).Body.String())
}

func speakMarks(t *testing.T, s *Server, marked *catalog.Language) {
	t.Helper()
	s.speak(append(languagesOf(s), marked))
	if err := s.dress(s.look); err != nil {
		t.Fatal(err)
	}
}

func languagesOf(s *Server) (all []*catalog.Language) {
	for _, x := range s.spoken {
		all = append(all, x.Language)
	}
	return all
}

func ptr(v float64) *float64 { return &v }

// The same of what one meets before there is a plant, or an account: the empty site, each
// step of the first plant file, signing in, and the link of a notice.
func TestEveryWordBeforeTheFirstDay(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: reads the whole program")
	}
	marked := markedLanguage(t)
	asker := http.Header{"Cookie": {lookCookie + "=language%3Deo"}, "Sec-Fetch-Site": {"same-origin"}}
	check := func(s *Server, method, path string, form url.Values, data *strings.Replacer) string {
		t.Helper()
		w := ask(s.Handler(), method, path, form.Encode(), asker)
		for _, x := range unsaid(t, w.Body.String(), data) {
			t.Errorf("%s %s: %s", method, path, x)
		}
		return w.Header().Get("Location")
	}

	m := newMill(t, time.Now())
	file := filepath.Join(t.TempDir(), "plant.yaml")
	var err error
	if m.house, err = plant.Load(file, []byte("site: {name: New site}\n")); err != nil {
		t.Fatal(err)
	}
	m.picture, m.specs, m.events = nil, nil, nil
	nodes, _ := oddServer()
	browsed := 0
	s := newServer(t, m, Options{Version: "0.0", WritePlant: func(string, string) error { return nil }, Browse: func(context.Context, *plant.ServerConfig, string) ([]setup.Node, error) {
		if browsed++; browsed == 1 {
			return nil, nil
		}
		return nodes, nil
	}})
	speakMarks(t, s, marked)
	site := append(s.b.Aggregates(), "New site", "English", "español", "português", "esperanto", "EV", "EV1", "EV2", "EV3", "EV4", "EV5", "CD", "plant", "mill", "many", "Sao_Paulo", "America/", "PA1, PB1", filepath.Dir(file))
	for _, n := range nodes {
		site = append(site, n.Path, n.Name, n.Description)
	}
	slices.SortFunc(site, func(a, b string) int { return len(b) - len(a) })
	var pairs []string
	for _, x := range site {
		if x != "" {
			pairs = append(pairs, x, "")
		}
	}
	data := strings.NewReplacer(pairs...)
	for _, path := range []string{"/", "/alarms", "/trends", "/cleaning", "/pans", "/record", "/record/measures", "/record/shift", "/record/report", "/past", "/instruments", "/rules", "/procedures", "/whatif", "/look", "/wall", "/search?q=a", "/setup"} {
		check(s, http.MethodGet, path, nil, data)
	}
	form := url.Values{"endpoint": {"opc.tcp://10.0.0.5:4840"}, "policy": {"None"}, "site": {"New site"}, "altitude": {"12"}, "surfaces": {"1500"}, "effects": {"many"}, "condensers": {"CD"}}
	check(s, http.MethodPost, "/setup", form, data)
	form.Set("effects", "4")
	check(s, http.MethodPost, "/setup", form, data) // the server shows nothing
	at := check(s, http.MethodPost, "/setup", form, data)
	for n := 0; at != "/setup" && n < 12; n++ {
		check(s, http.MethodGet, at, nil, data)
		at = check(s, http.MethodPost, "/setup/signals", url.Values{"vessel": {strings.TrimPrefix(at, "/setup?vessel=")}, "node.1": {"-1"}}, data)
	}
	check(s, http.MethodGet, "/setup?costs=1", nil, data)
	check(s, http.MethodPost, "/setup/write", nil, data)
	check(s, http.MethodGet, "/setup?done=setup", nil, data)

	g := newGated(t, nil)
	speakMarks(t, g.s, marked)
	boiling := newMill(t, time.Now())
	mill := siteWords(boiling, "A. Day", "somebody", "no-token", "test")
	check(g.s, http.MethodGet, "/sign-in", nil, mill)
	check(g.s, http.MethodPost, "/sign-in", url.Values{"name": {"somebody"}, "password": {"wrong password"}}, mill)
	check(g.s, http.MethodPost, "/sign-in", url.Values{}, mill)
	var refused error
	link := newServer(t, boiling, Options{Acknowledge: func(string, time.Time, bool) (string, uint64, string, error) {
		return "EV5_vacuum_low", 1, "A. Day", refused
	}})
	speakMarks(t, link, marked)
	check(link, http.MethodGet, "/acknowledge/a", nil, mill)
	check(link, http.MethodPost, "/acknowledge/a", nil, mill)
	check(link, http.MethodPost, "/acknowledge/a", nil, mill) // it is acknowledged already
}
