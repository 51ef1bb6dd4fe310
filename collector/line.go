package collector

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"crypto/rsa"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uacp"
	"github.com/gopcua/opcua/uapolicy"
	"github.com/gopcua/opcua/uasc"

	"calandria/plant"
)

const (
	dialTimeout    = 10 * time.Second
	reachTimeout   = 2 * time.Second // for TCP alone: a server that is back is found soon
	requestTimeout = 10 * time.Second
	closeTimeout   = 2 * time.Second
	channelLife    = time.Hour // asked for; renewed by the channel at 75 % (A10)
	minNonce       = 32        // bytes (A11)
	maxMessage     = 16 << 20  // bytes of a message a server may send
)

// line is one secure channel to a server. The session is apart, because it
// outlives the channel.
type line struct {
	conn *uacp.Conn
	sc   *uasc.SecureChannel
	down chan error // receives once the channel is dead
}

// session is a session at the server with all that re-activating needs.
type session struct {
	token   *ua.NodeID
	nonce   []byte // the server's latest
	cert    []byte // of the server
	timeout time.Duration
}

// access is how a server is talked to, worked out at each connect.
type access struct {
	cfg      plant.ServerConfig
	id       *identity // nil where neither channel nor password needs it
	endpoint *ua.EndpointDescription
	all      []*ua.EndpointDescription // as discovered, for A2
	token    *ua.UserTokenPolicy
	password string
	warnings []string
	certEnds time.Time
}

// dial opens TCP and the UACP handshake.
func dial(ctx context.Context, endpoint string) (*uacp.Conn, error) {
	u, err := url.Parse(endpoint)
	if err != nil {
		return nil, fmt.Errorf("endpoint %q: %w", endpoint, err)
	}
	port := u.Port()
	port = cmp.Or(port, "4840")
	ctx, cancel := context.WithTimeout(ctx, dialTimeout)
	defer cancel()
	c, err := (&net.Dialer{Timeout: reachTimeout}).DialContext(ctx, "tcp", net.JoinHostPort(u.Hostname(), port))
	if err != nil {
		return nil, err
	}
	conn, err := uacp.NewConn(c.(*net.TCPConn), &uacp.Acknowledge{ReceiveBufSize: uacp.DefaultReceiveBufSize,
		SendBufSize: uacp.DefaultSendBufSize, MaxMessageSize: maxMessage})
	if err != nil {
		c.Close()
		return nil, err
	}
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	if err := conn.Handshake(ctx, endpoint); err != nil {
		conn.Close()
		return nil, fmt.Errorf("greet the server: %w", err)
	}
	return conn, nil
}

// openLine opens a secure channel as cfg says, and makes sure that it is the
// one asked for: the stack takes policy and certificate from the answer.
func openLine(ctx context.Context, endpoint string, cfg uasc.Config) (*line, error) {
	conn, err := dial(ctx, endpoint)
	if err != nil {
		return nil, err
	}
	l := &line{conn: conn, down: make(chan error, 1)}
	want := cfg
	l.sc, err = uasc.NewSecureChannel(endpoint, conn, &cfg, l.down)
	if err == nil {
		err = l.sc.Open(ctx)
	}
	if err != nil {
		conn.Close()
		if errors.Is(err, io.EOF) && want.SecurityMode != ua.MessageSecurityModeNone {
			return nil, errNotWelcome
		}
		return nil, fmt.Errorf("open the secure channel: %w", err)
	}
	if cfg.SecurityPolicyURI != want.SecurityPolicyURI || !bytes.Equal(uapolicy.Thumbprint(cfg.RemoteCertificate), uapolicy.Thumbprint(want.RemoteCertificate)) && want.SecurityMode != ua.MessageSecurityModeNone {
		l.close()
		return nil, distrust("the server answered with another policy or certificate than agreed: somebody may be in between")
	}
	return l, nil
}

var errNotWelcome = errors.New("the server closed the connection while the secure channel was opened: most often it does not trust this client's certificate yet")

func (l *line) close() {
	if l == nil {
		return
	}
	l.sc.Close()
	l.conn.Close()
}

// cut closes the connection without farewell.
func (l *line) cut() { l.conn.Close(); l.sc.Close() }

// send makes one service call. The response is returned with the error where
// the server gave both.
func send[T ua.Response](ctx context.Context, l *line, token *ua.NodeID, req ua.Request, timeout time.Duration) (T, error) {
	var res T
	err := l.sc.SendRequestWithTimeout(ctx, req, token, timeout, func(r ua.Response) error {
		t, ok := r.(T)
		if !ok {
			return fmt.Errorf("the server answered %T to %T", r, req)
		}
		res = t
		return nil
	})
	return res, err
}

var noSecurity = uasc.Config{SecurityPolicyURI: ua.SecurityPolicyURINone, SecurityMode: ua.MessageSecurityModeNone,
	Lifetime: uint32(channelLife / time.Millisecond), RequestTimeout: requestTimeout}

// agree asks the server for its endpoints and picks the one configured (A1),
// checks its certificate (A5, A6) and reads the own one and the password.
func agree(ctx context.Context, s plant.ServerConfig, dataDir string, now time.Time) (*access, error) {
	l, err := openLine(ctx, s.Endpoint, noSecurity)
	if err != nil {
		return nil, err
	}
	res, err := send[*ua.GetEndpointsResponse](ctx, l, nil, &ua.GetEndpointsRequest{EndpointURL: s.Endpoint}, requestTimeout)
	l.close()
	if err != nil {
		return nil, fmt.Errorf("ask for endpoints: %w", err)
	}
	a := &access{cfg: s, all: res.Endpoints}
	if a.endpoint, a.token, err = choose(res.Endpoints, s); err != nil {
		return nil, err
	}
	secure := a.endpoint.SecurityMode != ua.MessageSecurityModeNone
	if s.User != "" {
		var w string
		if a.password, w, err = readPassword(s.PasswordFile); err != nil {
			return nil, err
		}
		if w != "" {
			a.warnings = append(a.warnings, w)
		}
		if inClear(a) {
			return nil, distrust("the server wants the password of user %q in clear over mode %s; it is not sent: use mode SignAndEncrypt (A8)", s.User, s.Mode)
		}
	}
	if secure {
		if a.id, err = loadIdentity(s, dataDir, now); err != nil {
			return nil, err
		}
		a.certEnds = a.id.end
		if now.Add(expiryWarning).After(a.id.end) {
			a.warnings = append(a.warnings, fmt.Sprintf("this client's certificate runs out on %s", a.id.end.Format(time.DateOnly)))
		}
	}
	// A password is encrypted for the server's certificate, so that must be
	// trusted even where the channel itself is not protected.
	if secure || s.User != "" {
		app := ""
		if a.endpoint.Server != nil {
			app = a.endpoint.Server.ApplicationURI
		}
		leaf, warnings, err := checkServer(s, dataDir, a.endpoint.ServerCertificate, app, now)
		if err != nil {
			return nil, err
		}
		a.warnings = append(a.warnings, warnings...)
		if a.certEnds.IsZero() || leaf.NotAfter.Before(a.certEnds) {
			a.certEnds = leaf.NotAfter
		}
	}
	return a, nil
}

// tokenPolicy is the policy that protects the password.
func tokenPolicy(a *access) string {
	if a.token.SecurityPolicyURI != "" {
		return a.token.SecurityPolicyURI
	}
	return a.endpoint.SecurityPolicyURI
}

// inClear reports whether the password would be readable on the way (A8).
func inClear(a *access) bool {
	return tokenPolicy(a) == ua.SecurityPolicyURINone && a.endpoint.SecurityMode != ua.MessageSecurityModeSignAndEncrypt
}

const binaryTransport = "http://opcfoundation.org/UA-Profile/Transport/uatcp-uasc-uabinary"

// choose picks the endpoint with exactly the configured policy, mode and kind
// of user; there is no stepping down (A1, A3).
func choose(all []*ua.EndpointDescription, s plant.ServerConfig) (*ua.EndpointDescription, *ua.UserTokenPolicy, error) {
	policy, mode := ua.FormatSecurityPolicyURI(s.Policy), ua.MessageSecurityModeFromString(s.Mode)
	kind, kindName := ua.UserTokenTypeAnonymous, "anonymous users"
	if s.User != "" {
		kind, kindName = ua.UserTokenTypeUserName, "users by name"
	}
	var offered []string
	found := false
	for _, e := range all {
		if e == nil || e.TransportProfileURI != "" && e.TransportProfileURI != binaryTransport {
			continue
		}
		offer := strings.TrimPrefix(e.SecurityPolicyURI, ua.SecurityPolicyURIPrefix) + "/" + strings.TrimPrefix(e.SecurityMode.String(), "MessageSecurityMode")
		if !slices.Contains(offered, offer) {
			offered = append(offered, offer)
		}
		if e.SecurityPolicyURI != policy || e.SecurityMode != mode {
			continue
		}
		found = true
		for _, t := range e.UserIdentityTokens {
			if t == nil || t.TokenType != kind {
				continue
			}
			if p := t.SecurityPolicyURI; p != "" && !slices.Contains(passwordPolicies, p) {
				continue
			}
			return e, t, nil
		}
	}
	if found {
		return nil, nil, distrust("the server's endpoint %s/%s does not take %s; set or remove user: to match the server", s.Policy, s.Mode, kindName)
	}
	return nil, nil, distrust("the server does not offer %s/%s but %s; choose one of them in policy: and mode:", s.Policy, s.Mode, printable(strings.Join(offered, ", ")))
}

// passwordPolicies may protect a password; the deprecated ones may not.
var passwordPolicies = []string{ua.SecurityPolicyURINone, ua.SecurityPolicyURIBasic256Sha256,
	ua.SecurityPolicyURIAes128Sha256RsaOaep, ua.SecurityPolicyURIAes256Sha256RsaPss}

func (a *access) channel() uasc.Config {
	c := noSecurity
	c.SecurityPolicyURI, c.SecurityMode = a.endpoint.SecurityPolicyURI, a.endpoint.SecurityMode
	if a.id != nil {
		c.Certificate, c.LocalKey = slices.Clip(a.id.der), a.id.key
		c.RemoteCertificate = a.endpoint.ServerCertificate
		c.Thumbprint = uapolicy.Thumbprint(a.endpoint.ServerCertificate)
	}
	return c
}

// createSession makes a session. The list of endpoints, unprotected when it was
// discovered, is compared with the one that comes protected (A2).
func createSession(ctx context.Context, l *line, a *access, ask time.Duration) (*session, error) {
	nonce := make([]byte, minNonce)
	if _, err := rand.Read(nonce); err != nil {
		return nil, err
	}
	host, _ := os.Hostname()
	req := &ua.CreateSessionRequest{
		ClientDescription: &ua.ApplicationDescription{ApplicationURI: "urn:" + url.PathEscape(host) + ":calandria:client", ProductURI: "urn:calandria",
			ApplicationName: ua.NewLocalizedText("Calandria"), ApplicationType: ua.ApplicationTypeClient},
		EndpointURL: a.cfg.Endpoint, SessionName: "Calandria " + a.cfg.Name, ClientNonce: nonce,
		RequestedSessionTimeout: float64(ask / time.Millisecond), MaxResponseMessageSize: maxMessage,
	}
	if a.id != nil {
		req.ClientDescription.ApplicationURI, req.ClientCertificate = a.id.uri, a.id.der
	}
	res, err := send[*ua.CreateSessionResponse](ctx, l, nil, req, requestTimeout)
	if err != nil {
		return nil, fmt.Errorf("create the session: %w", err)
	}
	s := &session{token: res.AuthenticationToken, nonce: slices.Clip(res.ServerNonce), cert: slices.Clip(res.ServerCertificate),
		timeout: time.Duration(res.RevisedSessionTimeout * float64(time.Millisecond))}
	if s.timeout <= 0 {
		s.timeout = ask
	}
	if a.endpoint.SecurityMode != ua.MessageSecurityModeNone || a.cfg.User != "" {
		if !bytes.Equal(uapolicy.Thumbprint(s.cert), uapolicy.Thumbprint(a.endpoint.ServerCertificate)) {
			return nil, distrust("the session's certificate is not the one of the endpoint: somebody may be in between")
		}
	}
	if a.endpoint.SecurityMode == ua.MessageSecurityModeNone {
		return s, nil
	}
	if res.ServerSignature == nil {
		return nil, distrust("the server did not sign the session")
	}
	if err := l.sc.VerifySessionSignature(s.cert, nonce, res.ServerSignature.Signature); err != nil {
		return nil, distrust("the server's signature on the session does not hold: %v", err)
	}
	if len(s.nonce) < minNonce {
		return nil, distrust("the server's nonce has %d bytes, less than %d", len(s.nonce), minNonce)
	}
	if !sameEndpoints(a.all, res.ServerEndpoints) {
		return nil, distrust("the list of endpoints found before the channel was protected differs from the protected one: somebody may have tampered with it")
	}
	return s, nil
}

// sameEndpoints compares what OPC 10000-4, 5.7.2 tells to compare; host names
// may differ.
func sameEndpoints(a, b []*ua.EndpointDescription) bool {
	key := func(list []*ua.EndpointDescription) []string {
		var keys []string
		for _, e := range list {
			if e == nil || e.TransportProfileURI != "" && e.TransportProfileURI != binaryTransport {
				continue
			}
			k := fmt.Sprintf("%s|%d", e.SecurityPolicyURI, e.SecurityMode)
			var tokens []string
			for _, t := range e.UserIdentityTokens {
				if t != nil {
					tokens = append(tokens, fmt.Sprintf("%d,%s", t.TokenType, t.SecurityPolicyURI))
				}
			}
			slices.Sort(tokens)
			keys = append(keys, k+"|"+strings.Join(slices.Compact(tokens), "|"))
		}
		slices.Sort(keys)
		return slices.Compact(keys)
	}
	return slices.Equal(key(a), key(b))
}

// activate ties a session, new or old, to the line (D1).
func activate(ctx context.Context, l *line, a *access, s *session) error {
	req := &ua.ActivateSessionRequest{ClientSignature: &ua.SignatureData{}, LocaleIDs: []string{"en"}, UserTokenSignature: &ua.SignatureData{}}
	var err error
	if req.ClientSignature.Signature, req.ClientSignature.Algorithm, err = l.sc.NewSessionSignature(s.cert, s.nonce); err != nil {
		return fmt.Errorf("sign for the session: %w", err)
	}
	if a.cfg.User == "" {
		req.UserIdentityToken = ua.NewExtensionObject(&ua.AnonymousIdentityToken{PolicyID: a.token.PolicyID})
	} else {
		t := &ua.UserNameIdentityToken{PolicyID: a.token.PolicyID, UserName: a.cfg.User}
		if t.Password, t.EncryptionAlgorithm, err = encryptPassword(a, s); err != nil {
			return fmt.Errorf("encrypt the password: %w", err)
		}
		req.UserIdentityToken = ua.NewExtensionObject(t)
	}
	res, err := send[*ua.ActivateSessionResponse](ctx, l, s.token, req, requestTimeout)
	if err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	if a.endpoint.SecurityMode != ua.MessageSecurityModeNone {
		if len(res.ServerNonce) < minNonce || bytes.Equal(res.ServerNonce, s.nonce) {
			return distrust("the server's nonce is too short or was used before")
		}
	}
	s.nonce = slices.Clip(res.ServerNonce)
	return nil
}

// encryptPassword follows OPC 10000-4, 7.40.2.2: length, password, nonce,
// encrypted for the server's key by the policy of the token.
func encryptPassword(a *access, s *session) ([]byte, string, error) {
	policy := tokenPolicy(a)
	if policy == ua.SecurityPolicyURINone {
		return []byte(a.password), "", nil // agree made sure that the channel encrypts
	}
	cert, err := uapolicy.ParseCertificate(s.cert)
	if err != nil {
		return nil, "", err
	}
	key, ok := cert.PublicKey.(*rsa.PublicKey)
	if !ok {
		return nil, "", errors.New("the server's certificate has no RSA key")
	}
	enc, err := uapolicy.Asymmetric(policy, nil, key)
	if err != nil {
		return nil, "", err
	}
	n := len(a.password) + len(s.nonce)
	plain := append([]byte{byte(n), byte(n >> 8), byte(n >> 16), byte(n >> 24)}, a.password...)
	plain = append(plain, s.nonce...)
	b, err := enc.Encrypt(plain)
	return b, enc.EncryptionURI(), err
}

// closeSession takes leave; the server may forget its subscriptions.
func closeSession(ctx context.Context, l *line, s *session) {
	ctx, cancel := context.WithTimeout(ctx, closeTimeout)
	defer cancel()
	// Nothing can be done about a failure: the server lets the session expire.
	_, _ = send[*ua.CloseSessionResponse](ctx, l, s.token, &ua.CloseSessionRequest{DeleteSubscriptions: true}, closeTimeout)
}

// explain puts an error into plain words; the words do not change while the
// cause stays, so that a log says them once.
func explain(err error) string {
	var trust *trustError
	var code ua.StatusCode
	var dns *net.DNSError
	switch {
	case err == nil:
		return ""
	case errors.As(err, &trust):
		return trust.text
	case errors.Is(err, errNotWelcome):
		return errNotWelcome.Error() + "; have the server's administrator trust it (its file is " + certificateFile + " in the data folder, or certificate: of the configuration)"
	case errors.As(err, &dns):
		return fmt.Sprintf("the name %s is not known on this network", dns.Name)
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing answers at the address: the server is off, or the port is wrong"
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return "there is no way to the address: check the network"
	case errors.Is(err, errSilent):
		return errSilent.Error()
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, ua.StatusBadTimeout):
		return "the server does not answer in time"
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET), errors.Is(err, net.ErrClosed), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.EPIPE):
		return "the connection was closed by the server or on the way"
	case errors.As(err, &code):
		switch code {
		case ua.StatusBadIdentityTokenRejected, ua.StatusBadUserAccessDenied, ua.StatusBadIdentityTokenInvalid:
			return "the server refuses the user or the password (" + statusName(code) + ")"
		case ua.StatusBadTooManySessions, ua.StatusCode(0x80EE0000), ua.StatusBadTCPServerTooBusy:
			return "the server has no room for another session (" + statusName(code) + ")"
		case ua.StatusBadCertificateUntrusted, ua.StatusBadSecurityChecksFailed:
			return "the server does not trust this client's certificate yet (" + statusName(code) + "); have its administrator trust it"
		}
		return strings.TrimSuffix(err.Error(), code.Error()) + statusName(code)
	}
	return err.Error()
}

// statusName gives the standard name of a status code.
func statusName(code ua.StatusCode) string {
	q := plant.QualityOf(uint32(code)).String()
	if !strings.Contains(q, "0x") {
		return q
	}
	n, found := strings.CutPrefix(ua.StatusCodes[code&0xFFFF0000].Name, "Status")
	if !found {
		return q
	}
	n = strings.NewReplacer("ID", "Id", "URI", "Uri", "TCP", "Tcp").Replace(n)
	for _, p := range []string{"Bad", "Uncertain", "Good"} {
		if rest, ok := strings.CutPrefix(n, p); ok && rest != "" {
			return p + "_" + rest
		}
	}
	return n
}

var errSilent = errors.New("the server fell silent: neither values nor keep-alives")
