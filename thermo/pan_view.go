package thermo

import (
	"math"
	"time"

	"calandria/plant"
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
	// before is the compartment before this one, in the order of flow.
	before *panView

	pressure, temperature, chest, steam, level, purity evaporator.Reading
	steamValve, feedValve, feed, discharge             evaporator.Reading
	massecuite, consistency                            evaporator.Reading

	saturation, elevation, brix, supersaturation evaporator.Result
	difference, evaporation, u, crystal          evaporator.Result
	phase, phaseTime, strikeTime, water          evaporator.Result
}

func newPanView(c *Calculator, e *plant.Equipment) *panView {
	v := panViewOf(c, e, *e.Pan)
	cfg := &v.cfg
	v.in.bind(e, "vapour_pressure", &v.pressure)
	v.in.bind(e, "massecuite_temperature", &v.temperature)
	v.bindChest(c, e)
	if len(cfg.Compartments) > 0 {
		v.compartments(c)
	} else {
		v.in.batch = true
		// No loss, like the live evaporation: the water of a strike is its sum.
		d := pan.Design{AreaM2: cfg.HeatingSurfaceM2, StrikeHours: cfg.StrikeHours, LossPct: -1, Site: v.site}
		if len(cfg.LiquorPurityPct) == 2 {
			d.LiquorPurityPct = [2]float64{cfg.LiquorPurityPct[0], cfg.LiquorPurityPct[1]}
		}
		v.track = pan.NewTracker(d)
		v.in.bind(e, "discharge_valve", &v.discharge)
	}
	v.bindRest(e)
	v.rows = c.rows(e)
	return v
}

// panViewOf makes what a pan and a compartment have in common.
func panViewOf(c *Calculator, e *plant.Equipment, cfg plant.PanConfig) *panView {
	v := &panView{equip: e, cfg: cfg, in: inputs{house: c.house, tau: 20 * time.Second}, model: liquor.BPEModel(cfg.Properties.BoilingPoint)}
	v.site = pan.Site{Elevation: v.model, PurityFactor: cfg.Properties.PurityFactor,
		Impurity: liquor.Impurity{M: cfg.Impurity[0], B: cfg.Impurity[1], C: cfg.Impurity[2]}}
	return v
}

// bindChest takes the chest's own gauge, else the vapour that heats it.
func (v *panView) bindChest(c *Calculator, e *plant.Equipment) {
	if v.in.bind(e, "chest_pressure", &v.chest) == nil && v.cfg.HeatedBy != "" {
		if b, ok := c.house.Equip(v.cfg.HeatedBy); ok {
			v.in.bind(b, "vapour_pressure", &v.chest)
		}
	}
}

func (v *panView) bindRest(e *plant.Equipment) {
	v.in.bind(e, "steam_flow", &v.steam)
	v.in.bind(e, "level", &v.level)
	v.in.bind(e, "liquor_purity", &v.purity)
	v.in.bind(e, "steam_valve", &v.steamValve)
	v.in.bind(e, "feed_valve", &v.feedValve)
	v.in.bind(e, "feed_flow", &v.feed)
	v.in.bind(e, "massecuite_brix", &v.massecuite)
	v.in.bind(e, "consistency", &v.consistency)
}

func (v *panView) step(c *Calculator, f *plant.Frame, at time.Time) {
	v.in.step(f, at)
	if len(v.parts) > 0 {
		v.together(c, f, at)
	}
	v.calculate()
	if v.track != nil {
		v.follow(at)
	}
	for _, r := range v.rows {
		c.store(r, r.q.pan(v), at, v.in.worst, v.in.note)
	}
}

// dryPct is the level, %, under which there is no massecuite about the thermometer.
const dryPct = 8

// boiling reports whether the pan is under vacuum and warm, so that its
// temperatures mean anything. A vented pan holds no boiling liquor.
func (v *panView) boiling() bool {
	return v.pressure.Value < 45 && v.temperature.Value > 35 && (!v.level.OK || v.level.Value > dryPct)
}

func (v *panView) motherPurity() (float64, bool) {
	if v.purity.OK {
		return v.purity.Value, true
	}
	p := v.cfg.LiquorPurityPct
	if len(p) != 2 {
		return 0, false
	}
	x := 0.5
	if v.level.OK {
		x = min(1, max(0, (v.level.Value-30)/70))
	}
	return p[0] + (p[1]-p[0])*x, true
}

func (v *panView) calculate() {
	none := func(why string) {
		r := absent(why)
		v.elevation, v.brix, v.supersaturation, v.difference, v.evaporation, v.u, v.crystal = r, r, r, r, r, r, r
	}
	v.saturation = absent("no usable vapour pressure")
	if !v.pressure.OK {
		none("no usable vapour pressure")
		return
	}
	if t, ok := tsat(v.pressure.Value); ok {
		v.saturation = value(t, v.pressure.Sigma*tsatSlope(v.pressure.Value))
	}
	switch {
	case !v.saturation.OK():
		none("the vapour pressure is outside the steam table")
		return
	case !v.temperature.OK:
		none("no usable massecuite temperature")
		return
	case !v.boiling():
		why := "the pan is not boiling"
		if v.equip.Class == plant.ClassCompartment && v.level.OK && v.level.Value <= dryPct {
			why = "the compartment is dry"
		}
		none(why)
		return
	}
	tmc := v.temperature.Value - v.cfg.ThermometerOffsetK
	v.elevation = value(tmc-v.saturation.Value, math.Hypot(v.temperature.Sigma, v.saturation.Sigma))
	if len(v.parts) == 0 { // else each compartment has its own liquor
		v.motherLiquor(tmc)
	}
	if v.equip.Class == plant.ClassCompartment {
		v.crystals()
	}
	v.heatTransfer(tmc)
}

// motherLiquor finds Brix and supersaturation from the elevation. Without a
// purity the Brix is that of pure sucrose, and there is no supersaturation.
func (v *panView) motherLiquor(tmc float64) {
	purity, known := v.motherPurity()
	if !known {
		purity = 100
	}
	l, err := pan.MotherLiquor(pan.LiquorReading{MassecuiteC: tmc, SigmaK: v.temperature.Sigma, PressureKPa: v.pressure.Value,
		SigmaKPa: v.pressure.Sigma, LiquorPurityPct: purity, SigmaPurityPct: v.purity.Sigma}, v.site)
	if err != nil {
		// Fixed words: figures that change every second are no reason.
		why := absent("no liquor boils so: the elevation or the purity is beyond the equation; a wrong instrument?")
		if v.elevation.Value <= 0 {
			why = absent("the massecuite is not above the boiling point of water at this pressure: not boiling, or a wrong instrument")
		}
		v.brix, v.supersaturation = why, why
		return
	}
	v.brix = value(float64(l.Brix), 0)
	if hi, _, err := v.model.BrixFromElevationFlagged(v.elevation.Value+0.1, liquor.Purity(purity), steam.KPa(v.pressure.Value), v.site.PurityFactor); err == nil {
		v.brix.Sigma = float64(hi-l.Brix) * 10 * v.elevation.Sigma
	}
	v.supersaturation = value(l.Supersaturation, l.Sigma)
	if l.Extrapolated {
		v.supersaturation.Reason.Text = "beyond the range of the equation's source"
	}
	if !known {
		v.supersaturation = absent("no purity of the mother liquor: give a liquor_purity tag or liquor_purity_pct")
	}
}

// follow steps the tracker that finds the strikes.
func (v *panView) follow(at time.Time) {
	use := func(r evaporator.Reading) pan.Reading { return pan.Reading{Value: r.Value, OK: r.OK} }
	in := pan.Inputs{PressureKPa: use(v.pressure), LevelPct: use(v.level), SteamValvePct: use(v.steamValve), SteamTH: use(v.steam),
		ChestKPa: use(v.chest), FeedValvePct: use(v.feedValve), FeedTH: use(v.feed), DischargePct: use(v.discharge),
		MassecuiteBrix: use(v.massecuite), ConsistencyPct: use(v.consistency), LiquorPurityPct: use(v.purity)}
	if v.temperature.OK {
		in.MassecuiteC = pan.Use(v.temperature.Value - v.cfg.ThermometerOffsetK)
	}
	v.track.Step(at, in)
	phase, since := v.track.Phase()
	none := absent("no strike is running")
	v.phase, v.phaseTime, v.strikeTime, v.water = value(float64(phase), 0), value(at.Sub(since).Seconds(), 0), none, none
	if phase == pan.Unknown {
		v.phase = absent("the phase cannot be told: " + v.track.Missing())
		v.phaseTime = v.phase
	}
	if length, water, ok := v.track.Sums(at); ok {
		v.strikeTime = value(length.Seconds(), 0)
		v.water = absent("the evaporation is not known: no steam flow")
		if water.OK {
			v.water = value(water.Value, 0)
		}
	}
}

// Strike is what is known of a pan's strikes at one moment.
type Strike struct {
	Pan     string // path
	Phase   pan.Phase
	Since   time.Time
	Running *pan.Strike // nil between strikes
	Usual   *pan.Strike // the strike to compare with, nil while there is none
	// Finished are the strikes that are over, oldest first, at most 60. They
	// are never changed.
	Finished []pan.Strike
}

// ObservePans lets the trackers of strikes follow a frame of the past, without
// working anything else out: for a start on an archive that knows the strike in
// progress. Times must not fall back; steps of 1 to 60 s suit it.
func (c *Calculator) ObservePans(f *plant.Frame, at time.Time) {
	for _, v := range c.pans {
		if v.track == nil {
			continue
		}
		v.in.step(f, at)
		v.calculate()
		v.follow(at)
	}
}

// Strikes tells where every batch pan stands.
func (c *Calculator) Strikes() []Strike {
	var out []Strike
	for _, v := range c.pans {
		if v.track == nil {
			continue
		}
		s := Strike{Pan: v.equip.Path}
		s.Phase, s.Since = v.track.Phase()
		if r, ok := v.track.Running(); ok {
			s.Running = &r
		}
		s.Finished = v.track.Strikes()
		if r, ok := pan.Reference(s.Finished); ok {
			s.Usual = &r
		}
		out = append(out, s)
	}
	return out
}

func (v *panView) heatTransfer(tmc float64) {
	v.difference = absent("no usable chest pressure")
	if v.chest.OK {
		if tc, ok := tsat(v.chest.Value); ok {
			v.difference = value(tc-tmc, math.Hypot(v.temperature.Sigma, v.chest.Sigma*tsatSlope(v.chest.Value)))
		}
	}
	v.evaporation, v.u = absent("no usable steam flow"), absent("no usable steam flow")
	if !v.steam.OK || !v.difference.OK() {
		if v.steam.OK {
			v.u = v.difference
		}
		return
	}
	lc, err1 := steam.LatentHeat(steam.KPa(v.chest.Value))
	lv, err2 := steam.LatentHeat(steam.KPa(v.pressure.Value))
	if err1 != nil || err2 != nil {
		return
	}
	duty := max(0, v.steam.Value) * float64(lc) / 3.6
	v.evaporation = value(duty*3.6/float64(lv), 0)
	area := v.cfg.HeatingSurfaceM2
	switch {
	case area <= 0:
		v.u = absent("no heating surface in the configuration")
	case v.difference.Value < 2:
		v.u = absent("the temperature difference is too small")
	default:
		u := duty / area / v.difference.Value
		v.u = value(u, u*math.Hypot(v.difference.Sigma/v.difference.Value, v.steam.Sigma/max(v.steam.Value, 1e-6)))
	}
}
