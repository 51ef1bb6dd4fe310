package deploy

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

// blindBegin is when the mills begin.
var blindBegin = time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC)

// bodyPlan is what a house says of one body before its sizes are worked out.
type bodyPlan struct {
	effect  int
	beside  bool
	kind    string
	u0      float64
	share   float64 // of the temperature difference
	law     string
	days    float64 // to the limit, usually
	limit   float64
	heaterT [2]float64 // a juice heater on its vapour: in and out, degC; 0: none
	draws   string     // "pans", "none" (nobody measures it), "metered": a bleed of flow t/h
	flow    float64
}

// newHouse sizes a mill by the count of Rillieux: evaporation and bleeds give the vapours, the
// shares of the difference give the surfaces.
func newHouse(name string, seed uint64, juice, x0, xsp float64, plans []bodyPlan) *blindHouse {
	r := rand.New(rand.NewPCG(seed, 5))
	u := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	begin := blindBegin
	s := &blindSet{rng: r, juice: juice * u(0.95, 1.05), x0: x0 * u(0.96, 1.04), t0: u(101, 106), xsp: xsp, header: u(205, 225),
		lossPct: u(1, 2.4), bpe: 1 + 0.05*r.NormFloat64(), flash: true, cut: 1, load: 1, stopIn: math.NaN()}
	h := &blindHouse{name: name, seed: seed, rng: r, set: s, site: u(95, 101), begin: begin, now: begin, open: map[string]*blindCycle{}}
	for _, p := range plans {
		s.effects = max(s.effects, p.effect+1)
	}
	n := s.effects
	bleed, dt, beside := make([]float64, n), make([]float64, n), make([]float64, n)
	total := 0.0
	for _, p := range plans {
		if !p.beside {
			dt[p.effect] = p.share
			total += p.share
		}
		beside[p.effect]++
		if p.heaterT[1] > 0 {
			bleed[p.effect] += s.juice * 1.05 * 3.95 * (p.heaterT[1] - p.heaterT[0]) * 1.03 / 2230
		}
		bleed[p.effect] += p.flow
	}
	e := s.juice * (1 - s.x0/xsp)
	v := make([]float64, n)
	for k := range n {
		e -= float64(k+1) * bleed[k]
	}
	v[n-1] = e / float64(n)
	for k := n - 2; k >= 0; k-- {
		v[k] = v[k+1] + bleed[k]
	}
	ts, tl := 116.0, u(54, 59)
	l, x := s.juice, s.x0
	var brix, bpe []float64
	lost := 0.0
	for k := range n {
		s.pipe = append(s.pipe, u(0.15, 0.55)*b2f(k > 0))
		x = x * l / (l - v[k])
		l -= v[k]
		b := s.elevation(x, ts-(ts-tl)*float64(k+1)/float64(n))
		brix, bpe = append(brix, x), append(bpe, b)
		lost += b + s.pipe[k]
	}
	free := ts - tl - lost
	tc := ts
	for k := range n {
		dt[k] *= free / total
		s.tv = append(s.tv, tc-dt[k]-bpe[k])
		for i, p := range plans {
			if p.effect != k {
				continue
			}
			q := v[k] / 3.6 * latent(s.tv[k]) / beside[k]
			b := &blindBody{name: fmt.Sprintf("B%d", i+1), effect: k, beside: p.beside, kind: p.kind, u0: p.u0 * u(0.93, 1.07), faultU: 1,
				xRef: brix[k], tRef: tc, a: u(0.5, 1.1), b: u(0.5, 1), c: u(0, 0.2), limit: p.limit, x: brix[k], q: q, l: l / 3.6, tj: s.tv[k] + bpe[k], level: 33}
			b.area = math.Round(q/(b.u0*0.93*dt[k])/10) * 10
			b.qRef = q / b.area
			b.holdup = map[string]float64{"robert": 0.006, "kestner": 0.005, "falling_film": 0.005}[p.kind] * b.area
			b.m = b.holdup
			end := ((1+usualRest)/p.limit - 1) / b.u0
			sc := blindScale{law: p.law}
			days := p.days * u(0.93, 1.07)
			switch p.law {
			case "falling":
				sc.r1 = 0.6 * end
				sc.rate = (end + end*end/2/sc.r1) / days
			case "asymptotic":
				sc.r1 = end * u(1.25, 1.5)
				sc.rate = -sc.r1 * math.Log(1-end/sc.r1) / days
			default:
				sc.rate = end / days
			}
			b.scale, b.cycle = sc, 1
			b.r = end * u(0.05, 0.6)
			b.since = begin.Add(-time.Hour)
			if p.heaterT[1] > 0 {
				c := s.juice / 3.6 * 1.05 * 3.95
				b.bleeds = append(b.bleeds, &blindBleed{name: "heater", tin: p.heaterT[0], how: "heater",
					heater: -c * math.Log((s.tv[k]-p.heaterT[1])/(s.tv[k]-p.heaterT[0]))})
			}
			if p.draws != "" {
				b.bleeds = append(b.bleeds, &blindBleed{name: map[string]string{"pans": "pans", "none": "boiling_house", "metered": "sugar_driers"}[p.draws], how: p.draws, usual: p.flow / 3.6})
			}
			s.bodies = append(s.bodies, b)
		}
		tc = s.tv[k] - s.pipe[min(k+1, n-1)]
	}
	s.syrup, s.syrupX = l/3.6, x
	s.f, s.ts, s.integral, s.brixSeen, s.vIn = s.juice/3.6, ts, ts, xsp, make([]float64, n)
	for k := range s.vIn {
		s.vIn[k] = 1
	}
	s.usualWater = v[n-1] / 3.6 * latent(tl) / (4.18 * -math.Expm1(-2.1) * (tl - 29 - 1.5))
	s.air, s.valve, s.waterFault, s.juiceFault = 1.5, 1, 1, 1
	if seed%2 == 1 {
		s.vacuum = tl
	}
	return h
}

// tag hangs an instrument into the house.
func (h *blindHouse) tag(path, unit, reference string, every, accuracy, pct float64, truth func() float64) *blindTag {
	g := &blindTag{path: path, unit: unit, reference: reference, every: every, accuracy: accuracy, accuracyPct: pct, truth: truth, noise: 0.35, tau: 3}
	if unit == "degC" {
		g.tau = 40
	}
	h.tags = append(h.tags, g)
	return g
}

func (h *blindHouse) state(path string, on func() bool) {
	g := h.tag(path, "", "", 60, 0, 0, func() float64 { return b2f(on()) })
	g.exact = true
	g.dead = 0.5
}

// houseStyle says which instruments a house has and how good they are.
type houseStyle struct {
	good       float64 // factor on all accuracies
	levels     int     // on every so many bodies, 0: on none
	chest      []bool  // a chest gauge on the body
	vapourT    []bool  // a thermometer in the vapour
	juiceT     []bool  // a thermometer in the juice
	gauge      int     // the first so many pressures are gauge ones; the others absolute or vacuum
	vacuum     bool    // low pressures are read as vacuum
	syrupFlow  bool
	brix       int  // an instrument behind this body too
	deadband   bool // sources send by exception
	barometer  bool
	cleaning   bool // the cleaning signal is there
	every      float64
	levelOfPan []bool
	condensate bool // of each body of a pair is metered
}

const setName = "QS"

// instrument hangs the instruments of a style into the house.
func (h *blindHouse) instrument(st houseStyle) {
	s, ev, g := h.set, st.every, st.good
	up := func() bool { return !s.standing }
	p := setName + "."
	h.tag(p+"juice_flow", "t/h", "", ev, 0.2, 0.6*g, func() float64 { return s.f * 3.6 })
	h.tag(p+"juice_temperature", "degC", "", ev, 0.3*g, 0, func() float64 {
		if !up() {
			return 40
		}
		return s.t0
	})
	h.tag(p+"juice_brix", "Bx", "", ev, 0.12*g, 0, func() float64 { return 100 * s.x0 * (1 + s.xOU) })
	h.tag(p+"syrup_brix", "Bx", "", ev, 0.25*g, 0, func() float64 { return 100 * s.syrupX })
	if st.syrupFlow {
		h.tag(p+"syrup_flow", "t/h", "", ev, 0.1, 0.7*g, func() float64 { return s.syrup * 3.6 })
	}
	h.tag(p+"steam_flow", "t/h", "", ev, 0.1, 1.8*g, func() float64 { return s.steam * 3.6 })
	h.tag(p+"steam_pressure", "bar", "gauge", ev, 0.35*g, 0, func() float64 {
		if !up() {
			return h.baro
		}
		return psat(s.ts)
	})
	for i, b := range s.bodies {
		q := p + b.name + "."
		open := func() bool { return b.out || s.standing }
		unit, ref, acc := "kPa", "absolute", 0.2*g
		switch {
		case b.effect < st.gauge:
			unit, ref, acc = "bar", "gauge", 0.35*g
		case st.vacuum && b.effect == s.effects-2:
			ref = "vacuum"
		}
		h.tag(q+"vapour_pressure", unit, ref, ev, acc, 0, func() float64 {
			if open() {
				return h.baro
			}
			return psat(s.tv[b.effect])
		})
		sat := func(t float64) float64 {
			if open() {
				return b.tj
			}
			return t
		}
		if st.vapourT[i] {
			h.tag(q+"vapour_temperature", "degC", "", ev, 0.3*g, 0, func() float64 { return sat(s.tv[b.effect]) })
		}
		if st.juiceT[i] {
			h.tag(q+"juice_temperature", "degC", "", ev, 0.3*g, 0, func() float64 { return sat(b.tj) })
		}
		if st.chest[i] && b.effect > 0 {
			h.tag(q+"chest_pressure", "kPa", "absolute", ev, 0.3*g, 0, func() float64 {
				if open() {
					return h.baro
				}
				return psat(s.chest(b.effect))
			})
		}
		if st.levels > 0 && i%st.levels == 0 {
			h.tag(q+"level", "%", "", ev, 2*g, 0, func() float64 { return max(0, b.level+0.8*h.rng.NormFloat64()) })
		}
		if st.condensate {
			h.tag(q+"condensate_flow", "t/h", "", ev, 0.1, 1.5*g, func() float64 { return b.q / latent(100) * 3.6 })
		}
		if st.brix == i+1 {
			h.tag(q+"brix", "Bx", "", ev, 0.35*g, 0, func() float64 { return 100 * b.x })
		}
		if st.cleaning {
			h.state(q+"cleaning", func() bool { return b.wash })
			h.state(q+"in_service", func() bool { return !b.out })
		}
		for _, bl := range b.bleeds {
			z := q + bl.name + "."
			switch bl.how {
			case "heater":
				h.tag(z+"liquid_flow", "t/h", "", ev, 0.2, 0.7*g, func() float64 { return s.f * 3.6 * 1.05 })
				h.tag(z+"inlet_temperature", "degC", "", ev, 0.3*g, 0, func() float64 { return bl.tin })
				h.tag(z+"outlet_temperature", "degC", "", ev, 0.3*g, 0, func() float64 { return max(bl.tout, bl.tin) })
			case "pans", "metered":
				h.tag(z+"flow", "kg/s", "", ev, 0.1, 3*g, func() float64 { return bl.flow * 3.6 })
			}
		}
	}
	c := "C1."
	h.tag(c+"water_inlet_temperature", "degC", "", ev, 0.25*g, 0, func() float64 { return s.tin })
	h.tag(c+"water_outlet_temperature", "degC", "", ev, 0.25*g, 0, func() float64 { return s.tail })
	h.tag(c+"water_flow", "t/h", "", ev, 2, 1.5*g, func() float64 { return s.water * 3.6 })
	for i, pan := range h.pans {
		size := min(1, s.juice/185)
		pan.volume, pan.area = pan.volume*size, pan.area*size
		pan.name = fmt.Sprintf("P%d", i+1)
		q := pan.name + "."
		h.tag(q+"vapour_pressure", "kPa", "absolute", 20, 0.25*g, 0, func() float64 { return pan.p })
		h.tag(q+"massecuite_temperature", "degC", "", 20, 0.35*g, 0, func() float64 { return pan.t + 0.01*pan.level })
		if st.levelOfPan[i] {
			h.tag(q+"level", "%", "", 20, 2*g, 0, func() float64 { return max(0, pan.level+0.7*h.rng.NormFloat64()) }).dead = 0.3
		}
		h.tag(q+"steam_flow", "t/h", "", 20, 0.1, 3*g, func() float64 { return pan.steam })
		h.tag(q+"feed_valve", "%", "", 20, 0, 0, func() float64 { return pan.feed }).exact = true
		h.tag(q+"discharge_valve", "%", "", 20, 0, 0, func() float64 { return pan.dis }).exact = true
		for _, x := range h.tags[len(h.tags)-2:] {
			x.dead = 0.5
		}
	}
	if st.barometer {
		h.tag("site.barometer", "kPa", "absolute", ev, 0.08, 0, func() float64 { return h.baro })
	}
	if st.deadband {
		for _, x := range h.tags {
			if !x.exact {
				x.dead = max(x.dead, map[string]float64{"degC": 0.15, "kPa": 0.2, "bar": 0.003, "t/h": 0.4, "kg/s": 0.1, "Bx": 0.1, "%": 0.7}[x.unit])
				x.every = 20
			}
		}
	}
}

// chest is the saturation temperature in the chests of effect k.
func (s *blindSet) chest(k int) float64 {
	for j := k - 1; j >= 0; j-- {
		for _, b := range s.bodies {
			if b.effect == j && !b.out {
				return s.tv[j] - s.pipe[k]*math.Pow(max(0, s.vIn[k]), 1.8)
			}
		}
	}
	return s.ts
}

// plant writes the plant file as a newcomer does from the handbook.
func (h *blindHouse) plant() string {
	var y strings.Builder
	binds := func(indent, owner string) {
		for _, g := range h.tags {
			if i := strings.LastIndexByte(g.path, '.'); i > 0 && g.path[:i] == owner {
				fmt.Fprintf(&y, "%s%s: %s\n", indent, g.path[i+1:], g.binding())
			}
		}
	}
	fmt.Fprintf(&y, "site:\n  name: %s (invented)\n  barometer_kpa: %.1f\n", h.name, h.site)
	if h.tags[len(h.tags)-1].path == "site.barometer" {
		y.WriteString("  tags:\n")
		binds("    ", "site")
	}
	y.WriteString("opcua: {servers: [{name: s, endpoint: \"opc.tcp://127.0.0.1:4840\", policy: None, mode: None}]}\nrules: [\"rules/*.yaml\"]\n")
	fmt.Fprintf(&y, "sets:\n  - name: %s\n    condenser: C1\n    purity_pct: 86\n", setName)
	if !h.set.flash {
		y.WriteString("    condensate_flash: false\n")
	}
	y.WriteString("    tags:\n")
	binds("      ", setName)
	y.WriteString("    bodies:\n")
	for _, b := range h.set.bodies {
		q := setName + "." + b.name
		fmt.Fprintf(&y, "      - name: %s\n        effect: %d\n        kind: %s\n        heating_surface_m2: %.0f\n        cleaning_limit: %.2f\n", b.name, b.effect+1, b.kind, b.area, b.limit)
		if b.beside {
			y.WriteString("        juice: beside\n")
		}
		if len(b.bleeds) > 0 {
			y.WriteString("        bleeds:\n")
		}
		for _, bl := range b.bleeds {
			fmt.Fprintf(&y, "          - name: %s\n", bl.name)
			if bl.how == "none" {
				fmt.Fprintf(&y, "            assumed_t_h: %.1f\n", bl.usual*3.6*1.2)
				continue
			}
			if bl.how == "heater" {
				fmt.Fprintf(&y, "            liquid_brix: %.1f\n", 100*h.set.x0)
			}
			y.WriteString("            tags:\n")
			binds("              ", q+"."+bl.name)
		}
		y.WriteString("        tags:\n")
		binds("          ", q)
	}
	y.WriteString("condensers:\n  - name: C1\n    tags:\n")
	binds("      ", "C1")
	if len(h.pans) > 0 {
		y.WriteString("pans:\n")
	}
	for _, p := range h.pans {
		fmt.Fprintf(&y, "  - name: %s\n    grade: %s\n    heating_surface_m2: %.0f\n    volume_m3: %.0f\n    heated_by: %s.B1\n    liquor_purity_pct: [%.0f, %.0f]\n    tags:\n",
			p.name, p.grade, p.area, p.volume, setName, p.purity[0], p.purity[1])
		binds("      ", p.name)
	}
	return y.String()
}

// stopsEvery plans whole stops with a cleaning of all bodies.
func (h *blindHouse) stopsEvery(days, hours, until float64, wash bool) {
	for d := days * (0.4 + 0.3*h.rng.Float64()); d < until; d += days * (0.95 + 0.1*h.rng.Float64()) {
		from := h.begin.Add(time.Duration(d * 24 * float64(time.Hour))).Truncate(time.Hour)
		h.ops = append(h.ops, blindOp{from: from, to: from.Add(time.Duration(hours * float64(time.Hour))), wash: wash})
	}
}

// bodiesEvery plans cleanings body by body.
func (h *blindHouse) bodiesEvery(hours, until float64, days ...float64) {
	free := time.Time{}
	next := make([]time.Time, len(days))
	for i, d := range days {
		next[i] = h.begin.Add(time.Duration(d * (0.2 + 0.7*h.rng.Float64()) * 24 * float64(time.Hour)))
	}
	end := h.begin.Add(time.Duration(until * 24 * float64(time.Hour)))
	for {
		k := 0
		for i := range next {
			if next[i].Before(next[k]) {
				k = i
			}
		}
		from := next[k].Truncate(time.Hour)
		if from.Before(free) {
			from = free
		}
		if from.After(end) {
			return
		}
		to := from.Add(time.Duration(hours * float64(time.Hour)))
		free = to.Add(6 * time.Hour)
		h.ops = append(h.ops, blindOp{from: from, to: to, body: h.set.bodies[k], wash: true})
		next[k] = to.Add(time.Duration(days[k] * (0.95 + 0.1*h.rng.Float64()) * 24 * float64(time.Hour)))
	}
}

func all(n int, on bool) []bool {
	b := make([]bool, n)
	for i := range b {
		b[i] = on
	}
	return b
}

// blindHouses are the mills, by name.
var blindHouses = map[string]func(seed uint64, days float64) *blindHouse{
	// Four Robert effects, cleaned all at one stop; a barometer; good coverage.
	"A": func(seed uint64, days float64) *blindHouse {
		h := newHouse("Four Oaks", seed, 185, 0.142, 0.63, []bodyPlan{
			{effect: 0, kind: "robert", u0: 2.7, share: 1, law: "falling", days: 11, limit: 0.85, draws: "pans", flow: 18},
			{effect: 1, kind: "robert", u0: 2.3, share: 1, law: "linear", days: 9, limit: 0.8, heaterT: [2]float64{72, 88}},
			{effect: 2, kind: "robert", u0: 1.7, share: 1.25, law: "asymptotic", days: 9, limit: 0.8, heaterT: [2]float64{45, 58}},
			{effect: 3, kind: "robert", u0: 0.8, share: 2.1, law: "linear", days: 8, limit: 0.68},
		})
		h.pans = []*strikePan{newStrikePan(seed, 0, "A"), newStrikePan(seed, 1, "B"), newStrikePan(seed, 2, "C")}
		h.stopsEvery(12, 14, days, true)
		h.instrument(houseStyle{good: 1, levels: 1, chest: []bool{false, true, true, true}, vapourT: []bool{true, false, true, true}, juiceT: all(4, true),
			gauge: 2, vacuum: true, syrupFlow: true, barometer: true, cleaning: true, every: 60, levelOfPan: all(3, true)})
		return h
	},
	// Five effects, mixed kinds, a pair in the second, one chest without a gauge, levels on half
	// of the bodies, a bleed that nobody measures, sources that send by exception; body by body.
	"B": func(seed uint64, days float64) *blindHouse {
		h := newHouse("Quay Side", seed, 260, 0.135, 0.66, []bodyPlan{
			{effect: 0, kind: "falling_film", u0: 3.0, share: 1, law: "linear", days: 24, limit: 0.85, draws: "pans", flow: 14},
			{effect: 1, kind: "kestner", u0: 2.5, share: 1, law: "linear", days: 17, limit: 0.82, heaterT: [2]float64{80, 92}},
			{effect: 1, beside: true, kind: "kestner", u0: 2.2, share: 1, law: "falling", days: 17, limit: 0.82, draws: "none", flow: 5},
			{effect: 2, kind: "robert", u0: 1.9, share: 1.15, law: "asymptotic", days: 14, limit: 0.8, heaterT: [2]float64{62, 74}},
			{effect: 3, kind: "robert", u0: 1.4, share: 1.3, law: "falling", days: 12, limit: 0.72},
			{effect: 4, kind: "robert", u0: 0.72, share: 2, law: "linear", days: 11, limit: 0.68},
		})
		h.pans = []*strikePan{newStrikePan(seed, 0, "A"), newStrikePan(seed, 1, "C")}
		h.bodiesEvery(11, days, 30, 22, 23, 18, 15, 13.5)
		h.instrument(houseStyle{good: 1, levels: 2, chest: []bool{false, true, true, false, true, true}, vapourT: []bool{true, true, true, false, true, true}, juiceT: []bool{false, true, false, true, true, true},
			gauge: 2, vacuum: false, deadband: true, cleaning: true, every: 60, levelOfPan: []bool{true, true}})
		return h
	},
	// Three effects, no barometer, no chest gauges, vacuum gauges, no cleaning signal, poor meters.
	"C": func(seed uint64, days float64) *blindHouse {
		h := newHouse("Hill End", seed, 95, 0.15, 0.6, []bodyPlan{
			{effect: 0, kind: "robert", u0: 2.6, share: 1, law: "asymptotic", days: 10, limit: 0.82, draws: "pans", flow: 9},
			{effect: 1, kind: "robert", u0: 1.9, share: 1.1, law: "falling", days: 9, limit: 0.78, heaterT: [2]float64{58, 72}},
			{effect: 2, kind: "robert", u0: 0.85, share: 2, law: "linear", days: 8, limit: 0.68},
		})
		h.set.flash = false
		h.pans = []*strikePan{newStrikePan(seed, 0, "R"), newStrikePan(seed, 1, "B")}
		h.stopsEvery(11, 16, days, true)
		h.instrument(houseStyle{good: 1.3, levels: 1, chest: all(3, false), vapourT: []bool{true, true, true}, juiceT: []bool{false, false, true},
			gauge: 1, vacuum: true, cleaning: true, every: 60, levelOfPan: []bool{true, false}})
		return h
	},
}
