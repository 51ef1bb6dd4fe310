package main

import (
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/console"
	"calandria/engine"
)

// A fresh machine without a plant file has a console that leads to the first one, and no
// page of it fails.
func TestRunWithoutPlantFile(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts the program")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "plant.yaml")
	log := &testLog{}
	open := func() (*service.Service, *testLog, error) {
		s, err := service.OpenRun(t.Context(), file, filepath.Join(dir, "data"), slog.New(slog.NewTextHandler(log, nil)), nil, nil, nil)
		if err == nil {
			console.OptionsOf(s.House).Listen = "127.0.0.1:0"
		}
		return s, log, err
	}
	r := start(t, nil, open)
	r.await("a scan", time.Minute, func(*engine.Picture) bool { return true })
	for _, page := range []string{"/", "/alarms", "/trends", "/cleaning", "/pans", "/record", "/record/report", "/record/shift", "/instruments", "/rules", "/wall", "/whatif", "/past"} {
		answer, err := http.Get("http://" + r.address + page)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(answer.Body)
		answer.Body.Close()
		if err != nil || answer.StatusCode >= http.StatusInternalServerError || !strings.Contains(string(body), `href="/setup"`) {
			t.Errorf("%s: %s, %v: %.3000s", page, answer.Status, err, body)
		}
	}
	if !strings.Contains(log.String(), "nothing is watched") {
		t.Errorf("not told: %s", log)
	}
	if _, err := os.Stat(file); !os.IsNotExist(err) {
		t.Error("a plant file was written unasked")
	}
}

// TestPortFirst: the console's address is taken before the past is read. Where another
// program has it that is said at once, and nothing is written.
func TestPortFirst(t *testing.T) {
	other, err := service.Listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	file, data := filepath.Join(dir, "plant.yaml"), filepath.Join(dir, "data")
	text := "site: {name: Test House (invented)}\nconsole: {listen: \"" + other.Addr().String() + "\"}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	run := func() (*service.Service, error) {
		return service.OpenRun(t.Context(), file, data, slog.New(slog.DiscardHandler), nil, nil, service.Listen)
	}
	if _, err := run(); err == nil || !strings.Contains(err.Error(), "is another program there? give another address") {
		t.Errorf("error %v", err)
	}
	if kept, _ := filepath.Glob(filepath.Join(data, "archive*")); kept != nil {
		t.Errorf("written all the same: %v", kept)
	}
	other.Close()
	s, err := run()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := service.Listen(other.Addr().String()); err == nil {
		t.Error("the address is free while the program starts")
	}
	s.Close()
	again, err := service.Listen(other.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	again.Close()
}
