package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"
	"golang.org/x/term"

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

type demoCmd struct {
	Data       string  `help:"Folder to keep the data in; the next start goes on from it. Default: a temporary one, removed at the end." type:"path"`
	Speed      float64 `help:"Speed of the mill and of the program's clock: 60 runs an hour of the plant in a minute." default:"1"`
	Upset      string  `help:"Start with this upset."`
	ListUpsets bool    `help:"List the upsets and end."`
	Listen     string  `help:"Address of the console." default:"127.0.0.1:8420"`
	Days       int     `help:"Days of invented past to fill the archive with." default:"60"`
	Seed       uint64  `help:"Seed of the mill's noise and disturbances." default:"1"`
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

func (c *demoCmd) Run(a *app) (err error) {
	if c.ListUpsets {
		t := newTable("upset", "title", "what is seen")
		for _, u := range simulator.Upsets() {
			t.row(u.Name, u.Title, u.What)
		}
		t.write(a.out)
		return nil
	}
	if !(c.Speed > 0 && c.Speed <= 1000) {
		return fmt.Errorf("--speed %g: give more than 0, at most 1000", c.Speed)
	}
	if c.Speed != 1 && c.Data != "" {
		return errors.New("--speed and --data do not go together: a mill that lives faster soon is ahead of the calendar; leave one of them out")
	}
	if c.Days < 0 || c.Days > 400 {
		return fmt.Errorf("--days %d: give 0 to 400", c.Days)
	}
	if c.Upset != "" {
		if err := simulator.CheckUpset(c.Upset); err != nil {
			return fmt.Errorf("--upset: %w", err)
		}
	}
	// Said now, not after the past is filled.
	port, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("--listen %s: %w; give another address", c.Listen, err)
	}
	port.Close()
	data := c.Data
	if data == "" {
		if data, err = os.MkdirTemp("", "calandria-demo-"); err != nil {
			return err
		}
		defer os.RemoveAll(data)
	}
	if err := os.MkdirAll(data, 0o750); err != nil {
		return fmt.Errorf("make data folder: %w", err)
	}
	log.SetOutput(io.Discard) // the server library prints through the standard logger
	// Before anything is written there: another demo may live on the folder.
	unlock, err := service.Lock(filepath.Join(data, "lock"))
	if err != nil {
		return err
	}
	model, err := c.mill(a, data)
	unlock()
	if err != nil {
		return err
	}
	clock, runClock := engine.NewFastClock(c.Speed)
	every := time.Second
	if c.Speed > 1 {
		every = 100 * time.Millisecond
	}
	server, err := simulator.NewServer(simulator.Options{Model: model, Now: clock.Now, Every: every, Gaps: c.Speed == 1, Logger: a.log})
	if err != nil {
		return err
	}
	if c.Upset != "" {
		if err := server.Upset(c.Upset); err != nil {
			return err
		}
	}
	h, files, err := demoHouse(server.Endpoint(), c.Listen)
	if err != nil {
		return err
	}
	if c.Speed > 1 {
		quicken(h, c.Speed, every)
		files = append(files, rules.File{Name: "demo --speed", Data: []byte(fastRules)})
	}
	core, err := service.NewCore(h, files)
	if err != nil {
		return err
	}
	s, err := service.Open(a.ctx, clock, core, files, data, a.log, a.progress("reading the past"))
	if err != nil {
		return err
	}
	defer s.Close()
	runClock()

	g, ctx := errgroup.WithContext(a.ctx)
	// The mill outlives the client by a moment, so that it can take its leave.
	mill, stopMill := context.WithCancel(context.WithoutCancel(ctx))
	g.Go(func() error { return server.Run(mill) })
	g.Go(func() error {
		defer stopMill()
		return s.Run(ctx, func(address string) { c.welcome(a.out, address, server.Endpoint(), c.Data) })
	})
	err = g.Wait()
	if err == nil {
		fmt.Fprintln(a.out, "The demo has stopped in order. Goodbye.")
	}
	return err
}

func (c *demoCmd) welcome(w io.Writer, address, endpoint, data string) {
	fmt.Fprintf(w, `
Demo Mill (invented): every number is made up.

  Console   http://%[1]s
  Metrics   http://%[1]s/metrics
  OPC UA    %[2]s

Three things to look at:
  1. http://%[1]s/                      the temperature ladder: EV5 is due for cleaning, PA1 is boiling a strike
  2. http://%[1]s/alarms                what waits for a person, with cause, response and procedure
  3. http://%[1]s/trends?tag=EV.EV5.u_ratio&span=60d   scale building up and cleaned away

Try an upset:  calandria demo --list-upsets
Ctrl-C stops.
`, address, endpoint)
	if c.Speed != 1 {
		fmt.Fprintf(w, "The clock of the mill and of the program goes %g times as fast. Alarms on clocks and on the program's own pace are off.\n", c.Speed)
	}
	if data == "" {
		fmt.Fprintln(w, "The data is removed at the end; --data DIR keeps it.")
	}
}

// fastRules switch off what judges our own machine: a tenth of our second is a long
// time of a mill that lives faster.
const fastRules = `override:
  no_samples: {"*": {enabled: false}}
  clock_off: {"*": {enabled: false}}
  misstamped: {"*": {enabled: false}}
  own_clock_set: {"*": {enabled: false}}
  scan_overruns: {"*": {enabled: false}}
`

// quicken lets values come, and be worked out, as often as the mill is stepped,
// every so much of our time.
func quicken(h *plant.House, speed float64, every time.Duration) {
	step := time.Duration(speed * float64(every))
	h.Config.Scan = min(max(time.Second, step), time.Minute)
	h.Config.OPCUA.Servers[0].Publish = max(time.Duration(speed*float64(50*time.Millisecond)), step/2)
}

// demoHouse is the sample plant with the address of its own server.
func demoHouse(endpoint, listen string) (*plant.House, []rules.File, error) {
	h, err := service.LoadHouse("plant.demo.yaml", deploy.Demo())
	if err != nil {
		return nil, nil, err
	}
	h.Config.OPCUA.Servers[0].Endpoint = endpoint
	console.OptionsOf(h).Listen = listen
	files, err := service.RuleFilesFS(deploy.Rules())
	return h, files, err
}

// origin is what is needed to bring the same mill back at the next start.
type origin struct {
	Seed  uint64    `json:"seed"`
	From  time.Time `json:"from"`  // first moment of the past
	To    time.Time `json:"to"`    // its end: the first start
	Known time.Time `json:"known"` // up to here the archive is filled
}

// mill brings up the model at the present moment and fills what the archive
// lacks: the whole past at the first start, the time since at a later one.
func (c *demoCmd) mill(a *app, data string) (*simulator.Model, error) {
	name := filepath.Join(data, "demo.json")
	now := time.Now().UTC().Truncate(time.Second)
	o := origin{Seed: c.Seed, From: now.Add(-time.Duration(c.Days) * 24 * time.Hour), To: now}
	b, err := os.ReadFile(name)
	switch {
	case err == nil:
		if err := json.Unmarshal(b, &o); err != nil {
			return nil, fmt.Errorf("read %s: %w; remove the folder to start again", name, err)
		}
	case !errors.Is(err, os.ErrNotExist):
		return nil, err
	}
	if c.Days == 0 && o.Known.IsZero() {
		o.From = now.Add(-pastStep)
	}
	p, err := newFiller(a, data, now)
	if err != nil {
		return nil, err
	}
	defer p.close()
	m := simulator.New(o.Seed, o.From)
	record := o.Known.IsZero()
	p.raw = !record // the start of the program lives through that itself
	err = simulator.Past(m, o.From, o.To, pastStep, func(t time.Time, rs []simulator.Reading) {
		// Something for a person to do when the demo opens.
		if c.Upset == "" && o.To.Sub(t) == waitingAlarm {
			p.err = cmp.Or(p.err, m.StartFull("gas-ev4"))
		}
		if record && recorded(now.Sub(t), t) {
			p.step(a.ctx, t, m, rs)
		}
	})
	if err != nil {
		return nil, err
	}
	if !record {
		for t := o.To; t.Before(now); t = t.Add(pastStep) {
			m.AdvanceTo(t)
			if t.After(o.Known) {
				p.step(a.ctx, t, m, m.Values())
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
	a       *app
	data    string // the folder
	raw     bool   // only what the instruments showed is filled in
	core    *engine.Core
	archive *historian.Archive
	journal *journal.Journal
	bulk    *historian.BulkWriter
	tags    []plant.TagID // measured tags
	nodes   []int         // their instruments
	began   time.Time
	from    time.Time // zero: before the first step
	until   time.Time
	show    func(done float64, at time.Time)
	events  []plant.Event
	waiting map[string]time.Time // alarm -> when someone acknowledges it
	err     error
}

func newFiller(a *app, data string, until time.Time) (*filler, error) {
	h, files, err := demoHouse("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &filler{a: a, data: data, until: until, began: time.Now(), show: a.progress("filling the past"), waiting: map[string]time.Time{}}
	if p.core, err = engine.New(h, files, rules.Options{}); err != nil {
		return nil, err
	}
	h = p.core.House
	p.core.Calc.NoUncertainty()
	p.core.Calc.NoReconciliation()
	if p.archive, err = service.OpenKept(h, service.ArchiveDir(h, data), data, a.log); err != nil {
		return nil, err
	}
	if err = p.archive.Describe(service.Describe(h)...); err == nil {
		p.journal, err = journal.Open(filepath.Join(data, "journal.db"))
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
	p.bulk = p.archive.Bulk(a.ctx, nil)
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
	p.show(t.Sub(p.from).Hours()/p.until.Sub(p.from).Hours(), t)
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

// terminal tells a terminal from a file or a pipe.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
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
		fmt.Fprintf(p.a.out, "filling the past  %.0f days in %.1f s\n", days, time.Since(p.began).Seconds())
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
	return historian.WriteCheckpoint(p.data, service.CheckpointName, learned)
}

func (p *filler) close() {
	p.journal.Close()
	p.archive.Close()
}
