package plant

import (
	"maps"
	"math"
	"slices"
	"strings"

	"calandria/plant/words"
)

// Dimension is a kind of quantity. Inside the program each dimension has one
// unit, its canonical one; all others are converted at the edges.
type Dimension string

// Dimensions and their canonical units.
const (
	Pressure       Dimension = "pressure"                  // kPa absolute
	Temperature    Dimension = "temperature"               // degC
	TempDifference Dimension = "temperature difference"    // K
	MassFlow       Dimension = "mass flow"                 // t/h
	VolumeFlow     Dimension = "volume flow"               // m3/h
	BrixDim        Dimension = "Brix"                      // % dissolved solids by mass
	Percent        Dimension = "percentage"                // %
	Conductivity   Dimension = "conductivity"              // uS/cm
	Power          Dimension = "heat flow"                 // kW
	HeatTransfer   Dimension = "heat-transfer coefficient" // kW/(m2.K)
	ThermalResist  Dimension = "thermal resistance"        // m2.K/kW
	SpecificEvap   Dimension = "specific evaporation"      // kg/(m2.h)
	Velocity       Dimension = "velocity"                  // m/s
	Ratio          Dimension = "ratio"                     // 1
	Current        Dimension = "electric current"          // A
	Density        Dimension = "density"                   // kg/m3
	Duration       Dimension = "duration"                  // s
	Days           Dimension = "days"                      // d
	State          Dimension = "state"                     // 1: 0 off, 1 on
	AnyDimension   Dimension = "any"                       // unit as given, never converted
	Mass           Dimension = "mass"                      // t
	PressureDiff   Dimension = "pressure difference"       // kPa
	Level          Dimension = "level"                     // % of the calibrated height
)

// Canonical returns the unit in which the program keeps a dimension; "" for
// [AnyDimension].
func (d Dimension) Canonical() string {
	if t, ok := unitTable[d]; ok {
		return t[0].name
	}
	return ""
}

// unit says: canonical = value*scale + offset.
type unit struct {
	name   string
	scale  float64
	offset float64
	alias  []string
}

// unitTable lists for each dimension its units, the canonical one first.
// Factors: SI (BIPM brochure, 9th ed.) and exact inch-pound definitions;
// conventional mmHg and inHg of ISO 80000-4 annex.
var unitTable = map[Dimension][]unit{
	Pressure:     pressureUnits,
	PressureDiff: pressureUnits,
	Temperature: {
		{name: "degC", scale: 1, alias: []string{"C", "°C", "Celsius"}},
		{name: "degF", scale: 5. / 9, offset: -32 * 5. / 9, alias: []string{"F", "°F"}},
		{name: "K", scale: 1, offset: -273.15, alias: []string{"kelvin"}},
	},
	TempDifference: {
		{name: "K", scale: 1, alias: []string{"degC", "C", "°C"}},
		{name: "degF", scale: 5. / 9, alias: []string{"F", "°F"}},
	},
	MassFlow: {
		{name: "t/h", scale: 1, alias: []string{"tph", "Mg/h", "mt/h", "ton/h", "tch"}},
		{name: "kg/h", scale: 1e-3},
		{name: "kg/s", scale: 3.6},
		{name: "kg/min", scale: 0.06},
		{name: "t/d", scale: 1. / 24},
		{name: "lb/h", scale: 0.45359237e-3, alias: []string{"lb/hr"}},
		{name: "klb/h", scale: 0.45359237},
		{name: "short ton/h", scale: 0.90718474},
	},
	VolumeFlow: {
		{name: "m3/h", scale: 1, alias: []string{"m³/h", "kl/h"}},
		{name: "m3/s", scale: 3600, alias: []string{"m³/s"}},
		{name: "L/s", scale: 3.6, alias: []string{"l/s"}},
		{name: "L/min", scale: 0.06, alias: []string{"l/min"}},
		{name: "L/h", scale: 1e-3, alias: []string{"l/h", "lph"}},
		{name: "gal/min", scale: 0.003785411784 * 60, alias: []string{"gpm"}},
	},
	BrixDim: {
		{name: "Bx", scale: 1, alias: []string{"%", "% Brix", "°Bx", "degBx", "Brix", "%Bx", "°Brix", "degBrix"}},
		{name: "kg/kg", scale: 100, alias: []string{"1"}},
	},
	Percent: {{name: "%", scale: 1}, {name: "1", scale: 100, alias: []string{"kg/kg", "fraction"}}},
	Level:   {{name: "%", scale: 1}, {name: "1", scale: 100, alias: []string{"fraction"}}},
	Conductivity: {
		{name: "uS/cm", scale: 1, alias: []string{"µS/cm", "μS/cm", "umho/cm", "micromho/cm"}},
		{name: "mS/cm", scale: 1000},
		{name: "S/m", scale: 1e4},
		{name: "mS/m", scale: 10},
	},
	Power: {
		{name: "kW", scale: 1}, {name: "W", scale: 1e-3}, {name: "MW", scale: 1e3},
		{name: "kcal/h", scale: 4.1868 / 3600}, {name: "Gcal/h", scale: 4186.8 / 3.6},
		{name: "GJ/h", scale: 1e6 / 3600}, {name: "Btu/h", scale: 1.05505585262 / 3600},
	},
	HeatTransfer: {
		{name: "kW/(m2.K)", scale: 1, alias: []string{"kW/m2K", "kW/(m²·K)"}},
		{name: "W/(m2.K)", scale: 1e-3, alias: []string{"W/m2K", "W/(m²·K)"}},
		{name: "kcal/(m2.h.K)", scale: 1.163e-3, alias: []string{"kcal/m2hK"}},
		{name: "Btu/(ft2.h.degF)", scale: 5.678263341e-3},
	},
	ThermalResist: {{name: "m2.K/kW", scale: 1}, {name: "m2.K/W", scale: 1e3}},
	SpecificEvap:  {{name: "kg/(m2.h)", scale: 1, alias: []string{"kg/m2h"}}, {name: "lb/(ft2.h)", scale: 4.8824276}},
	Velocity:      {{name: "m/s", scale: 1}, {name: "ft/s", scale: 0.3048}},
	Ratio:         {{name: "1", scale: 1, alias: []string{"-", "kg/kg"}}, {name: "%", scale: 0.01}},
	Current:       {{name: "A", scale: 1, alias: []string{"amp", "amps"}}, {name: "mA", scale: 1e-3}},
	Density:       {{name: "kg/m3", scale: 1, alias: []string{"kg/m³"}}, {name: "g/cm3", scale: 1000, alias: []string{"kg/L"}}},
	Duration:      {{name: "s", scale: 1}, {name: "min", scale: 60}, {name: "h", scale: 3600}, {name: "d", scale: 86400}, {name: "ms", scale: 1e-3}},
	Days:          {{name: "d", scale: 1}, {name: "h", scale: 1. / 24}},
	State:         {{name: "1", scale: 1, alias: []string{"", "-", "bool"}}},
	Mass:          {{name: "t", scale: 1}, {name: "kg", scale: 1e-3}, {name: "lb", scale: 0.45359237e-3}},
}

var pressureUnits = []unit{
	{name: "kPa", scale: 1},
	{name: "Pa", scale: 1e-3},
	{name: "hPa", scale: 0.1},
	{name: "mbar", scale: 0.1},
	{name: "bar", scale: 100},
	{name: "MPa", scale: 1000},
	{name: "psi", scale: 6.894757293168},
	{name: "kgf/cm2", scale: 98.0665, alias: []string{"kg/cm2", "kgf/cm²", "at", "kg/sqcm"}},
	{name: "atm", scale: 101.325},
	{name: "mmHg", scale: 0.133322387415, alias: []string{"Torr"}},
	{name: "cmHg", scale: 1.33322387415},
	{name: "inHg", scale: 3.386388640341, alias: []string{"in Hg", "\"Hg"}},
	{name: "mmH2O", scale: 9.80665e-3, alias: []string{"mmWC"}},
	{name: "mH2O", scale: 9.80665},
}

func findUnit(d Dimension, name string) (unit, bool) {
	for _, u := range unitTable[d] {
		if u.name == name || slices.Contains(u.alias, name) {
			return u, true
		}
	}
	return unit{}, false
}

// UnitsOf lists the names of the units a dimension may be written in.
func UnitsOf(d Dimension) []string {
	var names []string
	for _, u := range unitTable[d] {
		names = append(names, u.name)
	}
	return names
}

// ReadUnit finds the unit that a server, an instrument list or a person wrote in
// a form of their own: "bar g", "kg/cm²", "mmHg vac", "°C". The reference is ""
// where the text does not state one.
func ReadUnit(text string) (name string, ref Reference, ok bool) {
	plain := strings.NewReplacer("³", "3", "²", "2", "·", ".", "°", "deg", "(", " ", ")", " ").Replace(text)
	words := strings.Fields(plain)
	forms := []string{text, strings.ReplaceAll(text, " ", ""), plain, strings.Join(words, "")}
	for _, f := range forms {
		if f != "" && len(DimensionsOf(f)) > 0 {
			return f, "", true
		}
	}
	joined := squeezed.Replace(strings.ToLower(strings.Join(words, "")))
	for _, e := range []struct {
		end string
		ref Reference
	}{{"gauge", Gauge}, {"vacuum", Vacuum}, {"vac", Vacuum}, {"abs", Absolute}, {"g", Gauge}, {"a", Absolute}, {"v", Vacuum}} {
		if stem, found := strings.CutSuffix(joined, e.end); found {
			if name, ok := unitWritten(stem, pressureUnits); ok {
				return name, e.ref, true
			}
		}
	}
	for _, d := range slices.Sorted(maps.Keys(unitTable)) {
		if name, ok := unitWritten(joined, unitTable[d]); ok {
			return name, "", true
		}
	}
	return "", "", false
}

// squeezed is what a unit's name is compared without.
var squeezed = strings.NewReplacer("/hr", "/h", "º", "deg", "°", "deg", "³", "3", "²", "2", "·", ".", "deg.", "deg", " ", "")

// unitWritten finds a unit whatever its capitals.
func unitWritten(text string, units []unit) (name string, ok bool) {
	for _, u := range units {
		if slices.ContainsFunc(append(u.alias[:len(u.alias):len(u.alias)], u.name), func(n string) bool { return squeezed.Replace(strings.ToLower(n)) == text }) {
			return u.name, text != ""
		}
	}
	return "", false
}

// UnitError says that a unit does not belong to a dimension.
type UnitError struct {
	Unit      string
	Dimension Dimension
}

func (e *UnitError) Error() string { return e.Words().String() }

// Words is the same for who reads it in another language.
func (e *UnitError) Words() words.Text {
	return words.Say("unit %q is not a unit of %s; use one of %s", e.Unit, string(e.Dimension), strings.Join(UnitsOf(e.Dimension), ", "))
}

// ToCanonical converts a value written in the named unit into the canonical
// unit of the dimension. It does not treat gauge or vacuum readings: see
// [Reference.ToAbsolute]. The error is a [*UnitError].
func ToCanonical(d Dimension, unitName string, v float64) (float64, error) {
	s, o, err := CanonicalFactor(d, unitName)
	if err != nil {
		return math.NaN(), err
	}
	return v*s + o, nil
}

// CanonicalFactor gives scale and offset so that canonical = v*scale + offset.
func CanonicalFactor(d Dimension, unitName string) (scale, offset float64, err error) {
	if d == AnyDimension {
		return 1, 0, nil
	}
	u, ok := findUnit(d, unitName)
	if !ok {
		return 0, 0, &UnitError{Unit: unitName, Dimension: d}
	}
	return u.scale, u.offset, nil
}

// DimensionsOf lists the dimensions that know a unit name, sorted.
func DimensionsOf(unitName string) []Dimension {
	var ds []Dimension
	for d := range unitTable {
		if _, ok := findUnit(d, unitName); ok {
			ds = append(ds, d)
		}
	}
	slices.Sort(ds)
	return ds
}

// Reference says against what a pressure is measured.
type Reference string

// Pressure references. A vacuum reading counts downward from the barometer:
// 85 kPa vacuum at a barometer of 101 kPa is 16 kPa absolute. A transmitter
// that sends vacuum as a negative number reads gauge pressure.
const (
	Absolute Reference = "absolute"
	Gauge    Reference = "gauge"
	Vacuum   Reference = "vacuum"
)

// ToAbsolute turns a reading in kPa into kPa absolute at the site barometer.
func (r Reference) ToAbsolute(readingKPa, barometerKPa float64) float64 {
	switch r {
	case Gauge:
		return barometerKPa + readingKPa
	case Vacuum:
		return barometerKPa - readingKPa
	}
	return readingKPa
}

// FromAbsolute is the inverse of [Reference.ToAbsolute].
func (r Reference) FromAbsolute(absKPa, barometerKPa float64) float64 {
	switch r {
	case Gauge:
		return absKPa - barometerKPa
	case Vacuum:
		return barometerKPa - absKPa
	}
	return absKPa
}
