package service

import (
	"log/slog"
	"net"
	"os"
	"strings"
)

// watchdog gives what tells the service manager that the program is ready and
// lives (sd_notify(3)). Without a service manager that wants it, it does nothing.
func watchdog(log *slog.Logger) func() {
	address := os.Getenv("NOTIFY_SOCKET")
	if address == "" {
		return func() {}
	}
	if name, abstract := strings.CutPrefix(address, "@"); abstract {
		address = "\x00" + name
	}
	state, failing := "READY=1\nWATCHDOG=1", false
	return func() {
		c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: address, Net: "unixgram"})
		if err == nil {
			_, err = c.Write([]byte(state))
			c.Close()
		}
		if err == nil {
			state = "WATCHDOG=1"
		} else if !failing {
			log.Error("the service manager does not hear that the program lives", "err", err)
		}
		failing = err != nil
	}
}
