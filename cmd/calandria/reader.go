package main

import (
	"context"
	"log/slog"
	"os"
	"os/signal"
	"strconv"
	"syscall"

	"calandria/collector"
	"calandria/engine"
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

// reader reads one server, in a process of its own or in this one.
type reader interface {
	Health() collector.Health
	Batches() <-chan collector.Batch
	Changes() <-chan collector.Health
	Stored(number uint64)
	Run(ctx context.Context) error
}

// newReader reads a server in a process of its own. Only that of a demo is read
// here: it is of this program and lives by its clock.
func newReader(clock *engine.Clock, c collector.Config) (reader, error) {
	if clock.Simulated() {
		c.OneClock = true
		return collector.New(c)
	}
	return collector.NewRemote(c, append(readerCommand(), "--tags", strconv.Itoa(len(c.Tags))))
}

// readerCommand starts a reader.
func readerCommand() []string {
	exe, err := os.Executable()
	if err != nil {
		exe = os.Args[0]
	}
	return []string{exe, "read-server"}
}
