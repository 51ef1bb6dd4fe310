package historian

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
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

// Strike is the record of one finished strike of a pan.
type Strike struct {
	ID         int64
	Pan, Grade string // path of the pan; grade of the massecuite
	Number     int    // counted for each pan
	Start, End time.Time
	Whole      bool   // seen from charge to drop
	Body       []byte // the record with its profile, as JSON
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

// PutStrike stores a strike, or replaces the one of the same pan and start, and returns its
// number in the record. It must be over.
func (j *Journal) PutStrike(s Strike) (int64, error) {
	switch {
	case s.Pan == "" || s.Start.IsZero() || len(s.Body) == 0:
		return 0, errors.New("store strike: it needs a pan, a start and a record")
	case s.End.Before(s.Start):
		return 0, fmt.Errorf("store strike of %s: it ends at %s, before it starts at %s", s.Pan, s.End.UTC().Format(time.RFC3339), s.Start.UTC().Format(time.RFC3339))
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	var id int64
	err := j.w.QueryRow(`INSERT INTO strikes (pan, grade, number, start, finish, whole, body) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (pan, start) DO UPDATE SET grade = excluded.grade, number = excluded.number, finish = excluded.finish, whole = excluded.whole, body = excluded.body
		RETURNING id`, s.Pan, s.Grade, s.Number, nanos(s.Start), nanos(s.End), s.Whole, string(s.Body)).Scan(&id)
	if err != nil {
		return 0, fmt.Errorf("store strike of %s: %w", s.Pan, err)
	}
	return id, nil
}

// StrikeFilter selects strikes; zero fields select everything.
type StrikeFilter struct {
	ID         int64
	Pan, Grade string
	From, To   time.Time // of the end, half-open
	Limit      int       // the newest
}

// Strikes lists recorded strikes, the newest first.
func (j *Journal) Strikes(ctx context.Context, f StrikeFilter) ([]Strike, error) {
	from, to, limit := int64(math.MinInt64), int64(math.MaxInt64), int64(-1)
	if !f.From.IsZero() {
		from = nanos(f.From)
	}
	if !f.To.IsZero() {
		to = nanos(f.To)
	}
	if f.Limit > 0 {
		limit = int64(f.Limit)
	}
	rows, err := j.r.QueryContext(ctx, `SELECT id, pan, grade, number, start, finish, whole, body FROM strikes
		WHERE (? = 0 OR id = ?) AND (? = '' OR pan = ?) AND (? = '' OR grade = ?) AND finish >= ? AND finish < ?
		ORDER BY finish DESC, id DESC LIMIT ?`, f.ID, f.ID, f.Pan, f.Pan, f.Grade, f.Grade, from, to, limit)
	if err != nil {
		return nil, fmt.Errorf("read strikes: %w", err)
	}
	defer rows.Close()
	var out []Strike
	for rows.Next() {
		var s Strike
		var start, end int64
		if err := rows.Scan(&s.ID, &s.Pan, &s.Grade, &s.Number, &start, &end, &s.Whole, &s.Body); err != nil {
			return nil, fmt.Errorf("read strikes: %w", err)
		}
		s.Start, s.End = time.Unix(0, start).UTC(), time.Unix(0, end).UTC()
		out = append(out, s)
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
