package fouling

import (
	"math"
	"slices"
)

// observation is one hourly value inside a cycle.
type observation struct {
	day   float64 // since cleaning
	u     float64 // kW/(m2 K)
	sigma float64 // of u; 0 is not known
	z     [shares]float64
}

// point is some hours of observations as 1/U.
type point struct {
	t, y, w  float64 // w: relative weight, about 1
	from, to float64 // times of the first and the last
	n        float64 // values it stands for
	z        [shares]float64
}

const (
	// usualSigma of an hourly value that comes without one, as a share of it.
	usualSigma = 0.02
	// madToSigma takes a median deviation of normal errors to their sigma.
	madToSigma = 1.4826
	// A cycle is learned from at most mostPoints, each of leastBin days or more. Juice
	// takes half an hour and more through a set, so that a duty answers to a pressure late:
	// hour by hour U would seem to fall as the heating gets hotter, and to rise with the
	// flux. On mills in models of their own that bent the shares of the formula.
	mostPoints, leastBin = 200, 6.0 / 24
)

// points turns observations in the order of time into 1/U, weighted by their sigma,
// merged into at most mostPoints bins. A bin's value is its median, so that a spike
// inside does no harm.
func points(obs []observation) []point {
	ps := make([]point, 0, len(obs))
	var rel []float64
	for _, o := range obs {
		p := point{t: o.day, y: 1 / o.u, w: usualSigma, n: 1, z: o.z}
		if o.sigma > 0 && o.sigma < o.u {
			p.w = o.sigma / o.u
		}
		rel = append(rel, p.w)
		ps = append(ps, p)
	}
	typical := median(rel)
	for i := range ps {
		r := ps[i].w / typical
		ps[i].w = 1 / math.Min(16, math.Max(0.25, r*r))
	}
	if len(ps) == 0 {
		return ps
	}
	width := max((ps[len(ps)-1].t-ps[0].t)/mostPoints, leastBin)
	var out []point
	var ys []float64
	for i := 0; i < len(ps); {
		end := ps[i].t + width
		var b point
		ys = ys[:0]
		j := i
		for ; j < len(ps) && (ps[j].t < end || j == i); j++ {
			b.t += ps[j].t
			b.w += ps[j].w
			for k := range shares {
				b.z[k] += ps[j].z[k]
			}
			ys = append(ys, ps[j].y)
		}
		n := float64(j - i)
		b.t, b.w, b.n, b.y = b.t/n, b.w/n, n, median(ys)
		b.from, b.to = ps[i].t, ps[j-1].t
		for k := range shares {
			b.z[k] /= n
		}
		out = append(out, b)
		i = j
	}
	return out
}

// median of a copy of v; 0 of nothing.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

// Figures of ours: how U scatters about its law, as shares of clean 1/U. A cycle tells
// the white noise; the others look like scale, and are taken as they stand. They were
// chosen by hourly values of the blind mills A, B and C of seeds 1 to 3 and 6.
const (
	typicalWhite = 0.014    // of an hourly value, before a body has shown its own
	whiteSpread  = math.Ln2 // one sigma of the logarithm of it
	lasting      = 0.008    // a first-order autoregression
	lastingDays  = 1.0      // its memory
	drift        = 0.0038   // of instruments and juice, per square root of a day
	wanderDays   = 7.0      // memory of the rate: juice changes with field and weather
)

// Indices of a member's state: 1/U after cleaning, the mean rate, the noise that
// lasts, what has grown beside the law, the rate's deviation now, then the shares.
const (
	atStart = iota
	atRate
	atLasting
	atGrown
	atDeviation
	atShares
	states = atShares + shares
)

type (
	vector [states]float64
	matrix [states]vector
)

// member is one law at one shape with its linear parameters. A Kalman filter over the
// cycle gives the exact posterior: start, mean rate and shares do not move, the rest
// does.
type member struct {
	kind  Kind
	shape float64
	scale float64 // of the growth curve, so that the coefficient is a mean rate
	// wander is the relative sigma of the rate from day to day.
	wander float64

	prior memberPrior
	m     vector
	p     matrix
	l     float64   // log evidence
	free  knowledge // the shares before bound
	g     []float64 // the growth curve at the points, while learning
	w     float64   // weight
}

func newMember(k Kind, shape, wander float64) member {
	m := member{kind: k, shape: shape, wander: wander, scale: 1}
	if g := m.basis(rateDays); g > 0 {
		m.scale = rateDays / g
	}
	return m
}

// basis is the growth curve, scaled so that its mean slope over rateDays is 1.
func (m *member) basis(t float64) float64 { return growth(m.kind, m.shape, t) * m.scale }

// mean is the basis over the hours of a point, by Simpson's rule: a falling rate bends
// most in the first hours.
func (m *member) mean(p point) float64 {
	return (m.basis(p.from) + 4*m.basis((p.from+p.to)/2) + m.basis(p.to)) / 6
}

// run filters the points.
func (m *member) run(ps []point, pr *Prior, white float64) {
	level := m.prior.Start.Mean
	mean := vector{atStart: level, atRate: m.prior.Rate.Mean}
	var cov matrix
	cov[atStart][atStart] = m.prior.Start.next2()
	cov[atRate][atRate] = m.prior.Rate.next2()
	cov[atLasting][atLasting] = level * level * lasting * lasting
	sw := m.wander * math.Abs(m.prior.Rate.Mean)
	cov[atDeviation][atDeviation] = sw * sw
	for i := range shares {
		mean[atShares+i] = pr.Shares.Share[i]
		copy(cov[atShares+i][atShares:], pr.Shares.Cov[i][:])
	}
	var l, last, lastG float64
	for k := range ps {
		p := &ps[k]
		dt, dg := p.t-last, m.g[k]-lastG
		last, lastG = p.t, m.g[k]
		advance(&mean, &cov, dt, dg, level, sw)
		// What is seen: start, rate by its curve, what lasts, what has grown, the shares.
		g := m.g[k]
		f, pulled := pull(mean[atShares:], p.z)
		var ph vector
		row := func(v *vector) float64 {
			x := v[atStart] + g*v[atRate] + v[atLasting] + v[atGrown]
			for i, z := range pulled {
				x += level * z * v[atShares+i]
			}
			return x
		}
		for i := range states {
			ph[i] = row(&cov[i])
		}
		s0, e := row(&ph), p.y-(mean[atStart]+g*mean[atRate]+mean[atLasting]+mean[atGrown]+level*(f-1))
		r := level * level * white * white / (p.w * p.n)
		s := s0 + r
		const far = 2.8
		if z := math.Abs(e) / math.Sqrt(s); z > far {
			// An outlier keeps the pull of one at the limit: its variance is raised,
			// and it is charged linearly, as in Huber's loss.
			s = e * e / (far * far) * (z / far)
			l -= 0.5*math.Log(s0+r) + far*z - far*far/2
		} else {
			l -= 0.5 * (math.Log(s) + z*z)
		}
		gain := 1 / s
		for i := range states {
			mean[i] += ph[i] * e * gain
			for j := range i + 1 {
				v := cov[i][j] - ph[i]*ph[j]*gain
				cov[i][j], cov[j][i] = v, v
			}
		}
	}
	m.m, m.p, m.l = mean, cov, l
}

// advance moves a state by dt days, in which the curve grows by dg.
func advance(m *vector, p *matrix, dt, dg, level, sw float64) {
	fa, fd := math.Exp(-dt/lastingDays), math.Exp(-dt/wanderDays)
	m[atGrown] += dg * m[atDeviation]
	m[atLasting] *= fa
	m[atDeviation] *= fd
	for j := range states {
		p[atGrown][j] += dg * p[atDeviation][j]
		p[atLasting][j] *= fa
		p[atDeviation][j] *= fd
	}
	for i := range states {
		p[i][atGrown] += dg * p[i][atDeviation]
		p[i][atLasting] *= fa
		p[i][atDeviation] *= fd
	}
	p[atLasting][atLasting] += level * level * lasting * lasting * (1 - fa*fa)
	p[atDeviation][atDeviation] += sw * sw * (1 - fd*fd)
	p[atGrown][atGrown] += level * level * drift * drift * dt
}

// bound takes into account that a share lies between leastShare and mostShare: mean
// and variance become those of the normal distribution cut there, and what goes with
// the share moves with it.
func (m *member) bound() {
	m.free = m.known()
	for i := atShares; i < states; i++ {
		v := m.p[i][i]
		if !(v > 1e-12) {
			continue
		}
		sd := math.Sqrt(v)
		a, b := (leastShare-m.m[i])/sd, (mostShare-m.m[i])/sd
		in := normal(b) - normal(a)
		if in > 0.999 {
			continue
		}
		in = math.Max(in, 1e-6)
		da, db := density(a), density(b)
		mean := m.m[i] + sd*(da-db)/in
		cut := v * (1 + (a*da-b*db)/in - (da-db)*(da-db)/(in*in))
		mean, cut = math.Min(mostShare, math.Max(leastShare, mean)), math.Min(v, math.Max(cut, v/1e4))
		var k vector
		for j := range states {
			k[j] = m.p[j][i] / v
		}
		step := mean - m.m[i]
		for j := range states {
			m.m[j] += k[j] * step
			for l := range states {
				m.p[j][l] += k[j] * k[l] * (cut - v)
			}
		}
		m.l += math.Log(in)
	}
}

func density(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

func normal(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// trend is the row that makes 1/U of the trend at t, ahead days after the last point,
// from the state, and the variance that the time ahead adds: drift, and the wander of
// the rate, an Ornstein-Uhlenbeck process that starts from its deviation of now.
func (m *member) trend(t, ahead float64) (h vector, added float64) {
	g := m.basis(t)
	h = vector{atStart: 1, atRate: g, atGrown: 1}
	if ahead <= 0 {
		return h, 0
	}
	slope := (g - m.basis(t-ahead)) / ahead
	f := math.Exp(-ahead / wanderDays)
	h[atDeviation] = slope * wanderDays * (1 - f)
	sw := m.wander * math.Abs(m.prior.Rate.Mean) * slope * wanderDays
	d := drift * m.prior.Start.Mean
	return h, d*d*ahead + sw*sw*(2*ahead/wanderDays-3+4*f-f*f)
}

func (m *member) apply(h vector) (mean, variance float64) {
	for i := range atShares { // no row has a share in it
		mean += h[i] * m.m[i]
		for j := range atShares {
			variance += h[i] * h[j] * m.p[i][j]
		}
	}
	return mean, math.Max(variance, 0)
}

// A posterior is what a cycle has taught: laws at several shapes, weighted by
// how well they explain it.
type posterior struct {
	members [members]member
	white   float64 // noise of an hourly value, as a share of clean 1/U
	last    float64 // day of the last point
	points  int
	prior   Prior
}

// members is how many laws at how many shapes are tried.
const members = 25

// grid holds them: the shape in days, per day, or as an exponent; how far the rate of
// scale strays from its mean in the cycle, as a share of it, to come back within some
// wanderDays; and how probable the member is before a body has shown its own. Linear
// growth is the usual, an induction the exception. The shapes are laid so that
// neighbours differ by what a cycle can tell. Figures of ours.
var grid = [members]struct {
	kind                  Kind
	shape, wander, weight float64
}{
	{Linear, 0, 0.05, 0.18}, {Linear, 0, 0.2, 0.12}, {Linear, 0, 0.4, 0.1}, {Linear, 0, 0.7, 0.05}, {Linear, 1, 0.1, 0.02},
	{InverseSquare, 0.1, 0.08, 0.01}, {InverseSquare, 0.25, 0.08, 0.01}, {InverseSquare, 0.5, 0.08, 0.01}, {InverseSquare, 1, 0.08, 0.01}, {InverseSquare, 2.5, 0.08, 0.01},
	{Power, 0.35, 0.08, 0.025}, {Power, 0.45, 0.08, 0.025}, {Power, 0.55, 0.08, 0.025}, {Power, 0.65, 0.08, 0.025}, {Power, 0.75, 0.08, 0.025}, {Power, 0.85, 0.08, 0.02},
	{Asymptotic, 4, 0.08, 0.02}, {Asymptotic, 5.7, 0.08, 0.02}, {Asymptotic, 8, 0.08, 0.02}, {Asymptotic, 11, 0.08, 0.02}, {Asymptotic, 16, 0.08, 0.02},
	{Asymptotic, 22, 0.08, 0.02}, {Asymptotic, 32, 0.08, 0.02}, {Asymptotic, 45, 0.08, 0.02}, {Asymptotic, 64, 0.08, 0.02},
}

// hopeless is by how much less probable a member may be before it is left alone.
const hopeless = 14

// learn works out the posterior of a cycle.
func learn(obs []observation, pr Prior) *posterior {
	ps := points(obs)
	post := &posterior{points: len(ps), prior: pr, white: pr.White}
	if len(ps) > 0 {
		post.last = ps[len(ps)-1].t
	}
	for i := range post.members {
		m := newMember(grid[i].kind, grid[i].shape, grid[i].wander)
		m.prior = pr.Members[i]
		m.g = make([]float64, len(ps))
		for j, p := range ps {
			m.g[j] = m.mean(p)
		}
		m.w = math.Log(math.Max(pr.Weight[i], 1e-6))
		post.members[i] = m
	}
	best := math.Inf(-1)
	if len(ps) >= 6 {
		at := 0
		for i := range post.members {
			m := &post.members[i]
			m.run(ps, &pr, post.white)
			if m.l+m.w > best {
				best, at = m.l+m.w, i
			}
		}
		post.white = fitWhite(ps, &pr, post.members[at])
	}
	top := math.Inf(-1)
	for i := range post.members {
		m := &post.members[i]
		// What explained the cycle worst by e^-hopeless keeps its first estimate.
		if m.l+m.w > best-hopeless {
			m.run(ps, &pr, post.white)
		} else {
			m.w -= hopeless
		}
		m.bound()
		m.g = nil
		top = math.Max(top, m.l+m.w)
	}
	var sum float64
	for i := range post.members {
		m := &post.members[i]
		m.w = math.Exp(m.l + m.w - top)
		sum += m.w
	}
	for i := range post.members {
		post.members[i].w /= sum
	}
	return post
}

// fitWhite finds the most probable white noise under one member: likelihood times a
// log-normal prior about that of the body, by a search in steps from there.
func fitWhite(ps []point, pr *Prior, m member) float64 {
	score := func(white float64) float64 {
		m.run(ps, pr, white)
		z := math.Log(white/pr.White) / pr.WhiteSpread
		return m.l - z*z/2
	}
	white, best := pr.White, score(pr.White)
	for _, step := range []float64{1.8, 1.8, 1.3} {
		for _, f := range []float64{step, 1 / step} {
			if s := score(white * f); s > best+1e-6 {
				white, best = white*f, s
				break
			}
		}
	}
	return white
}

// reference is the row that makes 1/U of the clean body from a member's state, the
// constant beside it and the variance. What the site recorded stands by itself; the
// usual state after a cleaning is what the earlier cycles say, moved by this one as
// far as they leave it open.
func (p *posterior) reference(m *member) (onStart, constant, variance float64) {
	if c := p.prior.Clean; c.Mean > 0 {
		return 0, c.Mean, c.Of * c.Of
	}
	s := m.prior.Start
	next2 := s.next2()
	if !(next2 > 0) {
		return 0, s.Mean, 0
	}
	on := s.Of * s.Of / next2
	return on, (1 - on) * s.Mean, on * s.Between * s.Between
}

// cdf is the probability that the trend has met the limit, a ratio to clean U, by day t.
func (p *posterior) cdf(t, limit float64) float64 {
	var c float64
	for i := range p.members {
		m := &p.members[i]
		if m.w < 1e-5 {
			continue
		}
		h, added := m.trend(t, t-p.last)
		on, constant, v := p.reference(m)
		h[atStart] -= on / limit
		mean, variance := m.apply(h)
		c += m.w * normal((mean-constant/limit)/math.Sqrt(variance+added+v/(limit*limit)+1e-30))
	}
	return c
}

// crossings are the days by which the limit is met with the probabilities qs, which rise;
// fewer than these if the others lie beyond horizon.
func (p *posterior) crossings(limit, horizon float64, qs ...float64) (days []float64) {
	// The probability rises with time but for the narrowing by a falling trend;
	// walk in quarter days, then halve.
	lo, at := p.last, p.cdf(p.last, limit)
	for t := lo; len(days) < len(qs) && t <= horizon; t += math.Max(0.25, 0.02*(t-p.last)) {
		if t > lo {
			at = p.cdf(t, limit)
		}
		for len(days) < len(qs) && at >= qs[len(days)] {
			days = append(days, p.between(lo, t, limit, qs[len(days)]))
		}
		lo = t
	}
	return days
}

// between is the day from lo to hi by which the limit is met with probability q, to a second.
func (p *posterior) between(lo, hi, limit, q float64) float64 {
	for hi-lo > 1.0/86400 {
		if mid := (lo + hi) / 2; p.cdf(mid, limit) >= q {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

// mixture is mean and standard deviation over all members.
func (p *posterior) mixture(of func(m *member) (mean, variance float64)) (mean, sd float64) {
	var second float64
	for i := range p.members {
		a, v := of(&p.members[i])
		mean += p.members[i].w * a
		second += p.members[i].w * (v + a*a)
	}
	return mean, math.Sqrt(math.Max(0, second-mean*mean))
}

// trend is 1/U of the trend on day t.
func (p *posterior) trend(t float64) (mean, sd float64) {
	return p.mixture(func(m *member) (float64, float64) {
		h, added := m.trend(t, t-p.last)
		a, v := m.apply(h)
		return a, v + added
	})
}

// clean is 1/U of the clean body.
func (p *posterior) clean() (mean, sd float64) {
	return p.mixture(func(m *member) (float64, float64) {
		on, constant, v := p.reference(m)
		a, va := m.apply(vector{atStart: on})
		return a + constant, va + v
	})
}

// ratio is U on day t over clean U; restored is that of U at the cleaning.
func (p *posterior) ratio(t float64) (mean, sd float64) {
	return p.over(func(m *member) (vector, float64) { return m.trend(t, t-p.last) })
}

func (p *posterior) restored() (mean, sd float64) {
	return p.over(func(*member) (vector, float64) { return vector{atStart: 1}, 0 })
}

// over is clean 1/U over the 1/U that a row makes, with what both have in common.
func (p *posterior) over(row func(*member) (vector, float64)) (mean, sd float64) {
	return p.mixture(func(m *member) (float64, float64) {
		h, added := row(m)
		y, _ := m.apply(h)
		on, constant, v := p.reference(m)
		c, _ := m.apply(vector{atStart: on})
		r := (c + constant) / y
		var d vector
		for i := range states {
			d[i] = -r * h[i]
		}
		d[atStart] += on
		_, va := m.apply(d)
		return r, (va + v + r*r*added) / (y * y)
	})
}

// rate is the mean rate over rateDays, start 1/U after cleaning.
func (p *posterior) rate() (mean, sd float64) {
	return p.mixture(func(m *member) (float64, float64) { return m.m[atRate], m.p[atRate][atRate] })
}

func (p *posterior) start() (mean, sd float64) {
	return p.mixture(func(m *member) (float64, float64) { return m.m[atStart], m.p[atStart][atStart] })
}

// kind is the law of the most weight.
func (p *posterior) kind() Kind {
	var w [kinds]float64
	best := Linear
	for i := range p.members {
		w[p.members[i].kind] += p.members[i].w
	}
	for k := range w {
		if w[k] > w[best] {
			best = Kind(k)
		}
	}
	return best
}
