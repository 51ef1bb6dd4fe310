package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"calandria/plant"
)

// Strike is the record of one finished strike of a pan.
type Strike struct {
	ID         int64
	Pan, Grade string // path of the pan; grade of the massecuite
	Number     int    // counted for each pan
	Start, End time.Time
	Whole      bool   // seen from charge to drop
	Body       []byte // the record with its profile, as JSON
}

// PutCleaning stores a cleaning, or replaces the one with its ID, journals e with its
// digest, and returns its number.
func (j *Journal) PutCleaning(c plant.Cleaning, e plant.Event) (int64, error) {
	if c.Body == "" || c.Start.IsZero() {
		return 0, errors.New("store cleaning: it needs a body and a start")
	}
	if !c.End.IsZero() && c.End.Before(c.Start) {
		return 0, fmt.Errorf("store cleaning of %s: it ends at %s, before it starts at %s", c.Body, c.End.UTC().Format(time.RFC3339), c.Start.UTC().Format(time.RFC3339))
	}
	var end any
	if !c.End.IsZero() {
		end = plant.Nanos(c.End)
	}
	var id any
	if c.ID != 0 {
		id = c.ID
	}
	n, err := j.recordRow(e, "cleanings", func(tx *sql.Tx) (n int64, err error) {
		err = tx.QueryRow(`INSERT INTO cleanings (id, body, start, finish, user, method, note) VALUES (?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (id) DO UPDATE SET body = excluded.body, start = excluded.start, finish = excluded.finish,
				user = excluded.user, method = excluded.method, note = excluded.note RETURNING id`,
			id, c.Body, plant.Nanos(c.Start), end, c.User, c.Method, c.Note).Scan(&n)
		return n, err
	})
	if err != nil {
		return 0, fmt.Errorf("store cleaning of %s: %w", c.Body, err)
	}
	return n, nil
}

// Cleanings lists the cleanings that touch [from, to), by start; body ""
// means all bodies.
func (j *Journal) Cleanings(ctx context.Context, body string, from, to time.Time) ([]plant.Cleaning, error) {
	out, err := rowsOf(ctx, j.r, func(scan func(...any) error) (c plant.Cleaning, err error) {
		var start int64
		var end sql.NullInt64
		if err = scan(&c.ID, &c.Body, &start, &end, &c.User, &c.Method, &c.Note); end.Valid {
			c.End = time.Unix(0, end.Int64).UTC()
		}
		c.Start = time.Unix(0, start).UTC()
		return c, err
	}, `SELECT id, body, start, finish, user, method, note FROM cleanings
		WHERE start < ? AND (finish IS NULL OR finish >= ?) AND (? = '' OR body = ?) ORDER BY start, id`, plant.Nanos(to), plant.Nanos(from), body, body)
	if err != nil {
		return nil, fmt.Errorf("read cleanings: %w", err)
	}
	return out, nil
}

// PutStrike stores a strike, or replaces the one of the same pan and start, journals e
// with its digest, and returns its number in the record. It must be over.
func (j *Journal) PutStrike(s Strike, e plant.Event) (int64, error) {
	switch {
	case s.Pan == "" || s.Start.IsZero() || len(s.Body) == 0:
		return 0, errors.New("store strike: it needs a pan, a start and a record")
	case s.End.Before(s.Start):
		return 0, fmt.Errorf("store strike of %s: it ends at %s, before it starts at %s", s.Pan, s.End.UTC().Format(time.RFC3339), s.Start.UTC().Format(time.RFC3339))
	}
	id, err := j.recordRow(e, "strikes", func(tx *sql.Tx) (id int64, err error) {
		err = tx.QueryRow(`INSERT INTO strikes (pan, grade, number, start, finish, whole, body) VALUES (?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (pan, start) DO UPDATE SET grade = excluded.grade, number = excluded.number, finish = excluded.finish, whole = excluded.whole, body = excluded.body
			RETURNING id`, s.Pan, s.Grade, s.Number, plant.Nanos(s.Start), plant.Nanos(s.End), s.Whole, string(s.Body)).Scan(&id)
		return id, err
	})
	if err != nil {
		return 0, fmt.Errorf("store strike of %s: %w", s.Pan, err)
	}
	return id, nil
}

// Strikes lists recorded strikes, the newest first.
func (j *Journal) Strikes(ctx context.Context, f plant.StrikeFilter) ([]Strike, error) {
	from, to, limit := int64(math.MinInt64), int64(math.MaxInt64), int64(-1)
	if !f.From.IsZero() {
		from = plant.Nanos(f.From)
	}
	if !f.To.IsZero() {
		to = plant.Nanos(f.To)
	}
	if f.Limit > 0 {
		limit = int64(f.Limit)
	}
	out, err := rowsOf(ctx, j.r, func(scan func(...any) error) (s Strike, err error) {
		var start, end int64
		err = scan(&s.ID, &s.Pan, &s.Grade, &s.Number, &start, &end, &s.Whole, &s.Body)
		s.Start, s.End = time.Unix(0, start).UTC(), time.Unix(0, end).UTC()
		return s, err
	}, `SELECT id, pan, grade, number, start, finish, whole, body FROM strikes
		WHERE (? = 0 OR id = ?) AND (? = '' OR pan = ?) AND (? = '' OR grade = ?) AND finish >= ? AND finish < ?
		ORDER BY finish DESC, id DESC LIMIT ?`, f.ID, f.ID, f.Pan, f.Pan, f.Grade, f.Grade, from, to, limit)
	if err != nil {
		return nil, fmt.Errorf("read strikes: %w", err)
	}
	return out, nil
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
