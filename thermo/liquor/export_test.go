package liquor

import (
	"math"

	"calandria/thermo/steam"
)

// WaterActivity is what the elevation by StarzakPeacock rests on.
func WaterActivity(b Brix, t steam.Celsius) (float64, error) {
	x := moleFraction(float64(b))
	return (1 - x) * math.Exp(spExponent(x)/(float64(t)+kelvin)), nil
}
