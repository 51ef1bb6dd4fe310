package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"calandria/alerting"
	"calandria/alerting/notify"
	"calandria/collector"
	"calandria/console"
	"calandria/historian"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/pan"
)

// loop owns the truth: the core with its frame and engines. Others send it
// messages and get immutable pictures.
type loop struct {
	core      *core
	archive   *historian.Archive
	journal   *historian.Committer
	sources   []*collector.Client
	forward   func() (ok bool, text string) // nil: no forwarder
	notifiers []*notify.Notifier
	toldOf    map[*notify.Notifier]told
	specs     map[string]*plant.AlarmSpec // definitions in force, for the notifiers
	log       *slog.Logger
	m         *loopMetrics
	board     *board
	now       func() time.Time

	calls    chan func()        // from others, to be run in the loop's own goroutine
	records  []historian.Record // waiting for the archive
	seq      uint64
	overruns float64

	keepStrike    func(historian.Strike) (int64, error) // nil: strikes are not recorded
	strikes       []thermo.FinishedStrike               // waiting for the journal
	strikeRefused bool

	insights    insights
	connected   map[string]bool
	lastRun     time.Time // last sign of life before this start, zero at a first start
	refused     bool      // the archive refused the last batch
	unjournaled bool
	lastSample  time.Time
}

func newLoop(c *core, a *historian.Archive, j *historian.Committer, sources []*collector.Client, reg prometheus.Registerer, log *slog.Logger) *loop {
	l := &loop{core: c, archive: a, journal: j, sources: sources, log: log, board: newBoard(c.house, c.rules.Alarms()), now: time.Now,
		m: newLoopMetrics(reg), calls: make(chan func()), connected: map[string]bool{},
		toldOf: map[*notify.Notifier]told{}, specs: specsByName(c.rules.Alarms())}
	c.rules.Watch(l.now)
	c.record = func(id plant.TagID, p plant.Point) {
		l.records = append(l.records, historian.Record{Path: c.house.Tags[id].Path, Point: p})
	}
	return l
}

// batch is what a source sent, or its end.
type message struct {
	batch  *collector.Batch
	health *collector.Health
}

// Run owns the core until ctx ends. Scan ticks never queue up: a ticker drops
// those that come while one is being worked on, and they are counted.
func (l *loop) Run(ctx context.Context) error {
	in := make(chan message) // unbuffered: sources hold back while the loop is busy
	done := make(chan struct{})
	defer func() { <-done }()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go l.gather(ctx, in, done)

	tick := time.NewTicker(l.core.house.Config.Scan)
	defer tick.Stop()
	start := l.now()
	l.core.begin(start)
	l.event(l.started(start))
	l.scan(start)
	for {
		select {
		case <-ctx.Done():
			now := l.now()
			l.store([]plant.Event{{Time: now, Kind: plant.EventStop, Text: "the program stopped in order"}}, now, true)
			l.flush()
			return nil
		case m := <-in:
			l.message(m)
		case f := <-l.calls:
			f()
		case <-tick.C:
			began := l.now()
			l.scan(began)
			took := l.now().Sub(began)
			l.m.scan.Observe(took.Seconds())
			if took > l.core.house.Config.Scan {
				l.overruns++
				l.m.overruns.Inc()
			}
		}
	}
}

// started is the event of a start. After a crash it says how long the program
// was down: measures of the alarm system leave that time out.
func (l *loop) started(now time.Time) plant.Event {
	e := plant.Event{Time: now, Kind: plant.EventStart, Text: "the program started"}
	if l.lastRun.IsZero() {
		return e
	}
	e.DurationS = now.Sub(l.lastRun).Seconds()
	e.Text = fmt.Sprintf("the program started; it was down for %s", now.Sub(l.lastRun).Round(time.Second))
	return e
}

// gather forwards what the sources send into one channel.
func (l *loop) gather(ctx context.Context, in chan<- message, done chan<- struct{}) {
	defer close(done)
	finished := make(chan struct{})
	for _, s := range l.sources {
		go func() {
			defer func() { finished <- struct{}{} }()
			batches, changes := s.Batches(), s.Changes()
			for batches != nil || changes != nil {
				var m message
				select {
				case b, ok := <-batches:
					if !ok {
						batches = nil
						continue
					}
					m.batch = &b
				case h, ok := <-changes:
					if !ok {
						changes = nil
						continue
					}
					m.health = &h
				}
				select {
				case in <- m:
				case <-ctx.Done():
					// Let the source finish: it may still be sending.
				}
			}
		}()
	}
	for range l.sources {
		<-finished
	}
}

func (l *loop) message(m message) {
	now := l.now()
	if m.health != nil {
		l.source(m.health, now)
		l.commit(now)
		l.show(now)
		return
	}
	samples := m.batch.Samples
	l.m.samples.Add(float64(len(samples)))
	l.lastSample = now
	// All of it goes to the archive; then it is stepped through in order of
	// source time. Samples of one tag keep the order they came in.
	for _, s := range samples {
		l.records = append(l.records, historian.Record{Path: l.core.house.Tags[s.Tag].Path, Point: s.Point})
	}
	slices.SortStableFunc(samples, func(a, b plant.Sample) int { return a.Point.Time.Compare(b.Point.Time) })
	late, future := l.core.late, l.core.future
	for _, s := range samples {
		l.core.sample(s, now)
	}
	l.m.late.Add(float64(l.core.late - late))
	l.m.future.Add(float64(l.core.future - future))
	if l.commit(now) {
		l.show(now)
	}
}

// source notes that a data source was lost or came back.
func (l *loop) source(h *collector.Health, now time.Time) {
	up := h.Connected()
	old, known := l.connected[h.Server]
	l.connected[h.Server] = up
	if known && old == up || !known && !up {
		return
	}
	e := plant.Event{Time: h.Since, Kind: plant.EventSource, Source: h.Server, Text: "connected to " + h.Endpoint}
	if !up {
		e.Text = "connection lost: " + h.LastError
	}
	if e.Time.IsZero() {
		e.Time = now
	}
	l.event(e)
}

// hold is how long timers wait for samples that are still on their way: the
// longest publishing interval and a little for the network. An alarm without a
// delay is raised by its sample at once; a delay's event carries the moment of
// expiry in any case.
func (l *loop) hold() time.Duration {
	var longest time.Duration
	for _, s := range l.core.house.Config.OPCUA.Servers {
		longest = max(longest, s.Publish)
	}
	return longest + 300*time.Millisecond
}

func (l *loop) scan(at time.Time) {
	l.systemTags(at)
	l.core.scan(at)
	l.core.alarms.Advance(at.Add(-l.hold()))
	l.commit(at)
	l.keepStrikes()
	l.flush()
	l.show(at)
}

func (l *loop) systemTags(at time.Time) {
	c := l.core
	flag := func(ok bool) float64 {
		if ok {
			return 1
		}
		return 0
	}
	c.set("scan_overruns", l.overruns, at)
	c.set("archive_ok", flag(!l.refused && l.archive.Health().OK), at)
	c.set("journal_ok", flag(!l.unjournaled), at)
	forward := true
	if l.forward != nil {
		forward, _ = l.forward()
	}
	c.set("forward_ok", flag(forward), at)
	c.set("bad_tags_pct", c.badTagsPct(), at)
	if !l.lastSample.IsZero() {
		c.set("sample_age", at.Sub(l.lastSample).Seconds(), at)
	}
	c.set("notify_ok", flag(l.notifyHealth(at)), at)
	c.set("rule_faults", float64(len(l.faultyRules(at))), at)
	for _, s := range l.sources {
		h := s.Health()
		c.set(serverTag(s.Name()), flag(h.Connected()), at)
	}
}

// flush hands what was recorded to the archive. A refusal is logged once; the
// alarms go on.
func (l *loop) flush() {
	if len(l.records) == 0 {
		return
	}
	err := l.archive.Append(l.records)
	if err != nil {
		l.m.refused.Add(float64(len(l.records)))
	}
	if (err != nil) != l.refused {
		l.refused = err != nil
		if l.refused {
			l.log.Error("the archive takes no values; alarms go on", "err", err)
		} else {
			l.log.Info("the archive takes values again")
		}
	}
	clear(l.records)
	l.records = l.records[:0]
}

// event journals a fact that is not an alarm's.
func (l *loop) event(e plant.Event) {
	l.store([]plant.Event{e}, l.now(), false)
}

// commit journals the engine's events and reports whether there were any. The
// journal comes first; what it cannot take waits in the committer's backlog.
func (l *loop) commit(now time.Time) bool {
	events := l.core.drain()
	if len(events) == 0 {
		if l.unjournaled {
			l.store(nil, now, false)
		}
		return false
	}
	l.store(events, now, false)
	return true
}

// store journals events with what changed of the alarm states, or all of it.
func (l *loop) store(events []plant.Event, now time.Time, all bool) {
	for i := range events {
		events[i].Received = now
		if t, ok := l.core.house.Find(events[i].Source); ok && events[i].Unit == "" {
			events[i].Unit = t.Unit
		}
	}
	state, err := stateOf(l.core.alarms, all)
	if err != nil {
		l.log.Error("alarm states cannot be encoded", "err", err)
	}
	stored := l.journal.Commit(events, state)
	if stored && len(events) > 0 {
		l.m.journal.Observe(l.now().Sub(now).Seconds())
	}
	for i := range events {
		l.seq = max(l.seq, events[i].Seq)
	}
	l.m.events.Add(float64(len(events)))
	l.tell(events)
	if stored == l.unjournaled {
		l.unjournaled = !stored
		l.core.alarms.RecordLost(!stored, now)
	}
}

func (l *loop) command(c alerting.Command) error {
	now := l.now()
	err := l.core.alarms.Do(c, now)
	l.commit(now)
	l.show(now)
	return err
}

// call runs f in the loop's goroutine, where it may use the core, and waits
// until it is done. f must be short: no sample is looked at meanwhile.
func (l *loop) call(ctx context.Context, f func()) error {
	done := make(chan struct{})
	select {
	case l.calls <- func() { defer close(done); f() }:
		<-done
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the program is busy or stopping: %w", ctx.Err())
	}
}

// Do sends a command to the loop and waits for its outcome.
func (l *loop) Do(ctx context.Context, c alerting.Command) error {
	var refused error
	if err := l.call(ctx, func() { refused = l.command(c) }); err != nil {
		return err
	}
	return refused
}

// show posts a new picture.
func (l *loop) show(at time.Time) {
	c := l.core
	s := &snapshot{house: c.house, specs: c.rules.Alarms()}
	s.At, s.Frame, s.Alarms = at, c.frame.Clone(), c.alarms.Snapshot()
	s.Seq = l.seq
	for i := range s.Alarms {
		if a := &s.Alarms[i]; a.Active {
			a.Words = c.words(a.Spec)
		}
	}
	s.Reasons, s.How, s.Sigma = map[plant.TagID]string{}, map[plant.TagID]string{}, map[plant.TagID]float64{}
	for i := range c.values {
		v := &c.values[i]
		switch {
		case !v.Point.Usable():
			s.Reasons[v.Tag] = v.Reason
		case v.Reason != "":
			s.How[v.Tag] = v.How + ": " + v.Reason
		default:
			s.How[v.Tag] = v.How
		}
		if v.Sigma > 0 {
			s.Sigma[v.Tag] = v.Sigma
		}
	}
	for _, src := range l.sources {
		h := src.Health()
		line := console.SourceHealth{Name: h.Server, Connected: h.Connected(), Since: h.Since, Text: h.Endpoint}
		if !line.Connected && h.LastError != "" {
			line.Text = h.LastError
		} else if n := len(h.Faults); n > 0 {
			line.Text = fmt.Sprintf("%s; %d of %d tags cannot be read: %s", h.Endpoint, n, h.Tags, h.Faults[0].Error())
		}
		s.Sources = append(s.Sources, line)
		for _, f := range h.Faults {
			s.Reasons[f.Tag] = f.Problem
		}
	}
	for _, n := range l.notifiers {
		n.Show(s.Alarms)
	}
	s.Health = l.healthLines(at)
	s.Strikes = strikes(c.calc.Strikes())
	s.Suspects, s.Vacuum = l.insights.of(c.calc, at, l.seq)
	l.board.post(s)
}

// strikes gives each pan's strike the form of the console: phases over, the
// present one, and those still to come as the usual strike has them.
func strikes(found []thermo.Strike) []console.Strike {
	var out []console.Strike
	for _, f := range found {
		s := console.Strike{Pan: f.Pan}
		usual := map[pan.Phase]time.Duration{}
		if f.Usual != nil {
			s.Expected = f.Usual.Length(f.Usual.End)
			for _, p := range f.Usual.Phases {
				usual[p.Phase] += p.Duration(f.Usual.End)
			}
		}
		last := f.Phase
		if f.Running == nil {
			s.Phases = []console.StrikePhase{{Name: f.Phase.String(), Start: f.Since, Expected: usual[f.Phase]}}
		} else {
			s.Started = f.Running.Start
			for _, p := range f.Running.Profile {
				if p.Supersaturation.OK {
					s.Profile = append(s.Profile, console.StrikePoint{At: p.At, S: p.Supersaturation.Value})
				}
			}
			for _, p := range f.Running.Phases {
				s.Phases = append(s.Phases, console.StrikePhase{Name: p.Phase.String(), Start: p.Start, End: p.End, Expected: usual[p.Phase]})
				last = p.Phase
			}
			if f.Usual != nil {
				for _, p := range f.Usual.Phases {
					if p.Phase > last {
						s.Phases = append(s.Phases, console.StrikePhase{Name: p.Phase.String(), Expected: usual[p.Phase]})
					}
				}
			}
		}
		out = append(out, s)
	}
	return out
}

func (l *loop) healthLines(at time.Time) []console.HealthLine {
	a := l.archive.Health()
	archive := console.HealthLine{Name: "archive", OK: a.OK && !l.refused, Text: fmt.Sprintf("%d samples stored, %d waiting, %d refused", a.Stored, a.Pending, a.Refused)}
	if !archive.OK && a.LastError != nil {
		archive.Text = "values are not being stored: " + plain(a.LastError)
	}
	j := l.journal.Health()
	journal := console.HealthLine{Name: "journal", OK: !l.unjournaled, Text: fmt.Sprintf("%d entries", l.seq)}
	if l.unjournaled {
		journal.Text = fmt.Sprintf("events are not being stored, %d wait in memory: %s", j.Waiting, plain(j.Err))
	}
	lines := []console.HealthLine{archive, journal}
	if l.forward != nil {
		ok, text := l.forward()
		lines = append(lines, console.HealthLine{Name: "InfluxDB", OK: ok, Text: text})
	}
	for _, n := range l.notifiers {
		h := n.Health()
		lines = append(lines, console.HealthLine{Name: "notifier " + h.Name, OK: h.OK, Text: h.String()})
	}
	ok, text := ruleLine(l.faultyRules(at), len(l.specs))
	lines = append(lines, console.HealthLine{Name: "rules", OK: ok, Text: text})
	return lines
}

// plain gives the innermost error: the cause, without paths.
func plain(err error) string {
	if err == nil {
		return ""
	}
	for {
		u := errors.Unwrap(err)
		if u == nil {
			return err.Error()
		}
		err = u
	}
}
