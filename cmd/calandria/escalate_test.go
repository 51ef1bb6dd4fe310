package main

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
)

// Who is on duty is called alone, may acknowledge by the link of the notice once,
// and that is in the journal under his name.
func TestCallOfWhoIsOnDuty(t *testing.T) {
	var mu sync.Mutex
	got := map[string][]string{} // by path: the links
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var body struct{ Kind, Acknowledge, Turn string }
		b, _ := io.ReadAll(r.Body)
		_ = json.Unmarshal(b, &body)
		mu.Lock()
		defer mu.Unlock()
		got[r.URL.Path] = append(got[r.URL.Path], body.Kind+" "+body.Turn+" "+body.Acknowledge)
	}))
	defer srv.Close()
	m := newSmallMill(t, `notify:
  - {name: anna, kind: webhook, url: "`+srv.URL+`/anna", secret_file: key}
  - {name: ben, kind: webhook, url: "`+srv.URL+`/ben", secret_file: key}
  - {name: desk, kind: webhook, url: "`+srv.URL+`/desk", secret_file: key}
escalation:
  people: [anna, ben]
  rota: rota.yaml
  link_address: https://mill.example/
  link_key_file: key
`, "alarms:\n"+smallRule("pressure", "EV.B1.vapour_pressure > 10", ""))
	m.write("key", strings.Repeat("0123456789", 4))
	m.write("rota.yaml", "shifts: [{who: ben}]\n")
	m.start()
	called := func(path string) string {
		mu.Lock()
		defer mu.Unlock()
		return strings.Join(got[path], "; ")
	}
	m.await("the call", 10*time.Second, func(*engine.Picture) bool { return called("/ben") != "" && called("/desk") != "" })
	if called("/anna") != "" || !strings.HasPrefix(called("/ben"), "ALARM you are on duty https://mill.example/acknowledge/") {
		t.Errorf("anna %q, ben %q", called("/anna"), called("/ben"))
	}
	_, token, _ := strings.Cut(called("/ben"), "https://mill.example")
	if page := m.get(token); !strings.Contains(page, "Acknowledge as ben") {
		t.Errorf("the page of the link:\n%s", page)
	}
	post := func() int {
		t.Helper()
		resp, err := http.Post("http://"+m.address+token, "application/x-www-form-urlencoded", nil)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		return resp.StatusCode
	}
	if code := post(); code != http.StatusOK {
		t.Errorf("acknowledging: %d", code)
	}
	if code := post(); code != http.StatusGone {
		t.Errorf("a second time: %d", code)
	}
	m.stop()
	m.start() // who was called, and which link was used, is known after it
	m.await("acknowledged", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "pressure").State == alerting.Acknowledged })
	if code := post(); code != http.StatusGone {
		t.Errorf("a second time: %d", code)
	}
	acks := m.events(plant.EventAck)
	if len(acks) != 1 || acks[0].User != "ben" || acks[0].Station == "" || !strings.Contains(acks[0].Comment, "link of a notice") {
		t.Errorf("%+v", acks)
	}
	m.write("rota.yaml", "shifts: [{who: Ben on call}]\n")
	m.await("what is wrong with the rota", 10*time.Second, func(*engine.Picture) bool {
		return strings.Contains(eventTexts(m.events(plant.EventNotify)), `"Ben on call" is none of escalation.people (anna, ben)`)
	})
	m.write("rota.yaml", "shifts: [{who: ben}]\n")
	m.await("that it is in order", 10*time.Second, func(*engine.Picture) bool {
		return strings.Contains(eventTexts(m.events(plant.EventNotify)), "in order again")
	})
	calls := slices.DeleteFunc(m.events(plant.EventNotify), func(e plant.Event) bool { return strings.Contains(e.Text, "rota") })
	if len(calls) != 1 || calls[0].Text != "pressure calls ben: you are on duty" {
		t.Errorf("%+v", calls)
	}
	if n := strings.Count(called("/ben"), "ALARM"); n != 1 {
		t.Errorf("ben was called %d times: %q", n, called("/ben"))
	}
	m.await("who was called learns of it", time.Minute, func(*engine.Picture) bool { return strings.Contains(called("/ben"), "ACK") })
	if strings.Contains(called("/anna"), "ACK") {
		t.Errorf("who was not called: %q", called("/anna"))
	}
}
