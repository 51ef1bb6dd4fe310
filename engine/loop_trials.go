package engine

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
)

const (
	trialsKept = 8              // results; the oldest goes
	trialLife  = 12 * time.Hour // of a result
)

// Trials tries other limits on the past for whoever looks at a rule, one at a
// time, in a goroutine of its own beside the loop and on the archive alone.
// Nothing is written.
type Trials struct {
	Past  Past
	Files func() []rules.File // in force
	Kept  bool                // the rule files are files: the lines can be kept
	Log   *slog.Logger

	mu      sync.Mutex
	wake    chan struct{}
	running *trialRun
	cancel  context.CancelFunc // of the running one
	stopped bool               // it is to stop
	reached atomic.Int64       // how far it has come, ns since 1970
	kept    []*trialRun        // newest last
}

// NewTrials makes a desk for trials; nothing runs yet.
func NewTrials(past Past, files func() []rules.File, log *slog.Logger) *Trials {
	return &Trials{Past: past, Files: files, Log: log, wake: make(chan struct{}, 1)}
}

// Run works off what is asked for until ctx ends.
func (t *Trials) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.wake:
			t.work(ctx)
		}
	}
}

// Written reads how an alarm stands in the files.
func (t *Trials) Written(house *plant.House, alarm string) (*rules.Written, error) {
	w, ok := rules.ReadWritten(t.Files(), house, alarm)
	if !ok {
		return nil, &Refused{Why: "There is no such alarm."}
	}
	return w, nil
}

// Start checks what is to be tried and puts it to work.
func (t *Trials) Start(house *plant.House, wish TrialWish, now time.Time) error {
	x, err := newTrial(house, t.Files(), t.Past, wish, now)
	if err != nil {
		return err
	}
	x.Trial.Kept = t.Kept
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.running != nil {
		return &Refused{Why: words.Say("A limit of %s is being tried just now. One at a time: wait for it, or stop it there.", t.running.Alarm)}
	}
	t.running, t.stopped = x, false
	t.reached.Store(0)
	x.replay.Reached = func(at time.Time) { t.reached.Store(at.UnixNano()) }
	t.wake <- struct{}{} // there is room: none is running
	return nil
}

// work runs one and keeps what came of it.
func (t *Trials) work(ctx context.Context) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	t.mu.Lock()
	x := t.running
	t.cancel = cancel
	if t.stopped {
		cancel()
	}
	t.mu.Unlock()
	began := time.Now()
	result := *x
	err := result.run(ctx)

	t.mu.Lock()
	defer t.mu.Unlock()
	*x = result
	x.Running, x.Took = false, time.Since(began)
	switch {
	case err != nil && ctx.Err() != nil:
		x.Stopped = true
	case err != nil:
		t.Log.Error("a limit could not be tried", "alarm", x.Alarm, "err", err)
		x.Failed = "It could not be worked out: the archive did not answer. The fault is in the log."
	}
	x.replay = nil // the cores are not needed any more
	t.running, t.cancel = nil, nil
	t.kept = slices.DeleteFunc(t.kept, func(o *trialRun) bool { return o.Alarm == x.Alarm })
	t.kept = append(t.kept, x)
	if len(t.kept) > trialsKept {
		t.kept = slices.Delete(t.kept, 0, len(t.kept)-trialsKept)
	}
}

// Of gives the newest trial of an alarm, running or over, nil if there is none,
// and the alarm of which one is running.
func (t *Trials) Of(alarm string, now time.Time) (found *Trial, busy string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.kept = slices.DeleteFunc(t.kept, func(o *trialRun) bool { return now.Sub(o.Asked) > trialLife })
	for _, x := range t.kept {
		if x.Alarm == alarm {
			c := x.Trial
			now := t.Files()
			c.Reloaded = len(now) != len(x.files) || len(now) > 0 && &now[0] != &x.files[0]
			found = &c
		}
	}
	if x := t.running; x != nil {
		if busy = x.Alarm; busy == alarm {
			c := x.Trial
			if at := t.reached.Load(); at > 0 {
				warm := x.replay.Warm
				c.Done = min(1, time.Unix(0, at).Sub(warm).Seconds()/x.To.Sub(warm).Seconds())
			}
			found = &c
		}
	}
	return found, busy
}

// Stop ends the one that is running for an alarm.
func (t *Trials) Stop(alarm string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.running == nil || t.running.Alarm != alarm {
		return
	}
	if t.stopped = true; t.cancel != nil {
		t.cancel()
	}
}
