package steam

// For the tests: what the exported functions rest on, by its own variables.

// SatLiquid is saturated liquid at p.
func SatLiquid(p KPa) (State, error) { return saturatedState(float64(p), true) }

// Region3 is one phase of region 3 by its density, kg/m3, from the basic equation.
func Region3(densityKgM3 float64, t Celsius) (State, error) {
	k := float64(t) + kelvin
	return state3(region3(densityKgM3, k).pressure(densityKgM3, k)*1e3, densityKgM3, k)
}

// FromPT is Liquid or Vapour, whichever p and t are.
func FromPT(p KPa, t Celsius) (State, error) {
	high := criticalT
	if p < criticalP {
		high = tsatK(float64(p))
	}
	if float64(t)+kelvin <= high {
		return Liquid(p, t)
	}
	return Vapour(p, t)
}

// Boundary23 is the temperature of the line between regions 2 and 3.
func Boundary23(p KPa) Celsius { return Celsius(boundary23T(float64(p)) - kelvin) }
