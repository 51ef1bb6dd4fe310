package main

import (
	"fmt"
	"os"

	"calandria/historian"
)

type archiveCmd struct {
	Segments segmentsCmd `cmd:"" help:"Print what segments of the log hold: frames, and with --samples every value."`
}

type segmentsCmd struct {
	Files   []string `arg:"" help:"Files archive/hot/segment_*.log of the data folder." type:"existingfile"`
	Samples bool     `help:"Print every sample."`
}

func (c *segmentsCmd) Run(a *app) error {
	for _, name := range c.Files {
		b, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		fmt.Fprintln(a.out, name)
		if err := historian.DumpSegment(a.out, b, c.Samples); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}
