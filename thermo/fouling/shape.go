package fouling

import "math"

// Shape tells in what condition a U was taken, as the natural logarithms of the
// factors by which a formula for clean bodies rates that condition: how hot the
// heating vapour was, how thin the juice, how much heat passed, how good the level.
// Only differences mean anything. The zero value is "not known".
//
// The coefficient of a clean body goes with heating temperature and Brix, and in a
// set whose syrup Brix is held both move as scale grows: the steam pressure is
// raised, and U with it, which hides a part of the scale. How much is not the same
// in all plants: nothing where U was found constant, all of it by the Swedish formula
// U ~ T/B, more by Dessin's, which goes to nothing at 54 degC.
// So the tracker learns the share of the formula that its body follows, from the
// body's own values, together with rate and clean U:
//
//	1/U = 1/U_clean exp(-s_h z_h - s_b z_b - s_f z_f) + R(t)
//
// z the differences from the reference condition, s the shares. Steps of the
// pressure that scale has no part in (another body cleaned, a stop, pans that draw)
// tell the two apart; without any the shares remain as little known as they were,
// and the band of the forecast is the wider for it. Level is taken whole.
type Shape struct {
	Heating float64 // 0: not known
	Brix    float64
	Flux    float64 // 0: not known
	Level   float64
}

func (s Shape) known() bool { return s.Heating != 0 && s.sound() }

func (s Shape) sound() bool {
	return math.Abs(s.Heating) < 50 && math.Abs(s.Brix) < 50 && math.Abs(s.Flux) < 50 && math.Abs(s.Level) < 5
}

const shares = 3 // heating, Brix, flux

// FluxExponent is the whole formula of the heat flux: U of a clean body goes with this
// power of it. The coefficient on the boiling side goes with the flux to the power 0.67
// (Cooper 1984, from memory), and is about half of what a clean body resists with: a
// figure of ours.
const FluxExponent = 1.0 / 3

// defaultShares is what is taken of the formula before a body has shown its own, before
// the bounds below, and how well that is known: between a U that knows neither (0) and
// the whole of the formula (1), nearer to that. Figures of ours.
func defaultShares() (k knowledge) {
	k.Share = [shares]float64{0.6, 0.65, 0.25}
	for i, sd := range [shares]float64{0.3, 0.3, 0.2} {
		k.Cov[i][i] = sd * sd
	}
	return k
}

// Bounds of a share. A coefficient that falls as the juice gets hotter or thinner is
// the lag of a set that moves, or an instrument. Figures of ours.
const leastShare, mostShare = 0, 2

// shareWander is how much a share may change from one cycle to the next, one sigma.
const shareWander = 0.04

// A Dependence is how U of a body goes with its condition.
type Dependence struct {
	Reference Shape // the condition in which U is quoted; zero: not known yet
	// Share of the formula, and its standard deviation: heating, Brix, flux.
	Share, Sigma [shares]float64
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
	f, by := pull(d.Share[:], z)
	y := math.Exp(level)/u - (f-1)/d.Clean
	var v float64
	for i := range shares {
		v += d.Sigma[i] * d.Sigma[i] * by[i] * by[i]
	}
	if !(y > 1/highU) {
		return u, 0
	}
	return 1 / y, math.Sqrt(v) / d.Clean / (y * y)
}

// From is u, kW/(m2 K), taken at the reference, as it would be in the condition s: the
// way back of At. Beyond a third and three times it is held there.
func (d Dependence) From(u float64, s Shape) float64 {
	if !(u > 0) || !(d.Clean > 0) || !d.Reference.known() || !s.known() {
		return u
	}
	z, level := d.Reference.to(s)
	f, _ := pull(d.Share[:], z)
	y := 1/u + (f-1)/d.Clean
	return math.Exp(level) / math.Min(math.Max(y, 1/(3*u)), 3/u)
}

// to is the step from the reference s to x: heating, Brix and flux, and the logarithm of
// the level factor.
func (s Shape) to(x Shape) (z [shares]float64, level float64) {
	z = [shares]float64{x.Heating - s.Heating, x.Brix - s.Brix}
	if x.Flux != 0 && s.Flux != 0 {
		z[2] = x.Flux - s.Flux
	}
	return z, x.Level - s.Level
}

// pull is 1/U of the clean body at steps z from the reference over that at the reference,
// and how it goes with each share.
func pull(share []float64, z [shares]float64) (f float64, by [shares]float64) {
	for i := range z {
		f -= share[i] * z[i]
	}
	f = math.Exp(f)
	for i := range z {
		by[i] = -z[i] * f
	}
	return f, by
}

// reference is the condition in which U is quoted: the setting, else that of the
// first day after the first cleaning seen, else that of the first values. What the
// setting leaves open, the heat flux, is that of the body itself.
func (t *Tracker) reference() Shape {
	r, s := t.s.Reference, t.s.Settings.Reference
	if !r.known() {
		r = middle(t.s.Values[:min(len(t.s.Values), 24)])
	}
	if s.known() {
		s.Flux = r.Flux
		return s
	}
	return r
}

// middle is the median condition.
func middle(v []sample) Shape {
	var h, b, f, l []float64
	for _, x := range v {
		if x.Shape.known() {
			h, b, l = append(h, x.Shape.Heating), append(b, x.Shape.Brix), append(l, x.Shape.Level)
		}
		if x.Shape.Flux != 0 {
			f = append(f, x.Shape.Flux)
		}
	}
	return Shape{median(h), median(b), median(f), median(l)}
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

// Dependence returns what is known of the body now. The reference is zero until it
// stands.
func (t *Tracker) Dependence() Dependence {
	d := t.provisional()
	if !t.s.Reference.known() && !t.s.Settings.Reference.known() {
		d.Reference = Shape{}
	}
	return d
}

// provisional is the same, before the reference stands by that of the first values.
func (t *Tracker) provisional() Dependence {
	d := Dependence{Reference: t.reference()}
	if y, _ := t.posterior().clean(); y > 1/highU {
		d.Clean = 1 / y
	}
	d.Share, d.Sigma = t.shares()
	return d
}

// shares of the running cycle, with the earlier ones in them.
func (t *Tracker) shares() (share, sigma [shares]float64) {
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
		k.Share[i] = m.m[atShares+i]
		copy(k.Cov[i][:], m.p[atShares+i][atShares:])
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
	Share [shares]float64
	Cov   [shares][shares]float64
}

// keep takes what the running cycle said of the shares: as it was before they were
// bounded, or the bound would count again in every cycle.
func (t *Tracker) keep() {
	k := t.posterior().mixed(func(m *member) knowledge { return m.free })
	for i := range shares {
		k.Cov[i][i] += shareWander * shareWander
		if !(math.Abs(k.Share[i]) < 20) || !(k.Cov[i][i] < 10) {
			return
		}
	}
	t.s.Shares = k
}
