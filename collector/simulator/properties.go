package simulator

import (
	"math"

	"calandria/thermo/steam"
)

// table is a property of saturated water against its temperature, on a grid of
// 0.5 K from 5 to 175 degC with cubic interpolation: IF97 is exact, but sixty
// days of history ask for it some ten million times. Off IF97 by less than
// 1e-6 of the value within 10 to 170 degC (see the test).
type table [tableSize]float64

const (
	tableLow  = 5.0
	tableStep = 0.5
	tableSize = 341
)

func (t *table) at(tempC float64) float64 {
	u := (tempC - tableLow) / tableStep
	u = min(max(u, 1), tableSize-3.001)
	i := int(u)
	f := u - float64(i)
	a, b, c, d := t[i-1], t[i], t[i+1], t[i+2]
	// Lagrange through four neighbours.
	return a*(-f*(f-1)*(f-2)/6) + b*((f+1)*(f-1)*(f-2)/2) + c*(-(f+1)*f*(f-2)/2) + d*((f+1)*f*(f-1)/6)
}

// water holds saturated water and steam by temperature.
type water struct {
	lnP     table // ln kPa
	liquid  table // kJ/kg
	vapour  table // kJ/kg
	volumeV table // m3/kg
}

func newWater() *water {
	w := &water{}
	for i := range tableSize {
		t := steam.Celsius(tableLow + tableStep*float64(i))
		p, err := steam.Psat(t)
		if err != nil {
			panic(err) // the grid lies inside IF97; a failure is a fault of this program
		}
		hl, errL := steam.SatLiquidEnthalpy(p)
		v, errV := steam.SatVapour(p)
		if errL != nil || errV != nil {
			panic("simulator: saturation properties missing inside the range of IF97")
		}
		w.lnP[i], w.liquid[i], w.vapour[i], w.volumeV[i] = math.Log(float64(p)), float64(hl), float64(v.EnthalpyKJKg), v.VolumeM3Kg
	}
	return w
}

// pressure is the saturation pressure, kPa.
func (w *water) pressure(tempC float64) float64 { return math.Exp(w.lnP.at(tempC)) }

// temperature is the saturation temperature, degC: Newton on the table.
func (w *water) temperature(pressureKPa float64) float64 {
	y := math.Log(min(max(pressureKPa, 1), 800))
	// Antoine's form as a start, then Newton on ln p.
	t := 3816.44/(18.3036-(y+2.0150)) - 227.02
	for range 8 {
		const h = 0.05
		d := (w.lnP.at(t+h) - w.lnP.at(t-h)) / (2 * h)
		step := (y - w.lnP.at(t)) / d
		t += step
		if math.Abs(step) < 1e-10 {
			break
		}
	}
	return t
}

// latent is the heat of evaporation, kJ/kg.
func (w *water) latent(tempC float64) float64 { return w.vapour.at(tempC) - w.liquid.at(tempC) }

// elevation is the boiling-point elevation in K of a juice of brix % boiling
// where water boils at tempC: the Batterham-Norgate form, from memory.
func elevation(brix, tempC float64) float64 {
	if brix <= 0 {
		return 0
	}
	k := 273 + tempC
	c := brix - 40
	return 6.064e-5 * k * k * brix * brix * math.Exp(-0.38*math.Log(374-tempC)) * (5.84e-7*c*c + 0.00072)
}

// specificHeat of juice, kJ/(kg K): 4.19 - 2.35 x (Geankoplis, Transport
// Processes and Unit Operations, example 8.5-1).
func specificHeat(brix float64) float64 { return 4.19 - 0.0235*brix }

// density of juice, kg/m3, good enough for hold-ups: 1000 + 3.8 B + 0.018 B^2
// at 20 degC less 0.5 a kelvin above it. Choice of the simulator, no source.
func density(brix, tempC float64) float64 {
	return 1000 + 3.8*brix + 0.018*brix*brix - 0.5*(tempC-20)
}
