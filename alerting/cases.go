package alerting

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"calandria/plant"
)

// CaseResult is the outcome of one alarm case.
type CaseResult struct {
	Line     int // of the file
	ID       string
	Kind     string // "alarm" or "first_up"
	Title    string
	Basis    []string // what the case rests on
	Steps    int
	Failures []string // empty: passed
}

// Passed reports that every step came out as the case says.
func (r CaseResult) Passed() bool { return len(r.Failures) == 0 }

// maxCaseLine bounds one line of a case file, in bytes.
const maxCaseLine = 4 << 20

// ReplayCases runs a file of alarm cases through the engine, one JSON object a
// line, and gives the result of each. A case that comes out differently is a
// result, not an error; an error means that the file cannot be read as cases,
// and names the line. The format:
//
//   - kind "alarm": config (setpoint, direction, deadband, on_delay_s,
//     off_delay_s, latching, priority, realarm_s, max_shelve_s,
//     shelving_allowed, confirm) and steps in order of time t, in seconds. A
//     step has at most one of input (value, quality) and op (action, user,
//     comment, duration_s, reason); with neither only the clock moves. expect
//     is the state after it, journal exactly what was recorded since the step
//     before, where a record is compared in the fields that the case gives.
//   - kind "first_up": config.group names the members; a step has events
//     [[member, alarm|return|ack], ...] and expect.first_up, a name or null.
//
// The actions are those of [Action], and engine_stop and engine_start: the
// engine is killed, and started again from its stored state. Samples that come
// in between are lost.
func ReplayCases(r io.Reader) ([]CaseResult, error) {
	var results []CaseResult
	ids := map[string]int{}
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 0, 64<<10), maxCaseLine)
	n := 0
	for lines.Scan() {
		n++
		text := bytes.TrimSpace(lines.Bytes())
		if len(text) == 0 {
			continue
		}
		c, err := parseCase(text)
		if err != nil {
			return results, fmt.Errorf("line %d: %w", n, err)
		}
		if first, twice := ids[c.ID]; twice {
			return results, fmt.Errorf("line %d: case %s is on line %d already; give each case its own id", n, c.ID, first)
		}
		ids[c.ID] = n
		result := CaseResult{Line: n, ID: c.ID, Kind: c.Kind, Title: c.Title, Basis: c.Basis, Steps: len(c.Steps)}
		if c.Kind == "alarm" {
			result.Failures, err = c.replayAlarm()
		} else {
			result.Failures, err = c.replayFirstUp()
		}
		if err != nil {
			return results, fmt.Errorf("line %d: case %s: %w", n, c.ID, err)
		}
		results = append(results, result)
	}
	if err := lines.Err(); err != nil {
		return results, fmt.Errorf("line %d: %w", n+1, err)
	}
	if n == 0 || len(results) == 0 {
		return nil, errors.New("no cases: the file is empty")
	}
	return results, nil
}

type alarmCase struct {
	ID     string            `json:"id"`
	Kind   string            `json:"kind"`
	Title  string            `json:"title"`
	Basis  []string          `json:"basis"`
	Note   string            `json:"note"`
	Config json.RawMessage   `json:"config"`
	Steps  []json.RawMessage `json:"steps"`

	config  caseConfig
	steps   []caseStep
	members []string
}

type caseConfig struct {
	Setpoint        *float64 `json:"setpoint"`
	Direction       string   `json:"direction"`
	Deadband        float64  `json:"deadband"`
	OnDelayS        float64  `json:"on_delay_s"`
	OffDelayS       float64  `json:"off_delay_s"`
	Latching        bool     `json:"latching"`
	Priority        string   `json:"priority"`
	RealarmS        float64  `json:"realarm_s"`
	MaxShelveS      *float64 `json:"max_shelve_s"`
	ShelvingAllowed *bool    `json:"shelving_allowed"`
	Confirm         bool     `json:"confirm"`
}

type caseStep struct {
	T       *float64         `json:"t"`
	Input   *caseInput       `json:"input"`
	Op      *caseOp          `json:"op"`
	Events  [][2]string      `json:"events"`
	Expect  map[string]any   `json:"expect"`
	Journal []map[string]any `json:"journal"`
	Note    string           `json:"note"`

	quality plant.Quality
}

type caseInput struct {
	Value   *float64 `json:"value"`
	Quality string   `json:"quality"`
}

type caseOp struct {
	Action    string   `json:"action"`
	User      string   `json:"user"`
	Comment   string   `json:"comment"`
	DurationS *float64 `json:"duration_s"`
	Reason    string   `json:"reason"`
}

const (
	engineStop  = "engine_stop"
	engineStart = "engine_start"
)

// expectKeys and journalKeys are what a case may look at.
var (
	expectKeys = []string{"state", "active", "acked", "latched", "confirmed", "shelving", "suppressed", "out_of_service",
		"suppressed_or_shelved", "retain", "annunciated", "quality", "realarm_count"}
	journalKeys = []string{"t", "event", "annunciated", "user", "comment", "mode", "duration_s", "by", "reason", "count",
		"quality", "action", "code"}
)

// strict decodes JSON without tolerating unknown fields or trailing text.
func strict(data []byte, to any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("more text after the JSON object; write one object a line")
	}
	return nil
}

// maxCaseSeconds keeps times and durations of cases within what a Duration
// holds.
const maxCaseSeconds = 1e9

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

func checkSeconds(field string, s float64) error {
	if !(math.Abs(s) <= maxCaseSeconds) {
		return fmt.Errorf("%s: %v is out of range (at most %g s)", field, s, maxCaseSeconds)
	}
	return nil
}

func parseCase(text []byte) (*alarmCase, error) {
	var c alarmCase
	if err := strict(text, &c); err != nil {
		return nil, fmt.Errorf("not a case as one JSON object: %w", err)
	}
	if c.ID == "" {
		return nil, errors.New("id: missing; give each case an id of its own")
	}
	var err error
	switch c.Kind {
	case "alarm":
		err = c.parseConfig()
	case "first_up":
		var config struct {
			Group []string `json:"group"`
		}
		err = strict(c.Config, &config)
		c.members = config.Group
		if err == nil && len(c.members) == 0 {
			err = errors.New("group: missing; name its members")
		}
		if err != nil {
			err = fmt.Errorf("config: %w", err)
		}
	default:
		err = fmt.Errorf(`kind: %q is not known; use "alarm" or "first_up"`, c.Kind)
	}
	if err == nil && len(c.Steps) == 0 {
		err = errors.New("steps: missing")
	}
	last := math.Inf(-1)
	for i := 0; err == nil && i < len(c.Steps); i++ {
		var s caseStep
		if err = strict(c.Steps[i], &s); err == nil {
			err = s.check(&c, &last)
		}
		if err != nil {
			err = fmt.Errorf("step %d: %w", i+1, err)
		}
		c.steps = append(c.steps, s)
	}
	if err != nil {
		return nil, fmt.Errorf("case %s: %w", c.ID, err)
	}
	return &c, nil
}

func (c *alarmCase) parseConfig() error {
	if len(c.Config) == 0 {
		return errors.New("config: missing")
	}
	if err := strict(c.Config, &c.config); err != nil {
		return fmt.Errorf("config: %w", err)
	}
	k := &c.config
	if k.Setpoint == nil {
		return errors.New("config: setpoint: missing")
	}
	if k.Direction != "high" && k.Direction != "low" {
		return fmt.Errorf(`config: direction: %q is not known; use "high" or "low"`, k.Direction)
	}
	if _, known := casePriority(k.Priority); !known {
		return fmt.Errorf("config: priority: %q is not known; use low, medium, high or urgent", k.Priority)
	}
	maxShelve := 1.0
	if k.MaxShelveS != nil {
		maxShelve = *k.MaxShelveS
	}
	if maxShelve <= 0 {
		return errors.New("config: max_shelve_s: must be more than zero; leave it out for no limit")
	}
	for _, f := range []struct {
		name string
		s    float64
	}{{"deadband", k.Deadband}, {"on_delay_s", k.OnDelayS}, {"off_delay_s", k.OffDelayS}, {"realarm_s", k.RealarmS}, {"max_shelve_s", maxShelve}} {
		if f.s < 0 {
			return fmt.Errorf("config: %s: must not be negative", f.name)
		}
		if f.name == "deadband" {
			continue
		}
		if err := checkSeconds("config: "+f.name, f.s); err != nil {
			return err
		}
	}
	return nil
}

func casePriority(word string) (plant.Priority, bool) {
	for p := plant.PriorityUrgent; p <= plant.PriorityLow; p++ {
		if p.String() == word {
			return p, true
		}
	}
	return plant.PriorityMedium, word == ""
}

// check finds what is wrong with a step.
//
// Branches: one for each thing that may be wrong; they depend on nothing.
func (s *caseStep) check(c *alarmCase, last *float64) error {
	if s.T == nil {
		return errors.New("t: missing")
	}
	if err := checkSeconds("t", *s.T); err != nil {
		return err
	}
	if *s.T < *last {
		return fmt.Errorf("t: %v is before the step before; steps must be in order of time", *s.T)
	}
	*last = *s.T
	if c.Kind == "first_up" {
		if s.Input != nil || s.Op != nil || s.Journal != nil {
			return errors.New("a first_up step has only t, events and expect")
		}
		for _, ev := range s.Events {
			if !slices.Contains(c.members, ev[0]) {
				return fmt.Errorf("events: %q is not a member of the group", ev[0])
			}
			if ev[1] != "alarm" && ev[1] != "return" && ev[1] != "ack" {
				return fmt.Errorf("events: %q is not known; use alarm, return or ack", ev[1])
			}
		}
		first, given := s.Expect["first_up"]
		if _, isName := first.(string); len(s.Expect) != 1 || !given || first != nil && !isName {
			return errors.New("expect: must be first_up, with a name or null")
		}
		return nil
	}
	if s.Events != nil {
		return errors.New("events: only in first_up cases")
	}
	if s.Input != nil && s.Op != nil {
		return errors.New("a step has an input or an op, not both")
	}
	if s.Input != nil {
		var known bool
		if s.quality, known = caseQuality(s.Input.Quality); !known {
			return fmt.Errorf("input: quality: %q is not a status code name", s.Input.Quality)
		}
		if s.Input.Value == nil && s.quality.Usable() {
			return errors.New("input: value: missing; only a Bad input may leave it out")
		}
	}
	if s.Op != nil {
		_, known := actions[Action(s.Op.Action)]
		if !known && s.Op.Action != engineStop && s.Op.Action != engineStart {
			return fmt.Errorf("op: action: %q is not known", s.Op.Action)
		}
		if s.Op.DurationS != nil {
			if err := checkSeconds("op: duration_s", *s.Op.DurationS); err != nil {
				return err
			}
		}
	}
	state, _ := s.Expect["state"].(string)
	if _, known := stateNamed(state); !known {
		return fmt.Errorf("expect: state: %q is not one of %s", state, strings.Join(stateCodes[:], " "))
	}
	for key := range s.Expect {
		if !slices.Contains(expectKeys, key) {
			return fmt.Errorf("expect: %q is not known; use %s", key, strings.Join(expectKeys, ", "))
		}
	}
	for _, record := range s.Journal {
		if _, ok := record["t"].(float64); !ok {
			return errors.New("journal: t: missing or not a number")
		}
		if _, ok := record["event"].(string); !ok {
			return errors.New("journal: event: missing or not a name")
		}
		for key := range record {
			if !slices.Contains(journalKeys, key) {
				return fmt.Errorf("journal: %q is not known; use %s", key, strings.Join(journalKeys, ", "))
			}
		}
	}
	return nil
}

// caseQuality finds a status code by name, written with or without the
// underscore after its severity.
func caseQuality(name string) (plant.Quality, bool) {
	if q, ok := plant.QualityNamed(name); ok {
		return q, true
	}
	for _, severity := range []string{"Good", "Uncertain", "Bad"} {
		if rest, ok := strings.CutPrefix(name, severity); ok {
			return plant.QualityNamed(severity + "_" + rest)
		}
	}
	return plant.Quality{}, false
}

// sameName compares status names whether or not they have the underscore.
func sameName(a, b string) bool {
	return strings.ReplaceAll(a, "_", "") == strings.ReplaceAll(b, "_", "")
}

// caseEpoch is the moment t = 0 of all cases.
var caseEpoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

func caseTime(t float64) time.Time { return caseEpoch.Add(seconds(t)) }

// caseSpec is a specification with what every alarm must have.
func caseSpec(name string) plant.AlarmSpec {
	return plant.AlarmSpec{
		Name: name, Title: "alarm case", Priority: plant.PriorityMedium,
		Cause: "alarm case", Consequence: "none", Response: "none",
	}
}

func (c *alarmCase) replayAlarm() ([]string, error) {
	k := &c.config
	spec := caseSpec(c.ID)
	spec.Priority, _ = casePriority(k.Priority)
	spec.Setpoint = k.Setpoint
	spec.OnDelay, spec.OffDelay, spec.Realarm = seconds(k.OnDelayS), seconds(k.OffDelayS), seconds(k.RealarmS)
	spec.Latching, spec.Confirm = k.Latching, k.Confirm
	spec.NoShelving = k.ShelvingAllowed != nil && !*k.ShelvingAllowed
	if k.MaxShelveS != nil {
		spec.MaxShelve = seconds(*k.MaxShelveS)
	}
	limit := plant.Limit{Setpoint: *k.Setpoint, Deadband: k.Deadband, High: k.Direction == "high"}

	e, err := New([]plant.AlarmSpec{spec})
	if err != nil {
		return nil, err
	}
	var failures []string
	var stored Parts // what the engine had stored when it was killed
	for i := range c.steps {
		s := &c.steps[i]
		now := caseTime(*s.T)
		fail := func(format string, args ...any) {
			failures = append(failures, fmt.Sprintf("step %d (t=%v): ", i+1, *s.T)+fmt.Sprintf(format, args...))
		}
		switch {
		case s.Op != nil && s.Op.Action == engineStart:
			if stored == nil {
				return nil, fmt.Errorf("step %d: engine_start without engine_stop", i+1)
			}
			if e, err = New([]plant.AlarmSpec{spec}); err != nil {
				return nil, err
			}
			if err := e.RestoreParts(stored, now); err != nil {
				fail("restart: %v", err)
			}
			stored = nil
		case stored != nil: // down: nothing is seen
		case s.Op != nil && s.Op.Action == engineStop:
			e.Advance(now)
			if stored, _, err = e.SaveParts(true); err != nil {
				return nil, fmt.Errorf("step %d: store the state: %w", i+1, err)
			}
		case s.Input != nil:
			p := plant.Point{Time: now, Value: math.NaN(), Quality: s.quality}
			if s.Input.Value != nil {
				p.Value = *s.Input.Value
			}
			e.Feed(0, limit.Input(p))
		case s.Op != nil:
			cmd := Command{Action: Action(s.Op.Action), Alarm: c.ID, User: s.Op.User, Comment: s.Op.Comment, Reason: s.Op.Reason}
			if s.Op.DurationS != nil {
				cmd.Duration = seconds(*s.Op.DurationS)
			}
			// A refusal is in the journal, where the case looks for it.
			var refused *Refusal
			if err := e.Do(cmd, now); err != nil && !errors.As(err, &refused) {
				fail("%s: %v", s.Op.Action, err)
			}
		default:
			e.Advance(now)
		}
		compareState(e.Status(0), s.Expect, fail)
		compareJournal(e.Drain(), s.Journal, fail)
	}
	return failures, nil
}

func compareState(st Status, expect map[string]any, fail func(string, ...any)) {
	got := map[string]any{
		"state": st.Code, "active": st.Active, "acked": st.Acked, "latched": st.Latched, "confirmed": st.Confirmed,
		"shelving": st.Shelving.String(), "suppressed": len(st.Suppressed) > 0, "out_of_service": st.OutOfService,
		"suppressed_or_shelved": st.SuppressedOrShelved, "retain": st.Retain, "annunciated": st.Annunciated,
		"realarm_count": float64(st.RealarmCount), "quality": nil,
	}
	if st.Quality.Seen() {
		got["quality"] = st.Quality.String()
	}
	for _, key := range expectKeys {
		if want, given := expect[key]; given && !sameValue(got[key], want) {
			fail("%s is %v, expected %v", key, got[key], want)
		}
	}
}

// sameValue compares a value with one from JSON; status names may differ in
// their underscore, numbers by rounding.
func sameValue(got, want any) bool {
	switch w := want.(type) {
	case string:
		g, ok := got.(string)
		return ok && (g == w || sameName(g, w))
	case float64:
		g, ok := got.(float64)
		return ok && math.Abs(g-w) <= 1e-6
	default:
		return got == want
	}
}

func compareJournal(events []plant.Event, want []map[string]any, fail func(string, ...any)) {
	for i := range max(len(events), len(want)) {
		switch {
		case i >= len(events):
			fail("journal: %v expected at t=%v, nothing recorded", want[i]["event"], want[i]["t"])
		case i >= len(want):
			fail("journal: %v recorded at t=%v, nothing expected", events[i].Kind, events[i].Time.Sub(caseEpoch).Seconds())
		default:
			got := journalFields(&events[i])
			for _, key := range journalKeys {
				if w, given := want[i][key]; given && !sameValue(got[key], w) {
					fail("journal record %d: %s is %v, expected %v", i+1, key, got[key], w)
				}
			}
		}
	}
}

func journalFields(ev *plant.Event) map[string]any {
	got := map[string]any{
		"t": ev.Time.Sub(caseEpoch).Seconds(), "event": string(ev.Kind), "annunciated": ev.Annunciated,
		"user": ev.User, "comment": ev.Comment, "reason": ev.Reason, "count": float64(ev.Count), "quality": ev.Quality,
		"code": ev.Code,
	}
	switch ev.Kind {
	case plant.EventShelve:
		got["mode"], got["duration_s"] = ev.Action, ev.DurationS
	case plant.EventUnshelve:
		got["by"] = ev.Action
	case plant.EventRejected:
		got["action"] = ev.Action
	}
	return got
}

// replayFirstUp feeds the group's members with a bare condition.
func (c *alarmCase) replayFirstUp() ([]string, error) {
	const groupName = "group"
	specs := make([]plant.AlarmSpec, len(c.members))
	for i, m := range c.members {
		specs[i] = caseSpec(m)
		specs[i].Group = groupName
	}
	e, err := New(specs)
	if err != nil {
		return nil, err
	}
	var failures []string
	for i := range c.steps {
		s := &c.steps[i]
		now := caseTime(*s.T)
		fail := func(format string, args ...any) {
			failures = append(failures, fmt.Sprintf("step %d (t=%v): ", i+1, *s.T)+fmt.Sprintf(format, args...))
		}
		e.Advance(now)
		for _, ev := range s.Events {
			if ev[1] == "ack" {
				if err := e.Do(Command{Action: Acknowledge, Alarm: ev[0]}, now); err != nil {
					fail("%v", err)
				}
				continue
			}
			is := plant.TruthOf(ev[1] == "alarm")
			index, _ := e.Index(ev[0])
			e.Feed(index, plant.AlarmInput{Time: now, Raise: is, Hold: is, Quality: plant.Good, Value: math.NaN()})
		}
		want, _ := s.Expect["first_up"].(string)
		if got := e.FirstUp(groupName); got != want {
			fail("first_up is %q, expected %q", got, want)
		}
		e.Drain()
	}
	return failures, nil
}
