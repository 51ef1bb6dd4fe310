package thermo

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/pan"
)

// A continuous pan: every compartment is worked out like a pan, with the pressure of the
// vapour space they share; the pan itself has what belongs to the whole.

func continuousPan(e *plant.Equipment) bool { return e.Pan != nil && len(e.Pan.Compartments) > 0 }

// compartments makes the views of the compartments. What a compartment does not measure
// itself is the pan's.
func (v *panView) compartments(c *Calculator) {
	for _, e := range v.equip.Parts {
		k := e.Compartment
		if k == nil {
			continue
		}
		cfg := v.cfg
		cfg.HeatingSurfaceM2, cfg.Compartments, cfg.LiquorPurityPct = k.HeatingSurfaceM2, nil, nil
		if k.LiquorPurityPct > 0 {
			cfg.LiquorPurityPct = []float64{k.LiquorPurityPct, k.LiquorPurityPct}
		}
		if k.ThermometerOffsetK != nil {
			cfg.ThermometerOffsetK = *k.ThermometerOffsetK
		}
		p := panViewOf(c, e, cfg)
		if p.in.bind(e, "vapour_pressure", &p.pressure) == nil {
			p.in.bind(v.equip, "vapour_pressure", &p.pressure)
		}
		p.in.bind(e, "massecuite_temperature", &p.temperature)
		if e.Tag("chest_pressure") != plant.NoTag || v.equip.Tag("chest_pressure") == plant.NoTag {
			p.bindChest(c, e)
		} else {
			p.in.bind(v.equip, "chest_pressure", &p.chest)
		}
		p.bindRest(e)
		p.rows = c.rows(e)
		if n := len(v.parts); n > 0 {
			p.before = v.parts[n-1]
		}
		v.parts = append(v.parts, p)
	}
}

// together steps the compartments and takes from them what the pan does not measure
// itself: the mean temperature of the massecuite and the sum of the steam.
func (v *panView) together(c *Calculator, f *plant.Frame, at time.Time) {
	var warm, flows, lacking int
	var sum, sigma, steam, sigmaSteam float64
	worst, worstSteam := plant.Good, plant.Good
	for _, p := range v.parts {
		p.step(c, f, at)
		switch {
		case p.equip.Tag("massecuite_temperature") == plant.NoTag:
		case !p.temperature.OK:
			// The mean of the others is not that of all.
			worst = plant.Worse(worst, plant.UncertainDataSubNormal)
		case p.pressure.OK && p.boiling():
			warm++
			sum += p.temperature.Value - p.cfg.ThermometerOffsetK
			sigma += p.temperature.Sigma * p.temperature.Sigma
			worst = plant.Worse(worst, p.in.worst)
		}
		switch {
		case p.equip.Tag("steam_flow") == plant.NoTag:
		case p.steam.OK:
			flows++
			steam += p.steam.Value
			sigmaSteam = math.Hypot(sigmaSteam, p.steam.Sigma)
			worstSteam = plant.Worse(worstSteam, p.in.worst)
		default:
			lacking++
		}
	}
	if v.equip.Tag("massecuite_temperature") == plant.NoTag {
		v.temperature = evaporator.Reading{}
		if warm > 0 {
			n := float64(warm)
			v.temperature = evaporator.Reading{Value: sum/n + v.cfg.ThermometerOffsetK, Sigma: math.Sqrt(sigma) / n, OK: true}
			v.in.worst = plant.Worse(v.in.worst, worst)
		}
	}
	if v.equip.Tag("steam_flow") == plant.NoTag && flows+lacking > 0 {
		v.steam = evaporator.Reading{Value: steam, Sigma: sigmaSteam, OK: lacking == 0}
		v.in.worst = plant.Worse(v.in.worst, worstSteam)
	}
}

// crystals finds the crystal content of a compartment from the Brix of its massecuite and of
// its mother liquor:
//
//	C = 100 (Bmc - Bml)/(100 - Bml)
//
// It must rise along the pan.
func (v *panView) crystals() {
	switch {
	case !v.massecuite.OK:
		v.crystal = absent(noMassecuiteBrix)
		return
	case !v.brix.OK():
		v.crystal = v.brix
		return
	case v.massecuite.Value < v.brix.Value:
		v.crystal = absent(thinnerThanLiquor)
		return
	}
	x, err := liquor.CrystalContent(liquor.Brix(v.massecuite.Value), liquor.Brix(v.brix.Value))
	if err != nil {
		v.crystal = absent(thinnerThanLiquor)
		return
	}
	rest := 100 - v.brix.Value
	v.crystal = value(x, math.Hypot(100/rest*v.massecuite.Sigma, 100*(100-v.massecuite.Value)/(rest*rest)*v.brix.Sigma))
	b := v.before
	for b != nil && !b.crystal.OK() {
		b = b.before
	}
	if b != nil && x < b.crystal.Value-2 {
		v.crystal.Reason = evaporator.Reason{Of: b.equip.Name, Text: moreCrystalBefore}
	}
}

// purer reports whether the liquor is purer than in the nearest compartment before whose
// purity is known, by more than a point: sucrose goes into crystal along the pan, so the
// purity of what is left must fall.
func (v *panView) purer() bool {
	b := v.before
	for b != nil && !b.liquorPurity.OK {
		b = b.before
	}
	return b != nil && v.liquorPurity.Value > b.liquorPurity.Value+1
}

// seedRatio is the seed in % of the massecuite of a continuous pan.
func (v *panView) seedRatio() evaporator.Result {
	switch {
	case !v.seed.OK:
		return absent(noSeedFlow)
	case !v.product.OK:
		return absent(noMassecuiteFlow)
	case v.product.Value < leastProductTH:
		return absent(noMassecuiteLeaves)
	}
	x, err := pan.SeedRatio(max(0, v.seed.Value), v.product.Value)
	if err != nil {
		return absent(noSeedRatio)
	}
	return value(x, math.Hypot(100*v.seed.Sigma, x*v.product.Sigma)/v.product.Value)
}

// leastProductTH is the massecuite flow, t/h, below which the pan stands: a flow meter's
// zero. Common practice, no source.
const leastProductTH = 0.5
