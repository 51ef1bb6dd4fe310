package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/cmd/table"
	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/rules"
)

type demoCmd struct {
	Data       string  `help:"Folder to keep the data in; the next start goes on from it. Default: a temporary one, removed at the end." type:"path"`
	Speed      float64 `help:"Speed of the mill and of the program's clock: 60 runs an hour of the plant in a minute." default:"1"`
	Upset      string  `help:"Start with this upset."`
	ListUpsets bool    `help:"List the upsets and end."`
	Listen     string  `help:"Address of the console." default:"127.0.0.1:8420"`
	Days       int     `help:"Days of invented past to fill the archive with." default:"60"`
	Seed       uint64  `help:"Seed of the mill's noise and disturbances." default:"1"`
}

func (c *demoCmd) Run(a *app) (err error) {
	if c.ListUpsets {
		t := table.New("upset", "title", "what is seen")
		for _, u := range simulator.Upsets() {
			t.Row(u.Name, u.Title, u.What)
		}
		t.Write(a.out)
		return nil
	}
	if !(c.Speed > 0 && c.Speed <= 1000) {
		return fmt.Errorf("--speed %g: give more than 0, at most 1000", c.Speed)
	}
	if c.Speed != 1 && c.Data != "" {
		return errors.New("--speed and --data do not go together: a mill that lives faster soon is ahead of the calendar; leave one of them out")
	}
	if c.Days < 0 || c.Days > 400 {
		return fmt.Errorf("--days %d: give 0 to 400", c.Days)
	}
	if c.Upset != "" {
		if err := simulator.CheckUpset(c.Upset); err != nil {
			return fmt.Errorf("--upset: %w", err)
		}
	}
	// Said now, not after the past is filled.
	port, err := service.Listen(c.Listen)
	if err != nil {
		return fmt.Errorf("--listen: %w", err)
	}
	defer port.Close()
	data := c.Data
	if data == "" {
		if data, err = os.MkdirTemp("", "calandria-demo-"); err != nil {
			return err
		}
		defer os.RemoveAll(data)
	}
	if err := os.MkdirAll(data, 0o750); err != nil {
		return fmt.Errorf("make data folder: %w", err)
	}
	log.SetOutput(io.Discard) // the server library prints through the standard logger
	// Before anything is written there: another demo may live on the folder.
	unlock, err := service.Lock(filepath.Join(data, "lock"))
	if err != nil {
		return err
	}
	past := demo.Past{Data: data, Days: c.Days, Seed: c.Seed, Upset: c.Upset, Log: a.log, Out: a.out, Show: a.progress("filling the past")}
	model, err := past.Mill(a.ctx)
	unlock()
	if err != nil {
		return err
	}
	clock, runClock := engine.NewFastClock(c.Speed)
	every := time.Second
	if c.Speed > 1 {
		every = 100 * time.Millisecond
	}
	server, err := simulator.NewServer(simulator.Options{Model: model, Now: clock.Now, Every: every, Gaps: c.Speed == 1, Logger: a.log})
	if err != nil {
		return err
	}
	if c.Upset != "" {
		if err := server.Upset(c.Upset); err != nil {
			return err
		}
	}
	h, files, err := demo.House(server.Endpoint(), c.Listen)
	if err != nil {
		return err
	}
	if c.Speed > 1 {
		demo.Quicken(h, c.Speed, every)
		files = append(files, rules.File{Name: "demo --speed", Data: []byte(demo.FastRules)})
	}
	core, err := service.NewCore(h, files)
	if err != nil {
		return err
	}
	s, err := service.Open(a.ctx, clock, core, files, data, a.log, a.progress("reading the past"))
	if err != nil {
		return err
	}
	defer s.Close()
	s.Listener = port
	runClock()

	g, ctx := errgroup.WithContext(a.ctx)
	// The mill outlives the client by a moment, so that it can take its leave.
	mill, stopMill := context.WithCancel(context.WithoutCancel(ctx))
	g.Go(func() error { return server.Run(mill) })
	g.Go(func() error {
		defer stopMill()
		return s.Run(ctx, func(address string) { c.welcome(a.out, address, server.Endpoint(), c.Data) })
	})
	err = g.Wait()
	if err == nil {
		fmt.Fprintln(a.out, "The demo has stopped in order. Goodbye.")
	}
	return err
}

func (c *demoCmd) welcome(w io.Writer, address, endpoint, data string) {
	fmt.Fprintf(w, `
Demo Mill (invented): every number is made up.

  Console   http://%[1]s
  Metrics   http://%[1]s/metrics
  OPC UA    %[2]s

Three things to look at:
  1. http://%[1]s/                      the temperature ladder: EV5 is due for cleaning, PA1 is boiling a strike
  2. http://%[1]s/alarms                what waits for a person, with cause, response and procedure
  3. http://%[1]s/trends?tag=EV.EV5.u_ratio&span=60d   scale building up and cleaned away

Try an upset:  calandria demo --list-upsets
Ctrl-C stops.
`, address, endpoint)
	if c.Speed != 1 {
		fmt.Fprintf(w, "The clock of the mill and of the program goes %g times as fast. Alarms on clocks and on the program's own pace are off.\n", c.Speed)
	}
	if data == "" {
		fmt.Fprintln(w, "The data is removed at the end; --data DIR keeps it.")
	}
}
