package journal

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

const unlocked = `DROP TRIGGER journal_no_update; DROP TRIGGER journal_no_delete; DROP TRIGGER journal_in_order;`

// witnessed is a journal with cleanings, strikes, a correction, alarm states and files.
func witnessed(t *testing.T, path string) {
	t.Helper()
	j := openJournal(t, path)
	states := func(i int, parts map[string][]byte, whole bool) {
		if _, err := j.Append([]plant.Event{event(i, plant.EventAlarm, "low_vacuum", "EV.EV5")}, State{Whole: whole, Parts: parts}); err != nil {
			t.Fatal(err)
		}
	}
	states(1, map[string][]byte{"": []byte("all"), "a": []byte("1"), "b": []byte("2")}, true)
	for i, id := range []int64{0, 0, 1} { // the third mends the first
		if _, err := j.PutCleaning(plant.Cleaning{ID: id, Body: "EV.EV5", Start: at(float64(i)), End: at(float64(i + 10)), User: "A", Method: "caustic"}, event(2, plant.EventNote, "", "EV.EV5")); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := j.PutStrike(Strike{Pan: "PA1", Grade: "A", Number: 1, Start: at(0), End: at(9), Body: []byte(`{"n":1}`)}, event(3, plant.EventRecord, "", "PA1")); err != nil {
		t.Fatal(err)
	}
	if _, _, err := j.PutCorrection(plant.Correction{Tag: "EV.p", From: at(5), Factor: 1.04, By: "A", Reason: "zero", At: at(20)}, plant.Coverage{Path: "EV.p", Samples: 3, First: at(0), Last: at(10)}); err != nil {
		t.Fatal(err)
	}
	if err := j.RecordFiles(map[string][]byte{"plant.yaml": []byte("x")}, at(21)); err != nil {
		t.Fatal(err)
	}
	states(4, map[string][]byte{"a": []byte("1b"), "b": nil, "c": []byte("3")}, false)
	states(5, map[string][]byte{"c": []byte("3c")}, false)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// remade makes the chain anew after a change, as somebody would who has read this code.
func remade(t *testing.T, db *sql.DB) {
	t.Helper()
	rows, err := db.Query(`SELECT seq, body FROM journal ORDER BY seq`)
	if err != nil {
		t.Fatal(err)
	}
	var bodies [][]byte
	for rows.Next() {
		var seq int
		var body []byte
		if err := rows.Scan(&seq, &body); err != nil {
			t.Fatal(err)
		}
		bodies = append(bodies, append([]byte{}, body...))
	}
	rows.Close()
	var prev [sha256.Size]byte
	for i, body := range bodies {
		prev = chain(prev, body)
		if _, err := db.Exec(`UPDATE journal SET hash = ? WHERE seq = ?`, hex.EncodeToString(prev[:]), i+1); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := db.Exec(`UPDATE head SET seq = ?, hash = ?`, len(bodies), hex.EncodeToString(prev[:])); err != nil {
		t.Fatal(err)
	}
}

// Ten ways to falsify a record: what each needs to be found. The chain itself is tried
// in TestJournalTampering.
func TestTenTamperings(t *testing.T) {
	key, err := Key(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, sql string
		remake    bool
		anchor    bool   // an anchor is needed
		says      string // of the fault
	}{
		{"a cleaning is moved", `UPDATE cleanings SET finish = finish + 3600000000000 WHERE id = 2`, false, false, "cleanings 2"},
		{"a cleaning is deleted", `DELETE FROM cleanings WHERE id = 1`, false, false, "cleanings 1 is on record, and it is missing"},
		{"a cleaning is made up", `INSERT INTO cleanings (body, start, finish, user, method, note) VALUES ('EV.EV5', 1, 2, 'A', 'caustic', '')`, false, false, "no line says that cleanings 3"},
		{"the table of strikes is dropped", `DROP TABLE strikes`, false, false, "strikes 1 is on record, and it is missing"},
		{"a correction is made larger", `UPDATE corrections SET body = replace(body, '1.04', '1.40')`, false, false, "corrections 1"},
		{"an alarm state is changed", `UPDATE alarm_state SET body = 'x' WHERE name = 'a'`, false, false, "alarm states"},
		{"the end is cut off and the head mended", unlocked + `DELETE FROM journal WHERE seq > 5; UPDATE head SET seq = 5, hash = (SELECT hash FROM journal WHERE seq = 5); DELETE FROM corrections; DELETE FROM alarm_state; INSERT INTO alarm_state VALUES ('', 1, 'all'), ('a', 1, '1'), ('b', 1, '2')`, false, true, "its end was cut off"},
		{"a line is changed and the chain remade", unlocked + `UPDATE journal SET body = replace(body, 'event 1', 'event x') WHERE seq = 1`, true, true, "made anew"},
		{"a line is taken out and the chain remade", unlocked + `DELETE FROM journal WHERE seq = 8; UPDATE journal SET seq = seq - 1, body = replace(body, '"Seq":' || seq, '"Seq":' || (seq - 1)) WHERE seq > 8`, true, true, ""},
		{"all is deleted", unlocked + `DELETE FROM journal; DELETE FROM head; DELETE FROM cleanings; DELETE FROM strikes; DELETE FROM corrections; DELETE FROM alarm_state`, false, true, "its end was cut off"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "journal.db")
			witnessed(t, path)
			j := openJournal(t, path)
			if err := j.Verify(t.Context()); err != nil {
				t.Fatalf("untouched: %v", err)
			}
			anchor := j.Anchor("house", key, at(30))
			if err := j.Check(anchor); err != nil || !anchor.Genuine() || anchor.Seq != 9 {
				t.Fatal(anchor, err)
			}
			j.Close()
			db, err := sql.Open("sqlite", path)
			if err != nil {
				t.Fatal(err)
			}
			db.SetMaxOpenConns(1)
			if _, err := db.Exec(c.sql); err != nil {
				t.Fatal(err)
			}
			if c.remake {
				remade(t, db)
			}
			db.Close()
			j = openJournal(t, path)
			err = j.Verify(t.Context())
			if c.anchor {
				if err != nil {
					t.Fatalf("this one was meant to need an anchor: %v", err)
				}
				err = j.Check(anchor)
			}
			var te *TamperError
			if !errors.As(err, &te) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("found: %v", err)
			}
			// The program that goes on does not make it good.
			if _, err := j.Append([]plant.Event{event(7, plant.EventAlarm, "a", "EV")}, State{Parts: map[string][]byte{"a": []byte("later")}}); err != nil {
				t.Fatal(err)
			}
			if err = j.Verify(t.Context()); c.anchor {
				err = j.Check(anchor)
			}
			if err == nil {
				t.Error("the next line covered it up")
			}
		})
	}
}

// An anchor is signed as a whole, and the key outlives the program.
func TestAnchors(t *testing.T) {
	dir := t.TempDir()
	key, err := Key(dir)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Key(dir)
	if err != nil || !key.Equal(again) {
		t.Fatalf("another key at the next start: %v", err)
	}
	if info, err := os.Stat(filepath.Join(dir, "journal.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key can be read by others: %v %v", info.Mode(), err)
	}
	witnessed(t, filepath.Join(dir, "journal.db"))
	a := openJournal(t, filepath.Join(dir, "journal.db")).Anchor("house", key, at(1))
	for what, spoil := range map[string]func(*Anchor){
		"site": func(a *Anchor) { a.Site = "other" }, "time": func(a *Anchor) { a.Time = a.Time.Add(time.Hour) }, "number": func(a *Anchor) { a.Seq-- },
		"hash": func(a *Anchor) { a.Hash = strings.Repeat("0", 64) }, "key": func(a *Anchor) { a.Key = "AAAA" },
	} {
		b := a
		if spoil(&b); b.Genuine() {
			t.Errorf("another %s passes", what)
		}
	}
}

// A journal of a version before this one is taken under the chain once; a second time
// would hide what was changed, and is told.
func TestAdoption(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	witnessed(t, path)
	old := func(sqls string) {
		t.Helper()
		db, err := sql.Open("sqlite", path)
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		if _, err := db.Exec(sqls); err != nil {
			t.Fatal(err)
		}
	}
	old(unlocked + `DELETE FROM journal; DELETE FROM head; DELETE FROM corrections; PRAGMA user_version = 0`)
	j := openJournal(t, path)
	if err := j.Verify(t.Context()); err != nil {
		t.Fatal(err)
	}
	if seq, _ := j.Head(); seq != 1 {
		t.Fatalf("%d lines", seq)
	}
	j.Close()
	old(`UPDATE cleanings SET user = 'B' WHERE id = 1; PRAGMA user_version = 0`)
	j = openJournal(t, path)
	if err := j.Verify(t.Context()); err == nil || !strings.Contains(err.Error(), "a second time") {
		t.Errorf("a second adoption: %v", err)
	}
}
