package fouling

import "math"

// A pooled figure is what several cycles say of one thing.
type pooled struct {
	Mean float64
	// Of is the sigma of the mean, Between that from one cycle to the next.
	Of, Between float64
}

// next2 is the variance of the next cycle's figure.
func (p pooled) next2() float64 { return p.Of*p.Of + p.Between*p.Between }

// memberPrior is what the cycles say of a body's start and rate, if its scale grows by
// the law of one member.
type memberPrior struct {
	Start pooled // 1/U after a cleaning, m2 K/kW
	Rate  pooled // mean over rateDays, m2 K/kW per day
}

// rateDays is the time over which a rate is a mean, so that laws can be compared.
const rateDays = 10.0

// Prior is what is known of a body before its cycle began.
type Prior struct {
	Members     [members]memberPrior
	Weight      [members]float64 // probability of each law at each shape; sums to 1
	White       float64          // noise of an hourly value, as a share of clean 1/U
	WhiteSpread float64          // logarithm of the factor by which it may differ
	Shares      knowledge
	// Clean is 1/U of the clean body where the site gives it; Mean is 0 otherwise.
	Clean  pooled
	Cycles int // it was learned from
}

// level is about 1/U of the clean body.
func (p *Prior) level() float64 { return p.Members[0].Start.Mean }

// RecordSigma is the relative sigma of a clean U from the site's record: what the
// instruments leave of U. A figure of ours.
const RecordSigma = 0.02

// Figures of ours. The first full cycles outweigh them.
const (
	typicalRate, typicalRateSigma = 0.015, 0.025 // of clean 1/U a day
	firstSigma                    = 0.15         // of 1/U of the first values
	startCV, rateCV               = 0.013, 0.15  // from cycle to cycle, before the body has shown its own
	imaginary                     = 4.0          // cycles that spread like that stand beside the real ones
	lawStays                      = 0.9          // probability that the next cycle grows by the law of the last
	seasonCycles                  = 10.0         // what is so old counts half
)

// typicalPrior is the prior of a body of which only about the first 1/U is known.
func typicalPrior(level, sigma float64) Prior {
	p := Prior{White: typicalWhite, WhiteSpread: whiteSpread, Shares: defaultShares()}
	for i := range p.Members {
		p.Weight[i] = grid[i].weight
		p.Members[i] = memberPrior{Start: pooled{level, sigma * level, startCV * level},
			Rate: pooled{typicalRate * level, typicalRateSigma * level, rateCV * typicalRate * level}}
	}
	return p
}

// pool is the mean of the figures of cycles, oldest first, each with its sigma. A
// figure far from the others counts less. Between is the usual spread, which counts
// as imaginary cycles.
func pool(v, sigma []float64, usual float64) pooled {
	p := pooled{Mean: median(v), Between: usual}
	for range 4 {
		var sw, sv, spread float64
		for i := range v {
			s2 := p.Between*p.Between + sigma[i]*sigma[i]
			w := math.Exp2(-float64(len(v)-1-i)/seasonCycles) / s2
			if z := math.Abs(v[i]-p.Mean) / math.Sqrt(s2); z > 2 {
				w *= 2 / z
			}
			sw += w
			sv += w * v[i]
		}
		p.Mean, p.Of = sv/sw, 1/math.Sqrt(sw)
		for i := range v {
			d := v[i] - p.Mean
			spread += math.Max(0, d*d-sigma[i]*sigma[i])
		}
		p.Between = math.Sqrt((imaginary*usual*usual + spread) / (imaginary + float64(len(v)-1)))
	}
	return p
}

// Prior is what the settings and the earlier cycles of the body say.
func (t *Tracker) Prior() Prior {
	var p Prior
	site := 0.0
	if u := t.s.Settings.CleanU; u > 0 {
		site = 1 / u
	}
	switch first := t.firstLevel(); {
	case t.s.Known && site > 0:
		p = typicalPrior(site, 0.08)
	default: // met in mid-cycle, clean U says little of where it began
		p = typicalPrior(first, firstSigma)
	}
	if site > 0 {
		p.Clean = pooled{Mean: site, Of: RecordSigma * site}
	}
	if t.s.Shares.Cov[0][0] > 0 {
		p.Shares = t.s.Shares
	}
	n := len(t.s.Cycles)
	p.Cycles = n
	if n == 0 {
		return p
	}
	v, sd := make([]float64, n), make([]float64, n)
	for i := range p.Members {
		for k := range t.s.Cycles {
			v[k], sd[k] = t.s.Cycles[k].Members[i].Start, t.s.Cycles[k].Members[i].StartSigma
		}
		p.Members[i].Start = pool(v, sd, startCV*median(v))
		for k := range t.s.Cycles {
			v[k], sd[k] = t.s.Cycles[k].Members[i].Rate, t.s.Cycles[k].Members[i].RateSigma
		}
		if r := pool(v, sd, rateCV*math.Abs(median(v))); r.Mean > 0 {
			p.Members[i].Rate = r
		}
	}
	var sum float64
	for i := range p.Weight {
		p.Weight[i] = lawStays*t.s.Law[i] + (1-lawStays)*grid[i].weight
		sum += p.Weight[i]
	}
	for i := range p.Weight {
		p.Weight[i] /= sum
	}
	// The geometric mean, with the typical as one cycle's worth.
	l := math.Log(p.White)
	for _, c := range t.s.Cycles {
		l += math.Log(c.White)
	}
	p.White = math.Exp(l / float64(n+1))
	p.WhiteSpread = math.Max(0.3, whiteSpread/math.Sqrt(float64(n+1)))
	return p
}

// firstLevel is about 1/U of the first day of the running cycle.
func (t *Tracker) firstLevel() float64 {
	var first []float64
	for _, v := range t.s.Values {
		if len(first) >= 8 && v.At.Sub(t.s.Values[0].At).Hours() > 24 {
			break
		}
		first = append(first, 1/v.U)
	}
	return median(first)
}
