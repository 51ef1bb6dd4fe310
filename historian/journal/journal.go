// Package journal keeps the record of events in one SQLite file, and under its chain
// of hashes the records of the house: cleanings, strikes, corrections, jobs,
// settings, alarm states. docs/formats/journal-db.md describes the file.
package journal

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/big"
	"strings"
	"sync"
	"time"

	"calandria/plant"
)

// Journal is the append-only record of events, and beside it the records of
// the house: cleanings, strikes, settings, and the state of the alarm engine.
// One SQLite file; every write is durable when its method returns.
//
// Each journal line carries a hash (SHA-256) over the hash of the line before
// and its own content, so that an altered or removed line shows in Verify.
// Someone who may write the file could make the whole chain anew: to exclude
// that, ship Head off the machine from time to time.
type Journal struct {
	path string
	w, r *sql.DB

	mu   sync.Mutex // the writer, and the head
	seq  uint64
	hash [sha256.Size]byte
	// states is the digest of the alarm states as the chain has it, nil until it is
	// needed; proving is that of the transaction under way.
	states, proving *big.Int
	seen            proven // by the last Verify
}

const journalSchema = `
CREATE TABLE IF NOT EXISTS journal (
	seq INTEGER PRIMARY KEY,
	time INTEGER NOT NULL,       -- when it happened, ns since 1970 UTC
	kind TEXT NOT NULL,
	alarm TEXT NOT NULL,
	source TEXT NOT NULL,
	user TEXT NOT NULL,
	body TEXT NOT NULL,          -- the event as JSON, what the hash covers
	hash TEXT NOT NULL           -- SHA-256 over the previous hash and the body
);
CREATE INDEX IF NOT EXISTS journal_time ON journal (time);
CREATE INDEX IF NOT EXISTS journal_alarm ON journal (alarm, seq) WHERE alarm <> '';
CREATE TRIGGER IF NOT EXISTS journal_no_update BEFORE UPDATE ON journal
	BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER IF NOT EXISTS journal_no_delete BEFORE DELETE ON journal
	BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER IF NOT EXISTS journal_in_order BEFORE INSERT ON journal
	WHEN NEW.seq <> (SELECT ifnull(max(seq), 0) + 1 FROM journal)
	BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TABLE IF NOT EXISTS head (
	one INTEGER PRIMARY KEY CHECK (one = 1),
	seq INTEGER NOT NULL,
	hash TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS alarm_state (
	name TEXT PRIMARY KEY,       -- of the alarm, or empty: concerns all
	seq INTEGER NOT NULL,        -- journal number it belongs to
	body BLOB NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS settings (
	key TEXT PRIMARY KEY,
	value TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS cleanings (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	body TEXT NOT NULL,
	start INTEGER NOT NULL,
	finish INTEGER,              -- NULL while it goes on
	user TEXT NOT NULL,
	method TEXT NOT NULL,
	note TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS cleanings_body ON cleanings (body, start);
CREATE TABLE IF NOT EXISTS strikes (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	pan TEXT NOT NULL,
	grade TEXT NOT NULL,
	number INTEGER NOT NULL,     -- counted for each pan
	start INTEGER NOT NULL,
	finish INTEGER NOT NULL,
	whole INTEGER NOT NULL,      -- 1: seen from charge to drop
	body TEXT NOT NULL,          -- the record as JSON, with its profile
	UNIQUE (pan, start)
);
CREATE INDEX IF NOT EXISTS strikes_finish ON strikes (finish);
CREATE TABLE IF NOT EXISTS corrections (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	tag TEXT NOT NULL,
	start INTEGER NOT NULL,
	finish INTEGER NOT NULL,     -- the greatest number while it goes on
	body TEXT NOT NULL           -- the correction as JSON
);
CREATE INDEX IF NOT EXISTS corrections_tag ON corrections (tag, start);
CREATE TABLE IF NOT EXISTS jobs (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	kind TEXT NOT NULL,
	state TEXT NOT NULL,
	body TEXT NOT NULL           -- the job as JSON
);
`

// TamperError names the first journal line that is not what was written.
type TamperError struct {
	Seq     uint64
	Problem string
}

func (e *TamperError) Error() string {
	return fmt.Sprintf("journal line %d: %s", e.Seq, e.Problem)
}

// Open opens or creates the journal file.
func Open(path string) (*Journal, error) {
	w, r, err := openSQLite(path, journalSchema)
	if err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	j := &Journal{path: path, w: w, r: r}
	if j.seq, j.hash, err = j.end(w); err == nil {
		err = j.adopt(time.Now())
	}
	if err != nil {
		j.Close()
		return nil, fmt.Errorf("open journal %s: %w", path, err)
	}
	return j, nil
}

// Close closes the file.
func (j *Journal) Close() error { return errors.Join(j.r.Close(), j.w.Close()) }

// Head returns the number and hash of the last line, to be kept elsewhere as
// evidence. Zero and "" for an empty journal.
func (j *Journal) Head() (seq uint64, hash string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.seq == 0 {
		return 0, ""
	}
	return j.seq, hex.EncodeToString(j.hash[:])
}

func chain(prev [sha256.Size]byte, body []byte) [sha256.Size]byte {
	h := sha256.New()
	h.Write(prev[:])
	h.Write(body)
	var out [sha256.Size]byte
	h.Sum(out[:0])
	return out
}

// journalLine is the canonical content of an event: the field order of
// plant.Event, times in UTC. NaN and infinity, which JSON lacks, become nil.
func journalLine(e *plant.Event) ([]byte, error) {
	e.Time, e.Received = e.Time.UTC().Round(0), e.Received.UTC().Round(0)
	e.Value, e.Setpoint = finite(e.Value), finite(e.Setpoint)
	if math.IsNaN(e.DurationS) || math.IsInf(e.DurationS, 0) {
		e.DurationS = 0
	}
	return json.Marshal(e)
}

func finite(v *float64) *float64 {
	if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
		return nil
	}
	return v
}

// State is the state of the alarm engine, or what changed of it, in parts by
// name. A nil part is taken out.
type State struct {
	Parts map[string][]byte
	Whole bool // replaces everything stored; otherwise the parts replace their own
}

// add puts a later change on top.
func (s *State) add(later State) {
	if later.Whole || s.Parts == nil {
		s.Parts = map[string][]byte{}
	}
	s.Whole = s.Whole || later.Whole
	maps.Copy(s.Parts, later.Parts)
}

// Append writes events and the state of the alarm engine in one durable
// transaction: all of it or nothing. It returns the events with their numbers.
// The argument is not changed.
func (j *Journal) Append(events []plant.Event, state State) ([]plant.Event, error) {
	out, err := j.append(func(tx *sql.Tx, seq uint64) ([]plant.Event, error) {
		out := append([]plant.Event(nil), events...)
		if len(state.Parts) > 0 || state.Whole {
			if len(out) == 0 {
				now := time.Now()
				out = []plant.Event{{Time: now, Received: now, Kind: plant.EventRecord, Source: "calandria", Text: "alarm states were stored"}}
			}
			states, err := j.proveStates(tx, state)
			if err == nil {
				err = addProof(&out[len(out)-1], proof{States: states})
			}
			if err != nil {
				return nil, err
			}
		}
		return out, putState(tx, seq+uint64(len(out)), state)
	})
	if err != nil {
		return nil, fmt.Errorf("write %d events to journal %s: %w", len(events), j.path, err)
	}
	return out, nil
}

// append writes to the chain the events that change returns, in the transaction
// of its own changes; it is told the number of the last line. The end of the
// chain is read inside, so that a command beside the running program may write
// too.
func (j *Journal) append(change func(tx *sql.Tx, seq uint64) ([]plant.Event, error)) ([]plant.Event, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	var out []plant.Event
	var seq uint64
	var hash [sha256.Size]byte
	j.proving = nil
	err := inTx(context.Background(), j.w, func(tx *sql.Tx) (err error) {
		if seq, hash, err = j.end(tx); err != nil {
			return err
		}
		if out, err = change(tx, seq); err != nil || len(out) == 0 {
			return err
		}
		st, err := tx.Prepare(`INSERT INTO journal (seq, time, kind, alarm, source, user, body, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`)
		if err != nil {
			return err
		}
		defer st.Close()
		for i := range out {
			e := &out[i]
			seq++
			e.Seq = seq
			body, err := journalLine(e)
			if err != nil {
				return err
			}
			hash = chain(hash, body)
			if _, err := st.Exec(int64(seq), plant.Nanos(e.Time), string(e.Kind), e.Alarm, e.Source, e.User, string(body), hex.EncodeToString(hash[:])); err != nil {
				return err
			}
		}
		_, err = tx.Exec(`INSERT INTO head (one, seq, hash) VALUES (1, ?, ?) ON CONFLICT (one) DO UPDATE SET seq = excluded.seq, hash = excluded.hash`,
			int64(seq), hex.EncodeToString(hash[:]))
		return err
	})
	if err != nil {
		return nil, err
	}
	j.seq, j.hash = seq, hash
	if j.proving != nil {
		j.states, j.proving = j.proving, nil
	}
	return out, nil
}

// end is the number and hash of the last line, as the transaction sees it.
func (j *Journal) end(tx interface {
	QueryRow(string, ...any) *sql.Row
}) (seq uint64, hash [sha256.Size]byte, err error) {
	var text string
	err = tx.QueryRow(`SELECT seq, hash FROM journal ORDER BY seq DESC LIMIT 1`).Scan(&seq, &text)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, hash, nil
	}
	if err != nil {
		return 0, hash, err
	}
	if b, err := hex.DecodeString(text); err == nil && len(b) == len(hash) { // else Verify tells
		copy(hash[:], b)
	}
	return seq, hash, nil
}

func putState(tx *sql.Tx, seq uint64, state State) error {
	if state.Whole {
		if _, err := tx.Exec(`DELETE FROM alarm_state`); err != nil {
			return err
		}
	}
	for name, body := range state.Parts {
		var err error
		if body == nil {
			_, err = tx.Exec(`DELETE FROM alarm_state WHERE name = ?`, name)
		} else {
			_, err = tx.Exec(`INSERT INTO alarm_state (name, seq, body) VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE SET seq = excluded.seq, body = excluded.body`,
				name, int64(seq), body)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// State returns the parts of the state stored last, none if nothing is stored.
func (j *Journal) State() (map[string][]byte, error) {
	parts := map[string][]byte{}
	err := eachRow(j.r, `SELECT name, body FROM alarm_state`, func(scan func(...any) error) error {
		var name string
		var body []byte
		err := scan(&name, &body)
		parts[name] = body
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read state from journal %s: %w", j.path, err)
	}
	return parts, nil
}

// Notes gives the times in [from, to) of the notes about a tag or its vessel: the
// annotations of OPC 10000-13.
func (j *Journal) Notes(ctx context.Context, path string, from, to time.Time) (times []time.Time, err error) {
	events, err := j.Read(ctx, plant.EventFilter{Kinds: []plant.EventKind{plant.EventNote}, From: from, To: to})
	owner := path[:max(0, strings.LastIndexByte(path, '.'))]
	for _, e := range events {
		if e.Source == path || owner != "" && e.Source == owner {
			times = append(times, e.Time)
		}
	}
	return times, err
}

// Read returns the lines a filter chooses, in order of their numbers.
func (j *Journal) Read(ctx context.Context, f plant.EventFilter) ([]plant.Event, error) {
	where := []string{"1 = 1"}
	var args []any
	add := func(cond string, a ...any) { where = append(where, cond); args = append(args, a...) }
	if f.AfterSeq > 0 {
		add("seq > ?", int64(min(f.AfterSeq, math.MaxInt64)))
	}
	if f.BeforeSeq > 0 {
		add("seq < ?", int64(min(f.BeforeSeq, math.MaxInt64)))
	}
	if f.Match != "" {
		add("instr(lower(body), lower(?)) > 0", f.Match)
	}
	if !f.From.IsZero() {
		add("time >= ?", plant.Nanos(f.From))
	}
	if !f.To.IsZero() {
		add("time < ?", plant.Nanos(f.To))
	}
	if len(f.Kinds) > 0 {
		marks := strings.TrimSuffix(strings.Repeat("?,", len(f.Kinds)), ",")
		var ks []any
		for _, k := range f.Kinds {
			ks = append(ks, string(k))
		}
		add("kind IN ("+marks+")", ks...)
	}
	if f.Alarm != "" {
		add("alarm = ?", f.Alarm)
	}
	if f.Source != "" {
		// substr rather than LIKE: no wild cards from outside
		add("(source = ? OR substr(source, 1, ?) = ?)", f.Source, len([]rune(f.Source))+1, f.Source+".")
	}
	if f.User != "" {
		add("user = ?", f.User)
	}
	q := "SELECT seq, body FROM journal WHERE " + strings.Join(where, " AND ") + " ORDER BY seq"
	if f.Newest {
		q += " DESC"
	}
	if f.Limit > 0 {
		q += " LIMIT ?"
		args = append(args, f.Limit)
	}
	out, err := rowsOf(ctx, j.r, func(scan func(...any) error) (e plant.Event, err error) {
		var seq int64
		var body []byte
		if err = scan(&seq, &body); err == nil {
			if damage := json.Unmarshal(body, &e); damage != nil { // one damaged line hides no other; Verify names it
				e = plant.Event{Seq: uint64(seq), Kind: plant.EventRecord, Source: "calandria", Text: "this line of the journal is damaged: " + damage.Error()}
			}
		}
		return e, err
	}, q, args...)
	if err != nil {
		return nil, fmt.Errorf("read journal %s: %w", j.path, err)
	}
	return out, nil
}

// Verify checks every line of the journal. It returns a *TamperError for the
// first one that was altered, added or removed, or that says otherwise than the
// records beside it; nil if all is as written.
func (j *Journal) Verify(ctx context.Context) error {
	tx, err := j.r.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // one picture of lines and head
	if err != nil {
		return fmt.Errorf("verify journal %s: %w", j.path, err)
	}
	defer tx.Rollback()
	var headSeq uint64
	var headHash string
	err = tx.QueryRow(`SELECT seq, hash FROM head WHERE one = 1`).Scan(&headSeq, &headHash)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("verify journal %s: %w", j.path, err)
	}
	rows, err := tx.QueryContext(ctx, `SELECT seq, time, kind, alarm, source, user, body, hash FROM journal ORDER BY seq`)
	if err != nil {
		return fmt.Errorf("verify journal %s: %w", j.path, err)
	}
	defer rows.Close()
	seen := proven{rows: map[string]map[string]string{}, line: map[string]uint64{}}
	var prev [sha256.Size]byte
	var want uint64
	for rows.Next() {
		want++
		var seq uint64
		var t int64
		var kind, alarm, source, user, hash string
		var body []byte
		if err := rows.Scan(&seq, &t, &kind, &alarm, &source, &user, &body, &hash); err != nil {
			return fmt.Errorf("verify journal %s: after line %d: %w", j.path, want-1, err)
		}
		if seq != want {
			return &TamperError{Seq: want, Problem: fmt.Sprintf("is missing; the next line there is has number %d", seq)}
		}
		prev = chain(prev, body)
		if hex.EncodeToString(prev[:]) != hash {
			return &TamperError{Seq: seq, Problem: "its hash does not fit its content and the line before: it was altered, or lines before it were replaced"}
		}
		var e plant.Event
		if err := json.Unmarshal(body, &e); err != nil {
			return &TamperError{Seq: seq, Problem: "its content cannot be read: " + err.Error()}
		}
		if e.Seq != seq || plant.Nanos(e.Time) != t || string(e.Kind) != kind || e.Alarm != alarm || e.Source != source || e.User != user {
			return &TamperError{Seq: seq, Problem: "its columns were altered: they differ from its content"}
		}
		if err := seen.see(&e); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("verify journal %s: %w", j.path, err)
	}
	if want < headSeq {
		return &TamperError{Seq: want + 1, Problem: fmt.Sprintf("is missing, with all lines up to %d", headSeq)}
	}
	if want > headSeq {
		return &TamperError{Seq: headSeq + 1, Problem: "was added by something else than this program"}
	}
	if want > 0 && headHash != hex.EncodeToString(prev[:]) {
		return &TamperError{Seq: want, Problem: "is not the line that was written last"}
	}
	rows.Close()
	j.seen = seen
	return seen.compare(ctx, j, tx)
}

// FilesInForce are the digests of plant file, rules and accounts as the journal has
// them, with the line that says so; Verify has to come first.
func (j *Journal) FilesInForce() (line uint64, files map[string]string) {
	return j.seen.fileAt, j.seen.files
}
