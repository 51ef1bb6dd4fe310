// Package notify carries alarms to people and programs that are not at the
// console: by web hook, by mail, to an Alertmanager. It is an edge:
// [Notifier.Run] is its loop, and nothing here decides about alarms.
//
// Each [Notifier] keeps one waiting notice for each alarm, the newest, and sends
// the most urgent first. It tries again for as long as a notice is worth keeping,
// and remembers how far it has come ([Cursor]), so that what was not delivered
// before a restart is delivered after it. A notice that fails while others get
// through is set aside. A notice may arrive twice, never silently not at all:
// what is given up is counted, and the notifier's health says so.
package notify

import (
	"cmp"
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
	"calandria/plant/words"
)

// Notice is one event worth a message, with what its reader must know to act:
// the alarm's specification carries response, hazard and procedure. Spec is
// nil for events that are not of an alarm.
type Notice struct {
	Event plant.Event
	Spec  *plant.AlarmSpec
	// Before is how many notices of this alarm this one stands for as well,
	// because they were not delivered before it came.
	Before int
	// Turn says why it comes to this receiver now, empty for its route.
	Turn words.Text
	// Link is the address with which the alarm may be acknowledged, if there is one.
	Link string
}

// Key identifies a notice, so that a receiver can tell a repetition: journal
// number, alarm and kind. The time is there because numbers that were not yet
// durable are given again after a crash.
func (n *Notice) Key() string {
	e := &n.Event
	key := fmt.Sprintf("%d/%s/%s/%d", e.Seq, e.Alarm, e.Kind, e.Time.UnixMilli())
	if n.Turn != "" { // each call of one alarm is another notice
		key += fmt.Sprintf("/%d", e.Received.UnixMilli())
	}
	return key
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
	// Gather is how long after a delivery what is not urgent waits, so that a flood
	// comes as one digest; 0: nothing waits.
	Gather time.Duration
	// Digest: notices go one by one, and gather only in a flood, which comes as one.
	Digest bool
	// OnTurn: calls come by an [Escalation], not by the route.
	OnTurn bool
	// Link makes the address for acknowledging an alarm; nil: there is none.
	Link func(receiver string, e *plant.Event, now time.Time) string
	Log  *slog.Logger // nil: quiet
}

// floodTime is the time in which more notices than digestFrom are a flood: EEMUA
// 191's more than 10 alarms in 10 minutes, from memory.
const floodTime = 10 * time.Minute

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
	}
	n.add(notice, time.Now())
	n.mu.Unlock()
	n.poke()
}

// Counts of a notifier since its start.
type Counts struct {
	Queued   int
	Sent     uint64
	Failed   uint64 // deliveries that failed and were tried again
	SetAside uint64 // notices that the receiver refused, or failed at while it took others
	Dropped  uint64 // notices given up because the queue was full or they were too old
	Replaced uint64 // notices that a newer one of the same alarm stands for
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

// Words say it in one line for a person.
func (h Health) Words() words.Text {
	s := words.Say("%d notices delivered, %d waiting", h.Sent, h.Queued)
	if h.SetAside > 0 {
		s += words.Say(", %d set aside: the receiver does not take them", h.SetAside)
	}
	if h.Dropped > 0 {
		s += words.Say(", %d given up", h.Dropped)
	}
	if !h.OK && h.Err != nil {
		s = words.Say("notices do not arrive: %s; %s", h.Err.Error(), s)
	}
	return s
}

// longestLater bounds what a receiver may ask for.
const longestLater = 15 * time.Minute

// Figures of a notifier; ours.
const (
	// suspectAfter is how often a delivery of several fails before it is tried by
	// halves, to find the one that the receiver cannot take.
	suspectAfter = 3
	// poisonAfter is how often a notice fails by itself, while others get through,
	// before it is set aside: about half a minute.
	poisonAfter = 6
	firstPause  = time.Second
	// An alarm that was told flapMost times in flapTime is flapping: what it does
	// next waits flapHold, an urgent one flapUrgent.
	flapMost   = 5
	flapTime   = 30 * time.Minute
	flapHold   = 5 * time.Minute
	flapUrgent = time.Minute
)

// item is a waiting notice.
type item struct {
	Notice
	due    time.Time // not before
	tries  int       // it failed so often by itself
	passed uint64    // what the receiver had taken when it first failed
}

// Notifier keeps the waiting notices for one sender. When there are too many, the
// oldest of the least urgent is dropped and counted: an urgent alarm is never
// lost to a flood of advice.
type Notifier struct {
	c    Config
	wake chan struct{}

	mu      sync.Mutex
	queue   []item // one an alarm, in the order they came
	flight  []item // being delivered
	known   map[string]delivery
	told    map[string][]time.Time // by alarm: deliveries of late
	picture []alerting.Status
	last    uint64 // newest journal number offered
	stored  uint64 // as the cursor has it
	health  Health
	signed  time.Time // the last sign of life
	noStore bool      // the cursor could not be stored; said once

	// Of Run alone.
	size   int // most notices in the next delivery
	failed int // deliveries in a row that failed
	// alone: all those were of one notice, the culprit.
	alone   bool
	culprit string
	several bool // the last that failed was of several
	sentAt  time.Time
	recent  []time.Time // what was sent in floodTime before that
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
	return &Notifier{c: c, wake: make(chan struct{}, 1), known: map[string]delivery{}, told: map[string][]time.Time{}, size: c.Batch, health: Health{Name: c.Name, OK: c.Fault == nil, Err: c.Fault}}
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
		if n.c.OnTurn {
			return false // Call sends it
		}
		send := ev.Annunciated && r.Open(ev.Time)
		if !known || send {
			n.known[ev.Alarm] = delivery{ev.Occurrence, send}
		}
		return send
	case plant.EventReturn:
		delete(n.known, ev.Alarm)
	}
	if known || n.c.OnTurn {
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
	n.add(notice, time.Now())
	n.mu.Unlock()
	n.poke()
}

// Call sends a notice whatever the route says: it is the receiver's turn.
func (n *Notifier) Call(notice Notice) {
	n.mu.Lock()
	n.known[notice.Event.Alarm] = delivery{notice.Event.Occurrence, true}
	n.add(notice, time.Now())
	n.mu.Unlock()
	n.poke()
}

// Resumed says that the receiver was called of an occurrence before a restart: what
// ends it goes there too.
func (n *Notifier) Resumed(alarm string, occurrence uint64) {
	n.mu.Lock()
	n.known[alarm] = delivery{occurrence, true}
	n.mu.Unlock()
}

// add queues a notice in place of an older one of its alarm; needs n.mu.
func (n *Notifier) add(notice Notice, now time.Time) {
	e := &notice.Event
	next := item{Notice: notice, due: n.calm(e, now)}
	if i := slices.IndexFunc(n.queue, func(x item) bool { return e.Alarm != "" && x.Event.Alarm == e.Alarm }); i >= 0 {
		next.Before = n.queue[i].Before + 1
		n.health.Replaced++
		n.queue = slices.Delete(n.queue, i, i+1)
	}
	n.queue = append(n.queue, next)
	n.bound()
}

// calm gives the moment from which an alarm that flaps may be told again, the
// zero time for any other; needs n.mu.
func (n *Notifier) calm(e *plant.Event, now time.Time) time.Time {
	told := slices.DeleteFunc(n.told[e.Alarm], func(t time.Time) bool { return now.Sub(t) > flapTime })
	if n.told[e.Alarm] = told; len(told) == 0 {
		delete(n.told, e.Alarm)
	}
	if slices.ContainsFunc(n.flight, func(x item) bool { return x.Event.Alarm == e.Alarm }) {
		told = append(told, now) // it is being told
	}
	if len(told) < flapMost {
		return time.Time{}
	}
	hold := flapHold
	if e.Priority == plant.PriorityUrgent {
		hold = flapUrgent
	}
	return told[len(told)-1].Add(hold)
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
	pause := firstPause
	refresh := time.NewTicker(n.c.Refresh)
	defer refresh.Stop()
	next := time.NewTimer(0)
	defer next.Stop()
	refreshed, _ := n.c.Sender.(Refreshed)
	var until time.Time // of the pause
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-n.wake:
		case <-next.C:
		case <-refresh.C:
			if refreshed != nil && !time.Now().Before(until) {
				n.refresh(ctx, refreshed)
			}
		}
		for now := time.Now(); !now.Before(until) && ctx.Err() == nil; now = time.Now() {
			batch := n.take(now)
			if len(batch) == 0 {
				n.remember()
				break
			}
			err := n.deliver(ctx, batch)
			if err == nil {
				pause = firstPause
				continue
			}
			var later *LaterError
			switch wait := pause/2 + rand.N(pause/2); {
			case errors.As(err, &later):
				until = time.Now().Add(max(wait, min(later.After, longestLater)))
			case n.alone:
				n.delay(batch[0].Key(), wait) // is it the notice or the receiver? Another one tells
			default:
				until = time.Now().Add(wait)
			}
			pause = min(2*pause, n.c.MaxPause)
		}
		if at, ok := n.nextDue(); ok {
			next.Reset(max(time.Until(at), time.Until(until), 0))
		}
	}
}

// take chooses what is sent next: of what is due the most urgent, then the oldest.
// They leave the queue, so that what comes meanwhile finds its place. One that
// has failed by itself goes alone.
func (n *Notifier) take(now time.Time) []item {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.expire(now)
	slices.SortStableFunc(n.queue, func(a, b item) int { return cmp.Compare(rank(&a), rank(&b)) })
	most, due := n.size, 0
	for i := range n.queue {
		if !n.dueAt(&n.queue[i]).After(now) {
			due++
		}
	}
	if n.c.Digest && due <= digestFrom && !n.flood() {
		most = 1
	}
	var batch []item
	n.queue = slices.DeleteFunc(n.queue, func(x item) bool {
		if len(batch) >= most || n.dueAt(&x).After(now) || len(batch) > 0 && (x.tries > 0 || batch[0].tries > 0) {
			return false
		}
		batch = append(batch, x)
		return true
	})
	n.flight = batch
	return batch
}

// rank orders notices: those that have failed by themselves come last of their
// priority.
func rank(x *item) int {
	r := int(x.Event.Priority) * 2
	if x.Event.Priority == plant.PriorityNone {
		r = 2 * int(plant.PriorityLow)
	}
	if x.tries > 0 {
		r++
	}
	return r
}

// flood reports that more was sent of late than a person can read.
func (n *Notifier) flood() bool { return len(n.recent) > digestFrom }

// dueAt is when a notice may go; needs n.mu.
func (n *Notifier) dueAt(x *item) time.Time {
	if gathered := n.sentAt.Add(n.c.Gather); n.c.Gather > 0 && (!n.c.Digest || n.flood()) && x.Event.Priority != plant.PriorityUrgent && gathered.After(x.due) {
		return gathered
	}
	return x.due
}

// nextDue is when the next notice is due; false if none waits.
func (n *Notifier) nextDue() (at time.Time, ok bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for i := range n.queue {
		if due := n.dueAt(&n.queue[i]); !ok || due.Before(at) {
			at, ok = due, true
		}
	}
	return at, ok
}

// deliver sends notices, and puts back what is to be tried again. It returns an
// error only then.
func (n *Notifier) deliver(ctx context.Context, batch []item) error {
	notices := make([]Notice, len(batch))
	for i := range batch {
		notices[i] = batch[i].Notice
		if e := &notices[i].Event; n.c.Link != nil && (e.Kind == plant.EventAlarm || e.Kind == plant.EventRealarm) {
			notices[i].Link = n.c.Link(n.c.Name, e, time.Now())
		}
	}
	sending, cancel := context.WithTimeout(ctx, n.c.Timeout)
	err := n.c.Sender.Send(sending, notices)
	cancel()

	var refused *RefusedError
	var partly *PartlyError
	retried, now := false, time.Now()
	n.mu.Lock()
	n.flight = nil
	switch {
	case err != nil && ctx.Err() != nil:
		// The program stops: what was under way is tried at the next start.
		n.back(batch)
		n.mu.Unlock()
		return nil //nolint:nilerr // it is not given up
	case err == nil, errors.As(err, &partly):
		n.health.Sent += uint64(len(batch))
		n.failed, n.size, n.sentAt = 0, min(2*n.size, n.c.Batch), now
		n.recent = slices.DeleteFunc(n.recent, func(t time.Time) bool { return now.Sub(t) > floodTime })
		for i := range batch {
			n.recent = append(n.recent, now)
			switch name := batch[i].Event.Alarm; name {
			case "":
			case AliveName:
				n.health.Alive = batch[i].Event.Time
			default:
				n.told[name] = append(n.told[name], now)
			}
		}
	case errors.As(err, &refused):
		n.health.SetAside += uint64(len(batch))
		n.failed = 0
	default:
		retried = n.retry(batch)
	}
	n.mu.Unlock()
	n.outcome(err)
	n.remember()
	if retried {
		return err
	}
	return nil
}

// retry puts back what failed, and reports whether there is anything. A notice
// that fails by itself while others get through is set aside in the end; needs
// n.mu.
func (n *Notifier) retry(batch []item) bool {
	n.health.Failed++
	n.failed++
	if n.c.Digest && len(batch) > 1 {
		n.size = 1 // whose fault it is shows one by one
	} else if n.failed >= suspectAfter {
		n.size = max(1, min(n.size, len(batch))/2)
	}
	x := &batch[0]
	n.alone = len(batch) == 1 && (n.failed == 1 || n.several || n.alone && n.culprit == x.Key())
	n.several = len(batch) > 1
	n.culprit = x.Key()
	if !n.alone {
		n.back(batch)
		return true
	}
	if x.tries == 0 {
		x.passed = n.health.Sent
	}
	x.tries++
	if n.health.Sent > x.passed && x.tries >= poisonAfter {
		n.health.SetAside++
		n.failed = 0
		n.c.Log.Error("a notice is set aside: the receiver takes others, but not this one", "notifier", n.c.Name, "alarm", x.Event.Alarm)
		return false
	}
	n.back(batch)
	return true
}

// delay keeps one notice back for a while, longer each time that it failed.
func (n *Notifier) delay(key string, wait time.Duration) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if i := slices.IndexFunc(n.queue, func(x item) bool { return x.Key() == key }); i >= 0 {
		x := &n.queue[i]
		least := firstPause << min(x.tries-1, 12)
		x.due = time.Now().Add(min(max(wait, least/2+rand.N(least/2)), n.c.MaxPause))
	}
}

// back puts notices back whose alarm has nothing newer waiting; needs n.mu.
func (n *Notifier) back(batch []item) {
	for _, x := range slices.Backward(batch) {
		if i := slices.IndexFunc(n.queue, func(y item) bool { return x.Event.Alarm != "" && y.Event.Alarm == x.Event.Alarm }); i >= 0 {
			n.queue[i].Before += x.Before + 1
			n.health.Replaced++
			continue
		}
		n.queue = slices.Insert(n.queue, 0, x)
	}
	n.bound()
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
	for _, list := range [][]item{n.queue, n.flight} {
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
	n.queue = slices.DeleteFunc(n.queue, func(x item) bool {
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
