package console

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
)

// consoleLog collects what a page writes to its console.
type consoleLog struct {
	mu    sync.Mutex
	lines []string
}

func (l *consoleLog) add(s string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lines = append(l.lines, s)
}

func (l *consoleLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.lines, "\n")
}

// get asks a handler for a page and checks the status.
func get(t testing.TB, h http.Handler, path string, want int) string {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "127.0.0.1:8420"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	body, _ := io.ReadAll(w.Result().Body)
	if w.Code != want {
		t.Fatalf("GET %s: status %d, want %d\n%.2000s", path, w.Code, want, body)
	}
	return string(body)
}
