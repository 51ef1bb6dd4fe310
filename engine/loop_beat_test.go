package engine

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"calandria/alerting/notify"
	"calandria/plant"
	"calandria/rules"
)

// paper is an archive and a journal that take everything, until they do not.
type paper struct {
	blank, torn atomic.Bool
	lines       []plant.Record
}

func (p *paper) Append(v []plant.Record, stored ...func()) error {
	if p.blank.Load() {
		return nil
	}
	p.lines = append(p.lines, v...)
	for _, f := range stored {
		f()
	}
	return nil
}
func (p *paper) State() Stored  { return Stored{OK: true} }
func (p *paper) Damage() string { return "" }

type ink struct{ *paper }

func (i ink) Commit([]plant.Event, map[string][]byte, bool) bool { return true }
func (i ink) Waiting() (int, error)                              { return 0, nil }
func (i ink) Beat(time.Time) error {
	if i.torn.Load() {
		return errors.New("the page is torn")
	}
	return nil
}

type nothing struct{}

func (nothing) Add(float64)     {}
func (nothing) Observe(float64) {}

// post is a receiver that keeps the texts of what it gets.
type post struct {
	mu   sync.Mutex
	got  []string
	lost atomic.Bool
}

func (p *post) Send(_ context.Context, batch []notify.Notice) error {
	if p.lost.Load() {
		return errors.New("no such address")
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, n := range batch {
		p.got = append(p.got, n.Event.Text)
	}
	return nil
}

type edge struct{ *notify.Notifier }

func (n edge) Offer(plant.Event, *plant.AlarmSpec) {}
func (n edge) State() NotifierState {
	h := n.Health()
	return NotifierState{Name: h.Name, OK: h.OK, Text: h.Words(), AliveEvery: n.AliveEvery(), Alive: h.Alive}
}
func (n edge) Tell(e plant.Event, sign bool) {
	if sign {
		e.Alarm = notify.AliveName
	}
	n.Alive(notify.Notice{Event: e})
}

// The test signal goes the whole way each minute; a stage that it does not come
// through is named within eighty seconds, and one that it comes through again is
// not named any longer.
func TestHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, err := plant.Load("plant.yaml", []byte("site: {name: Small Mill (invented)}\nsets: [{name: EV, bodies: [{name: B1, heating_surface_m2: 100, tags: {vapour_pressure: {value: 20}, level: {value: 40}}}]}]\n"))
		if err != nil {
			t.Fatal(err)
		}
		c, err := New(h, nil, rules.Options{})
		if err != nil {
			t.Fatal(err)
		}
		p, far := &paper{}, &post{}
		n := notify.New(notify.Config{Name: "far", Sender: far, Alive: time.Minute})
		near := notify.New(notify.Config{Name: "near", Sender: &post{}, Alive: 10 * time.Minute})
		var pages, alive atomic.Int64
		page := time.Now().Add(8 * time.Minute)
		l := NewLoop(LoopOptions{Core: c, Archive: p, Journal: ink{p}, Notifiers: []Notifier{edge{n}, edge{near}}, Log: slog.New(slog.DiscardHandler),
			Pages:  func() (int, time.Time) { return int(pages.Load()), page },
			Counts: Counts{nothing{}, nothing{}, nothing{}, nothing{}, nothing{}, nothing{}, nothing{}, nothing{}}})
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		for _, run := range []func(context.Context) error{l.Run, l.BeatJournal, n.Run, near.Run, func(ctx context.Context) error { return l.Guard(ctx, func() { alive.Add(1) }) }} {
			running.Go(func() { run(ctx) })
		}
		late := func() (names []string) {
			for _, s := range l.Picture().Stages {
				if s.Late {
					names = append(names, s.Name)
				}
			}
			return names
		}
		expect := func(after time.Duration, want string) {
			t.Helper()
			time.Sleep(after)
			synctest.Wait()
			if got := strings.Join(late(), ", "); got != want {
				t.Errorf("late: %q, want %q; %+v", got, want, l.Picture().Stages)
			}
			if p := l.Picture().Frame.Point(c.system["late_stages"]); p.Value != float64(len(late())) {
				t.Errorf("late_stages is %v with %q late", p.Value, want)
			}
		}
		expect(5*time.Minute, "")
		far.mu.Lock()
		if len(far.got) != 6 {
			t.Errorf("%d signs of life in five minutes: %q", len(far.got), far.got)
		}
		far.mu.Unlock()
		if alive.Load() < 295 {
			t.Errorf("the service manager heard %d times in 300 s", alive.Load())
		}
		p.blank.Store(true)
		expect(82*time.Second, "archive")
		p.blank.Store(false)
		expect(22*time.Second, "")
		p.torn.Store(true)
		expect(82*time.Second, "journal")
		for _, line := range l.Picture().Health {
			if line.Name == "test signal" && (line.OK || !strings.Contains(line.Text.String(), "torn")) {
				t.Errorf("%+v", line)
			}
		}
		p.torn.Store(false)
		expect(22*time.Second, "")
		pages.Store(1) // and it is sent nothing from then on
		expect(62*time.Second, "page")
		pages.Store(0)
		far.lost.Store(true)
		expect(6*time.Minute+30*time.Second, "notice far")
		var w string
		l.Call(ctx, func(c *Core) { w = c.Words(&plant.AlarmSpec{Explain: "calandria.late_stages"}).String() })
		if !strings.Contains(w, "notice far") || !strings.Contains(w, "no such address") {
			t.Errorf("beside the alarm stands %q", w)
		}
		if p := l.Picture().Frame.Point(c.system[StageTag("notice")]); p.Value < 360 {
			t.Errorf("the age of the worst receiver is %v", p.Value)
		}
		for _, line := range l.Picture().Health {
			if line.Name == "test signal" && !strings.Contains(line.Text.String(), "no such address") {
				t.Errorf("it does not say why: %+v", line)
			}
		}
		far.lost.Store(false)
		expect(10*time.Minute, "")
		l.Call(ctx, func(*Core) { l.beats.probe, l.beats.fault = nil, "broken" })
		heard := alive.Load()
		expect(82*time.Second, "alarm")
		time.Sleep(time.Minute)
		if alive.Load() > heard+64 {
			t.Errorf("the service manager heard %d times after the alarms had stopped", alive.Load()-heard)
		}
		far.mu.Lock()
		if last := far.got[len(far.got)-1]; !strings.Contains(strings.Join(far.got, "\n"), "the plant is not watched") {
			t.Errorf("nobody was told; the last: %q", last)
		}
		far.mu.Unlock()
		cancel()
		running.Wait()
	})
}

// The source's own time of each value can be found again in the archive, also over
// a restart; a value that was judged at its own time costs no further line.
func TestSourceTimeIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &paper{}
		offsets := map[plant.TagID]time.Duration{}
		for _, given := range [][]time.Duration{{0, 0, time.Hour, time.Hour, time.Hour + time.Nanosecond*100}, {time.Hour + 100, -24 * time.Hour, 0, 0}} {
			h, err := plant.Load("plant.yaml", []byte("site: {name: Small Mill (invented)}\nopcua: {servers: [{name: s, endpoint: \"opc.tcp://127.0.0.1:1\", policy: None, mode: None}]}\n"+
				"sets: [{name: EV, bodies: [{name: B1, heating_surface_m2: 100, tags: {level: {node: \"nsu=u;s=l\", unit: \"%\"}}}]}]\n"))
			if err != nil {
				t.Fatal(err)
			}
			c, err := New(h, nil, rules.Options{})
			if err != nil {
				t.Fatal(err)
			}
			tag, _ := h.Find("EV.B1.level")
			l := NewLoop(LoopOptions{Core: c, Archive: p, Journal: ink{p}, Offsets: offsets, Log: slog.New(slog.DiscardHandler),
				Counts: Counts{nothing{}, nothing{}, nothing{}, nothing{}, nothing{}, nothing{}, nothing{}, nothing{}}})
			ctx, cancel := context.WithCancel(t.Context())
			var running sync.WaitGroup
			running.Go(func() { l.Run(ctx) })
			for _, off := range given {
				time.Sleep(time.Second)
				l.Take(ctx, []plant.Sample{{Tag: tag.ID, Point: plant.Point{Time: l.Now(), Value: off.Seconds(), Quality: plant.Good}, Offset: off}})
			}
			time.Sleep(2 * time.Second)
			cancel()
			running.Wait()
			offsets = map[plant.TagID]time.Duration{tag.ID: l.Offsets[tag.ID]} // as the archive gives it
		}
		offset, values, written := 0.0, 0, 0
		for _, x := range p.lines {
			switch x.Path {
			case OffsetPath("EV.B1.level"):
				offset = x.Point.Value
				written++
			case "EV.B1.level":
				values++
				if x.Point.Value != offset {
					t.Errorf("value %d: its source was ahead by %v, the archive says %v", values, x.Point.Value, offset)
				}
			}
		}
		if values != 9 || written != 4 {
			t.Errorf("%d values, %d offsets written", values, written)
		}
	})
}
