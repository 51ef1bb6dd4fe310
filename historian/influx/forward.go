package influx

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
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

	"calandria/historian"
	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
)

// Tag says how a tag is written to InfluxDB: measurement "calandria",
// tags path, unit, signal and Labels (such as set, body, pan).
type Tag struct {
	Unit   string
	Signal string
	Labels map[string]string
}

// Health says how forwarding is doing.
type Health struct {
	OK        bool          // the last attempt worked, or nothing has been tried yet
	Lag       time.Duration // age of the oldest sample known not to be sent; 0 in step
	Sent      uint64        // samples accepted by the server since the start
	SetAside  uint64        // samples the server refuses for good; the archive has them
	Stretches int           // stretches of history that wait to be sent
	LastError error
	LastSent  time.Time
}

// Words say it in one line for a person.
func (h Health) Words() words.Text {
	var s words.Text
	switch {
	case !h.OK && h.LastError != nil:
		s = words.Say("values do not reach InfluxDB: %s", h.LastError.Error())
	case h.Lag > time.Minute:
		s = words.Say("forwarding to InfluxDB is %s behind", h.Lag.Round(time.Second).String())
	default:
		s = "forwarding to InfluxDB is in step"
	}
	if h.SetAside > 0 {
		s += words.Say("; %d samples were refused and set aside", h.SetAside)
	}
	return s
}

const (
	batchMost    = 5000             // samples in a request
	firstWait    = time.Second      // first wait after a failure
	longestWait  = 2 * time.Minute  // longest wait of our own
	longestAsked = 15 * time.Minute // longest Retry-After that is honoured
	// refusalsMost is how many single samples of one batch are refused, and
	// none taken, before the rest of the batch is set aside with them.
	refusalsMost = 50
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
	a    *historian.Archive
	name string // of the cursor: the target
	tags map[string]Tag
	log  *slog.Logger

	client influxdb2.Client
	api    api.WriteAPIBlocking

	wait func(ctx context.Context, d time.Duration) // replaced by tests
	poll time.Duration

	mu     sync.Mutex
	health Health
}

// New prepares forwarding; Run does it. tags may be nil; a path that
// is not in it gets its unit from the archive and no labels.
func New(a *historian.Archive, cfg Config, tags map[string]Tag, log *slog.Logger) (*Forwarder, error) {
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
		a: a, log: log,
		name:   strings.Join([]string{"influx", cfg.URL, cfg.Org, cfg.Bucket}, " "),
		client: client, api: client.WriteAPIBlocking(cfg.Org, cfg.Bucket),
		wait: sleep, poll: time.Second,
	}
	f.SetTags(tags)
	f.health.OK = true
	return f, nil
}

// SetTags changes how tags are written from now on: for tags that have come
// since the start.
func (f *Forwarder) SetTags(tags map[string]Tag) {
	f.mu.Lock()
	if f.tags = maps.Clone(tags); f.tags == nil {
		f.tags = map[string]Tag{}
	}
	f.mu.Unlock()
}

func sleep(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// Health reports how forwarding is doing.
func (f *Forwarder) Health() Health {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.health
}

// Run forwards until ctx ends. Failures do not end it: see Health.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.client.Close()
	delay := time.Duration(0)
	for ctx.Err() == nil {
		n, left, err := f.a.Follow(ctx, f.name, func(batch []plant.Record) error {
			for part := range slices.Chunk(batch, batchMost) {
				if err := f.send(ctx, part); err != nil {
					return err
				}
			}
			return nil
		})
		if ctx.Err() != nil {
			break
		}
		f.note(left, err)
		switch {
		case err != nil:
			delay = min(max(2*delay, firstWait), longestWait)
			d := time.Duration(float64(delay) * (0.5 + rand.Float64()))
			if ra := retryAfter(err, time.Now()); ra > 0 {
				d = max(d, min(ra, longestAsked))
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
func (f *Forwarder) note(left historian.Behind, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health.Stretches, f.health.Lag = left.Stretches, 0
	if !left.Oldest.IsZero() {
		f.health.Lag = max(0, time.Since(left.Oldest))
	}
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

// send writes a batch; samples that are refused for good are set aside.
func (f *Forwarder) send(ctx context.Context, batch []plant.Record) error {
	points := make([]*write.Point, 0, len(batch))
	for i := range batch {
		points = append(points, f.point(&batch[i]))
	}
	var refused, taken int
	var first error
	var firstPath string
	var do func(lo, hi int) error
	do = func(lo, hi int) error {
		if taken == 0 && refused >= refusalsMost {
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
				first, firstPath = err, batch[lo].Path
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
func (f *Forwarder) point(p *plant.Record) *write.Point {
	tags := map[string]string{"path": lineTag(p.Path)}
	t := f.tag(p.Path)
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
	fields := map[string]any{"status": int64(p.Point.Quality.Code())}
	if !p.Point.Quality.IsBad() && !math.IsNaN(p.Point.Value) {
		fields["value"] = p.Point.Value
	}
	return write.NewPoint("calandria", tags, fields, p.Point.Time)
}

// tag says how a path is written; one that the plant has no longer has the unit that
// the archive knows.
func (f *Forwarder) tag(path string) Tag {
	f.mu.Lock()
	defer f.mu.Unlock()
	t, ok := f.tags[path]
	if !ok {
		for _, x := range f.a.Tags() {
			if _, ok := f.tags[x.Path]; !ok {
				f.tags[x.Path] = Tag{Unit: x.Unit}
			}
		}
		t = f.tags[path]
	}
	return t
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
