package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"iter"
	"os"
	"slices"
	"sort"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

type backtestCmd struct {
	ruleSource
	From  string        `help:"Start: a date, a time, or an age such as 30d." default:"7d"`
	To    string        `help:"End, not included; default now."`
	Rules []string      `help:"Rule files to try, all that belong together: a rule may need a derived tag of another file. Without it those of the plant file." type:"existingfile"`
	Step  time.Duration `help:"Time between scans." default:"10s"`
	Data  string        `help:"The data folder." default:"data" type:"path"`
}

func (c *backtestCmd) Run(a *app) error {
	from, to, err := parseSpan(c.From, c.To, time.Now().UTC())
	if err != nil {
		return err
	}
	if c.Step < 100*time.Millisecond {
		return fmt.Errorf("--step %s: give 100ms or more", c.Step)
	}
	h, _, err := c.load()
	if err != nil {
		return err
	}
	ar, err := openArchive(archiveDir(h, c.Data))
	if err != nil {
		return err
	}
	defer ar.Close()
	var tried []rules.File
	for _, n := range c.Rules {
		data, err := os.ReadFile(n)
		if err != nil {
			return err
		}
		tried = append(tried, rules.File{Name: n, Data: data})
	}
	r, err := runBacktest(a.ctx, c.load, tried, ar, from, to, c.Step)
	if err != nil {
		return err
	}
	if r.Samples == 0 {
		return fmt.Errorf("the archive in %s holds no value of this plant's tags from %s to %s: check --data, --config and --from", c.Data, from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	r.write(a.out)
	return nil
}

// backtest is what rules would have done between From and To.
type backtest struct {
	From, To time.Time // half-open
	Samples  int       // raw samples replayed, those for warming included
	Scans    int       // without those for warming
	Rules    []ruleRecord
	// Against: the rules tried were compared with those in use.
	Against bool
	// Gone are alarms of the rules in use that the tried ones lack.
	Gone   []ruleRecord
	Faults []rules.RuleFault // rules that could not be evaluated
}

// ruleRecord is one alarm's part of it.
type ruleRecord struct {
	Spec       plant.AlarmSpec
	Alarms     int           // times it called the operator
	Hidden     int           // times it came while it was suppressed
	Active     time.Duration // in alarm, shown or hidden
	Longest    time.Duration
	Share      float64   // of the time, 0 to 1
	Chattering int       // episodes of three or more within a minute
	WorstHour  time.Time // the hour with the most alarms, zero without any
	Worst      int       // alarms in that hour
	Present    int       // alarms under the rules in use; -1: no such alarm there

	occurrence uint64
	since      time.Time // of the running activation
	recent     []time.Time
	hours      map[time.Time]int

	// For a picture of it, where it is asked for: equal parts of the time, true
	// if it was in alarm in them, and the hours with the most alarms.
	strip []bool
	part  time.Duration
	worst []hourCount
	stood bool // it was in alarm when the time began
}

// hourCount is an hour with alarms.
type hourCount struct {
	at time.Time
	n  int
}

// runBacktest replays the archive through rule files and, where they are given,
// through those in use beside them. load gives a fresh house and the rules in
// use; tried may be empty, then these are taken. Nothing is written.
//
// One goroutine reads the archive and works out the quantities, which no rule
// can change; each set of rules follows in its own.
func runBacktest(ctx context.Context, load func() (*plant.House, []rules.File, error), tried []rules.File, ar *historian.Archive, from, to time.Time, step time.Duration) (*backtest, error) {
	h, files, err := load()
	if err != nil {
		return nil, err
	}
	sets := [][]rules.File{files}
	if len(tried) > 0 {
		sets = [][]rules.File{tried, files}
	}
	reader, err := newCore(h, nil)
	if err != nil {
		return nil, err
	}
	run := &replay{ar: ar, from: from, to: to, warm: from.Add(-24 * time.Hour), step: step, reader: reader}
	g, ctx := errgroup.WithContext(ctx)
	for i, s := range sets {
		h, _, err := load()
		if err != nil {
			return nil, err
		}
		c, err := newCore(h, s)
		if err != nil {
			if len(tried) > 0 && i == 1 {
				err = fmt.Errorf("rules in use: %w", err)
			}
			return nil, err
		}
		run.judges = append(run.judges, newJudge(c, from, to))
	}
	run.lighten("")
	g.Go(func() error { return run.spread(ctx) })
	for _, j := range run.judges {
		g.Go(func() error { return j.follow(ctx, run) })
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	r := run.judges[0].result
	r.Samples, r.Scans = run.samples, run.scans
	if len(tried) > 0 {
		r.compare(run.judges[1].result)
	}
	return r, nil
}

func (b *backtest) compare(old *backtest) {
	b.Against = true
	before := map[string]int{}
	for _, r := range old.Rules {
		before[r.Spec.Name] = r.Alarms
	}
	for i := range b.Rules {
		r := &b.Rules[i]
		if n, ok := before[r.Spec.Name]; ok {
			r.Present = n
			delete(before, r.Spec.Name)
		}
	}
	for _, r := range old.Rules {
		if n, gone := before[r.Spec.Name]; gone {
			r.Present = n
			b.Gone = append(b.Gone, r)
		}
	}
}

// replay runs the archive through cores, in order of time. They are the cores
// that run live, so they give the same alarms, but for the scans: live there is
// one a second, here one each step.
type replay struct {
	ar             *historian.Archive
	warm, from, to time.Time // windows and delays need what came before: from warm on, uncounted
	step           time.Duration
	reader         *core // frame and quantities
	judges         []*judge
	samples, scans int
	within         int       // samples from from on
	first          time.Time // of these

	plain   bool                   // no quantity is needed, nor which tags are bad
	needs   func(*plant.Tag) bool  // measured tags to read; nil: all
	counts  func(plant.TagID) bool // samples to count in within; nil: all
	reached atomic.Int64           // how far it has come, ns since 1970
}

// stretch is some scans on their way from the reader to the judges.
type stretch struct {
	scans   []scanned
	samples []plant.Sample
	values  []plant.Sample // quantities
	using   atomic.Int32   // judges that still read it
}

// scanned is one scan: the samples before it and the quantities of it, as ends
// within the stretch.
type scanned struct {
	at              time.Time
	samples, values int
	badPct          float64
}

// stretchScans is how many scans travel together; a few stretches are under
// way at most.
const stretchScans = 128

// spread reads for judges that follow in goroutines of their own.
func (r *replay) spread(ctx context.Context) error {
	for _, j := range r.judges {
		defer close(j.in)
	}
	free := make(chan *stretch, 4)
	for range cap(free) {
		free <- &stretch{}
	}
	for _, j := range r.judges {
		j.free = free
	}
	next := func() (*stretch, error) {
		select {
		case s := <-free:
			return s, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	return r.read(ctx, next, func(s *stretch) error {
		s.using.Store(int32(len(r.judges)))
		for _, j := range r.judges {
			select {
			case j.in <- s:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
}

// alone does all of it in the caller's goroutine: beside a running loop it takes
// one processor, and no more.
func (r *replay) alone(ctx context.Context) error {
	for _, j := range r.judges {
		if err := j.begin(ctx, r); err != nil {
			return err
		}
	}
	s := &stretch{}
	err := r.read(ctx, func() (*stretch, error) { return s, ctx.Err() }, func(s *stretch) error {
		for _, j := range r.judges {
			j.take(s)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, j := range r.judges {
		j.end()
	}
	return nil
}

// read goes through the archive, stretch by stretch: next gives an empty one,
// hand takes it when it is full.
func (r *replay) read(ctx context.Context, next func() (*stretch, error), hand func(*stretch) error) error {
	c := r.reader
	c.calc.NoUncertainty()
	merged := newMerge(ctx, c.house, r.ar, r.warm, r.to, r.needs)
	defer merged.stop()
	c.begin(r.warm)
	c.allWell(r.warm)
	for at := r.warm; at.Before(r.to); {
		s, err := next()
		if err != nil {
			return err
		}
		s.scans, s.samples, s.values = s.scans[:0], s.samples[:0], s.values[:0]
		for len(s.scans) < stretchScans && at.Before(r.to) {
			for {
				x, ok, err := merged.next(at)
				if err != nil {
					return err
				}
				if !ok {
					break
				}
				r.samples++
				if !x.Point.Time.Before(r.from) && (r.counts == nil || r.counts(x.Tag)) {
					if r.within++; r.within == 1 {
						r.first = x.Point.Time
					}
				}
				if c.accept(x, at) {
					s.samples = append(s.samples, x)
				}
			}
			bad := 0.0
			if !r.plain {
				bad = c.badTagsPct()
				c.set("bad_tags_pct", bad, at)
				for _, v := range c.calc.Step(c.frame, at) {
					c.put(v.Tag, v.Point)
					s.values = append(s.values, plant.Sample{Tag: v.Tag, Point: v.Point})
				}
			}
			s.scans = append(s.scans, scanned{at, len(s.samples), len(s.values), bad})
			if at.Before(r.from) {
				at = at.Add(max(r.step, time.Minute))
				if at.After(r.from) {
					at = r.from
				}
			} else {
				r.scans++
				at = at.Add(r.step)
			}
		}
		r.reached.Store(at.UnixNano())
		if err := hand(s); err != nil {
			return err
		}
	}
	return nil
}

// judge runs one set of rules over what the reader hands on.
type judge struct {
	core   *core
	in     chan *stretch
	free   chan<- *stretch
	result *backtest
}

func newJudge(c *core, from, to time.Time) *judge {
	b := &backtest{From: from, To: to, Rules: make([]ruleRecord, len(c.rules.Alarms()))}
	for i, s := range c.rules.Alarms() {
		b.Rules[i] = ruleRecord{Spec: s, Present: -1, hours: map[time.Time]int{}}
	}
	return &judge{core: c, in: make(chan *stretch, 2), result: b}
}

func (j *judge) follow(ctx context.Context, r *replay) error {
	if err := j.begin(ctx, r); err != nil {
		return err
	}
	for s := range j.in {
		j.take(s)
		if s.using.Add(-1) == 0 {
			j.free <- s
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	j.end()
	return nil
}

func (j *judge) begin(ctx context.Context, r *replay) error {
	// What looks back further than the warming is fed by itself.
	if _, err := j.core.look(ctx, r.ar, r.warm, 0); err != nil {
		return err
	}
	j.core.begin(r.warm)
	j.core.allWell(r.warm)
	return nil
}

func (j *judge) take(s *stretch) {
	c := j.core
	samples, values := 0, 0
	for _, x := range s.scans {
		for ; samples < x.samples; samples++ {
			c.sample(s.samples[samples], x.at)
		}
		c.set("bad_tags_pct", x.badPct, x.at)
		if x.at.After(c.frame.At) {
			c.frame.At = x.at
		}
		for ; values < x.values; values++ {
			c.put(s.values[values].Tag, s.values[values].Point)
		}
		c.judge(x.at)
		c.alarms.Advance(x.at)
		j.result.note(c, c.alarms.Drain())
	}
}

func (j *judge) end() {
	c, b := j.core, j.result
	c.alarms.Advance(b.To.Add(-time.Nanosecond))
	b.note(c, c.alarms.Drain())
	for i := range b.Rules {
		b.Rules[i].finish(b.From, b.To)
	}
	b.Faults = c.rules.Faults()
}

func (b *backtest) note(c *core, events []plant.Event) {
	for _, e := range events {
		i, ok := c.alarms.Index(e.Alarm)
		if !ok {
			continue
		}
		r := &b.Rules[i]
		switch e.Kind {
		case plant.EventAlarm:
			again := e.Occurrence == r.occurrence // called when suppression ended
			r.occurrence = e.Occurrence
			if !again {
				r.since = e.Time
			}
			if e.Time.Before(b.From) {
				continue
			}
			if !e.Annunciated {
				r.Hidden++
				continue
			}
			r.Alarms++
			r.hours[e.Time.Truncate(time.Hour)]++
			r.recent = append(r.recent, e.Time)
			before := len(r.recent)
			for e.Time.Sub(r.recent[0]) > time.Minute {
				r.recent = r.recent[1:]
			}
			// An episode begins with the third within a minute and lasts while
			// each further one comes within the minute of the two before.
			if len(r.recent) == 3 && before == 3 {
				r.Chattering++
			}
		case plant.EventReturn:
			r.end(b.From, e.Time)
		}
	}
}

// end closes a running activation.
func (r *ruleRecord) end(from, at time.Time) {
	if r.since.IsZero() {
		return
	}
	if r.since.Before(from) {
		r.since, r.stood = from, at.After(from)
	}
	if d := at.Sub(r.since); d > 0 {
		r.Active += d
		r.Longest = max(r.Longest, d)
		for i := range r.strip {
			begin := from.Add(time.Duration(i) * r.part)
			if begin.Before(at) && begin.Add(r.part).After(r.since) {
				r.strip[i] = true
			}
		}
	}
	r.since = time.Time{}
}

func (r *ruleRecord) finish(from, to time.Time) {
	r.end(from, to)
	r.Share = r.Active.Seconds() / to.Sub(from).Seconds()
	for h, n := range r.hours {
		if n > r.Worst || n == r.Worst && h.Before(r.WorstHour) {
			r.Worst, r.WorstHour = n, h
		}
	}
	if r.strip != nil {
		for h, n := range r.hours {
			r.worst = append(r.worst, hourCount{h, n})
		}
		slices.SortFunc(r.worst, func(a, b hourCount) int { return cmp.Or(cmp.Compare(b.n, a.n), a.at.Compare(b.at)) })
		r.worst = r.worst[:min(len(r.worst), worstHours)]
	}
	r.hours, r.recent = nil, nil
}

// worstHours is how many hours are listed for a picture.
const worstHours = 5

func (b *backtest) write(w io.Writer) {
	days := b.To.Sub(b.From).Hours() / 24
	fmt.Fprintf(w, "%s to %s, %.1f days, %d samples, %d scans\n\n", b.From.Format(time.RFC3339), b.To.Format(time.RFC3339), days, b.Samples, b.Scans)
	head := []string{"alarm", "priority", "alarms", "a day", "hidden", "in alarm", "share", "longest", "chattering", "worst hour"}
	if b.Against {
		head = append(head, "rules in use")
	}
	t := newTable(head...)
	rows := append([]ruleRecord(nil), b.Rules...)
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].Alarms > rows[j].Alarms })
	total, was, silent := 0, 0, 0
	for _, r := range rows {
		total += r.Alarms
		was += max(0, r.Present)
		if r.Alarms == 0 && r.Hidden == 0 && r.Active == 0 && r.Present <= 0 {
			silent++
			continue
		}
		worst := ""
		if r.Worst > 0 {
			worst = fmt.Sprintf("%s: %d", r.WorstHour.Format("2006-01-02 15:04"), r.Worst)
		}
		cells := []string{r.Spec.Name, r.Spec.Priority.String(), fmt.Sprint(r.Alarms), fmt.Sprintf("%.2f", float64(r.Alarms)/days), fmt.Sprint(r.Hidden),
			r.Active.Round(time.Second).String(), fmt.Sprintf("%.1f %%", 100*r.Share), r.Longest.Round(time.Second).String(), fmt.Sprint(r.Chattering), worst}
		if b.Against {
			if r.Present >= 0 {
				cells = append(cells, fmt.Sprint(r.Present))
			} else {
				cells = append(cells, "no such alarm")
			}
		}
		t.row(cells...)
	}
	t.write(w)
	for _, r := range b.Gone {
		was += r.Present
		if r.Present > 0 {
			fmt.Fprintf(w, "\n%s is not among the rules tried; under those in use it came %d times", r.Spec.Name, r.Present)
		}
	}
	fmt.Fprintf(w, "\n%d alarms, %.2f a day", total, float64(total)/days)
	if b.Against {
		fmt.Fprintf(w, "; with the rules in use %d, %.2f a day", was, float64(was)/days)
	}
	fmt.Fprintf(w, "\n%d further alarms did not come\n", silent)
	for _, f := range b.Faults {
		fmt.Fprintf(w, "%s could not be evaluated %d times: %s\n", f.Rule, f.Count, f.Reason)
	}
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

func newMerge(ctx context.Context, h *plant.House, ar *historian.Archive, from, to time.Time, needs func(*plant.Tag) bool) *merge {
	m := &merge{}
	for i := range h.Tags {
		t := &h.Tags[i]
		if t.Source != plant.Measured || needs != nil && !needs(t) {
			continue
		}
		next, stop := iter.Pull2(inParts(ctx, ar, t.Path, from, to))
		m.heads = append(m.heads, head{tag: t.ID, next: next, stop: stop})
	}
	return m
}

// inParts reads a tag half a day at a time, so that memory stays bounded
// however long the time and dense the samples.
func inParts(ctx context.Context, ar *historian.Archive, path string, from, to time.Time) iter.Seq2[historian.Value, error] {
	const part = 12 * time.Hour
	return func(yield func(historian.Value, error) bool) {
		for at := from; at.Before(to); at = at.Add(part) {
			end := at.Add(part)
			if end.After(to) {
				end = to
			}
			for v, err := range ar.Query(ctx, path, at, end) {
				if !yield(v, err) || err != nil {
					return
				}
			}
		}
	}
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
