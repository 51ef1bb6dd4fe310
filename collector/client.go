package collector

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Batch is what one message of a server brought: samples in the order they
// came, already in the tags' units. A receiver may keep and change it.
type Batch struct {
	Server   string
	Received time.Time
	Samples  []plant.Sample
	// Number counts the batches of one client: see [Client.Stored].
	Number uint64
}

// Config is what a Client needs.
type Config struct {
	Server plant.ServerConfig // as checked by plant.Load
	// Tags are the measured tags of this server; tags of another server or
	// source are left out.
	Tags []plant.Tag
	// DataDir holds the client's certificate, trusted/ and rejected/.
	DataDir string
	Logger  *slog.Logger // nil: silent
	// Now is our own clock, which must not jump; nil: the machine's.
	Now func() time.Time
	// OneClock says that the server lives by our clock, whatever its answers say.
	OneClock bool
	// Archived gives the newest point of a tag on the disk, and how far the clock
	// behind it was ahead then; false: none. Nil: nothing is on the disk.
	Archived func(plant.TagID) (p plant.Point, offset time.Duration, ok bool)
	// Until is when the program last ran: what the server has no history of from
	// then on is marked as a gap.
	Until time.Time
	// Queue is how many batches may wait for the receiver; default 64. When it
	// is full no more is asked of the server, whose own queues then fill; what
	// overflows there is marked and counted. Nothing is dropped here.
	Queue int
}

// Client reads one server. Make it with [New], start it with [Client.Run].
type Client struct {
	cfg     Config
	log     *slog.Logger
	items   []*item
	out     chan Batch
	changes chan Health
	health  atomic.Pointer[Health]
	started atomic.Bool
	stored  atomic.Uint64 // up to this batch
	pace    pace
}

// pace holds the waits, so that tests need not sit them out.
type pace struct {
	retryMin, retryMax time.Duration // between connection attempts (D2)
	keepAlive          time.Duration // wanted silence at most
	margin             time.Duration // beyond it, before the line counts as lost (C3)
	slow, quick        time.Duration // until a faulty item is tried again
	grace              time.Duration // for a message to come out of order
	tick               time.Duration
	queue              int           // most samples of one item a server is asked to hold
	unstored           time.Duration // before a message is acknowledged that is not stored (C6)
	every              bool          // ask for every change in place of sampling (C9)
}

// A server that is silent is asked again each retryMin, one that refuses up to each
// retryMax.
var usualPace = pace{retryMin: time.Second, retryMax: 30 * time.Second, keepAlive: 3 * time.Second, margin: 2 * time.Second,
	slow: 10 * time.Minute, quick: time.Minute, grace: 250 * time.Millisecond, tick: 100 * time.Millisecond, queue: 2000, unstored: 10 * time.Second}

// New checks the configuration and makes a client. It starts nothing and opens
// no connection. Node ids that cannot be read are faults, as plant.Faults.
func New(cfg Config) (*Client, error) {
	if cfg.Server.Name == "" || cfg.Server.Endpoint == "" {
		return nil, errors.New("collector: a server needs a name and an endpoint")
	}
	if cfg.DataDir == "" {
		return nil, fmt.Errorf("collector: server %s: no data folder", cfg.Server.Name)
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Queue <= 0 {
		cfg.Queue = 64
	}
	cfg.Server = withDefaults(cfg.Server)
	c := &Client{cfg: cfg, log: cfg.Logger.With("server", cfg.Server.Name), out: make(chan Batch, cfg.Queue), changes: make(chan Health, 16), pace: usualPace}
	var err error
	if c.items, err = makeItems(cfg); err != nil {
		return nil, err
	}
	c.health.Store(&Health{Server: cfg.Server.Name, Endpoint: cfg.Server.Endpoint, State: Idle, ServiceLevel: -1, Tags: len(c.items)})
	return c, nil
}

func withDefaults(s plant.ServerConfig) plant.ServerConfig {
	if s.Publish <= 0 {
		s.Publish = time.Second
	}
	if s.SessionTimeout <= 0 {
		s.SessionTimeout = time.Minute
	}
	if s.Policy == "" && s.Mode == "" {
		s.Policy, s.Mode = "Basic256Sha256", "SignAndEncrypt"
	}
	return s
}

// makeItems takes the server's measured tags and reads their node ids.
func makeItems(cfg Config) ([]*item, error) {
	var items []*item
	var faults plant.Faults
	for i := range cfg.Tags {
		t := cfg.Tags[i] // a copy: the caller keeps his
		if t.Source != plant.Measured || t.Server != "" && t.Server != cfg.Server.Name {
			continue
		}
		ref, err := parseNode(t.Node)
		if err != nil {
			faults = append(faults, plant.Fault{File: t.File, Line: t.Line, Field: t.Path, Problem: words.Of(err)})
			continue
		}
		items = append(items, &item{tag: &t, ref: ref})
	}
	// Their order is that of their handles; see driver.byHandle.
	slices.SortFunc(items, func(a, b *item) int { return cmp.Compare(a.tag.ID, b.tag.ID) })
	return items, faults.Err()
}

// Name is the server's name in the configuration.
func (c *Client) Name() string { return c.cfg.Server.Name }

// Batches is where samples arrive. It is closed when Run returns.
func (c *Client) Batches() <-chan Batch { return c.out }

// Stored says that all batches up to this number are on the disk. Only then is
// the server told to forget them, or after ten seconds: a full disk stops no
// alarms. Any goroutine may call it.
func (c *Client) Stored(number uint64) {
	for old := c.stored.Load(); old < number && !c.stored.CompareAndSwap(old, number); old = c.stored.Load() {
	}
}

// Changes brings a picture at each change of State, of ServerState, and of the
// list of faults. It holds 16; when it is full the oldest gives way, since
// [Client.Health] always has the newest. It is closed when Run returns.
func (c *Client) Changes() <-chan Health { return c.changes }

// Health gives the present picture; any goroutine may call it.
func (c *Client) Health() Health { return *c.health.Load() }

// Run connects, collects, and reconnects for ever until ctx ends; then it takes
// leave of the server and returns nil. It may be called once.
func (c *Client) Run(ctx context.Context) error {
	if c.started.Swap(true) {
		return fmt.Errorf("collector: server %s: Run was called twice", c.cfg.Server.Name)
	}
	defer close(c.out)
	defer close(c.changes)
	newDriver(c).run(ctx)
	return nil
}
