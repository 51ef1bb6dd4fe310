package engine

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
)

// Archive takes the values. Append must not wait for a slow disk: it refuses.
// What it has taken is on the disk when stored is called, if ever.
type Archive interface {
	Append(values []plant.Record, stored ...func()) error
	State() Stored
}

// Stored says how an archive stands.
type Stored struct {
	OK   bool
	Text words.Text // one line for a person
	// Damage says which files are damaged and for which time, "" for none.
	Damage words.Text
	// FreePct is how much of the disk is free, %; NaN if nobody knows.
	FreePct float64
}

// Journal takes events and what changed of the alarms' states. Commit numbers
// the events in place and reports whether all is durable; what is not waits
// there.
type Journal interface {
	Commit(events []plant.Event, state map[string][]byte, whole bool) (stored bool)
	Waiting() (events int, err error)
	// Beat stores a sign of life that is no entry.
	Beat(at time.Time) error
}

// Counter and Observer are what the loop counts with.
type (
	Counter  interface{ Add(float64) }
	Observer interface{ Observe(float64) }
)

// Counts are the counters of the loop. All must be set.
type Counts struct {
	Samples, Late, Future, Events, Overruns, Refused Counter
	ScanSeconds, JournalSeconds                      Observer
}

// Notifier tells people elsewhere of events. No method waits. It is used as the key of
// a map.
type Notifier interface {
	// Offer hands over a journalled event of an alarm.
	Offer(e plant.Event, spec *plant.AlarmSpec)
	// Show hands over the latest picture of all alarms, which must not be changed.
	Show(alarms []alerting.Status)
	State() NotifierState
	// Tell hands over what is no event of an alarm. A sign of life is sent at the
	// pace that the receiver wants.
	Tell(e plant.Event, signOfLife bool)
}

// NotifierState is how a Notifier is doing.
type NotifierState struct {
	Name    string
	Text    words.Text
	OK      bool   // the last delivery worked, or nothing has been tried yet
	Refused uint64 // notices that the receiver will not take
	// AliveEvery is how often the receiver wants a sign of life, 0: never; Alive is
	// when the last one that was delivered was made.
	AliveEvery time.Duration
	Alive      time.Time
}

// LoopOptions are what a Loop needs.
type LoopOptions struct {
	Core    *Core
	Archive Archive
	Journal Journal
	// Sources tell how the servers that are read stand; each may be called at
	// any time.
	Sources   []func() Source
	Notifiers []Notifier
	// Forward tells how the forwarder stands; nil: there is none.
	Forward func() (ok bool, text words.Text)
	// Forwarded is when the last values reached InfluxDB; nil: there is none.
	Forwarded func() time.Time
	// Pages tells how many pages are open, and when the one that has waited
	// longest was sent its last heartbeat; nil: there are none.
	Pages func() (open int, oldest time.Time)
	// KeepStrike puts a strike on record; nil: strikes are not recorded. One that
	// is refused is offered again.
	KeepStrike func(*thermo.FinishedStrike) error
	// Checkpoint stores what the core has learned, once a minute and at the stop;
	// nil: it is not stored.
	Checkpoint func(data []byte) error
	// Damage says which other files of the program are damaged or were set aside,
	// "" for none; nil: it is not known.
	Damage  func() words.Text
	LastRun time.Time               // last sign of life before this start, zero at a first start
	Events  []plant.Event           // found at the start: to be journalled first
	Strikes []thermo.FinishedStrike // the same
	Counts  Counts
	Now     func() time.Time // nil: that of Clock
	Clock   *Clock           // nil: a new one
	// Offsets are how far the archive says that the clocks behind tags were ahead.
	Offsets map[plant.TagID]time.Duration
	Log     *slog.Logger
}

// Loop owns the truth: the Core of the running program. Others send it messages
// and get immutable pictures.
type Loop struct {
	LoopOptions
	core  *Core
	board board
	specs map[string]*plant.AlarmSpec // definitions in force, for the notifiers

	in    chan func()    // from the sources: they hold back while the loop is busy
	calls chan func()    // from others, to be run in the loop's own goroutine
	queue []plant.Record // waiting for the archive
	heard []func()       // to be called once the queue is stored

	journalled map[Notifier]notifyRecord
	strikes    []thermo.FinishedStrike // waiting for the journal
	insights   insights
	connected  map[string]bool
	gaps       map[string]string
	confirmed  []time.Time // when each tag was heard of last
	owners     owners
	beats      beats

	seq           uint64
	overruns      float64
	refused       bool // the archive refused the last batch
	unjournaled   bool
	strikeRefused bool
	lastSample    time.Time
	saved         time.Time // the last checkpoint
	unsaved       bool      // it could not be stored
}

// NewLoop puts a loop together; nothing runs yet.
func NewLoop(o LoopOptions) *Loop {
	if o.Clock == nil {
		o.Clock = NewClock()
	}
	if o.Now == nil {
		o.Now = o.Clock.Now
	}
	c := o.Core
	l := &Loop{LoopOptions: o, core: c, specs: SpecsByName(c.Rules.Alarms()), in: make(chan func()), calls: make(chan func()),
		strikes: o.Strikes, journalled: map[Notifier]notifyRecord{}, connected: map[string]bool{}, gaps: map[string]string{}}
	l.confirmed = make([]time.Time, len(c.House.Tags))
	if l.Offsets == nil {
		l.Offsets = map[plant.TagID]time.Duration{}
	}
	l.board.start, l.board.changed = Picture{House: c.House, Specs: c.Rules.Alarms()}, make(chan struct{})
	c.Rules.Watch(l.Now)
	c.Record = func(id plant.TagID, p plant.Point) {
		l.queue = append(l.queue, plant.Record{Path: l.core.House.Tags[id].Path, Point: p})
	}
	return l
}

// SpecsByName finds alarm definitions by name.
func SpecsByName(specs []plant.AlarmSpec) map[string]*plant.AlarmSpec {
	m := make(map[string]*plant.AlarmSpec, len(specs))
	for i := range specs {
		m[specs[i].Name] = &specs[i]
	}
	return m
}

// Run owns the core until ctx ends. Scan ticks never queue up: a ticker drops
// those that come while one is being worked on, and they are counted.
func (l *Loop) Run(ctx context.Context) error {
	interval := l.core.House.Config.Scan
	tick := time.NewTicker(l.Clock.Real(interval))
	defer tick.Stop()
	start := l.Now()
	l.core.Begin(start)
	l.beginBeats(start)
	l.Event(l.started(start))
	if len(l.Events) > 0 {
		l.store(l.Events, start, true)
	}
	l.scan(start)
	for {
		select {
		case <-ctx.Done():
			now := l.Now()
			l.store([]plant.Event{{Time: now, Kind: plant.EventStop, Text: "the program stopped in order"}}, now, true)
			l.flush()
			l.checkpoint(now)
			return nil
		case f := <-l.in:
			f()
		case f := <-l.calls:
			f()
		case <-tick.C:
			began := l.Now()
			l.scan(began)
			took := l.Now().Sub(began)
			l.Counts.ScanSeconds.Observe(took.Seconds())
			if took > interval {
				l.overruns++
				l.Counts.Overruns.Add(1)
			}
		}
	}
}

// started is the event of a start. After a crash it says how long the program
// was down: measures of the alarm system leave that time out.
func (l *Loop) started(now time.Time) plant.Event {
	e := plant.Event{Time: now, Kind: plant.EventStart, Text: "the program started"}
	if l.LastRun.IsZero() {
		return e
	}
	e.DurationS = now.Sub(l.LastRun).Seconds()
	e.Text = fmt.Sprintf("the program started; it was down for %s", now.Sub(l.LastRun).Round(time.Second))
	return e
}

// Take gives the loop what a source sent, in the tags' own units, and waits
// until the loop has it or ctx ends. The loop keeps the slice. Once the samples
// are on the disk stored is called, from some goroutine.
func (l *Loop) Take(ctx context.Context, samples []plant.Sample, stored ...func()) {
	l.send(ctx, func() {
		l.take(samples)
		l.heard = append(l.heard, stored...)
	})
}

// Connection tells the loop that a source was lost or came back.
func (l *Loop) Connection(ctx context.Context, s Source) {
	l.send(ctx, func() {
		now := l.Now()
		l.source(&s, now)
		l.commit(now)
		l.Show(now)
	})
}

func (l *Loop) send(ctx context.Context, f func()) {
	select {
	case l.in <- f:
	case <-ctx.Done():
	}
}

func (l *Loop) take(samples []plant.Sample) {
	now := l.Now()
	l.Counts.Samples.Add(float64(len(samples)))
	l.lastSample = now
	// All of it goes to the archive; then it is stepped through in order of
	// source time. Samples of one tag keep the order they came in.
	for _, s := range samples {
		path := l.core.House.Tags[s.Tag].Path
		l.confirmed[s.Tag] = now
		if s.Offset != l.Offsets[s.Tag] {
			l.Offsets[s.Tag] = s.Offset
			l.queue = append(l.queue, plant.Record{Path: OffsetPath(path), Point: plant.Point{Time: s.Point.Time, Value: s.Offset.Seconds(), Quality: plant.Good}})
		}
		l.queue = append(l.queue, plant.Record{Path: path, Point: s.Point})
	}
	slices.SortStableFunc(samples, func(a, b plant.Sample) int { return a.Point.Time.Compare(b.Point.Time) })
	late, future := l.core.late, l.core.future
	for _, s := range samples {
		l.core.Sample(s, now)
	}
	l.Counts.Late.Add(float64(l.core.late - late))
	l.Counts.Future.Add(float64(l.core.future - future))
	if l.commit(now) {
		l.Show(now)
	}
}

// source journals that a data source was lost or came back.
func (l *Loop) source(s *Source, now time.Time) {
	if s.Gap != l.gaps[s.Name] {
		l.gaps[s.Name] = s.Gap
		l.Event(plant.Event{Time: now, Kind: plant.EventSource, Source: s.Name, Text: s.Gap})
	}
	old, known := l.connected[s.Name]
	l.connected[s.Name] = s.Connected
	if known && old == s.Connected || !known && !s.Connected {
		return
	}
	e := plant.Event{Time: s.Since, Kind: plant.EventSource, Source: s.Name, Text: "connected to " + s.Endpoint}
	if !s.Connected {
		e.Text = "connection lost: " + s.LastError
	}
	if e.Time.IsZero() {
		e.Time = now
	}
	l.Event(e)
}

func (l *Loop) scan(at time.Time) {
	l.systemTags(at)
	l.beat(at)
	l.core.Scan(at)
	l.core.Alarms.Advance(at.Add(-l.core.UnderWay()))
	l.commit(at)
	l.keepStrikes()
	l.flush()
	if at.Sub(l.saved) >= checkpointEvery || at.Before(l.saved) {
		l.checkpoint(at)
	}
	l.Show(at)
}

// checkpointEvery is how often the learned state is stored: what a kill loses of
// it is read from the archive again.
const checkpointEvery = time.Minute

func (l *Loop) checkpoint(at time.Time) {
	if l.saved = at; l.Checkpoint == nil {
		return
	}
	data, err := l.core.Save(at)
	if err == nil {
		err = l.Checkpoint(data)
	}
	if err != nil && !l.unsaved {
		l.Log.Error("what has been learned cannot be stored; a restart would read the archive instead", "err", err)
	}
	l.unsaved = err != nil
}

func (l *Loop) systemTags(at time.Time) {
	c := l.core
	c.Set("scan_overruns", l.overruns, at)
	archive := l.Archive.State()
	c.Set("archive_ok", plant.Flag(!l.refused && archive.OK), at)
	c.Set("files_intact", plant.Flag(archive.Damage == "" && l.otherDamage() == ""), at)
	if !math.IsNaN(archive.FreePct) {
		c.Set("disk_free_pct", archive.FreePct, at)
	}
	c.Set("journal_ok", plant.Flag(!l.unjournaled), at)
	forward := true
	if l.Forward != nil {
		forward, _ = l.Forward()
	}
	c.Set("forward_ok", plant.Flag(forward), at)
	c.Set("bad_tags_pct", c.BadTagsPct(), at)
	if !l.lastSample.IsZero() {
		c.Set("sample_age", at.Sub(l.lastSample).Seconds(), at)
	}
	c.Set("notify_ok", plant.Flag(l.notifyHealth(at)), at)
	c.Set("rule_faults", float64(len(l.faultyRules(at))), at)
	l.say(archive.Damage)
	var worst time.Duration
	misstamped, crashes := 0, uint64(0)
	var ended, wrong, off []words.Text
	for _, source := range l.Sources {
		s := source()
		c.Set(ServerTag(s.Name), plant.Flag(s.Connected), at)
		c.Set(ClockTag(s.Name), coarse(s.ClockOffset()), at)
		if worst.Abs() < s.ClockOffset().Abs() {
			worst = s.ClockOffset()
		}
		misstamped += s.MisstampedTags
		crashes += s.Crashes
		if s.Crashes > 0 {
			ended = append(ended, words.Say("%s, %d times, the last: %s", s.Name, s.Crashes, s.LastError))
		}
		if s.MisstampedTags > 0 {
			wrong = append(wrong, words.Say("%d of %s", s.MisstampedTags, s.Name))
		}
		if o := s.ClockOffset(); o.Abs() >= time.Second {
			off = append(off, words.Say("%s by %s", s.Name, o.Round(100*time.Millisecond).String()))
		}
	}
	c.Say("reader_crashes", words.Join(ended, "; "))
	c.Say("misstamped_tags", words.Join(wrong, ", "))
	c.Say("clock_offset", words.Join(off, ", "))
	c.Set("clock_offset", coarse(worst), at)
	c.Set("reader_crashes", float64(crashes), at)
	c.Set("misstamped_tags", float64(misstamped), at)
	c.Set("own_clock_offset", coarse(l.Clock.Off()), at)
}

// say puts words beside the facts that an alarm does not explain by itself.
func (l *Loop) say(damage words.Text) {
	var lost []words.Text
	for _, n := range l.Notifiers {
		if s := n.State(); !s.OK {
			lost = append(lost, words.Say("%s: %s", s.Name, s.Text))
		}
	}
	l.core.Say("notify_ok", words.Join(lost, "; "))
	l.core.Say("files_intact", words.Both(damage, l.otherDamage()))
}

// coarse gives seconds so that they are not archived anew at each scan: to a
// tenth, and beyond ten to a hundredth of the offset.
func coarse(d time.Duration) float64 {
	step := max(100*time.Millisecond, (d.Abs() / 100).Truncate(100*time.Millisecond))
	return d.Round(step).Seconds()
}

// flush hands what was recorded to the archive. A refusal is logged once; the
// alarms go on.
func (l *Loop) flush() {
	if len(l.queue) == 0 {
		return
	}
	err := l.Archive.Append(l.queue, l.heard...)
	if err != nil {
		l.Counts.Refused.Add(float64(len(l.queue)))
	}
	if (err != nil) != l.refused {
		l.refused = err != nil
		if l.refused {
			l.Log.Error("the archive takes no values; alarms go on", "err", err)
		} else {
			l.Log.Info("the archive takes values again")
		}
	}
	clear(l.queue)
	clear(l.heard)
	l.queue, l.heard = l.queue[:0], l.heard[:0]
}

// Event journals a fact that is not an alarm's. Only what runs in the loop's
// goroutine may call it: see [Loop.Call].
func (l *Loop) Event(e plant.Event) {
	l.store([]plant.Event{e}, l.Now(), false)
}

// commit journals the core's events and reports whether there were any. The
// journal comes first; what it cannot take waits there.
func (l *Loop) commit(now time.Time) bool {
	events := l.core.Drain()
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
func (l *Loop) store(events []plant.Event, now time.Time, all bool) {
	for i := range events {
		events[i].Received = now
		if t, ok := l.core.House.Find(events[i].Source); ok && events[i].Unit == "" {
			events[i].Unit = t.Unit
		}
	}
	state, whole, err := l.core.Alarms.SaveParts(all)
	if err != nil {
		l.Log.Error("alarm states cannot be encoded", "err", err)
	}
	stored := l.Journal.Commit(events, state, whole)
	if stored && len(events) > 0 {
		l.Counts.JournalSeconds.Observe(l.Now().Sub(now).Seconds())
	}
	for i := range events {
		l.seq = max(l.seq, events[i].Seq)
	}
	l.Counts.Events.Add(float64(len(events)))
	l.offer(events)
	if stored == l.unjournaled {
		l.unjournaled = !stored
		l.core.Alarms.RecordLost(!stored, now)
	}
}

// Call runs f in the loop's goroutine, where it may use the core, and waits
// until it is done. f must be short: no sample is looked at meanwhile.
func (l *Loop) Call(ctx context.Context, f func(c *Core)) error {
	done := make(chan struct{})
	select {
	case l.calls <- func() { defer close(done); f(l.core) }:
		<-done
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the program is busy or stopping: %w", ctx.Err())
	}
}

// ErrNotOnRecord says that a command was done, but that the journal could not
// take it yet: its record waits in memory, and is lost if the program ends.
var ErrNotOnRecord = errors.New("done, but not yet on record: the journal cannot be written")

// Do sends a command to the loop and waits for its outcome; a refusal is an
// *alerting.Refusal and has been journalled, or ErrNotOnRecord.
func (l *Loop) Do(ctx context.Context, cmd alerting.Command) error {
	var refused error
	err := l.Call(ctx, func(c *Core) {
		now := l.Now()
		refused = c.Alarms.Do(cmd, now)
		if l.commit(now); refused == nil && l.unjournaled {
			refused = ErrNotOnRecord
		}
		l.Show(now)
	})
	if err != nil {
		return err
	}
	return refused
}

// strikesWaiting bounds the strikes that wait for a journal that cannot be written; the
// oldest goes first, and that is logged.
const strikesWaiting = 100

// keepStrikes stores the strikes that have ended. One that cannot be stored waits for the
// next scan.
func (l *Loop) keepStrikes() {
	l.strikes = append(l.strikes, l.core.Calc.TakeFinished()...)
	if over := len(l.strikes) - strikesWaiting; over > 0 {
		l.Log.Error("strikes are lost: the journal takes no records", "count", over)
		l.strikes = slices.Delete(l.strikes, 0, over)
	}
	for len(l.strikes) > 0 && l.KeepStrike != nil {
		if err := l.KeepStrike(&l.strikes[0]); err != nil {
			if !l.strikeRefused {
				l.Log.Error("a strike is not recorded yet", "pan", l.strikes[0].Pan, "err", err)
			}
			l.strikeRefused = true
			return
		}
		l.strikeRefused = false
		l.strikes = slices.Delete(l.strikes, 0, 1)
	}
}

// Show posts a new picture. Only what runs in the loop's goroutine may call it.
func (l *Loop) Show(at time.Time) {
	p := l.core.Picture(at)
	p.Seq = l.seq
	for _, source := range l.Sources {
		s := source()
		for _, f := range s.Faults {
			p.Reasons[f.Tag] = f.Problem
		}
		for _, m := range s.Misstamped {
			p.How[m.Tag] = cmp.Or(p.How[m.Tag], Origin{How: m.Text})
		}
		p.Sources = append(p.Sources, s)
	}
	p.ClockOff = l.Clock.Off()
	p.Confirmed = l.owners.confirmed(p, l.confirmed)
	for _, n := range l.Notifiers {
		n.Show(p.Alarms)
	}
	p.Health = l.health(at)
	p.Suspects, p.Vacuum = l.insights.asOf(l.core.Calc, at, l.seq)
	p.Stages = l.beats.all(at)
	p.Checks = l.insights.checks
	l.board.post(p)
	l.beats.through("picture", l.beats.sent, l.Now())
}

func (l *Loop) otherDamage() words.Text {
	if l.Damage == nil {
		return ""
	}
	return l.Damage()
}

func (l *Loop) health(at time.Time) []Health {
	archive := l.Archive.State()
	lines := []Health{{Name: "archive", OK: archive.OK && !l.refused, Text: archive.Text}}
	if archive.Damage != "" {
		lines = append(lines, Health{Name: "files of the archive", Text: archive.Damage})
	}
	if damage := l.otherDamage(); damage != "" {
		lines = append(lines, Health{Name: "files of the program", Text: damage})
	}
	journal := Health{Name: "journal", OK: !l.unjournaled, Text: words.Say("%d entries", l.seq)}
	if l.unjournaled {
		waiting, err := l.Journal.Waiting()
		journal.Text = words.Say("events are not being stored, %d wait in memory: %s", waiting, Cause(err))
	}
	lines = append(lines, journal)
	lines = append(lines, beatLine(l.beats.all(at), at))
	if off := l.Clock.Off(); off.Abs() > ownClockLimit {
		lines = append(lines, Health{Name: "clock", Text: words.Say("this machine's clock was set by %s; the program counts on by itself: restart it once the clock is right", off.Round(time.Second).String())})
	}
	if l.Forward != nil {
		ok, text := l.Forward()
		lines = append(lines, Health{Name: "InfluxDB", OK: ok, Text: text})
	}
	for _, n := range l.Notifiers {
		s := n.State()
		lines = append(lines, Health{Name: words.Say("notifier %s", s.Name), OK: s.OK, Text: s.Text})
	}
	ok, text := ruleLine(l.faultyRules(at), len(l.specs))
	return append(lines, Health{Name: "rules", OK: ok, Text: text})
}

// ownClockLimit is how far this machine's clock may be set before every page says
// so.
const ownClockLimit = 2 * time.Second

// Cause is the innermost error in words, without paths.
func Cause(err error) string {
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
