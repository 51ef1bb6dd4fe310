package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"calandria/console"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

const (
	trialsKept = 8              // results; the oldest goes
	trialLife  = 12 * time.Hour // of a result
	trialStrip = 720            // parts of the strip
)

// trials tries other limits on the past for whoever looks at a rule, one at a
// time, in a goroutine of its own beside the loop and on the archive alone.
// Nothing is written.
type trials struct {
	archive *historian.Archive
	// fresh makes the house once more, without the tags of quantities and rules;
	// nil: nothing can be tried.
	fresh func() (*plant.House, error)
	files func() []rules.File // in force
	keeps bool                // the rule files are files: the lines can be kept
	log   *slog.Logger

	asked chan *trial

	mu      sync.Mutex
	running *trial
	kept    []*trial // newest last
}

// trial is one of them. What is behind the line is guarded by the mutex of
// trials; the cores belong to the goroutine that runs it.
type trial struct {
	console.Trial
	run    *replay
	files  []rules.File // in force when it was asked for
	cancel context.CancelFunc
	told   bool // to stop
}

func newTrials(ar *historian.Archive, log *slog.Logger) *trials {
	return &trials{archive: ar, log: log, asked: make(chan *trial, 1)}
}

// Run works off what is asked for until ctx ends.
func (t *trials) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case x := <-t.asked:
			t.work(ctx, x)
		}
	}
}

// errNoTrials says why nothing can be tried.
var errNoTrials = &console.Refused{Why: "Limits cannot be tried here: the program was not started on plant and rule files."}

// written reads how an alarm stands in the files.
func (t *trials) written(house *plant.House, files []rules.File, alarm string) (*rules.Written, error) {
	if t.fresh == nil {
		return nil, errNoTrials
	}
	w, ok := rules.ReadWritten(files, house, alarm)
	if !ok {
		return nil, &console.Refused{Why: "There is no such alarm."}
	}
	return w, nil
}

// core makes engines of their own for one alarm.
func (t *trials) core(files []rules.File, alarm string, try map[string]string) (*core, error) {
	h, err := t.fresh()
	if err != nil {
		return nil, err
	}
	return newCoreWith(h, files, rules.Options{Only: alarm, Try: try})
}

// start checks what is to be tried and puts it to work.
func (t *trials) start(house *plant.House, wish console.TrialWish, now time.Time) error {
	files := t.files() // the same throughout: they may be reloaded meanwhile
	w, err := t.written(house, files, wish.Alarm)
	if err != nil {
		return err
	}
	x := &trial{files: files, Trial: console.Trial{Alarm: wish.Alarm, Asked: now, From: now.Add(-wish.Span), To: now, Running: true, Kept: t.keeps}}
	changes := map[string]string{}
	for _, f := range w.Figures {
		if text, ok := wish.Texts[f.Key]; ok && strings.TrimSpace(text) != f.Text {
			changes[f.Key] = strings.TrimSpace(text)
			x.Changes = append(x.Changes, console.TrialChange{Key: f.Key, Was: f.Text, Is: strings.TrimSpace(text), Unit: w.Unit})
		}
	}
	if len(changes) == 0 {
		return &console.Refused{Why: "Nothing differs from the present rule: change a figure first."}
	}
	tried, err := t.core(files, wish.Alarm, changes)
	if err != nil {
		return trialRefusal(err, changes)
	}
	present, err := t.core(files, wish.Alarm, nil)
	if err != nil {
		return fmt.Errorf("load the rules in force: %w", err)
	}
	reader, err := t.core(files, wish.Alarm, nil)
	if err != nil {
		return fmt.Errorf("load the rules in force: %w", err)
	}
	x.run = &replay{ar: t.archive, from: x.From, to: x.To, warm: x.From.Add(-24 * time.Hour), step: trialStep(wish.Span), reader: reader}
	for _, c := range []*core{present, tried} {
		j := newJudge(c, x.From, x.To)
		i, ok := c.alarms.Index(wish.Alarm)
		if !ok {
			return &console.Refused{Why: "With this the house has no such alarm any more."}
		}
		r := &j.result.Rules[i]
		r.strip, r.part = make([]bool, trialStrip), (wish.Span+trialStrip-1)/trialStrip
		x.run.judges = append(x.run.judges, j)
	}
	x.run.lighten(wish.Alarm)
	x.Step = x.run.step
	for _, l := range w.Lines(changes) {
		x.Lines = append(x.Lines, console.TrialLine{File: filepath.Base(l.File), Line: l.Line, Through: l.Through, Text: l.Text, Was: l.Was, Note: l.Note})
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.running != nil {
		return &console.Refused{Why: "A limit of " + t.running.Alarm + " is being tried just now. One at a time: wait for it, or stop it there."}
	}
	t.running = x
	t.asked <- x // there is room: none is running
	return nil
}

// trialStep is the time between scans: a person does not wait for a month in
// steps of seconds. What instruments sent is seen in full in any case.
func trialStep(span time.Duration) time.Duration {
	switch {
	case span <= 25*time.Hour:
		return 10 * time.Second
	case span <= 8*24*time.Hour:
		return 30 * time.Second
	}
	return time.Minute
}

// lighten leaves out what none of the alarms tried depends on, and counts the
// samples of those tags that the one in question reads itself, if it does.
func (r *replay) lighten(alarm string) {
	measured, own := map[plant.TagID]bool{}, map[plant.TagID]bool{}
	r.plain = true
	tests := false
	for _, j := range r.judges {
		c := j.core
		for i := range c.rules.Alarms() {
			for _, id := range c.rules.Reads(i) {
				t := &c.house.Tags[id]
				switch t.Source {
				case plant.Measured:
					measured[id] = true
					if c.rules.Alarms()[i].Name == alarm {
						own[id] = true
					}
				case plant.Derived, plant.System:
					r.plain = false
					tests = tests || strings.HasSuffix(t.Name, "_reconciled") || t.Name == "reconciliation" || t.Name == "gross_error"
				}
			}
		}
	}
	if r.plain {
		r.needs = func(t *plant.Tag) bool { return measured[t.ID] }
	}
	if len(own) > 0 {
		r.counts = func(id plant.TagID) bool { return own[id] }
	}
	if !tests {
		r.reader.calc.NoReconciliation()
	}
}

// trialRefusal words what the loader says to what was typed.
func trialRefusal(err error, changes map[string]string) error {
	var faults plant.Faults
	if !errors.As(err, &faults) || len(faults) == 0 {
		return err
	}
	f := faults[0]
	no := &console.Refused{Why: f.Problem}
	if f.Fix != "" {
		no.Why += "; " + f.Fix
	}
	key, ours := strings.CutPrefix(f.Field, rules.TryField)
	if !ours {
		// A limit is read where the condition uses it.
		for k := range changes {
			if len(changes) == 1 || strings.HasPrefix(k, "limits.") {
				key = k
			}
		}
	}
	if _, ok := changes[key]; ok {
		no.Field = key
	}
	return no
}

// work runs one and keeps what came of it.
func (t *trials) work(ctx context.Context, x *trial) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	t.mu.Lock()
	x.cancel = cancel
	if x.told {
		cancel()
	}
	t.mu.Unlock()
	began := time.Now()
	err := x.run.alone(ctx)

	t.mu.Lock()
	defer t.mu.Unlock()
	x.Running, x.Took = false, time.Since(began)
	switch {
	case err != nil && ctx.Err() != nil:
		x.Stopped = true
	case err != nil:
		t.log.Error("a limit could not be tried", "alarm", x.Alarm, "err", err)
		x.Failed = "It could not be worked out: the archive did not answer. The fault is in the log."
	default:
		x.Samples = x.run.within
		x.First = x.run.first
		for i, side := range []*console.TrialSide{&x.Present, &x.Tried} {
			*side = trialSide(x.run.judges[i].result, x.Alarm)
		}
	}
	x.run = nil // the engines are not needed any more
	t.running = nil
	t.kept = slices.DeleteFunc(t.kept, func(o *trial) bool { return o.Alarm == x.Alarm })
	t.kept = append(t.kept, x)
	if len(t.kept) > trialsKept {
		t.kept = slices.Delete(t.kept, 0, len(t.kept)-trialsKept)
	}
}

func trialSide(b *backtest, alarm string) console.TrialSide {
	var s console.TrialSide
	for i := range b.Rules {
		r := &b.Rules[i]
		if r.Spec.Name != alarm {
			continue
		}
		s = console.TrialSide{Alarms: r.Alarms, Hidden: r.Hidden, Active: r.Active, Longest: r.Longest, Share: r.Share, Chattering: r.Chattering, Stood: r.stood, Strip: r.strip}
		for _, h := range r.worst {
			s.Worst = append(s.Worst, console.HourCount{At: h.at, N: h.n})
		}
	}
	for _, f := range b.Faults {
		if f.Rule == alarm {
			s.Fault = fmt.Sprintf("could not be evaluated %d times: %s", f.Count, f.Reason)
		}
	}
	return s
}

// of gives the newest trial of an alarm, running or over, and the alarm of
// which one is running.
func (t *trials) of(alarm string, now time.Time) (found *console.Trial, busy string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.kept = slices.DeleteFunc(t.kept, func(o *trial) bool { return now.Sub(o.Asked) > trialLife })
	for _, x := range t.kept {
		if x.Alarm == alarm {
			c := x.Trial
			now := t.files()
			c.Reloaded = len(now) != len(x.files) || len(now) > 0 && &now[0] != &x.files[0]
			found = &c
		}
	}
	if x := t.running; x != nil {
		if busy = x.Alarm; busy == alarm {
			c := x.Trial
			if at := x.run.reached.Load(); at > 0 {
				c.Done = min(1, time.Unix(0, at).Sub(x.run.warm).Seconds()/x.run.to.Sub(x.run.warm).Seconds())
			}
			found = &c
		}
	}
	return found, busy
}

// stop ends the one that is running for an alarm.
func (t *trials) stop(alarm string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if x := t.running; x != nil && x.Alarm == alarm {
		if x.told = true; x.cancel != nil {
			x.cancel()
		}
	}
}

// RuleText implements console.Backend.
func (b *backend) RuleText(_ context.Context, alarm string) (console.RuleText, error) {
	w, err := b.s.trials.written(b.House(), b.s.trials.files(), alarm)
	if err != nil {
		return console.RuleText{}, err
	}
	out := console.RuleText{Alarm: w.Alarm, Vessel: w.Vessel, Vessels: w.Vessels, Unit: w.Unit}
	for _, f := range w.Figures {
		out.Figures = append(out.Figures, console.RuleFigure{Key: f.Key, Text: f.Text, File: filepath.Base(f.File), Line: f.Line})
	}
	return out, nil
}

// Try implements console.Backend.
func (b *backend) Try(_ context.Context, w console.TrialWish) error {
	w.Texts = maps.Clone(w.Texts)
	return b.s.trials.start(b.House(), w, time.Now())
}

// Trial implements console.Backend.
func (b *backend) Trial(alarm string) (*console.Trial, string) {
	return b.s.trials.of(alarm, time.Now())
}

// StopTrial implements console.Backend.
func (b *backend) StopTrial(alarm string) { b.s.trials.stop(alarm) }
