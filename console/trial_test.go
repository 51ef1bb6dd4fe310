package console

import (
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/engine"
)

const trialPage = "/rules/EV5_vacuum_low"

func tryForm(high, span string) string {
	return url.Values{"f.high": {high}, "f.when": {"this.vapour_pressure > kPa(20)"}, "f.on_delay": {""}, "span": {span}}.Encode()
}

// TestTrial: the form, a refusal at its field with what was typed kept, a
// running one, its result and where it would be kept.
func TestTrial(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	has := func(what, body string, wants ...string) {
		t.Helper()
		for _, want := range wants {
			if !strings.Contains(body, want) {
				t.Errorf("%s: the page lacks %q", what, want)
			}
		}
	}
	has("form", get(t, s.Handler(), trialPage, http.StatusOK), "Try another limit", "Trying changes nothing", `name="f.high" value="20"`, "kPa abs", "vacuum.yaml, line 17",
		"applies to 5 vessels", "Limit “usual rise”", "not stated now", `<option value="1d" selected>`, "<textarea")

	post := func(form string) (int, string, string) {
		w := ask(s.Handler(), "POST", trialPage+"/try", form, sameOrigin)
		return w.Code, w.Header().Get("Location"), w.Body.String()
	}
	code, _, body := post(tryForm("0.21 bar", "7d"))
	if code != http.StatusUnprocessableEntity || strings.Count(body, `role="alert"`) != 2 { // one is the announcement of alarms
		t.Errorf("a refusal: %d, %d alerts", code, strings.Count(body, `role="alert"`))
	}
	has("refusal", body, `value="0.21 bar"`, `autofocus aria-invalid="true" aria-describedby="p-high"`, "write 21 if you mean that", `<option value="7d" selected>`)
	code, _, body = post(url.Values{"f.high": {"21"}, "f.when": {"this.levl > 3"}, "span": {"8h"}}.Encode())
	has("refused condition", body, "did you mean level?", "<pre>    this.levl &gt; 3\n         ^</pre>")
	if code != http.StatusUnprocessableEntity {
		t.Errorf("a refused condition: %d", code)
	}
	for _, form := range []string{tryForm("21", "400d"), tryForm("21\x01", "8h"), tryForm(strings.Repeat("2", 5000), "8h")} {
		if code, _, _ := post(form); code != http.StatusUnprocessableEntity || m.trial != nil {
			t.Errorf("%.60q: %d", form, code)
		}
	}
	if w := ask(s.Handler(), "POST", "/rules/nothing/try", tryForm("21", "8h"), sameOrigin); w.Code != http.StatusNotFound {
		t.Errorf("an alarm that is not there: %d", w.Code)
	}
	if w := ask(s.Handler(), "POST", trialPage+"/try", tryForm("21", "8h"), http.Header{"Sec-Fetch-Site": {"cross-site"}}); w.Code != http.StatusForbidden {
		t.Errorf("from another site: %d", w.Code)
	}

	if code, to, _ := post(tryForm("21", "7d")); code != http.StatusSeeOther || to != trialPage+"#rule-trial" {
		t.Fatalf("try: %d to %q", code, to)
	}
	has("running", get(t, s.Handler(), trialPage, http.StatusOK), "Being tried", "42 %", trialPage+"/try/stop", "High limit <b>21 kPa abs</b> instead of 20 kPa abs", "On-delay <b>none</b> instead of 30s")
	has("elsewhere", get(t, s.Handler(), "/rules/EV2_level_low", http.StatusOK), `href="/rules/EV5_vacuum_low"`, "One at a time")
	if code, _, body = post(tryForm("22", "8h")); code != http.StatusUnprocessableEntity || !strings.Contains(body, "One at a time") {
		t.Errorf("a second: %d", code)
	}
	m.finishTrial()
	body = get(t, s.Handler(), trialPage, http.StatusOK)
	has("result", body, "alarms raised", "6, 0.9 a day", "2, 0.3 a day", "2 h, 8.3 %", "50 min, 3.5 %", "once", "never", "came while hidden", `class="tr-in"`, "Nothing has been changed",
		"vacuum.yaml, line 17, instead of", "<pre>    high: 21</pre>", "site.yaml, after line 3:", "only this vessel", "from=", "tag=EV.EV5.vapour_pressure")
	for _, link := range linkRE.FindAllStringSubmatch(body, -1) {
		if path := html.UnescapeString(link[1]); strings.HasPrefix(path, "/trends?from=") {
			get(t, s.Handler(), path, http.StatusOK)
		}
	}
	if strings.Contains(get(t, s.Handler(), "/rules/EV2_level_low", http.StatusOK), "tried") && strings.Contains(get(t, s.Handler(), "/rules/EV2_level_low", http.StatusOK), "present rule") {
		t.Error("the result stands on the page of another rule")
	}

	m.trial.Reloaded = true
	has("reloaded", get(t, s.Handler(), trialPage, http.StatusOK), "Rules have been reloaded since")
	m.trial.Samples = 0
	has("empty archive", get(t, s.Handler(), trialPage, http.StatusOK), "holds no reading")
	m.trial.Running = true
	if w := ask(s.Handler(), "POST", trialPage+"/try/stop", "", sameOrigin); w.Code != http.StatusSeeOther || !m.trial.Stopped {
		t.Errorf("stop: %d", w.Code)
	}
	has("stopped", get(t, s.Handler(), trialPage, http.StatusOK), "Stopped before it was done")
	m.noTrials = true
	body = get(t, s.Handler(), trialPage, http.StatusOK)
	has("not possible", body, "cannot be tried here")
	if strings.Contains(body, "<textarea") {
		t.Error("a form where nothing can be tried")
	}
}

// TestTrialStrip: every stretch in alarm is seen and stays within the picture,
// and no time of the axis stands outside.
func TestTrialStrip(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	from := time.Date(2026, 10, 24, 7, 13, 0, 0, time.UTC)
	for _, x := range trialSpans {
		strip := make([]bool, 720)
		strip[0], strip[719] = true, true
		d := s.trialStrip(&engine.Trial{From: from, To: from.Add(x.Length), Present: engine.TrialSide{RuleRecord: engine.RuleRecord{Strip: strip}}})
		n := 0
		for _, r := range d.Rects {
			if r.X < 0 || r.X+r.W > d.W || r.W < 2 {
				t.Errorf("%s: %+v outside", x.Key, r)
			}
			if r.Class == "tr-in" {
				n++
			}
		}
		if n != 2 || len(d.Lines) < 4 || len(d.Lines) > 14 {
			t.Errorf("%s: %d stretches, %d times", x.Key, n, len(d.Lines))
		}
	}
}

// TestTrialInBrowser: try a limit on the page, be told what is wrong at the
// field, see it work and its result come by itself.
func TestTrialInBrowser(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	b.do("open", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+trialPage))
	b.do("type", chromedp.Evaluate[chromedp.Void]("(e => { e.value = '0.21 bar'; e.form.querySelector('button').click() })(document.getElementById('f-high'))"))
	b.until("document.activeElement.id === 'f-high' && document.getElementById('p-high').textContent.includes('write 21')", 5*time.Second)
	if !eval[bool](b, "(r => r.top > 100 && r.bottom < innerHeight)(document.getElementById('p-high').getBoundingClientRect())") {
		t.Error("the message is not in sight")
	}
	b.shot("trial-refused-1280")
	b.do("type", chromedp.Evaluate[chromedp.Void]("(e => { e.value = '21'; e.form.querySelector('button').click() })(document.getElementById('f-high'))"))
	b.until("document.querySelector('#rule-trial progress') !== null", 5*time.Second)
	b.do("type on", chromedp.Evaluate[chromedp.Void]("document.getElementById('f-high').value = '22'"))
	sv.mill.finishTrial()
	b.until("document.querySelector('#rule-trial .drawing') !== null && document.getElementById('rule-trial').textContent.includes('To keep it')", 5*time.Second)
	if got := eval[string](b, "document.getElementById('f-high').value"); got != "22" {
		t.Errorf("what was typed became %q while the result came", got)
	}
	if wide := eval[int](b, "document.documentElement.scrollWidth - innerWidth"); wide > 0 {
		t.Errorf("the page is %d px wider than the screen", wide)
	}
	b.do("look", chromedp.Evaluate[chromedp.Void]("document.getElementById('rule-trial').scrollIntoView()"))
	b.shot("trial-1280")
	// Chromium itself says so of the refusal; there must be nothing else.
	if text := strings.ReplaceAll(b.log.String(), "error: Failed to load resource: the server responded with a status of 422 (Unprocessable Entity)", ""); strings.TrimSpace(text) != "" {
		t.Errorf("the page's console says:\n%s", text)
	}
}

// TestTrialTakesARole: the form stands only where it would be taken.
func TestTrialTakesARole(t *testing.T) {
	g := newGated(t, nil)
	for role, form := range map[Role]bool{Operator: false, Engineer: true} {
		_, cookie, _ := g.signIn(string(role), testPassword)
		_, _, body := g.do("GET", trialPage, cookie, nil)
		if strings.Contains(body, `name="f.high"`) != form || strings.Contains(body, "needs the role engineer") == form {
			t.Errorf("%s: the form: %v", role, !form)
		}
	}
}
