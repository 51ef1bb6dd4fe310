package console

import (
	"context"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
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
	Picture() *Picture
	// Changed returns a channel that is closed when there is a newer picture
	// than the one Picture returns now. Take the channel first, then the
	// picture, and none is missed.
	Changed() <-chan struct{}
	// Do carries out an operator's command; a refusal is an
	// *alerting.Refusal and has been journalled.
	Do(ctx context.Context, c alerting.Command) error
	// Trend reads the archive: at most points buckets of equal length between
	// from and to, each with its smallest and largest value, so that spikes
	// survive. Buckets without a value are left out.
	Trend(ctx context.Context, path string, from, to time.Time, points int) (Series, error)
	// Events reads the journal, newest first.
	Events(ctx context.Context, f EventFilter) ([]plant.Event, error)

	// Scales tells where the bodies of a set stand between two cleanings.
	Scales(ctx context.Context, set string) ([]Scale, error)
	// PlanCleanings proposes the cleanings of a set. What cannot be planned is a
	// [*Refused].
	PlanCleanings(ctx context.Context, w PlanWish) (CleaningPlan, error)
	// RecordCleaning stores a cleaning that was done, journals it and lets the
	// trend of the body begin anew. One that cannot be is a [*Refused], and
	// nothing was recorded.
	RecordCleaning(ctx context.Context, c Cleaning) error
	// Cleanings lists the recorded cleanings that touch a time, by start; all
	// bodies if body is empty.
	Cleanings(ctx context.Context, body string, from, to time.Time) ([]Cleaning, error)
	// Strikes tells each batch pan's running strike and the one to compare with.
	Strikes(ctx context.Context) ([]PanStrikes, error)
	// StrikeRecords lists recorded strikes, newest first, each against the strike to
	// compare with.
	StrikeRecords(ctx context.Context, f StrikeFilter) ([]StrikeRecord, error)
	// ChooseReference sets which strike a pan's strikes are compared with, and
	// journals it. One that cannot be is a [*Refused].
	ChooseReference(ctx context.Context, c ReferenceChoice) error
	// RecordPurities makes the balance of a recorded strike anew with what the
	// laboratory found, and journals it. What cannot be is a [*Refused].
	RecordPurities(ctx context.Context, l StrikeLab) error
	// Explain says what an alarm's condition is made of and how it stands. An
	// alarm that is not there is a [*Refused].
	Explain(ctx context.Context, alarm string) (Explanation, error)
	// AddNote journals an operator's note.
	AddNote(ctx context.Context, n Note) error

	// RuleText tells how an alarm is written: what of it can be tried otherwise.
	// Where nothing can be tried it is a [*Refused].
	RuleText(ctx context.Context, alarm string) (RuleText, error)
	// Try checks other figures of an alarm and, in the background, works out on
	// the archive how often it would have come. Nothing is changed by it. What
	// cannot be tried is a [*Refused].
	Try(ctx context.Context, w TrialWish) error
	// Trial gives the newest trial of an alarm, running or over; nil: there is
	// none. busy is the alarm of which one is running, if any is.
	Trial(alarm string) (t *Trial, busy string)
	// StopTrial ends the trial of an alarm if one is running.
	StopTrial(alarm string)
}

// What is tried, and what is refused, is what the engine says.
type (
	Refused   = engine.Refused
	TrialWish = engine.TrialWish
	Trial     = engine.Trial
	TrialSide = engine.TrialSide
	HourCount = engine.HourCount
)

// Picture is everything the pages show at one moment. It is never changed once
// handed out, nor is anything that it points to.
type Picture struct {
	At    time.Time    // when the loop made it, by the wall clock
	Seq   uint64       // journal number of the last event it contains
	Frame *plant.Frame // a copy of the loop's frame

	// Reasons says why a calculated value is absent, in words.
	Reasons map[plant.TagID]string
	// How says how a value was obtained where there is more to say than its
	// source: "balanced from flow and Brix", "assumed".
	How map[plant.TagID]string
	// Sigma is one standard deviation of a value in the tag's unit. Tags that
	// are not in it use the stated accuracy of their instrument.
	Sigma map[plant.TagID]float64

	Alarms  []alerting.Status
	Sources []SourceHealth
	Health  []HealthLine
	Strikes []Strike

	Suspects []Suspect // instruments that contradict the others, the worst first
	Vacuum   []Vacuum  // of each condenser
}

// Suspect is an instrument that contradicts the others: a hint where to send
// somebody, never a reason to correct a reading.
type Suspect struct {
	Set   string   // path
	What  string   // such as "EV3 vapour pressure"
	Tags  []string // its tag, or those that it is worked out from
	Bias  float64  // by how much it seems to read too high, in Unit
	Sigma float64  // one standard deviation of Bias
	Rough bool     // Bias says no more than the direction
	Z     float64  // of the test: how surely
	Unit  string
	Alike []string // tags that would explain the contradiction nearly as well
	Since time.Time
	Text  string // all of it in one sentence
}

// Vacuum says why the vacuum of a condenser is not as it usually is.
type Vacuum struct {
	Condenser string // path
	At        time.Time
	OK        bool
	Unusual   bool          // what it says is worth saying
	Reason    string        // why there is no diagnosis, without OK
	Learned   time.Duration // of running that normal was learned from; 0: it is configured
	RiseKPa   float64       // pressure above normal
	RiseK     float64       // vapour temperature above normal

	Causes       []VacuumCause // by how much each explains
	UnexplainedK float64       // beyond what the first explains
}

// VacuumCause is one cause, with what it explains and the numbers behind it.
type VacuumCause struct {
	Cause                  string
	ExplainsK, ExplainsKPa float64
	Evidence               []Evidence
	CheckFirst             string
	Doubt                  string // what is not measured and would decide
}

// Evidence is one number behind a cause.
type Evidence struct {
	What        string
	Now, Normal float64
	Unit        string
}

// SourceHealth is the state of one data source, such as an OPC UA server.
type SourceHealth struct {
	Name      string
	Connected bool
	Since     time.Time // of the present state
	Text      string    // one line for a person, may be empty
}

// HealthLine is a fact about the program itself: archive, journal, forwarder.
type HealthLine struct {
	Name string
	OK   bool
	Text string
}

// Strike is the strike in progress in one pan, for the strike ribbon.
type Strike struct {
	Pan      string // path of the pan
	Started  time.Time
	Expected time.Duration // usual length; 0 takes the pan's configuration
	// Phases in order: those over, the present one, and those to come.
	Phases []StrikePhase
	// Profile is its supersaturation so far; empty: the archive is asked.
	Profile []StrikePoint
}

// StrikePhase is one phase of a strike. A phase to come has no Start, the
// present one no End.
type StrikePhase struct {
	Name       string
	Start, End time.Time
	Expected   time.Duration // usual length, 0 if not known
}

// Series is a stretch of one tag's history.
type Series struct {
	Path     string
	Unit     string
	From, To time.Time
	Buckets  []Bucket // in order of time
}

// Bucket sums up the values of one short time.
type Bucket struct {
	Time           time.Time // beginning
	Min, Max, Mean float64   // in the tag's unit
	// Doubt is set when a value in it was Uncertain or Bad.
	Doubt bool
}

// EventFilter selects journal entries. Zero fields select everything.
type EventFilter struct {
	After, Before uint64 // journal numbers, both exclusive
	From, To      time.Time
	Kinds         []plant.EventKind
	// Match is looked for, without regard to case, in alarm, source, user,
	// reason, comment and text.
	Match string
	Limit int // at most this many; the console always sets it
}

// Scale is where one body stands between two cleanings.
type Scale struct {
	Body    string    // path
	Started time.Time // of the running cycle
	Cleaned bool      // Started is a cleaning, and not just the first value
	CleanU  float64   // the reference of the limit, kW/(m2.K); 0 if not known
	Limit   float64   // share of CleanU at which cleaning is due, 0 to 1
	// Status is expected, reached, beyond horizon, too early to say or no data.
	Status            string
	Due, Early, Late  time.Time // zero where open or not in sight
	Confidence        float64   // of the band from Early to Late, 0 to 1
	U                 float64   // the trend now, kW/(m2.K)
	RatePct, SigmaPct float64   // growth of scale, % of clean 1/U a day, and its sigma
	Values, Cycles    int       // hourly values and earlier cycles it rests on
	FromEarlierPct    float64   // share of the rate that rests on earlier cycles
	Law               string    // by which scale grows
	Follows           string    // how U is taken to one condition
	Suspect           bool      // U fell faster than scale can grow
	Note              string    // what weakens the answer
}

// PlanWish is what a plan of cleanings is asked for with. Zero fields take the
// program's defaults.
type PlanWish struct {
	Set      string
	Days     int      // 1 to 45
	Stops    []string // days on which the mill stands: 2026-12-24 or 2026-12-24/2026-12-26
	NoCrew   []string // weekdays without a cleaning crew: sat
	Hours    float64  // length of a cleaning, h
	LossCost float64  // of 1 % of U lost, a day
	Cost     float64  // of a cleaning
	OffCost  float64  // of an hour without the body
}

// CleaningPlan is a proposal.
type CleaningPlan struct {
	Wish           PlanWish // with the defaults filled in
	Notice         string   // stands wherever the plan is shown
	Start          time.Time
	Lines          []PlanLine
	Cost, CostNone float64  // with the plan, and without any cleaning
	Overdue        []string // what the plan cannot keep
	Assumed        []string // what it rests on
	CSV, Calendar  []byte   // the plan as a table (RFC 4180) and as iCalendar (RFC 5545)
}

// PlanLine is one proposed cleaning.
type PlanLine struct {
	Body        string
	Day         time.Time
	Hours       float64
	First, Last time.Time // days to which it may be moved at little cost
	Latest      time.Time // last day before a limit, zero if none is in sight
	Binding     string    // that limit
	WaitCost    float64   // of putting it off by a day
	RatioBefore float64   // U over clean U that morning
	Stop        string    // the mill stop it uses
}

// Cleaning is one cleaning that was done.
type Cleaning struct {
	Body          string // path
	Start, End    time.Time
	Method, Note  string
	User, Station string
}

// PanStrikes is where one pan stands.
type PanStrikes struct {
	Pan     string        // path
	Usual   *StrikeRecord // the strike to compare with, nil while there is none
	Chosen  bool          // somebody chose it; else it is the most ordinary of the last ten whole ones
	By      string        // who
	Running *StrikeRecord // nil between strikes
}

// StrikeFilter selects recorded strikes. Zero fields select everything.
type StrikeFilter struct {
	ID         int64
	Pan, Grade string
	From, To   time.Time // of the end
	Limit      int       // the newest; the console always sets it
}

// ReferenceChoice is a strike that others of its pan and grade are compared with from now
// on; no Strike: the program chooses again for the pan.
type ReferenceChoice struct {
	Strike        int64
	Pan           string // path
	User, Station string
}

// StrikeLab is what the laboratory found of a strike, in %; NaN: nothing.
type StrikeLab struct {
	Strike                         int64
	MassecuitePurity, LiquorPurity float64
	MassecuiteBrix                 float64
	User, Station                  string
}

// StrikeRecord is a strike. Figures that are not known are NaN.
type StrikeRecord struct {
	ID                int64 // in the record; 0: it still runs
	Pan, Grade        string
	Number            int
	Start, End        time.Time
	Whole             bool // seen from charge to drop without a gap
	Phases            []StrikePhase
	Figures           []PhaseComparison // by phase, each once; nothing of another strike
	WaterT            float64           // water evaporated, t
	LackingHours      float64           // of boiling, for which that was not known
	MaxS              float64           // highest supersaturation, 1
	FalseGrainMinutes float64           // above the metastable zone after feed on
	DissolvingMinutes float64           // below saturation in the same time
	DropBrix, DropC   float64           // massecuite at the drop, Bx and degC
	DropLevel         float64           // %
	DropLiquor        float64           // Brix of the mother liquor at the drop
	CrystalPct        float64           // on massecuite at the drop, by both Brix
	Balance           StrikeBalance
	Notes             []string
	Profile           []StrikePoint
	Against           *StrikeComparison // nil: there is nothing to compare with, or it is that itself
	Reference         bool              // it is the strike to compare with
}

// StrikeBalance is the balance at the end of a strike; NaN where it cannot be told.
type StrikeBalance struct {
	MassecuitePurity, LiquorPurity float64 // %
	MassecuiteBrix                 float64 // by the laboratory
	Assumed                        bool    // the purity of the liquor is as configured
	By                             string  // who gave them; empty: the tags
	CrystalOnSolidsPct, CrystalPct float64 // by the purities
	LiquorBrix, Supersaturation    float64 // that go with it
	RecoveryPct                    float64 // of the sucrose, as crystal
	FootingT, FeedT, MassecuiteT   float64 // t, by the solids
	CrystalT, WaterT               float64
	Doubts                         []string
}

// StrikeComparison sets a strike against another.
type StrikeComparison struct {
	ID       int64 // of the other, 0 if it is not recorded
	Number   int
	Start    time.Time
	Chosen   bool
	Phases   []PhaseComparison
	Findings []string // plain words, the most telling first
}

// PhaseComparison is one phase of both; a time of 0: it had none. NaN where not known.
type PhaseComparison struct {
	Name              string
	Running           bool
	Took, Usual       time.Duration
	Brix, UsualBrix   float64 // of the massecuite at the end
	S, UsualS         float64 // at the end
	U, UsualU         float64 // median, kW/(m2.K)
	Water, UsualWater float64 // evaporated, t
}

// StrikePoint is one moment of a strike; NaN where it was not known.
type StrikePoint struct {
	At                        time.Time
	Phase                     string
	S                         float64
	Level, Pressure, C        float64 // %, kPa, degC
	Brix, Consistency, Liquor float64 // Bx, %, Bx
	Evaporation, U            float64 // t/h, kW/(m2.K)
}

// Explanation says what an alarm's condition is made of and how it stands.
type Explanation struct {
	Alarm    string
	At       time.Time
	Words    string      // the condition, with its delays
	Truth    plant.Truth // of the condition now
	Parts    []ExplainPart
	Reads    []ExplainInput
	Suppress ExplainBranch // suppress_when; no words: there is none
	Only     ExplainBranch // only_when; likewise
	Waits    []string      // what stands between now and the alarm
	Fault    string        // what is wrong with the rule itself
	File     string        // name of the rule file, without folders
	Line     int
}

// ExplainBranch is a further condition of an alarm.
type ExplainBranch struct {
	Words string
	Truth plant.Truth
	Parts []ExplainPart
}

// ExplainPart is one comparison; its sides are NaN where they are bad.
type ExplainPart struct {
	Words       string
	Truth       plant.Truth
	Left, Right float64
	Unit        string
	Against     bool // being true keeps the condition from being so
}

// ExplainInput is one value that a condition reads.
type ExplainInput struct {
	Words, Path string
	Value       float64 // NaN if bad
	Unit        string
	Quality     plant.Quality
	Age         time.Duration // -1: there is no value yet
}

// RuleText is how an alarm is written in the rule files.
type RuleText struct {
	Alarm   string
	Vessel  string // the rule stands for vessels, and this is the alarm's; else ""
	Vessels int
	Unit    string // of limit and deadband, "" if they have none
	Figures []RuleFigure
}

// RuleFigure is one figure or condition that can be tried otherwise.
type RuleFigure struct {
	Key  string // as in the rule file: high, deadband, on_delay, limits.usual, when
	Text string // "" if it is not stated
	File string // without folders
	Line int
}

// Note is an operator's remark.
type Note struct {
	Source        string // path of the equipment, "" for the house
	Text          string
	User, Station string
}
