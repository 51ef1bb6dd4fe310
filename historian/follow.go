package historian

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"time"

	"calandria/plant"
)

// forwarding is the forwarder's place in the archive, kept in a checkpoint of
// that name: what it has passed of the log, and stretches of time that are to be
// read from the archive. Without a Name nobody forwards.
type forwarding struct {
	a     *Archive
	mu    sync.Mutex
	saved time.Time
	forwardPlace
}

type forwardPlace struct {
	Name      string
	Segment   uint64 // everything before Offset of this segment is passed
	Offset    int64
	Stretches []stretch
}

// stretch is a span of time that left the log before it was passed, or came
// in beside it; what is before Lo is dealt with.
type stretch struct{ Lo, Hi int64 }

const forwardFile = "forward"

// forwardSave is how old the stored place may be: after a kill the samples of
// this time are sent once more.
const forwardSave = 5 * time.Second

func (w *forwarding) open(a *Archive) {
	w.a = a
	if err := loadJSON(a.fl, a.dir, forwardFile, &w.forwardPlace); err != nil && !errors.Is(err, fs.ErrNotExist) {
		a.log.Error("the forwarder's place in the archive cannot be read; it begins again with the log", "err", err)
	}
}

func (w *forwarding) save() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.store()
}

// store needs w.mu.
func (w *forwarding) store() error {
	if w.Name == "" || w.a == nil || w.a.opt.ReadOnly {
		return nil
	}
	if err := storeJSON(w.a.fl, w.a.dir, forwardFile, &w.forwardPlace); err != nil {
		return fmt.Errorf("forward: keep the place in the archive: %w", err)
	}
	w.saved = time.Now()
	return nil
}

// add notes that [lo, hi) has to be read again, a month at a time.
func (w *forwarding) add(lo, hi int64) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.Name == "" {
		return nil
	}
	for lo < hi {
		_, end := monthOf(lo)
		w.resend(stretch{lo, min(end, hi)})
		lo = end
	}
	return w.store()
}

// resend adds a stretch; needs w.mu.
func (w *forwarding) resend(s stretch) {
	w.Stretches = append(w.Stretches, s)
	slices.SortFunc(w.Stretches, func(x, y stretch) int { return cmp.Compare(x.Lo, y.Lo) })
}

// leaves notes, before a segment leaves the log, what of it is not passed.
func (w *forwarding) leaves(s *segment) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.Name == "" || s.n < w.Segment || s.n == w.Segment && w.Offset >= s.size {
		return nil
	}
	w.resend(stretch{s.min, s.max + 1})
	return w.store()
}

// Behind is what a follower has not passed yet.
type Behind struct {
	Oldest    time.Time // of it; zero: nothing is known to wait
	Stretches int       // stretches of history that wait
}

// behind needs w.mu.
func (w *forwarding) behind() (b Behind) {
	if b.Stretches = len(w.Stretches); b.Stretches > 0 {
		b.Oldest = time.Unix(0, w.Stretches[0].Lo)
	}
	return b
}

// Follow hands samples that the follower of a name has not passed to pass: first what
// is new in the log, then history in order of time. They are passed when pass gives no
// error; after a kill those of some seconds come again. It returns how many were dealt
// with, 0 when the follower is in step. There is one follower at a time; one of another
// name begins with what the log holds.
//
// Samples of history in a unit that their tag no longer has are left out.
func (a *Archive) Follow(ctx context.Context, name string, pass func([]plant.Record) error) (n int, left Behind, err error) {
	w := &a.forwarding
	w.mu.Lock()
	if w.Name != name { // the place of another target does not concern this one
		w.forwardPlace = forwardPlace{Name: name}
		err = w.store()
	}
	segment, offset, waiting := w.Segment, w.Offset, slices.Clone(w.Stretches)
	w.mu.Unlock()
	if err != nil {
		return 0, left, err
	}
	rows, segment, offset, err := a.hot.after(segment, offset)
	switch {
	case err != nil:
		return 0, left, fmt.Errorf("forward: read archive: %w", err)
	case len(rows) > 0:
		n, err = len(rows), pass(a.recordsOf(rows))
	case len(waiting) > 0:
		return a.followHistory(ctx, waiting[0], pass)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if left = w.behind(); err != nil {
		if left.Stretches == 0 {
			left.Oldest = time.Unix(0, rows[0].time)
		}
		return 0, left, err
	}
	if w.Segment, w.Offset = segment, offset; n > 0 && time.Since(w.saved) >= forwardSave {
		err = w.store()
	}
	return n, left, err
}

func (a *Archive) recordsOf(rows []hotRow) []plant.Record {
	a.mu.Lock()
	defer a.mu.Unlock()
	records := make([]plant.Record, len(rows))
	for i, r := range rows {
		records[i] = plant.Record{Path: a.byID[r.tag].path, Point: plant.Point{Time: time.Unix(0, r.time), Value: r.value, Quality: plant.QualityOf(r.status)}}
	}
	return records
}

// historyStep is how many samples of history are passed before what is new.
const historyStep = 500_000

func (a *Archive) followHistory(ctx context.Context, s stretch, pass func([]plant.Record) error) (n int, _ Behind, err error) {
	var paths []string
	for _, t := range a.Tags() {
		paths = append(paths, t.Path)
	}
	done := s
	err = a.Merged(ctx, paths, time.Unix(0, s.Lo), time.Unix(0, s.Hi), func(block []plant.Sample) error {
		batch := make([]plant.Record, len(block))
		for i, x := range block {
			batch[i] = plant.Record{Path: paths[x.Tag], Point: x.Point}
		}
		if err := pass(batch); err != nil || len(batch) == 0 {
			return err
		}
		done.Lo = batch[len(batch)-1].Point.Time.UnixNano() // others of this time may follow
		if n += len(batch); n >= historyStep {
			return errStop
		}
		return nil
	})
	switch {
	case err == nil:
		done.Lo = s.Hi
	case errors.Is(err, errStop):
		err = nil
	default:
		err = fmt.Errorf("forward: %w", err)
	}
	w := &a.forwarding
	w.mu.Lock()
	defer w.mu.Unlock()
	i := slices.Index(w.Stretches, s)
	switch {
	case i < 0: // somebody began it anew meanwhile
	case done.Lo >= s.Hi:
		w.Stretches = slices.Delete(w.Stretches, i, i+1)
	default:
		w.Stretches[i] = done
	}
	if time.Since(w.saved) >= forwardSave || done.Lo >= s.Hi {
		err = errors.Join(err, w.store())
	}
	return max(n, 1), w.behind(), err
}
