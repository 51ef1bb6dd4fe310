package thermo

import (
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/thermo/condenser"
	"calandria/thermo/evaporator"
	"calandria/thermo/steam"
)

func hypot(a, b float64) float64 { return math.Hypot(a, b) }

func sortStrings(s []string) { slices.Sort(s) }

// condenserView is a condenser at one moment.
type condenserView struct {
	equip                      *plant.Equipment
	in                         inputs
	rows                       []row
	pressure, tin, tout, water evaporator.Reading
	last                       []*bodyView // bodies whose vapour it takes
	saturation, approach, rise evaporator.Result
	ratio, need, duty          evaporator.Result
}

func newCondenserView(c *Calculator, e *plant.Equipment) *condenserView {
	v := &condenserView{equip: e, in: inputs{house: c.house}}
	if v.in.bind(e, "vapour_pressure", &v.pressure) == nil {
		v.served(c)
	}
	v.in.bind(e, "water_inlet_temperature", &v.tin)
	v.in.bind(e, "water_outlet_temperature", &v.tout)
	if v.in.bind(e, "water_flow", &v.water) == nil {
		if i := v.in.bind(e, "water_volume_flow", &v.water); i != nil {
			i.scale = func(q float64) (float64, bool) {
				t := 30.0
				if v.tin.OK {
					t = v.tin.Value
				}
				s, err := steam.Liquid(101.325, steam.Celsius(t))
				if err != nil {
					return 0, false
				}
				return q / s.VolumeM3Kg / 1000, true
			}
		}
	}
	v.rows = c.rows(e)
	return v
}

// served binds the pressure of the vessel that the condenser serves.
func (v *condenserView) served(c *Calculator) {
	for _, s := range c.sets {
		if s.equip.Set.Condenser == v.equip.Name && len(s.bodies) > 0 {
			last := s.bodies[len(s.bodies)-1]
			for _, b := range s.bodies {
				if b.equip.Body.Effect == last.equip.Body.Effect {
					v.last = append(v.last, b)
				}
			}
			v.in.bind(last.equip, "vapour_pressure", &v.pressure)
			return
		}
	}
	for _, p := range c.house.Of(plant.ClassPan) {
		if p.Pan.Condenser == v.equip.Name {
			v.in.bind(p, "vapour_pressure", &v.pressure)
			return
		}
	}
}

func (v *condenserView) step(c *Calculator, f *plant.Frame, at time.Time) {
	v.in.step(f, at)
	v.calculate()
	for _, r := range v.rows {
		c.store(r, r.q.condenser(v), at, v.in.worst, "")
	}
}

func (v *condenserView) calculate() {
	v.saturation = absent("no usable vapour pressure")
	if v.pressure.OK {
		if t, ok := tsat(v.pressure.Value); ok {
			v.saturation = value(t, v.pressure.Sigma*tsatSlope(v.pressure.Value))
		}
	}
	v.approach = absent("no usable tail-water temperature")
	if v.tout.OK {
		v.approach = v.saturation
		if v.saturation.OK() {
			v.approach = value(v.saturation.Value-v.tout.Value, hypot(v.saturation.Sigma, v.tout.Sigma))
		}
	}
	v.rise = absent("no usable injection- or tail-water temperature")
	if v.tin.OK && v.tout.OK {
		v.rise = value(v.tout.Value-v.tin.Value, hypot(v.tin.Sigma, v.tout.Sigma))
	}
	v.ratio, v.need, v.duty = v.rise, absent("no vapour flow"), absent("no vapour flow, and no water flow")
	if !v.rise.OK() {
		return
	}
	if v.rise.Value < 0.5 {
		v.ratio = absent("the water does not warm up: no vapour is condensed, or a thermometer is wrong")
		v.need = v.ratio
		return
	}
	if v.water.OK {
		v.duty = value(v.water.Value*4.18*v.rise.Value/3.6, 0)
	}
	if !v.saturation.OK() {
		v.ratio = v.saturation
		return
	}
	var vapour float64
	for _, b := range v.last {
		if !b.b.EvaporationTH.OK() {
			v.need = b.b.EvaporationTH
		}
		vapour += b.b.EvaporationTH.Value
	}
	known := len(v.last) > 0 && !math.IsNaN(vapour) && vapour > 0
	for _, b := range v.last {
		known = known && b.b.EvaporationTH.OK()
	}
	if !known {
		vapour = 1 // the ratio does not depend on it
	}
	p, err := condenser.Perform(vapour, steam.KPa(v.pressure.Value), steam.Celsius(v.tin.Value), steam.Celsius(v.tout.Value))
	if err != nil {
		v.ratio = absent(err.Error())
		return
	}
	v.ratio = value(p.RatioKgKg, p.RatioKgKg*v.rise.Sigma/v.rise.Value)
	if known {
		v.need = value(p.WaterNeedTH, vapour*v.ratio.Sigma)
		v.duty = value(p.DutyKW, 0)
	}
}

// tsatSlope is dTsat/dp in K/kPa.
func tsatSlope(p float64) float64 {
	a, ok1 := tsat(p * 0.999)
	b, ok2 := tsat(p * 1.001)
	if !ok1 || !ok2 {
		return 0
	}
	return (b - a) / (0.002 * p)
}
