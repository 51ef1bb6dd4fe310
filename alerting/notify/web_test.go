package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

const canary = "canary-5f1c9e-secret-of-the-hook"

func secretFile(t testing.TB, content string, mode os.FileMode) Secret {
	t.Helper()
	name := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(name, []byte(content), mode); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(name, mode); err != nil {
		t.Fatal(err)
	}
	return Secret{name}
}

var testHouse = `site: {name: Mill (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:4840", policy: None}]}
sets:
  - name: EV
    bodies:
      - {name: EV1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p"}}}
pans:
  - {name: PA1, tags: {level: {node: "nsu=urn:x;s=l"}}}
`

func testSite(t testing.TB) Site {
	t.Helper()
	h, err := plant.Load("plant.yaml", []byte(testHouse))
	if err != nil {
		t.Fatal(err)
	}
	zone, err := time.LoadLocation("Africa/Johannesburg")
	if err != nil {
		t.Fatal(err)
	}
	return Site{Name: h.Config.Site.Name, Zone: zone, House: h, Head: func() string { return "810:3fa85f64c0de" }}
}

// vacuum is a full notice, with invented figures.
func vacuum() Notice {
	value, limit := 23.4, 20.0
	return Notice{
		Event: plant.Event{Seq: 812, Time: time.Date(2026, 3, 27, 5, 4, 3, 0, time.UTC), Kind: plant.EventAlarm, Alarm: "vacuum_low", Source: "EV.EV1", Area: "evaporators",
			Occurrence: 3, Priority: plant.PriorityUrgent, State: "UNACK", Value: &value, Setpoint: &limit, Unit: "kPa", Quality: "Good", Annunciated: true},
		Spec: &plant.AlarmSpec{Name: "vacuum_low", Title: "Vacuum low in the last body – check", Source: "EV.EV1", Area: "evaporators", Priority: plant.PriorityUrgent,
			Cause: "Injection water short or hot, air leak", Consequence: "Syrup Brix falls", Response: "Restore water or pump",
			Verify: "Local gauge", Hazard: "Hot vapour", Procedure: "SITE PROCEDURE: vacuum loss", Respond: 10 * time.Minute},
	}
}

// What arrives is signed so that another implementation of HMAC (Python's)
// comes to the same, and says what there is to know.
func TestWebhook(t *testing.T) {
	var got *http.Request
	var text []byte
	s := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = r
		text, _ = io.ReadAll(r.Body)
	}))
	defer s.Close()
	w := NewWebhook(Webhook{Access: Access{URL: s.URL + "/hook", Token: secretFile(t, "token-1\n", 0o600), CA: s.Client().Transport.(*http.Transport).TLSClientConfig.RootCAs},
		Secret: secretFile(t, canary+"\n", 0o600), Site: testSite(t), Role: "shift engineer"})
	if err := w.CheckSecrets(); err != nil {
		t.Fatal(err)
	}
	n := vacuum()
	if err := w.Send(t.Context(), []Notice{n}); err != nil {
		t.Fatal(err)
	}
	stamp, signature := got.Header.Get("X-Calandria-Timestamp"), got.Header.Get("X-Calandria-Signature")
	py := exec.Command("python3", "-c", "import hmac,sys; print('v1='+hmac.new(sys.argv[1].encode(), sys.argv[2].encode()+b'.'+sys.stdin.buffer.read(), 'sha256').hexdigest())", canary, stamp)
	py.Stdin = strings.NewReader(string(text))
	want, err := py.CombinedOutput()
	if err != nil {
		t.Fatalf("python3 is missing or fails: run 'make test-deps' (%v)\n%s", err, want)
	}
	if signature != strings.TrimSpace(string(want)) {
		t.Errorf("signature %s, want %s", signature, want)
	}
	if k := got.Header.Get("Idempotency-Key"); k != "812/vacuum_low/ALARM/1774587843000" {
		t.Errorf("key %q", k)
	}
	if a := got.Header.Get("Authorization"); a != "Bearer token-1" {
		t.Errorf("authorization %q", a)
	}
	var m map[string]any
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	for k, want := range map[string]any{"version": 1., "key": n.Key(), "site": "Mill (invented)", "role": "shift engineer", "kind": "ALARM", "journal": 812., "journal_head": "810:3fa85f64c0de", "time": "2026-03-27T05:04:03Z",
		"alarm": "vacuum_low", "source": "EV.EV1", "priority": "urgent", "value": 23.4, "setpoint": 20., "unit": "kPa",
		"cause": n.Spec.Cause, "response": n.Spec.Response, "time_to_respond_s": 600., "procedure": n.Spec.Procedure, "advice": advice.String()} {
		if m[k] != want {
			t.Errorf("%s: %v, want %v", k, m[k], want)
		}
	}
	if e, _ := m["equipment"].(map[string]any); e["set"] != "EV" || e["body"] != "EV1" {
		t.Errorf("equipment %v", e)
	}
	other := vacuum()
	other.Event.Alarm, other.Link = "other", "https://mill.example/acknowledge/x"
	if err := w.Send(t.Context(), []Notice{n, other}); err != nil {
		t.Fatal(err)
	}
	var digest struct {
		Kind, Title, Text string
		Notices           []struct{ Alarm, Acknowledge, Response string }
	}
	if err := json.Unmarshal(text, &digest); err != nil || digest.Kind != "DIGEST" || digest.Title != "2 notices" || strings.Count(digest.Text, "[urgent]") != 2 ||
		len(digest.Notices) != 2 || digest.Notices[1].Alarm != "other" || digest.Notices[1].Acknowledge != other.Link || digest.Notices[0].Response != n.Spec.Response {
		t.Errorf("digest: %+v %v", digest, err)
	}
	nan := math.NaN()
	n.Event.Value = &nan
	if err := w.Send(t.Context(), []Notice{n}); err != nil {
		t.Errorf("a value that is not a number: %v", err)
	}
}

// Which answers are tried again, which are set aside (RFC 9110, 15; Retry-After
// as seconds and as a date after 10.2.3).
func TestAnswersOfTheWeb(t *testing.T) {
	var status int
	var after string
	elsewhere := 0
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/elsewhere" {
			elsewhere++
		}
		if after != "" {
			w.Header().Set("Retry-After", after)
		}
		w.Header().Set("Location", "/elsewhere")
		w.WriteHeader(status)
		io.WriteString(w, "why\r\nnot")
	}))
	defer s.Close()
	w := NewWebhook(Webhook{Access: Access{URL: s.URL + "/token-in-the-path"}, Secret: secretFile(t, canary, 0o600), Site: testSite(t)})
	for _, c := range []struct {
		status  int
		after   string
		refused bool
		later   time.Duration
	}{
		{status: 200}, {status: 202}, {status: 204},
		{status: 307}, {status: 408}, {status: 500}, {status: 502},
		{status: 429, after: "120", later: 120 * time.Second},
		{status: 503, after: "Fri, 31 Dec 1999 23:59:59 GMT"}, // the example of 10.2.3, long past
		{status: 503, after: time.Now().Add(time.Minute).UTC().Format(http.TimeFormat), later: time.Minute},
		{status: 503, after: "soon"},
		{status: 400, refused: true}, {status: 401, refused: true}, {status: 404, refused: true}, {status: 410, refused: true}, {status: 413, refused: true}, {status: 422, refused: true},
	} {
		status, after = c.status, c.after
		err := w.Send(t.Context(), []Notice{vacuum()})
		if c.status/100 == 2 {
			if err != nil {
				t.Errorf("%d: %v", c.status, err)
			}
			continue
		}
		var refused *RefusedError
		var later *LaterError
		if err == nil || errors.As(err, &refused) != c.refused {
			t.Errorf("%d: %v", c.status, err)
		}
		var wait time.Duration
		if errors.As(err, &later) {
			wait = later.After
		}
		if d := c.later - wait; d < 0 || d > 2*time.Second {
			t.Errorf("%d with Retry-After %q: %s, want %s", c.status, c.after, wait, c.later)
		}
		if err != nil && (strings.Contains(err.Error(), "token-in-the-path") || strings.ContainsAny(err.Error(), "\r\n")) {
			t.Errorf("%d: the error repeats the address or more than a line: %q", c.status, err)
		}
	}
	if elsewhere > 0 {
		t.Error("a redirect was followed")
	}
	s.Close()
	if err := w.Send(t.Context(), []Notice{vacuum()}); err == nil || strings.Contains(err.Error(), "token-in-the-path") {
		t.Errorf("nobody there: %v", err)
	}
}

// A certificate that nobody vouches for is not accepted, and a receiver that
// does not answer holds nobody up.
func TestWebhookTLSAndTimeout(t *testing.T) {
	release := make(chan struct{})
	s := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer s.Close()
	defer close(release)
	s.Config.ErrorLog = nil
	w := NewWebhook(Webhook{Access: Access{URL: s.URL}, Secret: secretFile(t, canary, 0o600)})
	if err := w.Send(t.Context(), []Notice{vacuum()}); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("an unknown certificate: %v", err)
	}
	w = NewWebhook(Webhook{Access: Access{URL: s.URL, CA: s.Client().Transport.(*http.Transport).TLSClientConfig.RootCAs}, Secret: secretFile(t, canary, 0o600)})
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := w.Send(ctx, []Notice{vacuum()}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("no answer: %v", err)
	}
}

func TestSecretFiles(t *testing.T) {
	if _, err := secretFile(t, "x", 0o644).Read(); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("a file that everyone can read: %v", err)
	}
	for _, content := range []string{"", "\n", strings.Repeat("x", 5000)} {
		if _, err := secretFile(t, content, 0o600).Read(); err == nil {
			t.Errorf("a secret of %d bytes is taken", len(content))
		}
	}
	if s, err := secretFile(t, "with space \r\n", 0o640).Read(); s != "with space " || err != nil {
		t.Errorf("%q %v", s, err)
	}
	if _, err := (Secret{filepath.Join(t.TempDir(), "none")}).Read(); err == nil {
		t.Error("a file that is not there")
	}
	w := NewWebhook(Webhook{Secret: secretFile(t, "short", 0o600)})
	if err := w.CheckSecrets(); err == nil || !strings.Contains(err.Error(), "16 characters") || strings.Contains(err.Error(), "short\n") {
		t.Errorf("a short key: %v", err)
	}
}

func FuzzRetryAfter(f *testing.F) {
	for _, s := range []string{"120", "Fri, 31 Dec 1999 23:59:59 GMT", "-1", "99999999999999999999", ""} {
		f.Add(s)
	}
	now := time.Date(1999, 12, 31, 23, 59, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, s string) {
		if d := retryAfter(s, now); d < 0 {
			t.Errorf("%q: %s", s, d)
		}
	})
}

// Every word of a notice is said by the site, but for what the site and people wrote. A
// said text comes in brackets, and what was put into it stands outside.
func TestNoticesAreSaidByTheSite(t *testing.T) {
	site := testSite(t)
	piece := regexp.MustCompile(`%[-+#0-9.]*[a-z%]|[^%]+`)
	site.Say = func(text words.Text) string {
		return text.In(func(format string, values []any) string {
			marked := piece.ReplaceAllStringFunc(format, func(s string) string {
				if strings.HasPrefix(s, "%") || strings.TrimSpace(s) == "" {
					return s
				}
				return "[" + s + "]"
			})
			for i, v := range values {
				if _, is := v.(words.Measure); is {
					values[i] = "(a measure)"
				}
			}
			if len(values) == 0 {
				return marked
			}
			return fmt.Sprintf(marked, values...)
		})
	}
	n := vacuum()
	n.Event.User, n.Turn, n.Before, n.Event.Words = "A. Day", words.Say("call %d: nobody has acknowledged for %s", 2, "5m0s"), 3, "too little cooling water"
	n.Spec.Written = map[string]words.Text{}
	for _, text := range []string{n.Spec.Title, n.Spec.Cause, n.Spec.Consequence, n.Spec.Response, n.Spec.Verify, n.Spec.Hazard} {
		n.Spec.Written[text] = words.Text(text)
	}
	said := regexp.MustCompile(`\[[^\[\]]*\]|\(a measure\)|EV\.EV1|Mill \(invented\)|A\. Day|5m0s|` + regexp.QuoteMeta(n.Spec.Procedure) + `|[0-9a-f]{12}|evaporator|urgent|shift engineer`)
	batch := []Notice{n, n}
	for _, text := range []string{site.text(&n, "shift engineer"), site.subject(batch), site.list(batch), site.short(&n)} {
		if rest := said.ReplaceAllString(text, ""); regexp.MustCompile(`\pL{2,}`).MatchString(rest) {
			t.Errorf("not said by the site:\n%s\nin\n%s", rest, text)
		}
	}
}
