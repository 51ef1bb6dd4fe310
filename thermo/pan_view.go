package thermo

import (
	"maps"
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/pan"
	"calandria/thermo/steam"
)

// panView is a vacuum pan, or a compartment of a continuous one, at one moment.
type panView struct {
	equip *plant.Equipment
	cfg   plant.PanConfig // a compartment's is the pan's with its own in place
	in    inputs
	rows  []row
	model liquor.BPEModel
	site  pan.Site
	track *pan.Tracker // of a batch pan
	parts []*panView   // the compartments of a continuous pan
	// before is the compartment before this one, in the order of flow, and liquorPurity
	// the purity of its liquor as used; seed and product are of the whole pan.
	before        *panView
	liquorPurity  evaporator.Reading
	seed, product evaporator.Reading

	calm   float64   // pressure followed with a lag of a minute, kPa; 0: not yet
	calmAt time.Time // when
	moving bool      // pressure and temperature are not of the same moment
	areaM2 float64   // heating surface in force
	gaps   bool      // the water of the strike lacks some of its time
	passed float64   // part of the usual length of a strike that has passed; below 0: no strike
	idle   bool      // known not to boil, and to take no steam
	// pipeK is the loss between the vapour that stands for the chest and the chest, and
	// chestBy says that it does; empty with a gauge of the chest's own.
	pipeK   float64
	chestBy words.Text
	note    shownNote

	pressure, temperature, chest, steam, level, purity evaporator.Reading
	steamValve, feedValve, feed, discharge             evaporator.Reading
	massecuite, consistency, liquorBrix                evaporator.Reading
	feedBrix, massecuitePurity                         evaporator.Reading

	saturation, elevation, brix, supersaturation evaporator.Result
	difference, evaporation, u, crystal          evaporator.Result
	phase, phaseTime, strikeTime, water          evaporator.Result
	uChange, timeChange                          evaporator.Result
	sDeparture, sSpread, cDeparture, pDeparture  evaporator.Result
	usualTime, longestTime                       evaporator.Result
	fullUsual, footingUsual                      evaporator.Result
	offsetFound, elevationFound                  evaporator.Result
	compared                                     int                          // the newest strike in these
	earlier                                      [pan.WashOut + 1]pan.Reading // U by phase of the newest whole strike

	taken    int         // number of the newest strike that TakeFinished gave
	chosen   *pan.Strike // the reference that somebody chose; nil: the usual one
	usual    *pan.Strike // by itself
	usualFor int         // the newest strike when usual was picked
}

// shownNote is the note of a pan and what it was made of.
type shownNote struct {
	stuck  words.Text
	moving bool
	text   words.Text
}

func newPanView(c *Calculator, e *plant.Equipment, limits pan.Limits) *panView {
	v := panViewOf(c, e, *e.Pan)
	cfg := &v.cfg
	v.in.bind(e, "vapour_pressure", &v.pressure)
	v.in.bind(e, "massecuite_temperature", &v.temperature)
	v.bindChest(c, e)
	if len(cfg.Compartments) > 0 {
		v.compartments(c)
		v.in.bind(e, "seed_flow", &v.seed)
		v.in.bind(e, "massecuite_flow", &v.product)
	} else {
		v.in.batch = true
		d := pan.Design{AreaM2: cfg.HeatingSurfaceM2.First, StrikeHours: cfg.StrikeHours, VolumeM3: cfg.VolumeM3.First, Grade: cfg.Grade, Site: v.site, Limits: limits}
		if len(cfg.LiquorPurityPct) == 2 {
			d.LiquorPurityPct = [2]float64{cfg.LiquorPurityPct[0], cfg.LiquorPurityPct[1]}
		}
		v.track = pan.NewTracker(d)
		v.in.bind(e, "discharge_valve", &v.discharge)
		v.in.bind(e, "feed_brix", &v.feedBrix)
		v.in.bind(e, "massecuite_purity", &v.massecuitePurity)
	}
	v.bindRest(e)
	v.rows = c.rows(e)
	return v
}

// strikeLimits are the limits of a pan's phases, the site's where it sets them.
func strikeLimits(h *plant.House, f string, cfg *plant.PanConfig) (pan.Limits, plant.Faults) {
	var faults plant.Faults
	l := pan.DefaultLimits()
	for _, name := range slices.Sorted(maps.Keys(cfg.StrikeLimits)) {
		at := f + ".strike_limits." + name
		which, ok := pan.LimitNamed(name)
		if !ok {
			faults = append(faults, h.Document.Fault(at, "a strike has no limit of this name",
				plant.DidYouMean(plant.Nearest(name, pan.LimitNames()), "%q", "docs/strikes.md lists the limits")))
			continue
		}
		s := pan.LimitSpecs[which]
		if err := l.Set(which, cfg.StrikeLimits[name]); err != nil {
			faults = append(faults, h.Document.Fault(at, words.Of(err), words.Say("%s: give %g to %g %s, or leave it out for %g", s.Meaning, s.Low, s.High, s.Unit, s.Default)))
		}
	}
	if wrong := l.Check(); wrong != "" && len(faults) == 0 {
		faults = append(faults, h.Document.Fault(f+".strike_limits", wrong, "change one of the two"))
	}
	return l, faults
}

// panViewOf makes what a pan and a compartment have in common.
func panViewOf(c *Calculator, e *plant.Equipment, cfg plant.PanConfig) *panView {
	v := &panView{equip: e, cfg: cfg, passed: -1, in: inputs{house: c.house, air: &c.air, tau: 20 * time.Second}, model: liquor.BPEModel(cfg.Properties.BoilingPoint)}
	v.site = pan.Site{Elevation: v.model, Solubility: liquor.SolubilityModel(cfg.Solubility), PurityFactor: cfg.Properties.PurityFactor,
		Impurity: liquor.Impurity{M: cfg.Impurity[0], B: cfg.Impurity[1], C: cfg.Impurity[2]}}
	return v
}

// bindChest takes the chest's own gauge, else the vapour that heats it, less the loss in
// its pipe.
func (v *panView) bindChest(c *Calculator, e *plant.Equipment) {
	if v.in.bind(e, "chest_pressure", &v.chest) != nil || v.cfg.HeatedBy == "" {
		return
	}
	b, ok := c.house.Equip(v.cfg.HeatedBy)
	if !ok || v.in.bind(b, "vapour_pressure", &v.chest) == nil {
		return
	}
	for _, s := range c.sets {
		for _, x := range s.bodies {
			if x.equip == b {
				v.pipeK = *s.equip.Set.PipeLossK
			}
		}
	}
	v.chestBy = words.Say(throttledLowers, words.Say(chestTakenFrom, b.Path))
}

// piped takes the loss in the pipe off the vapour that stands for the chest.
func (v *panView) piped() {
	if v.chestBy == "" || !v.chest.OK {
		return
	}
	if t, ok := tsat(v.chest.Value); ok {
		if p, err := steam.Psat(steam.Celsius(t - v.pipeK)); err == nil {
			v.chest.Value = float64(p)
		}
	}
}

func (v *panView) bindRest(e *plant.Equipment) {
	v.in.bind(e, "steam_flow", &v.steam)
	v.in.bind(e, "level", &v.level)
	v.in.bind(e, "liquor_purity", &v.purity)
	v.in.bind(e, "liquor_brix", &v.liquorBrix)
	v.in.bind(e, "steam_valve", &v.steamValve)
	v.in.bind(e, "feed_valve", &v.feedValve)
	v.in.bind(e, "feed_flow", &v.feed)
	v.in.bind(e, "massecuite_brix", &v.massecuite)
	v.in.bind(e, "consistency", &v.consistency)
}

func (v *panView) step(c *Calculator, f *plant.Frame, at time.Time) {
	v.areaM2 = v.cfg.HeatingSurfaceM2.At(at)
	v.in.step(f, at)
	v.piped()
	if len(v.parts) > 0 {
		v.together(c, f, at)
	}
	v.follows(at)
	v.calculate()
	if v.track != nil {
		v.follow(at)
		v.compare()
		v.scaled()
	}
	if v.note.stuck != v.in.note || v.note.moving != v.moving {
		v.note = shownNote{v.in.note, v.moving, v.in.note}
		if v.moving {
			v.note.text = join(v.in.note, vacuumMoves)
		}
	}
	for _, r := range v.rows {
		worst, note := v.in.worst, v.in.note
		switch {
		case r.q.pairs && v.moving && (!v.liquorBrix.OK || r.q.Name == "boiling_point_elevation"):
			worst, note = plant.Worse(worst, plant.UncertainDataSubNormal), v.note.text
		case r.q.sums && v.gaps:
			worst = plant.Worse(worst, plant.UncertainDataSubNormal)
		}
		c.store(r, r.q.pan(v), at, worst, note)
	}
}

// follows watches whether the vacuum moves: the thermometer lags behind it, and 1 kPa is
// 1.3 K of boiling temperature at 16 kPa.
func (v *panView) follows(at time.Time) {
	dt := at.Sub(v.calmAt).Seconds()
	switch {
	case !v.pressure.OK:
		v.calm, v.moving = 0, false
		return
	case v.calm == 0 || dt < 0:
		v.calm = v.pressure.Value
	default:
		v.calm += (v.pressure.Value - v.calm) * -math.Expm1(-dt/60)
	}
	v.calmAt = at
	v.moving = math.Abs(v.pressure.Value-v.calm) > pan.StillKPa
}

// dryPct is the level, %, under which there is no massecuite about the thermometer. A pan
// above boilingKPa or below boilingC does not boil. Common practice, no source.
const dryPct, boilingKPa, boilingC = 8, 45, 35

// boiling reports whether the pan is under vacuum and warm, so that its
// temperatures mean anything. A vented pan holds no boiling liquor.
func (v *panView) boiling() bool {
	return v.pressure.Value < boilingKPa && v.temperature.Value > boilingC && (!v.level.OK || v.level.Value > dryPct)
}

// assumedPurity is the standard deviation of a purity by the configuration, in
// points: a figure of ours.
const assumedPurity = 1.0

// motherPurity is the purity of the mother liquor, by its tag, else as configured; by
// names that it is not measured.
func (v *panView) motherPurity() (purity evaporator.Reading, by words.Text) {
	if v.purity.OK {
		return v.purity, ""
	}
	p := v.cfg.LiquorPurityPct
	if len(p) != 2 {
		return evaporator.Reading{}, ""
	}
	x, sigma := (v.level.Value-30)/70, assumedPurity
	by = purityConfigured
	if !v.level.OK && p[0] != p[1] {
		span := math.Abs(p[1] - p[0])
		if x = v.passed; x >= 0 { // strikes differ in length by a fifth: a figure of ours
			sigma, by = math.Hypot(sigma, 0.2*span), purityByTime
		} else { // anywhere between: the deviation of an even spread
			x, sigma, by = 0.5, math.Hypot(sigma, span/math.Sqrt(12)), purityMidway
		}
	}
	x = min(1, max(0, x))
	return evaporator.Reading{Value: p[0] + (p[1]-p[0])*x, Sigma: sigma, OK: true}, by
}

func (v *panView) calculate() {
	none := func(why words.Text) {
		r := absent(why)
		v.elevation, v.brix, v.supersaturation, v.difference, v.evaporation, v.u, v.crystal = r, r, r, r, r, r, r
	}
	v.idle, v.liquorPurity = false, evaporator.Reading{}
	v.saturation = absent(noPressureWords)
	if !v.pressure.OK {
		none(noPressureWords)
		return
	}
	if t, ok := tsat(v.pressure.Value); ok {
		v.saturation = value(t, v.pressure.Sigma*tsatSlope(v.pressure.Value))
	}
	switch {
	case !v.saturation.OK():
		none(pressureBeyond)
		return
	case !v.temperature.OK:
		none(noMassecuiteC)
		return
	case !v.boiling():
		why := words.Text(notBoiling)
		if v.equip.Class == plant.ClassCompartment && v.level.OK && v.level.Value <= dryPct {
			why = compartmentDry
		}
		v.idle = v.steam.OK && v.steam.Value <= max(0.3, 3*v.steam.Sigma)
		none(why)
		return
	}
	tmc := v.temperature.Value - v.cfg.ThermometerOffsetK
	v.elevation = value(tmc-v.saturation.Value, math.Hypot(v.temperature.Sigma, v.saturation.Sigma))
	if len(v.parts) == 0 { // else each compartment has its own liquor
		if v.liquorBrix.OK {
			v.measuredLiquor(tmc)
		} else {
			v.motherLiquor(tmc)
		}
	}
	if v.equip.Class == plant.ClassCompartment {
		v.crystals()
	}
	v.heatTransfer(tmc)
}

// leastS is the least standard deviation of a supersaturation: what transmitters good to
// 0.1 kPa and 0.1 K leave, with the equations. Common practice, no source.
const leastS = 0.05

// motherLiquor finds Brix and supersaturation from the elevation. Without a
// purity the Brix is that of pure sucrose, and there is no supersaturation.
func (v *panView) motherLiquor(tmc float64) {
	purity, by := v.motherPurity()
	known := purity.OK
	v.liquorPurity = purity
	if !known {
		purity.Value = 100
	}
	l, err := pan.MotherLiquor(pan.LiquorReading{MassecuiteC: tmc, SigmaK: v.temperature.Sigma, PressureKPa: v.pressure.Value,
		SigmaKPa: v.pressure.Sigma, LiquorPurityPct: purity.Value, SigmaPurityPct: purity.Sigma}, v.site)
	if err != nil {
		// Fixed words: figures that change every second are no reason.
		why := absent(noLiquorBoilsSo)
		if v.elevation.Value <= 0 {
			why = absent(notAboveWater)
		}
		v.brix, v.supersaturation = why, why
		return
	}
	v.brix = value(float64(l.Brix), 0)
	if hi, _, err := v.model.BrixFromElevationFlagged(v.elevation.Value+0.1, liquor.Purity(purity.Value), steam.KPa(v.pressure.Value), v.site.PurityFactor); err == nil {
		v.brix.Sigma = float64(hi-l.Brix) * 10 * v.elevation.Sigma
	}
	if l.Extrapolated {
		v.brix.Reason.Text = eitherBeyondSource
	}
	v.supersaturated(l.Supersaturation, l.Sigma, l.Extrapolated, known, by)
}

// measuredLiquor takes the Brix from its instrument and finds the supersaturation.
func (v *panView) measuredLiquor(tmc float64) {
	v.brix = evaporator.Result{Value: v.liquorBrix.Value, Sigma: v.liquorBrix.Sigma, How: evaporator.Measured}
	purity, by := v.motherPurity()
	v.liquorPurity = purity
	known := purity.OK
	if !known {
		purity.Value = 100
	}
	s, sigma, beyond, err := pan.Supersaturation(pan.MeasuredLiquor{Brix: v.liquorBrix.Value, SigmaBrix: v.liquorBrix.Sigma, MassecuiteC: tmc, SigmaK: v.temperature.Sigma,
		LiquorPurityPct: purity.Value, SigmaPurityPct: purity.Sigma}, v.site)
	if err != nil {
		v.supersaturation = absent(liquorBeyond)
		return
	}
	v.supersaturated(s, sigma, beyond, known, by)
}

// supersaturated stores the supersaturation with what there is to say of it.
func (v *panView) supersaturated(s, sigma float64, beyond, known bool, by words.Text) {
	v.supersaturation = value(s, max(leastS, sigma))
	if by != "" {
		v.supersaturation.How, v.supersaturation.Reason.Text = evaporator.Assumed, by
	}
	if beyond {
		v.supersaturation.Reason = evaporator.Reason{Why: evaporator.BeyondSource, Text: by}
	}
	if !known {
		v.supersaturation = absent(noLiquorPurity)
	} else if v.equip.Class == plant.ClassCompartment && v.purer() {
		v.supersaturation.Reason = evaporator.Reason{Why: evaporator.Purer, Text: by}
	}
}

// usualHours is the length of a strike where the configuration has none.
func usualHours(h float64) float64 {
	if h <= 0 {
		return pan.UsualStrikeHours
	}
	return h
}

// gapsFrom is how long a strike may have gone without a steam flow before its water is
// called too little.
const gapsFrom = 3 * time.Minute

// follow steps the tracker that finds the strikes.
func (v *panView) follow(at time.Time) {
	use := func(r evaporator.Reading) pan.Reading { return pan.Reading{Value: r.Value, OK: r.OK} }
	in := pan.Inputs{PressureKPa: use(v.pressure), LevelPct: use(v.level), SteamValvePct: use(v.steamValve), SteamTH: use(v.steam),
		ChestKPa: use(v.chest), FeedValvePct: use(v.feedValve), FeedTH: use(v.feed), DischargePct: use(v.discharge),
		MassecuiteBrix: use(v.massecuite), ConsistencyPct: use(v.consistency), LiquorPurityPct: use(v.purity), LiquorBrix: use(v.liquorBrix),
		FeedBrix: use(v.feedBrix), MassecuitePurityPct: use(v.massecuitePurity)}
	if v.temperature.OK {
		in.MassecuiteC = pan.Use(v.temperature.Value - v.cfg.ThermometerOffsetK)
	}
	v.track.Refit(v.areaM2, v.cfg.VolumeM3.At(at))
	v.track.Step(at, in)
	phase, since := v.track.Phase()
	none := absent(noStrikeRuns)
	v.gaps, v.passed = false, -1
	v.phase, v.phaseTime, v.strikeTime, v.water = value(float64(phase), 0), value(at.Sub(since).Seconds(), 0), none, none
	if phase == pan.Unknown {
		v.phase = absent(words.Say(phaseUntold, v.track.Missing().Words()))
		v.phaseTime = v.phase
	}
	if length, water, lacking, ok := v.track.Sums(at); ok {
		v.strikeTime = value(length.Seconds(), 0)
		v.passed = length.Hours() / usualHours(v.cfg.StrikeHours)
		v.water = absent(noSteamForWater)
		if water.OK {
			v.water = value(water.Value, 0)
			if v.gaps = lacking > gapsFrom; v.gaps {
				v.water.Reason.Text = waterTooLittle
			} else if !v.chest.OK {
				v.water.Reason.Text = words.Say(vapourTakenAs, words.Measure{Value: 120, Unit: "kPa", Form: "%g", Of: v.equip.Path})
			}
		}
	}
}

// compare sets the pan against what it usually does.
func (v *panView) compare() {
	h, x := v.track.Habits(), v.track.Expected()
	of := func(n pan.Norm) evaporator.Result {
		if !n.Known() {
			return absent(unlearned)
		}
		return value(n.Value, n.Spread)
	}
	less := func(now evaporator.Result, n pan.Norm) evaporator.Result {
		if !n.Known() {
			return absent(unlearned)
		}
		if now.OK() {
			now = value(now.Value-n.Value, n.Spread)
		}
		return now
	}
	reading := func(r evaporator.Reading, why words.Text) evaporator.Result {
		if !r.OK {
			return absent(why)
		}
		return value(r.Value, r.Sigma)
	}
	lasts := func(minutes float64) evaporator.Result {
		if minutes <= 0 {
			return absent(unlearned)
		}
		return value(60*minutes, 0)
	}
	v.sDeparture, v.sSpread = less(v.supersaturation, x.S), of(x.S)
	if v.sSpread.OK() {
		v.sSpread = value(x.S.Spread, 0)
	}
	v.cDeparture = less(reading(v.temperature, noMassecuiteC), x.C)
	if v.cDeparture.OK() {
		v.cDeparture.Value -= v.cfg.ThermometerOffsetK
	}
	v.pDeparture = less(reading(v.pressure, noPressureWords), x.KPa)
	v.usualTime, v.longestTime = lasts(x.Minutes), lasts(x.Longest)
	v.fullUsual, v.footingUsual = of(h.TopLevel), of(h.Footing)
	water, fed := v.track.Offset(), v.track.FedOffset()
	if v.offsetFound = of(water); !water.Known() {
		if v.offsetFound = of(fed); fed.Known() {
			v.offsetFound.How, v.offsetFound.Reason.Text = evaporator.Assumed, offsetByFeed
		}
	}
	v.elevationFound = absent(elevationUnlearned)
	if water.Known() && fed.Known() {
		v.elevationFound = value(fed.Value-water.Value, math.Hypot(fed.Spread, water.Spread))
		v.elevationFound.How = evaporator.Assumed
	}
}

// scaled looks for scale over the strikes of three weeks, and keeps U of the newest whole
// one, whenever one has ended.
func (v *panView) scaled() {
	if n := v.track.Newest(); v.compared != n || v.uChange.Reason.Text == "" && !v.uChange.OK() {
		v.compared = n
		all := v.track.Strikes()
		for len(all) > 0 && all[len(all)-1].End.Sub(all[0].End) > 21*24*time.Hour {
			all = all[1:]
		}
		v.earlier = [len(v.earlier)]pan.Reading{}
		for i := len(all) - 1; i >= 0; i-- {
			if all[i].Whole {
				for p := range v.earlier {
					r, _ := all[i].Phase(pan.Phase(p))
					v.earlier[p] = r.U
				}
				break
			}
		}
		f := pan.Scaling(all)
		v.uChange, v.timeChange = absent(fewStrikesWithU), absent(fewStrikes)
		if f.UChangePct.OK {
			v.uChange = value(f.UChangePct.Value, 0)
		}
		if f.TimeChangePct.OK {
			v.timeChange = value(f.TimeChangePct.Value, 0)
		}
	}
}

// Strike is what is known of a pan's strikes at one moment.
type Strike struct {
	Pan     string // path
	Grade   string
	Phase   pan.Phase
	Since   time.Time
	Running *pan.Strike // nil between strikes
	// Usual is the strike to compare with, nil while there is none: the one that somebody
	// chose, or the most ordinary of the last ten whole ones.
	Usual  *pan.Strike
	Chosen bool
	// Finished are the strikes that are over, oldest first, at most 60. They
	// are never changed.
	Finished []pan.Strike
}

// FinishedStrike is a strike that is over.
type FinishedStrike struct {
	Pan    string // path
	Strike pan.Strike
}

// TakeFinished gives the strikes that have ended since it was last asked: for the record.
func (c *Calculator) TakeFinished() []FinishedStrike {
	var out []FinishedStrike
	for _, v := range c.pans {
		if v.track == nil || v.track.Newest() == v.taken {
			continue
		}
		for _, s := range v.track.Since(v.taken) {
			out = append(out, FinishedStrike{v.equip.Path, s})
		}
		v.taken = v.track.Newest()
	}
	return out
}

// RememberStrikes gives a pan the strikes on record, in order of time: after a start, when
// the trackers have followed the archive. What they found there that is not on record
// comes with the next [Calculator.TakeFinished].
func (c *Calculator) RememberStrikes(path string, record []pan.Strike) {
	for _, v := range c.pans {
		if v.track == nil || v.equip.Path != path {
			continue
		}
		v.taken, v.usualFor = 0, 0
		for i := range record {
			v.taken = max(v.taken, record[i].Number)
		}
		v.track.Remember(record)
	}
}

// WeighStrike makes the balance of a recorded strike anew, with the purities that the
// laboratory found. False: there is no such batch pan.
func (c *Calculator) WeighStrike(path string, s *pan.Strike, p pan.Purities) bool {
	for _, v := range c.pans {
		if v.track != nil && v.equip.Path == path {
			s.Weigh(p, v.site)
			return true
		}
	}
	return false
}

// CompareWith sets the strike that a pan's strikes are compared with; nil leaves the choice
// to the program. False: there is no such batch pan.
func (c *Calculator) CompareWith(path string, reference *pan.Strike) bool {
	for _, v := range c.pans {
		if v.track != nil && v.equip.Path == path {
			v.chosen = reference
			return true
		}
	}
	return false
}

// reference is the strike to compare with.
func (v *panView) reference() (s *pan.Strike, chosen bool) {
	if v.chosen != nil {
		return v.chosen, true
	}
	if n := v.track.Newest(); n != v.usualFor {
		v.usual, v.usualFor = nil, n
		if r, ok := pan.Usual(v.track.Strikes(), v.cfg.Grade); ok {
			v.usual = &r
		}
	}
	return v.usual, false
}

// Strikes tells where every batch pan stands.
func (c *Calculator) Strikes() []Strike {
	var out []Strike
	for _, v := range c.pans {
		if v.track == nil {
			continue
		}
		s := Strike{Pan: v.equip.Path, Grade: v.cfg.Grade}
		s.Phase, s.Since = v.track.Phase()
		if r, ok := v.track.Running(); ok {
			s.Running = &r
		}
		s.Finished = v.track.Strikes()
		s.Usual, s.Chosen = v.reference()
		out = append(out, s)
	}
	return out
}

// heatTransfer finds evaporation and U from the steam: m = S lambda(chest)/lambda(pan) and
// U = S lambda(chest)/(A dT). No heat is taken for lost; feed that comes colder than the
// massecuite takes some of it.
func (v *panView) heatTransfer(tmc float64) {
	v.difference = absent(noChestPressure)
	if v.chest.OK {
		v.difference = absent(chestBeyond)
		if tc, ok := tsat(v.chest.Value); ok {
			v.difference = value(tc-tmc, math.Hypot(v.temperature.Sigma, v.chest.Sigma*tsatSlope(v.chest.Value)))
			v.assumeChest(&v.difference)
		}
	}
	v.evaporation = absent(noSteamFlow)
	if v.u = v.evaporation; !v.steam.OK {
		v.byEarlierU()
		return
	}
	if v.evaporation = v.difference; !v.difference.OK() {
		v.u = v.difference
		return
	}
	lc, err1 := steam.LatentHeat(steam.KPa(v.chest.Value))
	lv, err2 := steam.LatentHeat(steam.KPa(v.pressure.Value))
	if err1 != nil || err2 != nil {
		v.evaporation = absent(aPressureBeyond)
		v.u = v.evaporation
		return
	}
	flow, ratio := max(0, v.steam.Value), float64(lc)/float64(lv)
	v.evaporation = value(flow*ratio, v.steam.Sigma*ratio)
	area := v.areaM2
	switch {
	case area <= 0:
		v.u = absent(noSurface)
	case v.difference.Value < pan.LeastDifferenceK:
		v.u = absent(differenceTooSmall)
	case flow == 0:
		v.u = absent(noSteamFlows)
	default:
		u := flow / 3.6 * float64(lc) / area / v.difference.Value
		v.u = value(u, u*math.Hypot(v.difference.Sigma/v.difference.Value, v.steam.Sigma/flow))
		v.assumeChest(&v.u)
	}
}

// earlierU is how alike U is from strike to strike in the same phase, one standard
// deviation: a figure of ours.
const earlierU = 0.25

// byEarlierU finds the evaporation without a steam flow, m = U A dT/lambda(pan), with the
// U of the newest whole strike in the same phase.
func (v *panView) byEarlierU() {
	if v.track == nil || !v.difference.OK() || v.difference.Value < pan.LeastDifferenceK {
		return
	}
	phase, _ := v.track.Phase()
	u := v.earlier[phase]
	lv, err := steam.LatentHeat(steam.KPa(v.pressure.Value))
	if !u.OK || !phase.Boiling() || err != nil {
		return
	}
	m := 3.6 * u.Value * v.areaM2 * v.difference.Value / float64(lv)
	v.evaporation = value(m, m*math.Hypot(earlierU, v.difference.Sigma/v.difference.Value))
	v.evaporation.How = evaporator.Assumed
	v.evaporation.Reason.Text = byUOfStrikeBefore
}

func (v *panView) assumeChest(r *evaporator.Result) {
	if v.chestBy != "" {
		r.How, r.Reason.Text = evaporator.Assumed, v.chestBy
	}
}
