package fouling

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Cleaning is one line of a plan.
type Cleaning struct {
	Body  string    `json:"body"`
	Day   time.Time `json:"day,omitzero"` // its midnight
	Hours float64   `json:"hours"`
	Stop  string    `json:"stop"` // the reason of the mill stop it uses, empty outside one
	// First and Last are the days to which this cleaning (or stop) alone may be moved
	// while the whole plan costs at most 2 % more and no limit is passed.
	First time.Time `json:"first,omitzero"`
	Last  time.Time `json:"last,omitzero"`
	// Latest is the last day before the limit of U; zero if it is not in sight.
	Latest time.Time `json:"latest,omitzero"`
	// WaitCost is what putting it off to the next possible day costs, WaitLow and
	// WaitHigh the band of 90 % from what is known of the scale. In a plan by stops it
	// is that of the whole stop. Saves is what the cleaning or stop saves against
	// leaving it out.
	WaitCost float64 `json:"wait_cost"`
	WaitLow  float64 `json:"wait_low"`
	WaitHigh float64 `json:"wait_high"`
	Saves    float64 `json:"saves"`
	Ratio    float64 `json:"ratio"` // U over clean U that noon, not cleaned
}

// Plan is a proposal for a set.
type Plan struct {
	Start     time.Time  `json:"start,omitzero"`
	Days      int        `json:"days"`
	Together  bool       `json:"together"`
	Cleanings []Cleaning `json:"cleanings"` // in order of time
	// Cost over the days and PlanAhead, CostNone without any cleaning. No plan that
	// keeps the same bounds costs less than AtLeast.
	Cost     float64   `json:"cost"`
	CostNone float64   `json:"cost_none"`
	AtLeast  float64   `json:"at_least"`
	CostUnit string    `json:"cost_unit"`
	Overdue  []Overdue `json:"overdue"`
	LeftOut  []string  `json:"left_out"` // bodies of which too little is known
}

// Overdue is a body whose limit the plan cannot keep.
type Overdue struct {
	Body string    `json:"body"`
	Days int       `json:"days"`
	From time.Time `json:"from,omitzero"`
}

func checkPlan(bodies []PlanBody, s PlanSettings) error {
	var errs []error
	if s.Start.IsZero() {
		errs = append(errs, errors.New("start: give the first day"))
	}
	if s.Days < 1 || s.Days > 45 {
		return fmt.Errorf("days %d: must be 1 to 45", s.Days)
	}
	if len(bodies) == 0 || len(bodies) > maxPlanBodies {
		errs = append(errs, fmt.Errorf("%d bodies: must be 1 to %d", len(bodies), maxPlanBodies))
	}
	errs = append(errs, within("cost of an hour of a stop", s.StopCostPerHour, 0, 1e12, ""))
	names := map[string]bool{}
	for i, b := range bodies {
		if b.Name == "" || names[b.Name] {
			errs = append(errs, fmt.Errorf("body %d: needs a name of its own", i+1))
		}
		names[b.Name] = true
		if n := s.Days + PlanAhead; len(b.Course.Running) < n || len(b.Course.Fresh) < n {
			errs = append(errs, fmt.Errorf("body %s: the course of U must cover %d days", b.Name, n))
		}
		for _, e := range []error{
			within("limit ratio", b.LimitRatio, 0.1, 0.99, ""),
			within("days since cleaning", b.Days, 0, 1000, "d"),
			within("cleaning time", b.OffHours, 0.5, 24, "h"),
			within("cost of a per cent of U", b.LossPerPctDay, 0, 1e9, ""),
			within("cost of a cleaning", b.CleaningCost, 0, 1e12, ""),
			within("cost of an hour off", b.OffCostPerHour, 0, 1e12, ""),
		} {
			if e != nil {
				errs = append(errs, fmt.Errorf("body %s: %w", b.Name, e))
			}
		}
	}
	for _, st := range s.Stops {
		if !st.To.After(st.From) || st.Reason == "" {
			errs = append(errs, fmt.Errorf("stop %q: needs a reason, and an end after its beginning", st.Reason))
		}
	}
	return errors.Join(errs...)
}

// describe adds the lines of one cleaning, or of one stop, if it lies in the days shown.
func (p *planner) describe(out *Plan, plan [][]int, of []int, day int) {
	if day >= p.s.Days {
		return
	}
	days := plan[of[0]]
	i := slices.Index(days, day)
	cost := p.cost(of, days)
	without := slices.Delete(slices.Clone(days), i, i+1)
	moved := func(to int) (float64, bool) {
		ok := to >= p.soonest(of) && to < p.total && p.free[to]
		for k, ds := range plan {
			ok = ok && (slices.Contains(of, k) || !slices.Contains(ds, to))
		}
		for _, d := range without {
			ok = ok && (d-to >= minDays || to-d >= minDays)
		}
		if !ok {
			return 0, false
		}
		return p.cost(of, slices.Sorted(slices.Values(append(slices.Clone(without), to)))), true
	}
	line := Cleaning{Day: p.date(day), Stop: p.stop[day], Saves: p.cost(of, without) - cost}
	first, last := day, day
	for c, ok := moved(first - 1); ok && c <= cost+asGood*out.Cost; c, ok = moved(first - 1) {
		first--
	}
	for c, ok := moved(last + 1); ok && last+1 < p.s.Days && c <= cost+asGood*out.Cost; c, ok = moved(last + 1) {
		last++
	}
	for to := day + 1; to < p.total; to++ {
		if c, ok := moved(to); ok {
			line.WaitCost = c - cost
			break
		}
	}
	before := -1
	if i > 0 {
		before = days[i-1]
	}
	for _, k := range of {
		b := &p.bodies[k]
		c := line
		c.Body, c.Hours = b.Name, b.OffHours
		spread := 1.645 * b.Course.Sigma * math.Abs(c.WaitCost)
		c.WaitLow, c.WaitHigh = c.WaitCost-spread, c.WaitCost+spread
		c.Ratio = b.Course.Running[day]
		if before >= 0 {
			c.Ratio = b.Course.Fresh[day-before-1]
		}
		c.First, c.Last = p.date(first), p.date(last)
		for d := before + 1; d < p.total; d++ {
			if before < 0 && p.past(b, d) || before >= 0 && b.past(b.Course.Fresh[d-before-1]) {
				c.Latest = p.date(d)
				if c.Last.After(c.Latest) {
					c.Last = p.date(max(day, d))
				}
				break
			}
		}
		out.Cleanings = append(out.Cleanings, c)
	}
}

func (p *planner) overdue(out *Plan, k int, days []int) {
	b := &p.bodies[k]
	o := Overdue{Body: b.Name}
	last := -1
	for d := range p.s.Days {
		if slices.Contains(days, d) {
			last = d
			continue
		}
		if last < 0 && p.past(b, d) || last >= 0 && b.past(b.Course.Fresh[d-last-1]) {
			if o.Days++; o.Days == 1 {
				o.From = p.date(d)
			}
		}
	}
	if o.Days > 0 {
		out.Overdue = append(out.Overdue, o)
	}
}
