// Package demo is the invented mill of 'calandria demo': its house, its rules and its past.
// No real factory is in it.
package demo

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"calandria/alerting"
	"calandria/cmd/service"
	"calandria/collector/simulator"
	"calandria/console"
	"calandria/deploy"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/rules"
)

// FastRules switch off what judges our own machine: a tenth of our second is a long
// time of a mill that lives faster.
const FastRules = `override:
  no_samples: {"*": {enabled: false}}
  clock_off: {"*": {enabled: false}}
  misstamped: {"*": {enabled: false}}
  own_clock_set: {"*": {enabled: false}}
  scan_overruns: {"*": {enabled: false}}
`

// Quicken lets values come, and be worked out, as often as the mill is stepped,
// every so much of our time.
func Quicken(h *plant.House, speed float64, every time.Duration) {
	step := time.Duration(speed * float64(every))
	h.Config.Scan = min(max(time.Second, step), time.Minute)
	h.Config.OPCUA.Servers[0].Publish = max(time.Duration(speed*float64(50*time.Millisecond)), step/2)
}

// House is the sample plant with the address of its own server.
func House(endpoint, listen string) (*plant.House, []rules.File, error) {
	h, err := service.LoadHouse("plant.demo.yaml", deploy.Demo())
	if err != nil {
		return nil, nil, err
	}
	h.Config.OPCUA.Servers[0].Endpoint = endpoint
	console.OptionsOf(h).Listen = listen
	files, err := service.RuleFilesFS(deploy.Rules())
	return h, files, err
}

// The invented past is simulated half a minute at a time. The last day and a
// half is recorded whole, since strikes cannot be told from readings much
// further apart; the week before every fifth minute, what is older every tenth:
// a screen must not wait for it.
const pastStep = 30 * time.Second

// waitingAlarm is how long before the demo opens gas begins to gather in EV4:
// the alarm that waits for whoever looks.
const waitingAlarm = 40 * time.Minute

func recorded(age time.Duration, t time.Time) bool {
	every := 10 * time.Minute
	switch {
	case age <= 36*time.Hour:
		every = pastStep
	case age <= 8*24*time.Hour:
		every = 5 * time.Minute
	}
	return t.Truncate(every).Equal(t.Truncate(pastStep))
}

// Past is the past that a mill is to have.
type Past struct {
	Data  string // folder of archive and journal
	Days  int    // how far it goes back
	Seed  uint64 // of the mill's noise and disturbances
	Upset string // which it begins with
	Log   *slog.Logger
	Out   io.Writer                        // where it says what it took
	Show  func(done float64, at time.Time) // how far it has come
}

// origin is what is needed to bring the same mill back at the next start.
type origin struct {
	Seed  uint64    `json:"seed"`
	From  time.Time `json:"from"`  // first moment of the past
	To    time.Time `json:"to"`    // its end: the first start
	Known time.Time `json:"known"` // up to here the archive is filled
}

// Mill brings up the model at the present moment and fills what the archive
// lacks: the whole past at the first start, the time since at a later one.
func (w *Past) Mill(ctx context.Context) (*simulator.Model, error) {
	name := filepath.Join(w.Data, "demo.json")
	now := time.Now().UTC().Truncate(time.Second)
	o := origin{Seed: w.Seed, From: now.Add(-time.Duration(w.Days) * 24 * time.Hour), To: now}
	b, err := os.ReadFile(name)
	switch {
	case err == nil:
		if err := json.Unmarshal(b, &o); err != nil {
			return nil, fmt.Errorf("read %s: %w; remove the folder to start again", name, err)
		}
	case !errors.Is(err, os.ErrNotExist):
		return nil, err
	}
	if w.Days == 0 && o.Known.IsZero() {
		o.From = now.Add(-pastStep)
	}
	p, err := w.filler(ctx, now)
	if err != nil {
		return nil, err
	}
	defer p.close()
	m := simulator.New(o.Seed, o.From)
	record := o.Known.IsZero()
	p.raw = !record // the start of the program lives through that itself
	err = simulator.Past(m, o.From, o.To, pastStep, func(t time.Time, rs []simulator.Reading) {
		// Something for a person to do when the demo opens.
		if w.Upset == "" && o.To.Sub(t) == waitingAlarm {
			p.err = cmp.Or(p.err, m.StartFull("gas-ev4"))
		}
		if record && recorded(now.Sub(t), t) {
			p.step(ctx, t, m, rs)
		}
	})
	if err != nil {
		return nil, err
	}
	if !record {
		for t := o.To; t.Before(now); t = t.Add(pastStep) {
			m.AdvanceTo(t)
			if t.After(o.Known) {
				p.step(ctx, t, m, m.Values())
			}
		}
	}
	if err := p.finish(); err != nil {
		return nil, err
	}
	o.Known = now
	if b, err = json.Marshal(o); err != nil {
		return nil, err
	}
	return m, os.WriteFile(name, b, 0o640)
}

// filler fills archive and journal with what would have been recorded: the same
// core that runs live, on a house of its own, in event time.
type filler struct {
	of      *Past
	raw     bool // only what the instruments showed is filled in
	core    *engine.Core
	archive *historian.Archive
	journal *journal.Journal
	bulk    *historian.BulkWriter
	tags    []plant.TagID // measured tags
	nodes   []int         // their instruments
	began   time.Time
	from    time.Time // zero: before the first step
	until   time.Time
	events  []plant.Event
	waiting map[string]time.Time // alarm -> when someone acknowledges it
	err     error
}

func (w *Past) filler(ctx context.Context, until time.Time) (*filler, error) {
	h, files, err := House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &filler{of: w, until: until, began: time.Now(), waiting: map[string]time.Time{}}
	if p.core, err = engine.New(h, files, rules.Options{}); err != nil {
		return nil, err
	}
	h = p.core.House
	p.core.Calc.NoUncertainty()
	p.core.Calc.NoReconciliation()
	if p.archive, err = service.OpenKept(h, service.ArchiveDir(h, w.Data), w.Data, w.Log); err != nil {
		return nil, err
	}
	if err = p.archive.Describe(service.Describe(h)...); err == nil {
		p.journal, err = journal.Open(filepath.Join(w.Data, "journal.db"))
	}
	if err == nil {
		var state map[string][]byte
		if state, err = p.journal.State(); err == nil && len(state) > 0 {
			err = p.core.Alarms.RestoreParts(state, until)
		}
	}
	if err != nil {
		p.archive.Close()
		return nil, err
	}
	p.bulk = p.archive.Bulk(ctx, nil)
	p.core.Record = func(id plant.TagID, pt plant.Point) { p.add(h.Tags[id].Path, pt) }
	return p, nil
}

func (p *filler) add(path string, pt plant.Point) {
	p.err = cmp.Or(p.err, p.bulk.Add(path, pt))
}

// step runs one moment of the past.
func (p *filler) step(ctx context.Context, t time.Time, m *simulator.Model, rs []simulator.Reading) {
	if p.err = cmp.Or(p.err, ctx.Err()); p.err != nil {
		return
	}
	h := p.core.House
	if p.from.IsZero() {
		p.from = t
		p.bind(m)
		p.core.Begin(t)
		p.core.AllWell(t)
	}
	for i, id := range p.tags {
		r := &rs[p.nodes[i]]
		v, q := h.Tags[id].Convert(r.Raw, r.Quality)
		pt := plant.Point{Time: t, Value: v, Quality: q}
		p.add(h.Tags[id].Path, pt)
		if !p.raw {
			p.core.Sample(plant.Sample{Tag: id, Point: pt}, t)
		}
	}
	if p.raw {
		return
	}
	p.core.Set("bad_tags_pct", p.core.BadTagsPct(), t)
	p.core.Set("sample_age", 0, t)
	p.core.Scan(t)
	p.core.Alarms.Advance(t)
	p.attend(t)
	p.of.Show(t.Sub(p.from).Hours()/p.until.Sub(p.from).Hours(), t)
}

// bind ties measured tags to instruments by node.
func (p *filler) bind(m *simulator.Model) {
	byNode := map[string]int{}
	for i, in := range m.Instruments() {
		byNode[in.Node()] = i
	}
	for t := range p.core.House.Measured() {
		if n, ok := byNode[t.Node]; ok {
			p.tags, p.nodes = append(p.tags, t.ID), append(p.nodes, n)
		}
	}
}

// attend lets an invented operator acknowledge some minutes after each alarm.
// The last two hours are left to whoever looks at the demo.
func (p *filler) attend(t time.Time) {
	events := p.core.Drain()
	for _, e := range events {
		if e.Kind == plant.EventAlarm && e.Annunciated {
			p.waiting[e.Alarm] = t.Add(time.Duration(3+len(e.Alarm)%7) * time.Minute)
		}
	}
	if p.until.Sub(t) > 2*time.Hour {
		for name, due := range p.waiting {
			if !t.Before(due) {
				delete(p.waiting, name)
				shift := []string{"night shift", "morning shift", "late shift"}[t.Hour()/8]
				_ = p.core.Alarms.Do(alerting.Command{Action: alerting.Acknowledge, Alarm: name, User: shift + " (invented)", Station: "demo"}, t)
			}
		}
		events = append(events, p.core.Drain()...)
	}
	for i := range events {
		events[i].Received = events[i].Time
	}
	p.events = append(p.events, events...)
	if len(p.events) > 2000 {
		p.journalise()
	}
}

func (p *filler) journalise() {
	parts, whole, err := p.core.Alarms.SaveParts(false)
	if err == nil {
		_, err = p.journal.Append(p.events, journal.State{Parts: parts, Whole: whole})
	}
	p.err = cmp.Or(p.err, err)
	p.events = p.events[:0]
}

func (p *filler) finish() error {
	if p.err == nil && !p.raw {
		p.journalise()
	}
	if p.err == nil {
		p.err = p.bulk.Close()
	}
	if p.err == nil && !p.raw {
		p.err = p.keep()
	}
	if p.err != nil {
		return fmt.Errorf("fill the past: %w", p.err)
	}
	if days := p.until.Sub(p.from).Hours() / 24; !p.raw && days > 1 {
		fmt.Fprintf(p.of.Out, "filling the past  %.0f days in %.1f s\n", days, time.Since(p.began).Seconds())
	}
	return nil
}

// keep puts the strikes on record and leaves what was learned to the start.
func (p *filler) keep() error {
	for _, s := range p.core.Calc.TakeFinished() {
		if err := service.KeepStrike(p.journal, &s); err != nil {
			return err
		}
	}
	learned, err := p.core.Save(p.core.Frame.At)
	if err != nil {
		return err
	}
	return historian.WriteCheckpoint(p.of.Data, service.CheckpointName, learned)
}

func (p *filler) close() {
	p.journal.Close()
	p.archive.Close()
}
