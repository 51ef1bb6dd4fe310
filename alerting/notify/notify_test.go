package notify

import (
	"context"
	"errors"
	"strings"
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
	got       []string
	tries     []time.Time
	refreshed int
}

func (l *line) Send(_ context.Context, batch []Notice) error {
	l.tries = append(l.tries, time.Now())
	if l.down.Load() {
		return errors.New("line is down")
	}
	for _, n := range batch {
		l.got = append(l.got, n.Event.Alarm)
	}
	return nil
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
		if len(waits) != 4 || waits[0] != time.Second || waits[2] != 4*time.Second || waits[3] != 4*time.Second {
			t.Errorf("pauses %v", waits)
		}
		n.Offer(alarm("B", plant.PriorityHigh))
		l.down.Store(false)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if got := strings.Join(l.got, " "); got != "A B" {
			t.Errorf("delivered %q", got)
		}
		if c := n.Counts(); c.Sent != 2 || c.Queued != 0 || c.Dropped != 0 || c.Failed != 5 {
			t.Errorf("counts %+v", c)
		}
	})
}

func TestFullQueueKeepsTheUrgent(t *testing.T) {
	n := New(Config{Sender: &line{}, Queue: 3, Least: plant.PriorityLow})
	for _, x := range []Notice{alarm("LOW1", plant.PriorityLow), alarm("URGENT", plant.PriorityUrgent), alarm("LOW2", plant.PriorityLow),
		alarm("MEDIUM", plant.PriorityMedium), alarm("HIGH", plant.PriorityHigh)} {
		n.Offer(x)
	}
	var got []string
	for _, x := range n.queue {
		got = append(got, x.Event.Alarm)
	}
	if strings.Join(got, " ") != "URGENT MEDIUM HIGH" || n.Counts().Dropped != 2 {
		t.Errorf("queue %v, counts %+v", got, n.Counts())
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
	if q := n.Counts().Queued; q != 0 {
		t.Errorf("%d notices queued, want none", q)
	}
}

func TestRefresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &line{}
		n := New(Config{Sender: l})
		stop := run(t, n)
		defer stop()
		n.Show(make([]alerting.Status, 3))
		time.Sleep(61 * time.Second)
		synctest.Wait()
		if l.refreshed != 3 {
			t.Errorf("picture of %d alarms, want 3", l.refreshed)
		}
	})
}
