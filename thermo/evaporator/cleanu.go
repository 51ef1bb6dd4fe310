package evaporator

import (
	"errors"
	"fmt"
	"math"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Correlation names an equation for the coefficient of a clean body. They know
// Brix and temperature only, not wetting, level, tube length or gas: +/-20 % is
// normal. Use them for the shape and the site's own values after
// cleaning for the level.
type Correlation string

// The correlations.
const (
	// Dessin: U = 0.001 (100 - B)(T - 54) lambda/3.6 (16000/divisor) W/(m2 K), B the
	// Brix leaving, T the heating vapour's temperature in degC, lambda its latent heat
	// in kJ/kg. The constant is the divisor of the form in lb/(ft2 h F): 16000 for
	// clean bodies, 18000 or 20000 quoted for scaled ones or quintuples. Source: Hugot,
	// Handbook of Cane Sugar Engineering, from memory; the metric and English forms
	// agree within 2 %. No range is stated; taken as 5 to 88 Brix, T 55 to 180 degC, an
	// error beyond.
	Dessin Correlation = "dessin"

	// Swedish: U = 1.163 k Tj/B W/(m2 K), Tj the boiling juice in degC, k 400 to 450
	// kcal/(m2 h K). Source: Hugot, from memory. No range is stated; taken as 5 to 88
	// Brix, Tj 20 to 180 degC, an error beyond.
	Swedish Correlation = "swedish"
)

// Correlations lists them, the default first. The slice is the caller's.
func Correlations() []Correlation { return []Correlation{Dessin, Swedish} }

// ConstantRange returns what the constant of U must lie within: the divisor of Dessin
// 5000 to 50000, the k of Swedish 100 to 1000.
func (c Correlation) ConstantRange() (low, high float64) {
	if c == Swedish {
		return 100, 1000
	}
	return 5000, 50000
}

// Constant returns the customary constant: Dessin 16000, Swedish 425.
func (c Correlation) Constant() float64 {
	if c == Swedish {
		return 425
	}
	return 16000
}

// U returns the coefficient of a clean body in kW/(m2 K) for the Brix leaving, the
// temperature of the heating vapour and that of the boiling juice. constant is the
// divisor of Dessin or the k of Swedish, in ConstantRange; 0 means Constant(). A correlation leaves what it does not use unchecked.
func (c Correlation) U(b liquor.Brix, heating, juice steam.Celsius, constant float64) (float64, error) {
	if constant == 0 {
		constant = c.Constant()
	}
	check := func(name string, v, low, high float64) error {
		if !(v >= low && v <= high) {
			return fmt.Errorf("clean coefficient (%s): %s %g; must be %g to %g", c, name, v, low, high)
		}
		return nil
	}
	least, most := c.ConstantRange()
	switch c {
	case Dessin:
		if err := errors.Join(check("Brix", float64(b), 5, 88), check("heating temperature in degC", float64(heating), 55, 180), check("divisor", constant, least, most)); err != nil {
			return 0, err
		}
		p, err := steam.Psat(heating)
		if err != nil {
			return 0, fmt.Errorf("clean coefficient (%s): %w", c, err)
		}
		lam, err := steam.LatentHeat(p)
		if err != nil {
			return 0, fmt.Errorf("clean coefficient (%s): %w", c, err)
		}
		return 1e-6 * (100 - float64(b)) * float64(heating-54) * float64(lam) / 3.6 * 16000 / constant, nil
	case Swedish:
		if err := errors.Join(check("Brix", float64(b), 5, 88), check("juice temperature in degC", float64(juice), 20, 180), check("k", constant, least, most)); err != nil {
			return 0, err
		}
		return 1.163e-3 * constant * float64(juice) / float64(b), nil
	}
	return 0, fmt.Errorf("clean coefficient: unknown correlation %q; known: %q, %q", c, Dessin, Swedish)
}

// Shape returns the natural logarithms of the two factors of the Swedish formula, T and
// 1/B: how U of a clean body goes with the temperature of the heating vapour, which stands
// for that of the juice, and with the Brix leaving. An error outside 5 to 88 Brix and 20 to
// 180 degC.
func Shape(b liquor.Brix, heating steam.Celsius) (warmth, thinness float64, err error) {
	_, err = Swedish.U(b, 0, heating, 0)
	return math.Log(float64(heating)), -math.Log(float64(b)), err
}

// LevelPoint is a point of the level factor: U at LevelPct % of the tube length
// over U at the best level.
type LevelPoint struct{ LevelPct, Factor float64 }

// LevelTable is the level factor of a body, levels rising. A site sets its own.
type LevelTable []LevelPoint

// DefaultLevels returns the starting table: best near a third of the tube, falling
// when higher (head, slow boiling) and sharply when lower (dry tubes). The shape
// is after Hugot, from memory; the figures are our choice, to be fitted on site.
func DefaultLevels() LevelTable {
	return LevelTable{{10, 0.72}, {20, 0.90}, {30, 1}, {40, 1}, {60, 0.93}, {100, 0.85}}
}

// Check reports the first fault of the table.
func (t LevelTable) Check() error {
	for i, p := range t {
		if !(p.LevelPct >= 0 && p.LevelPct <= 200) {
			return fmt.Errorf("level table: level %g %%; must be 0 to 200", p.LevelPct)
		}
		if !(p.Factor > 0 && p.Factor <= 1.5) {
			return fmt.Errorf("level table: factor %g at %g %%; must be above 0, at most 1.5", p.Factor, p.LevelPct)
		}
		if i > 0 && !(p.LevelPct > t[i-1].LevelPct) {
			return fmt.Errorf("level table: level %g %% after %g %%; levels must rise", p.LevelPct, t[i-1].LevelPct)
		}
	}
	return nil
}

// At returns the factor at a level in %, linear between points, constant beyond the
// ends; 1 for an empty table or a level that is no number.
func (t LevelTable) At(levelPct float64) float64 {
	if len(t) == 0 || math.IsNaN(levelPct) {
		return 1
	}
	if levelPct <= t[0].LevelPct {
		return t[0].Factor
	}
	for i := 1; i < len(t); i++ {
		a, b := t[i-1], t[i]
		if levelPct <= b.LevelPct {
			return a.Factor + (b.Factor-a.Factor)*(levelPct-a.LevelPct)/(b.LevelPct-a.LevelPct)
		}
	}
	return t[len(t)-1].Factor
}

// Condition is where a coefficient was measured, or is to be quoted.
type Condition struct {
	Brix     liquor.Brix   // leaving the body
	HeatingC steam.Celsius // chest
	JuiceC   steam.Celsius
}

// HeaterBleedTH infers the vapour in t/h that a juice heater takes, when the bleed
// has no meter, from the juice it heats:
//
//	V = F (h(t_out) - h(t_in))/(1 - loss)/lambda(p)
//
// juiceTH in t/h, loss a fraction from 0 to 0.2, p the vapour's pressure. The
// condensate leaves saturated; the juice's enthalpy is taken beyond its source's range
// (110 degC for most equations) without a flag. outC below inC is an error.
func HeaterBleedTH(juiceTH float64, b liquor.Brix, purity liquor.Purity, inC, outC steam.Celsius, p steam.KPa, loss float64, heat liquor.HeatModel) (float64, error) {
	if !(juiceTH >= 0 && juiceTH <= maxTH) || !(loss >= 0 && loss <= 0.2) {
		return 0, fmt.Errorf("heater: juice %g t/h, loss %g: out of range", juiceTH, loss)
	}
	if !(outC >= inC) {
		return 0, fmt.Errorf("heater: juice leaves at %g degC, below its inlet %g degC", outC, inC)
	}
	hi, _, err := heat.EnthalpyFlagged(b, purity, inC)
	if err != nil {
		return 0, fmt.Errorf("heater inlet: %w", err)
	}
	ho, _, err := heat.EnthalpyFlagged(b, purity, outC)
	if err != nil {
		return 0, fmt.Errorf("heater outlet: %w", err)
	}
	lam, err := steam.LatentHeat(p)
	if err != nil {
		return 0, fmt.Errorf("heater vapour: %w", err)
	}
	return juiceTH * (ho - hi) / (1 - loss) / float64(lam), nil
}
