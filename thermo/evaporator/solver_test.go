package evaporator_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

var solverSets = flag.Int("solver-sets", 200, "random sets of TestSolver")

// mill is a random set in a steady state, worked out here by plain relaxation of the
// balances, body by body: nothing of the program's solver is used, only the properties
// of water and juice.
type mill struct {
	d        evaporator.Design
	out      []bool
	u        []float64 // relative coefficient of the bodies of one effect
	byDrain  bool      // bodies of one effect have coefficients of their own
	feed, x0 float64
	feedC    float64
	steam    float64
	steamKPa float64
	bleed    [evaporator.MaxEffects]float64
	tv, tc   []float64 // by body
	// What the model is off by: factors of elevation and enthalpy, pipes by effect.
	loss, elevation, heating float64
	pipe                     [evaporator.MaxEffects]float64
	// Found.
	v, x, tj, q, w, bpe []float64
	syrup, xn           float64
	effects             []int // in service
}

func psat(t float64) float64 { p, _ := steam.Psat(steam.Celsius(t)); return float64(p) }

func (k *mill) heat(x, t float64) float64 {
	h, _, err := liquor.Accept(k.d.Heat.Enthalpy(liquor.Brix(x), liquor.Purity(k.d.PurityPct), steam.Celsius(t)))
	if err != nil {
		return math.NaN()
	}
	return h * k.heating
}

func liquid(t float64) float64 { h, _ := steam.LiquidEnthalpyAt(steam.Celsius(t)); return float64(h) }
func gas(t float64) float64 {
	h, _ := steam.SatVapourEnthalpy(steam.KPa(psat(t)))
	return float64(h)
}

// draw makes a set. Effects stand in the order of the juice.
func drawMill(rnd *rand.Rand) *mill {
	return drawMillWith(rnd, modelSigma{})
}

// modelSigma are the standard deviations of what a model may be off by.
type modelSigma struct{ lossPct, elevationPct, heatPct, pipeK float64 }

func drawMillWith(rnd *rand.Rand, off modelSigma) *mill {
	k := &mill{elevation: 1, heating: 1}
	n := 2 + rnd.IntN(6)
	order := make([]int, n)
	for i := range order {
		order[i] = i + 1
	}
	switch rnd.IntN(4) {
	case 1: // backward
		for i := range order {
			order[i] = n - i
		}
	case 2: // mixed: it enters somewhere in the middle
		at := 1 + rnd.IntN(n-1)
		order = append(append([]int{}, order[at:]...), order[:at]...)
	}
	var bodies []evaporator.Body
	for _, e := range order {
		members := 1
		if rnd.IntN(4) == 0 && len(bodies)+2*n < evaporator.MaxBodies {
			members = 2 + rnd.IntN(2)
		}
		beside := rnd.IntN(2) == 0
		for j := range members {
			bodies = append(bodies, evaporator.Body{Name: fmt.Sprintf("E%d%c", e, 'A'+j), Effect: e, AreaM2: 300 + 1500*rnd.Float64(), JuiceBeside: beside && j > 0})
		}
	}
	d := evaporator.Conventions(bodies...)
	d.LossFraction, d.PipeLossK = 0.05*rnd.Float64(), rnd.Float64()
	if off.lossPct > 0 {
		d.LossFraction += 0.02 // so that what is drawn about it is not cut off at nothing
	}
	for _, p := range []*evaporator.CondensatePath{&d.ExhaustCondensate, &d.VapourCondensate} {
		if *p = evaporator.Drained; rnd.IntN(2) == 0 {
			*p = evaporator.Flashed
		}
	}
	d.Elevation = []liquor.BPEModel{liquor.StarzakPeacock, liquor.BatterhamNorgate, liquor.Hugot}[rnd.IntN(3)]
	d.Heat = liquor.HeatModels()[rnd.IntN(len(liquor.HeatModels()))]
	d.PurityPct = 78 + 14*rnd.Float64()
	k.d = d
	k.loss = d.LossFraction
	for e := range k.pipe {
		k.pipe[e] = d.PipeLossK
	}
	if off != (modelSigma{}) {
		k.loss = max(0, k.loss+off.lossPct/100*rnd.NormFloat64())
		k.elevation, k.heating = 1+off.elevationPct/100*rnd.NormFloat64(), 1+off.heatPct/100*rnd.NormFloat64()
		for e := range k.pipe {
			k.pipe[e] += off.pipeK * rnd.NormFloat64()
		}
	}
	k.out, k.u = make([]bool, len(bodies)), make([]float64, len(bodies))
	k.byDrain = rnd.IntN(2) == 0
	for i := range bodies {
		k.out[i] = rnd.IntN(12) == 0
		if k.u[i] = 1; k.byDrain {
			k.u[i] = 0.6 + rnd.Float64()
		}
	}
	there := map[int]bool{}
	for i, b := range bodies {
		if !k.out[i] {
			there[b.Effect] = true
		}
	}
	for e := 1; e <= n; e++ {
		if there[e] {
			k.effects = append(k.effects, e)
		}
	}
	// The ladder: each effect some of the difference there is.
	top, last := 112+23*rnd.Float64(), 52+12*rnd.Float64()
	part, sum := make([]float64, len(k.effects)), 0.0
	for i := range part {
		part[i] = 0.6 + rnd.Float64()
		sum += part[i]
	}
	k.steamKPa = psat(top)
	k.tv, k.tc = make([]float64, len(bodies)), make([]float64, len(bodies))
	t := top
	for i, e := range k.effects {
		chest := t
		if i > 0 {
			chest -= k.pipe[k.effects[i-1]-1]
		}
		t -= (top - last) * part[i] / sum
		for j, b := range bodies {
			if b.Effect == e {
				k.tc[j], k.tv[j] = chest, t
			}
		}
	}
	k.feed, k.x0 = 50+350*rnd.Float64(), 11+7*rnd.Float64()
	k.feedC = 60 + 55*rnd.Float64()
	heavy := []float64{0, 0.1, 0.5, 0.9}[rnd.IntN(4)]
	m := float64(len(k.effects))
	k.steam = k.feed * (0.62 + 0.16*rnd.Float64()) / m * (1 + heavy*rnd.Float64()*m/2)
	left := k.steam
	for _, e := range k.effects[:max(0, len(k.effects)-1)] {
		if rnd.IntN(3) > 0 {
			k.bleed[e-1] = heavy * rnd.Float64() * left * 0.8
			left -= k.bleed[e-1]
		}
	}
	return k
}

// run relaxes the balances. It reports whether there is a state that a mill could run.
func (k *mill) run() bool {
	n := len(k.d.Bodies)
	k.v, k.x, k.tj, k.q, k.w, k.bpe = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	inService := 0
	for b := range n {
		if !k.out[b] {
			inService++
		}
	}
	if len(k.effects) < 2 {
		return false
	}
	for b := range n {
		if k.v[b] = k.feed * 0.7 / float64(inService); k.out[b] {
			k.v[b] = 0
		}
		k.x[b], k.tj[b] = 30, k.tv[b]+1
	}
	share := func(b int, of func(o int) bool) float64 {
		var sum float64
		weight := func(o int) float64 { return k.u[o] * k.d.Bodies[o].AreaM2 * (k.tc[o] - k.tj[o]) }
		for o := range n {
			if !k.out[o] && of(o) {
				sum += weight(o)
			}
		}
		return weight(b) / sum
	}
	for round := range 4000 {
		worst := 0.0
		// Duties down the vapour line.
		made := func(e int) (flow, heat float64) {
			for b, body := range k.d.Bodies {
				if body.Effect == e && !k.out[b] {
					flow += k.v[b]
					heat += k.v[b] * (gas(k.tv[b]) + k.d.VapourCp*k.bpe[b])
				}
			}
			return flow, heat
		}
		var pool, tBefore float64
		for i, e := range k.effects {
			var chest float64
			for b, body := range k.d.Bodies {
				if body.Effect == e {
					chest = k.tc[b]
				}
			}
			var duty, condensed float64
			path := k.d.VapourCondensate
			if i == 0 {
				path = k.d.ExhaustCondensate
				condensed = k.steam
				duty = k.steam * (gas(chest) - liquid(chest))
			} else {
				flow, heat := made(k.effects[i-1])
				in := flow - k.bleed[k.effects[i-1]-1]
				flash := pool * (liquid(tBefore) - liquid(chest)) / (gas(chest) - liquid(chest))
				pool -= flash
				condensed = in + flash
				duty = in*(heat/flow-liquid(chest)) + flash*(gas(chest)-liquid(chest))
			}
			if path == evaporator.Flashed {
				pool += condensed
			}
			tBefore = chest
			for b, body := range k.d.Bodies {
				if body.Effect == e && !k.out[b] {
					s := share(b, func(o int) bool { return k.d.Bodies[o].Effect == e })
					k.q[b], k.w[b] = duty*s, condensed*s
				}
			}
		}
		// The juice from body to body.
		type stream struct{ l, s, h float64 }
		at := stream{k.feed, k.feed * k.x0 / 100, k.feed * k.heat(k.x0, k.feedC)}
		for b := 0; b < n; {
			var group []int
			for o := b; o < n; o++ {
				if o > b && !(k.d.Bodies[o].JuiceBeside && k.d.Bodies[o].Effect == k.d.Bodies[b].Effect) {
					break
				}
				group = append(group, o)
			}
			b = group[len(group)-1] + 1
			var next stream
			some := false
			for _, o := range group {
				if k.out[o] {
					continue
				}
				some = true
				s := share(o, func(p int) bool { return p >= group[0] && p <= group[len(group)-1] })
				in := stream{at.l * s, at.s * s, at.h * s}
				hj, hv := k.heat(k.x[o], k.tj[o]), gas(k.tv[o])+k.d.VapourCp*k.bpe[o]
				v := (k.q[o]*(1-k.loss) + in.h - in.l*hj) / (hv - hj)
				v = min(max(v, -in.l), in.l-in.s*100/88)
				worst = max(worst, math.Abs(v-k.v[o]))
				k.v[o] += 0.6 * (v - k.v[o])
				l := in.l - k.v[o]
				k.x[o] = 100 * in.s / l
				e, _, err := liquor.Accept(k.d.Elevation.Elevation(liquor.Brix(k.x[o]), liquor.Purity(k.d.PurityPct), steam.KPa(psat(k.tv[o])), k.d.PurityFactor))
				if err != nil {
					return false
				}
				e *= k.elevation
				k.bpe[o], k.tj[o] = e, k.tv[o]+e
				next.l += l
				next.s += in.s
				next.h += l * k.heat(k.x[o], k.tj[o])
			}
			if some {
				at = next
			}
		}
		k.syrup, k.xn = at.l, 100*at.s/at.l
		if math.IsNaN(k.xn) {
			return false
		}
		if worst < 1e-12*k.feed && round > 3 {
			return k.usable()
		}
	}
	return false
}

// usable: every body makes vapour, has a difference, and the syrup is one.
func (k *mill) usable() bool {
	if k.xn < 30 || k.xn > 78 {
		return false
	}
	for b := range k.d.Bodies {
		if !k.out[b] && !(k.v[b] > 0.005*k.feed && k.q[b] > 0 && k.w[b] > 0.005*k.feed && k.x[b] < 85 && k.tc[b]-k.tj[b] > 0.3) {
			return false
		}
	}
	return true
}

// readings are those of perfect instruments, as many as there can be.
func (k *mill) readings() evaporator.Measurement {
	r := func(v float64) evaporator.Reading { return evaporator.Read(v, 0) }
	m := evaporator.Measurement{JuiceTH: r(k.feed), FeedBrix: r(k.x0), FeedC: r(k.feedC), SyrupTH: r(k.syrup), SyrupBrix: r(k.xn), SteamTH: r(k.steam), SteamKPa: r(k.steamKPa)}
	for e := range m.BleedTH {
		m.BleedTH[e] = r(k.bleed[e])
	}
	for b := range k.d.Bodies {
		x := &m.Bodies[b]
		if x.OutOfService = k.out[b]; !k.out[b] {
			x.VapourKPa = r(psat(k.tv[b]))
			if k.byDrain {
				x.CondensateTH = r(k.w[b])
			}
		}
	}
	return m
}

// subsets are the readings that the package promises to do with, each under its name.
func (k *mill) subsets() map[string]evaporator.Measurement {
	none := evaporator.Reading{}
	all := map[string]evaporator.Measurement{}
	full := k.readings()
	bare := full
	bare.SteamTH, bare.SyrupTH = none, none
	add := func(name string, m evaporator.Measurement) { all[name] = m }
	add("all", full)
	add("juice and Brix", bare)
	noJuice, noFeed, noSyrup := full, full, full
	noJuice.JuiceTH, noFeed.FeedBrix, noSyrup.SyrupBrix = none, none, none
	streams := map[string]evaporator.Measurement{"all": full, "no juice flow": noJuice, "no feed Brix": noFeed, "no syrup Brix": noSyrup}
	for name, m := range streams {
		add(name, m)
		without := m
		without.SteamTH = none
		add(name+", no steam flow", without)
		for i, e := range k.effects {
			if i+1 < len(k.effects) {
				lost := m
				lost.BleedTH[e-1] = none
				add(fmt.Sprintf("%s, no bleed %d", name, e), lost)
			}
		}
	}
	noJuice.SyrupTH, noSyrup.SyrupTH = none, none
	add("steam for juice", noJuice)
	add("steam for syrup Brix", noSyrup)
	// The ladder by other instruments.
	thermometers, chests := bare, bare
	for b := range k.d.Bodies {
		if k.out[b] {
			continue
		}
		thermometers.Bodies[b].VapourKPa, thermometers.Bodies[b].VapourC = none, evaporator.Read(k.tv[b], 0)
		chests.Bodies[b].ChestKPa = evaporator.Read(psat(k.tc[b]), 0)
		if k.d.Bodies[b].Effect != k.effects[len(k.effects)-1] {
			chests.Bodies[b].VapourKPa = none
		}
	}
	add("vapour by thermometers", thermometers)
	add("vapour by the next chest", chests)
	profile := bare
	for b := range k.d.Bodies {
		profile.Bodies[b].Brix = evaporator.Read(k.x[b], 0)
	}
	last := profile
	last.SyrupBrix = none
	add("last body's Brix for the syrup's", last)
	profile.BleedTH = [evaporator.MaxEffects]evaporator.Reading{}
	if k.profiled() {
		add("Brix profile", profile)
	}
	if !k.lastAlone() {
		delete(all, "last body's Brix for the syrup's")
	}
	return all
}

// groupOf lists the bodies in service beside each other, by their first.
func (k *mill) groups() (sizes []int) {
	lastEffect := -1
	for b, body := range k.d.Bodies {
		if k.out[b] {
			continue
		}
		if body.JuiceBeside && lastEffect == body.Effect {
			sizes[len(sizes)-1]++
		} else {
			sizes = append(sizes, 1)
		}
		lastEffect = body.Effect
	}
	return sizes
}

func (k *mill) lastAlone() bool { g := k.groups(); return g[len(g)-1] == 1 }

// profiled: no bodies beside each other, and the Brix rises.
func (k *mill) profiled() bool {
	for _, n := range k.groups() {
		if n > 1 {
			return false
		}
	}
	before := k.x0
	for b := range k.d.Bodies {
		if !k.out[b] {
			if k.x[b] <= before {
				return false
			}
			before = k.x[b]
		}
	}
	return true
}

// check compares results with the mill.
func (k *mill) check(r *evaporator.Results, tol float64) string {
	wrong := ""
	same := func(what string, x evaporator.Result, want float64) {
		if wrong == "" && (!x.OK() || !(math.Abs(x.Value-want) <= tol*max(math.Abs(want), 1e-3*k.feed))) {
			wrong = fmt.Sprintf("%s %.9g, want %.9g (%s)", what, x.Value, want, x.Reason)
		}
	}
	same("steam", r.SteamTH, k.steam)
	same("juice", r.JuiceTH, k.feed)
	same("feed Brix", r.FeedBrix, k.x0)
	same("syrup Brix", r.SyrupBrix, k.xn)
	same("syrup", r.SyrupTH, k.syrup)
	for _, e := range k.effects[:len(k.effects)-1] {
		same(fmt.Sprintf("bleed %d", e), r.BleedTH[e-1], k.bleed[e-1])
	}
	for b := range k.d.Bodies {
		if k.out[b] {
			continue
		}
		o := &r.Bodies[b]
		same(o.Name+" evaporation", o.EvaporationTH, k.v[b])
		same(o.Name+" Brix", o.BrixOut, k.x[b])
		same(o.Name+" duty", o.DutyKW, k.q[b]/3.6)
		same(o.Name+" condensate", o.CondensedTH, k.w[b])
		same(o.Name+" U", o.U, k.q[b]/3.6/(k.d.Bodies[b].AreaM2*(k.tc[b]-k.tj[b])))
	}
	return wrong
}

// Exact readings of random sets, 2 to 7 effects, forward, backward and mixed, bodies
// beside each other and in series, bodies out of service, no, light and heavy bleeds,
// flash or none: with every subset of instruments that the package promises to do with
// there is an answer, and it is exact. (A bleed of nothing may come out as closed.) -solver-sets 10000 is the long form.
func TestSolver(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	sets, cases, bad, tried := 0, map[string]int{}, 0, 0
	for ; sets < *solverSets; tried++ {
		k := drawMill(rnd)
		if !k.run() {
			continue
		}
		sets++
		s, err := evaporator.New(k.d)
		if err != nil {
			t.Fatal(err)
		}
		r := s.NewResults()
		for name, m := range k.subsets() {
			cases[name]++
			s.Evaluate(&m, r)
			if wrong := k.check(r, 1e-6); wrong != "" {
				if bad++; bad < 20 {
					t.Errorf("set %d, %s, %d bodies, row %v: %s", sets, name, len(k.d.Bodies), r.Row, wrong)
				}
			}
		}
	}
	total := 0
	for _, n := range cases {
		total += n
	}
	t.Logf("%d sets of %d drawn, %d cases, %d without the right answer", sets, tried, total, bad)
}

// The start does not matter: from water or from dry liquor, in every body, the same
// state comes out.
func TestSolverFromEverywhere(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for sets := 0; sets < *solverSets/4; {
		k := drawMill(rnd)
		if !k.run() {
			continue
		}
		sets++
		s, err := evaporator.New(k.d)
		if err != nil {
			t.Fatal(err)
		}
		r := s.NewResults()
		for name, m := range k.subsets() {
			for _, brix := range []float64{0, 20, 60, 89.9} {
				s.EvaluateFrom(brix, k.feed*rnd.Float64(), &m, r)
				if wrong := k.check(r, 1e-6); wrong != "" {
					t.Fatalf("set %d, %s, from %g Brix: %s", sets, name, brix, wrong)
				}
			}
		}
	}
}

// With instruments that are off by their usual errors there is an answer or the true
// reason: one that a second look at the balances confirms, never a failure of the solver.
func TestSolverWithNoise(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	answered, refused, reasons := 0, 0, map[string]int{}
	for sets := 0; sets < *solverSets; {
		k := drawMill(rnd)
		if !k.run() {
			continue
		}
		sets++
		s, err := evaporator.New(k.d)
		if err != nil {
			t.Fatal(err)
		}
		r := s.NewResults()
		off := func(x *evaporator.Reading, share, least float64) {
			x.Value += rnd.NormFloat64() * (math.Abs(x.Value)*share + least)
		}
		for name, m := range k.subsets() {
			off(&m.JuiceTH, 0.01, 0)
			off(&m.SyrupTH, 0.01, 0)
			off(&m.SteamTH, 0.015, 0)
			off(&m.FeedBrix, 0, 0.2)
			off(&m.SyrupBrix, 0, 0.5)
			off(&m.FeedC, 0, 0.5)
			for e := range m.BleedTH {
				off(&m.BleedTH[e], 0.03, 0)
			}
			for b := range k.d.Bodies {
				off(&m.Bodies[b].VapourKPa, 0, 0.5)
				off(&m.Bodies[b].CondensateTH, 0.02, 0)
			}
			s.Evaluate(&m, r)
			if r.SteamTH.OK() {
				answered++
				continue
			}
			refused++
			why := r.SteamTH.Reason.Why
			reasons[why.Words().String()]++
			switch why {
			case evaporator.Dry, evaporator.NegativeBleed, evaporator.NoEvaporation, evaporator.BrixFalls:
			default:
				t.Errorf("set %d, %s: %s", sets, name, r.SteamTH.Reason)
			}
		}
	}
	t.Logf("%d answered, %d refused: %v", answered, refused, reasons)
}
