package main

import (
	"context"
	"fmt"
	"io"
	"iter"
	"os"
	"sort"
	"time"

	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

type backtestCmd struct {
	Config string        `help:"The plant file." default:"plant.yaml" type:"path"`
	Rules  []string      `help:"Rule files to try; without it those of the plant file." type:"existingfile"`
	From   string        `help:"Start: a date, a time, or an age such as 30d." default:"7d"`
	To     string        `help:"End, not included; default now."`
	Step   time.Duration `help:"Time between scans." default:"10s"`
	Data   string        `help:"The data folder." default:"data" type:"path"`
	Demo   bool          `help:"Use the demo's plant file and rules."`
}

func (c *backtestCmd) Run(a *app) error {
	now := time.Now().UTC()
	from, err := parseTime(c.From, now)
	if err != nil {
		return fmt.Errorf("--from: %w", err)
	}
	to := now
	if c.To != "" {
		if to, err = parseTime(c.To, now); err != nil {
			return fmt.Errorf("--to: %w", err)
		}
	}
	if !from.Before(to) {
		return fmt.Errorf("--from is not before --to")
	}
	if c.Step < 100*time.Millisecond {
		return fmt.Errorf("--step %s: give 100ms or more", c.Step)
	}
	ar, err := openData(c.Data)
	if err != nil {
		return err
	}
	defer ar.Close()
	load := func() (*plant.House, []rules.File, error) {
		if c.Demo {
			return demoHouse("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
		}
		return loadPlant(c.Config)
	}
	h, present, err := load()
	if err != nil {
		return err
	}
	if len(c.Rules) == 0 {
		r, err := replay(a.ctx, h, present, ar, from, to, c.Step)
		if err != nil {
			return err
		}
		r.write(a.out, nil)
		return nil
	}
	var tried []rules.File
	for _, n := range c.Rules {
		data, err := os.ReadFile(n)
		if err != nil {
			return err
		}
		tried = append(tried, rules.File{Name: n, Data: data})
	}
	r, err := replay(a.ctx, h, tried, ar, from, to, c.Step)
	if err != nil {
		return err
	}
	h2, _, err := load()
	if err != nil {
		return err
	}
	old, err := replay(a.ctx, h2, present, ar, from, to, c.Step)
	if err != nil {
		return err
	}
	r.write(a.out, old)
	return nil
}

// backtest is what a set of rules would have done.
type backtest struct {
	from, to time.Time
	samples  int
	alarms   []alarmRecord
}

// alarmRecord is one alarm's part of it.
type alarmRecord struct {
	spec       plant.AlarmSpec
	count      int
	active     time.Duration
	longest    time.Duration
	chattering int // times of three or more alarms within 60 s
	worstHour  time.Time
	worst      int // alarms in that hour

	since  time.Time // of the running activation
	recent []time.Time
	hours  map[time.Time]int
}

// replay runs the archive through a core, in order of time. It is the same
// core that runs live, so it gives the same alarms.
func replay(ctx context.Context, h *plant.House, files []rules.File, ar *historian.Archive, from, to time.Time, step time.Duration) (*backtest, error) {
	c, err := newCore(h, files)
	if err != nil {
		return nil, err
	}
	c.calc.NoUncertainty()
	b := &backtest{from: from, to: to, alarms: make([]alarmRecord, len(c.rules.Alarms()))}
	for i, s := range c.rules.Alarms() {
		b.alarms[i] = alarmRecord{spec: s, hours: map[time.Time]int{}}
	}
	// The windows need what came before: warm up for a day, uncounted.
	warm := from.Add(-24 * time.Hour)
	merged := newMerge(ctx, h, ar, warm, to)
	defer merged.stop()
	c.begin(warm)
	c.allWell(warm)
	warmStep := max(step, time.Minute)
	for at := warm; !at.After(to); {
		for {
			s, ok, err := merged.next(at)
			if err != nil {
				return nil, err
			}
			if !ok {
				break
			}
			b.samples++
			c.sample(s, at)
		}
		c.set("bad_tags_pct", c.badTagsPct(), at)
		c.scan(at)
		c.alarms.Advance(at)
		b.note(c, c.alarms.Drain())
		if at.Before(from) {
			at = at.Add(warmStep)
		} else {
			at = at.Add(step)
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
	}
	for i := range b.alarms {
		b.alarms[i].end(from, to)
	}
	return b, nil
}

func (b *backtest) note(c *core, events []plant.Event) {
	for _, e := range events {
		i, ok := c.alarms.Index(e.Alarm)
		if !ok {
			continue
		}
		r := &b.alarms[i]
		switch e.Kind {
		case plant.EventAlarm:
			r.since = e.Time
			if e.Time.Before(b.from) {
				continue
			}
			r.count++
			r.hours[e.Time.Truncate(time.Hour)]++
			r.recent = append(r.recent, e.Time)
			for len(r.recent) > 0 && e.Time.Sub(r.recent[0]) > time.Minute {
				r.recent = r.recent[1:]
			}
			if len(r.recent) == 3 {
				r.chattering++
			}
		case plant.EventReturn:
			r.end(b.from, e.Time)
		}
	}
}

// end closes a running activation.
func (r *alarmRecord) end(from, at time.Time) {
	if r.since.IsZero() {
		return
	}
	if r.since.Before(from) {
		r.since = from
	}
	if d := at.Sub(r.since); d > 0 {
		r.active += d
		r.longest = max(r.longest, d)
	}
	r.since = time.Time{}
	for h, n := range r.hours {
		if n > r.worst || n == r.worst && h.Before(r.worstHour) {
			r.worst, r.worstHour = n, h
		}
	}
}

func (b *backtest) write(w io.Writer, old *backtest) {
	days := b.to.Sub(b.from).Hours() / 24
	fmt.Fprintf(w, "%s to %s, %.1f days, %d samples\n\n", b.from.Format(time.RFC3339), b.to.Format(time.RFC3339), days, b.samples)
	before := map[string]int{}
	head := []string{"alarm", "priority", "alarms", "a day", "in alarm", "longest", "chattering", "worst hour"}
	if old != nil {
		head = append(head, "with present rules")
		for _, r := range old.alarms {
			before[r.spec.Name] = r.count
		}
	}
	t := newTable(head...)
	rows := append([]alarmRecord(nil), b.alarms...)
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].count > rows[j].count })
	total := 0
	for _, r := range rows {
		total += r.count
		worst := ""
		if r.worst > 0 {
			worst = fmt.Sprintf("%s: %d", r.worstHour.Format("2006-01-02 15:04"), r.worst)
		}
		cells := []string{r.spec.Name, r.spec.Priority.String(), fmt.Sprint(r.count), fmt.Sprintf("%.2f", float64(r.count)/days),
			r.active.Round(time.Second).String(), r.longest.Round(time.Second).String(), fmt.Sprint(r.chattering), worst}
		if old != nil {
			was, ok := before[r.spec.Name]
			if ok {
				cells = append(cells, fmt.Sprint(was))
			} else {
				cells = append(cells, "no such alarm")
			}
		}
		t.row(cells...)
	}
	t.write(w)
	fmt.Fprintf(w, "\n%d alarms, %.2f a day\n", total, float64(total)/days)
}

// merge gives the archived samples of all measured tags in order of time.
type merge struct {
	heads []head
	heap  []int // indexes of heads, a binary heap by time
}

type head struct {
	tag  plant.TagID
	next func() (historian.Value, error, bool)
	stop func()
	cur  plant.Point
}

func newMerge(ctx context.Context, h *plant.House, ar *historian.Archive, from, to time.Time) *merge {
	m := &merge{}
	for i := range h.Tags {
		t := &h.Tags[i]
		if t.Source != plant.Measured {
			continue
		}
		next, stop := iter.Pull2(ar.Query(ctx, t.Path, from, to))
		m.heads = append(m.heads, head{tag: t.ID, next: next, stop: stop})
	}
	return m
}

// next returns the next sample not after the given time.
func (m *merge) next(until time.Time) (plant.Sample, bool, error) {
	if m.heap == nil {
		m.heap = make([]int, 0, len(m.heads))
		for i := range m.heads {
			if ok, err := m.advance(i); err != nil {
				return plant.Sample{}, false, err
			} else if ok {
				m.heap = append(m.heap, i)
				m.up(len(m.heap) - 1)
			}
		}
	}
	if len(m.heap) == 0 || m.heads[m.heap[0]].cur.Time.After(until) {
		return plant.Sample{}, false, nil
	}
	i := m.heap[0]
	s := plant.Sample{Tag: m.heads[i].tag, Point: m.heads[i].cur}
	ok, err := m.advance(i)
	if err != nil {
		return s, false, err
	}
	if !ok {
		last := len(m.heap) - 1
		m.heap[0] = m.heap[last]
		m.heap = m.heap[:last]
	}
	m.down(0)
	return s, true, nil
}

func (m *merge) advance(i int) (bool, error) {
	v, err, ok := m.heads[i].next()
	if err != nil {
		return false, err
	}
	m.heads[i].cur = v.Point
	return ok, nil
}

func (m *merge) less(a, b int) bool {
	x, y := &m.heads[m.heap[a]], &m.heads[m.heap[b]]
	if c := x.cur.Time.Compare(y.cur.Time); c != 0 {
		return c < 0
	}
	return x.tag < y.tag
}

func (m *merge) up(i int) {
	for i > 0 {
		p := (i - 1) / 2
		if !m.less(i, p) {
			return
		}
		m.heap[i], m.heap[p] = m.heap[p], m.heap[i]
		i = p
	}
}

func (m *merge) down(i int) {
	for {
		c := 2*i + 1
		if c >= len(m.heap) {
			return
		}
		if c+1 < len(m.heap) && m.less(c+1, c) {
			c++
		}
		if !m.less(c, i) {
			return
		}
		m.heap[i], m.heap[c] = m.heap[c], m.heap[i]
		i = c
	}
}

func (m *merge) stop() {
	for i := range m.heads {
		m.heads[i].stop()
	}
}
