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
