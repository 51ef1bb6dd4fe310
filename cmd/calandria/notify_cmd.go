package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"calandria/alerting/notify"
	"calandria/cmd/service"
	"calandria/engine"
	"calandria/plant"
)

type notifyCmd struct {
	Config string   `help:"The plant file." default:"plant.yaml" type:"path"`
	Names  []string `arg:"" optional:"" help:"Notifiers; default all."`
}

// Run sends a test notice through each notifier: what cannot be found out by
// reading the configuration.
func (c *notifyCmd) Run(a *app) error {
	h, _, err := service.LoadPlant(c.Config)
	if err != nil {
		return err
	}
	receivers, names := notify.Configured(h), c.Names
	for _, n := range receivers {
		if len(c.Names) == 0 {
			names = append(names, n.Name)
		}
	}
	if len(names) == 0 {
		return fmt.Errorf("%s has no notify: section", c.Config)
	}
	failed := 0
	for _, name := range names {
		n := slices.IndexFunc(receivers, func(r notify.Receiver) bool { return r.Name == name })
		if n < 0 {
			return fmt.Errorf("%s has no notifier %q", c.Config, name)
		}
		sender, err := service.NewSender(&receivers[n], h, nil)
		if err == nil {
			ctx, cancel := context.WithTimeout(a.ctx, 30*time.Second)
			err = sender.Send(ctx, []notify.Notice{{Event: plant.Event{Time: time.Now(), Kind: plant.EventNotify, Source: engine.SystemOwner, Priority: plant.PriorityLow,
				Text: "a test of notifier " + name + ": nothing has happened"}}})
			cancel()
		}
		if err != nil {
			failed++
			fmt.Fprintf(a.out, "%s: %v\n", name, err)
			continue
		}
		fmt.Fprintf(a.out, "%s: the test notice was taken\n", name)
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d notifiers do not work", failed, len(names))
	}
	return nil
}
