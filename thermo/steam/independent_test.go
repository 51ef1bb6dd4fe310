package steam_test

import (
	"math"
	"testing"

	"calandria/thermo/steam"
)

// Points between those of testdata/properties, by python3-iapws 1.5.3: IAPWS-IF97.
func TestIndependentPoints(t *testing.T) {
	near := func(what string, got float64, err error, want, rel float64) {
		t.Helper()
		if err != nil || math.Abs(got/want-1) > rel {
			t.Errorf("%s: %.10g, want %.10g (%v)", what, got, want, err)
		}
	}
	same := func(what string, s steam.State, err error, v, h float64) {
		t.Helper()
		near(what+" volume", s.VolumeM3Kg, err, v, 6e-8)
		near(what+" enthalpy", s.EnthalpyKJKg, err, h, 1e-8)
	}
	for _, x := range []struct{ p, t, hl, hv, vl, vv float64 }{
		{7.7, 40.78715015, 170.830653, 2574.948435, 0.0010081861, 18.76276904},
		{13.3, 51.49922113, 215.603650, 2593.955114, 0.0010128385, 11.21953861},
		{23.9, 63.96096769, 267.729761, 2615.716090, 0.0010192709, 6.47081233},
		{88.8, 96.31892702, 403.576220, 2669.725907, 0.0010406190, 1.89307684},
		{171.7, 115.45457468, 484.481299, 2699.260047, 0.0010562731, 1.02168559},
		{333.3, 137.15145444, 576.981966, 2729.725500, 0.0010768280, 0.54881597},
		{987.6, 179.34413408, 760.291784, 2776.644482, 0.0011265005, 0.19667600},
	} {
		p := steam.KPa(x.p)
		ts, err := steam.Tsat(p)
		near("Tsat", float64(ts), err, x.t, 1e-9)
		l, err := steam.SatLiquid(p)
		same("saturated liquid", l, err, x.vl, x.hl)
		v, err := steam.SatVapour(p)
		same("saturated vapour", v, err, x.vv, x.hv)
		lam, err := steam.LatentHeat(p)
		near("latent heat", float64(lam), err, x.hv-x.hl, 1e-8)
	}
	for _, x := range []struct{ p, t, v, h, s, cp float64 }{
		{11.3, 63.7, 13.719415458, 2617.973643, 8.19664426, 1.91478818},
		{97.7, 131.3, 1.891505579, 2739.527325, 7.53572633, 1.99990468},
		{163.3, 187.7, 1.290186220, 2847.902708, 7.55176238, 2.00331301},
		{211.1, 121.9, 0.001062060, 511.864512, 1.54828387, 4.24968405},
		{1234.5, 391.7, 0.244315269, 3242.843145, 7.33880175, 2.14361463},
	} {
		s, err := steam.FromPT(steam.KPa(x.p), steam.Celsius(x.t))
		near("volume", s.VolumeM3Kg, err, x.v, 5e-7)
		near("enthalpy", s.EnthalpyKJKg, err, x.h, 1e-8)
		near("entropy", s.EntropyKJKgK, err, x.s, 1e-8)
		near("cp", s.CpKJKgK, err, x.cp, 1e-8)
	}
}
