package simulator

import (
	"fmt"
	"math"
	"time"

	"calandria/plant"
)

// Namespace is the OPC UA namespace of the mill's tags.
const Namespace = "urn:calandria:demo-mill"

// BarometerKPa is the air pressure at the mill; it never changes.
const BarometerKPa = barometerKPa

// Instrument describes one instrument of the mill.
type Instrument struct {
	Path      string // tag path, also the identifier of the OPC UA node
	Title     string
	Dimension plant.Dimension
	Unit      string // of the raw reading
	Reference plant.Reference
	Low, High float64 // range, in Unit
	State     bool    // on or off
}

// Node is the OPC UA node id in the form of plant.yaml.
func (i Instrument) Node() string { return "nsu=" + Namespace + ";s=" + i.Path }

// Reading is what one instrument says.
type Reading struct {
	Path    string
	Raw     float64 // in the instrument's own unit, as it goes over OPC UA
	Value   float64 // the same in the canonical unit: kPa absolute, degC, t/h ...; NaN if Bad
	Quality plant.Quality
}

// FaultKind is what can be wrong with an instrument.
type FaultKind int

// Kinds of fault.
const (
	NoFault FaultKind = iota
	Offset            // reads high by the size given, in its canonical unit
	Frozen            // keeps its last value, status Good
	Open              // open circuit: Bad_SensorFailure
	Silent            // no communication: Bad_NoCommunication
)

type fault struct {
	kind FaultKind
	size float64
}

// sensor is an instrument with its state.
type sensor struct {
	Instrument
	get func(m *Model) float64 // true value, canonical
	// white noise and drift (one sigma), absolute and as a part of the value
	noise, noiseRel, driftAbs, driftRel float64
	lag                                 float64 // first order, s
	resolution                          float64 // of the raw value

	scale, offset float64 // canonical = raw*scale + offset
	low, high     float64 // canonical
	y             float64 // lagged
	drift         ou
	alphaDT       float64
	alpha         float64
	frozen        float64
}

// Instruments lists the instruments in a fixed order, that of Values.
func (m *Model) Instruments() []Instrument {
	is := make([]Instrument, len(m.sensors))
	for i := range m.sensors {
		is[i] = m.sensors[i].Instrument
	}
	return is
}

// Values returns what the instruments read now, in the order of Instruments.
// The slice belongs to the model and changes with the next step.
func (m *Model) Values() []Reading { return m.readings }

// Fault puts a fault on the instrument of a tag path; NoFault takes it off.
func (m *Model) Fault(path string, kind FaultKind, size float64) error {
	for i := range m.sensors {
		if m.sensors[i].Path == path {
			if kind == NoFault {
				delete(m.faults, i)
			} else {
				m.faults[i] = fault{kind, size}
				m.sensors[i].frozen = m.readings[i].Value
			}
			return nil
		}
	}
	return fmt.Errorf("simulator: no instrument %q", path)
}

func (m *Model) gapWait() time.Duration {
	return time.Duration((10 + 8*m.rng.Float64()) * float64(time.Hour))
}

func (m *Model) stepSensors(dt float64) {
	gap := false
	if m.settings.Gaps {
		if !m.now.Before(m.nextGap) {
			m.gapUntil = m.now.Add(time.Duration((5 + 55*m.rng.Float64()) * float64(time.Second)))
			m.nextGap = m.gapUntil.Add(m.gapWait())
		}
		gap = m.now.Before(m.gapUntil)
	}
	for i := range m.sensors {
		s := &m.sensors[i]
		x := s.get(m)
		if m.first {
			s.y = x
		} else {
			if dt != s.alphaDT {
				s.alphaDT, s.alpha = dt, 1
				if s.lag > 0 {
					s.alpha = 1 - math.Exp(-dt/s.lag)
				}
			}
			s.y += s.alpha * (x - s.y)
		}
		v := s.y
		if s.State {
			v = math.Round(x)
		} else if m.settings.Noise {
			a := math.Abs(v)
			if n := s.noise + s.noiseRel*a; n > 0 {
				v += n * m.rng.NormFloat64()
			}
			if s.drift.sigma > 0 {
				d := s.drift.step(dt, m.rng)
				v += d * (s.driftAbs + s.driftRel*a)
			}
		}
		q := plant.Good
		if len(m.faults) > 0 {
			if f, ok := m.faults[i]; ok {
				switch f.kind {
				case Offset:
					v += f.size
				case Frozen:
					v = s.frozen
				case Open:
					q = plant.BadSensorFailure
				case Silent:
					q = plant.BadNoCommunication
				}
			}
		}
		if gap {
			q = plant.BadNoCommunication
		}
		v = min(max(v, s.low), s.high)
		raw := (v - s.offset) / s.scale
		if s.resolution > 0 {
			raw = math.Round(raw/s.resolution) * s.resolution
		}
		r := &m.readings[i]
		r.Path, r.Raw, r.Value, r.Quality = s.Path, raw, raw*s.scale+s.offset, q
		if q.IsBad() {
			r.Raw, r.Value = math.NaN(), math.NaN()
		}
	}
}

// panel is the table of instruments while it is put together. Noise, drift and
// lags by class of instrument; all are choices for an invented mill.
type panel struct{ sensors []sensor }

// makeSensors builds the table of instruments.
func (m *Model) makeSensors() []sensor {
	t := &panel{}
	t.set()
	for k := range bodies {
		t.body(k)
	}
	t.users()
	t.setCondenser()
	for i := range m.pans {
		t.pan(i, &m.pans[i])
		t.panCondenser(i, &m.pans[i])
	}
	t.site()
	return t.sensors
}

func (t *panel) add(path, title string, d plant.Dimension, unit string, ref plant.Reference, lo, hi, res float64, get func(*Model) float64) *sensor {
	us, uo, err := plant.CanonicalFactor(d, unit)
	if err != nil {
		panic(err) // the table below is part of the program
	}
	s := sensor{Instrument: Instrument{Path: path, Title: title, Dimension: d, Unit: unit, Reference: ref, Low: lo, High: hi}, get: get, resolution: res}
	s.scale, s.offset = us, uo
	switch ref {
	case plant.Gauge:
		s.offset += barometerKPa
	case plant.Vacuum:
		s.scale, s.offset = -us, barometerKPa-uo
	}
	a, b := lo*s.scale+s.offset, hi*s.scale+s.offset
	s.low, s.high = min(a, b), max(a, b)
	s.drift = ou{sigma: 1, tau: 7 * 86400}
	t.sensors = append(t.sensors, s)
	return &t.sensors[len(t.sensors)-1]
}

func (t *panel) pressure(path, title, unit string, ref plant.Reference, lo, hi, res float64, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.Pressure, unit, ref, lo, hi, res, get)
	s.noise, s.driftAbs, s.lag = 0.15, 0.15, 1
	if s.high <= barometerKPa+10 {
		s.noise, s.driftAbs = 0.05, 0.08
	}
	return s
}

func (t *panel) temperature(path, title string, lo, hi float64, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.Temperature, "degC", "", lo, hi, 0.01, get)
	s.noise, s.driftAbs, s.lag = 0.05, 0.05, 40
	return s
}

func (t *panel) flow(path, title, unit string, hi, noise, drift, lag float64, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.MassFlow, unit, "", 0, hi, 0.01, get)
	s.noiseRel, s.driftRel, s.lag = noise, drift, lag
	return s
}

func (t *panel) brix(path, title string, hi float64, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.BrixDim, "Bx", "", 0, hi, 0.01, get)
	s.noise, s.driftAbs, s.lag = 0.06, 0.08, 28 // sensor 8 s, sample line 20 s
	return s
}

func (t *panel) level(path, title string, noise float64, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.Level, "%", "", 0, 110, 0.1, get)
	s.noise, s.driftAbs, s.lag = noise, 0.5, 3
	return s
}

func (t *panel) valve(path, title string, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.Percent, "%", "", 0, 100, 0.1, get)
	s.noise, s.lag = 0.15, 3
	return s
}

func (t *panel) conductivity(path, title string, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.Conductivity, "uS/cm", "", 0, 2000, 0.1, get)
	s.noise, s.driftAbs, s.lag = 0.8, 1, 5
	return s
}

func (t *panel) state(path, title string, get func(*Model) float64) *sensor {
	s := t.add(path, title, plant.State, "1", "", 0, 1, 1, get)
	s.State = true
	return s
}

func when(b bool, v, other float64) float64 {
	if b {
		return v
	}
	return other
}

// scaleOf is what a pressure gauge shows.
type scaleOf struct {
	unit        string
	ref         plant.Reference
	lo, hi, res float64
}

func (t *panel) set() {
	t.pressure("EV.header_pressure", "Exhaust steam header", "bar", plant.Gauge, 0, 4, 0.001, func(m *Model) float64 { return m.header })
	t.pressure("EV.steam_pressure", "Steam in calandria 1", "kPa", plant.Gauge, -100, 300, 0.1, func(m *Model) float64 { return m.set.SteamKPa })
	t.temperature("EV.steam_temperature", "Steam to calandria 1", 0, 200, func(m *Model) float64 { return m.set.SteamC }).lag = 15
	t.flow("EV.steam_flow", "Steam to calandria 1", "t/h", 80, 0.008, 0.003, 2, func(m *Model) float64 { return max(m.set.SteamTH, 0) })
	t.flow("EV.juice_flow", "Clear juice to EV1", "t/h", 200, 0.004, 0.0015, 2, func(m *Model) float64 { return m.cond.JuiceTH })
	t.temperature("EV.juice_temperature", "Clear juice to EV1", 0, 150, func(m *Model) float64 { return when(m.inService(), m.cond.JuiceC, 60) })
	t.brix("EV.juice_brix", "Clear juice", 30, func(m *Model) float64 { return m.cond.JuiceBrix })
	t.brix("EV.syrup_brix", "Syrup from EV5", 85, func(m *Model) float64 { return m.set.Brix[4] + 1.5*m.up(upBrixDrift) }).driftAbs = 0.10
	t.flow("EV.syrup_flow", "Syrup from EV5", "t/h", 60, 0.004, 0.0015, 2, func(m *Model) float64 { return when(m.inService(), max(m.set.JuiceTH[4], 0), 0) })
	t.temperature("EV.syrup_temperature", "Syrup from EV5", 0, 120, func(m *Model) float64 { return m.set.JuiceC[4] })
	t.valve("EV.steam_valve", "Steam valve of calandria 1", func(m *Model) float64 {
		return when(m.inService(), 25+75*math.Pow(min(m.set.SteamKPa/m.header, 1), 3), 0)
	})
	t.flow("EV.cane_rate", "Cane crushed", "t/h", 250, 0.01, 0.002, 60, func(m *Model) float64 { return caneTH * m.cond.JuiceTH / juiceTH })
}

// bodyGauges: the first two gauge, the last three absolute or as vacuum.
var bodyGauges = [bodies]scaleOf{{"bar", plant.Gauge, -0.5, 2.5, 0.0005}, {"kPa", plant.Gauge, -50, 150, 0.05},
	{"kPa", plant.Absolute, 0, 160, 0.02}, {"kPa", plant.Vacuum, 0, 100, 0.02}, {"mbar", plant.Absolute, 0, 1100, 0.1}}

func (t *panel) body(k int) {
	b := fmt.Sprintf("EV.EV%d.", k+1)
	n := fmt.Sprintf("EV%d", k+1)
	v := bodyGauges[k]
	p := t.pressure(b+"vapour_pressure", "Vapour space of "+n, v.unit, v.ref, v.lo, v.hi, v.res, func(m *Model) float64 { return m.set.VapourKPa[k] })
	if k >= 3 {
		p.noise, p.driftAbs = 0.04, 0.05
	}
	if k >= 2 {
		t.temperature(b+"vapour_temperature", "Vapour from "+n, 0, 150, func(m *Model) float64 { return m.set.VapourC[k] })
	}
	if k >= 1 {
		chestC := func(m *Model) float64 { return m.set.ChestC[k] }
		if k == 3 {
			chestC = func(m *Model) float64 { return m.set.ChestC[3] - 1.6*m.up(upGas4) }
		}
		t.temperature(b+"chest_temperature", "Calandria of "+n, 0, 160, chestC)
	}
	if k == 2 || k == 3 {
		t.pressure(b+"chest_pressure", "Calandria of "+n, "kPa", plant.Absolute, 0, 200, 0.05, func(m *Model) float64 {
			if !m.inService() {
				return barometerKPa
			}
			return m.mill.water.pressure(m.set.ChestC[k])
		})
	}
	t.temperature(b+"juice_temperature", "Juice in "+n, 0, 150, func(m *Model) float64 { return m.set.JuiceC[k] })
	t.level(b+"level", "Juice level in "+n, 1.6, func(m *Model) float64 { return m.levels[k] })
	base := [bodies]float64{12, 18, 20, 22, 25}[k]
	t.conductivity(b+"condensate_conductivity", "Condensate of calandria "+fmt.Sprint(k+1), func(m *Model) float64 {
		c := when(m.inService(), base, 5)
		if k == 3 && m.burst {
			c += 180 * m.up(upEntrainment3)
		}
		return c
	})
	if k >= 1 {
		t.level(b+"condensate_level", "Condensate pot of calandria "+fmt.Sprint(k+1), 0.8, func(m *Model) float64 {
			return when(m.inService(), 40+when(k == 2, 55*m.up(upFlooding3), 0), 0)
		})
	}
	if k == 2 {
		t.temperature(b+"condensate_temperature", "Condensate of calandria 3", 0, 150, func(m *Model) float64 {
			return m.set.ChestC[2] - 0.8 - 7*m.up(upFlooding3)
		})
	}
	if k >= 2 {
		t.valve(b+"vent_valve", "Vent of calandria "+fmt.Sprint(k+1), func(m *Model) float64 {
			return when(m.inService(), when(k == 3 && m.up(upGas4) > 0 && m.upsets[upGas4].on, 0, 25), 100)
		})
	}
	t.state(b+"in_service", n+" in service", func(m *Model) float64 { return plant.Flag(m.inService()) })
	t.state(b+"cleaning", n+" is being cleaned", func(m *Model) float64 { return plant.Flag(m.mode == Cleaning) })
}

// users are those of vapour: heaters are known by their juice, the pans' main by
// a meter.
func (t *panel) users() {
	t.flow("EV.EV1.pans.flow", "Vapour 1 to the pans' main", "t/h", 40, 0.02, 0.01, 3, func(m *Model) float64 { return when(m.inService(), m.pansTH, 0) })
	raw := func(m *Model) float64 { return rawJuiceTH * m.cond.JuiceTH / juiceTH }
	juice := func(m *Model) float64 { return m.cond.JuiceTH }
	heater := func(path, title string, in, out float64, liquid func(*Model) float64, hot func(m *Model) float64) {
		t.flow(path+".liquid_flow", "Juice through the "+title, "t/h", 250, 0.004, 0.0015, 2, liquid)
		t.temperature(path+".inlet_temperature", "Juice into the "+title, 0, 130, func(m *Model) float64 { return when(m.inService(), in, 45) })
		t.temperature(path+".outlet_temperature", "Juice out of the "+title, 0, 130, func(m *Model) float64 {
			return when(m.inService(), out, 45) + hot(m)
		})
	}
	none := func(*Model) float64 { return 0 }
	heater("EV.EV1.final_heater", "final heater", 94, 102, raw, none)
	heater("EV.EV1.clear_heater", "clear-juice heater", 96, 104, juice, func(m *Model) float64 { return when(m.inService(), m.cond.JuiceC-104, 0) })
	heater("EV.EV2.secondary_heater", "secondary heater", 75, 94, raw, func(m *Model) float64 { return 4.2 * m.up(upBleed2) })
	t.valve("EV.EV2.secondary_heater.valve", "Vapour 2 to the secondary heater", func(m *Model) float64 {
		return when(m.inService(), 52+48*m.up(upBleed2), 0)
	})
	heater("EV.EV3.primary_heater_b", "second primary heater", 55, 75, raw, none)
	heater("EV.EV4.primary_heater_a", "first primary heater", 35, 55, raw, none)
}

func (t *panel) setCondenser() {
	t.temperature("CD5.water_inlet_temperature", "Injection water", 0, 60, func(m *Model) float64 { return m.waterInC })
	t.temperature("CD5.water_outlet_temperature", "Tail water of CD5", 0, 80, func(m *Model) float64 { return m.set.TailC }).lag = 20
	t.flow("CD5.water_flow", "Injection water to CD5", "t/h", 700, 0.01, 0.003, 3, func(m *Model) float64 { return m.set.WaterTH })
	t.pressure("CD5.water_pressure", "Injection-water main", "bar", plant.Gauge, 0, 6, 0.005, func(m *Model) float64 {
		return barometerKPa + 180*m.waterFactor()*m.waterFactor()
	}).noise = 1
	t.temperature("CD5.gas_temperature", "Gas from CD5 to the vacuum pump", 0, 80, func(m *Model) float64 {
		return m.waterInC + 4 + 3*m.up(upAirLeak) + 3*m.up(upPumpTrip)
	})
	t.level("CD5.seal_level", "Seal well of CD5", 1, func(m *Model) float64 { return 62 })
	t.state("CD5.pump_running", "Vacuum pump of CD5", func(m *Model) float64 { return plant.Flag(m.inService() && !m.upsets[upPumpTrip].on) })
	t.state("CD5.water_pump_running", "Injection-water pump", func(m *Model) float64 { return 1 })
}

var panGauges = [3]scaleOf{{"kPa", plant.Absolute, 0, 110, 0.01}, {"mbar", plant.Absolute, 0, 1100, 0.1}, {"kPa", plant.Absolute, 0, 110, 0.01}}

func (t *panel) pan(i int, p *pan) {
	n := p.d.name
	b := n + "."
	v := panGauges[i]
	vp := t.pressure(b+"vapour_pressure", "Vapour space of "+n, v.unit, v.ref, v.lo, v.hi, v.res, func(*Model) float64 { return p.pressure })
	vp.noise, vp.driftAbs = 0.03, 0.04
	t.temperature(b+"vapour_temperature", "Vapour from "+n, 0, 130, func(*Model) float64 { return min(p.satC, p.massC) })
	mt := t.temperature(b+"massecuite_temperature", "Massecuite in "+n, 0, 130, func(*Model) float64 { return p.massC + pocketOffsetK })
	mt.noise, mt.lag = 0.04, 20
	t.level(b+"level", "Massecuite level in "+n, 0.5, func(*Model) float64 { return p.level })
	mb := t.add(b+"massecuite_brix", "Massecuite in "+n, plant.BrixDim, "Bx", "", 0, 100, 0.02, func(*Model) float64 { return p.massecuite })
	mb.noise, mb.driftAbs, mb.lag = 0.10, 0.15, 8
	co := t.add(b+"consistency", "Consistency in "+n, plant.Percent, "%", "", 0, 110, 0.1, func(*Model) float64 { return p.consistency })
	co.noise, co.lag = 0.6, 4
	st := t.add(b+"stirrer_current", "Stirrer of "+n, plant.Current, "A", "", 0, 200, 0.1, func(*Model) float64 { return p.stirrerA })
	st.noise, st.lag = 0.8, 2
	t.pressure(b+"chest_pressure", "Calandria of "+n, "kPa", plant.Gauge, -100, 150, 0.1, func(*Model) float64 { return p.chestKPa })
	t.flow(b+"steam_flow", "Vapour to "+n, "t/h", 30, 0.015, 0.005, 3, func(*Model) float64 { return p.steamTH })
	t.valve(b+"steam_valve", "Vapour valve of "+n, func(*Model) float64 { return p.steamValve })
	t.flow(b+"feed_flow", "Feed to "+n, "t/h", 100, 0.01, 0.003, 2, func(*Model) float64 { return p.feedTH })
	t.valve(b+"feed_valve", "Feed valve of "+n, func(*Model) float64 { return p.feedValve })
	fb := t.brix(b+"feed_brix", "Feed to "+n, 90, func(*Model) float64 { return p.feedBrix })
	fb.noise = 0.1
	t.valve(b+"water_valve", "Movement water of "+n, func(*Model) float64 { return p.waterValve })
	t.valve(b+"discharge_valve", "Discharge valve of "+n, func(*Model) float64 { return p.discharge })
	ph := t.add(b+"phase", "Phase of "+n, plant.AnyDimension, "", "", 0, 6, 1, func(*Model) float64 { return float64(p.phase) })
	ph.State = true
	t.conductivity(b+"condensate_conductivity", "Condensate of "+n, func(*Model) float64 { return 16 })
}

func (t *panel) panCondenser(i int, p *pan) {
	c := [3]string{"CDA.", "CDB.", "CDC."}[i]
	cn := c[:3]
	t.temperature(c+"water_inlet_temperature", "Injection water to "+cn, 0, 60, func(m *Model) float64 { return m.waterInC })
	t.temperature(c+"water_outlet_temperature", "Tail water of "+cn, 0, 80, func(*Model) float64 { return p.tailC }).lag = 20
	t.flow(c+"water_flow", "Injection water to "+cn, "t/h", 900, 0.01, 0.003, 3, func(m *Model) float64 { return p.waterTH * m.waterFactor() })
	t.state(c+"pump_running", "Vacuum pump of "+cn, func(*Model) float64 { return plant.Flag(p.pumpOn) })
}

// site holds the signals of the house as a whole.
func (t *panel) site() {
	t.flow("v1_make_up", "Exhaust let down into the pans' main", "t/h", 40, 0.015, 0.005, 3, func(m *Model) float64 {
		demand := 0.0
		for i := range m.pans {
			demand += m.pans[i].steamTH
		}
		return max(0, demand-when(m.inService(), m.pansTH, 0))
	})
	t.level("syrup_tank_level", "Syrup tank", 0.5, func(m *Model) float64 {
		return 55 + 12*math.Sin(2*math.Pi*m.now.Sub(time.Unix(0, 0)).Hours()/7.3)
	})
}

// Each hands on what every instrument reads now, in the unit of its tag.
func (m *Model) Each(f func(path string, v float64, q plant.Quality)) {
	for _, r := range m.readings {
		f(r.Path, r.Value, r.Quality)
	}
}
