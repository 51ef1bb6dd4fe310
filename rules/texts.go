package rules

import (
	"regexp"
	"strings"

	"calandria/plant"
)

// fillLimits replaces {limit} and {limit.name} in the texts of a rule by the
// limit in force, with its unit, so that a text never states another.
func (o *overridden) fillLimits() {
	var pairs []string
	for _, text := range []string{o.High, o.HighHigh, o.Low, o.LowLow, o.Deviation, o.Rate} {
		if text == "" {
			continue
		}
		words := limitWords(text)
		if words == text && o.Unit != "" {
			words += " " + o.Unit
			if o.Reference != "" && o.Reference != plant.Absolute {
				words += " " + string(o.Reference)
			}
		}
		pairs = append(pairs, "{limit}", words)
		break
	}
	for name, text := range o.Limits {
		pairs = append(pairs, "{limit."+name+"}", limitWords(text))
	}
	fill := strings.NewReplacer(pairs...)
	o.pairs = pairs
	for i, text := range []*string{&o.Title, &o.Cause, &o.Consequence, &o.Response, &o.Verify, &o.Hazard} {
		o.written[i], *text = *text, fill.Replace(*text)
	}
}

var (
	aFigure    = regexp.MustCompile(`^([A-Za-z0-9_]+)\(\s*(-?[0-9.]+)\s*\)$`)
	aReference = regexp.MustCompile(`^(gauge|vacuum)\((.*)\)$`)
)

// limitWords writes a limit for a reader: K(12.5) as "12.5 K". What it does not
// know it leaves as it stands.
func limitWords(text string) string {
	text = strings.TrimSpace(text)
	if m := aReference.FindStringSubmatch(text); m != nil {
		return limitWords(m[2]) + " " + m[1]
	}
	m := aFigure.FindStringSubmatch(text)
	if m == nil {
		return text
	}
	u, ok := literals[m[1]]
	if !ok {
		return text
	}
	return m[2] + " " + u.unit
}
