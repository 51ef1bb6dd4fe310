package thermo

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/condenser"
	"calandria/thermo/evaporator"
	"calandria/thermo/steam"
)

// condenserView is a condenser at one moment.
type condenserView struct {
	equip                      *plant.Equipment
	in                         inputs
	rows                       []row
	pressure, tin, tout, water evaporator.Reading
	gas, vapour, pump          evaporator.Reading
	sets                       []*setView    // sets whose last vapour it takes
	gauge                      *bodyView     // whose pressure stands for its own, else nil
	sent                       plant.Quality // of the readings that the vapour rests on
	pans                       []*panView    // pans whose vapour it takes
	own                        bool          // it has a pressure gauge, or its set's stands for one
	ofPans                     inputs        // pressures of the pans, where it has not
	panPressure                []evaporator.Reading
	resting                    bool       // every vessel it serves is known to send no vapour
	moved                      words.Text // why their balances are not settled, "" if they are
	said                       struct{ moved, stuck, note words.Text }
	vacuum                     vacuum
	saturation, approach, rise evaporator.Result
	ratio, need, duty          evaporator.Result
}

func newCondenserView(c *Calculator, e *plant.Equipment) *condenserView {
	v := &condenserView{equip: e, in: inputs{house: c.house, air: &c.air}, vacuum: newVacuum(e.Condenser.Normal)}
	v.own = v.in.bind(e, "vapour_pressure", &v.pressure) != nil || v.served(c)
	v.in.bind(e, "gas_temperature", &v.gas)
	v.in.bind(e, "pump_running", &v.pump)
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

// served binds the pressure of the last body that the condenser serves.
func (v *condenserView) served(c *Calculator) bool {
	for _, s := range c.sets {
		if s.equip.Set.Condenser != v.equip.Name {
			continue
		}
		v.gauge = s.bodies[0]
		for _, b := range s.bodies {
			if b.equip.Body.Effect > v.gauge.equip.Body.Effect {
				v.gauge = b
			}
		}
		return v.in.bind(v.gauge.equip, "vapour_pressure", &v.pressure) != nil
	}
	return false
}

// serve finds the vessels whose vapour the condenser takes.
func (v *condenserView) serve(c *Calculator) {
	for _, s := range c.sets {
		if s.equip.Set.Condenser == v.equip.Name {
			v.sets = append(v.sets, s)
		}
	}
	for _, p := range c.pans {
		if p.equip.Pan.Condenser == v.equip.Name {
			v.pans = append(v.pans, p)
		}
	}
	if v.own {
		return
	}
	v.ofPans = inputs{house: c.house, air: &c.air, batch: true}
	v.panPressure = make([]evaporator.Reading, len(v.pans))
	for i, p := range v.pans {
		v.ofPans.bind(p.equip, "vapour_pressure", &v.panPressure[i])
	}
}

// look finds whether any vapour comes, and without a gauge of its own the pressure: that of
// a pan that boils, since one at rest may stand open beside it.
func (v *condenserView) look(f *plant.Frame, at time.Time) {
	v.resting = len(v.sets)+len(v.pans) > 0
	for _, s := range v.sets {
		v.resting = v.resting && (s.lastEffect() == 0 || s.unfed())
	}
	for _, p := range v.pans {
		v.resting = v.resting && p.atRest()
	}
	if g := v.gauge; g != nil && g.m.OutOfService { // by-passed: the body before it sends the vapour
		v.pressure = evaporator.Reading{}
		for _, s := range v.sets {
			for _, b := range s.bodies {
				if s.sends(b) && b.m.VapourKPa.OK && !v.pressure.OK {
					v.pressure = b.m.VapourKPa
					v.in.worst = plant.Worse(v.in.worst, s.in.worst)
				}
			}
		}
	}
	if v.own {
		return
	}
	v.ofPans.step(f, at)
	v.pressure = evaporator.Reading{}
	for i, p := range v.pans {
		if v.panPressure[i].OK && !p.atRest() {
			v.pressure = v.panPressure[i]
			v.in.worst = plant.Worse(v.in.worst, v.ofPans.worst)
			return
		}
	}
}

// unfed is true while the meters say that the set gets neither steam nor juice.
func (s *setView) unfed() bool {
	none := func(r evaporator.Reading) bool { return !r.OK || r.Value <= zeroOf(r) }
	return (s.m.SteamTH.OK || s.m.JuiceTH.OK) && none(s.m.SteamTH) && none(s.m.JuiceTH)
}

// atRest is true while the readings say that a pan does not boil: vented, cold or empty; of
// a continuous one, every compartment.
func (v *panView) atRest() bool {
	for _, p := range v.parts {
		if !p.atRest() {
			return false
		}
	}
	return len(v.parts) > 0 || v.pressure.OK && v.pressure.Value >= boilingKPa ||
		v.temperature.OK && v.temperature.Value <= boilingC || v.level.OK && v.level.Value <= dryPct
}

// lastEffect is the last one of which a body is in service: its vapour goes to the
// condenser; 0 if there is none.
func (s *setView) lastEffect() int {
	last := 0
	for _, b := range s.bodies {
		if !b.m.OutOfService {
			last = max(last, b.equip.Body.Effect)
		}
	}
	return last
}

// sends reports whether the vapour of a body goes to the condenser of the set.
func (s *setView) sends(b *bodyView) bool {
	return !b.m.OutOfService && b.equip.Body.Effect == s.lastEffect()
}

// taken is the vapour to the condenser by the balances of the vessels, or the
// reason why it is not known. A pan that does not boil sends none.
func (v *condenserView) taken() evaporator.Result {
	v.sent, v.moved = plant.Good, ""
	if len(v.sets)+len(v.pans) == 0 {
		return absent(noVessel)
	}
	sum := value(0, 0)
	add := func(r evaporator.Result) bool {
		if !r.OK() {
			sum = r
			return false
		}
		sum.Value += r.Value
		sum.Sigma = math.Hypot(sum.Sigma, r.Sigma)
		if r.How > sum.How {
			sum.How, sum.Reason = r.How, r.Reason
		}
		return true
	}
	for _, s := range v.sets {
		v.sent = plant.Worse(v.sent, s.in.worst)
		for _, b := range s.bodies {
			if !s.sends(b) {
				continue
			}
			if b.steadiness.state != isSettled {
				v.sent, v.moved = plant.Worse(v.sent, plant.UncertainDataSubNormal), b.steadiness.text
			}
			if !add(b.b.EvaporationTH) {
				return sum
			}
		}
	}
	for _, p := range v.pans {
		if p.idle {
			continue
		}
		v.sent = plant.Worse(v.sent, p.in.worst)
		if !add(p.evaporation) {
			return sum
		}
	}
	if sum.Value <= 0 {
		return absent(noVapourComes)
	}
	return sum
}

func (v *condenserView) step(c *Calculator, f *plant.Frame, at time.Time) {
	v.in.step(f, at)
	v.look(f, at)
	v.calculate()
	v.vacuum.step(v, at)
	if v.moved != v.said.moved || v.in.note != v.said.stuck {
		v.said.moved, v.said.stuck = v.moved, v.in.note
		v.said.note = join(v.moved, v.in.note)
	}
	for _, r := range v.rows {
		worst, note := v.in.worst, v.in.note
		if r.q.vapour && v.vapour.OK {
			worst, note = plant.Worse(worst, v.sent), v.said.note
		}
		c.store(r, r.q.condenser(v), at, worst, note)
	}
}

func (v *condenserView) calculate() {
	v.saturation = absent(noPressureWords)
	if v.pressure.OK {
		if t, ok := tsat(v.pressure.Value); ok {
			v.saturation = value(t, v.pressure.Sigma*tsatSlope(v.pressure.Value))
		}
	}
	v.approach = absent(noTailWater)
	if v.tout.OK {
		v.approach = v.saturation
		if v.saturation.OK() {
			v.approach = value(v.saturation.Value-v.tout.Value, math.Hypot(v.saturation.Sigma, v.tout.Sigma))
		}
	}
	if v.resting {
		v.approach = absent(noVapour)
		if !v.own {
			v.saturation = v.approach
		}
	}
	v.rise = absent(noWaterTemperatures)
	if v.tin.OK && v.tout.OK {
		v.rise = value(v.tout.Value-v.tin.Value, math.Hypot(v.tin.Sigma, v.tout.Sigma))
	}
	taken := v.taken()
	if v.resting {
		taken = absent(noVapour)
	}
	v.vapour = evaporator.Reading{Value: taken.Value, Sigma: taken.Sigma, OK: taken.OK()}
	v.ratio, v.need, v.duty = v.rise, taken, absent(noFlows)
	lacking := func(why evaporator.Result) { // the reason for what is not there
		v.ratio = why
		if taken.OK() {
			v.need = why
		}
		if !v.duty.OK() && (taken.OK() || v.water.OK) {
			v.duty = why
		}
	}
	switch {
	case !v.rise.OK():
		lacking(v.rise)
		return
	case v.rise.Value < 0.5:
		lacking(absent(waterNotWarmer))
		return
	}
	if v.water.OK {
		hi, err1 := steam.LiquidEnthalpyAt(steam.Celsius(v.tin.Value))
		ho, err2 := steam.LiquidEnthalpyAt(steam.Celsius(v.tout.Value))
		if err1 == nil && err2 == nil {
			q := v.water.Value * float64(ho-hi) / 3.6
			v.duty = value(q, math.Hypot(v.water.Sigma*float64(ho-hi)/3.6, q*v.rise.Sigma/v.rise.Value))
		}
	}
	if v.resting {
		v.ratio = taken
		return
	}
	if !v.saturation.OK() {
		lacking(v.saturation)
		return
	}
	vapour := 1.0 // the ratio does not depend on it
	known := taken.OK()
	if known {
		vapour = taken.Value
	}
	p, err := condenser.Perform(vapour, steam.KPa(v.pressure.Value), steam.Celsius(v.tin.Value), steam.Celsius(v.tout.Value))
	if err != nil {
		// Fixed words: figures that change every second are no reason.
		lacking(absent(tailWaterTooWarm))
		return
	}
	v.ratio = value(p.RatioKgKg, p.RatioKgKg*v.rise.Sigma/v.rise.Value)
	if known {
		v.need = value(p.WaterNeedTH, math.Hypot(vapour*v.ratio.Sigma, v.ratio.Value*taken.Sigma))
		v.duty = value(p.DutyKW, p.DutyKW*taken.Sigma/vapour)
		v.need.How, v.need.Reason = taken.How, taken.Reason
		v.duty.How, v.duty.Reason = taken.How, taken.Reason
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
