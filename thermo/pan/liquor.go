package pan

import (
	"errors"
	"fmt"
	"math"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Site holds what a site chooses for its liquors. The zero value uses the
// defaults of package liquor with cane impurities and textbook zones.
type Site struct {
	Elevation  liquor.BPEModel
	Solubility liquor.SolubilityModel
	// Impurity of the solubility; the zero value means CaneImpurity.
	Impurity liquor.Impurity
	// PurityFactor raises the elevation of impure liquor, see liquor.BPEModel.
	PurityFactor float64
	// Zones of supersaturation; the zero value means TypicalZones.
	Zones liquor.ZoneLimits
}

func (s Site) impurity() liquor.Impurity {
	if s.Impurity == (liquor.Impurity{}) {
		return liquor.CaneImpurity()
	}
	return s.Impurity
}

func (s Site) zones() liquor.ZoneLimits {
	if s.Zones == (liquor.ZoneLimits{}) {
		return liquor.TypicalZones()
	}
	return s.Zones
}

// Liquor is the state of the mother liquor in a boiling pan.
type Liquor struct {
	ElevationK      float64       `json:"elevation_k"`
	SaturationC     float64       `json:"saturation_c"` // of water at the pan's pressure
	Brix            liquor.Brix   `json:"brix"`
	Purity          liquor.Purity `json:"purity"`
	Supersaturation float64       `json:"supersaturation"` // sucrose per water over that at saturation
	Zone            liquor.Zone   `json:"zone"`
	// PerK is the change of supersaturation for 1 K more of massecuite temperature
	// at the same pressure, PerKPa for 1 kPa more of pressure at the same
	// temperature, PerPurity for one point more of purity.
	PerK      float64 `json:"per_k"`
	PerKPa    float64 `json:"per_kpa"`
	PerPurity float64 `json:"per_purity"`
	// Sigma is the standard deviation of the supersaturation from those of the
	// readings. The equations themselves add several %: 0.05 at best.
	Sigma float64 `json:"sigma"`
	// Extrapolated: an equation was used beyond the range of its source.
	Extrapolated bool `json:"extrapolated,omitempty"`
}

// LiquorReading is what MotherLiquor needs, with one standard deviation each
// (0: taken as exact).
type LiquorReading struct {
	MassecuiteC, SigmaK             float64 // well circulated massecuite, head and offset taken off
	PressureKPa, SigmaKPa           float64 // vapour space, absolute
	LiquorPurityPct, SigmaPurityPct float64
}

// MotherLiquor returns the state of the mother liquor from the boiling-point
// elevation T_massecuite - Tsat(p): crystals do not raise the boiling point, so
// it is the liquor's.
//
//	BPE -> Brix of the liquor -> S = (s/w)/(saturation at T and purity)
//
// The thermometer must not be under head, or its rise be taken off: 10 K at the
// bottom of a full pan. 0.2 kPa of pressure at 16 kPa is 0.26 K, 0.04 to 0.06 in
// S. An elevation of 0 or less is refused: the pan does not boil or an
// instrument is wrong. Source: the definitions, with the equations of package
// liquor; ranges are theirs.
func MotherLiquor(r LiquorReading, s Site) (Liquor, error) {
	for _, v := range []float64{r.SigmaK, r.SigmaKPa, r.SigmaPurityPct} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return Liquor{}, errors.New("mother liquor: a standard deviation is negative or not a number")
		}
	}
	l, err := motherLiquor(r.MassecuiteC, r.PressureKPa, r.LiquorPurityPct, s)
	if err != nil {
		return Liquor{}, fmt.Errorf("mother liquor: %w", err)
	}
	if l.Zone, err = s.zones().Zone(l.Supersaturation); err != nil {
		return Liquor{}, fmt.Errorf("mother liquor: %w", err)
	}
	slope := func(dT, dP, dQ float64) float64 {
		h := dT + dP + dQ
		a, errA := motherLiquor(r.MassecuiteC+dT, r.PressureKPa+dP, r.LiquorPurityPct+dQ, s)
		b, errB := motherLiquor(r.MassecuiteC-dT, r.PressureKPa-dP, r.LiquorPurityPct-dQ, s)
		switch {
		case errA == nil && errB == nil:
			return (a.Supersaturation - b.Supersaturation) / (2 * h)
		case errB == nil: // at the edge of a range
			return (l.Supersaturation - b.Supersaturation) / h
		case errA == nil:
			return (a.Supersaturation - l.Supersaturation) / h
		}
		return 0
	}
	l.PerK, l.PerKPa, l.PerPurity = slope(0.05, 0, 0), slope(0, 0.02, 0), slope(0, 0, 0.1)
	l.Sigma = math.Sqrt(sq(l.PerK*r.SigmaK) + sq(l.PerKPa*r.SigmaKPa) + sq(l.PerPurity*r.SigmaPurityPct))
	return l, nil
}

// MeasuredLiquor is what Supersaturation needs, with one standard deviation each (0: taken
// as exact).
type MeasuredLiquor struct {
	Brix, SigmaBrix                 float64 // of the mother liquor, by a refractometer in the pan
	MassecuiteC, SigmaK             float64
	LiquorPurityPct, SigmaPurityPct float64
}

// Supersaturation returns that of a mother liquor whose own Brix is measured: no
// boiling-point elevation, so neither head nor a moving vacuum matters. It rests on the
// refractometer: 0.3 Brix are some 0.02. beyond says that the solubility was used beyond
// the range of its source. Source and ranges: liquor.SolubilityModel.Supersaturation.
func Supersaturation(r MeasuredLiquor, s Site) (v, sigma float64, beyond bool, err error) {
	for _, x := range []float64{r.SigmaBrix, r.SigmaK, r.SigmaPurityPct} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return 0, 0, false, errors.New("supersaturation: a standard deviation is negative or not a number")
		}
	}
	at := func(db, dt, dq float64) (float64, bool, error) {
		return s.Solubility.SupersaturationFlagged(liquor.Brix(r.Brix+db), liquor.Purity(r.LiquorPurityPct+dq), steam.Celsius(r.MassecuiteC+dt), s.impurity())
	}
	if v, beyond, err = at(0, 0, 0); err != nil {
		return 0, 0, false, fmt.Errorf("supersaturation: %w", err)
	}
	slope := func(db, dt, dq float64) float64 {
		up, _, err1 := at(db, dt, dq)
		down, _, err2 := at(-db, -dt, -dq)
		h := 2 * (db + dt + dq)
		switch { // else at the edge of a range
		case err1 != nil && err2 != nil:
			return 0
		case err1 != nil:
			up, h = v, h/2
		case err2 != nil:
			down, h = v, h/2
		}
		return (up - down) / h
	}
	return v, math.Sqrt(sq(slope(0.01, 0, 0)*r.SigmaBrix) + sq(slope(0, 0.05, 0)*r.SigmaK) + sq(slope(0, 0, 0.1)*r.SigmaPurityPct)), beyond, nil
}

func sq(x float64) float64 { return x * x }

func motherLiquor(t, p, purity float64, s Site) (Liquor, error) {
	ts, err := steam.Tsat(steam.KPa(p))
	if err != nil {
		return Liquor{}, err
	}
	l := Liquor{ElevationK: t - float64(ts), SaturationC: float64(ts), Purity: liquor.Purity(purity)}
	if !(l.ElevationK > 0) {
		return Liquor{}, fmt.Errorf("massecuite at %.1f degC is not above the boiling point of water at %.2f kPa, %.1f degC", t, p, float64(ts))
	}
	b, out, err := s.Elevation.BrixFromElevationFlagged(l.ElevationK, l.Purity, steam.KPa(p), s.PurityFactor)
	if err != nil {
		return Liquor{}, err
	}
	ss, out2, err := s.Solubility.SupersaturationFlagged(b, l.Purity, steam.Celsius(t), s.impurity())
	if err != nil {
		return Liquor{}, err
	}
	l.Brix, l.Supersaturation, l.Extrapolated = b, ss, out || out2
	return l, nil
}

// Evaporation returns the water evaporated, t/h, by steamTH t/h of dry saturated
// steam that condenses at chestKPa while the pan boils at panKPa, less lossPct %
// of the heat (radiation, vent steam, heating of the feed; 0 to 50):
//
//	m = S lambda(chest) (1 - loss)/lambda(pan)
//
// Without a loss it is the customary m = U A dT/lambda(pan) with the U of the same steam.
// Source: heat balance of a calandria.
func Evaporation(steamTH float64, chest, pan steam.KPa, lossPct float64) (float64, error) {
	if !(steamTH >= 0) || steamTH > 1000 || !(lossPct >= 0 && lossPct <= 50) {
		return 0, fmt.Errorf("evaporation of a pan: steam %g t/h and loss %g %%, must be 0 to 1000 and 0 to 50", steamTH, lossPct)
	}
	lc, err := steam.LatentHeat(chest)
	if err != nil {
		return 0, fmt.Errorf("evaporation of a pan: chest: %w", err)
	}
	lp, err := steam.LatentHeat(pan)
	if err != nil {
		return 0, fmt.Errorf("evaporation of a pan: vapour space: %w", err)
	}
	return steamTH * (1 - lossPct/100) * float64(lc) / float64(lp), nil
}

// LeastDifferenceK is the least temperature difference, K, on which U
// means anything.
const LeastDifferenceK = 3.0

// U returns the heat-transfer coefficient of the calandria in kW/(m2 K) from
// the steam condensed, t/h, at chest kPa, the massecuite's temperature and the
// heating surface in m2 (1 to 5000):
//
//	U = S lambda/(A (Tsat(chest) - T_massecuite))
//
// The head is left inside U. An error if the difference is under 3 K.
func U(steamTH float64, chest steam.KPa, massecuiteC, areaM2 float64) (float64, error) {
	if !(steamTH >= 0) || steamTH > 1000 || !(areaM2 >= 1 && areaM2 <= 5000) {
		return 0, fmt.Errorf("U of a pan: steam %g t/h, surface %g m2 out of range", steamTH, areaM2)
	}
	tc, err := steam.Tsat(chest)
	if err != nil {
		return 0, fmt.Errorf("U of a pan: %w", err)
	}
	lc, err := steam.LatentHeat(chest)
	if err != nil {
		return 0, fmt.Errorf("U of a pan: %w", err)
	}
	dT := float64(tc) - massecuiteC
	if !(dT >= LeastDifferenceK) || dT > 200 {
		return 0, fmt.Errorf("U of a pan: chest is %.1f K above the massecuite, must be at least %g", dT, LeastDifferenceK)
	}
	return steamTH / 3.6 * float64(lc) / (areaM2 * dT), nil
}
