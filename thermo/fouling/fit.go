package fouling

import (
	"errors"
	"math"
	"slices"
)

// Observation is one value of normalised U inside a cycle.
//
// The laws do not know what Day counts. Where the load varies or there are stops, scale
// follows the juice better than the calendar: give thousands of tonnes of juice, or of
// water evaporated, since the cleaning, and read every 'day' of the [Fit] and its [Model]
// as that. (The [Tracker] counts days.) Source: throughput in place of time, common
// practice.
type Observation struct {
	Day   float64 `json:"d"`           // since cleaning
	U     float64 `json:"u"`           // kW/(m2 K)
	Sigma float64 `json:"s,omitempty"` // of U; 0 is not known

	z [shares]float64 // step from the reference condition, for the tracker
}

// Fit is a law fitted to the observations of one cycle.
type Fit struct {
	Model Model
	// RateSigma is the standard error of Coefficient as a fraction of it, with the
	// autocorrelation of the residuals allowed for.
	CoefficientSigmaPct float64
	// ScatterPct is the robust scatter of the residuals, % of 1/U.
	ScatterPct float64
	// Autocorrelation of neighbouring residuals, 0 to 0.98.
	Autocorrelation float64
	// Effective is how many independent observations the cycle is worth.
	Effective float64
	// AICc is Akaike's criterion corrected for few observations, counted in
	// effective observations; smaller is better, only differences mean anything.
	AICc float64
	// Parameters counts those fitted, without the scatter.
	Parameters int
}

// ErrTooFew says that a cycle has too few observations for a fit.
var ErrTooFew = errors.New("too few observations for a fit")

const (
	huber   = 1.345 // 95 % efficiency on normal errors; Huber 1964
	mad     = 1.4826
	fitBins = 120
)

// point is an observation as 1/U.
type point struct {
	t, y, w float64 // w: relative weight, about 1
	n       float64 // values it stands for
	z       [shares]float64
}

// usualSigma of an hourly value that comes without one, as a share of it.
const usualSigma = 0.02

// points turns observations into 1/U, sorted, weighted by their sigma, merged
// into at most most bins of at least least days. Values that are not numbers are
// dropped.
func points(obs []Observation, most int, least float64) []point {
	ps := make([]point, 0, len(obs))
	var rel []float64
	for _, o := range obs {
		if !(o.U >= lowU && o.U <= highU) || !(o.Day >= 0 && o.Day < 1e5) {
			continue
		}
		p := point{t: o.Day, y: 1 / o.U, w: usualSigma, n: 1, z: o.z}
		if o.Sigma > 0 && o.Sigma < o.U {
			p.w = o.Sigma / o.U
		}
		rel = append(rel, p.w)
		ps = append(ps, p)
	}
	slices.SortStableFunc(ps, func(a, b point) int {
		switch {
		case a.t < b.t:
			return -1
		case a.t > b.t:
			return 1
		}
		return 0
	})
	typical := median(rel)
	for i := range ps {
		r := ps[i].w / typical
		ps[i].w = 1 / math.Min(16, math.Max(0.25, r*r))
	}
	if len(ps) == 0 {
		return ps
	}
	// Bins of equal time; a bin's value is its median, so that a spike inside
	// does no harm.
	width := max((ps[len(ps)-1].t-ps[0].t)/float64(most), least)
	if len(ps) <= most && least == 0 {
		return ps
	}
	if !(width > 0) {
		return ps[:1]
	}
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

// theilSen returns the line through the median of all slopes. Source: P. K. Sen,
// J. Am. Stat. Assoc. 63 (1968) 1379.
// Of many points every n-th serves: it is only a start.
func theilSen(x, y []float64) (start, slope float64) {
	step := 1 + len(x)/40
	slopes := make([]float64, 0, 40*39/2)
	for i := 0; i < len(x); i += step {
		for j := i + step; j < len(x); j += step {
			if d := x[j] - x[i]; math.Abs(d) > 1e-12 {
				slopes = append(slopes, (y[j]-y[i])/d)
			}
		}
	}
	slope = median(slopes)
	rest := make([]float64, 0, 40)
	for i := 0; i < len(x); i += step {
		rest = append(rest, y[i]-slope*x[i])
	}
	return median(rest), slope
}

// line is a robust weighted straight line y = a + b x: Theil-Sen to start,
// then least squares with Huber's weights until they stand.
func line(x, y []float64, ps []point) (a, b, loss, scale float64) {
	a, b = theilSen(x, y)
	res := make([]float64, len(x))
	for range 25 {
		for i := range x {
			res[i] = math.Abs(y[i] - a - b*x[i])
		}
		scale = mad * median(res)
		floor := 1e-12 * math.Abs(y[0])
		if scale < floor {
			scale = floor
		}
		var sw, sx, sy, sxx, sxy float64
		for i := range x {
			w := ps[i].w
			if r := res[i] * math.Sqrt(ps[i].w) / scale; r > huber {
				w *= huber / r
			}
			sw += w
			sx += w * x[i]
			sy += w * y[i]
			sxx += w * x[i] * x[i]
			sxy += w * x[i] * y[i]
		}
		den := sw*sxx - sx*sx
		if !(den > 1e-14*sw*sxx) {
			break
		}
		nb := (sw*sxy - sx*sy) / den
		na := (sy - nb*sx) / sw
		done := math.Abs(nb-b) <= 1e-8*math.Abs(b) && math.Abs(na-a) <= 1e-10*math.Abs(a)
		a, b = na, nb
		if done {
			break
		}
	}
	return a, b, robustLoss(x, y, ps, a, b, scale), scale
}

// robustLoss is twice Huber's loss in the squared unit of y.
func robustLoss(x, y []float64, ps []point, a, b, scale float64) float64 {
	var s float64
	for i := range x {
		r := math.Abs(y[i]-a-b*x[i]) * math.Sqrt(ps[i].w)
		if k := huber * scale; scale > 0 && r > k {
			s += k * (2*r - k)
		} else {
			s += r * r
		}
	}
	return s
}

// shapes is the range over which the shape of a law is sought.
func shapes(k Kind, span float64) (lo, hi float64) {
	switch k {
	case Logarithmic:
		return 0.1 / span, 100 / span
	case Power:
		return 0.2, 0.98
	case Asymptotic:
		return 0.1 * span, 10 * span
	}
	return 0, 0
}

// FitKind fits one law to the observations of a cycle: for each trial of the
// shape the law is a straight line in its own growth curve, found robustly
// (Theil-Sen, then Huber's weights); the shape is the one of the smallest loss
// (variable projection, so the result is the nonlinear least-squares fit).
//
// At least 4 observations over at least 0.05 days, otherwise [ErrTooFew].
func FitKind(obs []Observation, k Kind) (Fit, error) {
	if int(k) >= kinds {
		return Fit{}, errors.New("no such scale model")
	}
	return fitKind(points(obs, fitBins, 0), k)
}

func fitKind(ps []point, k Kind) (Fit, error) {
	if len(ps) < 4 || ps[len(ps)-1].t-ps[0].t < 0.05 {
		return Fit{}, ErrTooFew
	}
	n := len(ps)
	x, y := make([]float64, n), make([]float64, n)
	for i, p := range ps {
		y[i] = p.y
	}
	if k == InverseSquare {
		return fitInverseSquare(ps, x, y)
	}
	solve := func(s float64) (a, b, loss, scale float64) {
		for i, p := range ps {
			x[i] = growth(k, s, p.t)
		}
		return line(x, y, ps)
	}
	span := ps[n-1].t
	lo, hi := shapes(k, span)
	shape, params := 0.0, 2
	if k != Linear {
		params = 3
		shape = minimise(lo, hi, func(s float64) float64 { _, _, l, _ := solve(s); return l })
	}
	a, b, loss, scale := solve(shape)
	f := finish(ps, x, Model{k, a, b, shape}, loss, scale, params)
	if k == Linear && n >= 8 {
		// An induction time, if the data ask for it.
		s := minimise(span*0.01, span*0.6, func(s float64) float64 { _, _, l, _ := solve(s); return l })
		a, b, loss, scale := solve(s)
		if g := finish(ps, x, Model{k, a, b, s}, loss, scale, 3); g.AICc < f.AICc-4 {
			f = g
		}
	}
	return f, nil
}

func fitInverseSquare(ps []point, x, y []float64) (Fit, error) {
	// z = 1/U^2 is a straight line; its error is 2 y times that of y.
	z := make([]float64, len(y))
	wp := slices.Clone(ps)
	my := median(y)
	for i := range y {
		x[i] = ps[i].t
		z[i] = y[i] * y[i]
		r := my / y[i]
		wp[i].w *= r * r
	}
	b, a, _, _ := line(x, z, wp)
	if !(b > 0) {
		return Fit{}, ErrTooFew
	}
	m := Model{Kind: InverseSquare, Start: math.Sqrt(b), Coefficient: a}
	res := make([]float64, len(y))
	for i, p := range ps {
		x[i] = m.Start + m.Resistance(p.t)
		res[i] = math.Abs(y[i] - x[i])
	}
	scale := mad * median(res)
	return finish(ps, x, m, robustLoss(x, y, ps, 0, 1, scale), scale, 2), nil
}

// minimise finds the s between lo and hi > 0 of the smallest f: a scan on a
// logarithmic grid, then golden sections.
func minimise(lo, hi float64, f func(float64) float64) float64 {
	const steps = 12
	l, h := math.Log(lo), math.Log(hi)
	best, at := math.Inf(1), l
	for i := 0; i <= steps; i++ {
		u := l + (h-l)*float64(i)/steps
		if v := f(math.Exp(u)); v < best {
			best, at = v, u
		}
	}
	d := (h - l) / steps
	a, b := math.Max(l, at-d), math.Min(h, at+d)
	const g = 0.6180339887498949
	c, e := b-g*(b-a), a+g*(b-a)
	fc, fe := f(math.Exp(c)), f(math.Exp(e))
	for range 28 {
		if fc < fe {
			b, e, fe = e, c, fc
			c = b - g*(b-a)
			fc = f(math.Exp(c))
		} else {
			a, c, fc = c, e, fe
			e = a + g*(b-a)
			fe = f(math.Exp(e))
		}
	}
	return math.Exp((a + b) / 2)
}

func finish(ps []point, x []float64, m Model, loss, scale float64, params int) Fit {
	n := float64(len(ps))
	f := Fit{Model: m, Parameters: params}
	my := m.Start
	var num, den, mx, sxx float64
	prev := 0.0
	for i, p := range ps {
		r := p.y - m.Start - m.Resistance(p.t)
		if k := 3 * scale; scale > 0 {
			r = math.Max(-k, math.Min(k, r))
		}
		den += r * r
		if i > 0 {
			num += r * prev
		}
		prev = r
		mx += x[i] / n
	}
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
	}
	if den > 0 {
		f.Autocorrelation = math.Min(0.98, math.Max(0, num/den))
	}
	f.Effective = math.Max(math.Min(n, 3), n*(1-f.Autocorrelation)/(1+f.Autocorrelation))
	// The floor keeps a perfect fit finite.
	mean := math.Max(loss/n, 1e-20*my*my)
	k := float64(params + 1)
	f.AICc = f.Effective*math.Log(mean) + 2*k
	if d := f.Effective - k - 1; d > 0.5 {
		f.AICc += 2 * k * (k + 1) / d
	} else {
		f.AICc += 4 * k * (k + 1)
	}
	if my > 0 {
		f.ScatterPct = 100 * scale / my
	}
	if m.Coefficient != 0 && sxx > 0 {
		se := math.Sqrt(mean/sxx) * math.Sqrt(n/f.Effective)
		if m.Kind == InverseSquare { // x is the fitted value: b = 1
			f.CoefficientSigmaPct = 100 * se
		} else {
			f.CoefficientSigmaPct = 100 * se / math.Abs(m.Coefficient)
		}
	}
	return f
}

// Evidence that a law must show, as a difference of AICc, to displace the
// linear law, and less than which it falls back. Above 10 the worse model has
// essentially no support, below 4 it has some: K. P. Burnham, D. R. Anderson,
// Sociol. Methods Res. 33 (2004) 261, from memory.
const (
	LeaveLinear  = 10.0
	ReturnLinear = 4.0
)

// Choose fits every law and chooses one. Linear stands unless another is better
// by [LeaveLinear]; once another was chosen (before), it stays until its lead
// over linear is under [ReturnLinear] or a third is better by LeaveLinear. The
// fits come back in the order of [Kinds]; a law that could not be fitted is
// left out.
func Choose(obs []Observation, before Kind) (chosen Fit, all []Fit, err error) {
	ps := points(obs, fitBins, 0)
	var linear, best, old *Fit
	for _, k := range Kinds() {
		f, err := fitKind(ps, k)
		if err != nil {
			if k == Linear {
				return Fit{}, nil, err
			}
			continue
		}
		if k != Linear && f.Model.Coefficient <= 0 {
			continue // a curve that falls back is no law of growth
		}
		all = append(all, f)
	}
	for i := range all {
		f := &all[i]
		if f.Model.Kind == Linear {
			linear = f
		}
		if f.Model.Kind == before {
			old = f
		}
		if best == nil || f.AICc < best.AICc {
			best = f
		}
	}
	switch {
	case old != nil && old != linear && old.AICc < linear.AICc-ReturnLinear && best.AICc > old.AICc-LeaveLinear:
		return *old, all, nil
	case best.AICc < linear.AICc-LeaveLinear:
		return *best, all, nil
	}
	return *linear, all, nil
}
