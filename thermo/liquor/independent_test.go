package liquor_test

import (
	"math"
	"testing"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Points between those of testdata/properties, worked out by a program that shares no code
// with this one: the equations as their sources state them (see each function), in Python,
// saturation line and enthalpies of python3-iapws 1.5.3, the elevation by bisection.
func TestIndependentPoints(t *testing.T) {
	check := func(what string, got float64, err error, want, tol float64) {
		t.Helper()
		got, _, err = liquor.Accept(got, err)
		if err != nil || math.Abs(got-want) > tol {
			t.Errorf("%s: %.10g, want %.10g (%v)", what, got, want, err)
		}
	}
	for _, x := range []struct{ brix, kPa, want float64 }{
		{7.3, 23.7, 0.09409844}, {22.8, 187.3, 0.52162982}, {41.6, 61.9, 1.14394102}, {57.4, 11.3, 1.91010948},
		{68.9, 17.2, 3.68592708}, {73.7, 8.1, 4.49216329}, {81.3, 14.9, 8.14733505}, {87.5, 33.3, 15.16024108},
	} {
		got, err := liquor.StarzakPeacock.Elevation(liquor.Brix(x.brix), 100, steam.KPa(x.kPa), 0)
		check("sp97", got, err, x.want, 2e-8)
		b, err := liquor.StarzakPeacock.BrixFromElevation(x.want, 100, steam.KPa(x.kPa), 0)
		check("inverse of sp97", float64(b), err, x.brix, 1e-6)
	}
	for _, x := range []struct{ brix, kPa, peacock, batterham float64 }{
		{18.7, 171.3, 0.38139748, 0.38156554}, {33.3, 93.1, 0.81361082, 0.81394631}, {52.9, 41.7, 1.94934461, 1.95009226},
		{66.6, 13.7, 3.58904491, 3.59031561}, {78.2, 16.9, 7.08688891, 7.08943245},
	} {
		got, err := liquor.Peacock.Elevation(liquor.Brix(x.brix), 100, steam.KPa(x.kPa), 0)
		check("peacock95", got, err, x.peacock, 1e-8)
		got, err = liquor.BatterhamNorgate.Elevation(liquor.Brix(x.brix), 100, steam.KPa(x.kPa), 0)
		check("batterham-norgate", got, err, x.batterham, 1e-8)
	}
	for _, x := range []struct{ brix, c, want float64 }{{33.3, 47.7, 0.970291663}, {63.7, 91.3, 0.881312904}, {78.9, 66.1, 0.726363147}} {
		got, err := liquor.WaterActivity(liquor.Brix(x.brix), steam.Celsius(x.c))
		check("water activity", got, err, x.want, 1e-9)
	}
	for _, x := range []struct{ brix, c, want float64 }{
		{13.7, 91.3, 1017.711957}, {37.9, 3.3, 1171.401885}, {58.3, 77.7, 1243.704483}, {71.1, 47.9, 1338.950578}, {82.7, 66.6, 1403.200909}, {0, 55.5, 985.445407},
	} {
		got, err := liquor.SPS4.Density(liquor.Brix(x.brix), steam.Celsius(x.c))
		check("density", got, err, x.want, 1e-6)
	}
	for _, x := range []struct{ brix, purity, c, cp, h float64 }{
		{17.3, 83.7, 103.3, 3.87377501, 393.2382187}, {44.4, 91.2, 71.7, 3.29355281, 227.5881545},
		{66.7, 58.9, 61.3, 2.69357309, 155.7171085}, {79.9, 77.7, 33.3, 2.29951965, 73.2514928},
	} {
		got, err := liquor.Bubnik.SpecificHeat(liquor.Brix(x.brix), liquor.Purity(x.purity), steam.Celsius(x.c))
		check("specific heat", got, err, x.cp, 1e-8)
		got, err = liquor.Bubnik.Enthalpy(liquor.Brix(x.brix), liquor.Purity(x.purity), steam.Celsius(x.c))
		check("enthalpy", got, err, x.h, 1e-7)
	}
	for _, x := range []struct{ brix, purity, c, vavrinecz, charles float64 }{
		{76.3, 97.3, 61.7, 1.07346697, 1.07683319}, {79.1, 71.3, 58.8, 1.03521022, 1.03877893}, {82.9, 53.1, 63.9, 1.01511476, 1.01798448},
		{68.3, 88.8, 47.7, 0.77469149, 0.77789183}, {85.1, 47.9, 71.3, 1.04061302, 1.04172733},
	} {
		b, p, c := liquor.Brix(x.brix), liquor.Purity(x.purity), steam.Celsius(x.c)
		got, err := liquor.Vavrinecz.Supersaturation(b, p, c, liquor.CaneImpurity())
		check("supersaturation, Vavrinecz", got, err, x.vavrinecz, 1e-8)
		got, err = liquor.Charles.Supersaturation(b, p, c, liquor.CaneImpurity())
		check("supersaturation, Charles", got, err, x.charles, 1e-8)
		back, err := liquor.Vavrinecz.BrixAtSupersaturation(x.vavrinecz, p, c, liquor.CaneImpurity())
		check("its inverse", float64(back), err, x.brix, 1e-6)
	}
	got, err := liquor.HeadRise(17.3, 1333.3, 0.77)
	check("head", got, err, 10.042623981, 1e-8)
	got, err = liquor.HeadRise(151.3, 1033.3, 1.33)
	check("head", got, err, 2.584555704, 1e-8)
}
