package fouling

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// PlanBody is one body in a plan.
type PlanBody struct {
	Name   string
	Course Course // over the days of the plan and the look-ahead
	// Days since the last cleaning at the start of the plan.
	Days float64
	// EveryDays is the house's own time from cleaning to cleaning; 0 if not known.
	EveryDays float64
	// LimitRatio is the ratio to clean U at which cleaning is due.
	LimitRatio float64
	// LimitBy, if given, is when the limit is met at the early end of the forecast's
	// band (Forecast.Early): the plan keeps to this day in the running cycle.
	LimitBy time.Time
	// OffHours is how long a cleaning takes, 0.5 to 24.
	OffHours float64
	// LossPerPctDay is what 1 % of U lost costs a day, CleaningCost a cleaning
	// (chemicals, labour), OffCostPerHour an hour of the body's absence while the set
	// runs; 0 during a stop of the mill.
	LossPerPctDay, CleaningCost, OffCostPerHour float64
	// DifferenceShare is the share of the body in the temperature difference of the set.
	DifferenceShare float64
}

// Stop is a planned stop of the mill: a cleaning in it costs no production.
type Stop struct {
	From, To time.Time
	Reason   string
}

// PlanSettings are the bounds of a plan.
type PlanSettings struct {
	Start  time.Time // the first day, in the site's time zone
	Days   int       // 1 to 45
	Stops  []Stop
	NoCrew []time.Weekday // days without a cleaning crew
	// Together is true where the house cleans all bodies of the set at one stop of it;
	// StopCostPerHour is then what an hour of that costs. Otherwise one body is cleaned
	// on a day while the others run.
	Together        bool
	StopCostPerHour float64
	CostUnit        string // the currency
}

const (
	maxPlanBodies = 12
	// PlanAhead days beyond the end are planned too but not shown, so that a plan does
	// not leave dirty bodies behind.
	PlanAhead = 14
	// minDays between two cleanings of a body. A figure of ours.
	minDays = 3
	// overdue is what a day beyond a limit costs, in per cent of U lost on top of what
	// is lost: so much that the limit is kept if it can be. A figure of ours.
	overdue = 50
	// asGood is how much more a plan may cost that is called as good.
	asGood = 0.02
)

// planner holds the cost of a day, by body. A schedule is a sorted list of days.
type planner struct {
	s       PlanSettings
	bodies  []PlanBody
	total   int
	free    []bool // a crew, or a stop
	stop    []string
	running [][]float64 // cost of a day in the running cycle, summed to before it
	fresh   [][]float64 // cost of a day by age after a cleaning, summed likewise
}

func (p *planner) date(i int) time.Time { return p.s.Start.AddDate(0, 0, i) }

// lost is what U has lost, %.
func lost(ratio float64) float64 { return math.Max(0, 100*(1-ratio)) }

func (b *PlanBody) past(ratio float64) bool { return ratio < b.LimitRatio }

func (p *planner) past(b *PlanBody, day int) bool {
	if !b.LimitBy.IsZero() {
		return !p.date(day + 1).Before(b.LimitBy)
	}
	return b.past(b.Course.Running[day])
}

func newPlanner(bodies []PlanBody, s PlanSettings) (*planner, error) {
	if err := checkPlan(bodies, s); err != nil {
		return nil, fmt.Errorf("cleaning plan: %w", err)
	}
	y, m, d := s.Start.Date()
	s.Start = time.Date(y, m, d, 0, 0, 0, 0, s.Start.Location())
	p := &planner{s: s, bodies: bodies, total: s.Days + PlanAhead}
	for i := range p.total {
		noon, why := p.date(i).Add(12*time.Hour), ""
		for _, st := range s.Stops {
			if !noon.Before(st.From) && noon.Before(st.To) {
				why = st.Reason
			}
		}
		p.free = append(p.free, why != "" || !slices.Contains(s.NoCrew, p.date(i).Weekday()))
		p.stop = append(p.stop, why)
	}
	for i := range bodies {
		b := &bodies[i]
		running, fresh := make([]float64, p.total+1), make([]float64, p.total+1)
		cost := func(ratio float64, past bool) float64 {
			c := lost(ratio) * b.LossPerPctDay
			if past {
				c += overdue * b.LossPerPctDay
			}
			return c
		}
		for d := range p.total {
			running[d+1] = running[d] + cost(b.Course.Running[d], p.past(b, d))
			fresh[d+1] = fresh[d] + cost(b.Course.Fresh[d], b.past(b.Course.Fresh[d]))
		}
		p.running, p.fresh = append(p.running, running), append(p.fresh, fresh)
	}
	return p, nil
}

// stretch is the cost of scale on the days after a cleaning on day from (-1: the
// running cycle) to before day to.
func (p *planner) stretch(k, from, to int) float64 {
	if from < 0 {
		return p.running[k][to]
	}
	return p.fresh[k][to-from-1]
}

// event is the cost of a cleaning itself on a day, for the bodies given.
func (p *planner) event(of []int, day int) (c float64) {
	hours := 0.0
	for _, k := range of {
		b := &p.bodies[k]
		c += b.CleaningCost
		hours = math.Max(hours, b.OffHours)
		if !p.s.Together && p.stop[day] == "" {
			c += b.OffHours * b.OffCostPerHour
		}
	}
	if p.s.Together && p.stop[day] == "" {
		c += hours * p.s.StopCostPerHour
	}
	return c
}

// cost of a schedule for bodies that are cleaned on the same days.
func (p *planner) cost(of []int, days []int) (c float64) {
	last := -1
	for _, d := range days {
		for _, k := range of {
			c += p.stretch(k, last, d)
		}
		c += p.event(of, d)
		last = d
	}
	for _, k := range of {
		c += p.stretch(k, last, p.total)
	}
	return c
}

// soonest is the first day on which the bodies may be cleaned: minDays after the last.
func (p *planner) soonest(of []int) int {
	d := 0
	for _, k := range of {
		d = max(d, int(math.Ceil(minDays-p.bodies[k].Days)))
	}
	return d
}

// best is the schedule of least cost on the days open, exactly: the least cost up to a
// cleaning on a day is that up to one of the cleanings before it, and the stretch
// between the two (dynamic programming over the day of the last cleaning).
func (p *planner) best(of []int, open []bool) (days []int, cost float64) {
	least, before := make([]float64, p.total+1), make([]int, p.total+1)
	first := p.soonest(of)
	for to := 0; to <= p.total; to++ { // total stands for the end
		least[to], before[to] = math.Inf(1), -1
		if to < p.total && (!open[to] || to < first) {
			continue
		}
		try := func(from int, c float64) {
			for _, k := range of {
				c += p.stretch(k, from, to)
			}
			if c < least[to]-1e-9 {
				least[to], before[to] = c, from
			}
		}
		try(-1, 0)
		for from := range to {
			if !math.IsInf(least[from], 1) && (to-from >= minDays || to == p.total) {
				try(from, least[from])
			}
		}
		if to < p.total {
			least[to] += p.event(of, to)
		}
	}
	for d := before[p.total]; d >= 0; d = before[d] {
		days = append(days, d)
	}
	slices.Reverse(days)
	return days, least[p.total]
}

// oneByOne gives each body the best days that the others leave it, in turn until
// nothing changes, from several orders of the bodies. What each body would cost if it
// had the crew to itself bounds every plan from below.
func (p *planner) oneByOne() (plan [][]int, cost, atLeast float64) {
	n := len(p.bodies)
	cost = math.Inf(1)
	for k := range n {
		_, alone := p.best([]int{k}, p.free)
		atLeast += alone
	}
	for _, order := range orders(n) {
		try, sum := make([][]int, n), math.Inf(1)
		for range 20 {
			var now float64
			for _, k := range order {
				open := slices.Clone(p.free)
				for o, days := range try {
					for _, d := range days {
						open[d] = open[d] && o == k
					}
				}
				try[k], _ = p.best([]int{k}, open)
			}
			for k := range n {
				now += p.cost([]int{k}, try[k])
			}
			if now >= sum-1e-9 {
				break
			}
			sum = now
		}
		if sum < cost-1e-9 {
			plan, cost = try, sum
		}
		if cost <= atLeast*(1+1e-9) {
			break
		}
	}
	return plan, cost, atLeast
}

// orders are all orders of up to five bodies, and of more the rotations both ways.
func orders(n int) (all [][]int) {
	if n > 5 {
		for r := range n {
			var a, b []int
			for i := range n {
				a, b = append(a, (r+i)%n), append(b, (r+n-i)%n)
			}
			all = append(all, a, b)
		}
		return all
	}
	var grow func(done []int)
	grow = func(done []int) {
		if len(done) == n {
			all = append(all, slices.Clone(done))
		}
		for i := range n {
			if !slices.Contains(done, i) {
				grow(append(slices.Clone(done), i))
			}
		}
	}
	grow(nil)
	return all
}

// MakePlan proposes which body to clean on which day, at the least cost of scale,
// cleaning and absence. A plan of stops is the best of all; one body by body is within
// Cost - AtLeast of the best, and within 1 % of full enumeration (see the tests).
//
// A limit of U is kept if it can be; what cannot is named in Overdue. The plan is
// information for those who decide, never a permission.
func MakePlan(bodies []PlanBody, s PlanSettings) (Plan, error) {
	p, err := newPlanner(bodies, s)
	if err != nil {
		return Plan{}, err
	}
	out := Plan{Start: p.s.Start, Days: s.Days, Together: s.Together, CostUnit: s.CostUnit}
	var all []int
	for k := range bodies {
		all = append(all, k)
	}
	out.CostNone = p.cost(all, nil)
	plan := make([][]int, len(bodies))
	if s.Together {
		days, cost := p.best(all, p.free)
		out.Cost, out.AtLeast = cost, cost
		for k := range plan {
			plan[k] = days
		}
		for _, d := range days {
			p.describe(&out, plan, all, d)
		}
	} else {
		plan, out.Cost, out.AtLeast = p.oneByOne()
		for k, days := range plan {
			for _, d := range days {
				p.describe(&out, plan, []int{k}, d)
			}
		}
	}
	slices.SortStableFunc(out.Cleanings, func(a, b Cleaning) int { return a.Day.Compare(b.Day) })
	for k, days := range plan {
		p.overdue(&out, k, days)
	}
	return out, nil
}
