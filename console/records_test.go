package console

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/fouling"
	"calandria/thermo/pan"
)

var sameOrigin = http.Header{"Sec-Fetch-Site": {"same-origin"}}

// TestRecordCleaning: a cleaning reaches the program with the body's path and
// the time by the site's clock, and a refusal is told in its words.
func TestRecordCleaning(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	end := time.Now().Add(-3 * time.Hour).In(s.zone).Truncate(time.Minute)
	form := url.Values{"body": {"EV.EV4"}, "end": {end.Format("2006-01-02 15:04")}, "method": {"caustic boil-out"}, "note": {"tubes of the last pass"}, "name": {"D. Noon"}}
	w := ask(s.Handler(), "POST", "/cleaning/record", form.Encode(), sameOrigin)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/cleaning?done=cleaning#done" {
		t.Fatalf("record: %d to %q\n%.600s", w.Code, w.Header().Get("Location"), w.Body)
	}
	if len(m.cleanings) != 1 || m.cleanings[0].Body != "EV.EV4" || !m.cleanings[0].End.Equal(end) || m.cleanings[0].User != "D. Noon" || m.cleanings[0].Station != "127.0.0.1" {
		t.Fatalf("recorded: %+v", m.cleanings)
	}
	body := get(t, s.Handler(), "/cleaning?done=cleaning", http.StatusOK)
	for _, want := range []string{"The cleaning is recorded", "caustic boil-out", "tubes of the last pass", "never a permission", "not like scale", "limit reached now", "no values of U yet"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	form.Set("method", "refuse")
	w = ask(s.Handler(), "POST", "/cleaning/record", form.Encode(), sameOrigin)
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "before the running cycle") || !strings.Contains(w.Body.String(), `value="tubes of the last pass"`) {
		t.Errorf("a refusal: %d, its words or what was typed are missing", w.Code)
	}
	form.Set("end", time.Now().Add(time.Hour).In(s.zone).Format("2006-01-02 15:04"))
	if w = ask(s.Handler(), "POST", "/cleaning/record", form.Encode(), sameOrigin); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a cleaning to come: %d", w.Code)
	}
}

func TestPlanFiles(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	for path, kind := range map[string]string{"/cleaning/plan.csv": "text/csv", "/cleaning/plan.ics?days=21": "text/calendar"} {
		w := ask(s.Handler(), "GET", path, "", nil)
		if w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), kind) || !strings.HasPrefix(w.Header().Get("Content-Disposition"), "attachment") {
			t.Errorf("%s: %d %v", path, w.Code, w.Header())
		}
	}
}

// TestScaleChart: the band of a forecast stays on the chart, and one whose end
// is open reaches its edge.
func TestScaleChart(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	e, _ := m.house.Equip("EV.EV4")
	now := m.picture.At
	day := func(d float64) time.Time { return now.Add(time.Duration(d * 24 * float64(time.Hour))) }
	for _, f := range []fouling.Forecast{
		{Clean: 1.3, Limit: 0.7, Status: fouling.Expected, Ratio: 0.85, Due: day(10), Early: day(5), Late: day(20)},
		{Clean: 1.3, Limit: 0.7, Status: fouling.Expected, Ratio: 0.85, Due: day(100), Early: day(80), Late: day(300)},
		{Clean: 1.3, Limit: 0.7, Status: fouling.TooEarly, Ratio: 0.85, Early: day(5)},
		{Status: fouling.NoData},
		{Limit: 0.7, Status: fouling.Expected, Ratio: math.NaN(), Early: day(5)},
	} {
		x := thermo.Scale{Body: e.Path, Forecast: f}
		d := s.scaleChart(t.Context(), e, &x, nil, now)
		bands := 0
		for _, p := range d.Paths {
			if p.Class == "sc-band" {
				bands++
			}
			for xy := range strings.FieldsSeq(p.Points) {
				var px, py float64
				if _, err := fmt.Sscanf(xy, "%g,%g", &px, &py); err != nil || !(px >= 0 && px <= d.W && py >= 0 && py <= d.H) {
					t.Errorf("%+v: %s: point %s outside the chart (%v)", x, p.Class, xy, err)
				}
			}
		}
		if want := f.Ratio > 0; (bands == 1) != want {
			t.Errorf("%+v: %d bands", x, bands)
		}
	}
}

// TestPhaseRows: a phase that the strike came back to counts with all its time,
// the present one is late only once it is over its usual time.
func TestPhaseRows(t *testing.T) {
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	at := func(min int) time.Time { return now.Add(time.Duration(min) * time.Minute) }
	usual := &Strike{Strike: &pan.Strike{Start: at(-600), End: at(-400), Phases: []pan.PhaseRecord{
		{Phase: pan.Charge, Start: at(-600), End: at(-590)}, {Phase: pan.FeedOn, Start: at(-590), End: at(-490)},
		{Phase: pan.Tighten, Start: at(-490), End: at(-460)}, {Phase: pan.Drop, Start: at(-460), End: at(-440)}}}}
	st := ribbon{Started: at(-100), Phases: []ribbonPhase{
		{Name: "charge", Start: at(-100), End: at(-85)}, {Name: "feed on", Start: at(-85), End: at(-45)}, {Name: "tighten", Start: at(-45), End: at(-40)},
		{Name: "feed on", Start: at(-40)}, {Name: "drop", Expected: 20 * time.Minute}}}
	want := []phaseRow{{Name: "charge", Time: "0:15", Usual: "0:10", Difference: "+0:05"}, {Name: "feed on", Time: "1:20", Usual: "1:40", Now: true},
		{Name: "tighten", Time: "0:05", Usual: "0:30", Difference: "−0:25"}, {Name: "drop", Time: dash, Usual: "0:20", Ahead: true}}
	got := phaseRows(st, true, usual, now)
	if len(got) != len(want) {
		t.Fatalf("%+v", got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("row %d: %+v, want %+v", i, got[i], want[i])
		}
	}
	if rows := phaseRows(ribbon{}, false, nil, now); len(rows) != 0 {
		t.Errorf("no strike: %+v", rows)
	}
}

// TestShiftAt: shifts by the site's clock, on the days of the change of clock
// too. Berlin 2026: on 29 March 02:00 becomes 03:00, on 25 October 03:00
// becomes 02:00 (Directive 2000/84/EC: last Sundays, 01:00 UTC).
func TestShiftAt(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at     string
		hours  int
		from   string
		length time.Duration
		number int
	}{
		{"2026-03-01T06:00:00+01:00", 8, "2026-03-01T06:00:00+01:00", 8 * time.Hour, 1},
		{"2026-03-01T05:59:59+01:00", 8, "2026-02-28T22:00:00+01:00", 8 * time.Hour, 3},
		{"2026-03-01T21:00:00+01:00", 8, "2026-03-01T14:00:00+01:00", 8 * time.Hour, 2},
		{"2026-03-01T00:30:00+01:00", 12, "2026-02-28T18:00:00+01:00", 12 * time.Hour, 2},
		{"2026-03-29T03:30:00+02:00", 8, "2026-03-28T22:00:00+01:00", 7 * time.Hour, 3},
		{"2026-10-25T02:30:00+01:00", 8, "2026-10-24T22:00:00+02:00", 9 * time.Hour, 3},
	} {
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		from, to, n := shiftAt(at, c.hours, zone)
		if from.Format(time.RFC3339) != c.from || to.Sub(from) != c.length || n != c.number {
			t.Errorf("%s, %d h: %s for %s, number %d; want %s for %s, number %d", c.at, c.hours, from.Format(time.RFC3339), to.Sub(from), n, c.from, c.length, c.number)
		}
	}
}

// TestNote: a note is journalled and stands in the shift report.
func TestNote(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	form := url.Values{"source": {"PA1"}, "text": {"feed valve sticks at a third"}, "name": {"D. Noon"}, "from": {"shift"}}
	w := ask(s.Handler(), "POST", "/record/note", form.Encode(), sameOrigin)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/record/shift?done=note" {
		t.Fatalf("note: %d to %q", w.Code, w.Header().Get("Location"))
	}
	if e := m.events[len(m.events)-1]; e.Kind != plant.EventNote || e.Source != "PA1" || e.User != "D. Noon" || e.Station != "127.0.0.1" {
		t.Errorf("journal: %+v", e)
	}
	body := get(t, s.Handler(), "/record/shift", http.StatusOK)
	for _, want := range []string{"feed valve sticks at a third", "Vacuum of body 5 is falling", "still running", "juice in flow"} {
		if !strings.Contains(body, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
}

// TestCompartments: a continuous pan has a table of its compartments, in the order of flow,
// with the columns that any of them has.
func TestCompartments(t *testing.T) {
	h, err := plant.Load("plant.yaml", []byte(`site: {name: Test House (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
pans:
  - name: CP
    title: Continuous pan
    grade: C
    tags: {vapour_pressure: {node: "nsu=u;s=p", unit: kPa}}
    compartments:
      - {name: K1, title: First, tags: {level: {node: "nsu=u;s=l"}, massecuite_conductivity: {node: "nsu=u;s=c", unit: uS/cm}}}
      - {name: K2, title: Second, tags: {massecuite_temperature: {node: "nsu=u;s=t2"}}}
`))
	if err != nil {
		t.Fatal(err)
	}
	m := newMill(t, time.Now())
	m.house = h
	for _, k := range []string{"CP.K1", "CP.K2"} {
		if _, err := h.AddTag(plant.Tag{Path: k + ".supersaturation", Owner: k, Class: plant.ClassCompartment, Name: "supersaturation", Dimension: plant.Ratio, Source: plant.Derived}); err != nil {
			t.Fatal(err)
		}
	}
	s := newServer(t, m, Options{})
	now := time.Now()
	p := &engine.Picture{At: now, Frame: plant.NewFrame(len(h.Tags))}
	for path, v := range map[string]float64{"CP.K1.level": 62, "CP.K1.massecuite_conductivity": 850, "CP.K1.supersaturation": 1.24, "CP.K2.supersaturation": 0.97} {
		tag, _ := h.Find(path)
		p.Frame.Points[tag.ID] = plant.Point{Time: now, Value: v, Quality: plant.Good}
	}
	rich, _ := h.Find("CP.K1.supersaturation")
	p.Usual = map[plant.TagID]thermo.Band{rich.ID: {Low: 1.1, High: 1.2, Mean: 1.24}}
	v, err := s.pansPage(httptest.NewRequest("GET", "/pans", nil), p, now)
	if err != nil {
		t.Fatal(err)
	}
	parts, err := s.parts(s.languages[0], v, p, now)
	if err != nil {
		t.Fatal(err)
	}
	body := string(parts["boiling"])
	for _, want := range []string{"Compartments of CP", "/vessel/CP.K1", "conductivity", "850", "1.24", "intermediate", "undersaturated", "continuous",
		`aria-label="usual for this load: 1.10 to 1.20"`, "K1 supersaturation is high"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, not := range []string{">crystal", "No strike is running", "Phase by phase"} {
		if strings.Contains(body, not) {
			t.Errorf("the page has %q", not)
		}
	}
	if strings.Index(body, "K1") > strings.Index(body, "K2") {
		t.Error("not in the order of flow")
	}
}

// TestStrikePages: what the pages, the API and the tables say of recorded strikes.
func TestStrikePages(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	for _, c := range []struct {
		path  string
		wants []string
	}{
		{"/pans", []string{"/strikes/1", "/strikes/3", "concentrate has lasted 105 min, usually 18", "/pans/PA1/running", "the most ordinary of the last ten", "feed valve hunted", "54.1", "/strikes.csv?pan=PA1", "None on record yet"}},
		{"/strikes/1", []string{"feed on took 110 min, usually 80", "strike 41", "was not seen whole: others cannot", "a purity is wrong", "assumed, as configured", "30 moments", "purity of the massecuite", "water evaporated, by solids", "/strikes/1/profile.csv"}},
		{"/strikes/3", []string{"the strike that others are compared with", "It changes as strikes go on", "/strikes/2"[:8]}},
		{"/pans/PA1/running", []string{"Running strike", "so far", "late", "concentrate has lasted 105 min"}},
		{"/record/shift?at=" + url.QueryEscape(time.Now().Add(-6*time.Hour).In(s.zone).Format("2006-01-02T15:04")) + "&hours=12", []string{"Strikes dropped"}},
	} {
		body := get(t, s.Handler(), c.path, http.StatusOK)
		for _, want := range c.wants {
			if !strings.Contains(body, want) {
				t.Errorf("%s lacks %q", c.path, want)
			}
		}
	}
	if w := ask(s.Handler(), "GET", "/pans/PA1/running", "", nil); w.Header().Get("Refresh") == "" {
		t.Error("the page of a running strike stands still")
	}
	for path, code := range map[string]int{"/strikes/99": 404, "/strikes/x": 404, "/strikes/-1": 404, "/pans/PB1/running": 404, "/pans/EV/running": 404, "/pans?past=all": 400,
		"/api/v1/strikes?limit=0": 400, "/api/v1/strikes?from=yesterday": 400, "/api/v1/strikes?pan=EV": 404, "/api/v1/strikes/99": 404, "/strikes.csv?limit=2000": 400,
		"/api/v1/strikes?from=2026-01-02T00:00:00Z&to=2026-01-01T00:00:00Z": 400} {
		if w := ask(s.Handler(), "GET", path, "", nil); w.Code != code {
			t.Errorf("%s: %d, want %d", path, w.Code, code)
		}
	}
	var list struct {
		Strikes []struct {
			ID      int64
			Pan     string
			Water   float64 `json:"water_t"`
			Whole   bool
			Balance struct {
				Crystal *float64 `json:"crystal_pct"`
				Lab     *float64 `json:"lab_brix"`
				Doubts  []string
			}
			Phases []struct {
				Name    string
				Minutes float64
				U       *float64
			}
			Against *struct {
				Findings []string
				Phases   []struct{ Is, Usual *struct{ Minutes float64 } }
			}
			Profile []any
		}
	}
	if err := json.Unmarshal([]byte(get(t, s.Handler(), "/api/v1/strikes?pan=PA1", http.StatusOK)), &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Strikes) != 2 || list.Strikes[1].ID != 1 || list.Strikes[1].Whole || *list.Strikes[1].Balance.Crystal != 54.1 || list.Strikes[1].Balance.Lab != nil || len(list.Strikes[1].Balance.Doubts) != 1 ||
		len(list.Strikes[1].Phases) != 5 || list.Strikes[1].Phases[2].Minutes != 110 || list.Strikes[1].Phases[4].U != nil || list.Strikes[1].Against.Phases[2].Usual.Minutes != 99 || list.Strikes[1].Profile != nil || list.Strikes[0].Against != nil {
		t.Errorf("%+v", list.Strikes)
	}
	var one struct {
		Number  int
		Profile []struct {
			S   float64  `json:"supersaturation"`
			Con *float64 `json:"consistency_pct"`
		}
	}
	if err := json.Unmarshal([]byte(get(t, s.Handler(), "/api/v1/strikes/3", http.StatusOK)), &one); err != nil || one.Number != 41 || len(one.Profile) != 30 || one.Profile[9].S < 1 || one.Profile[9].Con != nil {
		t.Errorf("%v %+v", err, one)
	}
	for path, want := range map[string]int{"/strikes.csv": 4, "/strikes.csv?pan=PC1": 2, "/strikes/1/profile.csv": 31} {
		w := ask(s.Handler(), "GET", path, "", nil)
		rows, err := csv.NewReader(w.Body).ReadAll()
		if err != nil || len(rows) != want || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/csv") {
			t.Errorf("%s: %d rows, want %d: %v", path, len(rows), want, err)
		}
	}
}

// TestStrikeRecords: an operator chooses the strike to compare with and records what the
// laboratory found; a refusal is told in its words.
func TestStrikeRecords(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	post := func(path string, form url.Values) *httptest.ResponseRecorder {
		return ask(s.Handler(), "POST", path, form.Encode(), sameOrigin)
	}
	if w := post("/strikes/3/reference", url.Values{"name": {"D. Noon"}}); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/strikes/3?done=reference" {
		t.Fatalf("reference: %d to %q", w.Code, w.Header().Get("Location"))
	}
	if m.chosen == nil || m.chosen.Strike != 3 || m.chosen.User != "D. Noon" || m.chosen.Station != "127.0.0.1" {
		t.Errorf("chosen: %+v", m.chosen)
	}
	if body := get(t, s.Handler(), "/strikes/3?done=reference", http.StatusOK); !strings.Contains(body, "Let the program choose again") || !strings.Contains(body, "was changed") {
		t.Error("the page does not say that the strike is chosen")
	}
	if w := post("/strikes/reference/clear", url.Values{"pan": {"PA1"}, "name": {"D. Noon"}}); w.Code != http.StatusSeeOther || m.chosen.Strike != 0 || m.chosen.Pan != "PA1" {
		t.Errorf("clear: %d, %+v", w.Code, m.chosen)
	}
	for path, form := range map[string]url.Values{"/strikes/3/reference": {"name": {"refuse"}}, "/strikes/1/reference": {}} {
		if w := post(path, form); w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s %v: %d", path, form, w.Code)
		}
	}
	if w := post("/strikes/1/laboratory", url.Values{"massecuite": {"86,2"}, "liquor": {"66.5"}, "name": {"L. Ames"}}); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/strikes/1?done=laboratory" {
		t.Fatalf("laboratory: %d to %q\n%.900s", w.Code, w.Header().Get("Location"), w.Body)
	}
	if m.lab == nil || m.lab.Strike != 1 || m.lab.MassecuitePurity != 86.2 || m.lab.LiquorPurity != 66.5 || !math.IsNaN(m.lab.MassecuiteBrix) {
		t.Errorf("laboratory: %+v", m.lab)
	}
	if body := get(t, s.Handler(), "/strikes/1", http.StatusOK); !strings.Contains(body, "entered by L. Ames") || !strings.Contains(body, "86.2") {
		t.Error("the page does not show what the laboratory found")
	}
	for _, c := range []struct {
		form url.Values
		want string
	}{
		{url.Values{"name": {"L. Ames"}}, "Give a purity or a Brix"},
		{url.Values{"massecuite": {"high"}, "name": {"L. Ames"}}, "purity of the massecuite in %, from 20 to 100"},
		{url.Values{"liquor": {"670"}, "name": {"L. Ames"}}, "purity of the mother liquor in %"},
		{url.Values{"massecuite": {"60"}, "liquor": {"70"}, "name": {"L. Ames"}}, "cannot be purer"},
	} {
		if w := post("/strikes/1/laboratory", c.form); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%v: %d, lacks %q", c.form, w.Code, c.want)
		}
	}
}

// TestJournalCSV: no text of the journal can begin a formula in a spreadsheet.
func TestJournalCSV(t *testing.T) {
	m := newMill(t, time.Now())
	v := -1.5
	for _, evil := range []string{`=HYPERLINK("http://evil.example")`, "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1"} {
		m.events = append(m.events, plant.Event{Seq: uint64(len(m.events) + 1), Time: time.Now(), Kind: plant.EventNote, Source: evil, User: evil, Text: evil, Comment: evil, Reason: evil, Unit: evil, Station: evil, Quality: evil, Code: evil, Alarm: evil, Value: &v})
	}
	s := newServer(t, m, Options{})
	w := ask(s.Handler(), "GET", "/record/journal.csv?all=yes", "", nil)
	if w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/csv") {
		t.Fatalf("%d %v", w.Code, w.Header())
	}
	rows, err := csv.NewReader(w.Body).ReadAll()
	if err != nil || len(rows) != len(m.events)+1 {
		t.Fatalf("%d rows of %d events: %v", len(rows), len(m.events), err)
	}
	for _, row := range rows[1:] {
		for i, cell := range row {
			if rows[0][i] == "value" || rows[0][i] == "limit" {
				continue // numbers
			}
			if cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r") {
				t.Errorf("%s: %q", rows[0][i], cell)
			}
		}
	}
	if rows[1][8] != "-1.5" || rows[1][0] != fmt.Sprint(len(m.events)) {
		t.Errorf("newest first, with its value: %v", rows[1])
	}
	filtered := get(t, s.Handler(), "/record/journal.csv?kind=actions&match=night", http.StatusOK)
	if n := strings.Count(filtered, "\n"); n < 2 || n > 5 || strings.Contains(filtered, "A. Day") {
		t.Errorf("filtered: %s", filtered)
	}
}

// TestMeasures: what the page says is what package alerting measures.
func TestMeasures(t *testing.T) {
	now := time.Now()
	m := newMill(t, now)
	s := newServer(t, m, Options{})
	got, err := s.measure(t.Context(), now.Add(-24*time.Hour), now.Add(time.Second))
	if err != nil {
		t.Fatal(err)
	}
	p := alerting.DefaultMetrics(now.Add(-24*time.Hour), now.Add(time.Second))
	p.Down = []alerting.Span{{From: p.From, To: m.events[0].Time}}
	want := alerting.Measure(m.events, p)
	if got.Alarms != want.Alarms || got.Alarms == 0 || got.PerHour != want.PerHour || got.Peak != want.Peak || got.Down != want.Down || got.Down < 20*time.Hour {
		t.Errorf("alarms %d, %.2f an hour, peak %d, down %s; want %d, %.2f, %d, %s", got.Alarms, got.PerHour, got.Peak, got.Down, want.Alarms, want.PerHour, want.Peak, want.Down)
	}
	body := get(t, s.Handler(), "/record/measures?span=24h", http.StatusOK)
	for _, text := range []string{"commonly quoted", "time in flood", "chattering", "fleeting", "about 80", "no limits of this site", "Vacuum of body 5 is falling"} {
		if !strings.Contains(body, text) {
			t.Errorf("the page lacks %q", text)
		}
	}
}

// TestJournalPages: reading in pages loses nothing and keeps the newest.
func TestJournalPages(t *testing.T) {
	m := newMill(t, time.Now())
	m.events = nil
	for i := range journalPage + 700 {
		m.events = append(m.events, plant.Event{Seq: uint64(i + 1), Kind: plant.EventNote})
	}
	s := newServer(t, m, Options{})
	for _, most := range []int{journalMost, journalPage + 100, 10} {
		got, err := s.journal(t.Context(), plant.EventFilter{}, most)
		n := min(most, len(m.events))
		if err != nil || len(got) != n || got[0].Seq != uint64(len(m.events)-n+1) || got[n-1].Seq != uint64(len(m.events)) {
			t.Errorf("at most %d: %d entries, %v", most, len(got), err)
		}
	}
	m.broken = errors.New("disk")
	if _, err := s.journal(t.Context(), plant.EventFilter{}, 10); err == nil {
		t.Error("a broken journal answers")
	}
}

// TestAcknowledgeSeveral: those chosen, each in the occurrence seen, and no
// other.
func TestAcknowledgeSeveral(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	state := func(name string) alerting.State {
		a, _ := s.status(name)
		return a.State
	}
	m.step(func(now time.Time) { m.feed("EV2_level_low", now, plant.True, 8) })
	form := url.Values{"choose": {"EV5_vacuum_low#1", "PC1_supersaturation_high#1", "EV5_vacuum_low#1"}, "name": {"D. Noon"}, "comment": {"seen"}}
	w := ask(s.Handler(), "POST", "/alarms", form.Encode(), sameOrigin)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/alarms?done=acknowledge" {
		t.Fatalf("%d to %q\n%.500s", w.Code, w.Header().Get("Location"), w.Body)
	}
	if state("EV5_vacuum_low") != alerting.Acknowledged || state("PC1_supersaturation_high") != alerting.Acknowledged || state("EV2_level_low") != alerting.Unacknowledged {
		t.Errorf("states: %v %v %v", state("EV5_vacuum_low"), state("PC1_supersaturation_high"), state("EV2_level_low"))
	}
	// One that has come again is refused, the other is done.
	form.Set("choose", "EV5_vacuum_low#9")
	form.Add("choose", "EV2_level_low#1")
	w = ask(s.Handler(), "POST", "/alarms", form.Encode(), sameOrigin)
	if w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "Not all were acknowledged") || state("EV2_level_low") != alerting.Acknowledged {
		t.Errorf("one refused of two: %d, %v", w.Code, state("EV2_level_low"))
	}
}

func TestOutOfService(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	for _, c := range []struct {
		action string
		want   alerting.State
	}{{"remove", alerting.OutOfService}, {"place", alerting.Unacknowledged}} {
		w := ask(s.Handler(), "POST", "/alarms/EV5_vacuum_low/"+c.action, "name=D&why=work+order+12", sameOrigin)
		a, _ := s.status("EV5_vacuum_low")
		if w.Code != http.StatusSeeOther || a.State != c.want {
			t.Errorf("%s: %d, state %v, want %v", c.action, w.Code, a.State, c.want)
		}
		if e := m.events[len(m.events)-1]; c.action == "remove" && (e.Reason != "work order 12" || e.User != "D") {
			t.Errorf("journal: %+v", e)
		}
	}
}

// TestFold: a first-up takes its group under it, but for urgent and high
// members, and nothing is lost.
func TestFold(t *testing.T) {
	row := func(name, group string, p plant.Priority, first, unack bool) alarmRow {
		return alarmRow{Name: name, Unack: unack, status: &alerting.Status{Name: name, Group: group, FirstUp: first, Spec: &plant.AlarmSpec{Priority: p}}}
	}
	rows := fold([]alarmRow{
		row("urgent member", "g", plant.PriorityUrgent, false, true), row("high member", "g", plant.PriorityHigh, false, true), row("medium member", "g", plant.PriorityMedium, false, true),
		row("first", "g", plant.PriorityMedium, true, true), row("low member", "g", plant.PriorityLow, false, false),
		row("of a group without first-up", "h", plant.PriorityLow, false, true), row("of none", "", plant.PriorityLow, false, true),
	})
	var names []string
	for _, r := range rows {
		names = append(names, r.Name)
		for _, f := range r.Folded {
			names = append(names, "> "+f.Name)
		}
		if r.Name == "first" && r.FoldedUnack != 1 {
			t.Errorf("%d unacknowledged under the first-up, want 1", r.FoldedUnack)
		}
	}
	if got, want := strings.Join(names, ", "), "urgent member, high member, first, > medium member, > low member, of a group without first-up, of none"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// TestRulePage: the condition in words, each part's truth, and a bad input that
// is called so.
func TestRulePage(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	body := get(t, s.Handler(), "/rules/EV5_vacuum_low", http.StatusOK)
	for _, want := range []string{"vapour pressure of EV5 above 20 kPa, for 30 s", "not evaluated", "counts against", "Applies only while", "vacuum.yaml, line 12", "no value yet"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(body, "Hidden while") {
		t.Error("a suppression that is not there is shown")
	}
}

// TestRecordChoice: changes of quality and suppression by logic stand in the
// record only where they are asked for; every other kind of entry stands there always, and entries that
// are not shown do not count as news.
func TestRecordChoice(t *testing.T) {
	for kind := range kindWords {
		if left := kind == plant.EventQuality || kind == plant.EventSuppress || kind == plant.EventUnsuppress; slices.Contains(notable, kind) == left {
			t.Errorf("%s: shown without asking: %v", kind, !left)
		}
	}
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	top := len(m.events)
	add := func(kind plant.EventKind, text string) {
		m.step(func(now time.Time) {
			m.events = append(m.events, plant.Event{Seq: uint64(len(m.events) + 1), Time: now, Kind: kind, Text: text})
		})
	}
	news := func(query string) string {
		v, err := s.recordNews(httptest.NewRequest("GET", fmt.Sprintf("/stream?view=record&top=%d&%s", top, query), nil), m.Picture(), time.Now())
		if err != nil {
			t.Fatal(err)
		}
		return v.Parts["record-news"].(string)
	}
	add(plant.EventQuality, "level doubtful")
	if a, b := news(""), news("all=yes"); a != "" || b != "/record?all=yes" {
		t.Errorf("news of a change of quality: %q and %q", a, b)
	}
	s.answers.forget()
	add(plant.EventNote, "sight glass cleaned")
	if a := news(""); a != "/record" {
		t.Errorf("news of a note: %q", a)
	}
	for path, with := range map[string]bool{"/record": false, "/record?all=yes": true, "/record?kind=logic": true, "/record/journal.csv": false, "/record/journal.csv?all=yes": true} {
		body := get(t, s.Handler(), path, http.StatusOK)
		if strings.Contains(body, "level doubtful") != with || strings.Contains(body, "sight glass cleaned") == (path == "/record?kind=logic") {
			t.Errorf("%s does not keep to the choice", path)
		}
	}
	if body := get(t, s.Handler(), "/record?all=yes&match=level", http.StatusOK); !strings.Contains(body, `href="/record?match=level"`) || !strings.Contains(body, `name="all" value="yes"`) {
		t.Error("the choice is lost with the next question")
	}
	get(t, s.Handler(), "/record?all=perhaps", http.StatusBadRequest)
}

// A stop that is declared reaches the program with its end by the site's clock, from the page
// and from a program; what cannot be is refused in words.
func TestDeclareStop(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	until := time.Now().Add(8 * time.Hour).In(s.zone).Truncate(time.Minute)
	form := url.Values{"vessel": {"EV.EV3"}, "until": {until.Format(formTime)}, "name": {"D. Noon"}}
	if w := ask(s.Handler(), "POST", "/cleaning/planned", form.Encode(), sameOrigin); w.Code != http.StatusSeeOther {
		t.Fatalf("declare: %d\n%.600s", w.Code, w.Body)
	}
	if len(m.planned) != 1 || m.planned[0].Path != "EV.EV3" || !m.planned[0].Until.Equal(until) || m.planned[0].By != "D. Noon" {
		t.Fatalf("declared: %+v", m.planned)
	}
	if body := get(t, s.Handler(), "/cleaning?done=planned", http.StatusOK); !strings.Contains(body, "planned until "+until.Format(formTime)) {
		t.Error("the page does not say what is planned")
	}
	form.Set("until", time.Now().Add(-time.Hour).Format(time.RFC3339))
	if w := ask(s.Handler(), "POST", "/api/v1/planned", form.Encode(), sameOrigin); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "past") {
		t.Errorf("an end that is past: %d %s", w.Code, w.Body)
	}
	form.Set("end", "now")
	if w := ask(s.Handler(), "POST", "/api/v1/planned", form.Encode(), sameOrigin); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"path":"EV.EV3"`) || m.planned[0].Until.After(time.Now()) {
		t.Errorf("ended by a program: %d %s, %+v", w.Code, w.Body, m.planned)
	}
}

// TestSearchAll: what a search does not list at first is an address away, tags too.
func TestSearchAll(t *testing.T) {
	m := newMill(t, time.Now())
	h := newServer(t, m, Options{}).Handler()
	body := get(t, h, "/search?q=temperature", http.StatusOK)
	if !strings.Contains(body, `href="/search?all=1&amp;q=temperature"`) {
		t.Error("no way to the other tags")
	}
	few, all := strings.Count(body, `href="/trends?tag=`), strings.Count(get(t, h, "/search?all=1&q=temperature", http.StatusOK), `href="/trends?tag=`)
	want := 0
	for i := range m.house.Tags {
		if x := &m.house.Tags[i]; strings.Contains(strings.ToLower(x.Path+" "+x.Meaning.String()), "temperature") {
			want++
		}
	}
	if few != foundMost || all < want || all > foundAll {
		t.Errorf("%d tags, then %d; %d have the word", few, all, want)
	}
}
