package main

import (
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"calandria/collector"
)

// readServerCmd reads one OPC UA server for the running program, which starts it:
// what the server sends is decoded in a process that has nothing to lose.
type readServerCmd struct {
	Tags int `help:"How many tags it reads: they take memory."`
}

func (c *readServerCmd) Run(a *app) error {
	// The program says when to stop, or its end does.
	signal.Ignore(os.Interrupt, syscall.SIGTERM)
	log := slog.New(slog.NewJSONHandler(os.Stderr, nil))
	if err := collector.Contain(c.Tags); err != nil {
		log.Warn("a reader of a server is not contained as it should be: a hostile server may take more memory", "err", err)
	}
	return collector.Serve(a.ctx, os.Stdin, os.Stdout, log)
}
