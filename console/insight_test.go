package console

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/alerting"
	"calandria/plant"
	"calandria/thermo"
)

// TestInsights: an instrument that contradicts the others is named on its page,
// marked on the house's at its value and at the one that would explain it as
// well; the causes of a poor vacuum stand ranked with their numbers where the
// vacuum is spoken of. Without either the pages say that nothing is wrong.
func TestInsights(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	page := func(path string) string { return get(t, s.Handler(), path, http.StatusOK) }
	must := func(path string, wants ...string) {
		t.Helper()
		body := page(path)
		for _, want := range wants {
			if !strings.Contains(body, want) {
				t.Errorf("%s lacks %q", path, want)
			}
		}
	}
	must("/instruments", "Contradicts the others", "never corrected by the program", "smallest error that would be seen", "0.49 Bx", "not checked")
	must("/", "Vacuum of CD5: nothing unusual", "not judged, the condenser is not at work")
	must("/vessel/CD5", "Nothing unusual.", "normal learned from 5 h of running")
	must("/vessel/CDA", "Not judged: the condenser is not at work.")
	must("/alarms/EV5_vacuum_low", "likely causes", "Nothing unusual.")
	for _, path := range []string{"/alarms/EV2_level_low", "/vessel/EV.EV2", "/vessel/EV"} {
		if strings.Contains(page(path), "likely causes") {
			t.Errorf("%s speaks of vacuum", path)
		}
	}
	if n := strings.Count(page("/"), "≠"); n != 0 {
		t.Errorf("%d marks without a suspect", n)
	}

	m.insight = true
	m.step(func(time.Time) {})
	must("/instruments", "EV2 vapour pressure", "6.3 kPa low", "± 1.2", "EV.EV2.vapour_temperature</a>", "the balances cannot tell them apart", `href="/trends?tag=EV.EV2.vapour_pressure`)
	must("/", "EV2 vapour pressure", `href="/instruments#contradicts"`, "contradicts the other instruments: seems to read 6.3 kPa low",
		"4.6 kPa (6.1 K) above normal", "too little cooling water</b> explains 4.2 K", "air or gas")
	if n := strings.Count(page("/"), `aria-label="contradicts the others"`); n == 0 {
		t.Error("no mark at the value")
	}
	must("/instruments?show=faulty", "EV.EV2.vapour_pressure", "one of several that may contradict the others")
	for _, path := range []string{"/vessel/CD5", "/vessel/EV.EV5", "/alarms/EV5_vacuum_low"} {
		must(path, "likely causes", "too little cooling water", "rise <b>14.1</b>, 9.9 K", "pump, strainer and valve", "the gas temperature would decide", "1.9 K is beyond")
		if body := page(path); strings.Index(body, "too little cooling water") > strings.Index(body, "air or gas") {
			t.Errorf("%s: not ranked", path)
		}
	}
	var got struct {
		Suspects []struct {
			What  string
			Bias  float64
			Alike []string
		}
		Vacuum []struct {
			Condenser string
			Known     bool
			Causes    []struct {
				Cause     string
				ExplainsK float64 `json:"explains_k"`
				Evidence  []struct{ Now, Normal float64 }
			}
		}
	}
	if err := json.Unmarshal([]byte(page("/api/v1/picture")), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Suspects) != 1 || got.Suspects[0].Bias != -6.31 || len(got.Suspects[0].Alike) != 1 || len(got.Vacuum) != 2 || got.Vacuum[1].Known ||
		len(got.Vacuum[0].Causes) != 2 || got.Vacuum[0].Causes[0].ExplainsK != 4.2 || got.Vacuum[0].Causes[0].Evidence[0].Now != 14.1 {
		t.Errorf("API: %+v", got)
	}
}

// TestVacuumAlarm: the condenser an alarm is about.
func TestVacuumAlarm(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	for _, c := range []struct {
		spec plant.AlarmSpec
		want string
	}{
		{plant.AlarmSpec{Name: "x", Source: "PA1", Explain: "CD5.approach"}, "CD5"},
		{plant.AlarmSpec{Name: "x", Source: "PA1", Explain: "PA1.level"}, ""},
		{plant.AlarmSpec{Name: "pan_vacuum_low.PA1", Source: "PA1"}, "CDA"},
		{plant.AlarmSpec{Name: "x", Group: "vacuum.CD5", Source: "EV.EV5"}, "CD5"},
		{plant.AlarmSpec{Name: "x", Title: "Vacuum poor", Source: "EV.EV4"}, ""},
		{plant.AlarmSpec{Name: "x", Title: "Vacuum poor", Source: "EV"}, "CD5"},
		{plant.AlarmSpec{Name: "vacuum", Source: "CDB"}, "CDB"},
		{plant.AlarmSpec{Name: "vacuum", Source: "nothing"}, ""},
		{plant.AlarmSpec{Name: "level", Source: "EV.EV5"}, ""},
	} {
		got := ""
		if e := s.vacuumAlarm(&c.spec); e != nil {
			got = e.Path
		}
		if got != c.want {
			t.Errorf("%+v: %q, want %q", c.spec, got, c.want)
		}
	}
}

// TestRulesFilter: the list of definitions narrows to what fits, its figures
// stay those of all.
func TestRulesFilter(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	body := get(t, s.Handler(), "/rules?match=VACUUM", http.StatusOK)
	if !strings.Contains(body, "Vacuum of body 5 is falling") || strings.Contains(body, "Juice level of body 4") || !strings.Contains(body, "alarms defined") || !strings.Contains(body, `value="VACUUM"`) {
		t.Error("the list does not keep to what was asked for")
	}
	if body := get(t, s.Handler(), "/rules?match=nothing+of+the+kind", http.StatusOK); !strings.Contains(body, "Nothing fits") {
		t.Error("an empty list says nothing")
	}
	// All the words, in any order, as the search has them: its "All of them" leads here.
	if body := get(t, s.Handler(), "/rules?match=falling+vacuum", http.StatusOK); !strings.Contains(body, "Vacuum of body 5 is falling") {
		t.Error("words in another order are not found")
	}
}

// TestPending: while a delay runs the page does not call the condition normal.
func TestPending(t *testing.T) {
	now := time.Now()
	m := newMill(t, now)
	m.specs[1].OnDelay = time.Hour
	var err error
	if m.engine, err = alerting.New(m.specs); err != nil {
		t.Fatal(err)
	}
	name := m.specs[1].Name
	m.feed(name, now.Add(-time.Minute), plant.False, 1)
	m.feed(name, now, plant.True, 1)
	m.publish(now)
	s := newServer(t, m, Options{})
	if body := get(t, s.Handler(), "/alarms/"+name, http.StatusOK); !strings.Contains(body, "present, alarm at "+s.clock(now.Add(time.Hour)).String()) {
		t.Error("the page does not say when the alarm will come")
	}
}

// TestInsightsInBrowser: the mark at a value says why when it has the focus, and
// nothing is wider than the screen.
func TestInsightsInBrowser(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	sv.mill.step(func(time.Time) { sv.mill.insight = true })
	for _, page := range []struct{ name, path string }{{"house", "/"}, {"instruments", "/instruments"}, {"condenser", "/vessel/CD5"}, {"alarm", "/alarms/EV5_vacuum_low"}} {
		b.do("open", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+page.path))
		if page.name == "house" {
			b.do("focus", chromedp.Click(".ladder span.v.doubt"))
			if got := eval[string](b, "getComputedStyle(document.activeElement, '::after').content"); !strings.Contains(got, "6.3 kPa low") {
				t.Errorf("the reason is not shown on focus: %s", got)
			}
		}
		if wide := eval[int](b, "document.documentElement.scrollWidth - innerWidth"); wide > 0 {
			t.Errorf("%s is %d px wider than the screen", page.path, wide)
		}
		b.shot("insight-" + page.name + "-1280")
	}
	b.clean()
}

// TestInUsual: a figure stands in its band, the middle half of the width; a vacuum counts
// the other way round.
func TestInUsual(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	tag, _ := m.house.Find("EV.EV5.vapour_pressure")
	for _, c := range []struct {
		mean, want float64
		departs    string
	}{{15, 25, ""}, {16, 50, ""}, {17, 75, ""}, {17.5, 87.5, "high"}, {30, 100, "high"}, {1, 0, "low"}} {
		p := *m.Picture()
		p.Usual = map[plant.TagID]thermo.Band{tag.ID: {Low: 15, High: 17, Mean: c.mean}}
		r := s.read(&p, tag.ID, p.At)
		if r.InUsual == nil || *r.InUsual != c.want || r.Departs.String() != c.departs || !strings.Contains(r.Usual.String(), "15.0 to 17.0") {
			t.Errorf("%g: %+v", c.mean, r)
		}
		if v := s.setView(t.Context(), &p, m.house.Of(plant.ClassSet)[0], p.At); v.Figures[5].Value.InUsual == nil {
			t.Error("House does not have the band of the vacuum")
		}
	}
}

// TestBarsOfPans: the figures of a strike have the same bar, on House and on the page of
// pans; before the feed only too much is unusual, and the band begins at nought.
func TestBarsOfPans(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	for _, path := range []string{"/", "/pans"} {
		body := get(t, s.Handler(), path, http.StatusOK)
		for _, want := range []string{"usual at this point of a strike: 1.", "usual at this point of a strike: 6"} {
			if !strings.Contains(body, `class="in-band"`) || !strings.Contains(body, `aria-label="`+want) {
				t.Errorf("%s lacks %q", path, want)
			}
		}
	}
	tag, _ := m.house.Find("PA1.supersaturation")
	p := *m.Picture()
	p.Usual = map[plant.TagID]thermo.Band{tag.ID: {Low: math.Inf(-1), High: 1.2, Mean: 0.6, Strike: true}}
	if r := s.read(&p, tag.ID, p.At); r.InUsual == nil || *r.InUsual != 50 || !strings.Contains(r.Usual.String(), "at most 1.20") {
		t.Errorf("%+v", r)
	}
	// What is farthest outside its band is named first.
	pan, far := m.house.Equipment[0], ""
	for _, e := range m.house.Of(plant.ClassPan) {
		if e.Path == "PA1" {
			pan = e
		}
	}
	p.Usual = map[plant.TagID]thermo.Band{}
	for i, name := range []string{"massecuite_temperature", "vapour_pressure", "supersaturation"} {
		p.Usual[pan.Tag(name)] = thermo.Band{Low: 1, High: 2, Mean: 4 + float64(i)}
		far = name
	}
	if d := s.departures(&p, pan, p.At); len(d) != 3 || !strings.Contains(d[0].Text.String(), far) || !strings.Contains(d[2].Text.String(), "massecuite temperature") {
		t.Errorf("%v", d)
	}
}

// TestSpecNumber: a small figure keeps three digits that count.
func TestSpecNumber(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 0.77: "0.77", 0.7691: "0.769", 0.0053333: "0.00533", -0.0017552: "−0.00176", 0.05: "0.05", 0.0999: "0.0999", 12.345: "12.35", 16.14: "16.14", 1234.5: "1234", 1e-12: "0"} {
		if got := specNumber(v).String(); got != want {
			t.Errorf("%v: %q, want %q", v, got, want)
		}
	}
}

// TestAlarmValue: as many digits as a reader needs, and enough to tell a value from its
// limit.
func TestAlarmValue(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	for _, c := range []struct {
		v, limit float64
		want     string
	}{{1.605, 0.8, "1.6 K"}, {0.8213, 0.8, "0.82 K"}, {237.14, math.NaN(), "237 K"}, {101.36, 101.3, "101.4 K"}, {92.347, 92, "92.3 K"}, {3.893, 10, "3.9 K"}, {0.0053333, 0.005, "0.0053 K"}, {0, 1, "0 K"}} {
		limit := &c.limit
		if math.IsNaN(c.limit) {
			limit = nil
		}
		if got := s.alarmValue("", "K", c.v, limit).String(); got != c.want {
			t.Errorf("%v at %v: %q, want %q", c.v, c.limit, got, c.want)
		}
	}
}

// A suspect whose error is badly determined is shown without a size.
func TestRoughSuspectHasNoSize(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	x := thermo.Suspect{What: "EV3 vapour pressure", Bias: -12, Sigma: 4, Unit: "kPa", Rough: true}
	if v := s.suspectView(&x, time.Now()); v.Bias.String() != "low, by how much cannot be said" || v.Sigma != "" {
		t.Errorf("%q ± %q", v.Bias.String(), v.Sigma.String())
	}
	x.Rough = false
	if v := s.suspectView(&x, time.Now()); v.Bias.String() != "12 kPa low" || v.Sigma.String() != "4.0" {
		t.Errorf("%q ± %q", v.Bias.String(), v.Sigma.String())
	}
}
