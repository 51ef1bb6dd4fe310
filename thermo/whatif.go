package thermo

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
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
		return Amount{}, fmt.Errorf("%q: give a value such as 143, or a change such as +10%%", text)
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
	Notes       []string     `json:"notes"`
}

// Foreseen is one figure now and then, nil where there is none. Sigma is one standard
// deviation of the difference.
type Foreseen struct {
	Name     string   `json:"name"`
	Unit     string   `json:"unit"`
	Now      *float64 `json:"now"`
	Then     *float64 `json:"then"`
	Sigma    float64  `json:"sigma"`
	Decimals int      `json:"-"`
}

// BodyAhead is one body of it.
type BodyAhead struct {
	Body    string     `json:"body"` // path
	Figures []Foreseen `json:"figures"`
}

// Bottleneck is what the cleaning of one body alone would bring, at the steam pressure
// of now.
type Bottleneck struct {
	Body          string  `json:"body"`
	Ratio         float64 `json:"ratio"`          // U after the cleaning over U now
	EvaporationTH float64 `json:"evaporation"`    // more
	SteamTH       float64 `json:"steam"`          // more, to the set
	SavedTH       float64 `json:"saved"`          // steam less, of the whole house
	Sigma         float64 `json:"sigma"`          // of SavedTH
	CostADay      float64 `json:"cost,omitempty"` // of leaving it, in the site's currency
	Why           string  `json:"why,omitempty"`  // there is no figure
}

// moreSteam is how far the steam pressure is looked for above that of now: a figure of
// ours.
const moreSteam = 1.5

// unlikeBefore is one standard deviation of U after a cleaning over what cleanings
// usually leave, while none is known: a figure of ours.
const unlikeBefore = 0.05

// meanMemory is the memory of the mean of the readings that a prediction starts from, h,
// and meanLeast what it takes at the least: figures of ours. Steam, juice and the
// controllers about them wander within minutes.
const meanMemory, meanLeast = 0.5, 0.25

// followUsual keeps that mean; a set that moves far stays out of it.
func (s *setView) followUsual() {
	if s.heats.state == upset {
		return
	}
	if s.usual.Follow(&s.m, -math.Expm1(-s.hours/meanMemory), len(s.bodies)) || s.anew {
		s.usualHours = 0
	}
	s.usualHours = min(meanMemory, s.usualHours+s.hours)
}

// WhatIf predicts what becomes of a set as it is now, in a mean of half an hour. The error says in words what
// stands in the way.
func (c *Calculator) WhatIf(x Supposition) (Outlook, error) {
	s := c.set(x.Set)
	if s == nil {
		return Outlook{}, fmt.Errorf("there is no evaporator set %q", x.Set)
	}
	if s.heats.state == upset {
		return Outlook{}, errors.New(s.heats.text)
	}
	if s.usualHours < meanLeast {
		return Outlook{}, fmt.Errorf("the set runs this way for %.0f min: ask again after %.0f", 60*s.usualHours, 60*meanLeast)
	}
	w, err := s.suppose(x)
	if err != nil {
		return Outlook{}, err
	}
	now, then := s.set.NewResults(), s.set.NewResults()
	if err := s.set.WhatIf(&s.usual, w.change, w.doubts(), now, then); err != nil {
		return Outlook{}, err
	}
	out := Outlook{Set: w.figures(now, then), Currency: c.house.Config.Site.Costs.Currency, Notes: w.notes}
	for i, b := range s.bodies {
		out.Bodies = append(out.Bodies, BodyAhead{b.equip.Path, bodyFigures(&now.Bodies[i], &then.Bodies[i])})
	}
	for i := range s.bodies {
		out.Bottlenecks = append(out.Bottlenecks, s.bottleneck(i, c.house.Config.Site.Costs.SteamPerT))
	}
	slices.SortStableFunc(out.Bottlenecks, func(a, b Bottleneck) int { return cmp.Compare(b.SavedTH, a.SavedTH) })
	return out, nil
}

// bottleneck is what the cleaning of body i alone would bring. Water that the set does
// not boil off is boiled off in the pans, a tonne of steam for each tonne (see price).
func (s *setView) bottleneck(i int, price float64) Bottleneck {
	b := s.bodies[i]
	out := Bottleneck{Body: b.equip.Path}
	w, err := s.suppose(Supposition{Clean: []string{b.equip.Path}})
	now, then := s.set.NewResults(), s.set.NewResults()
	if err == nil {
		err = s.set.Foresee(&s.usual, w.change, now, then)
	}
	if err != nil {
		out.Why = err.Error()
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
	out.CostADay = 24 * out.SavedTH * price
	return out
}

// supposed is a supposition about one set, ready for the balances.
type supposed struct {
	Supposition
	s      *setView
	bodies []bodySupposed
	notes  []string
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
func (s *setView) suppose(x Supposition) (*supposed, error) {
	w := &supposed{Supposition: x, s: s, bodies: make([]bodySupposed, len(s.bodies))}
	of := func(name string) (int, error) {
		for i, b := range s.bodies {
			if b.equip.Path == name || b.equip.Name == name {
				return i, nil
			}
		}
		return 0, fmt.Errorf("there is no body %q in %s", name, s.equip.Path)
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
			return nil, fmt.Errorf("%s: cleaned or by-passed, not both", name)
		}
		w.bodies[i].bypass = true
	}
	held := "held: "
	if w.Hold = x.Hold || x.SyrupBrix != (Amount{}); w.Hold {
		held += "syrup Brix, by the steam pressure; "
	} else {
		held += "steam pressure; "
	}
	w.notes = append(w.notes, held+"pressure of the last vapour, bleeds, and the juice, as far as nothing else is asked. A new steady state: it takes some hours to come.")
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
		return fmt.Errorf("%s: what a cleaning restores is not known: give clean_u_w_m2k, record a cleaning, or import the past of the plant", b.equip.Path)
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
	if !w.Hold {
		return 0
	}
	op.SteamKPa = moreSteam * steam
	return w.SyrupBrix.of(now.SyrupBrix.Value)
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

// doubts are what is not known of the change itself: what cleanings restore, and how U
// goes with its condition.
func (w *supposed) doubts() (list []func(*evaporator.Operation)) {
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

func foreseen(name, unit string, decimals int, now, then *evaporator.Result) Foreseen {
	f := Foreseen{Name: name, Unit: unit, Decimals: decimals, Sigma: then.Sigma}
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
