package deploy

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

// Mills of another making than the demo's: whole boiling houses with physics of their own, so
// that package thermo never judges itself. Saturation is region 4 of IAPWS R7-97; latent heat
// a quadratic through the steam tables at 50, 100 and 130 degC; elevation, specific heat, laws
// of U and scale are short formulas beside which stands where they come from. Every figure of
// a mill is drawn by its seed.

// tsat is the saturation temperature, degC, at kPa: IAPWS R7-97(2012), equation 31.
func tsat(kPa float64) float64 {
	n := [...]float64{0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
		0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3}
	b := math.Sqrt(math.Sqrt(kPa / 1000))
	e, f, g := b*b+n[2]*b+n[5], n[0]*b*b+n[3]*b+n[6], n[1]*b*b+n[4]*b+n[7]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	s := n[9] + d
	return (s-math.Sqrt(s*s-4*(n[8]+n[9]*d)))/2 - 273.15
}

// psat is the saturation pressure, kPa, at degC: IAPWS R7-97(2012), equation 30.
func psat(celsius float64) float64 {
	t := celsius + 273.15
	th := t - 0.23855557567849/(t-0.65017534844798e3)
	a := th*th + 0.11670521452767e4*th - 0.72421316703206e6
	b := -0.17073846940092e2*th*th + 0.12020824702470e5*th - 0.32325550322333e7
	c := 0.14915108613530e2*th*th - 0.48232657361591e4*th + 0.40511340542057e6
	x := 2 * c / (-b + math.Sqrt(b*b-4*a*c))
	return 1000 * x * x * x * x
}

// latent heat, kJ/kg: through 2382.0, 2256.5 and 2173.7 at 50, 100 and 130 degC (steam tables).
func latent(celsius float64) float64 { return 2491.9 - 2.041*celsius - 0.003125*celsius*celsius }

// heatOf juice, kJ/(kg K): 4.187 less 2.43 x, a form of the trade (from memory).
func heatOf(x float64) float64 { return 4.187 - 2.43*x }

// blindScale is a law by which scale grows: the rate against the scale there is.
type blindScale struct {
	law  string  // linear, falling, asymptotic
	rate float64 // m2.K/kW a day at the start of a usual cycle
	r1   float64 // m2.K/kW: the falling law halves its rate there, the asymptotic one ends there
}

func (s blindScale) slope(r float64) float64 {
	switch s.law {
	case "falling":
		return 1 / (1 + r/s.r1)
	case "asymptotic":
		return max(0, 1-r/s.r1)
	}
	return 1
}

// blindBody is one body of a set.
type blindBody struct {
	name         string
	effect       int
	beside       bool
	kind         string
	area, holdup float64 // m2, t of juice
	u0           float64 // kW/(m2.K), clean, at xRef, tRef and qRef
	xRef, tRef   float64
	qRef         float64 // kW/m2
	a, b, c      float64 // powers of Brix, temperature and heat flux
	scale        blindScale
	limit        float64

	out, wash       bool      // by-passed; being cleaned
	x, r, u, q, v   float64   // kg/kg, m2.K/kW, kW/(m2.K), kW, kg/s
	l, m, tj, level float64   // kg/s out, t, degC, %
	cycle, wander   float64   // rate of this cycle, and its wandering, as factors of the usual rate
	since, moved    time.Time // cleaned; taken out or put back
	faultU          float64   // factor on U: gas, condensate
	levelFault      float64   // %
	bleeds          []*blindBleed
	restored        float64
	in, xin, tin    float64 // the juice that enters: kg/s, kg/kg, degC
}

// clean is U of the clean body, kW/(m2.K), at Brix x, chest temperature and heat flux.
func (b *blindBody) clean(x, tc, flux float64) float64 {
	return b.u0 * math.Pow(b.xRef/x, b.a) * math.Pow(max(tc, 60)/b.tRef, b.b) * math.Pow(max(flux, 1)/b.qRef, b.c)
}

// blindBleed takes vapour from an effect: a heater, or the pans, or nobody knows.
type blindBleed struct {
	name          string
	heater        float64 // kW/K of a juice heater; 0: a flow
	flow          float64 // kg/s
	tin, tout     float64
	wander, usual float64
	how           string // heater, metered, none: what the house measures of it
}

// blindSet is an evaporator set with its condenser.
type blindSet struct {
	rng     *rand.Rand
	bodies  []*blindBody
	effects int
	flash   bool
	lossPct float64
	pipe    []float64 // K at usual flow
	bpe     float64   // factor of the site on the elevation
	juice   float64   // t/h usual
	x0, t0  float64
	xsp     float64
	header  float64 // kPa

	// state
	juiceFault                       float64
	syrup, syrupX                    float64 // kg/s and kg/kg that leave the last body at work
	f, cut, load, fOU, xOU, hOU, tOU float64
	cutLeft                          float64
	tv                               []float64 // saturation temperature of each effect
	ts, integral, brixSeen           float64   // steam: saturation temperature in the first chest
	steam                            float64   // kg/s
	tin, tail, water, air            float64   // condenser: degC, degC, kg/s, K
	usualWater, valve, waterFault    float64
	vacuum                           float64 // degC that the water holds the last vapour at; 0: not held
	qc                               float64 // kW into the condenser
	standing                         bool
	startup                          float64 // hours of start left
	stopIn                           float64 // hours until the set stands; NaN: no stop due
	vIn                              []float64
	evapNow                          float64
	stage                            [][]*blindBody
}

// elevation of a juice, K: the trade's 2 B/(100 - B), carried to other temperatures by
// Clausius and Clapeyron, thin juices less: a form of our own within a tenth of tables.
func (s *blindSet) elevation(x, t float64) float64 { return s.bpe * elevationOf(x, t) }

func elevationOf(x, t float64) float64 {
	k := (t + 273.15) / 373.15
	return 2 * x / (1 - x) * k * k * (0.62 + 0.62*math.Pow(x, 0.6))
}

func ou(y *float64, sd, dt, tau float64, r *rand.Rand) {
	*y += -*y*dt/tau + sd*math.Sqrt(2*dt/tau)*r.NormFloat64()
}

const setStep = 5.0 // s

// run lets one step of five seconds pass at a time of day t.
func (s *blindSet) run(t time.Time, heating float64) {
	dt := setStep
	day := dt / 86400
	for _, b := range s.bodies {
		if b.out || s.standing {
			continue
		}
		ou(&b.wander, 0.10, dt, 2*86400, s.rng)
		b.r += b.scale.rate * b.cycle * math.Exp(b.wander) * b.scale.slope(b.r) * day
		b.level += (33+b.levelFault-b.level)*dt/120 + 0.25*s.rng.NormFloat64()
	}
	ou(&s.fOU, 0.02, dt, 900, s.rng)
	ou(&s.xOU, 0.004, dt, 3*3600, s.rng)
	ou(&s.hOU, 4, dt, 600, s.rng)
	ou(&s.tOU, 0.7, dt, 1800, s.rng)
	hour := float64(t.Unix()%86400) / 3600
	s.tin = 29 + 2.5*math.Sin(2*math.Pi*(hour-9)/24) + s.tOU
	if s.standing {
		s.stand(dt)
		return
	}
	if s.cutLeft -= dt; s.cutLeft < 0 {
		s.cut = 1
		if s.rng.Float64() < dt/(7*3600) {
			s.cut, s.cutLeft = 0.65+0.2*s.rng.Float64(), 600+900*s.rng.Float64()
		}
	}
	want := s.juice * s.load * s.cut * s.juiceFault * (1 + s.fOU)
	if !math.IsNaN(s.stopIn) {
		s.stopIn -= dt / 3600
		want *= min(1, max(0.4, s.stopIn))
	}
	if s.startup > 0 {
		s.startup -= dt / 3600
		want *= 0.6
	}
	lag(&s.f, want/3.6, dt, 60)
	x0 := s.x0 * (1 + s.xOU)
	top := tsat(s.header + s.hOU)
	lag(&s.brixSeen, s.syrupX, dt, 30)
	e := s.xsp - s.brixSeen
	// Steam goes with the juice at once, and with the syrup's Brix slowly.
	ahead := 14 * (s.f*3.6/s.juice - 1)
	s.integral = min(top+3-ahead, max(100, s.integral+e*60*dt/3000))
	lag(&s.ts, min(top, max(100, s.integral+60*e+ahead)), dt, 60)
	if s.vacuum > 0 { // the vacuum is held by the water
		s.valve = min(1.6, max(0.6, s.valve+0.02*(s.tv[s.effects-1]-s.vacuum)*dt/60))
	}
	s.water = s.usualWater * s.valve * s.waterFault

	// vapour side
	n := s.effects
	dem := make([]float64, n) // kg/s drawn from each effect
	tc := make([]float64, n)  // of each chest
	qs := make([]float64, n)  // duty of each effect, kW
	live := make([]bool, n)
	for _, b := range s.bodies {
		live[b.effect] = live[b.effect] || !b.out
	}
	from, cond := -1, 0.0
	for k := range n {
		if !live[k] {
			continue
		}
		tc[k] = s.ts
		if from >= 0 {
			tc[k] = s.tv[from] - s.pipe[k]*math.Pow(max(0, s.vIn[k]), 1.8)
		}
		for _, b := range s.bodies {
			if b.effect != k || b.out {
				continue
			}
			b.tj = s.tv[k] + s.elevation(b.x, s.tv[k])
			d := max(0.01, tc[k]-b.tj)
			clean := b.clean(b.x, tc[k], b.q/b.area) * b.faultU
			if b.kind == "robert" {
				clean *= 1 - 0.00018*(b.level-33)*(b.level-33)
			}
			b.u = 1 / (1/clean + b.r)
			b.q += (b.u*b.area*d - b.q) * 0.7
			qs[k] += b.q
		}
		w := qs[k] / latent(tc[k])
		if from < 0 {
			s.steam = w
		} else {
			if s.flash && cond > 0 {
				w -= cond * 4.22 * max(0, tc[from]-tc[k]) / latent(tc[k])
			}
			cond += qs[k] / latent(tc[k])
			dem[from] += w
			// usual vapour is that of an even split: it scales the loss of the pipe
			s.vIn[k] += (w/(s.juice/3.6*0.8/float64(n)) - s.vIn[k]) * 0.1
		}
		from = k
	}
	eff := -math.Expm1(-2.1)
	s.qc = max(0, s.water*4.18*eff*(s.tv[from]-s.tin-s.air))
	lag(&s.tail, s.tin+s.qc/(s.water*4.18), dt, 20)
	dem[from] += s.qc / latent(s.tv[from])
	for _, b := range s.bodies {
		for _, h := range b.bleeds {
			ou(&h.wander, 0.05, dt, 1200, s.rng)
			switch {
			case !live[b.effect]:
				h.flow = 0
			case h.heater > 0:
				c := s.f * 1.05 * 3.95
				ex := math.Exp(-h.heater / max(c, 1))
				h.tout = s.tv[b.effect] - (s.tv[b.effect]-h.tin)*ex
				h.flow = c * (h.tout - h.tin) * 1.03 / latent(s.tv[b.effect])
			case h.how == "pans":
				h.flow = heating * (1 + h.wander)
			default:
				h.flow = h.usual * (1 + h.wander)
			}
			if live[b.effect] {
				dem[b.effect] += h.flow
			}
		}
	}
	// juice side: what leaves a body now enters the next one in the next step
	l, x, tj := s.f, x0, s.t0
	net, mass := make([]float64, n), make([]float64, n)
	for _, stage := range s.stages() {
		if len(stage) == 0 {
			continue
		}
		lo, xo := 0.0, 0.0
		for _, b := range stage {
			b.in, b.xin, b.tin = l/float64(len(stage)), x, tj
			net[b.effect] += b.q*(1-s.lossPct/100) + b.in*heatOf(x)*(tj-b.tj)
			mass[b.effect] += b.heat()
			lo, xo = lo+b.l, xo+b.l*b.x
		}
		l, x, tj = lo, xo/max(lo, 1e-3), stage[0].tj
	}
	s.syrup, s.syrupX = l, x
	rise := make([]float64, n)
	for k := range n {
		if live[k] {
			rise[k] = (net[k] - dem[k]*latent(s.tv[k])) / mass[k]
			s.tv[k] += rise[k] * dt
		}
	}
	s.evapNow = 0
	for _, b := range s.bodies {
		if b.out {
			b.v, b.q, b.u, b.l = 0, 0, 0, 0
			continue
		}
		b.v = max(0, (b.q*(1-s.lossPct/100)+b.in*heatOf(b.xin)*(b.tin-b.tj)-b.heat()*rise[b.effect])/latent(s.tv[b.effect]))
		b.l = max(0, b.in-b.v+(b.m-b.holdup)*1000/300)
		b.m = max(0.2*b.holdup, b.m+(b.in-b.v-b.l)*dt/1000) // no body boils dry: its tubes would, before that
		b.x += (b.in*(b.xin-b.x) + b.v*b.x) * dt / (b.m * 1000)
		b.x = min(0.82, max(0.02, b.x))
		s.evapNow += b.v
	}
}

// heat capacity of juice and metal, kJ/K.
func (b *blindBody) heat() float64 { return b.m*1000*heatOf(b.x) + b.area*8 }

// stages are the bodies at work as the juice passes them: bodies beside each other share it.
func (s *blindSet) stages() [][]*blindBody {
	out := s.stage[:0]
	for _, b := range s.bodies {
		if b.out {
			continue
		}
		if n := len(out); b.beside && n > 0 && out[n-1][0].effect == b.effect {
			out[n-1] = append(out[n-1], b)
			continue
		}
		out = append(out, []*blindBody{b})
	}
	s.stage = out
	return out
}

// stand lets the set stand: open to the air, cooling, or boiled out.
func (s *blindSet) stand(dt float64) {
	s.steam, s.f, s.qc, s.evapNow, s.syrup, s.syrupX = 0, 0, 0, 0, 0, 0.05
	lag(&s.tail, s.tin, dt, 600)
	lag(&s.ts, 90, dt, 3600)
	for _, b := range s.bodies {
		to, level := 35.0, 2.0
		if b.wash {
			to, level = 99, 85
		}
		lag(&b.tj, to, dt, 3600)
		lag(&b.level, level, dt, 900)
		b.q, b.v, b.l, b.u = 0, 0, 0, 0
		b.x = 0.05
	}
	for k := range s.tv {
		lag(&s.tv[k], 60, dt, 3600)
	}
}

// start makes a set that stands ready to run.
func (s *blindSet) start() {
	s.standing, s.startup, s.stopIn = false, 0.75, math.NaN()
	s.ts, s.integral = 112, 112
	for k := range s.tv {
		s.tv[k] = 105 - 48*float64(k+1)/float64(s.effects)
	}
	for i, b := range s.bodies {
		if !b.out {
			b.x, b.m, b.level, b.q = s.x0*(1+0.6*float64(i+1)), b.holdup, 30, b.area*8
		}
	}
	s.f, s.cut, s.cutLeft = s.juice/3.6*0.5, 1, 0
}

// bring body b back, clean where it was washed.
func (s *blindSet) back(b *blindBody, t time.Time, washed bool) {
	b.out, b.wash, b.moved = false, false, t
	if washed {
		b.restored = 0.985 + 0.01*s.rng.NormFloat64()
		b.r = max(0, (1/b.restored-1)/b.u0)
		b.cycle = math.Exp(0.12 * s.rng.NormFloat64())
		b.since = t
	}
	b.m, b.level, b.q = b.holdup, 30, b.area*8
}

// blindTag is an instrument: what it is to show, and how it reads.
type blindTag struct {
	path, unit, reference string
	truth                 func() float64 // kPa absolute, degC, t/h ...
	accuracy, accuracyPct float64        // one standard deviation, as the plant file says
	noise, tau, dead      float64        // of the accuracy; s; in the unit
	every                 float64        // s
	exact                 bool           // a state: no error

	bias, drift, y, sent float64
	own                  float64 // what was sent last, as the program has it
	wasBad               bool
	sum, n               float64 // of this hour, as the program has it
	hours                []float64
	begun                bool
	fault                func(v float64) (float64, bool)
}

// sigma of the instrument at v.
func (g *blindTag) sigma(v float64) float64 { return math.Hypot(g.accuracy, g.accuracyPct/100*v) }

// blindHouse is a whole mill: a set, pans, weather, instruments, and what was planned.
type blindHouse struct {
	name   string
	seed   uint64
	rng    *rand.Rand
	set    *blindSet
	pans   []*strikePan
	tags   []*blindTag
	baro   float64
	baroOU float64
	site   float64 // what the plant file says of the barometer
	ops    []blindOp
	upsets []*blindUpset
	now    time.Time
	begin  time.Time
	hours  []blindHour
	sum    blindHour
	cycles []*blindCycle
	open   map[string]*blindCycle
}

// blindOp is something planned: a stop of the set, or one body taken out.
type blindOp struct {
	from, to time.Time
	body     *blindBody // nil: all
	wash     bool
	state    int // 0 to come, 1 running down, 2 standing, 3 over
}

// blindUpset is something that goes wrong.
type blindUpset struct {
	name     string
	from, to time.Time
	want     []string // any of these alarms names it
	set      func(on bool)
	on       bool
}

// blindHour is the truth of an hour.
type blindHour struct {
	n                    float64
	u, ratio, v, level   []float64
	steam, evap, economy float64
	juice, syrup         float64
	steady               bool
	baro                 float64
}

// blindCycle is the life of a body from one cleaning to the next.
type blindCycle struct {
	body     *blindBody
	from     time.Time
	to       time.Time // cleaned again
	hour     []float64 // ratio to the usual clean state by the hour since from
	met      float64   // days to the limit; 0: not met
	r0, rate float64
}

// step lets setStep seconds pass.
func (h *blindHouse) step() {
	h.now = h.now.Add(time.Duration(setStep * float64(time.Second)))
	ou(&h.baroOU, 0.75, setStep, 2*86400, h.rng)
	h.baro = h.site + h.baroOU
	s := h.set
	for i := range h.ops {
		h.operate(&h.ops[i])
	}
	for _, u := range h.upsets {
		if on := !h.now.Before(u.from) && h.now.Before(u.to); on != u.on {
			u.on = on
			u.set(on)
		}
	}
	draw := 0.0
	for _, p := range h.pans {
		if int(h.now.Unix())%10 == 0 {
			p.run(h.now, 10, h)
		}
		draw += p.steam
	}
	if int(h.now.Unix())%int(86400) == 0 {
		s.load = 0.93 + 0.1*h.rng.Float64()
	}
	s.run(h.now, draw/3.6)
}

func (h *blindHouse) operate(o *blindOp) {
	s := h.set
	switch {
	case o.state == 0 && !h.now.Before(o.from):
		o.state = 1
		if o.body == nil {
			s.stopIn = 0.7
		} else {
			o.body.out, o.body.wash, o.body.moved = true, o.wash, h.now
			h.endCycle(o.body)
		}
	case o.state == 1 && o.body == nil && s.stopIn < 0:
		o.state, s.standing = 2, true
		for _, b := range s.bodies {
			h.endCycle(b)
		}
	case o.state == 1 && o.body != nil && !h.now.Before(o.to):
		o.state = 3
		s.back(o.body, h.now, o.wash)
		h.beginCycle(o.body)
	case o.state == 2:
		in, left := h.now.Sub(o.from), o.to.Sub(h.now)
		for _, b := range s.bodies {
			b.wash = o.wash && in > 2*time.Hour && left > 2*time.Hour
		}
		if left <= 0 {
			o.state = 3
			for _, b := range s.bodies {
				if !b.out {
					s.back(b, h.now, o.wash)
				}
			}
			s.start()
			for _, b := range s.bodies {
				h.beginCycle(b)
			}
		}
	}
}

func (h *blindHouse) beginCycle(b *blindBody) {
	if b.since.Equal(h.now) {
		h.open[b.name] = &blindCycle{body: b, from: h.now, r0: b.r, rate: b.scale.rate * b.cycle}
		h.cycles = append(h.cycles, h.open[b.name])
	}
}

func (h *blindHouse) endCycle(b *blindBody) {
	if c := h.open[b.name]; c != nil && c.to.IsZero() {
		c.to = h.now
	}
}

// ratio of body b to its usual clean state, at the reference.
func (b *blindBody) ratio() float64 { return (1 + 0.0152) / (1 + b.u0*b.r) }

// usualRest is the resistance of the usual state after a cleaning: U comes back to 98.5 %.
const usualRest = 0.0152

// watch takes the truth of this moment into the hour's mean.
func (h *blindHouse) watch() {
	s, m := h.set, &h.sum
	if m.u == nil {
		n := len(s.bodies)
		m.u, m.ratio, m.v, m.level, m.steady = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), true
	}
	for i, b := range s.bodies {
		m.u[i] += b.u
		m.ratio[i] += b.ratio()
		m.v[i] += b.v * 3.6
		m.level[i] += b.level
	}
	m.n++
	m.steam += s.steam * 3.6
	m.evap += s.evapNow * 3.6
	m.juice += s.f * 3.6
	m.syrup += s.syrupX * 100
	m.baro += h.baro
	for _, b := range s.bodies {
		if h.now.Sub(b.moved) < 2*time.Hour {
			m.steady = false
		}
	}
	if s.standing || s.startup > 0 || !math.IsNaN(s.stopIn) || s.cut < 1 {
		m.steady = false
	}
	if int(h.now.Unix())%3600 == 0 {
		for _, x := range []*float64{&m.steam, &m.evap, &m.juice, &m.syrup, &m.baro} {
			*x /= m.n
		}
		for i := range m.u {
			m.u[i], m.ratio[i], m.v[i], m.level[i] = m.u[i]/m.n, m.ratio[i]/m.n, m.v[i]/m.n, m.level[i]/m.n
		}
		m.economy = m.evap / max(m.steam, 0.01)
		h.hours = append(h.hours, *m)
		for _, c := range h.open {
			if c.to.IsZero() || c.met == 0 && h.now.Sub(c.to) < 0 {
				c.hour = append(c.hour, c.body.ratio())
				if c.met == 0 && c.body.ratio() < c.body.limit {
					c.met = h.now.Sub(c.from).Hours() / 24
				}
			}
		}
		h.sum = blindHour{}
	}
}

// run lets the house go on until end and hands on what its instruments send: v in the unit of
// the binding, and as the program has it, by the barometer of the plant file.
func (h *blindHouse) run(end time.Time, send func(g *blindTag, v, own float64, good bool) error) error {
	for h.now.Before(end) {
		h.step()
		if h.now.Unix()%10 == 0 {
			h.watch()
		}
		for _, g := range h.tags {
			if h.now.Unix()%int64(g.every) != 0 {
				continue
			}
			v, own, good, sent := g.read(h)
			if sent && good {
				g.own = own
			}
			if good && g.begun {
				g.sum, g.n = g.sum+g.own, g.n+1
			}
			if h.now.Unix()%3600 == 0 { // NaN where the hour had no good reading
				g.hours = append(g.hours, g.sum/g.n)
				g.sum, g.n = 0, 0
			}
			if !sent {
				continue
			}
			if err := send(g, v, own, good); err != nil {
				return err
			}
		}
	}
	return nil
}

// unitOf gives what a unit is of the program's own.
var unitOf = map[string]float64{"bar": 0.01, "mbar": 10, "kg/s": 1 / 3.6, "mmHg": 7.50062}

func (g *blindTag) factor() float64 {
	if f, ok := unitOf[g.unit]; ok {
		return f
	}
	return 1
}

// read gives what the instrument sends now, if it sends anything.
func (g *blindTag) read(h *blindHouse) (v, own float64, good, sent bool) {
	v = g.truth()
	if !g.begun {
		g.begun, g.y, g.sent = true, v, math.NaN()
		g.bias = h.rng.NormFloat64()
	}
	if !g.exact {
		ou(&g.drift, 0.3, g.every, 14*86400, h.rng)
		lag(&g.y, v, g.every, max(g.tau, 1))
		v = g.y + g.sigma(v)*(g.bias+g.drift+g.noise*h.rng.NormFloat64())
	}
	good = true
	if g.fault != nil {
		v, good = g.fault(v)
	}
	own = v
	switch g.reference {
	case "gauge":
		v -= h.baro
		own = v + h.site
	case "vacuum":
		v = h.baro - v
		own = h.site - v
	}
	v *= g.factor()
	if g.dead > 0 && math.Abs(v-g.sent) < g.dead && good != g.wasBad {
		return v, own, good, false
	}
	g.wasBad = !good
	g.sent = v
	return v, own, good, true
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// binding of the instrument, as a newcomer writes it.
func (g *blindTag) binding() string {
	var b strings.Builder
	fmt.Fprintf(&b, "{node: \"nsu=urn:blind;s=%s\"", g.path)
	if g.unit != "" {
		fmt.Fprintf(&b, ", unit: %q", g.unit)
	}
	if g.reference != "" {
		fmt.Fprintf(&b, ", reference: %s", g.reference)
	}
	if g.accuracy > 0 {
		fmt.Fprintf(&b, ", accuracy: %.4g", g.accuracy*g.factor())
	}
	if g.accuracyPct > 0 {
		fmt.Fprintf(&b, ", accuracy_pct: %.3g", g.accuracyPct)
	}
	return b.String() + "}"
}
