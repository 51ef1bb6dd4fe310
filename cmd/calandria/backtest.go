package main

import (
	"fmt"
	"time"

	"calandria/cmd/service"
	"calandria/engine"
	"calandria/rules"
)

type backtestCmd struct {
	ruleSource
	From  string        `help:"Start: a date, a time, or an age such as 30d." default:"7d"`
	To    string        `help:"End, not included; default now."`
	Rules []string      `help:"Rule files to try in place of those of the plant file. Give all files that belong together: a rule may need a derived tag of another file." type:"existingfile"`
	Step  time.Duration `help:"Time between scans." default:"10s"`
	Data  string        `help:"The data folder." default:"data" type:"path"`
}

func (c *backtestCmd) Run(a *app) error {
	from, to, err := parseSpan(c.From, c.To, time.UTC)
	if err != nil {
		return err
	}
	if c.Step < 100*time.Millisecond {
		return fmt.Errorf("--step %s: give 100ms or more", c.Step)
	}
	h, inUse, ar, err := c.open(c.Data)
	if err != nil {
		return err
	}
	defer ar.Close()
	var tried []rules.File
	for _, n := range c.Rules {
		data, err := service.ReadConfig(n)
		if err != nil {
			return err
		}
		tried = append(tried, rules.File{Name: n, Data: data})
	}
	r, err := engine.RunBacktest(a.ctx, h, inUse, tried, service.Past{Archive: ar}, from, to, c.Step)
	if err != nil {
		return err
	}
	if r.Samples == 0 {
		return nothingIn(c.Data, from, to)
	}
	r.Write(a.out)
	return nil
}

func nothingIn(data string, from, to time.Time) error {
	return fmt.Errorf("the archive in %s holds no value of this plant's tags from %s to %s: check --data, --config and --from", data, from.Format(time.RFC3339), to.Format(time.RFC3339))
}
