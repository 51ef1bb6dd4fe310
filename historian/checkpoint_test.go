package historian

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

func TestCheckpoint(t *testing.T) {
	dir := t.TempDir()
	if _, err := ReadCheckpoint(dir, "core"); !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("none there: %v", err)
	}
	for _, data := range [][]byte{nil, []byte("one"), bytes.Repeat([]byte("state "), 1e5)} {
		if err := WriteCheckpoint(dir, "core", data); err != nil {
			t.Fatal(err)
		}
		if got, err := ReadCheckpoint(dir, "core"); err != nil || !bytes.Equal(got, data) {
			t.Fatalf("%d bytes, want %d: %v", len(got), len(data), err)
		}
	}
	// Every cut and every changed byte is found.
	if err := WriteCheckpoint(dir, "core", []byte("some state")); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "core")
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	damaged := func(what string, at int, b []byte) {
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		var ce *CheckpointError
		if data, err := ReadCheckpoint(dir, "core"); !errors.As(err, &ce) || data != nil || ce.File != file {
			t.Fatalf("%s at %d: %q, %v", what, at, data, err)
		}
	}
	for i := range whole {
		damaged("cut", i, whole[:i])
		b := bytes.Clone(whole)
		b[i] ^= 0x10
		damaged("changed", i, b)
	}
	damaged("longer", len(whole), append(bytes.Clone(whole), 'x'))
}

// Each step of the writing fails once: what is read is the old or the new
// state, never another and never none.
func TestCheckpointFailures(t *testing.T) {
	for _, op := range []string{"create", "write", "sync", "rename", "syncdir"} {
		dir := t.TempDir()
		b := &brittle{}
		if err := writeCheckpoint(b, dir, "core", []byte("old")); err != nil {
			t.Fatal(err)
		}
		b.fail = func(o, _ string) error {
			if o == op {
				return errors.New("no space left")
			}
			return nil
		}
		if err := writeCheckpoint(b, dir, "core", []byte("new")); err == nil {
			t.Fatalf("%s failed, but no error", op)
		}
		got, err := readCheckpoint(Disk{}, dir, "core")
		if err != nil || string(got) != "old" && (string(got) != "new" || op != "syncdir") {
			t.Fatalf("after a failed %s: %q, %v", op, got, err)
		}
		b.fail = nil
		if err := writeCheckpoint(b, dir, "core", []byte("newer")); err != nil {
			t.Fatal(err)
		}
		if got, err := ReadCheckpoint(dir, "core"); err != nil || string(got) != "newer" {
			t.Fatalf("%q, %v", got, err)
		}
	}
}
