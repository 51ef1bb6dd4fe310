package plant

import (
	"time"

	"calandria/plant/words"
)

// Truth is the outcome of a condition in three values. The zero value is
// Unknown: a condition whose deciding input is bad is neither true nor false.
type Truth int8

// The three values.
const (
	Unknown Truth = 0
	False   Truth = -1
	True    Truth = 1
)

// TruthOf turns a bool into a Truth.
func TruthOf(b bool) Truth {
	if b {
		return True
	}
	return False
}

// Not is Kleene's negation: Unknown stays Unknown.
func (t Truth) Not() Truth { return -t }

// String gives true, false or unknown.
func (t Truth) String() string { return [...]string{"false", "unknown", "true"}[t+1] }

// AlarmSpec is the rationalised definition of one alarm: what a master alarm
// database holds (ISA-18.2 clauses 6 and 9, IEC 62682). The rule files are
// where a site writes it; package rules reads it and package alerting runs it.
// An alarm without cause, consequence and response is refused at load.
type AlarmSpec struct {
	Name     string // unique, stable: the journal refers to it
	Formerly string // its name before, whose state it takes over; "" for none
	Title    string // one line: what is wrong
	Source   string // path of the equipment it belongs to, e.g. "EV.EV3"
	Area     string // operating position
	Priority Priority
	Class    string // "process", "instrument", "system", or the site's own

	Cause       string
	Consequence string
	Response    string        // what the operator does
	Verify      string        // how to check that it is real
	Hazard      string        // what can hurt someone, in general words
	Procedure   string        // the site's own procedure; a placeholder until the site fills it in
	Topic       string        // what the procedure is about, as the site's list of procedures names it; "" if it names none
	Document    string        // file or address of the procedure; "" while the site has given none
	Respond     time.Duration // time to respond
	// Explain is the path of a calculated tag whose words say more of the alarm:
	// the suspect instrument, the cause of a lost vacuum. "" for none.
	Explain string

	// Setpoint and Unit describe a limit alarm; nil for a free condition. Limited is the
	// path of the tag that the limit is set to; "" if there is no one tag.
	Setpoint *float64
	Unit     string
	Limited  string

	OnDelay  time.Duration
	OffDelay time.Duration
	Latching bool
	Confirm  bool          // a second step after acknowledging
	Realarm  time.Duration // 0: never
	// HighlyManaged alarms are never suppressed automatically.
	HighlyManaged bool
	NoShelving    bool
	MaxShelve     time.Duration // 0: no limit
	Group         string        // first-up group; "" for none
	// ConsequenceOf names alarms that explain this one: while one of them is
	// active this one may be suppressed by design.
	ConsequenceOf []string

	// Written has the texts above as the rule file has them, with what stands for the
	// names in braces, by what they came to.
	Written map[string]words.Text `json:"-" state:"-"`

	File string // where it was defined
	Line int
}

// Said is one of the texts of the alarm for a reader of any language.
func (a *AlarmSpec) Said(text string) words.Text {
	if t, ok := a.Written[text]; ok {
		return t
	}
	return words.Verbatim(text)
}

// Procedure is a document of the site, for people who act on an alarm.
type Procedure struct {
	Topic, Title, Revision string
	Document               string // a file, or an address of the site's own server

	File string // where it was named
	Line int
}

// AlarmInput is what an alarm's condition says at one moment.
type AlarmInput struct {
	Time time.Time
	// Raise is True while the condition for raising holds (beyond the
	// setpoint), Hold while an active alarm must stay (beyond the setpoint
	// less the deadband). Raise True implies Hold True.
	Raise, Hold Truth
	Quality     Quality // worst quality of the deciding inputs
	Value       float64 // value that decides, NaN if there is none
}
