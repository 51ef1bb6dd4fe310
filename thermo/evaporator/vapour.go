package evaporator

import (
	"fmt"
	"math"

	"calandria/thermo/steam"
)

// VapourVelocity returns the velocity in m/s of vapourTH t/h of vapour (0 to 100000) that
// rises at pressure p and temperature t through a vapour space of the inside diameter m
// (0.3 to 15):
//
//	w = V v(p, t)/(pi/4 D^2)
//
// t is that of the boiling juice, at which the vapour leaves it; the specific volume is
// IAPWS-IF97's. Bodies are laid out for at most 4.6 m/s: above it drops are carried to the
// separator. Source: continuity; the figure is of lecture slides, "Design of cane juice
// evaporator".
func VapourVelocity(vapourTH float64, p steam.KPa, t steam.Celsius, diameterM float64) (float64, error) {
	if !(vapourTH >= 0 && vapourTH <= maxTH) {
		return 0, fmt.Errorf("vapour velocity: vapour %g t/h; must be 0 to %g", vapourTH, float64(maxTH))
	}
	if !(diameterM >= 0.3 && diameterM <= 15) {
		return 0, fmt.Errorf("vapour velocity: diameter %g m; must be 0.3 to 15", diameterM)
	}
	s, err := steam.Vapour(p, t)
	if err != nil {
		return 0, fmt.Errorf("vapour velocity: %w", err)
	}
	return vapourTH / 3.6 * s.VolumeM3Kg / (math.Pi / 4 * diameterM * diameterM), nil
}
