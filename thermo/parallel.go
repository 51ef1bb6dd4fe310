package thermo

import (
	"math"
	"time"

	"calandria/thermo/evaporator"
)

// abreast tells apart the bodies of one effect that share one U between them. While
// one of them runs alone its own U is known. When all run again, what the effect then
// shows, less what that body does, is the others'. From there on each is taken to
// gather the same scale, until the next outage tells them apart again.
type abreast struct {
	bodies []*bodyView
	// uApart is U of each when they were last told apart; nil: never yet.
	uApart []float64
	// alone is the body that ran alone, its U then, for how long, and since when.
	alone      int
	aloneU     lag
	aloneHours float64
	aloneSince time.Time
	// together is U of the effect since all run again.
	together      lag
	togetherHours float64
}

// Hours, and how far from the U of the effect a body may be. Figures of ours.
const (
	aloneLeast    = 2.0 // of running alone, to know a U
	togetherFrom  = 1.0 // a body comes to its work slowly
	togetherUntil = 4.0
	abreastMemory = 1.0
	abreastFar    = 4.0
	abreastSigma  = 0.09 // of a U that is told apart, as a share: seen on two mills of another making
)

// pairs finds the effects with more than one body.
func pairs(bodies []*bodyView) []*abreast {
	var out []*abreast
	for i := 0; i < len(bodies); {
		j := i + 1
		for j < len(bodies) && bodies[j].equip.Body.Effect == bodies[i].equip.Body.Effect {
			j++
		}
		if j-i > 1 {
			out = append(out, &abreast{bodies: bodies[i:j]})
		}
		i = j
	}
	return out
}

// step learns from a scan, and gives each body its own U if they can be told apart.
func (a *abreast) step(hours float64, at time.Time) {
	in, last := 0, 0
	for i, b := range a.bodies {
		if !b.m.OutOfService {
			in, last = in+1, i
		}
	}
	share := -math.Expm1(-hours / abreastMemory)
	u := a.bodies[last].believed()
	switch {
	case in == 1 && u.OK() && u.How != evaporator.Assumed:
		if a.aloneHours == 0 || a.alone != last {
			a.aloneU, a.aloneHours, a.alone, a.aloneSince = lag{}, 0, last, at
		}
		a.aloneU.step(u, share)
		a.aloneHours += hours
		a.together, a.togetherHours = lag{}, 0
	case in == len(a.bodies) && u.OK() && u.How == evaporator.Assumed && a.aloneHours >= aloneLeast:
		if a.togetherHours += hours; a.togetherHours > togetherFrom {
			a.together.step(u, share)
		}
		if a.togetherHours > togetherUntil {
			a.tell()
			a.aloneHours = 0
		}
	}
	a.apply()
}

// tell works out U of each from that of one and that of all.
func (a *abreast) tell() {
	all, one := a.surface(), a.bodies[a.alone].areaM2
	effect := a.together.value
	others := (effect*all - a.aloneU.value*one) / (all - one)
	if !(others > effect/abreastFar && others < effect*abreastFar) {
		return
	}
	first := a.uApart == nil
	a.uApart = make([]float64, len(a.bodies))
	for i, b := range a.bodies {
		a.uApart[i] = others
		if i == a.alone {
			a.uApart[i] = a.aloneU.value
		}
		if first { // until now it was followed by the U of its effect
			b.scaling.track.Rescale(a.uApart[i]/effect, a.aloneSince)
		}
	}
}

func (a *abreast) surface() (all float64) {
	for _, b := range a.bodies {
		all += b.areaM2
	}
	return all
}

// apply gives each body the U it has if all gathered the same resistance since they
// were told apart.
func (a *abreast) apply() {
	u, can := a.bodies[0].u, a.uApart != nil
	for _, b := range a.bodies {
		b.scaling.shared = b.b.U.OK() && b.b.U.How == evaporator.Assumed
		can = can && b.scaling.shared && b.u.OK()
	}
	if !can {
		return
	}
	all := a.surface()
	mean := func(r float64) (m float64) {
		for i, b := range a.bodies {
			m += b.areaM2 / all / (1/a.uApart[i] + r)
		}
		return m
	}
	most := 0.0
	for _, v := range a.uApart {
		most = math.Max(most, v)
	}
	lo, hi := -0.9/most, 100/u.Value
	for range 60 {
		if mid := (lo + hi) / 2; mean(mid) > u.Value {
			lo = mid
		} else {
			hi = mid
		}
	}
	for i, b := range a.bodies {
		own := 1 / (1/a.uApart[i] + lo)
		f := own / b.u.Value
		for _, r := range []*evaporator.Result{&b.u, &b.uApparent} {
			r.Value *= f
			r.Sigma = abreastSigma * r.Value
			r.How, r.Reason = evaporator.Balanced, evaporator.Reason{}
		}
		b.scaling.shared = false
		b.uNormal = b.normalised()
	}
}
