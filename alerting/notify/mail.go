package notify

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/smtp"
	"net/textproto"
	"os"
	"slices"
	"strings"
	"time"

	"calandria/plant"
)

// Beyond digestFrom notices a mail is a digest with digestFull of them in full.
const (
	digestFrom = 10
	digestFull = 5
)

// Mail sends the notices of a delivery as one message (RFC 5321, 5322), so that
// a flood of alarms is not a flood of mails.
type Mail struct {
	Server   string // host:port
	TLS      string // starttls, tls or none; there is no silent step down
	CA       *x509.CertPool
	From     string
	To       []string
	User     string
	Password Secret
	Site     Site
	Role     string
}

// CheckSecrets reads the password once, to find a fault before it matters.
func (m *Mail) CheckSecrets() error {
	_, err := m.Password.Read()
	return err
}

// Send implements [Sender].
func (m *Mail) Send(ctx context.Context, batch []Notice) error {
	if len(batch) == 0 {
		return nil
	}
	return m.post(ctx, m.message(batch, time.Now()))
}

// SendFile sends a file, such as a report, with a line of text.
func (m *Mail) SendFile(ctx context.Context, subject, name, kind string, data []byte) error {
	now := time.Now()
	var b bytes.Buffer
	sum := sha256.Sum256(append([]byte(now.String()+name), data...))
	m.head(&b, subject, hex.EncodeToString(sum[:16]), now)
	parts := multipart.NewWriter(&b)
	fmt.Fprintf(&b, "Content-Type: multipart/mixed; boundary=%s\r\n\r\n", parts.Boundary())
	w, err := parts.CreatePart(textproto.MIMEHeader{"Content-Type": {"text/plain; charset=utf-8"}, "Content-Transfer-Encoding": {"quoted-printable"}})
	if err == nil {
		q := quotedprintable.NewWriter(w)
		fmt.Fprintf(q, "%s\r\n%s\r\n%s\r\n", subject, oneLine(m.Site.Name), m.Site.say(advice))
		q.Close()
		w, err = parts.CreatePart(textproto.MIMEHeader{"Content-Type": {kind}, "Content-Transfer-Encoding": {"base64"},
			"Content-Disposition": {fmt.Sprintf("attachment; filename=%q", name)}})
	}
	if err != nil {
		return err
	}
	for text := base64.StdEncoding.EncodeToString(data); text != ""; { // lines of 76, RFC 2045
		n := min(76, len(text))
		fmt.Fprintf(w, "%s\r\n", text[:n])
		text = text[n:]
	}
	parts.Close()
	return m.post(ctx, b.Bytes())
}

// post hands a message to the server.
func (m *Mail) post(ctx context.Context, message []byte) error {
	host, _, err := net.SplitHostPort(m.Server)
	if err != nil {
		return fmt.Errorf("mail server: %w", err)
	}
	password, err := m.Password.Read()
	if err != nil {
		return err
	}
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", m.Server)
	if err != nil {
		return fmt.Errorf("mail server %s: %w", m.Server, err)
	}
	// The protocol knows no context: the connection is cut when it ends.
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	defer conn.Close()
	if deadline, ok := ctx.Deadline(); ok {
		_ = conn.SetDeadline(deadline)
	}
	secure := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12, RootCAs: m.CA}
	if m.TLS == "tls" {
		conn = tls.Client(conn, secure)
	}
	c, err := smtp.NewClient(conn, host)
	if err != nil {
		return fmt.Errorf("mail server %s: %w", m.Server, err)
	}
	if name, err := os.Hostname(); err == nil {
		if err := c.Hello(name); err != nil {
			return fmt.Errorf("mail server %s: greeting as %s: %w", m.Server, name, err)
		}
	}
	if m.TLS == "starttls" {
		if ok, _ := c.Extension("STARTTLS"); !ok {
			return fmt.Errorf("mail server %s offers no STARTTLS; nothing is sent unencrypted", m.Server)
		}
		if err := c.StartTLS(secure); err != nil {
			return fmt.Errorf("mail server %s: encryption: %w", m.Server, err)
		}
	}
	if m.User != "" {
		if err := c.Auth(smtp.PlainAuth("", m.User, password, host)); err != nil {
			// To be mended in the configuration: not a refusal of the notice.
			return fmt.Errorf("mail server %s: sign-in: %w", m.Server, err)
		}
	}
	if err := c.Mail(m.From); err != nil {
		return m.sort("sender", err)
	}
	var missed []error
	temporary := false
	for _, to := range m.To {
		if err := c.Rcpt(to); err != nil {
			err = m.sort("recipient "+to, err)
			var refused *RefusedError
			temporary = temporary || !errors.As(err, &refused)
			missed = append(missed, err)
		}
	}
	if len(missed) == len(m.To) {
		if temporary {
			return errors.New(cut(oneLine(errors.Join(missed...).Error()), 300))
		}
		return &RefusedError{errors.New(cut(oneLine(errors.Join(missed...).Error()), 300))}
	}
	w, err := c.Data()
	if err != nil {
		return m.sort("message", err)
	}
	if _, err := w.Write(message); err != nil {
		return fmt.Errorf("mail server %s: %w", m.Server, err)
	}
	if err := w.Close(); err != nil {
		return m.sort("message", err)
	}
	_ = c.Quit() // taken already
	if len(missed) > 0 {
		return &PartlyError{errors.New(cut(oneLine(errors.Join(missed...).Error()), 300))}
	}
	return nil
}

// sort tells a refusal for good (5yz) from one that may pass.
func (m *Mail) sort(what string, err error) error {
	wrapped := fmt.Errorf("mail server %s: %s: %w", m.Server, what, err)
	if p, ok := errors.AsType[*textproto.Error](err); ok && p.Code >= 500 {
		return &RefusedError{wrapped}
	}
	return wrapped
}

// head writes the lines that every mail has. What it gives writes one more.
func (m *Mail) head(b *bytes.Buffer, subject, id string, now time.Time) func(k, v string) {
	head := func(k, v string) { fmt.Fprintf(b, "%s: %s\r\n", k, v) }
	head("From", m.From)
	head("To", strings.Join(m.To, ",\r\n "))
	head("Subject", mime.QEncoding.Encode("utf-8", subject))
	head("Date", now.Format(time.RFC1123Z))
	head("Message-ID", "<"+id+"@"+m.From[strings.LastIndexByte(m.From, '@')+1:]+">")
	head("Auto-Submitted", "auto-generated") // RFC 3834: no automatic answers
	head("MIME-Version", "1.0")
	return head
}

// message writes the mail. Nothing from outside gets into a header as it is:
// addresses were checked with the configuration, the subject is one encoded
// line, the rest is quoted-printable.
func (m *Mail) message(batch []Notice, now time.Time) []byte {
	var b bytes.Buffer
	sum := sha256.New()
	for i := range batch {
		sum.Write([]byte(batch[i].Key() + "\n"))
	}
	head := m.head(&b, m.Site.subject(batch), hex.EncodeToString(sum.Sum(nil)[:16]), now)
	if slices.ContainsFunc(batch, func(n Notice) bool { return n.Event.Priority == plant.PriorityUrgent }) {
		head("Importance", "high")
	}
	head("Content-Type", "text/plain; charset=utf-8")
	head("Content-Transfer-Encoding", "quoted-printable")
	b.WriteString("\r\n")
	q := quotedprintable.NewWriter(&b)
	write := func(s string) { _, _ = q.Write([]byte(strings.ReplaceAll(s, "\n", "\r\n"))) }
	// A flood is one digest: each in a line, and the first of them in full.
	if len(batch) > digestFrom {
		write(m.Site.list(batch))
		write("\n" + m.Site.say("The first %d in full:", digestFull) + "\n\n")
	}
	for i := range batch {
		if len(batch) <= digestFrom || i < digestFull {
			write(m.Site.text(&batch[i], m.Role) + "\n")
		}
	}
	write(oneLine(m.Site.Name) + "\n" + m.Site.say(advice) + "\n")
	_ = q.Close()
	return b.Bytes()
}
