package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"calandria/cmd/service"
	"calandria/cmd/table"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/plant/words"
)

type correctCmd struct {
	ruleSource
	Tag         string   `arg:"" optional:"" help:"Path of a measured tag."`
	From        string   `help:"Start: a date, a time, or an age such as 3d."`
	To          string   `help:"End, not included; without it the correction goes on."`
	Factor      *float64 `help:"What the values are to be multiplied by: 1.04 for a meter that read 4 % low."`
	Offset      *float64 `help:"What is to be added then, in the tag's unit."`
	NotBelieved bool     `help:"The values are not to be believed: they count as bad."`
	Value       *float64 `help:"What the values are to be read as, in the tag's unit."`
	Withdraw    int64    `help:"Take back the correction of this number." placeholder:"ID"`
	By          string   `help:"Your name: it goes into the journal." default:"${user}"`
	Why         string   `help:"The reason: it goes into the journal."`
	Recalculate bool     `help:"Calculate again at once what depends on it." default:"true" negatable:""`
	Data        string   `help:"The data folder." default:"data" type:"path"`
}

// Run puts a correction on record, takes one back, or lists them. The raw values
// stay as they are.
func (c *correctCmd) Run(a *app) error {
	h, files, err := c.load()
	if err != nil {
		return err
	}
	now := time.Now().UTC()
	j, err := journal.Open(filepath.Join(c.Data, "journal.db"))
	if err != nil {
		return err
	}
	defer j.Close()
	var done plant.Correction
	switch {
	case c.Withdraw != 0:
		if c.By == "" || c.Why == "" {
			return errors.New("--by and --why: who takes the correction back, and why")
		}
		if done, _, err = j.WithdrawCorrection(c.Withdraw, c.By, c.Why, now); err != nil {
			return err
		}
		fmt.Fprintf(a.out, "correction %d of %s is taken back\n", done.ID, done.Tag)
	case c.Tag == "":
		return c.list(a, j, h)
	default:
		x, err := c.correction(h, now)
		if err != nil {
			return err
		}
		ar, err := service.OpenArchive(service.ArchiveDir(h, c.Data))
		if err != nil {
			return err
		}
		held, err := ar.Coverage(a.ctx, x.Tag)
		ar.Close()
		if err != nil {
			return err
		}
		if done, _, err = j.PutCorrection(x, held); err != nil {
			return err
		}
		fmt.Fprintf(a.out, "correction %d of %s is on record; the raw values stay as they are\n", done.ID, done.Tag)
	}
	if !c.Recalculate {
		fmt.Fprintln(a.out, "what depends on it is not calculated again yet: calandria recalculate does it")
		return nil
	}
	j.Close() // the job opens it
	// Up to now: what was learned in its stretch is in the figures of the days after it.
	return a.recalculate(h, files, c.Data, service.NewJob(service.RecalculationArgs{}, done.From, now, c.By, fmt.Sprintf("correction %d of %s: %s", done.ID, done.Tag, c.Why)))
}

// correction reads what was typed.
func (c *correctCmd) correction(h *plant.House, now time.Time) (plant.Correction, error) {
	x := plant.Correction{Tag: c.Tag, Factor: 1, NotBelieved: c.NotBelieved, Value: c.Value, By: c.By, Reason: c.Why, At: now}
	t, ok := h.Find(c.Tag)
	if !ok || t.Source != plant.Measured {
		return x, fmt.Errorf("the plant has no measured tag %q: calculated values follow from the measured ones", c.Tag)
	}
	ways := 0
	for _, given := range []bool{c.NotBelieved, c.Value != nil, c.Factor != nil || c.Offset != nil} {
		if given {
			ways++
		}
	}
	if ways != 1 {
		return x, errors.New("say in one way how the values are to be read: --factor with --offset, or --not-believed, or --value")
	}
	if c.Factor != nil {
		x.Factor = *c.Factor
	}
	if c.Offset != nil {
		x.Offset = *c.Offset
	}
	if c.From == "" {
		return x, errors.New("--from: since when do the values need it?")
	}
	var err error
	if x.From, err = moment("--from", c.From, time.Time{}); err == nil {
		x.To, err = moment("--to", c.To, time.Time{})
	}
	return x, err
}

func (c *correctCmd) list(a *app, j *journal.Journal, h *plant.House) error {
	all, err := service.AllCorrections(a.ctx, j)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		fmt.Fprintln(a.out, "there is no correction; give a tag to make one")
		return nil
	}
	units := map[string]string{}
	for _, t := range h.Tags {
		units[t.Path] = t.Unit
	}
	t := table.New("number", "tag", "from", "to", "is read", "by", "reason", "state")
	for i := range all {
		x := &all[i]
		to := "goes on"
		if !x.To.IsZero() {
			to = x.To.Format("2006-01-02 15:04")
		}
		state := "in force"
		if !x.Withdrawn.IsZero() {
			state = "taken back by " + x.WithdrawnBy
		}
		t.Row(fmt.Sprint(x.ID), x.Tag, x.From.Format("2006-01-02 15:04"), to, x.ReadAs(words.Text(units[x.Tag])).String(), x.By, x.Reason, state)
	}
	t.Write(a.out)
	return nil
}
