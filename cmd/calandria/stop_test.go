//go:build unix

package main

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"calandria/cmd/service"
	"calandria/historian/journal"
	"calandria/plant"
)

// A reading that hangs is given up after its limit, and no second one is begun
// before the first returns.
func TestReloadHasALimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, stuck := &service.Reloader{}, make(chan struct{})
		began := time.Now()
		_, err := r.InTime(t.Context(), func() (service.Reading, error) { <-stuck; return service.Reading{}, nil })
		if took := time.Since(began); err == nil || !strings.Contains(err.Error(), "took more than 30s") || took != service.ReloadLimit {
			t.Errorf("a reading that hangs: %v after %s", err, took)
		}
		quick := func() (service.Reading, error) { return service.Reading{Note: "read"}, nil }
		if _, err := r.InTime(t.Context(), quick); err == nil || !strings.Contains(err.Error(), "still hangs") {
			t.Errorf("a second reading beside it: %v", err)
		}
		close(stuck)
		synctest.Wait()
		if made, err := r.InTime(t.Context(), quick); err != nil || made.Note != "read" {
			t.Errorf("after it returned: %+v %v", made, err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		stuck = make(chan struct{})
		time.AfterFunc(time.Second, cancel)
		began = time.Now()
		if _, err := r.InTime(ctx, func() (service.Reading, error) { <-stuck; return service.Reading{}, nil }); !errors.Is(err, context.Canceled) || time.Since(began) != time.Second {
			t.Errorf("a stop while it hangs: %v after %s", err, time.Since(began))
		}
		close(stuck)
	})
}

// Whatever hangs, the process ends before a service manager would kill it (ten
// seconds, as deploy/systemd asks).
func TestEndHasALimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began, out, code := time.Now(), &testLog{}, -1
		endInTime(out, func(c int) { code = c })
		if took := time.Since(began); code != 1 || took >= 10*time.Second || !strings.Contains(out.String(), "not at its end 9s after the signal") {
			t.Errorf("code %d after %s: %s", code, took, out)
		}
	})
}

// buildProgram makes the binary once for the tests that need a process.
func buildProgram(t *testing.T) string {
	t.Helper()
	if testing.Short() {
		t.Skip("left to make test: builds and starts the program")
	}
	bin := filepath.Join(t.TempDir(), "calandria")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return bin
}

// A signal ends the program in order, with the server that it reads out of reach
// and a reload stuck on nothing.
func TestSignalEndsInOrder(t *testing.T) {
	bin := buildProgram(t)
	m := newSmallMill(t, "", "alarms:\n"+smallRule("one", "EV.B1.vapour_pressure > 10", ""))
	log := &testLog{}
	cmd := exec.Command(bin, "run", "--config", filepath.Join(m.dir, "plant.yaml"), "--data", m.data)
	cmd.Stderr = log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Process.Kill()
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(log.String(), "watching"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("does not come up:\n%s", log)
		}
	}
	// Its rule file is a pipe by now: the reload must not hang on it.
	rule := filepath.Join(m.dir, "rules", "a.yaml")
	if err := errors.Join(os.Remove(rule), syscall.Mkfifo(rule, 0o600), cmd.Process.Signal(syscall.SIGHUP)); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(log.String(), "no regular file but a pipe"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the reload says nothing:\n%s", log)
		}
	}
	began := time.Now()
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("%v; log:\n%s", err, log)
	}
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("the end took %s", took)
	}
	j, err := journal.Open(filepath.Join(m.data, "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	events, err := j.Read(t.Context(), plant.EventFilter{Newest: true, Limit: 1})
	if err != nil || len(events) != 1 || events[0].Kind != plant.EventStop {
		t.Errorf("the journal ends with %+v, %v", events, err)
	}
}
