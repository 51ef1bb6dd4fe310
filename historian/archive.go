package historian

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"sync"
	"time"

	"calandria/plant"
)

// Options of an archive. The zero value is usable.
type Options struct {
	// Hot is how long values stay in SQLite before they move to Parquet;
	// default 6 h.
	Hot time.Duration
	// Keep is how long raw values are kept; default 400 days. Roll-ups are
	// kept for ever.
	Keep time.Duration
	// Commit is the time between commits of Run; default 1 s.
	Commit time.Duration
	// Queue is how many samples may wait in memory for the disk; default
	// 500,000. When it is full Append refuses the newest, counts them, and a
	// Bad_DataLost sample marks the gap once writing works again.
	Queue int
	// Logger gets what an administrator should know; default none.
	Logger *slog.Logger
	// Now is the clock of moving and retention; default time.Now.
	Now func() time.Time
	// ReadOnly is for reading beside a running program: nothing is stored,
	// moved or removed.
	ReadOnly bool
	// Files is the file layer of the Parquet part; default the real one.
	Files FileLayer
}

// Record is a sample of the tag with a path.
type Record = plant.Record

// TagInfo describes a tag to the archive.
type TagInfo struct {
	Path    string
	Unit    string
	Meaning string
	// Resolution is the step, in Unit, below which a value means nothing; 0
	// keeps values exactly. Values are rounded to the largest power of two not
	// above it, which leaves a plain float64 that compresses to a third.
	Resolution float64
}

// Health says how the archive is doing.
type Health struct {
	OK         bool  // the last commit and the last maintenance worked
	LastError  error // of the last failure, kept after recovery; nil if none
	LastErrorT time.Time
	LastCommit time.Time
	Pending    int    // samples in memory, waiting for the disk
	Stored     uint64 // samples committed since Open
	Refused    uint64 // samples refused because the queue was full
	HotRows    int64  // rows in hot.db, as of the last maintenance
	Files      int    // Parquet files
}

var errReadOnly = errors.New("it was opened for reading only")

// ErrQueueFull is the reason of Append when the disk has refused for so long
// that no more samples can wait in memory.
var ErrQueueFull = errors.New("archive queue is full")

// Archive stores points by tag path. All methods may be called from any
// goroutine. Only Run starts goroutines, and it joins them.
type Archive struct {
	dir string
	opt Options
	fl  FileLayer
	log *slog.Logger

	hot *hotStore

	mu       sync.Mutex // guards the fields below
	pending  []hotRow
	tags     map[string]*tagEntry // by path: the tag as described last
	byID     map[int64]*tagEntry
	last     map[string]plant.Point
	lost     map[string]int64 // path -> time of the first refused sample
	failing  error
	health   Health
	newTags  []*tagEntry // not yet in hot.db
	nextID   int64
	flushing sync.Mutex // one flush at a time, so that order is kept

	cold *coldStore

	maintaining sync.Mutex
	mergedAt    map[int64]time.Time // by month; guarded by maintaining
}

// tagEntry is one line of the tag dictionary. A path whose unit changed has
// several; each sample refers to the one it was stored under.
type tagEntry struct {
	id         int64
	path, unit string
	meaning    string
	resolution float64
	step       float64 // power of two, 0 for exact
}

type hotRow struct {
	tag    int64
	time   int64 // ns since 1970 UTC
	value  float64
	status uint32
}

// Open opens or creates the archive in dir. It starts nothing.
func Open(dir string, opt Options) (*Archive, error) {
	if opt.Hot <= 0 {
		opt.Hot = 6 * time.Hour
	}
	if opt.Keep <= 0 {
		opt.Keep = 400 * 24 * time.Hour
	}
	if opt.Commit <= 0 {
		opt.Commit = time.Second
	}
	if opt.Queue <= 0 {
		opt.Queue = 500_000
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Files == nil {
		opt.Files = osFiles{}
	}
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	a := &Archive{
		dir: dir, opt: opt, fl: opt.Files, log: opt.Logger,
		tags: map[string]*tagEntry{}, byID: map[int64]*tagEntry{},
		last: map[string]plant.Point{}, lost: map[string]int64{},
	}
	if err := a.fl.MkdirAll(dir); err != nil {
		return nil, fmt.Errorf("open archive %s: %w", dir, err)
	}
	var err error
	if a.hot, err = openHot(filepath.Join(dir, "hot.db")); err != nil {
		return nil, fmt.Errorf("open archive %s: %w", dir, err)
	}
	entries, err := a.hot.loadTags()
	if err != nil {
		a.hot.close()
		return nil, fmt.Errorf("open archive %s: read tag dictionary: %w", dir, err)
	}
	for _, e := range entries {
		a.byID[e.id] = e
		a.tags[e.path] = e // ordered by use: the last described wins
		a.nextID = max(a.nextID, e.id)
	}
	if a.cold, err = openCold(dir, a.fl, a.log, opt.ReadOnly); err != nil {
		a.hot.close()
		return nil, fmt.Errorf("open archive %s: %w", dir, err)
	}
	if !opt.ReadOnly {
		if err := a.resumeRewrites(); err != nil {
			a.Close()
			return nil, fmt.Errorf("open archive %s: %w", dir, err)
		}
	}
	a.health.OK = true
	return a, nil
}

// Close commits what waits and closes the files. It must not be called while
// Run is running.
func (a *Archive) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	ferr := a.Flush(ctx)
	a.cold.close()
	return errors.Join(ferr, a.hot.close())
}

// Describe tells the archive unit, meaning and resolution of tags. A path keeps
// its history when it is described again; samples already stored keep the unit
// they were stored with.
func (a *Archive) Describe(infos ...TagInfo) error {
	if a.opt.ReadOnly {
		return fmt.Errorf("describe tags: %w", errReadOnly)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, in := range infos {
		if in.Path == "" {
			return errors.New("describe tag: the path is empty")
		}
		if math.IsNaN(in.Resolution) || math.IsInf(in.Resolution, 0) || in.Resolution < 0 {
			return fmt.Errorf("describe tag %s: resolution %v; give 0 or a positive step in the tag's unit", in.Path, in.Resolution)
		}
		a.describe(in)
	}
	return nil
}

// describe needs a.mu.
func (a *Archive) describe(in TagInfo) *tagEntry {
	if e := a.tags[in.Path]; e != nil && e.unit == in.Unit {
		if e.meaning != in.Meaning || e.resolution != in.Resolution {
			e.meaning, e.resolution, e.step = in.Meaning, in.Resolution, binaryStep(in.Resolution)
			a.newTags = append(a.newTags, e)
		}
		return e
	}
	// The same path with this unit may exist from an earlier configuration.
	for _, e := range a.byID {
		if e.path == in.Path && e.unit == in.Unit {
			e.meaning, e.resolution, e.step = in.Meaning, in.Resolution, binaryStep(in.Resolution)
			a.tags[in.Path] = e
			a.newTags = append(a.newTags, e)
			return e
		}
	}
	a.nextID++
	e := &tagEntry{id: a.nextID, path: in.Path, unit: in.Unit, meaning: in.Meaning,
		resolution: in.Resolution, step: binaryStep(in.Resolution)}
	a.tags[in.Path], a.byID[e.id] = e, e
	a.newTags = append(a.newTags, e)
	return e
}

// binaryStep is the largest power of two not above resolution.
func binaryStep(resolution float64) float64 {
	if resolution <= 0 {
		return 0
	}
	return math.Exp2(math.Floor(math.Log2(resolution)))
}

// settle brings a value to what is stored: rounded to the tag's step, NaN for
// no value, and never a usable status on a value that is not a number.
func settle(e *tagEntry, p plant.Point) (value float64, status uint32) {
	value, status = p.Value, p.Quality.Code()
	if math.IsNaN(value) || math.IsInf(value, 0) {
		if !p.Quality.IsBad() {
			status = plant.BadOutOfRange.Code()
		}
		return math.NaN(), status
	}
	if e.step > 0 {
		if r := math.Round(value/e.step) * e.step; !math.IsInf(r, 0) {
			value = r
		}
	}
	return value + 0, status // +0 turns -0 into 0
}

// minTime and maxTime bound what fits in int64 ns with room for arithmetic.
var (
	minTime = time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)
	maxTime = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
)

// Append takes samples; it returns at once and never blocks on the disk. A nil
// error means they wait in memory for the next commit, or are found there
// already. After a failed commit the error says so although the samples were
// taken, so that the caller can raise its alarm; ErrQueueFull means that at
// least one sample was refused. Unknown paths are added without a unit. Points
// without a plausible time (before 1900 or after 2200) are refused.
func (a *Archive) Append(recs []Record) error {
	if a.opt.ReadOnly {
		return fmt.Errorf("append to archive: %w", errReadOnly)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	var bad, refused int
	var badPath string
	for i := range recs {
		r := &recs[i]
		e := a.tags[r.Path]
		if e == nil {
			if r.Path == "" {
				bad++
				continue
			}
			e = a.describe(TagInfo{Path: r.Path})
		}
		if r.Point.Time.Before(minTime) || r.Point.Time.After(maxTime) {
			bad++
			badPath = r.Path
			continue
		}
		ns := r.Point.Time.UnixNano()
		if len(a.pending) >= a.opt.Queue {
			refused++
			if t, ok := a.lost[r.Path]; !ok || ns < t {
				a.lost[r.Path] = ns
			}
			continue
		}
		v, s := settle(e, r.Point)
		a.pending = append(a.pending, hotRow{tag: e.id, time: ns, value: v, status: s})
		if l, ok := a.last[r.Path]; !ok || !r.Point.Time.Before(l.Time) {
			a.last[r.Path] = plant.Point{Time: r.Point.Time.UTC(), Value: v, Quality: plant.QualityOf(s)}
		}
	}
	a.health.Refused += uint64(refused)
	switch {
	case refused > 0:
		return fmt.Errorf("append to archive: %d samples refused, %d wait: %w", refused, len(a.pending), errors.Join(ErrQueueFull, a.failing))
	case bad > 0:
		return fmt.Errorf("append to archive: %d samples without path or with a time outside 1900..2200 refused, such as of %q", bad, badPath)
	case a.failing != nil:
		return fmt.Errorf("append to archive: %d samples wait in memory because the last write failed: %w", len(a.pending), a.failing)
	}
	return nil
}

// Flush commits everything appended so far. When it returns nil those samples
// are durable. On failure they stay in memory and the next Flush tries again.
func (a *Archive) Flush(ctx context.Context) error {
	a.flushing.Lock()
	defer a.flushing.Unlock()
	a.mu.Lock()
	left := len(a.pending)
	a.mu.Unlock()
	for {
		n, err := a.flushSome(ctx, min(left, flushRows))
		if err != nil {
			return err
		}
		if left -= n; left <= 0 {
			return nil
		}
	}
}

// flushRows is how many samples one transaction takes: a long queue is then
// worked off bit by bit, and a disk that still refuses is tried cheaply.
const flushRows = 20_000

// flushSome commits the oldest n samples; needs a.flushing.
func (a *Archive) flushSome(ctx context.Context, n int) (int, error) {
	a.mu.Lock()
	rows, tags := a.pending[:n:n], a.newTags // capped: Append goes on behind it
	tagCopies := make([]tagEntry, len(tags))
	for i, e := range tags {
		tagCopies[i] = *e
	}
	marks := map[string]int64{}
	if len(a.pending) < a.opt.Queue { // nothing is refused any more: mark the gaps
		for path, ns := range a.lost {
			marks[path] = ns
			rows = append(rows, hotRow{tag: a.tags[path].id, time: ns, value: math.NaN(), status: plant.BadDataLost.Code()})
		}
	}
	a.mu.Unlock()
	if len(rows) == 0 && len(tags) == 0 {
		return n, nil
	}
	added, err := a.hot.insert(ctx, tagCopies, rows)
	a.mu.Lock()
	defer a.mu.Unlock()
	if err != nil {
		err = fmt.Errorf("commit samples to archive %s: %w", a.dir, err)
		if a.failing == nil {
			a.log.Error("archive cannot write; samples wait in memory", "waiting", len(a.pending), "err", err)
		}
		a.fail(err)
		a.failing = err
		return 0, err
	}
	if a.failing != nil {
		a.log.Info("archive writes again", "waiting", len(a.pending))
	}
	a.failing = nil
	a.health.LastCommit = a.opt.Now()
	a.health.Stored += uint64(added)
	if a.pending = a.pending[n:]; len(a.pending) == 0 {
		a.pending = nil
	}
	a.newTags = a.newTags[len(tags):]
	for path, ns := range marks {
		if a.lost[path] == ns {
			delete(a.lost, path)
		}
	}
	return n, nil
}

// fail needs a.mu.
func (a *Archive) fail(err error) {
	a.health.LastError, a.health.LastErrorT = err, a.opt.Now()
}

// Health reports how the archive is doing.
func (a *Archive) Health() Health {
	a.mu.Lock()
	defer a.mu.Unlock()
	h := a.health
	h.OK = a.failing == nil && h.OK
	h.Pending = len(a.pending)
	h.Files = a.cold.count()
	return h
}

// Run commits about every second and does the moving, merging, roll-ups and
// retention in the background, until ctx ends; then it commits once more. An
// error of the disk does not end it: see Health.
func (a *Archive) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	wg.Go(func() {
		t := time.NewTicker(a.opt.Commit)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-t.C:
				a.Flush(ctx) // a failure is kept in Health and returned by Append
			}
		}
	})
	wg.Go(func() {
		t := time.NewTicker(time.Minute)
		defer t.Stop()
		for {
			if err := a.Maintain(ctx); err != nil && ctx.Err() == nil {
				a.log.Error("archive maintenance failed; tried again in a minute", "err", err)
			}
			select {
			case <-ctx.Done():
				return
			case <-t.C:
			}
		}
	})
	wg.Wait()
	fctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	return a.Flush(fctx)
}

// tagsOf lists the dictionary entries of a path, all units.
func (a *Archive) tagsOf(path string) []tagEntry {
	a.mu.Lock()
	defer a.mu.Unlock()
	var es []tagEntry
	for _, e := range a.byID {
		if e.path == path {
			es = append(es, *e)
		}
	}
	return es
}
