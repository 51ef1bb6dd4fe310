package service

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"time"

	"calandria/alerting/notify"
	"calandria/console"
	"calandria/engine"
	"calandria/historian/journal"
	"calandria/plant"
)

// journalCursor keeps a notifier's place among the journal's settings.
type journalCursor struct {
	journal *journal.Journal
	key     string
}

func (c journalCursor) Load() (uint64, bool, error) {
	v, known, err := c.journal.Setting(c.key)
	if err != nil || !known {
		return 0, false, err
	}
	seq, err := strconv.ParseUint(v, 10, 64)
	if err != nil {
		return 0, false, nil //nolint:nilerr // not ours: begin at the head
	}
	return seq, true, nil
}

func (c journalCursor) Store(seq uint64) error {
	return c.journal.PutSetting(c.key, strconv.FormatUint(seq, 10))
}

// checked is a sender that can try its secrets.
type checked interface {
	notify.Sender
	CheckSecrets() error
}

// NewSender makes the sender that an entry of notify: asks for. A fault of its
// files is returned beside it: the program runs on and says so, because alarms
// at the console outrank those elsewhere.
func NewSender(c *notify.Receiver, h *plant.House, head func() string) (checked, error) {
	file := func(name string) string { return BesidePlant(h, name) }
	secret := func(name string) notify.Secret { return notify.Secret{File: file(name)} }
	site := notify.Site{Name: h.Config.Site.Name, Zone: siteZone(h), House: h, Head: head, Say: console.Voice(h)}
	pool, fault := authorities(file(c.CAFile))
	access := notify.Access{URL: c.URL, Token: secret(c.TokenFile), User: c.User, Password: secret(c.PasswordFile), CA: pool}
	var s checked
	switch c.Kind {
	case "webhook":
		s = notify.NewWebhook(notify.Webhook{Access: access, Secret: secret(c.SecretFile), Site: site, Role: c.Role})
	case "alertmanager":
		s = notify.NewAlertmanager(notify.Alertmanager{Access: access, Site: site})
	default:
		s = &notify.Mail{Server: c.Server, TLS: c.TLS, CA: pool, From: c.From, To: c.To, User: c.User, Password: secret(c.PasswordFile), Site: site, Role: c.Role}
	}
	return s, errors.Join(fault, s.CheckSecrets())
}

func siteZone(h *plant.House) *time.Location {
	zone, err := time.LoadLocation(h.Config.Site.TimeZone)
	if err != nil {
		return time.UTC // checked with the configuration
	}
	return zone
}

// authorities reads certificates; no file means those of the system.
func authorities(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	pool := x509.NewCertPool()
	data, err := ReadConfig(file)
	if err != nil {
		return pool, fmt.Errorf("read ca_file: %w", err)
	}
	if !pool.AppendCertsFromPEM(data) {
		return pool, fmt.Errorf("ca_file %s holds no certificate in PEM", file)
	}
	return pool, nil
}

// newNotifiers makes all notifiers of the configuration, each going on where it
// was.
func newNotifiers(h *plant.House, j *journal.Journal, specs []plant.AlarmSpec, head func() string, log *slog.Logger) ([]*notify.Notifier, error) {
	byName := engine.SpecsByName(specs)
	last, _ := j.Head()
	var out []*notify.Notifier
	receivers := notify.Configured(h)
	escalation := notify.EscalationOf(h)
	links := linksOf(h, escalation, log)
	for i := range receivers {
		c := &receivers[i]
		sender, fault := NewSender(c, h, head)
		if fault != nil {
			log.Error("a notifier will not work as it is", "notifier", c.Name, "err", fault)
		}
		route, err := c.Route(siteZone(h))
		if err != nil {
			return nil, err
		}
		config := notify.Config{Name: c.Name, Sender: sender, Route: route, Cursor: journalCursor{j, "notify." + c.Name}, Keep: c.Keep, Alive: c.Alive, Fault: fault, Log: log}
		config.OnTurn = escalation != nil && slices.Contains(escalation.People, c.Name)
		if links != nil {
			config.Link = links.Make
		}
		switch c.Kind {
		case "webhook":
			config.Batch, config.Gather, config.Digest = 200, 30*time.Second, true
		case "email":
			config.Timeout, config.Batch, config.Gather = 30*time.Second, 200, 30*time.Second
		}
		n := notify.New(config)
		err = n.Resume(last, time.Now(), func(after uint64, since time.Time) ([]notify.Notice, error) {
			events, err := j.Read(context.Background(), plant.EventFilter{AfterSeq: after, From: since, Kinds: notify.Kinds()})
			var notices []notify.Notice
			for _, e := range events {
				notices = append(notices, notify.Notice{Event: e, Spec: byName[e.Alarm]})
			}
			return notices, err
		})
		if err != nil { // the journal is damaged: it begins with what comes now
			log.Error("notices of before this start may be missing", "notifier", c.Name, "err", err)
		}
		out = append(out, n)
	}
	return out, nil
}
