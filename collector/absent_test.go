package collector

import (
	"context"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"calandria/plant"
)

// A server that does not answer is looked for once a second, after an hour as after
// a minute: whoever is back is found within two seconds.
func TestAbsentServerIsLookedForEachSecond(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	endpoint := "opc.tcp://" + l.Addr().String()
	l.Close() // nobody answers there
	synctest.Test(t, func(t *testing.T) {
		r := newIdleRig(t, plant.ServerConfig{Name: "plc", Endpoint: endpoint}, []plant.Tag{{Path: "EV.p", Node: "ns=2;s=p"}})
		r.c.pace = usualPace
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- r.c.Run(ctx) }()
		before := int64(0)
		for minute := range 60 {
			time.Sleep(time.Minute)
			now := int64(r.c.health.Load().Counters.Attempts)
			if tries := now - before; tries < 59 || tries > 61 {
				t.Errorf("%d attempts in minute %d, want one a second", tries, minute)
			}
			before = now
		}
		cancel()
		go func() {
			for range r.c.Batches() {
			}
		}()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}
