package engine

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
)

// The heartbeat is a test signal of the program's own that goes the whole way: a
// sample, a rule and an alarm in a core of their own, the picture, the stream to
// each open page, the notice to each receiver that wants it, the journal, the
// archive, InfluxDB. What does not come through in time is late.

const (
	// beatEvery is how often the signal sets out; lateAfter how old the last one
	// that came through may be. Ours: three in a minute, and a minute that one may
	// miss. What leaves the machine has its own pauses after a failure.
	beatEvery     = 20 * time.Second
	lateAfter     = time.Minute
	lateElsewhere = 5 * time.Minute
	// standsStill is how old a picture may be before the guard takes the loop for
	// dead: more than any start, checkpoint or reload takes it.
	standsStill = 15 * time.Second
)

// Stage is one stretch of the way of the heartbeat.
type Stage struct {
	Name   string
	Sent   time.Time     // of the newest beat that has come through
	Delay  time.Duration // it took
	Late   bool
	Reason string // why not, where that is known
	limit  time.Duration
}

// stageNames are the stretches that every house has, in order; a receiver of
// notices that wants the sign of life has one more each.
var stageNames = []string{"alarm", "picture", "page", "journal", "archive", "forward", "notice"}

// words are those of its name: that of a receiver stays as it is.
func (s Stage) words() words.Text {
	kind, receiver, has := strings.Cut(s.Name, " ")
	if has {
		return words.Say("%s %s", words.Text(kind), receiver)
	}
	return words.Text(kind)
}

// StageTag names the system tag with the age of the last heartbeat that came
// through a stage, DelayTag that with the time it took. That of notices is the worst
// of the receivers.
func StageTag(stage string) string { return "heartbeat_" + stage + "_age" }

// DelayTag: see [StageTag].
func DelayTag(stage string) string { return "heartbeat_" + stage + "_delay" }

// beats follows the heartbeat; edges report from their own goroutines.
type beats struct {
	mu     sync.Mutex
	number uint64
	sent   time.Time
	stages map[string]*Stage
	probe  *Core
	fault  string // of the probe
}

// through notes that the present beat, or the one sent at a time, has come through
// a stage by now.
func (b *beats) through(stage string, sent, now time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if s := b.stages[stage]; s != nil && sent.After(s.Sent) {
		s.Sent, s.Delay, s.Reason = sent, max(0, now.Sub(sent)), ""
	}
}

func (b *beats) failed(stage, why string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if s := b.stages[stage]; s != nil {
		s.Reason = why
	}
}

// all gives the stages as of now. One that nothing goes through, such as pages
// while none is open, is not among them.
func (b *beats) all(now time.Time) []Stage {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []Stage
	for _, s := range b.stages {
		x := *s
		x.Late = now.Sub(x.Sent) > x.limit
		out = append(out, x)
	}
	place := func(s Stage) int { return slices.Index(stageNames, kindOf(s.Name)) }
	slices.SortFunc(out, func(x, y Stage) int { return cmp.Or(place(x)-place(y), cmp.Compare(x.Name, y.Name)) })
	return out
}

// kindOf is the name of a stage without that of the receiver.
func kindOf(stage string) string {
	kind, _, _ := strings.Cut(stage, " ")
	return kind
}

// beatLine tells of all stages in one line.
func beatLine(stages []Stage, at time.Time) Health {
	h := Health{Name: "test signal", OK: true}
	var through, late []words.Text
	for _, s := range stages {
		if !s.Late {
			through = append(through, words.Say("%s in %.1f s", s.words(), s.Delay.Seconds()))
			continue
		}
		h.OK = false
		text := words.Say("%s not since %s ago", s.words(), at.Sub(s.Sent).Round(time.Second).String())
		if s.Reason != "" {
			text = words.Say("%s (%s)", text, s.Reason)
		}
		late = append(late, text)
	}
	h.Text = words.Join(append(late, through...), ", ")
	return h
}

// probeRule is the alarm of the test signal.
const probeRule = `alarms:
  - name: heartbeat
    title: Test signal
    when: calandria.archive_ok == 0
    class: system
    severity: moderate
    time_to_respond: 8h
    cause: The program's own test signal.
    consequence: None.
    response: None.
    verify: None.
    hazard: None.
    procedure: None.
`

func (l *Loop) beginBeats(now time.Time) {
	b := &l.beats
	b.stages = map[string]*Stage{}
	add := func(name string, limit time.Duration) {
		b.stages[name] = &Stage{Name: name, Sent: now, limit: l.Clock.Passes(limit)}
	}
	for _, name := range []string{"alarm", "picture", "journal", "archive"} {
		add(name, lateAfter)
	}
	if l.Forwarded != nil {
		add("forward", lateElsewhere)
	}
	for _, n := range l.Notifiers {
		if s := n.State(); s.AliveEvery > 0 {
			add("notice "+s.Name, s.AliveEvery+lateElsewhere)
		}
	}
	house, err := plant.Load("heartbeat", []byte("site: {name: heartbeat}\nopcua: {servers: [{name: s, endpoint: \"opc.tcp://127.0.0.1:1\", policy: None, mode: None}]}\n"+
		"sets: [{name: S, bodies: [{name: B, heating_surface_m2: 1, tags: {vapour_pressure: {node: \"nsu=u;s=p\", unit: kPa}}}]}]\n"))
	if err == nil {
		b.probe, err = New(house, []rules.File{{Name: "heartbeat", Data: []byte(probeRule)}}, rules.Options{})
	}
	if err != nil {
		b.fault = err.Error()
		return
	}
	b.probe.Begin(now)
	b.probe.AllWell(now)
}

// beat sends the signal on its way when it is due, and takes note of what has come
// through elsewhere.
func (l *Loop) beat(at time.Time) {
	b := &l.beats
	if at.Sub(b.sent) >= beatEvery {
		b.mu.Lock()
		b.sent = at
		b.number++
		b.mu.Unlock()
		l.core.Set("heartbeat", float64(b.number%2), at)
		l.heard = append(l.heard, func() { b.through("archive", at, l.Now()) })
		if why := b.ring(at); why != "" {
			b.failed("alarm", why)
		} else {
			b.through("alarm", at, l.Now())
		}
	}
	if l.Forwarded != nil {
		if t := l.Forwarded(); t.After(b.sent) {
			b.through("forward", b.sent, t)
		}
	}
	for _, n := range l.Notifiers {
		state := n.State()
		if state.AliveEvery == 0 {
			continue
		}
		n.Tell(plant.Event{Time: at, Received: at, Kind: plant.EventNotify, Source: SystemOwner,
			Priority: plant.PriorityLow, Text: "a sign of life: call if it stays away"}, true)
		if b.through("notice "+state.Name, state.Alive, at); !state.OK {
			b.failed("notice "+state.Name, state.Text.String())
		}
	}
	if l.Pages != nil {
		open, oldest := l.Pages()
		b.mu.Lock()
		switch s := b.stages["page"]; {
		case open == 0:
			delete(b.stages, "page")
		case s == nil:
			b.stages["page"] = &Stage{Name: "page", Sent: at, limit: l.Clock.Passes(lateAfter)}
		case oldest.After(s.Sent):
			s.Sent, s.Delay = oldest, 0
		}
		b.mu.Unlock()
	}
	late := 0
	stages := b.all(at)
	l.core.Say("late_stages", beatLine(stages, at).Text)
	age, delay := map[string]time.Duration{}, map[string]time.Duration{}
	for _, s := range stages {
		kind := kindOf(s.Name)
		age[kind], delay[kind] = max(age[kind], at.Sub(s.Sent).Truncate(beatEvery)), max(delay[kind], s.Delay)
		if s.Late {
			late++
		}
	}
	for kind := range age {
		l.core.Set(StageTag(kind), age[kind].Seconds(), at)
		l.core.Set(DelayTag(kind), coarse(delay[kind]), at)
	}
	l.core.Set("late_stages", float64(late), at)
}

// ring drives the test signal through rule and alarm; the answer is what went
// wrong.
func (b *beats) ring(at time.Time) string {
	if b.probe == nil {
		return b.fault
	}
	want := plant.EventReturn
	v := 1.0
	if b.number%2 == 1 {
		want, v = plant.EventAlarm, 0
	}
	b.probe.Set("archive_ok", v, at)
	b.probe.Scan(at)
	b.probe.Alarms.Advance(at)
	for _, e := range b.probe.Drain() {
		if e.Kind == want && e.Alarm == "heartbeat" {
			return ""
		}
	}
	return fmt.Sprintf("the test alarm gave no %s", want)
}

// BeatJournal drives the test signal through the journal until ctx ends, beside the
// loop: a disk that hangs holds up no alarm.
func (l *Loop) BeatJournal(ctx context.Context) error {
	tick := time.NewTicker(beatEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			at := l.Now()
			if err := l.Journal.Beat(at); err != nil {
				l.beats.failed("journal", Cause(err))
			} else {
				l.beats.through("journal", at, l.Now())
			}
		}
	}
}

// Guard watches the loop from outside until ctx ends. alive is called once a
// second while the loop works and its alarms come through: a service manager may
// end what does not call. When the loop stands still the receivers of notices are
// told directly.
func (l *Loop) Guard(ctx context.Context, alive func()) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	told := false
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		p := l.Picture()
		if p == nil {
			alive()
			continue
		}
		now := l.Now()
		stands := now.Sub(p.At) > standsStill
		for _, s := range p.Stages {
			stands = stands || s.Name == "alarm" && s.Late
		}
		if !stands {
			alive()
		} else if !told {
			text := fmt.Sprintf("the program stands still since %s: no alarm comes, the plant is not watched", p.At.UTC().Format(time.RFC3339))
			l.Log.Error(text)
			for _, n := range l.Notifiers {
				n.Tell(plant.Event{Time: now, Received: now, Kind: plant.EventNotify, Source: SystemOwner, Priority: plant.PriorityUrgent, Text: text}, false)
			}
		}
		told = stands
	}
}
