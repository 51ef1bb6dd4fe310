package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"calandria/console"
	"calandria/historian"
	"calandria/historian/journal"
)

// anchorsEvery is how often the head of the journal is signed and sent out.
const anchorsEvery = time.Hour

// anchorsName is the file of anchors in the data folder.
const anchorsName = "anchors.jsonl"

// anchors sends out what proves the journal: at the start, each hour and at the stop a
// signed line of the last entry goes to the file of anchors, and to the one the plant
// file names; its number and hash are in /metrics and in the shift report, and in each notice. With it the
// files in force are taken under the chain.
type anchors struct {
	s    *service
	last atomic.Pointer[journal.Anchor]
}

// Run works until ctx ends.
func (a *anchors) Run(ctx context.Context) error {
	return every(ctx, anchorsEvery, a.sign)
}

// sign sends the last line out.
func (a *anchors) sign() {
	if err := a.write(); err != nil {
		a.s.log.Error("the journal's last line is not sent out; another try follows", "err", err)
	}
}

func (a *anchors) write() error {
	s, now := a.s, time.Now()
	inForce := map[string][]byte{}
	for _, f := range *s.inForce.Load() {
		inForce[f.Name] = f.Data
	}
	var errs []error
	for _, name := range []string{s.house.Document.File, besidePlant(s.house, console.OptionsOf(s.house).Accounts)} {
		if data, err := readConfig(name); err == nil {
			inForce[name] = data
		}
	}
	errs = append(errs, s.journal.RecordFiles(inForce, now))
	key, err := journal.Key(s.dir)
	if err != nil {
		return errors.Join(append(errs, err)...)
	}
	anchor := s.journal.Anchor(s.house.Config.Site.Name, key, now)
	a.last.Store(&anchor)
	line, err := json.Marshal(anchor)
	errs = append(errs, err)
	for _, name := range []string{filepath.Join(s.dir, anchorsName), historian.KeepingOf(s.house).Anchors} {
		if name != "" {
			errs = append(errs, appendLine(besidePlant(s.house, name), line))
		}
	}
	return errors.Join(errs...)
}

// head is the line that was signed last, as 'verify --expect' takes it; "": none yet.
func (a *anchors) head() string {
	x := a.last.Load()
	if x == nil || x.Seq == 0 {
		return ""
	}
	return fmt.Sprintf("%d:%s", x.Seq, x.Hash[:16])
}

func appendLine(name string, line []byte) error {
	f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(append(line, '\n'))
	return errors.Join(err, f.Sync(), f.Close())
}

type verifyCmd struct {
	Data    string   `help:"The data folder." default:"data" type:"path"`
	Expect  []string `help:"A line that was noted elsewhere, as NUMBER:HASH; the first 12 digits of the hash are enough. From a shift report or from /metrics." placeholder:"NUMBER:HASH"`
	Anchors string   `help:"A file of anchors that was kept elsewhere." placeholder:"FILE" type:"path"`
	Key     string   `help:"The public key that anchors have to be signed with: the text of journal.pub, kept elsewhere. Default: that of the first anchor." placeholder:"KEY"`
}

func (c *verifyCmd) Run(a *app) error {
	j, err := openJournal(c.Data)
	if err != nil {
		return err
	}
	defer j.Close()
	if err := j.Verify(a.ctx); err != nil {
		return err
	}
	for _, text := range c.Expect {
		number, hash, _ := strings.Cut(text, ":")
		seq, err := strconv.ParseUint(number, 10, 63)
		if err != nil {
			return fmt.Errorf("--expect %s: write NUMBER:HASH, such as 812:3fa85f64c0de", text)
		}
		if err := j.Check(journal.Anchor{Seq: seq, Hash: hash, Time: time.Now()}); err != nil {
			return err
		}
	}
	n, err := c.checkAnchors(j)
	if err != nil {
		return err
	}
	seq, hash := j.Head()
	fmt.Fprintf(a.out, "%d entries, none altered or removed; the records beside them are as they say; last hash %s\n", seq, hash)
	if n > 0 {
		fmt.Fprintf(a.out, "%d anchors fit, all signed with the same key\n", n)
	}
	line, inForce := j.FilesInForce()
	for name, sum := range inForce {
		if data, err := readConfig(name); err != nil {
			fmt.Fprintf(a.out, "note: %s, in force at line %d, cannot be read now: %v\n", name, line, err)
		} else if journal.Digest(data) != sum {
			fmt.Fprintf(a.out, "note: %s is not as it was in force at line %d\n", name, line)
		}
	}
	return nil
}

// checkAnchors holds the journal against a file of anchors.
func (c *verifyCmd) checkAnchors(j *journal.Journal) (n int, err error) {
	if c.Anchors == "" {
		return 0, nil
	}
	f, err := os.Open(c.Anchors)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	key := strings.TrimSpace(c.Key)
	lines := bufio.NewScanner(f)
	for at := 1; lines.Scan(); at++ {
		if strings.TrimSpace(lines.Text()) == "" {
			continue
		}
		var x journal.Anchor
		if err := json.Unmarshal(lines.Bytes(), &x); err != nil {
			return n, fmt.Errorf("%s:%d: not an anchor: %w", c.Anchors, at, err)
		}
		key = cmp.Or(key, x.Key)
		if x.Key != key || !x.Genuine() {
			return n, fmt.Errorf("%s:%d: the anchor of line %d is not signed with the key %s", c.Anchors, at, x.Seq, key)
		}
		if err := j.Check(x); err != nil {
			return n, err
		}
		n++
	}
	if err := lines.Err(); err != nil {
		return n, fmt.Errorf("%s: %w", c.Anchors, err)
	}
	if n == 0 {
		return 0, fmt.Errorf("%s has no anchor", c.Anchors)
	}
	return n, nil
}
