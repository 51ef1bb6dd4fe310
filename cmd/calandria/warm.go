package main

import (
	"context"
	"fmt"
	"time"

	"calandria/historian"
	"calandria/plant"
	"calandria/thermo"
)

const (
	// quietGap is how long the archive may have stood still before the past
	// counts as ended there.
	quietGap = time.Minute
	// longestLook is how far back a tag is searched for its last change.
	longestLook = 31 * 24 * time.Hour
)

// look feeds the windows of the rules with what the archive holds before at,
// and reports the newest sample met. No alarm is fed, nothing is recorded and
// the frame stays empty: an old value must not raise or clear anything. With a gap, a past that ended longer than
// that ago is closed as 'no data' there; 0 leaves it open.
func (c *core) look(ctx context.Context, ar *historian.Archive, at time.Time, gap time.Duration) (time.Time, error) {
	looks := c.rules.Looks()
	lasts := make([]plant.Point, len(looks))
	var newest time.Time
	for i, l := range looks {
		path := c.house.Tags[l.Tag].Path
		last, ok, err := ar.Last(ctx, path)
		if err != nil {
			return newest, fmt.Errorf("warm %s: %w", path, err)
		}
		if ok {
			lasts[i] = last
			if last.Time.After(newest) && !last.Time.After(at) {
				newest = last.Time
			}
		}
	}
	ended := gap > 0 && at.Sub(newest) > gap
	for i, l := range looks {
		path, last := c.house.Tags[l.Tag].Path, lasts[i]
		if !last.Quality.Seen() {
			continue
		}
		var err error
		span := l.Longest
		if l.Changes {
			if span, err = lastChange(ctx, ar, path, at, span); err != nil {
				return newest, fmt.Errorf("warm %s: %w", path, err)
			}
		}
		from, fed := at.Add(-span), false
		for v, err := range inParts(ctx, ar, path, from, at) {
			if err != nil {
				return newest, fmt.Errorf("warm %s: %w", path, err)
			}
			c.rules.Warm(l.Tag, v.Point)
			fed = true
		}
		if !fed && last.Time.Before(from) && !(ended && newest.Before(from)) {
			// Reported before the window and not again: the value still stands.
			last.Time = from
			c.rules.Warm(l.Tag, last)
		}
		if ended && !newest.IsZero() {
			c.rules.Warm(l.Tag, plant.BadPoint(newest, plant.BadNoData))
		}
	}
	return newest, ctx.Err()
}

// lastChange is how far back a tag has to be read to see its last change: from
// a short look on, further while it stood still.
func lastChange(ctx context.Context, ar *historian.Archive, path string, at time.Time, least time.Duration) (time.Duration, error) {
	for span := max(least, time.Hour); ; span = min(4*span, longestLook) {
		var first plant.Point
		seen, changed := false, false
		for v, err := range inParts(ctx, ar, path, at.Add(-span), at) {
			if err != nil {
				return 0, err
			}
			if !v.Point.Usable() {
				continue
			}
			if seen && v.Point.Value != first.Value {
				changed = true
				break
			}
			first, seen = v.Point, true
		}
		if changed || span == longestLook {
			return span, nil
		}
	}
}

const (
	// followSpan is how far back the sets are followed: longer than juice stays in one.
	followSpan = 2 * time.Hour
	followStep = 10 * time.Second
)

// follow lets the sets live through the last hours of the archive, so that a start in
// the middle of an upset is not taken for a steady hour, nor a steady hour for an
// unknown one. newest is the last sample that the archive holds; after a longer pause
// than [thermo.Gap] there is nothing to go by. The frame stays empty, as in look.
func (c *core) follow(ctx context.Context, ar *historian.Archive, newest, at time.Time) error {
	if newest.IsZero() || at.Sub(newest) > thermo.Gap {
		return ctx.Err()
	}
	sets := map[plant.TagID]bool{}
	var walk func(*plant.Equipment)
	walk = func(e *plant.Equipment) {
		for _, id := range e.Tags {
			sets[id] = true
		}
		for _, p := range e.Parts {
			walk(p)
		}
	}
	for _, e := range c.house.Of(plant.ClassSet) {
		walk(e)
	}
	if len(sets) == 0 {
		return ctx.Err()
	}
	from := newest.Add(-followSpan)
	frame := plant.NewFrame(len(c.house.Tags))
	for id := range sets {
		t := &c.house.Tags[id]
		if t.Source == plant.Fixed {
			frame.Points[id] = plant.Point{Time: from, Value: t.Value, Quality: plant.Good}
			continue
		}
		// Reported before and not again: the value still stands.
		last, ok, err := ar.Last(ctx, t.Path)
		if err != nil {
			return fmt.Errorf("follow %s: %w", t.Path, err)
		}
		if ok && last.Time.Before(from) {
			last.Time = from
			frame.Points[id] = last
		}
	}
	merged := newMerge(ctx, c.house, ar, from, newest.Add(time.Nanosecond), func(t *plant.Tag) bool { return sets[t.ID] })
	defer merged.stop()
	for t := from; ; t = t.Add(followStep) {
		if t.After(newest) {
			t = newest
		}
		for {
			x, ok, err := merged.next(t)
			if err != nil {
				return fmt.Errorf("follow the sets: %w", err)
			}
			if !ok {
				break
			}
			frame.Points[x.Tag] = x.Point
		}
		frame.At = t
		c.calc.Follow(frame, t)
		if t.Equal(newest) {
			return ctx.Err()
		}
	}
}
