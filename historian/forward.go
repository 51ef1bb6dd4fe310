package historian

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"calandria/plant"
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
// A new target starts with what hot.db holds; Resend sends older history.
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
func NewForwarder(a *Archive, cfg plant.InfluxConfig, tags map[string]ForwardTag, log *slog.Logger) (*Forwarder, error) {
	u, err := url.Parse(cfg.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("forward to InfluxDB: %q is not an http or https address", cfg.URL)
	}
	token := ""
	if cfg.TokenFile != "" {
		b, err := os.ReadFile(cfg.TokenFile)
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
	delay := time.Duration(0)
	registered := false
	for ctx.Err() == nil {
		var n int
		var err error
		if !registered {
			if err = f.register(ctx); err == nil {
				registered = true
			}
		}
		if registered {
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

// register makes the cursor; cursors of earlier targets end.
func (f *Forwarder) register(ctx context.Context) error {
	h := f.a.hot
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, q := range []string{
		`INSERT OR IGNORE INTO cursors (name, seq) VALUES (?1, 0)`,
		`DELETE FROM cursors WHERE name <> ?1`,
		`DELETE FROM stretches WHERE cursor <> ?1`,
	} {
		if _, err := h.w.ExecContext(ctx, q, f.name); err != nil {
			return fmt.Errorf("forward: keep the place in the archive: %w", err)
		}
	}
	return nil
}

// Resend sends [from, to) again from the archive, after what is newer.
func (f *Forwarder) Resend(ctx context.Context, from, to time.Time) error {
	if err := f.register(ctx); err != nil {
		return err
	}
	return f.a.hot.addStretch(ctx, nanos(from), nanos(to))
}

// addStretch notes for every cursor that [lo, hi) has to be read again, a
// month at a time.
func (h *hotStore) addStretch(ctx context.Context, lo, hi int64) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	for lo < hi {
		_, end := monthOf(lo)
		end = min(end, hi)
		if _, err := h.w.ExecContext(ctx, `INSERT OR REPLACE INTO stretches (cursor, lo, hi) SELECT name, ?, ? FROM cursors`, lo, end); err != nil {
			return fmt.Errorf("note history to forward: %w", err)
		}
		lo = end
	}
	return nil
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
	h := f.a.hot
	var seq int64
	if err := h.r.QueryRowContext(ctx, `SELECT seq FROM cursors WHERE name = ?`, f.name).Scan(&seq); err != nil {
		return 0, fmt.Errorf("forward: read the place in the archive: %w", err)
	}
	rows, err := h.r.QueryContext(ctx, `SELECT h.seq, t.path, h.time, h.value, h.status FROM hot h JOIN tags t ON t.id = h.tag
		WHERE h.seq > ? ORDER BY h.seq LIMIT ?`, seq, forwardBatch)
	if err != nil {
		return 0, fmt.Errorf("forward: read archive: %w", err)
	}
	defer rows.Close()
	var batch []pointAt
	last := seq
	for rows.Next() {
		var p pointAt
		var v *float64
		var st int64
		if err := rows.Scan(&last, &p.path, &p.time, &v, &st); err != nil {
			return 0, fmt.Errorf("forward: read archive: %w", err)
		}
		p.v, p.st = math.NaN(), uint32(st)
		if v != nil {
			p.v = *v
		}
		batch = append(batch, p)
	}
	if err := rows.Err(); err != nil {
		return 0, fmt.Errorf("forward: read archive: %w", err)
	}
	rows.Close()
	if len(batch) > 0 {
		f.setLag(batch[0].time)
		if err := f.send(ctx, batch); err != nil {
			return 0, err
		}
		h.mu.Lock()
		_, err := h.w.ExecContext(ctx, `UPDATE cursors SET seq = ? WHERE name = ? AND seq < ?`, last, f.name, last)
		h.mu.Unlock()
		if err != nil {
			return 0, fmt.Errorf("forward: keep the place in the archive: %w", err)
		}
		if len(batch) < forwardBatch {
			f.setLag(0)
		}
		return len(batch), nil
	}
	return f.stepHistory(ctx)
}

func (f *Forwarder) setLag(oldest int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health.Lag = 0
	if oldest != 0 {
		f.health.Lag = max(0, time.Since(time.Unix(0, oldest)))
	}
}

// stepHistory sends one path of the oldest stretch.
func (f *Forwarder) stepHistory(ctx context.Context) (int, error) {
	h := f.a.hot
	var lo, hi int64
	var done string
	var waiting int
	if err := h.r.QueryRowContext(ctx, `SELECT count(*) FROM stretches WHERE cursor = ?`, f.name).Scan(&waiting); err != nil {
		return 0, fmt.Errorf("forward: read archive: %w", err)
	}
	f.mu.Lock()
	f.health.Stretches = waiting
	f.mu.Unlock()
	if waiting == 0 {
		f.setLag(0)
		return 0, nil
	}
	if err := h.r.QueryRowContext(ctx, `SELECT lo, hi, done FROM stretches WHERE cursor = ? ORDER BY lo LIMIT 1`, f.name).Scan(&lo, &hi, &done); err != nil {
		return 0, fmt.Errorf("forward: read archive: %w", err)
	}
	f.setLag(lo)
	next := ""
	for _, t := range f.a.Tags() {
		if t.Path > done {
			next = t.Path
			break
		}
	}
	n := 0
	if next != "" {
		var batch []pointAt
		for v, err := range f.a.Query(ctx, next, time.Unix(0, lo), time.Unix(0, hi)) {
			if err != nil {
				return 0, fmt.Errorf("forward: %w", err)
			}
			batch = append(batch, pointAt{next, v.Time.UnixNano(), v.Value, v.Quality.Code()})
			if len(batch) == forwardBatch {
				if err := f.send(ctx, batch); err != nil {
					return 0, err
				}
				n += len(batch)
				batch = batch[:0]
			}
		}
		if err := f.send(ctx, batch); err != nil {
			return 0, err
		}
		n += len(batch)
	}
	// Only if nobody started the stretch anew meanwhile.
	h.mu.Lock()
	defer h.mu.Unlock()
	var err error
	if next == "" {
		_, err = h.w.ExecContext(ctx, `DELETE FROM stretches WHERE cursor = ? AND lo = ? AND hi = ? AND done = ?`, f.name, lo, hi, done)
	} else {
		_, err = h.w.ExecContext(ctx, `UPDATE stretches SET done = ? WHERE cursor = ? AND lo = ? AND hi = ? AND done = ?`, next, f.name, lo, hi, done)
	}
	if err != nil {
		return 0, fmt.Errorf("forward: keep the place in the archive: %w", err)
	}
	return max(n, 1), nil
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
