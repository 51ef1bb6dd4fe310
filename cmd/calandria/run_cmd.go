package main

import (
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"

	"calandria/cmd/service"
	"calandria/console"
)

type runCmd struct {
	Config string `help:"The plant file." default:"plant.yaml" type:"path"`
	Data   string `help:"Folder for archive, journal and certificates." default:"data" type:"path"`
}

func (c *runCmd) Run(a *app) error {
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGHUP)
	defer signal.Stop(asked)
	s, err := service.OpenRun(a.ctx, c.Config, c.Data, a.log, asked, a.progress("reading the past"), service.Listen)
	if err != nil {
		return err
	}
	defer s.Close()
	s.Trials.Kept = true
	if unfilled := s.Unfilled; len(unfilled) > 0 {
		// One line: the library comes with one in every rule.
		var names []string
		for _, p := range unfilled {
			if !slices.Contains(names, p.Rule) {
				names = append(names, p.Rule)
			}
		}
		a.log.Warn("alarms still have a placeholder where the site's procedure belongs; 'calandria check' gives file and line", "count", len(names), "rules", strings.Join(names, " "))
	}
	return s.Run(a.ctx, func(address string) {
		scheme := "http://"
		h := s.House
		if console.OptionsOf(h).Certificate != "" {
			scheme = "https://"
		}
		a.log.Info("watching", "site", h.Config.Site.Name, "console", scheme+address, "tags", len(s.House.Tags), "alarms", len(s.Loop.Specs()))
	})
}
