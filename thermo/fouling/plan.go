package fouling

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"time"
)

// PlanBody is one body in a plan.
type PlanBody struct {
	Name string
	// Model is the law of the scale after a cleaning, t in days; Days how long the
	// last cleaning ago was at the start of the plan.
	Model Model
	Days  float64
	// ReferenceU is clean U, kW/(m2 K); 0 takes the model's. LimitRatio to it is the
	// cleaning limit, default 0.65.
	ReferenceU float64
	LimitRatio float64
	// LimitBy, if given, is when the limit is met at the early end of the forecast's
	// band (Forecast.Early): the plan then keeps to this day in the running cycle.
	LimitBy time.Time
	// MinDays and MaxDays bound the interval between cleanings; 0: 3 days, none.
	MinDays, MaxDays float64
	// OffHours is how long a cleaning takes, default 10, at most 24.
	OffHours float64
	// LossPerPctDay is what 1 % of U lost costs a day, CleaningCost a cleaning
	// (chemicals, labour), OffCostPerHour the body's absence, 0 during a stop of the
	// mill. OverdueCostPerDay is charged for a day beyond a limit; 0 takes fifty
	// times LossPerPctDay.
	LossPerPctDay, CleaningCost, OffCostPerHour, OverdueCostPerDay float64
	// PressurePerPctKPa is the rise of the first calandria's pressure that the Brix
	// loop needs for each % of U this body has lost, kPa.
	PressurePerPctKPa float64
}

// Stop is a planned stop of the mill: a cleaning in it costs no production.
type Stop struct {
	From, To time.Time
	Reason   string
	// Bodies that can be cleaned on one day of the stop; default 1.
	Bodies int
}

// PlanSettings are the bounds of a plan.
type PlanSettings struct {
	Start time.Time // the first day, in the site's time zone
	Days  int       // 1 to 45
	// LookAheadDays beyond the end are planned too but not shown, so that a plan does
	// not leave dirty bodies behind; default 10, at most 18, less than 0 for none.
	LookAheadDays int
	Stops         []Stop
	NoCrew        []time.Weekday // days without a cleaning crew
	MaxPerWeek    int            // cleanings in any seven days; 0: no limit
	MinDaysApart  int            // between two cleanings of the set; default 1
	// PressureKPa is the first calandria's pressure with clean bodies, LimitKPa
	// what the header can give (0: not considered), CostPerKPaDay the cost of a day
	// for each kPa beyond it: Brix that is not reached.
	PressureKPa, LimitKPa, CostPerKPaDay float64
	CostUnit                             string // for showing, e.g. "USD"
}

// Limit names what bounds the day of a cleaning.
type Limit string

// The limits.
const (
	NoLimit       Limit = "none in sight"
	LimitU        Limit = "U ratio"
	LimitInterval Limit = "longest interval"
	LimitPressure Limit = "header pressure"
)

// Cleaning is one line of a plan.
type Cleaning struct {
	Body  string    `json:"body"`
	Day   time.Time `json:"day"` // its midnight
	Hours float64   `json:"hours"`
	// Stop is the reason of the mill stop it uses, empty outside one.
	Stop string `json:"stop,omitempty"`
	// First and Last are the days to which this cleaning alone may be moved while
	// the whole plan costs at most 2 % more and no limit is passed.
	First time.Time `json:"first"`
	Last  time.Time `json:"last"`
	// Latest is the last day before a limit, and Binding that limit. Zero if none
	// is in sight.
	Latest  time.Time `json:"latest"`
	Binding Limit     `json:"binding"`
	// WaitCost is what putting it off to the next possible day costs (others give
	// way), Saves what the cleaning saves against
	// leaving it out, in the plan's unit of cost.
	WaitCost float64 `json:"wait_cost"`
	Saves    float64 `json:"saves"`
	// RatioBefore is U over clean U that morning.
	RatioBefore float64 `json:"ratio_before"`
}

// Plan is a proposal for a set.
type Plan struct {
	Notice    string     `json:"notice"`
	Start     time.Time  `json:"start"`
	Days      int        `json:"days"`
	Cleanings []Cleaning `json:"cleanings"` // in order of time
	// Cost over the days and the look-ahead, and CostNone without any cleaning.
	Cost     float64 `json:"cost"`
	CostNone float64 `json:"cost_none"`
	CostUnit string  `json:"cost_unit,omitempty"`
	// Overdue lists what the plan cannot keep: in plain words.
	Overdue []string `json:"overdue,omitempty"`
	// Assumed says what the plan rests on.
	Assumed []string `json:"assumed"`
}

const maxPlanBodies = 12

// planner holds the tables for evaluating schedules: one bit a day and body.
type planner struct {
	s      PlanSettings
	bodies []PlanBody
	days   int // of the plan
	total  int // with the look-ahead
	loss   [][]float64
	aged   [][]float64 // loss by days of age, of the running cycle shifted
	over   [][]bool    // limit passed by age after a cleaning in the plan
	over0  [][]bool    // limit passed by plan day if not cleaned
	room   []int       // cleanings possible on a day
	stop   []string
	sums   []float64
}

func newPlanner(bodies []PlanBody, s PlanSettings) (*planner, error) {
	var errs []error
	if s.Start.IsZero() {
		errs = append(errs, errors.New("start: give the first day"))
	}
	switch {
	case s.LookAheadDays == 0:
		s.LookAheadDays = 10
	case s.LookAheadDays < 0:
		s.LookAheadDays = 0
	}
	if s.MinDaysApart == 0 {
		s.MinDaysApart = 1
	}
	if s.Days < 1 || s.Days > 45 || s.LookAheadDays > 18 {
		errs = append(errs, fmt.Errorf("days %d and look-ahead %d: must be 1 to 45 and at most 18", s.Days, s.LookAheadDays))
	}
	if len(bodies) == 0 || len(bodies) > maxPlanBodies {
		errs = append(errs, fmt.Errorf("%d bodies: must be 1 to %d", len(bodies), maxPlanBodies))
	}
	if s.MaxPerWeek < 0 || s.MinDaysApart < 1 {
		errs = append(errs, errors.New("cleanings a week and days between cleanings must not be negative"))
	}
	for what, v := range map[string]float64{"pressure": s.PressureKPa, "pressure limit": s.LimitKPa, "cost per kPa and day": s.CostPerKPaDay} {
		errs = append(errs, within(what, v, 0, 1e9, ""))
	}
	bodies = append([]PlanBody(nil), bodies...)
	names := map[string]bool{}
	for i := range bodies {
		b := &bodies[i]
		if b.LimitRatio == 0 {
			b.LimitRatio = 0.65
		}
		if b.MinDays == 0 {
			b.MinDays = 3
		}
		if b.OffHours == 0 {
			b.OffHours = 10
		}
		if b.ReferenceU == 0 && b.Model.Start > 0 {
			b.ReferenceU = 1 / b.Model.Start
		}
		if b.OverdueCostPerDay == 0 {
			b.OverdueCostPerDay = 50 * b.LossPerPctDay
		}
		if b.Name == "" || names[b.Name] {
			errs = append(errs, fmt.Errorf("body %d: needs a name of its own", i+1))
		}
		names[b.Name] = true
		for _, e := range []error{
			within("clean U", b.ReferenceU, lowU, highU, "kW/(m2 K)"),
			within("U of the model", b.Model.U(0), lowU, highU, "kW/(m2 K)"),
			within("growth of the model", b.Model.Coefficient, 0, 1e6, ""),
			within("shape of the model", b.Model.Shape, 0, 1e6, ""),
			within("limit ratio", b.LimitRatio, 0.1, 0.99, ""),
			within("days since cleaning", b.Days, 0, 1000, "d"),
			within("shortest interval", b.MinDays, 1, 1000, "d"),
			within("longest interval", b.MaxDays, 0, 1000, "d"),
			within("cleaning time", b.OffHours, 0.5, 24, "h"),
			within("cost of a per cent of U", b.LossPerPctDay, 0, 1e9, ""),
			within("cost of a cleaning", b.CleaningCost, 0, 1e12, ""),
			within("cost of an hour off", b.OffCostPerHour, 0, 1e12, ""),
			within("cost of a day overdue", b.OverdueCostPerDay, 0, 1e12, ""),
			within("pressure per per cent", b.PressurePerPctKPa, 0, 1000, "kPa"),
		} {
			if e != nil {
				errs = append(errs, fmt.Errorf("body %s: %w", b.Name, e))
			}
		}
		if (b.Model.Kind == Logarithmic || b.Model.Kind == Power || b.Model.Kind == Asymptotic) && !(b.Model.Shape > 0) {
			errs = append(errs, fmt.Errorf("body %s: the %v law needs a shape above 0", b.Name, b.Model.Kind))
		}
	}
	for _, st := range s.Stops {
		if !st.To.After(st.From) {
			errs = append(errs, fmt.Errorf("stop %q: ends before it begins", st.Reason))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("cleaning plan: %w", err)
	}
	y, m, d := s.Start.Date()
	s.Start = time.Date(y, m, d, 0, 0, 0, 0, s.Start.Location())
	p := &planner{s: s, bodies: bodies, days: s.Days, total: s.Days + s.LookAheadDays}
	p.sums = make([]float64, p.total)
	for i := range p.total {
		day := p.date(i)
		room, why := 1, ""
		for _, w := range s.NoCrew {
			if day.Weekday() == w {
				room = 0
			}
		}
		for _, st := range s.Stops {
			// The day belongs to a stop that covers half of it.
			from, to := st.From, st.To
			if from.Before(day) {
				from = day
			}
			if end := p.date(i + 1); to.After(end) {
				to = end
			}
			if to.Sub(from) >= 12*time.Hour {
				room, why = max(room, st.Bodies), st.Reason
				if why == "" {
					why = "mill stop"
				}
			}
		}
		p.room, p.stop = append(p.room, room), append(p.stop, why)
	}
	for _, b := range bodies {
		loss, aged := make([]float64, p.total), make([]float64, p.total)
		over, over0 := make([]bool, p.total), make([]bool, p.total)
		for i := range p.total {
			lost := func(t float64) float64 { return math.Max(0, 100*(1-b.Model.U(t)/b.ReferenceU)) }
			t := float64(i) + 0.5
			loss[i], aged[i] = lost(t), lost(b.Days+t)
			past := func(t float64) bool {
				return lost(t) > 100*(1-b.LimitRatio) || (b.MaxDays > 0 && t > b.MaxDays)
			}
			over[i], over0[i] = past(t), past(b.Days+t)
			if !b.LimitBy.IsZero() {
				over0[i] = !p.date(i+1).Before(b.LimitBy) || (b.MaxDays > 0 && b.Days+t > b.MaxDays)
			}
		}
		p.loss, p.aged = append(p.loss, loss), append(p.aged, aged)
		p.over, p.over0 = append(p.over, over), append(p.over0, over0)
	}
	return p, nil
}

func (p *planner) date(i int) time.Time { return p.s.Start.AddDate(0, 0, i) }

// allowed reports whether body k may be cleaned on day d beside the others.
func (p *planner) allowed(plan []uint64, k, d int) bool {
	if d < 0 || d >= p.total || p.room[d] == 0 || plan[k]>>d&1 == 1 {
		return false
	}
	b := p.bodies[k]
	gap := int(math.Ceil(b.MinDays))
	if b.Days+float64(d) < b.MinDays {
		return false
	}
	for i := max(0, d-gap+1); i < min(p.total, d+gap); i++ {
		if plan[k]>>i&1 == 1 {
			return false
		}
	}
	same := 0
	var all [64]int
	for _, m := range plan {
		same += int(m >> d & 1)
		for ; m != 0; m &= m - 1 {
			all[bits.TrailingZeros64(m)]++
		}
	}
	if same >= p.room[d] {
		return false
	}
	all[d]++
	for i := max(0, d-p.s.MinDaysApart+1); i < min(p.total, d+p.s.MinDaysApart); i++ {
		// Within a stop several may follow each other.
		if i != d && all[i] > 0 && (p.stop[i] == "" || p.stop[d] == "") {
			return false
		}
	}
	if p.s.MaxPerWeek > 0 {
		for from := max(0, d-6); from <= d; from++ {
			n := 0
			for i := from; i < min(p.total, from+7); i++ {
				n += all[i]
			}
			if n > p.s.MaxPerWeek {
				return false
			}
		}
	}
	return true
}

// cost of a plan over the days and the look-ahead.
func (p *planner) cost(plan []uint64) float64 {
	var c float64
	for i := range p.sums {
		p.sums[i] = p.s.PressureKPa
	}
	for k := range p.bodies {
		b := &p.bodies[k]
		last := -1
		for i := range p.total {
			var lost float64
			var over bool
			if plan[k]>>i&1 == 1 {
				last = i
				c += b.CleaningCost
				if p.stop[i] == "" {
					c += b.OffHours * b.OffCostPerHour
				}
			} else if last >= 0 {
				lost, over = p.loss[k][i-last-1], p.over[k][i-last-1]
			} else {
				lost, over = p.aged[k][i], p.over0[k][i]
			}
			c += lost * b.LossPerPctDay
			if over {
				c += b.OverdueCostPerDay
			}
			p.sums[i] += lost * b.PressurePerPctKPa
		}
	}
	if p.s.LimitKPa > 0 {
		for _, v := range p.sums {
			c += math.Max(0, v-p.s.LimitKPa) * p.s.CostPerKPaDay
		}
	}
	return c
}

type spot struct{ body, day int }

// improve adds, moves, exchanges and leaves out cleanings while that lowers the
// cost. Adding looks one cleaning ahead: the best pair is tried as well as the
// best single one, since a first cleaning may pay only with a second.
func (p *planner) improve(plan []uint64) float64 {
	best := p.cost(plan)
	var spots []spot
	for k := range p.bodies {
		for d := range p.total {
			spots = append(spots, spot{k, d})
		}
	}
	flip := func(s spot) { plan[s.body] ^= 1 << s.day }
	eps := func() float64 { return 1e-9 * (1 + math.Abs(best)) }
	for range 400 {
		top, gain := [4]spot{}, eps()
		n := 0
		try := func(s ...spot) {
			if g := best - p.cost(plan); g > gain {
				gain = g
				n = copy(top[:], s)
			}
		}
		for i, a := range spots {
			switch {
			case plan[a.body]>>a.day&1 == 1:
				flip(a)
				try(a) // leave out
				for _, b := range spots {
					if b != a && p.allowed(plan, b.body, b.day) { // move, or another body instead
						flip(b)
						try(a, b)
						if b.day != a.day { // exchange with what may now stand
							for k := range p.bodies {
								if p.allowed(plan, k, a.day) {
									c := spot{k, a.day}
									flip(c)
									try(a, b, c)
									flip(c)
								}
							}
						}
						flip(b)
					}
				}
				for k := range p.bodies { // exchange the days of two
					for m := plan[k]; k > a.body && m != 0; m &= m - 1 {
						b := spot{k, bits.TrailingZeros64(m)}
						flip(b)
						x, y := spot{a.body, b.day}, spot{k, a.day}
						if p.allowed(plan, x.body, x.day) {
							flip(x)
							if p.allowed(plan, y.body, y.day) {
								flip(y)
								try(a, b, x, y)
								flip(y)
							}
							flip(x)
						}
						flip(b)
					}
				}
				flip(a)
			case p.allowed(plan, a.body, a.day):
				flip(a)
				try(a)
				for _, b := range spots[i+1:] {
					if len(spots) > 400 && b.body != a.body { // long plans: pairs of one body only
						break
					}
					if p.allowed(plan, b.body, b.day) {
						flip(b)
						try(a, b)
						flip(b)
					}
				}
				flip(a)
			}
		}
		if n == 0 {
			break
		}
		for _, s := range top[:n] {
			flip(s)
		}
		best = p.cost(plan)
	}
	return best
}

// again lays one body's cleanings anew, none to three of them on any days, with
// the others as they stand, and for short plans two bodies' together, none to
// two each. It reports whether that lowered the cost.
func (p *planner) again(plan []uint64) bool {
	cost := p.cost(plan)
	before := cost
	// masks calls f for every allowed choice of at most n cleanings of body k.
	var masks func(k, n, from int, f func())
	masks = func(k, n, from int, f func()) {
		f()
		if n == 0 {
			return
		}
		for d := from; d < p.total; d++ {
			if p.allowed(plan, k, d) {
				plan[k] |= 1 << d
				masks(k, n-1, d+1, f)
				plan[k] &^= 1 << d
			}
		}
	}
	eps := 1e-9 * (1 + math.Abs(cost))
	for k := range p.bodies {
		old := plan[k]
		best := old
		plan[k] = 0
		most := 3
		if p.total > 40 {
			most = 2
		}
		if bits.OnesCount64(old) > most {
			plan[k] = old
			continue
		}
		masks(k, most, 0, func() {
			if c := p.cost(plan); c < cost-eps {
				cost, best = c, plan[k]
			}
		})
		plan[k] = best
	}
	if p.total <= 16 {
		for k := range p.bodies {
			for l := range k {
				best := [2]uint64{plan[k], plan[l]}
				plan[k], plan[l] = 0, 0
				masks(k, 2, 0, func() {
					masks(l, 2, 0, func() {
						if c := p.cost(plan); c < cost-eps {
							cost, best = c, [2]uint64{plan[k], plan[l]}
						}
					})
				})
				plan[k], plan[l] = best[0], best[1]
			}
		}
	}
	return cost < before-eps
}

// MakePlan proposes which body to clean on which day: one at a time, within the
// crew's and the stops' bounds, at the least cost of scale, cleaning and absence
// that a greedy search with look-ahead finds. Against full enumeration of five
// bodies over two weeks it comes within 1 % (see the tests).
//
// A limit (U ratio, longest interval) is kept if it can be; what cannot is named
// in Overdue. The plan is information for those who decide, never a permission.
func MakePlan(bodies []PlanBody, s PlanSettings) (Plan, error) {
	p, err := newPlanner(bodies, s)
	if err != nil {
		return Plan{}, err
	}
	plan := make([]uint64, len(p.bodies))
	out := Plan{Notice: Notice, Start: p.s.Start, Days: p.days, CostUnit: s.CostUnit, CostNone: p.cost(plan)}
	out.Cost = p.improve(plan)
	for range 10 {
		if !p.again(plan) {
			break
		}
		out.Cost = p.improve(plan)
	}
	for d := range p.days {
		for k := range p.bodies {
			if plan[k]>>d&1 == 1 {
				out.Cleanings = append(out.Cleanings, p.describe(plan, k, d, out.Cost))
			}
		}
	}
	p.overdue(plan, &out)
	out.Assumed = []string{
		"scale grows as the fitted law of each body says, at the rates and loads of now",
		fmt.Sprintf("%d days beyond the plan are planned too, but not shown", p.s.LookAheadDays),
	}
	if s.LimitKPa == 0 {
		out.Assumed = append(out.Assumed, "no limit of the header pressure was given")
	}
	return out, nil
}

func (p *planner) describe(plan []uint64, k, d int, cost float64) Cleaning {
	b := p.bodies[k]
	c := Cleaning{Body: b.Name, Day: p.date(d), Hours: b.OffHours, Stop: p.stop[d], Binding: NoLimit}
	// State of that morning.
	last := -1
	for i := range d {
		if plan[k]>>i&1 == 1 {
			last = i
		}
	}
	age := b.Days + float64(d)
	if last >= 0 {
		age = float64(d - last - 1)
	}
	c.RatioBefore = b.Model.U(age) / b.ReferenceU

	plan[k] &^= 1 << d
	defer func() { plan[k] |= 1 << d }()
	c.Saves = p.cost(plan) - cost
	with := func(day int) (float64, bool) {
		ok := day < p.days && p.allowed(plan, k, day)
		if !ok {
			return 0, false
		}
		plan[k] |= 1 << day
		v := p.cost(plan)
		plan[k] &^= 1 << day
		return v, ok
	}
	plan[k] |= 1 << d
	c.WaitCost = p.later(plan, k, d) - cost
	plan[k] &^= 1 << d
	allow := flat * math.Abs(cost)
	first, lastDay := d, d
	for first > 0 {
		if v, ok := with(first - 1); !ok || v > cost+allow {
			break
		}
		first--
	}
	for lastDay < p.days-1 {
		if v, ok := with(lastDay + 1); !ok || v > cost+allow {
			break
		}
		lastDay++
	}
	// Limits, with this cleaning left out and the others as planned.
	due := func(passed func(i int) bool) int {
		for i := last + 1; i < p.total; i++ {
			if passed(i) {
				return i
			}
		}
		return -1
	}
	binds := func(day int, l Limit) {
		if day >= 0 && (c.Latest.IsZero() || p.date(day).Before(c.Latest)) {
			c.Latest, c.Binding = p.date(day), l
		}
	}
	ageOn := func(i int) float64 {
		if last >= 0 {
			return float64(i-last-1) + 0.5
		}
		return b.Days + float64(i) + 0.5
	}
	binds(due(func(i int) bool {
		if last < 0 && !b.LimitBy.IsZero() {
			return !p.date(i + 1).Before(b.LimitBy)
		}
		return b.Model.U(ageOn(i)) < b.LimitRatio*b.ReferenceU
	}), LimitU)
	if b.MaxDays > 0 {
		binds(due(func(i int) bool { return ageOn(i) > b.MaxDays }), LimitInterval)
	}
	if p.s.LimitKPa > 0 && b.PressurePerPctKPa > 0 {
		// The first day on which this cleaning keeps the pressure within its limit.
		p.cost(plan) // fills the sums
		without := append([]float64(nil), p.sums...)
		plan[k] |= 1 << d
		p.cost(plan)
		plan[k] &^= 1 << d
		binds(due(func(i int) bool { return without[i] > p.s.LimitKPa && p.sums[i] <= p.s.LimitKPa }), LimitPressure)
	}
	c.First, c.Last = p.date(first), p.date(lastDay)
	if !c.Latest.IsZero() && c.Last.After(c.Latest) {
		c.Last = c.Latest
		if c.Last.Before(c.Day) {
			c.Last = c.Day
		}
	}
	if c.First.After(c.Last) {
		c.First = c.Last
	}
	return c
}

// later is the cost when body k's cleaning of day d is put off to the next day
// on which one is possible; a cleaning of another body that stands there gives
// way in the same manner, and so on.
func (p *planner) later(plan []uint64, k, d int) float64 {
	moved := append([]uint64(nil), plan...)
	moved[k] &^= 1 << d
	for day := d + 1; day < p.total; day++ {
		if p.room[day] == 0 {
			continue
		}
		if p.allowed(moved, k, day) {
			moved[k] |= 1 << day
			break
		}
		for o := range moved {
			if o == k || moved[o]>>day&1 == 0 {
				continue
			}
			moved[o] &^= 1 << day
			if p.allowed(moved, k, day) {
				moved[k] |= 1 << day
				k = o
				break
			}
			moved[o] |= 1 << day
		}
	}
	return p.cost(moved)
}

func (p *planner) overdue(plan []uint64, out *Plan) {
	for k, b := range p.bodies {
		last, n, first := -1, 0, -1
		for i := range p.days {
			var over bool
			switch {
			case plan[k]>>i&1 == 1:
				last = i
			case last >= 0:
				over = p.over[k][i-last-1]
			default:
				over = p.over0[k][i]
			}
			if over {
				if n++; first < 0 {
					first = i
				}
			}
		}
		if n > 0 {
			out.Overdue = append(out.Overdue, fmt.Sprintf("%s is beyond its limit on %d of %d days, from %s", b.Name, n, p.days, p.date(first).Format(time.DateOnly)))
		}
	}
	if p.s.LimitKPa > 0 {
		p.cost(plan)
		n, first := 0, -1
		for i := range p.days {
			if p.sums[i] > p.s.LimitKPa {
				if n++; first < 0 {
					first = i
				}
			}
		}
		if n > 0 {
			out.Overdue = append(out.Overdue, fmt.Sprintf("the header pressure is short on %d of %d days, from %s", n, p.days, p.date(first).Format(time.DateOnly)))
		}
	}
}
