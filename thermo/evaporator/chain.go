package evaporator

import (
	"fmt"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Set computes one evaporator set. It holds the design and scratch space so
// that a calculation allocates nothing; it is not safe for concurrent use.
type Set struct {
	d     Design
	water water
	loss  float64 // share of the calandrias' duty
	// Factors of elevation and enthalpy, see setModel.
	bpeFactor, heatFactor float64
	air                   float64 // kPa above what gauge readings were made absolute with

	// The layout in service, made by arrange.
	act     [MaxEffects]int // effects in service (0-based), in vapour order
	n       int             // how many
	members [MaxEffects][MaxBodies]int
	count   [MaxEffects]int
	in      [MaxBodies]bool
	column  [MaxBodies]int // of the body's evaporation in a form
	bodies  int            // in service
	inlet   [MaxBodies]int // first body of the group before; -1 = feed
	group   [MaxBodies]int // first body of the juice group
	last    int            // first body of the last juice group

	// Scratch: nothing of it outlives a call.
	c     chain      `state:"-"`
	tests comparison `state:"-"` // of Reconcile
	// For Uncertainty: a copy to disturb, results to compare.
	m                             Measurement `state:"-"`
	plus, minus                   Results     `state:"-"`
	listBase, listPlus, listMinus []*Result   `state:"-"`
}

// chain is the state of the balances. Arrays are by body or by effect
// (0-based, as in the design).
type chain struct {
	purity liquor.Purity
	heat   liquor.HeatAt

	// Given.
	feedBrix, feedC, feedHeat float64                       // %, degC, kJ/kg
	tv, pv, hv                [MaxBodies]float64            // vapour space: Tsat, kPa, enthalpy of saturated vapour
	rise                      [MaxBodies]liquor.ElevationAt // the elevation under pv
	tc                        [MaxBodies]float64            // chest condensing temperature of the body
	weight                    [MaxBodies]float64            // duty of bodies sharing vapour goes as weight (Tc - Tj)
	fixed                     [MaxEffects]bool              // or as weight alone
	tce                       [MaxEffects]float64
	hle, lam                  [MaxEffects]float64 // condensate enthalpy and latent heat at tce
	bleed                     [MaxEffects]float64
	store                     [MaxBodies]Stored
	stored                    Stored  // all of it
	hs                        float64 // enthalpy of exhaust steam

	// Found.
	juice, solids             float64            // of the feed, t/h
	v, x, bpe, tj, q, w, hvap [MaxBodies]float64 // t/h, Brix, K, degC, MJ/h, t/h, kJ/kg
	inflow, outflow           [MaxBodies]float64
	qe, we, flash             [MaxEffects]float64
	sumV                      float64

	balances

	dry     int  // 1 + body whose liquor would exceed maxLiquor; 0 = none
	noBPE   bool // the elevation equation gave no value
	noEnth  bool
	settled bool
}

// maxLiquor is where the balance stops concentrating: no evaporator works
// there, and the property equations end.
const maxLiquor = 90.0

// New checks the design and returns a Set for it.
func New(d Design) (*Set, error) {
	if err := d.Check(); err != nil {
		return nil, fmt.Errorf("evaporator set: %w", err)
	}
	bodies := make([]Body, len(d.Bodies))
	copy(bodies, d.Bodies)
	d.Bodies = bodies
	s := &Set{d: d, water: if97}
	s.plus.Bodies = make([]BodyResult, len(bodies))
	s.minus.Bodies = make([]BodyResult, len(bodies))
	return s, nil
}

// water is the saturation line in use. It is IAPWS-IF97 everywhere but in a
// test that compares with a model built on another formulation.
type water struct {
	tsat      func(steam.KPa) (steam.Celsius, error)
	psat      func(steam.Celsius) (steam.KPa, error)
	satLiquid func(steam.KPa) (steam.KJPerKg, error)
	satVapour func(steam.KPa) (steam.KJPerKg, error)
}

var if97 = water{steam.Tsat, steam.Psat, steam.SatLiquidEnthalpy, steam.SatVapourEnthalpy}

// Refit gives a body another heating surface, m2, and tube length, m, as from now.
func (s *Set) Refit(body int, areaM2, tubeLengthM float64) {
	s.d.Bodies[body].AreaM2, s.d.Bodies[body].TubeLengthM = areaM2, tubeLengthM
}

// NewResults returns Results with room for the set's bodies.
func (s *Set) NewResults() *Results { return &Results{Bodies: make([]BodyResult, len(s.d.Bodies))} }

// arrange lays out the bodies in service. It reports whether there is any.
func (s *Set) arrange(out func(body int) bool) bool {
	s.n, s.bodies = 0, 0
	s.count = [MaxEffects]int{}
	before, lastEffect, start := -1, -1, -1
	for b := range s.d.Bodies {
		s.in[b] = !out(b)
		if !s.in[b] {
			continue
		}
		s.bodies++
		s.column[b] = s.bodies
		e := s.d.Bodies[b].Effect - 1
		s.members[e][s.count[e]] = b
		s.count[e]++
		if !s.d.Bodies[b].JuiceBeside || start < 0 || lastEffect != e {
			before, start = start, b
		}
		s.group[b], s.inlet[b] = start, before
		lastEffect = e
	}
	s.last = start
	for e := range s.count {
		if s.count[e] > 0 {
			s.act[s.n] = e
			s.n++
		}
	}
	return s.n > 0
}

// of lists the bodies of effect e that are in service.
func (s *Set) inEffect(e int) []int { return s.members[e][:s.count[e]] }

// setModel stores purity, loss and what the equations are off by: those of the
// measurement, or the design's.
func (s *Set) setModel(m *Measurement) {
	s.setPurity(s.purity(m))
	s.loss = s.d.LossFraction
	if m.LossPct.in(0, 20) {
		s.loss = m.LossPct.Value / 100
	}
	s.air = m.AirKPa.or(0)
	s.bpeFactor, s.heatFactor = 1+m.ElevationPct.or(0)/100, 1+m.HeatPct.or(0)/100
}

// pipeLossK is the saturation temperature lost between effect e and the next chest.
func (s *Set) pipeLossK(m *Measurement, e int) float64 { return m.PipeLossK[e].or(s.d.PipeLossK) }

// setPurity stores the purity of the juice, %.
func (s *Set) setPurity(p liquor.Purity) {
	s.c.purity = p
	s.c.heat, _ = s.d.Heat.At(p) // the zero value gives no enthalpy and that is noticed
}

// elevation returns the boiling-point elevation in body b, K.
func (s *Set) elevation(b int, brix float64) float64 {
	if s.d.Water || brix <= 0 {
		return 0
	}
	v, _, err := s.c.rise[b].Elevation(liquor.Brix(brix))
	if err != nil {
		s.c.noBPE = true
		return 0
	}
	return v * s.bpeFactor
}

// extrapolated reports whether the elevation or the enthalpy of the juice of
// body b was computed outside the range its source gives.
func (s *Set) extrapolated(b int) bool {
	if s.d.Water {
		return false
	}
	_, elevation, _ := s.c.rise[b].Elevation(liquor.Brix(s.c.x[b]))
	_, heat, _ := s.c.heat.Enthalpy(liquor.Brix(s.c.x[b]), steam.Celsius(s.c.tj[b]))
	return elevation || heat
}

// juiceHeat returns the enthalpy of juice in kJ/kg.
func (s *Set) juiceHeat(brix, c float64) float64 {
	if s.d.Water {
		p, err1 := s.water.psat(steam.Celsius(c))
		h, err2 := s.water.satLiquid(p)
		if err1 != nil || err2 != nil {
			s.c.noEnth = true
		}
		return float64(h)
	}
	v, _, err := s.c.heat.Enthalpy(liquor.Brix(brix), steam.Celsius(c))
	if err != nil {
		s.c.noEnth = true
		return 0
	}
	return v * s.heatFactor
}

// setFeed stores what the juice to the set is made of.
func (s *Set) setFeed(brix, c float64) {
	s.c.feedBrix, s.c.feedC, s.c.feedHeat = brix, c, s.juiceHeat(brix, c)
}

// setVapour stores the vapour space of body b from its saturation temperature.
func (s *Set) setVapour(b int, tv, pv float64) {
	s.c.tv[b], s.c.pv[b] = tv, pv
	s.c.rise[b], _ = s.d.Elevation.At(s.c.purity, steam.KPa(pv), s.d.PurityFactor)
	h, err := s.water.satVapour(steam.KPa(pv))
	if err != nil {
		s.c.noEnth = true
	}
	s.c.hv[b] = float64(h)
}

// setChest stores the mean condensing temperature of effect e.
func (s *Set) setChest(e int, tc float64) {
	c := &s.c
	c.tce[e] = tc
	p, err := s.water.psat(steam.Celsius(tc))
	if err != nil {
		c.noEnth = true
		return
	}
	hl, err1 := s.water.satLiquid(p)
	hv, err2 := s.water.satVapour(p)
	if err1 != nil || err2 != nil {
		c.noEnth = true
		return
	}
	c.hle[e], c.lam[e] = float64(hl), float64(hv-hl)
}

// evaporated is the water t/h that leaves the set by the balance of solids: all of
// the juice that is neither syrup nor stored.
func (c *chain) evaporated(flow, x0, xn float64) float64 {
	return flow - c.stored.JuiceTH - (flow*x0-100*c.stored.SolidsTH)/xn
}

// setStored takes over what the bodies in service store.
func (s *Set) setStored(m *Measurement) {
	c := &s.c
	c.stored = Stored{}
	for b := range s.d.Bodies {
		c.store[b] = Stored{}
		if s.in[b] {
			st := m.Bodies[b].Stored
			c.store[b] = st
			c.stored.JuiceTH += st.JuiceTH
			c.stored.SolidsTH += st.SolidsTH
			c.stored.HeatMJH += st.HeatMJH
		}
	}
}

// share is the part of body b in the duty of bodies, which share the vapour of one
// effect, or the juice and with it that vapour.
func (s *Set) share(b int, e int, bodies []int) float64 {
	if len(bodies) == 1 {
		return 1
	}
	weight := func(o int) float64 {
		if s.c.fixed[e] {
			return s.c.weight[o]
		}
		return max(0, s.c.weight[o]*(s.c.tc[o]-s.c.tj[o]))
	}
	var sum float64
	for _, o := range bodies {
		sum += weight(o)
	}
	if !(sum > 0) {
		return 1 / float64(len(bodies))
	}
	return weight(b) / sum
}

// beside lists the bodies that are fed beside body b, itself among them.
func (s *Set) beside(b int) []int {
	list := s.inEffect(s.d.Bodies[b].Effect - 1)
	from, to := 0, len(list)
	for s.group[list[from]] != s.group[b] {
		from++
	}
	for s.group[list[to-1]] != s.group[b] {
		to--
	}
	return list[from:to]
}
