package historian

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"net/url"
	"sync"

	_ "modernc.org/sqlite" // driver "sqlite"
)

// hotStore is hot.db: the tag dictionary, the samples of the last hours, and
// the forwarder's cursor. One connection writes, several read.
type hotStore struct {
	w, r *sql.DB
	mu   sync.Mutex // the writer
}

const hotSchema = `
CREATE TABLE IF NOT EXISTS tags (
	id INTEGER PRIMARY KEY,
	path TEXT NOT NULL,
	unit TEXT NOT NULL,
	meaning TEXT NOT NULL,
	resolution REAL NOT NULL,
	used INTEGER NOT NULL,
	UNIQUE (path, unit)
);
CREATE TABLE IF NOT EXISTS hot (
	seq INTEGER PRIMARY KEY AUTOINCREMENT, -- order of arrival
	tag INTEGER NOT NULL REFERENCES tags(id),
	time INTEGER NOT NULL,                 -- source time, ns since 1970 UTC
	value REAL,                            -- NULL: no value
	status INTEGER NOT NULL                -- OPC UA status code
);
-- The same time, value and status twice is one sample.
CREATE UNIQUE INDEX IF NOT EXISTS hot_once ON hot (tag, time, status, ifnull(value, 'none'));
-- A cursor has passed every sample up to seq.
CREATE TABLE IF NOT EXISTS cursors (
	name TEXT PRIMARY KEY,
	seq INTEGER NOT NULL,
	dropped INTEGER NOT NULL DEFAULT 0
);
-- Stretches of time that left this table before a cursor had passed them; it
-- finds them in the Parquet files, from the path after 'done' on.
CREATE TABLE IF NOT EXISTS stretches (
	cursor TEXT NOT NULL,
	lo INTEGER NOT NULL,
	hi INTEGER NOT NULL,
	done TEXT NOT NULL DEFAULT '',
	PRIMARY KEY (cursor, lo, hi)
);
`

// sqliteDSN makes the name of a database with our pragmas. FULL makes every
// commit durable against loss of power, also in WAL mode.
func sqliteDSN(path string, readOnly bool) string {
	q := url.Values{"_pragma": {"busy_timeout(10000)", "synchronous(FULL)", "foreign_keys(1)", "journal_size_limit(67108864)", "cache_size(-32768)"}}
	if readOnly {
		q.Add("_pragma", "query_only(1)")
	} else {
		q.Add("_pragma", "journal_mode(WAL)")
		q.Set("_txlock", "immediate")
	}
	return (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: q.Encode()}).String()
}

// openSQLite opens one writing connection and a few reading ones.
func openSQLite(path, schema string) (w, r *sql.DB, err error) {
	if w, err = sql.Open("sqlite", sqliteDSN(path, false)); err != nil {
		return nil, nil, fmt.Errorf("open %s: %w", path, err)
	}
	w.SetMaxOpenConns(1)
	if _, err = w.Exec(schema); err != nil {
		w.Close()
		return nil, nil, fmt.Errorf("open %s: %w", path, err)
	}
	if r, err = sql.Open("sqlite", sqliteDSN(path, true)); err != nil {
		w.Close()
		return nil, nil, fmt.Errorf("open %s: %w", path, err)
	}
	r.SetMaxOpenConns(4)
	return w, r, nil
}

func openHot(path string) (*hotStore, error) {
	w, r, err := openSQLite(path, hotSchema)
	if err != nil {
		return nil, err
	}
	return &hotStore{w: w, r: r}, nil
}

func (h *hotStore) close() error { return errors.Join(h.r.Close(), h.w.Close()) }

func (h *hotStore) loadTags() ([]*tagEntry, error) {
	rows, err := h.w.Query(`SELECT id, path, unit, meaning, resolution FROM tags ORDER BY used`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var es []*tagEntry
	for rows.Next() {
		e := &tagEntry{}
		if err := rows.Scan(&e.id, &e.path, &e.unit, &e.meaning, &e.resolution); err != nil {
			return nil, err
		}
		e.step = binaryStep(e.resolution)
		es = append(es, e)
	}
	return es, rows.Err()
}

// sqlValue is a value as SQLite keeps it: NULL for NaN.
func sqlValue(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

// insert adds tags and samples in one durable transaction and says how many
// samples were new.
func (h *hotStore) insert(ctx context.Context, tags []tagEntry, rows []hotRow) (added int64, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	err = inTx(ctx, h.w, func(tx *sql.Tx) error {
		for _, e := range tags {
			if _, err := tx.Exec(`INSERT INTO tags (id, path, unit, meaning, resolution, used)
				VALUES (?, ?, ?, ?, ?, (SELECT ifnull(max(used), 0) + 1 FROM tags))
				ON CONFLICT (id) DO UPDATE SET meaning = excluded.meaning, resolution = excluded.resolution, used = excluded.used`,
				e.id, e.path, e.unit, e.meaning, e.resolution); err != nil {
				return err
			}
		}
		if len(rows) == 0 {
			return nil
		}
		st, err := tx.Prepare(`INSERT OR IGNORE INTO hot (tag, time, value, status) VALUES (?, ?, ?, ?)`)
		if err != nil {
			return err
		}
		defer st.Close()
		for i := range rows {
			r := &rows[i]
			res, err := st.Exec(r.tag, r.time, sqlValue(r.value), int64(r.status))
			if err != nil {
				return err
			}
			n, _ := res.RowsAffected()
			added += n
		}
		return nil
	})
	if err != nil {
		added = 0
	}
	return added, err
}

// inTx runs f in a transaction and rolls back when it fails.
func inTx(ctx context.Context, db *sql.DB, f func(*sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		tx.Rollback()
		return err
	}
	return tx.Commit()
}

// read returns the samples of one tag with from <= time < to, in order of time
// and arrival.
func (h *hotStore) read(ctx context.Context, tag, from, to int64) (series, error) {
	var s series
	// The value is asked for as the index hot_once has it, so that the index
	// alone answers: the table lies in order of arrival, a page a row.
	rows, err := h.r.QueryContext(ctx, `SELECT time, ifnull(value, 'none'), status FROM hot WHERE tag = ? AND time >= ? AND time < ? ORDER BY time, seq`, tag, from, to)
	if err != nil {
		return s, err
	}
	defer rows.Close()
	for rows.Next() {
		var t, st int64
		var v any
		if err := rows.Scan(&t, &v, &st); err != nil {
			return s, err
		}
		f := math.NaN()
		switch x := v.(type) {
		case float64:
			f = x
		case int64:
			f = float64(x)
		}
		s.add(t, f, uint32(st))
	}
	return s, rows.Err()
}

// hotRows counts the hot samples of paths in [lo, hi), roughly.
func (a *Archive) hotRows(ctx context.Context, paths []string, lo, hi int64) (n int64, err error) {
	for _, p := range paths {
		if some, err := a.hotWithin(ctx, p, lo, hi); some || err != nil {
			return 1, err
		}
	}
	return 0, nil
}
