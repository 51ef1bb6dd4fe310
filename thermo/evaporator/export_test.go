package evaporator

import "calandria/thermo/steam"

// UseWater replaces the saturation line, for comparison with a model built on
// another formulation of the properties of water.
func (s *Set) UseWater(tsat func(steam.KPa) (steam.Celsius, error), psat func(steam.Celsius) (steam.KPa, error),
	satLiquid, satVapour func(steam.KPa) (steam.KJPerKg, error)) {
	s.water = water{tsat, psat, satLiquid, satVapour}
}
