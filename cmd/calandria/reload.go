package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/rules"
)

// reloader reads the rule files again when it is asked to, and nothing else: a
// changed plant file takes a restart. The new rules are read and checked beside
// the running program, on a house of their own made from the plant file as it
// was at the start; only the swap is done by the loop, between two scans. Faulty
// files change nothing.
type reloader struct {
	s     *service
	file  string // the plant file
	data  []byte // as it was at the start
	files []rules.File
	asked <-chan os.Signal
}

// newReloader keeps what the running rules were made from.
func newReloader(s *service, file string, files []rules.File, asked <-chan os.Signal) (*reloader, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	return &reloader{s: s, file: file, data: data, files: files, asked: asked}, nil
}

// Run reloads at each request until ctx ends.
func (r *reloader) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.asked:
			_ = r.reload(ctx) // told in the log and the journal
		}
	}
}

// reload reads, checks and swaps. What comes of it is logged, journalled and
// returned.
func (r *reloader) reload(ctx context.Context) error {
	began := time.Now()
	files, next, note, err := r.read()
	if err == nil && next == nil {
		r.s.log.Info("the rule files are as they were: nothing to reload" + note)
		return nil
	}
	var sum string
	if err == nil {
		var took time.Duration
		sum, took, err = r.swap(ctx, next, fingerprint(files))
		if err == nil {
			r.files = files
			r.s.inForce.Store(&files)
			r.s.log.Info("rules reloaded: "+sum+note, "checked_in", time.Since(began)-took, "swapped_in", took)
			return nil
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var faults plant.Faults
	what := "rules not reloaded, those before stay in force: "
	if errors.As(err, &faults) && len(faults) > 0 {
		for _, f := range faults {
			r.s.log.Error("rules not reloaded", "fault", f.Error())
		}
		what += faults[0].Error()
		if len(faults) > 1 {
			what += fmt.Sprintf(" (and %d more faults, in the log)", len(faults)-1)
		}
	} else {
		r.s.log.Error("rules not reloaded", "err", err)
		what += err.Error()
	}
	return errors.Join(err, r.s.loop.call(ctx, func() {
		r.s.loop.event(plant.Event{Time: r.s.loop.now(), Kind: plant.EventConfig, Source: systemOwner, Text: what + note})
	}))
}

// read makes the next core, nil if the files are as they were. note says what
// else there is to know.
func (r *reloader) read() (files []rules.File, next *core, note string, err error) {
	data, err := os.ReadFile(r.file)
	if err != nil || !bytes.Equal(data, r.data) {
		note = "; " + filepath.Base(r.file) + " has changed: that takes a restart"
	}
	running := r.s.loop.board.house()
	if files, err = ruleFiles(running); err != nil {
		return nil, nil, note, err
	}
	if slices.EqualFunc(files, r.files, func(a, b rules.File) bool { return a.Name == b.Name && bytes.Equal(a.Data, b.Data) }) {
		return files, nil, note, nil
	}
	h, err := plant.Load(r.file, r.data)
	if err != nil {
		return nil, nil, note, err
	}
	h.Config = running.Config // the same, with what the program filled in
	next, err = newCore(h, files)
	return files, next, note, err
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
func (r *reloader) swap(ctx context.Context, next *core, mark string) (sum string, took time.Duration, err error) {
	s := r.s
	if err := s.archive.Describe(describe(next.house)...); err != nil {
		return "", 0, err
	}
	if s.forward != nil {
		s.forward.SetTags(forwardTags(next.house))
	}
	m := newPlantMetrics(next.house, s.loop.board.latest)
	err = errors.Join(s.loop.call(ctx, func() {
		began := time.Now()
		sum, err = s.loop.adopt(next, mark)
		took = time.Since(began)
	}), err)
	if err != nil {
		return "", took, err
	}
	s.registry.Unregister(s.plantMetrics)
	s.plantMetrics = m
	if err := s.registry.Register(m); err != nil {
		s.log.Error("values are missing from /metrics until the next start", "err", err)
	}
	if n := len(next.rules.Placeholders()); n > 0 {
		s.log.Warn("placeholders stand where the site's procedures belong; 'calandria check' lists them", "count", n)
	}
	return sum, took, nil
}

// adopt takes over the rules of another core of the same plant, and gives its
// account in one line. An error changes nothing.
func (l *loop) adopt(next *core, mark string) (sum string, err error) {
	c, now := l.core, l.now()
	c.alarms.Advance(now)
	l.commit(now)
	before := describeRules(c, now)
	if err := c.adopt(next, now); err != nil {
		return "", err
	}
	l.specs = specsByName(c.rules.Alarms())
	changed := map[string]bool{}
	added, removed := 0, 0
	events := c.drain()
	for _, e := range events {
		if e.Kind == plant.EventChange {
			changed[e.Alarm] = true
		}
	}
	after := describeRules(c, now)
	for name := range before {
		if _, still := after[name]; !still {
			removed++
		}
	}
	for i, spec := range c.rules.Alarms() {
		was, known := before[spec.Name]
		is := after[spec.Name]
		if !known {
			added++
			continue
		}
		if was.hash == is.hash {
			continue
		}
		// The engine journals what changed in a definition; the condition is
		// known here only.
		text := ""
		switch {
		case was.words != is.words:
			text = fmt.Sprintf("condition %q -> %q", was.words, is.words)
		case !changed[spec.Name]:
			text = "a tag beneath its condition is worked out otherwise"
		}
		changed[spec.Name] = true
		if text != "" {
			st := c.alarms.Status(i)
			events = append(events, plant.Event{Time: now, Kind: plant.EventChange, Alarm: spec.Name, Source: spec.Source, Area: spec.Area,
				Occurrence: st.Occurrence, Priority: spec.Priority, State: st.Code, Before: st.Code, Reason: "rules reloaded", Text: text})
		}
	}
	edited := len(changed) - added - removed
	sum = fmt.Sprintf("%d alarms: %d added, %d removed, %d changed; rule files %s", len(after), added, removed, edited, mark)
	events = append(events, plant.Event{Time: now, Kind: plant.EventConfig, Source: systemOwner, Text: "rules reloaded: " + sum})
	l.store(events, now, false)
	l.scan(now)
	return sum, nil
}

// ruleText is an alarm's rule as far as the engine does not know it.
type ruleText struct{ hash, words string }

func describeRules(c *core, at time.Time) map[string]ruleText {
	m := map[string]ruleText{}
	for i, spec := range c.rules.Alarms() {
		x := c.rules.Explain(i, c.frame, at)
		words := x.Words
		if x.OnlyWords != "" {
			words += "; only while " + x.OnlyWords
		}
		if x.SuppressWords != "" {
			words += "; suppressed while " + x.SuppressWords
		}
		m[spec.Name] = ruleText{c.rules.Hash(i), words}
	}
	return m
}

// adopt takes over the rules of another core, made from the same plant file, and
// keeps everything that has been gathered: quantities, windows, the state of
// alarms of the same name. Only the tags of rules may differ, and they stand
// behind all others. An error changes nothing.
func (c *core) adopt(next *core, now time.Time) error {
	fixed := func(h *plant.House) []plant.Tag {
		n := slices.IndexFunc(h.Tags, func(t plant.Tag) bool { return t.Source == plant.Ruled })
		if n < 0 {
			n = len(h.Tags)
		}
		return h.Tags[:n]
	}
	if !slices.EqualFunc(fixed(c.house), fixed(next.house), func(a, b plant.Tag) bool { return a.Path == b.Path && a.Unit == b.Unit && a.Source == b.Source }) {
		return errors.New("the tags of the plant differ: that takes a restart")
	}
	if err := c.alarms.Reload(next.rules.Alarms(), alerting.Change{Reason: "rules reloaded"}, now); err != nil {
		return fmt.Errorf("alarm definitions: %w", err)
	}
	next.rules.Adopt(c.rules)
	frame := plant.NewFrame(len(next.house.Tags))
	frame.At = c.frame.At
	for id := range next.house.Tags {
		if t, ok := c.house.Find(next.house.Tags[id].Path); ok && t.Unit == next.house.Tags[id].Unit {
			frame.Points[id] = c.frame.Point(t.ID)
		}
	}
	c.house, c.frame, c.rules = next.house, frame, next.rules
	for i := range c.rules.Alarms() {
		if x := c.rules.Explain(i, c.frame, now); x.SuppressWords == "" {
			c.alarms.SuppressWhile(i, plantState, plant.False, "no rule suppresses it any longer", now)
		}
		// Setpoints may have moved: alarms on measured tags are asked at once,
		// as of their newest sample; the others at the next scan.
		if at, ok := c.sampled(i, now); ok {
			c.feed(i, c.rules.Input(i, c.frame, at))
		}
	}
	return nil
}

// sampled gives the time of the newest sample of an alarm that reads measured
// and fixed tags only, but not before what it was fed last.
func (c *core) sampled(alarm int, now time.Time) (at time.Time, ok bool) {
	at = c.alarms.Status(alarm).InputTime
	for _, id := range c.rules.Inputs(alarm) {
		if s := c.house.Tags[id].Source; s != plant.Measured && s != plant.Fixed {
			return at, false
		}
		if t := c.frame.Point(id).Time; t.After(at) {
			at = t
		}
	}
	if at.IsZero() || at.After(now) {
		at = now
	}
	return at, true
}
