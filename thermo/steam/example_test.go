package steam_test

import (
	"errors"
	"fmt"

	"calandria/thermo/steam"
)

// The vapour space of a last body under vacuum.
func ExampleTsat() {
	t, err := steam.Tsat(16)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f degC\n", float64(t))
	// Output: 55.31 degC
}

// A gauge pressure taken for an absolute one is often out of range and is then refused.
func ExampleRangeError() {
	_, err := steam.Tsat(-85) // a vacuum gauge, in kPa
	var r *steam.RangeError
	if errors.As(err, &r) {
		fmt.Println(r)
	}
	// Output: absolute pressure -85 kPa is out of range 0.611213 to 22064 kPa
}

func ExampleLatentHeat() {
	r, _ := steam.LatentHeat(101.325)
	fmt.Printf("%.1f kJ/kg\n", float64(r))
	// Output: 2256.5 kJ/kg
}

// Condensate of 115.75 degC flashing into a chest at 134.79 kPa: how much vapour?
func ExampleFromPH() {
	h, _ := steam.LiquidEnthalpyAt(115.75)
	s, _ := steam.FromPH(134.79, h)
	fmt.Printf("%s, %.2f degC, %.2f %% vapour\n", s.Phase, float64(s.TemperatureC), 100*s.Quality)
	// Output: wet, 108.17 degC, 1.44 % vapour
}

// Live steam let down to the exhaust main stays superheated.
func ExampleVapour() {
	live, _ := steam.Vapour(2000, 300)
	exhaust, _ := steam.FromPH(240, steam.KJPerKg(live.EnthalpyKJKg))
	ts, _ := steam.Tsat(240)
	fmt.Printf("%.0f degC, %.0f K superheat\n", float64(exhaust.TemperatureC), float64(exhaust.TemperatureC-ts))
	// Output: 277 degC, 151 K superheat
}

func ExampleState_ViscosityMPaS() {
	s, _ := steam.SatLiquid(101.325)
	mu, _ := s.ViscosityMPaS()
	fmt.Printf("%.3f mPa s\n", mu)
	// Output: 0.282 mPa s
}
