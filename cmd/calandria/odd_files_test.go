//go:build unix

package main

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// Files that are none end neither the check nor a reload, and what a link leads
// to is not printed.
func TestOddRuleFiles(t *testing.T) {
	const secret = "hunter2-canary"
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	rule := filepath.Join(dir, "rule.yaml")
	plantFile := write("plant.yaml", "site: {name: Mill (invented)}\nopcua: {servers: [{name: s, endpoint: \"opc.tcp://127.0.0.1:1\", policy: None}]}\npans: [{name: P}]\nrules: [rule.yaml]\n")
	for _, c := range []struct {
		name string
		make func() error
		want string
	}{
		{"pipe", func() error { return syscall.Mkfifo(rule, 0o600) }, "is no regular file but a pipe"},
		{"device", func() error { return os.Symlink("/dev/zero", rule) }, "is no regular file but a device"},
		{"folder", func() error { return os.Mkdir(rule, 0o700) }, "is no regular file but a folder"},
		{"secret", func() error { return os.Symlink(write("secret", secret+"\nkey: "+secret+"\n"), rule) }, "of another kind"},
		{"large", func() error { return os.Truncate(write("rule.yaml", ""), 9<<20) }, "is larger than"},
		{"deep", func() error { write("rule.yaml", strings.Repeat("[", 160_000)); return nil }, "nested too deeply"},
	} {
		if err := c.make(); err != nil {
			t.Fatal(err)
		}
		err := (&checkCmd{Config: plantFile}).Run(&app{ctx: context.Background(), out: &strings.Builder{}, log: slog.New(slog.DiscardHandler)})
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), secret) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
		if err := os.Remove(rule); err != nil {
			t.Fatal(err)
		}
	}
}
