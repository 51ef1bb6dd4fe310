package liquor

// The balances of a massecuite are exact: crystals are pure sucrose, the mother liquor
// is the rest.

func percent(quantity string, v, low, high float64) error {
	return (&span{quantity, "%", 0, 0, low, high}).check(v)
}

// CrystalOnSolids returns crystal in % of the massecuite's dissolved and crystallised
// solids, from the purities of massecuite and mother liquor:
//
//	c = 100 (Pmc - Pml)/(100 - Pml)
//
// A [*RangeError] unless 0 <= Pml <= Pmc <= 100 and Pml < 100.
func CrystalOnSolids(massecuite, motherLiquor Purity) (float64, error) {
	if err := firstError(
		percent("massecuite purity", float64(massecuite), 0, 100),
		percent("mother-liquor purity", float64(motherLiquor), 0, min(99.9, float64(massecuite)))); err != nil {
		return 0, err
	}
	return 100 * float64(massecuite-motherLiquor) / (100 - float64(motherLiquor)), nil
}

// CrystalContent returns crystal in % of massecuite, from the dissolved solids of
// massecuite and mother liquor:
//
//	C = 100 (Bmc - Bml)/(100 - Bml)
//
// A [*RangeError] unless 0 <= Bml <= Bmc <= 100 and Bml < 100.
func CrystalContent(massecuite, motherLiquor Brix) (float64, error) {
	if err := firstError(
		percent("massecuite Brix", float64(massecuite), 0, 100),
		percent("mother-liquor Brix", float64(motherLiquor), 0, min(99.9, float64(massecuite)))); err != nil {
		return 0, err
	}
	return 100 * float64(massecuite-motherLiquor) / (100 - float64(motherLiquor)), nil
}

// MotherLiquorBrix returns the dissolved solids in % of the mother liquor of a
// massecuite of massecuite % solids that holds crystal % of crystals (on massecuite):
//
//	Bml = 100 (Bmc - C)/(100 - C)
//
// A [*RangeError] unless 0 <= C <= Bmc <= 100 and C < 100.
func MotherLiquorBrix(massecuite Brix, crystal float64) (Brix, error) {
	if err := firstError(
		percent("massecuite Brix", float64(massecuite), 0, 100),
		percent("crystal content", crystal, 0, min(99.9, float64(massecuite)))); err != nil {
		return 0, err
	}
	return Brix(100 * (float64(massecuite) - crystal) / (100 - crystal)), nil
}

// MotherLiquorPurity returns the purity of the mother liquor of a massecuite of the
// given Brix and purity that holds crystal % of crystals (on massecuite):
//
//	Pml = 100 (Bmc Pmc/100 - C)/(Bmc - C)
//
// A [*RangeError] unless 0 <= C <= sucrose in the massecuite and C < Bmc <= 100.
func MotherLiquorPurity(massecuite Brix, purity Purity, crystal float64) (Purity, error) {
	if err := firstError(
		percent("massecuite Brix", float64(massecuite), 0.1, 100),
		percent("massecuite purity", float64(purity), 0, 100)); err != nil {
		return 0, err
	}
	sucrose := float64(massecuite) * float64(purity) / 100
	if err := percent("crystal content", crystal, 0, min(sucrose, 0.999*float64(massecuite))); err != nil {
		return 0, err
	}
	return Purity(100 * (sucrose - crystal) / (float64(massecuite) - crystal)), nil
}
