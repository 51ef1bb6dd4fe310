package notify

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/http/httptest"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"calandria/plant"
)

// mailServer is a small SMTP server (RFC 5321) that keeps what it is given and
// can be told to answer otherwise.
type mailServer struct {
	t        testing.TB
	l        net.Listener
	cert     tls.Certificate
	pool     *x509.CertPool
	implicit bool
	startTLS bool

	mu      sync.Mutex
	answers map[string]string // by beginning of the command
	mails   []string
	rcpts   []string
	auth    string
	plain   []string // commands that came unencrypted
}

func newMailServer(t testing.TB, implicit, startTLS bool) *mailServer {
	t.Helper()
	h := httptest.NewTLSServer(nil) // for its certificate, good for 127.0.0.1
	defer h.Close()
	s := &mailServer{t: t, cert: h.TLS.Certificates[0], pool: x509.NewCertPool(), implicit: implicit, startTLS: startTLS, answers: map[string]string{}}
	s.pool.AddCert(h.Certificate())
	var err error
	if s.l, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := s.l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { s.serve(c) })
		}
	})
	t.Cleanup(func() { s.l.Close(); wg.Wait() })
	return s
}

func (s *mailServer) answer(command, with string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.answers[command] = with
}

func (s *mailServer) serve(c net.Conn) {
	defer c.Close()
	encrypted := s.implicit
	if s.implicit {
		c = tls.Server(c, &tls.Config{Certificates: []tls.Certificate{s.cert}})
	}
	r := bufio.NewReader(c)
	say := func(line string) { fmt.Fprintf(c, "%s\r\n", line) }
	say("220 mail.example ready")
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimSpace(line)
		s.mu.Lock()
		if !encrypted {
			s.plain = append(s.plain, line)
		}
		told := ""
		for k, v := range s.answers {
			if strings.HasPrefix(line, k) {
				told = v
			}
		}
		switch {
		case told == "silence":
			s.mu.Unlock()
			_, _ = r.ReadString('\n')
			return
		case told != "":
			say(told)
		case strings.HasPrefix(line, "EHLO"):
			say("250-mail.example")
			if s.startTLS && !encrypted {
				say("250-STARTTLS")
			}
			say("250 AUTH PLAIN")
		case line == "STARTTLS":
			say("220 go ahead")
			c = tls.Server(c, &tls.Config{Certificates: []tls.Certificate{s.cert}})
			r, encrypted = bufio.NewReader(c), true
		case strings.HasPrefix(line, "AUTH PLAIN "):
			b, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(line, "AUTH PLAIN "))
			s.auth = string(b)
			say("235 welcome")
		case strings.HasPrefix(line, "RCPT TO:"):
			s.rcpts = append(s.rcpts, strings.TrimPrefix(line, "RCPT TO:"))
			say("250 ok")
		case line == "DATA":
			say("354 go on")
			var b strings.Builder
			for {
				l, err := r.ReadString('\n')
				if err != nil {
					s.mu.Unlock()
					return
				}
				if l == ".\r\n" {
					break
				}
				b.WriteString(strings.TrimPrefix(l, "."))
			}
			s.mails = append(s.mails, b.String())
			say("250 taken")
		default:
			say("250 ok")
		}
		s.mu.Unlock()
		if line == "QUIT" {
			return
		}
	}
}

func (s *mailServer) sender(t testing.TB, how string) *Mail {
	return &Mail{Server: s.l.Addr().String(), TLS: how, CA: s.pool, From: "calandria@mill.example", To: []string{"shift@mill.example", "chief@mill.example"},
		User: "calandria", Password: secretFile(t, canary, 0o600), Site: testSite(t), Role: "shift engineer"}
}

func decodeMail(t testing.TB, raw string) (*mail.Message, string, string) {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(raw))
	if err != nil {
		t.Fatalf("%v\n%s", err, raw)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		t.Fatal(err)
	}
	return m, subject, strings.ReplaceAll(string(text), "\r\n", "\n")
}

// A file goes as an attachment (RFC 2045, 2046), read back by the standard library.
func TestMailFile(t *testing.T) {
	s := newMailServer(t, true, false)
	want := bytes.Repeat([]byte("%PDF \x00\xff\r\n."), 50)
	if err := s.sender(t, "tls").SendFile(t.Context(), "Mühle: week report", "week.pdf", "application/pdf", want); err != nil {
		t.Fatal(err)
	}
	msg, subject, _ := decodeMail(t, s.mails[0])
	kind, p, err := mime.ParseMediaType(msg.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/mixed" || subject != "Mühle: week report" {
		t.Fatalf("%s, %s, %v", kind, subject, err)
	}
	again, err := mail.ReadMessage(strings.NewReader(s.mails[0]))
	if err != nil {
		t.Fatal(err)
	}
	parts := multipart.NewReader(again.Body, p["boundary"])
	text, err := parts.NextPart()
	if err != nil {
		t.Fatal(err)
	}
	if body, err := io.ReadAll(text); err != nil || !strings.Contains(string(body), "Mill (invented)") {
		t.Errorf("text %q, %v", body, err)
	}
	file, err := parts.NextPart()
	if err != nil || file.FileName() != "week.pdf" || file.Header.Get("Content-Type") != "application/pdf" {
		t.Fatalf("%+v, %v", file, err)
	}
	if got, err := io.ReadAll(base64.NewDecoder(base64.StdEncoding, file)); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%d bytes, %v, want %d", len(got), err, len(want))
	}
}

func TestMail(t *testing.T) {
	for _, how := range []string{"starttls", "tls"} {
		t.Run(how, func(t *testing.T) {
			s := newMailServer(t, how == "tls", how == "starttls")
			m := s.sender(t, how)
			if err := m.Send(t.Context(), []Notice{vacuum()}); err != nil {
				t.Fatal(err)
			}
			if s.auth != "\x00calandria\x00"+canary {
				t.Errorf("signed in as %q", s.auth)
			}
			for _, line := range s.plain {
				if !strings.HasPrefix(line, "EHLO") && line != "STARTTLS" {
					t.Errorf("unencrypted: %s", line)
				}
			}
			if got := strings.Join(s.rcpts, " "); got != "<shift@mill.example> <chief@mill.example>" {
				t.Errorf("recipients %s", got)
			}
			msg, subject, text := decodeMail(t, s.mails[0])
			if want := "[urgent] alarm: Vacuum low in the last body – check (EV.EV1), Mill (invented)"; subject != want {
				t.Errorf("subject %q, want %q", subject, want)
			}
			if _, err := msg.Header.Date(); err != nil {
				t.Error(err)
			}
			if to, err := msg.Header.AddressList("To"); err != nil || len(to) != 2 {
				t.Errorf("to %v %v", to, err)
			}
			if msg.Header.Get("Message-ID") == "" || msg.Header.Get("Auto-Submitted") != "auto-generated" {
				t.Errorf("headers %v", msg.Header)
			}
			want := `ALARM: Vacuum low in the last body – check

Priority:          urgent
Where:             EV.EV1
Area:              evaporators
Since:             2026-03-27 07:04:03 +02:00
Value:             23.4 kPa, limit 20 kPa
Cause:             Injection water short or hot, air leak
If nothing is done: Syrup Brix falls
Response:          Restore water or pump
Time to respond:   10 min
Check:             Local gauge
Hazard:            Hot vapour
Procedure:         SITE PROCEDURE: vacuum loss
For:               shift engineer
Journal number:    812
Signed head:       810:3fa85f64c0de

Mill (invented)
Calandria advises; it is no safety system. Interlocks, relief devices and the site's procedures come first.
`
			if text != want {
				t.Errorf("text:\n%s\nwant:\n%s", text, want)
			}
		})
	}
}

// Texts come from rule files, the plant's server and operators: none of them
// makes a header, a recipient or the end of the message.
func TestMailCannotBeInjected(t *testing.T) {
	s := newMailServer(t, false, true)
	m := s.sender(t, "starttls")
	n := vacuum()
	evil := "x\r\nBcc: thief@example.org\r\n\r\n.\r\nQUIT\r\n\u2028\x00\x85"
	n.Spec.Title, n.Spec.Cause, n.Event.Source, n.Event.Area, n.Event.Unit, m.Site.Name, m.Role = evil, evil, evil, evil, evil, evil, evil
	if err := m.Send(t.Context(), []Notice{n}); err != nil {
		t.Fatal(err)
	}
	if len(s.mails) != 1 || len(s.rcpts) != 2 {
		t.Fatalf("%d mails to %v", len(s.mails), s.rcpts)
	}
	msg, subject, text := decodeMail(t, s.mails[0])
	if msg.Header.Get("Bcc") != "" || len(msg.Header) != 10 || strings.ContainsAny(subject, "\r\n") {
		t.Errorf("headers %v, subject %q", msg.Header, subject)
	}
	for line := range strings.SplitSeq(text, "\n") {
		if strings.HasPrefix(line, "Bcc:") || line == "." {
			t.Errorf("text:\n%s", text)
		}
	}
	for line := range strings.SplitSeq(s.mails[0], "\r\n") {
		if len(line) > 998 || strings.ContainsAny(line, "\r\n") {
			t.Errorf("line of %d bytes (RFC 5322, 2.1.1): %q", len(line), line)
		}
	}
}

// Several notices are one mail; the subject names the most urgent.
func TestMailOfSeveral(t *testing.T) {
	s := newMailServer(t, false, true)
	low := vacuum()
	low.Event.Priority, low.Event.Kind = plant.PriorityHigh, plant.EventReturn
	if err := s.sender(t, "starttls").Send(t.Context(), []Notice{low, vacuum(), low}); err != nil {
		t.Fatal(err)
	}
	_, subject, text := decodeMail(t, s.mails[0])
	if len(s.mails) != 1 || !strings.HasPrefix(subject, "[urgent] alarm: ") || !strings.Contains(subject, "and 2 more") || strings.Count(text, "RETURNED TO NORMAL:") != 2 {
		t.Errorf("%d mails, %q\n%s", len(s.mails), subject, text)
	}
}

func TestMailRefusals(t *testing.T) {
	for _, c := range []struct {
		name            string
		command, answer string
		refused, partly bool
		want            string
	}{
		{name: "full disk", command: "DATA", answer: "452 insufficient storage", want: "452"},
		{name: "message not wanted", command: "DATA", answer: "554 no", refused: true, want: "554"},
		{name: "sender not wanted", command: "MAIL", answer: "550 no", refused: true, want: "550"},
		{name: "no such mailboxes", command: "RCPT", answer: "550 who", refused: true, want: "550"},
		{name: "one mailbox gone", command: "RCPT TO:<chief", answer: "550 who", partly: true, want: "chief@mill.example"},
		{name: "greylisted", command: "RCPT", answer: "451 later", want: "451"},
		{name: "wrong password", command: "AUTH", answer: "535 no", want: "sign-in"},
		{name: "no answer", command: "MAIL", answer: "silence", want: "mail server"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newMailServer(t, false, true)
			s.answer(c.command, c.answer)
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			err := s.sender(t, "starttls").Send(ctx, []Notice{vacuum()})
			var refused *RefusedError
			var partly *PartlyError
			if err == nil || !strings.Contains(err.Error(), c.want) || errors.As(err, &refused) != c.refused || errors.As(err, &partly) != c.partly {
				t.Errorf("%v", err)
			}
			if err != nil && strings.Contains(err.Error(), canary) {
				t.Errorf("the error holds the password: %v", err)
			}
			if c.partly && len(s.mails) != 1 {
				t.Error("the others got nothing")
			}
		})
	}
}

// Nothing is sent in clear when encryption was asked for.
func TestMailDoesNotStepDown(t *testing.T) {
	s := newMailServer(t, false, false)
	if err := s.sender(t, "starttls").Send(t.Context(), []Notice{vacuum()}); err == nil || !strings.Contains(err.Error(), "offers no STARTTLS") {
		t.Errorf("a server without STARTTLS: %v", err)
	}
	s = newMailServer(t, false, true)
	m := s.sender(t, "starttls")
	m.CA = x509.NewCertPool()
	if err := m.Send(t.Context(), []Notice{vacuum()}); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("a certificate that nobody vouches for: %v", err)
	}
	if len(s.mails) > 0 || s.auth != "" {
		t.Error("something was sent")
	}
}

func FuzzMessage(f *testing.F) {
	f.Add("Vacuum low", "EV.EV5", "kPa")
	f.Add("x\r\nBcc: y@z", "\xff\xfe", "=?utf-8?q?=0d=0a?=")
	site := Site{Name: "Mill"}
	f.Fuzz(func(t *testing.T, a, b, c string) {
		n := vacuum()
		spec := *n.Spec
		n.Spec, spec.Title, n.Event.Source, n.Event.Unit = &spec, a, b, c
		m := Mail{From: "a@b.example", To: []string{"c@d.example"}, Site: site}
		raw := m.message([]Notice{n}, time.Unix(0, 0))
		msg, err := mail.ReadMessage(bytes.NewReader(raw))
		if err != nil || len(msg.Header) != 10 {
			t.Fatalf("%v %v", err, msg)
		}
		for line := range bytes.SplitSeq(raw, []byte("\r\n")) {
			if len(line) > 998 || bytes.ContainsAny(line, "\r\n") {
				t.Fatalf("line %q", line)
			}
		}
	})
}
