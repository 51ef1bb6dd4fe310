package engine

import (
	"cmp"
	"fmt"
	"maps"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
)

// ScenarioFile is a file of scenarios as it is written; docs/scenarios.md
// describes it. What stands at the head holds for each scenario that does not
// say otherwise.
type ScenarioFile struct {
	About string   `yaml:"about"`
	Plant string   `yaml:"plant"` // file, counted from the folder of this one
	Rules []string `yaml:"rules"` // files or patterns; none: those of the plant file
	Usual []string `yaml:"usual"` // tables of usual readings; a later one wins

	Before     time.Duration `yaml:"before"`      // usual running before time 0
	ScanBefore time.Duration `yaml:"scan_before"` // default 1m
	Scan       time.Duration `yaml:"scan"`        // default 10s
	Lasts      time.Duration `yaml:"lasts"`
	Seed       int           `yaml:"seed"`
	Start      string        `yaml:"start"` // date and time of time 0, RFC 3339
	Mill       *MillWish     `yaml:"mill"`

	Scenarios []Scenario `yaml:"scenarios"`

	doc   *plant.Document
	start time.Time
	usual map[string]*change
	house *plant.House
	rules []rules.File
}

// ScenarioFiles reads the files that a name or pattern means, in order of name;
// an error if there are none.
type ScenarioFiles func(pattern string) ([]rules.File, error)

// LoadScenarios reads a file of scenarios and what it names.
func LoadScenarios(name string, read ScenarioFiles) (*ScenarioFile, error) {
	one, err := read(name)
	if err != nil {
		return nil, err
	}
	f, err := ParseScenarios(name, one[0].Data)
	if err != nil {
		return nil, err
	}
	var faults plant.Faults
	get := func(field, from, pattern string) []rules.File {
		if !filepath.IsAbs(pattern) {
			pattern = filepath.Join(filepath.Dir(from), pattern)
		}
		files, err := read(pattern)
		if err != nil {
			faults = append(faults, f.doc.Fault(field, words.Of(err), "paths count from the folder of this file"))
		}
		return files
	}
	if p := get("plant", name, f.Plant); len(p) > 0 {
		if f.house, err = plant.Load(p[0].Name, p[0].Data); err != nil {
			return nil, err
		}
		patterns, from := f.Rules, name
		if len(patterns) == 0 {
			patterns, from = f.house.Config.Rules, p[0].Name
		}
		for _, p := range patterns {
			f.rules = append(f.rules, get("rules", from, p)...)
		}
	}
	for i := -1; i < len(f.Scenarios); i++ {
		field, names := "usual", f.Usual
		if i >= 0 {
			field, names = f.Scenarios[i].field+".usual", f.Scenarios[i].Usual
		}
		for _, n := range names {
			for _, u := range get(field, name, n) {
				if err := f.addUsual(i, u.Name, u.Data); err != nil {
					return nil, err
				}
			}
		}
	}
	return f, faults.Err()
}

// core makes the engines for one run.
func (f *ScenarioFile) core() (*Core, error) {
	return New(f.house, f.rules, rules.Options{})
}

// MillWish asks for the demonstration's mill in place of a table of readings.
type MillWish struct {
	Seed int     `yaml:"seed"`
	Days float64 `yaml:"days"` // in service since the last cleaning
}

// Scenario is one run: what happens, and what is to come of it.
type Scenario struct {
	Name       string        `yaml:"name"`
	Usual      []string      `yaml:"usual"` // over those of the head
	Before     time.Duration `yaml:"before"`
	ScanBefore time.Duration `yaml:"scan_before"`
	Scan       time.Duration `yaml:"scan"`
	Lasts      time.Duration `yaml:"lasts"`
	Seed       int           `yaml:"seed"`
	Happens    []Happening   `yaml:"happens"`
	Expect     Expected      `yaml:"expect"`

	file    *ScenarioFile
	field   string
	usual   map[string]*change
	changes []*change // in order of time
	clocks  []*change // the same, of clocks
}

// Happening is what changes at one moment.
type Happening struct {
	At       time.Duration     `yaml:"at"`
	Signals  map[string]string `yaml:"signals"` // path or pattern: phrase
	Operator []OperatorDoes    `yaml:"operator"`
	// Planned stops of sets and outages of bodies that are declared: path, and for how long.
	Planned map[string]time.Duration `yaml:"planned"`
	// Clocks are set: of a server, of the signals of a path or pattern, or "own".
	Clocks map[string]string `yaml:"clocks"`
	Upset  string            `yaml:"upset"` // of the mill
	Full   bool              `yaml:"full"`  // at once at its full extent
	Clear  string            `yaml:"clear"` // upset that ends
}

// OperatorDoes is an action on an alarm.
type OperatorDoes struct {
	Name       string        `yaml:"name"`
	Does       string        `yaml:"does"` // an action of package alerting
	Alarm      string        `yaml:"alarm"`
	Reason     string        `yaml:"reason"`
	Comment    string        `yaml:"comment"`
	For        time.Duration `yaml:"for"` // of a timed shelving
	Authorised bool          `yaml:"authorised"`
	Refused    bool          `yaml:"refused"` // it is to be refused
}

// Expected is what is to come. Times count as those of the happenings; a span
// without from or to begins at time 0 and ends with the scenario.
type Expected struct {
	Calls     []ExpectedCall     `yaml:"calls"`
	NoCalls   []ExpectedCall     `yaml:"no_calls"`
	Returns   []ExpectedCall     `yaml:"returns"`
	Only      bool               `yaml:"only"` // no call but those under calls and may_call
	MayCall   []ExpectedCall     `yaml:"may_call"`
	AtMost    int                `yaml:"at_most"` // calls in all; 0: any number
	States    []ExpectedState    `yaml:"states"`
	Values    []ExpectedValue    `yaml:"values"`
	Strikes   []ExpectedPhase    `yaml:"strikes"`
	Forecasts []ExpectedForecast `yaml:"forecasts"`
}

// Span is from and to; To 0: to the end.
type span struct{ from, to time.Duration }

// ExpectedCall is an alarm that calls the operator, or is not to.
type ExpectedCall struct {
	Alarm   string         `yaml:"alarm"` // names, rules or patterns, separated by commas
	From    *time.Duration `yaml:"from"`
	To      *time.Duration `yaml:"to"`
	Says    string         `yaml:"says"`     // part of the words that explain it
	FirstUp *bool          `yaml:"first_up"` // it has the mark of its group, or has not
	Hidden  bool           `yaml:"hidden"`   // it comes, and the operator is not called
	Times   int            `yaml:"times"`    // 0: at least once
}

// ExpectedState is what state an alarm is in: its code or word.
type ExpectedState struct {
	Alarm string        `yaml:"alarm"`
	At    time.Duration `yaml:"at"`
	Is    string        `yaml:"is"`
}

// ExpectedValue bounds a tag, measured or calculated, in the unit that the
// program shows unless another is written.
type ExpectedValue struct {
	Tag   string         `yaml:"tag"`
	At    *time.Duration `yaml:"at"`
	From  *time.Duration `yaml:"from"`
	To    *time.Duration `yaml:"to"`
	Above string         `yaml:"above"`
	Below string         `yaml:"below"`
	Bad   bool           `yaml:"bad"` // it has no usable value
}

// ExpectedPhase is a phase of a strike that begins, or "end" of the strike.
type ExpectedPhase struct {
	Pan   string         `yaml:"pan"`
	Phase string         `yaml:"phase"`
	From  *time.Duration `yaml:"from"`
	To    *time.Duration `yaml:"to"`
}

// ExpectedForecast says when, by the forecast made at At, a body meets its
// cleaning limit.
type ExpectedForecast struct {
	Body string        `yaml:"body"`
	At   time.Duration `yaml:"at"`
	From time.Duration `yaml:"from"`
	To   time.Duration `yaml:"to"`
}

func (f *ScenarioFile) fault(faults *plant.Faults, field, problem, fix string) {
	*faults = append(*faults, f.doc.Fault(field, words.Verbatim(problem), words.Verbatim(fix)))
}

const (
	usualScan, usualScanBefore = 10 * time.Second, time.Minute
	mostScans                  = 2_000_000
)

// ParseScenarios reads a file of scenarios. All faults are reported at once, as
// [plant.Faults]. The names of tags and alarms are checked when it is run.
func ParseScenarios(name string, data []byte) (*ScenarioFile, error) {
	f := &ScenarioFile{}
	doc, faults := plant.DecodeYAML(name, data, f)
	f.doc = doc
	if len(faults) > 0 {
		return nil, faults.Err()
	}
	if f.Plant == "" {
		f.fault(&faults, "plant", "no plant file is named", "write plant: plant.yaml, counted from the folder of this file")
	}
	f.start = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	if f.Start != "" {
		var err error
		if f.start, err = time.Parse(time.RFC3339, f.Start); err != nil {
			f.fault(&faults, "start", fmt.Sprintf("%q is not a date and time", f.Start), "write for example 2026-05-04T06:00:00Z")
		}
	}
	f.Scan, f.ScanBefore = cmp.Or(f.Scan, usualScan), cmp.Or(f.ScanBefore, usualScanBefore)
	if f.Mill != nil && len(f.Usual) > 0 {
		f.fault(&faults, "mill", "both mill and usual are given", "keep one: the readings come from one of them")
	}
	if len(f.Scenarios) == 0 {
		f.fault(&faults, "scenarios", "there is no scenario", "write scenarios: with at least one entry that has name, happens and expect")
	}
	seen := map[string]bool{}
	for i := range f.Scenarios {
		s := &f.Scenarios[i]
		s.file, s.field = f, fmt.Sprintf("scenarios[%d]", i)
		if s.Name == "" || seen[s.Name] {
			f.fault(&faults, s.field+".name", "the scenario has no name of its own", "write in a few words what happens")
		}
		seen[s.Name] = true
		s.check(&faults)
	}
	if err := faults.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

// check completes a scenario from the head of its file and looks for faults
// that need no plant.
func (s *Scenario) check(faults *plant.Faults) {
	f := s.file
	s.Before, s.ScanBefore = cmp.Or(s.Before, f.Before), cmp.Or(s.ScanBefore, f.ScanBefore)
	s.Scan, s.Lasts, s.Seed = cmp.Or(s.Scan, f.Scan), cmp.Or(s.Lasts, f.Lasts), cmp.Or(s.Seed, f.Seed)
	at := func(part string) string { return s.field + "." + part }
	switch {
	case s.Lasts <= 0:
		f.fault(faults, at("lasts"), "the scenario has no length", "write lasts: 30m, here or at the head of the file")
	case s.Scan < 100*time.Millisecond || s.ScanBefore < 100*time.Millisecond:
		f.fault(faults, at("scan"), "the time between scans is under 100ms", "write for example scan: 10s")
	case s.Lasts/s.Scan+s.Before/s.ScanBefore > mostScans:
		f.fault(faults, at("lasts"), fmt.Sprintf("more than %d scans", mostScans), "make it shorter, or the scans rarer")
	}
	for i := range s.Happens {
		h := &s.Happens[i]
		field := fmt.Sprintf("%s.happens[%d]", s.field, i)
		if h.At > s.Lasts {
			f.fault(faults, field+".at", fmt.Sprintf("%s is after the end at %s", h.At, s.Lasts), "make the scenario last longer")
		}
		if i > 0 && h.At < s.Happens[i-1].At {
			f.fault(faults, field+".at", "it is before the entry above", "put the entries in order of time")
		}
		if (h.Upset != "" || h.Clear != "") && f.Mill == nil {
			f.fault(faults, field, "upset and clear need a mill", "write mill: {seed: 1, days: 3} at the head of the file")
		}
		for _, p := range slices.Sorted(maps.Keys(h.Signals)) {
			c, problem := parsePhrase(h.Signals[p])
			if problem != "" {
				f.fault(faults, field+".signals."+p, problem, phraseFix)
				continue
			}
			c.at, c.pattern, c.field = h.At, p, field+".signals."+p
			s.changes = append(s.changes, c)
		}
		for _, p := range slices.Sorted(maps.Keys(h.Clocks)) {
			c, problem := parseClock(h.Clocks[p])
			if problem != "" {
				f.fault(faults, field+".clocks."+p, problem, "write 1h ahead, 30s behind or right; then, if wanted, over 10m")
				continue
			}
			c.at, c.pattern, c.field = h.At, p, field+".clocks."+p
			s.clocks = append(s.clocks, c)
		}
		for k, o := range h.Operator {
			if !slices.Contains(operatorActions, alerting.Action(o.Does)) {
				f.fault(faults, fmt.Sprintf("%s.operator[%d].does", field, k), fmt.Sprintf("%q is not an action of the operator", o.Does), "one of "+strings.Trim(strings.ReplaceAll(fmt.Sprint(operatorActions), " ", ", "), "[]"))
			}
			if o.Name == "" {
				f.fault(faults, fmt.Sprintf("%s.operator[%d].name", field, k), "nobody does it", "write name: and who")
			}
		}
	}
	s.checkExpected(faults)
}

var operatorActions = []alerting.Action{alerting.Acknowledge, alerting.Confirm, alerting.Reset, alerting.TimedShelve, alerting.OneShotShelve,
	alerting.Unshelve, alerting.RemoveFromService, alerting.PlaceInService, alerting.Comment}

func (s *Scenario) checkExpected(faults *plant.Faults) {
	f, e := s.file, &s.Expect
	field := s.field + ".expect"
	spans := func(name string, from, to *time.Duration) {
		sp := s.span(from, to)
		if sp.to < sp.from || sp.to > s.Lasts {
			f.fault(faults, name, fmt.Sprintf("nothing lies between %s and %s", sp.from, sp.to), fmt.Sprintf("times run from 0 to %s", s.Lasts))
		}
	}
	moment := func(name string, at time.Duration) { spans(name, &at, nil) }
	for list, calls := range map[string][]ExpectedCall{"calls": e.Calls, "may_call": e.MayCall, "no_calls": e.NoCalls, "returns": e.Returns} {
		for i, c := range calls {
			name := fmt.Sprintf("%s.%s[%d]", field, list, i)
			spans(name, c.From, c.To)
			if c.Alarm == "" {
				f.fault(faults, name, "no alarm is named", `write alarm: and its name, a rule, or "*"`)
			}
		}
	}
	for i := range e.Values {
		v := &e.Values[i]
		name := fmt.Sprintf("%s.values[%d]", field, i)
		if v.At != nil {
			v.From, v.To = v.At, v.At
		}
		spans(name, v.From, v.To)
		if v.Above == "" && v.Below == "" && !v.Bad {
			f.fault(faults, name, "nothing is asked of it", "write above:, below:, both, or bad: true")
		}
	}
	for i, x := range e.States {
		moment(fmt.Sprintf("%s.states[%d]", field, i), x.At)
	}
	for i, x := range e.Forecasts {
		moment(fmt.Sprintf("%s.forecasts[%d]", field, i), x.At)
	}
	for i, x := range e.Strikes {
		spans(fmt.Sprintf("%s.strikes[%d]", field, i), x.From, x.To)
	}
	if !e.Only && e.AtMost == 0 && len(e.Calls)+len(e.NoCalls)+len(e.Returns)+len(e.States)+len(e.Values)+len(e.Strikes)+len(e.Forecasts) == 0 {
		f.fault(faults, field, "nothing is expected", "write what is to come under calls:, no_calls:, values: ...")
	}
}

func (s *Scenario) span(from, to *time.Duration) span {
	sp := span{0, s.Lasts}
	if from != nil {
		sp.from = *from
	}
	if to != nil {
		sp.to = *to
	}
	return sp
}

// usualFile is a table of what instruments read in usual running.
type usualFile struct {
	About  string            `yaml:"about"`
	Values map[string]string `yaml:"values"` // path or pattern: phrase
}

// addUsual reads a table of usual readings into the file, or into one of its
// scenarios alone (index from 0; -1: all).
func (f *ScenarioFile) addUsual(scenario int, name string, data []byte) error {
	var u usualFile
	doc, faults := plant.DecodeYAML(name, data, &u)
	if len(faults) > 0 {
		return faults.Err()
	}
	to := &f.usual
	if scenario >= 0 {
		to = &f.Scenarios[scenario].usual
	}
	if *to == nil {
		*to = map[string]*change{}
	}
	for _, p := range slices.Sorted(maps.Keys(u.Values)) {
		c, problem := parsePhrase(u.Values[p])
		if problem == "" && (c.kind != toValue || c.over > 0) {
			problem = "a usual reading is a value, with its noise"
		}
		if problem != "" {
			faults = append(faults, doc.Fault("values."+p, words.Verbatim(problem), "write for example 132.5 noise 0.4"))
			continue
		}
		c.pattern, c.field = p, "values."+p
		(*to)[p] = c
	}
	return faults.Err()
}

// covers reports whether one of the names or patterns, separated by commas,
// means a path: "*" means all, a name without a dot all alarms of that rule.
func covers(patterns, name string) bool {
	for p := range strings.SplitSeq(patterns, ",") {
		p = strings.TrimSpace(p)
		kind, _, _ := strings.Cut(name, ".")
		ok, err := path.Match(strings.ReplaceAll(p, ".", "/"), strings.ReplaceAll(name, ".", "/"))
		if p == "*" || p == name || p == kind || ok && err == nil {
			return true
		}
	}
	return false
}
