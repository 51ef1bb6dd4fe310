package thermo

import (
	"math"
	"time"

	"calandria/plant/words"
	"calandria/thermo/fouling"
)

// CleaningWish is what a plan of cleanings is asked for with. Zero fields take the
// site's costs, else the program's own figures.
type CleaningWish struct {
	Set    string // path
	Days   int    // 1 to 45
	Stops  []fouling.Stop
	NoCrew []time.Weekday
	Hours  float64 // length of a cleaning, h
	// LossCost is what 1 % of U lost costs a day, of the average body; Cost what the
	// cleaning of a body costs; OffCost an hour without one body; StopCost an hour
	// without the set.
	LossCost, Cost, OffCost, StopCost float64
	How                               How
}

// How the bodies of a set are cleaned.
type How uint8

// The ways.
const (
	AsUsual    How = iota // as the house was seen to do
	BodyByBody            // one on a day, while the others run
	ByStops               // all at one stop of the set
)

// The program's own figures. Where neither prices nor a habit of the house tell, a
// cleaning costs as much as usualCost days at 1 % less U of the average body, an hour
// without a body usualOff of them, an hour of a stop usualStop.
const (
	usualDays, usualOffHours       = 21, 10.0
	usualCost, usualOff, usualStop = 30.0, 3.0, 30.0
)

// SteamUnit is what a plan counts in where the site gives no prices.
const SteamUnit words.Text = "t of steam"

// CleaningProposal is a plan of cleanings and what it rests on.
type CleaningProposal struct {
	fouling.Plan
	Wish  CleaningWish  `json:"-"` // with what was left out filled in
	Habit fouling.Habit `json:"habit"`
	// Bodies lists the best boiling time of each; Whole that of all cleaned together.
	Bodies []BestBoiling `json:"best_boiling"`
	Whole  fouling.Best  `json:"best_boiling_together"`
	// Intervals are what other times from cleaning to cleaning would give; none where
	// the house's own is not known.
	Intervals []fouling.Interval `json:"intervals"`
	// Priced is true where what scale costs comes from the site's prices; ByHabit is of
	// how many bodies the price of a cleaning comes from the house's own interval.
	Priced  bool `json:"priced"`
	ByHabit int  `json:"by_habit"`
}

// BestBoiling is that of one body.
type BestBoiling struct {
	Body string `json:"body"`
	fouling.Best
}

// ErrNoScale says that nothing can be planned yet.
var ErrNoScale = words.Errorf("clean U is not known of any body: give clean_u_w_m2k, record a cleaning, or import the past of the plant")

// bestDays is how far the best boiling times are looked for.
const bestDays = 120

// ProposeCleanings plans the cleanings of a set for the days after now.
func (c *Calculator) ProposeCleanings(w CleaningWish, now time.Time, zone *time.Location) (CleaningProposal, error) {
	s := c.set(w.Set)
	if s == nil {
		return CleaningProposal{}, words.Errorf("there is no evaporator set %q", w.Set)
	}
	out := CleaningProposal{}
	var cleaned [][]time.Time
	for _, b := range s.bodies {
		cleaned = append(cleaned, b.scaling.track.Cleanings())
	}
	out.Habit = fouling.LearnHabit(cleaned)
	if w.How == AsUsual {
		if w.How = BodyByBody; out.Habit.Together {
			w.How = ByStops
		}
	}
	costs := c.house.Config.Site.Costs
	told := w.Cost > 0 || w.StopCost > 0 || w.OffCost > 0 || costs.Cleaning > 0 || costs.LostJuicePerT > 0 // what a cleaning costs
	var unit string
	out.Priced, unit = s.price(&w, told)
	y, m, d := now.In(zone).Date()
	settings := fouling.PlanSettings{Start: time.Date(y, m, d+1, 0, 0, 0, 0, zone), Days: w.Days, Stops: w.Stops, NoCrew: w.NoCrew,
		Together: w.How == ByStops, StopCostPerHour: w.StopCost, CostUnit: unit}
	bodies, left := s.planned(w, settings, out.Habit)
	if len(bodies) == 0 {
		return out, ErrNoScale
	}
	if !told {
		if out.ByHabit = settings.PriceByHabit(bodies); out.ByHabit > 0 {
			w.Cost, w.StopCost = 0, settings.StopCostPerHour
			for _, b := range bodies {
				w.Cost += b.CleaningCost / float64(len(bodies))
			}
		}
	}
	out.Wish, out.Intervals = w, fouling.Intervals(bodies)
	var err error
	if out.Plan, err = fouling.MakePlan(bodies, settings); err != nil {
		return out, err
	}
	out.LeftOut = left
	alone := settings
	alone.Together = false
	for _, b := range bodies {
		out.Bodies = append(out.Bodies, BestBoiling{b.Name, fouling.BestBoiling([]fouling.PlanBody{b}, alone)})
	}
	together := settings
	together.Together = true
	out.Whole = fouling.BestBoiling(bodies, together)
	return out, nil
}

func (c *Calculator) set(path string) *setView {
	for _, s := range c.sets {
		if s.equip.Path == path {
			return s
		}
	}
	return nil
}

// planned are the bodies of which enough is known, and the names of the others.
func (s *setView) planned(w CleaningWish, p fouling.PlanSettings, habit fouling.Habit) (bodies []fouling.PlanBody, left []string) {
	shares := s.differenceShares()
	for i, b := range s.bodies {
		x := b.scaling
		course, ok := x.track.Course(p.Start, max(bestDays, w.Days+fouling.PlanAhead))
		if !ok {
			left = append(left, b.equip.Path)
			continue
		}
		since, _ := x.track.Started()
		var by time.Time // a band that says nothing bounds nothing
		if f := &x.forecast; f.Status == fouling.Expected || f.Status == fouling.Reached {
			by = f.Early
		}
		every := habit.Each[i]
		if p.Together && habit.Together {
			every = habit.EveryDays
		}
		bodies = append(bodies, fouling.PlanBody{Name: b.equip.Path, Course: course, EveryDays: every, Days: math.Max(0, p.Start.Sub(since).Hours()/24),
			LimitRatio: b.equip.Body.CleaningLimit, LimitBy: by, OffHours: w.Hours, DifferenceShare: shares[i],
			LossPerPctDay: w.LossCost * shares[i] * float64(len(s.bodies)), CleaningCost: w.Cost, OffCostPerHour: w.OffCost})
	}
	return bodies, left
}

// differenceShares of the bodies; equal while they are not known.
func (s *setView) differenceShares() []float64 {
	out := make([]float64, len(s.bodies))
	var sum float64
	for i, b := range s.bodies {
		out[i] = b.scaling.share
		if !(out[i] > 0) {
			sum = 0
			break
		}
		sum += out[i]
	}
	for i := range out {
		if sum > 0 {
			out[i] /= sum
		} else {
			out[i] = 1 / float64(len(out))
		}
	}
	return out
}

// price fills in what the wish leaves open, and reports whether the site's prices were
// used for it, and the unit. What scale costs: 1 % of U of a body takes its share of the
// temperature difference off the evaporation of the set; that water is then boiled off
// in the pans, a tonne of steam for each tonne instead of one for as many as there are
// effects. Without a body the same water is boiled in one effect fewer. A stop of the
// set costs the juice that is not worked up. (Rillieux's rule, Hugot, from memory.)
// Where nobody has told a cost, the steam itself is counted.
func (s *setView) price(w *CleaningWish, told bool) (priced bool, unit string) {
	fill := func(v *float64, usual float64) {
		if !(*v > 0) {
			*v = usual
		}
	}
	if w.Days == 0 {
		w.Days = usualDays
	}
	p := s.in.house.Config.Site.Costs
	fill(&w.Hours, p.CleaningHours)
	fill(&w.Hours, usualOffHours)
	fill(&w.Cost, p.Cleaning)
	effects := 0
	for _, b := range s.bodies {
		effects = max(effects, b.equip.Body.Effect)
	}
	n, steam := float64(effects), p.SteamPerT
	e := s.usualEvaporation.get()
	countable := e.OK() && effects > 1
	if steam == 0 && !told && w.LossCost == 0 && countable {
		steam, unit = 1, string(SteamUnit)
	} else {
		priced, unit = steam > 0 && countable, p.Currency
	}
	if steam > 0 && countable {
		fill(&w.LossCost, 24*e.Value*0.01*(1-1/n)*steam/float64(len(s.bodies)))
		fill(&w.OffCost, e.Value*(1/(n-1)-1/n)*steam)
	}
	if j := s.usualJuice.get(); p.LostJuicePerT > 0 && j.OK() {
		priced = true
		fill(&w.StopCost, j.Value*p.LostJuicePerT)
	}
	fill(&w.LossCost, 1)
	fill(&w.Cost, usualCost*w.LossCost)
	fill(&w.OffCost, usualOff*w.LossCost)
	fill(&w.StopCost, usualStop*w.LossCost)
	return priced, unit
}
