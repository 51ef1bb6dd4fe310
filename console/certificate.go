package console

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"calandria/plant/files"
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
}

func loadCertificate(file, key string, log *slog.Logger) (*certificate, error) {
	c := &certificate{file: file, key: key, log: log}
	if err := c.load(); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *certificate) load() error {
	info, err := os.Stat(c.key)
	if err != nil {
		return fmt.Errorf("TLS key: %w", err)
	}
	if info.Mode().Perm()&0o007 != 0 {
		return fmt.Errorf("TLS key %s can be read by everybody on this machine (mode %04o): set its mode to 0600", c.key, info.Mode().Perm())
	}
	cert, err := files.Read(c.file, 1<<20)
	if err != nil {
		return fmt.Errorf("TLS certificate: %w", err)
	}
	key, err := files.Read(c.key, 1<<20)
	if err != nil {
		return fmt.Errorf("TLS key: %w", err)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return fmt.Errorf("TLS certificate %s: %w", c.file, err)
	}
	if info, err = os.Stat(c.file); err != nil {
		return fmt.Errorf("TLS certificate: %w", err)
	}
	c.pair, c.stamp = &pair, info.ModTime()
	return nil
}

// get is for tls.Config. A new file that cannot be read is tried again; until
// then the certificate of before is used.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := time.Now(); now.Sub(c.looked) >= time.Minute {
		c.looked = now
		if info, err := os.Stat(c.file); err != nil || !info.ModTime().Equal(c.stamp) {
			if err := c.load(); err != nil {
				c.log.Error("console: the new certificate is not used", "err", err)
			}
		}
	}
	return c.pair, nil
}
