package pan

import (
	"fmt"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
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

// Purities of a massecuite and its mother liquor at the end of a strike, in %.
type Purities struct {
	Massecuite    Reading `json:"massecuite"`
	Liquor        Reading `json:"liquor"`
	LiquorAssumed bool    `json:"liquor_assumed,omitempty"` // not measured: as configured
	// Brix of the massecuite by the laboratory; without it the one in the pan at the drop.
	Brix Reading `json:"brix"`
	By   string  `json:"by,omitempty"` // who gave them; empty: the tags
}

// EndBalance is the balance at the end of a strike. What cannot be told is not OK.
type EndBalance struct {
	Purities
	// By the purities: crystal in % of solids and of massecuite, the Brix of the liquor that
	// goes with it and its supersaturation, and how much of the sucrose is crystal, %.
	CrystalOnSolidsPct Reading `json:"crystal_on_solids_pct"`
	CrystalPct         Reading `json:"crystal_pct"`
	LiquorBrix         Reading `json:"liquor_brix"`
	Supersaturation    Reading `json:"supersaturation"`
	RecoveryPct        Reading `json:"recovery_pct"`
	// By the solids that went in: massecuite and crystal, t, and water evaporated, t. Water
	// given to the pan is not metered: it is left out here and not by the steam.
	MassecuiteT Reading `json:"massecuite_t"`
	CrystalT    Reading `json:"crystal_t"`
	WaterT      Reading `json:"water_t"`

	Doubts []Remark `json:"doubts,omitempty"` // what does not go together
}

// Weigh makes the balance at the end of a strike that was dropped, from the Brix of its
// massecuite and the purities: crystal by the purities, masses by the solids of footing and
// feed where both are known. What does not go together is said under Doubts: above all a
// liquor whose supersaturation would not be 1.0 to 1.3 (common practice, no source; a twentieth
// of tolerance for the instruments), which shows a spindle Brix or a wrong purity. Source:
// [Balance], [CrystalByPurity], [SJM] with a sugar of 100.
func (s *Strike) Weigh(p Purities, site Site) {
	p.Massecuite, p.Liquor = p.Massecuite.checked(1, 100), p.Liquor.checked(1, 100)
	b := EndBalance{Purities: p}
	defer func() { s.Balance = b }()
	doubt := func(c Code, v ...float64) { b.Doubts = append(b.Doubts, figures(c, v...)) }
	of := s.DropBrix
	if p.Brix = p.Brix.checked(0, 100); p.Brix.OK {
		of = p.Brix
	}
	if b.Purities = p; !of.OK {
		return
	}
	brix := liquor.Brix(of.Value)
	pure, ml := liquor.Purity(p.Massecuite.Value), liquor.Purity(p.Liquor.Value)
	if p.Massecuite.OK && p.Liquor.OK {
		solids, crystal, lb, err := CrystalByPurity(brix, pure, ml)
		if err != nil {
			doubt(NoCrystal, float64(pure), float64(ml))
		} else {
			b.CrystalOnSolidsPct, b.CrystalPct, b.LiquorBrix = Use(solids), Use(crystal), Use(float64(lb))
			if r, _, err := SJM(100, pure, ml); err == nil {
				b.RecoveryPct = Use(r)
			}
			if s.DropC.OK {
				ss, _, _, err := Supersaturation(MeasuredLiquor{Brix: float64(lb), MassecuiteC: s.DropC.Value, LiquorPurityPct: float64(ml)}, site)
				switch {
				case err != nil:
					doubt(LiquorImpossible, float64(lb))
				case ss < 0.95 || ss > 1.35:
					doubt(LiquorUnlikely, ss)
					fallthrough
				default:
					b.Supersaturation = Use(ss)
				}
			}
		}
	}
	if !s.FootingT.OK || !s.FootingBrix.OK || !s.FeedT.OK || !(s.FeedT.Value > 0) || s.FeedLackingHours > 0.05 || !s.Whole {
		return
	}
	if !p.Massecuite.OK {
		pure = 0 // masses need none
	}
	if !b.CrystalPct.OK {
		ml = 0
	}
	all, err := Balance([]Stream{{s.FootingT.Value, liquor.Brix(s.FootingBrix.Value), pure}, {s.FeedT.Value, liquor.Brix(100 * s.FeedSolidsT.Value / s.FeedT.Value), pure}}, brix, ml)
	if err != nil {
		doubt(NoBalance)
		return
	}
	b.MassecuiteT, b.WaterT = Use(all.Massecuite.T), Use(all.EvaporationT)
	if b.CrystalPct.OK {
		b.CrystalT = Use(all.CrystalT)
	}
}

// massOf is the mass, t, of m3 of massecuite or liquor of so many Brix: the density of a
// solution, which crystals change by a few %.
func massOf(m3, brix, celsius float64) (float64, error) {
	rho, _, err := liquor.SPS4.DensityFlagged(liquor.Brix(brix), steam.Celsius(celsius))
	return m3 * rho / 1000, err
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
