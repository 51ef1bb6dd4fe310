package console

import (
	"context"
	"io"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
	"calandria/thermo/pan"
)

// Backend is what the console needs from the program. All methods may be
// called by several goroutines at once.
type Backend interface {
	// House is the equipment and its tags; it never changes while the console
	// runs.
	House() *plant.House
	// Specs are the alarm definitions in force.
	Specs() []plant.AlarmSpec
	// Picture is the latest picture, nil before the first scan.
	Picture() *engine.Picture
	// Changed returns a channel that is closed when there is a newer picture
	// than the one Picture returns now. Take the channel first, then the
	// picture, and none is missed.
	Changed() <-chan struct{}
	// Do carries out an operator's command; a refusal is an
	// *alerting.Refusal and has been journalled. With engine.ErrNotOnRecord it was
	// done, but the journal has not taken it yet.
	Do(ctx context.Context, c alerting.Command) error
	// Trend reads the archive: at most points buckets of equal length between
	// from and to, each with its smallest and largest value, so that spikes
	// survive. Buckets without a value are left out.
	Trend(ctx context.Context, path string, from, to time.Time, points int) ([]plant.Bucket, error)
	// WriteSeries writes history as the query asks; cursor is where it goes on if
	// its limit was reached. One that cannot be is a [*plant.QueryError].
	WriteSeries(ctx context.Context, w io.Writer, q plant.SeriesQuery) (cursor string, err error)
	// SeriesMark names the state of what the query asks for; "" while that may
	// still change.
	SeriesMark(q plant.SeriesQuery) string
	// Aggregates are the names of those of OPC 10000-13.
	Aggregates() []string
	// Head is number and hash of the journal's last line.
	Head() (seq uint64, hash string)
	// Views are the saved views of the trends, of everybody and of each person.
	Views(ctx context.Context) ([]TrendView, error)
	// KeepView stores one, or drops it.
	KeepView(ctx context.Context, v TrendView, drop bool) error
	// Choice is what a person chose to see, and KeepChoice stores it; "" for nothing.
	Choice(ctx context.Context, person string) (string, error)
	KeepChoice(ctx context.Context, person, choice string) error
	// Events reads the journal, newest first.
	Events(ctx context.Context, f plant.EventFilter) ([]plant.Event, error)

	// Scales tells where the bodies of a set stand between two cleanings.
	Scales(ctx context.Context, set string) ([]thermo.Scale, error)
	// PlanCleanings proposes the cleanings of a set. What cannot be planned is a
	// [*engine.Refused].
	PlanCleanings(ctx context.Context, w thermo.CleaningWish) (thermo.CleaningProposal, error)
	// WhatIf predicts what becomes of a set. What cannot be predicted is a
	// [*engine.Refused].
	WhatIf(ctx context.Context, x thermo.Supposition) (thermo.Outlook, error)
	// RecordCleaning stores a cleaning that was done, journals it and lets the
	// trend of the body begin anew. One that cannot be is a [*engine.Refused], and
	// nothing was recorded.
	RecordCleaning(ctx context.Context, c plant.Cleaning) error
	// Cleanings lists the recorded cleanings that touch a time, by start; all
	// bodies if body is empty.
	Cleanings(ctx context.Context, body string, from, to time.Time) ([]plant.Cleaning, error)
	// Declare takes a stop of a set, or a body taken out, as planned until its end, and
	// journals it; one that ends at once ends what was declared. One that cannot be is a
	// [*engine.Refused].
	Declare(ctx context.Context, p thermo.Planned, station string) error
	// Declared lists what is planned and has not ended.
	Declared(ctx context.Context) ([]thermo.Planned, error)
	// Strikes tells each batch pan's running strike and the one to compare with.
	Strikes(ctx context.Context) ([]PanStrikes, error)
	// StrikeRecords lists recorded strikes, newest first, each against the strike to
	// compare with.
	StrikeRecords(ctx context.Context, f plant.StrikeFilter) ([]Strike, error)
	// ChooseReference sets which strike a pan's strikes are compared with, and
	// journals it. One that cannot be is a [*engine.Refused].
	ChooseReference(ctx context.Context, c ReferenceChoice) error
	// RecordPurities makes the balance of a recorded strike anew with what the
	// laboratory found, and journals it. What cannot be is a [*engine.Refused].
	RecordPurities(ctx context.Context, l StrikeLab) error
	// Explain says what an alarm's condition is made of and how it stands. An
	// alarm that is not there is a [*engine.Refused].
	Explain(ctx context.Context, alarm string) (rules.Explanation, error)
	// Note journals an operator's remark: source, text, user and station of the event. Its
	// kind may be that of a task, or that one is done.
	Note(ctx context.Context, e plant.Event) error

	// Past lists corrections and jobs, the oldest first.
	Past(ctx context.Context) (Past, error)
	// Correct puts a correction on record and lets what depends on it be
	// calculated again. One that cannot be is a [*engine.Refused].
	Correct(ctx context.Context, c plant.Correction) error
	// WithdrawCorrection takes one back, likewise.
	WithdrawCorrection(ctx context.Context, id int64, by, why string) error
	// Recalculate asks for a stretch to be calculated again; no to is now.
	Recalculate(ctx context.Context, equipment string, from, to time.Time, by, why string) error
	// CancelJob ends a job; what was in force stays so.
	CancelJob(ctx context.Context, id int64, by string) error

	// RuleText tells how an alarm is written: what of it can be tried otherwise.
	// Where nothing can be tried it is a [*engine.Refused].
	RuleText(ctx context.Context, alarm string) (*rules.Written, error)
	// Try checks other figures of an alarm and, in the background, works out on
	// the archive how often it would have come. Nothing is changed by it. What
	// cannot be tried is a [*engine.Refused].
	Try(ctx context.Context, w engine.TrialWish) error
	// Trial gives the newest trial of an alarm, running or over; nil: there is
	// none. busy is the alarm of which one is running, if any is.
	Trial(alarm string) (t *engine.Trial, busy string)
	// StopTrial ends the trial of an alarm if one is running.
	StopTrial(alarm string)
}

// PanStrikes is where one pan stands.
type PanStrikes struct {
	Pan     string  // path
	Usual   *Strike // the strike to compare with, nil while there is none
	Chosen  bool    // somebody chose it; else it is the most ordinary of the last ten whole ones
	By      string  // who
	Running *Strike // nil between strikes
}

// ReferenceChoice is a strike that others of its pan and grade are compared with from now
// on; no Strike: the program chooses again for the pan.
type ReferenceChoice struct {
	Strike        int64
	Pan           string // path
	User, Station string
}

// Strike is a strike, recorded or running, with what is known around it.
type Strike struct {
	*pan.Strike
	ID        int64    // in the record; 0: it still runs
	Pan       string   // path
	Reference bool     // it is the strike to compare with
	Against   *Against // nil: there is nothing to compare with, or it is that itself
}

// Against sets a strike against another.
type Against struct {
	ID     int64 // of the other, 0 if it is not recorded
	Number int
	Start  time.Time
	Chosen bool // by somebody
	pan.Comparison
}

// StrikeLab is what the laboratory found of a strike, in %; NaN: nothing.
type StrikeLab struct {
	Strike                         int64
	MassecuitePurity, LiquorPurity float64
	MassecuiteBrix                 float64
	User, Station                  string
}
