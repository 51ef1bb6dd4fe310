package simulator

import (
	"errors"
	"math"
)

// The set of the invented mill.
const (
	bodies          = 5
	lossFraction    = 0.015 // of the chest duty
	pipeLossK       = 0.3   // saturation temperature, each vapour pipe
	superheatCp     = 1.9   // kJ/(kg K)
	targetBrix      = 65.0
	headerKPa       = 240.0
	cleanSteamKPa   = 173.37909585540714 // calandria 1, clean, that gives 65 Bx
	lastVapourKPa   = 16.0
	juiceTH         = 130.0
	juiceBrix       = 14.0
	juiceC          = 104.0
	waterInC        = 30.0
	waterOutC       = 48.0
	condenserK      = 7.3120301435483555 // least approach of CD5
	condenserWater  = 355.835769900111   // t/h
	designVapourTH  = 11.15784098962726  // to CD5
	pansVapourTH    = 14.825273925495942
	finalHeaterTH   = 1.9134478276481153
	clearHeaterTH   = 1.856329982046679
	secondHeaterTH  = 4.500004080000002
	primaryBTH      = 4.684793142857144
	primaryATH      = 4.61381142857143
	rawJuiceTH      = 134.0
	cleaningHours   = 10.0
	cleaningCycleD  = 11.0 // days in service between cleanings
	barometerKPa    = 100.8
	caneTH          = 125.0
	airLeakKPa      = 8.0
	pumpTripKPa     = 8.0 // air in the condenser when nothing draws it off
	levelSetPct     = 35.0
	maxSolverRounds = 60
)

var (
	surfaceM2  = [bodies]float64{1400, 900, 700, 550, 500}
	cleanU     = [bodies]float64{2500, 2200, 1800, 1300, 700}
	holdupM3   = [bodies]float64{7.8, 5.0, 3.9, 3.1, 2.8}
	scalePerDy = [bodies]float64{0.030e-4, 0.035e-4, 0.060e-4, 0.130e-4, 0.400e-4} // m2.K/W a day
	baseBleed  = [bodies]float64{pansVapourTH + finalHeaterTH + clearHeaterTH, secondHeaterTH, primaryBTH, primaryATH, 0}
)

// Conditions is what decides the steady state of the evaporator set.
type Conditions struct {
	JuiceTH        float64         // clear juice, t/h
	JuiceBrix      float64         // % dissolved solids
	JuiceC         float64         // degC
	SteamKPa       float64         // calandria 1, saturated
	LastVapourKPa  float64         // vapour space of EV5
	CleanUWM2K     [bodies]float64 // W/(m2.K)
	ScaleM2KW      [bodies]float64 // scale resistance, m2.K/W
	SurfaceFactor  [bodies]float64 // part of the coefficient that is left: flooding, gas, low level
	BleedTH        [bodies]float64 // vapour bled after each body; the last is 0
	WaterTH        float64         // injection water to CD5
	WaterInC       float64
	WaterKeepsPace bool // injection water is set so that the tail water stays at 48 degC
}

// Base gives the conditions of the clean set at its design load.
func Base() Conditions {
	c := Conditions{JuiceTH: juiceTH, JuiceBrix: juiceBrix, JuiceC: juiceC, SteamKPa: cleanSteamKPa,
		LastVapourKPa: lastVapourKPa, CleanUWM2K: cleanU, BleedTH: baseBleed, WaterTH: condenserWater, WaterInC: waterInC}
	for k := range c.SurfaceFactor {
		c.SurfaceFactor[k] = 1
	}
	return c
}

// State is the state of the evaporator set.
type State struct {
	SteamKPa, SteamC float64         // calandria 1
	VapourKPa        [bodies]float64 // vapour space
	VapourC          [bodies]float64 // its saturation temperature
	ChestC           [bodies]float64 // condensing temperature
	JuiceC           [bodies]float64
	ElevationK       [bodies]float64 // boiling-point elevation
	DutyMW           [bodies]float64
	VapourTH         [bodies]float64 // made in the body
	JuiceTH          [bodies]float64 // leaving the body
	Brix             [bodies]float64 // leaving the body
	UWM2K            [bodies]float64
	CondensedTH      [bodies]float64 // in the calandria
	FlashTH          [bodies]float64 // of which condensate flash
	CondensateTH     [bodies]float64 // leaving towards the next pot; the first is exhaust condensate
	SteamTH          float64
	TailC            float64 // tail water of CD5
	WaterTH          float64
}

// Evaporation is the sum over the bodies, t/h.
func (s *State) Evaporation() float64 {
	e := 0.0
	for _, v := range s.VapourTH {
		e += v
	}
	return e
}

var errNoState = errors.New("simulator: the set has no steady state under these conditions")

// evaluate works out flows and duties for given vapour temperatures and Brix.
func (w *water) evaluate(c *Conditions, s *State) {
	lin, hin := c.JuiceTH, specificHeat(c.JuiceBrix)*c.JuiceC
	chest, enthalpyIn := s.SteamC, w.vapour.at(s.SteamC)
	potTH, potH := 0.0, 0.0
	for k := range bodies {
		tv := s.VapourC[k]
		u := 1 / (1/c.CleanUWM2K[k] + c.ScaleM2KW[k]) * c.SurfaceFactor[k]
		bpe := elevation(s.Brix[k], tv)
		tj := tv + bpe
		q := u * surfaceM2[k] * (chest - tj) * 1e-6
		h := specificHeat(s.Brix[k]) * tj
		hv := w.vapour.at(tv) + superheatCp*bpe
		v := (q*3600*(1-lossFraction) - lin*(h-hin)) / (hv - h)
		hc := w.liquid.at(chest)
		cond := q * 3600 / (enthalpyIn - hc)
		flash := 0.0
		if k >= 2 {
			flash = potTH * (potH - hc) / w.latent(chest)
		}
		switch {
		case k == 0:
			s.CondensateTH[0] = cond
		default:
			potTH, potH = potTH+cond-flash, hc
			s.CondensateTH[k] = potTH
		}
		s.UWM2K[k], s.ElevationK[k], s.JuiceC[k], s.DutyMW[k], s.VapourTH[k] = u, bpe, tj, q, v
		s.ChestC[k], s.CondensedTH[k], s.FlashTH[k] = chest, cond, flash
		lin, hin = lin-v, h
		s.JuiceTH[k] = lin
		chest, enthalpyIn = tv-pipeLossK, hv
	}
	s.SteamTH = s.CondensedTH[0]
}

// relax moves the vapour temperatures of EV1..EV4 to where vapour made, bled
// and condensed agree, each vapour space storing store[k] t/h for every kelvin
// above old[k] (0 for the steady state). Brix stays as it is. Quasi-Newton with
// a tridiagonal matrix; reports whether it closed within tol (t/h).
func (w *water) relax(c *Conditions, s *State, old *[bodies]float64, store *[bodies]float64, tol float64) bool {
	const n = bodies - 1
	for range maxSolverRounds {
		w.evaluate(c, s)
		var g, lo, di, up [n]float64
		worst := 0.0
		for k := range n {
			g[k] = s.VapourTH[k] - c.BleedTH[k] + s.FlashTH[k+1] - s.CondensedTH[k+1]
			if store != nil {
				g[k] -= store[k] * (s.VapourC[k] - old[k])
			}
			worst = max(worst, math.Abs(g[k]))
			lat := 2250.0
			a := s.UWM2K[k] * surfaceM2[k] * 3.6e-3 / lat // t/h per K
			b := s.UWM2K[k+1] * surfaceM2[k+1] * 3.6e-3 / lat
			in := c.JuiceTH
			if k > 0 {
				in = s.JuiceTH[k-1]
			}
			sens := in * 3.8 / lat
			lo[k] = a + sens
			di[k] = -a - sens - b
			up[k] = b
			if store != nil {
				di[k] -= store[k]
			}
		}
		if worst < tol {
			return true
		}
		// Thomas algorithm on J d = -g.
		var d [n]float64
		for k := 1; k < n; k++ {
			m := lo[k] / di[k-1]
			di[k] -= m * up[k-1]
			g[k] -= m * g[k-1]
		}
		d[n-1] = -g[n-1] / di[n-1]
		for k := n - 2; k >= 0; k-- {
			d[k] = (-g[k] - up[k]*d[k+1]) / di[k]
		}
		for k := range n {
			s.VapourC[k] += min(max(d[k], -8), 8)
			s.VapourC[k] = min(max(s.VapourC[k], 12), 165)
		}
	}
	return false
}

// Solve finds the steady state of the conditions. start may be nil; else it
// is taken as a first guess.
func (m *Mill) Solve(c Conditions, start *State) (State, error) {
	w := m.water
	s := State{}
	if start != nil {
		s = *start
	} else {
		s.VapourC = [bodies]float64{108, 101, 91.5, 78, 55}
		s.Brix = [bodies]float64{20, 26, 34, 46, 65}
	}
	s.SteamKPa, s.SteamC = c.SteamKPa, w.temperature(c.SteamKPa)
	s.VapourC[bodies-1] = w.temperature(c.LastVapourKPa)
	for range 200 {
		if !w.relax(&c, &s, nil, nil, 1e-10) {
			return s, errNoState
		}
		worst := 0.0
		for k := range bodies {
			if s.JuiceTH[k] <= 1 {
				return s, errNoState
			}
			x := c.JuiceTH * c.JuiceBrix / s.JuiceTH[k]
			worst = max(worst, math.Abs(x-s.Brix[k]))
			s.Brix[k] = min(x, 90)
		}
		if worst < 1e-9 {
			m.finish(&c, &s)
			return s, nil
		}
	}
	return s, errNoState
}

// finish adds pressures and the condenser.
func (m *Mill) finish(c *Conditions, s *State) {
	for k := range bodies {
		s.VapourKPa[k] = m.water.pressure(s.VapourC[k])
	}
	s.WaterTH = c.WaterTH
	hv := m.water.vapour.at(s.VapourC[bodies-1])
	if c.WaterKeepsPace {
		hl := m.water.liquid.at(waterOutC)
		s.WaterTH = s.VapourTH[bodies-1] * (hv - hl) / (hl - m.water.liquid.at(c.WaterInC))
	}
	s.TailC = m.water.tail(s.WaterTH, c.WaterInC, s.VapourTH[bodies-1], hv)
}

// tail is the temperature of the mixed water leaving a direct-contact
// condenser, degC.
func (w *water) tail(waterTH, inC, vapourTH, vapourKJKg float64) float64 {
	if waterTH+vapourTH <= 0 {
		return inC
	}
	h := (waterTH*w.liquid.at(inC) + vapourTH*vapourKJKg) / (waterTH + vapourTH)
	t := h / 4.184
	for range 4 {
		t += (h - w.liquid.at(t)) / 4.184
	}
	return t
}

// SolveForBrix finds the pressure in calandria 1 that gives the syrup Brix
// wanted, but not more than limitKPa; limited says that the limit decided.
func (m *Mill) SolveForBrix(c Conditions, brix, limitKPa float64) (s State, limited bool, err error) {
	c.SteamKPa = limitKPa
	if s, err = m.Solve(c, nil); err == nil && s.Brix[bodies-1] <= brix {
		return s, true, nil
	}
	// Bisection between a pressure that gives too little and the limit; a
	// limit that already boils dry counts as too much.
	lo, hi := 105.0, limitKPa
	for range 60 {
		c.SteamKPa = (lo + hi) / 2
		s, err = m.Solve(c, nil)
		if err != nil || s.Brix[bodies-1] > brix {
			hi = c.SteamKPa
		} else {
			lo = c.SteamKPa
		}
	}
	c.SteamKPa = (lo + hi) / 2
	s, err = m.Solve(c, nil)
	return s, false, err
}

// Mill holds what does not change: the property tables. Make it once and share
// it; it is safe for concurrent use.
type Mill struct{ water *water }

// NewMill builds the property tables (about 10 ms).
func NewMill() *Mill { return &Mill{water: newWater()} }
