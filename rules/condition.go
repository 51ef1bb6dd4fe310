package rules

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"

	"calandria/plant"
	"calandria/plant/words"
)

// condition builds the condition of one alarm.
type condition struct {
	l     *loader
	lf    *loaded
	field string
	o     *overridden
	this  *plant.Equipment
	name  string
	// of the alarm, for the note that it is left out
	priority plant.Priority

	missing  []words.Text
	inactive bool
	failed   bool
	gauged   bool // the last quantity is at the usual barometer
	setpoint *float64
	unit     string
	limited  string
}

// read reads one expression of the rule, as a condition or as a number.
func (c *condition) read(key, source string, logical bool) (*reader, *logic, *number) {
	lf, field := c.o.at(c.lf, c.field, key)
	r := c.l.reader(c.this, source, c.o.Limits)
	node, ok := r.parse()
	var lg *logic
	var nm *number
	if ok && logical {
		lg = r.logic(node)
	} else if ok {
		nm = r.number(node)
	}
	for _, n := range r.unset {
		pf, pfield := c.o.at(c.lf, c.field, "limits."+n)
		c.l.placehold(pf, pfield, c.o.Name, "limits."+n, c.o.Limits[n], true)
		c.inactive = true
	}
	c.l.reportRead(lf, field, c.o.Name, r)
	c.missing = append(c.missing, r.missing...)
	if len(r.complaints) > 0 {
		c.failed = true
	}
	if len(r.complaints)+len(r.missing)+len(r.unset) > 0 {
		return r, nil, nil
	}
	return r, lg, nm
}

func (c *condition) fault(key string, problem, fix words.Text) {
	lf, field := c.o.at(c.lf, c.field, key)
	c.l.fault(lf, field, problem, fix)
	c.failed = true
}

// quantity reads a number in the rule's unit, or a fixed expression that
// carries its own unit. asDifference reads a span such as a deadband.
func (c *condition) quantity(key, text string, of dims, asDifference bool) (float64, bool) {
	if isPlaceholder(text) {
		lf, field := c.o.at(c.lf, c.field, key)
		c.l.placehold(lf, field, c.o.Name, key, text, true)
		c.inactive = true
		return 0, false
	}
	want := of
	if asDifference {
		want = of.each(difference)
	}
	if v, err := strconv.ParseFloat(strings.TrimSpace(text), 64); err == nil {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			c.fault(key, words.Say("%s is not a finite number", text), "")
			return 0, false
		}
		if !of.known() {
			return v, true
		}
		if c.o.Unit == "" {
			if !unitless(of) {
				c.fault(key, words.Say("%g without a unit", v), words.Say("add unit: %s (units of %s: %s)", of.set[0].Canonical(), of.set[0], strings.Join(plant.UnitsOf(of.set[0]), ", ")))
				return 0, false
			}
			return v, true
		}
		scale, offset, err := plant.CanonicalFactor(of.set[0], c.o.Unit)
		if err != nil {
			if _, ok := errors.AsType[*plant.UnitError](err); ok {
				c.fault("unit", words.Say("unit %q is not a unit of %s", c.o.Unit, of.set[0]), words.Say("use one of %s", strings.Join(plant.UnitsOf(of.set[0]), ", ")))
			} else {
				c.fault("unit", words.Of(err), "")
			}
			return 0, false
		}
		if asDifference {
			return v * scale, true
		}
		v = v*scale + offset
		switch c.o.Reference {
		case "", plant.Absolute:
		case plant.Gauge, plant.Vacuum:
			if !slices.Contains(of.set, plant.Pressure) {
				c.fault("reference", "only a pressure has a reference", "leave it out")
				return 0, false
			}
			v, c.gauged = c.o.Reference.ToAbsolute(v, c.l.set.barometer), true
		default:
			c.fault("reference", words.Say("reference %q is not known", c.o.Reference), "use absolute, gauge or vacuum")
			return 0, false
		}
		return v, true
	}
	r, _, n := c.read(key, text, false)
	if n == nil {
		return 0, false
	}
	if n.op != numConst {
		lf, field := c.o.at(c.lf, c.field, key)
		c.l.exprFault(lf, field, r.source, complaint{n.from, "a fixed number is expected here", "use when: for limits that move"})
		c.failed = true
		return 0, false
	}
	if _, ok := meet(n.dim, want); !ok {
		c.fault(key, words.Say("%s is given as %s, the value is %s", key, n.dim, want), unitFix(n.dim, want))
		return 0, false
	}
	c.gauged = n.gauged
	return n.val, true
}

// kind finds the one key that holds the condition, and refuses what does not go
// with it.
func (c *condition) kind() (key, text string, ok bool) {
	o := c.o
	for _, k := range limitKeys {
		given := *o.figure(k)
		if given == "" {
			continue
		}
		if key != "" {
			c.fault(k, words.Say("both %s and %s", key, k), "make two alarms: each has its own consequence and response")
			return "", "", false
		}
		key, text = k, given
	}
	if key == "" {
		c.l.fault(c.lf, c.field, words.Say("alarm %s has no condition", o.Name), "write tag: with high:, low:, deviation: or rate:, or when:")
		return "", "", false
	}
	for _, k := range []struct {
		key   string
		given bool
		with  []string
	}{{"from", o.From != "", []string{"deviation"}}, {"over", o.Over != 0, []string{"rate"}}, {"direction", o.Direction != "", []string{"rate", "deviation"}}} {
		if k.given && !slices.Contains(k.with, key) {
			c.fault(k.key, words.Say("%s: belongs to %s:", k.key, strings.Join(k.with, ": or ")), "leave it out")
		}
	}
	if key == "when" && o.Tag != "" {
		c.fault("tag", "tag: and when: do not go together", "write the tag inside when:")
	}
	if key != "when" && o.Tag == "" {
		c.l.fault(c.lf, c.field, words.Say("%s: without tag:", key), "say which tag is watched")
		return "", "", false
	}
	if o.Reference != "" && key == "when" {
		c.fault("reference", "reference: belongs to high: and low:", "in expressions write gauge(kPa(50))")
	}
	return key, text, true
}

func (c *condition) build() (alarm, bool) {
	var a alarm
	o := c.o
	key, text, ok := c.kind()
	if !ok {
		return a, false
	}
	var raise *logic
	var r *reader
	if key == "when" {
		r, raise, _ = c.read("when", text, true)
	} else {
		r, raise = c.short(key, text)
	}
	if raise != nil {
		c.ease(raise, r, key, &a)
	}
	if o.ReturnWhen != "" && o.Deadband != "" {
		c.fault("return_when", "both deadband: and return_when:", "keep one")
	}
	switch {
	case o.SuppressWhen == "" && o.SuppressReason != "":
		c.fault("suppress_reason", "nothing suppresses this alarm", "leave it out, or write suppress_when:")
	case o.SuppressWhen != "" && o.HighlyManaged:
		c.fault("suppress_when", "a highly managed alarm is never suppressed automatically", "leave one of the two out")
	case o.SuppressWhen != "" && o.SuppressReason == "" && c.priority == plant.PriorityUrgent:
		c.fault("suppress_when", "an urgent alarm is suppressed without a stated reason", "write suppress_reason: why nobody needs this alarm then, or use only_when:")
	}
	ret := c.clause("return_when", o.ReturnWhen)
	a.suppress, a.only = c.clause("suppress_when", o.SuppressWhen), c.clause("only_when", o.OnlyWhen)
	if o.SuppressReason != "" {
		a.suppress.words = words.Say("%s (%s)", a.suppress.words, c.l.expand(o.SuppressReason, c.this))
	}
	var vr *reader
	var val *number
	if o.Value != "" {
		vr, _, val = c.read("value", o.Value, false)
	}
	if c.failed {
		return a, false
	}
	if c.inactive {
		c.leftOut("a limit is the site's to state")
		return a, false
	}
	if len(c.missing) > 0 {
		if c.this == nil {
			c.l.fault(c.lf, c.field, c.missing[0], "leave the rule out")
		} else {
			c.leftOut(strings.Join(unique(c.missing), ", "))
		}
		return a, false
	}
	a.raise, a.words = r.test(raise), c.l.set.sentence(raise)
	a.limit = c.limitOf(r, raise, key)
	if a.returns = ret.test; ret.test != nil {
		a.holdWords = words.Say("until %s", ret.words)
		for _, in := range ret.inputs {
			r.reads(in)
		}
	}
	a.inputs = r.inputs
	main := mainComparison(raise)
	if val != nil {
		a.value, a.hasValue = vr.operand(val), true
	} else if main != nil {
		a.value, a.hasValue = r.operand(main.l), true
	}
	if main != nil && main.r.op == numConst && (val == nil || c.shows(r, main.l, a.value.words)) {
		sp := main.r.val
		c.setpoint = &sp
	}
	if a.hasValue {
		c.unit = a.value.dim.unit()
		c.limited = c.l.set.tagOf(val, main, c.unit)
	}
	c.l.reportRead(c.lf, c.field+"."+key, o.Name, &reader{source: r.source, complaints: r.complaints})
	return a, len(r.complaints) == 0
}

// clause reads a further condition of the rule.
func (c *condition) clause(key, text string) (out clause) {
	if text == "" {
		return out
	}
	r, l, _ := c.read(key, text, true)
	if l != nil {
		out = clause{r.test(l), c.l.set.sentence(l), r.inputs}
		c.l.reportRead(c.lf, c.field+"."+key, c.o.Name, r)
	}
	return out
}

// tagOf is the path of the tag that a value in a unit is of, n or what is compared; "" if
// there is no one tag.
func (s *Set) tagOf(n *number, main *logic, unit string) string {
	if n == nil {
		n = main.l
	}
	for n.op == numFunc && len(n.kids) == 1 {
		n = n.kids[0]
	}
	if n.op != numInput || s.inputs[n.in].dim.unit() != unit {
		return ""
	}
	return s.inputs[n.in].path
}

// leftOut notes that the alarm does not run.
func (c *condition) leftOut(why string) {
	n := Note{Rule: c.name, Text: "left out: " + why, Kind: AlarmLeftOut, Priority: c.priority}
	if c.this != nil {
		n.On = c.this.Path
	}
	// The first body has none before it, the last none after it: nothing is lacking.
	if strings.HasSuffix(why, " has no next") || strings.HasSuffix(why, " has no previous") {
		n.Kind = Remark
	}
	c.l.noteOn(c.lf, c.field, n)
}

// shows says whether the value under value: is what the comparison looks at, or
// what it takes the amount of.
func (c *condition) shows(r *reader, left *number, value words.Text) bool {
	return r.set.words(left) == value || left.op == numFunc && left.fn == "abs" && r.set.words(left.kids[0]) == value
}

// explained is the path of the tag under explain:, "" if this vessel has none.
func (c *condition) explained() string {
	if c.o.Explain == "" {
		return ""
	}
	r := c.l.reader(c.this, c.o.Explain, nil)
	node, ok := r.parse()
	var n *number
	if ok {
		n = r.number(node)
	}
	switch {
	case len(r.missing) > 0:
		c.l.note(c.lf, c.field, c.name, "without explanation: "+r.missing[0].String())
		return ""
	case len(r.complaints) == 0 && (n.op != numInput || c.l.set.inputs[n.in].kind != inputTag):
		r.complain(0, "explain: is not a tag", "write the path of a calculated tag, such as this.gross_error")
	}
	c.l.reportRead(c.lf, c.field+".explain", c.o.Name, r)
	if len(r.complaints) > 0 {
		return ""
	}
	return c.l.set.inputs[n.in].path
}

func unique(in []words.Text) []string {
	var out []string
	for _, t := range in {
		if s := t.String(); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// mainComparison is the first comparison of values, not of switches: the one
// whose left side an alarm shows as its value.
func mainComparison(l *logic) *logic {
	if l.op == logCompare {
		if l.l.dim.only(plant.State) || l.l.op == numConst {
			return nil
		}
		return l
	}
	for _, k := range l.kids {
		if m := mainComparison(k); m != nil {
			return m
		}
	}
	return nil
}

func comparisons(l *logic, out []*logic) []*logic {
	if l.op == logCompare && !l.l.dim.only(plant.State) {
		out = append(out, l)
	}
	for _, k := range l.kids {
		out = comparisons(k, out)
	}
	return out
}

// ease makes the holding condition: the comparison less its deadband.
func (c *condition) ease(raise *logic, r *reader, key string, a *alarm) {
	short := key != "when"
	if c.o.Deadband == "" && (!short || key == "rate" || key == "deviation") {
		return
	}
	cs := comparisons(raise, nil)
	if !short && len(cs) != 1 {
		c.fault("deadband", words.Say("the condition compares %d values, so it is not clear which one the deadband eases", len(cs)), "use return_when: instead")
		return
	}
	band, unit := 0.0, ""
	if c.o.Deadband != "" {
		of := cs[0].l.dim
		if m, ok := meet(cs[0].l.dim, cs[0].r.dim); ok && m.known() {
			of = m
		}
		b, ok := c.quantity("deadband", c.o.Deadband, of, true)
		if !ok {
			return
		}
		if b < 0 {
			c.fault("deadband", "a deadband is not negative", "")
			return
		}
		band = b
		if unit = of.each(difference).unit(); unit == "1" {
			unit = ""
		}
	}
	for _, x := range cs {
		if x.cmp == equal || x.cmp == notEqual {
			c.fault("deadband", "a deadband with == or !=", "use < or >")
			return
		}
	}
	eased := easeAll(raise, band)
	a.hold, a.holdWords = r.test(eased), words.Say("until it is back by more than the deadband of %s", amountOf(band, unit, ""))
}

func easeAll(l *logic, band float64) *logic {
	n := *l
	if l.op == logCompare && !l.l.dim.only(plant.State) {
		n.band, n.eased = band, true
	}
	n.kids = nil
	for _, k := range l.kids {
		n.kids = append(n.kids, easeAll(k, band))
	}
	return &n
}

// short builds the condition of a short form.
func (c *condition) short(key, text string) (*reader, *logic) {
	o := c.o
	r, _, tag := c.read("tag", o.Tag, false)
	if tag == nil {
		return r, nil
	}
	if tag.op != numInput {
		c.fault("tag", "tag: is not a tag", "write a path, or one window such as avg(this.u_ratio, \"1h\")")
		return r, nil
	}
	beyond := func(cmp compare, n *number, limit float64) *logic {
		return &logic{op: logCompare, cmp: cmp, l: n, r: &number{val: limit, gauged: c.gauged, dim: n.dim}}
	}
	switch key {
	case "high", "high_high", "low", "low_low":
		v, ok := c.quantity(key, text, tag.dim, false)
		if !ok {
			return r, nil
		}
		if key == "low" || key == "low_low" {
			return r, beyond(less, tag, v)
		}
		return r, beyond(greater, tag, v)
	case "deviation":
		if o.From == "" {
			c.fault("deviation", "deviation: without from:", "say from what: from: avg(this.vapour_pressure, \"1h\")")
			return r, nil
		}
		v, ok := c.quantity(key, text, tag.dim, true)
		if !ok {
			return r, nil
		}
		fr, _, from := c.read("from", o.From, false)
		if from == nil {
			return r, nil
		}
		d, ok := meet(tag.dim, from.dim)
		if !ok {
			c.fault("from", words.Say("from: is %s, the tag is %s", from.dim, tag.dim), unitFix(tag.dim, from.dim))
			return r, nil
		}
		for _, in := range fr.inputs {
			r.reads(in)
		}
		diff := &number{op: numSub, kids: []*number{tag, from}, dim: d.each(difference)}
		return r, c.directed(diff, v)
	}
	// rate
	if o.Over <= 0 {
		c.fault("rate", "rate: without over:", "say in what time: over: 1m")
		return r, nil
	}
	in := c.l.set.inputs[tag.in]
	if in.kind != inputTag || o.Over < minWindow || o.Over > maxWindow {
		c.fault("over", "the rate of a plain tag over 1s to 31d is expected", "")
		return r, nil
	}
	v, ok := c.quantity(key, text, tag.dim, true)
	if !ok {
		return r, nil
	}
	w, ok := c.l.set.windowOn(in.tag, in.path, o.Over)
	if !ok {
		c.fault("over", "too many windows", "use fewer different lengths")
		return r, nil
	}
	d := in.dim.each(difference)
	r.inputs = nil
	id := r.use(input{kind: inputWindow, tag: in.tag, path: in.path, dim: d, window: w, fn: windowDelta,
		words: words.Say(windowWords[windowDelta], in.path, plant.ShortDuration(o.Over))})
	return r, c.directed(&number{op: numInput, in: id, dim: d}, v)
}

// directed compares a difference with a span, in the rule's direction.
func (c *condition) directed(n *number, span float64) *logic {
	if span <= 0 {
		c.fault(map[bool]string{true: "rate", false: "deviation"}[c.o.Rate != ""], "not above zero", "give the span; direction: says which way")
		return nil
	}
	cmp := greater
	switch c.o.Direction {
	case "", "either":
		n = &number{op: numFunc, fn: "abs", kids: []*number{n}, dim: n.dim}
	case "rising", "above":
	case "falling", "below":
		cmp, span = less, -span
	default:
		c.fault("direction", words.Say("direction %q is not known", c.o.Direction), "use rising, falling or either")
		return nil
	}
	return &logic{op: logCompare, cmp: cmp, l: n, r: &number{val: span, dim: n.dim}}
}
