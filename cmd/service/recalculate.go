package service

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/historian/marks"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

// A stretch of the past is calculated again as a job of the journal: the running
// program takes it up beside its work, or the command does it if none is running.
// Raw values stay as they are; the calculated ones become a new version in one
// step at the end.

const (
	recalculation = "recalculate"
	// keepEvery is how often calculated values of the past are kept.
	keepEvery = time.Minute
	// JobStep is the time between scans of the past unless a job says otherwise.
	JobStep = 10 * time.Second
)

// RecalculationArgs are what a job needs beside its stretch.
type RecalculationArgs struct {
	Equipment string        `json:",omitzero"` // path; empty: the whole house
	Step      time.Duration `json:",omitzero"`
}

// NewJob asks for a stretch of the past, of the whole house if no equipment is named.
func NewJob(args RecalculationArgs, from, to time.Time, by, why string) plant.Job {
	text, _ := json.Marshal(args) // two plain fields
	return plant.Job{Kind: recalculation, From: from.UTC().Truncate(time.Minute), To: to.UTC(), Args: string(text), By: by, Why: why, Asked: time.Now().UTC()}
}

// Recalculator calculates the past again.
type Recalculator struct {
	Archive *historian.Archive
	Journal *journal.Journal
	Marks   marks.Folder // of what was learned up to some days
	House   *plant.House
	Files   []rules.File
	Log     *slog.Logger
	Spread  bool          // the rules may take a processor of their own
	Save    time.Duration // how often the job is made to go on where it is; 0: once a minute
}

// recalculated is what comes of a job.
type recalculated struct {
	Core    *engine.Core // it has lived through everything up to the end of the archive
	people  *records
	found   [][]byte // strikes by packStrike: those of a season wait for the end
	alarms  *engine.Backtest
	Strikes int // put on record
	Values  int64
}

// Run does a job, from where it was if it was interrupted. Nothing is in force
// before its end. tell is told how far it has come; its error ends the job.
func (r *Recalculator) Run(ctx context.Context, job plant.Job, tell func(done float64, at time.Time) error) (_ *recalculated, err error) {
	var args RecalculationArgs
	if err := json.Unmarshal([]byte(job.Args), &args); err != nil {
		return nil, fmt.Errorf("read the job: %w", err)
	}
	if args.Step <= 0 {
		args.Step = JobStep
	}
	// Nothing follows from the time after the newest value.
	if end := Newest(ctx, r.House, Past{r.Archive}).Add(time.Millisecond); job.From.Before(end) && end.Before(job.To) {
		job.To = end
	}
	judge, err := engine.New(r.House, r.Files, rules.Options{})
	if err != nil {
		return nil, err
	}
	paths, kept := keptTags(judge.House, args.Equipment)
	if len(paths) == 0 {
		return nil, fmt.Errorf("%q has no calculated value: give the path of a set, a body, a condenser or a pan", args.Equipment)
	}
	if err := r.Archive.Describe(Describe(judge.House)...); err != nil {
		return nil, err
	}
	rw, err := r.Archive.Rewrite(ctx, fmt.Sprintf("job%d", job.ID), paths, job.From, job.To)
	if err != nil {
		return nil, err
	}
	staged := true
	defer func() {
		// What an interrupted job has staged is for its going on; what another one
		// has is only in the way.
		if err != nil && staged && ctx.Err() == nil {
			err = errors.Join(err, rw.Abandon())
		}
	}()
	from := rw.Reached()
	out, err := r.ready(ctx, rw, job.From, tell)
	if err != nil {
		return nil, err
	}
	reader, p := out.Core, Past{r.Archive}
	judge.Correct(out.people.corrections)
	replay := &engine.Replay{Past: p, Warm: from, From: from, To: job.To, Step: args.Step, Reader: reader, Judges: []*engine.Judge{engine.NewJudge(judge, from, job.To)}}
	saved, last := time.Now(), time.Time{}
	replay.Behind = func(at time.Time) error {
		out.people.apply(reader, at)
		for _, f := range reader.Calc.TakeFinished() {
			packed, err := packStrike(&f)
			if err != nil {
				return err
			}
			out.found = append(out.found, packed)
		}
		if err := r.mark(reader, at); err != nil {
			return err
		}
		if at.Before(from) || !at.Truncate(keepEvery).After(last) {
			return ctx.Err()
		}
		last = at
		if err := out.keep(rw, paths, kept, at); err != nil {
			return err
		}
		if now := time.Now(); now.Sub(saved) > cmp.Or(r.Save, time.Minute) {
			saved = now
			if err := out.save(rw, at.Add(time.Nanosecond)); err != nil {
				return err
			}
		}
		return tell(at.Sub(job.From).Seconds()/job.To.Sub(job.From).Seconds(), at)
	}
	run := replay.Run
	if r.Spread {
		run = replay.Spread
	}
	if err := run(ctx); err != nil {
		return nil, err
	}
	out.alarms = replay.Judges[0].Result
	out.alarms.Samples, out.alarms.Scans = replay.Samples, replay.Scans
	staged = false // from here on the archive itself ends what was begun
	if err := rw.Commit(ctx); err != nil {
		return nil, err
	}
	if out.Strikes, err = keepStrikes(ctx, r.Journal, reader.Calc, out.found); err != nil {
		return nil, err
	}
	return out, r.live(ctx, out, job.To, Newest(ctx, reader.House, p).Add(time.Nanosecond), engine.Steps{{Step: args.Step}}, nil)
}

// mark keeps what was learned up to a moment, once a day of the past.
func (r *Recalculator) mark(c *engine.Core, at time.Time) error {
	return r.Marks.Keep(at, func() ([]byte, error) { return c.Save(at.Add(time.Nanosecond)) })
}

// live lets the core learn from a stretch of which nothing is kept; tell may be nil.
func (r *Recalculator) live(ctx context.Context, x *recalculated, from, to time.Time, steps engine.Steps, tell func(float64, time.Time) error) error {
	if !from.Before(to) {
		return nil
	}
	x.Core.Quiet = true
	return x.Core.Follow(ctx, Past{r.Archive}, from, to, steps, func(at time.Time) error {
		x.people.apply(x.Core, at)
		x.Core.Calc.TakeFinished()
		if err := r.mark(x.Core, at); err != nil || tell == nil {
			return err
		}
		return tell(0, at)
	})
}

// keep adds the calculated values of one moment.
func (x *recalculated) keep(rw *historian.Rewrite, paths []string, ids []plant.TagID, at time.Time) error {
	for i, id := range ids {
		p := x.Core.Frame.Points[id]
		if !p.Quality.Seen() {
			continue
		}
		x.Values++
		if err := rw.Add(paths[i], plant.Point{Time: at, Value: p.Value, Quality: p.Quality}); err != nil {
			return err
		}
	}
	return nil
}

// interrupted is what a job goes on with.
type interrupted struct {
	Learned []byte
	Found   [][]byte // strikes that are not on record yet
}

// packStrike makes a strike small, curves and all: gzip of its JSON.
func packStrike(f *thermo.FinishedStrike) ([]byte, error) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	err := errors.Join(json.NewEncoder(z).Encode(f), z.Close())
	return b.Bytes(), err
}

func unpackStrike(b []byte) (f thermo.FinishedStrike, err error) {
	z, err := gzip.NewReader(bytes.NewReader(b))
	if err == nil {
		err = json.NewDecoder(z).Decode(&f)
	}
	return f, err
}

// save makes durable what was calculated so far: the job goes on there.
func (x *recalculated) save(rw *historian.Rewrite, at time.Time) error {
	learned, err := x.Core.Save(at)
	if err != nil {
		return err
	}
	data, err := json.Marshal(interrupted{learned, x.found})
	if err != nil {
		return err
	}
	return rw.Save(at, data)
}

// ready brings a core to where the job goes on: from what it saved, or by living
// through the time before, from the newest mark of then or from the first sample.
func (r *Recalculator) ready(ctx context.Context, rw *historian.Rewrite, from time.Time, tell func(float64, time.Time) error) (x *recalculated, err error) {
	x = &recalculated{}
	if data := rw.Data(); len(data) > 0 {
		var saved interrupted
		if err = json.Unmarshal(data, &saved); err == nil {
			x.Core, _, err = resumeFrom(saved.Learned, r.House, r.Files)
		}
		if err != nil {
			return nil, fmt.Errorf("the job cannot go on where it was: %w; ask for it again", err)
		}
		x.found = saved.Found
		if x.people, err = recordsOf(ctx, x.Core.House, r.Journal, rw.Reached(), r.Log); err == nil {
			x.people.begin(x.Core, false)
		}
		return x, err
	}
	if err := r.Marks.Forget(from); err != nil { // what was learned since is told anew
		return nil, err
	}
	var at time.Time
	for data := range r.Marks.Before(from) {
		if x.Core, at, err = resumeFrom(data, r.House, r.Files); err == nil {
			break
		}
		x.Core = nil // of another plant file, or of another version of the program
	}
	fresh := x.Core == nil
	if fresh {
		if x.Core, err = engine.New(r.House, r.Files, rules.Options{}); err != nil {
			return nil, err
		}
		if at, err = FirstSample(ctx, x.Core.House, Past{r.Archive}, from.Add(-learnedFrom)); err != nil {
			return nil, err
		}
		if at.IsZero() || at.After(from) {
			at = from
		}
	}
	if x.people, err = recordsOf(ctx, x.Core.House, r.Journal, at, r.Log); err != nil {
		return nil, err
	}
	x.people.begin(x.Core, fresh)
	return x, r.live(ctx, x, at, from, engine.Steps{{Before: from.Add(-36 * time.Hour), Step: time.Minute}, {Step: JobStep}}, tell)
}

// keptTags lists the calculated tags of a piece of equipment and its parts.
func keptTags(h *plant.House, equipment string) (paths []string, ids []plant.TagID) {
	for i := range h.Tags {
		t := &h.Tags[i]
		if (t.Source == plant.Derived || t.Source == plant.Ruled) && (equipment == "" || t.Owner == equipment || strings.HasPrefix(t.Owner, equipment+".")) {
			paths, ids = append(paths, t.Path), append(ids, t.ID)
		}
	}
	return paths, ids
}

// keepStrikes puts strikes on record. One that is on record already is worked out
// anew, with the purities that the laboratory found.
func keepStrikes(ctx context.Context, j *journal.Journal, calc *thermo.Calculator, found [][]byte) (n int, err error) {
	const same = 10 * time.Minute // two strikes of a pan do not begin closer. Ours
	for _, b := range found {
		f, err := unpackStrike(b)
		if err != nil {
			return n, err
		}
		near, err := j.Strikes(ctx, plant.StrikeFilter{Pan: f.Pan, From: f.Strike.Start.Add(same), To: f.Strike.End.Add(same), Limit: 4})
		if err != nil {
			return n, err
		}
		for _, r := range near {
			old, err := StrikeOf(r)
			if err != nil || old.Start.Sub(f.Strike.Start).Abs() > same {
				continue
			}
			f.Strike.Start, f.Strike.Number = old.Start, old.Number
			if old.Balance.Purities.By != "" {
				calc.WeighStrike(f.Pan, &f.Strike, old.Balance.Purities)
			}
		}
		if err := KeepStrike(j, &f); err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}

// Words say what came of a job.
func (x *recalculated) Words() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d values calculated again, %d strikes put on record.\nAlarms that would have called:\n\n", x.Values, x.Strikes)
	x.alarms.Write(&b)
	return b.String()
}

// Do runs a job and keeps its record in the journal up to date.
func (r *Recalculator) Do(ctx context.Context, job plant.Job, show func(done float64, at time.Time)) (*recalculated, error) {
	defer debug.SetGCPercent(debug.SetGCPercent(50)) // months in memory: that counts more than the processor
	began, told := time.Now(), time.Time{}
	job.State = plant.JobRunning
	out, err := r.Run(ctx, job, func(done float64, at time.Time) error {
		show(done, at)
		now := time.Now()
		if now.Sub(told) < 2*time.Second {
			return nil
		}
		told, job.Reached = now, at
		left := time.Duration(float64(now.Sub(began)) * (1 - done) / max(done, 1e-3))
		if done == 0 {
			began = now
			job.Text = "living through the time before, at " + at.Format("2006-01-02 15:04 MST")
			return r.Journal.UpdateJob(job)
		}
		job.Text = fmt.Sprintf("%.0f %%, at %s, %s left", 100*done, at.Format("2006-01-02 15:04 MST"), left.Round(time.Second))
		return r.Journal.UpdateJob(job)
	})
	job.Ended = time.Now().UTC()
	switch {
	case errors.Is(err, journal.ErrJobEnded):
		return nil, errors.New("the job was cancelled; the values of before stay in force")
	case ctx.Err() != nil:
		return nil, errors.New("interrupted; the values of before stay in force; 'calandria run' goes on with the job, 'calandria recalculate' begins anew")
	case err != nil:
		job.State, job.Text = plant.JobFailed, err.Error()
	default:
		job.State, job.Reached, job.Text = plant.JobDone, job.To, out.Words()
	}
	return out, errors.Join(err, r.Journal.UpdateJob(job))
}

// jobs takes up what is asked for, one after the other, in a goroutine of its own.
type jobs struct {
	s     *Service
	poll  time.Duration
	known []plant.Correction // that the loop reads with
}

// Run works off jobs until ctx ends. The journal is asked again and again: a
// command of another process may have put one there.
func (w *jobs) Run(ctx context.Context) error {
	return every(ctx, w.poll, func() {
		open, err := w.s.Journal.Jobs(ctx, true)
		if err != nil && ctx.Err() == nil {
			w.s.Log.Error("jobs cannot be read", "err", err)
		}
		for _, job := range open {
			if job.Kind == recalculation {
				w.work(ctx, job)
			}
		}
		w.corrections(ctx)
	})
}

// work does one job, and gives what was learned to the loop.
func (w *jobs) work(ctx context.Context, job plant.Job) {
	s := w.s
	note := func(text string) {
		_ = s.Loop.Call(ctx, func(*engine.Core) {
			s.Loop.Event(plant.Event{Time: s.Loop.Now(), Kind: plant.EventConfig, Source: engine.SystemOwner, User: job.By, Reason: job.Why, Text: text})
		})
	}
	span := fmt.Sprintf("from %s to %s", job.From.Format("2006-01-02 15:04 MST"), job.To.Format("2006-01-02 15:04 MST"))
	if job.State == plant.JobAsked {
		note("job " + fmt.Sprint(job.ID) + ": the past is calculated again " + span)
	}
	marks, began := marks.Folder{Dir: filepath.Join(s.dir, MarksFolder)}, time.Now()
	r := &Recalculator{Archive: s.Archive, Journal: s.Journal, Marks: marks, House: s.Loop.House(), Files: *s.inForce.Load(), Log: s.Log}
	out, err := r.Do(ctx, job, func(float64, time.Time) {})
	if err == nil {
		err = w.adopt(ctx, out)
	}
	if err == nil {
		err = marks.Forget(began) // the loop has kept some that know of before only
	}
	if err != nil {
		if ctx.Err() == nil {
			s.Log.Error("the past could not be calculated again", "job", job.ID, "err", err)
			note(fmt.Sprintf("job %d: the past was not calculated again: %s", job.ID, engine.Cause(err)))
		}
		return
	}
	note(fmt.Sprintf("job %d: the past was calculated again %s; %d values, %d strikes", job.ID, span, out.Values, out.Strikes))
}

// adopt lets the running program go on with what a replay has learned. The last
// seconds come from the archive.
func (w *jobs) adopt(ctx context.Context, x *recalculated) error {
	s := w.s
	if err := s.Archive.Flush(ctx); err != nil {
		return err
	}
	x.Core.Quiet = true
	x.Core.Calc.Everything()
	at := x.Core.Frame.At
	if err := x.Core.Follow(ctx, Past{s.Archive}, at, time.Now(), engine.Steps{{Step: time.Second}}, nil); err != nil {
		return err
	}
	return s.Loop.Call(ctx, func(c *engine.Core) {
		c.Learn(x.Core)
		s.Loop.Show(s.Loop.Now())
	})
}

// corrections lets the loop read with the corrections that are on record.
func (w *jobs) corrections(ctx context.Context) {
	list, err := AllCorrections(ctx, w.s.Journal)
	if err != nil {
		return
	}
	same := slices.EqualFunc(list, w.known, func(a, b plant.Correction) bool { return a.ID == b.ID && a.Withdrawn.Equal(b.Withdrawn) })
	if !same && w.s.Loop.Call(ctx, func(c *engine.Core) { c.Correct(list) }) == nil {
		w.known = list
	}
}
