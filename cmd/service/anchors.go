package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"calandria/console"
	"calandria/historian"
	"calandria/historian/journal"
)

// anchorsEvery is how often the head of the journal is signed and sent out.
const anchorsEvery = time.Hour

// AnchorsName is the file of anchors in the data folder.
const AnchorsName = "anchors.jsonl"

// anchors sends out what proves the journal: at the start, each hour and at the stop a
// signed line of the last entry goes to the file of anchors, and to the one the plant
// file names; its number and hash are in /metrics and in the shift report, and in each notice. With it the
// files in force are taken under the chain.
type anchors struct {
	s    *Service
	last atomic.Pointer[journal.Anchor]
}

// Run works until ctx ends.
func (a *anchors) Run(ctx context.Context) error {
	return every(ctx, anchorsEvery, a.sign)
}

// sign sends the last line out.
func (a *anchors) sign() {
	if err := a.write(); err != nil {
		a.s.Log.Error("the journal's last line is not sent out; another try follows", "err", err)
	}
}

func (a *anchors) write() error {
	s, now := a.s, time.Now()
	inForce := map[string][]byte{}
	for _, f := range *s.inForce.Load() {
		inForce[f.Name] = f.Data
	}
	var errs []error
	for _, name := range []string{s.House.Document.File, BesidePlant(s.House, console.OptionsOf(s.House).Accounts)} {
		if data, err := ReadConfig(name); err == nil {
			inForce[name] = data
		}
	}
	errs = append(errs, s.Journal.RecordFiles(inForce, now))
	key, err := journal.Key(s.dir)
	if err != nil {
		return errors.Join(append(errs, err)...)
	}
	anchor := s.Journal.Anchor(s.House.Config.Site.Name, key, now)
	a.last.Store(&anchor)
	line, err := json.Marshal(anchor)
	errs = append(errs, err)
	for _, name := range []string{filepath.Join(s.dir, AnchorsName), historian.KeepingOf(s.House).Anchors} {
		if name != "" {
			errs = append(errs, AppendLine(BesidePlant(s.House, name), line))
		}
	}
	return errors.Join(errs...)
}

// Head is the line that was signed last, as 'verify --expect' takes it; "": none yet.
func (a *anchors) Head() string {
	x := a.last.Load()
	if x == nil || x.Seq == 0 {
		return ""
	}
	return fmt.Sprintf("%d:%s", x.Seq, x.Hash[:16])
}

func AppendLine(name string, line []byte) error {
	f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(append(line, '\n'))
	return errors.Join(err, f.Sync(), f.Close())
}
