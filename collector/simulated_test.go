package collector

import (
	"context"
	"os"
	"sync"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/plant"
)

// The demonstration's own server, with the sample plant: every tag is found,
// and a cut line is mended.
func TestSimulatedMill(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	data, err := os.ReadFile("../deploy/plant.demo.yaml")
	if err != nil {
		t.Fatal(err)
	}
	h, err := plant.Load("plant.demo.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	srv, err := simulator.NewServer(simulator.Options{Model: simulator.New(1, time.Now())})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := srv.Run(ctx); err != nil && ctx.Err() == nil {
			t.Errorf("simulator: %v", err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
	p := newCutter(t, srv.Endpoint()[len("opc.tcp://"):])
	cfg := plainServer(p.endpoint())
	cfg.Name = h.Config.OPCUA.Servers[0].Name
	r := newRig(t, cfg, h.Tags)
	r.awaitConnected()
	measured := 0
	seen := func() (n int) {
		for _, x := range h.Tags {
			if x.Source == plant.Measured && r.last(x.ID).Quality.Seen() && r.last(x.ID).Quality != plant.BadNoCommunication {
				n++
			}
		}
		return n
	}
	for _, x := range h.Tags {
		if x.Source == plant.Measured {
			measured++
		}
	}
	r.await("every tag has spoken", func() bool { return seen() == measured })
	if f := r.c.Health().Faults; len(f) != 0 {
		t.Errorf("faults: %v", f)
	}
	p.outage(func() { r.await("the loss is noticed", func() bool { h := r.c.Health(); return !h.Connected() }) })
	r.await("back", func() bool { h := r.c.Health(); return h.Connected() && h.Counters.Reconnects == 1 })
	r.await("every tag has spoken again", func() bool { return seen() == measured })
	if h := r.c.Health(); h.Counters.Lost != 0 || h.Counters.Reactivated != 1 {
		t.Errorf("counters %+v", h.Counters)
	}
}
