package main

import (
	"bufio"
	"errors"
	"fmt"
	"path/filepath"

	"calandria/cmd/guide"
	"calandria/cmd/service"
	"calandria/engine/setup"
)

type initCmd struct {
	Out  string `help:"Plant file to write." default:"plant.yaml" type:"path"`
	Yes  bool   `help:"Ask nothing: take what is likeliest, and leave the rest to be filled in."`
	Data string `help:"Folder with the certificates." default:"data" type:"path"`
	lookAt
}

// Run leads through the first plant file: equipment first, then the signals of
// one vessel after the other. It writes a file, never the plant.
func (c *initCmd) Run(a *app) error {
	sc, err := c.server()
	if err != nil {
		return err
	}
	nodes, err := service.BrowseNodes(a.ctx, sc, c.Data, c.Root, a.log)
	if err != nil {
		return err
	}
	g := guide.Guide{In: bufio.NewScanner(a.in), Out: a.out, Yes: c.Yes,
		House: setup.House{Server: sc, BarometerKPa: 101.325, TimeZone: "UTC", Nodes: nodes}}
	if len(nodes) == 0 {
		return errors.New("the server shows no variable that is a number and may be read: ask its administrator for the rights Browse and Read")
	}
	fmt.Fprintf(a.out, "%d variables of %s can be signals.\nEnter takes what stands in brackets.\n\n", len(nodes), sc.Endpoint)
	if g.House.Library, err = service.Library(); err != nil {
		return err
	}
	if err := g.Ask(); err != nil {
		return err
	}
	text := g.House.File()
	if err := service.WritePlant(c.Out, text); err != nil {
		return err
	}
	g.Tell(c.Out)
	fmt.Fprintf(a.out, "\n%s is written, and the rule library beside it. Fill in what says FILL IN, then:\n  calandria check --config %s\n  calandria check --config %s --online   (while the house runs)\n", c.Out, filepath.Base(c.Out), filepath.Base(c.Out))
	return nil
}
