package thermo

import (
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// checkCleanU checks the formula that a set names for its clean bodies.
func checkCleanU(h *plant.House, f string, s *plant.SetConfig) plant.Faults {
	c := evaporator.Correlation(s.CleanUFormula)
	if !contains(evaporator.Correlations(), c) {
		return plant.Faults{h.Document.Fault(f+".clean_u_formula", words.Say("no formula %q", c), words.Say("use one of %v", evaporator.Correlations()))}
	}
	if low, high := c.ConstantRange(); s.CleanUConstant != 0 && !(s.CleanUConstant >= low && s.CleanUConstant <= high) {
		return plant.Faults{h.Document.Fault(f+".clean_u_constant", words.Say("%g is no constant of the formula %s", s.CleanUConstant, c),
			words.Say("give %g to %g, or leave it out for %g", low, high, c.Constant()))}
	}
	return nil
}

// formula is the one that the set has chosen.
func (v *bodyView) formula() evaporator.Correlation {
	return evaporator.Correlation(v.equip.Parent.Set.CleanUFormula)
}

// byFormula is clean U by the formula of the set, for the Brix leaving and the calandria's
// temperature given; the juice is taken to boil as far below that as it does now.
func (v *bodyView) byFormula(brix, chest evaporator.Result) evaporator.Result {
	formula, by := v.formula(), words.Text(byDessin)
	juice := 0.0
	if formula == evaporator.Swedish {
		by = bySwedish
		if !v.b.DTK.OK() {
			return v.b.DTK
		}
		juice = chest.Value - v.b.DTK.Value
	}
	u, err := formula.U(liquor.Brix(brix.Value), steam.Celsius(chest.Value), steam.Celsius(juice), v.equip.Parent.Set.CleanUConstant)
	if err != nil {
		return absent(beyondFormula)
	}
	r := value(u, 0.2*u) // such formulas hold within a fifth: common practice, no source
	r.How, r.Reason.Text = evaporator.Assumed, by
	return r
}
