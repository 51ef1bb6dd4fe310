package plant

import (
	"math"
	"time"

	"calandria/plant/words"
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
func (c *Correction) ReadAs(unit words.Text) words.Text {
	switch {
	case c.NotBelieved:
		return "as not to be believed"
	case c.Value != nil:
		return words.Say("as %s", amountOf(*c.Value, unit))
	case c.Offset == 0:
		return words.Say("times %g", c.Factor)
	}
	return words.Say("times %g plus %s", c.Factor, amountOf(c.Offset, unit))
}

func amountOf(v float64, unit words.Text) words.Text {
	if unit == "" {
		return words.Say("%g", v)
	}
	return words.Say("%g %s", v, unit)
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

// EventFilter selects entries of the journal. Zero fields select everything.
type EventFilter struct {
	AfterSeq  uint64 // only entries with a greater number
	BeforeSeq uint64 // only entries with a smaller number; 0: all
	From, To  time.Time
	Kinds     []EventKind
	// Match is looked for anywhere in the entry, without regard to case.
	Match  string
	Alarm  string
	Source string // path of an equipment: also its parts
	User   string
	Limit  int  // 0: no limit
	Newest bool // newest first
}

// Cleaning is one cleaning of a body. End is zero while it goes on.
type Cleaning struct {
	ID            int64
	Body          string // path of the body
	Start, End    time.Time
	Method        string // such as "caustic boil-out", in the site's words
	Note          string
	User, Station string // the station is in the journal only
}

// StrikeFilter selects recorded strikes. Zero fields select everything.
type StrikeFilter struct {
	ID         int64
	Pan, Grade string
	From, To   time.Time // of the end, half-open
	Limit      int       // the newest
}

// Bucket is what a tag did in one column of a trend. Min, Max, First, Last and
// Mean are over usable samples; where there is none, they are the value that holds
// from before, or NaN.
type Bucket struct {
	Start       time.Time
	Min, Max    float64
	First, Last float64
	Mean        float64 // weighted by time: a sample holds until the next
	Count       int64
	Bad         int64   // samples without a usable value: draw a gap
	PercentGood float64 // of the time with a usable value, 0..100 %
}
