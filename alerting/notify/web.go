package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"calandria/plant/files"
)

// Secret is a secret in a file. It is read at each use, so that it can be
// changed without a restart; the zero value is none.
type Secret struct{ File string }

// Read gives the secret without the line break at its end. A file that others
// may read is refused.
func (s Secret) Read() (string, error) {
	if s.File == "" {
		return "", nil
	}
	return files.Secret(s.File)
}

// Access is how to get to a web receiver.
type Access struct {
	URL      string
	Token    Secret // bearer
	User     string
	Password Secret
	CA       *x509.CertPool // nil: the system's
	client   *http.Client
}

// CheckSecrets reads the secrets once, to find a fault before it matters.
func (a *Access) CheckSecrets() error {
	_, err := a.Token.Read()
	_, err2 := a.Password.Read()
	return errors.Join(err, err2)
}

// prepare makes the client. Redirects are not followed: they could carry
// secrets elsewhere.
func (a *Access) prepare() {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: a.CA}
	t.MaxIdleConns, t.IdleConnTimeout = 2, 90*time.Second
	a.client = &http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// post sends a JSON body and sorts the answer: nil, to be tried again, or
// refused for good.
func (a *Access) post(ctx context.Context, address string, body []byte, header http.Header) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return &RefusedError{errors.New("the address cannot be used")}
	}
	maps.Copy(req.Header, header)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "calandria")
	token, err := a.Token.Read()
	if err != nil {
		return err
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if a.User != "" {
		password, err := a.Password.Read()
		if err != nil {
			return err
		}
		req.SetBasicAuth(a.User, password)
	}
	res, err := a.client.Do(req)
	if err != nil {
		// The address may hold a secret: only the cause is told.
		if ue, ok := errors.AsType[*url.Error](err); ok {
			err = ue.Err
		}
		return fmt.Errorf("%s: %w", req.URL.Host, err)
	}
	defer res.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(res.Body, 2048))
	return verdict(req.URL.Host, res, said)
}

// verdict sorts an answer. Redirects are tried again: they are mended by whoever
// looks after the receiver. 4xx are refusals, but those that ask for patience.
func verdict(host string, res *http.Response, said []byte) error {
	if res.StatusCode/100 == 2 {
		return nil
	}
	err := fmt.Errorf("%s answers %s", host, res.Status)
	if text := cut(oneLine(string(said)), 200); text != "" {
		err = fmt.Errorf("%s answers %s: %s", host, res.Status, text)
	}
	switch {
	case res.StatusCode == http.StatusRequestTimeout, res.StatusCode == http.StatusTooManyRequests, res.StatusCode/100 == 5:
		if after := retryAfter(res.Header.Get("Retry-After"), time.Now()); after > 0 {
			return &LaterError{after, err}
		}
		return err
	case res.StatusCode/100 == 4:
		return &RefusedError{err}
	}
	return err
}

// retryAfter reads seconds or a date (RFC 9110, 10.2.3); 0 if there is neither.
func retryAfter(s string, now time.Time) time.Duration {
	if n, err := strconv.ParseUint(s, 10, 32); err == nil {
		return time.Duration(n) * time.Second
	}
	if at, err := http.ParseTime(s); err == nil && at.After(now) {
		return at.Sub(now)
	}
	return 0
}

// Webhook posts each notice by itself as a JSON object, and a flood as one object of
// kind DIGEST that holds them. The signature lets the
// receiver tell that it is ours and fresh:
//
//	X-Calandria-Timestamp: seconds since 1970
//	X-Calandria-Signature: v1=<hex of HMAC-SHA256(key, timestamp "." body)>
//	Idempotency-Key: the same for each repetition of one notice
//
// Use it with Config.Digest.
type Webhook struct {
	Access
	Secret Secret // key of the signature
	Site   Site
	Role   string
	now    func() time.Time
}

// NewWebhook completes a Webhook.
func NewWebhook(w Webhook) *Webhook {
	w.prepare()
	w.now = time.Now
	return &w
}

// body is what a webhook sends. Times are UTC, RFC 3339; values are in the unit
// given. Absent fields are left out.
type body struct {
	Version    int               `json:"version"` // 1
	Key        string            `json:"key"`
	Site       string            `json:"site"`
	Role       string            `json:"role,omitempty"`
	Kind       string            `json:"kind"` // ALARM, REALARM, RETURN, ACK; TEST
	Journal    uint64            `json:"journal,omitempty"`
	Time       time.Time         `json:"time"`
	Alarm      string            `json:"alarm,omitempty"`
	Title      string            `json:"title"`
	Source     string            `json:"source,omitempty"`
	Equipment  map[string]string `json:"equipment,omitempty"`
	Area       string            `json:"area,omitempty"`
	Priority   string            `json:"priority"`
	State      string            `json:"state,omitempty"`
	Occurrence uint64            `json:"occurrence,omitempty"`
	Value      *float64          `json:"value,omitempty"`
	Setpoint   *float64          `json:"setpoint,omitempty"`
	Unit       string            `json:"unit,omitempty"`
	Quality    string            `json:"quality,omitempty"`
	User       string            `json:"user,omitempty"`

	Cause       string  `json:"cause,omitempty"`
	Consequence string  `json:"consequence,omitempty"`
	Response    string  `json:"response,omitempty"`
	RespondS    float64 `json:"time_to_respond_s,omitempty"`
	Verify      string  `json:"verify,omitempty"`
	Hazard      string  `json:"hazard,omitempty"`
	Procedure   string  `json:"procedure,omitempty"`

	Before int    `json:"before,omitempty"`      // notices for which this one stands as well
	Turn   string `json:"turn,omitempty"`        // why it comes to this receiver
	Link   string `json:"acknowledge,omitempty"` // address

	Head   string `json:"journal_head,omitempty"` // that was signed last, NUMBER:HASH
	Text   string `json:"text"`
	Advice string `json:"advice"`

	Notices []*body `json:"notices,omitempty"` // of a digest, the most urgent first
}

func finite(v *float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	return v
}

func (w *Webhook) body(n *Notice) *body {
	e := &n.Event
	b := &body{Version: 1, Key: n.Key(), Site: w.Site.Name, Role: w.Role, Kind: string(e.Kind), Journal: e.Seq, Time: e.Time.UTC(),
		Alarm: e.Alarm, Title: w.Site.title(n), Source: e.Source, Equipment: w.Site.labels(e.Source), Area: e.Area,
		Priority: e.Priority.String(), State: e.State, Occurrence: e.Occurrence,
		Value: finite(e.Value), Setpoint: finite(e.Setpoint), Unit: e.Unit, Quality: e.Quality, User: e.User,
		Before: n.Before, Turn: w.Site.say(n.Turn), Link: n.Link, Head: w.Site.head(), Text: w.Site.text(n, w.Role), Advice: w.Site.say(advice)}
	if s := n.Spec; s != nil {
		said := func(text string) string { return w.Site.said(s, text) }
		b.Cause, b.Consequence, b.Response, b.RespondS = said(s.Cause), said(s.Consequence), said(s.Response), s.Respond.Seconds()
		b.Verify, b.Hazard, b.Procedure = said(s.Verify), said(s.Hazard), s.Procedure
	}
	return b
}

// digest is a flood in one object.
func (w *Webhook) digest(batch []Notice) *body {
	first := &batch[0].Event
	b := &body{Version: 1, Key: "digest/" + batch[0].Key(), Site: w.Site.Name, Role: w.Role, Kind: "DIGEST", Time: first.Time.UTC(),
		Priority: first.Priority.String(), Title: w.Site.say("%d notices", len(batch)), Text: w.Site.list(batch), Advice: w.Site.say(advice)}
	for i := range batch {
		b.Notices = append(b.Notices, w.body(&batch[i]))
	}
	return b
}

// Send implements [Sender].
func (w *Webhook) Send(ctx context.Context, batch []Notice) error {
	key, err := w.signingKey()
	if err != nil {
		return err
	}
	if len(batch) > 1 {
		return w.send(ctx, w.digest(batch), key)
	}
	return w.send(ctx, w.body(&batch[0]), key)
}

func (w *Webhook) send(ctx context.Context, b *body, key string) error {
	text, err := json.Marshal(b)
	if err != nil {
		return &RefusedError{err}
	}
	stamp := strconv.FormatInt(w.now().Unix(), 10)
	mac := hmac.New(sha256.New, []byte(key))
	mac.Write([]byte(stamp + "."))
	mac.Write(text)
	h := http.Header{}
	h.Set("Idempotency-Key", b.Key)
	h.Set("X-Calandria-Timestamp", stamp)
	h.Set("X-Calandria-Signature", "v1="+hex.EncodeToString(mac.Sum(nil)))
	return w.post(ctx, w.URL, text, h)
}

func (w *Webhook) signingKey() (string, error) {
	key, err := w.Secret.Read()
	if err == nil && len(key) < 16 {
		return "", fmt.Errorf("the key in %s is shorter than 16 characters", w.Secret.File)
	}
	return key, err
}

// CheckSecrets reads the secrets once, to find a fault before it matters.
func (w *Webhook) CheckSecrets() error {
	_, err := w.signingKey()
	return errors.Join(err, w.Access.CheckSecrets())
}
