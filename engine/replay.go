package engine

import (
	"context"
	"fmt"
	"strings"
	"time"

	"calandria/plant"
	"calandria/rules"
)

// Past is the archive as a replay reads it.
type Past interface {
	// Merged calls f with the archived samples of these paths, from <= time < to,
	// in order of time, some thousands in one call. Tag is the place in paths. f
	// must not keep the slice; its error ends the reading.
	Merged(ctx context.Context, paths []string, from, to time.Time, f func([]plant.Sample) error) error
	// Last is the newest archived sample of a path before a time, if there is one.
	Last(ctx context.Context, path string, before time.Time) (plant.Point, bool, error)
}

// walk steps through the past in order of time: take gets each sample of the
// measured tags that needs asks for (nil: all), scan each moment that next
// gives from first on, after the samples up to it. It ends with the last moment
// before to.
func walk(ctx context.Context, past Past, h *plant.House, needs func(*plant.Tag) bool, from, first, to time.Time,
	next func(at time.Time) time.Time, take func(s plant.Sample, scan time.Time), scan func(at time.Time) error) error {
	var paths []string
	var tags []plant.TagID
	for t := range h.Measured() {
		if needs == nil || needs(t) {
			paths, tags = append(paths, t.Path), append(tags, t.ID)
		}
	}
	at := first
	until := func(t time.Time) error {
		for at.Before(t) && at.Before(to) {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := scan(at); err != nil {
				return err
			}
			at = next(at)
		}
		return nil
	}
	err := past.Merged(ctx, paths, from, to, func(samples []plant.Sample) error {
		for _, s := range samples {
			if err := until(s.Point.Time); err != nil {
				return err
			}
			s.Tag = tags[s.Tag]
			take(s, at)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return until(to)
}

// Steps says how far apart the moments of a replay are: the first of the list
// whose Before is not reached yet.
type Steps []struct {
	Before time.Time // zero: to the end
	Step   time.Duration
}

func (s Steps) next(at time.Time) time.Time {
	for _, x := range s {
		if x.Before.IsZero() || at.Before(x.Before) {
			n := at.Add(x.Step).Truncate(x.Step)
			if !x.Before.IsZero() && n.After(x.Before) {
				n = x.Before
			}
			return n
		}
	}
	return at.Add(time.Second)
}

// Follow lets the core live through the archive, from <= time < to, in the way
// of the running program: each sample, then a scan at each moment of steps. It
// begins with what was known at from; a core that has scanned before goes on with
// the next moment after that. after, if given, is called behind each
// scan; its error ends the replay.
func (c *Core) Follow(ctx context.Context, past Past, from, to time.Time, steps Steps, after func(at time.Time) error) error {
	take := func(s plant.Sample, at time.Time) { c.Sample(s, at) }
	if err := c.stand(ctx, past, from, take); err != nil {
		return err
	}
	first := from
	if !c.scanned.IsZero() {
		first = steps.next(c.scanned)
	}
	return walk(ctx, past, c.House, nil, from, first, to, steps.next, take,
		func(at time.Time) error {
			c.Set("bad_tags_pct", c.BadTagsPct(), at)
			c.Scan(at)
			c.Alarms.Advance(at)
			if after != nil {
				return after(at)
			}
			return nil
		})
}

// stand gives what the archive knows of the time before at for the measured
// signals of which nothing is known yet: one that was reported before and not
// again still stands.
func (c *Core) stand(ctx context.Context, past Past, at time.Time, take func(s plant.Sample, at time.Time)) error {
	c.Begin(at)
	c.AllWell(at)
	for t := range c.House.Measured() {
		if c.Frame.Points[t.ID].Quality.Seen() {
			continue
		}
		p, ok, err := past.Last(ctx, t.Path, at)
		if err != nil {
			return err
		}
		if ok {
			take(plant.Sample{Tag: t.ID, Point: p}, at)
		}
	}
	return nil
}

// Silence closes the past at a moment: every measured signal has no data from
// then on, until its next sample.
func (c *Core) Silence(at time.Time) {
	for t := range c.House.Measured() {
		if c.Frame.Points[t.ID].Quality.Seen() {
			c.Sample(plant.Sample{Tag: t.ID, Point: plant.BadPoint(at, plant.BadNoData)}, at)
		}
	}
}

// Replay runs the past through sets of rules: one Core works out the quantities,
// which no rule can change, and each [Judge] its rules on top. They are the
// cores that run live, so they give the same alarms, but for the scans: live
// there is one a second, here one each step.
type Replay struct {
	Past           Past
	Warm, From, To time.Time // windows and delays need what came before: from Warm on, uncounted
	Step           time.Duration
	Reader         *Core // frame, quantities, and the derived tags of its rules; its alarms rest
	Judges         []*Judge

	Samples, Scans int
	Within         int       // samples from From on that Counts
	First, Last    time.Time // of these

	plain   bool                   // no quantity is needed, nor which tags are bad
	needs   func(*plant.Tag) bool  // measured tags to read; nil: all
	counts  func(plant.TagID) bool // samples to count in Within; nil: all
	Reached func(at time.Time)     // told how far it has come; nil: nobody
	// Behind is called behind each scan of the reader, whose frame then holds the
	// quantities; its error ends the replay. Nil: nobody.
	Behind func(at time.Time) error
}

// Judged prepares a replay with a judge for each set of rules; a second set is
// that in use.
func Judged(h *plant.House, sets [][]rules.File, past Past, from, to time.Time, step time.Duration) (*Replay, error) {
	reader, err := New(h, nil, rules.Options{})
	if err != nil {
		return nil, err
	}
	run := &Replay{Past: past, From: from, To: to, Step: step, Reader: reader}
	for i, s := range sets {
		c, err := New(h, s, rules.Options{})
		if err != nil {
			if i == 1 {
				err = fmt.Errorf("rules in use: %w", err)
			}
			return nil, err
		}
		run.Judges = append(run.Judges, NewJudge(c, from, to))
	}
	run.warmed()
	run.lighten("")
	return run, nil
}

// stretch is some scans on their way from the reader to the judges.
type stretch struct {
	scans   []scanned
	samples []plant.Sample
	values  []plant.Sample // quantities
}

// scanned is one scan: the samples before it and the quantities of it, as ends
// within the stretch.
type scanned struct {
	at              time.Time
	samples, values int
	badPct, air     float64
}

// stretchScans is how many scans travel together.
const stretchScans = 128

// Run does all of it in the caller's goroutine.
func (r *Replay) Run(ctx context.Context) error {
	r.begin()
	s := &stretch{}
	err := r.read(ctx, s, func(s *stretch) (*stretch, error) {
		for _, j := range r.Judges {
			j.take(s)
		}
		return s, nil
	})
	if err != nil {
		return err
	}
	for _, j := range r.Judges {
		j.end()
	}
	return nil
}

// begin prepares reader and judges; judges in other goroutines begin with it too.
func (r *Replay) begin() {
	r.Reader.Calc.NoUncertainty()
	for _, j := range r.Judges {
		j.Core.Begin(r.Warm)
		j.Core.AllWell(r.Warm)
	}
}

// read goes through the archive and fills stretches, beginning with s. hand takes
// a full one and gives the next, which may be the same if it is done with it.
func (r *Replay) read(ctx context.Context, s *stretch, hand func(*stretch) (*stretch, error)) error {
	c := r.Reader
	s.reset()
	take := func(x plant.Sample, at time.Time) {
		r.Samples++
		if !x.Point.Time.Before(r.From) && (r.counts == nil || r.counts(x.Tag)) {
			if r.Within++; r.Within == 1 {
				r.First = x.Point.Time
			}
			r.Last = x.Point.Time
		}
		if c.accept(x, at) {
			c.Rules.Sample(c.Frame, x.Tag, nil, nil)
			s.samples = append(s.samples, x)
		}
	}
	scan := func(at time.Time) (err error) {
		bad := 0.0
		if !r.plain {
			bad = c.BadTagsPct()
			c.Set("bad_tags_pct", bad, at)
			for _, v := range c.Calc.Step(c.Frame, at) {
				c.put(v.Tag, v.Point)
				s.values = append(s.values, plant.Sample{Tag: v.Tag, Point: v.Point})
			}
			c.breathe(c.Calc.AirShift())
			c.Rules.Scan(c.Frame, at, c.put, nil, nil)
		}
		c.scanned = at
		s.scans = append(s.scans, scanned{at, len(s.samples), len(s.values), bad, c.air})
		if !at.Before(r.From) {
			r.Scans++
		}
		if r.Behind != nil {
			if err := r.Behind(at); err != nil {
				return err
			}
		}
		if len(s.scans) == stretchScans {
			if s, err = hand(s); err == nil {
				s.reset()
			}
			if r.Reached != nil {
				r.Reached(at)
			}
		}
		return err
	}
	next := func(at time.Time) time.Time {
		if !at.Before(r.From) {
			return at.Add(r.Step)
		}
		if at = at.Add(max(r.Step, time.Minute)); at.After(r.From) {
			return r.From
		}
		return at
	}
	if err := c.stand(ctx, r.Past, r.Warm, take); err != nil {
		return err
	}
	first := r.Warm
	if !c.scanned.IsZero() {
		first = c.scanned.Add(r.Step).Truncate(r.Step)
	}
	if err := walk(ctx, r.Past, c.House, r.needs, r.Warm, first, r.To, next, take, scan); err != nil {
		return err
	}
	_, err := hand(s)
	return err
}

func (s *stretch) reset() {
	s.scans, s.samples, s.values = s.scans[:0], s.samples[:0], s.values[:0]
}

// lighten leaves out what none of the judges' alarms depends on, and counts the
// samples of those tags that the named alarm reads itself, if it does.
func (r *Replay) lighten(alarm string) {
	measured, own := map[plant.TagID]bool{}, map[plant.TagID]bool{}
	r.plain = true
	tests := false
	for _, j := range r.Judges {
		c := j.Core
		for i := range c.Rules.Alarms() {
			for _, id := range c.Rules.Reads(i) {
				t := &c.House.Tags[id]
				switch t.Source {
				case plant.Measured:
					measured[id] = true
					r.plain = r.plain && !t.Gauged() // the air pressure is worked out
					if c.Rules.Alarms()[i].Name == alarm {
						own[id] = true
					}
				case plant.Derived, plant.System:
					r.plain = false
					tests = tests || strings.HasSuffix(t.Name, "_reconciled") || t.Name == "reconciliation" || t.Name == "gross_error"
				}
			}
		}
	}
	if r.plain {
		r.needs = func(t *plant.Tag) bool { return measured[t.ID] }
	}
	if len(own) > 0 {
		r.counts = func(id plant.TagID) bool { return own[id] }
	}
	if !tests {
		r.Reader.Calc.NoReconciliation()
	}
}

// Judge runs one set of rules over what the reader hands on.
type Judge struct {
	Core   *Core
	Result *Backtest
	Behind func(at time.Time) // called behind each scan; nil: nobody
}

// NewJudge counts what the alarms of c do between two times.
func NewJudge(c *Core, from, to time.Time) *Judge {
	b := &Backtest{From: from, To: to, Rules: make([]RuleRecord, len(c.Rules.Alarms()))}
	for i, s := range c.Rules.Alarms() {
		b.Rules[i] = RuleRecord{Spec: s, Present: -1, hours: map[time.Time]int{}}
	}
	return &Judge{Core: c, Result: b}
}

// take works through a stretch.
func (j *Judge) take(s *stretch) {
	c := j.Core
	samples, values := 0, 0
	for _, x := range s.scans {
		for ; samples < x.samples; samples++ {
			c.Sample(s.samples[samples], x.at)
		}
		c.Set("bad_tags_pct", x.badPct, x.at)
		if x.at.After(c.Frame.At) {
			c.Frame.At = x.at
		}
		for ; values < x.values; values++ {
			c.put(s.values[values].Tag, s.values[values].Point)
		}
		c.breathe(x.air)
		c.judge(x.at)
		c.Alarms.Advance(x.at)
		j.Result.note(c, c.Alarms.Drain())
		if !x.at.Before(j.Result.From) {
			c.Rules.Suppressions(func(alarm int, t plant.Truth) {
				r := &j.Result.Rules[alarm]
				if t != plant.Unknown {
					r.known++
				}
				if t == plant.True {
					r.held++
				}
			})
		}
		if j.Behind != nil {
			j.Behind(x.at)
		}
	}
}

// end closes the counting.
func (j *Judge) end() {
	c, b := j.Core, j.Result
	c.Alarms.Advance(b.To.Add(-time.Nanosecond))
	b.note(c, c.Alarms.Drain())
	for i := range b.Rules {
		b.Rules[i].finish(b.From, b.To)
	}
	b.Faults = c.Rules.Faults()
}

// warmed lets the replay begin early enough for the judges' rules.
func (r *Replay) warmed() {
	var sets []*rules.Set
	for _, j := range r.Judges {
		sets = append(sets, j.Core.Rules)
	}
	r.Warm = r.From.Add(-warmth(sets...))
}

// warmth is how long before a backtest the replay begins: a day, or as long as
// the longest window of the rules.
func warmth(sets ...*rules.Set) time.Duration {
	longest := 24 * time.Hour
	for _, s := range sets {
		longest = max(longest, s.LongestWindow())
	}
	return longest
}
