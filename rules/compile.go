package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/vm"

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
	prog   *vm.Program
	ins    []int32
	dim    dims
	words  words.Text
}

type operandKind uint8

const (
	operandFixed operandKind = iota
	operandInput
	operandProgram
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

// environment is what the programs of expr-lang see: the values of their
// inputs and nothing else.
type environment struct {
	X0, X1, X2, X3, X4, X5, X6, X7, X8, X9, X10, X11, X12, X13, X14, X15 float64

	Air float64 // air pressure less the usual barometer, kPa
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
	o.kind = operandProgram
	source := r.code(n, &o.ins)
	if len(r.complaints) > 0 || len(r.missing) > 0 {
		return o
	}
	if len(o.ins) > maxInputs {
		r.complain(n.from, words.Say("more than %d different tags on one side", maxInputs), "split it with derived tags")
		return o
	}
	prog, err := expr.Compile(source,
		expr.Env(environment{}), // of a pointer, each value would be looked up by its name
		expr.AsFloat64(),
		expr.MaxNodes(4*maxNodes),
		expr.DisableAllBuiltins(),
		expr.EnableBuiltin("abs"), expr.EnableBuiltin("min"), expr.EnableBuiltin("max"),
		expr.Function("sqrt", squareRoot, new(func(float64) float64)),
	)
	if err != nil {
		r.complain(n.from, words.Say("the expression cannot be compiled: %s", strings.SplitN(err.Error(), "\n", 2)[0]), "write it more simply")
		return o
	}
	o.prog = prog
	return o
}

func squareRoot(args ...any) (any, error) {
	x, ok := args[0].(float64)
	if !ok {
		return nil, fmt.Errorf("sqrt of something that is not a number")
	}
	return math.Sqrt(x), nil
}

var infix = map[numberOp]string{numAdd: " + ", numSub: " - ", numMul: " * ", numDiv: " / "}

// code gives a number as source for expr-lang, over X0, X1 ...
func (r *reader) code(n *number, ins *[]int32) string {
	kids := make([]string, len(n.kids))
	for i, k := range n.kids {
		kids[i] = r.code(k, ins)
	}
	switch n.op {
	case numConst:
		if math.IsNaN(n.val) || math.IsInf(n.val, 0) {
			r.complain(n.from, "the number is not finite", "")
		}
		s := strconv.FormatFloat(n.val, 'f', -1, 64)
		if !strings.Contains(s, ".") {
			s += ".0"
		}
		if n.gauged {
			s += " + Air"
		}
		return "(" + s + ")"
	case numInput:
		i := slices.Index(*ins, n.in)
		if i < 0 {
			i = len(*ins)
			*ins = append(*ins, n.in)
		}
		return fmt.Sprintf("X%d", i)
	case numNeg:
		return "(-" + kids[0] + ")"
	case numFunc:
		return n.fn + "(" + strings.Join(kids, ", ") + ")"
	case numChoice:
		return fmt.Sprintf("(%s ? %s : %s)", r.logicCode(n.cond, ins), kids[0], kids[1])
	}
	return "(" + kids[0] + infix[n.op] + kids[1] + ")"
}

func (r *reader) logicCode(l *logic, ins *[]int32) string {
	kids := make([]string, len(l.kids))
	for i, k := range l.kids {
		kids[i] = r.logicCode(k, ins)
	}
	switch l.op {
	case logTrue:
		return "(true)"
	case logFalse:
		return "(false)"
	case logNot:
		return "(not " + kids[0] + ")"
	case logAnd:
		return "(" + kids[0] + " and " + kids[1] + ")"
	case logOr:
		return "(" + kids[0] + " or " + kids[1] + ")"
	case logIf:
		return fmt.Sprintf("(%s ? %s : %s)", kids[0], kids[1], kids[2])
	case logCompare:
		return "(" + r.code(l.l, ins) + " " + compareText[l.cmp] + " " + r.code(l.r, ins) + ")"
	}
	r.complain(l.from, "is_bad and is_good cannot choose between numbers", "use them in a condition")
	return "(false)"
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
			return o.fixed + s.env.Air, plant.Good
		}
		return o.fixed, plant.Good
	case operandInput:
		return s.read(o.in, f, at)
	}
	worst, bad := plant.Good, false
	for i, in := range o.ins {
		v, q := s.read(in, f, at)
		worst = plant.Worse(worst, q)
		bad = bad || q.IsBad()
		s.slots.Field(i).SetFloat(v)
	}
	if bad {
		return math.NaN(), worst
	}
	out, err := s.vm.Run(o.prog, &s.env)
	if err != nil {
		rf.note(at, words.Verbatim(strings.SplitN(err.Error(), "\n", 2)[0]))
		return math.NaN(), plant.BadInternalError
	}
	v, ok := out.(float64)
	if !ok || math.IsNaN(v) || math.IsInf(v, 0) {
		rf.note(at, "the result is not a finite number (a division by zero, perhaps)")
		return math.NaN(), plant.BadOutOfRange
	}
	return v, worst
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
	switch t.cmp {
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
