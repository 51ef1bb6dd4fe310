package console

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// The page of the past: an instrument is corrected, the correction is taken back,
// and a stretch is calculated again; what is wrong in a form is said on the page.
func TestPast(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	post := func(path string, form url.Values) *httptest.ResponseRecorder {
		return ask(s.Handler(), http.MethodPost, path, form.Encode(), sameOrigin)
	}
	tag := ""
	for _, x := range m.house.Tags {
		if x.Source == plant.Measured {
			tag = x.Path
			break
		}
	}
	good := url.Values{"tag": {tag}, "from": {"2026-11-01"}, "how": {"scaled"}, "factor": {"1,04"}, "why": {"checked against the tank"}, "name": {"D. Noon"}}
	with := func(key, value string) url.Values {
		f := url.Values{}
		for k, v := range good {
			f[k] = v
		}
		f.Set(key, value)
		return f
	}
	for _, c := range []struct {
		form url.Values
		says string
	}{
		{with("why", ""), "reason"}, {with("name", ""), "name"}, {with("factor", "much"), "no number"}, {with("from", "yesterday"), "2026-11-25 06:00"},
		{with("how", "value"), "value"}, {with("how", ""), "Choose how"}, {with("tag", "EV.nothing"), "no such instrument"},
	} {
		if w := post("/past/correct", c.form); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%v: %d, want it to say %q", c.form, w.Code, c.says)
		}
	}
	if w := post("/past/correct", good); w.Code != http.StatusSeeOther || len(m.past.Corrections) != 1 || m.past.Corrections[0].Factor != 1.04 {
		t.Fatalf("%d %+v", w.Code, m.past.Corrections)
	}
	if body := get(t, s.Handler(), "/past?done=correction", http.StatusOK); !strings.Contains(body, "times 1.04") || !strings.Contains(body, "D. Noon") || !strings.Contains(body, "is on record") {
		t.Error(body)
	}
	trend := func(from, to string) string {
		return get(t, s.Handler(), "/api/v1/marks?tag="+tag+"&from="+from+"&to="+to, http.StatusOK)
	}
	if a := trend("2026-10-25T00:00:00Z", "2026-11-05T00:00:00Z"); !strings.Contains(a, `is read times 1.04 (D. Noon`) || !strings.Contains(a, tag) {
		t.Errorf("the trend does not mark the correction: %s", a)
	}
	if a := trend("2026-10-20T00:00:00Z", "2026-10-25T00:00:00Z"); strings.Contains(a, `"correction"`) {
		t.Errorf("a trend of before marks it: %s", a)
	}
	if w := post("/past/corrections/1/withdraw", url.Values{"why": {"the tank was wrong"}, "name": {"D. Noon"}}); w.Code != http.StatusSeeOther {
		t.Error(w.Code)
	}
	if a := trend("2026-10-25T00:00:00Z", "2026-11-05T00:00:00Z"); strings.Contains(a, `"correction"`) {
		t.Errorf("a trend marks a correction that was taken back: %s", a)
	}
	if w := post("/past/recalculate", url.Values{"from": {"2026-11-01"}, "why": {"first day"}, "name": {"D. Noon"}}); w.Code != http.StatusSeeOther || len(m.past.Jobs) != 1 {
		t.Errorf("%d %+v", w.Code, m.past.Jobs)
	}
	if body := get(t, s.Handler(), "/past", http.StatusOK); !strings.Contains(body, "taken back by D. Noon") || !strings.Contains(body, "12 %") {
		t.Error(body)
	}
	if w := post("/past/jobs/1/cancel", url.Values{"name": {"D. Noon"}}); w.Code != http.StatusSeeOther || m.past.Jobs[0].Ended.IsZero() {
		t.Error(w.Code)
	}
}
