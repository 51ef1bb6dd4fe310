package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"calandria/cmd/service"
	"calandria/collector/simulator"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

type testCmd struct {
	Files   []string `arg:"" help:"Files of scenarios (YAML)."`
	Only    string   `help:"Run only scenarios whose name contains this."`
	Verbose bool     `short:"v" help:"Print the events of every scenario."`
}

// Help is what --help prints below the flags.
func (testCmd) Help() string {
	return `A scenario says what the instruments read over time, what the operator does, and which alarms, values, strikes and forecasts are to come of it. It runs through the same engines as the plant, as fast as the machine can.

The exit code is 1 if one of them failed; it then says what came instead, and when. docs/scenarios.md tells how to write one.`
}

func (c *testCmd) Run(a *app) error {
	var all []*engine.Scenario
	var faults plant.Faults
	for _, name := range c.Files {
		f, err := engine.LoadScenarios(name, readScenarioFiles)
		if fs, ok := errors.AsType[plant.Faults](err); ok {
			faults = append(faults, fs...)
			continue
		}
		if err != nil {
			return err
		}
		for i := range f.Scenarios {
			if s := &f.Scenarios[i]; strings.Contains(s.Name, c.Only) {
				all = append(all, s)
			}
		}
	}
	if len(faults) > 0 {
		return faults
	}
	type result struct {
		*engine.Outcome
		took time.Duration
	}
	done := make([]chan result, len(all))
	for i := range done {
		done[i] = make(chan result, 1)
	}
	g := errgroup.Group{}
	g.SetLimit(runtime.NumCPU() + 1) // the printer waits only
	failed := 0
	g.Go(func() error {
		for i := range done {
			r, ok := <-done[i]
			if !ok {
				return nil
			}
			if len(r.Failures) > 0 {
				failed++
			}
			r.Write(a.out, c.Verbose, r.took)
		}
		return nil
	})
	for i, s := range all {
		g.Go(func() error {
			defer close(done[i])
			if a.ctx.Err() != nil {
				return a.ctx.Err()
			}
			began := time.Now()
			o, err := s.Run(demoMill)
			if err == nil {
				done[i] <- result{o, time.Since(began)}
			}
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "%d scenarios, %d failed\n", len(all), failed)
	if failed > 0 {
		return fmt.Errorf("%d of %d scenarios failed", failed, len(all))
	}
	return nil
}

// demoMill is the demonstration's mill, for scenarios that run on it.
func demoMill(w engine.MillWish, at time.Time) engine.Mill {
	m := simulator.New(uint64(w.Seed), at)
	m.SetService(w.Days)
	return m
}

// readScenarioFiles reads the files of a name or pattern.
func readScenarioFiles(pattern string) ([]rules.File, error) {
	names, err := filepath.Glob(pattern)
	if err != nil || len(names) == 0 {
		return nil, fmt.Errorf("no file matches %q", pattern)
	}
	var files []rules.File
	for _, n := range names {
		data, err := service.ReadConfig(n)
		if err != nil {
			return nil, err
		}
		files = append(files, rules.File{Name: n, Data: data})
	}
	return files, nil
}
