package collector

import (
	"bytes"
	"cmp"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/files"
)

// Files in the data folder.
const (
	certificateFile = "client-certificate.pem"
	keyFile         = "client-key.pem"
	trustedDir      = "trusted"
	rejectedDir     = "rejected"
)

const (
	keyBits       = 2048 // the least all three policies allow (OPC 10000-7)
	ownLife       = 5 * 365 * 24 * time.Hour
	expiryWarning = 30 * 24 * time.Hour
	rejectedLimit = 50 // files kept in rejected/
)

// identity is this program's application instance certificate.
type identity struct {
	der []byte
	key *rsa.PrivateKey
	uri string // ApplicationUri, from the certificate (A6)
	end time.Time
}

// loadIdentity reads the certificate and key named in the configuration, or
// those in the data folder, made on first use. It is called at each connect, so
// that a new certificate needs no restart (A7).
func loadIdentity(s plant.ServerConfig, dataDir string, now time.Time) (*identity, error) {
	cert, key := s.Certificate, s.Key
	if (cert == "") != (key == "") {
		return nil, fmt.Errorf("server %s: certificate and key go together: give both files or neither", s.Name)
	}
	if cert == "" {
		cert, key = filepath.Join(dataDir, certificateFile), filepath.Join(dataDir, keyFile)
		if _, err := os.Stat(cert); errors.Is(err, fs.ErrNotExist) {
			if err := makeIdentity(cert, key, now); err != nil {
				return nil, fmt.Errorf("make the client certificate: %w", err)
			}
		}
	}
	der, err := readDER(cert, "CERTIFICATE")
	if err != nil {
		return nil, fmt.Errorf("read the client certificate: %w", err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, fmt.Errorf("client certificate %s: %w", cert, err)
	}
	kb, err := readDER(key, "PRIVATE KEY", "RSA PRIVATE KEY")
	if err != nil {
		return nil, fmt.Errorf("read the client key: %w", err)
	}
	k, err := parseKey(kb)
	if err != nil {
		return nil, fmt.Errorf("client key %s: %w", key, err)
	}
	if pub, ok := c.PublicKey.(*rsa.PublicKey); !ok || !pub.Equal(&k.PublicKey) {
		return nil, fmt.Errorf("client certificate %s and key %s do not belong together", cert, key)
	}
	if len(c.URIs) == 0 {
		return nil, fmt.Errorf("client certificate %s has no ApplicationUri in its subject alternative name; OPC UA demands one (OPC 10000-6, 6.2.2)", cert)
	}
	if now.After(c.NotAfter) {
		return nil, fmt.Errorf("client certificate %s ran out on %s; put a new one there, or remove it and its key to have one made, and trust it at the server", cert, c.NotAfter.Format(time.DateOnly))
	}
	return &identity{der: der, key: k, uri: c.URIs[0].String(), end: c.NotAfter}, nil
}

func parseKey(der []byte) (*rsa.PrivateKey, error) {
	if k, err := x509.ParsePKCS1PrivateKey(der); err == nil {
		return k, nil
	}
	k, err := x509.ParsePKCS8PrivateKey(der)
	if err != nil {
		return nil, errors.New("it is not an unencrypted RSA key in PKCS #1 or PKCS #8")
	}
	r, ok := k.(*rsa.PrivateKey)
	if !ok {
		return nil, errors.New("it is not an RSA key; the OPC UA policies offered here need one")
	}
	return r, nil
}

// makeIdentity writes a self-signed certificate as OPC 10000-6, 6.2.2 describes.
func makeIdentity(certPath, keyPath string, now time.Time) error {
	host, err := os.Hostname()
	if err != nil {
		host = "localhost"
	}
	key, err := rsa.GenerateKey(rand.Reader, keyBits)
	if err != nil {
		return err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return err
	}
	t := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: "Calandria@" + host, Organization: []string{"Calandria"}},
		NotBefore:    now.Add(-time.Hour), NotAfter: now.Add(ownLife),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment | x509.KeyUsageKeyEncipherment |
			x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		URIs:        []*url.URL{{Scheme: "urn", Opaque: url.PathEscape(host) + ":calandria:client"}},
		DNSNames:    []string{host}, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return err
	}
	kb, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(certPath), 0o750); err != nil {
		return err
	}
	// The key first: a certificate without its key would never be replaced.
	if err := files.Write(keyPath, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kb}), 0o600); err != nil {
		return err
	}
	return files.Write(certPath, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644)
}

// readDER reads a PEM or DER file; of a PEM file the first block of a kind.
func readDER(path string, kinds ...string) ([]byte, error) {
	b, err := files.Read(path, 1<<20)
	if err != nil {
		return nil, err
	}
	rest := b
	for {
		var block *pem.Block
		block, rest = pem.Decode(rest)
		if block == nil {
			break
		}
		if slices.Contains(kinds, block.Type) {
			return block.Bytes, nil
		}
	}
	if bytes.HasPrefix(bytes.TrimSpace(b), []byte("-----BEGIN")) {
		return nil, fmt.Errorf("%s holds no %s", path, kinds[0])
	}
	return b, nil
}

// Fingerprint is the SHA-256 of a certificate as people compare it.
func fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	s := strings.ToUpper(hex.EncodeToString(sum[:]))
	var parts []string
	for i := 0; i < len(s); i += 4 {
		parts = append(parts, s[i:i+4])
	}
	return strings.Join(parts, " ")
}

// trustError says that a server's certificate was refused.
type trustError struct{ text string }

func (e *trustError) Error() string { return e.text }

func distrust(format string, args ...any) error { return &trustError{fmt.Sprintf(format, args...)} }

// checkServer decides whether to trust a server's certificate (A5). chain is
// what the server sent; appURI what its endpoint claims. Unknown certificates
// are put into rejected/ and never trusted by themselves. Warnings are defects
// that a person has accepted by naming the very certificate.
func checkServer(s plant.ServerConfig, dataDir string, chain []byte, appURI string, now time.Time) (leaf *x509.Certificate, warnings []string, err error) {
	certs, err := x509.ParseCertificates(chain)
	if err != nil || len(certs) == 0 {
		return nil, nil, distrust("the server sent no certificate that can be read; policy %s needs one", s.Policy)
	}
	leaf = certs[0]
	pub, ok := leaf.PublicKey.(*rsa.PublicKey)
	if !ok {
		return nil, nil, distrust("the server's certificate has no RSA key; policy %s needs one", s.Policy)
	}
	if pub.N.BitLen() < keyBits || pub.N.BitLen() > 4096 {
		return nil, nil, distrust("the server's key has %d bits; policy %s allows 2048 to 4096", pub.N.BitLen(), s.Policy)
	}
	switch leaf.SignatureAlgorithm {
	case x509.MD5WithRSA, x509.SHA1WithRSA, x509.MD2WithRSA:
		return nil, nil, distrust("the server's certificate is signed with %s, which can be forged; have a new one made at the server", leaf.SignatureAlgorithm)
	}

	pinned := false
	if s.ServerCertificate != "" {
		want, err := readDER(s.ServerCertificate, "CERTIFICATE")
		if err != nil {
			return nil, nil, fmt.Errorf("read server_certificate: %w", err)
		}
		if !bytes.Equal(want, leaf.Raw) {
			where := reject(dataDir, leaf)
			return nil, nil, distrust("the server's certificate (%s) is not the one in %s; if it was renewed on purpose, compare its fingerprint %s with the server's administrator and replace the file%s",
				name(leaf), s.ServerCertificate, fingerprint(leaf.Raw), where)
		}
		pinned = true
	} else if !inTrustList(filepath.Join(dataDir, trustedDir), certs, now) {
		where := reject(dataDir, leaf)
		return nil, nil, distrust("the server's certificate (%s) is not trusted yet; compare its SHA-256 fingerprint %s with the server's administrator, then move it to %s%s",
			name(leaf), fingerprint(leaf.Raw), filepath.Join(dataDir, trustedDir), where)
	}

	problem := func(format string, args ...any) {
		p := fmt.Sprintf(format, args...)
		if pinned {
			warnings = append(warnings, p+" (accepted because server_certificate names it)")
		} else if err == nil {
			err = distrust("%s; have it corrected at the server, or accept this very certificate by server_certificate:", p)
		}
	}
	if now.Before(leaf.NotBefore) {
		problem("the server's certificate is valid only from %s", leaf.NotBefore.Format(time.DateTime))
	}
	if now.After(leaf.NotAfter) {
		problem("the server's certificate ran out on %s", leaf.NotAfter.Format(time.DateTime))
	} else if now.Add(expiryWarning).After(leaf.NotAfter) {
		warnings = append(warnings, fmt.Sprintf("the server's certificate runs out on %s", leaf.NotAfter.Format(time.DateOnly)))
	}
	if !slices.ContainsFunc(leaf.URIs, func(u *url.URL) bool { return u.String() == appURI }) {
		problem("the server calls itself %q, its certificate says otherwise", appURI)
	}
	if leaf.KeyUsage != 0 && leaf.KeyUsage&(x509.KeyUsageDigitalSignature|x509.KeyUsageKeyEncipherment) == 0 {
		problem("the server's certificate is not meant for signing and encrypting")
	}
	if err != nil {
		return nil, nil, err
	}
	// Plants address servers by number or by names unknown to the certificate:
	// with a trust list of certificates this is a remark, not a refusal.
	if u, perr := url.Parse(s.Endpoint); perr == nil && leaf.VerifyHostname(bracketIP(u.Hostname())) != nil {
		warnings = append(warnings, fmt.Sprintf("the server's certificate does not name the host %s", u.Hostname()))
	}
	return leaf, warnings, nil
}

func bracketIP(h string) string {
	if net.ParseIP(h) != nil {
		return "[" + h + "]"
	}
	return h
}

func name(c *x509.Certificate) string {
	n := c.Subject.CommonName
	n = cmp.Or(n, c.Subject.String())
	return printable(n)
}

// printable keeps text from a server from upsetting a log or a terminal.
func printable(s string) string {
	if len(s) > 200 {
		s = s[:200]
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F {
			return '?'
		}
		return r
	}, s)
}

// inTrustList reports whether the leaf itself is in the folder, or a CA of the
// folder signed it, over the other certificates sent if need be.
func inTrustList(dir string, certs []*x509.Certificate, now time.Time) bool {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return false
	}
	roots, inter := x509.NewCertPool(), x509.NewCertPool()
	haveCA := false
	for _, e := range entries {
		if e.IsDir() {
			continue
		}
		der, err := readDER(filepath.Join(dir, e.Name()), "CERTIFICATE")
		if err != nil {
			continue
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			continue
		}
		if c.Equal(certs[0]) {
			return true
		}
		if c.IsCA {
			roots.AddCert(c)
			haveCA = true
		}
	}
	if !haveCA {
		return false
	}
	for _, c := range certs[1:] {
		inter.AddCert(c)
	}
	_, err = certs[0].Verify(x509.VerifyOptions{Roots: roots, Intermediates: inter, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageAny}})
	return err == nil
}

// reject keeps an unknown certificate for an administrator and says where.
func reject(dataDir string, c *x509.Certificate) string {
	dir := filepath.Join(dataDir, rejectedDir)
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return ""
	}
	// The folder for moving it to should be there too.
	_ = os.MkdirAll(filepath.Join(dataDir, trustedDir), 0o750)
	safe := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.' {
			return r
		}
		return '_'
	}, name(c))
	sum := sha256.Sum256(c.Raw)
	path := filepath.Join(dir, fmt.Sprintf("%.40s-%s.pem", strings.Trim(safe, "."), hex.EncodeToString(sum[:6])))
	if _, err := os.Stat(path); err != nil {
		// A server that shows a new certificate each time must not fill the disk.
		if entries, err := os.ReadDir(dir); err != nil || len(entries) >= rejectedLimit {
			return fmt.Sprintf(" (%s is full: clear it to see the certificate)", dir)
		}
		if err := files.Write(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Raw}), 0o644); err != nil {
			return ""
		}
	}
	return fmt.Sprintf(" (it is kept as %s)", path)
}

// readPassword reads a password file; a last line end does not count. warning
// is set where others on the machine can read it.
func readPassword(path string) (password, warning string, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", "", fmt.Errorf("read password_file: %w", err)
	}
	b, err := files.Read(path, 4096)
	if err != nil {
		return "", "", fmt.Errorf("read password_file: %w", err)
	}
	if info.Mode().Perm()&0o007 != 0 {
		warning = fmt.Sprintf("everybody on this machine can read %s; set its mode to 0600", path)
	}
	return strings.TrimRight(string(b), "\r\n"), warning, nil
}
