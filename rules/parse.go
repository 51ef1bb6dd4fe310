package rules

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/conf"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"

	"calandria/plant"
	"calandria/plant/words"
)

// Bounds of one expression.
const (
	maxSource = 4 << 10
	maxNodes  = 200
	// maxVisits bounds the work of reading an expression: the parser shares
	// the middle of a < b < c between two comparisons.
	maxVisits = 10 * maxNodes
)

// number is a numeric part of an expression whose tags are resolved.
type number struct {
	op     numberOp
	val    float64 // constant
	gauged bool    // val is at the usual barometer: what the air is off by comes on top
	in     int32   // input
	fn     string  // abs, min, max, sqrt
	kids   []*number
	cond   *logic // of a choice
	dim    dims
	from   int // rune in the source
	// limit names the figure under limits: that a constant stands for by itself.
	limit string
}

type numberOp uint8

const (
	numConst numberOp = iota
	numInput
	numAdd
	numSub
	numMul
	numDiv
	numNeg
	numFunc
	numChoice
)

// logic is a part of an expression that is true or false.
type logic struct {
	op   logicOp
	kids []*logic
	cmp  compare
	l, r *number
	// band is the deadband by which the comparison is eased; easedEqual says
	// that the edge itself still holds.
	band  float64
	eased bool
	in    int32 // input whose quality is asked for
	from  int
}

type logicOp uint8

const (
	logTrue logicOp = iota
	logFalse
	logAnd
	logOr
	logNot
	logIf
	logCompare
	logIsBad
	logIsGood
)

type compare uint8

const (
	less compare = iota
	lessEqual
	greater
	greaterEqual
	equal
	notEqual
)

var compareOf = map[string]compare{"<": less, "<=": lessEqual, ">": greater, ">=": greaterEqual, "==": equal, "!=": notEqual}
var compareWords = [...]words.Text{"%s is below %s", "%s is at or below %s", "%s is above %s", "%s is at or above %s", "%s is equal to %s", "%s is not equal to %s"}

// input is something an expression reads at run time.
type input struct {
	kind inputKind
	tag  plant.TagID
	path string
	dim  dims
	// of a window, or of what keeps the time of the last change
	window int32
	fn     windowKind
	words  words.Text
	// the value worked out last, shared by all rules of a scan
	at    int64
	fresh bool
	value float64
	q     plant.Quality
	seen  float64 // while a number is worked out
}

type inputKind uint8

const (
	inputTag inputKind = iota
	inputWindow
	inputAge
	inputUnchanged
)

// complaint is a fault inside an expression, at a rune of its source.
type complaint struct {
	at           int
	problem, fix words.Text
}

// reader turns one expression into numbers and logic.
type reader struct {
	set    *Set
	scope  *scope
	source string
	visits int

	complaints []complaint
	missing    []words.Text // tags that this equipment lacks
	unset      []string     // limits that the site still has to state
	notes      []string
	// inputs met, for the dependency index
	inputs []int32
	limits map[string]*limitValue
}

// limitValue is a named number of a rule; busy while it is being read, so
// that one that refers to itself is found.
type limitValue struct {
	source string
	busy   bool
}

func (r *reader) complain(at int, problem, fix words.Text) {
	if len(r.complaints) < 20 {
		r.complaints = append(r.complaints, complaint{at, problem, fix})
	}
}

func (r *reader) bad(at int, problem, fix words.Text) *number {
	r.complain(at, problem, fix)
	return &number{val: math.NaN(), dim: unknownDim, from: at}
}

func (r *reader) badLogic(at int, problem, fix words.Text) *logic {
	r.complain(at, problem, fix)
	return &logic{op: logFalse, from: at}
}

// parse reads the source into a tree, within the bounds.
func (r *reader) parse() (node ast.Node, ok bool) {
	switch {
	case strings.TrimSpace(r.source) == "":
		r.complain(0, "the expression is empty", "write one, or leave the key out")
		return nil, false
	case len(r.source) > maxSource:
		r.complain(0, words.Say("the expression is longer than %d bytes", maxSource), "split it with derived tags")
		return nil, false
	}
	// The parser is someone else's: a panic in it is a fault of the expression.
	defer func() {
		if p := recover(); p != nil {
			r.complain(0, "the expression cannot be read", "write it more simply")
			node, ok = nil, false
		}
	}()
	c := conf.CreateNew()
	c.MaxNodes = maxNodes
	c.DisableIfOperator = true // one way to choose is enough: condition ? a : b
	tree, err := parser.ParseWithConfig(r.source, c)
	if err != nil {
		at, problem := 0, words.Verbatim(err.Error())
		if fe, ok := errors.AsType[*file.Error](err); ok {
			at, problem = fe.From, words.Verbatim(fe.Message)
		}
		fix := words.Text("check brackets, operators and names")
		if strings.Contains(err.Error(), "maximum allowed nodes") {
			problem, fix = words.Say("the expression has more than %d parts", maxNodes), "split it with derived tags"
		}
		r.complain(at, problem, fix)
		return nil, false
	}
	return tree.Node, true
}

// isLogic reports whether a tree is true or false rather than a number, as
// far as its form tells.
func isLogic(n ast.Node) bool {
	switch x := n.(type) {
	case *ast.BoolNode:
		return true
	case *ast.UnaryNode:
		return x.Operator == "not" || x.Operator == "!"
	case *ast.BinaryNode:
		_, cmp := compareOf[x.Operator]
		return cmp || isAnd(x.Operator) || isOr(x.Operator)
	case *ast.ConditionalNode:
		return isLogic(x.Exp1) || isLogic(x.Exp2)
	}
	name, _, ok := call(n)
	return ok && (name == "between" || name == "is_bad" || name == "is_good")
}

func isAnd(op string) bool { return op == "and" || op == "&&" }
func isOr(op string) bool  { return op == "or" || op == "||" }

// call takes a function call apart.
func call(n ast.Node) (name string, args []ast.Node, ok bool) {
	switch x := n.(type) {
	case *ast.BuiltinNode:
		return x.Name, x.Arguments, true
	case *ast.CallNode:
		if id, is := x.Callee.(*ast.IdentifierNode); is {
			return id.Value, x.Arguments, true
		}
	}
	return "", nil, false
}

func (r *reader) tooMuch(at int) bool {
	r.visits++
	if r.visits == maxVisits+1 {
		r.complain(at, "the expression is nested too deeply", "split it with derived tags")
	}
	return r.visits > maxVisits
}

func (r *reader) logic(n ast.Node) *logic {
	if n == nil {
		return r.badLogic(0, "something is missing here", "")
	}
	at := n.Location().From
	if r.tooMuch(at) {
		return &logic{op: logFalse, from: at}
	}
	switch x := n.(type) {
	case *ast.BoolNode:
		if x.Value {
			return &logic{op: logTrue, from: at}
		}
		return &logic{op: logFalse, from: at}
	case *ast.UnaryNode:
		if x.Operator == "not" || x.Operator == "!" {
			return &logic{op: logNot, kids: []*logic{r.logic(x.Node)}, from: at}
		}
	case *ast.BinaryNode:
		switch {
		case isAnd(x.Operator):
			return &logic{op: logAnd, kids: []*logic{r.logic(x.Left), r.logic(x.Right)}, from: at}
		case isOr(x.Operator):
			return &logic{op: logOr, kids: []*logic{r.logic(x.Left), r.logic(x.Right)}, from: at}
		}
		if cmp, ok := compareOf[x.Operator]; ok {
			if isLogic(x.Left) || isLogic(x.Right) {
				return r.badLogic(at, "a condition is written where a number is compared", "join conditions with and, or, not")
			}
			return r.compare(at, cmp, r.number(x.Left), r.number(x.Right))
		}
	case *ast.ConditionalNode:
		return &logic{op: logIf, kids: []*logic{r.logic(x.Cond), r.logic(x.Exp1), r.logic(x.Exp2)}, from: at}
	}
	if name, args, ok := call(n); ok {
		switch name {
		case "between":
			if len(args) != 3 {
				return r.badLogic(at, "between takes three numbers", "write between(value, low, high)")
			}
			v := r.number(args[0])
			return &logic{op: logAnd, from: at, kids: []*logic{
				r.compare(at, greaterEqual, v, r.number(args[1])),
				r.compare(at, lessEqual, v, r.number(args[2]))}}
		case "is_bad", "is_good":
			in, ok := r.tagArgument(at, name, args)
			if !ok {
				return &logic{op: logFalse, from: at}
			}
			r.reads(in)
			l := &logic{op: logIsBad, in: in, from: at}
			if name == "is_good" {
				l.op = logIsGood
			}
			return l
		}
	}
	v := r.number(n)
	if v.dim.only(plant.State) {
		return &logic{op: logCompare, cmp: notEqual, l: v, r: &number{dim: bareNumber}, from: at}
	}
	if len(r.complaints) > 0 || len(r.missing) > 0 {
		return &logic{op: logFalse, from: at}
	}
	return r.badLogic(at, words.Say("a number (%s) is written where a condition is expected", v.dim), "compare it with something, for example > 5")
}

func (r *reader) compare(at int, cmp compare, a, b *number) *logic {
	if _, ok := meet(a.dim, b.dim); !ok {
		return r.badLogic(at, words.Say("%s is compared with %s", a.dim, b.dim), unitFix(a.dim, b.dim))
	}
	for _, p := range [2][2]*number{{a, b}, {b, a}} {
		if (p[0].dim.known() || p[0].dim.compound != nil) && p[1].dim.bare && p[1].val != 0 && !unitless(p[0].dim) {
			r.notes = append(r.notes, fmt.Sprintf("%g is taken as %g %s; write the unit to be sure", p[1].val, p[1].val, p[0].dim.unit()))
		}
	}
	return &logic{op: logCompare, cmp: cmp, l: a, r: b, from: at}
}

func unitless(d dims) bool {
	return slices.Contains(d.set, plant.Ratio) || slices.Contains(d.set, plant.State)
}

func unitFix(a, b dims) words.Text {
	if a.compound != nil {
		return productFix(a, b)
	}
	if b.compound != nil {
		return productFix(b, a)
	}
	for _, d := range []dims{a, b} {
		if d.known() && strings.HasPrefix(string(d.set[0]), ratePrefix) {
			return "a slope is compared with per_hour(...), per_minute(...) or per_day(...)"
		}
	}
	return "compare like with like; a difference of temperatures is in K, a temperature in degC"
}

func (r *reader) number(n ast.Node) *number {
	if n == nil {
		return r.bad(0, "something is missing here", "")
	}
	at := n.Location().From
	if r.tooMuch(at) {
		return &number{dim: unknownDim, from: at}
	}
	switch x := n.(type) {
	case *ast.IntegerNode:
		return &number{val: float64(x.Value), dim: bareNumber, from: at}
	case *ast.FloatNode:
		return &number{val: x.Value, dim: bareNumber, from: at}
	case *ast.IdentifierNode, *ast.MemberNode:
		return r.name(n)
	case *ast.UnaryNode:
		k := r.number(x.Node)
		switch x.Operator {
		case "-":
			if k.op == numConst {
				return &number{val: -k.val, dim: k.dim, from: at}
			}
			return &number{op: numNeg, kids: []*number{k}, dim: plain(k.dim), from: at}
		case "+":
			return k
		}
		return r.bad(at, words.Say("%s is written before a number", x.Operator), "not belongs before a condition")
	case *ast.BinaryNode:
		return r.binary(at, x)
	case *ast.ConditionalNode:
		c, a, b := r.logic(x.Cond), r.number(x.Exp1), r.number(x.Exp2)
		d, ok := meet(a.dim, b.dim)
		if !ok {
			return r.bad(at, words.Say("the choice is between %s and %s", a.dim, b.dim), unitFix(a.dim, b.dim))
		}
		return &number{op: numChoice, cond: c, kids: []*number{a, b}, dim: d, from: at}
	case *ast.BoolNode:
		return r.bad(at, "true or false is written where a number is expected", "write 1 or 0")
	case *ast.StringNode:
		return r.bad(at, "a text is written where a number is expected", "texts are only used for the length of a window")
	}
	if name, args, ok := call(n); ok {
		return r.call(at, name, args)
	}
	return r.bad(at, words.Say("%s is not part of the rule language", nodeWord(n)), "use tags, numbers, + - * /, comparisons, and, or, not, and the listed functions")
}

func nodeWord(n ast.Node) string {
	names := map[string]string{"*ast.ArrayNode": "a list", "*ast.SliceNode": "a list", "*ast.MapNode": "a map", "*ast.PredicateNode": "a predicate",
		"*ast.PointerNode": "a predicate", "*ast.VariableDeclaratorNode": "let", "*ast.SequenceNode": "a sequence with ;", "*ast.ChainNode": "?.", "*ast.NilNode": "nil"}
	return cmp.Or(names[fmt.Sprintf("%T", n)], "this")
}

func (r *reader) binary(at int, x *ast.BinaryNode) *number {
	if _, ok := compareOf[x.Operator]; ok || isAnd(x.Operator) || isOr(x.Operator) {
		return r.bad(at, "a condition is written where a number is expected", "choose with condition ? a : b")
	}
	op, ok := map[string]numberOp{"+": numAdd, "-": numSub, "*": numMul, "/": numDiv}[x.Operator]
	if !ok {
		return r.bad(at, words.Say("operator %s is not part of the rule language", x.Operator), "use + - * / < <= > >= == != and or not")
	}
	a, b := r.number(x.Left), r.number(x.Right)
	n := &number{op: op, kids: []*number{a, b}, from: at}
	factor := 1.
	switch op {
	case numAdd, numSub:
		d, ok := sum(a.dim, b.dim, op == numSub)
		if !ok {
			verb := "added to"
			if op == numSub {
				verb = "taken from"
				a, b = b, a
			}
			return r.bad(at, words.Say("%s is %s %s", a.dim, verb, b.dim), unitFix(a.dim, b.dim))
		}
		n.dim = d
	case numMul:
		n.dim, factor = product(a.dim, b.dim)
	case numDiv:
		if b.op == numConst && b.val == 0 {
			return r.bad(at, "a division by zero", "")
		}
		n.dim, factor = quotient(a.dim, b.dim)
	}
	if a.op == numConst && b.op == numConst {
		v := math.NaN()
		switch op {
		case numAdd:
			v = a.val + b.val
		case numSub:
			v = a.val - b.val
		case numMul:
			v = a.val * b.val
		case numDiv:
			v = a.val / b.val
		}
		return &number{val: v * factor, gauged: a.gauged != b.gauged, dim: n.dim, from: at}
	}
	if factor == 1 {
		return n
	}
	if len(r.missing) == 0 && len(r.complaints) == 0 {
		r.notes = append(r.notes, fmt.Sprintf("%s is brought into %s by a factor of %g: the expression needs none of its own for that", r.set.words(n), n.dim.unit(), factor))
	}
	return &number{op: numMul, kids: []*number{n, {val: factor, dim: bareNumber, from: at}}, dim: n.dim, from: at}
}

// declared checks the dimension of an expression against the one that its tag
// is declared to have. A number of which no dimension is known is taken at its
// word, with a note.
func (r *reader) declared(n *number, want dims) {
	if len(r.complaints)+len(r.missing)+len(r.unset) > 0 {
		return
	}
	if _, alike := meet(n.dim, want); !alike {
		fix := words.Text("mend dimension: or the expression")
		if n.dim.compound != nil {
			fix = productFix(n.dim, want)
		}
		r.complain(n.from, words.Say("the expression gives %s, the tag is declared as %s", n.dim, want), fix)
		return
	}
	if want.known() && !unitless(want) && !n.dim.known() {
		gives := "the dimension of the expression is not known"
		if n.dim.bare {
			gives = "the expression gives a plain number"
		}
		r.notes = append(r.notes, fmt.Sprintf("%s: it is taken to be in %s", gives, want.unit()))
	}
}

// arguments are how many a function takes; most 0: as many as least.
var arguments = map[string]struct {
	least, most int
	words, fix  words.Text
}{
	"abs":        {1, 0, "one number", ""},
	"sqrt":       {1, 0, "one number", ""},
	"min":        {2, 8, "two to eight numbers", ""},
	"max":        {2, 8, "two to eight numbers", ""},
	"clamp":      {3, 0, "three numbers", "write clamp(value, low, high)"},
	"default":    {2, 0, "a tag and its substitute", "write default(this.cleaning, 0)"},
	"gauge":      {1, 0, "one pressure", "write for example gauge(kPa(50))"},
	"vacuum":     {1, 0, "one pressure", "write for example gauge(kPa(50))"},
	"unit":       {2, 3, "a number, a unit and perhaps a dimension", `write unit(9, "degF", "temperature difference")`},
	"per_hour":   {1, 0, "one number", "write for example per_hour(kPa(5))"},
	"per_minute": {1, 0, "one number", "write for example per_hour(kPa(5))"},
	"per_day":    {1, 0, "one number", "write for example per_hour(kPa(5))"},
}

func (r *reader) call(at int, name string, args []ast.Node) *number {
	if kind, ok := windowFunctions[name]; ok {
		return r.window(at, name, kind, args)
	}
	if lit, ok := literals[name]; ok {
		v, ok := r.constant(at, name, args)
		if !ok {
			return &number{val: math.NaN(), dim: dimOf(lit.dims...), from: at}
		}
		c, err := plant.ToCanonical(lit.dims[0], lit.unit, v)
		if err != nil {
			return r.bad(at, words.Of(err), "")
		}
		return &number{val: c, dim: dimOf(lit.dims...), from: at}
	}
	if takes, known := arguments[name]; known && (len(args) < takes.least || len(args) > max(takes.least, takes.most)) {
		return r.bad(at, words.Say("%s takes %s", name, takes.words), takes.fix)
	}
	switch name {
	case "abs", "sqrt":
		a := r.number(args[0])
		n := &number{op: numFunc, fn: name, kids: []*number{a}, dim: a.dim, from: at}
		if name == "sqrt" && !a.dim.bare {
			n.dim = unknownDim
		}
		return n
	case "min", "max":
		n := &number{op: numFunc, fn: name, from: at}
		n.dim = bareNumber
		for _, a := range args {
			k := r.number(a)
			d, ok := meet(n.dim, k.dim)
			if !ok {
				return r.bad(k.from, words.Say("%s is written beside %s", k.dim, n.dim), unitFix(k.dim, n.dim))
			}
			n.dim = d
			n.kids = append(n.kids, k)
		}
		return n
	case "clamp":
		return r.call(at, "min", []ast.Node{&ast.BuiltinNode{Name: "max", Arguments: args[:2]}, args[2]})
	case "age", "unchanged":
		return r.sinceOf(at, name, args)
	case "default":
		return r.orDefault(at, args)
	case "gauge", "vacuum":
		return r.absolute(at, name, args)
	case "unit":
		return r.unit(at, args)
	case "per_hour", "per_minute", "per_day":
		return r.rate(at, name, args)
	case "is_bad", "is_good", "between":
		return r.bad(at, words.Say("%s is a condition, not a number", name), "")
	}
	return r.bad(at, words.Say("there is no function %s in the rule language", name),
		plant.DidYouMean(plant.Nearest(name, functionNames()), "%s", words.Say("functions: %s", strings.Join(functionNames(), ", "))))
}

// sinceOf reads age(tag) and unchanged(tag): times since something happened.
func (r *reader) sinceOf(at int, name string, args []ast.Node) *number {
	src, ok := r.tagArgument(at, name, args)
	if !ok {
		return &number{dim: dimOf(plant.Duration), from: at}
	}
	x := r.set.inputs[src]
	of := input{kind: inputAge, tag: x.tag, path: x.path, dim: dimOf(plant.Duration), words: words.Say("age of %s", x.path)}
	if name == "unchanged" {
		if r.set.house.Tags[x.tag].Source == plant.Fixed {
			// It stands in the configuration: that it never changes says nothing.
			r.missing = append(r.missing, words.Say("%s is a fixed value, no instrument", x.path))
			return &number{dim: dimOf(plant.Duration), from: at}
		}
		of.kind, of.window, of.words = inputUnchanged, r.set.trackerOn(x.tag, x.path), words.Say("time since %s changed", x.path)
	}
	return &number{op: numInput, in: r.use(of), dim: dimOf(plant.Duration), from: at}
}

// absolute reads gauge(kPa(50)) and vacuum(kPa(50)).
func (r *reader) absolute(at int, name string, args []ast.Node) *number {
	a := r.number(args[0])
	if a.op != numConst || !slices.Contains(a.dim.set, plant.Pressure) {
		return r.bad(at, words.Say("%s takes a fixed pressure with its unit", name), "write for example gauge(kPa(50)); tags are absolute already")
	}
	ref := plant.Gauge
	if name == "vacuum" {
		ref = plant.Vacuum
	}
	return &number{val: ref.ToAbsolute(a.val, r.set.barometer), gauged: true, dim: dimOf(plant.Pressure), from: at}
}

// rate reads per_hour(kPa(5)) and its like.
func (r *reader) rate(at int, name string, args []ast.Node) *number {
	a := r.number(args[0])
	if a.op != numConst {
		return r.bad(at, words.Say("%s takes a fixed number", name), "write for example per_hour(kPa(5))")
	}
	f := map[string]float64{"per_hour": 1, "per_minute": 60, "per_day": 1. / 24}[name]
	n := &number{val: a.val * f, from: at, dim: a.dim.each(rateOf)}
	return n
}

// constant reads the fixed number inside a unit function.
func (r *reader) constant(at int, name string, args []ast.Node) (float64, bool) {
	if len(args) == 1 {
		a := r.number(args[0])
		if a.op == numConst && a.dim.bare {
			return a.val, true
		}
		if math.IsNaN(a.val) {
			return 0, false // reported already
		}
	}
	r.complain(at, words.Say("%s takes one fixed number", name), words.Say("write for example %s(5)", name))
	return 0, false
}

// unit reads unit(9, "degF") and unit(9, "degF", "temperature difference").
func (r *reader) unit(at int, args []ast.Node) *number {
	form := arguments["unit"].fix
	v := r.number(args[0])
	name, ok := args[1].(*ast.StringNode)
	if v.op != numConst || !v.dim.bare || !ok {
		return r.bad(at, "unit takes a fixed number and a unit in quotes", form)
	}
	ds := plant.DimensionsOf(name.Value)
	if len(args) == 3 {
		d, ok := args[2].(*ast.StringNode)
		if !ok || !slices.Contains(ds, plant.Dimension(d.Value)) {
			return r.bad(args[2].Location().From, words.Say("unit %q does not belong to that dimension", name.Value), words.Say("it belongs to: %s", dimOf(ds...)))
		}
		ds = []plant.Dimension{plant.Dimension(d.Value)}
	}
	if len(ds) == 0 {
		return r.bad(args[1].Location().From, words.Say("unit %q is not known", name.Value), "")
	}
	c, err := plant.ToCanonical(ds[0], name.Value, v.val)
	for _, d := range ds[1:] {
		if x, _ := plant.ToCanonical(d, name.Value, v.val); x != c {
			return r.bad(args[1].Location().From, words.Say("unit %q may mean %s", name.Value, dimOf(ds...)), form)
		}
	}
	if err != nil {
		return r.bad(at, words.Of(err), "")
	}
	return &number{val: c, dim: dimOf(ds...), from: at}
}

// orDefault reads default(tag, number): the second argument where the
// equipment has no such tag.
func (r *reader) orDefault(at int, args []ast.Node) *number {
	if len(args) != 2 { // within a window
		return r.bad(at, "default takes a tag and its substitute", arguments["default"].fix)
	}
	switch args[0].(type) {
	case *ast.IdentifierNode, *ast.MemberNode:
	default:
		if name, _, is := call(args[0]); !is || name != "unchanged" && name != "age" {
			return r.bad(args[0].Location().From, "default takes a tag first, or unchanged or age of one", "write default(this.cleaning, 0)")
		}
	}
	before := len(r.missing)
	a := r.number(args[0])
	if len(r.missing) == before {
		return a
	}
	r.missing = r.missing[:before]
	b := r.number(args[1])
	if b.op == numConst && b.dim.bare && a.dim.known() {
		if !unitless(a.dim) && b.val != 0 {
			r.notes = append(r.notes, fmt.Sprintf("%g is taken as %g %s; write the unit to be sure", b.val, b.val, a.dim.unit()))
		}
		b.dim = a.dim
	} else if d, ok := meet(a.dim, b.dim); !ok {
		return r.bad(b.from, words.Say("%s is the substitute for %s", b.dim, a.dim), unitFix(a.dim, b.dim))
	} else if d.known() {
		b.dim = d
	}
	return b
}

func (r *reader) window(at int, name string, kind windowKind, args []ast.Node) *number {
	form := words.Say(`write %s(tag, "10m")`, name)
	if len(args) != 2 {
		return r.bad(at, words.Say("%s takes a tag and a time", name), form)
	}
	s, ok := args[1].(*ast.StringNode)
	if !ok {
		return r.bad(args[1].Location().From, "the length of a window is a time in quotes", form)
	}
	length, err := plant.ParseDuration(s.Value)
	if err != nil || length < minWindow || length > maxWindow {
		return r.bad(args[1].Location().From, words.Say("%q is not a length of a window", s.Value), "give 1s to 31d, for example 10m")
	}
	before := len(r.missing)
	if inner, dargs, is := call(args[0]); is && inner == "default" {
		// Where the tag is missing, its past is that of the constant.
		n := r.orDefault(args[0].Location().From, dargs)
		if n.op == numConst {
			out := &number{val: n.val, dim: windowDim(kind, n.dim), from: at}
			if kind == windowStd || kind == windowDelta || kind == windowSlope {
				out.val = 0
			}
			return out
		}
		args = []ast.Node{dargs[0], args[1]}
	}
	src, ok := r.tagArgument(args[0].Location().From, name, args[:1])
	if !ok {
		d := unknownDim
		if len(r.missing) > before {
			d = r.lackDim(args[0])
		}
		return &number{val: math.NaN(), dim: windowDim(kind, d), from: at}
	}
	in := r.set.inputs[src]
	w, ok := r.set.windowOn(in.tag, in.path, length)
	if !ok {
		return r.bad(at, words.Say("there are more than %d windows in all", maxWindows), "use fewer different lengths")
	}
	d := windowDim(kind, in.dim)
	id := r.use(input{kind: inputWindow, tag: in.tag, path: in.path, dim: d, window: w, fn: kind,
		words: words.Say(windowWords[kind], in.path, plant.ShortDuration(length))})
	return &number{op: numInput, in: id, dim: d, from: at}
}

func windowDim(kind windowKind, d dims) dims {
	switch kind {
	case windowStd, windowDelta:
		return d.each(difference)
	case windowSlope:
		return d.each(func(x plant.Dimension) plant.Dimension { return rateOf(difference(x)) })
	}
	if d.only(plant.State) {
		return unknownDim // the share of time in which it was on
	}
	return d
}

// tagArgument reads the single argument that must be a tag.
func (r *reader) tagArgument(at int, name string, args []ast.Node) (int32, bool) {
	if len(args) == 1 {
		switch args[0].(type) {
		case *ast.IdentifierNode, *ast.MemberNode:
			// The tag's own value is not read, so it is no input yet.
			before := len(r.inputs)
			n := r.number(args[0])
			r.inputs = r.inputs[:before]
			if n.op == numInput {
				return n.in, true
			}
			if len(r.missing) == 0 && len(r.complaints) == 0 {
				r.complain(at, words.Say("%s needs a tag, not a fixed number", name), "")
			}
			return 0, false
		}
	}
	r.complain(at, words.Say("%s takes a tag", name), "for anything else make a derived tag first")
	return 0, false
}

// chain takes EV.EV3.level apart.
func chain(n ast.Node) ([]string, bool) {
	switch x := n.(type) {
	case *ast.IdentifierNode:
		return []string{x.Value}, true
	case *ast.MemberNode:
		p, ok := x.Property.(*ast.StringNode)
		if !ok || x.Optional {
			return nil, false
		}
		head, ok := chain(x.Node)
		return append(head, p.Value), ok
	}
	return nil, false
}

// start of a chain in the source: a member's own place is that of its dot.
func start(n ast.Node) int {
	for {
		m, ok := n.(*ast.MemberNode)
		if !ok {
			return n.Location().From
		}
		n = m.Node
	}
}

func (r *reader) name(n ast.Node) *number {
	at := start(n)
	path, ok := chain(n)
	if !ok {
		return r.bad(at, "this is not a tag", "write its path, for example EV.EV3.level")
	}
	if path[0] == "limit" && len(path) == 2 {
		return r.limit(at, path[1])
	}
	found := r.scope.find(r.set, path)
	switch {
	case found.problem != "":
		return r.bad(at, found.problem, found.fix)
	case found.missing != "":
		r.missing = append(r.missing, found.missing)
		return &number{val: math.NaN(), dim: found.dim, from: at}
	case found.constant:
		return &number{val: found.value, dim: found.dim, from: at}
	}
	t := &r.set.house.Tags[found.tag]
	in := r.use(input{kind: inputTag, tag: found.tag, path: t.Path, dim: dimOf(t.Dimension), words: words.Verbatim(t.Path)})
	return &number{op: numInput, in: in, dim: dimOf(t.Dimension), from: at}
}

func (r *reader) lackDim(n ast.Node) dims {
	if path, ok := chain(n); ok {
		return r.scope.find(r.set, path).dim
	}
	return unknownDim
}

// limit reads a named number of the rule, which sites may override.
func (r *reader) limit(at int, name string) *number {
	l, ok := r.limits[name]
	if !ok {
		return r.bad(at, words.Say("the rule has no limit %q", name), plant.DidYouMean(nearestKey(name, r.limits), "limit.%s", "write it under limits:"))
	}
	if isPlaceholder(l.source) {
		r.unset = append(r.unset, name)
		return &number{val: 1, dim: unknownDim, from: at}
	}
	if l.busy {
		return r.bad(at, words.Say("limit %q refers to itself", name), "")
	}
	l.busy = true
	defer func() { l.busy = false }()
	sub := &reader{set: r.set, scope: r.scope, source: l.source, limits: r.limits, visits: r.visits}
	node, ok := sub.parse()
	var n *number
	if ok {
		n = sub.number(node)
	}
	r.visits = sub.visits
	for _, c := range sub.complaints {
		r.complain(at, words.Say("in limit %s (%s): %s", name, l.source, c.problem), c.fix)
	}
	r.missing = append(r.missing, sub.missing...)
	r.unset = append(r.unset, sub.unset...)
	r.notes = append(r.notes, sub.notes...)
	r.inputs = append(r.inputs, sub.inputs...)
	if n == nil {
		return &number{val: math.NaN(), dim: unknownDim, from: at}
	}
	n.from, n.limit = at, name
	return n
}

// use finds or adds an input and notes that this expression reads it.
func (r *reader) use(in input) int32 {
	id := r.set.input(in)
	r.reads(id)
	return id
}

func (r *reader) reads(id int32) {
	if !slices.Contains(r.inputs, id) {
		r.inputs = append(r.inputs, id)
	}
}

// nearestKey is the key of a table closest to a mistyped word, or "".
func nearestKey[V any](word string, table map[string]V) string {
	return plant.Nearest(word, slices.Sorted(maps.Keys(table)))
}
