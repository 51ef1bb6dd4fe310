package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"modernc.org/sqlite"

	"calandria/plant"
	"calandria/plant/files"
)

// Salvaged says what became of a journal that was damaged.
type Salvaged struct {
	Why   string // what is wrong with it
	Aside string // its name now
	Rows  int    // taken over from it, of all tables
	Lines uint64 // of them journal lines
	Last  uint64 // number of the last journal line there is
	// Faults are the stretches that could not be read, in words.
	Faults []string
}

func (s *Salvaged) String() string {
	text := fmt.Sprintf("%s; %d rows were saved from it, %d of them journal lines, the last with number %d", s.Why, s.Rows, s.Lines, s.Last)
	const most = 5
	if n := len(s.Faults); n > most {
		text += fmt.Sprintf("; not readable: %s and %d more places", strings.Join(s.Faults[:most], ", "), n-most)
	} else if n > 0 {
		text += "; not readable: " + strings.Join(s.Faults, ", ")
	}
	return text
}

// lookLimit bounds how long a start looks for damage in the journal.
const lookLimit = 5 * time.Second

// Fault says in words what is damaged in a journal file, "" for nothing
// or if there is none. An error is one of the disk or of rights, no damage.
func Fault(path string) (string, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", nil
	case err != nil:
		return "", err
	case !info.Mode().IsRegular():
		return "it is no regular file but " + files.Kind(info.Mode()), nil
	case info.Size() == 0:
		return "it is empty", nil
	}
	db, err := sql.Open("sqlite", sqliteDSN(path, true))
	if err != nil {
		return "", err
	}
	defer db.Close()
	ctx, cancel := context.WithTimeout(context.Background(), lookLimit)
	defer cancel()
	var said string
	err = db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&said)
	switch {
	case damagedSQLite(err):
		return err.Error(), nil
	case ctx.Err() != nil:
		return "", nil
	case err != nil:
		return "", err
	case said != "ok":
		return strings.ReplaceAll(said, "\n", "; "), nil
	}
	return "", nil
}

// damagedSQLite tells damage of a file from a disk that refuses: SQLITE_CORRUPT
// and SQLITE_NOTADB (sqlite.org/rescode.html).
func damagedSQLite(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && (e.Code()&0xff == 11 || e.Code()&0xff == 26)
}

// OpenAnyway opens the journal; one that is damaged is set aside first and
// what can be read of it is taken over into a new one. What was salvaged is nil if
// all is well.
func OpenAnyway(path string, now time.Time) (*Journal, *Salvaged, error) {
	why, err := Fault(path)
	if err != nil {
		return nil, nil, fmt.Errorf("open journal: %w", err)
	}
	if why == "" {
		j, err := Open(path)
		if err == nil || !damagedSQLite(err) {
			return j, nil, err
		}
		why = err.Error()
	}
	s := &Salvaged{Why: why}
	if s.Aside, err = files.SetAside(path, now); err != nil {
		return nil, nil, err
	}
	for _, tail := range []string{"-wal", "-shm"} {
		if err := os.Rename(path+tail, s.Aside+tail); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, nil, fmt.Errorf("set aside %s%s: %w", path, tail, err)
		}
	}
	j, err := Open(path)
	if err != nil {
		return nil, nil, err
	}
	if err := j.salvage(s); err != nil {
		s.Faults = append(s.Faults, err.Error())
	}
	j.seq, j.hash, err = j.end(j.w)
	s.Last = j.seq
	return j, s, err
}

// salvage takes over what can be read of a damaged journal. Its lines keep their
// numbers and hashes: Verify tells which are missing.
func (j *Journal) salvage(s *Salvaged) error {
	if info, err := os.Stat(s.Aside); err != nil || !info.Mode().IsRegular() {
		return err
	}
	name := s.Aside
	var fresh int
	from, err := sql.Open("sqlite", sqliteDSN(name, true))
	if err != nil {
		return err
	}
	defer func() { from.Close() }()
	if err := from.QueryRow(`SELECT count(*) FROM sqlite_master WHERE name = 'journal'`).Scan(&fresh); err != nil || fresh == 0 {
		// The head of the file is gone; the tables behind it are where those of
		// every journal are.
		name = s.Aside + ".tmp"
		defer func() { _ = errors.Join(os.Remove(name), os.RemoveAll(name+"-wal"), os.RemoveAll(name+"-shm")) }()
		if err := j.behead(s.Aside, name); err != nil {
			return err
		}
		from.Close()
		if from, err = sql.Open("sqlite", sqliteDSN(name, true)); err != nil {
			return err
		}
	}
	from.SetMaxOpenConns(1)
	err = inTx(context.Background(), j.w, func(tx *sql.Tx) error {
		if _, err := tx.Exec(`DROP TRIGGER journal_in_order`); err != nil {
			return err
		}
		var tables []string
		err := eachRow(j.r, `SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name <> 'head' ORDER BY name`, func(scan func(...any) error) error {
			tables = append(tables, "")
			return scan(&tables[len(tables)-1])
		})
		if err != nil {
			return err
		}
		for _, t := range tables {
			if err := salvageTable(tx, j.r, from, t, s); err != nil {
				return err
			}
		}
		_, err = tx.Exec(`INSERT INTO head (one, seq, hash) SELECT 1, seq, hash FROM journal ORDER BY seq DESC LIMIT 1`)
		return err
	})
	if err != nil {
		return err
	}
	_, err = j.w.Exec(journalSchema)
	return err
}

// behead copies a file with the first page of a fresh journal in place of its
// own: where the tables begin is the same in every journal.
func (j *Journal) behead(from, to string) error {
	if _, err := j.w.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		return err
	}
	head := make([]byte, 4096) // the page size of SQLite unless asked otherwise
	f, err := os.Open(j.path)
	if err != nil {
		return err
	}
	_, err = io.ReadFull(f, head)
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	size, err := in.Seek(0, io.SeekEnd)
	if err != nil || size < 2*4096 {
		return fmt.Errorf("it has %d bytes: there is nothing to read", size)
	}
	if _, err := in.Seek(4096, io.SeekStart); err != nil {
		return err
	}
	pages := uint32(size / 4096)
	// Database header (sqlite.org/fileformat.html, 1.3): size in pages, which
	// counts when the two change counters agree; no list of free pages.
	for i, at := range []int{28, 29, 30, 31} {
		head[at] = byte(pages >> (24 - 8*i))
	}
	copy(head[92:96], head[24:28])
	clear(head[32:40])
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	_, err = out.Write(head)
	if err == nil {
		_, err = io.Copy(out, in)
	}
	return errors.Join(err, out.Close())
}

// salvageTable takes over the rows of a table that can be read. Where reading
// fails it goes on behind, by the number of the row, with growing steps.
func salvageTable(tx *sql.Tx, now *sql.DB, from *sql.DB, table string, s *Salvaged) error {
	columns := func(db *sql.DB) (names []string, rowid bool) {
		rowid = true
		_ = eachRow(db, "SELECT name FROM pragma_table_info('"+table+"')", func(scan func(...any) error) error {
			names = append(names, "")
			return scan(&names[len(names)-1])
		})
		_ = eachRow(db, "SELECT wr FROM pragma_table_list WHERE name = '"+table+"'", func(scan func(...any) error) error {
			var wr bool
			err := scan(&wr)
			rowid = !wr
			return err
		})
		return names, rowid
	}
	have, rowid := columns(from)
	want, _ := columns(now)
	cols := slices.DeleteFunc(want, func(c string) bool { return !slices.Contains(have, c) })
	if len(cols) == 0 {
		s.Faults = append(s.Faults, "table "+table)
		return nil
	}
	put, err := tx.Prepare(fmt.Sprintf("INSERT OR IGNORE INTO %s (%s) VALUES (?%s)", table, strings.Join(cols, ", "), strings.Repeat(", ?", len(cols)-1)))
	if err != nil {
		return err
	}
	defer put.Close()
	take := func(query string) (last int64, read error) {
		values, into := make([]any, len(cols)), []any{&last}
		for i := range values {
			into = append(into, &values[i])
		}
		var full error
		read = eachRow(from, query, func(scan func(...any) error) error {
			if err := scan(into...); err != nil {
				return err
			}
			if table == "journal" && !soundLine(values[slices.Index(cols, "body")], last) {
				s.Faults = append(s.Faults, fmt.Sprintf("journal line %d", last))
				return nil
			}
			res, err := put.Exec(values...)
			if damagedRow(err) {
				return nil
			}
			if full = err; err != nil {
				return err
			}
			if n, err := res.RowsAffected(); err == nil && n > 0 {
				s.Rows++
				if table == "journal" {
					s.Lines++
				}
			}
			return nil
		})
		if full != nil {
			return last, fmt.Errorf("%w: %w", errNotSaved, full)
		}
		return last, read
	}
	list := strings.Join(cols, ", ")
	if !rowid { // small: from both ends
		_, err1 := take(fmt.Sprintf("SELECT 0, %s FROM %s", list, table))
		if err1 != nil {
			_, _ = take(fmt.Sprintf("SELECT 0, %s FROM %s ORDER BY %s DESC", list, table, cols[0]))
			s.Faults = append(s.Faults, "part of table "+table)
		}
		return unsaved(err1)
	}
	const mostSteps = 100_000
	at, step := int64(-1<<62), int64(1)
	for range mostSteps {
		last, err := take(fmt.Sprintf("SELECT rowid, %s FROM %s WHERE rowid > %d ORDER BY rowid", list, table, at))
		if err == nil {
			return nil
		}
		if err := unsaved(err); err != nil {
			return err
		}
		if last > at {
			at, step = last, 1
			s.Faults = append(s.Faults, fmt.Sprintf("table %s from row %d", table, last+1))
		} else if at < 0 {
			at = 0
		}
		if at += step; step > 1<<40 {
			return nil
		}
		step *= 2
	}
	return nil
}

var errNotSaved = errors.New("not saved")

func unsaved(err error) error {
	if errors.Is(err, errNotSaved) {
		return err
	}
	return nil
}

// damagedRow tells a row that does not fit its table from a disk that refuses:
// SQLITE_CONSTRAINT and SQLITE_MISMATCH.
func damagedRow(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && (e.Code()&0xff == 19 || e.Code()&0xff == 20)
}

// soundLine reports that the body of a journal line is the event of its number.
func soundLine(body any, seq int64) bool {
	var b []byte
	switch x := body.(type) {
	case string:
		b = []byte(x)
	case []byte:
		b = x
	}
	var e plant.Event
	return json.Unmarshal(b, &e) == nil && e.Seq == uint64(seq)
}
