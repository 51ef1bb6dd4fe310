package thermo

import (
	"time"

	"calandria/plant"
	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// panView is a vacuum pan at one moment.
type panView struct {
	equip *plant.Equipment
	in    inputs
	rows  []row
	model liquor.BPEModel

	pressure, temperature, chest, steam, level, purity, liquorBrix evaporator.Reading
	heater                                                         *bodyView

	saturation, elevation, brix, supersaturation evaporator.Result
	difference, evaporation, u                   evaporator.Result
}

func newPanView(c *Calculator, e *plant.Equipment) *panView {
	v := &panView{equip: e, in: inputs{house: c.house, tau: 20 * time.Second}, model: liquor.BPEModel(e.Pan.Properties.BoilingPoint)}
	v.in.bind(e, "vapour_pressure", &v.pressure)
	v.in.bind(e, "massecuite_temperature", &v.temperature)
	if v.in.bind(e, "chest_pressure", &v.chest) == nil && e.Pan.HeatedBy != "" {
		if b, ok := c.house.Equip(e.Pan.HeatedBy); ok {
			v.in.bind(b, "vapour_pressure", &v.chest)
		}
	}
	v.in.bind(e, "steam_flow", &v.steam)
	v.in.bind(e, "level", &v.level)
	v.in.bind(e, "liquor_purity", &v.purity)
	v.in.bind(e, "liquor_brix", &v.liquorBrix)
	v.rows = c.rows(e)
	return v
}

func (v *panView) step(c *Calculator, f *plant.Frame, at time.Time) {
	v.in.step(f, at)
	v.calculate()
	for _, r := range v.rows {
		c.store(r, r.q.pan(v), at, v.in.worst, "")
	}
}

// boiling reports whether the pan is under vacuum and warm, so that its
// temperatures mean anything. A vented pan holds no boiling liquor.
func (v *panView) boiling() bool {
	return v.pressure.Value < 45 && v.temperature.Value > 35 && (!v.level.OK || v.level.Value > 8)
}

func (v *panView) motherPurity() (float64, bool) {
	if v.purity.OK {
		return v.purity.Value, true
	}
	p := v.equip.Pan.LiquorPurityPct
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
		v.elevation, v.brix, v.supersaturation, v.difference, v.evaporation, v.u = r, r, r, r, r, r
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
		none("the pan is not boiling")
		return
	}
	tmc := v.temperature.Value - v.equip.Pan.ThermometerOffsetK
	v.elevation = value(tmc-v.saturation.Value, hypot(v.temperature.Sigma, v.saturation.Sigma))
	v.motherLiquor(tmc)
	v.heatTransfer(tmc)
}

// motherLiquor finds Brix and supersaturation from the elevation: crystals do
// not raise the boiling point.
func (v *panView) motherLiquor(tmc float64) {
	purity, known := v.motherPurity()
	k := v.equip.Pan.Properties.PurityFactor
	if !known {
		purity = 100
	}
	brixAt := func(bpe float64) (float64, string, bool) {
		b, err := v.model.BrixFromElevation(bpe, liquor.Purity(purity), steam.KPa(v.pressure.Value), k)
		return accept(float64(b), err)
	}
	b, note, ok := brixAt(v.elevation.Value)
	if !ok {
		v.brix, v.supersaturation = absent(note), absent(note)
		return
	}
	v.brix = value(b, 0)
	if hi, _, ok := brixAt(v.elevation.Value + 0.1); ok {
		v.brix.Sigma = (hi - b) * 10 * v.elevation.Sigma
	}
	if !known {
		v.supersaturation = absent("no purity of the mother liquor: give a liquor_purity tag or liquor_purity_pct")
		return
	}
	site := v.equip.Pan.Impurity
	super := func(brix float64) (float64, string, bool) {
		return accept(liquor.Vavrinecz.Supersaturation(liquor.Brix(brix), liquor.Purity(purity), steam.Celsius(tmc), liquor.Impurity{M: site[0], B: site[1], C: site[2]}))
	}
	s, note2, ok := super(b)
	if !ok {
		v.supersaturation = absent(note2)
		return
	}
	v.supersaturation = value(s, 0)
	if hi, _, ok := super(b + 0.1); ok {
		v.supersaturation.Sigma = (hi - s) * 10 * v.brix.Sigma
	}
	if n := note + note2; n != "" {
		v.supersaturation.Reason.Text = "beyond the range of the equation's source"
	}
}

func (v *panView) heatTransfer(tmc float64) {
	v.difference = absent("no usable chest pressure")
	if v.chest.OK {
		if tc, ok := tsat(v.chest.Value); ok {
			v.difference = value(tc-tmc, hypot(v.temperature.Sigma, v.chest.Sigma*tsatSlope(v.chest.Value)))
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
	area := v.equip.Pan.HeatingSurfaceM2
	switch {
	case area <= 0:
		v.u = absent("no heating surface in the configuration")
	case v.difference.Value < 2:
		v.u = absent("the temperature difference is too small")
	default:
		u := duty / area / v.difference.Value
		v.u = value(u, u*hypot(v.difference.Sigma/v.difference.Value, v.steam.Sigma/max(v.steam.Value, 1e-6)))
	}
}
