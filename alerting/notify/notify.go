// Package notify carries alarms to people who are not at the console. It is an
// edge: [Notifier.Run] is its loop, and nothing here decides about alarms.
package notify

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"calandria/alerting"
	"calandria/plant"
)

// Notice is one event worth a message, with what its reader must know to act:
// the alarm's specification carries response, hazard and procedure. Spec is
// nil for events that are not of an alarm.
type Notice struct {
	Event plant.Event
	Spec  *plant.AlarmSpec
}

// Sender delivers notices to one place: a web hook, a mail server, an alert
// manager. An error means that none of the batch was delivered; it is tried
// again. A sender may deliver twice after a fault, and must respect ctx.
type Sender interface {
	Send(ctx context.Context, batch []Notice) error
}

// Refreshed is a Sender that also wants the picture of all alarms now and
// then, because its receiver forgets what is not repeated.
type Refreshed interface {
	Sender
	Refresh(ctx context.Context, alarms []alerting.Status) error
}

// Config of one notifier. Zero values mean the defaults.
type Config struct {
	Name     string
	Sender   Sender
	Least    plant.Priority // least urgent priority that is sent; default medium
	Queue    int            // longest queue, default 1000
	Batch    int            // most notices in one delivery, default 50
	Timeout  time.Duration  // for one delivery, default 10 s
	Refresh  time.Duration  // between pictures for a Refreshed sender, default 1 min
	MaxPause time.Duration  // longest pause after failures, default 5 min
	Log      *slog.Logger   // nil: quiet
}

// Counts of a notifier since its start.
type Counts struct {
	Queued  int
	Sent    uint64
	Failed  uint64 // deliveries that failed
	Dropped uint64 // notices lost because the queue was full
}

// Notifier keeps a bounded queue for one sender. When it is full, the oldest
// of the least urgent notices is dropped and counted: an urgent alarm is never
// lost to a flood of advice.
type Notifier struct {
	c    Config
	wake chan struct{}

	mu      sync.Mutex
	queue   []Notice
	picture []alerting.Status
	counts  Counts
}

// New makes a notifier; nothing runs until Run.
func New(c Config) *Notifier {
	if c.Least == plant.PriorityNone {
		c.Least = plant.PriorityMedium
	}
	if c.Queue <= 0 {
		c.Queue = 1000
	}
	if c.Batch <= 0 {
		c.Batch = 50
	}
	if c.Timeout <= 0 {
		c.Timeout = 10 * time.Second
	}
	if c.Refresh <= 0 {
		c.Refresh = time.Minute
	}
	if c.MaxPause <= 0 {
		c.MaxPause = 5 * time.Minute
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	return &Notifier{c: c, wake: make(chan struct{}, 1)}
}

// wanted are the kinds that are sent: a call of the operator, and what ends it.
func (n *Notifier) wanted(ev *plant.Event) bool {
	switch ev.Kind {
	case plant.EventAlarm, plant.EventRealarm:
		if !ev.Annunciated {
			return false
		}
	case plant.EventReturn, plant.EventAck:
	default:
		return false
	}
	return ev.Priority != plant.PriorityNone && ev.Priority <= n.c.Least
}

// Offer queues a notice if it is of a kind and priority that is sent. It never
// waits.
func (n *Notifier) Offer(notice Notice) {
	if !n.wanted(&notice.Event) {
		return
	}
	n.mu.Lock()
	n.queue = append(n.queue, notice)
	n.bound()
	n.mu.Unlock()
	n.poke()
}

// Show hands over the latest picture of all alarms, which must not be changed
// afterwards. It never waits.
func (n *Notifier) Show(alarms []alerting.Status) {
	n.mu.Lock()
	n.picture = alarms
	n.mu.Unlock()
}

// Counts returns the counters.
func (n *Notifier) Counts() Counts {
	n.mu.Lock()
	defer n.mu.Unlock()
	c := n.counts
	c.Queued = len(n.queue)
	return c
}

func (n *Notifier) poke() {
	select {
	case n.wake <- struct{}{}:
	default:
	}
}

// Run delivers until ctx ends, and returns nil then. After a failure it pauses,
// twice as long each time up to MaxPause.
func (n *Notifier) Run(ctx context.Context) error {
	const firstPause = time.Second
	pause := firstPause
	refresh := time.NewTicker(n.c.Refresh)
	defer refresh.Stop()
	refreshed, _ := n.c.Sender.(Refreshed)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-n.wake:
		case <-refresh.C:
			if refreshed != nil {
				n.refresh(ctx, refreshed)
			}
			continue
		}
		for n.Counts().Queued > 0 && ctx.Err() == nil {
			if err := n.deliver(ctx); err == nil {
				pause = firstPause
				continue
			} else if ctx.Err() == nil {
				n.c.Log.Warn("notices not delivered", "notifier", n.c.Name, "again_in", pause, "err", err)
			}
			select {
			case <-ctx.Done():
			case <-time.After(pause):
			}
			pause = min(2*pause, n.c.MaxPause)
		}
	}
}

// deliver sends the oldest notices. They leave the queue first, so that what
// comes meanwhile finds its place, and return to its front on failure.
func (n *Notifier) deliver(ctx context.Context) error {
	n.mu.Lock()
	size := min(len(n.queue), n.c.Batch)
	batch := slices.Clone(n.queue[:size])
	n.queue = slices.Delete(n.queue, 0, size)
	n.mu.Unlock()

	ctx, cancel := context.WithTimeout(ctx, n.c.Timeout)
	defer cancel()
	err := n.c.Sender.Send(ctx, batch)

	n.mu.Lock()
	defer n.mu.Unlock()
	if err == nil {
		n.counts.Sent += uint64(size)
		return nil
	}
	n.counts.Failed++
	n.queue = slices.Insert(n.queue, 0, batch...)
	n.bound()
	return err
}

// bound drops the oldest of the least urgent until the queue fits.
func (n *Notifier) bound() {
	for len(n.queue) > n.c.Queue {
		least := 0
		for i := range n.queue {
			if n.queue[i].Event.Priority > n.queue[least].Event.Priority {
				least = i
			}
		}
		n.queue = slices.Delete(n.queue, least, least+1)
		n.counts.Dropped++
	}
}

func (n *Notifier) refresh(ctx context.Context, to Refreshed) {
	n.mu.Lock()
	picture := n.picture
	n.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, n.c.Timeout)
	defer cancel()
	if err := to.Refresh(ctx, picture); err != nil && ctx.Err() == nil {
		n.mu.Lock()
		n.counts.Failed++
		n.mu.Unlock()
		n.c.Log.Warn("picture of alarms not delivered", "notifier", n.c.Name, "err", err)
	}
}
