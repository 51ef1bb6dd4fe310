package deploy

import (
	"math"
	"math/rand/v2"
	"time"
)

// strikePan is a batch pan of another habit than the demo's and blindPan's: it is fed in
// shots, drinks water, waits for steam, is cut over in low grades, and comes from a higher
// pressure down to its usual one.
type strikePan struct {
	name, grade  string
	rng          *rand.Rand
	area, volume float64
	purity       [2]float64
	hours        float64 // of the feed
	pressure     float64
	top          [3]float64 // S at seeding, while fed, at the end
	cut          bool       // half is cut over once

	phase, strike          int
	into, length           float64
	p, t, level, s         float64
	steam, feed, dis, seed float64 // t/h, %, %, %
	sOff, sOU, pOU, slow   float64
	shot, wait, shift      float64
	wash                   bool
	begins                 []strikeBegan
	wishSlow               bool
}

type strikeBegan struct {
	phase int
	at    time.Time
	wash  bool
	s     float64 // mean S of feed-on, at its end
	n     float64
	slow  float64
}

const (
	panIdle = iota
	panCharge
	panThicken
	panGrain
	panFeed
	panTighten
	panDrop
	panSteamOut
	panPhases
)

func newStrikePan(seed uint64, i int, grade string) *strikePan {
	r := rand.New(rand.NewPCG(seed, 900+uint64(i)))
	u := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	p := &strikePan{grade: grade, rng: r, slow: 1}
	q := map[string]struct{ purity, hours float64 }{"A": {85, 1.7}, "B": {71, 3.1}, "C": {57, 5}, "R": {98, 1.1}}[grade]
	p.purity = [2]float64{q.purity - u(2, 4), 0}
	p.purity[1] = p.purity[0] - u(7, 12)
	p.hours = q.hours * u(0.8, 1.25)
	p.volume = u(35, 65)
	p.area = p.volume * u(5.5, 7)
	p.pressure = u(12, 20)
	p.top = [3]float64{u(1.06, 1.15), u(1.07, 1.15), u(1.04, 1.18)}
	p.cut = grade == "C"
	p.p, p.t = 100, 45
	p.length = 3600 * u(0.2, 2)
	return p
}

func (p *strikePan) next(now time.Time) {
	p.phase = (p.phase + 1) % panPhases
	if p.phase == panGrain && p.grade != "C" {
		p.phase = panFeed
	}
	if p.phase == panIdle {
		p.strike++
		p.wash = p.strike%9 == 8
		p.sOff, p.slow = 0.012*p.rng.NormFloat64(), 1
		if p.wishSlow {
			p.slow, p.wishSlow = 2, false
		}
	}
	if p.wash && p.phase > panThicken && p.phase < panDrop {
		p.phase = panDrop
	}
	minutes := [...]float64{25, 14, 18, 22, 60 * p.hours, 18 + 4*p.hours, 14, 9}[p.phase]
	p.length, p.into = 60*minutes*math.Exp(0.13*p.rng.NormFloat64()), 0
	if p.phase == panThicken || p.phase == panFeed {
		p.length *= p.slow
	}
	if p.phase == panTighten && p.rng.Float64() < 0.2 {
		p.length *= 1.4
	}
	p.begins = append(p.begins, strikeBegan{phase: p.phase, at: now, wash: p.wash, slow: p.slow})
}

// run lets dt seconds pass.
func (p *strikePan) run(now time.Time, dt float64, h *blindHouse) {
	if p.wait > 0 && p.phase == panFeed { // waits for steam, on low fire
		p.wait -= dt
	} else {
		p.into += dt
	}
	if p.into >= p.length {
		p.next(now)
	}
	x := p.into / p.length
	ou(&p.sOU, 0.012, dt, 1200, p.rng)
	ou(&p.pOU, 0.2, dt, 700, p.rng)
	vacuum, foot := p.phase >= panCharge && p.phase <= panTighten, 32.0
	target, tau, steam, q := h.baro, 60.0, 0.0, 0.0
	if vacuum {
		target, tau = p.pressure+p.pOU+0.15*(h.set.tin-29), 150
		if p.phase == panThicken {
			target += 3 * (1 - x)
		}
	}
	lag(&p.p, target, dt, tau)
	p.feed, p.dis, p.seed = 0, 0, 0
	p.shot += dt
	switch p.phase {
	case panIdle:
		p.level, p.s = 0, 0.8
	case panCharge:
		p.level, p.s = foot*min(1, 1.1*x), 0.82
		q = 0.1
	case panThicken:
		p.level, q = foot-2*x, 0.95
		p.s = 0.82 + (p.top[0]-0.82)*math.Pow(x, 0.7)
	case panGrain:
		p.level, q, p.s = foot-2, 0.3, p.top[0]-0.03*x
		if x < 0.15 {
			p.seed = 100
		}
	case panFeed:
		on := math.Mod(p.shot, 240) < 150*(1.2-0.5*x)
		if p.wait > 0 {
			on = false
		}
		if on {
			p.feed = 40
		}
		if p.wait <= 0 && p.rng.Float64() < dt/(16*3600) {
			p.wait = 900 + 900*p.rng.Float64()
		}
		p.level = foot - 2 + (99-foot)*math.Pow(x, 0.85)
		if p.cut && x > 0.5 { // half went over to another pan
			full := foot - 2 + (99-foot)*math.Pow(0.5, 0.85)
			p.level = full*0.5 + (98-full*0.5)*(x-0.5)*2
		}
		q = 0.8 - 0.25*x
		if p.wait > 0 {
			q = 0.25
		}
		p.s = p.top[0] + (p.top[1]-p.top[0])*min(1, 5*x) + 0.015*math.Sin(2*math.Pi*p.shot/240)
		if n := len(p.begins); n > 0 {
			p.begins[n-1].s += p.s + p.sOff + p.sOU
			p.begins[n-1].n++
		}
	case panTighten:
		p.level, q = 98-2*x, 0.4-0.15*x
		p.s = p.top[1] + (p.top[2]-p.top[1])*x
	case panDrop:
		if p.p > 88 {
			p.dis = 90
			p.level = max(0, p.level-dt*170/p.length)
		}
	case panSteamOut:
		p.level, p.dis = 0, 90
		q = 0.3
		if x > 0.8 {
			p.dis = 0
		}
	}
	if p.phase == panFeed {
		p.s += p.shift
	}
	if vacuum {
		p.s += p.sOff + p.sOU
	}
	steam = q * p.volume * 0.26 * map[string]float64{"A": 1, "R": 1.2, "B": 0.55, "C": 0.33}[p.grade] / p.slow
	lag(&p.steam, steam, dt, 50)
	switch {
	case p.phase == panSteamOut:
		lag(&p.t, 99, dt, 120)
	case !vacuum || p.level < 6:
		lag(&p.t, 48, dt, 3000)
	case p.wash:
		lag(&p.t, tsat(p.p), dt, 60)
	default:
		y := min(1, max(0, (p.level-foot)/(98-foot)))
		pur := p.purity[0] + (p.purity[1]-p.purity[0])*y
		sat := tsat(p.p)
		t := p.t
		b := panBrix(p.s, pur, t) / 100
		lag(&p.t, sat+1.02*elevationOf(b, sat)*(1+0.0015*(100-pur)), dt, 45)
	}
}

// panBrix is the Brix of a liquor of supersaturation s: solubility of Charles (1960, the
// polynomial from memory), less by impurities: 1 less 0.09 of their ratio to water.
func panBrix(s, purity, t float64) float64 {
	pure := 64.397 + 0.07251*t + 0.0020569*t*t - 9.035e-6*t*t*t
	sw := pure / (100 - pure)
	b := 80.0
	for range 6 {
		ns := b / (100 - b) * (1 - purity/100)
		w := max(0.6, 1-0.09*ns+0.012*ns*ns)
		r := s * sw * w * 100 / purity
		b = 100 * r / (1 + r)
	}
	return b
}
