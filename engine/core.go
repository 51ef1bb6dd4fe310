package engine

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"
)

// Core is the part of the program that does arithmetic only: the frame, the
// quantities, the rules and the alarms, in order of event time. The [Loop] owns
// one; a replay, a backtest and a recalculation each own another. It has no
// clock: the same calls give the same events and the same learned state.
type Core struct {
	House  *plant.House
	Frame  *plant.Frame
	Calc   *thermo.Calculator
	Rules  *rules.Set
	Alarms *alerting.Engine

	// Record receives every point that is to be archived besides the raw
	// samples: calculated, ruled and system tags. Nil: none.
	Record func(plant.TagID, plant.Point)

	// Quiet leaves the alarms alone, for stretches of the past that the journal
	// has already: windows and derived tags go on.
	Quiet bool

	corrections [][]plant.Correction // by tag; nil: none
	files       []rules.File
	calc, ruled learned // what a checkpoint holds

	values  []thermo.Value // of the last scan
	system  map[string]plant.TagID
	said    map[string]words.Text // by system tag: what its value means just now, in words
	air     float64               // air pressure less the usual barometer that the frame is at, kPa
	scanned time.Time             // the last scan
	late    uint64                // samples older than the frame, archived but not evaluated
	future  uint64                // samples from the future, archived but kept out of the frame
}

// futureTolerance is how far ahead of the program's clock a source time may be
// before the sample is kept out of the frame.
const futureTolerance = 10 * time.Second

// systemTags are facts about the program that rules may use, with their values while all
// is well; NaN: none.
var systemTags = []struct {
	name    string
	dim     plant.Dimension
	well    float64
	meaning words.Text
}{
	{"scan_overruns", plant.AnyDimension, 0, "scans that took longer than the scan interval, since the start"},
	{"archive_ok", plant.State, 1, "1 while values can be archived"},
	{"files_intact", plant.State, 1, "1 while no file of the program is known to be gone, damaged or set aside"},
	{"disk_free_pct", plant.Percent, 100, "free part of the disk that archive and journal are on, of the fuller one if there are two, %"},
	{"journal_ok", plant.State, 1, "1 while events can be journalled"},
	{"forward_ok", plant.State, 1, "1 while values reach InfluxDB, or none is configured"},
	{"notify_ok", plant.State, 1, "1 while notices reach all their receivers, or there are none"},
	{"bad_tags_pct", plant.Percent, 0, "measured tags without a usable value, %"},
	{"clock_offset", plant.Duration, 0, "how far the clock of a server, or behind most of its values, is ahead of ours, s; the worst"},
	{"misstamped_tags", plant.AnyDimension, 0, "measured tags whose source time cannot be true: they count as of their receipt"},
	{"own_clock_offset", plant.Duration, 0, "how far the clock of this machine has been set since the start, s"},
	{"heartbeat", plant.State, math.NaN(), "the program's own test signal, 0 and 1 in turn"},
	{"late_stages", plant.AnyDimension, 0, "stretches that the test signal has not come through in time"},
	{"reader_crashes", plant.AnyDimension, 0, "how often a server sent what ended the process that reads it, since the start"},
	{"sample_age", plant.Duration, 0, "time since the last sample of any server, s"},
	{"rule_faults", plant.AnyDimension, 0, "rules that cannot be evaluated for a fault of their own, or are slow"},
	{"alarm_state_ok", plant.State, 1, "0 if the alarm states of before the last start could not be read"},
}

// SystemOwner is the owner of the tags that are facts about the program.
const SystemOwner = "calandria"

// New puts the parts together, on a house of its own: a fresh copy of h with the
// calculated, system and ruled tags. The error is a [plant.Faults] where plant file or
// rule files are at fault.
func New(h *plant.House, files []rules.File, opt rules.Options) (*Core, error) {
	h = h.Fresh()
	opt.Names = thermo.Names()
	c := &Core{House: h, files: files, system: map[string]plant.TagID{}, said: map[string]words.Text{}}
	var err error
	if c.Calc, err = thermo.New(h); err != nil {
		return nil, err
	}
	add := func(name string, d plant.Dimension, meaning words.Text) error {
		id, err := h.AddTag(plant.Tag{Path: SystemOwner + "." + name, Owner: SystemOwner, Class: plant.ClassSystem,
			Name: name, Dimension: d, Meaning: meaning, Source: plant.System})
		c.system[name] = id
		return err
	}
	for _, s := range systemTags {
		if err := add(s.name, s.dim, s.meaning); err != nil {
			return nil, err
		}
	}
	for _, s := range stageNames {
		if err := errors.Join(add(StageTag(s), plant.Duration, words.Say("age of the last test signal that came through: %s, s", s)),
			add(DelayTag(s), plant.Duration, words.Say("time that the last test signal took to come through: %s, s", s))); err != nil {
			return nil, err
		}
	}
	for _, s := range h.Config.OPCUA.Servers {
		if err := add(ServerTag(s.Name), plant.State, words.Say("1 while connected to OPC UA server %s", s.Name)); err != nil {
			return nil, err
		}
		if err := add(ClockTag(s.Name), plant.Duration, words.Say("how far the clock of OPC UA server %s is ahead of ours, s", s.Name)); err != nil {
			return nil, err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(h.States)) {
		if err := add(name, plant.State, words.Verbatim(h.States[name])); err != nil {
			return nil, err
		}
	}
	if c.Rules, err = rules.Load(files, h, opt); err != nil {
		return nil, err
	}
	if c.Alarms, err = alerting.New(c.Rules.Alarms()); err != nil {
		return nil, fmt.Errorf("alarm definitions: %w", err)
	}
	c.Alarms.HoldFirstUp(c.UnderWay())
	c.Alarms.BearBadCause(badCausePatience)
	c.Frame = plant.NewFrame(len(h.Tags))
	c.calc, c.ruled = newLearned(c.Calc), newLearned(c.Rules)
	return c, nil
}

// badCausePatience is how long a cause with a bad input goes on to explain its
// consequences: a sensor that drops out for some samples is back by then, and an
// operator can wait that long for what is hidden. Ours.
const badCausePatience = time.Minute

// UnderWay is how long samples may be on their way: the longest publishing
// interval and a little for the network. Timers wait for it, and so does the
// choice of what came first.
func (c *Core) UnderWay() time.Duration {
	var longest time.Duration
	for _, s := range c.House.Config.OPCUA.Servers {
		longest = max(longest, s.Publish)
	}
	return longest + 300*time.Millisecond
}

// ServerTag names the system tag that says whether a server is connected.
func ServerTag(name string) string { return "server_" + name + "_connected" }

// ClockTag names the system tag that says how far a server's clock is ahead.
func ClockTag(name string) string { return "server_" + name + "_clock_offset" }

// OffsetPath is where the archive keeps how far the clock behind a tag was ahead,
// s: the source's own time of a value is its time and this.
func OffsetPath(tag string) string { return tag + ".source_offset" }

// Begin puts the fixed values into the frame at the first moment.
func (c *Core) Begin(at time.Time) {
	for i := range c.House.Tags {
		if t := &c.House.Tags[i]; t.Source == plant.Fixed {
			p := plant.Point{Time: at, Value: t.Value, Quality: plant.Good}
			if t.Gauged() {
				p.Value += c.air
			}
			c.put(t.ID, p)
		}
	}
}

func (c *Core) put(id plant.TagID, p plant.Point) {
	c.Frame.Points[id] = p
	if c.Record != nil {
		c.Record(id, p)
	}
}

// Sample steps one raw sample through the frame and the conditions on measured
// tags. It reports whether the sample entered the frame: late ones and those
// from the future do not.
func (c *Core) Sample(s plant.Sample, now time.Time) bool {
	if !c.accept(s, now) {
		return false
	}
	if c.Quiet {
		c.Rules.Sample(c.Frame, s.Tag, nil, nil)
		return true
	}
	c.Rules.Sample(c.Frame, s.Tag, c.feed, func(alarm int, suppress plant.Truth, reason words.Text) {
		c.Alarms.SuppressWhile(alarm, plantState, suppress, reason, c.Frame.Points[s.Tag].Time)
	})
	return true
}

// accept puts a raw sample into the frame, if it belongs there.
func (c *Core) accept(s plant.Sample, now time.Time) bool {
	if s.Tag < 0 || int(s.Tag) >= len(c.Frame.Points) {
		return false
	}
	s.Point = c.corrected(s)
	if c.House.Tags[s.Tag].Gauged() {
		s.Point.Value += c.air
	}
	old := c.Frame.Points[s.Tag]
	switch {
	case s.Point.Time.After(now.Add(futureTolerance)):
		// It cannot be judged, so what stood before does not hold any longer.
		c.future++
		if old.Quality == plant.BadInvalidTimestamp {
			return false
		}
		c.put(s.Tag, plant.BadPoint(now, plant.BadInvalidTimestamp))
		return true
	case s.Point.Time.Before(old.Time):
		c.late++
		return false
	case s.Point.Time.Equal(old.Time) && old.Quality.Seen() && s.Point.Quality == old.Quality && s.Point.Value == old.Value:
		return false
	}
	c.Frame.Points[s.Tag] = s.Point
	if s.Point.Time.After(c.Frame.At) {
		c.Frame.At = s.Point.Time
	}
	return true
}

// Correct sets the corrections that samples are read with from now on. The
// archive keeps them as they came.
func (c *Core) Correct(list []plant.Correction) {
	c.corrections = nil
	for _, x := range list {
		if t, ok := c.House.Find(x.Tag); ok {
			if c.corrections == nil {
				c.corrections = make([][]plant.Correction, len(c.House.Tags))
			}
			c.corrections[t.ID] = append(c.corrections[t.ID], x)
		}
	}
}

func (c *Core) corrected(s plant.Sample) plant.Point {
	if c.corrections == nil {
		return s.Point
	}
	for i := range c.corrections[s.Tag] {
		if x := &c.corrections[s.Tag][i]; x.Covers(s.Point.Time) {
			return x.Apply(s.Point)
		}
	}
	return s.Point
}

// Learn takes over what another core of the same plant file has learned, such as
// one that has lived through the past again.
func (c *Core) Learn(from *Core) {
	c.Calc, c.calc = from.Calc, from.calc
	c.Calc.Everything()
	c.breathe(c.Calc.AirShift())
}

// breathe takes the gauge and vacuum readings of the frame, and limits against the air,
// along with the air pressure, so many kPa above the usual barometer.
func (c *Core) breathe(airKPa float64) {
	by := airKPa - c.air
	c.air = airKPa
	c.Rules.SetAir(airKPa)
	for i := range c.House.Tags {
		if by != 0 && c.House.Tags[i].Gauged() {
			c.Frame.Points[i].Value += by
		}
	}
}

// plantState names the suppression that a rule's suppress_when asks for.
const plantState = "plant state"

// feed gives an alarm what its condition says. Whether a sample comes too late
// is decided signal by signal, by the frame: one that it took changes what stands
// now, also if another signal of the condition was heard later. It counts as of
// the alarm's last input then.
func (c *Core) feed(alarm int, in plant.AlarmInput) {
	if last := c.Alarms.InputTime(alarm); in.Time.Before(last) {
		in.Time = last
	}
	c.Alarms.Feed(alarm, in)
}

// Scan works out quantities, rules and alarms at one moment. Timers that were
// due by then have fired when it returns.
func (c *Core) Scan(at time.Time) {
	if at.After(c.Frame.At) {
		c.Frame.At = at
	}
	c.scanned = at
	c.values = c.Calc.Step(c.Frame, at)
	c.breathe(c.Calc.AirShift())
	for i := range c.values {
		c.put(c.values[i].Tag, c.values[i].Point)
	}
	c.judge(at)
}

// Drain takes the engine's events. A call of the operator carries the words
// that explain it, as they were when it was made.
func (c *Core) Drain() []plant.Event {
	events := c.Alarms.Drain()
	for i := range events {
		e := &events[i]
		if e.Kind != plant.EventAlarm && e.Kind != plant.EventRealarm || e.Reason != "" {
			continue
		}
		if a := c.Alarms.Spec(e.Alarm); a != nil {
			e.Words = c.Words(a)
			e.Reason = e.Words.String()
		}
	}
	return events
}

// Say gives the words beside a system tag, for the alarms that name it under explain:.
func (c *Core) Say(name string, text words.Text) {
	if said := text.String(); len(said) > mostWords {
		text = words.Verbatim(strings.ToValidUTF8(said[:mostWords], "") + "…")
	}
	c.said[name] = text
}

// mostWords bounds what stands beside an alarm, bytes.
const mostWords = 300

// Words is what the calculated or system tag says that explains an alarm.
func (c *Core) Words(a *plant.AlarmSpec) words.Text {
	if a.Explain == "" {
		return ""
	}
	t, ok := c.House.Find(a.Explain)
	if !ok {
		return ""
	}
	if t.Source == plant.System {
		return c.said[t.Name]
	}
	return c.Calc.Words(t.ID)
}

// judge works out rules and alarms, the quantities standing in the frame.
func (c *Core) judge(at time.Time) {
	if c.Quiet {
		c.Rules.Scan(c.Frame, at, c.put, nil, nil)
		return
	}
	c.Rules.Scan(c.Frame, at, c.put, c.feed, func(alarm int, suppress plant.Truth, reason words.Text) {
		c.Alarms.SuppressWhile(alarm, plantState, suppress, reason, at)
	})
}

// Set gives a system tag its value.
func (c *Core) Set(name string, v float64, at time.Time) {
	id, ok := c.system[name]
	if !ok {
		return
	}
	old := c.Frame.Points[id]
	p := plant.Point{Time: at, Value: v, Quality: plant.Good}
	if old.Quality.Seen() && old.Value == v {
		// A fact that stays is not written again, but stays fresh.
		c.Frame.Points[id] = p
		return
	}
	c.put(id, p)
}

// BadTagsPct is the share of measured tags without a usable value.
func (c *Core) BadTagsPct() float64 {
	var bad, all int
	for t := range c.House.Measured() {
		if all++; !c.Frame.Points[t.ID].Usable() {
			bad++
		}
	}
	if all == 0 {
		return 0
	}
	return 100 * float64(bad) / float64(all)
}

// AllWell sets the system tags as they are while the program runs well: for
// replay, where nothing can be wrong with it.
func (c *Core) AllWell(at time.Time) {
	for _, s := range systemTags {
		if !math.IsNaN(s.well) {
			c.Set(s.name, s.well, at)
		}
	}
	for name := range c.House.States {
		c.Set(name, 1, at)
	}
	for _, s := range c.House.Config.OPCUA.Servers {
		c.Set(ServerTag(s.Name), 1, at)
		c.Set(ClockTag(s.Name), 0, at)
	}
}
