package thermo

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
	"calandria/thermo/steam"
)

// An Amount is what a flow, pressure or Brix is to be; the zero value leaves it.
type Amount struct {
	Value   float64
	Percent bool // more than now, below 0 less
}

// ParseAmount reads "143", or "+10%" and "-5 %" of what there is now.
func ParseAmount(text string) (a Amount, err error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return a, nil
	}
	number, percent := strings.CutSuffix(text, "%")
	a.Percent = percent
	a.Value, err = strconv.ParseFloat(strings.TrimSpace(number), 64)
	signed := strings.HasPrefix(number, "+") || strings.HasPrefix(number, "-")
	if err != nil || signed != percent || math.IsNaN(a.Value) || math.IsInf(a.Value, 0) || percent && !(a.Value > -100) || !percent && a.Value == 0 {
		return Amount{}, words.Errorf("%q: give a value such as 143, or a change such as +10%%", text)
	}
	return a, nil
}

func (a Amount) of(now float64) float64 {
	switch {
	case a.Percent:
		return now * (1 + a.Value/100)
	case a.Value != 0:
		return a.Value
	}
	return now
}

// Supposition is what a prediction is asked for with.
type Supposition struct {
	Set           string   // path
	Clean, Bypass []string // paths of bodies
	SteamKPa      Amount   // absolute, in the first calandria
	LastKPa       Amount   // absolute, in the vapour space of the last effect
	JuiceTH, Brix Amount   // of the juice
	BleedTH       [evaporator.MaxEffects]Amount
	Hold          bool   // the syrup Brix is held: the steam pressure is found, up to moreSteam
	SyrupBrix     Amount // at which; more than the zero value is Hold too
}

// Outlook is what a supposition leads to.
type Outlook struct {
	Set         []Foreseen   `json:"set"`
	Bodies      []BodyAhead  `json:"bodies"`
	Bottlenecks []Bottleneck `json:"bottlenecks"` // the dearest first
	Currency    string       `json:"currency,omitempty"`
	Notes       []words.Text `json:"notes"`
}

// Foreseen is one figure now and then, nil where there is none. Sigma is one standard
// deviation of the difference.
type Foreseen struct {
	Name     words.Text `json:"name"`
	Unit     string     `json:"unit"`
	Now      *float64   `json:"now"`
	Then     *float64   `json:"then"`
	Sigma    float64    `json:"sigma"`
	Decimals int        `json:"-"`
}

// BodyAhead is one body of it.
type BodyAhead struct {
	Body    string     `json:"body"` // path
	Figures []Foreseen `json:"figures"`
}

// Bottleneck is what the cleaning of one body alone would bring, at the steam pressure
// of now.
type Bottleneck struct {
	Body          string     `json:"body"`
	Ratio         float64    `json:"ratio"`          // U after the cleaning over U now
	EvaporationTH float64    `json:"evaporation"`    // more
	SteamTH       float64    `json:"steam"`          // more, to the set
	SavedTH       float64    `json:"saved"`          // steam less, of the whole house
	Sigma         float64    `json:"sigma"`          // of SavedTH
	CostADay      float64    `json:"cost,omitempty"` // of leaving it, in the site's currency
	Why           words.Text `json:"why,omitempty"`  // there is no figure
}

// moreSteam is how far the steam pressure is looked for above that of now, while nothing
// tells the most there is: a figure of ours.
const moreSteam = 1.5

// unlikeBefore is one standard deviation of U after a cleaning over what cleanings
// usually leave, while none is known: a figure of ours.
const unlikeBefore = 0.05

// meanMemory is the memory of the mean of the readings that a prediction starts from, h,
// and meanLeast what it takes at the least: figures of ours. Steam, juice and the
// controllers about them wander within minutes.
const meanMemory, meanLeast = 0.5, 0.25

// short says whether there is not steam enough to hold the syrup Brix.
func (w *supposed) short(now, then *evaporator.Results) error {
	brix := w.SyrupBrix.of(now.SyrupBrix.Value)
	if !w.Hold || then.SyrupBrix.Value > brix-0.005 {
		return nil
	}
	most, _, known := w.steamMost()
	kpa := w.kPa(most)
	if !known {
		return words.Errorf("steam of %s would give %.3g Brix, not %.3g: nothing is known of steam at higher pressure", kpa, then.SyrupBrix.Value, brix)
	}
	w.notes = append(w.notes, words.Say("The steam is too short to hold the syrup Brix: %s is the most that this set gets. The Brix falls instead.", kpa))
	return nil
}

// kPa is a steam pressure in a note.
func (w *supposed) kPa(v float64) words.Measure {
	return words.Measure{Value: v, Unit: "kPa", Form: "%.4g", Of: w.Set}
}

// steamMost is the highest steam pressure that the set can have: that at which its syrup
// was seen to stay thin, else that of the header, each with how far it strays; without
// either moreSteam times that of now, and not known.
func (w *supposed) steamMost() (kPa, sigma float64, known bool) {
	p := w.s.usual.SteamKPa.Value
	if r := w.s.shortSteam.get(); r.OK() {
		return max(p, r.Value), w.s.shortSteam.deviation().Value, true
	}
	for _, u := range w.c.usuals {
		if u.n > 0 && u.tag == w.s.equip.Tag("header_pressure") {
			return max(p, u.mean), math.Sqrt(u.stray), true
		}
	}
	return moreSteam * p, 0, false
}

// A set is short of steam while its syrup is thinner than usual by shortBx at a steam
// pressure that is within shortNear of the highest of the last ten days. Figures of ours.
const shortBx, shortNear, shortMemory = 1.0, 0.98, 240.0

// followShort learns at which steam pressure the set is short of steam.
func (s *setView) followShort() {
	p, syrup := s.usual.SteamKPa, s.usualSyrup.get()
	if s.usualHours < meanLeast || !p.OK || s.arranged.hours < habitAfter || s.unfed() {
		return
	}
	s.highSteam = max(p.Value, s.highSteam+(p.Value-s.highSteam)*-math.Expm1(-s.hours/shortMemory))
	if !syrup.OK() || !s.usual.SyrupBrix.OK {
		return
	}
	switch thin := syrup.Value - s.usual.SyrupBrix.Value; {
	case thin > shortBx && p.Value > shortNear*s.highSteam:
		s.shortSteam.step(reading(p), s.hours, shortMemory)
	case thin < shortBx/2 && p.Value > s.shortSteam.value/shortNear: // it holds its Brix there: that was not all
		s.shortSteam = habit{}
	}
}

// followUsual keeps that mean; a set that moves far stays out of it.
func (s *setView) followUsual() {
	if s.heats.state == upset {
		return
	}
	if s.usual.Follow(&s.m, -math.Expm1(-s.hours/meanMemory), len(s.bodies)) || s.anew {
		s.usualHours = 0
	}
	s.usualHours = min(meanMemory, s.usualHours+s.hours)
	s.followShort()
}

// WhatIf predicts what becomes of a set as it is now, in a mean of half an hour. The error says in words what
// stands in the way.
func (c *Calculator) WhatIf(x Supposition) (Outlook, error) {
	s := c.set(x.Set)
	if s == nil {
		return Outlook{}, words.Errorf("there is no evaporator set %s", x.Set)
	}
	if s.heats.state == upset {
		return Outlook{}, words.Errorf(s.heats.text)
	}
	if s.usualHours < meanLeast {
		return Outlook{}, words.Errorf("the set runs this way for %.0f min: ask again after %.0f", 60*s.usualHours, 60*meanLeast)
	}
	w, err := c.suppose(s, x)
	if err != nil {
		return Outlook{}, err
	}
	now, then := s.set.NewResults(), s.set.NewResults()
	if err := s.set.WhatIf(&s.usual, w.change, w.doubts(), now, then); err != nil {
		return Outlook{}, err
	}
	if err := w.short(now, then); err != nil {
		return Outlook{}, err
	}
	out := Outlook{Set: w.figures(now, then), Currency: c.house.Config.Site.Costs.Currency}
	for _, f := range out.Set {
		if f.Name == "steam pressure" && f.Then != nil && w.Hold && *f.Then > s.highSteam/shortNear {
			w.notes = append(w.notes, words.Say("This takes steam of %s. In the last days the set had %s at the most: whether there is more is not known.", w.kPa(*f.Then), w.kPa(s.highSteam)))
		}
	}
	out.Notes = w.notes
	for i, b := range s.bodies {
		out.Bodies = append(out.Bodies, BodyAhead{b.equip.Path, bodyFigures(&now.Bodies[i], &then.Bodies[i])})
	}
	for i := range s.bodies {
		out.Bottlenecks = append(out.Bottlenecks, c.bottleneck(s, i))
	}
	slices.SortStableFunc(out.Bottlenecks, func(a, b Bottleneck) int { return cmp.Compare(b.SavedTH, a.SavedTH) })
	return out, nil
}

// bottleneck is what the cleaning of body i alone would bring. Water that the set does
// not boil off is boiled off in the pans, a tonne of steam for each tonne (see price).
func (c *Calculator) bottleneck(s *setView, i int) Bottleneck {
	b := s.bodies[i]
	out := Bottleneck{Body: b.equip.Path}
	w, err := c.suppose(s, Supposition{Clean: []string{b.equip.Path}})
	now, then := s.set.NewResults(), s.set.NewResults()
	if err == nil {
		err = s.set.Foresee(&s.usual, w.change, now, then)
	}
	if err != nil {
		out.Why = words.Of(err)
		return out
	}
	f := w.bodies[i]
	out.Ratio = f.restored / b.u.Value
	if !f.absolute {
		out.Ratio = f.restored
	}
	out.EvaporationTH = then.TotalEvaporationTH.Value - now.TotalEvaporationTH.Value
	out.SteamTH = then.SteamTH.Value - now.SteamTH.Value
	out.SavedTH = out.EvaporationTH - out.SteamTH
	if out.Ratio != 1 { // it goes with what the cleaning restores
		out.Sigma = math.Abs(out.SavedTH * f.sigma * out.Ratio / (out.Ratio - 1))
	}
	out.CostADay = 24 * out.SavedTH * c.house.Config.Site.Costs.SteamPerT
	return out
}

// supposed is a supposition about one set, ready for the balances.
type supposed struct {
	Supposition
	c      *Calculator
	s      *setView
	bodies []bodySupposed
	notes  []words.Text
	floats bool // the vacuum goes with the vapour to the condenser
}

// bodySupposed is what becomes of one body.
type bodySupposed struct {
	bypass   bool
	restored float64 // U after a cleaning, or over U now; 0: not cleaned
	absolute bool    // the former
	sigma    float64 // of restored, as a share
	share    [3]float64
	clean    float64 // U that the shares are of
}

// suppose looks up the bodies of a supposition, and says what is held.
func (c *Calculator) suppose(s *setView, x Supposition) (*supposed, error) {
	w := &supposed{Supposition: x, c: c, s: s, bodies: make([]bodySupposed, len(s.bodies))}
	of := func(name string) (int, error) {
		for i, b := range s.bodies {
			if b.equip.Path == name || b.equip.Name == name {
				return i, nil
			}
		}
		return 0, words.Errorf("there is no body %s in %s", name, s.equip.Path)
	}
	for i, b := range s.bodies {
		w.bodies[i].share, w.bodies[i].clean = b.scaling.depends.Share, b.scaling.depends.Clean
	}
	for _, name := range x.Clean {
		i, err := of(name)
		if err == nil {
			err = s.bodies[i].restores(&w.bodies[i])
		}
		if err != nil {
			return nil, err
		}
	}
	for _, name := range x.Bypass {
		i, err := of(name)
		if err != nil {
			return nil, err
		}
		if w.bodies[i].restored > 0 {
			return nil, words.Errorf("%s: cleaned or by-passed, not both", name)
		}
		w.bodies[i].bypass = true
	}
	held := words.Text("steam pressure")
	if w.Hold = x.Hold || x.SyrupBrix != (Amount{}); w.Hold {
		held = "syrup Brix, by the steam pressure"
	}
	w.notes = append(w.notes, words.Say("Held as far as nothing else is asked: %s, and the bleeds that are no juice heaters. The heaters' vapour goes with the juice. A new steady state: it takes some hours to come.", held))
	last := words.Text("Held: the pressure of the last vapour.")
	if w.floats = x.LastKPa == (Amount{}) && c.floats(s); w.floats {
		last = "The vacuum goes with the vapour to the condenser: so it was in the last days."
	}
	w.notes = append(w.notes, last)
	if s.shown != "" {
		w.notes = append(w.notes, s.shown)
	}
	return w, nil
}

// restores says what a cleaning would bring, by the cycles of the body.
func (b *bodyView) restores(to *bodySupposed) error {
	course, ok := b.scaling.track.Course(b.scaling.now, 1)
	f := &b.scaling.forecast
	if !ok || f.Clean == 0 || course.Running[0] <= 0 {
		return words.Errorf("%s: what a cleaning restores is not known: give clean_u_w_m2k, record a cleaning, or import the past of the plant", b.equip.Path)
	}
	fresh := unlikeBefore
	if f.RestoredSigma > 0 {
		fresh = f.RestoredSigma
	}
	if b.m.OutOfService {
		to.restored, to.absolute, to.sigma = course.Fresh[0]*f.Clean, true, math.Hypot(fresh, f.CleanSigma/f.Clean)
		return nil
	}
	to.restored, to.sigma = course.Fresh[0]/course.Running[0], math.Hypot(fresh, f.RatioSigma/course.Running[0])
	return nil
}

// change is the supposition for the balances, see [evaporator.Change].
func (w *supposed) change(now *evaporator.Results, op *evaporator.Operation) float64 {
	steam := op.SteamKPa
	op.SteamKPa, op.LastKPa = w.SteamKPa.of(steam), w.LastKPa.of(op.LastKPa)
	op.JuiceTH, op.FeedBrix = w.JuiceTH.of(op.JuiceTH), w.Brix.of(op.FeedBrix)
	for k := range op.BleedTH {
		op.BleedTH[k] = w.BleedTH[k].of(op.BleedTH[k])
	}
	was := make([]fouling.Shape, len(w.bodies))
	for i := range w.bodies {
		f, b, o := &w.bodies[i], w.s.bodies[i], &op.Bodies[i]
		switch {
		case f.bypass:
			o.OutOfService = true
		case f.absolute:
			o.OutOfService, o.U = false, f.restored
		case f.restored > 0:
			o.U *= f.restored
		}
		if r := &now.Bodies[i]; r.InService {
			was[i] = b.normal.shape(r.BrixOut.Value, r.ChestC.Value, math.NaN(), r.DutyKW.Value/b.areaM2)
		}
	}
	w.passBleeds(op)
	// Shares as of this call: a doubt moves them.
	op.Coefficient = func(i int, brix, chestC, flux float64) float64 {
		b, u := w.s.bodies[i], op.Bodies[i].U
		d := fouling.Dependence{Reference: was[i], Share: w.bodies[i].share, Clean: w.bodies[i].clean}
		if d.Clean == 0 {
			d.Clean = u
		}
		return d.From(u, b.normal.shape(brix, chestC, math.NaN(), flux))
	}
	op.Follow = w.follow(now, op)
	if !w.Hold {
		return 0
	}
	op.SteamKPa, _, _ = w.steamMost()
	return w.SyrupBrix.of(now.SyrupBrix.Value)
}

// floatsFrom is the share of the swings of the injection water that is left in the last
// vapour where the vacuum is not held: a figure of ours. Held, it is next to nothing.
const floatsFrom = 0.3

// floats reports whether the vacuum of a set was seen to go with the injection water.
func (c *Calculator) floats(s *setView) bool {
	d := s.condensedBy(c)
	if d == nil || !d.tin.OK || !d.pressure.OK || !d.taken().OK() {
		return false
	}
	var water, vapour float64
	for _, u := range c.usuals {
		switch {
		case u.n < bandKnown:
		case u.tag == d.equip.Tag("water_inlet_temperature"):
			water = u.stray
		case d.gauge != nil && u.tag == d.gauge.equip.Tag("vapour_pressure"), u.tag == d.equip.Tag("vapour_pressure"):
			vapour = u.stray * sq(tsatSlope(d.pressure.Value))
		}
	}
	return water > 0 && vapour > floatsFrom*water
}

// condensedBy is the condenser of the set, nil if none is configured.
func (s *setView) condensedBy(c *Calculator) *condenserView {
	for _, d := range c.conds {
		if d.equip.Name == s.equip.Set.Condenser {
			return d
		}
	}
	return nil
}

// vapourC is the temperature of the vapour of an effect, from 0; NaN if none is at work.
func vapourC(r *evaporator.Results, effect int) float64 {
	for i := range r.Bodies {
		if b := &r.Bodies[i]; b.InService && b.Effect == effect+1 && b.VapourC.OK() {
			return b.VapourC.Value
		}
	}
	return math.NaN()
}

// follow lets go along what nobody holds. A juice heater takes what its surface passes
// on, exp(-NTU) of the distance between vapour and juice being left. The condenser's
// water stays as it is, so its vapour is as far above the water as there is vapour.
func (w *supposed) follow(now *evaporator.Results, op *evaporator.Operation) func(*evaporator.Results, *evaporator.Operation) float64 {
	bleeds, juice := op.BleedTH, op.JuiceTH/now.JuiceTH.Value
	var tv [evaporator.MaxEffects]float64
	for k := range tv {
		tv[k] = vapourC(now, k)
	}
	d, condensed, lastC := w.s.condensedBy(w.c), 0.0, 0.0
	if w.floats {
		condensed, lastC = condensing(now)
	}
	return func(then *evaporator.Results, op *evaporator.Operation) (moved float64) {
		for k := range bleeds {
			if t := vapourC(then, k); bleeds[k] > 0 && w.BleedTH[k] == (Amount{}) && !math.IsNaN(t+tv[k]) {
				to := bleeds[k] * w.s.drawn(k, juice, tv[k], t)
				moved, op.BleedTH[k] = max(moved, math.Abs(to-op.BleedTH[k])), to
			}
		}
		if v, _ := condensing(then); w.floats && condensed > 0 {
			others := max(0, d.taken().Value-condensed)
			c := d.tin.Value + (lastC-d.tin.Value)*(v+others)/(condensed+others)
			if p, err := steam.Psat(steam.Celsius(c)); err == nil {
				moved, op.LastKPa = max(moved, math.Abs(float64(p)-op.LastKPa)), float64(p)
			}
		}
		return moved
	}
}

// drawn is what the bleed of an effect is multiplied by when the juice is and its vapour
// changes its temperature.
func (s *setView) drawn(effect int, juice, was, then float64) float64 {
	var sum, all float64
	for _, l := range s.bleeds {
		r, assumed := l.reading()
		if l.effect != effect || !r.OK {
			continue
		}
		f := 1.0
		if !assumed && l.liquid.OK && l.tin.OK && l.tout.OK && l.tout.Value > l.tin.Value && was > l.tin.Value {
			left := max(0.02, (was-l.tout.Value)/(was-l.tin.Value))
			f = max(0, juice*(then-l.tin.Value)*(1-math.Pow(left, 1/juice))/(was-l.tin.Value)/(1-left))
		}
		sum, all = sum+r.Value*f, all+r.Value
	}
	if !(all > 0) {
		return 1
	}
	return sum / all
}

// condensing is the vapour of the last effect at work, t/h, and its temperature.
func condensing(r *evaporator.Results) (vapour, c float64) {
	last := 0
	for i := range r.Bodies {
		if b := &r.Bodies[i]; b.InService {
			if b.Effect > last {
				last, vapour = b.Effect, 0
			}
			vapour, c = vapour+b.EvaporationTH.Value, b.VapourC.Value
		}
	}
	return vapour, c
}

// passBleeds lets the effect before give the vapour that a by-passed effect gave.
func (w *supposed) passBleeds(op *evaporator.Operation) {
	var in [evaporator.MaxEffects]bool
	for i, b := range w.s.bodies {
		if k := b.equip.Body.Effect - 1; !op.Bodies[i].OutOfService {
			in[k] = true
		}
	}
	for k := len(in) - 1; k >= 1; k-- {
		if !in[k] {
			op.BleedTH[k-1] += op.BleedTH[k]
			op.BleedTH[k] = 0
		}
	}
}

// lawSigma is how well a power law gives the way of U with Brix, temperature or heat
// flux a step beyond a body's own past, as one standard deviation of its exponent:
// ours. What is learned says how well the past is met, which is less.
const lawSigma = 0.1

// doubts are what is not known of the change itself: what cleanings restore, how U goes
// with its condition, and how much steam there is.
func (w *supposed) doubts() (list []func(*evaporator.Operation)) {
	if _, sigma, known := w.steamMost(); w.Hold && known {
		list = append(list, func(op *evaporator.Operation) { op.SteamKPa += sigma })
	}
	for i := range w.bodies {
		f := &w.bodies[i]
		if f.restored > 0 {
			list = append(list, func(op *evaporator.Operation) { op.Bodies[i].U *= 1 + f.sigma })
		}
		for j, sigma := range w.s.bodies[i].scaling.depends.Sigma {
			if sigma > 0 {
				sigma = math.Hypot(sigma, lawSigma)
				list = append(list, func(op *evaporator.Operation) {
					inner := op.Coefficient
					op.Coefficient = func(body int, brix, chestC, flux float64) float64 {
						if body != i {
							return inner(body, brix, chestC, flux)
						}
						share := f.share
						f.share[j] += sigma
						u := inner(body, brix, chestC, flux)
						f.share = share
						return u
					}
				})
			}
		}
	}
	return list
}

// wanders is how far juice, steam and Brix of the next hours are from the mean that a
// prediction starts from, as a share of what a change does: a figure of ours.
const wanders = 0.02

func foreseen(name words.Text, unit string, decimals int, now, then *evaporator.Result) Foreseen {
	f := Foreseen{Name: name, Unit: unit, Decimals: decimals, Sigma: math.Hypot(then.Sigma, wanders*(then.Value-now.Value))}
	if now.OK() {
		f.Now = &now.Value
	}
	if then.OK() {
		f.Then = &then.Value
	}
	return f
}

// figures of the whole set.
func (w *supposed) figures(now, then *evaporator.Results) []Foreseen {
	chest, vapour, condenser := [2]evaporator.Result{}, [2]evaporator.Result{}, [2]evaporator.Result{}
	for n, r := range []*evaporator.Results{now, then} {
		first, last := evaporator.MaxEffects, 0
		for i := range r.Bodies {
			b := &r.Bodies[i]
			if !b.InService {
				continue
			}
			if b.Effect < first {
				first, chest[n] = b.Effect, b.ChestKPa
			}
			if b.Effect > last {
				last, vapour[n], condenser[n] = b.Effect, b.VapourKPa, evaporator.Result{How: evaporator.Balanced}
			}
			if b.Effect == last {
				condenser[n].Value += b.EvaporationTH.Value
				condenser[n].Sigma += b.EvaporationTH.Sigma
			}
		}
	}
	return []Foreseen{
		foreseen("steam", "t/h", 1, &now.SteamTH, &then.SteamTH),
		foreseen("evaporation", "t/h", 1, &now.TotalEvaporationTH, &then.TotalEvaporationTH),
		foreseen("economy", "t/t", 2, &now.Economy, &then.Economy),
		foreseen("syrup Brix", "% Brix", 1, &now.SyrupBrix, &then.SyrupBrix),
		foreseen("syrup", "t/h", 1, &now.SyrupTH, &then.SyrupTH),
		foreseen("juice", "t/h", 1, &now.JuiceTH, &then.JuiceTH),
		foreseen("juice Brix", "% Brix", 1, &now.FeedBrix, &then.FeedBrix),
		foreseen("steam pressure", "kPa", 1, &chest[0], &chest[1]),
		foreseen("last vapour pressure", "kPa", 1, &vapour[0], &vapour[1]),
		foreseen("vapour to the condenser", "t/h", 1, &condenser[0], &condenser[1]),
	}
}

func bodyFigures(now, then *evaporator.BodyResult) []Foreseen {
	return []Foreseen{
		foreseen("calandria", "degC", 1, &now.ChestC, &then.ChestC),
		foreseen("juice", "degC", 1, &now.JuiceC, &then.JuiceC),
		foreseen("vapour", "degC", 1, &now.VapourC, &then.VapourC),
		foreseen("U", "kW/(m2.K)", 2, &now.U, &then.U),
		foreseen("evaporation", "t/h", 1, &now.EvaporationTH, &then.EvaporationTH),
		foreseen("Brix", "% Brix", 1, &now.BrixOut, &then.BrixOut),
	}
}
