package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"calandria/plant"
)

func openJournal(t testing.TB, path string) *Journal {
	t.Helper()
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j
}

// t0 is the moment that at counts from, in s.
var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func at(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }

func event(i int, kind plant.EventKind, alarm, source string) plant.Event {
	v := float64(i) + 0.5
	return plant.Event{Time: at(float64(i)), Received: at(float64(i) + 0.25), Kind: kind, Alarm: alarm, Source: source,
		Priority: plant.PriorityHigh, Value: &v, Unit: "kPa", User: "shift A", Text: fmt.Sprint("event ", i)}
}

func TestJournalRoundTrip(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	j := openJournal(t, path)
	if st, err := j.State(); len(st) != 0 || err != nil {
		t.Fatal(st, err)
	}
	in := []plant.Event{event(1, plant.EventAlarm, "low_vacuum", "EV.EV5"), event(2, plant.EventAck, "low_vacuum", "EV.EV5"),
		event(3, plant.EventNote, "", "EV.EV50"), event(4, plant.EventAlarm, "100%_o'clock", "EV")}
	out, err := j.Append(in, State{Whole: true, Parts: map[string][]byte{"": []byte("state 1"), "a": []byte("a 1"), "b": []byte("b 1")}})
	if err != nil {
		t.Fatal(err)
	}
	if in[0].Seq != 0 || out[0].Seq != 1 || out[3].Seq != 4 {
		t.Fatal("numbers", in[0].Seq, out[0].Seq, out[3].Seq)
	}
	states, err := j.Append(nil, State{Parts: map[string][]byte{"": []byte("state 2"), "b": nil}}) // a line of its own
	if err != nil || len(states) != 1 {
		t.Fatal(states, err)
	}
	j.Close()
	j = openJournal(t, path)
	if st, err := j.State(); string(st[""]) != "state 2" || string(st["a"]) != "a 1" || len(st) != 2 || err != nil {
		t.Fatal(st, err)
	}
	more, err := j.Append([]plant.Event{event(5, plant.EventReturn, "low_vacuum", "EV.EV5")}, State{})
	if err != nil || more[0].Seq != 6 {
		t.Fatal(more, err)
	}
	all := append(append(out, states...), more...)
	cases := []struct {
		name string
		f    plant.EventFilter
		want []int
	}{
		{"all", plant.EventFilter{}, []int{1, 2, 3, 4, 5, 6}},
		{"after", plant.EventFilter{AfterSeq: 3}, []int{4, 5, 6}},
		{"before", plant.EventFilter{BeforeSeq: 3}, []int{1, 2}},
		{"start included, end excluded", plant.EventFilter{From: at(2), To: at(4)}, []int{2, 3}},
		{"kinds", plant.EventFilter{Kinds: []plant.EventKind{plant.EventAck, plant.EventReturn}}, []int{2, 6}},
		{"alarm", plant.EventFilter{Alarm: "low_vacuum"}, []int{1, 2, 6}},
		{"alarm with signs of SQL", plant.EventFilter{Alarm: "100%_o'clock"}, []int{4}},
		{"source and its parts, not its namesakes", plant.EventFilter{Source: "EV.EV5"}, []int{1, 2, 6}},
		{"set and its parts", plant.EventFilter{Source: "EV"}, []int{1, 2, 3, 4, 6}},
		{"no wild cards", plant.EventFilter{Source: "E_"}, nil},
		{"user", plant.EventFilter{User: "nobody"}, nil},
		{"match", plant.EventFilter{Match: "EVENT 3"}, []int{3}},
		{"newest first", plant.EventFilter{Newest: true, Limit: 2}, []int{6, 5}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, err := j.Read(ctx, c.f)
			if err != nil {
				t.Fatal(err)
			}
			var want []plant.Event
			for _, n := range c.want {
				want = append(want, all[n-1])
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
		})
	}
	if err := j.Verify(ctx); err != nil {
		t.Fatal(err)
	}
}

// Security requirement SR 2.8-2.12 of IEC 62443-3-3: nobody edits or deletes
// a line unseen.
func TestJournalTampering(t *testing.T) {
	ctx := context.Background()
	drop := `DROP TRIGGER journal_no_update; DROP TRIGGER journal_no_delete; DROP TRIGGER journal_in_order;`
	cases := []struct {
		name, sql string
		seq       uint64 // of the line named, 0: refused
	}{
		{"update is refused", `UPDATE journal SET user = 'x' WHERE seq = 3`, 0},
		{"delete is refused", `DELETE FROM journal WHERE seq = 3`, 0},
		{"an insert out of order is refused", `INSERT INTO journal VALUES (99, 0, '', '', '', '', '{}', '')`, 0},
		{"replace is refused", `INSERT OR REPLACE INTO journal VALUES (3, 0, '', '', '', '', '{}', '')`, 0},
		{"text altered", drop + `UPDATE journal SET body = replace(body, 'event 3', 'event x') WHERE seq = 3`, 3},
		{"column altered", drop + `UPDATE journal SET user = 'somebody' WHERE seq = 4`, 4},
		{"time altered", drop + `UPDATE journal SET time = time - 1 WHERE seq = 4`, 4},
		{"line removed", drop + `DELETE FROM journal WHERE seq = 5`, 5},
		{"first line removed", drop + `DELETE FROM journal WHERE seq = 1`, 1},
		{"last lines removed", drop + `DELETE FROM journal WHERE seq > 8`, 9},
		{"all removed", drop + `DELETE FROM journal`, 1},
		{"renumbered after removal", drop + `DELETE FROM journal WHERE seq = 5; UPDATE journal SET seq = seq - 1 WHERE seq > 5`, 5},
		{"two swapped", drop + `UPDATE journal SET seq = -1 WHERE seq = 2; UPDATE journal SET seq = 2 WHERE seq = 3; UPDATE journal SET seq = 3 WHERE seq = -1`, 2},
		{"line added", drop + `INSERT INTO journal SELECT 11, time, kind, alarm, source, user, body, hash FROM journal WHERE seq = 10`, 11},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "journal.db")
			j := openJournal(t, path)
			for i := range 10 {
				if _, err := j.Append([]plant.Event{event(i+1, plant.EventNote, "", "EV")}, State{}); err != nil {
					t.Fatal(err)
				}
			}
			db, err := sql.Open("sqlite", path)
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			_, err = db.Exec(c.sql)
			if c.seq == 0 {
				if err == nil || !strings.Contains(err.Error(), "append-only") {
					t.Fatalf("not refused: %v", err)
				}
				if err := j.Verify(ctx); err != nil {
					t.Fatal(err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			var te *TamperError
			if err := j.Verify(ctx); !errors.As(err, &te) || te.Seq != c.seq {
				t.Fatalf("got %v, want line %d", err, c.seq)
			}
		})
	}
}

func TestCommitterBacklog(t *testing.T) {
	ctx := context.Background()
	j := openJournal(t, filepath.Join(t.TempDir(), "journal.db"))
	c := NewCommitter(j, 5, nil)
	limit := func(n int) {
		if _, err := j.w.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", n)); err != nil {
			t.Fatal(err)
		}
	}
	n := 0
	commit := func(k int, state string) ([]plant.Event, bool) {
		var evs []plant.Event
		for range k {
			n++
			e := event(n, plant.EventNote, "", "EV")
			e.Comment = strings.Repeat("x", 5000) // needs a page
			evs = append(evs, e)
		}
		ok := c.Commit(evs, State{Parts: map[string][]byte{"": []byte(state), state: []byte(state)}})
		return evs, ok
	}
	if evs, ok := commit(2, "s1"); !ok || evs[0].Seq != 1 || evs[1].Seq != 2 {
		t.Fatal(ok, evs[0].Seq)
	}
	limit(1) // full: SQLite sets it to the present size
	if evs, ok := commit(2, "s2"); ok || evs[1].Seq != 4 {
		t.Fatal("stored on a full disk", evs[1].Seq)
	}
	h := c.Health()
	if h.OK || h.Err == nil || h.Waiting != 2 || !h.Since.Equal(at(3)) {
		t.Fatalf("%+v", h)
	}
	if evs, ok := commit(5, "s3"); ok || evs[2].Seq != 7 || evs[3].Seq != 0 {
		t.Fatal("bounded backlog", evs[2].Seq, evs[3].Seq)
	}
	if h := c.Health(); h.Dropped != 2 || h.Waiting != 5 {
		t.Fatalf("%+v", h)
	}
	limit(1 << 30)
	evs, ok := commit(1, "s4")
	if !ok || evs[0].Seq != 9 { // 8 tells of the loss
		t.Fatal(ok, evs[0].Seq)
	}
	if h := c.Health(); !h.OK || h.Waiting != 0 {
		t.Fatalf("%+v", h)
	}
	if err := j.Verify(ctx); err != nil {
		t.Fatal(err)
	}
	got, err := j.Read(ctx, plant.EventFilter{})
	if err != nil || len(got) != 9 {
		t.Fatal(len(got), err)
	}
	var texts []string
	for _, e := range got {
		texts = append(texts, e.Text)
	}
	want := []string{"event 1", "event 2", "event 3", "event 4", "event 5", "event 6", "event 7",
		"2 events were not recorded because the journal could not be written and its backlog was full", "event 10"}
	if d := cmp.Diff(want, texts); d != "" {
		t.Fatal(d)
	}
	if st, _ := j.State(); string(st[""]) != "s4" || string(st["s3"]) != "s3" {
		t.Fatal(st)
	}
	if !c.Commit(nil, State{}) {
		t.Fatal("nothing to do is stored")
	}
}

func TestRecords(t *testing.T) {
	ctx := context.Background()
	j := openJournal(t, filepath.Join(t.TempDir(), "journal.db"))
	if _, err := j.PutCleaning(plant.Cleaning{Body: "EV.EV1", Start: at(10), End: at(5)}, event(9, plant.EventNote, "", "EV.EV1")); err == nil {
		t.Error("a cleaning that ends before it starts is stored")
	}
	c := plant.Cleaning{Body: "EV.EV1", Start: at(3600), User: "shift A", Method: "caustic boil-out", Note: "invented"}
	var err error
	if c.ID, err = j.PutCleaning(c, event(9, plant.EventNote, "", c.Body)); err != nil {
		t.Fatal(err)
	}
	got, err := j.Cleanings(ctx, "EV.EV1", at(7200), at(9000)) // still going on
	if err != nil || len(got) != 1 || !got[0].End.IsZero() {
		t.Fatal(got, err)
	}
	c.End = at(7000)
	if id, err := j.PutCleaning(c, event(9, plant.EventNote, "", c.Body)); id != c.ID || err != nil {
		t.Fatal(id, err)
	}
	if got, _ := j.Cleanings(ctx, "", at(7200), at(9000)); len(got) != 0 {
		t.Fatal(got)
	}
	if got, _ := j.Cleanings(ctx, "", at(0), at(9000)); len(got) != 1 || cmp.Diff(c, got[0]) != "" {
		t.Fatal(cmp.Diff(c, got[0]))
	}
	if _, ok, err := j.Setting("theme"); ok || err != nil {
		t.Fatal(ok, err)
	}
	for _, v := range []string{"light", "night"} {
		if err := j.PutSetting("theme", v); err != nil {
			t.Fatal(err)
		}
		if got, ok, err := j.Setting("theme"); got != v || !ok || err != nil {
			t.Fatal(got, ok, err)
		}
	}
}

// Strikes are kept with their record, found by pan, grade and time, and outlive the program;
// one stored again takes its own place. A file of before there were strikes opens.
func TestStrikes(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	at := func(s int) time.Time { return time.Unix(1_700_000_000+int64(s), 5).UTC() }
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.w.Exec(`DROP TABLE strikes`); err != nil {
		t.Fatal(err)
	}
	j.Close()
	if j, err = Open(path); err != nil {
		t.Fatal(err)
	}
	one := Strike{Pan: "PA1", Grade: "A", Number: 7, Start: at(0), End: at(9000), Whole: true, Body: []byte(`{"number":7}`)}
	two := Strike{Pan: "PA1", Grade: "A", Number: 8, Start: at(10_000), End: at(20_000), Body: []byte(`{"number":8}`)}
	other := Strike{Pan: "PC1", Grade: "C", Number: 3, Start: at(0), End: at(30_000), Body: []byte(`{}`)}
	for _, s := range []*Strike{&one, &two, &other} {
		if s.ID, err = j.PutStrike(*s, plant.Event{Kind: plant.EventRecord}); err != nil {
			t.Fatal(err)
		}
	}
	for what, bad := range map[string]Strike{"no pan": {Start: at(0), End: at(1), Body: []byte("{}")}, "no record": {Pan: "PA1", Start: at(0), End: at(1)}, "ends before": {Pan: "PA1", Start: at(5), End: at(1), Body: []byte("{}")}} {
		if _, err := j.PutStrike(bad, plant.Event{}); err == nil {
			t.Errorf("%s: stored", what)
		}
	}
	one.Body = []byte(`{"number":7,"again":true}`)
	if id, err := j.PutStrike(one, plant.Event{Kind: plant.EventRecord}); err != nil || id != one.ID {
		t.Errorf("stored again as %d, was %d: %v", id, one.ID, err)
	}
	j.Close()
	if j, err = Open(path); err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for _, c := range []struct {
		f    plant.StrikeFilter
		want []Strike
	}{
		{plant.StrikeFilter{}, []Strike{other, two, one}},
		{plant.StrikeFilter{Pan: "PA1"}, []Strike{two, one}},
		{plant.StrikeFilter{Pan: "PA1", Limit: 1}, []Strike{two}},
		{plant.StrikeFilter{Grade: "C"}, []Strike{other}},
		{plant.StrikeFilter{ID: one.ID}, []Strike{one}},
		{plant.StrikeFilter{From: at(9000), To: at(20_000)}, []Strike{one}},
		{plant.StrikeFilter{Pan: "PB1"}, nil},
	} {
		got, err := j.Strikes(ctx, c.f)
		if err != nil || cmp.Diff(c.want, got) != "" {
			t.Errorf("%+v: %v %s", c.f, err, cmp.Diff(c.want, got))
		}
	}
}

// BenchmarkJournal is one event with the state of its alarm, durable.
func BenchmarkJournal(b *testing.B) {
	j := openJournal(b, filepath.Join(b.TempDir(), "journal.db"))
	state := State{Parts: map[string][]byte{"": make([]byte, 100), "a": make([]byte, 350)}}
	for i := 0; b.Loop(); i++ {
		if _, err := j.Append([]plant.Event{event(i, plant.EventAlarm, "a", "EV")}, state); err != nil {
			b.Fatal(err)
		}
	}
}
