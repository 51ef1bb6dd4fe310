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
	"strconv"
	"strings"
	"time"

	"calandria/plant"
)

// CaseResult is the outcome of one alarm case.
type CaseResult struct {
	Line     int // of the file
	ID       string
	Title    string
	Basis    []string // what the case rests on
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
		replay := c.replayAlarm
		if c.Kind == firstUpKind {
			replay = c.replayFirstUp
		}
		failures, err := replay()
		if err != nil {
			return results, fmt.Errorf("line %d: case %s: %w", n, c.ID, err)
		}
		results = append(results, CaseResult{Line: n, ID: c.ID, Title: c.Title, Basis: c.Basis, Failures: failures})
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
	ID     string     `json:"id"`
	Kind   string     `json:"kind"`
	Title  string     `json:"title"`
	Basis  []string   `json:"basis"`
	Note   string     `json:"note"`
	Config caseConfig `json:"config"`
	Steps  []caseStep `json:"steps"`
}

const alarmKind, firstUpKind = "alarm", "first_up"

type caseConfig struct {
	Setpoint        *float64    `json:"setpoint"`
	Direction       string      `json:"direction"`
	Deadband        float64     `json:"deadband"`
	OnDelay         caseSeconds `json:"on_delay_s"`
	OffDelay        caseSeconds `json:"off_delay_s"`
	Latching        bool        `json:"latching"`
	Priority        string      `json:"priority"`
	Realarm         caseSeconds `json:"realarm_s"`
	MaxShelve       caseSeconds `json:"max_shelve_s"`
	ShelvingAllowed *bool       `json:"shelving_allowed"`
	Confirm         bool        `json:"confirm"`
	Group           []string    `json:"group"`
}

type caseStep struct {
	T       *caseSeconds     `json:"t"`
	Input   *caseInput       `json:"input"`
	Op      *caseOp          `json:"op"`
	Events  [][2]string      `json:"events"`
	Expect  map[string]any   `json:"expect"`
	Journal []map[string]any `json:"journal"`
	Note    string           `json:"note"`
}

type caseInput struct {
	Value   *float64   `json:"value"`
	Quality caseStatus `json:"quality"`
}

type caseOp struct {
	Action   string      `json:"action"`
	User     string      `json:"user"`
	Comment  string      `json:"comment"`
	Duration caseSeconds `json:"duration_s"`
	Reason   string      `json:"reason"`
}

// caseSeconds is a time or a duration, written in seconds.
type caseSeconds time.Duration

// UnmarshalJSON keeps to what a Duration holds.
func (s *caseSeconds) UnmarshalJSON(data []byte) error {
	x, err := strconv.ParseFloat(string(data), 64)
	if err != nil || !(math.Abs(x) <= 1e9) {
		return fmt.Errorf("%s is no number of seconds up to 1e9", data)
	}
	*s = caseSeconds(seconds(x))
	return nil
}

func (s caseSeconds) String() string {
	return strconv.FormatFloat(time.Duration(s).Seconds(), 'g', -1, 64)
}

// caseStatus is a status code by name, with or without the underscore after its severity.
type caseStatus struct{ plant.Quality }

// UnmarshalJSON refuses a name that is none.
func (q *caseStatus) UnmarshalJSON(data []byte) (err error) {
	var name string
	if err = json.Unmarshal(data, &name); err != nil {
		return err
	}
	for _, severity := range []string{"", "Good", "Uncertain", "Bad"} {
		written := name
		if rest, ok := strings.CutPrefix(name, severity); ok && severity != "" {
			written = severity + "_" + rest
		}
		if known, ok := plant.QualityNamed(written); ok {
			q.Quality = known
			return nil
		}
	}
	return fmt.Errorf("quality: %q is not a status code name", name)
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

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

func parseCase(text []byte) (*alarmCase, error) {
	var c alarmCase
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&c); err != nil {
		return nil, fmt.Errorf("not a case as one JSON object: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, errors.New("more text after the JSON object; write one object a line")
	}
	if c.ID == "" {
		return nil, errors.New("id: missing; give each case an id of its own")
	}
	err := c.check()
	before := caseSeconds(math.MinInt64)
	for i := 0; err == nil && i < len(c.Steps); i++ {
		s := &c.Steps[i]
		if err = s.check(&c, before); err != nil {
			err = fmt.Errorf("step %d: %w", i+1, err)
			break
		}
		before = *s.T
	}
	if err != nil {
		return nil, fmt.Errorf("case %s: %w", c.ID, err)
	}
	return &c, nil
}

func (c *alarmCase) check() error {
	k := &c.Config
	_, known := casePriority(k.Priority)
	switch {
	case c.Kind != alarmKind && c.Kind != firstUpKind:
		return fmt.Errorf(`kind: %q is not known; use "alarm" or "first_up"`, c.Kind)
	case len(c.Steps) == 0:
		return errors.New("steps: missing")
	case c.Kind == firstUpKind && len(k.Group) == 0:
		return errors.New("config: group: missing; name its members")
	case c.Kind == firstUpKind:
	case k.Setpoint == nil:
		return errors.New("config: setpoint: missing")
	case k.Direction != "high" && k.Direction != "low":
		return fmt.Errorf(`config: direction: %q is not known; use "high" or "low"`, k.Direction)
	case !known:
		return fmt.Errorf("config: priority: %q is not known; use low, medium, high or urgent", k.Priority)
	case min(k.OnDelay, k.OffDelay, k.Realarm, k.MaxShelve) < 0 || k.Deadband < 0:
		return errors.New("config: deadband, on_delay_s, off_delay_s, realarm_s and max_shelve_s must not be negative")
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

// check finds what is wrong with a step; before is the time of the step before it.
func (s *caseStep) check(c *alarmCase, before caseSeconds) error {
	switch {
	case s.T == nil:
		return errors.New("t: missing")
	case *s.T < before:
		return fmt.Errorf("t: %v is before the step before; steps must be in order of time", *s.T)
	case c.Kind == firstUpKind:
		return s.checkFirstUp(c.Config.Group)
	case s.Events != nil:
		return errors.New("events: only in first_up cases")
	case s.Input != nil && s.Op != nil:
		return errors.New("a step has an input or an op, not both")
	case s.Input != nil && !s.Input.Quality.Seen():
		return errors.New("input: quality: missing")
	case s.Input != nil && s.Input.Value == nil && s.Input.Quality.Usable():
		return errors.New("input: value: missing; only a Bad input may leave it out")
	case s.Op != nil && s.Op.Action != engineStop && s.Op.Action != engineStart:
		if _, known := actions[Action(s.Op.Action)]; !known {
			return fmt.Errorf("op: action: %q is not known", s.Op.Action)
		}
	}
	state, _ := s.Expect["state"].(string)
	if _, known := stateNamed(state); !known {
		return fmt.Errorf("expect: state: %q is not one of %s", state, strings.Join(stateCodes[:], " "))
	}
	err := onlyKeys("expect", s.Expect, expectKeys)
	for _, record := range s.Journal {
		if _, ok := record["t"].(float64); !ok {
			return errors.New("journal: t: missing or not a number")
		}
		if _, ok := record["event"].(string); !ok {
			return errors.New("journal: event: missing or not a name")
		}
		err = errors.Join(err, onlyKeys("journal", record, journalKeys))
	}
	return err
}

func onlyKeys(what string, m map[string]any, known []string) error {
	for key := range m {
		if !slices.Contains(known, key) {
			return fmt.Errorf("%s: %q is not known; use %s", what, key, strings.Join(known, ", "))
		}
	}
	return nil
}

func (s *caseStep) checkFirstUp(members []string) error {
	if s.Input != nil || s.Op != nil || s.Journal != nil {
		return errors.New("a first_up step has only t, events and expect")
	}
	for _, ev := range s.Events {
		if !slices.Contains(members, ev[0]) {
			return fmt.Errorf("events: %q is not a member of the group", ev[0])
		}
		if !slices.Contains([]string{"alarm", "return", "ack"}, ev[1]) {
			return fmt.Errorf("events: %q is not known; use alarm, return or ack", ev[1])
		}
	}
	first, given := s.Expect["first_up"]
	if _, isName := first.(string); len(s.Expect) != 1 || !given || first != nil && !isName {
		return errors.New("expect: must be first_up, with a name or null")
	}
	return nil
}

// sameName compares status names whether or not they have the underscore.
func sameName(a, b string) bool {
	return strings.ReplaceAll(a, "_", "") == strings.ReplaceAll(b, "_", "")
}

// caseEpoch is the moment t = 0 of all cases.
var caseEpoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// each replays the steps of a case and gathers what came out otherwise.
func (c *alarmCase) each(step func(s *caseStep, now time.Time, fail func(format string, args ...any)) error) (failures []string, err error) {
	for i := range c.Steps {
		s := &c.Steps[i]
		fail := func(format string, args ...any) {
			failures = append(failures, fmt.Sprintf("step %d (t=%v): ", i+1, *s.T)+fmt.Sprintf(format, args...))
		}
		if err := step(s, caseEpoch.Add(time.Duration(*s.T)), fail); err != nil {
			return nil, fmt.Errorf("step %d: %w", i+1, err)
		}
	}
	return failures, nil
}

// caseSpec is a specification with what every alarm must have.
func caseSpec(name string) plant.AlarmSpec {
	return plant.AlarmSpec{
		Name: name, Title: "alarm case", Priority: plant.PriorityMedium,
		Cause: "alarm case", Consequence: "none", Response: "none",
	}
}

func (c *alarmCase) replayAlarm() ([]string, error) {
	k := &c.Config
	spec := caseSpec(c.ID)
	spec.Priority, _ = casePriority(k.Priority)
	spec.Setpoint = k.Setpoint
	spec.OnDelay, spec.OffDelay, spec.Realarm = time.Duration(k.OnDelay), time.Duration(k.OffDelay), time.Duration(k.Realarm)
	spec.Latching, spec.Confirm, spec.MaxShelve = k.Latching, k.Confirm, time.Duration(k.MaxShelve)
	spec.NoShelving = k.ShelvingAllowed != nil && !*k.ShelvingAllowed
	limit := plant.Limit{Setpoint: *k.Setpoint, Deadband: k.Deadband, High: k.Direction == "high"}

	e, err := New([]plant.AlarmSpec{spec})
	if err != nil {
		return nil, err
	}
	var stored Parts // what the engine had stored when it was killed
	return c.each(func(s *caseStep, now time.Time, fail func(string, ...any)) error {
		switch {
		case s.Op != nil && s.Op.Action == engineStart:
			if stored == nil {
				return errors.New("engine_start without engine_stop")
			}
			if e, err = New([]plant.AlarmSpec{spec}); err != nil {
				return err
			}
			if err := e.RestoreParts(stored, now); err != nil {
				fail("restart: %v", err)
			}
			stored = nil
		case stored != nil: // down: nothing is seen
		case s.Op != nil && s.Op.Action == engineStop:
			e.Advance(now)
			if stored, _, err = e.SaveParts(true); err != nil {
				return fmt.Errorf("store the state: %w", err)
			}
		case s.Input != nil:
			p := plant.Point{Time: now, Value: math.NaN(), Quality: s.Input.Quality.Quality}
			if s.Input.Value != nil {
				p.Value = *s.Input.Value
			}
			e.Feed(0, limit.Input(p))
		case s.Op != nil:
			// A refusal is in the journal, where the case looks for it.
			var refused *Refusal
			err := e.Do(Command{Action: Action(s.Op.Action), Alarm: c.ID, User: s.Op.User, Comment: s.Op.Comment, Reason: s.Op.Reason, Duration: time.Duration(s.Op.Duration)}, now)
			if err != nil && !errors.As(err, &refused) {
				fail("%s: %v", s.Op.Action, err)
			}
		default:
			e.Advance(now)
		}
		compareState(e.Status(0), s.Expect, fail)
		compareJournal(e.Drain(), s.Journal, fail)
		return nil
	})
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
	var specs []plant.AlarmSpec
	for _, m := range c.Config.Group {
		spec := caseSpec(m)
		spec.Group = groupName
		specs = append(specs, spec)
	}
	e, err := New(specs)
	if err != nil {
		return nil, err
	}
	return c.each(func(s *caseStep, now time.Time, fail func(string, ...any)) error {
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
		return nil
	})
}
