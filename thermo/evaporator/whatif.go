package evaporator

import (
	"errors"
	"math"

	"calandria/plant/words"
)

// A Change is what is done to a set that stands as now: it alters what is imposed. A
// Brix above 0 is held by the steam pressure, as far as op.SteamKPa goes, which is then
// the most there is.
type Change func(now *Results, op *Operation) (holdBrix float64)

// WhatIf predicts the steady state that the readings m lead to with a change, and the
// one without. Their Sigma is that of the difference which the change makes: of the
// errors of the instruments and of the model, each moved by one standard deviation
// before the set is evaluated and predicted anew, and of the doubts, each a further
// change that is one standard deviation off. Both must come from NewResults.
//
// The error says what is not known of the set, or is an [ErrNoSteadyState].
func (s *Set) WhatIf(m *Measurement, change Change, doubts []func(*Operation), now, then *Results) error {
	if err := s.Foresee(m, change, now, then); err != nil {
		return err
	}
	moved, was := s.NewResults(), s.NewResults()
	var list, base, with, without []*Result
	s.pointers(&list, then)
	s.pointers(&base, now)
	s.pointers(&with, moved)
	s.pointers(&without, was)
	add := func(err error) {
		for i, t := range list {
			if err != nil || !t.OK() || !with[i].OK() || !without[i].OK() {
				continue
			}
			d := with[i].Value - without[i].Value - (t.Value - base[i].Value)
			t.Sigma += d * d
		}
	}
	off := *m
	off.readings(len(s.d.Bodies), func(x *Reading, _ words.Text, _ int) {
		if x.Sigma > 0 && !math.IsInf(x.Sigma, 0) {
			v := x.Value
			x.Value += x.Sigma
			add(s.Foresee(&off, change, was, moved))
			x.Value = v
		}
	})
	for _, d := range doubts {
		add(s.Foresee(m, func(now *Results, op *Operation) float64 {
			brix := change(now, op)
			d(op)
			return brix
		}, was, moved))
	}
	for i, t := range list {
		t.Sigma = math.Sqrt(t.Sigma)
		base[i].Sigma = t.Sigma
	}
	return nil
}

// Foresee is WhatIf without sigmas.
func (s *Set) Foresee(m *Measurement, change Change, now, then *Results) error {
	s.Evaluate(m, now)
	op, err := s.imposed(m, now)
	if err != nil {
		return err
	}
	if err := s.Predict(&op, now); err != nil {
		return err
	}
	through := s.through(now)
	usual := op.Of.PipeLossK
	brix := change(now, &op)
	top := op.SteamKPa
	for range 30 {
		if err := s.foresee(&op, brix, top, then); err != nil {
			return err
		}
		moved := 0.0
		for k, flow := range s.through(then) { // a pipe loses with the square of the flow
			if loss := &op.Of.PipeLossK[k]; loss.OK && flow > 0 && through[k] > 0 {
				was := loss.Value
				loss.Value = usual[k].Value * min(9, flow*flow/through[k]/through[k])
				moved = max(moved, math.Abs(loss.Value-was))
			}
		}
		if op.Follow != nil {
			moved = max(moved, op.Follow(then, &op))
		}
		if moved < 1e-4 {
			break
		}
	}
	return nil
}

// foresee predicts at a steam pressure of top, or for a Brix above 0 at one up to that.
func (s *Set) foresee(op *Operation, brix, top float64, then *Results) error {
	if brix == 0 {
		return s.Predict(op, then)
	}
	_, err := s.PredictForBrix(op, brix, top, then)
	return err
}

// through is the vapour through the pipe behind each effect, t/h.
func (s *Set) through(r *Results) (flow [MaxEffects]float64) {
	for i := 1; i < s.n; i++ {
		for _, b := range s.inEffect(s.act[i]) {
			flow[s.act[i-1]] += r.Bodies[b].CondensedTH.Value
		}
	}
	return flow
}

// imposed is what the readings say of the set from outside, and U of its bodies. The
// chests keep their distance from the vapour that heats them.
func (s *Set) imposed(m *Measurement, r *Results) (op Operation, err error) {
	first, last := s.act[0], s.act[max(0, s.n-1)]
	missing := func(what words.Text, x *Result) {
		if !x.OK() {
			err = errors.Join(err, words.Errorf("%s: %s", what, x.Reason.Words()))
		}
	}
	of := *m
	for b := range r.Bodies {
		o := &r.Bodies[b]
		op.Bodies[b] = BodyOperation{OutOfService: !o.InService, U: o.U.Value, LevelPct: m.Bodies[b].LevelPct.or(0)}
		if o.InService {
			missing("U", &o.U)
		}
	}
	if s.n == 0 {
		return op, words.Errorf("%s: no body in service", ErrNoSteadyState)
	}
	for _, k := range s.act[:s.n] {
		op.BleedTH[k] = max(0, r.BleedTH[k].Value)
	}
	missing("juice flow", &r.JuiceTH)
	missing("juice Brix", &r.FeedBrix)
	missing("steam pressure", &r.Bodies[s.members[first][0]].ChestKPa)
	missing("vapour pressure", &r.Bodies[s.members[last][0]].VapourKPa)
	for i := range s.n - 1 {
		up, down := &r.Bodies[s.members[s.act[i]][0]], &r.Bodies[s.members[s.act[i+1]][0]]
		if up.VapourC.OK() && down.ChestC.OK() {
			of.PipeLossK[s.act[i]] = Read(up.VapourC.Value-down.ChestC.Value, m.PipeLossK[s.act[i]].Sigma)
		}
	}
	op.SteamKPa, op.LastKPa = r.Bodies[s.members[first][0]].ChestKPa.Value, r.Bodies[s.members[last][0]].VapourKPa.Value
	op.JuiceTH, op.FeedBrix, op.FeedC = r.JuiceTH.Value, r.FeedBrix.Value, m.FeedC.or(s.d.AssumedFeedC)
	op.SteamC, op.Of = m.SteamC.or(0), &of
	return op, err
}
