package main

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/cmd/service"
	"calandria/engine"
	"calandria/historian/journal"
	"calandria/plant"
)

// A small plant without instruments: its alarms follow a fixed value that the
// tests move in the rules, so that nothing but the program is under test.
const smallPlant = `site: {name: Small Mill (invented), time_zone: Africa/Johannesburg}
scan: 100ms
console: {listen: "127.0.0.1:0"}
sets:
  - name: EV
    bodies:
      - name: B1
        heating_surface_m2: 100
        tags: {vapour_pressure: {value: 20}, level: {value: 40}}
rules: ["rules/*.yaml"]
`

// smallRule is an alarm with what a rule has to say.
func smallRule(name, when, more string) string {
	return `
  - name: ` + name + `
    title: "Invented ` + name + `"
    when: ` + when + `
    priority: high
    priority_reason: a test
    severity: severe
    time_to_respond: 10m
    cause: a test
    consequence: none
    response: look
    verify: look
    hazard: none
    procedure: "none"
    ` + more + "\n"
}

type smallMill struct {
	t         testing.TB
	dir, data string
	*running
	reload *service.Reloader
}

func newSmallMill(t testing.TB, more, rules string) *smallMill {
	t.Helper()
	m := &smallMill{t: t, dir: t.TempDir(), data: t.TempDir()}
	m.write("plant.yaml", smallPlant+more)
	m.rules(rules)
	return m
}

func (m *smallMill) write(name, text string) {
	m.t.Helper()
	file := filepath.Join(m.dir, name)
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		m.t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
}

func (m *smallMill) rules(text string) { m.write("rules/a.yaml", text) }

func (m *smallMill) start() {
	m.t.Helper()
	m.running = start(m.t, nil, func() (*service.Service, *testLog, error) {
		file := filepath.Join(m.dir, "plant.yaml")
		log := &testLog{}
		s, err := service.OpenRun(context.Background(), file, m.data, slog.New(slog.NewTextHandler(log, nil)), nil, nil, nil)
		if err == nil {
			m.reload = s.Reload
		}
		return s, log, err
	})
}

func (m *smallMill) alarm(s *engine.Picture, name string) *alerting.Status {
	for i := range s.Alarms {
		if s.Alarms[i].Name == name {
			return &s.Alarms[i]
		}
	}
	return nil
}

func (m *smallMill) events(kinds ...plant.EventKind) []plant.Event {
	m.t.Helper()
	es, err := m.Journal.Read(context.Background(), plant.EventFilter{Kinds: kinds})
	if err != nil {
		m.t.Fatal(err)
	}
	return es
}

// hook is a receiver of web hooks that can be down.
type hook struct {
	*httptest.Server
	mu     sync.Mutex
	status int
	got    []string // kind and alarm, of what was taken
	keys   map[string]int
	heads  []string // of the journal, as each notice had it
	tries  int
}

func newHook(t testing.TB) *hook {
	k := &hook{status: 200, keys: map[string]int{}}
	k.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		k.mu.Lock()
		defer k.mu.Unlock()
		k.tries++
		var b struct {
			Kind, Alarm, Response string
			Head                  string `json:"journal_head"`
		}
		body, _ := io.ReadAll(r.Body)
		if k.status == 200 {
			if err := json.Unmarshal(body, &b); err != nil || b.Response == "" {
				t.Errorf("body %s: %v", body, err)
			}
			k.got = append(k.got, b.Kind+" "+b.Alarm)
			k.heads = append(k.heads, b.Head)
			k.keys[r.Header.Get("Idempotency-Key")]++
		}
		w.WriteHeader(k.status)
	}))
	t.Cleanup(k.Close)
	return k
}

func (k *hook) set(status int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.status = status
}

func (k *hook) taken() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return strings.Join(k.got, ", ")
}

// An alarm goes out with its response; while the receiver is down the program
// says so by tag, line, journal and metric; what waited survives a restart and
// is delivered once.
func TestNotifierThroughTheLoop(t *testing.T) {
	k := newHook(t)
	m := newSmallMill(t, "notify:\n  - {name: chief, kind: webhook, url: \""+k.URL+"\", secret_file: key}\n",
		"alarms:\n"+smallRule("pressure", "EV.B1.vapour_pressure > 10", "")+smallRule("unheard", "calandria.notify_ok == 0", ""))
	const canary = "canary-of-the-loop-42"
	m.write("key", canary+"\n")
	m.start()
	ok := func(want float64) func(*engine.Picture) bool {
		return func(s *engine.Picture) bool {
			p := m.point(s, "calandria.notify_ok")
			return p.Usable() && p.Value == want
		}
	}
	m.await("the alarm is delivered", 10*time.Second, func(*engine.Picture) bool { return k.taken() == "ALARM pressure" })
	m.await("well", 5*time.Second, ok(1))

	k.set(503)
	if err := m.Loop.Do(context.Background(), alerting.Command{Action: alerting.Acknowledge, Alarm: "pressure", User: "tester"}); err != nil {
		t.Fatal(err)
	}
	m.await("failure noticed", 10*time.Second, ok(0))
	snap := m.await("the alarm about it", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "unheard").Active })
	line := ""
	for _, l := range snap.Health {
		if l.Name.String() == "notifier chief" && !l.OK {
			line = l.Text.String()
		}
	}
	if !strings.Contains(line, "notices do not arrive") || !strings.Contains(line, "503") {
		t.Errorf("health line %q", line)
	}
	metrics := unsited(m.get("/metrics"))
	for _, want := range []string{`calandria_notices_sent_total{notifier="chief"} 1`, `calandria_notices_waiting{notifier="chief"} 2`, "calandria_notify_ok 0"} {
		if !strings.Contains(metrics, want) {
			t.Errorf("/metrics lacks %s", want)
		}
	}
	m.stop()
	if got := k.taken(); got != "ALARM pressure" {
		t.Errorf("taken while down: %s", got)
	}
	k.set(200)
	firstLog := m.log.String()
	m.start()
	// The state of the alarms is as it was; the way works again, so the alarm
	// about it returns.
	m.await("what waited is delivered", 10*time.Second, func(*engine.Picture) bool {
		got := k.taken() // of the alarm that has returned meanwhile the newest state is enough
		return strings.HasPrefix(got, "ALARM pressure, ACK pressure") && strings.Contains(got, "RETURN unheard")
	})
	m.await("well again", 5*time.Second, ok(1))
	k.mu.Lock()
	for key, n := range k.keys {
		if n != 1 {
			t.Errorf("%s was taken %d times", key, n)
		}
	}
	heads := slices.Clone(k.heads)
	k.mu.Unlock()
	// The signed head goes out with each notice, by metric, file and report; each is a
	// witness that the command takes.
	heads = append(heads, regexp.MustCompile(`journal line (\d+:[0-9a-f]{12,})`).FindStringSubmatch(m.get("/record/shift"))[1])
	for _, head := range heads {
		seq, hash, _ := strings.Cut(head, ":")
		n, err := strconv.ParseUint(seq, 10, 63)
		if err != nil || m.Journal.Check(journal.Anchor{Seq: n, Hash: hash}) != nil || n == 0 {
			t.Errorf("%q is no head of the journal: %v", head, err)
		}
	}
	if metrics := unsited(m.get("/metrics")); !strings.Contains(metrics, "calandria_journal_anchor_line "+strings.Split(m.Anchors.Head(), ":")[0]) {
		t.Errorf("/metrics has another head than %s", m.Anchors.Head())
	}
	lines, err := os.ReadFile(filepath.Join(m.data, service.AnchorsName))
	if n := strings.Count(string(lines), "\n"); err != nil || n < 3 { // start, stop, start
		t.Errorf("%d anchors in the file: %v", n, err)
	}
	for line := range strings.Lines(string(lines)) {
		var a journal.Anchor
		if err := json.Unmarshal([]byte(line), &a); err != nil || !a.Genuine() || m.Journal.Check(a) != nil {
			t.Errorf("%s: %v", line, err)
		}
	}
	if es := m.events(plant.EventNotify); len(es) < 1 || es[0].Source != "chief" || !strings.Contains(es[0].Text, "503") {
		t.Errorf("journal: %+v", es)
	}
	// S21 of common practice: no output holds the secret.
	journal, err := m.Journal.Read(context.Background(), plant.EventFilter{})
	if err != nil {
		t.Fatal(err)
	}
	all, _ := json.Marshal(journal)
	for what, text := range map[string]string{"log": firstLog + m.log.String(), "metrics": metrics + m.get("/metrics"), "journal": string(all), "page": m.get("/instruments")} {
		if strings.Contains(text, canary) {
			t.Errorf("the %s holds the secret", what)
		}
	}
}

// Success after failure is journalled, in the same run.
func TestNotifierRecovers(t *testing.T) {
	k := newHook(t)
	k.set(500)
	m := newSmallMill(t, "notify:\n  - {name: chief, kind: webhook, url: \""+k.URL+"\", secret_file: key}\n", "alarms:\n"+smallRule("pressure", "EV.B1.vapour_pressure > 10", ""))
	m.write("key", "sixteen-or-more-characters")
	m.start()
	m.await("failure journalled", 10*time.Second, func(*engine.Picture) bool { return len(m.events(plant.EventNotify)) == 1 })
	k.set(200)
	m.await("recovery journalled", 10*time.Second, func(*engine.Picture) bool { return len(m.events(plant.EventNotify)) == 2 })
	if e := m.events(plant.EventNotify)[1]; !strings.Contains(e.Text, "delivered again") {
		t.Errorf("%+v", e)
	}
	// Refusals are set aside, journalled and hold nothing up.
	k.set(404)
	if err := m.Loop.Do(context.Background(), alerting.Command{Action: alerting.Acknowledge, Alarm: "pressure", User: "tester"}); err != nil {
		t.Fatal(err)
	}
	m.await("refusal", 10*time.Second, func(*engine.Picture) bool { return len(m.events(plant.EventNotify)) == 3 })
	if h := m.Notifiers[0].Health(); h.SetAside != 1 || h.Queued != 0 {
		t.Errorf("%+v", h)
	}
}

// A secret that is missing does not keep the alarms from running.
func TestNotifierWithoutItsSecret(t *testing.T) {
	m := newSmallMill(t, "notify:\n  - {name: chief, kind: webhook, url: \"http://127.0.0.1:1\", secret_file: nowhere}\n", "alarms:\n"+smallRule("pressure", "EV.B1.vapour_pressure > 10", ""))
	m.start()
	m.await("alarm", 10*time.Second, func(s *engine.Picture) bool { a := m.alarm(s, "pressure"); return a != nil && a.Active })
	m.await("fault shown", 10*time.Second, func(s *engine.Picture) bool { return m.point(s, "calandria.notify_ok").Value == 0 })
	if !strings.Contains(m.log.String(), "nowhere") {
		t.Errorf("log:\n%s", m.log)
	}
}

// The command sends a test, and its exit says whether all are well.
func TestNotifyCommand(t *testing.T) {
	k := newHook(t)
	k.set(202)
	m := newSmallMill(t, "notify:\n  - {name: chief, kind: webhook, url: \""+k.URL+"\", secret_file: key}\n", "alarms:\n"+smallRule("pressure", "EV.B1.vapour_pressure > 10", ""))
	m.write("key", "sixteen-or-more-characters")
	for _, c := range []struct {
		status, code int
		want         string
	}{{202, 0, "chief: the test notice was taken"}, {403, 1, "403 Forbidden"}} {
		k.set(c.status)
		var out, errs strings.Builder
		if code := run(t.Context(), []string{"notify", "--config", filepath.Join(m.dir, "plant.yaml")}, &out, &errs); code != c.code || !strings.Contains(out.String(), c.want) {
			t.Errorf("%d: exit %d\n%s%s", c.status, code, out.String(), errs.String())
		}
	}
}

// A rule that divides by zero is named, counted by the tag that the library's
// alarm watches, and mended by a reload.
func TestRuleFault(t *testing.T) {
	broken := smallRule("odd", "EV.B1.level / (EV.B1.vapour_pressure - EV.B1.vapour_pressure) > 3", "") + smallRule("sound", "EV.B1.vapour_pressure > 10", "")
	m := newSmallMill(t, "", "alarms:\n"+broken+smallRule("rule_faults", "calandria.rule_faults > 0", ""))
	m.start()
	snap := m.await("fault counted", 10*time.Second, func(s *engine.Picture) bool { return m.point(s, "calandria.rule_faults").Value == 1 })
	line := ""
	for _, l := range snap.Health {
		if l.Name.String() == "rules" && !l.OK {
			line = l.Text.String()
		}
	}
	if !strings.Contains(line, "odd cannot be evaluated") || !strings.Contains(line, "division by zero") {
		t.Errorf("health line %q", line)
	}
	m.await("alarms", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "rule_faults").Active && m.alarm(s, "sound").Active })
	m.rules("alarms:\n" + smallRule("odd", "EV.B1.level > 3", "") + smallRule("sound", "EV.B1.vapour_pressure > 10", "") + smallRule("rule_faults", "calandria.rule_faults > 0", ""))
	if err := m.reload.Reload(context.Background()); err != nil {
		t.Fatal(err)
	}
	m.await("mended", 10*time.Second, func(s *engine.Picture) bool {
		return m.point(s, "calandria.rule_faults").Value == 0 && !m.alarm(s, "rule_faults").Active && m.alarm(s, "odd").Active
	})
}
