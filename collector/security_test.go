package collector

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

const canary = "pan1-secret-canary"

func secureServer(t testing.TB, endpoint string) plant.ServerConfig {
	t.Helper()
	s := plainServer(endpoint)
	s.Policy, s.Mode, s.User = "Basic256Sha256", "SignAndEncrypt", "operator"
	s.PasswordFile = passwordFile(t, canary+"\n")
	return s
}

func passwordFile(t testing.TB, content string) string {
	t.Helper()
	f := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(f, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	return f
}

// trustAll does what the administrator would: it trusts whatever was rejected.
func trustAll(t testing.TB, s *interop) func(*Client) {
	return func(c *Client) {
		cfg := c.cfg.Server
		if _, err := agree(context.Background(), cfg, c.cfg.DataDir, time.Now()); err == nil {
			return
		}
		moveRejected(t, c.cfg.DataDir)
	}
}

func moveRejected(t testing.TB, dataDir string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dataDir, rejectedDir, "*.pem"))
	if err != nil || len(files) != 1 {
		t.Fatalf("rejected: %v, %v", files, err)
	}
	if err := os.Rename(files[0], filepath.Join(dataDir, trustedDir, filepath.Base(files[0]))); err != nil {
		t.Fatal(err)
	}
}

// From nothing to signed in: an unknown server is refused and kept for the
// administrator, a wrong password is told, and no secret is ever shown.
func TestTrustAndSignIn(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 1, "ramp": 100, "users": true})
	cfg := secureServer(t, s.endpoint())
	wrong := "wrong-" + canary
	if err := os.WriteFile(cfg.PasswordFile, []byte(wrong), 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, cfg, tagsOf("T0"))
	r.await("refused", func() bool { return strings.Contains(r.c.Health().LastError, "not trusted yet") })
	if h := r.c.Health(); !strings.Contains(h.LastError, "SHA-256 fingerprint") || !strings.Contains(h.LastError, filepath.Join(r.dir, trustedDir)) {
		t.Errorf("the error does not say what to do: %s", h.LastError)
	}
	tries := r.c.Health().Counters.Attempts
	r.await("it goes on trying", func() bool { return r.c.Health().Counters.Attempts >= tries+2 })
	moveRejected(t, r.dir)
	r.await("password refused", func() bool { return strings.Contains(r.c.Health().LastError, "refuses the user or the password") })
	if err := os.WriteFile(cfg.PasswordFile, []byte(canary+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r.awaitConnected()
	r.await("values flow", func() bool { return len(r.points(0)) > 3 })
	h := r.c.Health()
	if h.User != "operator" || h.SecurityMode != "SignAndEncrypt" || h.CertificateEnds.IsZero() {
		t.Errorf("health %+v", h)
	}
	if n := r.log.count("cannot connect"); n != 2 {
		t.Errorf("two reasons, logged %d times:\n%s", n, r.log)
	}
	if strings.Contains(r.log.String(), canary) {
		t.Error("the password is in the log")
	}
	info, err := os.Stat(filepath.Join(r.dir, keyFile))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("key file: %v, %v", info, err)
	}
}

// Every policy and mode we offer works with a foreign stack (A3).
func TestPolicies(t *testing.T) {
	s := startInterop(t, map[string]any{"users": true})
	dir := t.TempDir()
	for _, policy := range []string{"Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss"} {
		for _, mode := range []string{"Sign", "SignAndEncrypt"} {
			cfg := secureServer(t, s.endpoint())
			cfg.Policy, cfg.Mode = policy, mode
			p, err := visit(t.Context(), cfg, dir)
			if err != nil && strings.Contains(err.Error(), "not trusted yet") {
				moveRejected(t, dir)
				p, err = visit(t.Context(), cfg, dir)
			}
			if err != nil {
				t.Errorf("%s/%s: %v", policy, mode, err)
				continue
			}
			p.leave(t.Context())
		}
	}
	// Over None the password goes encrypted, to a trusted certificate only.
	cfg := secureServer(t, s.endpoint())
	cfg.Policy, cfg.Mode = "None", "None"
	if p, err := visit(t.Context(), cfg, dir); err != nil {
		t.Errorf("None with user: %v", err)
	} else {
		p.leave(t.Context())
	}
	if _, err := visit(t.Context(), cfg, t.TempDir()); err == nil || !strings.Contains(err.Error(), "not trusted yet") {
		t.Errorf("the password would have gone to a stranger: %v", err)
	}
	// Anonymous where a user is wanted.
	cfg.User, cfg.PasswordFile = "", ""
	if _, err := visit(t.Context(), cfg, dir); err == nil || !strings.Contains(err.Error(), "does not take anonymous users") {
		t.Errorf("anonymous: %v", err)
	}
}

// The server's certificate as pinned by the configuration.
func TestPinnedCertificate(t *testing.T) {
	s := startInterop(t, map[string]any{"users": true})
	cfg, dir := secureServer(t, s.endpoint()), t.TempDir()
	a, err := agree(t.Context(), cfg, dir, time.Now())
	if err == nil {
		t.Fatalf("an unknown certificate was trusted: %+v", a)
	}
	files, _ := filepath.Glob(filepath.Join(dir, rejectedDir, "*.pem"))
	if len(files) != 1 {
		t.Fatalf("rejected: %v", files)
	}
	cfg.ServerCertificate = files[0]
	if _, err := agree(t.Context(), cfg, t.TempDir(), time.Now()); err != nil {
		t.Errorf("the pinned certificate: %v", err)
	}
	// Run out: a person who names the certificate accepts that, others do not.
	later := time.Now().AddDate(60, 0, 0)
	der, err := readDER(files[0], "CERTIFICATE")
	if err != nil {
		t.Fatal(err)
	}
	const uri = "urn:interop:server"
	if _, w, err := checkServer(cfg, dir, der, uri, later); err != nil || len(w) == 0 || !strings.Contains(w[0], "ran out") {
		t.Errorf("pinned and run out: %v, %v", w, err)
	}
	own, err := loadIdentity(plant.ServerConfig{}, dir, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := checkServer(cfg, dir, own.der, uri, time.Now()); err == nil || !strings.Contains(err.Error(), "is not the one in") {
		t.Errorf("another certificate than pinned: %v", err)
	}
	cfg.ServerCertificate = ""
	if err := os.Rename(files[0], filepath.Join(dir, trustedDir, "server.pem")); err != nil {
		t.Fatal(err)
	}
	if _, _, err := checkServer(cfg, dir, der, uri, time.Now()); err != nil {
		t.Errorf("trusted: %v", err)
	}
	if _, _, err := checkServer(cfg, dir, der, uri, later); err == nil || !strings.Contains(err.Error(), "ran out") {
		t.Errorf("trusted and run out: %v", err)
	}
	if _, _, err := checkServer(cfg, dir, der, "urn:another", time.Now()); err == nil || !strings.Contains(err.Error(), "certificate says otherwise") {
		t.Errorf("another ApplicationUri (A6): %v", err)
	}
}

// There is no stepping down to what the server happens to offer (A1).
func TestChooseEndpoint(t *testing.T) {
	ep := func(policy string, mode ua.MessageSecurityMode, tokens ...*ua.UserTokenPolicy) *ua.EndpointDescription {
		return &ua.EndpointDescription{SecurityPolicyURI: ua.FormatSecurityPolicyURI(policy), SecurityMode: mode, UserIdentityTokens: tokens, TransportProfileURI: binaryTransport}
	}
	anonymous := &ua.UserTokenPolicy{PolicyID: "a", TokenType: ua.UserTokenTypeAnonymous}
	user := &ua.UserTokenPolicy{PolicyID: "u", TokenType: ua.UserTokenTypeUserName}
	weak := &ua.UserTokenPolicy{PolicyID: "w", TokenType: ua.UserTokenTypeUserName, SecurityPolicyURI: ua.SecurityPolicyURIBasic128Rsa15}
	offers := []*ua.EndpointDescription{ep("None", ua.MessageSecurityModeNone, anonymous), nil, ep("Basic256Sha256", ua.MessageSecurityModeSign, anonymous, weak, user)}
	for _, c := range []struct{ policy, mode, user, want, err string }{
		{"None", "None", "", "a", ""},
		{"Basic256Sha256", "Sign", "", "a", ""},
		{"Basic256Sha256", "Sign", "operator", "u", ""},
		{"Basic256Sha256", "SignAndEncrypt", "", "", "does not offer Basic256Sha256/SignAndEncrypt but None/None, Basic256Sha256/Sign"},
		{"Aes256_Sha256_RsaPss", "Sign", "", "", "does not offer"},
		{"None", "None", "operator", "", "does not take users by name"},
	} {
		_, token, err := choose(offers, plant.ServerConfig{Policy: c.policy, Mode: c.mode, User: c.user})
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%v: error %v", c, err)
			}
			continue
		}
		if err != nil || token.PolicyID != c.want {
			t.Errorf("%v: %v, %v", c, token, err)
		}
	}
	if sameEndpoints(offers, offers[:1]) || !sameEndpoints(offers, []*ua.EndpointDescription{offers[2], offers[0]}) {
		t.Error("A2: lists are compared wrongly")
	}
}

// A password is never sent in clear over an open channel (A8).
func TestNoPasswordInClear(t *testing.T) {
	a := &access{endpoint: &ua.EndpointDescription{}, token: &ua.UserTokenPolicy{TokenType: ua.UserTokenTypeUserName}, password: canary}
	for _, c := range []struct {
		endpoint, token string
		mode            ua.MessageSecurityMode
		clear           bool
	}{
		{ua.SecurityPolicyURINone, "", ua.MessageSecurityModeNone, true},
		{ua.SecurityPolicyURINone, ua.SecurityPolicyURINone, ua.MessageSecurityModeNone, true},
		{ua.SecurityPolicyURINone, ua.SecurityPolicyURIBasic256Sha256, ua.MessageSecurityModeNone, false},
		{ua.SecurityPolicyURIBasic256Sha256, ua.SecurityPolicyURINone, ua.MessageSecurityModeSign, true},
		{ua.SecurityPolicyURIBasic256Sha256, "", ua.MessageSecurityModeSign, false},
		{ua.SecurityPolicyURIBasic256Sha256, ua.SecurityPolicyURINone, ua.MessageSecurityModeSignAndEncrypt, false},
	} {
		a.endpoint.SecurityPolicyURI, a.endpoint.SecurityMode, a.token.SecurityPolicyURI = c.endpoint, c.mode, c.token
		if inClear(a) != c.clear {
			t.Errorf("%+v: in clear %v", c, !c.clear)
		}
	}
	a.endpoint.SecurityPolicyURI, a.endpoint.SecurityMode = ua.SecurityPolicyURINone, ua.MessageSecurityModeNone
	// With a policy of its own the password is encrypted even so.
	a.token.SecurityPolicyURI = ua.SecurityPolicyURIBasic256Sha256
	own, err := loadIdentity(plant.ServerConfig{}, t.TempDir(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	b, alg, err := encryptPassword(a, &session{cert: own.der, nonce: make([]byte, 32)})
	if err != nil || alg == "" || strings.Contains(string(b), canary) {
		t.Errorf("%q, %v", alg, err)
	}
}
