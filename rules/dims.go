package rules

import (
	"slices"
	"strings"

	"calandria/plant"
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

func (d dims) String() string {
	if d.bare {
		return "a plain number"
	}
	if !d.known() {
		return "of no known dimension"
	}
	words := make([]string, len(d.set))
	for i, x := range d.set {
		words[i] = string(x)
	}
	return strings.Join(words, " or ")
}

const ratePrefix = "rate of change of "

// rateOf is the dimension of a change in an hour.
func rateOf(d plant.Dimension) plant.Dimension { return ratePrefix + d }

// unitOf is the unit in which a number of these dimensions is kept.
func (d dims) unit() string {
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

// sum is the dimension of a + b or a - b.
func sum(a, b dims, minus bool) (dims, bool) {
	a, b = plain(a), plain(b)
	switch {
	case a.bare:
		return b, true
	case b.bare:
		return a, true
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

// product is the dimension of a * b: one factor must be a plain number or a
// ratio for anything to be known.
func product(a, b dims) dims {
	a, b = plain(a), plain(b)
	if b.bare || b.only(plant.Ratio) {
		a, b = b, a
	}
	if !a.bare && !a.only(plant.Ratio) {
		return unknownDim
	}
	if a.bare && b.bare {
		return bareNumber
	}
	if slices.Contains(b.set, plant.Temperature) {
		return unknownDim // a multiple of degC means nothing
	}
	if b.bare {
		return a
	}
	return b
}

// quotient is the dimension of a / b.
func quotient(a, b dims) dims {
	a, b = plain(a), plain(b)
	if b.bare || b.only(plant.Ratio) {
		return product(b, a)
	}
	if a.known() && b.known() {
		if _, ok := meet(a, b); ok && !slices.Contains(a.set, plant.Temperature) {
			return dimOf(plant.Ratio)
		}
	}
	return unknownDim
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
	"kg_m3":   {"kg/m3", []plant.Dimension{plant.Density}},
	"amp":     {"A", []plant.Dimension{plant.Current}},
	"tonnes":  {"t", []plant.Dimension{plant.Mass}},
	"seconds": {"s", []plant.Dimension{plant.Duration}},
	"minutes": {"min", []plant.Dimension{plant.Duration}},
	"hours":   {"h", []plant.Dimension{plant.Duration}},
	"days":    {"d", []plant.Dimension{plant.Duration}},
}

var pressures = []plant.Dimension{plant.Pressure, plant.PressureDiff}
