package main

import (
	"fmt"
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

// core is the part of the program that does arithmetic only: the frame and
// the engines, in order of event time. The loop owns one; replay, backtest and
// the filling of the demo's past each own another. It has no clock: the same
// calls give the same events.
type core struct {
	house  *plant.House
	frame  *plant.Frame
	calc   *thermo.Calculator
	rules  *rules.Set
	alarms *alerting.Engine
	values []thermo.Value // of the last scan
	system map[string]plant.TagID

	// record receives every point that is to be archived besides the raw
	// samples: calculated, ruled and system tags. Nil: none.
	record func(plant.TagID, plant.Point)
	late   uint64 // samples older than the frame, archived but not evaluated
	future uint64 // samples from the future, archived but kept out of the frame
}

// futureTolerance is how far ahead of the program's clock a source time may be
// before the sample is kept out of the frame.
const futureTolerance = 10 * time.Second

// systemTags are facts about the program that rules may use.
var systemTags = []struct {
	name    string
	dim     plant.Dimension
	meaning string
}{
	{"scan_overruns", plant.AnyDimension, "scans that took longer than the scan interval, since the start"},
	{"archive_ok", plant.State, "1 while values can be archived"},
	{"journal_ok", plant.State, "1 while events can be journalled"},
	{"forward_ok", plant.State, "1 while values reach InfluxDB, or none is configured"},
	{"notify_ok", plant.State, "1 while notices reach everyone who is to be told elsewhere, or nobody is"},
	{"bad_tags_pct", plant.Percent, "measured tags without a usable value, %"},
	{"sample_age", plant.Duration, "time since the last sample of any server, s"},
	{"rule_faults", plant.AnyDimension, "rules that cannot be evaluated for a fault of their own, or are slow"},
	{"alarm_state_ok", plant.State, "0 if the alarm states of before the last start could not be read"},
}

const systemOwner = "calandria"

// newCore puts the engines together. It adds the calculated, system and ruled
// tags to the house, so it must be the only one for that house.
func newCore(h *plant.House, files []rules.File) (*core, error) {
	return newCoreWith(h, files, rules.Options{})
}

func newCoreWith(h *plant.House, files []rules.File, opt rules.Options) (*core, error) {
	opt.Names = thermo.Names()
	c := &core{house: h, system: map[string]plant.TagID{}}
	var err error
	if c.calc, err = thermo.New(h); err != nil {
		return nil, err
	}
	add := func(name string, d plant.Dimension, meaning string) error {
		id, err := h.AddTag(plant.Tag{Path: systemOwner + "." + name, Owner: systemOwner, Class: plant.ClassSystem,
			Name: name, Dimension: d, Meaning: meaning, Source: plant.System})
		c.system[name] = id
		return err
	}
	for _, s := range systemTags {
		if err := add(s.name, s.dim, s.meaning); err != nil {
			return nil, err
		}
	}
	for _, s := range h.Config.OPCUA.Servers {
		if err := add(serverTag(s.Name), plant.State, "1 while connected to OPC UA server "+s.Name); err != nil {
			return nil, err
		}
	}
	if c.rules, err = rules.Load(files, h, opt); err != nil {
		return nil, err
	}
	if c.alarms, err = alerting.New(c.rules.Alarms()); err != nil {
		return nil, fmt.Errorf("alarm definitions: %w", err)
	}
	c.frame = plant.NewFrame(len(h.Tags))
	return c, nil
}

func serverTag(name string) string { return "server_" + name + "_connected" }

// begin puts the fixed values into the frame at the first moment.
func (c *core) begin(at time.Time) {
	for i := range c.house.Tags {
		if t := &c.house.Tags[i]; t.Source == plant.Fixed {
			c.put(t.ID, plant.Point{Time: at, Value: t.Value, Quality: plant.Good})
		}
	}
}

func (c *core) put(id plant.TagID, p plant.Point) {
	c.frame.Points[id] = p
	if c.record != nil {
		c.record(id, p)
	}
}

// sample steps one raw sample through the frame and the conditions on measured
// tags. It reports whether the sample entered the frame: late ones and those
// from the future do not.
func (c *core) sample(s plant.Sample, now time.Time) bool {
	if !c.accept(s, now) {
		return false
	}
	c.rules.Sample(c.frame, s.Tag, c.feed, func(alarm int, suppress plant.Truth, reason string) {
		c.alarms.SuppressWhile(alarm, plantState, suppress, reason, s.Point.Time)
	})
	return true
}

// accept puts a raw sample into the frame, if it belongs there.
func (c *core) accept(s plant.Sample, now time.Time) bool {
	if s.Tag < 0 || int(s.Tag) >= len(c.frame.Points) {
		return false
	}
	old := c.frame.Points[s.Tag]
	switch {
	case s.Point.Time.After(now.Add(futureTolerance)):
		c.future++
		return false
	case s.Point.Time.Before(old.Time):
		c.late++
		return false
	case s.Point.Time.Equal(old.Time) && old.Quality.Seen() && s.Point.Quality == old.Quality && s.Point.Value == old.Value:
		return false
	}
	c.frame.Points[s.Tag] = s.Point
	if s.Point.Time.After(c.frame.At) {
		c.frame.At = s.Point.Time
	}
	return true
}

// plantState names the suppression that a rule's suppress_when asks for.
const plantState = "plant state"

// feed gives an alarm what its condition says. Whether a sample comes too late
// is decided signal by signal, by the frame: one that it took changes what stands
// now, also if another signal of the condition was heard later. It counts as of
// the alarm's last input then.
func (c *core) feed(alarm int, in plant.AlarmInput) {
	if last := c.alarms.InputTime(alarm); in.Time.Before(last) {
		in.Time = last
	}
	c.alarms.Feed(alarm, in)
}

// scan works out quantities, rules and alarms at one moment. Timers that were
// due by then have fired when it returns.
func (c *core) scan(at time.Time) {
	if at.After(c.frame.At) {
		c.frame.At = at
	}
	c.values = c.calc.Step(c.frame, at)
	for i := range c.values {
		c.put(c.values[i].Tag, c.values[i].Point)
	}
	c.judge(at)
}

// drain takes the engine's events. A call of the operator carries the words
// that explain it, as they were when it was made.
func (c *core) drain() []plant.Event {
	events := c.alarms.Drain()
	for i := range events {
		e := &events[i]
		if e.Kind != plant.EventAlarm && e.Kind != plant.EventRealarm || e.Reason != "" {
			continue
		}
		if a := c.alarms.Spec(e.Alarm); a != nil {
			e.Reason = c.words(a)
		}
	}
	return events
}

// words is what the calculated tag says that explains an alarm.
func (c *core) words(a *plant.AlarmSpec) string {
	if a.Explain == "" {
		return ""
	}
	t, ok := c.house.Find(a.Explain)
	if !ok {
		return ""
	}
	return c.calc.Words(t.ID)
}

// judge works out rules and alarms, the quantities standing in the frame.
func (c *core) judge(at time.Time) {
	c.rules.Scan(c.frame, at, c.put, c.feed, func(alarm int, suppress plant.Truth, reason string) {
		c.alarms.SuppressWhile(alarm, plantState, suppress, reason, at)
	})
}

// set gives a system tag its value.
func (c *core) set(name string, v float64, at time.Time) {
	id, ok := c.system[name]
	if !ok {
		return
	}
	old := c.frame.Points[id]
	p := plant.Point{Time: at, Value: v, Quality: plant.Good}
	if old.Quality.Seen() && old.Value == v {
		// A fact that stays is not written again, but stays fresh.
		c.frame.Points[id] = p
		return
	}
	c.put(id, p)
}

// badTagsPct is the share of measured tags without a usable value.
func (c *core) badTagsPct() float64 {
	var bad, all int
	for i := range c.house.Tags {
		if c.house.Tags[i].Source == plant.Measured {
			all++
			if !c.frame.Points[i].Usable() {
				bad++
			}
		}
	}
	if all == 0 {
		return 0
	}
	return 100 * float64(bad) / float64(all)
}

// allWell sets the system tags as they are while the program runs well: for
// replay, where nothing can be wrong with it.
func (c *core) allWell(at time.Time) {
	for _, name := range []string{"archive_ok", "journal_ok", "forward_ok", "notify_ok", "alarm_state_ok"} {
		c.set(name, 1, at)
	}
	for _, s := range c.house.Config.OPCUA.Servers {
		c.set(serverTag(s.Name), 1, at)
	}
	for _, name := range []string{"scan_overruns", "rule_faults", "bad_tags_pct", "sample_age"} {
		c.set(name, 0, at)
	}
}
