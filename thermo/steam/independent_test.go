package steam_test

import (
	"math"
	"testing"

	"calandria/thermo/steam"
)

// Points between those of testdata/properties, by python3-iapws 1.5.3: IAPWS-IF97, viscosity
// R12-08 and conductivity R15-11 with their critical enhancements.
func TestIndependentPoints(t *testing.T) {
	near := func(what string, got float64, err error, want, rel float64) {
		t.Helper()
		if err != nil || math.Abs(got/want-1) > rel {
			t.Errorf("%s: %.10g, want %.10g (%v)", what, got, want, err)
		}
	}
	same := func(what string, s steam.State, err error, v, h, mu, k float64) {
		t.Helper()
		near(what+" volume", s.VolumeM3Kg, err, v, 6e-8)
		near(what+" enthalpy", s.EnthalpyKJKg, err, h, 1e-8)
		got, err := s.ViscosityMPaS()
		near(what+" viscosity", got, err, mu, 1e-6)
		got, err = s.ConductivityWMK()
		near(what+" conductivity", got, err, k, 1e-5)
	}
	for _, x := range []struct{ p, t, hl, hv, vl, vv, mul, kl, muv, kv float64 }{
		{7.7, 40.78715015, 170.830653, 2574.948435, 0.0010081861, 18.76276904, 0.64317545, 0.62946927, 0.01021072, 0.01956745},
		{13.3, 51.49922113, 215.603650, 2593.955114, 0.0010128385, 11.21953861, 0.53302854, 0.64225486, 0.01056668, 0.02037601},
		{23.9, 63.96096769, 267.729761, 2615.716090, 0.0010192709, 6.47081233, 0.43944612, 0.65463457, 0.01098826, 0.02136233},
		{88.8, 96.31892702, 403.576220, 2669.725907, 0.0010406190, 1.89307684, 0.29285062, 0.67573927, 0.01210431, 0.02421350},
		{171.7, 115.45457468, 484.481299, 2699.260047, 0.0010562731, 1.02168559, 0.24181559, 0.68153119, 0.01276888, 0.02615584},
		{333.3, 137.15145444, 576.981966, 2729.725500, 0.0010768280, 0.54881597, 0.20103321, 0.68275640, 0.01351951, 0.02865927},
		{987.6, 179.34413408, 760.291784, 2776.644482, 0.0011265005, 0.19667600, 0.15096545, 0.67159116, 0.01496289, 0.03472234},
	} {
		p := steam.KPa(x.p)
		ts, err := steam.Tsat(p)
		near("Tsat", float64(ts), err, x.t, 1e-9)
		l, err := steam.SatLiquid(p)
		same("saturated liquid", l, err, x.vl, x.hl, x.mul, x.kl)
		v, err := steam.SatVapour(p)
		same("saturated vapour", v, err, x.vv, x.hv, x.muv, x.kv)
		lam, err := steam.LatentHeat(p)
		near("latent heat", float64(lam), err, x.hv-x.hl, 1e-8)
	}
	for _, x := range []struct{ p, t, v, h, s, cp, mu, k float64 }{
		{11.3, 63.7, 13.719415458, 2617.973643, 8.19664426, 1.91478818, 0.01099869, 0.02129979},
		{97.7, 131.3, 1.891505579, 2739.527325, 7.53572633, 1.99990468, 0.01345416, 0.02719860},
		{163.3, 187.7, 1.290186220, 2847.902708, 7.55176238, 2.00331301, 0.01567952, 0.03247423},
		{211.1, 121.9, 0.001062060, 511.864512, 1.54828387, 4.24968405, 0.22816103, 0.68246470},
		{1234.5, 391.7, 0.244315269, 3242.843145, 7.33880175, 2.14361463, 0.02407982, 0.05497612},
	} {
		s, err := steam.FromPT(steam.KPa(x.p), steam.Celsius(x.t))
		near("volume", s.VolumeM3Kg, err, x.v, 5e-7)
		near("enthalpy", s.EnthalpyKJKg, err, x.h, 1e-8)
		near("entropy", s.EntropyKJKgK, err, x.s, 1e-8)
		near("cp", s.CpKJKgK, err, x.cp, 1e-8)
		mu, err := s.ViscosityMPaS()
		near("viscosity", mu, err, x.mu, 1e-6)
		k, err := s.ConductivityWMK()
		near("conductivity", k, err, x.k, 1e-5)
	}
}
