// Package condenser computes direct-contact (barometric, rain, spray, jet)
// condensers of evaporators and vacuum pans, and ranks the causes of poor vacuum
// from what the instruments show.
//
//	performance   Perform, DutyKW, WaterTH      duty, water need, ratio, approach, rise
//	poor vacuum   Diagnose                      causes by the kelvin they explain
//
// In good order a counter-current tray condenser has an approach of 2 to 5 K, a rain,
// spray or jet one 4 to 10 K (from memory). What the vapour and the water exchange is
// known to about the error of the rise: 0.3 K of 16 K are 2 %. Vapour counts as
// saturated unless a superheat is given, 10 K of it are 0.8 % of the duty.
//
// Pressures are absolute in kPa, temperatures in degC, differences in K, flows in
// t/h, duties in kW. A reading that cannot be (tail water warmer than the vapour, a
// negative flow, no number) gives an error and no value. The package is arithmetic:
// what it says of a vacuum is where to look first, under the site's procedures.
package condenser

import (
	"fmt"

	"calandria/thermo/steam"
)

// flow refuses a flow that is negative or no number.
func flow(name string, v float64) error {
	if !(v >= 0 && v <= 1e6) {
		return fmt.Errorf("condenser: %s %g t/h; must be 0 to 1e6", name, v)
	}
	return nil
}

// DutyKW returns the heat in kW that vapourTH t/h of vapour at the pressure p,
// superheated by superheatK (the boiling-point elevation of the last body, 0 if
// saturated), gives up until it leaves as water at outC:
//
//	q = V (h"(p) + 1.9 superheat - h'(t_out))
//
// Range: p and outC as in package steam, flow and superheat (at most 100 K) not
// negative.
func DutyKW(vapourTH float64, p steam.KPa, superheatK float64, outC steam.Celsius) (float64, error) {
	if err := flow("vapour", vapourTH); err != nil {
		return 0, err
	}
	if !(superheatK >= 0 && superheatK <= 100) {
		return 0, fmt.Errorf("condenser: superheat %g K; must be 0 to 100", superheatK)
	}
	hv, err := steam.SatVapourEnthalpy(p)
	if err != nil {
		return 0, fmt.Errorf("condenser duty: %w", err)
	}
	hl, err := steam.LiquidEnthalpyAt(outC)
	if err != nil {
		return 0, fmt.Errorf("condenser duty: %w", err)
	}
	return vapourTH / 3.6 * (float64(hv-hl) + 1.9*superheatK), nil
}

// WaterTH returns the cooling water in t/h that condenses vapourTH t/h at the
// pressure p when it warms from inC to outC, by the balance of direct contact:
//
//	M (h'(t_out) - h'(t_in)) = V (h"(p) - h'(t_out))
//
// outC must be above inC and not above saturation at p.
func WaterTH(vapourTH float64, p steam.KPa, inC, outC steam.Celsius) (float64, error) {
	q, err := DutyKW(vapourTH, p, 0, outC)
	if err != nil {
		return 0, err
	}
	if err := between(p, inC, outC); err != nil {
		return 0, err
	}
	hi, err := steam.LiquidEnthalpyAt(inC)
	if err != nil {
		return 0, fmt.Errorf("condenser water: %w", err)
	}
	ho, err := steam.LiquidEnthalpyAt(outC)
	if err != nil {
		return 0, fmt.Errorf("condenser water: %w", err)
	}
	return 3.6 * q / float64(ho-hi), nil
}

func between(p steam.KPa, inC, outC steam.Celsius) error {
	tv, err := steam.Tsat(p)
	if err != nil {
		return fmt.Errorf("condenser: %w", err)
	}
	if !(outC > inC+0.01) {
		return fmt.Errorf("condenser: tail water %.2f degC is not above injection water %.2f degC", outC, inC)
	}
	if outC > tv+0.01 {
		return fmt.Errorf("condenser: tail water %.2f degC is above saturation %.2f degC at %.2f kPa; check pressure and thermometer", outC, tv, p)
	}
	return nil
}

// Performance describes a running condenser.
type Performance struct {
	DutyKW      float64
	WaterNeedTH float64 // by the direct-contact balance for this rise
	RatioKgKg   float64 // WaterNeedTH per vapour
	VapourC     float64 // saturation at the vapour pressure
	ApproachK   float64 // VapourC less tail water: grows with air and with blocked internals
	RiseK       float64 // tail less injection water: grows with too little water and with load
}

// Perform computes the performance from vapour flow, t/h, pressure at the condenser
// and water temperatures, by [WaterTH] and [DutyKW] and with their ranges and errors. At
// no vapour the ratio is 0.
func Perform(vapourTH float64, p steam.KPa, inC, outC steam.Celsius) (Performance, error) {
	tv, err := steam.Tsat(p)
	if err != nil {
		return Performance{}, fmt.Errorf("condenser performance: %w", err)
	}
	w, err := WaterTH(vapourTH, p, inC, outC)
	if err != nil {
		return Performance{}, err
	}
	q, err := DutyKW(vapourTH, p, 0, outC)
	if err != nil {
		return Performance{}, err
	}
	r := Performance{
		DutyKW: q, WaterNeedTH: w, VapourC: float64(tv),
		ApproachK: float64(tv - outC), RiseK: float64(outC - inC),
	}
	if vapourTH > 0 {
		r.RatioKgKg = w / vapourTH
	}
	return r, nil
}
