package evaporator

import "math"

// The balances of a set are solved together. With the properties of the juice taken
// at known Brix they are linear in the flows: in the evaporation of every body and in
// the one flow that is looked for besides (steam, juice or a bleed). So they are
// written as forms, linear expressions in these unknowns, and one elimination gives
// all flows for whatever Brix the properties were taken at; there is no flow to start
// from that could be wrong.
//
// The flows give new Brix, and that is the only iteration. Its start hardly matters:
// from 0 to 90 Brix the heat of juice at one temperature falls by less than 0.3 of
// the heat of evaporation, so an error of the Brix comes back as a small part of
// itself, whatever it was (a test starts from everywhere). The slopes of the properties
// are in the forms, which makes it Newton's iteration: juice's heat L h(100 S/L) is
// homogeneous in juice and solids, so its tangent is (h - x h') L + 100 h' S without
// a constant. Only the shares of parallel bodies are taken from the round before; they
// change with the elevation and hardly at all.

// form is a linear expression: its constant, the factors of the evaporations by
// Set.column, and last the factor of the flow that is looked for.
type form [MaxBodies + 2]float64

// forms is a flow of juice.
type forms struct{ flow, solids, heat form } // t/h, t/h, MJ/h above 0 degC

// balances is what solve works with.
type balances struct {
	width       int // columns of the forms in use
	feed        forms
	out, mix    [MaxBodies]forms
	h           [MaxBodies]float64 // of the juice, kJ/kg
	vapour      [MaxBodies]form    // its heat, MJ/h
	slope, rest [MaxBodies]float64 // of the juice's heat and of the vapour's with Brix, kJ/(kg Brix)
	slopeAt     [MaxBodies]float64 // Brix where these were taken; below 0: nowhere
	qf, wf, ff  [MaxEffects]form   // duty, vapour condensed, flash
	rows        [MaxBodies + 1]form
	z           form // the solution, z[0] = 1
}

// sought is the flow that is found beside the evaporations.
type sought uint8

const (
	nothing sought = iota
	theSteam
	theJuice
	theBleed
)

// problem says what is known. What is sought needs no value.
type problem struct {
	sought  sought
	bleedOf int     // effect, for theBleed
	juice   float64 // t/h
	steam   float64 // t/h
	syrup   float64 // Brix that is reached; 0 with nothing sought: whatever comes
	near    bool    // the chain holds the solution of a case close by
	sloppy  bool    // one round will do: it is
}

func (s *Set) add(to *form, k float64, f *form) {
	w := s.c.width
	t, g := to[:w], f[:w]
	for i, x := range g {
		t[i] += k * x
	}
}

// set makes to k times a flow: a number, or the unknown.
func (s *Set) set(to *form, unknown bool, k, value float64) {
	clear(to[:s.c.width])
	if unknown {
		to[s.c.width-1] = k
	} else {
		to[0] = k * value
	}
}

// value is the form at the solution.
func (s *Set) value(f *form) float64 {
	z := s.c.z[:s.c.width]
	var sum float64
	for i, x := range f[:s.c.width] {
		sum += x * z[i]
	}
	return sum
}

// solve finds the flows of p and leaves them in the chain. It reports false if the
// equations do not determine them or the iteration does not settle.
func (s *Set) solve(p *problem) bool {
	c := &s.c
	c.settled = false
	c.width = s.bodies + 2
	if p.sought == nothing {
		c.width--
	}
	if !p.near {
		s.guess(p)
	} else {
		for b := range s.d.Bodies {
			if s.in[b] { // other temperatures, perhaps
				s.properties(b, c.x[b])
			}
		}
	}
	for round := range 80 {
		c.dry, c.noBPE, c.noEnth = 0, false, false
		s.assemble(p)
		if !c.eliminate(c.width - 1) {
			return false
		}
		moved := 0.0
		for b := range s.d.Bodies {
			if !s.in[b] {
				continue
			}
			c.v[b] = c.z[s.column[b]]
			x := maxLiquor
			c.outflow[b] = s.value(&c.out[b].flow)
			if solids := s.value(&c.out[b].solids); 100*solids < maxLiquor*c.outflow[b] {
				x = 100 * max(0, solids) / c.outflow[b]
			} else if solids > 0 || c.outflow[b] <= 0 {
				c.dry = b + 1
			}
			moved = max(moved, math.Abs(x-c.x[b]))
			if round > 15 { // to and fro about the end of what can be
				x = (x + c.x[b]) / 2
			}
			s.properties(b, x)
		}
		if moved < 1e-6 || p.sloppy {
			c.settled = true
			break
		}
	}
	if p.near && (c.dry > 0 || !c.settled) { // perhaps only by the start
		p.near, p.sloppy = false, false
		return s.solve(p)
	}
	s.settle(p)
	return c.settled
}

// guess puts a Brix into every body: the water is taken off in equal parts.
func (s *Set) guess(p *problem) {
	c := &s.c
	end := p.syrup
	if end == 0 {
		end = max(60, (c.feedBrix+maxLiquor)/2)
	}
	for b := range s.d.Bodies {
		if s.in[b] {
			c.slopeAt[b], c.slope[b], c.rest[b] = -maxLiquor, 0, 0
			part := float64(s.column[b]) / float64(s.bodies)
			s.take(b, min(maxLiquor, c.feedBrix/(1-part*(1-c.feedBrix/end))))
		}
	}
}

// properties takes those of the juice in body b at x Brix, and their slopes if it is
// far from where they were taken last.
func (s *Set) properties(b int, x float64) {
	c := &s.c
	if math.Abs(x-c.slopeAt[b]) < 1 {
		s.take(b, x)
		return
	}
	const d = 0.01
	s.take(b, max(0, x-d))
	h, hvap, from := c.h[b], c.hvap[b], c.x[b]
	s.take(b, x)
	c.slopeAt[b], c.slope[b], c.rest[b] = x, (c.h[b]-h)/d, (c.hvap[b]-hvap)/d
	if from == 0 {
		c.slope[b], c.rest[b] = 0, 0
	}
}

// take takes them without slopes.
func (s *Set) take(b int, x float64) {
	c := &s.c
	c.x[b] = x
	c.bpe[b] = s.elevation(b, x)
	c.tj[b] = c.tv[b] + c.bpe[b]
	c.h[b], c.hvap[b] = s.juiceHeat(x, c.tj[b]), c.hv[b]+s.d.VapourCp*c.bpe[b]
}

// assemble writes the balances as rows that are to be zero.
func (s *Set) assemble(p *problem) {
	c := &s.c
	feed := &c.feed
	s.set(&feed.flow, p.sought == theJuice, 1, p.juice)
	s.set(&feed.solids, p.sought == theJuice, c.feedBrix/100, p.juice)
	s.set(&feed.heat, p.sought == theJuice, c.feedHeat, p.juice)
	s.followJuice()
	s.followVapour(p)
	if p.sought == nothing {
		return
	}
	// The whole set: what is neither syrup nor stored is evaporated. Times the heat of
	// evaporation, so that the row is of the size of the others.
	total := &c.rows[s.bodies]
	s.set(total, p.sought == theJuice, 2000*(1-c.feedBrix/p.syrup), p.juice)
	total[0] += 2000 * (100*c.stored.SolidsTH/p.syrup - c.stored.JuiceTH)
	for k := 1; k <= s.bodies; k++ {
		total[k] -= 2000
	}
}

// followJuice writes what enters and leaves each body with the juice, and leaves with
// its vapour.
func (s *Set) followJuice() {
	c := &s.c
	w := c.width
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		in, beside, e := &c.feed, s.beside(b), s.d.Bodies[b].Effect-1
		if p := s.inlet[b]; p >= 0 {
			if in = &c.out[p]; len(s.beside(p)) > 1 {
				in = &c.mix[p]
			}
		}
		part := s.share(b, e, beside)
		out, row, st := &c.out[b], &c.rows[s.column[b]-1], &c.store[b]
		for i := range w {
			out.flow[i], out.solids[i] = part*in.flow[i], part*in.solids[i]
			row[i] = part * in.heat[i]
		}
		out.flow[0] -= st.JuiceTH
		out.flow[s.column[b]]--
		out.solids[0] -= st.SolidsTH
		row[0] -= st.HeatMJH
		slope := 0.0
		if c.outflow[b] > 0 {
			slope = c.v[b] / c.outflow[b] * c.rest[b]
		}
		x, h := c.x[b], c.h[b]
		for i := range w {
			l, so := out.flow[i], out.solids[i]
			out.heat[i] = (h-x*c.slope[b])*l + 100*c.slope[b]*so
			c.vapour[b][i] = slope * (100*so - x*l)
		}
		c.vapour[b][s.column[b]] += c.hvap[b]
		for i := range w {
			row[i] -= c.vapour[b][i] + out.heat[i]
		}
		mix := &c.mix[s.group[b]]
		switch {
		case len(beside) == 1:
		case s.group[b] == b:
			copy(mix.flow[:w], out.flow[:w])
			copy(mix.solids[:w], out.solids[:w])
			copy(mix.heat[:w], out.heat[:w])
		default:
			s.add(&mix.flow, 1, &out.flow)
			s.add(&mix.solids, 1, &out.solids)
			s.add(&mix.heat, 1, &out.heat)
		}
	}
}

// followVapour adds the heat that the vapour brings, from effect to effect.
func (s *Set) followVapour(p *problem) {
	c := &s.c
	w := c.width
	var line form // condensate in the flash line, t/h
	for i := range s.n {
		e := s.act[i]
		q, we, flash := &c.qf[e], &c.wf[e], &c.ff[e]
		clear(q[:w])
		clear(flash[:w])
		flashed := s.d.VapourCondensate
		if i == 0 {
			flashed = s.d.ExhaustCondensate
			s.set(we, p.sought == theSteam, 1, p.steam)
			s.add(q, c.hs-c.hle[e], we)
		} else {
			up := s.act[i-1]
			s.set(we, p.sought == theBleed && p.bleedOf == up, -1, c.bleed[up])
			s.add(q, s.vapourHeat(up), we)
			for _, b := range s.inEffect(up) {
				we[s.column[b]] = 1
				s.add(q, 1, &c.vapour[b])
			}
			s.add(q, -c.hle[e], we)
			if k := (c.hle[up] - c.hle[e]) / c.lam[e]; k > 0 {
				s.add(flash, k, &line)
				s.add(&line, -1, flash)
				s.add(we, 1, flash)
				s.add(q, c.lam[e], flash)
			}
		}
		if flashed == Flashed {
			s.add(&line, 1, we)
		}
		for _, b := range s.inEffect(e) {
			s.add(&c.rows[s.column[b]-1], s.share(b, e, s.inEffect(e))*(1-s.loss), q)
		}
	}
}

// vapourHeat is the enthalpy of the mixed vapour of effect e, kJ/kg.
func (s *Set) vapourHeat(e int) float64 {
	var flow, heat, plain float64
	for _, b := range s.inEffect(e) {
		flow += s.c.v[b]
		heat += s.c.v[b] * s.c.hvap[b]
		plain += s.c.hvap[b]
	}
	if h := heat / flow; h > 2000 && h < 3500 { // false for NaN
		return h
	}
	return plain / float64(s.count[e])
}

// eliminate solves the n rows for z. It reports false if they do not determine it.
func (c *balances) eliminate(n int) bool {
	var at [MaxBodies + 1]*form
	for i := range n {
		at[i] = &c.rows[i]
	}
	for i := range n {
		p := i
		for k := i + 1; k < n; k++ {
			if math.Abs(at[k][i+1]) > math.Abs(at[p][i+1]) {
				p = k
			}
		}
		at[i], at[p] = at[p], at[i]
		pivot := at[i][1 : n+1]
		if !(math.Abs(pivot[i]) > 1e-9) || math.IsInf(pivot[i], 0) {
			return false
		}
		for k := i + 1; k < n; k++ {
			row := at[k][1 : n+1]
			m := row[i] / pivot[i]
			if m == 0 {
				continue
			}
			for j := i; j < n; j++ {
				row[j] -= m * pivot[j]
			}
			at[k][0] -= m * at[i][0]
		}
	}
	c.z[0] = 1
	for i := n; i >= 1; i-- {
		v := -at[i-1][0]
		for j := i + 1; j <= n; j++ {
			v -= at[i-1][j] * c.z[j]
		}
		c.z[i] = v / at[i-1][i]
	}
	return true
}

// settle turns the forms into numbers.
func (s *Set) settle(p *problem) {
	c := &s.c
	c.juice = s.value(&c.feed.flow)
	c.solids = c.juice * c.feedBrix / 100
	c.sumV = 0
	for i := range s.n {
		e := s.act[i]
		c.qe[e], c.we[e], c.flash[e] = s.value(&c.qf[e]), s.value(&c.wf[e]), s.value(&c.ff[e])
		for _, b := range s.inEffect(e) {
			part := s.share(b, e, s.inEffect(e))
			c.q[b], c.w[b] = part*c.qe[e], part*c.we[e]
			c.inflow[b] = c.outflow[b] + c.v[b] + c.store[b].JuiceTH
			c.sumV += c.v[b]
		}
	}
	if p.sought == theBleed {
		c.bleed[p.bleedOf] = c.z[c.width-1]
	}
}
