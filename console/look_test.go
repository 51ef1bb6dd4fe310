package console

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/console/catalog"
	"calandria/plant"
	"calandria/plant/words"
)

// Factors of NIST Special Publication 811 (2008), appendix B.8: Pa in a psi, a
// kilogram-force per square centimetre, a conventional millimetre, centimetre and inch
// of mercury; m3/s in a US gallon per minute; kg in a pound.
const (
	paPSI, paKgfCm2, paMmHg, paCmHg, paInHg = 6.894757e3, 9.80665e4, 1.333224e2, 1.333224e3, 3.386389e3
	galMin, pound                           = 6.309020e-5, 4.535924e-1
)

// TestShownUnits: each unit against the published factor, and back.
func TestShownUnits(t *testing.T) {
	const air = 101.325 // kPa
	for _, c := range []struct {
		kind int
		key  string
		v    float64 // of the program
		want float64
		text string
	}{
		{kindPressure, "bar gauge", 239.6, (239.6 - air) * 1e3 / 1e5, "bar gauge"},
		{kindPressure, "bar", 239.6, 2.396, "bar abs"},
		{kindPressure, "kgf/cm2 gauge", 239.6, (239.6 - air) * 1e3 / paKgfCm2, "kgf/cm² gauge"},
		{kindPressure, "psi gauge", 239.6, (239.6 - air) * 1e3 / paPSI, "psi gauge"},
		{kindVacuum, "mmHg vacuum", 16, (air - 16) * 1e3 / paMmHg, "mmHg vacuum"},
		{kindVacuum, "cmHg vacuum", 16, (air - 16) * 1e3 / paCmHg, "cmHg vacuum"},
		{kindVacuum, "inHg vacuum", 16, (air - 16) * 1e3 / paInHg, "inHg vacuum"},
		{kindVacuum, "kgf/cm2 vacuum", 16, (air - 16) * 1e3 / paKgfCm2, "kgf/cm² vacuum"},
		{kindVacuum, "mmHg", 16, 16e3 / paMmHg, "mmHg abs"},
		{kindTemperature, "degF", 62.4, 62.4*1.8 + 32, "°F"},
		{kindMass, "klb/h", 100, 100 / pound, "klb/h"},
		{kindVolume, "gal/min", 100, 100. / 3600 / galMin, "gal/min"},
		{kindVolume, "", 100, 100, "m³/h"},
	} {
		var l Look
		*unitKinds[c.kind].of(&l) = c.key
		u, ok := unitKinds[c.kind].unit(&l)
		if u = u.against(air); !ok || u.text.String() != c.text || math.Abs(u.of(c.v)-c.want) > 2e-5*math.Abs(c.want) {
			t.Errorf("%s of %g: %g %s, want %g %s", c.key, c.v, u.of(c.v), u.text, c.want, c.text)
		}
		if back := u.back(u.of(c.v)); math.Abs(back-c.v) > 1e-9 {
			t.Errorf("%s: %g comes back as %g", c.key, c.v, back)
		}
	}
	for i := range unitKinds { // each unit that is offered is one
		for _, u := range unitKinds[i].units {
			var l Look
			*unitKinds[i].of(&l) = u.key
			if key, problem, _ := l.check(); key != "" {
				t.Errorf("%s: %s", key, problem)
			}
		}
	}
}

var tropical = http.Header{"Cookie": {lookCookie + "=" + url.QueryEscape(url.Values{"pressure": {"kgf/cm2 gauge"}, "vacuum": {"mmHg vacuum"},
	"temperature": {"degF"}, "volume_flow": {"gal/min"}, "time_zone": {"Asia/Kolkata"}}.Encode())}}

// TestLook: the site's units show to all, those of a person to him alone, on every page.
func TestLook(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	h := s.Handler()
	at := func(path string, header http.Header) string {
		w := ask(h, http.MethodGet, path, "", header)
		if w.Code != http.StatusOK {
			t.Fatalf("GET %s: %d", path, w.Code)
		}
		return white.ReplaceAllString(w.Body.String(), " ")
	}
	for _, p := range pagePaths {
		if strings.HasPrefix(p.path, "/cleaning?") {
			continue
		}
		page := at(p.path, tropical)
		if p.name == "look" || p.name == "rule" { // the choice; the text of a rule's file
			continue
		}
		for _, word := range []string{"kPa abs", "°C<", " °C "} {
			if i := strings.Index(page, word); i >= 0 {
				t.Errorf("%s shows %s: ...%s...", p.path, word, page[max(0, i-200):i+20])
			}
		}
	}
	// EV5 boils under 21.9 kPa: (101.325-21.9)/0.1333224 = 596 mmHg of vacuum. EV1 is at
	// 174.8 kPa: (174.8-101.325)/98.0665 = 0.75 kgf/cm2. The juice is at 103.8 degC, 218.8 degF.
	house, trend := at("/", tropical), at("/trends?tag=EV.EV5.vapour_pressure", tropical)
	for _, want := range []string{">596<", ">0.75<"} {
		if !strings.Contains(strings.ReplaceAll(house, " <", "<"), want) {
			t.Errorf("the house lacks %s", want)
		}
	}
	if !strings.Contains(at("/vessel/EV", tropical), "218.8") {
		t.Error("the juice is not shown in degF")
	}
	if !strings.Contains(trend, `data-unit="mmHg vacuum" data-scale="-7.50`) || !strings.Contains(trend, `data-offset="759.99`) {
		t.Errorf("the axis of a trend has another unit: %s", trend[strings.Index(trend, "data-unit"):][:120])
	}
	if page := at("/", nil); !strings.Contains(page, "kPa abs") || strings.Contains(page, "mmHg") {
		t.Error("one person's units are shown to another")
	}
	if tags := at("/api/v1/picture", tropical); !strings.Contains(tags, `"value":21.9,"unit":"kPa"`) {
		t.Error("the API does not give the units of the program")
	}
	site := newServer(t, m, Options{Display: Look{Vacuum: "inHg vacuum", Pressure: "psi gauge"}})
	if page := get(t, site.Handler(), "/", http.StatusOK); !strings.Contains(page, "inHg vacuum") || !strings.Contains(page, "psi gauge") {
		t.Error("the site's own units are not shown")
	}
}

// TestChooseLook: a person chooses, a wrong zone is told beside its field, and he goes back
// to what the site has.
func TestChooseLook(t *testing.T) {
	h := newServer(t, newMill(t, time.Now()), Options{}).Handler()
	w := ask(h, http.MethodPost, "/look", "vacuum=inHg+vacuum&time_zone=Asia%2FKolkata&back=%2Falarms", sameOrigin)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/alarms" {
		t.Fatalf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	mine := http.Header{"Cookie": {strings.Split(w.Header().Get("Set-Cookie"), ";")[0]}}
	if page := ask(h, http.MethodGet, "/", "", mine).Body.String(); !strings.Contains(page, "inHg vacuum") || !strings.Contains(page, "Asia/Kolkata") {
		t.Error("the choice is not shown")
	}
	w = ask(h, http.MethodPost, "/look", "time_zone=Mars", sameOrigin)
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "&#34;Mars&#34; is no time zone") || !strings.Contains(w.Body.String(), `aria-invalid="true"`) {
		t.Errorf("a zone that is none: %d", w.Code)
	}
	w = ask(h, http.MethodPost, "/look", "site=yes", sameOrigin)
	if c := w.Header().Get("Set-Cookie"); !strings.Contains(c, "Max-Age=0") {
		t.Errorf("the choice is kept: %s", c)
	}
	forged := http.Header{"Cookie": {lookCookie + "=vacuum%3Dfurlong"}}
	if page := ask(h, http.MethodGet, "/", "", forged); page.Code != http.StatusOK || !strings.Contains(page.Body.String(), "kPa abs") {
		t.Error("a choice that there is not is taken")
	}
}

// TestEnteredInOwnUnits: what is typed counts in the unit that the page shows.
func TestEnteredInOwnUnits(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	v := *s
	if err := v.dress(Look{Vacuum: "mmHg vacuum", Pressure: "bar gauge"}); err != nil {
		t.Fatal(err)
	}
	// 600 mmHg of vacuum are 101.325 - 600*0.1333224 = 21.332 kPa.
	c := plant.Correction{Tag: "EV.EV5.vapour_pressure", Factor: 1, Offset: 5}
	c.Value = new(float64)
	*c.Value = 600
	v.entered(&c)
	if math.Abs(*c.Value-21.332) > 1e-3 || math.Abs(c.Offset+5*0.1333224) > 1e-4 {
		t.Errorf("entered as %g, offset %g", *c.Value, c.Offset)
	}
	tag, _ := m.house.Find(c.Tag)
	if got := v.readsAs(c, tag).String(); got != "as 600 mmHg vacuum" {
		t.Errorf("read %q", got)
	}
	if c.Value = nil; v.readsAs(c, tag).String() != "times 1 plus 5 mmHg vacuum" {
		t.Errorf("read %q", v.readsAs(c, tag))
	}
	_, x, d, err := v.supposition(url.Values{"set": {"EV"}, "last_pressure": {"600"}, "steam_pressure": {"+10%"}})
	if err != nil || math.Abs(x.LastKPa.Value-21.332) > 1e-3 || x.SteamKPa.Value != 10 || d.Fields[1].Unit != "mmHg vacuum" {
		t.Errorf("%+v %+v %v", x, d.Fields, err)
	}
	for text, want := range map[string]string{"600 mmHg vacuum": "21.3316", "-0.8 bar g": "21.325", "20": "20", "20 kPa": "20 kPa", "max(1, 2)": "max(1, 2)"} {
		if got := v.inUnitOf(text, "kPa"); got != want {
			t.Errorf("%s: %s, want %s", text, got, want)
		}
	}
}

// TestMeasuresInSentences: figures within sentences come in the units and with the decimal
// sign of who reads. The vacuum by the factor of SP 811, the temperature by 1.8.
func TestMeasuresInSentences(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	if err := s.dress(Look{Vacuum: "inHg vacuum", Pressure: "bar gauge", Temperature: "degF", Decimal: "comma"}); err != nil {
		t.Fatal(err)
	}
	vacuum := (101.325 - 21.9) * 1e3 / paInHg
	for _, c := range []struct {
		m    words.Measure
		want string
	}{
		{words.Measure{Value: 21.9, Unit: "kPa", Form: "%.1f", Of: "EV.EV5"}, strings.Replace(fmt.Sprintf("%.1f inHg vacuum", vacuum), ".", ",", 1)},
		{words.Measure{Value: 21.9, Unit: "kPa", Form: "%.1f", Of: "EV.EV5.vapour_pressure"}, strings.Replace(fmt.Sprintf("%.1f inHg vacuum", vacuum), ".", ",", 1)},
		{words.Measure{Value: 201.325, Unit: "kPa", Form: "%.1f", Of: "EV.EV1"}, "1,00 bar gauge"},
		{words.Measure{Value: 6, Unit: "kPa", Form: "%.2g"}, "0,06 bar"},
		{words.Measure{Value: 2.5, Unit: "K", Form: "%.2g"}, "4,5 °F"},
		{words.Measure{Value: 100, Unit: "degC", Form: "%.1f"}, "212,0 °F"},
		{words.Measure{Value: 41.5, Unit: "t/h", Form: "%.1f"}, "41,5 t/h"},
		{words.Measure{Value: -1.5, Unit: "% Brix", Form: "%.1f"}, "−1,5 % Brix"},
	} {
		for _, l := range s.languages[:1] {
			if got := l.Say(words.Say("reads %s", c.m)); got != "reads "+c.want {
				t.Errorf("%+v: %q, want %q", c.m, got, c.want)
			}
		}
	}
	es := s.languages[slices.IndexFunc(s.languages, func(l *catalog.Language) bool { return l.Tag == "es" })]
	if got := es.Say(words.Say("%s", words.Measure{Value: 201.325, Unit: "kPa", Form: "%.1f", Of: "EV.EV1"})); got != "1,00 bar manométrico" {
		t.Errorf("in Spanish: %q", got)
	}
}

// TestTypedComma: who writes a comma may type one in every field with a number.
func TestTypedComma(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	w, err := s.parsePlan(url.Values{"set": {"EV"}, "hours": {"9,5"}, "cost": {"1500,5"}})
	if err != nil || w.Hours != 9.5 || w.Cost != 1500.5 {
		t.Errorf("plan: %+v, %v", w, err)
	}
	if _, err := s.parsePlan(url.Values{"set": {"EV"}, "cost": {"1,500"}}); err == nil {
		t.Error("a cost that may be meant as fifteen hundred is taken for one and a half")
	}
	if _, x, _, err := s.supposition(url.Values{"set": {"EV"}, "juice": {"+7,5%"}, "brix": {"14,2"}}); err != nil || x.JuiceTH.Value != 7.5 || x.Brix.Value != 14.2 {
		t.Errorf("what if: %+v, %v", x, err)
	}
	post := func(path string, form url.Values) {
		t.Helper()
		if w := ask(s.Handler(), http.MethodPost, path, form.Encode(), sameOrigin); w.Code != http.StatusSeeOther {
			t.Errorf("%s: %d\n%.300s", path, w.Code, w.Body)
		}
	}
	post("/past/correct", url.Values{"tag": {"EV.juice_flow"}, "how": {"scaled"}, "factor": {"1,045"}, "offset": {"0,5"}, "from": {"2026-11-01 06:00"}, "name": {"A. Day"}, "why": {"gland"}})
	if c := m.past.Corrections[0]; c.Factor != 1.045 || c.Offset != 0.5 {
		t.Errorf("correction: %+v", c)
	}
	post("/strikes/1/laboratory", url.Values{"massecuite": {"87,4"}, "liquor": {"69,1"}, "name": {"A. Day"}})
	if m.lab == nil || m.lab.MassecuitePurity != 87.4 || m.lab.LiquorPurity != 69.1 {
		t.Errorf("laboratory: %+v", m.lab)
	}
	post("/rules/EV5_vacuum_low/try", url.Values{"f.high": {"20,5"}, "f.when": {"max(1,2) > 0"}, "span": {"1d"}})
	if got := m.trial.Changes[0].Is; got != "20.5" {
		t.Errorf("limit: %q", got)
	}
}

// TestChoiceOfPerson: what a person chose is with his account, at whatever browser.
func TestChoiceOfPerson(t *testing.T) {
	g := newGated(t, nil)
	_, mine, _ := g.signIn("operator", testPassword)
	for path, form := range map[string]url.Values{"/look": {"vacuum": {"inHg vacuum"}, "decimal": {"comma"}}, "/language": {"language": {"pt"}}} {
		code, h, body := g.do("POST", path, mine, form)
		if code != http.StatusSeeOther || strings.Contains(h.Get("Set-Cookie"), lookCookie) {
			t.Fatalf("%s: %d, %s\n%.200s", path, code, h.Get("Set-Cookie"), body)
		}
	}
	_, other, _ := g.signIn("operator", testPassword)
	g.s.choices.of = map[string]string{} // as after a restart
	if _, _, page := g.do("GET", "/", other, nil); !strings.Contains(page, `lang="pt"`) || !strings.Contains(page, "inHg de vácuo") {
		t.Error("the choice is not there at another browser")
	}
	_, boss, _ := g.signIn("supervisor", testPassword)
	if _, _, page := g.do("GET", "/", boss, nil); !strings.Contains(page, `lang="en"`) || strings.Contains(page, "inHg") {
		t.Error("another person has it too")
	}
}

// TestVoice: notices and mails speak the language of the site, in its units.
func TestVoice(t *testing.T) {
	file, err := os.ReadFile("testdata/plant.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(file), "site: {", "site: {language: es, ", 1) + "\nconsole: {display: {pressure: bar gauge}}\n"
	h, err := plant.Load("plant.yaml", []byte(text), Part())
	if err != nil {
		t.Fatal(err)
	}
	say := Voice(h)
	if got := say(words.Say("%s, limit %s", "EV", words.Measure{Value: 201.325, Unit: "kPa", Form: "%.5g", Of: "EV.EV1"})); got != "EV, límite 1,00 bar manométrico" {
		t.Errorf("%q", got)
	}
}
