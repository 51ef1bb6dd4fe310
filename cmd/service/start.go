package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"slices"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
	"calandria/thermo/pan"
)

// A start takes up the checkpoint and lets the core live through what the archive
// holds since, in the way of the running program. Without a checkpoint that fits
// it lives through as much of the past as it learns from.

// archived is the archive as a start reads it.
type archived interface {
	engine.Past
	Coverage(ctx context.Context, path string) (plant.Coverage, error)
}

// ever is later than every sample.
var ever = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)

const (
	CheckpointName = "learned.checkpoint"
	// MarksFolder holds checkpoints of the last months, one a day: a recalculation
	// begins with one instead of with the beginning.
	MarksFolder = "learned"
	// learnedFrom is how far back a start without a checkpoint begins: scale is
	// followed over several cycles between two cleanings. Ours.
	learnedFrom = 90 * 24 * time.Hour
	// quietGap is how long the program may have been down before the values of
	// then count as ended. Ours: a minute is less than any delay that matters.
	quietGap = time.Minute
)

// Begun is a core that stands as it would have stood if the program had run on.
type Begun struct {
	Core    *engine.Core
	lastRun time.Time               // last sign of life before this start, zero at a first start
	Events  []plant.Event           // that came while the program was down
	Strikes []thermo.FinishedStrike // that are not on record
	// offsets are how far the clocks behind tags were ahead at the end.
	offsets map[plant.TagID]time.Duration
}

// Begin brings a core that has seen nothing yet to where it would be.
func Begin(ctx context.Context, core *engine.Core, files []rules.File, ar archived, j *journal.Journal, dir string, now time.Time, log *slog.Logger, progress func(float64, time.Time)) (*Begun, error) {
	h := core.House
	newestAt := Newest(ctx, h, ar)
	if newestAt.After(now) {
		newestAt = now
	}
	resumed, from, err := resume(core, dir, now)
	if unfit, ok := errors.AsType[*engine.CheckpointError](err); ok {
		log.Warn("the program reads the archive instead of its checkpoint", "why", unfit.Why)
		if core, err = NewCore(h, files); err != nil { // the first may hold half of it
			return nil, err
		}
	} else if err != nil {
		return nil, err
	}
	b := &Begun{Core: cmp.Or(resumed, core)}
	fresh := resumed == nil
	if fresh {
		if from, err = FirstSample(ctx, h, ar, now.Add(-learnedFrom)); err != nil {
			return nil, err
		}
	}
	if b.lastRun, err = lastSign(ctx, b.Core, ar, j); err != nil {
		return nil, err
	}
	people, err := recordsOf(ctx, b.Core.House, j, from, log)
	if err != nil {
		return nil, err
	}
	people.begin(b.Core, fresh)
	// What the journal has seen already is followed without alarms.
	end := newestAt.Add(time.Nanosecond)
	watched := end
	if !b.lastRun.IsZero() && b.lastRun.Before(end) {
		watched = b.lastRun.Add(time.Nanosecond)
	}
	b.Core.Quiet = true
	if !from.IsZero() && from.Before(watched) {
		steps := engine.Steps{{Before: watched.Add(-36 * time.Hour), Step: time.Minute}, {Before: watched.Add(-time.Hour), Step: 10 * time.Second}, {Step: h.Config.Scan}}
		if err := b.follow(ctx, ar, from, watched, steps, people, progress); err != nil {
			return nil, fmt.Errorf("read the past: %w", err)
		}
	}
	b.Core.Quiet = false
	at := now
	if watched.Before(end) {
		at = watched
	}
	restoreAlarms(b.Core, j, at, log)
	if at.Before(now) {
		if err := b.follow(ctx, ar, at, end, engine.Steps{{Step: 10 * time.Second}}, people, progress); err != nil {
			return nil, fmt.Errorf("read what came while the program was down: %w", err)
		}
		b.Events = b.Core.Drain()
		for i := range b.Events {
			b.Events[i].AtStart = true
		}
	}
	people.apply(b.Core, now)
	b.offsets = map[plant.TagID]time.Duration{}
	for t := range b.Core.House.Measured() {
		if p, ok, err := ar.Last(ctx, engine.OffsetPath(t.Path), ever); err == nil && ok {
			b.offsets[t.ID] = time.Duration(math.Round(p.Value * float64(time.Second)))
		}
	}
	if !newestAt.IsZero() && now.Sub(newestAt) > quietGap {
		b.Core.Silence(newestAt)
	}
	return b, nil
}

// beginAnew makes a core that knows nothing of the past but the states of the
// alarms.
func beginAnew(h *plant.House, files []rules.File, j *journal.Journal, now time.Time, log *slog.Logger) (*Begun, error) {
	core, err := NewCore(h, files)
	if err != nil {
		return nil, err
	}
	restoreAlarms(core, j, now, log)
	return &Begun{Core: core}, nil
}

// follow lets the core live through the archive, with what people have recorded.
func (b *Begun) follow(ctx context.Context, p engine.Past, from, to time.Time, steps engine.Steps, people *records, progress func(float64, time.Time)) error {
	return b.Core.Follow(ctx, p, from, to, steps, func(at time.Time) error {
		people.apply(b.Core, at)
		for _, s := range b.Core.Calc.TakeFinished() {
			if s.Strike.End.After(people.known[s.Pan]) {
				b.Strikes = append(b.Strikes, s)
			}
		}
		if progress != nil {
			progress(at.Sub(from).Seconds()/to.Sub(from).Seconds(), at)
		}
		return nil
	})
}

// resume takes up the checkpoint and gives its time; no core if there is none.
func resume(c *engine.Core, dir string, now time.Time) (*engine.Core, time.Time, error) {
	data, err := historian.ReadCheckpoint(dir, CheckpointName)
	var damaged *historian.CheckpointError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, time.Time{}, nil
	case errors.As(err, &damaged):
		return nil, time.Time{}, &engine.CheckpointError{Why: damaged.Error()}
	case err != nil:
		return nil, time.Time{}, err
	}
	cp, err := engine.ReadCheckpoint(data)
	if err != nil {
		return nil, time.Time{}, err
	}
	if c, err = c.Resume(cp, now); err != nil {
		return nil, time.Time{}, err
	}
	return c, cp.At, nil
}

// resumeFrom takes up what a checkpoint holds, as of its own time.
func resumeFrom(data []byte, h *plant.House, files []rules.File) (*engine.Core, time.Time, error) {
	cp, err := engine.ReadCheckpoint(data)
	if err != nil {
		return nil, time.Time{}, err
	}
	c, err := engine.Resume(h, files, cp, cp.At)
	return c, cp.At, err
}

// NewCore makes a core that knows nothing yet.
func NewCore(h *plant.House, files []rules.File) (*engine.Core, error) {
	return quickly(func() (*engine.Core, error) { return engine.New(h, files, rules.Options{}) })
}

// lastSign is when the program was last alive on this data: its newest
// calculated value or journal entry.
func lastSign(ctx context.Context, c *engine.Core, ar archived, j *journal.Journal) (time.Time, error) {
	var last time.Time
	events, err := j.Read(ctx, plant.EventFilter{Newest: true, Limit: 1})
	if err != nil {
		return last, err
	}
	if len(events) > 0 {
		last = events[0].Received
	}
	// Calculated values are all written at every scan.
	if i := slices.IndexFunc(c.House.Tags, func(t plant.Tag) bool { return t.Source == plant.Derived }); i >= 0 {
		if p, ok, err := ar.Last(ctx, c.House.Tags[i].Path, ever); err == nil && ok && p.Time.After(last) {
			last = p.Time
		}
	}
	return last, nil
}

// FirstSample is when the archive's measured values begin, but not before from.
func FirstSample(ctx context.Context, h *plant.House, ar archived, from time.Time) (time.Time, error) {
	var first time.Time
	for t := range h.Measured() {
		c, err := ar.Coverage(ctx, t.Path)
		if err != nil {
			return first, err
		}
		if c.Samples > 0 && c.Last.After(from) && (first.IsZero() || c.First.Before(first)) {
			first = c.First
		}
	}
	if !first.IsZero() && first.Before(from) {
		first = from
	}
	return first, nil
}

// restoreAlarms takes over the alarm states of before the last stop.
func restoreAlarms(c *engine.Core, j *journal.Journal, at time.Time, log *slog.Logger) {
	c.Set("alarm_state_ok", 1, at)
	state, err := j.State()
	if err == nil && len(state) == 0 {
		return // a first start
	}
	if err == nil {
		err = c.Alarms.RestoreParts(alerting.Parts(state), at)
	}
	if err != nil {
		c.Set("alarm_state_ok", 0, at)
		log.Error("alarm states of before could not be read; alarms start unacknowledged and unshelved", "err", err)
	}
}

// records are what is on record and the program cannot see in the archive:
// corrections, cleanings, the strikes of before and those to compare with.
type records struct {
	corrections []plant.Correction
	cleanings   []plant.Cleaning        // by end
	over        map[string][]pan.Strike // by pan: strikes of before the replay, by time
	references  map[string]*pan.Strike
	known       map[string]time.Time // by pan: the end of its newest strike on record
}

// recordsOf reads what a core needs that lives through the archive from a moment on.
func recordsOf(ctx context.Context, h *plant.House, j *journal.Journal, from time.Time, log *slog.Logger) (*records, error) {
	r := &records{over: map[string][]pan.Strike{}, references: map[string]*pan.Strike{}, known: map[string]time.Time{}}
	var err error
	if r.corrections, err = AllCorrections(ctx, j); err != nil {
		return nil, err
	}
	all, err := j.Cleanings(ctx, "", from, ever)
	if err != nil {
		return nil, fmt.Errorf("read the cleanings: %w", err)
	}
	for _, c := range all {
		if !c.End.IsZero() && c.End.After(from) {
			r.cleanings = append(r.cleanings, c)
		}
	}
	slices.SortFunc(r.cleanings, func(a, b plant.Cleaning) int { return a.End.Compare(b.End) })
	for _, e := range h.Of(plant.ClassPan) {
		newest, err := j.Strikes(ctx, plant.StrikeFilter{Pan: e.Path, Limit: 1})
		if err != nil {
			return nil, fmt.Errorf("read the strikes: %w", err)
		}
		for _, s := range newest {
			r.known[e.Path] = s.End.Add(time.Minute)
		}
		before, err := j.Strikes(ctx, plant.StrikeFilter{Pan: e.Path, To: from, Limit: 60})
		if err != nil {
			return nil, fmt.Errorf("read the strikes: %w", err)
		}
		read := func(found []journal.Strike) (out []pan.Strike) {
			for _, x := range found {
				s, err := StrikeOf(x)
				if err != nil {
					log.Warn("a recorded strike cannot be read", "err", err)
					continue
				}
				out = append(out, s)
			}
			return out
		}
		r.over[e.Path] = read(before)
		slices.Reverse(r.over[e.Path])
		c, ok, err := chosenReference(j, e.Path, e.Pan.Grade)
		if err != nil || !ok {
			continue // the program chooses
		}
		if found, err := j.Strikes(ctx, plant.StrikeFilter{ID: c.Strike, Pan: e.Path}); err == nil {
			for _, s := range read(found) {
				r.references[e.Path] = &s
			}
		}
	}
	return r, nil
}

// begin prepares a core: samples are read with the corrections, and a fresh one gets
// the strikes that were over before, so that their numbers go on.
func (r *records) begin(c *engine.Core, fresh bool) {
	c.Correct(r.corrections)
	for path, over := range r.over {
		if fresh {
			c.Calc.RememberStrikes(path, over)
		}
	}
}

// apply tells the core what was recorded up to a moment, each once. A cleaning
// that the tracker refuses lies before one that it found by itself.
func (r *records) apply(c *engine.Core, at time.Time) {
	for len(r.cleanings) > 0 && !r.cleanings[0].End.After(at) {
		_ = c.Calc.Cleaned(r.cleanings[0].Body, r.cleanings[0].End, at)
		r.cleanings = r.cleanings[1:]
	}
	for path, s := range r.references {
		c.Calc.CompareWith(path, s)
		delete(r.references, path)
	}
}

// AllCorrections are all on record, also those that were taken back.
func AllCorrections(ctx context.Context, j *journal.Journal) ([]plant.Correction, error) {
	return j.Corrections(ctx, "", time.Unix(0, 0), ever)
}

// Newest is the time of the newest measured sample in the archive.
func Newest(ctx context.Context, h *plant.House, ar engine.Past) time.Time {
	var t time.Time
	for tag := range h.Measured() {
		if p, ok, err := ar.Last(ctx, tag.Path, ever); err == nil && ok && p.Time.After(t) {
			t = p.Time
		}
	}
	return t
}
