package evaporator

import (
	"math"

	"calandria/plant/words"
)

// Uncertainty evaluates m into r like Evaluate and fills the Sigma of every
// result from the readings' stated accuracies: each reading is moved up and down by
// one standard deviation, the whole calculation is repeated, and half the
// differences are added in squares (first-order propagation of independent
// errors). A result that is lost both ways becomes absent. Readings without a stated
// accuracy contribute nothing and are counted in r.UnstatedAccuracy. Errors of the
// model count like those of instruments: heat loss, elevation, specific heat and the
// loss of each vapour pipe, as far as m states their sigma. Parallel bodies
// whose shares of the effect nothing measures are uncertain by SplitShare besides.
//
// It costs two evaluations a reading; call it less often than Evaluate.
func (s *Set) Uncertainty(m *Measurement, r *Results) {
	s.Evaluate(m, r)
	s.m = *m
	base := s.pointers(&s.listBase, r)
	plus := s.pointers(&s.listPlus, &s.plus)
	minus := s.pointers(&s.listMinus, &s.minus)
	r.UnstatedAccuracy = 0
	s.m.readings(len(s.d.Bodies), func(x *Reading, what words.Text, _ int) {
		if !(x.Sigma > 0) || math.IsInf(x.Sigma, 0) {
			if what != HeatLoss && !assumed(what) {
				r.UnstatedAccuracy++
			}
			return
		}
		v := x.Value
		x.Value = v + x.Sigma
		s.evaluate(&s.m, &s.plus, true, true)
		x.Value = v - x.Sigma
		s.evaluate(&s.m, &s.minus, true, true)
		x.Value = v
		for i, b := range base {
			if !b.OK() {
				continue
			}
			var d float64
			switch p, q := plus[i], minus[i]; {
			case p.OK() && q.OK():
				d = (p.Value - q.Value) / 2
			case p.OK():
				d = p.Value - b.Value
			case q.OK():
				d = b.Value - q.Value
			default:
				b.absent(Reason{Of: b.Reason.Of, Why: TooUncertain})
				continue
			}
			b.Sigma += d * d
		}
	})
	for _, b := range base {
		if !b.OK() {
			continue
		}
		if b.Sigma = math.Sqrt(b.Sigma); math.IsNaN(b.Sigma) || math.IsInf(b.Sigma, 0) {
			b.absent(Reason{Of: b.Reason.Of, Why: TooUncertain})
		}
	}
	r.splitSigma()
}

// SplitShare is one standard deviation of the coefficients of parallel bodies about
// their common one, while nothing but surface and temperature difference tells which
// of them makes how much vapour: a figure of ours, the scale of some days.
const SplitShare = 0.1

// splitSigma adds that to what rests on the split.
func (r *Results) splitSigma() {
	for i := range r.Bodies {
		o := &r.Bodies[i]
		for _, p := range []*Result{&o.EvaporationTH, &o.DutyKW, &o.SpecificKgM2H, &o.CondensedTH, &o.U, &o.UApparent} {
			if p.OK() && p.How == Assumed && p.Reason.Why == Shared {
				p.Sigma = math.Hypot(p.Sigma, SplitShare*p.Value)
			}
		}
	}
}

// pointers lists the results of r in the order of each.
func (s *Set) pointers(list *[]*Result, r *Results) []*Result {
	*list = (*list)[:0]
	r.each(func(p *Result) { *list = append(*list, p) })
	return *list
}
