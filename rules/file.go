package rules

import (
	"time"

	"calandria/plant"
)

// ruleFile is a rule file as it is written; deploy/rules/README.md describes it.
type ruleFile struct {
	Title    string                         `yaml:"title"`
	Area     string                         `yaml:"area"`
	Derived  []derivedRule                  `yaml:"derived"`
	Alarms   []alarmRule                    `yaml:"alarms"`
	Override map[string]map[string]override `yaml:"override"`

	Procedures map[string]procedureText `yaml:"procedures"`
}

type derivedRule struct {
	Name      string            `yaml:"name"`
	For       string            `yaml:"for"`
	Where     string            `yaml:"where"`
	Meaning   string            `yaml:"meaning"`
	Unit      string            `yaml:"unit"`
	Dimension plant.Dimension   `yaml:"dimension"`
	Expr      string            `yaml:"expr"`
	Limits    map[string]string `yaml:"limits"`
}

type alarmRule struct {
	Name  string `yaml:"name"`
	Title string `yaml:"title"`
	// Formerly is the rule's name before: its alarms take over the states.
	Formerly string `yaml:"formerly"`
	For      string `yaml:"for"`
	Where    string `yaml:"where"`

	Source string `yaml:"source"`
	Class  string `yaml:"class"`

	Tag string `yaml:"tag"`
	figures
	From      string        `yaml:"from"`
	Over      time.Duration `yaml:"over"`
	Direction string        `yaml:"direction"`

	When         string `yaml:"when"`
	OnlyWhen     string `yaml:"only_when"`
	ReturnWhen   string `yaml:"return_when"`
	SuppressWhen string `yaml:"suppress_when"`
	// SuppressReason says why nobody needs the alarm then; an urgent one must say.
	SuppressReason string `yaml:"suppress_reason"`
	Value          string `yaml:"value"`

	OnDelay  time.Duration `yaml:"on_delay"`
	OffDelay time.Duration `yaml:"off_delay"`

	Cause       string `yaml:"cause"`
	Consequence string `yaml:"consequence"`
	Verify      string `yaml:"verify"`
	Hazard      string `yaml:"hazard"`
	Explain     string `yaml:"explain"`

	Latching      bool          `yaml:"latching"`
	Confirm       bool          `yaml:"confirm"`
	Realarm       time.Duration `yaml:"realarm"`
	HighlyManaged bool          `yaml:"highly_managed"`
	NoShelving    bool          `yaml:"no_shelving"`
	MaxShelve     time.Duration `yaml:"max_shelve"`
	ConsequenceOf []string      `yaml:"consequence_of"`

	Override map[string]override `yaml:"override"`
}

// figures are what a rule states and a site may state otherwise for some equipment.
type figures struct {
	High      string            `yaml:"high"`
	HighHigh  string            `yaml:"high_high"`
	Low       string            `yaml:"low"`
	LowLow    string            `yaml:"low_low"`
	Deviation string            `yaml:"deviation"`
	Rate      string            `yaml:"rate"`
	Limits    map[string]string `yaml:"limits"`
	Unit      string            `yaml:"unit"`
	Reference plant.Reference   `yaml:"reference"`
	Deadband  string            `yaml:"deadband"`

	Severity       string        `yaml:"severity"`
	Respond        time.Duration `yaml:"time_to_respond"`
	Priority       string        `yaml:"priority"`
	PriorityReason string        `yaml:"priority_reason"`
	Response       string        `yaml:"response"`
	Procedure      string        `yaml:"procedure"`
	Area           string        `yaml:"area"`
	Group          string        `yaml:"group"`
}

// override is what a site may change of a rule for some equipment.
type override struct {
	figures
	Enabled  *bool          `yaml:"enabled"`
	OnDelay  *time.Duration `yaml:"on_delay"`
	OffDelay *time.Duration `yaml:"off_delay"`
	Realarm  *time.Duration `yaml:"realarm"`
}
