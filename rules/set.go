package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Set is the rules of a site, ready to run. Build it with [Load]. It belongs
// to one goroutine.
type Set struct {
	house     *plant.House
	barometer float64 // usual; see SetAir

	specs   []plant.AlarmSpec
	alarms  []alarm
	derived []derived // in the order in which they depend on one another

	inputs   []input
	inputIDs map[inputKey]int32
	windows  []*window
	trackers []*tracker
	windowID map[windowKey]int32

	onSample  [][]int32     // by tag: alarms to work out at each of its samples
	onScan    []int32       // alarms worked out once a scan
	suppress  []int32       // alarms with a suppress_when
	gated     []int32       // alarms worked out at samples that have an only_when
	hide      []plant.Truth // scratch: outcomes of suppress, this scan
	windowsOf [][]int32     // by tag
	scanned   []int32       // windows over calculated tags that are no rule's

	trackersOf      [][]int32 // by tag
	scannedTrackers []int32

	notes        []Note
	procedures   []plant.Procedure
	placeholders []Placeholder
	faults       []RuleFault // of the alarms, then of the derived tags

	air   float64 // air pressure less the usual barometer, kPa
	watch watch
}

type inputKey struct {
	kind   inputKind
	tag    plant.TagID
	window int32
	fn     windowKind
}

type windowKey struct {
	tag    plant.TagID
	length time.Duration
}

// alarm is the running part of one alarm.
type alarm struct {
	raise     *test
	hold      *test // nil: as raise
	returns   *test // return_when
	value     operand
	hasValue  bool
	suppress  clause     // suppress_when
	only      clause     // only_when
	limit     *limitTest // nil: none by itself
	inputs    []int32
	words     words.Text
	holdWords words.Text // in words, what must be over before it returns
	applied   gate       // at the last scan, of those in gated
	hash      string
}

// clause is a further condition of a rule; test is nil where there is none.
type clause struct {
	test   *test
	words  words.Text
	inputs []int32
}

// gate says whether an alarm's only_when held.
type gate uint8

const (
	gateUntried gate = iota
	gateShut
	gateOpen
)

// derived is the running part of one derived tag.
type derived struct {
	tag    plant.TagID
	num    *operand
	test   *test
	inputs []int32
	words  words.Text
	hash   string
}

// Note is something worth knowing about a rule that is no fault: equipment
// left out for want of a tag, a number without a unit.
type Note struct {
	File string
	Line int
	Rule string // name of the rule, of the alarm, or path of the derived tag
	Text string
	Kind NoteKind
	// On is the vessel that was left out; "" if there is none.
	On string
	// Priority of the alarm that was left out.
	Priority plant.Priority
}

// NoteKind says what a note is about.
type NoteKind uint8

// Kinds of notes, the most serious first.
const (
	AlarmLeftOut NoteKind = iota // an alarm does not run for want of a tag or limit
	TagLeftOut                   // a derived tag is left out for want of a tag
	UnitTaken                    // a number whose unit was taken or worked out
	Remark                       // anything else
)

// String gives "file:line: rule: text".
func (n Note) String() string { return fmt.Sprintf("%s:%d: %s: %s", n.File, n.Line, n.Rule, n.Text) }

// Placeholder is a text of the rule library that only the site can fill in.
type Placeholder struct {
	File  string
	Line  int
	Rule  string // name of the rule
	Field string
	Text  string
	// Inactive: a limit is missing, so the alarm does not run until it is set.
	Inactive bool
}

// RuleFault counts what went wrong while a rule ran. Its outcome was Unknown
// each time, unless it was only slow.
type RuleFault struct {
	Rule   string // name of the alarm or path of the derived tag
	Count  int
	Last   time.Time
	Reason words.Text
	Slow   bool // it was worked out, but took long
}

func (rf *RuleFault) note(at time.Time, reason words.Text) {
	rf.Count++
	rf.Last, rf.Reason, rf.Slow = at, reason, false
}

// Limits of a whole set.
const (
	maxWindows = 20000
	maxAlarms  = 50000
)

func (s *Set) input(in input) int32 {
	k := inputKey{in.kind, in.tag, in.window, in.fn}
	if id, ok := s.inputIDs[k]; ok {
		return id
	}
	id := int32(len(s.inputs))
	s.inputs = append(s.inputs, in)
	s.inputIDs[k] = id
	return id
}

func (s *Set) windowOn(tag plant.TagID, path string, length time.Duration) (int32, bool) {
	k := windowKey{tag, length}
	if id, ok := s.windowID[k]; ok {
		return id, true
	}
	if len(s.windows) >= maxWindows {
		return 0, false
	}
	id := int32(len(s.windows))
	s.windows = append(s.windows, newWindow(tag, path, length))
	s.windowID[k] = id
	return id, true
}

func (s *Set) trackerOn(tag plant.TagID, path string) int32 {
	for i, t := range s.trackers {
		if t.tag == tag {
			return int32(i)
		}
	}
	s.trackers = append(s.trackers, &tracker{tag: tag, path: path})
	return int32(len(s.trackers) - 1)
}

// Alarms lists the alarms; the places in it are the indexes the other methods
// speak of. It must not be changed.
func (s *Set) Alarms() []plant.AlarmSpec { return s.specs }

// Notes lists what a reader of the rules should know.
func (s *Set) Notes() []Note { return s.notes }

// Placeholders lists the texts that the site still has to fill in.
func (s *Set) Placeholders() []Placeholder { return s.placeholders }

// Faults lists the rules that went wrong while running. Their sum feeds an
// alarm about the program itself.
func (s *Set) Faults() []RuleFault {
	var out []RuleFault
	for _, f := range s.faults {
		if f.Count > 0 {
			out = append(out, f)
		}
	}
	return out
}

// Inputs lists the tags that an alarm's condition reads.
func (s *Set) Inputs(index int) []plant.TagID {
	var out []plant.TagID
	for _, in := range s.alarms[index].inputs {
		if id := s.inputs[in].tag; !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

// Hash identifies the content of an alarm: definition, condition and the
// derived tags beneath it. An alarm with the same name and hash in another
// Set is the same alarm, so the caller may keep its state.
func (s *Set) Hash(index int) string { return s.alarms[index].hash }

// Adopt takes over what the windows of an older set have gathered, for tags
// of the same path and windows of the same length. The old set must not be
// used any more.
func (s *Set) Adopt(old *Set) {
	type key struct {
		path   string
		length time.Duration
	}
	had := map[key]*window{}
	for _, w := range old.windows {
		had[key{w.path, w.length}] = w
	}
	for _, w := range s.windows {
		if o := had[key{w.path, w.length}]; o != nil {
			tag := w.tag
			*w = *o
			w.tag = tag
		}
	}
	for _, t := range s.trackers {
		for _, o := range old.trackers {
			if o.path == t.path {
				tag := t.tag
				*t = *o
				t.tag = tag
			}
		}
	}
	if old.watch.now != nil {
		s.Watch(old.watch.now)
	}
}

// Sample takes one sample of a measured tag, which must stand in the frame
// already, and works out the alarms that depend on measured tags only, as of
// the sample's own time. emit gets the index of the alarm and what its
// condition says. Before that suppress, as in [Set.Scan], gets each of these
// alarms whose suppress_when has become true with the sample: what is to be
// suppressed is not raised first. With a nil emit only the windows take the
// sample.
func (s *Set) Sample(f *plant.Frame, tag plant.TagID, emit func(alarm int, in plant.AlarmInput),
	suppress func(alarm int, t plant.Truth, reason words.Text)) {
	if tag < 0 || int(tag) >= len(s.onSample) {
		return
	}
	p := f.Point(tag)
	for _, w := range s.windowsOf[tag] {
		s.windows[w].add(p)
	}
	for _, t := range s.trackersOf[tag] {
		s.trackers[t].add(s.asRead(p, s.trackers[t].tag))
	}
	if emit == nil {
		return
	}
	for _, i := range s.onSample[tag] {
		if a := &s.alarms[i]; a.suppress.test != nil {
			var ta tally
			if s.truth(a.suppress.test, f, p.Time, &ta, &s.faults[i]) == plant.True {
				suppress(int(i), plant.True, a.suppress.words)
			}
		}
		emit(int(i), s.Input(int(i), f, p.Time))
	}
}

// SetAir says what the air pressure of the site is off by from the usual barometer, kPa:
// limits that are given against the air move with it.
func (s *Set) SetAir(shiftKPa float64) { s.air = shiftKPa }

// asRead takes the air off a gauge reading again: the weather is no movement of it.
func (s *Set) asRead(p plant.Point, tag plant.TagID) plant.Point {
	if s.house.Tags[tag].Gauged() {
		p.Value -= s.air
	}
	return p
}

// Scan works out, as of at, the derived tags, then the suppressions that hold,
// then all alarms that depend on calculated tags, windows, ages or qualities,
// and those whose only_when has changed, then the suppressions that do not
// hold: an alarm that is to be suppressed is not raised first, nor is one that
// comes out of suppression raised for what is already over.
//
// put receives each derived point and must store it in the frame before it
// returns, because later rules read it there. suppress gets the outcome of
// suppress_when and its words: an alarm is to be suppressed only while that is
// True; with Unknown, which a bad plant state gives, it must be shown. With a
// nil emit only the derived tags and the windows are worked out.
func (s *Set) Scan(f *plant.Frame, at time.Time, put func(plant.TagID, plant.Point),
	emit func(alarm int, in plant.AlarmInput), suppress func(alarm int, t plant.Truth, reason words.Text)) {
	for _, w := range s.scanned {
		s.feed(w, f.Point(s.windows[w].tag), at)
	}
	for _, t := range s.scannedTrackers {
		p := f.Point(s.trackers[t].tag)
		p.Time = at
		s.trackers[t].add(s.asRead(p, s.trackers[t].tag))
	}
	s.watch.begin()
	for i := range s.derived {
		d := &s.derived[i]
		p := s.derive(d, f, at, &s.faults[len(s.alarms)+i])
		put(d.tag, p)
		for _, w := range s.windowsOf[d.tag] {
			s.feed(w, p, at)
		}
		for _, t := range s.trackersOf[d.tag] {
			s.trackers[t].add(s.asRead(p, s.trackers[t].tag))
		}
		s.watch.lap(len(s.alarms)+i, at, &s.faults[len(s.alarms)+i])
	}
	if emit == nil {
		return
	}
	s.hide = s.hide[:0]
	for _, i := range s.suppress {
		var ta tally
		a := &s.alarms[i]
		t := s.truth(a.suppress.test, f, at, &ta, &s.faults[i])
		s.hide = append(s.hide, t)
		if t == plant.True {
			suppress(int(i), t, a.suppress.words)
		}
	}
	for _, i := range s.gated {
		a, now := &s.alarms[i], gateOpen
		var ta tally
		if s.truth(a.only.test, f, at, &ta, &s.faults[i]) == plant.False {
			now = gateShut
		}
		if now != a.applied {
			a.applied = now
			emit(int(i), s.Input(int(i), f, at))
		}
	}
	s.watch.begin()
	for _, i := range s.onScan {
		in := s.Input(int(i), f, at)
		s.watch.lap(int(i), at, &s.faults[i])
		emit(int(i), in)
	}
	for n, i := range s.suppress {
		if s.hide[n] != plant.True {
			suppress(int(i), s.hide[n], s.alarms[i].suppress.words)
		}
	}
}

// Suppressions tells what each suppress_when gave at the last scan.
func (s *Set) Suppressions(f func(alarm int, t plant.Truth)) {
	for n, t := range s.hide {
		f(int(s.suppress[n]), t)
	}
}

// feed gives a window the value of a calculated tag at a scan.
func (s *Set) feed(w int32, p plant.Point, at time.Time) {
	p.Time = at
	s.windows[w].add(p)
}

func (s *Set) derive(d *derived, f *plant.Frame, at time.Time, rf *RuleFault) plant.Point {
	if d.num != nil {
		v, q := s.eval(d.num, f, at, rf)
		return plant.Point{Time: at, Value: v, Quality: q}
	}
	var ta tally
	t := s.truth(d.test, f, at, &ta, rf)
	p := plant.Point{Time: at, Quality: ta.quality(t)}
	switch t {
	case plant.True:
		p.Value = 1
	case plant.Unknown:
		p.Value = math.NaN()
		if !p.Quality.IsBad() {
			p.Quality = plant.BadNoData
		}
	}
	return p
}

// Input works out what an alarm's condition says at a moment, from the frame.
// While its only_when is false the condition is false, whatever its inputs; an
// only_when that is Unknown counts as true, so that a bad plant state hides
// nothing.
func (s *Set) Input(index int, f *plant.Frame, at time.Time) plant.AlarmInput {
	a, rf := &s.alarms[index], &s.faults[index]
	var ta tally
	in := plant.AlarmInput{Time: at, Value: math.NaN()}
	if a.only.test != nil {
		if t := s.truth(a.only.test, f, at, &ta, rf); t == plant.False {
			in.Raise, in.Hold, in.Quality = plant.False, plant.False, ta.quality(t)
			if a.hasValue && a.value.kind == operandInput {
				if v, q := s.eval(&a.value, f, at, rf); !q.IsBad() {
					in.Value = v
				}
			}
			return in
		}
		ta = tally{}
	}
	in.Raise = s.truth(a.raise, f, at, &ta, rf)
	in.Quality = ta.quality(in.Raise)
	var held tally
	switch {
	case in.Raise == plant.True:
		in.Hold = plant.True
	case a.returns != nil:
		in.Hold = max(in.Raise, s.truth(a.returns, f, at, &held, rf).Not())
	case a.hold != nil:
		in.Hold = max(in.Raise, s.truth(a.hold, f, at, &held, rf))
	default:
		in.Hold = in.Raise
	}
	if a.hasValue {
		if v, q := s.eval(&a.value, f, at, rf); !q.IsBad() {
			in.Value = v
		}
	}
	return in
}

// Gathered points to what the rules have gathered of the past: it is what a
// checkpoint keeps of them.
func (s *Set) Gathered() []any {
	out := []any{&s.windows, &s.trackers}
	for _, i := range s.gated {
		out = append(out, &s.alarms[i].applied)
	}
	return out
}

// LongestWindow is how far back the longest window of the rules reaches, 0 if
// there is none.
func (s *Set) LongestWindow() time.Duration {
	var longest time.Duration
	for _, w := range s.windows {
		longest = max(longest, w.length)
	}
	return longest
}
