package service

import (
	"log/slog"
	"net"
	"path/filepath"
	"testing"
)

// The messages are those of sd_notify(3).
func TestWatchdog(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	alive := watchdog(slog.New(slog.DiscardHandler))
	for _, want := range []string{"READY=1\nWATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1"} {
		alive()
		b := make([]byte, 100)
		n, err := c.Read(b)
		if err != nil || string(b[:n]) != want {
			t.Fatalf("%q, %v; want %q", b[:n], err, want)
		}
	}
	t.Setenv("NOTIFY_SOCKET", "")
	watchdog(slog.New(slog.DiscardHandler))() // nobody asks
}
