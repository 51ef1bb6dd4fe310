// Package condenser computes direct-contact (barometric, rain, spray, jet)
// condensers of evaporators and vacuum pans, and ranks the causes of poor vacuum
// from what the instruments show.
//
//	performance   Perform, DutyKW, WaterTH      duty, water need, ratio, approach, rise
//	tail water    OutletC                       from vapour and water
//	short form    WaterByApproachTH             by the approach (Kern)
//	gas           AirPressureKPa, VapourWithGas, TerminalDifferenceK
//	leg, leaks    LegM, LeakageKgH              height of water, hold test
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
	"math"

	"calandria/thermo/steam"
)

// waterHeat is the specific heat of cooling water in the short form, 1 Btu/(lb F) in
// the source, kJ/(kg K).
const waterHeat = 4.1868

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

// OutletC returns the tail-water temperature when vapourTH t/h at the pressure p
// is condensed by waterTH t/h entering at inC:
//
//	(M + V) h'(t_out) = M h'(t_in) + V h"(p)
//
// A mixture above saturation is an error: the water cannot condense that much vapour
// at that pressure. Ranges as for [WaterTH].
func OutletC(vapourTH float64, p steam.KPa, waterTH float64, inC steam.Celsius) (steam.Celsius, error) {
	if err := flow("vapour", vapourTH); err != nil {
		return 0, err
	}
	if !(waterTH > 0 && waterTH <= 1e6) {
		return 0, fmt.Errorf("condenser: cooling water %g t/h; must be above 0", waterTH)
	}
	hv, err := steam.SatVapourEnthalpy(p)
	if err != nil {
		return 0, fmt.Errorf("condenser outlet: %w", err)
	}
	hi, err := steam.LiquidEnthalpyAt(inC)
	if err != nil {
		return 0, fmt.Errorf("condenser outlet: %w", err)
	}
	tv, err := steam.Tsat(p)
	if err != nil {
		return 0, fmt.Errorf("condenser outlet: %w", err)
	}
	// The mixture's enthalpy; then the temperature that has it.
	h := (waterTH*float64(hi) + vapourTH*float64(hv)) / (waterTH + vapourTH)
	t := h / 4.19
	for range 30 {
		ht, err := steam.LiquidEnthalpyAt(steam.Celsius(t))
		if err != nil {
			return 0, fmt.Errorf("condenser outlet: %w", err)
		}
		step := (h - float64(ht)) / 4.19
		t += step
		if math.Abs(step) < 1e-11 {
			break
		}
	}
	if t > float64(tv)+1e-6 {
		return 0, fmt.Errorf("condenser outlet: %.1f t/h of water at %.1f degC cannot condense %.2f t/h of vapour at %.2f kPa", waterTH, inC, vapourTH, p)
	}
	return steam.Celsius(t), nil
}

// WaterByApproachTH returns the cooling water in t/h by the short form: a duty in
// kW, the vapour and injection temperatures and the approach of the tail water to
// the vapour temperature in K:
//
//	M = q/(cp (t_vapour - t_in - approach)),  cp = 4.1868 kJ/(kg K)
//
// Source: Kern, Process Heat Transfer, eq. 14.4 (500 lb/h and Btu/h F a gpm).
func WaterByApproachTH(dutyKW float64, vapourC, inC steam.Celsius, approachK float64) (float64, error) {
	rise := float64(vapourC-inC) - approachK
	if !(dutyKW >= 0 && approachK >= 0 && rise > 0.01) || math.IsInf(dutyKW, 0) || math.IsInf(rise, 0) {
		return 0, fmt.Errorf("condenser: duty %g kW, vapour %g degC, water %g degC, approach %g K leave no rise", dutyKW, vapourC, inC, approachK)
	}
	return 3.6 * dutyKW / (waterHeat * rise), nil
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

// TerminalDifferenceK returns the gas temperature at the condenser top less the
// tail water, in K; both in degC, unchecked. Against Performance.ApproachK it leaves out the air: approach
// less terminal difference is Tsat(p) less the gas temperature.
func TerminalDifferenceK(gasC, outC steam.Celsius) float64 { return float64(gasC - outC) }

// AirPressureKPa returns the partial pressure of air and other gases where the
// total pressure is p and the vapour is saturated at gasC; never below 0.
func AirPressureKPa(p steam.KPa, gasC steam.Celsius) (float64, error) {
	if !(p > 0 && p < 2000) {
		return 0, fmt.Errorf("condenser: pressure %g kPa; must be above 0 and below 2000", p)
	}
	ps, err := steam.Psat(gasC)
	if err != nil {
		return 0, fmt.Errorf("condenser air: %w", err)
	}
	return max(0, float64(p-ps)), nil
}

// VapourWithGas returns the kg of water vapour that a kg of dry air, saturated at
// gasC under the pressure p, carries to the vacuum pump: 0.622 ps/(p - ps). Cold
// gas is a small load. gasC must be below saturation at p.
func VapourWithGas(p steam.KPa, gasC steam.Celsius) (float64, error) {
	ps, err := steam.Psat(gasC)
	if err != nil {
		return 0, fmt.Errorf("condenser gas: %w", err)
	}
	if !(p > ps) || math.IsInf(float64(p), 0) {
		return 0, fmt.Errorf("condenser gas: %.2f kPa is not above the vapour pressure %.2f kPa at %.1f degC", p, ps, gasC)
	}
	return 0.622 * float64(ps) / float64(p-ps), nil
}

// LegM returns the height in m at which the water of a barometric leg stands over the
// water of its seal well: (barometer - p)/(rho g), rho that of water at c degC. barometerKPa
// is 50 to 110, p absolute and not above it. The tail pipe must be longer by what its
// flow costs and by a margin of the site's. Source: hydrostatics; 760 mm of mercury are
// 10.34 m of water (Bhojraj, slides on condensing systems).
func LegM(p steam.KPa, barometerKPa float64, c steam.Celsius) (float64, error) {
	if !(barometerKPa >= 50 && barometerKPa <= 110 && p >= 0 && float64(p) <= barometerKPa) {
		return 0, fmt.Errorf("barometric leg: %g kPa under a barometer of %g kPa; must be 0 to the barometer, and that 50 to 110", float64(p), barometerKPa)
	}
	w, err := steam.Liquid(steam.KPa(barometerKPa), c)
	if err != nil {
		return 0, fmt.Errorf("barometric leg: %w", err)
	}
	return (barometerKPa - float64(p)) * 1000 * w.VolumeM3Kg / 9.80665, nil
}

// LeakageKgH returns the air leaking into a closed vessel in kg/h from the pressure
// rise of a hold test: V dp/dt/(R T), R = 0.287 kJ/(kg K). The vessel must be dry
// and without heat: steam isolated and everything else as the site's procedure
// for a hold test says. The test shows the leak's size; it permits nothing.
func LeakageKgH(volumeM3, riseKPaMin float64, c steam.Celsius) (float64, error) {
	if !(volumeM3 > 0 && volumeM3 < 1e5 && riseKPaMin >= 0 && riseKPaMin < 1e3 && c > -50 && c < 200) {
		return 0, fmt.Errorf("condenser hold test: %g m3, %g kPa/min, %g degC: out of range", volumeM3, riseKPaMin, c)
	}
	return volumeM3 * riseKPaMin * 60 / (0.287 * (float64(c) + 273.15)), nil
}
