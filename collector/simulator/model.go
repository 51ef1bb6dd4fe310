package simulator

import (
	"math"
	"math/rand/v2"
	"time"
)

// Settings says which parts of the mill move. The zero value is a quiet mill:
// no noise, no disturbance, no scale, the pressure in calandria 1 held.
type Settings struct {
	Noise        bool // of the instruments, and their slow drift
	Disturbances bool // juice flow, feed Brix, exhaust pressure, water temperature, pans
	Scaling      bool // grows with the time in service
	Cleaning     bool // the set stops for cleaning after 11 days in service
	BrixLoop     bool // syrup Brix is controlled by the pressure in calandria 1
	WaterFollows bool // injection water of CD5 follows load and water temperature
	Gaps         bool // one or two communication gaps a day, 5 to 60 s
	Steady       bool // strikes all take the same time
}

// Everything is a mill as it lives, without communication gaps.
func Everything() Settings {
	return Settings{Noise: true, Disturbances: true, Scaling: true, Cleaning: true, BrixLoop: true, WaterFollows: true}
}

// Mode of the evaporator set.
type Mode int

// Modes.
const (
	Running  Mode = iota
	Emptying      // on the way into cleaning
	Cleaning
	Starting // back from cleaning
)

// String gives the word.
func (m Mode) String() string { return [...]string{"running", "emptying", "cleaning", "starting"}[m] }

// Model is the mill. It is stepped with event time; it is not safe for
// concurrent use.
type Model struct {
	mill     *Mill
	settings Settings
	rng      *rand.Rand
	now      time.Time
	start    time.Time
	first    bool

	// the set
	cond        Conditions
	set         State
	mode        Mode
	modeAge     time.Duration
	service     float64 // days in service since the last cleaning
	cleanFactor [bodies]float64
	rateFactor  [bodies]float64
	steamSet    float64 // pressure wanted in calandria 1
	integral    float64 // of the Brix controller, kPa
	feedForward float64 // t/h, filtered juice flow
	brixSeen    float64 // by the controller
	header      float64
	steamBefore float64 // pressure in calandria 1 before the exhaust dipped
	airKPa      float64
	levels      [bodies]float64
	cip         float64 // temperature of the cleaning solution

	// surroundings
	waterInC   float64
	waterSet   float64 // injection water of CD5 before any loss, t/h
	juiceOU    ou
	brixOU     ou
	tempOU     ou
	headerOU   ou
	pansOU     ou
	levelOU    [bodies]ou
	dipUntil   time.Time
	nextDip    time.Time
	pansTH     float64 // vapour 1 to the pans' main
	burstUntil time.Time
	nextBurst  time.Time
	burst      bool
	lastVapour float64

	pans     [3]pan
	panWater [3]float64

	upsets     [upsetCount]upsetState
	upsetTable []Upset

	sensors  []sensor
	readings []Reading
	faults   map[int]fault
	gapUntil time.Time
	nextGap  time.Time
}

// New makes the mill as it lives at the moment start, clean and settled. The
// same seed, start and steps give the same values.
func New(seed uint64, start time.Time) *Model { return NewWith(seed, start, Everything()) }

// NewWith makes the mill with the parts that move chosen one by one.
func NewWith(seed uint64, start time.Time, set Settings) *Model {
	m := &Model{mill: NewMill(), settings: set, now: start, start: start, first: true,
		rng: rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15)), cond: Base(), waterInC: waterInC, waterSet: condenserWater,
		header: headerKPa, pansTH: pansVapourTH, upsetTable: Upsets(), faults: map[int]fault{}, cip: 60, steamSet: cleanSteamKPa}
	m.juiceOU = ou{sigma: 0.012, tau: 120}
	m.brixOU = ou{sigma: 0.15, tau: 3 * 3600}
	m.tempOU = ou{sigma: 0.3, tau: 600}
	m.headerOU = ou{sigma: 2, tau: 300}
	m.pansOU = ou{sigma: 0.2, tau: 300}
	for k := range bodies {
		m.levelOU[k] = ou{sigma: 1.2, tau: 90}
		m.levels[k] = levelSetPct
		m.cleanFactor[k], m.rateFactor[k] = 1, 1
	}
	peak := [3]float64{16.0, 3.5, 2.3}
	into := [3]time.Duration{75 * time.Minute, 175 * time.Minute, 310 * time.Minute}
	for i := range m.pans {
		p := &m.pans[i]
		p.d = &panTable[i]
		p.rng = rand.New(rand.NewPCG(seed, uint64(i)+11))
		p.liquorOU = ou{sigma: 0.08, tau: 400}
		hv, ho, hi := m.mill.water.vapour.at(54), m.mill.water.liquid.at(46), m.mill.water.liquid.at(30)
		m.panWater[i] = peak[i] * (hv - ho) / (ho - hi)
		p.layOut(start, start, into[i], set.Steady)
	}
	m.sensors = m.makeSensors()
	m.readings = make([]Reading, len(m.sensors))
	m.nextDip = start.Add(time.Duration(2+m.rng.Float64()) * time.Hour)
	m.nextBurst, m.nextGap = start, start.Add(m.gapWait())
	m.settle()
	return m
}

// SetGaps turns communication gaps on or off. Turned on, the first one is some
// hours away: a due one of long ago does not count.
func (m *Model) SetGaps(on bool) {
	if on && !m.settings.Gaps {
		m.nextGap = m.now.Add(m.gapWait())
	}
	m.settings.Gaps = on
}

// SetService puts the set at the given number of days in service since its
// last cleaning, settled: the syrup at 65 Bx unless the header limits it.
func (m *Model) SetService(days float64) {
	m.service = days
	m.settle()
}

// settle puts the set into its steady state.
func (m *Model) settle() {
	m.conditions(0)
	var s State
	var err error
	if m.settings.BrixLoop {
		s, _, err = m.mill.SolveForBrix(m.cond, targetBrix, headerKPa)
	} else {
		s, err = m.mill.Solve(m.cond, nil)
	}
	if err != nil {
		return
	}
	m.set = s
	m.steamSet = s.SteamKPa
	m.steamBefore = s.SteamKPa
	m.integral, m.feedForward, m.brixSeen = s.SteamKPa, juiceTH, s.Brix[bodies-1]
	m.lastVapour = s.VapourTH[bodies-1]
	if m.settings.WaterFollows {
		m.waterSet = m.waterWanted()
		m.set.WaterTH = m.waterSet
	}
	m.first = true
	m.Step(0)
}

// Now is the model's event time.
func (m *Model) Now() time.Time { return m.now }

// AdvanceTo steps the model to t in steps of at most a minute. A time in the
// past changes nothing.
func (m *Model) AdvanceTo(t time.Time) {
	for m.now.Before(t) {
		m.Step(min(t.Sub(m.now), time.Minute))
	}
}

// Step moves event time on by dt. Steps up to 2 minutes keep to the lags well;
// longer ones are stable but coarse.
func (m *Model) Step(dt time.Duration) {
	m.now = m.now.Add(dt)
	s := dt.Seconds()
	m.stepUpsets(dt)
	m.stepSurroundings(s)
	for i := range m.pans {
		m.stepPan(&m.pans[i], max(s, 1e-3), m.first)
	}
	m.stepMode(dt)
	if s > 0 {
		switch m.mode {
		case Running, Starting:
			m.stepSet(s)
		default:
			m.stepOff(s)
		}
	}
	m.stepSensors(s)
	m.first = false
}

func (m *Model) stepSurroundings(dt float64) {
	r := m.rng
	m.cond.JuiceTH, m.cond.JuiceBrix, m.cond.JuiceC = juiceTH, juiceBrix, juiceC
	m.header, m.waterInC, m.pansTH = headerKPa, waterInC, pansVapourTH
	if m.settings.Disturbances {
		flow := 1 + m.juiceOU.step(dt, r)
		if !m.now.Before(m.nextDip) {
			m.dipUntil = m.now.Add(10 * time.Minute)
			m.nextDip = m.now.Add(time.Duration((2 + r.Float64()) * float64(time.Hour)))
		}
		if m.now.Before(m.dipUntil) {
			flow *= 0.92
		}
		m.cond.JuiceTH *= flow
		m.cond.JuiceBrix += m.brixOU.step(dt, r)
		m.cond.JuiceC += m.tempOU.step(dt, r)
		m.header += m.headerOU.step(dt, r)
		day := float64(m.now.Unix()%86400) / 86400
		m.waterInC = 30.5 + 2.5*math.Sin(2*math.Pi*(day-0.375))
		// The pans' main holds its draw: exhaust makes up when the pans ask for
		// more, a spill to the deaerator takes what they leave. A fifth of the swing
		// is left.
		demand := 0.0
		for i := range m.pans {
			demand += m.pans[i].steamTH
		}
		m.pansTH = pansVapourTH + 0.12*(demand-pansVapourTH) + m.pansOU.step(dt, r)
	}
	for k := range bodies {
		x := levelSetPct
		if m.settings.Disturbances {
			x += m.levelOU[k].step(dt, r)
		}
		if k == 1 {
			x -= 25 * m.up(upLowLevel2)
		}
		m.levels[k] = x
	}
	// Juice is carried over in bursts of 10 to 300 s, some minutes apart.
	if m.up(upEntrainment3) > 0 {
		if !m.now.Before(m.nextBurst) {
			length := time.Duration((10 + 290*r.Float64()) * float64(time.Second))
			m.burstUntil = m.now.Add(length)
			m.nextBurst = m.burstUntil.Add(time.Duration((60 + 400*r.Float64()) * float64(time.Second)))
		}
		m.burst = m.now.Before(m.burstUntil)
	} else {
		m.burst = false
	}
}

// headerLossKPa is the least pressure lost in the steam valve.
const headerLossKPa = 0.5

// conditions fills in what the set works under.
func (m *Model) conditions(startUp float64) {
	c := &m.cond
	w := c.JuiceTH / juiceTH
	c.BleedTH = [bodies]float64{m.pansTH + (finalHeaterTH+clearHeaterTH)*w, secondHeaterTH * w, primaryBTH * w, primaryATH * w, 0}
	c.BleedTH[1] += 3.5 * m.up(upBleed2)
	if startUp > 0 {
		for k := range c.BleedTH {
			c.BleedTH[k] *= 1 - 0.5*startUp
		}
	}
	for k := range bodies {
		c.CleanUWM2K[k] = cleanU[k] * m.cleanFactor[k]
		c.ScaleM2KW[k] = 0
		if m.settings.Scaling {
			c.ScaleM2KW[k] = scalePerDy[k] * m.rateFactor[k] * m.service
		}
		c.SurfaceFactor[k] = levelFactor(m.levels[k])
	}
	c.ScaleM2KW[4] += 6e-4 * m.up(upScaling5)
	c.ScaleM2KW[3] += 2.6e-4 * m.up(upScaling4)
	c.SurfaceFactor[2] *= 1 - 0.30*m.up(upFlooding3)
	c.SurfaceFactor[3] *= 1 - 0.25*m.up(upGas4)
	c.WaterInC = m.waterInC
}

func (m *Model) waterFactor() float64 { return 1 - 0.25*m.up(upWaterLoss) }

// waterWanted is the injection water that the load asks for, t/h.
func (m *Model) waterWanted() float64 {
	w := condenserWater * m.lastVapour / designVapourTH * (waterOutC - waterInC) / (waterOutC - m.waterInC)
	return min(max(w, 240), 520)
}

func approachTo(y *float64, x, dt, tau float64) { *y += (x - *y) * (1 - math.Exp(-dt/tau)) }

func (m *Model) stepSet(dt float64) {
	startUp := 0.0
	if m.mode == Starting {
		startUp = max(0, 1-m.modeAge.Minutes()/60)
		m.cond.JuiceTH *= 1 - 0.35*startUp
	}
	m.conditions(startUp)
	if m.mode == Running {
		m.service += dt / 86400
	}
	c, s := &m.cond, &m.set
	w := m.mill.water

	// Calandria 1: the Brix controller asks for a pressure, the header gives at
	// most its own.
	if f := m.up(upSteamDip); f > 0 {
		// The header falls until calandria 1 has 25 kPa less than it had; the valve
		// stands open in vain.
		m.header -= f * (m.header - (m.steamBefore - 25 + headerLossKPa))
	} else {
		m.steamBefore = s.SteamKPa
	}
	if m.settings.BrixLoop {
		approachTo(&m.brixSeen, s.Brix[4]+1.5*m.up(upBrixDrift), dt, 28)
		approachTo(&m.feedForward, c.JuiceTH, dt, 60)
		e := min(max(targetBrix-m.brixSeen, -8), 8)
		const gain, reset = 1.5, 900.0 // kPa per Bx, s
		limit := m.header - headerLossKPa
		want := m.integral + gain*e + 2.2*(m.feedForward-juiceTH)
		if m.mode == Running && !(want > limit && e > 0) && !(want < 110 && e < 0) {
			m.integral += gain * e * dt / reset
		}
		m.integral = min(max(m.integral, 105), headerKPa)
		m.steamSet = min(max(want, 105), limit)
	}
	steamTarget := min(m.steamSet, m.header-headerLossKPa)
	if !m.settings.BrixLoop {
		steamTarget = m.steamSet - 25*m.up(upSteamDip)
	}
	approachTo(&s.SteamKPa, max(steamTarget, 102), dt, 45)
	s.SteamC = w.temperature(s.SteamKPa)
	c.SteamKPa = s.SteamKPa

	// Last vapour space: the vacuum is held unless the water cannot keep up or
	// air comes in.
	if m.settings.WaterFollows {
		approachTo(&m.waterSet, m.waterWanted(), dt, 1800)
	}
	c.WaterTH = m.waterSet * m.waterFactor()
	approachTo(&s.WaterTH, c.WaterTH, dt, 10)
	hv := w.vapour.at(s.VapourC[4])
	approachTo(&s.TailC, w.tail(s.WaterTH, m.waterInC, max(s.VapourTH[4], 0), hv), dt, 15)
	m.airKPa = airLeakKPa*m.up(upAirLeak) + pumpTripKPa*m.up(upPumpTrip)
	vacuum := max(lastVapourKPa, w.pressure(s.TailC+condenserK)) + m.airKPa
	p5 := w.pressure(s.VapourC[4])
	approachTo(&p5, vacuum, dt, 20)
	s.VapourC[4] = w.temperature(p5)

	// Vapour spaces store vapour: some 25 s for each body.
	old := s.VapourC
	var store [bodies]float64
	for k := range bodies - 1 {
		a := s.UWM2K[k] * surfaceM2[k] * 3.6e-3 / 2250
		b := s.UWM2K[k+1] * surfaceM2[k+1] * 3.6e-3 / 2250
		store[k] = (a + b) * 25 / dt
	}
	w.relax(c, s, &old, &store, 1e-5)
	approachTo(&m.lastVapour, s.VapourTH[4], dt, 300)

	// Brix: each body a stirred vessel.
	xin, lin := c.JuiceBrix, c.JuiceTH
	h := dt / 3600
	for k := range bodies {
		mass := holdupM3[k] * density(s.Brix[k], s.JuiceC[k]) / 1000 * m.levels[k] / levelSetPct
		out := max(s.JuiceTH[k], 3)
		s.Brix[k] = min((mass*s.Brix[k]+h*lin*xin)/(mass+h*out), 85)
		xin, lin = s.Brix[k], out
		s.VapourKPa[k] = w.pressure(s.VapourC[k])
	}
}

// stepMode runs the cleaning programme of the set.
func (m *Model) stepMode(dt time.Duration) {
	m.modeAge += dt
	switch m.mode {
	case Running:
		if m.settings.Cleaning && m.service >= cleaningCycleD {
			m.mode, m.modeAge = Emptying, 0
		}
	case Emptying:
		if m.modeAge >= 20*time.Minute {
			m.mode = Cleaning
		}
	case Cleaning:
		if m.modeAge >= time.Duration(cleaningHours*float64(time.Hour)) {
			m.mode, m.modeAge = Starting, 0
			m.service = 0
			for k := range bodies {
				if m.settings.Disturbances {
					m.cleanFactor[k] = 0.98 + 0.02*m.rng.Float64()
					m.rateFactor[k] = 0.9 + 0.2*m.rng.Float64()
				}
			}
			m.upsets[upScaling4], m.upsets[upScaling5] = upsetState{}, upsetState{}
			m.startSet()
		}
	case Starting:
		if m.modeAge >= 90*time.Minute {
			m.mode, m.modeAge = Running, 0
		}
	}
}

// startSet fills the bodies and opens the steam.
func (m *Model) startSet() {
	m.conditions(1)
	c := m.cond
	c.JuiceTH *= 0.65
	c.SteamKPa = 118
	s, err := m.mill.Solve(c, nil)
	if err != nil {
		s, _ = m.mill.Solve(Base(), nil)
	}
	m.set = s
	m.steamSet, m.integral = 118, 168
	m.brixSeen, m.feedForward = s.Brix[4], c.JuiceTH
	m.lastVapour = s.VapourTH[4]
	m.set.TailC, m.set.WaterTH = m.waterInC, m.waterSet
	m.set.VapourC[4] = m.mill.water.temperature(40)
}

// stepOff is the set while it is emptied and cleaned: no steam, no juice, the
// bodies open to the air, a solution boiled in them for some hours.
func (m *Model) stepOff(dt float64) {
	s := &m.set
	hours := m.modeAge.Hours()
	var bath float64
	switch {
	case hours < 1.2:
		bath = 75
	case hours < 5:
		bath = 97 // caustic boil
	case hours < 5.7:
		bath = 62 // rinse
	case hours < 8.3:
		bath = 58 // acid
	default:
		bath = 52 // rinse and test
	}
	approachTo(&m.cip, bath, dt, 900)
	for k := range bodies {
		approachTo(&s.VapourKPa[k], barometerKPa, dt, 240)
		approachTo(&s.VapourC[k], m.cip-2-float64(k), dt, 900)
		approachTo(&s.JuiceC[k], m.cip-float64(k), dt, 900)
		approachTo(&s.ChestC[k], m.cip+4, dt, 900)
		s.DutyMW[k], s.VapourTH[k], s.JuiceTH[k], s.UWM2K[k] = 0, 0, 0, 0
		s.CondensedTH[k], s.FlashTH[k], s.CondensateTH[k], s.ElevationK[k] = 0, 0, 0, 0
		approachTo(&s.Brix[k], 2, dt, 900)
		m.levels[k] = 40
		if hours < 0.8 || hours > 9.2 {
			m.levels[k] = 4
		}
	}
	s.SteamTH = 0
	approachTo(&s.SteamKPa, barometerKPa, dt, 240)
	approachTo(&s.SteamC, m.cip+4, dt, 900)
	approachTo(&s.TailC, m.waterInC, dt, 60)
	approachTo(&s.WaterTH, 0, dt, 60)
	m.cond.JuiceTH = 0
}

// inService reports whether juice and steam go through the set.
func (m *Model) inService() bool { return m.mode == Running || m.mode == Starting }

// Truth is what no instrument reads: the true values.
type Truth struct {
	Time          time.Time
	Mode          Mode
	DaysInService float64 // since the last cleaning
	Juice         Conditions
	Set           State // flows and coefficients are 0 while the set is off
	ScaleM2KW     [bodies]float64
	LevelPct      [bodies]float64
	HeaderKPa     float64
	ApproachK     float64 // of CD5
	WaterInC      float64
	Pans          [3]PanTruth
	Upsets        []string
}

// PanTruth is the true state of a pan.
type PanTruth struct {
	Name            string
	Strike          int
	Phase           int // see PhaseIdle and on
	PhaseName       string
	LevelPct        float64
	LiquorBx        float64 // mother liquor
	LiquorPurityPct float64
	CrystalPct      float64
	Supersaturation float64
	ElevationK      float64
	PressureKPa     float64
	MassecuiteC     float64
	EvaporationTH   float64
	UWM2K           float64
	SteamTH         float64
}

// Truth returns the true values now.
func (m *Model) Truth() Truth {
	t := Truth{Time: m.now, Mode: m.mode, DaysInService: m.service, Juice: m.cond, Set: m.set, ScaleM2KW: m.cond.ScaleM2KW,
		LevelPct: m.levels, HeaderKPa: m.header, ApproachK: m.set.VapourC[4] - m.set.TailC, WaterInC: m.waterInC, Upsets: m.Active()}
	for i := range m.pans {
		p := &m.pans[i]
		name := "Idle"
		if p.phase > 0 {
			name = p.d.rows[p.phase-1].name
		}
		t.Pans[i] = PanTruth{p.d.name, p.strikes[p.at].number, p.phase, name, p.level, p.liquor, p.purity, p.crystal, p.s, p.bpe,
			p.pressure, p.massC, p.evaporation, p.u, p.steamTH}
	}
	return t
}
