package simulator

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

const (
	vapourPerWater = 1.08 // heating vapour per water evaporated
	pocketOffsetK  = 0.8  // the massecuite thermometer reads this much high: head over the pocket
)

// strike is one batch: its start and how much longer than the table each
// phase takes.
type strike struct {
	number int
	start  time.Time
	scale  [6]float64
	idle   time.Duration // after the strike
}

func (s *strike) end(d *panDesign) time.Time {
	h := 0.0
	for i, r := range d.rows {
		h += r.hours * s.scale[i]
	}
	return s.start.Add(time.Duration(h*3.6e12) + s.idle)
}

// pan is one vacuum pan. Its strikes follow a schedule, so that it can be laid
// out backwards from a moment; pressures and temperatures follow with lags.
type pan struct {
	d       *panDesign
	rng     *rand.Rand
	strikes []strike
	at      int // of the current strike

	phase       int
	phaseH      float64 // since the phase began
	phaseHours  float64
	level       float64
	evaporation float64 // t/h
	feedTH      float64
	feedBrix    float64
	massecuite  float64 // Bx
	liquor      float64 // Bx
	purity      float64
	crystal     float64
	s           float64 // supersaturation
	u           float64
	bpe         float64
	pressure    float64 // kPa
	satC        float64
	massC       float64
	chestKPa    float64
	steamTH     float64
	steamValve  float64
	feedValve   float64
	waterValve  float64
	discharge   float64
	stirrerA    float64
	consistency float64

	waterTH  float64 // injection water
	tailC    float64
	pumpOn   bool
	liquorOU ou
}

func (p *pan) randomStrike(number int, steady bool) strike {
	s := strike{number: number}
	for i := range s.scale {
		s.scale[i] = 1
	}
	total := p.d.cycleH
	s.idle = time.Duration(total * (1/p.d.use - 1) * 3.6e12)
	if steady {
		return s
	}
	for i := range s.scale {
		s.scale[i] = 0.95 + 0.12*p.rng.Float64()
	}
	if p.rng.Float64() < 0.03 {
		s.scale[2] *= 1.35 // a slow strike now and then
	}
	s.idle = time.Duration(float64(s.idle) * (0.5 + p.rng.Float64()))
	return s
}

// layOut makes the strikes between from and to such that the strike running
// at to has been going for into.
func (p *pan) layOut(from, to time.Time, into time.Duration, steady bool) {
	s := p.randomStrike(0, steady)
	s.start = to.Add(-into)
	back := []strike{s}
	for s.start.After(from) {
		before := p.randomStrike(0, steady)
		before.start = s.start
		before.start = s.start.Add(-before.end(p.d).Sub(s.start))
		s = before
		back = append(back, s)
	}
	slices.Reverse(back)
	for i := range back {
		back[i].number = i + 1
	}
	p.strikes, p.at = back, 0
}

func (p *pan) current(now time.Time, steady bool) *strike {
	for !now.Before(p.strikes[p.at].end(p.d)) {
		if p.at == len(p.strikes)-1 {
			s := p.randomStrike(p.strikes[p.at].number+1, steady)
			s.start = p.strikes[p.at].end(p.d)
			p.strikes = append(p.strikes, s)
		}
		p.at++
	}
	return &p.strikes[p.at]
}

// lag moves values towards where they are going, dt seconds on; at the first
// step they are there.
type lag struct {
	dt    float64
	first bool
}

func (l lag) to(y *float64, x, tau float64) {
	if l.first {
		*y = x
		return
	}
	*y += (x - *y) * (1 - math.Exp(-l.dt/tau))
}

// boiling is what the phase asks of the pan.
type boiling struct {
	evaporationTH, u float64
	vacuum, hot      bool // hot: open and steamed out
}

// stepPan brings the pan to now, dt after the last time. first is true for the
// first call: lags start settled.
func (m *Model) stepPan(p *pan, dt float64, first bool) {
	p.findPhase(p.current(m.now, m.settings.Steady), m.now)
	b := p.boil()
	if m.settings.Noise {
		n := p.liquorOU.step(dt, m.rng)
		if p.s > 0 {
			p.liquor += n
			p.s += 0.075 * n
		}
	}
	m.panVacuum(p, b, lag{dt, first})
	m.panHeat(p, b, lag{dt, first})
	p.consistency, p.stirrerA = 0, 22
	if p.level > 5 {
		lo, hi := p.d.rows[0].crystalPct, p.d.rows[3].crystalPct
		p.consistency = 25 + 50*(p.crystal-lo)/(hi-lo)
		p.stirrerA = 38 + 0.45*p.consistency + 0.12*p.level
	}
	p.feedBrix = map[string]float64{"A": 65, "B": 72, "C": 70}[p.d.grade]
}

// findPhase says in which phase of its strike the pan is, and for how long.
func (p *pan) findPhase(cur *strike, now time.Time) {
	h := now.Sub(cur.start).Hours()
	p.phase, p.phaseH = PhaseIdle, 0
	for i := range p.d.rows {
		dur := p.d.rows[i].hours * cur.scale[i]
		if h < dur {
			p.phase, p.phaseH, p.phaseHours = i+1, h, dur
			break
		}
		h -= dur
	}
}

// boil sets level, liquor, crystal and feed by the phase.
func (p *pan) boil() (b boiling) {
	d := p.d
	p.feedTH, p.feedValve, p.waterValve, p.discharge = 0, 0, 0, 0
	switch p.phase {
	case PhaseIdle:
		p.level, p.massecuite, p.s = 0, 0, 0
	case PhaseSteamOut:
		p.level, p.massecuite, p.s, b.hot = 0, 0, 0, true
	default:
		r := &d.rows[p.phase-1]
		prev := r
		if p.phase > 1 {
			prev = &d.rows[p.phase-2]
		}
		f := p.phaseH / p.phaseHours
		mix := func(a, b float64) float64 { return a + f*(b-a) }
		p.level = mix(r.levelFrom, r.levelTo)
		p.massecuite = mix(prev.massecuiteBx, r.massecuiteBx)
		p.purity = mix(prev.liquorPty, r.liquorPty)
		p.crystal = mix(prev.crystalPct, r.crystalPct)
		p.s = mix(prev.supersaturation, r.supersaturation)
		p.liquor = mix(prev.liquorBx, r.liquorBx)
		b = boiling{evaporationTH: r.evaporationTH / (p.phaseHours / r.hours), u: r.u, vacuum: p.phase != PhaseDrop}
		switch p.phase {
		case PhaseFeed:
			grow := d.strikeT * (r.levelTo - r.levelFrom) / 100 / p.phaseHours
			p.feedTH = grow + b.evaporationTH
			p.feedValve = 25 + 40*(1-f)
			if d.grade != "A" {
				p.waterValve = 6
			}
		case PhaseDrop:
			// The vacuum is broken in the first fifth, then the discharge opens.
			if f > 0.2 && p.pressure > 85 {
				p.discharge = 100
			}
		}
	}
	return b
}

// panVacuum: the pan's own condenser holds the nominal pressure as far as its
// water allows.
func (m *Model) panVacuum(p *pan, b boiling, l lag) {
	w := m.mill.water
	ease := 90.0
	if !b.vacuum {
		ease = 8 // the boiling collapses with the vacuum
	}
	l.to(&p.evaporation, b.evaporationTH, ease)
	if b.u > 0 {
		p.u = cmp.Or(p.u, b.u)
		l.to(&p.u, b.u, 90)
	}
	p.pumpOn = b.vacuum
	water := 0.0
	if b.vacuum {
		water = m.panWater[m.panIndex(p)]
	}
	l.to(&p.waterTH, water, 15)
	p.tailC = m.waterInC
	if p.waterTH > 1 {
		ts := w.temperature(max(p.pressure, 5))
		p.tailC = min(w.tail(p.waterTH*m.waterFactor(), m.waterInC, p.evaporation, w.vapour.at(ts)), ts)
	}
	target, tau := barometerKPa, 100.0
	if b.vacuum {
		target = max(p.d.pressureKPa, w.pressure(p.tailC+6))
		tau = 150
		if p.phase > 1 {
			tau = 25
		}
	}
	p.pressure = cmp.Or(p.pressure, target)
	l.to(&p.pressure, target, tau)
	p.satC = w.temperature(p.pressure)
	p.bpe = 0
	if p.liquor > 0 && p.s > 0 {
		p.bpe = elevation(p.liquor, p.satC)
	}
}

// panHeat: the steam valve lets in what the phase needs; the calandria pressure
// follows from the coefficient.
func (m *Model) panHeat(p *pan, b boiling, l lag) {
	d, w := p.d, m.mill.water
	switch {
	case b.hot:
		l.to(&p.massC, 99, 200)
	case p.phase == PhaseIdle:
		l.to(&p.massC, 55, 900)
	case p.phase == PhaseDrop:
		l.to(&p.massC, 62.5, 1200)
	default:
		l.to(&p.massC, min(p.satC+p.bpe, 68), 60)
	}
	p.steamTH = p.evaporation * vapourPerWater
	chest := w.pressure(35)
	if p.evaporation > 0.05 && p.u > 0 {
		lat := w.latent(p.satC)
		dT := p.evaporation / 3.6 * lat * 1000 / (p.u * d.surfaceM2)
		chest = w.pressure(min(p.massC+dT, 135))
	}
	if b.hot {
		chest = barometerKPa
	}
	l.to(&p.chestKPa, chest, 20)
	p.steamValve = 0
	if p.evaporation > 0.05 {
		p.steamValve = min(100, 12+70*p.evaporation/d.rows[2].evaporationTH)
	}
}

func (m *Model) panIndex(p *pan) int {
	for i := range m.pans {
		if &m.pans[i] == p {
			return i
		}
	}
	return 0
}
