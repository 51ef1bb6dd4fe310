package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"calandria/alerting/notify"
	"calandria/console"
	"calandria/engine"
	"calandria/plant"
	"calandria/plant/files"
)

// escalator calls person after person while nobody acknowledges.
type escalator struct {
	*notify.Escalation
	s    *service
	file string // of the rota, empty: none
	rota *notify.Rota
	data string // as it was read last
	log  *slog.Logger
}

// escalateEvery is how often it looks; the rota is read again as often, so that a
// swap of shifts needs no restart.
const escalateEvery = time.Second

// newEscalator prepares the escalation of the plant file, nil if there is none, and
// gives the console what reads links.
func newEscalator(s *service, h *plant.House, opt *console.Options) *escalator {
	e := notify.EscalationOf(h)
	if e == nil {
		return nil
	}
	x := &escalator{Escalation: e, s: s, file: besidePlant(h, e.RotaFile), log: s.log}
	if links := linksOf(h, e, s.log); links != nil {
		x.load("links_used", &links.Used)
		links.Keep = func(used map[string]time.Time) { x.keep("links_used", used) }
		opt.Acknowledge = func(token string, now time.Time, use bool) (string, uint64, string, error) {
			l, err := links.Read(token, now, use)
			return l.Alarm, l.Occurrence, l.Receiver, err
		}
	}
	var told []notify.Called
	x.load("escalation", &told)
	x.Resume(told, s.loop.LastRun)
	for _, c := range told {
		for _, n := range s.notifiers {
			if slices.Contains(c.To, n.Health().Name) {
				n.Resumed(c.Alarm, c.Occurrence)
			}
		}
	}
	x.read()
	return x
}

// load and keep hold what a restart must know among the journal's settings: who was
// called, which links were used. Without it people are called again.
func (x *escalator) load(key string, into any) {
	text, known, err := x.s.journal.Setting(key)
	if err == nil && known {
		err = json.Unmarshal([]byte(text), into)
	}
	if err != nil {
		x.log.Error("people may be called again of what they know", "what", key, "err", err)
	}
}

func (x *escalator) keep(key string, state any) {
	text, err := json.Marshal(state)
	if err == nil {
		err = x.s.journal.PutSetting(key, string(text))
	}
	if err != nil {
		x.log.Error("after a restart people may be called again of what they know", "what", key, "err", err)
	}
}

// linksOf is what makes and reads the links; nil if there are none.
func linksOf(h *plant.House, e *notify.Escalation, log *slog.Logger) *notify.Links {
	if e == nil || e.Address == "" {
		return nil
	}
	key, err := files.Secret(besidePlant(h, e.KeyFile))
	if err == nil && len(key) < 32 {
		err = fmt.Errorf("the key in %s is shorter than 32 characters", e.KeyFile)
	}
	if err != nil {
		log.Error("notices carry no links to acknowledge with", "err", err)
		return nil
	}
	return &notify.Links{Address: e.Address, Key: []byte(key), Expires: e.LinkExpires}
}

// read takes over the rota; a faulty one changes nothing, and without any
// everybody is called at once.
func (x *escalator) read() {
	if x.file == "" {
		return
	}
	data, err := readConfig(x.file)
	if err == nil && string(data) == x.data {
		return
	}
	var rota *notify.Rota
	if err == nil {
		rota, err = notify.ReadRota(x.file, data, siteZone(x.s.house))
	}
	if err != nil {
		if x.data != err.Error() {
			x.log.Error("the rota is not used; that of before holds", "err", err)
		}
		x.data = err.Error()
		if x.rota == nil {
			x.rota = &notify.Rota{}
		}
		return
	}
	x.rota, x.data = rota, string(data)
}

// Run calls until ctx ends.
func (x *escalator) Run(ctx context.Context) error {
	return every(ctx, escalateEvery, func() {
		x.read()
		if p := x.s.loop.Picture(); p != nil {
			x.call(ctx, p)
		}
	})
}

func (x *escalator) call(ctx context.Context, p *engine.Picture) {
	before := len(x.Told)
	turns := x.Due(p.Alarms, x.rota, p.At)
	defer func() {
		if len(turns) > 0 || len(x.Told) != before {
			x.keep("escalation", x.Told)
		}
	}()
	for _, turn := range turns {
		for _, n := range x.s.notifiers {
			if slices.Contains(turn.To, n.Health().Name) {
				n.Call(turn.Notice)
			}
		}
		e := plant.Event{Time: p.At, Kind: plant.EventNotify, Source: engine.SystemOwner, Text: fmt.Sprintf("%s calls %s: %s", turn.Notice.Event.Alarm, strings.Join(turn.To, ", "), turn.Notice.Turn)}
		if err := x.s.loop.Call(ctx, func(*engine.Core) { x.s.loop.Event(e) }); err != nil && ctx.Err() == nil {
			x.log.Error("a call is not in the journal", "call", e.Text, "err", err)
		}
	}
}
