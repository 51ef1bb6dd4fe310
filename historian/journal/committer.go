package journal

import (
	"fmt"
	"log/slog"
	"sync"
	"time"

	"calandria/plant"
)

// Committer writes events to the journal and, when the disk refuses, keeps
// them in a bounded backlog and writes them later, in order: alarms outrank
// records.
//
// Events get their journal number at once, also in the backlog; should another
// process have written to the journal meanwhile, those that are stored get their
// true numbers. When the backlog is full the newest
// events are dropped and counted; they stay without number, and after recovery
// a RECORD event says how many are missing. One Commit may exceed the bound by
// its own events.
type Committer struct {
	j     *Journal
	limit int
	log   *slog.Logger

	mu      sync.Mutex
	backlog []plant.Event
	state   State
	next    uint64 // number of the next event
	shift   uint64 // by which the last write moved the numbers: lines of others
	dropped uint64 // all told
	lost    uint64 // dropped and not yet told in the journal
	since   time.Time
	err     error
}

// CommitHealth says how the Committer is doing.
type CommitHealth struct {
	OK      bool
	Err     error     // why the journal refuses
	Since   time.Time // event time of the first event that had to wait
	Waiting int
	Dropped uint64
}

// NewCommitter writes to j, with at most limit events waiting (default 10,000
// for 0 or less). Nothing else may call j.Append from then on.
func NewCommitter(j *Journal, limit int, log *slog.Logger) *Committer {
	if limit <= 0 {
		limit = 10_000
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	seq, _ := j.Head()
	return &Committer{j: j, limit: limit, log: log, next: seq + 1}
}

// Commit numbers the events in place and stores them with what changed of the
// state. It reports whether they are durable, with everything that
// waited before them; if not they wait, and the next Commit tries again. Commit
// with no events is a way to retry.
func (c *Committer) Commit(events []plant.Event, state State) (stored bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.state.add(state)
	lost := c.lost
	if lost > 0 && len(c.backlog) > 0 {
		// Try what waits first: the loss is told behind it, before the new.
		if !c.write() {
			c.keep(events)
			return false
		}
	}
	if lost > 0 {
		e := plant.Event{Kind: plant.EventRecord, Source: "calandria",
			Text: fmt.Sprintf("%d events were not recorded because the journal could not be written and its backlog was full", lost)}
		if len(events) > 0 {
			e.Time, e.Received = events[0].Time, events[0].Received
		} else {
			e.Time, e.Received = c.since, c.since
		}
		e.Seq = c.next
		c.next++
		c.backlog = append(c.backlog, e)
		c.lost = 0
	}
	c.keep(events)
	if len(c.backlog) == 0 && !c.state.Whole && len(c.state.Parts) == 0 {
		return true
	}
	if !c.write() {
		return false
	}
	for i := range events {
		if events[i].Seq != 0 { // else dropped
			events[i].Seq += c.shift
		}
	}
	return true
}

// keep numbers events and puts them into the backlog; needs c.mu.
func (c *Committer) keep(events []plant.Event) {
	for i := range events {
		if len(c.backlog) >= c.limit && c.err != nil {
			c.dropped++
			c.lost++
			continue
		}
		events[i].Seq = c.next
		c.next++
		c.backlog = append(c.backlog, events[i])
	}
}

// write tries to store the backlog; needs c.mu.
func (c *Committer) write() bool {
	out, err := c.j.Append(c.backlog, c.state)
	if err != nil {
		if c.err == nil {
			c.log.Error("journal cannot be written; events wait in memory", "err", err)
			if len(c.backlog) > 0 {
				c.since = c.backlog[0].Time
			}
		}
		c.err = err
		return false
	}
	if c.err != nil {
		c.log.Info("journal writes again", "events", len(c.backlog))
	}
	c.shift = 0
	if n := len(out); n > 0 {
		c.shift = out[n-1].Seq + 1 - c.next
		c.next += c.shift
	}
	c.backlog, c.state, c.err = nil, State{}, nil
	return true
}

// Health reports how the Committer is doing.
func (c *Committer) Health() CommitHealth {
	c.mu.Lock()
	defer c.mu.Unlock()
	return CommitHealth{OK: c.err == nil, Err: c.err, Since: c.since, Waiting: len(c.backlog), Dropped: c.dropped}
}
