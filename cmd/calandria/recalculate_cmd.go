package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"calandria/cmd/service"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/historian/marks"
	"calandria/plant"
	"calandria/rules"
)

type recalculateCmd struct {
	ruleSource
	From      string        `help:"Start: a date, a time, or an age such as 90d; default the beginning of the archive."`
	To        string        `help:"End, not included; default the newest value of an instrument."`
	Equipment string        `help:"Path of a set, body, condenser or pan; default the whole house."`
	Step      time.Duration `help:"Time between scans." default:"10s"`
	By        string        `help:"Who asks for it." default:"${user}"`
	Why       string        `help:"Why: it goes into the journal." required:""`
	Data      string        `help:"The data folder." default:"data" type:"path"`
}

func (c *recalculateCmd) Run(a *app) error {
	if c.By == "" {
		return errors.New("nobody is named who asks for it, and the login name is not known: give --by")
	}
	if c.Step < time.Second {
		return fmt.Errorf("--step %s: give 1s or more", c.Step)
	}
	h, files, ar, err := c.open(c.Data)
	if err != nil {
		return err
	}
	first, err := service.FirstSample(a.ctx, h, service.Past{Archive: ar}, time.Time{})
	last := service.Newest(a.ctx, h, service.Past{Archive: ar}) // nothing follows from the time after
	ar.Close()
	if err != nil {
		return err
	}
	if first.IsZero() {
		return fmt.Errorf("the archive in %s holds no value of this plant's tags: import some first, or check --data and --config", c.Data)
	}
	from, err := moment("--from", c.From, first)
	if err != nil {
		return err
	}
	to, err := moment("--to", c.To, last.Add(time.Millisecond))
	if err != nil {
		return err
	}
	job := service.NewJob(service.RecalculationArgs{Equipment: c.Equipment, Step: c.Step}, from, to, c.By, c.Why)
	if !job.From.Before(job.To) {
		return errors.New("--from is not before --to")
	}
	return a.recalculate(h, files, c.Data, job)
}

// recalculate asks for a job and follows it: the running program does it, or,
// where none is running, this one.
func (a *app) recalculate(h *plant.House, files []rules.File, dir string, job plant.Job) error {
	unlock, busy := service.Lock(filepath.Join(dir, "lock"))
	j, err := journal.Open(filepath.Join(dir, "journal.db"))
	if err != nil {
		return err
	}
	defer j.Close()
	if job.ID, err = j.AskJob(job); err != nil {
		return err
	}
	if busy != nil {
		fmt.Fprintf(a.out, "the running program calculates again from %s to %s, job %d; Ctrl-C leaves it at work\n", job.From.Format(time.RFC3339), job.To.Format(time.RFC3339), job.ID)
		return a.followJob(j, job)
	}
	defer unlock()
	ar, err := service.OpenKept(h, service.ArchiveDir(h, dir), dir, a.log)
	if err != nil {
		return err
	}
	defer ar.Close()
	r := &service.Recalculator{Archive: ar, Journal: j, Marks: marks.Folder{Dir: filepath.Join(dir, service.MarksFolder)}, House: h, Files: files, Log: a.log, Spread: true}
	show := a.progress("calculating again")
	out, err := r.Do(a.ctx, job, func(done float64, at time.Time) { show(done, at) })
	if err != nil {
		return err
	}
	out.Core.Calc.Everything()
	learned, err := out.Core.Save(out.Core.Frame.At)
	if err != nil {
		return err
	}
	if err := historian.WriteCheckpoint(dir, service.CheckpointName, learned); err != nil {
		return err
	}
	fmt.Fprint(a.out, out.Words())
	return nil
}

// followJob shows how a job of the running program goes until it ends.
func (a *app) followJob(j *journal.Journal, job plant.Job) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	shown := ""
	for {
		select {
		case <-a.ctx.Done():
			return nil
		case <-tick.C:
		}
		all, err := j.Jobs(a.ctx, false)
		if err != nil {
			return err
		}
		for _, x := range all {
			if x.ID != job.ID || x.Text == shown && x.Ended.IsZero() {
				continue
			}
			shown = x.Text
			fmt.Fprintln(a.out, x.Text)
			switch x.State {
			case plant.JobDone:
				return nil
			case plant.JobFailed:
				return errors.New("the job failed")
			case plant.JobCancelled:
				return errors.New("the job was cancelled")
			}
		}
	}
}
