package notify

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"calandria/alerting"
	"calandria/plant"
)

// line is a place that can be down; it keeps what it got and when.
type line struct {
	down      atomic.Bool
	mu        sync.Mutex
	answer    error // to give instead of taking them
	got       []string
	tries     []time.Time
	refreshed int
}

func (l *line) Send(_ context.Context, batch []Notice) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.tries = append(l.tries, time.Now())
	if l.down.Load() {
		return errors.New("line is down")
	}
	if l.answer != nil {
		return l.answer
	}
	for _, n := range batch {
		l.got = append(l.got, n.Event.Alarm)
	}
	return nil
}

// will says what the line answers from now on.
func (l *line) will(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.answer = err
}

func (l *line) Refresh(_ context.Context, alarms []alerting.Status) error {
	l.refreshed = len(alarms)
	return nil
}

func alarm(name string, p plant.Priority) Notice {
	return Notice{Event: plant.Event{Kind: plant.EventAlarm, Alarm: name, Priority: p, Annunciated: true}}
}

func run(t *testing.T, n *Notifier) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- n.Run(ctx) }()
	return func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func TestDeliveryAfterAnOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &line{}
		l.down.Store(true)
		n := New(Config{Sender: l, MaxPause: 4 * time.Second})
		stop := run(t, n)
		defer stop()
		n.Offer(alarm("A", plant.PriorityHigh))
		time.Sleep(12 * time.Second)
		synctest.Wait()
		var waits []time.Duration
		for i := 1; i < len(l.tries); i++ {
			waits = append(waits, l.tries[i].Sub(l.tries[i-1]))
		}
		for i, w := range waits {
			if full := min(time.Second<<i, 4*time.Second); w < full/2 || w > full {
				t.Errorf("pause %d is %s, want %s less up to half", i, w, full)
			}
		}
		if len(waits) < 4 {
			t.Errorf("pauses %v", waits)
		}
		n.Offer(alarm("B", plant.PriorityHigh))
		l.down.Store(false)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if got := strings.Join(l.got, " "); got != "B A" {
			t.Errorf("delivered %q", got)
		}
		if h := n.Health(); !h.OK || h.Sent != 2 || h.Queued != 0 || h.Dropped != 0 || int(h.Failed) != len(l.tries)-2 {
			t.Errorf("health %+v", h)
		}
	})
}

func TestFullQueueKeepsTheUrgent(t *testing.T) {
	n := New(Config{Sender: &line{}, Queue: 3, Route: Route{Least: plant.PriorityLow}})
	for _, x := range []Notice{alarm("LOW1", plant.PriorityLow), alarm("URGENT", plant.PriorityUrgent), alarm("LOW2", plant.PriorityLow),
		alarm("MEDIUM", plant.PriorityMedium), alarm("HIGH", plant.PriorityHigh)} {
		n.Offer(x)
	}
	var got []string
	for _, x := range n.queue {
		got = append(got, x.Event.Alarm)
	}
	if strings.Join(got, " ") != "URGENT MEDIUM HIGH" || n.Health().Dropped != 2 {
		t.Errorf("queue %v, health %+v", got, n.Health())
	}
}

func TestWhatIsSent(t *testing.T) {
	n := New(Config{Sender: &line{}})
	hidden := alarm("A", plant.PriorityUrgent)
	hidden.Event.Annunciated = false
	quality := alarm("A", plant.PriorityUrgent)
	quality.Event.Kind = plant.EventQuality
	for _, x := range []Notice{hidden, quality, alarm("LOW", plant.PriorityLow), alarm("NONE", plant.PriorityNone)} {
		n.Offer(x)
	}
	if q := n.Health().Queued; q != 0 {
		t.Errorf("%d notices queued, want none", q)
	}
}

func TestRefresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &line{}
		n := New(Config{Sender: l})
		stop := run(t, n)
		defer stop()
		show := make([]alerting.Status, 3)
		for i := range show {
			show[i].Spec = &plant.AlarmSpec{Priority: plant.PriorityHigh}
		}
		n.Show(append(show, alerting.Status{Spec: &plant.AlarmSpec{Priority: plant.PriorityLow}}))
		time.Sleep(61 * time.Second)
		synctest.Wait()
		if l.refreshed != 3 {
			t.Errorf("picture of %d alarms, want 3", l.refreshed)
		}
	})
}

// memory is a cursor that survives the notifier.
type memory struct {
	seq   uint64
	known bool
	fail  bool
}

func (m *memory) Load() (uint64, bool, error) { return m.seq, m.known, nil }

func (m *memory) Store(seq uint64) error {
	if m.fail {
		return errors.New("disk full")
	}
	m.seq, m.known = seq, true
	return nil
}

func numbered(seq uint64, name string, kind plant.EventKind) Notice {
	n := alarm(name, plant.PriorityHigh)
	n.Event.Seq, n.Event.Kind, n.Event.Time, n.Event.Occurrence = seq, kind, time.Now(), 1
	return n
}

// What was not delivered before a restart is delivered after it; what was is
// not; a first start tells nothing old.
func TestRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		journal := []Notice{}
		read := func(after uint64, since time.Time) (out []Notice, err error) {
			for _, n := range journal {
				if n.Event.Seq > after && !n.Event.Time.Before(since) {
					out = append(out, n)
				}
			}
			return out, nil
		}
		m, l := &memory{}, &line{}
		open := func() (*Notifier, func()) {
			n := New(Config{Sender: l, Cursor: m, Batch: 1})
			head := uint64(10)
			if len(journal) > 0 {
				head = journal[len(journal)-1].Event.Seq
			}
			if err := n.Resume(head, time.Now(), read); err != nil {
				t.Fatal(err)
			}
			return n, run(t, n)
		}
		add := func(n *Notifier, x Notice) {
			journal = append(journal, x)
			n.Offer(x)
		}
		n, stop := open()
		if m.seq != 10 {
			t.Errorf("a first start begins at %d, want the head of the journal", m.seq)
		}
		add(n, numbered(11, "A", plant.EventAlarm))
		synctest.Wait()
		if m.seq != 11 {
			t.Errorf("cursor at %d after a delivery, want 11", m.seq)
		}
		l.down.Store(true)
		add(n, numbered(12, "B", plant.EventAlarm))
		add(n, numbered(13, "C", plant.EventAlarm))
		time.Sleep(time.Minute)
		stop()
		if m.seq != 11 {
			t.Errorf("cursor at %d while nothing is delivered, want 11", m.seq)
		}
		l.down.Store(false)
		_, stop = open()
		synctest.Wait()
		stop()
		if got := strings.Join(l.got, " "); got != "A B C" || m.seq != 13 {
			t.Errorf("delivered %q, cursor %d", got, m.seq)
		}
		// Too old after a long stop: not sent.
		n, stop = open()
		l.down.Store(true)
		add(n, numbered(14, "D", plant.EventAlarm))
		synctest.Wait()
		stop()
		time.Sleep(13 * time.Hour)
		l.down.Store(false)
		_, stop = open()
		synctest.Wait()
		stop()
		// Another journal in its place: begins at its head.
		m.seq = 99
		_, stop = open()
		stop()
		if got := strings.Join(l.got, " "); got != "A B C" || m.seq != 14 {
			t.Errorf("delivered %q, cursor %d", got, m.seq)
		}
	})
}

// picky is a receiver that fails at certain alarms.
type picky struct {
	line
	fails func(alarm string) bool
}

func (p *picky) Send(ctx context.Context, batch []Notice) error {
	for _, n := range batch {
		if p.fails(n.Event.Alarm) {
			return errors.New("500")
		}
	}
	return p.line.Send(ctx, batch)
}

// One notice that a receiver always fails at keeps none of 240 others from
// arriving at once, whether it comes first, in the middle or while it is retried;
// it is set aside within a minute and counted. So too where several go at once.
func TestPoison(t *testing.T) {
	for _, batch := range []int{1, 50} {
		for _, at := range []int{0, 120, 240} {
			for _, alone := range []time.Duration{0, time.Hour} { // the poison has the receiver for itself before
				synctest.Test(t, func(t *testing.T) {
					p := &picky{fails: func(a string) bool { return a == "POISON" }}
					n := New(Config{Sender: p, Batch: batch, Route: Route{Least: plant.PriorityLow}})
					defer run(t, n)()
					began := time.Now()
					for i := range 241 {
						if i == at {
							n.Offer(alarm("POISON", plant.PriorityLow))
							time.Sleep(alone)
							began = time.Now()
							continue
						}
						n.Offer(alarm(fmt.Sprintf("A%d", i), plant.PriorityHigh))
					}
					limit := 2 * time.Second // within a second each where single, and the halves of a batch
					if batch > 1 {
						limit = time.Minute
					}
					time.Sleep(limit)
					synctest.Wait()
					if len(p.got) != 240 {
						t.Errorf("batch %d, poison at %d, alone %s: %d of 240 arrived in %s", batch, at, alone, len(p.got), time.Since(began))
					}
					n.Offer(alarm("LAST", plant.PriorityHigh))
					time.Sleep(10 * time.Minute)
					synctest.Wait()
					if h := n.Health(); h.SetAside != 1 || h.Queued != 0 || h.Sent != 241 {
						t.Errorf("batch %d, poison at %d, alone %s: %+v", batch, at, alone, h)
					}
				})
			}
		}
	}
}

// After an outage the most urgent comes first, and of each alarm its newest state
// only. Nothing is set aside because the receiver was down.
func TestUrgentAndNewestFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &line{}
		l.down.Store(true)
		n := New(Config{Sender: l, Batch: 1, Route: Route{Least: plant.PriorityLow}, MaxPause: 10 * time.Second})
		defer run(t, n)()
		for i := range 20 {
			n.Offer(alarm(fmt.Sprintf("LOW%d", i), plant.PriorityLow))
		}
		for i := range 5 {
			x := alarm("CHANGING", plant.PriorityMedium)
			x.Event.Occurrence = uint64(i + 1)
			n.Offer(x)
			x.Event.Kind = plant.EventReturn
			if i < 4 {
				n.Offer(x)
			}
		}
		time.Sleep(time.Hour)
		n.Offer(alarm("URGENT", plant.PriorityUrgent))
		l.down.Store(false)
		time.Sleep(time.Minute)
		synctest.Wait()
		if len(l.got) != 22 || l.got[0] != "URGENT" || l.got[1] != "CHANGING" {
			t.Errorf("%q", l.got)
		}
		if h := n.Health(); h.SetAside != 0 || h.Replaced != 8 {
			t.Errorf("%+v", h)
		}
	})
}

// A flood comes as one to who gets notices one by one: ten singly, then what has
// gathered, the urgent at once; and a heap of urgent ones as one.
func TestFloodIsOneDigest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// Sending takes a while, so that what comes at one moment is there by then.
		l := &picky{fails: func(string) bool { time.Sleep(time.Millisecond); return false }}
		n := New(Config{Sender: l, Batch: 200, Gather: 30 * time.Second, Digest: true, Route: Route{Least: plant.PriorityLow}})
		defer run(t, n)()
		seen := func() (deliveries int, got []string) {
			l.mu.Lock()
			defer l.mu.Unlock()
			return len(l.tries), slices.Clone(l.got)
		}
		for i := range 120 {
			n.Offer(alarm(fmt.Sprintf("A%d", i), plant.PriorityMedium))
			time.Sleep(time.Second)
		}
		synctest.Wait()
		if tries, got := seen(); tries > 11+5 || len(got) < 60 {
			t.Errorf("%d deliveries of %d notices of two minutes", tries, len(got))
		}
		n.Offer(alarm("URGENT", plant.PriorityUrgent))
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		if _, got := seen(); !slices.Contains(got, "URGENT") {
			t.Errorf("the urgent one waits: %q", got)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		before, _ := seen()
		for i := range 50 {
			n.Offer(alarm(fmt.Sprintf("U%d", i), plant.PriorityUrgent))
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if tries, got := seen(); tries > before+2 || len(got) != 171 {
			t.Errorf("%d deliveries more, %d notices in all", tries-before, len(got))
		}
	})
}

// A notice that the receiver fails at does not hold up the flood that it came with.
func TestPoisonInADigest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &picky{fails: func(a string) bool { return a == "A7" }}
		n := New(Config{Sender: l, Batch: 200, Gather: 30 * time.Second, Digest: true})
		for i := range 60 {
			n.Offer(alarm(fmt.Sprintf("A%d", i), plant.PriorityUrgent))
		}
		defer run(t, n)()
		time.Sleep(20 * time.Second)
		synctest.Wait()
		l.mu.Lock()
		if len(l.got) != 59 {
			t.Errorf("%d of 59 others within 20 s", len(l.got))
		}
		l.mu.Unlock()
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		if h := n.Health(); h.SetAside != 1 || h.Queued != 0 {
			t.Errorf("%+v", h)
		}
	})
}

// An alarm that flaps is told five times, then every five minutes with its newest
// state, an urgent one each minute; what stands in the end is always told.
func TestFlapping(t *testing.T) {
	for p, most := range map[plant.Priority]int{plant.PriorityHigh: 5 + 12, plant.PriorityUrgent: 5 + 60} {
		synctest.Test(t, func(t *testing.T) {
			l := &line{}
			n := New(Config{Sender: l, Batch: 1})
			defer run(t, n)()
			for i := range 360 { // an hour, each ten seconds
				x := alarm("FLAPS", p)
				x.Event.Occurrence = uint64(i/2 + 1)
				if i%2 == 1 {
					x.Event.Kind = plant.EventReturn
				}
				n.Offer(x)
				time.Sleep(10 * time.Second)
			}
			time.Sleep(10 * time.Minute)
			synctest.Wait()
			if len(l.got) > most+2 || len(l.got) < most-4 || n.Health().Queued != 0 {
				t.Errorf("%s: told %d times, about %d; %+v", p, len(l.got), most, n.Health())
			}
		})
	}
}

// A notice that is given up while it waits is counted, and the cursor passes it.
func TestTooOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, l := &memory{seq: 1, known: true}, &line{}
		l.down.Store(true)
		n := New(Config{Sender: l, Cursor: m, Keep: time.Hour})
		stop := run(t, n)
		defer stop()
		n.Offer(numbered(2, "A", plant.EventAlarm))
		time.Sleep(2 * time.Hour)
		if h := n.Health(); h.Dropped != 1 || h.Queued != 0 || m.seq != 2 {
			t.Errorf("%+v, cursor %d", h, m.seq)
		}
	})
}

// Refusals are set aside and do not hold up what follows; a wish to wait is
// honoured, but not for ever.
func TestAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &line{answer: &RefusedError{errors.New("no such place")}}
		n := New(Config{Sender: l})
		stop := run(t, n)
		defer stop()
		n.Offer(alarm("A", plant.PriorityHigh))
		synctest.Wait()
		if h := n.Health(); h.OK || h.SetAside != 1 || h.Queued != 0 || !strings.Contains(h.Words().String(), "no such place") {
			t.Errorf("after a refusal: %+v", h)
		}
		l.will(&PartlyError{errors.New("one mailbox is gone")})
		n.Offer(alarm("B", plant.PriorityHigh))
		synctest.Wait()
		if h := n.Health(); h.OK || h.Sent != 1 || h.Queued != 0 {
			t.Errorf("after a delivery to some: %+v", h)
		}
		before := len(l.tries)
		l.will(&LaterError{40 * time.Second, errors.New("busy")})
		n.Offer(alarm("C", plant.PriorityHigh))
		time.Sleep(39 * time.Second)
		l.will(&LaterError{1000 * time.Hour, errors.New("busy")})
		time.Sleep(2 * time.Second)
		l.will(nil)
		time.Sleep(15 * time.Minute)
		synctest.Wait()
		if tries := l.tries[before:]; len(tries) != 3 || tries[1].Sub(tries[0]) != 40*time.Second || tries[2].Sub(tries[1]) != 15*time.Minute {
			t.Errorf("tries %v", tries)
		}
		if h := n.Health(); !h.OK || h.Sent != 2 {
			t.Errorf("in the end: %+v", h)
		}
	})
}

func TestRoute(t *testing.T) {
	r := Route{Least: plant.PriorityMedium, Equipment: []string{"EV.EV1", "PA1"}, Areas: []string{"evaporators"}}
	for _, c := range []struct {
		p            plant.Priority
		source, area string
		want         bool
	}{
		{plant.PriorityHigh, "EV.EV1", "evaporators", true},
		{plant.PriorityHigh, "EV.EV1.pans", "evaporators", true},
		{plant.PriorityHigh, "EV.EV10", "evaporators", false},
		{plant.PriorityHigh, "EV", "evaporators", false},
		{plant.PriorityHigh, "PA1", "pan floor", false},
		{plant.PriorityLow, "EV.EV1", "evaporators", false},
		{plant.PriorityNone, "EV.EV1", "evaporators", false},
	} {
		if got := r.Takes(c.p, c.source, c.area); got != c.want {
			t.Errorf("%+v: %t", c, got)
		}
	}
}

// The end of a call goes to whoever was called, whatever the hour; the end of a
// call that was not sent does not.
func TestScheduleOfCallAndReturn(t *testing.T) {
	at := func(hour int) time.Time { return time.Date(2026, 3, 27, hour, 0, 0, 0, time.UTC) }
	n := New(Config{Sender: &line{}, Route: Route{Hours: []Hours{{Days: [7]bool{5: true}, From: 6 * time.Hour, To: 18 * time.Hour}}}})
	offer := func(name string, kind plant.EventKind, hour int) {
		x := numbered(0, name, kind)
		x.Event.Time = at(hour)
		n.Offer(x)
	}
	offer("DAY", plant.EventAlarm, 17)
	offer("NIGHT", plant.EventAlarm, 19)
	offer("DAY", plant.EventReturn, 20)
	offer("NIGHT", plant.EventReturn, 7)
	var got []string
	for _, x := range n.queue {
		got = append(got, x.Event.Alarm+" "+string(x.Event.Kind))
	}
	// Nothing was delivered yet: the return stands for the call as well.
	if s := strings.Join(got, ", "); s != "DAY RETURN" || n.queue[0].Before != 1 {
		t.Errorf("sent: %s", s)
	}
}

// A sign of life goes by the queue of the alarms, at its own pace, and one that
// waits gives way to the next.
func TestSignOfLife(t *testing.T) {
	n := New(Config{Name: "n", Sender: &line{}, Alive: time.Minute})
	start := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	for s := range 180 {
		n.Alive(Notice{Event: plant.Event{Time: start.Add(time.Duration(s) * time.Second), Kind: plant.EventNotify, Alarm: AliveName, Priority: plant.PriorityLow}})
	}
	if n.Health().Queued != 1 || !n.queue[0].Event.Time.Equal(start.Add(2*time.Minute)) {
		t.Errorf("waiting: %+v", n.queue)
	}
}
