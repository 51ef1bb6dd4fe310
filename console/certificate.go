package console

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"calandria/plant/files"
	"calandria/plant/words"
)

// certificate is a TLS certificate that is read again when its file changes, so
// that a new one needs no restart.
type certificate struct {
	file, key string
	log       *slog.Logger

	mu     sync.Mutex
	pair   *tls.Certificate
	stamp  time.Time
	looked time.Time
	why    words.Text // it cannot be used
}

func loadCertificate(file, key string, log *slog.Logger) (*certificate, error) {
	c := &certificate{file: file, key: key, log: log}
	if err := c.load(); err != nil {
		c.why = words.Of(err)
		log.Error("console: no page is served until this is mended", "err", err)
		return c, fmt.Errorf("console: %w", err)
	}
	return c, nil
}

// fault says why the certificate cannot be used, "" for nothing.
func (c *certificate) fault() words.Text {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.why
}

func (c *certificate) load() error {
	info, err := os.Stat(c.key)
	if err != nil {
		return words.Errorf("TLS key: %s", err)
	}
	if info.Mode().Perm()&0o007 != 0 {
		return words.Errorf("TLS key %s can be read by everybody on this machine (mode %04o): set its mode to 0600", c.key, int(info.Mode().Perm()))
	}
	cert, err := files.Read(c.file, 1<<20)
	if err != nil {
		return words.Errorf("TLS certificate: %s", err)
	}
	key, err := files.Read(c.key, 1<<20)
	if err != nil {
		return words.Errorf("TLS key: %s", err)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return words.Errorf("TLS certificate %s: %s", c.file, err)
	}
	if info, err = os.Stat(c.file); err != nil {
		return words.Errorf("TLS certificate: %s", err)
	}
	c.pair, c.stamp = &pair, info.ModTime()
	return nil
}

// get is for tls.Config. A new file that cannot be read is tried again; until
// then the certificate of before is used.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := time.Now(); now.Sub(c.looked) >= time.Minute || c.pair == nil && now.Sub(c.looked) >= time.Second {
		c.looked = now
		if info, err := os.Stat(c.file); err != nil || !info.ModTime().Equal(c.stamp) || c.pair == nil {
			if err := c.load(); err != nil {
				c.why = words.Say("the new TLS certificate is not used: %s", err)
				c.log.Error("console: the new certificate is not used", "err", err)
			} else {
				c.why = ""
			}
		}
	}
	if c.pair == nil {
		return nil, fmt.Errorf("the console has no certificate: %s", c.why)
	}
	return c.pair, nil
}
