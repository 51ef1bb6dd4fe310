package rules

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// operand is one side of a comparison, or a derived value, ready to run: a
// fixed number, one input, or a program of expr-lang over a few inputs.
type operand struct {
	kind   operandKind
	fixed  float64
	gauged bool // fixed is at the usual barometer
	in     int32
	tree   *number
	ins    []int32
	dim    dims
	words  words.Text
}

type operandKind uint8

const (
	operandFixed operandKind = iota
	operandInput
	operandTree
)

// test is a condition ready to run.
type test struct {
	op    logicOp
	kids  []*test
	cmp   compare
	l, r  operand
	band  float64
	eased bool
	in    int32
}

// operand makes a number ready to run.
func (r *reader) operand(n *number) operand {
	o := operand{dim: n.dim, words: r.set.words(n)}
	switch n.op {
	case numConst:
		o.fixed, o.gauged = n.val, n.gauged
		if math.IsNaN(n.val) || math.IsInf(n.val, 0) {
			r.complain(n.from, "the number is not finite", "")
		}
		return o
	case numInput:
		o.kind, o.in = operandInput, n.in
		return o
	}
	o.kind, o.tree = operandTree, n
	r.inputsOf(n, &o.ins)
	return o
}

var infix = map[numberOp]string{numAdd: " + ", numSub: " - ", numMul: " * ", numDiv: " / "}

// inputsOf gathers what a number reads, and complains of what it cannot be made of.
func (r *reader) inputsOf(n *number, ins *[]int32) {
	switch {
	case n.op == numConst && (math.IsNaN(n.val) || math.IsInf(n.val, 0)):
		r.complain(n.from, "the number is not finite", "")
	case n.op == numInput && !slices.Contains(*ins, n.in):
		*ins = append(*ins, n.in)
	case n.op == numChoice:
		r.inputsOfLogic(n.cond, ins)
	}
	for _, k := range n.kids {
		r.inputsOf(k, ins)
	}
}

func (r *reader) inputsOfLogic(l *logic, ins *[]int32) {
	switch l.op {
	case logCompare:
		r.inputsOf(l.l, ins)
		r.inputsOf(l.r, ins)
	case logIsBad, logIsGood:
		r.complain(l.from, "is_bad and is_good cannot choose between numbers", "use them in a condition")
	}
	for _, k := range l.kids {
		r.inputsOfLogic(k, ins)
	}
}

// test makes a condition ready to run.
func (r *reader) test(l *logic) *test {
	t := &test{op: l.op, cmp: l.cmp, in: l.in, band: l.band, eased: l.eased}
	for _, k := range l.kids {
		t.kids = append(t.kids, r.test(k))
	}
	if l.op == logCompare {
		t.l, t.r = r.operand(l.l), r.operand(l.r)
	}
	return t
}

// amountOf is a figure with its unit, of what a tag has or what is compared with it.
func amountOf(v float64, unit, of string) words.Text {
	if unit == "" || unit == "1" {
		return words.Text(strconv.FormatFloat(v, 'g', 6, 64))
	}
	return words.Say("%s", words.Measure{Value: v, Unit: unit, Form: "%.6g", Of: of})
}

// words gives a number as a person would say it.
func (s *Set) words(n *number) words.Text {
	switch n.op {
	case numConst:
		return amountOf(n.val, n.dim.unit(), "")
	case numInput:
		return s.inputs[n.in].words
	case numNeg:
		return words.Say("-%s", s.words(n.kids[0]))
	case numFunc:
		args := make([]words.Text, len(n.kids))
		for i, k := range n.kids {
			args[i] = s.words(k)
		}
		return words.Say("%s(%s)", n.fn, words.Join(args, ", "))
	case numChoice:
		return words.Say("(%s if %s, else %s)", s.words(n.kids[0]), s.sentence(n.cond), s.words(n.kids[1]))
	}
	return words.Say("(%s%s%s)", s.words(n.kids[0]), strings.Replace(infix[n.op], "*", "x", 1), s.words(n.kids[1]))
}

// sentence gives a condition as a person would say it.
func (s *Set) sentence(l *logic) words.Text {
	join := func(word words.Text) words.Text {
		parts := make([]words.Text, len(l.kids))
		for i, k := range l.kids {
			parts[i] = s.sentence(k)
			if (k.op == logAnd || k.op == logOr) && k.op != l.op {
				parts[i] = words.Say("(%s)", parts[i])
			}
		}
		return words.Join(parts, word)
	}
	switch l.op {
	case logTrue:
		return "always"
	case logFalse:
		return "never"
	case logAnd:
		return join(" and ")
	case logOr:
		return join(" or ")
	case logNot:
		return words.Say("not (%s)", s.sentence(l.kids[0]))
	case logIf:
		return words.Say("(%s where %s, else %s)", s.sentence(l.kids[1]), s.sentence(l.kids[0]), s.sentence(l.kids[2]))
	case logIsBad:
		return words.Say("%s is bad", s.inputs[l.in].words)
	case logIsGood:
		return words.Say("%s is good", s.inputs[l.in].words)
	}
	if l.l.dim.only(plant.State) && l.cmp == notEqual && l.r.op == numConst && l.r.val == 0 {
		return words.Say("%s is on", s.words(l.l))
	}
	right := s.words(l.r)
	if l.l.op == numInput && l.r.op == numConst {
		right = amountOf(l.r.val, l.r.dim.unit(), s.inputs[l.l.in].path)
	}
	return words.Say(compareWords[l.cmp], s.words(l.l), right)
}

// words of a test that is ready to run.
func (t *test) words(s *Set) words.Text {
	switch t.op {
	case logIsBad:
		return words.Say("%s is bad", s.inputs[t.in].words)
	case logIsGood:
		return words.Say("%s is good", s.inputs[t.in].words)
	case logTrue:
		return "always"
	case logFalse:
		return "never"
	case logCompare:
		if t.l.dim.only(plant.State) && t.cmp == notEqual && t.r.kind == operandFixed && t.r.fixed == 0 {
			return words.Say("%s is on", t.l.words)
		}
		right := t.r.words
		if t.l.kind == operandInput && t.r.kind == operandFixed {
			right = amountOf(t.r.fixed, t.r.dim.unit(), s.inputs[t.l.in].path)
		}
		return words.Say(compareWords[t.cmp], t.l.words, right)
	}
	return ""
}

// tally gathers the qualities met while a condition is worked out.
type tally struct {
	all, decided       plant.Quality
	anyAll, anyDecided bool
}

func (t *tally) add(q plant.Quality, decided bool) {
	if !t.anyAll {
		t.all, t.anyAll = q, true
	} else {
		t.all = plant.Worse(t.all, q)
	}
	if !decided {
		return
	}
	if !t.anyDecided {
		t.decided, t.anyDecided = q, true
	} else {
		t.decided = plant.Worse(t.decided, q)
	}
}

// quality is the worst of the inputs that decided; of all if nothing did.
func (t *tally) quality(truth plant.Truth) plant.Quality {
	if truth != plant.Unknown && t.anyDecided {
		return t.decided
	}
	if t.anyAll {
		return t.all
	}
	return plant.Good
}

// read gives the present value of an input.
func (s *Set) read(id int32, f *plant.Frame, at time.Time) (float64, plant.Quality) {
	in := &s.inputs[id]
	switch in.kind {
	case inputWindow:
		if now := at.UnixNano(); !in.fresh || in.at != now {
			in.value, in.q = s.windows[in.window].value(in.fn, at)
			in.at, in.fresh = now, true
		}
		return in.value, in.q
	case inputUnchanged:
		return s.trackers[in.window].unchanged(at)
	case inputAge:
		p := f.Point(in.tag)
		if !p.Quality.Seen() {
			return math.NaN(), plant.BadWaitingForInitial
		}
		return max(0, at.Sub(p.Time).Seconds()), plant.Good
	}
	p := f.Point(in.tag)
	switch {
	case p.Quality.IsBad():
		return math.NaN(), p.Quality
	case math.IsNaN(p.Value), math.IsInf(p.Value, 0):
		return math.NaN(), plant.BadOutOfRange
	}
	return p.Value, p.Quality
}

// eval works an operand out. A result that is not a finite number is bad and
// counts as a fault of the rule.
func (s *Set) eval(o *operand, f *plant.Frame, at time.Time, rf *RuleFault) (float64, plant.Quality) {
	switch o.kind {
	case operandFixed:
		if o.gauged {
			return o.fixed + s.air, plant.Good
		}
		return o.fixed, plant.Good
	case operandInput:
		return s.read(o.in, f, at)
	}
	worst, bad := plant.Good, false
	for _, in := range o.ins {
		v, q := s.read(in, f, at)
		worst = plant.Worse(worst, q)
		bad = bad || q.IsBad()
		s.inputs[in].seen = v
	}
	if bad {
		return math.NaN(), worst
	}
	v := s.number(o.tree)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		rf.note(at, "the result is not a finite number (a division by zero, perhaps)")
		return math.NaN(), plant.BadOutOfRange
	}
	return v, worst
}

// number works a number out from what its inputs were seen to be.
func (s *Set) number(n *number) float64 {
	switch n.op {
	case numConst:
		if n.gauged {
			return n.val + s.air
		}
		return n.val
	case numInput:
		return s.inputs[n.in].seen
	case numChoice:
		if s.chooses(n.cond) {
			return s.number(n.kids[0])
		}
		return s.number(n.kids[1])
	}
	x := s.number(n.kids[0])
	switch n.op {
	case numNeg:
		return -x
	case numAdd:
		return x + s.number(n.kids[1])
	case numSub:
		return x - s.number(n.kids[1])
	case numMul:
		return x * s.number(n.kids[1])
	case numDiv:
		return x / s.number(n.kids[1])
	}
	switch n.fn { // numFunc
	case "abs":
		return math.Abs(x)
	case "sqrt":
		return math.Sqrt(x)
	}
	for _, k := range n.kids[1:] {
		if y := s.number(k); n.fn == "min" {
			x = min(x, y)
		} else {
			x = max(x, y)
		}
	}
	return x
}

// chooses works out the condition of a choice between numbers.
func (s *Set) chooses(l *logic) bool {
	switch l.op {
	case logTrue, logFalse:
		return l.op == logTrue
	case logNot:
		return !s.chooses(l.kids[0])
	case logAnd:
		return s.chooses(l.kids[0]) && s.chooses(l.kids[1])
	case logOr:
		return s.chooses(l.kids[0]) || s.chooses(l.kids[1])
	case logIf:
		if s.chooses(l.kids[0]) {
			return s.chooses(l.kids[1])
		}
		return s.chooses(l.kids[2])
	}
	return l.cmp.holds(s.number(l.l), s.number(l.r))
}

// truth works a condition out by Kleene's logic.
func (s *Set) truth(t *test, f *plant.Frame, at time.Time, ta *tally, rf *RuleFault) plant.Truth {
	switch t.op {
	case logTrue:
		return plant.True
	case logFalse:
		return plant.False
	case logNot:
		return s.truth(t.kids[0], f, at, ta, rf).Not()
	case logAnd:
		a := s.truth(t.kids[0], f, at, ta, rf)
		if a == plant.False {
			return a
		}
		return min(a, s.truth(t.kids[1], f, at, ta, rf)) // False < Unknown < True
	case logOr:
		a := s.truth(t.kids[0], f, at, ta, rf)
		if a == plant.True {
			return a
		}
		return max(a, s.truth(t.kids[1], f, at, ta, rf))
	case logIf:
		switch s.truth(t.kids[0], f, at, ta, rf) {
		case plant.True:
			return s.truth(t.kids[1], f, at, ta, rf)
		case plant.False:
			return s.truth(t.kids[2], f, at, ta, rf)
		}
		a, b := s.truth(t.kids[1], f, at, ta, rf), s.truth(t.kids[2], f, at, ta, rf)
		if a == b {
			return a
		}
		return plant.Unknown
	case logIsBad, logIsGood:
		// The quality is the question here, so it is known whatever it is.
		_, q := s.read(t.in, f, at)
		ta.add(plant.Good, true)
		if t.op == logIsBad {
			return plant.TruthOf(q.IsBad())
		}
		return plant.TruthOf(q.IsGood())
	}
	l, ql := s.eval(&t.l, f, at, rf)
	r, qr := s.eval(&t.r, f, at, rf)
	q := plant.Worse(ql, qr)
	if q.IsBad() {
		ta.add(q, false)
		return plant.Unknown
	}
	ta.add(q, true)
	return plant.TruthOf(t.holds(l, r))
}

func (t *test) holds(l, r float64) bool {
	if t.eased {
		switch t.cmp {
		case greater, greaterEqual:
			return l >= r-t.band
		case less, lessEqual:
			return l <= r+t.band
		}
	}
	return t.cmp.holds(l, r)
}

func (c compare) holds(l, r float64) bool {
	switch c {
	case less:
		return l < r
	case lessEqual:
		return l <= r
	case greater:
		return l > r
	case greaterEqual:
		return l >= r
	case equal:
		return l == r
	}
	return l != r
}
