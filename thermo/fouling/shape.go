package fouling

import (
	"errors"
	"math"
)

// Shape tells in what condition a U was taken, as the natural logarithms of the
// factors by which a formula for clean bodies rates that condition: how hot the
// heating vapour was, how thin the juice, how good the level. Only differences
// mean anything. The zero value is "not known".
//
// The coefficient of a clean body goes with heating temperature and Brix, and in a
// set whose syrup Brix is held both move as scale grows: the steam pressure is
// raised, and U with it, which hides a part of the scale. How much is not the same
// in all plants: nothing where U was found constant, all of it by Dessin's formula.
// So the tracker learns the share of the formula that its body follows, from the
// body's own values, together with rate and clean U:
//
//	1/U = 1/U_clean (1 - s_h z_h - s_b z_b) + R(t)
//
// z the differences from the reference condition, s the shares. Steps of the
// pressure that scale has no part in (another body cleaned, a stop, pans that draw)
// tell the two apart; without any the shares remain as little known as they were,
// and the band of the forecast is the wider for it. Level is taken whole.
type Shape struct {
	Heating float64 `json:"heating"` // 0: not known
	Brix    float64 `json:"brix"`
	Level   float64 `json:"level"`
}

func (s Shape) known() bool { return s.Heating != 0 && s.sound() }

func (s Shape) sound() bool {
	return math.Abs(s.Heating) < 50 && math.Abs(s.Brix) < 50 && math.Abs(s.Level) < 5
}

const shares = 2 // heating, Brix

// DefaultShares is what is taken of the formula's temperature and Brix before a
// body has shown its own, before the bounds below, and how well that is known: between a U that knows
// neither (0) and the whole of Dessin's formula (1), nearer to the first, which cannot
// take scale for what it is not. Figures of ours.
func DefaultShares() (share, sigma [2]float64) {
	return [2]float64{0.15, 0.2}, [2]float64{0.25, 0.3}
}

// Bounds of a share. A coefficient that falls as the juice gets hotter or thinner is
// the lag of a set that moves, or an instrument. Figures of ours.
const leastShare, mostShare = 0, 2

// shareWander is how much a share may change from one cycle to the next, one sigma.
const shareWander = 0.04

// A Dependence is how U of a body goes with its condition.
type Dependence struct {
	Reference Shape // the condition in which U is quoted; zero: not known yet
	// Share of the formula, and its standard deviation: heating, Brix.
	Share, Sigma [2]float64
	Clean        float64 // U of the clean body at the reference, kW/(m2 K)
}

// At returns u, kW/(m2 K), taken in the condition s, as it would be at the
// reference, and the standard deviation that the shares bring into it. Without a
// reference or a condition it is u as it stands.
func (d Dependence) At(u float64, s Shape) (float64, float64) {
	if !(u > 0) || !(d.Clean > 0) || !d.Reference.known() || !s.known() {
		return u, 0
	}
	z, level := d.Reference.to(s)
	y := math.Exp(level)/u + (d.Share[0]*z[0]+d.Share[1]*z[1])/d.Clean
	if !(y > 1/highU) {
		return u, 0
	}
	sd := math.Hypot(d.Sigma[0]*z[0], d.Sigma[1]*z[1]) / d.Clean
	return 1 / y, sd / (y * y)
}

// to is the step from the reference s to x: heating and Brix as they enter the
// balance above, and the logarithm of the level factor. The difference is bent so
// that a share of a third is the exponent of the formula exactly, as is 0; at the
// whole formula, moved by 10 %, the error is 0.3 % of U.
func (s Shape) to(x Shape) (z [shares]float64, level float64) {
	const bend = 1.0 / 3
	curve := func(d float64) float64 { return -math.Expm1(-bend*d) / bend }
	return [shares]float64{curve(x.Heating - s.Heating), curve(x.Brix - s.Brix)}, x.Level - s.Level
}

// reference is the condition in which U is quoted: the setting, else that of the
// first day after the first cleaning seen, else that of the first values.
func (t *Tracker) reference() Shape {
	s := &t.s
	switch {
	case s.Settings.Reference.known():
		return s.Settings.Reference
	case s.Reference.known():
		return s.Reference
	}
	n := min(len(s.Values), 24)
	return middle(s.Values[:n])
}

// middle is the median condition.
func middle(v []sample) Shape {
	var h, b, l []float64
	for _, x := range v {
		if x.Shape.known() {
			h, b, l = append(h, x.Shape.Heating), append(b, x.Shape.Brix), append(l, x.Shape.Level)
		}
	}
	return Shape{median(h), median(b), median(l)}
}

// settle keeps the condition of the first day after the first cleaning as the
// reference, once that day is over.
func (t *Tracker) settle() {
	s := &t.s
	if s.Reference.known() || !s.Known || len(s.Values) == 0 || s.Values[len(s.Values)-1].At.Sub(s.Started) < hours(firstTo) {
		return
	}
	if d := t.firstHours(); len(d) >= firstLeast {
		s.Reference = middle(d)
		t.stale()
	}
}

// Dependence returns what is known of the body now.
func (t *Tracker) Dependence() Dependence {
	d := Dependence{Reference: t.s.Reference, Clean: t.CleanU()}
	if t.s.Settings.Reference.known() {
		d.Reference = t.s.Settings.Reference
	}
	d.Share, d.Sigma = t.shares()
	return d
}

// provisional is the same, before the reference stands by that of the first values.
func (t *Tracker) provisional() Dependence {
	d := t.Dependence()
	d.Reference = t.reference()
	return d
}

// shares of the running cycle, with the earlier ones in them.
func (t *Tracker) shares() (share, sigma [2]float64) {
	k := t.posterior().shares()
	for i := range sigma {
		sigma[i] = math.Sqrt(math.Max(0, k.Cov[i][i]))
	}
	return k.Share, sigma
}

// shares is the mean over all members, with their covariance.
func (p *posterior) shares() knowledge {
	return p.mixed((*member).known)
}

// known is what one member knows of them.
func (m *member) known() (k knowledge) {
	for i := range shares {
		k.Share[i] = m.m[4+i]
		copy(k.Cov[i][:], m.p[4+i][4:])
	}
	return k
}

// mixed is what the members know of the shares, together.
func (p *posterior) mixed(of func(*member) knowledge) (all knowledge) {
	for i := range p.members {
		k := of(&p.members[i])
		for j := range shares {
			all.Share[j] += p.members[i].w * k.Share[j]
		}
	}
	for i := range p.members {
		k := of(&p.members[i])
		for j := range shares {
			for l := range shares {
				all.Cov[j][l] += p.members[i].w * (k.Cov[j][l] + (k.Share[j]-all.Share[j])*(k.Share[l]-all.Share[l]))
			}
		}
	}
	return all
}

// knowledge of the shares, kept from cycle to cycle.
type knowledge struct {
	Share [shares]float64         `json:"share"`
	Cov   [shares][shares]float64 `json:"cov"`
}

func (k *knowledge) check() error {
	if k == nil {
		return nil
	}
	ok := func(v, most float64) bool { return math.Abs(v) < most }
	for i := range shares {
		if !ok(k.Share[i], 20) || !(k.Cov[i][i] >= 0) || !ok(k.Cov[i][i], 10) || !ok(k.Cov[i][1-i], 10) {
			return errors.New("state of a scale tracker: a share is out of range")
		}
	}
	return nil
}

// keep takes what the running cycle said of the shares: as it was before they were
// bounded, or the bound would count again in every cycle.
func (t *Tracker) keep() {
	k := t.posterior().mixed(func(m *member) knowledge { return m.free })
	for i := range shares {
		k.Cov[i][i] += shareWander * shareWander
	}
	if k.check() == nil {
		t.s.Shares = &k
	}
}
