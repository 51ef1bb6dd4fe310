package journal

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"calandria/plant"
)

// damagedJournal makes a journal of many lines, records and states, and damages
// its file.
func damagedJournal(t *testing.T, lines int, damage func(path string, b []byte) error) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "journal.db")
	j := openJournal(t, path)
	at := time.Date(2026, 3, 27, 0, 0, 0, 0, time.UTC)
	for i := 0; i < lines; i += 50 {
		var es []plant.Event
		for k := range 50 {
			es = append(es, plant.Event{Time: at.Add(time.Duration(i+k) * time.Second), Kind: plant.EventAlarm, Alarm: fmt.Sprintf("a%d", k), Source: "EV.B1", Text: "invented alarm with some words"})
		}
		if _, err := j.Append(es, State{Parts: map[string][]byte{fmt.Sprintf("a%d", i): []byte(`{"x":1}`)}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(j.PutSetting("notify.chief", "17"), j.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := damage(path, b); err != nil {
		t.Fatal(err)
	}
	return path
}

func over(path string, b []byte) error { return os.WriteFile(path, b, 0o600) }

// Whatever stands in place of the journal, it opens, takes lines, and holds what
// could be read of what was there. The least that must be saved is stated for
// each damage: pages that are untouched hold their lines.
func TestJournalIsSalvaged(t *testing.T) {
	const lines = 3000
	r := rand.New(rand.NewPCG(1, 2))
	random := func(b []byte) []byte {
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		return b
	}
	for _, c := range []struct {
		name   string
		damage func(path string, b []byte) error
		least  int
	}{
		{"cut to a half", func(p string, b []byte) error { return over(p, b[:len(b)/2]) }, lines * 3 / 10},
		{"cut inside a page", func(p string, b []byte) error { return over(p, b[:len(b)*9/10+77]) }, lines * 7 / 10},
		{"head overwritten", func(p string, b []byte) error { random(b[:4096]); return over(p, b) }, lines},
		{"a page in the middle overwritten", func(p string, b []byte) error {
			at := len(b) / 2 / 4096 * 4096
			random(b[at : at+4096])
			return over(p, b)
		}, lines * 9 / 10},
		{"forty bytes at random", func(p string, b []byte) error {
			for range 40 {
				b[4096+r.IntN(len(b)-4096)] ^= 0xff
			}
			return over(p, b)
		}, lines * 6 / 10},
		{"all overwritten", func(p string, b []byte) error { return over(p, random(b)) }, 0},
		{"a text", func(p string, _ []byte) error { return over(p, []byte("site: {name: x}\n")) }, 0},
		{"nothing in it", func(p string, _ []byte) error { return over(p, nil) }, 0},
		{"a folder", func(p string, _ []byte) error { return errors.Join(os.Remove(p), os.Mkdir(p, 0o700)) }, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := damagedJournal(t, lines, c.damage)
			now := time.Date(2026, 3, 28, 0, 0, 0, 0, time.UTC)
			j, s, err := OpenAnyway(path, now)
			if err != nil {
				t.Fatal(err)
			}
			defer j.Close()
			if s == nil {
				t.Fatal("no damage was found")
			}
			t.Log(s)
			if _, err := os.Stat(s.Aside); err != nil {
				t.Errorf("what was there is gone: %v", err)
			}
			events, err := j.Read(t.Context(), plant.EventFilter{})
			if err != nil || len(events) < c.least || len(events) != int(s.Lines) {
				t.Errorf("%d lines, at least %d; %d told; %v", len(events), c.least, s.Lines, err)
			}
			for _, e := range events {
				if e.Text != "invented alarm with some words" && c.name != "forty bytes at random" {
					t.Fatalf("line %d reads %q", e.Seq, e.Text)
				}
			}
			more, err := j.Append([]plant.Event{{Time: now, Kind: plant.EventStart, Text: "on"}}, State{})
			if err != nil || more[0].Seq != s.Last+1 {
				t.Errorf("the next line: %+v %v", more, err)
			}
			// Records whose lines were lost with the end are told too.
			if tells := j.Verify(t.Context()) != nil; tells && s.Lines == lines || !tells && s.Lines < s.Last {
				t.Errorf("lines are missing inside the chain: %v; verify tells: %v", s.Lines < s.Last, tells)
			}
			if c.least == lines {
				if v, ok, err := j.Setting("notify.chief"); v != "17" || !ok || err != nil {
					t.Errorf("setting %q %v %v", v, ok, err)
				}
				if parts, err := j.State(); len(parts) != lines/50 || err != nil {
					t.Errorf("%d states %v", len(parts), err)
				}
			}
			j.Close()
			j, again, err := OpenAnyway(path, now)
			if err != nil || again != nil {
				t.Errorf("the next start: %v %v", again, err)
			}
			j.Close()
		})
	}
}
