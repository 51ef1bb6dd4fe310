package historian

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Note is an operator's remark on an equipment and a time.
type Note struct {
	ID     int64
	Time   time.Time
	Source string // path of the equipment, "" for the house
	User   string
	Text   string
}

// Cleaning is one cleaning of a body. End is zero while it goes on.
type Cleaning struct {
	ID     int64
	Body   string // path of the body
	Start  time.Time
	End    time.Time
	User   string
	Method string // such as "caustic boil-out", in the site's words
	Note   string
}

// AddNote stores a note and returns its number.
func (j *Journal) AddNote(n Note) (int64, error) {
	if n.Text == "" {
		return 0, errors.New("add note: the text is empty")
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	res, err := j.w.Exec(`INSERT INTO notes (time, source, user, text) VALUES (?, ?, ?, ?)`, nanos(n.Time), n.Source, n.User, n.Text)
	if err != nil {
		return 0, fmt.Errorf("add note: %w", err)
	}
	return res.LastInsertId()
}

// Notes lists the notes of [from, to) by time; source "" means all.
func (j *Journal) Notes(ctx context.Context, source string, from, to time.Time) ([]Note, error) {
	rows, err := j.r.QueryContext(ctx, `SELECT id, time, source, user, text FROM notes
		WHERE time >= ? AND time < ? AND (? = '' OR source = ?) ORDER BY time, id`, nanos(from), nanos(to), source, source)
	if err != nil {
		return nil, fmt.Errorf("read notes: %w", err)
	}
	defer rows.Close()
	var out []Note
	for rows.Next() {
		var n Note
		var t int64
		if err := rows.Scan(&n.ID, &t, &n.Source, &n.User, &n.Text); err != nil {
			return nil, fmt.Errorf("read notes: %w", err)
		}
		n.Time = time.Unix(0, t).UTC()
		out = append(out, n)
	}
	return out, rows.Err()
}

// PutCleaning stores a cleaning, or replaces the one with its ID, and returns
// its number.
func (j *Journal) PutCleaning(c Cleaning) (int64, error) {
	if c.Body == "" || c.Start.IsZero() {
		return 0, errors.New("store cleaning: it needs a body and a start")
	}
	if !c.End.IsZero() && c.End.Before(c.Start) {
		return 0, fmt.Errorf("store cleaning of %s: it ends at %s, before it starts at %s", c.Body, c.End.UTC().Format(time.RFC3339), c.Start.UTC().Format(time.RFC3339))
	}
	var end any
	if !c.End.IsZero() {
		end = nanos(c.End)
	}
	var id any
	if c.ID != 0 {
		id = c.ID
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	res, err := j.w.Exec(`INSERT INTO cleanings (id, body, start, finish, user, method, note) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (id) DO UPDATE SET body = excluded.body, start = excluded.start, finish = excluded.finish,
			user = excluded.user, method = excluded.method, note = excluded.note`,
		id, c.Body, nanos(c.Start), end, c.User, c.Method, c.Note)
	if err != nil {
		return 0, fmt.Errorf("store cleaning of %s: %w", c.Body, err)
	}
	if c.ID != 0 {
		return c.ID, nil
	}
	return res.LastInsertId()
}

// Cleanings lists the cleanings that touch [from, to), by start; body ""
// means all bodies.
func (j *Journal) Cleanings(ctx context.Context, body string, from, to time.Time) ([]Cleaning, error) {
	rows, err := j.r.QueryContext(ctx, `SELECT id, body, start, finish, user, method, note FROM cleanings
		WHERE start < ? AND (finish IS NULL OR finish >= ?) AND (? = '' OR body = ?) ORDER BY start, id`, nanos(to), nanos(from), body, body)
	if err != nil {
		return nil, fmt.Errorf("read cleanings: %w", err)
	}
	defer rows.Close()
	var out []Cleaning
	for rows.Next() {
		var c Cleaning
		var start int64
		var end sql.NullInt64
		if err := rows.Scan(&c.ID, &c.Body, &start, &end, &c.User, &c.Method, &c.Note); err != nil {
			return nil, fmt.Errorf("read cleanings: %w", err)
		}
		c.Start = time.Unix(0, start).UTC()
		if end.Valid {
			c.End = time.Unix(0, end.Int64).UTC()
		}
		out = append(out, c)
	}
	return out, rows.Err()
}

// Setting returns a stored setting; false if there is none.
func (j *Journal) Setting(key string) (string, bool, error) {
	var v string
	err := j.r.QueryRow(`SELECT value FROM settings WHERE key = ?`, key).Scan(&v)
	if errors.Is(err, sql.ErrNoRows) {
		return "", false, nil
	}
	if err != nil {
		return "", false, fmt.Errorf("read setting %s: %w", key, err)
	}
	return v, true, nil
}

// PutSetting stores a setting. Who changes a setting that matters also
// journals the old and the new value.
func (j *Journal) PutSetting(key, value string) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if _, err := j.w.Exec(`INSERT INTO settings (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value`, key, value); err != nil {
		return fmt.Errorf("store setting %s: %w", key, err)
	}
	return nil
}
