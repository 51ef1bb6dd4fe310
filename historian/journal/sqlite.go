package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"net/url"

	_ "modernc.org/sqlite" // driver "sqlite"
)

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

// querier is a database or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// rowsOf collects what read makes of each row.
func rowsOf[T any](ctx context.Context, q querier, read func(scan func(...any) error) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := read(rows.Scan)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// bodyOf decodes a row of one JSON column.
func bodyOf[T any](scan func(...any) error) (v T, err error) {
	var body []byte
	if err = scan(&body); err == nil {
		err = json.Unmarshal(body, &v)
	}
	return v, err
}

// eachRow hands out the rows one by one.
func eachRow(db *sql.DB, query string, f func(scan func(...any) error) error) error {
	_, err := rowsOf(context.Background(), db, func(scan func(...any) error) (struct{}, error) { return struct{}{}, f(scan) }, query)
	return err
}
