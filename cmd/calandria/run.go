package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/sync/errgroup"

	"calandria/alerting"
	"calandria/collector"
	"calandria/console"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

type runCmd struct {
	Config string `help:"The plant file." default:"plant.yaml" type:"path"`
	Data   string `help:"Folder for archive, journal and certificates." default:"data" type:"path"`
}

func (c *runCmd) Run(a *app) error {
	h, files, err := loadPlant(c.Config)
	if err != nil {
		return err
	}
	s, err := open(h, files, c.Data, a.log)
	if err != nil {
		return err
	}
	defer s.close()
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGHUP)
	defer signal.Stop(asked)
	if s.reload, err = newReloader(s, c.Config, files, asked); err != nil {
		return err
	}
	s.trials.fresh, s.trials.keeps = s.again(c.Config, s.reload.data), true
	if unfilled := s.core.rules.Placeholders(); len(unfilled) > 0 {
		// One line: the library comes with one in every rule.
		var names []string
		for _, p := range unfilled {
			if !slices.Contains(names, p.Rule) {
				names = append(names, p.Rule)
			}
		}
		a.log.Warn("alarms still have a placeholder where the site's procedure belongs; 'calandria check' gives file and line", "count", len(names), "rules", strings.Join(names, " "))
	}
	return s.run(a.ctx, func(address string) {
		scheme := "http://"
		if h.Config.Console.TLSCertificate != "" {
			scheme = "https://"
		}
		a.log.Info("watching", "site", h.Config.Site.Name, "console", scheme+address, "tags", len(h.Tags), "alarms", len(s.core.rules.Alarms()))
	})
}

// service is the whole program on one house, put together but not running.
type service struct {
	house   *plant.House
	core    *core
	archive *historian.Archive
	journal *historian.Journal
	sources []*collector.Client
	forward *historian.Forwarder // nil: none
	loop    *loop
	console *console.Server
	reload  *reloader // nil: rules stay as they are
	trials  *trials
	inForce atomic.Pointer[[]rules.File]
	log     *slog.Logger
	unlock  func()

	registry     *prometheus.Registry
	plantMetrics *plantMetrics
}

// open puts everything together over a data folder. Nothing runs yet.
func open(h *plant.House, files []rules.File, dataDir string, log *slog.Logger) (s *service, err error) {
	s = &service{house: h, log: log}
	s.inForce.Store(&files)
	defer func() {
		if err != nil {
			s.close()
			s = nil
		}
	}()
	if s.core, err = newCore(h, files); err != nil {
		return s, err
	}
	if err = os.MkdirAll(dataDir, 0o750); err != nil {
		return s, fmt.Errorf("make data folder: %w", err)
	}
	if s.unlock, err = lock(filepath.Join(dataDir, "lock")); err != nil {
		return s, err
	}
	if s.archive, err = historian.Open(archiveDir(h, dataDir), historian.Options{Hot: h.Config.Archive.Hot, Keep: h.Config.Archive.Keep, Logger: log}); err != nil {
		return s, err
	}
	if err = s.archive.Describe(describe(h)...); err != nil {
		return s, err
	}
	if s.journal, err = historian.OpenJournal(filepath.Join(dataDir, "journal.db"), historian.JournalOptions{}); err != nil {
		return s, err
	}
	for _, sc := range h.Config.OPCUA.Servers {
		client, err := collector.New(collector.Config{Server: sc, Tags: measuredBy(h, sc.Name), DataDir: dataDir, Logger: log})
		if err != nil {
			return s, err
		}
		s.sources = append(s.sources, client)
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	s.loop = newLoop(s.core, s.archive, historian.NewCommitter(s.journal, 0, log), s.sources, reg, log)
	s.registry, s.plantMetrics = reg, newPlantMetrics(h, s.loop.board.latest)
	reg.MustRegister(s.plantMetrics)
	reg.MustRegister(newEdgeMetrics(s), buildInfo())
	if x := h.Config.Influx; x != nil {
		if s.forward, err = historian.NewForwarder(s.archive, *x, forwardTags(h), log); err != nil {
			return s, err
		}
		s.loop.forward = func() (bool, string) {
			f := s.forward.Health()
			return f.OK, f.String()
		}
	}
	s.trials = newTrials(s.archive, log)
	s.trials.files = func() []rules.File { return *s.inForce.Load() }
	s.restore()
	// The windows of the rules look back further than this start, and so do the filters
	// of a set and what its bodies hold.
	now := time.Now()
	if _, err = s.core.look(context.Background(), s.archive, now, quietGap); err != nil {
		return s, err
	}
	if err = s.core.follow(context.Background(), s.archive, newest(context.Background(), h, s.archive), now); err != nil {
		return s, err
	}
	if s.loop.notifiers, err = newNotifiers(h, s.journal, s.core.rules.Alarms(), log); err != nil {
		return s, err
	}
	if err = scaleHistory(context.Background(), h, s.core.calc, s.archive, s.journal, time.Now()); err != nil {
		return s, err
	}
	if err = strikeHistory(context.Background(), h, s.core.calc, s.archive, time.Now()); err != nil {
		return s, err
	}
	if err = recallStrikes(context.Background(), h, s.core.calc, s.journal, func(err error) { log.Warn("a recorded strike cannot be read", "err", err) }); err != nil {
		return s, err
	}
	s.loop.keepStrike = s.journal.PutStrike
	s.loop.lastRun = s.lastSign()
	opt := consoleOptions(h)
	opt.Logger, opt.Version, opt.Journal = log, version(), s.tellAccess
	opt.Metrics = promhttp.HandlerFor(reg, promhttp.HandlerOpts{ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelError)})
	s.console, err = console.New(&backend{s: s}, opt)
	return s, err
}

// consoleOptions are those that the plant file states.
func consoleOptions(h *plant.House) console.Options {
	cc := &h.Config.Console
	return console.Options{Listen: cc.Listen, BehindProxy: cc.BehindProxy, Hosts: cc.Hosts,
		Accounts: besidePlant(h, cc.Accounts), OpenView: cc.OpenView, Idle: cc.SessionIdle,
		Certificate: besidePlant(h, cc.TLSCertificate), Key: besidePlant(h, cc.TLSKey)}
}

// tellAccess journals who signs in and out and what was refused.
func (s *service) tellAccess(e plant.Event) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := s.loop.call(ctx, func() { s.loop.event(e) }); err != nil {
		s.log.Error("a sign-in or refusal is not in the journal", "user", e.User, "what", e.Text, "err", err)
	}
}

// again makes the house once more from its plant file, with what the program
// filled in, for engines of their own.
func (s *service) again(file string, data []byte) func() (*plant.House, error) {
	return func() (*plant.House, error) {
		h, err := plant.Load(file, data)
		if err == nil {
			h.Config = s.loop.board.house().Config
		}
		return h, err
	}
}

// restore takes over the alarm states of before the last stop.
func (s *service) restore() {
	now := time.Now()
	s.core.set("alarm_state_ok", 1, now)
	state, err := s.journal.State()
	if err == nil && len(state) == 0 {
		return // a first start
	}
	if err == nil {
		err = s.core.alarms.RestoreParts(state, now)
	}
	if err != nil {
		s.core.set("alarm_state_ok", 0, now)
		s.log.Error("alarm states of before could not be read; alarms start unacknowledged and unshelved", "err", err)
	}
}

// scaleHistory tells the trackers of scale what archive and journal know: U by
// the hour and the cleanings recorded, over the last cycles.
func scaleHistory(ctx context.Context, h *plant.House, calc *thermo.Calculator, ar *historian.Archive, j *historian.Journal, now time.Time) error {
	const days = 90
	end := now.Truncate(time.Hour)
	from := end.Add(-days * 24 * time.Hour)
	for _, e := range h.Of(plant.ClassBody) {
		buckets, err := ar.Trend(ctx, e.Path+".u", from, end, days*24)
		if err != nil {
			return fmt.Errorf("read the history of U: %w", err)
		}
		condition, err := conditionHistory(ctx, e, ar, from, end)
		if err != nil {
			return err
		}
		cleanings, err := j.Cleanings(ctx, e.Path, from, now)
		if err != nil {
			return fmt.Errorf("read the cleanings: %w", err)
		}
		ends, err := cleaningEnds(ctx, ar, e, from, end)
		if err != nil {
			return fmt.Errorf("read the signal of cleaning: %w", err)
		}
		for _, c := range cleanings {
			if !c.End.IsZero() {
				ends = append(ends, c.End)
			}
		}
		slices.SortFunc(ends, time.Time.Compare)
		moved, err := unsettledHours(ctx, ar, e.Path, from, end)
		if err != nil {
			return err
		}
		// A record that the tracker refuses lies before a cleaning it found by
		// itself: nothing is lost by that.
		for _, b := range buckets {
			for len(ends) > 0 && !ends[0].After(b.Start) {
				_ = calc.Cleaned(e.Path, ends[0], now)
				ends = ends[1:]
			}
			if b.Count >= 5 && !moved[b.Start.Unix()] {
				hour := thermo.Hour{End: b.Start.Add(time.Hour), U: b.Mean}
				hour.Brix, hour.ChestC, hour.LevelPct = condition(b.Start)
				calc.ObserveHour(e.Path, hour)
			}
		}
		for _, at := range ends {
			_ = calc.Cleaned(e.Path, at, now)
		}
	}
	calc.ForecastScale(now)
	return nil
}

// unsettledHours are those in which a body was settled for less than nine tenths: as
// while the program runs, scale is not followed by a U of them. An archive of before
// that was recorded has none.
func unsettledHours(ctx context.Context, ar *historian.Archive, body string, from, to time.Time) (map[int64]bool, error) {
	buckets, err := ar.Trend(ctx, body+".settled", from, to, int(to.Sub(from).Hours()))
	if err != nil {
		return nil, fmt.Errorf("read when the set moved: %w", err)
	}
	hours := map[int64]bool{}
	for _, b := range buckets {
		if b.Count > 0 && b.Mean < 0.9 {
			hours[b.Start.Unix()] = true
		}
	}
	return hours, nil
}

// cleaningEnds finds, to the hour, when the signal that a body is being cleaned
// went off.
func cleaningEnds(ctx context.Context, ar *historian.Archive, e *plant.Equipment, from, to time.Time) ([]time.Time, error) {
	if e.Tag("cleaning") == plant.NoTag {
		return nil, nil
	}
	buckets, err := ar.Trend(ctx, e.Path+".cleaning", from, to, int(to.Sub(from).Hours()))
	if err != nil {
		return nil, err
	}
	var ends []time.Time
	on := false
	for _, b := range buckets {
		if b.Count == 0 {
			continue
		}
		if was := on || b.Max >= 0.5; was && b.Last < 0.5 {
			at := b.Start
			if b.Max >= 0.5 {
				at = at.Add(time.Hour)
			}
			ends = append(ends, at)
		}
		on = b.Last >= 0.5
	}
	return ends, nil
}

// conditionHistory reads by the hour in what condition a body worked; NaN where the
// archive does not know.
func conditionHistory(ctx context.Context, e *plant.Equipment, ar *historian.Archive, from, to time.Time) (func(hour time.Time) (brix, chestC, levelPct float64), error) {
	read := func(name string) (map[int64]float64, error) {
		buckets, err := ar.Trend(ctx, e.Path+"."+name, from, to, int(to.Sub(from).Hours()))
		if err != nil {
			return nil, fmt.Errorf("read the history of %s.%s: %w", e.Path, name, err)
		}
		known := make(map[int64]float64, len(buckets))
		for _, b := range buckets {
			if b.Count >= 5 {
				known[b.Start.Unix()] = b.Mean
			}
		}
		return known, nil
	}
	brix, err := read("brix_out")
	if err != nil {
		return nil, err
	}
	chest, err := read("chest_saturation_temperature")
	if err != nil {
		return nil, err
	}
	level := map[int64]float64{}
	if e.Tag("level") != plant.NoTag {
		if level, err = read("level"); err != nil {
			return nil, err
		}
	}
	at := func(of map[int64]float64, hour time.Time) float64 {
		if v, ok := of[hour.Unix()]; ok {
			return v
		}
		return math.NaN()
	}
	return func(hour time.Time) (float64, float64, float64) {
		return at(brix, hour), at(chest, hour), at(level, hour)
	}, nil
}

// strikeHistory lets the trackers of strikes follow what the archive knows of
// the last day, so that a strike in progress has its beginning after a restart,
// and the condensers learn their normal running from it.
func strikeHistory(ctx context.Context, h *plant.House, calc *thermo.Calculator, ar *historian.Archive, now time.Time) error {
	const (
		back = 36 * time.Hour
		step = 30 * time.Second
	)
	end := now.Truncate(step)
	from := end.Add(-back)
	series := map[plant.TagID][]historian.Bucket{}
	for i := range h.Tags {
		t := &h.Tags[i]
		if t.Source != plant.Measured && t.Source != plant.Fixed || t.Class != plant.ClassPan && t.Class != plant.ClassCondenser && t.Name != "vapour_pressure" {
			continue
		}
		b, err := ar.Trend(ctx, t.Path, from, end, int(back/step))
		if err != nil {
			return fmt.Errorf("read the history of the pans: %w", err)
		}
		series[t.ID] = b
	}
	f := plant.NewFrame(len(h.Tags))
	for at := from; at.Before(end); at = at.Add(step) {
		seen := false
		for id, b := range series {
			for len(b) > 0 && !b[0].Start.After(at) {
				p := plant.BadPoint(at, plant.BadNoData)
				if b[0].Count > 0 {
					p = plant.Point{Time: at, Value: b[0].Last, Quality: plant.Good}
				}
				f.Points[id], b, seen = p, b[1:], true
			}
			series[id] = b
		}
		f.At = at
		if seen {
			calc.ObservePans(f, at)
			calc.ObserveCondensers(f, at)
		}
	}
	return nil
}

// lastSign is when the program was last alive on this data: the newest
// calculated value or journal entry.
func (s *service) lastSign() time.Time {
	var last time.Time
	events, err := s.journal.Read(context.Background(), historian.Filter{Newest: true, Limit: 1})
	if err == nil && len(events) > 0 {
		last = events[0].Received
	}
	for i := range s.house.Tags {
		if s.house.Tags[i].Source != plant.Derived {
			continue
		}
		if p, ok, err := s.archive.Last(context.Background(), s.house.Tags[i].Path); err == nil && ok && p.Time.After(last) {
			last = p.Time
		}
		break // they are all written at every scan
	}
	return last
}

// stateOf is what changed of the alarm states since it was last asked for, or
// all of it.
func stateOf(e *alerting.Engine, all bool) (historian.State, error) {
	parts, whole, err := e.SaveParts(all)
	return historian.State{Parts: parts, Whole: whole}, err
}

// run serves until ctx ends. listening is called with the console's address.
func (s *service) run(ctx context.Context, listening func(address string)) error {
	ln, err := net.Listen("tcp", s.house.Config.Console.Listen)
	if err != nil {
		return fmt.Errorf("the console cannot listen on %s: %w; is another program there? give another address", s.house.Config.Console.Listen, err)
	}
	listening(ln.Addr().String())
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return s.archive.Run(ctx) })
	for _, c := range s.sources {
		g.Go(func() error { return c.Run(ctx) })
	}
	g.Go(func() error { return s.loop.Run(ctx) })
	g.Go(func() error { return s.trials.Run(ctx) })
	g.Go(func() error { return s.console.Serve(ctx, ln) })
	if s.forward != nil {
		g.Go(func() error { return s.forward.Run(ctx) })
	}
	for _, n := range s.loop.notifiers {
		g.Go(func() error { return n.Run(ctx) })
	}
	if s.reload != nil {
		g.Go(func() error { return s.reload.Run(ctx) })
	}
	if err := g.Wait(); err != nil && !errors.Is(err, context.Canceled) && !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

func (s *service) close() {
	var closers []io.Closer
	if s.archive != nil {
		closers = append(closers, s.archive)
	}
	if s.journal != nil {
		closers = append(closers, s.journal)
	}
	for _, c := range closers {
		if err := c.Close(); err != nil {
			s.log.Error("closing", "err", err)
		}
	}
	if s.unlock != nil {
		s.unlock()
	}
}

// describe tells the archive each tag's unit and meaning, and how finely its
// values are worth keeping: a twentieth of the instrument's stated accuracy.
func describe(h *plant.House) []historian.TagInfo {
	var infos []historian.TagInfo
	for i := range h.Tags {
		t := &h.Tags[i]
		infos = append(infos, historian.TagInfo{Path: t.Path, Unit: t.Unit, Meaning: t.Meaning, Resolution: t.SigmaAbs / 20})
	}
	return infos
}

// forwardTags gives each tag's labels in InfluxDB.
func forwardTags(h *plant.House) map[string]historian.ForwardTag {
	m := map[string]historian.ForwardTag{}
	for i := range h.Tags {
		t := &h.Tags[i]
		_, labels, values := metricName(t)
		f := historian.ForwardTag{Unit: t.Unit, Signal: t.Name, Labels: map[string]string{}}
		for i, l := range labels {
			f.Labels[l] = values[i]
		}
		m[t.Path] = f
	}
	return m
}
