package historian

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"time"

	"calandria/plant"
	"calandria/plant/files"
)

// Options of an archive. The zero value is usable.
type Options struct {
	// Hot is how long values stay in the log before they move to Parquet, if
	// a segment is not full earlier; default 6 h.
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
	// Site is the name of the house; it stands in every Parquet file.
	Site string
	// Logger gets what an administrator should know; default none.
	Logger *slog.Logger
	// Now is the clock of moving and retention; default time.Now.
	Now func() time.Time
	// ReadOnly is for reading beside a running program: nothing is stored,
	// moved or removed.
	ReadOnly bool
	// Beside is a further folder whose disk is watched for low space.
	Beside string
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
	// keeps values exactly. Values are rounded to the fewest decimals whose step
	// is not above it, as a float64 next to that decimal number; the Parquet
	// files say to how many.
	Resolution float64
	Class      string   `json:",omitempty"` // of the equipment
	Low, High  *float64 `json:",omitempty"` // range of the instrument, in Unit
	// States are the names of the values of a tag that counts states.
	States map[int]string `json:",omitempty"`
}

// Health says how the archive is doing.
type Health struct {
	OK        bool   // the last commit and the last maintenance worked
	LastError error  // of the last failure, kept after recovery; nil if none
	Pending   int    // samples in memory, waiting for the disk
	Stored    uint64 // samples committed since Open
	Refused   uint64 // samples refused because the queue was full
	Files     int    // Parquet files
	// FreePct is the free part of the disk, of the fuller one if there are two,
	// as of the last minute; NaN if the system does not tell.
	FreePct float64
	// Damage is what cannot be read of the archive: files that are gone, cut or
	// changed. It does not concern OK.
	Damage []Damage
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
	byPath   map[string][]*tagEntry
	byID     []*tagEntry      // the number is the index
	taken    uint64           // samples appended
	kept     uint64           // of these, on the disk
	waiters  []waiter         // by what they wait for
	lost     map[string]int64 // path -> time of the first refused sample
	failing  error
	health   Health
	newTags  bool       // the dictionary has to be stored
	flushing sync.Mutex // one flush at a time, so that order is kept
	rows     []hotRow   // of the flush; guarded by flushing

	cold *coldStore

	forwarding forwarding
	legacy     bool // hot.db is read, not taken over

	maintaining sync.Mutex
	mergedAt    map[mergeGroup]time.Time // guarded by maintaining
}

// waiter is called once so many samples are on the disk.
type waiter struct {
	taken  uint64
	stored func()
}

// tagEntry is one line of the tag dictionary. A path whose unit changed has
// several; each sample refers to the one it was stored under.
type tagEntry struct {
	id         int64
	decimals   int
	last       plant.Point // the newest, if its quality says that there is one
	path, unit string
	told       TagInfo // as described last
}

func (e *tagEntry) info() TagInfo {
	i := e.told
	i.Path, i.Unit = e.path, e.unit
	return i
}

// tagLine is what the dictionary file has of a tag.
type tagLine struct {
	TagInfo
	Former bool `json:",omitempty"` // the path has another unit now
}

type hotRow struct {
	tag      int64
	time     int64 // ns since 1970 UTC
	value    float64
	status   uint32
	decimals uint8
}

var nan = math.NaN()

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
		opt.Files = Disk{}
	}
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	a := &Archive{
		dir: dir, opt: opt, fl: opt.Files, log: opt.Logger,
		tags: map[string]*tagEntry{}, byPath: map[string][]*tagEntry{}, lost: map[string]int64{},
	}
	if err := a.fl.MkdirAll(dir); err != nil {
		return nil, fmt.Errorf("open archive %s: %w", dir, err)
	}
	if err := a.open(); err != nil {
		return nil, fmt.Errorf("open archive %s: %w", dir, err)
	}
	a.health.OK, a.health.FreePct = true, a.free()
	return a, nil
}

func (a *Archive) open() (err error) {
	if err := a.loadTags(); err != nil {
		return err
	}
	a.forwarding.open(a)
	a.hot = &hotStore{dir: filepath.Join(a.dir, hotDir), fl: a.fl, log: a.log,
		aside: func(path string, why error) error {
			return asideLayer(a.fl, a.log, a.opt.ReadOnly, path, a.opt.Now(), why)
		},
		tag: func(path, unit string) int64 { return a.entry(path, unit).id },
		named: func(id int64) (string, string, bool) {
			a.mu.Lock()
			defer a.mu.Unlock()
			if id < 0 || id >= int64(len(a.byID)) {
				return "", "", false
			}
			return a.byID[id].path, a.byID[id].unit, true
		},
	}
	if a.cold, err = openCold(a.dir, a.fl, a.log, a.opt.ReadOnly); err != nil {
		return err
	}
	a.cold.about = func(tags []fileEntry) string {
		var paths []string
		for _, t := range tags {
			paths = append(paths, t.Path)
		}
		return aboutJSON(a.opt.Site, a.Tags(), paths)
	}
	// Numbers of segments are not used twice while something refers to them.
	a.hot.next = a.forwarding.Segment
	for _, f := range a.cold.files[kindRaw] {
		a.hot.next = max(a.hot.next, f.head.Segment)
	}
	if err := a.hot.open(); err != nil {
		return err
	}
	if err := a.takeOver(); err != nil { // what was read of it is in the log
		if err := a.aside("hot.db", err); err != nil {
			return err
		}
	}
	if a.opt.ReadOnly {
		return nil
	}
	return a.resumeRewrites()
}

// free is the free part of the disk in %.
func (a *Archive) free() float64 {
	free := a.fl.FreePct(a.dir)
	if a.opt.Beside != "" {
		free = min(free, a.fl.FreePct(a.opt.Beside))
	}
	return free
}

// aside gives what stands in the way another name, so that the archive opens
// without it.
func (a *Archive) aside(name string, why error) error {
	return asideLayer(a.fl, a.log, a.opt.ReadOnly, filepath.Join(a.dir, name), a.opt.Now(), why)
}

func asideLayer(fl FileLayer, log *slog.Logger, readOnly bool, path string, now time.Time, why error) error {
	if readOnly {
		log.Error("part of the archive cannot be read and is left out", "file", path, "err", why)
		return nil
	}
	to := files.AsideName(path, now)
	if err := fl.Rename(path, to); err != nil {
		return errors.Join(why, err)
	}
	log.Error("part of the archive is damaged and set aside", "file", path, "now", to, "err", why)
	return nil
}

// tagsFile is the dictionary: a checkpoint with the tags as JSON; the number of
// a tag is its place in it.
const tagsFile = "tags"

func (a *Archive) loadTags() error {
	var lines []tagLine
	err := loadJSON(a.fl, a.dir, tagsFile, &lines)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		// Paths and units are in the log and in every Parquet file as well; the
		// meanings of tags that are no longer configured are lost.
		return a.aside(tagsFile, err)
	}
	for _, l := range lines {
		now := a.tags[l.Path]
		if a.describe(l.TagInfo); l.Former && now != nil {
			a.tags[l.Path] = now
		}
	}
	a.newTags = false
	return nil
}

// saveTags stores the dictionary.
func (a *Archive) saveTags() error {
	a.mu.Lock()
	lines := make([]tagLine, len(a.byID))
	for i, e := range a.byID {
		lines[i] = tagLine{TagInfo: e.info(), Former: a.tags[e.path] != e}
	}
	a.newTags = false
	a.mu.Unlock()
	err := storeJSON(a.fl, a.dir, tagsFile, lines)
	if err != nil {
		a.mu.Lock()
		a.newTags = true
		a.mu.Unlock()
	}
	return err
}

// Close commits what waits and closes the files. It must not be called while
// Run is running.
func (a *Archive) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	ferr := a.Flush(ctx)
	a.cold.close()
	a.hot.seal()
	return errors.Join(ferr, a.forwarding.save())
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
	e := a.entry(in.Path, in.Unit)
	if a.tags[in.Path] != e || !reflect.DeepEqual(e.told, in) {
		e.told, e.decimals = in, decimalsOf(in.Resolution)
		a.tags[in.Path] = e
		a.newTags = true
	}
	return e
}

// entry finds or makes the entry of a path and unit; needs a.mu.
func (a *Archive) entry(path, unit string) *tagEntry {
	for _, e := range a.byPath[path] {
		if e.unit == unit {
			return e
		}
	}
	e := &tagEntry{id: int64(len(a.byID)), decimals: exactDecimals, path: path, unit: unit}
	a.byID = append(a.byID, e)
	a.byPath[path] = append(a.byPath[path], e)
	if a.tags[path] == nil {
		a.tags[path] = e
	}
	a.newTags = true
	return e
}

// settle brings a value to what is stored: rounded to the tag's decimals, NaN for
// no value, and never a usable status on a value that is not a number.
func settle(e *tagEntry, p plant.Point) (value float64, status uint32) {
	value, status = p.Value, p.Quality.Code()
	if math.IsNaN(value) || math.IsInf(value, 0) {
		if !p.Quality.IsBad() {
			status = plant.BadOutOfRange.Code()
		}
		return math.NaN(), status
	}
	return roundTo(value, e.decimals) + 0, status // +0 turns -0 into 0
}

// Append takes samples; it returns at once and never blocks on the disk. A nil
// error means they wait in memory for the next commit, or are found there
// already. After a failed commit the error says so although the samples were
// taken, so that the caller can raise its alarm; ErrQueueFull means that at
// least one sample was refused. Unknown paths are added without a unit. Points
// without a plausible time (before 1900 or after 2200) are refused. Once the
// samples are durable stored is called, unless some were refused for a full
// queue; it must be short and not use the archive.
func (a *Archive) Append(recs []Record, stored ...func()) error {
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
		if r.Point.Time.Before(plant.MinTime) || r.Point.Time.After(plant.MaxTime) {
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
		a.pending = append(a.pending, hotRow{tag: e.id, time: ns, value: v, status: s, decimals: uint8(e.decimals)})
		if e.last.Quality == (plant.Quality{}) || !r.Point.Time.Before(e.last.Time) {
			e.last = plant.Point{Time: r.Point.Time.UTC(), Value: v, Quality: plant.QualityOf(s)}
		}
	}
	a.taken += uint64(len(recs) - bad - refused)
	a.health.Refused += uint64(refused)
	if refused == 0 {
		for _, f := range stored {
			a.waiters = append(a.waiters, waiter{a.taken, f})
		}
		a.tell()
	}
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

// tell calls those whose samples are on the disk; needs a.mu.
func (a *Archive) tell() {
	n := 0
	for n < len(a.waiters) && a.waiters[n].taken <= a.kept {
		a.waiters[n].stored()
		n++
	}
	a.waiters = slices.Delete(a.waiters, 0, n)
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
	a.rows = append(a.rows[:0], a.pending[:n]...)
	newTags := a.newTags
	marks := map[string]int64{}
	if len(a.pending) < a.opt.Queue { // nothing is refused any more: mark the gaps
		for path, ns := range a.lost {
			marks[path] = ns
			a.rows = append(a.rows, hotRow{tag: a.tags[path].id, time: ns, value: nan, status: plant.BadDataLost.Code(), decimals: exactDecimals})
		}
	}
	a.mu.Unlock()
	if len(a.rows) == 0 && !newTags {
		return n, nil
	}
	var err error
	if newTags {
		err = a.saveTags()
	}
	if err == nil && len(a.rows) > 0 {
		if now := a.opt.Now().UnixNano(); a.hot.full(now - int64(a.opt.Hot)) {
			a.hot.seal()
		}
		err = a.hot.commit(a.rows, a.opt.Now().UnixNano())
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if err != nil {
		err = fmt.Errorf("commit samples to archive %s: %w", a.dir, err)
		if a.failing == nil {
			a.log.Error("archive cannot write; samples wait in memory", "waiting", len(a.pending), "err", err)
		}
		a.health.LastError = err
		a.failing = err
		return 0, err
	}
	if a.failing != nil {
		a.log.Info("archive writes again", "waiting", len(a.pending))
	}
	a.failing = nil
	a.health.Stored += uint64(len(a.rows))
	a.kept += uint64(n)
	a.tell()
	if a.pending = a.pending[n:]; len(a.pending) == 0 {
		a.pending = nil
	}
	for path, ns := range marks {
		if a.lost[path] == ns {
			delete(a.lost, path)
		}
	}
	return n, nil
}

// Health reports how the archive is doing.
func (a *Archive) Health() Health {
	a.mu.Lock()
	defer a.mu.Unlock()
	h := a.health
	h.OK = a.failing == nil && h.OK
	h.Pending = len(a.pending)
	h.Files = a.cold.count()
	h.Damage = a.Damage(plant.MinTime, plant.MaxTime)
	return h
}

// Run commits about every second, does the moving, merging, roll-ups and retention in
// the background, and proves the files at the start and weekly, until ctx ends; then it
// commits once more. An error of the disk does not end it: see Health.
func (a *Archive) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	wg.Go(func() { every(ctx, a.opt.Commit, func() { a.Flush(ctx) }) }) // a failure is kept in Health and returned by Append
	wg.Go(func() {
		every(ctx, time.Minute, func() {
			if err := a.Maintain(ctx); err != nil && ctx.Err() == nil {
				a.log.Error("archive maintenance failed; tried again in a minute", "err", err)
			}
		})
	})
	wg.Go(func() { every(ctx, scrubEvery, func() { a.scrubbing(ctx) }) })
	wg.Wait()
	fctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	return a.Flush(fctx)
}

// every does something at once and then at an interval, until ctx ends.
func every(ctx context.Context, interval time.Duration, do func()) {
	t := time.NewTicker(interval)
	defer t.Stop()
	for ctx.Err() == nil {
		do()
		select {
		case <-ctx.Done():
		case <-t.C:
		}
	}
}

// tagsOf lists the dictionary entries of a path, all units.
func (a *Archive) tagsOf(path string) []*tagEntry {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.byPath[path]
}
