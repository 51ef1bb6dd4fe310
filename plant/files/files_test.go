//go:build unix

package files

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// What is no regular file is refused at once, under each road to it.
func TestRead(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	err := errors.Join(os.WriteFile(at("plain"), []byte("12345"), 0o600), syscall.Mkfifo(at("pipe"), 0o600), os.Mkdir(at("folder"), 0o700),
		os.Symlink("/dev/zero", at("device")), os.Symlink(at("pipe"), at("link to pipe")), os.Symlink(at("folder"), at("link to folder")), os.Symlink(at("plain"), at("link")),
		os.WriteFile(at("open"), []byte("secret"), 0o644), os.WriteFile(at("long"), []byte(strings.Repeat("x", 5000)), 0o600), os.WriteFile(at("empty"), []byte("\n"), 0o600))
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"plain": "", "link": "", "pipe": "a pipe", "link to pipe": "a pipe", "folder": "a folder", "link to folder": "a folder", "device": "a device", "gone": "no such file"} {
		data, err := Read(at(name), 5)
		if want == "" && (err != nil || string(data) != "12345") || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %q %v, want %q", name, data, err, want)
		}
	}
	if _, err := Read(at("plain"), 4); err == nil || !strings.Contains(err.Error(), "larger than 4 bytes") {
		t.Errorf("too large: %v", err)
	}
	for name, want := range map[string]string{"open": "read by everyone", "long": "larger than 4096", "empty": "is empty", "pipe": "a pipe"} {
		if _, err := Secret(at(name)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("secret %s: %v, want %q", name, err, want)
		}
	}
}

func TestSetAside(t *testing.T) {
	dir, now := t.TempDir(), time.Date(2026, 3, 27, 12, 0, 0, 0, time.UTC)
	name := filepath.Join(dir, "journal.db")
	for range 2 {
		if err := os.WriteFile(name, []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
		if to, err := SetAside(name, now); err != nil || !strings.HasPrefix(filepath.Base(to), "journal.db.damaged-20260327T120000Z") {
			t.Errorf("%s %v", to, err)
		}
	}
	if to, err := SetAside(name, now); to != "" || err != nil {
		t.Errorf("what is not there: %q %v", to, err)
	}
	if _, err := os.Stat(name); !errors.Is(err, fs.ErrNotExist) {
		t.Error("it is still there")
	}
	if got := Aside(dir); len(got) != 2 {
		t.Errorf("set aside: %q", got)
	}
}

func TestWrite(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a.yaml")
	mode := func() fs.FileMode {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		return info.Mode().Perm()
	}
	if err := Write(name, []byte("one"), 0o600); err != nil || mode() != 0o600 {
		t.Errorf("%v, mode %v", err, mode())
	}
	if err := os.Chmod(name, 0o640); err != nil {
		t.Fatal(err)
	}
	if err := Write(name, []byte("two"), 0o600); err != nil || mode() != 0o640 {
		t.Errorf("written again: %v, mode %v", err, mode())
	}
	if data, err := Read(name, 10); err != nil || string(data) != "two" {
		t.Errorf("%q, %v", data, err)
	}
	if err := Write(filepath.Join(name, "b"), nil, 0o600); err == nil {
		t.Error("written below a file")
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(name), "*")); len(left) != 1 {
		t.Errorf("left: %v", left)
	}
}
