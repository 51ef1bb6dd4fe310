// Package notify carries alarms to people and programs that are not at the
// console: by web hook, by mail, to an Alertmanager. It is an edge:
// [Notifier.Run] is its loop, and nothing here decides about alarms.
//
// Each [Notifier] has a bounded queue, tries again for as long as a notice is
// worth keeping, and remembers how far it has come ([Cursor]), so that what was
// not delivered before a restart is delivered after it. A notice may arrive
// twice, never silently not at all: what is given up is counted, and the
// notifier's health says so.
package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
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

// Key identifies a notice, so that a receiver can tell a repetition: journal
// number, alarm and kind. The time is there because numbers that were not yet
// durable are given again after a crash.
func (n *Notice) Key() string {
	e := &n.Event
	return fmt.Sprintf("%d/%s/%s/%d", e.Seq, e.Alarm, e.Kind, e.Time.UnixMilli())
}

// Sender delivers notices to one place. An error means that none of the batch
// was delivered; it is tried again, unless the error is a [*RefusedError] (given
// up) or a [*PartlyError] (delivered to some). A sender may deliver twice after
// a fault, and must respect ctx.
type Sender interface {
	Send(ctx context.Context, batch []Notice) error
}

// Refreshed is a Sender that also wants the picture of all alarms of its route
// now and then, because its receiver forgets what is not repeated.
type Refreshed interface {
	Sender
	Refresh(ctx context.Context, alarms []alerting.Status) error
}

// RefusedError says that the receiver will not take the notices however often
// they are sent.
type RefusedError struct{ Err error }

func (e *RefusedError) Error() string { return "refused: " + e.Err.Error() }

// Unwrap gives the receiver's reason.
func (e *RefusedError) Unwrap() error { return e.Err }

// LaterError says that the receiver wants to be left alone for a while.
type LaterError struct {
	After time.Duration
	Err   error
}

func (e *LaterError) Error() string { return e.Err.Error() }

// Unwrap gives the receiver's reason.
func (e *LaterError) Unwrap() error { return e.Err }

// PartlyError says that the notices were delivered, but not to everyone.
type PartlyError struct{ Err error }

func (e *PartlyError) Error() string { return "not delivered to everyone: " + e.Err.Error() }

// Unwrap gives the reason.
func (e *PartlyError) Unwrap() error { return e.Err }

// Cursor remembers, durably, up to which journal number all notices have been
// dealt with.
type Cursor interface {
	Load() (seq uint64, known bool, err error)
	Store(seq uint64) error
}

// Config of one notifier. Zero values mean the defaults.
type Config struct {
	Name     string
	Sender   Sender
	Route    Route
	Cursor   Cursor        // nil: nothing survives a restart
	Fault    error         // found while it was put together: its health until the first delivery
	Queue    int           // longest queue, default 1000
	Batch    int           // most notices in one delivery, default 50
	Keep     time.Duration // how long a notice is worth delivering, default 12 h
	Timeout  time.Duration // for one delivery, default 10 s
	Refresh  time.Duration // between pictures for a Refreshed sender, default 1 min
	MaxPause time.Duration // longest pause after failures, default 5 min
	Alive    time.Duration // between signs of life; 0: none
	Log      *slog.Logger  // nil: quiet
}

// AliveName stands for the alarm in a sign of life.
const AliveName = "CalandriaAlive"

// AliveEvery is how often the receiver wants a sign of life; 0: never.
func (n *Notifier) AliveEvery() time.Duration { return n.c.Alive }

// Alive queues a notice that is no event of an alarm. A sign of life goes only when
// its time has come, and in place of one that still waits. It never waits.
func (n *Notifier) Alive(notice Notice) {
	n.mu.Lock()
	sign := notice.Event.Alarm == AliveName
	if sign {
		if notice.Event.Time.Sub(n.signed) < n.c.Alive {
			n.mu.Unlock()
			return
		}
		n.signed = notice.Event.Time
		n.queue = slices.DeleteFunc(n.queue, func(x Notice) bool { return x.Event.Alarm == AliveName })
	}
	n.queue = append(n.queue, notice)
	n.bound()
	n.mu.Unlock()
	n.poke()
}

// Counts of a notifier since its start.
type Counts struct {
	Queued   int
	Sent     uint64
	Failed   uint64 // deliveries that failed and were tried again
	SetAside uint64 // notices that the receiver refused
	Dropped  uint64 // notices given up because the queue was full or they were too old
}

// Health says how a notifier is doing.
type Health struct {
	Name string
	// OK: the last delivery worked, or nothing has been tried yet.
	OK    bool
	Since time.Time // of the present state; zero before the first delivery
	Alive time.Time // when the last sign of life that was delivered was made
	Err   error     // why not
	Counts
}

// String says it in one line for a person.
func (h Health) String() string {
	s := fmt.Sprintf("%d notices delivered, %d waiting", h.Sent, h.Queued)
	if h.SetAside > 0 {
		s += fmt.Sprintf(", %d refused by the receiver", h.SetAside)
	}
	if h.Dropped > 0 {
		s += fmt.Sprintf(", %d given up", h.Dropped)
	}
	if !h.OK && h.Err != nil {
		s = "notices do not arrive: " + h.Err.Error() + "; " + s
	}
	return s
}

// longestLater bounds what a receiver may ask for.
const longestLater = 15 * time.Minute

// Notifier keeps a bounded queue for one sender. When it is full, the oldest
// of the least urgent notices is dropped and counted: an urgent alarm is never
// lost to a flood of advice.
type Notifier struct {
	c    Config
	wake chan struct{}

	mu      sync.Mutex
	queue   []Notice
	flight  []Notice // being delivered
	known   map[string]delivery
	picture []alerting.Status
	last    uint64 // newest journal number offered
	stored  uint64 // as the cursor has it
	health  Health
	signed  time.Time // the last sign of life
	noStore bool      // the cursor could not be stored; said once
}

// delivery is what the receiver knows of an alarm: the occurrence, and whether it
// was sent or held back.
type delivery struct {
	occurrence uint64
	sent       bool
}

// New makes a notifier; nothing runs until Run.
func New(c Config) *Notifier {
	if c.Route.Least == plant.PriorityNone {
		c.Route.Least = plant.PriorityHigh
	}
	if c.Queue <= 0 {
		c.Queue = 1000
	}
	if c.Batch <= 0 {
		c.Batch = 50
	}
	if c.Keep <= 0 {
		c.Keep = 12 * time.Hour
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
	return &Notifier{c: c, wake: make(chan struct{}, 1), known: map[string]delivery{}, health: Health{Name: c.Name, OK: c.Fault == nil, Err: c.Fault}}
}

// Resume goes on where an earlier run stopped: read gives the notices after a
// journal number that are not older than since, oldest first. A first start, or
// a cursor beyond head (the journal was replaced), begins at head. Call it
// before Run.
func (n *Notifier) Resume(head uint64, now time.Time, read func(after uint64, since time.Time) ([]Notice, error)) error {
	if n.c.Cursor == nil {
		return nil
	}
	seq, known, err := n.c.Cursor.Load()
	if err != nil {
		return fmt.Errorf("notifier %s: where it had come to: %w", n.c.Name, err)
	}
	if !known || seq > head {
		if err := n.c.Cursor.Store(head); err != nil {
			return fmt.Errorf("notifier %s: %w", n.c.Name, err)
		}
		n.last, n.stored = head, head
		return nil
	}
	n.last, n.stored = seq, seq
	notices, err := read(seq, now.Add(-n.c.Keep))
	if err != nil {
		return fmt.Errorf("notifier %s: what was not delivered: %w", n.c.Name, err)
	}
	for _, x := range notices {
		n.Offer(x)
	}
	return nil
}

// Kinds are the kinds of event that are sent: a call of the operator, and what
// ends it.
func Kinds() []plant.EventKind {
	return []plant.EventKind{plant.EventAlarm, plant.EventRealarm, plant.EventReturn, plant.EventAck}
}

// wanted decides about an event; needs n.mu. What ends a call goes to whoever
// was called, whatever the hour.
func (n *Notifier) wanted(ev *plant.Event) bool {
	r := &n.c.Route
	if !slices.Contains(Kinds(), ev.Kind) || !r.Takes(ev.Priority, ev.Source, ev.Area) {
		return false
	}
	t, known := n.known[ev.Alarm]
	known = known && t.occurrence == ev.Occurrence
	switch ev.Kind {
	case plant.EventAlarm, plant.EventRealarm:
		send := ev.Annunciated && r.Open(ev.Time)
		if !known || send {
			n.known[ev.Alarm] = delivery{ev.Occurrence, send}
		}
		return send
	case plant.EventReturn:
		delete(n.known, ev.Alarm)
	}
	if known {
		return t.sent
	}
	return r.Open(ev.Time)
}

// Offer queues a notice if it is of a kind and priority that is sent. It never
// waits.
func (n *Notifier) Offer(notice Notice) {
	n.mu.Lock()
	n.last = max(n.last, notice.Event.Seq)
	if !n.wanted(&notice.Event) {
		n.mu.Unlock()
		return
	}
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

// Health reports how the notifier is doing.
func (n *Notifier) Health() Health {
	n.mu.Lock()
	defer n.mu.Unlock()
	h := n.health
	h.Queued = len(n.queue) + len(n.flight)
	return h
}

func (n *Notifier) poke() {
	select {
	case n.wake <- struct{}{}:
	default:
	}
}

// Run delivers until ctx ends, and returns nil then. After a failure it pauses,
// twice as long each time up to MaxPause, less a random part so that several do
// not come at once; what the receiver asks for with Retry-After is honoured up
// to 15 minutes.
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
		for n.Health().Queued > 0 && ctx.Err() == nil {
			err := n.deliver(ctx)
			if err == nil {
				pause = firstPause
				continue
			}
			wait := pause/2 + rand.N(pause/2)
			var later *LaterError
			if errors.As(err, &later) {
				wait = max(wait, min(later.After, longestLater))
			}
			select {
			case <-ctx.Done():
			case <-time.After(wait):
			}
			pause = min(2*pause, n.c.MaxPause)
		}
	}
}

// deliver sends the oldest notices. They leave the queue first, so that what
// comes meanwhile finds its place, and return to its front on failure. It
// returns an error only if they are to be tried again.
func (n *Notifier) deliver(ctx context.Context) error {
	n.mu.Lock()
	n.expire(time.Now())
	size := min(len(n.queue), n.c.Batch)
	n.flight = slices.Clone(n.queue[:size])
	n.queue = slices.Delete(n.queue, 0, size)
	batch := n.flight
	n.mu.Unlock()
	if size == 0 {
		n.remember()
		return nil
	}

	sending, cancel := context.WithTimeout(ctx, n.c.Timeout)
	err := n.c.Sender.Send(sending, batch)
	cancel()
	if err != nil && ctx.Err() != nil {
		// The program stops: what was under way is tried at the next start.
		n.mu.Lock()
		n.queue = slices.Insert(n.queue, 0, batch...)
		n.flight = nil
		n.mu.Unlock()
		return nil
	}

	var refused *RefusedError
	var partly *PartlyError
	retried := false
	n.mu.Lock()
	n.flight = nil
	switch {
	case err == nil:
		n.health.Sent += uint64(size)
		for i := range batch {
			if batch[i].Event.Alarm == AliveName {
				n.health.Alive = batch[i].Event.Time
			}
		}
	case errors.As(err, &partly):
		n.health.Sent += uint64(size)
	case errors.As(err, &refused):
		n.health.SetAside += uint64(size)
	default:
		retried = true
		n.health.Failed++
		n.queue = slices.Insert(n.queue, 0, batch...)
		n.bound()
	}
	n.mu.Unlock()
	n.outcome(err)
	n.remember()
	if retried {
		return err
	}
	return nil
}

// outcome keeps the health and logs what changed, once.
func (n *Notifier) outcome(err error) {
	n.mu.Lock()
	was := n.health.OK
	n.health.OK, n.health.Err = err == nil, err
	if was != (err == nil) || n.health.Since.IsZero() {
		n.health.Since = time.Now()
	}
	n.mu.Unlock()
	switch {
	case err != nil && was:
		n.c.Log.Warn("notices not delivered", "notifier", n.c.Name, "err", err)
	case err == nil && !was:
		n.c.Log.Info("notices are delivered again", "notifier", n.c.Name)
	}
}

// remember stores how far everything has been dealt with.
func (n *Notifier) remember() {
	if n.c.Cursor == nil {
		return
	}
	n.mu.Lock()
	seq := n.last
	for _, list := range [][]Notice{n.queue, n.flight} {
		for i := range list {
			if s := list[i].Event.Seq; s > 0 {
				seq = min(seq, s-1)
			}
		}
	}
	due := seq > n.stored
	n.mu.Unlock()
	if !due {
		return
	}
	err := n.c.Cursor.Store(seq)
	n.mu.Lock()
	first := err != nil && !n.noStore
	n.noStore = err != nil
	if err == nil {
		n.stored = seq
	}
	n.mu.Unlock()
	if first {
		n.c.Log.Warn("notices may be sent again after a restart", "notifier", n.c.Name, "err", err)
	}
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
		n.health.Dropped++
	}
}

// expire drops what is too old to be of use.
func (n *Notifier) expire(now time.Time) {
	before := len(n.queue)
	n.queue = slices.DeleteFunc(n.queue, func(x Notice) bool {
		at := x.Event.Received
		if at.IsZero() {
			at = x.Event.Time
		}
		return !at.IsZero() && now.Sub(at) > n.c.Keep
	})
	n.health.Dropped += uint64(before - len(n.queue))
}

// refresh repeats what stands to a receiver that forgets. It is a sign of life
// of the way there too.
func (n *Notifier) refresh(ctx context.Context, to Refreshed) {
	n.mu.Lock()
	var picture []alerting.Status
	for _, a := range n.picture {
		if n.c.Route.Takes(a.Spec.Priority, a.Spec.Source, a.Spec.Area) {
			picture = append(picture, a)
		}
	}
	n.mu.Unlock()
	sending, cancel := context.WithTimeout(ctx, n.c.Timeout)
	defer cancel()
	err := to.Refresh(sending, picture)
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		n.mu.Lock()
		n.health.Failed++
		n.mu.Unlock()
	}
	n.outcome(err)
}
