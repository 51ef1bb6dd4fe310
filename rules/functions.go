package rules

import (
	"slices"
	"strings"
)

// Function is a row of the table of functions: how it is written, and what it gives.
type Function struct {
	Forms []string // several functions of one kind have one row
	Gives string
}

// Functions are those of the rule language.
var Functions = []Function{
	{[]string{`avg(tag, "10m")`, "min_over", "max_over", "std"}, "mean, least, greatest and standard deviation over the past time; the mean is weighted by time"},
	{[]string{`delta(tag, "5m")`}, "the value now less the value then"},
	{[]string{`slope(tag, "1h")`}, "change an hour, by a straight line through the time"},
	{[]string{"unchanged(tag)"}, "time since the value changed, 0 until that is three times as long as it usually stands still; a fixed value of the plant file counts as no tag"},
	{[]string{"age(tag)"}, "time since the value was read"},
	{[]string{"is_bad(tag)", "is_good(tag)"}, "whether the quality is bad or good; nothing else is known of a bad tag"},
	{[]string{"default(tag, x)"}, "x where the vessel has no such tag, or where a derived tag was left out; `unchanged(tag)` and `age(tag)` may stand in place of the tag"},
	{[]string{"abs(x)", "sqrt(x)"}, "size without the sign; square root"},
	{[]string{"min(x, y)", "max(x, y)"}, "least and greatest of two to eight numbers"},
	{[]string{"clamp(x, low, high)"}, "x, but not below low and not above high"},
	{[]string{"between(x, low, high)"}, "whether x lies from low to high"},
	{[]string{"kPa(20)", "Pa", "mbar", "bar", "MPa", "psi", "degC", "K", "pct", "Bx", "t_h", "kg_h", "m3_h", "uS_cm", "kW", "MW", "kW_m2K", "W_m2K", "m2K_kW", "m2K_W",
		"kg_m2h", "m_s", "kg_m3", "amp", "tonnes", "seconds", "minutes", "hours", "days"}, "a number with its unit; pressures are absolute"},
	{[]string{"gauge(bar(0.5))", "vacuum(kPa(80))"}, "the absolute pressure, at the air pressure of the moment"},
	{[]string{`unit(9, "degF", "temperature difference")`}, "a number in any other unit of a dimension"},
	{[]string{"per_hour(kPa(5))", "per_minute", "per_day"}, "a change in a time, to compare a slope with"},
}

// functionNames lists the functions for messages.
func functionNames() []string {
	var names []string
	for _, f := range Functions {
		for _, form := range f.Forms {
			name, _, _ := strings.Cut(form, "(")
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}
