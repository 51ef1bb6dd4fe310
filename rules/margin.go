package rules

import (
	"fmt"
	"time"

	"calandria/plant"
)

// Limit is the one fixed figure that an alarm's condition compares a value with.
type Limit struct {
	Key       string // as in the file: high, low, limits.usual
	Above     bool   // it calls above the figure, else below
	Value     float64
	Unit      string          // of Value, the canonical one
	Dimension plant.Dimension // of Value; "" if it is not known
	Danger    bool            // it protects people or pressure equipment
}

// limitTest is a condition taken apart: the comparison with the limit, and what
// else must be true.
type limitTest struct {
	Limit
	main   *test
	others []*test
}

// conjuncts are the conditions that must all be true.
func conjuncts(l *logic, out []*logic) []*logic {
	if l.op != logAnd {
		return append(out, l)
	}
	for _, k := range l.kids {
		out = conjuncts(k, out)
	}
	return out
}

// limitOf finds the limit of a condition; nil where it is no single comparison
// with a figure that the files state by itself.
func (c *condition) limitOf(r *reader, raise *logic, key string) *limitTest {
	var out *limitTest
	var others []*logic
	for _, l := range conjuncts(raise, nil) {
		named := key
		if key == "when" && l.op == logCompare && l.r.limit != "" {
			named = "limits." + l.r.limit
		}
		if out != nil || l.op != logCompare || l.cmp == equal || l.cmp == notEqual || named == "when" || l.r.op != numConst || l.l.op == numConst || l.l.dim.only(plant.State) {
			others = append(others, l)
			continue
		}
		out = &limitTest{main: r.test(l), Limit: Limit{Key: named, Above: l.cmp == greater || l.cmp == greaterEqual, Value: l.r.val, Unit: l.l.dim.unit(),
			Danger: c.o.Severity == "danger" || c.o.HighlyManaged}}
		if l.l.dim.known() {
			out.Dimension = l.l.dim.set[0]
		}
	}
	if out == nil {
		return nil
	}
	for _, l := range others {
		out.others = append(out.others, r.test(l))
	}
	return out
}

// whatever is what a condition says whatever good readings come: Unknown where
// that depends on them.
func (s *Set) whatever(t *test) plant.Truth {
	kid := func(i int) plant.Truth { return s.whatever(t.kids[i]) }
	switch t.op {
	case logTrue:
		return plant.True
	case logFalse:
		return plant.False
	case logNot:
		return kid(0).Not()
	case logAnd:
		return min(kid(0), kid(1))
	case logOr:
		return max(kid(0), kid(1))
	case logCompare:
		if t.l.kind != operandInput || t.r.kind != operandFixed || t.r.gauged {
			return plant.Unknown
		}
		in := &s.inputs[t.l.in]
		tag := &s.house.Tags[in.tag]
		if tag.Source != plant.Measured || !(tag.Low < tag.High) || in.kind != inputTag && (in.kind != inputWindow || in.fn > windowMax) {
			return plant.Unknown
		}
		low, high := t.holds(tag.Low, t.r.fixed), t.holds(tag.High, t.r.fixed)
		inside := tag.Low <= t.r.fixed && t.r.fixed <= tag.High
		if low == high && !(inside && (t.cmp == equal || t.cmp == notEqual)) {
			return plant.TruthOf(low)
		}
	}
	return plant.Unknown
}

// CannotCall says which alarms no reading can make call: what lies outside the
// range of an instrument is bad and calls nobody, and what is always suppressed
// is never shown.
func (s *Set) CannotCall() []Note {
	var out []Note
	for i := range s.alarms {
		if a, spec := &s.alarms[i], &s.specs[i]; a.suppress.test != nil && s.whatever(a.suppress.test) == plant.True {
			out = append(out, Note{File: spec.File, Line: spec.Line, Rule: spec.Name, On: spec.Source, Priority: spec.Priority,
				Text: "suppress_when holds at any reading: " + a.suppress.words.String()})
		}
		t := s.alarms[i].limit
		if t == nil || t.main.l.kind != operandInput {
			continue
		}
		in := &s.inputs[t.main.l.in]
		switch tag := &s.house.Tags[in.tag]; {
		case in.kind == inputTag && (t.Above && t.Value >= tag.High || !t.Above && t.Value <= tag.Low):
			spec := &s.specs[i]
			out = append(out, Note{File: spec.File, Line: spec.Line, Rule: spec.Name, On: spec.Source, Priority: spec.Priority,
				Text: fmt.Sprintf("its limit of %s cannot be passed: %s reads from %.4g to %.4g", amountOf(t.Value, t.Unit, ""), tag.Path, tag.Low, tag.High)})
		}
	}
	return out
}

// Limit gives the limit of an alarm; false where its condition is no single
// comparison with a figure.
func (s *Set) Limit(index int) (Limit, bool) {
	if t := s.alarms[index].limit; t != nil {
		return t.Limit, true
	}
	return Limit{}, false
}

// Margin is the value that is compared with the limit; false while it is not
// known, or while the rest of the condition or its plant state keeps the alarm
// from coming whatever it is.
func (s *Set) Margin(index int, f *plant.Frame, at time.Time) (v float64, ok bool) {
	a := &s.alarms[index]
	var rf RuleFault
	holds := func(t *test) bool {
		var ta tally
		return s.truth(t, f, at, &ta, &rf) == plant.True
	}
	if a.only.test != nil && !holds(a.only.test) {
		return 0, false
	}
	for _, t := range a.limit.others {
		if !holds(t) {
			return 0, false
		}
	}
	v, q := s.eval(&a.limit.main.l, f, at, &rf)
	return v, q.Usable()
}
