package deploy

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"
)

// idealMill is the yardstick: the formulas and laws of the mill itself, on the same noisy
// readings. It knows elevation, pipes, loss and specific heats exactly; bleeds that nobody
// measures by their usual flow; of the weather what a barometer tag tells. It does not know the
// errors of the instruments.
type idealMill struct {
	h       *blindHouse
	u, v    [][]float64
	ratio   [][]float64
	norm    [][]float64 // resistance at the reference, m2.K/kW
	economy []float64
	evap    []float64
}

func newIdeal(h *blindHouse) *idealMill {
	n, m := len(h.set.bodies), len(h.hours)
	d := &idealMill{h: h, economy: make([]float64, m), evap: make([]float64, m)}
	for range n {
		d.u, d.v, d.ratio, d.norm = append(d.u, make([]float64, m)), append(d.v, make([]float64, m)), append(d.ratio, make([]float64, m)), append(d.norm, make([]float64, m))
	}
	by := map[string]*blindTag{}
	for _, g := range h.tags {
		by[g.path] = g
	}
	for i := range h.hours {
		d.hour(i, func(path string) float64 {
			g := by[path]
			if g == nil || i >= len(g.hours) {
				return math.NaN()
			}
			v := g.hours[i]
			if b := by["site.barometer"]; b != nil && i < len(b.hours) { // the weather is known
				if g.reference == "gauge" || g.reference == "vacuum" {
					v += b.hours[i] - h.site
				}
			}
			return v
		}, by)
	}
	d.clean()
	return d
}

// mean of estimates with their sigmas; NaN ones are left out.
type meanOf struct{ w, x float64 }

func (m *meanOf) add(x, sigma float64) {
	if !math.IsNaN(x) {
		m.w += 1 / sigma / sigma
		m.x += x / sigma / sigma
	}
}
func (m meanOf) value() float64 { return m.x / m.w }

// idealHour is the state of one hour as it is worked out.
type idealHour struct {
	*idealMill
	read         func(string) float64
	by           map[string]*blindTag
	out          []bool
	tv, tc, w, q []float64 // by effect; w: vapour into the chest, kg/s
	brix, v      []float64 // by body
	tj           float64
}

// temperatures are means of what each instrument says, weighed by its accuracy.
func (o *idealHour) temperatures() {
	s, p := o.h.set, setName+"."
	weather := 0.75
	if o.by["site.barometer"] != nil {
		weather = 0.08
	}
	sigma := func(path string, t float64) float64 {
		g := o.by[path]
		if g == nil {
			return 1
		}
		a := g.accuracy
		if g.reference == "gauge" || g.reference == "vacuum" {
			a = math.Hypot(a, weather)
		}
		return max(0.05, tsat(psat(t)+a)-t)
	}
	from := -1
	for k := range o.tv {
		var m, c meanOf
		for j, b := range s.bodies {
			if b.effect != k || o.out[j] {
				continue
			}
			q := p + b.name + "."
			if x := o.read(q + "vapour_pressure"); !math.IsNaN(x) {
				t := tsat(max(2, x))
				m.add(t, sigma(q+"vapour_pressure", t))
			}
			m.add(o.read(q+"vapour_temperature"), 0.3)
			m.add(o.read(q+"juice_temperature")-s.elevation(o.brix[j], 90-35*float64(k)/float64(s.effects)), 0.3)
			if x := o.read(q + "chest_pressure"); !math.IsNaN(x) {
				t := tsat(max(2, x))
				c.add(t, sigma(q+"chest_pressure", t))
			}
		}
		o.tv[k] = m.value()
		if math.IsNaN(o.tv[k]) {
			continue
		}
		if from < 0 {
			t := tsat(o.read(p + "steam_pressure"))
			c.add(t, sigma(p+"steam_pressure", t))
		} else {
			c.add(o.tv[from]-s.pipe[k]*math.Pow(max(0.1, o.w[k]/(s.juice/3.6*0.8/float64(s.effects))), 1.8), 0.15)
		}
		o.tc[k] = c.value()
		from = k
	}
}

// chain goes from the steam to the last body: th is juice, feed Brix, duty of the first effect,
// and the bleeds. It gives syrup Brix, syrup, steam and heat into the condenser.
func (o *idealHour) chain(th []float64) []float64 {
	s := o.h.set
	l, x, tj, duty := th[0], th[1], o.tj, th[2]
	cond, prev, vapour := 0.0, -1, 0.0
	for k := range o.tv {
		if math.IsNaN(o.tv[k]) {
			continue
		}
		if prev >= 0 {
			flash := 0.0
			if s.flash {
				flash = cond * 4.22 * max(0, o.tc[prev]-o.tc[k]) / latent(o.tc[k])
			}
			o.w[k] = vapour
			duty = (vapour + flash) * latent(o.tc[k])
			cond += duty / latent(o.tc[k])
		}
		o.q[k] = duty
		live, area := 0.0, 0.0
		for j, b := range s.bodies {
			if b.effect == k && !o.out[j] {
				live, area = live+1, area+b.area
			}
		}
		lo, xo, to := 0.0, 0.0, 0.0
		vapour = 0
		i := 3
		for j, b := range s.bodies {
			here := b.effect == k
			for range b.bleeds {
				if here {
					vapour -= th[i]
				}
				i++
			}
			if !here || o.out[j] {
				continue
			}
			t := o.tv[k] + s.elevation(o.brix[j], o.tv[k])
			o.v[j] = (duty*b.area/area*(1-s.lossPct/100) + l/live*heatOf(x)*(tj-t)) / latent(o.tv[k])
			left := max(0.01, l/live-o.v[j])
			o.brix[j] = min(0.82, l/live*x/left)
			lo, xo, to, vapour = lo+left, xo+left*o.brix[j], t, vapour+o.v[j]
		}
		l, x, tj, prev = lo, xo/lo, to, k
	}
	return []float64{x, l, th[2] / latent(o.first()), vapour * latent(o.tv[prev])}
}

// first is the temperature of the steam in the first chest at work.
func (o *idealHour) first() float64 {
	for k, t := range o.tc {
		if !math.IsNaN(o.tv[k]) {
			return t
		}
	}
	return math.NaN()
}

// hour reconciles the readings of one hour by weighted least squares over the mill's own balances.
func (d *idealMill) hour(i int, read func(string) float64, by map[string]*blindTag) {
	h, s := d.h, d.h.set
	for k := range d.u {
		d.u[k][i], d.v[k][i], d.ratio[k][i], d.norm[k][i] = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	}
	d.economy[i], d.evap[i] = math.NaN(), math.NaN()
	p := setName + "."
	if at := h.begin.Add(time.Duration(i) * time.Hour); !h.hours[i].steady || !(read(p+"juice_flow") > 5) || len(h.upsets) > 0 && !at.Before(h.upsets[0].from.Add(-time.Hour)) {
		return
	}
	n := s.effects
	o := &idealHour{idealMill: d, read: read, by: by, tv: make([]float64, n), tc: make([]float64, n), w: make([]float64, n), q: make([]float64, n),
		brix: make([]float64, len(s.bodies)), v: make([]float64, len(s.bodies)), out: make([]bool, len(s.bodies)), tj: read(p + "juice_temperature")}
	for k := range s.bodies {
		o.out[k] = h.hours[i].v[k] < 0.5
		o.brix[k] = s.bodies[k].xRef
	}
	for k := range n {
		o.w[k] = s.juice / 3.6 * 0.8 / float64(n)
	}
	o.temperatures()
	sig := func(path string, v float64) float64 {
		if g := by[path]; g != nil {
			return g.sigma(v)
		}
		return 1e6
	}
	f := read(p+"juice_flow") / 3.6
	th0 := []float64{f, read(p+"juice_brix") / 100, read(p+"steam_flow") / 3.6 * latent(o.first())}
	sd := []float64{sig(p+"juice_flow", f*3.6) / 3.6, sig(p+"juice_brix", 14) / 100, th0[2]}
	for _, b := range s.bodies {
		for _, bl := range b.bleeds {
			x := d.bleed(b, bl, read, o.tv[b.effect])
			if math.IsNaN(o.tv[b.effect]) {
				x = 0
			}
			th0 = append(th0, x)
			sd = append(sd, map[string]float64{"heater": 0.035, "none": 0.08, "pans": 0.03, "metered": 0.03}[bl.how]*x+0.01)
		}
	}
	dt := read("C1.water_outlet_temperature") - read("C1.water_inlet_temperature")
	qc := read("C1.water_flow") / 3.6 * 4.18 * dt
	y := []float64{read(p+"syrup_brix") / 100, read(p+"syrup_flow") / 3.6, read(p+"steam_flow") / 3.6, qc}
	ys := []float64{sig(p+"syrup_brix", 60) / 100, sig(p+"syrup_flow", y[1]*3.6) / 3.6, sig(p+"steam_flow", y[2]*3.6) / 3.6, qc * math.Hypot(0.015, 0.36/dt)}
	if math.IsNaN(y[1]) {
		y[1], ys[1] = 0, 1e6
	}
	th := slices.Clone(th0)
	for range 4 {
		o.temperatures()
		for range 3 {
			o.chain(th)
		}
		g := o.chain(th)
		a := mat.NewDense(len(y)+len(th), len(th), nil)
		r := mat.NewVecDense(len(y)+len(th), nil)
		for c := range th {
			step := 0.002*th[c] + 1e-6
			up := slices.Clone(th)
			up[c] += step
			keep := slices.Clone(o.brix)
			o.chain(up)
			gu := o.chain(up)
			copy(o.brix, keep)
			for k := range y {
				a.Set(k, c, (gu[k]-g[k])/step/ys[k])
			}
			a.Set(len(y)+c, c, 1/sd[c])
			r.SetVec(len(y)+c, (th0[c]-th[c])/sd[c])
		}
		for k := range y {
			r.SetVec(k, (y[k]-g[k])/ys[k])
		}
		var dth mat.VecDense
		if dth.SolveVec(a, r) != nil {
			return
		}
		for c := range th {
			th[c] += dth.AtVec(c)
		}
	}
	g := o.chain(th)
	d.evap[i] = (th[0] - g[1]) * 3.6
	d.economy[i] = (th[0] - g[1]) / g[2]
	for j, b := range s.bodies {
		if o.out[j] {
			continue
		}
		area := 0.0
		for k, c := range s.bodies {
			if c.effect == b.effect && !o.out[k] {
				area += c.area
			}
		}
		t := o.tv[b.effect] + s.elevation(o.brix[j], o.tv[b.effect])
		flux := o.q[b.effect] / area
		u := flux / max(0.3, o.tc[b.effect]-t)
		d.u[j][i], d.v[j][i] = u, o.v[j]*3.6
		c := b.clean(o.brix[j], o.tc[b.effect], flux)
		if lev := read(p + b.name + ".level"); b.kind == "robert" && !math.IsNaN(lev) {
			c *= 1 - 0.00018*(lev-33)*(lev-33)
		}
		d.norm[j][i] = 1/u - 1/c
	}
}

// bleed gives what the house knows of a bleed, kg/s.
func (d *idealMill) bleed(b *blindBody, bl *blindBleed, read func(string) float64, t float64) float64 {
	z := setName + "." + b.name + "." + bl.name + "."
	switch bl.how {
	case "heater":
		return read(z+"liquid_flow") / 3.6 * 3.95 * (read(z+"outlet_temperature") - read(z+"inlet_temperature")) * 1.03 / latent(t)
	case "none":
		return bl.usual
	}
	return read(z+"flow") / 3.6
}

// clean takes the scale at the starts of the cycles as that of the usual clean state: errors
// that stand are in it. Then ratio is that of the resistances.
func (d *idealMill) clean() {
	h := d.h
	for j, b := range h.set.bodies {
		var sum, n float64
		for _, c := range h.cycles {
			if c.body != b {
				continue
			}
			// The law carries the first two days back to the start.
			i := int(c.from.Sub(h.begin).Hours())
			for k := max(0, i+2); k < min(i+48, len(d.norm[j])); k++ {
				if r := d.norm[j][k]; !math.IsNaN(r) {
					sum += r - b.scale.grown(float64(k-i)/24, 0)
					n++
				}
			}
		}
		zero := sum/n - usualRest/b.u0
		for i, r := range d.norm[j] {
			d.norm[j][i] = r - zero
			d.ratio[j][i] = (1 + usualRest) / (1 + b.u0*(r-zero))
		}
	}
}

// grown is the scale of a usual cycle after so many days, from r0 on.
func (s blindScale) grown(days, r0 float64) float64 {
	r := r0
	for t := 0.0; t < days; t += 1.0 / 24 {
		r += s.rate * s.slope(r) * min(1.0/24, days-t)
	}
	return r - r0
}

// due tells the days left to the limit at hour i of cycle c. It knows the law of the body. The
// rate it learns from earlier cycles, which differ by 13 %; in the first one it knows nothing.
func (d *idealMill) due(j int, c *blindCycle, i int) float64 {
	var centre, n float64
	for _, e := range d.h.cycles {
		if e.body == c.body && e.from.Before(c.from) && !e.to.IsZero() {
			k, _ := d.fit(j, e, int(e.to.Sub(d.h.begin).Hours())-2, 1, 1)
			centre, n = centre+k, n+1
		}
	}
	sd := 1.0
	if n > 0 {
		centre, sd = centre/n, 0.13*math.Sqrt(1+1/n)
	} else {
		centre = 1
	}
	k, now := d.fit(j, c, i, centre, sd)
	b := c.body
	s := b.scale
	s.rate *= k
	days := 0.0
	for end := ((1+usualRest)/b.limit - 1) / b.u0; now < end && days < 60; days += 1.0 / 24 {
		now += s.rate * s.slope(now) / 24
	}
	return days
}

// fit is the rate of cycle c, as a factor, and the scale at hour i, by least squares over the hours
// so far: the rate is expected at centre within sd, the start at the usual state within 1.2 %.
func (d *idealMill) fit(j int, c *blindCycle, i int, centre, sd float64) (rate, now float64) {
	b := c.body
	i0 := int(c.from.Sub(d.h.begin).Hours())
	i = min(i, len(d.norm[j])-1)
	best := math.Inf(1)
	for k := 0.4; k < 2; k += 0.01 {
		s := b.scale
		s.rate *= k
		var path []float64
		for t, r := i0, usualRest/b.u0; t <= i; t++ {
			path = append(path, r)
			r += s.rate * s.slope(r) / 24
		}
		var sum, n float64
		seen := func(f func(r, v float64)) {
			for t, r := range path {
				if v := d.norm[j][i0+t]; !math.IsNaN(v) && t > 2 {
					f(r, v)
				}
			}
		}
		seen(func(r, v float64) { sum, n = sum+v-r, n+1 })
		off, y := sum/(n+1), 0.0
		seen(func(r, v float64) { y += math.Pow((v-r-off)*b.u0, 2) })
		// readings of four hours stand for one: their errors hang together
		cost := y/0.012/0.012/4 + math.Pow(math.Log(k/centre)/sd, 2) + math.Pow(off*b.u0/0.012, 2)
		if len(path) > 0 && cost < best {
			best, rate, now = cost, k, path[len(path)-1]+off
		}
	}
	return rate, now
}
