package thermo

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// normal knows where the normalised U of a body is quoted, as configured, and what
// its level does to U. Without a configured reference the scale tracker learns one.
type normal struct {
	ref        evaporator.Condition
	configured bool
	levels     evaporator.LevelTable
}

func newNormal(b *plant.BodyConfig) *normal {
	n := &normal{}
	if b.ReferenceBrix > 0 && b.ReferenceChestC > 0 {
		n.ref = evaporator.Condition{Brix: liquor.Brix(b.ReferenceBrix), HeatingC: steam.Celsius(b.ReferenceChestC)}
		n.configured = true
	}
	switch {
	case len(b.LevelFactor) > 0:
		for _, p := range b.LevelFactor {
			n.levels = append(n.levels, evaporator.LevelPoint{LevelPct: p[0], Factor: p[1]})
		}
	case b.Kind == "robert":
		n.levels = evaporator.DefaultLevels()
	}
	return n
}

// reference is the configured condition as the tracker takes it, at the best level.
func (n *normal) reference() fouling.Shape {
	if !n.configured {
		return fouling.Shape{}
	}
	return n.shape(float64(n.ref.Brix), float64(n.ref.HeatingC), math.NaN(), 0)
}

// shape is the condition as the tracker takes it; zero outside the formula's range.
// A level that is not known counts as the best; a heat flux, kW/m2, of 0 is not known.
func (n *normal) shape(brix, chestC, levelPct, flux float64) fouling.Shape {
	warmth, thinness, err := evaporator.Shape(liquor.Brix(brix), steam.Celsius(chestC))
	if err != nil {
		return fouling.Shape{}
	}
	s := fouling.Shape{Heating: warmth, Brix: thinness, Level: math.Log(n.levels.At(levelPct))}
	if flux > 0.1 {
		s.Flux = fouling.FluxExponent * math.Log(flux/0.1)
	}
	return s
}

// coefficients works out U in its forms for this moment.
func (v *bodyView) coefficients(hours float64) {
	v.u, v.uApparent = v.averaged(hours)
	if dt, least := v.b.DTK, *v.equip.Body.MinDifferenceK; v.u.OK() && dt.OK() && dt.Value < least {
		if v.small == "" {
			v.small = words.Say(differenceBelow, words.Measure{Value: least, Unit: "K", Form: "%g"})
		}
		v.u = absent(v.small)
		v.uApparent = v.u
	}
	v.hold(hours)
	v.uClean = v.clean()
	v.uNormal = v.normalised()
}

// While a set moves a U of the moment is wrong, by some per cent in the first bodies and
// by a third in the last, but the surface is what it was: so U is held as it was before,
// with a sigma that grows by heldPerHour and for heldMost hours. Figures of ours: a fast
// scale takes 1 % of U in a day, a level or gas more.
const heldPerHour, heldMost = 0.02, 2.0

// held is U before the set moved, and where it was taken.
type held struct {
	u, apparent evaporator.Result
	where       fouling.Shape
	hours       float64 // since then
}

// hold keeps U while the set stands and gives it back while the set moves.
func (v *bodyView) hold(hours float64) {
	switch h := &v.held; {
	case v.steadiness.state == isSettled:
		v.where = v.shape()
		*h = held{v.u, v.uApparent, v.where, 0}
		return
	case h.u.OK() && h.hours < heldMost && !v.m.OutOfService:
		h.hours += hours
		as := func(r evaporator.Result) evaporator.Result {
			r.Sigma = math.Hypot(r.Sigma, r.Value*heldPerHour*h.hours)
			r.Reason = evaporator.Reason{Why: r.Reason.Why, Text: heldText}
			return r
		}
		v.u, v.uApparent, v.where = as(h.u), as(h.apparent), h.where
		return
	}
	v.where = v.shape()
	if v.steadiness.state == upset && v.u.OK() {
		v.u = absent(v.steadiness.text)
		v.uApparent = v.u
	}
}

// averageMinutes is the memory of U, min: its duty follows the juice through the bodies,
// its temperature difference a pressure at once, and both wander. A figure of ours; what
// lowers U in earnest, gas, condensate, level, scale, is there longer. On two plants in
// models that share nothing with the balances the error of U in usual disturbances, 95 %
// of it about its mean, fell from 2 to 4.5 % to 1 to 2.5 %.
const averageMinutes = 6

// averaged is U by the means of duty and temperature difference over the last minutes.
func (v *bodyView) averaged(hours float64) (u, apparent evaporator.Result) {
	u, apparent = v.b.U, v.b.UApparent
	if !u.OK() || !v.b.DutyKW.OK() || !v.b.DTK.OK() || !v.b.DTApparentK.OK() || v.steadiness.state == upset {
		v.duty, v.difference, v.apparent = lag{}, lag{}, lag{}
		return u, apparent
	}
	share := -math.Expm1(-hours * 60 / averageMinutes)
	v.duty.step(v.b.DutyKW, share)
	v.difference.step(v.b.DTK, share)
	v.apparent.step(v.b.DTApparentK, share)
	by := func(r *evaporator.Result, mean lag, of evaporator.Result) {
		if r.OK() && mean.value > 0 {
			f := v.duty.value / v.b.DutyKW.Value * of.Value / mean.value
			r.Value, r.Sigma = r.Value*f, r.Sigma*f
		}
	}
	by(&u, v.difference, v.b.DTK)
	by(&apparent, v.apparent, v.b.DTApparentK)
	return u, apparent
}

// shape is the condition in which U is taken now; zero if it is not known.
func (v *bodyView) shape() fouling.Shape {
	if !v.b.BrixOut.OK() || !v.b.ChestC.OK() {
		return fouling.Shape{}
	}
	level := math.NaN()
	if v.m.LevelPct.OK {
		level = v.m.LevelPct.Value
	}
	return v.normal.shape(v.b.BrixOut.Value, v.b.ChestC.Value, level, v.duty.value/v.areaM2)
}

// normalised is U at the reference, as far as the body follows the formula.
func (v *bodyView) normalised() evaporator.Result {
	d := v.scaling.depends
	switch {
	case !v.u.OK():
		return v.u
	case d.Reference == fouling.Shape{}:
		return absent(noReference)
	case !v.b.BrixOut.OK():
		return v.b.BrixOut
	case !v.b.ChestC.OK():
		return v.b.ChestC
	case v.where == fouling.Shape{}:
		return absent(beyondFormula)
	}
	if v.uClean.OK() {
		d.Clean = v.uClean.Value
	}
	u, sigma := d.At(v.u.Value, v.where)
	r := v.u
	r.Value, r.Sigma = u, math.Hypot(v.u.Sigma*u/v.u.Value, sigma)
	return r
}

// clean is U of the clean body: the site's record, else the usual state after a
// cleaning, else the formula of the set.
func (v *bodyView) clean() evaporator.Result {
	if f := &v.scaling.forecast; f.Clean > 0 {
		r := value(f.Clean, f.CleanSigma)
		if v.equip.Body.CleanUWM2K == 0 {
			r.Reason.Text = cleanLearned
		}
		return r
	}
	if u := v.equip.Body.CleanUWM2K; u > 0 {
		return value(u/1000, fouling.RecordSigma*u/1000)
	}
	brix, chest := v.b.BrixOut, v.b.ChestC
	if v.normal.configured {
		brix, chest = value(float64(v.normal.ref.Brix), 0), value(float64(v.normal.ref.HeatingC), 0)
	}
	if !brix.OK() || !chest.OK() {
		return absent(noCleanU)
	}
	return v.byFormula(brix, chest)
}

// ratioFor is how long a ratio is shown after the last hour of U.
const ratioFor = 12 * time.Hour

// ratio is U over clean U: the one figure for it, of the trend of the hours since the
// cleaning at one condition. Until there are hours it is of U as it is now.
func (v *bodyView) ratio() evaporator.Result {
	if f := &v.scaling.forecast; f.Ratio > 0 && f.Values > 0 && v.scaling.now.Sub(v.scaling.track.Newest()) < ratioFor {
		r := v.weakened(value(f.Ratio, f.RatioSigma))
		if v.scaling.shared {
			r.Sigma = math.Hypot(r.Sigma, evaporator.SplitShare*r.Value)
		}
		return r
	}
	u := v.u
	if v.uNormal.OK() {
		u = v.uNormal
	}
	switch {
	case !u.OK():
		return u
	case !v.uClean.OK():
		return v.uClean
	case u.Value <= 0:
		return absent(uNotPositive)
	case v.uClean.How == evaporator.Assumed:
		// Against a figure that is good to a fifth every second body would seem due.
		return absent(cleanUByFormula)
	}
	r := u
	r.Value /= v.uClean.Value
	r.Sigma = r.Value * math.Hypot(u.Sigma/u.Value, v.uClean.Sigma/v.uClean.Value)
	return r
}

// scale is the resistance that goes with the ratio.
func (v *bodyView) scale() evaporator.Result {
	r := v.ratio()
	if !r.OK() || r.Value <= 0 {
		return r
	}
	ratio := r.Value
	var err error
	if r.Value, err = fouling.Resistance(ratio*v.uClean.Value, v.uClean.Value); err != nil {
		return absent(uNotPositive)
	}
	r.Sigma /= ratio * ratio * v.uClean.Value
	return r
}
