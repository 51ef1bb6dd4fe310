package engine

import (
	"strings"
	"time"

	"calandria/plant"
)

// scenarioClocks are the clocks of a scenario: the program's own, which counts on by
// itself ([Clock]), and those behind the signals, whose stamps are placed as live
// ([plant.PlaceStamp]).
type scenarioClocks struct {
	own     *Clock
	gone    time.Duration // since the beginning
	set     time.Duration // how far the machine's clock was set
	servers map[string]time.Duration
	stamps  map[plant.TagID]stamped
}

type stamped struct {
	last   time.Time
	offset time.Duration
}

// parseClock reads "1h ahead", "30s behind" or "right", and "over 10m".
func parseClock(text string) (c *change, problem string) {
	c = &change{}
	p := &phrase{words: strings.Fields(text)}
	span := func() time.Duration {
		w := p.next()
		d, err := time.ParseDuration(w)
		if err != nil || d <= 0 {
			p.fail("%q is no time", w)
		}
		return d
	}
	if len(p.words) > 0 && p.words[0] == "right" {
		p.next()
	} else {
		c.number = span().Seconds()
		switch w := p.next(); w {
		case "ahead":
		case "behind":
			c.number = -c.number
		default:
			p.fail("%q is neither ahead nor behind", w)
		}
	}
	if w := p.next(); w == "over" {
		c.over = span()
	} else if w != "" {
		p.fail("%q is not understood", w)
	}
	return c, p.problem
}

func (r *scenarioRun) beginClocks(start time.Time) {
	c := &r.clocks
	c.own = &Clock{start: start, count: func() time.Duration { return c.gone }, wall: func() time.Time { return start.Add(c.gone + c.set) }}
	c.servers, c.stamps = map[string]time.Duration{}, map[plant.TagID]stamped{}
}

// prepareClocks refuses names that the plant does not have.
func (r *scenarioRun) prepareClocks(faults *plant.Faults) {
	for _, c := range r.Scenario.clocks {
		_, server := r.core.system[ServerTag(c.pattern)]
		if c.pattern != "own" && !server && len(r.named(c.pattern, plant.Measured)) == 0 {
			*faults = append(*faults, r.file.doc.Fault(c.field, "the plant has neither a server nor a measured signal of that name", `name a server, a path or pattern, or "own"`))
		}
	}
}

// ahead is how far a clock is ahead at a moment, by the last that was said of it.
func (r *scenarioRun) ahead(at time.Duration, means func(c *change) bool) (d time.Duration) {
	for _, c := range r.Scenario.clocks {
		if c.at > at || !means(c) {
			continue
		}
		to := time.Duration(c.number * float64(time.Second))
		if part := at - c.at; part < c.over {
			to = d + time.Duration(float64(to-d)*float64(part)/float64(c.over))
		}
		d = to
	}
	return d
}

// setClocks sets all clocks for a moment and gives what the program's own says.
func (r *scenarioRun) setClocks(at time.Duration, now time.Time) time.Time {
	c := &r.clocks
	c.gone = now.Sub(c.own.start)
	c.set = r.ahead(at, func(x *change) bool { return x.pattern == "own" })
	for _, s := range r.core.House.Config.OPCUA.Servers {
		c.servers[s.Name] = r.ahead(at, func(x *change) bool { return x.pattern == s.Name })
	}
	return c.own.Now()
}

// stamped gives a sample, taken just now, the time at which it is judged.
func (r *scenarioRun) stamped(x *instrument, at time.Duration, s plant.Sample, now time.Time) plant.Sample {
	if len(r.Scenario.clocks) == 0 {
		return s
	}
	t := &r.core.House.Tags[s.Tag]
	server := r.clocks.servers[t.Server]
	publish := time.Second
	for _, sc := range r.core.House.Config.OPCUA.Servers {
		if sc.Name == t.Server {
			publish = sc.Publish
		}
	}
	stamp := s.Point.Time.Add(server + r.ahead(at, func(c *change) bool { return covers(c.pattern, t.Path) }))
	was := r.clocks.stamps[s.Tag]
	placed, offset, _ := plant.PlaceStamp(stamp, now, was.last, was.offset, server, max(t.Sampling, publish)+publish, true, false)
	s.Point.Time, s.Offset = placed, stamp.Sub(placed)
	r.clocks.stamps[s.Tag] = stamped{placed, offset}
	return s
}

// tellClocks sets the facts about clocks that rules may use.
func (r *scenarioRun) tellClocks(now time.Time) {
	c := &r.clocks
	worst, wrong := time.Duration(0), 0
	for name, ahead := range c.servers {
		r.core.Set(ClockTag(name), coarse(ahead), now)
		if ahead.Abs() > worst.Abs() {
			worst = ahead
		}
	}
	for _, s := range c.stamps {
		if s.offset != 0 {
			wrong++
		}
	}
	r.core.Set("clock_offset", coarse(worst), now)
	r.core.Set("misstamped_tags", float64(wrong), now)
	r.core.Set("own_clock_offset", coarse(c.own.Off()), now)
}
