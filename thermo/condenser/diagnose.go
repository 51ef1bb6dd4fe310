package condenser

import (
	"cmp"
	"math"
	"slices"

	"calandria/plant/words"
	"calandria/thermo/steam"
)

// Reading is one optional measured value.
type Reading struct {
	Value float64
	OK    bool
}

// Observation is what a condenser's instruments show, or showed when it worked
// well under the same duty.
type Observation struct {
	PressureKPa Reading // at the vessel or the condenser, absolute
	InC         Reading // injection water
	OutC        Reading // tail water
	GasC        Reading // vapour or gas at the condenser top
	VapourTH    Reading // to the condenser, e.g. last body's evaporation by balance
	WaterTH     Reading // cooling water
	SwingK      Reading // tail water's swing, largest less least over a minute
	PumpStopped bool    // the vacuum pump is known not to run
}

// Cause is one way to lose vacuum.
type Cause = words.Text

// The causes. Source of the patterns: the balance t_vapour = t_in + rise +
// approach; the attributions are common practice, no source.
const (
	WarmWater     Cause = "warm injection water"
	LittleWater   Cause = "too little cooling water"
	Overload      Cause = "more vapour than usual"
	Air           Cause = "air or gas"
	Internals     Cause = "poor contact inside the condenser"
	TailPipe      Cause = "tail pipe or seal well flooding"
	VacuumTooDeep Cause = "vacuum deeper than normal"
)

// checkFirst says what to look at for each cause. Work on a vessel under vacuum
// follows the site's procedures.
var checkFirst = map[Cause]words.Text{
	WarmWater:     "cooling tower or spray pond, cold-well trend, weather",
	LittleWater:   "water pump, strainer, valve position, cold-well level",
	Overload:      "last body's evaporation, pans started on the same condenser, steam or vapour valves passing",
	Air:           "vacuum pump or ejector and its seal water, vents, joints, sight glasses, manholes; stay clear of glass",
	Internals:     "water pressure; trays and nozzles at the next stop",
	TailPipe:      "seal-well level, leg; cut water only as the site's procedure says",
	VacuumTooDeep: "throttle water or admit air as the site does: foaming, entrainment and grain in the syrup follow",
}

// pumpStopped stands beside air or gas that is not drawn off.
const pumpStopped words.Text = "the vacuum pump is stopped, nothing draws the gas off"

// Evidence is one number behind a diagnosis.
type Evidence struct {
	What        words.Text
	Now, Normal float64
	Unit        string
}

// Measure is one of its figures, of the condenser of a path.
func (e Evidence) Measure(v float64, of string) words.Measure {
	if e.Unit == "K" {
		of = ""
	}
	return words.Measure{Value: v, Unit: e.Unit, Form: "%.1f", Of: of}
}

// Finding is one cause with what it explains.
type Finding struct {
	Cause      Cause
	ExplainsK  float64 // of the rise of the vapour temperature
	ExplainKPa float64 // the same at the present slope of the saturation line
	Evidence   []Evidence
	CheckFirst words.Text
	Doubt      words.Text // what is not measured and would decide, or what decides without a number; empty if nothing
}

// Diagnosis is the ranked result.
type Diagnosis struct {
	RiseKPa      float64 // pressure above normal
	RiseK        float64 // vapour temperature above normal
	Findings     []Finding
	UnexplainedK float64 // of RiseK, beyond what the first finding explains
}

// Diagnose compares now with normal and ranks the causes by how many kelvin of the
// vapour temperature each explains. The vapour temperature is the sum
//
//	Tsat(p) = t_in + rise + approach
//
// so its change splits without remainder into the change of the three. The water takes
// up a fixed share of the distance between vapour and injection water, 1 - exp(-NTU), and
// leaves exp(-NTU) of it: the approach goes with the rise by itself, and what it has
// grown with the rise counts to the cause of that. The rise is split further between load (as vapour flow) and water (as the inverse of its
// flow) when one of the flows is known; the approach between gas and contact when
// the gas thermometer is there: poor contact lets vapour through, which heats the
// gas drawn off, while gas that stays near the water though the vapour gets hotter
// is gas itself. It counts as air in full when saturation less gas temperature has
// grown by half as much as the approach (a figure of ours). With the vacuum pump
// stopped nothing draws the gas off: all of the approach then counts as air. Causes
// that explain less than leastK are left out; 1 K is a sensible threshold.
//
// Pressure and both water temperatures are needed, now and normally.
func Diagnose(now, normal Observation, leastK float64) (Diagnosis, error) {
	c := contrast{now: now, normal: normal, leastK: leastK}
	var err error
	if c.a, err = now.side("now"); err != nil {
		return Diagnosis{}, err
	}
	if c.b, err = normal.side("normal"); err != nil {
		return Diagnosis{}, err
	}
	if c.slope, err = steam.PsatSlope(steam.Celsius(c.a.tv)); err != nil {
		return Diagnosis{}, words.Errorf("condenser diagnosis: %s", err)
	}
	if !(leastK > 0) {
		c.leastK = 0.1
	}
	d := &c.d
	d.RiseKPa, d.RiseK = now.PressureKPa.Value-normal.PressureKPa.Value, c.a.tv-c.b.tv
	c.add(WarmWater, c.a.in-c.b.in, "", Evidence{"injection water", c.a.in, c.b.in, "degC"})
	if c.b.rise > 0 {
		c.follows = max(0, c.b.approach/c.b.rise)
	}
	c.ofRise()
	c.ofApproach()
	// Swings are evidence of another kind: ranked by their size, they explain no
	// mean.
	if now.SwingK.OK && now.SwingK.Value > 8 {
		least := 0.0
		if normal.SwingK.OK {
			least = normal.SwingK.Value
		}
		if now.SwingK.Value > 2*least {
			d.Findings = append(d.Findings, Finding{TailPipe, 0, 0, []Evidence{{"tail water's swing in a minute", now.SwingK.Value, least, "K"}}, checkFirst[TailPipe], ""})
		}
	}
	if d.RiseK <= -c.leastK {
		d.Findings = append(d.Findings, Finding{VacuumTooDeep, d.RiseK, d.RiseKPa, []Evidence{{"vapour temperature", c.a.tv, c.b.tv, "degC"}}, checkFirst[VacuumTooDeep], ""})
	}
	slices.SortStableFunc(d.Findings, func(x, y Finding) int { return cmp.Compare(math.Abs(y.ExplainsK), math.Abs(x.ExplainsK)) })
	d.UnexplainedK = d.RiseK
	if len(d.Findings) > 0 {
		d.UnexplainedK -= d.Findings[0].ExplainsK
	}
	return *d, nil
}

// side is one of the two observations, taken apart.
type side struct{ tv, in, out, rise, approach float64 }

func (o Observation) side(when words.Text) (side, error) {
	for _, f := range []struct {
		name words.Text
		r    Reading
	}{{"pressure", o.PressureKPa}, {"injection water temperature", o.InC}, {"tail water temperature", o.OutC}} {
		if !f.r.OK || math.IsNaN(f.r.Value) || math.IsInf(f.r.Value, 0) {
			return side{}, words.Errorf("condenser diagnosis: no usable %s (%s)", f.name, when)
		}
	}
	tv, err := steam.Tsat(steam.KPa(o.PressureKPa.Value))
	if err != nil {
		return side{}, words.Errorf("condenser diagnosis (%s): %s", when, err)
	}
	s := side{tv: float64(tv), in: o.InC.Value, out: o.OutC.Value}
	s.rise, s.approach = s.out-s.in, s.tv-s.out
	return s, nil
}

// contrast is the work on one diagnosis.
type contrast struct {
	now, normal   Observation
	a, b          side
	leastK, slope float64
	follows       float64 // by how much the approach grows for each kelvin of rise
	d             Diagnosis
}

func (c *contrast) add(cause Cause, k float64, doubt words.Text, ev ...Evidence) {
	if k >= c.leastK {
		c.d.Findings = append(c.d.Findings, Finding{cause, k, k * c.slope, ev, checkFirst[cause], doubt})
	}
}

// ofRise shares the change of the water's rise between load and water.
func (c *contrast) ofRise() {
	usable := func(x, y Reading) bool {
		return x.OK && y.OK && x.Value > 1e-3 && y.Value > 1e-3 && !math.IsInf(x.Value, 0) && !math.IsInf(y.Value, 0)
	}
	now, normal, a, b, by := c.now, c.normal, c.a.rise, c.b.rise, 1+c.follows
	rise := Evidence{"water's rise", a, b, "K"}
	water := Evidence{"cooling water", now.WaterTH.Value, normal.WaterTH.Value, "t/h"}
	vapour := Evidence{"vapour", now.VapourTH.Value, normal.VapourTH.Value, "t/h"}
	flows, load := usable(now.WaterTH, normal.WaterTH), usable(now.VapourTH, normal.VapourTH)
	switch {
	case b <= 0:
	case flows && load:
		// rise ~ V/W: the logarithms share the change.
		mean := b
		if a > 0 && math.Abs(a-b) > 1e-9 {
			mean = (a - b) / math.Log(a/b)
		}
		c.add(LittleWater, by*mean*math.Log(water.Normal/water.Now), "", rise, water)
		c.add(Overload, by*mean*math.Log(vapour.Now/vapour.Normal), "", rise, vapour)
	case flows:
		w := b * (water.Normal/water.Now - 1)
		c.add(LittleWater, by*w, "", rise, water)
		c.add(Overload, by*(a-b-w), "vapour flow not known", rise)
	case load:
		v := b * (vapour.Now/vapour.Normal - 1)
		c.add(Overload, by*v, "", rise, vapour)
		c.add(LittleWater, by*(a-b-v), "cooling-water flow not measured", rise)
	default:
		c.add(LittleWater, by*(a-b), "cooling-water flow not measured: could be load as well", rise)
		c.add(Overload, by*(a-b), "vapour flow not known: could be too little water as well", rise)
	}
}

// ofApproach shares what the approach has grown beyond the rise between gas and contact.
func (c *contrast) ofApproach() {
	gas, was := c.now.GasC, c.normal.GasC
	rise, approach := Evidence{"water's rise", c.a.rise, c.b.rise, "K"}, Evidence{"approach", c.a.approach, c.b.approach, "K"}
	dA := c.a.approach - c.b.approach - c.follows*(c.a.rise-c.b.rise)
	switch {
	case c.now.PumpStopped && !c.normal.PumpStopped:
		c.add(Air, dA, pumpStopped, approach, rise)
	case gas.OK && was.OK && !math.IsNaN(gas.Value) && !math.IsNaN(was.Value):
		less := Evidence{"saturation less gas temperature", c.a.tv - gas.Value, c.b.tv - was.Value, "K"}
		air := 0.0
		if dA > 0 {
			air = dA * min(1, max(0, 2*(less.Now-less.Normal)/dA))
		}
		c.add(Air, air, "", approach, less, rise)
		c.add(Internals, dA-air, "", approach, less)
	default:
		// More likely air: it comes and goes, internals wear.
		c.add(Air, dA, "gas temperature not measured: could be poor contact as well", approach, rise)
		c.add(Internals, dA, "gas temperature not measured: could be air as well", approach)
	}
}
