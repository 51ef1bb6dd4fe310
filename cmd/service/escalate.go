package service

import (
	"bytes"
	"cmp"
	"context"
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
	s           *Service
	file        string // of the rota, empty: none
	rota        *notify.Rota
	data        []byte // as it was read last
	fault, told string // of it: now, and as the journal has it
	log         *slog.Logger
}

// escalateEvery is how often it looks; the rota is read again as often, so that a
// swap of shifts needs no restart.
const escalateEvery = time.Second

// newEscalator prepares the escalation of the plant file, nil if there is none, and
// gives the console what reads links.
func newEscalator(s *Service, h *plant.House, opt *console.Options) *escalator {
	e := notify.EscalationOf(h)
	if e == nil {
		return nil
	}
	x := &escalator{Escalation: e, s: s, file: BesidePlant(h, e.RotaFile), log: s.Log}
	if links := linksOf(h, e, s.Log); links != nil {
		x.load("links_used", &links.Used)
		links.Keep = func(used map[string]time.Time) { x.keep("links_used", used) }
		opt.Acknowledge = func(token string, now time.Time, use bool) (string, uint64, string, error) {
			l, err := links.Read(token, now, use)
			return l.Alarm, l.Occurrence, l.Receiver, err
		}
	}
	var told []notify.Called
	x.load("escalation", &told)
	x.Resume(told, s.Loop.LastRun)
	for _, c := range told {
		for _, n := range s.Notifiers {
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
	if err := setting(x.s.Journal, key, into); err != nil {
		x.log.Error("people may be called again of what they know", "what", key, "err", err)
	}
}

func (x *escalator) keep(key string, state any) {
	if err := keepSetting(x.s.Journal, key, state); err != nil {
		x.log.Error("after a restart people may be called again of what they know", "what", key, "err", err)
	}
}

// linksOf is what makes and reads the links; nil if there are none.
func linksOf(h *plant.House, e *notify.Escalation, log *slog.Logger) *notify.Links {
	if e == nil || e.Address == "" {
		return nil
	}
	key, err := files.Secret(BesidePlant(h, e.KeyFile))
	if err == nil && len(key) < 32 {
		err = fmt.Errorf("the key in %s is shorter than 32 characters", e.KeyFile)
	}
	if err != nil {
		log.Error("notices carry no links to acknowledge with", "err", err)
		return nil
	}
	return &notify.Links{Address: e.Address, Key: []byte(key), Expires: e.LinkExpires}
}

// ReadRota reads the rota of a plant file. Names that nobody is
// called by are a fault too.
func ReadRota(h *plant.House, e *notify.Escalation, data []byte) (*notify.Rota, error) {
	file := BesidePlant(h, e.RotaFile)
	rota, err := notify.ReadRota(file, data, siteZone(h))
	if err != nil {
		return nil, err
	}
	for _, who := range rota.Names() {
		if !slices.Contains(e.People, who) {
			return rota, fmt.Errorf("rota %s: %q is none of escalation.people (%s): write the name of a receiver", file, who, strings.Join(e.People, ", "))
		}
	}
	return rota, nil
}

// read takes over the rota. One that cannot be read changes nothing, and without any
// everybody is called at once; what is wrong with it is journalled.
func (x *escalator) read() {
	if x.file == "" {
		return
	}
	var rota *notify.Rota
	data, err := ReadConfig(x.file)
	if err == nil && x.data != nil && bytes.Equal(data, x.data) {
		return
	}
	if x.data = data; err == nil {
		rota, err = ReadRota(x.s.House, x.Escalation, data)
	}
	switch {
	case rota != nil:
		x.rota = rota
	case x.rota == nil:
		x.rota = &notify.Rota{}
	}
	if x.fault = ""; err != nil {
		x.fault = "the rota is not in order; what can be read of it or was read before holds: " + err.Error()
	}
}

// Run calls until ctx ends.
func (x *escalator) Run(ctx context.Context) error {
	return every(ctx, escalateEvery, func() {
		if x.read(); x.fault != x.told {
			x.told = x.fault
			x.log.Error("rota", "fault", x.fault)
			x.event(ctx, plant.Event{Time: x.s.Loop.Now(), Kind: plant.EventNotify, Source: engine.SystemOwner, Text: cmp.Or(x.fault, "the rota is in order again")})
		}
		if p := x.s.Loop.Picture(); p != nil {
			x.call(ctx, p)
		}
	})
}

func (x *escalator) event(ctx context.Context, e plant.Event) {
	if err := x.s.Loop.Call(ctx, func(*engine.Core) { x.s.Loop.Event(e) }); err != nil && ctx.Err() == nil {
		x.log.Error("not in the journal", "text", e.Text, "err", err)
	}
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
		for _, n := range x.s.Notifiers {
			if slices.Contains(turn.To, n.Health().Name) {
				n.Call(turn.Notice)
			}
		}
		x.event(ctx, plant.Event{Time: p.At, Kind: plant.EventNotify, Source: engine.SystemOwner, Text: fmt.Sprintf("%s calls %s: %s", turn.Notice.Event.Alarm, strings.Join(turn.To, ", "), turn.Notice.Turn)})
	}
}
