package plant

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Correction says how the values of one measured tag are to be read over a
// stretch of time: times a factor plus an offset, not to be believed, or
// another value. The archive keeps the raw value; who reads raw values for
// calculation applies it.
type Correction struct {
	ID       int64  // of the record; 0 before it is stored
	Tag      string // path
	From, To time.Time
	// To is zero while the correction goes on: until it is ended or withdrawn.

	Factor      float64  // 1 for none; not used with NotBelieved or Value
	Offset      float64  // in the tag's unit
	NotBelieved bool     // the values count as Bad_SensorFailure
	Value       *float64 // what they are read as, in the tag's unit

	By, Reason string
	At         time.Time // when it was made

	Withdrawn       time.Time // zero while it is in force
	WithdrawnBy     string
	WithdrawnReason string
}

// Covers reports whether the correction is in force for values of the time.
func (c *Correction) Covers(t time.Time) bool {
	return c.Withdrawn.IsZero() && !t.Before(c.From) && (c.To.IsZero() || t.Before(c.To))
}

// Apply returns the point as it is to be read. It does not look at the time:
// see Covers. A Bad value stays Bad unless another value is given in its place,
// which is then Uncertain_SubstituteValue.
func (c *Correction) Apply(p Point) Point {
	switch {
	case c.NotBelieved:
		return BadPoint(p.Time, BadSensorFailure)
	case c.Value != nil:
		return Point{Time: p.Time, Value: *c.Value, Quality: UncertainSubstituted}
	case p.Quality.IsBad() || math.IsNaN(p.Value):
		return p
	}
	p.Value = p.Value*c.Factor + c.Offset
	return p
}

// ReadAs says how the values are to be read, in the tag's unit.
func (c *Correction) ReadAs(unit string) string {
	switch {
	case c.NotBelieved:
		return "as not to be believed"
	case c.Value != nil:
		return strings.TrimSpace(fmt.Sprintf("as %g %s", *c.Value, unit))
	case c.Offset == 0:
		return fmt.Sprintf("times %g", c.Factor)
	}
	return strings.TrimSpace(fmt.Sprintf("times %g plus %g %s", c.Factor, c.Offset, unit))
}

// JobState says how far a Job is.
type JobState string

// States of a job.
const (
	JobAsked     JobState = "asked"
	JobRunning   JobState = "running" // after a restart: interrupted
	JobDone      JobState = "done"
	JobFailed    JobState = "failed"
	JobCancelled JobState = "cancelled"
)

// Job is a long piece of work that somebody has asked the running program
// for, such as to calculate a stretch of the past again.
type Job struct {
	ID       int64
	Kind     string // such as "recalculate"
	From, To time.Time
	Args     string // JSON, as the kind needs it
	By, Why  string
	State    JobState
	Reached  time.Time // time in the past that it has come to
	Text     string    // how it goes, or why it failed, for a person
	Asked    time.Time
	Ended    time.Time // zero while it is asked or runs
}
