// Package service puts the running program together: data folder, start, edges,
// loop, reload, jobs and metrics. Nothing runs before [Service.Run].
package service

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
	"path/filepath"
	"slices"
	"sync/atomic"
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

// Service is the whole program on one house, put together but not running.
type Service struct {
	House     *plant.House
	dir       string // the data folder
	Archive   *historian.Archive
	Journal   *journal.Journal
	committer *journal.Committer
	Sources   []reader
	forward   *influx.Forwarder // nil: none
	Notifiers []*notify.Notifier
	escalator *escalator // nil: nobody is called in turn
	Loop      *engine.Loop
	console   *console.Server
	Reload    *Reloader // nil: rules stay as they are
	Trials    *engine.Trials
	inForce   atomic.Pointer[[]rules.File]
	Log       *slog.Logger
	folder    *folder
	Unfilled  []rules.Placeholder // where the site's procedures belong
	Anchors   *anchors
	Listener  net.Listener // of the console; nil: Run makes it

	registry     prometheus.Registerer // with the label site
	plantMetrics *plantMetrics
}

// Open puts everything together over a data folder: the core as it was when the
// program last ran, and the edges. Nothing runs yet. The core has seen nothing; the clock
// may be another than the machine's: the demo's.
func Open(ctx context.Context, clock *engine.Clock, core *engine.Core, files []rules.File, dataDir string, log *slog.Logger, progress func(done float64, at time.Time)) (s *Service, err error) {
	h := core.House
	s = &Service{House: h, Log: log}
	s.Anchors = &anchors{s: s}
	s.inForce.Store(&files)
	defer func() {
		if err != nil {
			s.Close()
			s = nil
		}
	}()
	now := time.Now()
	if s.folder, err = OpenFolder(dataDir, now, log); err != nil {
		return s, err
	}
	dataDir = s.folder.dir
	s.dir = dataDir
	if s.Archive, err = s.folder.OpenArchive(h, now); err != nil {
		return s, err
	}
	if s.Journal, err = s.folder.OpenJournal(now); err != nil {
		return s, err
	}
	s.folder.CheckCheckpoint(now)
	s.folder.look()
	s.committer = journal.NewCommitter(s.Journal, 0, log)
	begun, err := Begin(ctx, core, files, Past{s.Archive}, s.Journal, dataDir, clock.Now(), log, progress)
	if err != nil && ctx.Err() == nil {
		s.folder.tell(now, "the past cannot be read; what was learned begins anew: "+err.Error())
		begun, err = beginAnew(h, files, s.Journal, now, log)
	}
	if err != nil {
		return s, err
	}
	h = begun.Core.House
	s.House = h
	if err := s.Archive.Describe(Describe(h)...); err != nil {
		log.Error("units and meanings of tags are not stored", "err", err)
	}
	unread := s.readServers(clock, begun, dataDir)
	reg := prometheus.NewRegistry()
	sited := prometheus.WrapRegistererWith(prometheus.Labels{"site": h.Config.Site.Name}, reg)
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	marks := marks.Folder{Dir: filepath.Join(dataDir, MarksFolder)}
	o := engine.LoopOptions{Core: begun.Core, Archive: ArchiveEdge{s.Archive}, Journal: JournalEdge{s.committer, s.Journal}, Log: log, Counts: LoopCounts(sited),
		Clock: clock, Offsets: maps.Clone(begun.offsets),
		KeepStrike: func(f *thermo.FinishedStrike) error { return KeepStrike(s.Journal, f) }, LastRun: begun.lastRun, Events: append(s.folder.events, begun.Events...), Damage: s.damage, Strikes: begun.Strikes,
		Checkpoint: func(data []byte) error {
			return errors.Join(historian.WriteCheckpoint(dataDir, CheckpointName, data),
				marks.Keep(time.Now(), func() ([]byte, error) { return data, nil }))
		}}
	for _, c := range s.Sources {
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
	if s.Notifiers, err = newNotifiers(h, s.Journal, begun.Core.Rules.Alarms(), s.Anchors.Head, log); err != nil {
		return s, err
	}
	for _, n := range s.Notifiers {
		o.Notifiers = append(o.Notifiers, notifierEdge{n})
	}
	s.Loop, s.Unfilled = engine.NewLoop(o), begun.Core.Rules.Placeholders()
	s.registry, s.plantMetrics = sited, NewPlantMetrics(h, s.Loop.Picture)
	sited.MustRegister(s.plantMetrics)
	sited.MustRegister(NewEdgeMetrics(s))
	reg.MustRegister(BuildInfo())
	s.Trials = engine.NewTrials(Past{s.Archive}, func() []rules.File { return *s.inForce.Load() }, log)
	opt := ConsoleOptions(h)
	opt.Logger, opt.Version, opt.Journal = log, Version(), s.tellAccess
	opt.Metrics = promhttp.HandlerFor(reg, promhttp.HandlerOpts{ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelError)})
	opt.WritePlant = WritePlant
	if opt.Library, err = Library(); err != nil {
		return s, err
	}
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
		return BrowseNodes(ctx, *sc, dataDir, "", log)
	}
	s.escalator = newEscalator(s, h, &opt)
	s.console, err = console.New(&Backend{Loop: s.Loop, S: s}, opt)
	return s, err
}

// readServers makes a reader for each server. Those that cannot be read are
// returned: the others are read all the same.
func (s *Service) readServers(clock *engine.Clock, b *Begun, dataDir string) (unread []engine.Source) {
	for _, sc := range s.House.Config.OPCUA.Servers {
		tags := MeasuredBy(s.House, sc.Name)
		sc.Publish = max(clock.Real(sc.Publish), 50*time.Millisecond)
		client, err := newReader(clock, collector.Config{Server: sc, Tags: tags, DataDir: dataDir, Logger: s.Log, Now: clock.Now, Until: b.lastRun,
			Archived: func(id plant.TagID) (plant.Point, time.Duration, bool) {
				p, ok, err := s.Archive.Last(context.Background(), s.House.Tags[id].Path)
				return p, b.offsets[id], ok && err == nil
			}})
		if err != nil {
			s.Log.Error("a server is not read", "server", sc.Name, "err", err)
			unread = append(unread, engine.Source{Name: sc.Name, LastError: err.Error(), Tags: len(tags), Since: clock.Now()})
			continue
		}
		s.Sources = append(s.Sources, client)
	}
	return unread
}

// forwardTo sends values to InfluxDB where the plant file names one, and tells the
// loop how that goes.
func (s *Service) forwardTo(x *influx.Config, o *engine.LoopOptions) {
	if x == nil {
		return
	}
	var err error
	if s.forward, err = influx.New(s.Archive, *x, forwardTags(s.House), s.Log); err != nil {
		s.Log.Error("values do not go to InfluxDB", "err", err)
		o.Forward = func() (bool, words.Text) { return false, words.Of(err) }
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
func (s *Service) damage() words.Text {
	return words.Both(s.folder.Damage(), s.console.Fault())
}

// ArchiveEdge and journalEdge are archive and journal as the loop sees them.
type ArchiveEdge struct{ *historian.Archive }

func (a ArchiveEdge) State() engine.Stored {
	h := a.Health()
	text := words.Say("%d samples stored, %d waiting, %d refused; %.0f %% of the disk are free", h.Stored, h.Pending, h.Refused, h.FreePct)
	if !h.OK && h.LastError != nil {
		text = words.Say("values are not being stored: %s", engine.Cause(h.LastError))
	}
	var damage []words.Text
	for _, d := range h.Damage {
		damage = append(damage, d.Words())
	}
	return engine.Stored{OK: h.OK, Text: text, Damage: words.Join(damage, "; "), FreePct: h.FreePct}
}

type JournalEdge struct {
	*journal.Committer
	Journal *journal.Journal
}

func (j JournalEdge) Commit(events []plant.Event, state map[string][]byte, whole bool) bool {
	return j.Committer.Commit(events, journal.State{Parts: state, Whole: whole})
}

func (j JournalEdge) Beat(at time.Time) error {
	return j.Journal.PutSetting("heartbeat", at.UTC().Format(time.RFC3339Nano))
}

func (j JournalEdge) Waiting() (int, error) {
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

// ConsoleOptions are those that the plant file states.
func ConsoleOptions(h *plant.House) console.Options {
	o := *console.OptionsOf(h)
	for _, name := range []*string{&o.Accounts, &o.Certificate, &o.Key} {
		*name = BesidePlant(h, *name)
	}
	o.Reports = slices.Clone(o.Reports)
	for i := range o.Reports {
		o.Reports[i].Folder = BesidePlant(h, o.Reports[i].Folder)
	}
	o.Mail = func(ctx context.Context, notifier, subject, name, kind string, data []byte) error {
		for _, c := range notify.Configured(h) {
			if c.Name == notifier && c.Kind == "email" {
				sender, err := NewSender(&c, h, nil)
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
func (s *Service) tellAccess(e plant.Event) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := s.Loop.Call(ctx, func(c *engine.Core) { s.Loop.Event(e) }); err != nil {
		s.Log.Error("a sign-in or refusal is not in the journal", "user", e.User, "what", e.Text, "err", err)
	}
}

// Listen takes the console's address: before the past is read or filled, so that no other
// program takes it meanwhile.
func Listen(address string) (net.Listener, error) {
	ln, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("the console cannot listen on %s: %w; is another program there? give another address", address, err)
	}
	return ln, nil
}

// Run serves until ctx ends, at Listener or else at the address of the configuration.
// listening is called with the console's address.
func (s *Service) Run(ctx context.Context, listening func(address string)) error {
	ln := s.Listener
	if ln == nil {
		var err error
		if ln, err = Listen(console.OptionsOf(s.House).Listen); err != nil {
			return err
		}
	}
	listening(ln.Addr().String())
	s.Anchors.sign()
	defer s.Anchors.sign() // all has stopped then
	loops := []func(context.Context) error{s.Archive.Run, s.folder.Run, s.Loop.Run, s.Loop.BeatJournal, s.Trials.Run, s.Anchors.Run, s.console.Reports,
		(&jobs{s: s, poll: 2 * time.Second}).Run,
		func(ctx context.Context) error { return s.Loop.Guard(ctx, watchdog(s.Log)) },
		func(ctx context.Context) error { return s.console.Serve(ctx, ln) }}
	for _, c := range s.Sources {
		loops = append(loops, c.Run, func(ctx context.Context) error { feed(ctx, s.Loop, c); return nil })
	}
	for _, n := range s.Notifiers {
		loops = append(loops, n.Run)
	}
	if s.forward != nil {
		loops = append(loops, s.forward.Run)
	}
	if s.Reload != nil {
		loops = append(loops, s.Reload.Run)
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

func (s *Service) Close() {
	var err error
	if s.Listener != nil {
		s.Listener.Close() // it is closed already where Run has served at it
	}
	if s.Archive != nil {
		err = s.Archive.Close()
	}
	if s.Journal != nil {
		err = errors.Join(err, s.Journal.Close())
	}
	if err != nil {
		s.Log.Error("closing", "err", err)
	}
	if s.folder != nil && s.folder.Unlock != nil {
		s.folder.Unlock()
	}
}

// Describe tells the archive each tag's unit and meaning, and how finely its
// values are worth keeping: a twentieth of the instrument's stated accuracy. An
// accuracy in per cent of the reading counts as at a tenth of the range, below
// which a flow meter does not keep it.
func Describe(h *plant.House) []historian.TagInfo {
	var infos []historian.TagInfo
	for i := range h.Tags {
		t := &h.Tags[i]
		info := historian.TagInfo{Path: t.Path, Unit: t.Unit, Meaning: t.Meaning.String(), Class: string(t.Class), Resolution: t.SigmaAbs / 20}
		if t.SigmaRel > 0 && t.SigmaAbs == 0 && t.Source == plant.Measured && t.High > 0 && !math.IsInf(t.High, 0) {
			info.Resolution = t.SigmaRel * t.High / 10 / 20
		}
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
		_, labels, values := MetricName(t)
		f := influx.Tag{Unit: t.Unit, Signal: t.Name, Labels: map[string]string{"site": h.Config.Site.Name}}
		for i, l := range labels {
			f.Labels[l] = values[i]
		}
		m[t.Path] = f
	}
	return m
}
