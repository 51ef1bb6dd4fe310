//go:build unix

package main

import (
	"context"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The signal reaches the rules of the whole program.
func TestReloadBySignal(t *testing.T) {
	guard := make(chan os.Signal, 1) // whatever happens, the signal must not end the tests
	signal.Notify(guard, syscall.SIGHUP)
	defer signal.Stop(guard)
	m := newSmallMill(t, "", "alarms:\n"+smallRule("one", "EV.B1.vapour_pressure > 10", ""))
	ctx, cancel := context.WithCancel(t.Context())
	log, out := &testLog{}, &testLog{}
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, []string{"run", "--config", filepath.Join(m.dir, "plant.yaml"), "--data", m.data}, out, log)
	}()
	wait := func(want string) {
		t.Helper()
		for deadline := time.Now().Add(10 * time.Second); !strings.Contains(log.String(), want); time.Sleep(10 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("no %q in the log:\n%s", want, log)
			}
		}
	}
	wait("watching")
	m.rules("alarms:\n" + smallRule("one", "EV.B1.vapour_pressure > 10", "") + smallRule("two", "EV.B1.level > 10", ""))
	if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	wait("rules reloaded: 2 alarms: 1 added, 0 removed, 0 changed")
	cancel()
	if code := <-done; code != 0 {
		t.Errorf("exit %d:\n%s", code, log)
	}
}
