package evaporator_test

import (
	"math"
	"testing"

	"calandria/thermo/evaporator"
	"calandria/thermo/steam"
)

// The invented plant was modelled with the saturation equations of IAPWS
// SR1-86(1992) (Wagner and Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783;
// coefficients from memory, confirmed by every state of the plant closing to
// 1e-11 with them). They differ from IAPWS-IF97 by up to 0.009 % in pressure. Here
// they tell differences of method from differences of formulation.
const sr1Tc, sr1Pc, sr1Rhoc = 647.096, 22064.0, 322.0

func sr1Psat(t steam.Celsius) (steam.KPa, error) {
	p, _ := sr1Line(float64(t))
	return steam.KPa(p), nil
}

// sr1Line returns the saturation pressure in kPa and its slope in kPa/K.
func sr1Line(c float64) (p, slope float64) {
	a := [...]float64{-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502}
	e := [...]float64{1, 1.5, 3, 3.5, 4, 7.5}
	t := c + 273.15
	th := 1 - t/sr1Tc
	var sum, d float64
	for i := range a {
		sum += a[i] * math.Pow(th, e[i])
		d += a[i] * e[i] * math.Pow(th, e[i]-1)
	}
	ln := sr1Tc / t * sum
	p = sr1Pc * math.Exp(ln)
	return p, -p / t * (ln + d)
}

func sr1Tsat(p steam.KPa) (steam.Celsius, error) {
	t0, err := steam.Tsat(p)
	t := float64(t0)
	for range 20 {
		v, d := sr1Line(t)
		step := (v - float64(p)) / d
		t -= step
		if math.Abs(step) < 1e-13 {
			break
		}
	}
	return steam.Celsius(t), err
}

func sr1Alpha(t float64) float64 {
	th := t / sr1Tc
	return -1135.905627715 - 5.65134998e-8*math.Pow(th, -19) + 2690.66631*th + 127.287297*math.Pow(th, 4.5) -
		135.003439*math.Pow(th, 5) + 0.981825814*math.Pow(th, 54.5)
}

func sr1Liquid(p steam.KPa) (steam.KJPerKg, error) {
	c, err := sr1Tsat(p)
	b := [...]float64{1.99274064, 1.09965342, -0.510839303, -1.75493479, -45.5170352, -6.74694450e5}
	e := [...]float64{1. / 3, 2. / 3, 5. / 3, 16. / 3, 43. / 3, 110. / 3}
	t := float64(c) + 273.15
	rho := 1.0
	for i := range b {
		rho += b[i] * math.Pow(1-t/sr1Tc, e[i])
	}
	_, slope := sr1Line(float64(c))
	return steam.KJPerKg(sr1Alpha(t) + t/(rho*sr1Rhoc)*slope), err
}

func sr1Vapour(p steam.KPa) (steam.KJPerKg, error) {
	c, err := sr1Tsat(p)
	b := [...]float64{-2.03150240, -2.68302940, -5.38626492, -17.2991605, -44.7586581, -63.9201063}
	e := [...]float64{2. / 6, 4. / 6, 8. / 6, 18. / 6, 37. / 6, 71. / 6}
	t := float64(c) + 273.15
	ln := 0.0
	for i := range b {
		ln += b[i] * math.Pow(1-t/sr1Tc, e[i])
	}
	_, slope := sr1Line(float64(c))
	return steam.KJPerKg(sr1Alpha(t) + t/(math.Exp(ln)*sr1Rhoc)*slope), err
}

func sr1Set(tb testing.TB, p plantFile) *evaporator.Set {
	s := demoSet(tb, p)
	s.UseWater(sr1Tsat, sr1Psat, sr1Liquid, sr1Vapour)
	return s
}
