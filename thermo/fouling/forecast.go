package fouling

import (
	"math"
)

// Noise describes how U scatters about its trend, in fractions of 1/U.
type Noise struct {
	White float64 `json:"white"` // of one hourly value
	// Auto is the part that lasts: sigma of a first-order autoregression whose
	// memory is AutoDays.
	Auto     float64 `json:"auto"`
	AutoDays float64 `json:"auto_days"`
	// Drift is the wandering of instruments and juice, per square root of a day.
	Drift float64 `json:"drift"`
}

// TypicalNoise is what to expect before a body has shown its own: 1.5 % white,
// 1.2 % lasting 8 h, and 0.7 % in a week of drift. Defaults of ours.
func TypicalNoise() Noise {
	return Noise{White: 0.015, Auto: 0.012, AutoDays: 1.0 / 3, Drift: 0.007 / math.Sqrt(7)}
}

// Prior is what is known of a body before its cycle began.
type Prior struct {
	Start      float64 `json:"start"` // 1/U after cleaning, m2 K/kW
	StartSigma float64 `json:"start_sigma"`
	Rate       float64 `json:"rate"` // mean over RateDays, m2 K/kW per day
	RateSigma  float64 `json:"rate_sigma"`
	RateDays   float64 `json:"rate_days"`
	Noise      Noise   `json:"noise"`
	// Weight of each law, in the order of Kinds; sums to 1.
	Weight [kinds]float64 `json:"weight"`
	Cycles int            `json:"cycles"` // it was learned from
	// Share of the formula for clean bodies that U follows: heating, Brix (see
	// Shape). With both sigmas 0 nothing is learned of it.
	Share      [2]float64 `json:"share"`
	ShareSigma [2]float64 `json:"share_sigma"`

	shape    [kinds][shapesTried]float64 // weight of each shape; all 0: the usual
	shareCov [shares][shares]float64     // of the last cycle; 0: from the sigmas
}

// TypicalPrior is the prior of a body of which only the clean U is known, or
// nothing (0): scale costs 1.5 % of clean U a day, give or take 2.5.
// Defaults of ours; the first full cycle outweighs them.
func TypicalPrior(cleanU float64) Prior {
	p := Prior{RateDays: 10, Noise: TypicalNoise(), Weight: [kinds]float64{0.8, 0.05, 0.05, 0.05, 0.05}}
	p.Share, p.ShareSigma = DefaultShares()
	if cleanU > 0 {
		p.Start, p.StartSigma = 1/cleanU, 0.08/cleanU
		p.Rate, p.RateSigma = 0.015/cleanU, 0.025/cleanU
	}
	return p
}

// member is one law at one shape with its linear parameters: 1/U after cleaning,
// the mean rate over the prior's RateDays, and the shares of Shape. Beside them it carries
// the lasting noise and the drift, so that the uncertainty of the parameters is
// that of correlated readings. A Kalman filter over the cycle gives the exact
// posterior: the parameters do not move, the noise does.
type member struct {
	kind  Kind
	shape float64
	scale float64 // of the growth curve, so that the coefficient is a mean rate

	m    [states]float64         // start, rate, lasting, drift, shares
	p    [states][states]float64 // covariance
	l    float64                 // log evidence
	free knowledge               // the shares before bound
	g    []float64               // the growth curve at the points
	w    float64                 // weight
}

const states = 4 + shares

func newMember(k Kind, shape float64, pr Prior) member {
	m := member{kind: k, shape: shape}
	g := m.curve(pr.RateDays)
	m.scale = 1
	if g > 0 {
		m.scale = pr.RateDays / g
	}
	return m
}

// curve is the growth curve; an inverse-square law with the shape c = a/b grows
// as sqrt(1 + c t) - 1.
func (m *member) curve(t float64) float64 {
	if m.kind == InverseSquare {
		return math.Sqrt(1+m.shape*math.Max(0, t)) - 1
	}
	return growth(m.kind, m.shape, t)
}

func (m *member) basis(t float64) float64 { return m.curve(t) * m.scale }

// of works out the growth curve at the points, once for many runs.
func (m *member) of(ps []point) {
	m.g = make([]float64, len(ps))
	for i, p := range ps {
		m.g[i] = m.basis(p.t)
	}
}

// run filters the points that of was called with; noise is in the unit of y.
func (m *member) run(ps []point, pr Prior, n Noise) {
	mean := [states]float64{pr.Start, pr.Rate, 0, 0, pr.Share[0], pr.Share[1]}
	var cov [states][states]float64
	cov[0][0] = pr.StartSigma * pr.StartSigma
	cov[1][1] = pr.RateSigma * pr.RateSigma
	cov[2][2] = n.Auto * n.Auto
	for i := range shares {
		cov[4+i][4+i] = pr.ShareSigma[i] * pr.ShareSigma[i]
	}
	if pr.shareCov[0][0] > 0 {
		for i := range shares {
			copy(cov[4+i][4:], pr.shareCov[i][:])
		}
	}
	var l float64
	last := 0.0
	for k := range ps {
		p := &ps[k]
		dt := p.t - last
		last = p.t
		f := math.Exp(-dt / n.AutoDays)
		mean[2] *= f
		for i := range states {
			cov[i][2] *= f
			cov[2][i] *= f
		}
		cov[2][2] += n.Auto * n.Auto * (1 - f*f)
		cov[3][3] += n.Drift * n.Drift * dt
		h := [states]float64{1, m.g[k], 1, 1, -pr.Start * p.z[0], -pr.Start * p.z[1]}
		var ph [states]float64
		s0, e := 0.0, p.y
		for i := range states {
			v := 0.0
			for j := range states {
				v += cov[i][j] * h[j]
			}
			ph[i] = v
			s0 += h[i] * v
			e -= h[i] * mean[i]
		}
		r := n.White * n.White / (p.w * p.n)
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

// bound takes into account that a share lies between leastShare and mostShare: mean
// and variance become those of the normal distribution cut there, and what goes with
// the share moves with it.
func (m *member) bound() {
	m.free = m.known()
	for i := 4; i < states; i++ {
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
		var k [states]float64
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

// at returns mean and variance of 1/U at t in the reference condition, ahead days
// after the last point.
// With lasting, the lasting noise counts as well as trend and drift.
func (m *member) at(t, ahead float64, n Noise, lasting bool) (mean, variance float64) {
	g := m.basis(t)
	f := 0.0
	if lasting {
		f = math.Exp(-math.Max(0, ahead) / n.AutoDays)
	}
	h := [4]float64{1, g, f, 1}
	for i := range 4 {
		mean += h[i] * m.m[i]
		for j := range 4 {
			variance += h[i] * h[j] * m.p[i][j]
		}
	}
	variance += n.Drift * n.Drift * math.Max(0, ahead)
	if lasting {
		variance += n.Auto * n.Auto * (1 - f*f)
	}
	return mean, math.Max(variance, 0)
}

// A posterior is what a cycle has taught: laws at several shapes, weighted by
// how well they explain it.
type posterior struct {
	members []member
	noise   Noise // in the unit of y
	level   float64
	last    float64 // day of the last point
	n       int
	prior   Prior
}

// grid holds the shapes tried for each law, in days or per day.
var grid = [kinds][shapesTried]float64{
	Linear:        {0, 0.3, 0.8, 1.6},
	Logarithmic:   {0.05, 0.15, 0.5, 2},
	Power:         {0.4, 0.55, 0.7, 0.85},
	Asymptotic:    {4, 8, 16, 32},
	InverseSquare: {0.02, 0.06, 0.15, 0.4},
}

// A cycle is learned from at most mostPoints, each of leastBin days or more. Juice
// takes half an hour and more through a set, so that U answers to a pressure an hour
// late: hour by hour it would seem to fall as the heating gets hotter.
const mostPoints, leastBin = 160, 4.0 / 24

const shapesTried = 4

// usualShape is the weight of a shape within its law before a body has shown its own:
// induction is the exception.
func usualShape(k Kind, i int) float64 {
	switch {
	case k != Linear:
		return 1.0 / shapesTried
	case i == 0:
		return 0.7
	}
	return 0.1
}

// learn works out the posterior of a cycle.
func learn(obs []Observation, pr Prior) posterior {
	ps := points(obs, mostPoints, leastBin)
	if pr.Start == 0 {
		// Nothing known: the first values are the clean state, with a wide margin.
		var first []float64
		for _, p := range ps {
			if len(first) < 8 || p.t < ps[0].t+1 {
				first = append(first, p.y)
			}
		}
		if y := median(first); y > 0 {
			q := TypicalPrior(1 / y)
			pr.Start, pr.StartSigma = y, 0.15*y
			if pr.RateSigma == 0 {
				pr.Rate, pr.RateSigma = q.Rate, q.RateSigma
			}
		}
	}
	post := posterior{level: pr.Start, n: len(ps), prior: pr, noise: times(pr.Noise, pr.Start)}
	if len(ps) > 0 {
		post.last = ps[len(ps)-1].t
	}
	for k, ss := range grid {
		for i, s := range ss {
			m := newMember(Kind(k), s, pr)
			m.of(ps)
			w := pr.shape[k][i]
			if pr.Cycles == 0 {
				w = pr.Weight[k] * usualShape(Kind(k), i)
			}
			m.w = math.Log(math.Max(w, 1e-6))
			post.members = append(post.members, m)
		}
	}
	best := 0
	if len(ps) >= 6 {
		post.noise = fitNoise(ps, pr, post.members[0], post.noise)
		for i := range post.members {
			post.members[i].run(ps, pr, post.noise)
			if post.members[i].l+post.members[i].w > post.members[best].l+post.members[best].w {
				best = i
			}
		}
		if best != 0 { // the noise about the best law, not about a wrong line
			post.noise = fitNoise(ps, pr, post.members[best], post.noise)
		}
	}
	top := math.Inf(-1)
	for i := range post.members {
		m := &post.members[i]
		m.run(ps, pr, post.noise)
		m.bound()
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

func times(n Noise, y float64) Noise {
	n.White, n.Auto, n.Drift = n.White*y, n.Auto*y, n.Drift*y
	return n
}

// fitNoise finds the most probable noise under one member: likelihood times a
// log-normal prior about the prior's noise, by a coordinate search.
func fitNoise(ps []point, pr Prior, m member, from Noise) Noise {
	centre := times(pr.Noise, pr.Start)
	spread := [4]float64{math.Ln2, math.Ln2, math.Log(2), math.Log(1.6)}
	get := func(n *Noise) [4]*float64 { return [4]*float64{&n.White, &n.Auto, &n.AutoDays, &n.Drift} }
	score := func(n Noise) float64 {
		m.run(ps, pr, n)
		l := m.l
		a, c := get(&n), get(&centre)
		for i := range a {
			z := math.Log(*a[i] / *c[i]) / spread[i]
			l -= z * z / 2
		}
		return l
	}
	n, best := from, score(from)
	for _, step := range []float64{2, 1.4, 1.15} {
		for range 3 {
			moved := false
			for i := range 4 {
				for _, f := range []float64{step, 1 / step} {
					try := n
					*get(&try)[i] *= f
					if s := score(try); s > best+1e-6 {
						n, best, moved = try, s, true
						break
					}
				}
			}
			if !moved {
				break
			}
		}
	}
	return n
}

// cdf is the probability that trend and drift have reached 1/U = y by day t.
func (p *posterior) cdf(t, y float64) float64 {
	var c float64
	for i := range p.members {
		m := &p.members[i]
		mean, v := m.at(t, t-p.last, p.noise, false)
		c += m.w * normal((mean-y)/math.Sqrt(v+1e-30))
	}
	return c
}

// spread is mean and standard deviation over all members of 1/U, of one hourly
// value if hourly, of the trend if not.
func (p *posterior) spread(t float64, hourly bool) (mean, sd float64) {
	var second float64
	for i := range p.members {
		m := &p.members[i]
		a, v := m.at(t, t-p.last, p.noise, hourly)
		if hourly {
			v += p.noise.White * p.noise.White
		}
		mean += m.w * a
		second += m.w * (v + a*a)
	}
	return mean, math.Sqrt(math.Max(0, second-mean*mean))
}

func normal(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// quantileOfNormal is the z with normal(z) = p.
func quantileOfNormal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// crossing returns the day by which the limit is met with probability q, and
// false if that is beyond horizon.
func (p *posterior) crossing(y, q, horizon float64) (float64, bool) {
	// The probability rises with time but for the narrowing by a falling trend;
	// walk in quarter days, then halve.
	if p.cdf(p.last, y) >= q {
		return p.last, true
	}
	lo := p.last
	for t := lo + 0.25; t <= horizon; t += math.Max(0.25, 0.02*(t-p.last)) {
		if p.cdf(t, y) >= q {
			hi := t
			for range 30 {
				if mid := (lo + hi) / 2; p.cdf(mid, y) >= q {
					hi = mid
				} else {
					lo = mid
				}
			}
			return hi, true
		}
		lo = t
	}
	return horizon, false
}

// weights adds the members' weights by law.
func (p *posterior) weights() (w [kinds]float64) {
	for i := range p.members {
		w[p.members[i].kind] += p.members[i].w
	}
	return w
}

// shapes is the weight of every member.
func (p *posterior) shapes() (w [kinds][shapesTried]float64) {
	for i := range p.members {
		w[i/shapesTried][i%shapesTried] = p.members[i].w
	}
	return w
}

// rate is the mean rate over the prior's RateDays, and its sigma.
func (p *posterior) rate() (mean, sd float64) {
	var second float64
	for i := range p.members {
		m := &p.members[i]
		mean += m.w * m.m[1]
		second += m.w * (m.p[1][1] + m.m[1]*m.m[1])
	}
	return mean, math.Sqrt(math.Max(0, second-mean*mean))
}

// start is 1/U after cleaning, and its sigma.
func (p *posterior) start() (mean, sd float64) {
	var second float64
	for i := range p.members {
		m := &p.members[i]
		mean += m.w * m.m[0]
		second += m.w * (m.p[0][0] + m.m[0]*m.m[0])
	}
	return mean, math.Sqrt(math.Max(0, second-mean*mean))
}
