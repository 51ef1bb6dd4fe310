package thermo

import (
	"fmt"
	"strings"
	"time"

	"calandria/plant"
	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// uncertaintyEvery is how often the uncertainties are worked out anew: they
// cost many evaluations and change slowly.
const uncertaintyEvery = time.Minute

// setView is an evaporator set at one moment.
type setView struct {
	equip  *plant.Equipment
	set    *evaporator.Set
	m      evaporator.Measurement
	r      *evaporator.Results
	in     inputs
	rows   []row
	bodies []*bodyView
	bleeds []*bleedView
	note   string    // what is fixed by the configuration
	sigmas time.Time // when the uncertainties were worked out
	fresh  bool      // they were at this step
	usable int       // readings they were worked out from

	makeUp    evaporator.Reading // steam beside the metered flow
	hasMakeUp bool
}

// bodyView is one body at one moment.
type bodyView struct {
	equip     *plant.Equipment
	b         *evaporator.BodyResult
	m         *evaporator.BodyMeasurement
	rows      []row
	inService plant.TagID
	cleaning  plant.TagID
	scaling   *scaling
}

// bleedView is one user of vapour.
type bleedView struct {
	cfg                     *plant.BleedConfig
	body                    *bodyView
	effect                  int // from 0
	flow, liquid, tin, tout evaporator.Reading
	heat                    liquor.HeatModel
	purity                  liquor.Purity
}

func newSetView(c *Calculator, e *plant.Equipment) (*setView, error) {
	cfg := e.Set
	s := &setView{equip: e, in: inputs{house: c.house, tau: *cfg.Smoothing}}
	d := evaporator.Design{
		LossFraction: *cfg.LossPct / 100, PipeLossK: *cfg.PipeLossK, VapourCp: 1.9,
		Elevation: liquor.BPEModel(cfg.Properties.BoilingPoint), Heat: liquor.HeatModel(cfg.Properties.Heat),
		PurityFactor: cfg.Properties.PurityFactor, PurityPct: cfg.PurityPct,
		HeadDepth: 0.5, HeadVoid: 0.5,
	}
	if *cfg.CondensateFlash {
		d.VapourCondensate = evaporator.Flashed
	}
	for i, part := range e.Parts {
		bc := part.Body
		d.Bodies = append(d.Bodies, evaporator.Body{Name: bc.Name, Effect: bc.Effect, AreaM2: bc.HeatingSurfaceM2, TubeLengthM: bc.TubeLengthM, JuiceBeside: bc.Juice == "beside"})
		bv := &bodyView{equip: part, m: &s.m.Bodies[i], inService: part.Tag("in_service"), cleaning: part.Tag("cleaning")}
		var err error
		if bv.scaling, err = newScaling(bc); err != nil {
			return nil, err
		}
		s.bodies = append(s.bodies, bv)
		for j := range bc.Bleeds {
			d.BleedFrom[bc.Effect-1] = true
			s.bleeds = append(s.bleeds, &bleedView{cfg: &bc.Bleeds[j], body: bv, effect: bc.Effect - 1, heat: d.Heat, purity: liquor.Purity(cfg.PurityPct)})
		}
	}
	var err error
	if s.set, err = evaporator.New(d); err != nil {
		return nil, err
	}
	s.r = s.set.NewResults()
	s.bind()
	s.rows = c.rows(e)
	for i, b := range s.bodies {
		b.b = &s.r.Bodies[i]
		b.rows = c.rows(b.equip)
	}
	s.note = fixedNote(c.house, e)
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
			i.scale = func(v float64) (float64, bool) { return massFlow(v, m.FeedBrix, m.FeedC, 100) }
		}
	}
	if s.in.bind(e, "syrup_flow", &m.SyrupTH) == nil {
		if i := s.in.bind(e, "syrup_volume_flow", &m.SyrupTH); i != nil {
			var t evaporator.Reading
			s.in.bind(e, "syrup_temperature", &t)
			i.scale = func(v float64) (float64, bool) { return massFlow(v, m.SyrupBrix, t, 60) }
		}
	}
	s.in.bind(e, "steam_flow", &m.SteamTH)
	s.hasMakeUp = s.in.bind(e, "steam_make_up_flow", &s.makeUp) != nil
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
// temperature the usual one stands in (a few tenths of a percent).
func massFlow(v float64, bx, t evaporator.Reading, usualC float64) (float64, bool) {
	if !bx.OK {
		return 0, false
	}
	if !t.OK {
		t.Value = usualC
	}
	rho, _, ok := accept(liquor.SPS4.Density(liquor.Brix(bx.Value), steam.Celsius(t.Value)))
	return v * rho / 1000, ok
}

func (s *setView) step(c *Calculator, f *plant.Frame, at time.Time) {
	s.in.step(f, at)
	for _, b := range s.bodies {
		b.m.OutOfService = off(f, b.inService) || on(f, b.cleaning)
	}
	s.bleedFlows()
	if s.hasMakeUp && s.m.SteamTH.OK {
		if s.makeUp.OK {
			s.m.SteamTH.Value += s.makeUp.Value
			s.m.SteamTH.Sigma = hypot(s.m.SteamTH.Sigma, s.makeUp.Sigma)
		} else {
			s.m.SteamTH = evaporator.Reading{} // a part of the steam is not known
		}
	}
	s.set.Evaluate(&s.m, s.r)
	// Also when an instrument comes or goes: what is used has changed.
	usable := s.in.usable()
	if s.fresh = !c.noSigma && (at.Sub(s.sigmas) >= uncertaintyEvery || at.Before(s.sigmas) || usable != s.usable); s.fresh {
		s.sigmas, s.usable = at, usable
		s.set.Uncertainty(&s.m, s.r)
	}
	for _, b := range s.bodies {
		if limit := b.equip.Body.MinDifferenceK; limit != nil && b.b.DTK.OK() && b.b.DTK.Value < *limit {
			b.b.U = absent(fmt.Sprintf("the temperature difference of %.1f K is below %g K: U would be mostly error", b.b.DTK.Value, *limit))
		}
		b.scaling.step(b.b.U, s.in.worst, on(f, b.cleaning), !c.noSigma, at)
	}
	for _, r := range s.rows {
		c.store(r, s.sigma(c, r, r.q.set(s)), at, s.in.worst, s.note)
	}
	for _, b := range s.bodies {
		for _, r := range b.rows {
			c.store(r, s.sigma(c, r, r.q.body(b)), at, s.in.worst, s.note)
		}
	}
}

// sigma keeps the uncertainty of the last time it was worked out.
func (s *setView) sigma(c *Calculator, r row, res evaporator.Result) evaporator.Result {
	if !s.fresh && res.OK() && res.Sigma == 0 {
		res.Sigma = c.values[r.value].Sigma
	}
	return res
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
	var sum [evaporator.MaxEffects]evaporator.Reading
	var missing [evaporator.MaxEffects]bool
	for _, l := range s.bleeds {
		r := l.reading()
		if !r.OK {
			missing[l.effect] = true
			continue
		}
		t := &sum[l.effect]
		t.OK = true
		t.Value += r.Value
		t.Sigma = hypot(t.Sigma, r.Sigma)
	}
	for k := range sum {
		if missing[k] {
			sum[k] = evaporator.Reading{}
		}
		s.m.BleedTH[k] = sum[k]
	}
}

// reading is the vapour taken: by the meter, by the heater's duty, or as
// assumed in the configuration with one tenth as its standard deviation.
func (l *bleedView) reading() evaporator.Reading {
	if l.flow.OK {
		return l.flow
	}
	if l.liquid.OK && l.tin.OK && l.tout.OK {
		// The heating vapour's pressure: any near one serves, its latent heat
		// changes by 0.3 % in 5 kPa.
		p := l.body.m.VapourKPa
		if !p.OK {
			p = evaporator.Reading{Value: 101.3}
		}
		rise := l.tout.Value - l.tin.Value
		if rise <= 0 {
			return evaporator.Reading{OK: true} // by-passed: it takes nothing
		}
		v, err := evaporator.HeaterBleedTH(l.liquid.Value, liquor.Brix(l.cfg.LiquidBx), l.purity, steam.Celsius(l.tin.Value),
			steam.Celsius(l.tout.Value), steam.KPa(p.Value), l.cfg.LossPct/100, l.heat)
		if err == nil {
			rel := hypot(hypot(l.tin.Sigma, l.tout.Sigma)/rise, l.liquid.Sigma/max(l.liquid.Value, 1e-9))
			return evaporator.Reading{Value: v, Sigma: v * rel, OK: true}
		}
	}
	if l.cfg.AssumedTH != nil {
		return evaporator.Reading{Value: *l.cfg.AssumedTH, Sigma: 0.1 * *l.cfg.AssumedTH, OK: true}
	}
	return evaporator.Reading{}
}

// fixedNote names what the configuration fixes instead of measuring.
func fixedNote(h *plant.House, e *plant.Equipment) string {
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
	sortStrings(fixed)
	return "with fixed values: " + strings.Join(fixed, ", ")
}

// clean is U of the clean body: the site's record, else Dessin's formula.
func (v *bodyView) clean() evaporator.Result {
	if u := v.equip.Body.CleanUWM2K; u > 0 {
		return value(u/1000, 0)
	}
	if !v.b.BrixOut.OK() || !v.b.ChestC.OK() {
		return absent("no clean_u_w_m2k in the configuration, and no Brix or calandria temperature for the Dessin formula")
	}
	u, err := evaporator.Dessin.U(liquor.Brix(v.b.BrixOut.Value), steam.Celsius(v.b.ChestC.Value), 0, 0)
	if err != nil {
		return absent(err.Error())
	}
	r := value(u, 0.2*u) // such formulas hold within a fifth: common practice, no source
	r.How, r.Reason = evaporator.Assumed, evaporator.Reason{Text: "by the Dessin formula, for want of clean_u_w_m2k"}
	return r
}

func (v *bodyView) ratio() evaporator.Result {
	clean := v.clean()
	switch {
	case !v.b.U.OK():
		return v.b.U
	case !clean.OK():
		return clean
	}
	r := v.b.U
	r.Value /= clean.Value
	r.Sigma = r.Value * hypot(v.b.U.Sigma/v.b.U.Value, clean.Sigma/clean.Value)
	if clean.How == evaporator.Assumed {
		r.How, r.Reason = clean.How, clean.Reason
	}
	return r
}

func (v *bodyView) scale() evaporator.Result {
	clean := v.clean()
	switch {
	case !v.b.U.OK():
		return v.b.U
	case !clean.OK():
		return clean
	case v.b.U.Value <= 0:
		return absent("U is not positive")
	}
	r := v.b.U
	r.Value = 1/v.b.U.Value - 1/clean.Value
	r.Sigma = hypot(v.b.U.Sigma/(v.b.U.Value*v.b.U.Value), clean.Sigma/(clean.Value*clean.Value))
	if clean.How == evaporator.Assumed {
		r.How, r.Reason = clean.How, clean.Reason
	}
	return r
}
