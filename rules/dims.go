package rules

import (
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"calandria/plant"
	"calandria/plant/words"
)

// dims is what is known of the dimension of a number in an expression.
type dims struct {
	// bare: a plain number, which takes the dimension of whatever stands
	// against it. Switches (dimension state) count as plain numbers in
	// arithmetic.
	bare bool
	// set lists the dimensions that are possible: kPa(5) may be a pressure or
	// a difference. Empty and not bare: nothing is known.
	set []plant.Dimension
	// compound: a product or quotient that is none of the program's dimensions,
	// such as t/h times K.
	compound *compound
}

// physics is what a dimension is made of: the powers of the base units, and the
// size of its canonical unit in them. Per cent are a base unit of their own, so
// that 15 % of a flow is not taken for 15 times the flow.
type physics struct {
	pct, kg, m, s, K, A int
	scale               float64
}

// compound is a dimension without a name.
type compound struct {
	physics
	unit string
}

// physicsOf holds the dimensions that can be multiplied. Temperatures are not
// among them, as a multiple of degC means nothing, nor is [plant.Days], which
// products of times shall not end in. Where two have the same powers, as a
// pressure and a difference of pressures have, their units are the same.
// SI, BIPM brochure, 9th ed., table 4 and section 2.3.4.
var physicsOf = map[plant.Dimension]physics{
	plant.Ratio:          {scale: 1},
	plant.Percent:        {pct: 1, scale: 1},
	plant.Level:          {pct: 1, scale: 1},
	plant.BrixDim:        {pct: 1, scale: 1},
	plant.Pressure:       {kg: 1, m: -1, s: -2, scale: 1e3},
	plant.PressureDiff:   {kg: 1, m: -1, s: -2, scale: 1e3},
	plant.TempDifference: {K: 1, scale: 1},
	plant.Mass:           {kg: 1, scale: 1e3},
	plant.MassFlow:       {kg: 1, s: -1, scale: 1 / 3.6},
	plant.VolumeFlow:     {m: 3, s: -1, scale: 1. / 3600},
	plant.Density:        {kg: 1, m: -3, scale: 1},
	plant.Power:          {kg: 1, m: 2, s: -3, scale: 1e3},
	plant.HeatTransfer:   {kg: 1, s: -3, K: -1, scale: 1e3},
	plant.ThermalResist:  {kg: -1, s: 3, K: 1, scale: 1e-3},
	plant.SpecificEvap:   {kg: 1, m: -2, s: -1, scale: 1. / 3600},
	plant.Velocity:       {m: 1, s: -1, scale: 1},
	plant.Conductivity:   {kg: -1, m: -3, s: 3, A: 2, scale: 1e-4},
	plant.Current:        {A: 1, scale: 1},
	plant.Duration:       {s: 1, scale: 1},
}

// alike: the same powers, whatever the size of the unit.
func (p physics) alike(q physics) bool {
	p.scale, q.scale = 0, 0
	return p == q
}

// same: the same powers and the same unit.
func (p physics) same(q physics) bool {
	return p.alike(q) && math.Abs(p.scale/q.scale-1) < 1e-9
}

// times is p * q^sign.
func (p physics) times(q physics, sign int) physics {
	return physics{p.pct + sign*q.pct, p.kg + sign*q.kg, p.m + sign*q.m, p.s + sign*q.s, p.K + sign*q.K, p.A + sign*q.A,
		p.scale * math.Pow(q.scale, float64(sign))}
}

// physics of a number; false where it is not known, or where it may be one
// thing or another.
func (d dims) physics() (physics, bool) {
	switch {
	case d.bare:
		return physics{scale: 1}, true
	case d.compound != nil:
		return d.compound.physics, true
	case !d.known():
		return physics{}, false
	}
	var all physics
	for i, x := range d.set {
		of, rate := strings.CutPrefix(string(x), ratePrefix)
		p, ok := physicsOf[plant.Dimension(of)]
		if rate {
			p = p.times(physics{s: 1, scale: 3600}, -1)
		}
		if !ok || i > 0 && !p.same(all) {
			return physics{}, false
		}
		all = p
	}
	return all, true
}

// combine is the dimension of a * b, or of a / b with sign -1, and the factor
// that brings the product of the two numbers into the unit of the result.
func combine(a, b dims, sign int) (dims, float64) {
	p, ok := a.physics()
	q, known := b.physics()
	if !ok || !known {
		return unknownDim, 1
	}
	p = p.times(q, sign)
	var named dims
	factor := 1.
	for _, x := range slices.Sorted(maps.Keys(physicsOf)) {
		if px := physicsOf[x]; p.alike(px) {
			named.set = append(named.set, x)
			factor = p.scale / px.scale
		}
	}
	if named.known() {
		// Twelve figures: the scales carry the rounding of their quotients.
		factor, _ = strconv.ParseFloat(strconv.FormatFloat(factor, 'g', 12, 64), 64)
		return named, factor
	}
	unit := func(d dims) string {
		u := d.unit()
		switch {
		case u == "":
			return "1"
		case strings.Contains(u, " "):
			return "(" + u + ")"
		}
		return u
	}
	word := " x "
	if sign < 0 {
		word = " / "
	}
	return dims{compound: &compound{p, unit(a) + word + unit(b)}}, 1
}

var (
	bareNumber = dims{bare: true}
	unknownDim = dims{}
)

func dimOf(d ...plant.Dimension) dims {
	if len(d) == 1 && (d[0] == plant.AnyDimension || d[0] == "") {
		return unknownDim
	}
	return dims{set: d}
}

func (d dims) known() bool { return len(d.set) > 0 }

func (d dims) only(x plant.Dimension) bool { return len(d.set) == 1 && d.set[0] == x }

func (d dims) String() string { return d.Words().String() }

func (d dims) Words() words.Text {
	if d.bare {
		return "a plain number"
	}
	if d.compound != nil {
		return words.Say("a number in %s", d.compound.unit)
	}
	if !d.known() {
		return "of no known dimension"
	}
	var all words.Text
	for i, x := range d.set {
		one := words.Verbatim(string(x)) // as a rule file writes it
		if all = words.Say("%s or %s", all, one); i == 0 {
			all = one
		}
	}
	return all
}

const ratePrefix = "rate of change of "

// rateOf is the dimension of a change in an hour.
func rateOf(d plant.Dimension) plant.Dimension { return ratePrefix + d }

// unitOf is the unit in which a number of these dimensions is kept.
func (d dims) unit() string {
	if d.compound != nil {
		return d.compound.unit
	}
	if !d.known() {
		return ""
	}
	if of, ok := strings.CutPrefix(string(d.set[0]), ratePrefix); ok {
		return plant.Dimension(of).Canonical() + "/h"
	}
	return d.set[0].Canonical()
}

// difference is the dimension of the difference of two values.
func difference(d plant.Dimension) plant.Dimension {
	switch d {
	case plant.Temperature:
		return plant.TempDifference
	case plant.Pressure:
		return plant.PressureDiff
	}
	return d
}

func (d dims) each(f func(plant.Dimension) plant.Dimension) dims {
	if d.only(plant.State) {
		return unknownDim
	}
	out := dims{bare: d.bare}
	for _, x := range d.set {
		if y := f(x); !slices.Contains(out.set, y) {
			out.set = append(out.set, y)
		}
	}
	return out
}

// meet is the dimension of two numbers that must be alike: compared, or
// alternatives of one another. The second result is false if they are not.
func meet(a, b dims) (dims, bool) {
	switch {
	case a.only(plant.State) && b.bare, b.only(plant.State) && a.bare:
		return dimOf(plant.State), true
	case a.bare:
		return b, true
	case b.bare:
		return a, true
	case a.compound != nil || b.compound != nil:
		return meetCompound(a, b)
	case !a.known():
		return unknownDim, true
	case !b.known():
		return unknownDim, true
	}
	var both dims
	for _, x := range a.set {
		if slices.Contains(b.set, x) {
			both.set = append(both.set, x)
		}
	}
	return both, both.known()
}

// meetCompound is meet where one of the two has no name: they are alike if the
// powers and the unit are.
func meetCompound(a, b dims) (dims, bool) {
	if a.compound == nil {
		a, b = b, a
	}
	p, ok := b.physics()
	switch {
	case b.compound == nil && !b.known():
		return unknownDim, true
	case !ok || !p.same(a.compound.physics):
		return dims{}, false
	}
	return b, true
}

// sum is the dimension of a + b or a - b.
func sum(a, b dims, minus bool) (dims, bool) {
	a, b = plain(a), plain(b)
	switch {
	case a.bare:
		return b, true
	case b.bare:
		return a, true
	case a.compound != nil || b.compound != nil:
		return meetCompound(a, b)
	case !a.known(), !b.known():
		return unknownDim, true
	}
	var out dims
	for _, x := range a.set {
		for _, y := range b.set {
			if z, ok := sumOf(x, y, minus); ok && !slices.Contains(out.set, z) {
				out.set = append(out.set, z)
			}
		}
	}
	return out, out.known()
}

func sumOf(a, b plant.Dimension, minus bool) (plant.Dimension, bool) {
	switch {
	case a == b && minus:
		return difference(a), true
	case a == b:
		return a, true
	case difference(a) == b: // temperature and temperature difference
		return a, true
	case difference(b) == a && !minus:
		return b, true
	}
	return "", false
}

// plain makes a switch a plain number.
func plain(d dims) dims {
	if d.only(plant.State) {
		return bareNumber
	}
	return d
}

// product is the dimension of a * b, and the factor that brings the number into
// its unit.
func product(a, b dims) (dims, float64) {
	a, b = plain(a), plain(b)
	if b.bare || b.only(plant.Ratio) {
		a, b = b, a
	}
	switch {
	case !a.bare && !a.only(plant.Ratio):
		return combine(a, b, 1)
	case a.bare && b.bare:
		return bareNumber, 1
	case slices.Contains(b.set, plant.Temperature):
		return unknownDim, 1 // a multiple of degC means nothing
	case b.bare:
		return a, 1
	}
	return b, 1
}

// quotient is the dimension of a / b, with a factor as that of product.
func quotient(a, b dims) (dims, float64) {
	a, b = plain(a), plain(b)
	if b.bare || b.only(plant.Ratio) {
		return product(b, a)
	}
	if a.known() && b.known() {
		if _, ok := meet(a, b); ok && !slices.Contains(a.set, plant.Temperature) {
			return dimOf(plant.Ratio), 1
		}
	}
	return combine(a, b, -1)
}

// productFix says how a product or quotient without a name becomes what is
// wanted.
func productFix(got, want dims) words.Text {
	p, ok := got.physics()
	q, known := want.physics()
	if ok && known {
		for n := -2; n <= 2; n++ {
			if n != 0 && p.times(physics{pct: n, scale: 1}, -1).alike(q) {
				return "a value in % becomes a fraction when it is divided by a hundred of its unit: this.juice_brix / Bx(100), this.level / pct(100)"
			}
		}
		if p.alike(q) {
			return words.Say("the one is the other times %.6g; write it so that both are in one unit", p.scale/q.scale)
		}
	}
	return "make each a plain number by dividing it by its unit, and give the result its own: this.juice_flow / t_h(1) * (this.rise / K(1)) * kW(1.163)"
}

// literal is a function that gives a number its unit.
type literal struct {
	unit string
	dims []plant.Dimension
}

// literals are the units that can be written in an expression: kPa(20).
var literals = map[string]literal{
	"kPa":     {"kPa", pressures},
	"Pa":      {"Pa", pressures},
	"mbar":    {"mbar", pressures},
	"bar":     {"bar", pressures},
	"MPa":     {"MPa", pressures},
	"psi":     {"psi", pressures},
	"degC":    {"degC", []plant.Dimension{plant.Temperature}},
	"K":       {"K", []plant.Dimension{plant.TempDifference}},
	"pct":     {"%", []plant.Dimension{plant.Percent, plant.Level}},
	"Bx":      {"Bx", []plant.Dimension{plant.BrixDim}},
	"t_h":     {"t/h", []plant.Dimension{plant.MassFlow}},
	"kg_h":    {"kg/h", []plant.Dimension{plant.MassFlow}},
	"m3_h":    {"m3/h", []plant.Dimension{plant.VolumeFlow}},
	"uS_cm":   {"uS/cm", []plant.Dimension{plant.Conductivity}},
	"kW":      {"kW", []plant.Dimension{plant.Power}},
	"MW":      {"MW", []plant.Dimension{plant.Power}},
	"kW_m2K":  {"kW/(m2.K)", []plant.Dimension{plant.HeatTransfer}},
	"W_m2K":   {"W/(m2.K)", []plant.Dimension{plant.HeatTransfer}},
	"m2K_kW":  {"m2.K/kW", []plant.Dimension{plant.ThermalResist}},
	"m2K_W":   {"m2.K/W", []plant.Dimension{plant.ThermalResist}},
	"kg_m2h":  {"kg/(m2.h)", []plant.Dimension{plant.SpecificEvap}},
	"m_s":     {"m/s", []plant.Dimension{plant.Velocity}},
	"kg_m3":   {"kg/m3", []plant.Dimension{plant.Density}},
	"amp":     {"A", []plant.Dimension{plant.Current}},
	"tonnes":  {"t", []plant.Dimension{plant.Mass}},
	"seconds": {"s", []plant.Dimension{plant.Duration}},
	"minutes": {"min", []plant.Dimension{plant.Duration}},
	"hours":   {"h", []plant.Dimension{plant.Duration}},
	"days":    {"d", []plant.Dimension{plant.Duration}},
}

var pressures = []plant.Dimension{plant.Pressure, plant.PressureDiff}
