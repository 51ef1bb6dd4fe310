package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// CorrectionError says why a correction is refused, and what helps.
type CorrectionError struct {
	Field        string // of plant.Correction
	Problem, Fix words.Text
}

func (e *CorrectionError) Error() string {
	return "correction refused: " + e.Problem.String() + "; " + e.Fix.String()
}

func refuse(field string, fix, problem words.Text, args ...any) error {
	return &CorrectionError{Field: field, Problem: words.Say(problem, args...), Fix: fix}
}

// endOf is the end of a correction, the greatest time while it goes on.
func endOf(c *plant.Correction) int64 {
	if c.To.IsZero() {
		return math.MaxInt64
	}
	return plant.Nanos(c.To)
}

// PutCorrection stores a new correction and journals it, in one transaction.
// held is what the archive has of the tag. It returns the correction with its
// number and the journalled event. Errors: *CorrectionError for one that
// overlaps another in force, lies outside the archive, names no person or
// reason, or says nothing definite.
func (j *Journal) PutCorrection(c plant.Correction, held plant.Coverage) (plant.Correction, plant.Event, error) {
	c.By, c.Reason = strings.TrimSpace(c.By), strings.TrimSpace(c.Reason)
	c.ID, c.Withdrawn, c.WithdrawnBy, c.WithdrawnReason = 0, time.Time{}, "", ""
	c.From, c.At = c.From.UTC().Round(0), c.At.UTC().Round(0)
	if !c.To.IsZero() {
		c.To = c.To.UTC().Round(0)
	}
	if err := checkCorrection(&c, held); err != nil {
		return c, plant.Event{}, err
	}
	e := plant.Event{Kind: plant.EventCorrection, Time: c.At, Received: c.At, Source: c.Tag, User: c.By, Reason: c.Reason, Action: "correct",
		Text: fmt.Sprintf("values of %s %s are read %s: %s", c.Tag, stretchText(c), c.ReadAs(words.Text(held.Unit)), c.Reason)}
	err := j.record(&e, "corrections", func(tx *sql.Tx) (any, error) {
		o, err := overlapping(tx, &c)
		if err != nil {
			return nil, err
		}
		if o != nil {
			return nil, refuse("From", "withdraw that one first, or choose a stretch beside it",
				"%s is corrected %s already, by %s (correction %d)", c.Tag, stretchText(*o), o.By, o.ID)
		}
		res, err := tx.Exec(`INSERT INTO corrections (tag, start, finish, body) VALUES (?, ?, ?, '')`, c.Tag, plant.Nanos(c.From), endOf(&c))
		if err != nil {
			return nil, err
		}
		if c.ID, err = res.LastInsertId(); err != nil {
			return nil, err
		}
		return c, putBody(tx, "corrections", c.ID, c)
	})
	return c, e, err
}

func checkCorrection(c *plant.Correction, held plant.Coverage) error {
	finite := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
	scaled := c.Factor != 0 || c.Offset != 0
	switch {
	case c.Tag == "" || held.Samples == 0:
		return refuse("Tag", "give the path of a tag that the archive holds", "the archive has no values of tag %q", c.Tag)
	case c.By == "":
		return refuse("By", "give the name of the person who corrects", "there is no name")
	case c.Reason == "":
		return refuse("Reason", "write how the fault was found", "there is no reason")
	case c.At.Before(plant.MinTime):
		return refuse("At", "give the time of the correction", "it has no time of its own")
	case c.From.Before(plant.MinTime):
		return refuse("From", "give the time from which the values are wrong", "there is no start")
	case !c.To.IsZero() && !c.From.Before(c.To):
		return refuse("To", "give an end after the start, or none if it goes on", "it ends at %s, not after its start at %s", stamp(c.To), stamp(c.From))
	case c.From.After(held.Last) || !c.To.IsZero() && !c.To.After(held.First):
		return refuse("From", "choose a stretch inside that", "the archive has values of %s from %s to %s", c.Tag, stamp(held.First), stamp(held.Last))
	case c.NotBelieved && (c.Value != nil || scaled), c.Value != nil && scaled:
		return refuse("Factor", "give one of the three", "it has more than one of factor and offset, another value, and not to be believed")
	case c.Value != nil && !finite(*c.Value):
		return refuse("Value", "give a number", "the value %g is not a number", *c.Value)
	case !c.NotBelieved && c.Value == nil && (c.Factor == 0 || !finite(c.Factor) || !finite(c.Offset)):
		return refuse("Factor", "give a factor, 1 if there is only an offset; or another value, or not to be believed", "factor %g and offset %g", c.Factor, c.Offset)
	case c.Factor == 1 && c.Offset == 0:
		return refuse("Factor", "give a factor other than 1, or an offset", "factor 1 and offset 0 change nothing")
	}
	return nil
}

// overlapping is a correction in force of the same tag that shares time with c.
func overlapping(tx *sql.Tx, c *plant.Correction) (*plant.Correction, error) {
	all, err := rowsOf(context.Background(), tx, bodyOf[plant.Correction], `SELECT body FROM corrections WHERE tag = ? AND start < ? AND finish > ?`, c.Tag, endOf(c), plant.Nanos(c.From))
	for i := range all {
		if all[i].Withdrawn.IsZero() {
			return &all[i], err
		}
	}
	return nil, err
}

// WithdrawCorrection takes a correction back from at on; its record stays.
func (j *Journal) WithdrawCorrection(id int64, by, reason string, at time.Time) (plant.Correction, plant.Event, error) {
	by, reason, at = strings.TrimSpace(by), strings.TrimSpace(reason), at.UTC().Round(0)
	var c plant.Correction
	switch {
	case by == "":
		return c, plant.Event{}, refuse("WithdrawnBy", "give the name of the person who withdraws it", "there is no name")
	case reason == "":
		return c, plant.Event{}, refuse("WithdrawnReason", "write why it is withdrawn", "there is no reason")
	}
	e := plant.Event{Kind: plant.EventCorrection, Time: at, Received: at, User: by, Reason: reason, Action: "withdraw"}
	err := j.record(&e, "corrections", func(tx *sql.Tx) (any, error) {
		all, err := rowsOf(context.Background(), tx, bodyOf[plant.Correction], `SELECT body FROM corrections WHERE id = ?`, id)
		switch {
		case err != nil:
			return nil, err
		case len(all) == 0:
			return nil, refuse("ID", "list the corrections to see their numbers", "there is no correction %d", id)
		case !all[0].Withdrawn.IsZero():
			return nil, refuse("ID", "nothing is left to do", "correction %d was withdrawn by %s at %s already", id, all[0].WithdrawnBy, stamp(all[0].Withdrawn))
		}
		c = all[0]
		c.Withdrawn, c.WithdrawnBy, c.WithdrawnReason = at, by, reason
		e.Source = c.Tag
		e.Text = fmt.Sprintf("correction %d is withdrawn: values of %s %s are read as they were measured: %s", id, c.Tag, stretchText(c), reason)
		return c, putBody(tx, "corrections", id, c)
	})
	return c, e, err
}

// Corrections lists those of a tag ("" for all) that share time with [from,
// to), also the withdrawn, by start.
func (j *Journal) Corrections(ctx context.Context, tag string, from, to time.Time) ([]plant.Correction, error) {
	cs, err := rowsOf(ctx, j.r, bodyOf[plant.Correction], `SELECT body FROM corrections WHERE (? = '' OR tag = ?) AND start < ? AND finish > ? ORDER BY start, id`,
		tag, tag, plant.Nanos(to), plant.Nanos(from))
	if err != nil {
		return nil, fmt.Errorf("read corrections: %w", err)
	}
	return cs, nil
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

func stretchText(c plant.Correction) string {
	if c.To.IsZero() {
		return "from " + stamp(c.From) + " on"
	}
	return "from " + stamp(c.From) + " to " + stamp(c.To)
}

// record journals e together with a change of a table: store makes the change
// and returns the record, which goes into the line, so that the chain proves
// it. e gets its number.
func (j *Journal) record(e *plant.Event, table string, store func(*sql.Tx) (any, error)) error {
	out, err := j.append(func(tx *sql.Tx, _ uint64) ([]plant.Event, error) {
		rec, err := store(tx)
		if err != nil {
			return nil, err
		}
		body, err := json.Marshal(map[string]any{table: rec})
		e.Record = string(body)
		return []plant.Event{*e}, err
	})
	if ce := (*CorrectionError)(nil); errors.As(err, &ce) {
		return ce
	}
	if err != nil {
		return fmt.Errorf("write to journal %s: %w", j.path, err)
	}
	*e = out[0]
	return nil
}

func putBody(tx *sql.Tx, table string, id int64, rec any) error {
	body, err := json.Marshal(rec)
	if err != nil {
		return err
	}
	_, err = tx.Exec(`UPDATE `+table+` SET body = ? WHERE id = ?`, string(body), id)
	return err
}

// AskJob stores a job that the running program is to do and returns its
// number. A command of another process may call it beside the program.
func (j *Journal) AskJob(job plant.Job) (int64, error) {
	if job.Kind == "" || job.By == "" {
		return 0, errors.New("ask for a job: it needs a kind and a name")
	}
	job.State = plant.JobAsked
	j.mu.Lock()
	defer j.mu.Unlock()
	err := inTx(context.Background(), j.w, func(tx *sql.Tx) error {
		res, err := tx.Exec(`INSERT INTO jobs (kind, state, body) VALUES (?, ?, '')`, job.Kind, string(job.State))
		if err != nil {
			return err
		}
		if job.ID, err = res.LastInsertId(); err != nil {
			return err
		}
		return putBody(tx, "jobs", job.ID, job)
	})
	if err != nil {
		return 0, fmt.Errorf("ask for a job: %w", err)
	}
	return job.ID, nil
}

// UpdateJob stores how far a job is. A job that has ended stays as it is, and
// the error is ErrJobEnded: so somebody who cancels it is heard.
func (j *Journal) UpdateJob(job plant.Job) error {
	body, err := json.Marshal(job)
	if err != nil {
		return err
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	res, err := j.w.Exec(`UPDATE jobs SET state = ?, body = ? WHERE id = ? AND state IN (?, ?)`,
		string(job.State), string(body), job.ID, string(plant.JobAsked), string(plant.JobRunning))
	if err != nil {
		return fmt.Errorf("store job %d: %w", job.ID, err)
	}
	if n, _ := res.RowsAffected(); n == 0 {
		return fmt.Errorf("store job %d: %w", job.ID, ErrJobEnded)
	}
	return nil
}

// ErrJobEnded is why a job cannot be changed any more.
var ErrJobEnded = errors.New("the job has ended, or there is none of this number")

// Jobs lists jobs by number; open ones only (asked or running) if so wanted.
// After a start a running one is one that was interrupted.
func (j *Journal) Jobs(ctx context.Context, open bool) ([]plant.Job, error) {
	jobs, err := rowsOf(ctx, j.r, bodyOf[plant.Job], `SELECT body FROM jobs WHERE NOT ? OR state IN (?, ?) ORDER BY id`,
		open, string(plant.JobAsked), string(plant.JobRunning))
	if err != nil {
		return nil, fmt.Errorf("read jobs: %w", err)
	}
	return jobs, nil
}
