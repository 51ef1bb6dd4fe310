//go:build unix

package main

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/engine"
)

// damages are what a disk or a person does to a file.
func damages(path string) map[string]func() error {
	r := rand.New(rand.NewPCG(5, 6))
	random := make([]byte, 20_000)
	for i := range random {
		random[i] = byte(r.Uint32())
	}
	return map[string]func() error{
		"cut": func() error {
			info, err := os.Stat(path)
			if err != nil {
				return err
			}
			return os.Truncate(path, info.Size()/2)
		},
		"random": func() error { return errors.Join(os.RemoveAll(path), os.WriteFile(path, random, 0o600)) },
		"empty":  func() error { return errors.Join(os.RemoveAll(path), os.WriteFile(path, nil, 0o600)) },
		"wrong file": func() error {
			return errors.Join(os.RemoveAll(path), os.WriteFile(path, []byte("site: {name: x}\n"), 0o600))
		},
		"a folder": func() error { return errors.Join(os.RemoveAll(path), os.Mkdir(path, 0o700)) },
		"a pipe":   func() error { return errors.Join(os.RemoveAll(path), syscall.Mkfifo(path, 0o600)) },
	}
}

const watched = "EV.B1.vapour_pressure > 10"

func damageRules() string {
	return "alarms:\n" + smallRule("pressure", watched, "") + smallRule("damaged", "calandria.files_intact == 0", "")
}

// Whatever the disk holds, the program starts and watches: the alarm of the plant
// comes, what is damaged is an alarm and stands on the page, and 'repair'
// explains it and ends it.
func TestStartsOnDamagedFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts the program many times")
	}
	first := newSmallMill(t, "", damageRules())
	first.start()
	first.await("values", 10*time.Second, func(s *engine.Picture) bool { return first.alarm(s, "pressure").Active })
	first.stop()
	for _, file := range []string{"journal.db", service.CheckpointName, "archive", "archive/tags", "archive/hot/segment_00000001.log", "lock"} {
		for name := range damages("") {
			t.Run(file+" "+name, func(t *testing.T) {
				m := newSmallMill(t, "", damageRules())
				if err := os.CopyFS(m.data, os.DirFS(first.data)); err != nil {
					t.Fatal(err)
				}
				path := filepath.Join(m.data, file)
				odd := name == "a folder" || name == "a pipe"
				if file == "archive" && name == "cut" || file == "lock" && !odd || strings.Contains(file, "segment") && (name == "cut" || name == "empty") {
					return // a folder has no half, a lock no content, and the end of the log is torn by each crash
				}
				if err := damages(path)[name](); err != nil {
					t.Fatal(err)
				}
				m.start()
				// The mill of the test is the demo's: its pressure is high again.
				m.await("watching", 20*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "pressure").Active })
				whole := file == "archive" && name == "a folder" // an empty one: a first start
				if !whole {
					s := m.await("the damage as an alarm", 15*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "damaged").Active })
					if page := m.get("/trends"); !strings.Contains(page, "files of the") {
						t.Errorf("the page says nothing of it; health %+v", s.Health)
					}
				}
				if err := m.Journal.Verify(context.Background()); err != nil && file != "journal.db" {
					t.Error(err)
				}
				m.stop()
				if whole {
					return
				}
				repair := func(done bool) (string, error) {
					out := &strings.Builder{}
					err := (&repairCmd{Config: filepath.Join(m.dir, "plant.yaml"), Data: m.data, Done: done}).Run(&app{ctx: context.Background(), out: out, log: slog.New(slog.DiscardHandler)})
					return out.String(), err
				}
				if text, err := repair(false); err == nil || !strings.Contains(text, filepath.Base(file)) {
					t.Errorf("repair says %v:\n%s", err, text)
				}
			})
		}
	}
}

// A data folder that cannot be written, and one that is a file, keep nobody from
// watching; nor does a journal without rights.
func TestStartsWithoutADataFolder(t *testing.T) {
	bin := buildProgram(t)
	for name, prepare := range map[string]func(data string) error{
		"read-only":              func(data string) error { return os.Chmod(data, 0o555) },
		"journal without rights": func(data string) error { return os.Chmod(filepath.Join(data, "journal.db"), 0) },
		"a file":                 func(data string) error { return errors.Join(os.RemoveAll(data), os.WriteFile(data, nil, 0o644)) },
	} {
		t.Run(name, func(t *testing.T) {
			m := newSmallMill(t, "", damageRules())
			m.start()
			m.await("values", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "pressure").Active })
			m.stop()
			if err := prepare(m.data); err != nil {
				t.Fatal(err)
			}
			log := &testLog{}
			cmd := exec.Command(bin, "run", "--config", filepath.Join(m.dir, "plant.yaml"), "--data", m.data)
			cmd.Stderr, cmd.Env = log, append(os.Environ(), "TMPDIR="+t.TempDir())
			if os.Getuid() == 0 { // rights do not bind root
				openTo(t, bin, m.dir, m.data, cmd.Env[len(cmd.Env)-1][len("TMPDIR="):])
				cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			defer cmd.Process.Kill()
			for deadline := time.Now().Add(20 * time.Second); !strings.Contains(log.String(), "watching"); time.Sleep(20 * time.Millisecond) {
				if time.Now().After(deadline) {
					t.Fatalf("does not come up:\n%s", log)
				}
			}
			if err := errors.Join(cmd.Process.Signal(syscall.SIGTERM), cmd.Wait()); err != nil {
				t.Errorf("%v:\n%s", err, log)
			}
			if !strings.Contains(log.String(), "which nothing keeps") && name != "a file" {
				t.Errorf("the log does not say that nothing is kept:\n%s", log)
			}
			_ = os.Chmod(m.data, 0o755)
		})
	}
}

// openTo lets another user reach files of a test.
func openTo(t *testing.T, bin string, dirs ...string) {
	t.Helper()
	for _, p := range append(dirs, filepath.Dir(bin)) {
		for up := p; len(up) > len(os.TempDir()); up = filepath.Dir(up) {
			if info, err := os.Stat(up); err == nil {
				_ = os.Chmod(up, info.Mode().Perm()|0o055)
			}
		}
	}
	if err := os.Chmod(dirs[len(dirs)-1], 0o777); err != nil {
		t.Fatal(err)
	}
	err := filepath.WalkDir(dirs[0], func(p string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Chmod(p, 0o755)
	})
	if err != nil {
		t.Fatal(err)
	}
}

// 'repair' mends with the program stopped what a start would, and ends the alarm.
func TestRepair(t *testing.T) {
	m := newSmallMill(t, "", damageRules())
	m.start()
	m.await("values", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "pressure").Active })
	m.stop()
	do := func(c repairCmd) (string, error) {
		t.Helper()
		out := &strings.Builder{}
		c.Config, c.Data = filepath.Join(m.dir, "plant.yaml"), m.data
		err := c.Run(&app{ctx: context.Background(), out: out, log: slog.New(slog.DiscardHandler)})
		return out.String(), err
	}
	if text, err := do(repairCmd{}); err != nil || !strings.Contains(text, "nothing is damaged") {
		t.Errorf("before: %v %s", err, text)
	}
	if err := errors.Join(damages(filepath.Join(m.data, "journal.db"))["cut"](), damages(filepath.Join(m.data, service.CheckpointName))["random"]()); err != nil {
		t.Fatal(err)
	}
	if text, err := do(repairCmd{}); err == nil || !strings.Contains(text, "journal.db\n") || !strings.Contains(text, service.CheckpointName) {
		t.Errorf("explained: %v %s", err, text)
	}
	if text, err := do(repairCmd{Mend: true}); err == nil || !strings.Contains(text, "rows were saved") || strings.Contains(text, "journal.db\n") {
		t.Errorf("mended: %v %s", err, text)
	}
	if text, err := do(repairCmd{Done: true}); err != nil || !strings.Contains(text, "nothing is damaged") {
		t.Errorf("done: %v %s", err, text)
	}
	m.start()
	m.await("whole", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "pressure").Active && !m.alarm(s, "damaged").Active })
}
