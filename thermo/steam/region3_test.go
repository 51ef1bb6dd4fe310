package steam_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"calandria/thermo/steam"
)

// IAPWS R7-97(2012) Table 33, region 3; the values from memory, and read in three public
// programs that agree.
func TestRegion3Table33(t *testing.T) {
	for _, c := range []struct{ tK, rho, pMPa, h, u, s, cp, w float64 }{
		{650, 500, 25.5837018, 1863.43019, 1812.26279, 4.05427273, 13.8935717, 502.005554},
		{650, 200, 22.2930643, 2375.12401, 2263.65868, 4.85438792, 44.6579342, 383.444594},
		{750, 500, 78.3095639, 2258.68845, 2102.06932, 4.46971906, 6.34165359, 760.696041},
	} {
		s := must[steam.State](t)(steam.Region3(c.rho, steam.Celsius(c.tK-kelvin)))
		near(t, "p", float64(s.PressureKPa)/1e3, c.pMPa, lastDigit)
		near(t, "h", s.EnthalpyKJKg, c.h, lastDigit)
		near(t, "u", s.InternalEnergyKJKg, c.u, lastDigit)
		near(t, "s", s.EntropyKJKgK, c.s, lastDigit)
		near(t, "cp", s.CpKJKgK, c.cp, lastDigit)
		near(t, "w", s.SoundSpeedMS, c.w, lastDigit)
		back := must[steam.State](t)(steam.FromPT(s.PressureKPa, s.TemperatureC))
		near(t, "density by iteration", 1/back.VolumeM3Kg, c.rho, 1e-9)
	}
}

// States of region 3 by python3-iapws 1.5.3: the basic equation to rounding, on the
// saturation line solved for the pressure of Eq. 30 by bisection; the backward
// equation v(p,T) of IAPWS SR5-05 within what it promises against the basic equation, 0.001
// % away from the critical point; from memory.
func TestRegion3Grid(t *testing.T) {
	rows := readTable(t, "steam-region3.csv")
	if len(rows) != 173 {
		t.Errorf("%d rows, want 173", len(rows))
	}
	for _, r := range rows {
		t.Run(r["id"]+" "+r["case"], func(t *testing.T) {
			const rel = 1e-9
			tc, p := steam.Celsius(r.num(t, "T_K")-kelvin), steam.KPa(1e3*r.num(t, "p_MPa"))
			whole := func(s steam.State, rel float64) {
				near(t, "h", s.EnthalpyKJKg, r.num(t, "h_kJkg"), rel)
				near(t, "s", s.EntropyKJKgK, r.num(t, "s_kJkgK"), rel)
				near(t, "density", 1/s.VolumeM3Kg, r.num(t, "rho_kgm3"), 10*rel)
				near(t, "cv", s.CvKJKgK, r.num(t, "cv_kJkgK"), 10*rel)
				near(t, "w", s.SoundSpeedMS, r.num(t, "w_ms"), 10*rel)
			}
			switch r["case"] {
			case "basic":
				s := must[steam.State](t)(steam.Region3(r.num(t, "rho_kgm3"), tc))
				near(t, "p", float64(s.PressureKPa), float64(p), rel)
				whole(s, rel)
				near(t, "cp", s.CpKJKgK, r.num(t, "cp_kJkgK"), rel)
				near(t, "kT", s.CompressibilityPerMPa, r.num(t, "kt_perMPa"), rel)
				whole(must[steam.State](t)(steam.FromPT(p, tc)), 1e-7)
			case "saturated liquid":
				whole(must[steam.State](t)(steam.SatLiquid(p)), 1e-7)
				near(t, "h'", float64(must[steam.KJPerKg](t)(steam.SatLiquidEnthalpy(p))), r.num(t, "h_kJkg"), 1e-7)
				near(t, "h'(t)", float64(must[steam.KJPerKg](t)(steam.LiquidEnthalpyAt(tc))), r.num(t, "h_kJkg"), 1e-7)
			case "saturated vapour":
				whole(must[steam.State](t)(steam.SatVapour(p)), 1e-7)
				near(t, "h''", float64(must[steam.KJPerKg](t)(steam.SatVapourEnthalpy(p))), r.num(t, "h_kJkg"), 1e-7)
			case "v'(p)":
				near(t, "v'", must[steam.State](t)(steam.SatLiquid(p)).VolumeM3Kg, 1/r.num(t, "rho_kgm3"), 2e-5)
			case "v''(p)":
				near(t, "v''", must[steam.State](t)(steam.SatVapour(p)).VolumeM3Kg, 1/r.num(t, "rho_kgm3"), 2e-5)
			case "v(p,T)":
				s := must[steam.State](t)(steam.FromPT(p, tc))
				near(t, "v", s.VolumeM3Kg, 1/r.num(t, "rho_kgm3"), 2e-5)
			default:
				t.Fatalf("unknown case %q", r["case"])
			}
		})
	}
}

// Consistency at the borders of the regions. The limits are those the formulation was
// built to (the "Prague values": 0.05 % in v, 0.2 kJ/kg in h, 0.2 J/(kg K) in s, 1 % in cp
// and w, 0.2 kJ/kg in the Gibbs energy), from memory.
func consistent(t *testing.T, where string, a, b steam.State) {
	t.Helper()
	check := func(what string, d, limit float64) {
		t.Helper()
		if !(math.Abs(d) <= limit) {
			t.Errorf("%s: %s jumps by %.3g, limit %.3g", where, what, d, limit)
		}
	}
	check("v", a.VolumeM3Kg/b.VolumeM3Kg-1, 5e-4)
	check("h", a.EnthalpyKJKg-b.EnthalpyKJKg, 0.2)
	check("s", a.EntropyKJKgK-b.EntropyKJKgK, 2e-4)
	check("cp", a.CpKJKgK/b.CpKJKgK-1, 0.01)
	check("w", a.SoundSpeedMS/b.SoundSpeedMS-1, 0.01)
	check("g", gibbsEnergy(a)-gibbsEnergy(b), 0.2)
}

func gibbsEnergy(s steam.State) float64 {
	return s.EnthalpyKJKg - (float64(s.TemperatureC)+kelvin)*s.EntropyKJKgK
}

func TestBorders(t *testing.T) {
	const hair = 1e-7 // K
	// 1 to 3 along 623.15 K.
	for p := steam.KPa(16530); p <= 100000; p *= 1.1 {
		consistent(t, fmt.Sprintf("regions 1 and 3 at %.0f kPa", float64(p)),
			must[steam.State](t)(steam.FromPT(p, 350)), must[steam.State](t)(steam.FromPT(p, 350+hair)))
	}
	// 2 to 3 along Eq. 6.
	for p := steam.KPa(16540); p <= 100000; p *= 1.05 {
		b := steam.Boundary23(p)
		consistent(t, fmt.Sprintf("regions 2 and 3 at %.0f kPa", float64(p)),
			must[steam.State](t)(steam.FromPT(p, b+hair)), must[steam.State](t)(steam.FromPT(p, b-hair)))
	}
	// Where regions 1, 2, 3 and 4 meet, along the saturation line.
	for _, of := range []func(steam.KPa) (steam.State, error){steam.SatLiquid, steam.SatVapour} {
		consistent(t, "saturation at 350 degC", must[steam.State](t)(of(16529.164)), must[steam.State](t)(of(16529.165)))
	}
	// Across the saturation line the Gibbs energy of liquid and vapour is one.
	for p := steam.KPa(0.6113); p < 22063; p *= 1.07 {
		f, g := must[steam.State](t)(steam.SatLiquid(p)), must[steam.State](t)(steam.SatVapour(p))
		if d := gibbsEnergy(f) - gibbsEnergy(g); math.Abs(d) > 0.2 {
			t.Errorf("Gibbs energies differ by %.3g kJ/kg at %.4g kPa", d, float64(p))
		}
		ts := must[steam.Celsius](t)(steam.Tsat(p))
		// FromPT agrees with the functions of saturation on both sides of the line.
		l, v := must[steam.State](t)(steam.FromPT(p, ts-1e-6)), must[steam.State](t)(steam.FromPT(p, ts+1e-6))
		if math.Abs(l.EnthalpyKJKg-f.EnthalpyKJKg) > 0.1 || math.Abs(v.EnthalpyKJKg-g.EnthalpyKJKg) > 0.1 {
			t.Errorf("%v and %v, want h' %g and h'' %g", l, v, f.EnthalpyKJKg, g.EnthalpyKJKg)
		}
	}
}

// Up to the critical point liquid and vapour meet, at 2087.546845 kJ/kg (the constant of
// public implementations of IF97, from memory; IAPWS-95 has 2084.256).
func TestCriticalPoint(t *testing.T) {
	f, g := must[steam.KJPerKg](t)(steam.SatLiquidEnthalpy(22064)), must[steam.KJPerKg](t)(steam.SatVapourEnthalpy(22064))
	if f != g || must[steam.KJPerKg](t)(steam.LatentHeat(22064)) != 0 {
		t.Errorf("h' %v and h'' %v differ", f, g)
	}
	near(t, "critical enthalpy", float64(f), 2087.546845, lastDigit)
	last := steam.KJPerKg(math.Inf(1))
	for p := steam.KPa(16000); p < 22064; p += 10 {
		r := must[steam.KJPerKg](t)(steam.LatentHeat(p))
		if !(r < last && r > 0) {
			t.Errorf("latent heat %v at %v kPa, %v before", r, p, last)
		}
		last = r
	}
	s := must[steam.State](t)(steam.SatVapour(22063.9))
	if 1/s.VolumeM3Kg >= 322 || 1/must[steam.State](t)(steam.SatLiquid(22063.9)).VolumeM3Kg <= 322 {
		t.Errorf("saturated vapour %v", s)
	}
}

// Clausius and Clapeyron through region 3: Eq. 30 against its slope by Eq. 28.
func TestClausiusClapeyronRegion3(t *testing.T) {
	for p := steam.KPa(16600); p < 22000; p += 200 {
		f, g := must[steam.State](t)(steam.SatLiquid(p)), must[steam.State](t)(steam.SatVapour(p))
		slope := must[float64](t)(steam.PsatSlope(f.TemperatureC))
		want := (g.EnthalpyKJKg - f.EnthalpyKJKg) / ((float64(f.TemperatureC) + kelvin) * (g.VolumeM3Kg - f.VolumeM3Kg))
		near(t, fmt.Sprintf("dpsat/dT at %.0f kPa", float64(p)), slope, want, 2e-3)
	}
}

func TestRegion3RoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := steam.KPa(rapid.Float64Range(16600, 99999).Draw(t, "p"))
		high := steam.Boundary23(p)
		s, err := steam.FromPT(p, 350.001+(high-350.002)*steam.Celsius(rapid.Float64Range(0, 1).Draw(t, "u")))
		if err != nil {
			t.Fatal(err)
		}
		d, err := steam.Region3(1/s.VolumeM3Kg, s.TemperatureC)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(d.PressureKPa/p)-1) > 1e-9 || math.Abs(d.EnthalpyKJKg/s.EnthalpyKJKg-1) > 1e-9 {
			t.Fatalf("%v became %v", s, d)
		}
	})
}
