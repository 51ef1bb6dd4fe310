package historian

import (
	"context"
	"database/sql"
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
