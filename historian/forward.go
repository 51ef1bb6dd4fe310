package historian

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"calandria/plant"
	"calandria/plant/files"
)

// ForwardTag says how a tag is written to InfluxDB: measurement "calandria",
// tags path, unit, signal and Labels (such as set, body, pan).
type ForwardTag struct {
	Unit   string
	Signal string
	Labels map[string]string
}

// ForwardHealth says how forwarding is doing.
type ForwardHealth struct {
	OK        bool          // the last attempt worked, or nothing has been tried yet
	Lag       time.Duration // age of the oldest sample known not to be sent; 0 in step
	Sent      uint64        // samples accepted by the server since the start
	SetAside  uint64        // samples the server refuses for good; the archive has them
	Stretches int           // stretches of history that wait to be sent
	LastError error
	LastSent  time.Time
}

// String says it in one line for a person.
func (h ForwardHealth) String() string {
	var s string
	switch {
	case !h.OK && h.LastError != nil:
		s = "values do not reach InfluxDB: " + h.LastError.Error()
	case h.Lag > time.Minute:
		s = "forwarding to InfluxDB is " + h.Lag.Round(time.Second).String() + " behind"
	default:
		s = "forwarding to InfluxDB is in step"
	}
	if h.SetAside > 0 {
		s += fmt.Sprintf("; %d samples were refused and set aside", h.SetAside)
	}
	return s
}

const (
	forwardBatch = 5000             // samples in a request
	forwardFirst = time.Second      // first wait after a failure
	forwardMost  = 2 * time.Minute  // longest wait of our own
	forwardHonor = 15 * time.Minute // longest Retry-After that is honoured
	// forwardRefusals is how many single samples of one batch are refused, and
	// none taken, before the rest of the batch is set aside with them.
	forwardRefusals = 50
)

// Forwarder sends every sample of the archive to an InfluxDB v2 write API. It
// keeps no queue: its place in the archive is a cursor stored in the archive,
// so that it goes on where it was after any outage or restart. Each sample
// arrives at least once; a repetition is the same point and changes nothing.
//
// Network failures, 429 and 5xx are tried again, with growing jittered waits
// and Retry-After honoured; so are refusals that a change of configuration
// mends (401, 403, 404). On 400, 413 and 422 the batch is halved until the
// samples that are refused stand alone; those are counted and set aside.
//
// A new target starts with what the log holds.
type Forwarder struct {
	a    *Archive
	name string // of the cursor: the target
	tags map[string]ForwardTag
	log  *slog.Logger

	client influxdb2.Client
	api    api.WriteAPIBlocking

	wait func(ctx context.Context, d time.Duration) // replaced by tests
	poll time.Duration

	mu     sync.Mutex
	health ForwardHealth
}

// NewForwarder prepares forwarding; Run does it. tags may be nil; a path that
// is not in it gets its unit from the archive and no labels.
func NewForwarder(a *Archive, cfg Influx, tags map[string]ForwardTag, log *slog.Logger) (*Forwarder, error) {
	u, err := url.Parse(cfg.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("forward to InfluxDB: %q is not an http or https address", cfg.URL)
	}
	token := ""
	if cfg.TokenFile != "" {
		b, err := files.Read(cfg.TokenFile, 4096)
		if err != nil {
			return nil, fmt.Errorf("forward to InfluxDB: read token: %w", err)
		}
		token = strings.TrimSpace(string(b))
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	opt := influxdb2.DefaultOptions().
		SetPrecision(time.Nanosecond).
		SetUseGZip(true).
		SetMaxRetries(0).
		SetHTTPRequestTimeout(20).
		SetApplicationName("calandria")
	client := influxdb2.NewClientWithOptions(cfg.URL, token, opt)
	f := &Forwarder{
		a: a, tags: tags, log: log,
		name:   strings.Join([]string{"influx", cfg.URL, cfg.Org, cfg.Bucket}, " "),
		client: client, api: client.WriteAPIBlocking(cfg.Org, cfg.Bucket),
		wait: sleep, poll: time.Second,
	}
	f.health.OK = true
	return f, nil
}

// SetTags changes how tags are written from now on: for tags that have come
// since the start.
func (f *Forwarder) SetTags(tags map[string]ForwardTag) {
	f.mu.Lock()
	f.tags = tags
	f.mu.Unlock()
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// Health reports how forwarding is doing.
func (f *Forwarder) Health() ForwardHealth {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.health
}

// Run forwards until ctx ends. Failures do not end it: see Health.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.client.Close()
	defer func() {
		if err := f.a.forwarding.save(); err != nil {
			f.log.Warn("the place in the log is not saved; the newest values are sent again at the next start", "err", err)
		}
	}()
	delay := time.Duration(0)
	for ctx.Err() == nil {
		n, err := 0, f.a.forwarding.register(f.name)
		if err == nil {
			n, err = f.step(ctx)
		}
		if ctx.Err() != nil {
			break
		}
		f.note(err)
		switch {
		case err != nil:
			delay = min(max(2*delay, forwardFirst), forwardMost)
			d := time.Duration(float64(delay) * (0.5 + rand.Float64()))
			if ra := retryAfter(err, time.Now()); ra > 0 {
				d = max(d, min(ra, forwardHonor))
			}
			f.wait(ctx, d)
		case n == 0:
			delay = 0
			f.wait(ctx, f.poll)
		default:
			delay = 0
		}
	}
	return nil
}

// note keeps the outcome of a step and logs when it changes.
func (f *Forwarder) note(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err != nil {
		if f.health.OK {
			f.log.Warn("values do not reach InfluxDB; tried again until they do", "err", err)
		}
		f.health.OK, f.health.LastError = false, err
		return
	}
	if !f.health.OK {
		f.log.Info("values reach InfluxDB again")
	}
	f.health.OK = true
}

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
	data, err := readCheckpoint(a.fl, a.dir, forwardFile)
	if err == nil {
		err = json.Unmarshal(data, &w.forwardPlace)
	}
	if err != nil && !errors.Is(err, ErrNoCheckpoint) {
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
	js, err := json.Marshal(&w.forwardPlace)
	if err == nil {
		err = writeCheckpoint(w.a.fl, w.a.dir, forwardFile, js)
	}
	if err != nil {
		return fmt.Errorf("forward: keep the place in the archive: %w", err)
	}
	w.saved = time.Now()
	return nil
}

// register begins for a target, which the place of another one does not concern.
func (w *forwarding) register(name string) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.Name == name {
		return nil
	}
	w.forwardPlace = forwardPlace{Name: name}
	return w.store()
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

// pointAt is a sample on its way.
type pointAt struct {
	path string
	time int64
	v    float64
	st   uint32
}

// step sends one batch: newest data first, then history. It returns the number
// of samples dealt with.
func (f *Forwarder) step(ctx context.Context) (int, error) {
	w := &f.a.forwarding
	w.mu.Lock()
	segment, offset := w.Segment, w.Offset
	w.mu.Unlock()
	rows, segment, offset, err := f.a.hot.after(segment, offset)
	if err != nil {
		return 0, fmt.Errorf("forward: read archive: %w", err)
	}
	if len(rows) == 0 {
		return f.stepHistory(ctx)
	}
	f.setLag(rows[0].time)
	batch := make([]pointAt, len(rows))
	f.a.mu.Lock()
	for i, r := range rows {
		batch[i] = pointAt{f.a.byID[r.tag].path, r.time, r.value, r.status}
	}
	f.a.mu.Unlock()
	for part := range slices.Chunk(batch, forwardBatch) {
		if err := f.send(ctx, part); err != nil {
			return 0, err
		}
	}
	f.setLag(0)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.Segment, w.Offset = segment, offset
	if time.Since(w.saved) < forwardSave {
		return len(rows), nil
	}
	return len(rows), w.store()
}

func (f *Forwarder) setLag(oldest int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health.Lag = 0
	if oldest != 0 {
		f.health.Lag = max(0, time.Since(time.Unix(0, oldest)))
	}
}

// historyStep is how many samples of history are sent before what is new.
const historyStep = 500_000

// stepHistory sends the next samples of the oldest stretch, in order of time.
// Samples in a unit that their tag no longer has are not sent.
func (f *Forwarder) stepHistory(ctx context.Context) (int, error) {
	w := &f.a.forwarding
	w.mu.Lock()
	waiting := slices.Clone(w.Stretches)
	w.mu.Unlock()
	f.mu.Lock()
	f.health.Stretches = len(waiting)
	f.mu.Unlock()
	if len(waiting) == 0 {
		f.setLag(0)
		return 0, nil
	}
	s := waiting[0]
	f.setLag(s.Lo)
	var paths []string
	for _, t := range f.a.Tags() {
		paths = append(paths, t.Path)
	}
	n, done := 0, s
	err := f.a.Merged(ctx, paths, time.Unix(0, s.Lo), time.Unix(0, s.Hi), func(block []plant.Sample) error {
		batch := make([]pointAt, len(block))
		for i, x := range block {
			batch[i] = pointAt{paths[x.Tag], x.Point.Time.UnixNano(), x.Point.Value, x.Point.Quality.Code()}
		}
		if err := f.send(ctx, batch); err != nil {
			return err
		}
		done.Lo = batch[len(batch)-1].time // others of this time may follow
		if n += len(batch); n >= historyStep {
			return errStop
		}
		return nil
	})
	if err == nil {
		done.Lo = s.Hi
	} else if !errors.Is(err, errStop) {
		err = fmt.Errorf("forward: %w", err)
	} else {
		err = nil
	}
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
	return max(n, 1), err
}

// send writes a batch; samples that are refused for good are set aside.
func (f *Forwarder) send(ctx context.Context, batch []pointAt) error {
	if len(batch) == 0 {
		return nil
	}
	points := make([]*write.Point, 0, len(batch))
	for i := range batch {
		points = append(points, f.point(&batch[i]))
	}
	var refused, taken int
	var first error
	var firstPath string
	var do func(lo, hi int) error
	do = func(lo, hi int) error {
		if taken == 0 && refused >= forwardRefusals {
			refused += hi - lo
			return nil
		}
		err := f.api.WritePoint(ctx, points[lo:hi]...)
		if err == nil {
			taken += hi - lo
			return nil
		}
		if !refusal(err) {
			return err
		}
		if hi-lo == 1 {
			if first == nil {
				first, firstPath = err, batch[lo].path
			}
			refused++
			return nil
		}
		mid := (lo + hi) / 2
		if err := do(lo, mid); err != nil {
			return err
		}
		return do(mid, hi)
	}
	err := do(0, len(points))
	if err != nil {
		return fmt.Errorf("write to InfluxDB: %w", err)
	}
	if refused > 0 {
		f.log.Error("InfluxDB refuses samples; they are set aside, the archive keeps them", "samples", refused, "first", firstPath, "err", first)
	}
	f.mu.Lock()
	f.health.Sent += uint64(taken)
	f.health.SetAside += uint64(refused)
	if refused > 0 {
		f.health.LastError = first
	}
	if taken > 0 {
		f.health.LastSent = time.Now()
	}
	f.mu.Unlock()
	return nil
}

// point makes the line: value and status, for a Bad sample the status only.
// InfluxDB has no value that is not a number.
func (f *Forwarder) point(p *pointAt) *write.Point {
	tags := map[string]string{"path": lineTag(p.path)}
	f.mu.Lock()
	t, ok := f.tags[p.path]
	f.mu.Unlock()
	if !ok {
		f.a.mu.Lock()
		if e := f.a.tags[p.path]; e != nil {
			t.Unit = e.unit
		}
		f.a.mu.Unlock()
	}
	if t.Unit != "" {
		tags["unit"] = lineTag(t.Unit)
	}
	if t.Signal != "" {
		tags["signal"] = lineTag(t.Signal)
	}
	for k, v := range t.Labels {
		if v != "" {
			tags[k] = lineTag(v)
		}
	}
	fields := map[string]any{"status": int64(p.st)}
	if p.st>>30 < 2 && !math.IsNaN(p.v) {
		fields["value"] = p.v
	}
	return write.NewPoint("calandria", tags, fields, time.Unix(0, p.time))
}

// lineTag takes off a backslash at the end, which line protocol cannot write:
// it would escape what follows.
func lineTag(s string) string { return strings.TrimRight(s, `\`) }

// refusal reports that sending the same again is useless.
func refusal(err error) bool {
	var he *influxhttp.Error
	if !errors.As(err, &he) {
		return false
	}
	switch he.StatusCode {
	case http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		return true
	}
	return false
}

// retryAfter is what the server asks for, in seconds or as a date; 0 if it
// does not say.
func retryAfter(err error, now time.Time) time.Duration {
	var he *influxhttp.Error
	if !errors.As(err, &he) {
		return 0
	}
	if he.RetryAfter > 0 {
		return time.Duration(min(he.RetryAfter, 1<<20)) * time.Second
	}
	if at, err := http.ParseTime(he.Header.Get("Retry-After")); err == nil {
		return max(0, at.Sub(now))
	}
	return 0
}
