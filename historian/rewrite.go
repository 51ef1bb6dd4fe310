package historian

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"calandria/plant"
)

// stagedDir holds rewrites that are not in force yet: Parquet files, and for
// each rewrite NAME a NAME.state; from the moment on when all is to count also
// a NAME.commit.
const stagedDir = "staged"

// Rewrite tells a stretch of some tags anew, such as calculated values after a
// correction. Until Commit nothing changes for readers; then all of the new
// values are in force in one step, and of the old ones in the stretch none is,
// also at times that do not recur. It may be interrupted, also by a kill, and
// goes on from the last Save. It is for one goroutine, and one of a name at a
// time.
type Rewrite struct {
	a     *Archive
	name  string
	w     *BulkWriter
	state rewriteState
	// committed: it only remains to move the files.
	committed bool
}

// rewriteState is NAME.state and NAME.commit.
type rewriteState struct {
	From, To, Reached int64
	Paths             []string // sorted
	Files             []stagedFile
	Next              int // number of the next file
	Data              []byte
	Base              uint64 // in NAME.commit: version of the first file
}

// stagedFile is a file that waits and the head it has.
type stagedFile struct {
	Name     string
	From, To int64
}

// Rewrite begins, or goes on with, the rewrite of a name (letters and digits,
// such as the number of its job) over [from, to). It goes on if the last one of
// that name had the same paths and stretch; otherwise what was left is dropped.
func (a *Archive) Rewrite(ctx context.Context, name string, paths []string, from, to time.Time) (*Rewrite, error) {
	if a.opt.ReadOnly {
		return nil, fmt.Errorf("rewrite: %w", errReadOnly)
	}
	if name == "" || strings.ContainsAny(name, "./_\\") || len(paths) == 0 || !from.Before(to) {
		return nil, errors.New("rewrite: it needs a name of letters and digits, paths, and a stretch")
	}
	r := &Rewrite{a: a, name: name}
	r.state = rewriteState{From: plant.Nanos(from), To: plant.Nanos(to), Reached: plant.Nanos(from), Paths: slices.Sorted(slices.Values(paths))}
	r.state.Paths = slices.Compact(r.state.Paths)
	r.w = a.Bulk(ctx, nil)
	r.w.write, r.w.most = r.stage, rewriteRows
	if err := a.fl.MkdirAll(filepath.Join(a.dir, stagedDir)); err != nil {
		return nil, fmt.Errorf("rewrite: %w", err)
	}
	old, err := a.readRewrite(name + ".state")
	var damaged *CheckpointError
	switch {
	case err == nil && old.From == r.state.From && old.To == r.state.To && slices.Equal(old.Paths, r.state.Paths):
		r.state = old
	case err != nil && !errors.Is(err, fs.ErrNotExist) && !errors.As(err, &damaged):
		return nil, fmt.Errorf("rewrite: %w", err)
	}
	return r, a.sweepStaged(name, r.state.Files)
}

func (a *Archive) readRewrite(file string) (s rewriteState, err error) {
	err = loadJSON(a.fl, filepath.Join(a.dir, stagedDir), file, &s)
	return s, err
}

// sweepStaged removes what is of the name but not among keep.
func (a *Archive) sweepStaged(name string, keep []stagedFile) error {
	dir := filepath.Join(a.dir, stagedDir)
	files, err := a.fl.List(dir)
	if err != nil {
		return err
	}
	for _, f := range files {
		if strings.HasPrefix(f, name+"_") && !slices.ContainsFunc(keep, func(s stagedFile) bool { return s.Name == f }) {
			if err := a.fl.Remove(filepath.Join(dir, f)); err != nil {
				return err
			}
		}
	}
	return nil
}

// Reached is the time from which on values are to be added: at first the start
// of the stretch, later what Save was told last.
func (r *Rewrite) Reached() time.Time { return time.Unix(0, r.state.Reached).UTC() }

// Data is what Save was given last.
func (r *Rewrite) Data() []byte { return r.state.Data }

// Add takes samples of one of the paths, inside the stretch.
func (r *Rewrite) Add(path string, points ...plant.Point) error {
	if _, ok := slices.BinarySearch(r.state.Paths, path); !ok {
		return fmt.Errorf("rewrite: %s is not among the tags that are told anew", path)
	}
	for i := range points {
		if t := points[i].Time; plant.Nanos(t) < r.state.Reached || plant.Nanos(t) >= r.state.To {
			return fmt.Errorf("rewrite: %s has a value of %s, outside what is told anew", path, t.UTC().Format(time.RFC3339))
		}
	}
	return r.w.Add(path, points...)
}

// Save makes durable what was added, with data that the caller needs to go on
// from reached.
func (r *Rewrite) Save(reached time.Time, data []byte) error {
	if err := r.w.flush(); err != nil {
		return fmt.Errorf("rewrite: %w", err)
	}
	r.state.Reached, r.state.Data = plant.Nanos(reached), data
	return r.note(".state")
}

func (r *Rewrite) note(suffix string) error {
	if err := storeJSON(r.a.fl, filepath.Join(r.a.dir, stagedDir), r.name+suffix, &r.state); err != nil {
		return fmt.Errorf("rewrite: %w", err)
	}
	return nil
}

// stage writes a file that is not in force yet.
func (r *Rewrite) stage(head fileHead, fill fillFile) error {
	f := stagedFile{Name: fmt.Sprintf("%s_%06d.parquet", r.name, r.state.Next)}
	path := filepath.Join(r.a.dir, stagedDir, f.Name)
	_, err := head.write(r.a.fl, path, fill, func() string { return path })
	if errors.Is(err, errNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	f.From, f.To = head.From, head.To
	r.state.Next++
	r.state.Files = append(r.state.Files, f)
	return nil
}

// Commit puts the new values in force. After an error the old ones are, and it
// may be tried again; only if the disk failed in the very last step, when no
// space is needed any more, the next Commit or Open ends it.
func (r *Rewrite) Commit(ctx context.Context) error {
	a := r.a
	if err := r.w.Close(); err != nil {
		return fmt.Errorf("rewrite: %w", err)
	}
	a.maintaining.Lock()
	defer a.maintaining.Unlock()
	if !r.committed {
		values := r.state.Files
		if err := r.decide(ctx); err != nil {
			r.state.Files = values
			return fmt.Errorf("rewrite: the old values stay in force: %w", err)
		}
		r.committed = true
	}
	if err := a.finishRewrite(r.name, r.state); err != nil {
		return err
	}
	a.mu.Lock()
	for _, p := range r.state.Paths {
		if e := a.tags[p]; e != nil {
			e.last = plant.Point{}
		}
	}
	a.mu.Unlock()
	return a.forwarding.add(r.state.From, r.state.To)
}

// decide writes all that needs space, last the record that makes it count.
func (r *Rewrite) decide(ctx context.Context) error {
	a := r.a
	// Old values that are still hot would come behind the new ones later.
	if err := a.Flush(ctx); err != nil {
		return err
	}
	a.flushing.Lock()
	a.hot.seal()
	a.flushing.Unlock()
	if err := a.move(); err != nil {
		return err
	}
	// The marks that hide the old values, one a month, come first: their
	// versions are below those of the new values.
	values := r.state.Files
	r.state.Files = nil
	for from := r.state.From; from < r.state.To; {
		_, to := monthOf(from)
		to = min(to, r.state.To)
		head := fileHead{From: from, To: to, Tick: 1_000_000, Hides: []hide{{Paths: r.state.Paths, From: from, To: to}}}
		if err := r.stage(head, fillRaw(func(func(*taggedSeries) error) error { return nil })); err != nil {
			return err
		}
		from = to
	}
	r.state.Files = append(r.state.Files, values...)
	a.cold.mu.Lock()
	r.state.Base = a.cold.version + 1
	a.cold.version += uint64(len(r.state.Files))
	a.cold.mu.Unlock()
	return r.note(".commit")
}

// Abandon drops a rewrite; the old values stay in force.
func (r *Rewrite) Abandon() error {
	if r.committed {
		return errors.New("rewrite: it is in force already")
	}
	r.w.closed = true
	return errors.Join(r.a.sweepStaged(r.name, nil), r.a.removeStaged(r.name+".state"))
}

func (a *Archive) removeStaged(file string) error {
	if _, err := a.readRewrite(file); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return a.fl.Remove(filepath.Join(a.dir, stagedDir, file))
}

// finishRewrite moves the files of a committed rewrite to their place; what was
// moved before a crash is there already.
func (a *Archive) finishRewrite(name string, s rewriteState) error {
	there, err := a.fl.List(filepath.Join(a.dir, stagedDir))
	if err != nil {
		return fmt.Errorf("rewrite: %w", err)
	}
	var fresh []*coldFile
	for i, f := range s.Files {
		v := s.Base + uint64(i)
		final := (&fileHead{From: f.From, To: f.To}).fileName(kindRaw, v)
		c := &coldFile{store: a.cold, kind: kindRaw, name: final, path: filepath.Join(a.dir, kindRaw, final), version: v}
		if slices.Contains(there, f.Name) {
			if err := a.fl.Rename(filepath.Join(a.dir, stagedDir, f.Name), c.path); err != nil {
				return fmt.Errorf("rewrite: put into force: %w", err)
			}
		}
		err := c.readHead()
		if errors.Is(err, fs.ErrNotExist) {
			continue // it was in force before, and has been merged since
		}
		if err != nil {
			return fmt.Errorf("rewrite: put into force: read %s: %w", c.path, err)
		}
		fresh = append(fresh, c)
	}
	if err := a.fl.SyncDir(filepath.Join(a.dir, kindRaw)); err != nil {
		return fmt.Errorf("rewrite: put into force: %w", err)
	}
	a.cold.put(kindRaw, fresh, nil)
	// The state first: a commit without it is finished once more and no harm.
	return errors.Join(a.removeStaged(name+".state"), a.removeStaged(name+".commit"), a.sweepStaged(name, nil))
}

// resumeRewrites finishes at the start what was committed before a crash.
func (a *Archive) resumeRewrites() error {
	dir := filepath.Join(a.dir, stagedDir)
	if err := a.fl.MkdirAll(dir); err != nil {
		return err
	}
	files, err := a.fl.List(dir)
	if err != nil {
		return err
	}
	for _, f := range files {
		if strings.HasSuffix(f, ".tmp") {
			a.fl.Remove(filepath.Join(dir, f))
			continue
		}
		name, ok := strings.CutSuffix(f, ".commit")
		if !ok {
			continue
		}
		s, err := a.readRewrite(f)
		if err != nil {
			a.log.Error("a rewrite that was to come in force cannot be read and is left out; ask for it again", "name", name, "err", err)
			continue
		}
		// The set was read before: without what is moved now, and with what was.
		a.cold.forgetVersions(s.Base, s.Base+uint64(len(s.Files)))
		if err := a.finishRewrite(name, s); err != nil {
			return err
		}
		a.cold.version = max(a.cold.version, s.Base+uint64(len(s.Files)))
	}
	return nil
}

// forgetVersions takes files with versions in [from, to) out of the set, not
// off the disk.
func (s *coldStore) forgetVersions(from, to uint64) {
	s.files[kindRaw] = slices.DeleteFunc(s.files[kindRaw], func(c *coldFile) bool { return c.version >= from && c.version < to })
}
