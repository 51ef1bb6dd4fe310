package thermo

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// uncertaintyEvery is how often the uncertainties are worked out anew: they
// cost many evaluations and change slowly.
const uncertaintyEvery = time.Minute

// setView is an evaporator set at one moment.
type setView struct {
	equip    *plant.Equipment
	set      *evaporator.Set
	air      *air
	m        evaporator.Measurement
	r        *evaporator.Results
	in       inputs
	rows     []row
	bodies   []*bodyView // in the order of the juice
	abreast  []*abreast  // effects with parallel bodies
	compared time.Time   // the hour in which cleanings of the bodies were last compared
	// What the set usually does, see followHabits.
	usualEvaporation, usualJuice, usualSteam, usualSyrup, usualEconomy, usualCount habit
	arranged                                                                       arrangement
	declared                                                                       Planned
	now                                                                            time.Time

	bleeds        []*bleedView
	note          words.Text // what is fixed by the configuration
	denser        bool       // a density was beyond its source's range
	usualC        bool       // or taken at the usual temperature
	heat          bool       // a heater\'s liquid was beyond the source of its enthalpy
	assumed       uint64     // bleeds without a meter, a bit each
	unmetered     [evaporator.MaxEffects]unmetered
	loss          unmetered                        // heat, % of the calandrias' duty
	elevation     unmetered                        // of the boiling point, % above the equation
	specificHeat  unmetered                        // of the juice, % above the equation
	pipe          [evaporator.MaxEffects]unmetered // K, of the vapour after an effect
	through       [evaporator.MaxEffects]lag       // the vapour that it usually takes, t/h
	said          spoken                           // what shown was made of
	shown         words.Text
	check         *checking          // of the instruments against each other
	steam, makeUp evaporator.Reading // parts of the steam flow
	cane          cane
	sigmas        time.Time         // when the uncertainties were worked out
	kept          evaporator.Sigmas // them
	keptOf        basis
	used          evaporator.Measurement // m as the balances take it, see store
	plainFlows    flows                  // of used, before they are corrected
	usual         evaporator.Measurement // a slow mean of m, for what if
	usualHours    float64                // in it
	highSteam     float64                // kPa, the highest mean of the last days
	shortSteam    habit                  // the steam pressure at which the syrup stays thin
	followed      time.Time              // when last
	anew          bool                   // nothing is known of before
	flowBehind    lag
	feedBehind    lag
	hours         float64   // since the scan before; 0 at a beginning
	stored        float64   // what the bodies store, as a share of the evaporation
	settledAt     time.Time // see settle
	syrupLag      lag
	syrupMoved    move
	flows         steadiness // what the juice and solids of the whole set rest on
	heats         steadiness // and what its heat rests on besides
}

// spoken is what the note of a set is made of, beside what is fixed.
type spoken struct {
	stuck                words.Text
	denser, usualC, heat bool
	assumed              uint64
	taken                [evaporator.MaxEffects]int // unmetered vapour, tenths of t/h
	loss                 int                        // tenths of %
}

// unmetered is what no meter shows, or not all of it: the vapour after an effect, t/h,
// or the loss of heat, %.
type unmetered struct {
	metered, assumed evaporator.Reading
	// learned is what the balances of the set add to the assumed, and Sigma how well
	// they know it; see checking.learn.
	learned evaporator.Reading
	least   float64       // that it can be
	weight  float64       // of the windows in it, 0 to 1
	memory  time.Duration // how long a window counts
}

// What the balances say of a bleed counts for two hours: some of its pressure follows
// the pans, the rest the scale. What is lost by radiation and venting changes less.
// Figures of ours.
const bleedMemory, lossMemory = 2 * time.Hour, 48 * time.Hour

// The loss of a pipe goes with the square of what flows through it, against the mean of
// as many hours, within these bounds. Pressure drop of turbulent flow; bounds of ours.
const pipeMemory, pipeLeast, pipeMost = 48.0, 0.3, 2.0

// unmeteredShare is one standard deviation of an assumed flow as a share of it: a
// figure of ours. A bleed moves with the pressure that drives it.
const unmeteredShare = 0.2

// taken is all of it: metered, assumed and learned.
func (u *unmetered) taken() evaporator.Reading {
	r := evaporator.Reading{Value: u.metered.Value + max(u.least, u.assumed.Value+u.learned.Value), Sigma: math.Hypot(u.metered.Sigma, u.assumed.Sigma), OK: true}
	if u.learned.OK {
		r.Sigma = min(r.Sigma, u.learned.Sigma)
	}
	return r
}

// shown is taken as a quantity: assumed until something is learned of it.
func (u *unmetered) shown() evaporator.Result {
	r := u.taken()
	out := evaporator.Result{Value: r.Value, Sigma: r.Sigma, How: evaporator.Assumed}
	if out.Reason.Text = "as configured: nothing tells it"; u.learned.OK {
		out.How, out.Reason.Text = evaporator.Balanced, "learned from windows without contradiction"
	}
	return out
}

// flow is the part that no meter shows.
func (u *unmetered) flow() float64 { return max(0, u.assumed.Value+u.learned.Value) }

// basis is what the uncertainties rest on; when it changes they are worked out anew.
type basis struct {
	row    evaporator.Row
	bodies uint32 // in service
	usable int    // readings
}

// bodyView is one body at one moment.
type bodyView struct {
	equip                         *plant.Equipment
	b                             *evaporator.BodyResult
	m                             *evaporator.BodyMeasurement
	rows                          []row
	inService                     plant.TagID
	declared                      Planned
	cleaning                      plant.TagID
	scaling                       *scaling
	normal                        *normal
	beyond                        words.Text // the note while a property is extrapolated
	small                         words.Text // the reason while the temperature difference is too small
	holding                       contents
	areaM2, diameterM             float64       // heating surface and vapour space, in force
	duty, difference, apparent    lag           // means that U is made of
	steadiness                    steadiness    // what it holds of before the set last moved
	held                          held          // U of then
	where                         fouling.Shape // the condition that U is taken in
	usualVapour                   habit         // saturation temperature of its vapour space
	set                           *setView
	u, uApparent, uNormal, uClean evaporator.Result
}

// bleedView is one user of vapour.
type bleedView struct {
	cfg                     *plant.BleedConfig
	path                    string
	beyond                  bool // the duty was worked out beyond the source of the enthalpy
	body                    *bodyView
	effect                  int // from 0
	flow, liquid, tin, tout evaporator.Reading
	heat                    liquor.HeatModel
	purity                  liquor.Purity
}

func newSetView(c *Calculator, e *plant.Equipment) (*setView, error) {
	cfg := e.Set
	s := &setView{equip: e, air: &c.air, in: inputs{house: c.house, air: &c.air, airOnce: true, tau: *cfg.Smoothing}}
	s.loss = unmetered{assumed: evaporator.Read(*cfg.LossPct, *cfg.Sigma.LossPct), memory: lossMemory}
	s.elevation = unmetered{assumed: evaporator.Read(0, *cfg.Sigma.BoilingPointPct), memory: lossMemory, least: -50}
	s.specificHeat = unmetered{assumed: evaporator.Read(0, *cfg.Sigma.HeatPct), memory: lossMemory, least: -20}
	for k := range s.unmetered {
		s.unmetered[k].memory = bleedMemory
		s.pipe[k] = unmetered{assumed: evaporator.Read(*cfg.PipeLossK, *cfg.Sigma.PipeLossK), memory: lossMemory}
	}
	d := evaporator.Conventions()
	d.BleedFrom = [evaporator.MaxEffects]bool{}
	d.LossFraction, d.PipeLossK = *cfg.LossPct/100, *cfg.PipeLossK
	d.Elevation, d.Heat = liquor.BPEModel(cfg.Properties.BoilingPoint), liquor.HeatModel(cfg.Properties.Heat)
	d.PurityFactor, d.PurityPct = cfg.Properties.PurityFactor, cfg.PurityPct
	if !*cfg.CondensateFlash {
		d.VapourCondensate = evaporator.Drained
	}
	if cfg.ExhaustCondensateFlash {
		d.ExhaustCondensate = evaporator.Flashed
	}
	// The balances follow the juice; so do the bodies here.
	for i, at := range cfg.Juice() {
		part := e.Parts[at]
		bc := part.Body
		d.Bodies = append(d.Bodies, evaporator.Body{Name: bc.Name, Effect: bc.Effect, AreaM2: bc.HeatingSurfaceM2.First, TubeLengthM: bc.TubeLengthM.First, JuiceBeside: bc.Juice == "beside"})
		bv := &bodyView{set: s, equip: part, m: &s.m.Bodies[i], inService: part.Tag("in_service"), cleaning: part.Tag("cleaning")}
		bv.normal = newNormal(bc)
		var err error
		if bv.scaling, err = newScaling(bc, bv.normal); err != nil {
			return nil, err
		}
		s.bodies = append(s.bodies, bv)
		for j := range bc.Bleeds {
			d.BleedFrom[bc.Effect-1] = true
			s.bleeds = append(s.bleeds, &bleedView{cfg: &bc.Bleeds[j], path: part.Path + "." + bc.Bleeds[j].Name, body: bv, effect: bc.Effect - 1, heat: d.Heat, purity: liquor.Purity(cfg.PurityPct)})
		}
	}
	var err error
	if s.set, err = evaporator.New(d); err != nil {
		return nil, err
	}
	s.r = s.set.NewResults()
	s.bind()
	s.cane.bind(s)
	s.abreast = pairs(s.bodies)
	s.rows = c.rows(e)
	for i, b := range s.bodies {
		b.b = &s.r.Bodies[i]
		b.rows = c.rows(b.equip)
	}
	s.note = fixedNote(c.house, e)
	s.shown = s.note
	for _, b := range s.bodies {
		b.beyond = join(juiceBeyond, s.note)
	}
	return s, nil
}

// bind ties the tags to the measurement.
func (s *setView) bind() {
	m, e := &s.m, s.equip
	s.in.bind(e, "juice_brix", &m.FeedBrix)
	s.in.bind(e, "juice_temperature", &m.FeedC)
	s.in.bind(e, "juice_purity", &m.PurityPct)
	s.in.bind(e, "syrup_brix", &m.SyrupBrix)
	if s.in.bind(e, "juice_flow", &m.JuiceTH) == nil {
		if i := s.in.bind(e, "juice_volume_flow", &m.JuiceTH); i != nil {
			i.scale = func(v float64) (float64, bool) { return s.massFlow(v, m.FeedBrix, m.FeedC, 100) }
		}
	}
	if s.in.bind(e, "syrup_flow", &m.SyrupTH) == nil {
		if i := s.in.bind(e, "syrup_volume_flow", &m.SyrupTH); i != nil {
			var t evaporator.Reading
			s.in.bind(e, "syrup_temperature", &t)
			i.scale = func(v float64) (float64, bool) { return s.massFlow(v, m.SyrupBrix, t, 60) }
		}
	}
	s.in.bind(e, "steam_flow", &s.steam)
	if s.in.bind(e, "steam_make_up_flow", &s.makeUp) == nil {
		s.makeUp.OK = true // there is none
	}
	s.in.bind(e, "steam_pressure", &m.SteamKPa)
	s.in.bind(e, "steam_temperature", &m.SteamC)
	for _, b := range s.bodies {
		for _, x := range []struct {
			signal string
			dst    *evaporator.Reading
		}{
			{"vapour_pressure", &b.m.VapourKPa}, {"chest_pressure", &b.m.ChestKPa}, {"vapour_temperature", &b.m.VapourC},
			{"juice_temperature", &b.m.JuiceC}, {"chest_temperature", &b.m.ChestC}, {"brix", &b.m.Brix},
			{"level", &b.m.LevelPct}, {"condensate_flow", &b.m.CondensateTH},
		} {
			s.in.bind(b.equip, x.signal, x.dst)
		}
		for _, part := range b.equip.Parts {
			for _, l := range s.bleeds {
				if l.cfg == part.Bleed {
					s.in.bind(part, "flow", &l.flow)
					s.in.bind(part, "liquid_flow", &l.liquid)
					s.in.bind(part, "inlet_temperature", &l.tin)
					s.in.bind(part, "outlet_temperature", &l.tout)
				}
			}
		}
	}
}

// massFlow turns m3/h into t/h with the density of liquor; without a usable
// temperature the usual one stands in and is told: 10 K are 0.5 to 0.7 %.
func (s *setView) massFlow(v float64, bx, t evaporator.Reading, usualC float64) (float64, bool) {
	if !bx.OK {
		return 0, false
	}
	if !t.OK {
		t.Value = usualC
		s.usualC = true
	}
	rho, beyond, err := liquor.SPS4.DensityFlagged(liquor.Brix(bx.Value), steam.Celsius(t.Value))
	s.denser = s.denser || beyond
	return v * rho / 1000, err == nil
}

// balance takes the readings of a frame and evaluates them.
func (s *setView) balance(f *plant.Frame, at time.Time) basis {
	s.denser, s.usualC = false, false
	for i, b := range s.bodies {
		c := b.equip.Body
		b.areaM2, b.diameterM = c.HeatingSurfaceM2.At(at), c.DiameterM.At(at)
		s.set.Refit(i, b.areaM2, c.TubeLengthM.At(at))
	}
	s.in.step(f, at)
	s.cane.step(f, at)
	now := basis{usable: s.in.usable()}
	for i, b := range s.bodies {
		told := b.inService != plant.NoTag || b.cleaning != plant.NoTag
		if b.m.OutOfService = off(f, b.inService) || on(f, b.cleaning) || !told && b.declared.on(at); !b.m.OutOfService {
			now.bodies |= 1 << i
		}
	}
	s.bleedFlows()
	s.m.LossPct, s.m.ElevationPct, s.m.HeatPct = s.loss.taken(), s.elevation.taken(), s.specificHeat.taken()
	s.pipes()
	if s.in.gauged {
		s.m.AirKPa = evaporator.Read(0, s.air.sigma())
	}
	s.m.SteamTH = evaporator.Reading{}
	if s.steam.OK && s.makeUp.OK {
		s.m.SteamTH = evaporator.Reading{Value: s.steam.Value + s.makeUp.Value, Sigma: math.Hypot(s.steam.Sigma, s.makeUp.Sigma), OK: true}
	}
	s.store(at)
	s.set.Evaluate(&s.used, s.r)
	s.discrepancies()
	return now
}

// pipes takes the loss of each vapour pipe, with what flows through it now.
func (s *setView) pipes() {
	for k := range s.pipe {
		s.m.PipeLossK[k] = s.pipe[k].taken()
		var flow evaporator.Result
		for _, b := range s.bodies {
			if e := b.b.CondensedTH; b.b.Effect == k+2 && e.OK() {
				flow.How, flow.Value = e.How, flow.Value+e.Value
			}
		}
		if flow.OK() && flow.Value > 0 && !s.unfed() {
			usual := &s.through[k]
			usual.step(flow, -math.Expm1(-s.hours/pipeMemory))
			f := flow.Value / usual.value
			f = min(pipeMost, max(pipeLeast, f*f))
			s.m.PipeLossK[k].Value *= f
			s.m.PipeLossK[k].Sigma *= f
		}
	}
}

// pipeLoss is that of the vapour to the body, at the present flow.
func (v *bodyView) pipeLoss() evaporator.Result {
	k := v.equip.Body.Effect - 2
	r, now := v.set.pipe[k].shown(), v.set.m.PipeLossK[k]
	r.Value, r.Sigma = now.Value, now.Sigma
	return r
}

func (s *setView) step(c *Calculator, f *plant.Frame, at time.Time) {
	s.now = at
	now := s.balance(f, at)
	now.row = s.r.Row
	switch {
	case c.noSigma:
	case at.Sub(s.sigmas) >= uncertaintyEvery || at.Before(s.sigmas) || now != s.keptOf:
		s.sigmas, s.keptOf = at, now
		s.set.Uncertainty(&s.used, s.r)
		s.kept = s.r.Sigmas(s.kept)
	default:
		s.r.Recall(s.kept)
	}
	s.asRead()
	s.settle(at)
	for _, b := range s.bodies {
		if on(f, b.cleaning) {
			b.held = held{}
		}
		b.coefficients(s.hours)
	}
	for _, a := range s.abreast {
		a.step(s.hours, at)
	}
	s.followUsual()
	s.arrange(now, at)
	s.followHabits()
	for _, b := range s.bodies {
		b.scaling.difference(b.b.DTSharePct, s.hours)
		b.scaling.step(b.believed(), b.where, s.in.worst, on(f, b.cleaning), at)
	}
	s.cleanedTogether()
	s.check.step(at, !c.noTests)
	s.speak()
	s.storeRows(c, at)
}

// speak puts the note of the set together, when what it is made of has changed.
func (s *setView) speak() {
	said := spoken{stuck: s.in.note, denser: s.denser, usualC: s.usualC, heat: s.heat || s.r.FeedExtrapolated, assumed: s.assumed}
	for k := range s.unmetered {
		if u := &s.unmetered[k]; u.learned.OK && u.assumed.OK {
			said.taken[k] = int(math.Round(10 * u.flow()))
		}
	}
	if s.loss.learned.OK {
		said.loss = int(math.Round(10 * s.loss.flow()))
	}
	if said == s.said {
		return
	}
	s.said = said
	s.shown = join(s.note, said.stuck)
	if said.denser {
		s.shown = join(s.shown, densityBeyond)
	}
	if said.heat {
		s.shown = join(s.shown, heatBeyond)
	}
	if said.usualC {
		s.shown = join(s.shown, massAtUsual)
	}
	if as := s.loss.assumed.Value; said.loss != 0 && math.Abs(float64(said.loss)/10-as) > s.loss.assumed.Sigma/2 {
		s.shown = join(s.shown, words.Say(lossTaken, float64(said.loss)/10, as))
	}
	for i, l := range s.bleeds {
		if said.assumed&(1<<i) == 0 {
			continue
		}
		flow := func(v float64) words.Measure { return words.Measure{Value: v, Unit: "t/h", Form: "%.3g"} }
		text := words.Say(bleedConfigured, l.path, flow(*l.cfg.AssumedTH))
		if u := &s.unmetered[l.effect]; u.learned.OK && u.assumed.Value > 0 {
			text = words.Say(bleedTaken, l.path, flow(*l.cfg.AssumedTH*u.flow()/u.assumed.Value), flow(*l.cfg.AssumedTH))
		}
		s.shown = join(s.shown, text)
	}
	for _, b := range s.bodies {
		b.beyond = join(juiceBeyond, s.shown)
	}
}

// storeRows turns the results into values.
func (s *setView) storeRows(c *Calculator, at time.Time) {
	for _, r := range s.rows {
		worst, note := s.in.worst, s.shown
		switch r.mark {
		case onFlows:
			worst, note = s.flows.doubt(worst, note)
		case onHeats:
			worst, note = s.heats.doubt(worst, note)
		}
		if r.q.window && s.check.stale {
			worst = plant.UncertainLastUsable
		}
		if r.q.cane {
			if worst = plant.Worse(worst, s.cane.in.worst); !s.m.SteamTH.OK { // then by balance
				worst, note = s.heats.doubt(worst, note)
			}
		}
		c.store(r, r.q.set(s), at, worst, note)
	}
	for i, b := range s.bodies {
		note := s.shown
		if b.b.Extrapolated {
			note = b.beyond
		}
		measured := s.brixMeasured(i)
		doubt, why := b.steadiness.doubt(s.in.worst, note)
		for _, r := range b.rows {
			switch {
			case r.mark == steadyAnyway, r.mark == onBrix && measured:
				c.store(r, r.q.body(b), at, s.in.worst, note)
			case r.mark == onBrix && b.steadiness.state == upset:
				c.store(r, absent(b.steadiness.text), at, s.in.worst, note)
			default:
				c.store(r, r.q.body(b), at, doubt, why)
			}
		}
	}
}

// on and off read a state tag; a bad one is neither.
func on(f *plant.Frame, id plant.TagID) bool {
	p := f.Point(id)
	return p.Usable() && p.Value > 0.5
}

func off(f *plant.Frame, id plant.TagID) bool {
	p := f.Point(id)
	return p.Usable() && p.Value <= 0.5
}

// bleedFlows sums the bleeds of each effect. An effect with a bleed that
// nothing tells is missing as a whole.
func (s *setView) bleedFlows() {
	var missing [evaporator.MaxEffects]bool
	s.assumed, s.heat = 0, false
	for k := range s.unmetered {
		u := &s.unmetered[k]
		u.metered, u.assumed = evaporator.Reading{}, evaporator.Reading{}
	}
	for i, l := range s.bleeds {
		r, assumed := l.reading()
		s.heat = s.heat || l.beyond
		u := &s.unmetered[l.effect]
		t := &u.metered
		if assumed {
			s.assumed |= 1 << i
			t = &u.assumed
		}
		if !r.OK {
			missing[l.effect] = true
			continue
		}
		t.OK = true
		t.Value += r.Value
		t.Sigma = math.Hypot(t.Sigma, r.Sigma)
	}
	for k := range s.unmetered {
		u := &s.unmetered[k]
		switch {
		case missing[k]:
			s.m.BleedTH[k] = evaporator.Reading{}
		case u.assumed.OK:
			s.m.BleedTH[k] = u.taken()
		default:
			s.m.BleedTH[k] = u.metered
		}
	}
}

// aboutZero lifts what a meter shows a little under 0 while nothing flows to 0:
// three standard deviations, at least 0.5 t/h. More below is a fault of the meter.
func aboutZero(r evaporator.Reading) evaporator.Reading {
	if r.OK && r.Value < 0 && r.Value >= -zeroOf(r) {
		r.Value = 0
	}
	return r
}

func zeroOf(r evaporator.Reading) float64 { return max(0.5, 3*r.Sigma) }

// reading is the vapour taken: by the meter, by the heater's duty, or as
// assumed in the configuration.
func (l *bleedView) reading() (r evaporator.Reading, assumed bool) {
	l.beyond = false
	if r := aboutZero(l.flow); r.OK {
		return r, false
	}
	if r := l.byDuty(); r.OK {
		return r, false
	}
	if l.cfg.AssumedTH != nil {
		return evaporator.Reading{Value: *l.cfg.AssumedTH, Sigma: unmeteredShare * *l.cfg.AssumedTH, OK: true}, true
	}
	return evaporator.Reading{}, false
}

// byDuty is the vapour that the liquid's warming accounts for. A liquid that does not
// warm takes none; one that leaves colder than it came, by more than its thermometers
// may be wrong (three standard deviations, at least 1 K), tells nothing.
func (l *bleedView) byDuty() evaporator.Reading {
	liquid := aboutZero(l.liquid)
	if !liquid.OK || !l.tin.OK || !l.tout.OK {
		return evaporator.Reading{}
	}
	// The heating vapour's pressure: any near one serves, its latent heat
	// changes by 0.15 % in 5 kPa, under vacuum by 0.3 %.
	p := l.body.m.VapourKPa
	if !p.OK {
		p = evaporator.Reading{Value: 101.3}
	}
	rise, sigma := l.tout.Value-l.tin.Value, math.Hypot(l.tin.Sigma, l.tout.Sigma)
	if rise < -max(1, 3*sigma) && liquid.Value > zeroOf(liquid) { // while it stands, it cools
		return evaporator.Reading{}
	}
	vapour := func(rise float64) (float64, error) {
		return evaporator.HeaterBleedTH(liquid.Value, liquor.Brix(l.cfg.LiquidBx), l.purity, steam.Celsius(l.tin.Value),
			steam.Celsius(l.tin.Value+rise), steam.KPa(p.Value), l.cfg.LossPct/100, l.heat)
	}
	v, err1 := vapour(max(0, rise))
	perK, err2 := vapour(1)
	if err1 != nil || err2 != nil {
		return evaporator.Reading{}
	}
	_, in, _ := l.heat.EnthalpyFlagged(liquor.Brix(l.cfg.LiquidBx), l.purity, steam.Celsius(l.tin.Value))
	_, out, _ := l.heat.EnthalpyFlagged(liquor.Brix(l.cfg.LiquidBx), l.purity, steam.Celsius(l.tin.Value+max(0, rise)))
	l.beyond = in || out
	return evaporator.Reading{Value: v, Sigma: math.Hypot(perK*sigma, v*liquid.Sigma/max(liquid.Value, 1e-9)), OK: true}
}

// fixedNote names what the configuration fixes instead of measuring.
func fixedNote(h *plant.House, e *plant.Equipment) words.Text {
	var fixed []string
	var walk func(*plant.Equipment)
	walk = func(e *plant.Equipment) {
		for _, id := range e.Tags {
			if t := h.Tags[id]; t.Source == plant.Fixed {
				fixed = append(fixed, fmt.Sprintf("%s = %g %s", t.Path, t.Value, t.Unit))
			}
		}
		for _, p := range e.Parts {
			walk(p)
		}
	}
	walk(e)
	if len(fixed) == 0 {
		return ""
	}
	slices.Sort(fixed)
	return words.Say(withFixed, strings.Join(fixed, ", "))
}
