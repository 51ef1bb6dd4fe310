// Package marks keeps checkpoints of the past, one a day.
package marks

import (
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"time"

	"calandria/historian"
)

// Folder holds checkpoints of the past, one a day: who lives
// through a stretch of the past again begins with the newest one before it. It is
// for one goroutine.
type Folder struct {
	Dir  string
	last time.Time // the newest that was kept
}

const (
	markEvery  = 24 * time.Hour
	markSuffix = ".checkpoint"
	markTime   = "20060102T150405Z"
	// Marks of the last days are all kept, of the time before one a week. Ours: a
	// correction mostly begins some days back, and a week is lived through in seconds.
	marksDaily, marksMost = 8 * 24 * time.Hour, 92 * 24 * time.Hour
)

// times lists the marks, the oldest first. A folder that is not there has none.
func (m *Folder) times() []time.Time {
	entries, err := os.ReadDir(m.Dir)
	if err != nil {
		return nil
	}
	var all []time.Time
	for _, e := range entries {
		if at, err := time.Parse(markTime+markSuffix, e.Name()); err == nil {
			all = append(all, at)
		}
	}
	slices.SortFunc(all, time.Time.Compare)
	return all
}

func markName(at time.Time) string { return at.UTC().Format(markTime) + markSuffix }

// Keep stores a mark, with what data gives, for a day that has none from this Folder
// yet. at is the moment or a little later. Marks of long ago are thinned.
func (m *Folder) Keep(at time.Time, data func() ([]byte, error)) error {
	if !at.Truncate(markEvery).After(m.last) {
		return nil
	}
	state, err := data()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(m.Dir, 0o750); err != nil {
		return fmt.Errorf("keep a checkpoint of the day: %w", err)
	}
	if err := historian.WriteCheckpoint(m.Dir, markName(at), state); err != nil {
		return err
	}
	m.last = at
	all := m.times()
	newest := all[len(all)-1]
	week := func(t time.Time) int64 { return t.Unix() / (7 * 24 * 3600) }
	var errs []error
	for i, t := range all {
		age := newest.Sub(t)
		if age > marksMost || age > marksDaily && i > 0 && week(all[i-1]) == week(t) {
			errs = append(errs, os.Remove(filepath.Join(m.Dir, markName(t))))
		}
	}
	return errors.Join(errs...)
}

// Before gives the marks from before a moment, the newest first. One that cannot be read
// is passed over.
func (m *Folder) Before(at time.Time) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		for _, t := range slices.Backward(m.times()) {
			if !t.Before(at) {
				continue
			}
			if data, err := historian.ReadCheckpoint(m.Dir, markName(t)); err == nil && !yield(data) {
				return
			}
		}
	}
}

// Forget removes the marks after a moment: what was known then is told anew.
func (m *Folder) Forget(after time.Time) error {
	var errs []error
	for _, t := range m.times() {
		if t.After(after) {
			errs = append(errs, os.Remove(filepath.Join(m.Dir, markName(t))))
		}
	}
	return errors.Join(errs...)
}
