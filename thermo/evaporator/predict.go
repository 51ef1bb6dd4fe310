package evaporator

import (
	"errors"
	"math"

	"calandria/plant/words"
	"calandria/thermo/steam"
)

// BodyOperation is the condition of one body.
type BodyOperation struct {
	OutOfService bool
	U            float64 // kW/(m2 K), on chest less juice temperature; 0.001 to 20
	LevelPct     float64 // % of the tube length, for the reported head; 0 = not given
}

// Operation is what is imposed on a set from outside.
type Operation struct {
	SteamKPa float64 // in the calandria of effect 1, absolute
	SteamC   float64 // exhaust temperature; at or below saturation, or 0: dry saturated
	LastKPa  float64 // vapour space of the last effect, held by the condenser
	JuiceTH  float64
	FeedBrix float64
	FeedC    float64
	BleedTH  [MaxEffects]float64
	Bodies   [MaxBodies]BodyOperation

	// Of holds the purity and the errors of the model: heat loss, elevation, specific
	// heat and pipe losses. Without it, or without one of them, the design's count.
	Of *Measurement

	// Coefficient is U of a body where it goes with its condition: Brix leaving, chest
	// temperature in degC and heat flux in kW/m2. nil: U stays as given.
	Coefficient func(body int, brix, chestC, flux float64) float64

	// Follow lets what is imposed go with what comes of it, for [Set.Foresee]: bleeds of
	// heaters, pressure of the condenser. It returns the greatest change, in t/h or kPa.
	Follow func(then *Results, op *Operation) (moved float64)
}

// measure is a figure that is of no one instrument.
func measure(v float64, unit string) words.Measure {
	return words.Measure{Value: v, Unit: unit, Form: "%.4g", Of: "set"}
}

// check reports the first impossible value.
func (op *Operation) check(s *Set) error {
	type rule struct {
		name           words.Text
		unit           string
		v, lowest, top float64
	}
	for _, r := range [...]rule{
		{"steam pressure", "kPa", op.SteamKPa, minKPa, maxKPa},
		{"last vapour pressure", "kPa", op.LastKPa, minKPa, maxKPa},
		{"juice flow", "t/h", op.JuiceTH, 1e-3, maxTH},
		{"feed Brix", "% Brix", op.FeedBrix, minBrix, 80},
		{"feed temperature", "degC", op.FeedC, minC, 150},
		{"steam temperature", "degC", op.SteamC, 0, 500},
	} {
		if !(r.v >= r.lowest && r.v <= r.top) {
			in := func(v float64) words.Measure { return measure(v, r.unit) }
			return words.Errorf("%s is %s; it must be %s to %s", r.name, in(r.v), in(r.lowest), in(r.top))
		}
	}
	for e, b := range op.BleedTH {
		if !(b >= 0 && b <= maxTH) {
			return words.Errorf("the bleed after effect %d is %s; it must be 0 to %s", e+1, measure(b, "t/h"), measure(maxTH, "t/h"))
		}
	}
	for i, d := range s.d.Bodies {
		b := op.Bodies[i]
		if !b.OutOfService && !(b.U > 1e-3 && b.U < 20) {
			return words.Errorf("body %s: coefficient %g kW/(m2 K); must be 0.001 to 20", d.Name, b.U)
		}
	}
	return nil
}

// ErrNoSteadyState is returned when the imposed pressures, flows and bleeds leave
// no steady state: more vapour bled than made, the juice boiled dry, or no
// temperature difference.
var ErrNoSteadyState = words.Errorf("no steady state")

// Predict computes the steady state of the set under op and stores it in r,
// which must come from NewResults. Unknown are the duty of effect 1 and the
// vapour temperatures of all effects but the last; Newton's method on
//
//	q_k/(sum UA)_k - (Tc_k - Tj_k) = 0   for every effect
//
// Feed may be forward, backward or mixed: the bodies stand in juice order in the
// design, their effects give the vapour order.
func (s *Set) Predict(op *Operation, r *Results) error {
	if err := op.check(s); err != nil {
		return err
	}
	if len(r.Bodies) != len(s.d.Bodies) {
		r.Bodies = make([]BodyResult, len(s.d.Bodies))
	}
	if !s.arrange(func(b int) bool { return op.Bodies[b].OutOfService }) {
		return words.Errorf("%s: no body in service", ErrNoSteadyState)
	}
	s.setModel(op.measurement())
	top, _ := s.tsat(op.SteamKPa)
	bottom, _ := s.tsat(op.LastKPa)
	if !(top > bottom+s.pipesK(op)+float64(s.n)*0.2) {
		return words.Errorf("%s: steam at %s over vapour at %s leaves no temperature difference", ErrNoSteadyState, measure(top, "degC"), measure(bottom, "degC"))
	}
	if err := s.solveState(op, top, bottom); err != nil {
		return err
	}
	s.storeState(op, r, top)
	return nil
}

func (op *Operation) measurement() *Measurement {
	if op.Of == nil {
		return &Measurement{}
	}
	return op.Of
}

// pipesK is what the vapour pipes between the effects in service lose in all.
func (s *Set) pipesK(op *Operation) (sum float64) {
	for _, e := range s.act[:s.n-1] {
		sum += s.pipeLossK(op.measurement(), e)
	}
	return sum
}

// state is a point of the Newton iteration: z[0] the duty of effect 1 in MJ/h,
// z[1..n-1] the vapour temperatures of effects 1..n-1.
type state [MaxEffects]float64

// residuals loads z into the chain, sweeps it and returns how far every
// effect's heat transfer is off, in K.
func (s *Set) residuals(op *Operation, z *state, top, bottom float64, f *state) {
	c := &s.c
	chest := top
	for i := range s.n {
		e := s.act[i]
		t := bottom
		if i < s.n-1 {
			t = z[i+1]
		}
		p, ok := s.psat(t)
		if !ok {
			c.noEnth = true
			p = op.LastKPa
		}
		s.setChest(e, chest)
		for _, b := range s.members[e][:s.count[e]] {
			s.setVapour(b, t, p)
			c.tc[b] = chest
		}
		chest = t - s.pipeLossK(op.measurement(), e)
	}
	first := s.act[0]
	c.hs = c.hle[first] + c.lam[first]
	if op.SteamC > top {
		if st, err := steam.Vapour(steam.KPa(op.SteamKPa), steam.Celsius(op.SteamC)); err == nil {
			c.hs = float64(st.EnthalpyKJKg)
		}
	}
	for range 20 { // the shares of parallel bodies go with their U
		s.solve(&problem{juice: op.JuiceTH, steam: z[0] / (c.hs - c.hle[first]), near: true})
		if s.weigh(op) < 1e-12 {
			break
		}
	}
	for i := range s.n {
		e := s.act[i]
		var ua, have float64
		for _, b := range s.members[e][:s.count[e]] {
			ua += c.weight[b]
			have += c.weight[b] * (c.tc[b] - c.tj[b])
		}
		f[i] = (c.qe[e]/3.6 - have) / ua
	}
}

// weigh gives the bodies the U of the condition they are in now, and returns by how
// much parallel ones moved, as a share.
func (s *Set) weigh(op *Operation) (moved float64) {
	if op.Coefficient == nil {
		return 0
	}
	c := &s.c
	for b, d := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		w := d.AreaM2 * op.Coefficient(b, c.x[b], c.tc[b], c.q[b]/3.6/d.AreaM2)
		if s.count[d.Effect-1] > 1 {
			moved = max(moved, math.Abs(w/c.weight[b]-1))
		}
		c.weight[b] = w
	}
	return moved
}

func (s *Set) solveState(op *Operation, top, bottom float64) error {
	n := s.n
	z := s.firstState(op, top, bottom)
	var f, dz state
	s.residuals(op, &z, top, bottom, &f)
	for range 60 {
		size := norm(&f, n)
		if size < 1e-10 {
			return s.stateFault()
		}
		if !s.newtonStep(op, &z, &f, &dz, top, bottom) {
			return ErrNoSteadyState
		}
		// Keep the ladder in order, and go only as far as it gets better.
		scale := 1.0
		for range 40 {
			if s.ordered(op, &z, &dz, scale, top, bottom) {
				next := z
				for i := range n {
					next[i] += scale * dz[i]
				}
				var fn state
				s.residuals(op, &next, top, bottom, &fn)
				if got := norm(&fn, n); got < size || got < 1e-9 {
					z, f = next, fn
					break
				}
			}
			scale /= 2
		}
		if scale < 1e-9 {
			// Rounding, or truly stuck.
			if size < 1e-7 {
				s.residuals(op, &z, top, bottom, &f)
				return s.stateFault()
			}
			return ErrNoSteadyState
		}
	}
	if norm(&f, n) < 1e-7 {
		return s.stateFault()
	}
	return ErrNoSteadyState
}

// firstState loads what is imposed and guesses: the difference shared as 1/UA, the duty
// of effect 1 from its share of it.
func (s *Set) firstState(op *Operation, top, bottom float64) (z state) {
	c, n := &s.c, s.n
	c.store, c.stored = [MaxBodies]Stored{}, Stored{}
	for b, d := range s.d.Bodies {
		c.weight[b] = op.Bodies[b].U * d.AreaM2
	}
	var invUA [MaxEffects]float64
	var sum float64
	for i := range n {
		e := s.act[i]
		c.fixed[e], c.bleed[e] = false, op.BleedTH[e]
		var ua float64
		for _, b := range s.inEffect(e) {
			ua += c.weight[b]
		}
		invUA[i] = 1 / ua
		sum += invUA[i]
	}
	span := top - bottom - s.pipesK(op)
	z[0] = 3.6 * 0.85 * span / sum // some of the span goes to the elevation
	t := top
	for i := range n {
		v := bottom
		if i < n-1 {
			t -= span * invUA[i] / sum
			z[i+1], v = t, t
			t -= s.pipeLossK(op.measurement(), s.act[i])
		}
		p, _ := s.psat(v)
		for _, b := range s.inEffect(s.act[i]) {
			s.setVapour(b, v, p)
			c.tc[b] = v
		}
	}
	s.setFeed(op.FeedBrix, op.FeedC)
	s.guess(&problem{})
	return z
}

// newtonStep works out dz from the slopes at z, by difference.
func (s *Set) newtonStep(op *Operation, z, f, dz *state, top, bottom float64) bool {
	var jac [MaxEffects][MaxEffects + 1]float64
	var fj state
	for j := range s.n {
		h := 1e-5
		if j == 0 {
			h = 1e-6 * (math.Abs(z[0]) + 1)
		}
		zj := *z
		zj[j] += h
		s.residuals(op, &zj, top, bottom, &fj)
		for i := range s.n {
			jac[i][j] = (fj[i] - f[i]) / h
			jac[i][s.n] = -f[i]
		}
	}
	return eliminate(&jac, s.n, dz)
}

// ordered reports whether z + scale dz keeps temperatures falling and duty positive.
func (s *Set) ordered(op *Operation, z, dz *state, scale, top, bottom float64) bool {
	if !(z[0]+scale*dz[0] > 0) {
		return false
	}
	before := top
	for i := 1; i < s.n; i++ {
		t := z[i] + scale*dz[i]
		if !(t < before-0.02) {
			return false
		}
		before = t - s.pipeLossK(op.measurement(), s.act[i-1])
	}
	return bottom < before-0.02
}

func (s *Set) stateFault() error {
	c := &s.c
	switch {
	case c.dry > 0:
		return words.Errorf("%s: body %s would boil dry", ErrNoSteadyState, s.d.Bodies[c.dry-1].Name)
	case c.noBPE:
		return words.Errorf("%s: outside the range of the boiling-point elevation equation", ErrNoSteadyState)
	case c.noEnth:
		return words.Errorf("%s: outside the range of the heat equations", ErrNoSteadyState)
	case !c.settled:
		return words.Errorf("%s: the juice flows do not settle", ErrNoSteadyState)
	}
	return nil
}

func norm(f *state, n int) float64 {
	var m float64
	for i := range n {
		a := math.Abs(f[i])
		if math.IsNaN(a) {
			return math.Inf(1)
		}
		m = max(m, a)
	}
	return m
}

// eliminate solves the n equations of the augmented matrix a.
func eliminate(a *[MaxEffects][MaxEffects + 1]float64, n int, x *state) bool {
	for i := range n {
		p := i
		for k := i + 1; k < n; k++ {
			if math.Abs(a[k][i]) > math.Abs(a[p][i]) {
				p = k
			}
		}
		a[i], a[p] = a[p], a[i]
		if a[i][i] == 0 || math.IsNaN(a[i][i]) {
			return false
		}
		for k := i + 1; k < n; k++ {
			m := a[k][i] / a[i][i]
			for j := i; j <= n; j++ {
				a[k][j] -= m * a[i][j]
			}
		}
	}
	for i := n - 1; i >= 0; i-- {
		v := a[i][n]
		for j := i + 1; j < n; j++ {
			v -= a[i][j] * x[j]
		}
		x[i] = v / a[i][i]
	}
	return true
}

// storeState writes the solved chain into r.
func (s *Set) storeState(op *Operation, r *Results, top float64) {
	c := &s.c
	var m Measurement
	for b := range s.d.Bodies {
		m.Bodies[b].OutOfService = op.Bodies[b].OutOfService
		if l := op.Bodies[b].LevelPct; l > 0 {
			m.Bodies[b].LevelPct = Read(l, 0)
		}
	}
	s.clear(&m, r)
	r.Effects, r.Row = s.n, Predicted
	e := evaluation{m: &m, r: r, how: Balanced}
	tv, tc := &e.tv, &e.tc
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		tv[b] = temperature{c: c.tv[b], kPa: c.pv[b], how: Balanced}
		p, _ := s.psat(c.tc[b])
		tc[b] = temperature{c: c.tc[b], kPa: p, how: Balanced}
	}
	s.storeTemperatures(&e)
	r.JuiceTH = Result{Value: op.JuiceTH, How: Measured}
	r.FeedBrix = Result{Value: op.FeedBrix, How: Measured}
	for k := range MaxEffects {
		if s.count[k] > 0 {
			r.BleedTH[k] = Result{Value: op.BleedTH[k], How: Measured}
		} else {
			r.BleedTH[k].absent(because(NoSuchEffect))
		}
	}
	r.TotalEvaporationTH.set(c.sumV, Balanced, Reason{})
	r.SyrupTH.set(c.juice-c.sumV, Balanced, Reason{})
	r.SyrupBrix.set(100*c.solids/(c.juice-c.sumV), Balanced, Reason{})
	s.storeFlows(&e, Predicted)
	for _, p := range [...]*Result{&r.EconomyMeasured, &r.SteamDifference, &r.HeatClosurePct, &r.SolidsClosurePct} {
		p.absent(because(NotPredicted))
	}
}

// PredictForBrix finds the steam pressure of the first calandria, at most
// headerKPa, at which the set makes syrup of targetBrix, as a Brix controller
// would. It changes op.SteamKPa and leaves the state in r. limited reports that
// the header pressure is not enough; the state is then the one at the header
// pressure.
func (s *Set) PredictForBrix(op *Operation, targetBrix, headerKPa float64, r *Results) (limited bool, err error) {
	if !(targetBrix > op.FeedBrix && targetBrix < maxBrix) {
		return false, words.Errorf("target %g Brix; must be above feed Brix and below %g", targetBrix, maxBrix)
	}
	at := func(p float64) (brix float64, err error) {
		op.SteamKPa = p
		if err = s.Predict(op, r); err != nil {
			return 0, err
		}
		return r.SyrupBrix.Value, nil
	}
	high := headerKPa
	x, err := at(high)
	tooMuch := err != nil // most likely boiled dry at full pressure
	if err == nil && x <= targetBrix {
		return true, nil
	}
	if tooMuch && !errors.Is(err, ErrNoSteadyState) {
		return false, err
	}
	low := op.LastKPa * 1.05
	var fl, fh float64
	haveL, haveH := false, !tooMuch
	fh = x - targetBrix
	p := 0.75 * headerKPa
	for range 80 {
		if !(p > low && p < high) {
			p = (low + high) / 2
		}
		x, err := at(p)
		switch {
		case err != nil && haveL: // between a good low and a dry high
			high, haveH = p, false
			p = (low + high) / 2
			continue
		case err != nil:
			// No steady state: too little steam below, or dry above. Dry says so.
			if s.c.dry > 0 {
				high, haveH = p, false
			} else {
				low = p
			}
			p = (low + high) / 2
			continue
		}
		f := x - targetBrix
		if math.Abs(f) < 1e-10 || high-low < 1e-11*high {
			return false, nil
		}
		if f > 0 {
			high, fh, haveH = p, f, true
		} else {
			low, fl, haveL = p, f, true
		}
		if haveL && haveH {
			p = high - fh*(high-low)/(fh-fl)
			// Pull towards the middle now and then, so that both ends move.
			if w := high - low; p < low+0.02*w || p > high-0.02*w {
				p = min(max(p, low+0.02*w), high-0.02*w)
			}
		} else {
			p = (low + high) / 2
		}
	}
	return false, words.Errorf("%s: no steam pressure up to %s gives %g Brix", ErrNoSteadyState, measure(headerKPa, "kPa"), targetBrix)
}
