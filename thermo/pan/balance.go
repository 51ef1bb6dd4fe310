package pan

import (
	"fmt"

	"calandria/thermo/liquor"
)

// Stream is an amount of a liquor, magma or massecuite.
type Stream struct {
	T      float64       `json:"t"` // mass, t
	Brix   liquor.Brix   `json:"brix"`
	Purity liquor.Purity `json:"purity"`
}

// Solids are its dissolved and crystallised solids, t.
func (s Stream) Solids() float64 { return s.T * float64(s.Brix) / 100 }

// Sucrose is its sucrose, t.
func (s Stream) Sucrose() float64 { return s.Solids() * float64(s.Purity) / 100 }

// Balanced is the result of a strike's solids balance.
type Balanced struct {
	Massecuite   Stream  `json:"massecuite"`
	EvaporationT float64 `json:"evaporation_t"`
	// Crystal is known if the mother liquor's purity was given (not 0).
	CrystalOnSolidsPct float64     `json:"crystal_on_solids_pct,omitempty"`
	CrystalPct         float64     `json:"crystal_pct,omitempty"` // on massecuite
	CrystalT           float64     `json:"crystal_t,omitempty"`
	MotherLiquorBrix   liquor.Brix `json:"mother_liquor_brix,omitempty"`
}

// Balance works out a strike from what went in (footing, feed, movement water as
// a stream of 0 Brix) and the massecuite's Brix at the drop: solids stay, water
// leaves. With the purity of the mother liquor, 0 if not known, it gives the
// crystal too:
//
//	massecuite = sum(m Brix)/Brix_mc       evaporation = sum(m) - massecuite
//	crystal % solids = 100 (P_mc - P_ml)/(100 - P_ml)
//
// Errors name what cannot be: a massecuite thinner than what went in, a purity
// of the liquor above the massecuite's, crystal that leaves no liquor. Source:
// the balances; crystal by purity is the trade's standard relation.
func Balance(in []Stream, massecuite liquor.Brix, motherLiquor liquor.Purity) (Balanced, error) {
	var m, solids, sucrose float64
	for i, s := range in {
		if !(s.T >= 0 && s.T < 1e5) || !(s.Brix >= 0 && s.Brix <= 100) || !(s.Purity >= 0 && s.Purity <= 100) {
			return Balanced{}, fmt.Errorf("balance of a strike: stream %d (%g t, %g Brix, purity %g) is out of range", i+1, s.T, float64(s.Brix), float64(s.Purity))
		}
		m += s.T
		solids += s.Solids()
		sucrose += s.Sucrose()
	}
	if !(solids > 0) {
		return Balanced{}, fmt.Errorf("balance of a strike: no solids went in")
	}
	if !(massecuite > 0 && massecuite <= 100) {
		return Balanced{}, fmt.Errorf("balance of a strike: massecuite of %g Brix, must be above 0 to 100", float64(massecuite))
	}
	b := Balanced{Massecuite: Stream{100 * solids / float64(massecuite), massecuite, liquor.Purity(100 * sucrose / solids)}}
	b.EvaporationT = m - b.Massecuite.T
	if b.EvaporationT < 0 {
		return Balanced{}, fmt.Errorf("balance of a strike: massecuite of %.1f Brix is thinner than what went in", float64(massecuite))
	}
	if motherLiquor == 0 {
		return b, nil
	}
	var err error
	b.CrystalOnSolidsPct, b.CrystalPct, b.MotherLiquorBrix, err = CrystalByPurity(b.Massecuite.Brix, b.Massecuite.Purity, motherLiquor)
	if err != nil {
		return Balanced{}, err
	}
	b.CrystalT = b.Massecuite.T * b.CrystalPct / 100
	return b, nil
}

// CrystalByPurity returns the crystal in % of solids and of massecuite, and the
// Brix of the mother liquor that goes with it, from the Brix and purity of the
// massecuite and the purity of its mother liquor. That Brix must suit the
// supersaturation (1.0 to 1.3): if it does not, the massecuite's is a spindle
// Brix or a purity is wrong.
func CrystalByPurity(massecuite liquor.Brix, purity, motherLiquor liquor.Purity) (onSolids, onMassecuite float64, liquorBrix liquor.Brix, err error) {
	onSolids, err = liquor.CrystalOnSolids(purity, motherLiquor)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("crystal content: %w", err)
	}
	onMassecuite = onSolids * float64(massecuite) / 100
	liquorBrix, err = liquor.MotherLiquorBrix(massecuite, onMassecuite)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("crystal content: %w", err)
	}
	return onSolids, onMassecuite, liquorBrix, nil
}

// SJM returns the recovery of sucrose (pol) and the yield of solids, both in %,
// when a massecuite or juice of purity j is parted into sugar of purity s and
// molasses of purity m:
//
//	recovery = s (j - m)/(j (s - m))      yield = (j - m)/(s - m)
//
// Purities in %, 0 <= m <= j <= s <= 100, m < s, j > 0. Source: N. Deerr, as
// stated in the trade.
func SJM(s, j, m liquor.Purity) (recoveryPct, yieldPct float64, err error) {
	if !(m >= 0 && m <= j && j <= s && s <= 100 && m < s && j > 0) {
		return 0, 0, fmt.Errorf("SJM: purities of sugar %g, massecuite %g and molasses %g must fall in that order, 0 to 100", float64(s), float64(j), float64(m))
	}
	y := float64(j-m) / float64(s-m)
	return 100 * y * float64(s) / float64(j), 100 * y, nil
}

// SeedRatio returns the seed of a continuous pan in % of its product, both t/h of
// magma and massecuite: seed 0 to 1000, product above 0 to 1000. 25 to 33 % is usual
// (from memory, no printed source). Source: definition.
func SeedRatio(seedTH, productTH float64) (float64, error) {
	if !(seedTH >= 0 && seedTH <= 1000) || !(productTH > 0 && productTH <= 1000) {
		return 0, fmt.Errorf("seed ratio: seed %g t/h and massecuite %g t/h, must be 0 to 1000 and above 0 to 1000", seedTH, productTH)
	}
	return 100 * seedTH / productTH, nil
}
