package console

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"

	"calandria/plant"
)

// cheapHash is a stored hash that costs little, for tests.
func cheapHash(password string) string {
	salt := []byte("salt of a test")
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=19$m=64,t=1,p=1$%s$%s", b64.EncodeToString(salt), b64.EncodeToString(argon2.IDKey([]byte(password), salt, 1, 64, 1, 32)))
}

// A hash made by the reference implementation of Argon2 (in its test.c:
// password "password", salt "somesalt", 2 passes, 64 MiB, one lane; the value from
// memory), and hashes of ours.
func TestPasswordHash(t *testing.T) {
	value, err := hex.DecodeString("09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7")
	if err != nil {
		t.Fatal(err)
	}
	reference := "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$" + base64.RawStdEncoding.EncodeToString(value)
	if !verify(reference, "password") || verify(reference, "passwore") {
		t.Error("the reference's hash")
	}
	h, err := hashPassword("A. Shift", "kettle violet hinge 9")
	if err != nil || !verify(h, "kettle violet hinge 9") || verify(h, "kettle violet hinge 8") {
		t.Error(h, err)
	}
	for _, bad := range []string{"", "short", "elevenchars", "123456789012", "aaaaaaaaaaaa", "password1234", "calandria2026", "Shift Shift 1234", "operator-operator", strings.Repeat("long enough ", 30)} {
		if _, err := hashPassword("A. Shift", bad); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
	for _, damaged := range []string{"", "$argon2i$v=19$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", strings.Replace(reference, "v=19", "v=16", 1),
		strings.Replace(reference, "m=65536", "m=99999999", 1), strings.Replace(reference, "t=2", "t=0", 1), strings.Replace(reference, "c29tZXNhbHQ", "!", 1)} {
		if _, _, err := splitHash(damaged); err == nil {
			t.Errorf("%q was taken", damaged)
		}
	}
}

func TestAccountsFile(t *testing.T) {
	user := "users:\n  - {name: ann, role: operator, password: '" + cheapHash("x") + "'}\n"
	for _, c := range []struct{ text, want string }{
		{user, ""},
		{"", "empty"},
		{"users: []", "there is no account"},
		{user + "  - {name: Ann, role: viewer, password: '" + cheapHash("x") + "'}\n", "users[1].name: \"Ann\" is there twice"},
		{strings.Replace(user, "operator", "king", 1), ":2:"},
		{strings.Replace(user, "operator", "king", 1), "the roles are"},
		{strings.Replace(user, "argon2id", "md5", 1), "calandria user password"},
		{user + "tokens: [{name: x, sha256: abc}]\n", "tokens[0].sha256"},
		{user + "tokens: [{name: x, sha256: " + strings.Repeat("0", 64) + ", until: soon}]\n", "2027-01-31"},
		{user + "extra: 1\n", "extra"},
	} {
		_, err := ParseAccounts("accounts.yaml", []byte(c.text))
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s\ngave %v, want %q", c.text, err, c.want)
		}
	}
	path := filepath.Join(t.TempDir(), "accounts.yaml")
	if _, err := LoadAccounts(path); err == nil || !strings.Contains(err.Error(), "calandria user add") {
		t.Error(err)
	}
	var a Accounts
	if err := a.Set("ann", Engineer, "kettle violet hinge"); err != nil {
		t.Fatal(err)
	}
	text := a.NewToken("grafana", "2026-12-31")
	if err := a.Save(path); err != nil {
		t.Fatal(err)
	}
	again, err := LoadAccounts(path)
	if err != nil || len(again.Users) != 1 || again.Users[0] != a.Users[0] {
		t.Fatal(again, err)
	}
	for day, want := range map[string]bool{"2026-12-31T23:59:00Z": true, "2027-01-01T00:00:00Z": false} {
		at, _ := time.Parse(time.RFC3339, day)
		if name, ok := again.token(text, at); ok != want || ok && name != "grafana" {
			t.Error(day, name, ok)
		}
	}
	if b, _ := os.ReadFile(path); strings.Contains(string(b), "kettle") || strings.Contains(string(b), text) {
		t.Error("a secret stands in the file")
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := LoadAccounts(path); err == nil || !strings.Contains(err.Error(), "0600") {
		t.Error("a file that others may read: ", err)
	}
}

func FuzzAccounts(f *testing.F) {
	f.Add([]byte("users:\n  - {name: ann, role: operator, password: '" + cheapHash("x") + "'}\ntokens: [{name: x, sha256: abc}]\n"))
	f.Add([]byte("users: [{name: b, password: $argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHQ$AAAAAAAAAAAAAAAAAAAAAA}]"))
	f.Fuzz(func(t *testing.T, text []byte) {
		a, err := ParseAccounts("x.yaml", text)
		if err != nil {
			if !strings.Contains(err.Error(), "x.yaml") {
				t.Errorf("a fault without its file: %v", err)
			}
			return
		}
		for _, u := range a.Users {
			if u.Name == "" || !u.Role.may(toLook) {
				t.Errorf("taken: %+v", u)
			}
		}
	})
}

// gated is a console with one account for each role, and its journal.
type gated struct {
	*httptest.Server
	t        testing.TB
	accounts *Accounts
	path     string
	s        *Server

	mu     sync.Mutex
	events []plant.Event
}

const testPassword = "kettle violet hinge"

func newGated(t testing.TB, edit func(*Options)) *gated {
	g := &gated{t: t, accounts: &Accounts{}, path: filepath.Join(t.TempDir(), "accounts.yaml")}
	for _, r := range roles {
		g.accounts.Users = append(g.accounts.Users, Account{Name: string(r), Role: r, Password: cheapHash(testPassword)})
	}
	g.save()
	opt := Options{Accounts: g.path, Journal: func(e plant.Event) {
		g.mu.Lock()
		defer g.mu.Unlock()
		g.events = append(g.events, e)
	}, Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "# metrics\n") })}
	if edit != nil {
		edit(&opt)
	}
	var err error
	if g.s, err = New(newMill(t, time.Now()), opt); err != nil {
		t.Fatal(err)
	}
	g.Server = httptest.NewServer(g.s.Handler())
	t.Cleanup(g.Close)
	return g
}

// save writes the accounts; the console looks at the file again at once.
func (g *gated) save() {
	g.t.Helper()
	if err := g.accounts.Save(g.path); err != nil {
		g.t.Fatal(err)
	}
	if g.s != nil {
		g.s.gate.mu.Lock()
		g.s.gate.looked, g.s.gate.stamp = time.Time{}, time.Time{}
		g.s.gate.mu.Unlock()
	}
}

func (g *gated) do(method, path, cookie string, form url.Values) (int, http.Header, string) {
	g.t.Helper()
	req, err := http.NewRequest(method, g.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		g.t.Fatal(err)
	}
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if token, ok := strings.CutPrefix(cookie, "Bearer "); ok {
		req.Header.Set("Authorization", "Bearer "+token)
	} else if cookie != "" {
		req.Header.Set("Cookie", sessionCookie+"="+cookie)
	}
	resp, err := (&http.Transport{}).RoundTrip(req)
	if err != nil {
		g.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, resp.Header, string(b)
}

func (g *gated) signIn(name, password string) (code int, cookie, body string) {
	g.t.Helper()
	code, h, body := g.do("POST", "/sign-in", "", url.Values{"name": {name}, "password": {password}, "back": {"/alarms"}})
	for _, c := range (&http.Response{Header: h}).Cookies() {
		if c.Name == sessionCookie {
			if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode {
				g.t.Errorf("cookie %+v", c)
			}
			cookie = c.Value
		}
	}
	return code, cookie, body
}

func (g *gated) journal() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	var out []string
	for _, e := range g.events {
		if changed := strings.HasPrefix(e.Text, "accounts changed: "); e.Kind != plant.EventAccess || e.Station == "" && !changed || e.Time.IsZero() {
			g.t.Errorf("event %+v", e)
		}
		out = append(out, e.User+": "+e.Text)
	}
	g.events = nil
	return out
}

// Role by request, what the server answers. 303 from a page means: sign in.
func TestWhoMayWhat(t *testing.T) {
	g := newGated(t, nil)
	token := g.accounts.NewToken("grafana", "")
	g.save()
	who := []string{"", "Bearer " + token}
	for _, r := range roles {
		code, cookie, body := g.signIn(string(r), testPassword)
		if code != http.StatusSeeOther || cookie == "" {
			t.Fatal(r, code, body)
		}
		who = append(who, cookie)
	}
	name := g.s.b.Specs()[0].Name
	act := url.Values{"comment": {"x"}, "occurrence": {"1"}, "why": {"mended"}, "time": {"10m"}, "reason": {"r"}, "name": {"somebody else"}, "text": {"t"}}
	const ok, no, signin = 0, 403, 401
	for _, c := range []struct {
		method, path string
		want         [6]int // nobody, token, viewer, operator, supervisor, engineer; 0: let in
	}{
		{"GET", "/", [6]int{303, ok, ok, ok, ok, ok}},
		{"GET", "/alarms", [6]int{303, ok, ok, ok, ok, ok}},
		{"GET", "/alarms/" + name, [6]int{303, ok, ok, ok, ok, ok}},
		{"GET", "/whatif", [6]int{303, ok, ok, ok, ok, ok}},
		{"GET", "/record/journal.csv", [6]int{303, ok, ok, ok, ok, ok}},
		{"GET", "/no-such-page", [6]int{303, ok, ok, ok, ok, ok}},
		{"GET", "/api/v1/picture", [6]int{signin, ok, ok, ok, ok, ok}},
		{"GET", "/metrics", [6]int{signin, ok, ok, ok, ok, ok}},
		{"GET", "/stream?view=house", [6]int{signin, -1, -1, -1, -1, -1}},
		{"GET", "/healthz", [6]int{ok, ok, ok, ok, ok, ok}},
		{"GET", "/static/tokens.css", [6]int{ok, ok, ok, ok, ok, ok}},
		{"GET", "/sign-in", [6]int{ok, ok, ok, ok, ok, ok}},
		{"POST", "/record/tasks/1/done", [6]int{signin, no, no, ok, ok, ok}},
		{"GET", "/look", [6]int{303, ok, ok, ok, ok, ok}},
		{"POST", "/theme", [6]int{ok, ok, ok, ok, ok, ok}},
		{"POST", "/language", [6]int{ok, ok, ok, ok, ok, ok}},
		{"POST", "/alarms/" + name + "/acknowledge", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/alarms/" + name + "/shelve", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/alarms/" + name + "/comment", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/alarms/" + name + "/remove", [6]int{signin, no, no, no, ok, ok}},
		{"POST", "/alarms/" + name + "/place", [6]int{signin, no, no, no, ok, ok}},
		{"POST", "/alarms", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/past/correct", [6]int{signin, no, no, no, no, ok}},
		{"POST", "/past/recalculate", [6]int{signin, no, no, no, no, ok}},
		{"POST", "/past/jobs/1/cancel", [6]int{signin, no, no, no, no, ok}},
		{"GET", "/setup", [6]int{303, no, no, no, no, ok}},
		{"POST", "/setup", [6]int{signin, no, no, no, no, ok}},
		{"POST", "/setup/signals", [6]int{signin, no, no, no, no, ok}},
		{"POST", "/setup/write", [6]int{signin, no, no, no, no, ok}},
		{"POST", "/cleaning/record", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/cleaning/planned", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/strikes/1/reference", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/strikes/1/laboratory", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/strikes/reference/clear", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/record/note", [6]int{signin, no, no, ok, ok, ok}},
		{"POST", "/rules/" + name + "/try", [6]int{signin, no, no, no, no, ok}},
		{"POST", "/rules/" + name + "/try/stop", [6]int{signin, no, no, no, no, ok}},
	} {
		for i, cookie := range who {
			if c.want[i] < 0 {
				continue
			}
			form := act
			if c.method == "GET" {
				form = nil
			}
			code, h, body := g.do(c.method, c.path, cookie, form)
			in := code != signin && code != no && !(code == 303 && strings.HasPrefix(h.Get("Location"), "/sign-in"))
			if in != (c.want[i] == ok) || !in && code != c.want[i] {
				t.Errorf("%s %s by number %d: %d, want %d", c.method, c.path, i, code, c.want[i])
			}
			if !in && i == 0 && strings.Contains(body, g.s.b.Specs()[0].Title) {
				t.Errorf("%s %s shows alarms to nobody in particular", c.method, c.path)
			}
		}
	}
	// What was done stands under the name that is signed in.
	g.journal()
	_, _, body := g.do("GET", "/record", who[3], nil)
	if strings.Contains(body, "somebody else") {
		t.Error("a form's name was believed")
	}
}

// A wrong name and a wrong password are answered alike; five wrong tries close
// an account for a while, and leave who is signed in alone.
func TestSignIn(t *testing.T) {
	g := newGated(t, nil)
	code, cookie, _ := g.signIn("operator", testPassword)
	if code != http.StatusSeeOther {
		t.Fatal(code)
	}
	codeA, none, wrongPassword := g.signIn("supervisor", "wrong")
	codeB, _, wrongName := g.signIn("nobody", "wrong")
	if codeA != http.StatusUnauthorized || codeB != codeA || none != "" || strings.ReplaceAll(wrongName, "nobody", "supervisor") != wrongPassword {
		t.Error("wrong name and password are answered otherwise", codeA, codeB)
	}
	if got := strings.Join(g.journal(), "|"); got != "operator: signed in as operator|supervisor: sign-in refused|nobody: sign-in refused" {
		t.Error(got)
	}
	for range 6 {
		if code, _, _ := g.signIn("Operator", "wrong"); code != http.StatusUnauthorized {
			t.Error(code)
		}
	}
	if got := g.journal(); len(got) != 5 { // the sixth is told with the eighth
		t.Error(got)
	}
	// No number of wrong tries shuts a person out, signed in or not.
	if code, _, _ := g.signIn("operator", testPassword); code != http.StatusSeeOther {
		t.Error("after wrong tries: ", code)
	}
	if code, _, _ := g.do("POST", "/alarms", cookie, url.Values{}); code == http.StatusUnauthorized || code == http.StatusForbidden {
		t.Error("who is signed in was locked out: ", code)
	}
}

func TestSessionsEnd(t *testing.T) {
	g := newGated(t, nil)
	in := func(cookie string) bool {
		code, _, _ := g.do("GET", "/alarms", cookie, nil)
		return code == http.StatusOK
	}
	open := func() string {
		t.Helper()
		_, cookie, _ := g.signIn("operator", testPassword)
		if !in(cookie) {
			t.Fatal("not signed in")
		}
		return cookie
	}
	a, b := open(), open()
	g.do("POST", "/sign-out", a, url.Values{})
	if in(a) || !in(b) {
		t.Error("signing out ends one session, at the server")
	}
	g.s.gate.mu.Lock()
	for _, s := range g.s.gate.sessions {
		s.seen = s.seen.Add(-defaultIdle - time.Second)
	}
	g.s.gate.mu.Unlock()
	if in(b) {
		t.Error("an idle session goes on")
	}
	c := open()
	u, _ := g.accounts.Find("operator")
	u.Role = Viewer
	g.save()
	g.journal()
	if code, _, _ := g.do("POST", "/alarms", c, url.Values{}); code != http.StatusForbidden {
		t.Error("the new role does not hold: ", code)
	}
	if got := strings.Join(g.journal(), "|"); got != ": accounts changed: operator is viewer, was operator|operator: refused, for want of the role operator: /alarms" {
		t.Error(got)
	}
	u.Password = cheapHash("another password")
	g.save()
	if in(c) {
		t.Error("another password leaves sessions open")
	}
	u.Password = cheapHash(testPassword)
	g.save()
	d := open()
	if err := os.WriteFile(g.path, []byte("users: ["), 0o600); err != nil {
		t.Fatal(err)
	}
	g.s.gate.mu.Lock()
	g.s.gate.looked = time.Time{}
	g.s.gate.mu.Unlock()
	if !in(d) {
		t.Error("a damaged file ends sessions")
	}
	g.accounts.Remove("operator")
	g.save()
	if in(d) {
		t.Error("a removed account goes on")
	}
	u, _ = g.accounts.Find("viewer")
	var all []string
	for range sessionsEach + 1 {
		_, cookie, _ := g.signIn(u.Name, testPassword)
		all = append(all, cookie)
	}
	if in(all[0]) || !in(all[1]) || !in(all[sessionsEach]) {
		t.Error("the oldest of too many sessions ends")
	}
}

func TestOpenView(t *testing.T) {
	g := newGated(t, func(o *Options) { o.OpenView = true })
	if code, _, body := g.do("GET", "/alarms", "", nil); code != http.StatusOK || !strings.Contains(body, "/sign-in?back=") || strings.Contains(body, "Keep for this shift") {
		t.Error(code)
	}
	if code, _, body := g.do("POST", "/alarms", "", url.Values{}); code != http.StatusUnauthorized || !strings.Contains(body, "Sign in first") {
		t.Error(code)
	}
}

// An open page stops following when its session ends.
func TestStreamEndsWithSession(t *testing.T) {
	g := newGated(t, nil)
	_, cookie, _ := g.signIn("viewer", testPassword)
	req, _ := http.NewRequest("GET", g.URL+"/stream?view=house", nil)
	req.Header.Set("Cookie", sessionCookie+"="+cookie)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	g.do("POST", "/sign-out", cookie, url.Values{})
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_, _ = io.Copy(io.Discard, resp.Body)
	}()
	select {
	case <-ended:
	case <-time.After(20 * time.Second):
		t.Error("the stream goes on")
	}
}

func TestListenElsewhere(t *testing.T) {
	g := newGated(t, nil)
	for _, c := range []struct {
		opt  Options
		want string
	}{
		{Options{Listen: "0.0.0.0:0"}, "not a loopback"},
		{Options{Listen: "0.0.0.0:0", Accounts: g.path}, "TLS certificate"},
		{Options{Listen: "0.0.0.0:0", Certificate: "x"}, "both a certificate and a key"},
		{Options{Accounts: filepath.Join(t.TempDir(), "none.yaml")}, "calandria user add"},
		{Options{Certificate: "none.pem", Key: "none.key"}, "TLS key"},
	} {
		if err := Check(c.opt); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.opt, err)
		}
	}
}

// pemPair writes a certificate of its own for localhost.
func pemPair(t *testing.T, cert, key string) *x509.Certificate {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	number, _ := rand.Int(rand.Reader, big.NewInt(1<<60))
	c := &x509.Certificate{SerialNumber: number, DNSNames: []string{"localhost"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c, err = x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// With TLS of its own: the cookie is for TLS only, and a new certificate is
// used without a restart.
func TestTLS(t *testing.T) {
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	first := pemPair(t, certFile, keyFile)
	g := newGated(t, func(o *Options) { o.Certificate, o.Key = certFile, keyFile })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- g.s.Serve(ctx, l) }()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	get := func(trust *x509.Certificate, versions uint16) (*http.Response, error) {
		pool := x509.NewCertPool()
		pool.AddCert(trust)
		tr := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool, MaxVersion: versions}}
		defer tr.CloseIdleConnections()
		return (&http.Client{Transport: tr, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).
			PostForm("https://localhost:"+port+"/sign-in", url.Values{"name": {"viewer"}, "password": {testPassword}})
	}
	resp, err := get(first, 0)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if c := resp.Cookies(); len(c) != 1 || !c[0].Secure || resp.Header.Get("Strict-Transport-Security") == "" || resp.TLS.Version < tls.VersionTLS13 {
		t.Errorf("%v %v", c, resp.Header)
	}
	if _, err := get(first, tls.VersionTLS11); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
	second := pemPair(t, certFile, keyFile)
	g.s.cert.mu.Lock()
	g.s.cert.looked, g.s.cert.stamp = time.Time{}, time.Time{}
	g.s.cert.mu.Unlock()
	if resp, err := get(second, 0); err != nil {
		t.Error("the new certificate: ", err)
	} else {
		resp.Body.Close()
	}
	if err := os.Chmod(keyFile, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := Check(Options{Certificate: certFile, Key: keyFile}); err == nil || !strings.Contains(err.Error(), "0600") {
		t.Error("a key that everybody may read: ", err)
	}
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
}
