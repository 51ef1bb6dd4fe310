package main

import (
	"bufio"
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"calandria/cmd/service"
	"calandria/historian/journal"
)

type verifyCmd struct {
	Data    string   `help:"The data folder." default:"data" type:"path"`
	Expect  []string `help:"A line that was noted elsewhere, as NUMBER:HASH; the first 12 digits of the hash are enough. From a shift report or from /metrics." placeholder:"NUMBER:HASH"`
	Anchors string   `help:"A file of anchors that was kept elsewhere." placeholder:"FILE" type:"path"`
	Key     string   `help:"The public key that anchors have to be signed with: the text of journal.pub, kept elsewhere. Default: that of the first anchor." placeholder:"KEY"`
}

func (c *verifyCmd) Run(a *app) error {
	j, err := service.OpenJournal(c.Data)
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
		if data, err := service.ReadConfig(name); err != nil {
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
