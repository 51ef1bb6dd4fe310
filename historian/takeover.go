package historian

import (
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // driver "sqlite"
)

// eachRow hands out the rows one by one.
func eachRow(db *sql.DB, query string, f func(scan func(...any) error) error) error {
	rows, err := db.Query(query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// takeOver brings in what the first format kept in hot.db: the dictionary of
// tags, the samples of the last hours and the forwarder's place. Then the file
// goes. After a crash in between it is done again: the same sample twice is one.
func (a *Archive) takeOver() error {
	file := filepath.Join(a.dir, "hot.db")
	if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: file}).EscapedPath(), RawQuery: "_pragma=query_only(1)"}).String())
	if err != nil {
		return err
	}
	defer db.Close()
	ids := map[int64]*tagEntry{}
	err = eachRow(db, `SELECT id, path, unit, meaning, resolution FROM tags ORDER BY used`, func(scan func(...any) error) error {
		var id int64
		var in TagInfo
		if err := scan(&id, &in.Path, &in.Unit, &in.Meaning, &in.Resolution); err != nil {
			return err
		}
		ids[id] = a.describe(in)
		return nil
	})
	if err != nil {
		return fmt.Errorf("take over %s: %w", file, err)
	}
	batch := make([]hotRow, 0, flushRows)
	memory := newSegment(0, file)
	store := func() error {
		defer func() { batch = batch[:0] }()
		if !a.opt.ReadOnly && len(batch) > 0 {
			return a.hot.commit(batch, a.opt.Now().UnixNano())
		}
		for i := range batch {
			memory.add(&batch[i])
		}
		return nil
	}
	err = eachRow(db, `SELECT tag, time, value, status FROM hot ORDER BY seq`, func(scan func(...any) error) error {
		var r hotRow
		var v sql.NullFloat64
		if err := scan(&r.tag, &r.time, &v, &r.status); err != nil {
			return err
		}
		e := ids[r.tag]
		if e == nil {
			return nil
		}
		r.tag, r.decimals = e.id, exactDecimals // rounded to a power of two
		if r.value = v.Float64; !v.Valid {
			r.value = nan
		}
		if batch = append(batch, r); len(batch) == cap(batch) {
			return store()
		}
		return nil
	})
	if err == nil {
		err = store()
	}
	if err != nil {
		return fmt.Errorf("take over %s: %w", file, err)
	}
	if a.opt.ReadOnly {
		a.hot.segs, a.legacy = append(a.hot.segs, memory), true
		return nil
	}
	// The forwarder begins again with what is hot, and goes on with its stretches.
	err = eachRow(db, `SELECT name FROM cursors`, func(scan func(...any) error) error { return scan(&a.forwarding.Name) })
	if err == nil {
		err = eachRow(db, `SELECT lo, hi FROM stretches`, func(scan func(...any) error) error {
			var s stretch
			err := scan(&s.Lo, &s.Hi)
			a.forwarding.Stretches = append(a.forwarding.Stretches, s)
			return err
		})
	}
	if err == nil {
		err = errors.Join(a.saveTags(), a.forwarding.save())
	}
	if err != nil {
		return fmt.Errorf("take over %s: %w", file, err)
	}
	db.Close()
	a.log.Info("values of hot.db are taken over into the log", "folder", filepath.Join(a.dir, hotDir), "samples", a.hot.samples())
	for _, suffix := range []string{"-wal", "-shm", ""} {
		if err := os.Remove(file + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}
