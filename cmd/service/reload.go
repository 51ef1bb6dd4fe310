package service

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// Reloader reads the rule files again when it is asked to, and nothing else: a
// changed plant file takes a restart. The new rules are read and checked beside
// the running program, on a house of their own made from the plant file as it
// was at the start; only the swap is done by the loop, between two scans. Faulty
// files change nothing.
type Reloader struct {
	s     *Service
	file  string // the plant file
	data  []byte // as it was at the start
	files []rules.File
	asked <-chan os.Signal
	// hung is closed when the one that reads has ended; nil: none has begun.
	hung chan struct{}
}

// Reading is what a reading made: the files, and the core made of them, nil if
// the files are those before. note says what else there is to know.
type Reading struct {
	files []rules.File
	next  *engine.Core
	Note  string
}

// ReloadLimit is how long reading and checking may take: a folder of another
// machine that does not answer must not hold up the next request.
const ReloadLimit = 30 * time.Second

// InTime calls read and gives it up when it takes too long or ctx ends. A read
// that hangs in the system cannot be ended: until it returns no other is begun.
func (r *Reloader) InTime(ctx context.Context, read func() (Reading, error)) (made Reading, err error) {
	if r.hung != nil {
		select {
		case <-r.hung:
		default:
			return made, errors.New("the reading before still hangs; look at the disk or network folder of the rule files")
		}
	}
	ended := make(chan struct{})
	r.hung = ended
	var out Reading
	var fault error
	go func() {
		defer close(ended)
		out, fault = read()
	}()
	limit := time.NewTimer(ReloadLimit)
	defer limit.Stop()
	select {
	case <-ended:
		return out, fault
	case <-ctx.Done():
		return made, ctx.Err()
	case <-limit.C:
		return made, fmt.Errorf("reading and checking took more than %s; look at the disk or network folder of the rule files", ReloadLimit)
	}
}

// Run reloads at each request until ctx ends.
func (r *Reloader) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.asked:
			_ = r.Reload(ctx) // told in the log and the journal
		}
	}
}

// Reload reads, checks and swaps. What comes of it is logged, journalled and
// returned.
func (r *Reloader) Reload(ctx context.Context) error {
	began := time.Now()
	before := r.files
	made, err := r.InTime(ctx, func() (Reading, error) { return r.read(before) })
	files, next, note := made.files, made.next, made.Note
	if err == nil && next == nil {
		r.usable(note)
		r.s.Log.Info("the rule files are as they were: nothing to reload" + note)
		return nil
	}
	var sum string
	if err == nil {
		var took time.Duration
		sum, took, err = r.swap(ctx, next, fingerprint(files))
		if err == nil {
			r.files = files
			r.s.inForce.Store(&files)
			r.usable(note)
			for _, e := range r.s.keepGood(files, time.Now()) {
				err = errors.Join(err, r.s.Loop.Call(ctx, func(*engine.Core) { r.s.Loop.Event(e) }))
			}
			r.s.Log.Info("rules reloaded: "+sum+note, "checked_in", time.Since(began)-took, "swapped_in", took)
			return err
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var faults plant.Faults
	what := "the rules are not reloaded, the old rules stay in force: "
	if errors.As(err, &faults) && len(faults) > 0 {
		for _, f := range faults {
			r.s.Log.Error("rules not reloaded", "fault", f.Error())
		}
		what += faults[0].Error()
		if len(faults) > 1 {
			what += fmt.Sprintf(" (and %d more faults, in the log)", len(faults)-1)
		}
	} else {
		r.s.Log.Error("rules not reloaded", "err", err)
		what += err.Error()
	}
	return errors.Join(err, r.s.Loop.Call(ctx, func(c *engine.Core) {
		r.s.Loop.Event(plant.Event{Time: r.s.Loop.Now(), Kind: plant.EventConfig, Source: engine.SystemOwner, Text: what + note})
	}))
}

// usable ends the alarm that the program runs with files of before, once those of
// now are in force.
func (r *Reloader) usable(note string) {
	if note == "" {
		r.s.folder.old.Store(nil)
		r.s.folder.look()
	}
}

// read makes the next core from the rule files.
func (r *Reloader) read(before []rules.File) (made Reading, err error) {
	data, err := ReadConfig(r.file)
	if err != nil || !bytes.Equal(data, r.data) {
		made.Note = "; " + filepath.Base(r.file) + " has changed: that takes a restart"
	}
	running := r.s.Loop.House()
	if made.files, err = ruleFiles(running); err != nil {
		return made, err
	}
	if rules.SameFiles(made.files, before) {
		return made, nil
	}
	made.next, err = engine.New(running, made.files, rules.Options{})
	return made, err
}

// fingerprint identifies a set of rule files in the journal.
func fingerprint(files []rules.File) string {
	h := sha256.New()
	for _, f := range files {
		fmt.Fprintf(h, "%s %d\n", filepath.Base(f.Name), len(f.Data))
		h.Write(f.Data)
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}

// swap puts the new rules in force. Everyone who keeps names of tags is told:
// the archive before the first value comes, the metrics with the next picture.
func (r *Reloader) swap(ctx context.Context, next *engine.Core, mark string) (sum string, took time.Duration, err error) {
	s := r.s
	if err := s.Archive.Describe(Describe(next.House)...); err != nil {
		return "", 0, err
	}
	if s.forward != nil {
		s.forward.SetTags(forwardTags(next.House))
	}
	m := NewPlantMetrics(next.House, s.Loop.Picture)
	err = errors.Join(s.Loop.Call(ctx, func(c *engine.Core) {
		began := time.Now()
		sum, err = s.Loop.Adopt(next, mark)
		took = time.Since(began)
	}), err)
	if err != nil {
		return "", took, err
	}
	s.registry.Unregister(s.plantMetrics)
	s.plantMetrics = m
	if err := s.registry.Register(m); err != nil {
		s.Log.Error("values are missing from /metrics until the next start", "err", err)
	}
	if n := len(next.Rules.Placeholders()); n > 0 {
		s.Log.Warn("there are placeholders where the site's procedures belong; 'calandria check' lists them", "count", n)
	}
	return sum, took, nil
}
