package engine

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"calandria/alerting"
	"calandria/plant"
)

// Adopt takes over the rules of another core, made from the same plant file, and
// keeps everything that has been gathered: quantities, windows, the state of
// alarms of the same name. Only the tags of rules may differ, and they stand
// behind all others. An error changes nothing.
func (c *Core) Adopt(next *Core, now time.Time) error {
	fixed := func(h *plant.House) []plant.Tag {
		n := slices.IndexFunc(h.Tags, func(t plant.Tag) bool { return t.Source == plant.Ruled })
		if n < 0 {
			n = len(h.Tags)
		}
		return h.Tags[:n]
	}
	if !slices.EqualFunc(fixed(c.House), fixed(next.House), func(a, b plant.Tag) bool { return a.Path == b.Path && a.Unit == b.Unit && a.Source == b.Source }) {
		return errors.New("the tags of the plant differ: this needs a restart")
	}
	if err := c.Alarms.Reload(next.Rules.Alarms(), alerting.Change{Reason: "rules reloaded"}, now); err != nil {
		return fmt.Errorf("alarm definitions: %w", err)
	}
	next.Rules.Adopt(c.Rules)
	frame := plant.NewFrame(len(next.House.Tags))
	frame.At = c.Frame.At
	for id := range next.House.Tags {
		if t, ok := c.House.Find(next.House.Tags[id].Path); ok && t.Unit == next.House.Tags[id].Unit {
			frame.Points[id] = c.Frame.Point(t.ID)
		}
	}
	c.House, c.Frame, c.Rules, c.ruled, c.files = next.House, frame, next.Rules, next.ruled, next.files
	if c.corrections != nil { // the tags of rules come last, and none is corrected
		c.corrections = append(c.corrections[:min(len(c.corrections), len(frame.Points))], make([][]plant.Correction, max(0, len(frame.Points)-len(c.corrections)))...)
	}
	for i := range c.Rules.Alarms() {
		if x := c.Rules.Explain(i, c.Frame, now); x.SuppressWords == "" {
			c.Alarms.SuppressWhile(i, plantState, plant.False, "no rule suppresses it any longer", now)
		}
		// Setpoints may have moved: alarms on measured tags are asked at once,
		// as of their newest sample; the others at the next scan.
		if at, ok := c.sampled(i, now); ok {
			c.feed(i, c.Rules.Input(i, c.Frame, at))
		}
	}
	return nil
}

// sampled gives the time of the newest sample of an alarm that reads measured
// and fixed tags only, but not before what it was fed last.
func (c *Core) sampled(alarm int, now time.Time) (at time.Time, ok bool) {
	at = c.Alarms.Status(alarm).InputTime
	for _, id := range c.Rules.Inputs(alarm) {
		if s := c.House.Tags[id].Source; s != plant.Measured && s != plant.Fixed {
			return at, false
		}
		if t := c.Frame.Point(id).Time; t.After(at) {
			at = t
		}
	}
	if at.IsZero() || at.After(now) {
		at = now
	}
	return at, true
}
