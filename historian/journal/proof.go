package journal

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/sha512"
	"crypto/x509"
	"database/sql"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
)

// A journal line proves more than its own event: its Record has digests of what was
// stored beside the journal with it. Verify compares them with what is there.

// proof is what a Record may hold.
type proof struct {
	// Rows are digests of rows by table and number.
	Rows map[string]map[string]string `json:"rows,omitempty"`
	// States is a digest of all alarm states, "" where they did not change.
	States string `json:"alarm_states,omitempty"`
	// Files are digests of the files in force: plant file, rules, accounts.
	Files map[string]string `json:"files,omitempty"`
	// Adopted: what was there before there were proofs.
	Adopted     bool              `json:"adopted,omitempty"`
	Corrections *plant.Correction `json:"corrections,omitempty"`
}

// provenTables are those whose rows a line proves, with what is proven of a row.
var provenTables = map[string]string{
	"cleanings":   "json_array(body, start, finish, user, method, note)",
	"strikes":     "json_array(pan, grade, number, start, finish, whole, body)",
	"corrections": "body",
}

// Digest is what the journal keeps of a file.
func Digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:16])
}

// rowDigests are those of the rows of a table; id 0: of all.
func rowDigests(ctx context.Context, q querier, table string, id int64) (map[string]string, error) {
	out := map[string]string{}
	_, err := rowsOf(ctx, q, func(scan func(...any) error) (n int64, err error) {
		var body []byte
		err = scan(&n, &body)
		out[strconv.FormatInt(n, 10)] = Digest(body)
		return n, err
	}, `SELECT id, `+provenTables[table]+` FROM `+table+` WHERE ? = 0 OR id = ?`, id, id)
	return out, err
}

// stateDigest adds up, modulo 2^512, the SHA-512 of each part of the alarm states: a
// part that changes changes the sum without the others being read.
func stateDigest(sum *big.Int, name string, body []byte, sign int64) {
	if body == nil {
		return
	}
	h := sha512.Sum512(append(append([]byte(name), 0), body...))
	x := new(big.Int).SetBytes(h[:])
	sum.Add(sum, x.Mul(x, big.NewInt(sign)))
	sum.And(sum, stateMask)
}

var stateMask = new(big.Int).Sub(new(big.Int).Lsh(big.NewInt(1), 512), big.NewInt(1))

// addProof puts a digest into the Record of an event that may have one already.
func addProof(e *plant.Event, p proof) error {
	have := map[string]any{}
	if e.Record != "" {
		if err := json.Unmarshal([]byte(e.Record), &have); err != nil {
			return err
		}
	}
	b, err := json.Marshal(p)
	if err == nil {
		err = json.Unmarshal(b, &have)
	}
	if err == nil {
		b, err = json.Marshal(have)
	}
	e.Record = string(b)
	return err
}

// recordRow journals e with the digest of a row that store writes.
func (j *Journal) recordRow(e plant.Event, table string, store func(*sql.Tx) (id int64, err error)) (id int64, err error) {
	_, err = j.append(func(tx *sql.Tx, _ uint64) ([]plant.Event, error) {
		if id, err = store(tx); err != nil {
			return nil, err
		}
		rows, err := rowDigests(context.Background(), tx, table, id)
		if err != nil {
			return nil, err
		}
		err = addProof(&e, proof{Rows: map[string]map[string]string{table: rows}})
		return []plant.Event{e}, err
	})
	return id, err
}

// adopt takes what is in the tables of a journal of an earlier version under the
// chain, once.
func (j *Journal) adopt(now time.Time) error {
	var version int
	if err := j.w.QueryRow(`PRAGMA user_version`).Scan(&version); err != nil || version > 0 {
		return err
	}
	_, err := j.append(func(tx *sql.Tx, _ uint64) ([]plant.Event, error) {
		p, n := proof{Rows: map[string]map[string]string{}, Adopted: true}, 0
		for _, table := range []string{"cleanings", "strikes"} {
			rows, err := rowDigests(context.Background(), tx, table, 0)
			if err != nil {
				return nil, err
			}
			if len(rows) > 0 {
				p.Rows[table] = rows
				n += len(rows)
			}
		}
		sum, parts, err := j.sumStates(tx)
		if err != nil {
			return nil, err
		}
		if _, err := tx.Exec(`PRAGMA user_version = 1`); err != nil || n+parts == 0 {
			return nil, err
		}
		p.States = sum.Text(16)
		e := plant.Event{Time: now, Received: now, Kind: plant.EventRecord, Source: "calandria", Text: fmt.Sprintf("%d records and %d alarm states of before are under the chain from now on", n, parts)}
		err = addProof(&e, p)
		return []plant.Event{e}, err
	})
	return err
}

func (j *Journal) sumStates(q interface {
	Query(string, ...any) (*sql.Rows, error)
}) (sum *big.Int, n int, err error) {
	rows, err := q.Query(`SELECT name, body FROM alarm_state`)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	sum = new(big.Int)
	for rows.Next() {
		var name string
		var body []byte
		if err := rows.Scan(&name, &body); err != nil {
			return nil, 0, err
		}
		stateDigest(sum, name, append([]byte{}, body...), 1)
		n++
	}
	return sum, n, rows.Err()
}

// proveStates gives the digest after a change of the alarm states. What was there
// comes from the chain, not from the table: what somebody has changed in the table
// stays a contradiction.
func (j *Journal) proveStates(tx *sql.Tx, state State) (string, error) {
	if j.states == nil {
		j.states = new(big.Int)
		var body []byte
		err := tx.QueryRow(`SELECT body FROM journal WHERE instr(body, '\"alarm_states\":') > 0 ORDER BY seq DESC LIMIT 1`).Scan(&body)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return "", err
		}
		if p, ok := proofOf(body); ok {
			j.states.SetString(p.States, 16)
		}
	}
	sum := new(big.Int).Set(j.states)
	if state.Whole {
		sum.SetInt64(0)
	}
	for name, body := range state.Parts {
		if !state.Whole {
			var old []byte
			if err := tx.QueryRow(`SELECT body FROM alarm_state WHERE name = ?`, name).Scan(&old); err == nil {
				stateDigest(sum, name, append([]byte{}, old...), -1)
			} else if !errors.Is(err, sql.ErrNoRows) {
				return "", err
			}
		}
		if body != nil {
			stateDigest(sum, name, append([]byte{}, body...), 1)
		}
	}
	j.proving = sum
	return sum.Text(16), nil
}

func proofOf(body []byte) (p proof, ok bool) {
	var e plant.Event
	if json.Unmarshal(body, &e) != nil || e.Record == "" {
		return p, false
	}
	return p, json.Unmarshal([]byte(e.Record), &p) == nil
}

// RecordFiles journals which files are in force, by digest, if they are not those of
// the last time.
func (j *Journal) RecordFiles(data map[string][]byte, now time.Time) error {
	var body []byte
	err := j.r.QueryRow(`SELECT body FROM journal WHERE instr(body, '\"files\":') > 0 ORDER BY seq DESC LIMIT 1`).Scan(&body)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("read journal %s: %w", j.path, err)
	}
	was, _ := proofOf(body)
	files, changed := map[string]string{}, []string{}
	for name, b := range data {
		files[name] = Digest(b)
		if was.Files[name] != files[name] {
			changed = append(changed, filepath.Base(name)+" "+files[name][:12])
		}
	}
	if maps.Equal(files, was.Files) {
		return nil
	}
	slices.Sort(changed)
	e := plant.Event{Time: now, Received: now, Kind: plant.EventConfig, Source: "calandria", Text: "files in force: " + strings.Join(changed, ", ")}
	if err := addProof(&e, proof{Files: files}); err != nil {
		return err
	}
	_, err = j.append(func(*sql.Tx, uint64) ([]plant.Event, error) { return []plant.Event{e}, nil })
	return err
}

// proven is what the lines of a journal say of what is beside them.
type proven struct {
	rows    map[string]map[string]string // by table and number: digest
	line    map[string]uint64            // that said so, by table and number
	states  string
	stateAt uint64
	files   map[string]string
	fileAt  uint64
	adopted uint64
}

// see takes in a line.
func (v *proven) see(e *plant.Event) error {
	if e.Record == "" {
		return nil
	}
	var p proof
	if err := json.Unmarshal([]byte(e.Record), &p); err != nil {
		return &TamperError{Seq: e.Seq, Problem: "its record cannot be read: " + err.Error()}
	}
	if p.Adopted {
		if v.adopted != 0 {
			return &TamperError{Seq: e.Seq, Problem: fmt.Sprintf("records were taken under the chain a second time; the first was line %d", v.adopted)}
		}
		v.adopted = e.Seq
	}
	if p.Corrections != nil {
		var raw map[string]json.RawMessage
		if err := json.Unmarshal([]byte(e.Record), &raw); err != nil {
			return err
		}
		p.Rows = map[string]map[string]string{"corrections": {strconv.FormatInt(p.Corrections.ID, 10): Digest(raw["corrections"])}}
	}
	for table, rows := range p.Rows {
		if v.rows[table] == nil {
			v.rows[table] = map[string]string{}
		}
		for id, sum := range rows {
			v.rows[table][id], v.line[table+id] = sum, e.Seq
		}
	}
	if p.States != "" {
		v.states, v.stateAt = p.States, e.Seq
	}
	if p.Files != nil {
		v.files, v.fileAt = p.Files, e.Seq
	}
	return nil
}

// compare finds the first row that is not what its line says.
func (v *proven) compare(ctx context.Context, j *Journal, tx *sql.Tx) error {
	for _, table := range slices.Sorted(maps.Keys(provenTables)) {
		have, err := rowDigests(ctx, tx, table, 0)
		if err != nil {
			return err
		}
		all := maps.Clone(have)
		maps.Copy(all, v.rows[table])
		for _, id := range slices.Sorted(maps.Keys(all)) {
			want, known := v.rows[table][id]
			sum, there := have[id]
			switch {
			case known && !there:
				return &TamperError{Seq: v.line[table+id], Problem: fmt.Sprintf("says that %s %s is on record, and it is missing from its table", table, id)}
			case known && sum != want:
				return &TamperError{Seq: v.line[table+id], Problem: fmt.Sprintf("says what %s %s is, and its table has it otherwise", table, id)}
			case !known:
				return &TamperError{Seq: v.line[table+id], Problem: fmt.Sprintf("no line says that %s %s is on record: it was added by something else than this program", table, id)}
			}
		}
	}
	if v.states != "" {
		sum, _, err := j.sumStates(tx)
		if err != nil {
			return err
		}
		if sum.Text(16) != v.states {
			return &TamperError{Seq: v.stateAt, Problem: "says what the alarm states are, and their table has them otherwise"}
		}
	}
	return nil
}

// Anchor is a line of the journal as evidence to be kept elsewhere.
type Anchor struct {
	Site string    `json:"site"`
	Time time.Time `json:"time"`
	Seq  uint64    `json:"seq"`
	Hash string    `json:"hash"`          // of line Seq
	Key  string    `json:"key,omitempty"` // the public key, base64
	Sig  string    `json:"sig,omitempty"` // of the rest, base64
}

func (a Anchor) message() []byte {
	return fmt.Appendf(nil, "calandria anchor\n%s\n%s\n%d\n%s\n", a.Site, a.Time.UTC().Format(time.RFC3339), a.Seq, a.Hash)
}

// Genuine reports whether the key of the anchor has signed it.
func (a Anchor) Genuine() bool {
	key, err1 := base64.StdEncoding.DecodeString(a.Key)
	sig, err2 := base64.StdEncoding.DecodeString(a.Sig)
	return err1 == nil && err2 == nil && len(key) == ed25519.PublicKeySize && ed25519.Verify(key, a.message(), sig)
}

// Anchor signs the last line.
func (j *Journal) Anchor(site string, key ed25519.PrivateKey, now time.Time) Anchor {
	a := Anchor{Site: site, Time: now.UTC().Truncate(time.Second)}
	a.Seq, a.Hash = j.Head()
	a.Key = base64.StdEncoding.EncodeToString(key.Public().(ed25519.PublicKey))
	a.Sig = base64.StdEncoding.EncodeToString(ed25519.Sign(key, a.message()))
	return a
}

// Check reports whether the journal still has what an anchor says; nil if it has.
func (j *Journal) Check(a Anchor) error {
	if a.Seq == 0 {
		return nil
	}
	if len(a.Hash) < 12 {
		return fmt.Errorf("anchor of line %d: the hash %q is too short; give 12 digits or more", a.Seq, a.Hash)
	}
	var hash string
	err := j.r.QueryRow(`SELECT hash FROM journal WHERE seq = ?`, int64(a.Seq)).Scan(&hash)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		seq, _ := j.Head()
		return &TamperError{Seq: a.Seq, Problem: fmt.Sprintf("was there at %s, and the journal ends at line %d: its end was cut off, or it is another journal", stamp(a.Time), seq)}
	case err != nil:
		return fmt.Errorf("read journal %s: %w", j.path, err)
	case !strings.HasPrefix(hash, a.Hash):
		return &TamperError{Seq: a.Seq, Problem: fmt.Sprintf("is not the line of %s: the chain was made anew from some line up to it", stamp(a.Time))}
	}
	return nil
}

// Key reads the key of a data folder, or makes one: journal.key, for its owner
// only, and journal.pub beside it.
func Key(dir string) (ed25519.PrivateKey, error) {
	name := filepath.Join(dir, "journal.key")
	data, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		public, key, err := ed25519.GenerateKey(rand.Reader)
		if err != nil {
			return nil, err
		}
		der, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			return nil, err
		}
		err = os.WriteFile(name, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, "journal.pub"), []byte(base64.StdEncoding.EncodeToString(public)+"\n"), 0o644)
		}
		return key, err
	}
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(data)
	if block == nil {
		return nil, fmt.Errorf("%s is not a key in PEM; move it away, and a new one is made", name)
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	own, ok := key.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%s is not an Ed25519 key; move it away, and a new one is made", name)
	}
	return own, nil
}
