package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
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

	"calandria/alerting/notify"
	"calandria/collector"
	"calandria/console"
	"calandria/engine"
	"calandria/engine/setup"
	"calandria/historian"
	"calandria/historian/influx"
	"calandria/historian/journal"
	"calandria/historian/marks"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"
	"calandria/thermo/pan"
)

type runCmd struct {
	Config string `help:"The plant file." default:"plant.yaml" type:"path"`
	Data   string `help:"Folder for archive, journal and certificates." default:"data" type:"path"`
}

func (c *runCmd) Run(a *app) error {
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGHUP)
	defer signal.Stop(asked)
	s, err := openRun(a.ctx, c.Config, c.Data, a.log, asked, a.progress("reading the past"))
	if err != nil {
		return err
	}
	defer s.close()
	s.trials.Kept = true
	if unfilled := s.unfilled; len(unfilled) > 0 {
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
		h := s.house
		if console.OptionsOf(h).Certificate != "" {
			scheme = "https://"
		}
		a.log.Info("watching", "site", h.Config.Site.Name, "console", scheme+address, "tags", len(s.house.Tags), "alarms", len(s.loop.Specs()))
	})
}

// service is the whole program on one house, put together but not running.
type service struct {
	house     *plant.House
	dir       string // the data folder
	archive   *historian.Archive
	journal   *journal.Journal
	committer *journal.Committer
	sources   []reader
	forward   *influx.Forwarder // nil: none
	notifiers []*notify.Notifier
	escalator *escalator // nil: nobody is called in turn
	loop      *engine.Loop
	console   *console.Server
	reload    *reloader // nil: rules stay as they are
	trials    *engine.Trials
	inForce   atomic.Pointer[[]rules.File]
	log       *slog.Logger
	folder    *folder
	unfilled  []rules.Placeholder // where the site's procedures belong
	anchors   *anchors

	registry     prometheus.Registerer // with the label site
	plantMetrics *plantMetrics
}

// open puts everything together over a data folder: the core as it was when the
// program last ran, and the edges. Nothing runs yet. The core has seen nothing; the clock
// may be another than the machine's: the demo's.
func open(ctx context.Context, clock *engine.Clock, core *engine.Core, files []rules.File, dataDir string, log *slog.Logger, progress func(done float64, at time.Time)) (s *service, err error) {
	h := core.House
	s = &service{house: h, log: log}
	s.anchors = &anchors{s: s}
	s.inForce.Store(&files)
	defer func() {
		if err != nil {
			s.close()
			s = nil
		}
	}()
	now := time.Now()
	if s.folder, err = openFolder(dataDir, now, log); err != nil {
		return s, err
	}
	dataDir = s.folder.dir
	s.dir = dataDir
	if s.archive, err = s.folder.openArchive(h, now); err != nil {
		return s, err
	}
	if s.journal, err = s.folder.openJournal(now); err != nil {
		return s, err
	}
	s.folder.checkCheckpoint(now)
	s.folder.look()
	s.committer = journal.NewCommitter(s.journal, 0, log)
	begun, err := begin(ctx, core, files, past{s.archive}, s.journal, dataDir, clock.Now(), log, progress)
	if err != nil && ctx.Err() == nil {
		s.folder.tell(now, "the past cannot be read; what was learned begins anew: "+err.Error())
		begun, err = beginAnew(h, files, s.journal, now, log)
	}
	if err != nil {
		return s, err
	}
	h = begun.core.House
	s.house = h
	if err := s.archive.Describe(describe(h)...); err != nil {
		log.Error("units and meanings of tags are not stored", "err", err)
	}
	unread := s.readServers(clock, begun, dataDir)
	reg := prometheus.NewRegistry()
	sited := prometheus.WrapRegistererWith(prometheus.Labels{"site": h.Config.Site.Name}, reg)
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	marks := marks.Folder{Dir: filepath.Join(dataDir, marksFolder)}
	o := engine.LoopOptions{Core: begun.core, Archive: archiveEdge{s.archive}, Journal: journalEdge{s.committer, s.journal}, Log: log, Counts: loopCounts(sited),
		Clock: clock, Offsets: maps.Clone(begun.offsets),
		KeepStrike: func(f *thermo.FinishedStrike) error { return keepStrike(s.journal, f) }, LastRun: begun.lastRun, Events: append(s.folder.events, begun.events...), Damage: s.damage, Strikes: begun.strikes,
		Checkpoint: func(data []byte) error {
			return errors.Join(historian.WriteCheckpoint(dataDir, checkpointName, data),
				marks.Keep(time.Now(), func() ([]byte, error) { return data, nil }))
		}}
	for _, c := range s.sources {
		o.Sources = append(o.Sources, func() engine.Source { return sourceOf(c.Health()) })
	}
	for _, x := range unread {
		o.Sources = append(o.Sources, func() engine.Source { return x })
	}
	s.forwardTo(influx.Of(h), &o)
	o.Pages = func() (int, time.Time) {
		if s.console == nil {
			return 0, time.Time{}
		}
		return s.console.Streams()
	}
	if s.notifiers, err = newNotifiers(h, s.journal, begun.core.Rules.Alarms(), s.anchors.head, log); err != nil {
		return s, err
	}
	for _, n := range s.notifiers {
		o.Notifiers = append(o.Notifiers, notifierEdge{n})
	}
	s.loop, s.unfilled = engine.NewLoop(o), begun.core.Rules.Placeholders()
	s.registry, s.plantMetrics = sited, newPlantMetrics(h, s.loop.Picture)
	sited.MustRegister(s.plantMetrics)
	sited.MustRegister(newEdgeMetrics(s))
	reg.MustRegister(buildInfo())
	s.trials = engine.NewTrials(past{s.archive}, func() []rules.File { return *s.inForce.Load() }, log)
	opt := consoleOptions(h)
	opt.Logger, opt.Version, opt.Journal = log, version(), s.tellAccess
	opt.Metrics = promhttp.HandlerFor(reg, promhttp.HandlerOpts{ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelError)})
	opt.WritePlant = writePlant
	opt.Browse = func(ctx context.Context, sc *plant.ServerConfig, password string) ([]setup.Node, error) {
		if sc.User != "" && password != "" {
			var err error
			if sc.PasswordFile, err = filepath.Abs(filepath.Join(dataDir, "opcua-password")); err == nil {
				err = os.WriteFile(sc.PasswordFile, []byte(password+"\n"), 0o600)
			}
			if err != nil {
				return nil, err
			}
		}
		return browseNodes(ctx, *sc, dataDir, "", log)
	}
	s.escalator = newEscalator(s, h, &opt)
	s.console, err = console.New(&backend{Loop: s.loop, s: s}, opt)
	return s, err
}

// readServers makes a reader for each server. Those that cannot be read are
// returned: the others are read all the same.
func (s *service) readServers(clock *engine.Clock, b *begun, dataDir string) (unread []engine.Source) {
	for _, sc := range s.house.Config.OPCUA.Servers {
		tags := measuredBy(s.house, sc.Name)
		sc.Publish = max(clock.Real(sc.Publish), 50*time.Millisecond)
		client, err := newReader(clock, collector.Config{Server: sc, Tags: tags, DataDir: dataDir, Logger: s.log, Now: clock.Now, Until: b.lastRun,
			Archived: func(id plant.TagID) (plant.Point, time.Duration, bool) {
				p, ok, err := s.archive.Last(context.Background(), s.house.Tags[id].Path)
				return p, b.offsets[id], ok && err == nil
			}})
		if err != nil {
			s.log.Error("a server is not read", "server", sc.Name, "err", err)
			unread = append(unread, engine.Source{Name: sc.Name, LastError: err.Error(), Tags: len(tags), Since: clock.Now()})
			continue
		}
		s.sources = append(s.sources, client)
	}
	return unread
}

// forwardTo sends values to InfluxDB where the plant file names one, and tells the
// loop how that goes.
func (s *service) forwardTo(x *influx.Config, o *engine.LoopOptions) {
	if x == nil {
		return
	}
	var err error
	if s.forward, err = influx.New(s.archive, *x, forwardTags(s.house), s.log); err != nil {
		why := err.Error()
		s.log.Error("values do not go to InfluxDB", "err", err)
		o.Forward = func() (bool, words.Text) { return false, words.Verbatim(why) }
		return
	}
	o.Forward = func() (bool, words.Text) {
		f := s.forward.Health()
		return f.OK, f.Words()
	}
	o.Forwarded = func() time.Time {
		f := s.forward.Health()
		if !f.OK || f.Lag > time.Minute {
			return time.Time{}
		}
		return f.LastSent
	}
}

// damage says what of the program's files is damaged, "" for nothing.
func (s *service) damage() string {
	return strings.Join(slices.DeleteFunc([]string{s.folder.Damage(), s.console.Fault()}, func(x string) bool { return x == "" }), "; ")
}

// archiveEdge and journalEdge are archive and journal as the loop sees them.
type archiveEdge struct{ *historian.Archive }

func (a archiveEdge) State() engine.Stored {
	h := a.Health()
	text := words.Say("%d samples stored, %d waiting, %d refused; %.0f %% of the disk are free", h.Stored, h.Pending, h.Refused, h.FreePct)
	if !h.OK && h.LastError != nil {
		text = words.Say("values are not being stored: %s", engine.Cause(h.LastError))
	}
	var damage []string
	for _, d := range h.Damage {
		damage = append(damage, d.String())
	}
	return engine.Stored{OK: h.OK, Text: text, Damage: strings.Join(damage, "; "), FreePct: h.FreePct}
}

type journalEdge struct {
	*journal.Committer
	journal *journal.Journal
}

func (j journalEdge) Commit(events []plant.Event, state map[string][]byte, whole bool) bool {
	return j.Committer.Commit(events, journal.State{Parts: state, Whole: whole})
}

func (j journalEdge) Beat(at time.Time) error {
	return j.journal.PutSetting("heartbeat", at.UTC().Format(time.RFC3339Nano))
}

func (j journalEdge) Waiting() (int, error) {
	h := j.Health()
	return h.Waiting, h.Err
}

// notifierEdge is a notifier as the loop sees it.
type notifierEdge struct{ *notify.Notifier }

func (n notifierEdge) Offer(e plant.Event, spec *plant.AlarmSpec) {
	n.Notifier.Offer(notify.Notice{Event: e, Spec: spec})
}

func (n notifierEdge) Tell(e plant.Event, signOfLife bool) {
	if signOfLife {
		e.Alarm = notify.AliveName
	}
	n.Notifier.Alive(notify.Notice{Event: e})
}

func (n notifierEdge) State() engine.NotifierState {
	h := n.Health()
	return engine.NotifierState{Name: h.Name, Text: h.Words(), OK: h.OK, Refused: h.SetAside, AliveEvery: n.AliveEvery(), Alive: h.Alive}
}

// sourceFaults are the usual faults of a tag, of node and server, each with its mend.
var sourceFaults = map[plant.Quality][2]words.Text{
	plant.BadNodeIDUnknown:    {"node %s does not exist on server %s", "look the node up with 'calandria browse' and correct node:, or remove the tag"},
	plant.BadUserAccessDenied: {"node %s may not be read on server %s", "give this client's user the right to read the node"},
	plant.BadTypeMismatch:     {"node %s of server %s is no number", "name a node that holds one number"},
}

func sourceOf(h collector.Health) engine.Source {
	s := engine.Source{Name: h.Server, Connected: h.Connected(), Since: h.Since, Endpoint: h.Endpoint, LastError: h.LastError, Tags: h.Tags,
		Gap: h.Gap, Crashes: h.Crashes, Heard: h.Confirmed, Skew: h.ClockSkew, Drift: h.ClockDrift, Stamps: h.StampOffset, MisstampedTags: h.MisstampedTags}
	for _, m := range h.Misstamped {
		s.Misstamped = append(s.Misstamped, engine.SourceFault{Tag: m.Tag, Text: words.Say("source time %s by our clock: judged as of its receipt", engine.AheadText(m.Offset))})
	}
	for _, f := range h.Faults {
		problem, fix := words.Verbatim(f.Problem), words.Verbatim(f.Fix)
		if w, ok := sourceFaults[f.Status]; ok {
			problem, fix = words.Say(w[0], f.Node, h.Server), w[1]
		}
		s.Faults = append(s.Faults, engine.SourceFault{Tag: f.Tag, Problem: problem, Text: words.Say("%s:%d: %s: %s; %s", f.File, f.Line, f.Path, problem, fix)})
	}
	return s
}

// feed hands what a source sends to the loop until the source ends.
func feed(ctx context.Context, l *engine.Loop, c reader) {
	batches, changes := c.Batches(), c.Changes()
	for batches != nil || changes != nil {
		select {
		case b, ok := <-batches:
			if !ok {
				batches = nil
				continue
			}
			l.Take(ctx, b.Samples, func() { c.Stored(b.Number) })
		case h, ok := <-changes:
			if !ok {
				changes = nil
				continue
			}
			l.Connection(ctx, sourceOf(h))
		}
	}
}

// consoleOptions are those that the plant file states.
func consoleOptions(h *plant.House) console.Options {
	o := *console.OptionsOf(h)
	for _, name := range []*string{&o.Accounts, &o.Certificate, &o.Key} {
		*name = besidePlant(h, *name)
	}
	o.Reports = slices.Clone(o.Reports)
	for i := range o.Reports {
		o.Reports[i].Folder = besidePlant(h, o.Reports[i].Folder)
	}
	o.Mail = func(ctx context.Context, notifier, subject, name, kind string, data []byte) error {
		for _, c := range notify.Configured(h) {
			if c.Name == notifier && c.Kind == "email" {
				sender, err := newSender(&c, h, nil)
				if err != nil {
					return err
				}
				ctx, cancel := context.WithTimeout(ctx, time.Minute)
				defer cancel()
				return sender.(*notify.Mail).SendFile(ctx, subject, name, kind, data)
			}
		}
		return fmt.Errorf("notify: has no notifier %q of the kind email", notifier)
	}
	return o
}

// tellAccess journals who signs in and out and what was refused.
func (s *service) tellAccess(e plant.Event) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := s.loop.Call(ctx, func(c *engine.Core) { s.loop.Event(e) }); err != nil {
		s.log.Error("a sign-in or refusal is not in the journal", "user", e.User, "what", e.Text, "err", err)
	}
}

// run serves until ctx ends. listening is called with the console's address.
func (s *service) run(ctx context.Context, listening func(address string)) error {
	address := console.OptionsOf(s.house).Listen
	ln, err := net.Listen("tcp", address)
	if err != nil {
		return fmt.Errorf("the console cannot listen on %s: %w; is another program there? give another address", address, err)
	}
	listening(ln.Addr().String())
	s.anchors.sign()
	defer s.anchors.sign() // all has stopped then
	loops := []func(context.Context) error{s.archive.Run, s.folder.Run, s.loop.Run, s.loop.BeatJournal, s.trials.Run, s.anchors.Run, s.console.Reports,
		(&jobs{s: s, poll: 2 * time.Second}).Run,
		func(ctx context.Context) error { return s.loop.Guard(ctx, watchdog(s.log)) },
		func(ctx context.Context) error { return s.console.Serve(ctx, ln) }}
	for _, c := range s.sources {
		loops = append(loops, c.Run, func(ctx context.Context) error { feed(ctx, s.loop, c); return nil })
	}
	for _, n := range s.notifiers {
		loops = append(loops, n.Run)
	}
	if s.forward != nil {
		loops = append(loops, s.forward.Run)
	}
	if s.reload != nil {
		loops = append(loops, s.reload.Run)
	}
	if s.escalator != nil {
		loops = append(loops, s.escalator.Run)
	}
	g, ctx := errgroup.WithContext(ctx)
	for _, run := range loops {
		g.Go(func() error { return run(ctx) })
	}
	if err := g.Wait(); err != nil && !errors.Is(err, context.Canceled) && !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

func (s *service) close() {
	var err error
	if s.archive != nil {
		err = s.archive.Close()
	}
	if s.journal != nil {
		err = errors.Join(err, s.journal.Close())
	}
	if err != nil {
		s.log.Error("closing", "err", err)
	}
	if s.folder != nil && s.folder.unlock != nil {
		s.folder.unlock()
	}
}

// describe tells the archive each tag's unit and meaning, and how finely its
// values are worth keeping: a twentieth of the instrument's stated accuracy.
func describe(h *plant.House) []historian.TagInfo {
	var infos []historian.TagInfo
	for i := range h.Tags {
		t := &h.Tags[i]
		info := historian.TagInfo{Path: t.Path, Unit: t.Unit, Meaning: t.Meaning.String(), Class: string(t.Class), Resolution: t.SigmaAbs / 20}
		for _, x := range []struct {
			v    float64
			into **float64
		}{{t.Low, &info.Low}, {t.High, &info.High}} {
			if !math.IsNaN(x.v) && !math.IsInf(x.v, 0) && t.Source == plant.Measured {
				*x.into = &x.v
			}
		}
		switch {
		case t.Dimension == plant.State:
			info.States = map[int]string{0: "off", 1: "on"}
		case t.Name == "phase_found":
			info.States = map[int]string{}
			for p := pan.Idle; p <= pan.WashOut; p++ {
				info.States[int(p)] = p.String()
			}
		}
		infos = append(infos, info)
	}
	return infos
}

// forwardTags gives each tag's labels in InfluxDB.
func forwardTags(h *plant.House) map[string]influx.Tag {
	m := map[string]influx.Tag{}
	for i := range h.Tags {
		t := &h.Tags[i]
		_, labels, values := metricName(t)
		f := influx.Tag{Unit: t.Unit, Signal: t.Name, Labels: map[string]string{"site": h.Config.Site.Name}}
		for i, l := range labels {
			f.Labels[l] = values[i]
		}
		m[t.Path] = f
	}
	return m
}
