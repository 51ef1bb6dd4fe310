package console

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// A console starts on a damaged accounts file: who is whole in it signs in, the
// page says what is wrong, and a mended file is taken over.
func TestDamagedAccounts(t *testing.T) {
	var a Accounts
	for _, name := range []string{"Ada", "Ben", "Cem"} {
		if err := a.Set(name, Operator, "correct horse battery "+name); err != nil {
			t.Fatal(err)
		}
	}
	a.NewToken("grafana", "")
	path := filepath.Join(t.TempDir(), "accounts.yaml")
	if err := a.Save(path); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	random := []byte(strings.Repeat("x", 3000))
	r := rand.New(rand.NewPCG(7, 8))
	for i := range random {
		random[i] = byte(r.Uint32())
	}
	second := strings.Index(string(whole), "Ben")
	for _, c := range []struct {
		name string
		text []byte
		want string // who may still sign in
	}{
		{"cut in the third", whole[:strings.Index(string(whole), "Cem")+20], "Ada Ben"},
		{"second overwritten", slices.Concat(whole[:second], random[:60], whole[second+60:]), "Ada Cem"},
		{"head overwritten", slices.Concat(random[:20], whole[20:]), "Ada Ben Cem"},
		{"all overwritten", random, ""},
		{"empty", nil, ""},
		{"another file", []byte("site: {name: x}\n"), ""},
	} {
		if err := os.WriteFile(path, c.text, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := Check(Options{Accounts: path}); err == nil {
			t.Errorf("%s: 'check' says nothing", c.name)
			continue
		}
		s, err := New(newMill(t, time.Now()), Options{Accounts: path})
		if err != nil {
			t.Fatalf("%s: does not start: %v", c.name, err)
		}
		var got []string
		for _, u := range s.gate.accounts.Users {
			got = append(got, u.Name)
		}
		if strings.Join(got, " ") != c.want || !strings.Contains(s.Fault().String(), "accounts file") {
			t.Errorf("%s: %q may sign in, want %q; fault %q", c.name, got, c.want, s.Fault())
		}
		if err := os.WriteFile(path, whole, 0o600); err != nil {
			t.Fatal(err)
		}
		s.gate.looked = s.gate.looked.Add(-2 * rereadEvery)
		if fault := s.Fault(); fault != "" || len(s.gate.accounts.Users) != 3 {
			t.Errorf("%s: after the repair: %q", c.name, fault)
		}
	}
}

// Without its certificate the console shows nothing, and the program runs.
func TestDamagedCertificate(t *testing.T) {
	dir := t.TempDir()
	opt := Options{Certificate: filepath.Join(dir, "cert.pem"), Key: filepath.Join(dir, "key.pem")}
	for _, name := range []string{opt.Certificate, opt.Key} {
		if err := os.WriteFile(name, []byte("damaged"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := New(newMill(t, time.Now()), opt)
	if err != nil || !strings.Contains(s.Fault().String(), "certificate") {
		t.Fatalf("%v, fault %q", err, s.Fault())
	}
	if _, err := s.cert.get(nil); err == nil {
		t.Error("a certificate that is none was given")
	}
	if Check(opt) == nil {
		t.Error("'check' says nothing")
	}
}
