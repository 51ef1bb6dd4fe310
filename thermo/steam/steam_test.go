package steam_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"calandria/thermo/steam"
)

const kelvin = 273.15

// lastDigit is the relative size of half a unit in the release's nine printed digits.
const lastDigit = 6e-9

// Every check value of IAPWS R7-97(2012), Tables 5, 7, 15, 35 and 36.
func TestReleaseVerificationTables(t *testing.T) {
	for _, r := range readTable(t, "iapws-r7-97-verification.csv") {
		name := fmt.Sprintf("%s %s T=%s p=%s h=%s s=%s", r["table"], r["quantity"], r["T_K"], r["p_MPa"], r["h_kJkg"], r["s_kJkgK"])
		t.Run(name, func(t *testing.T) {
			want := r.num(t, "value")
			var got float64
			switch r["quantity"] {
			case "psat(T)":
				got = float64(must[steam.KPa](t)(steam.Psat(steam.Celsius(r.num(t, "T_K")-kelvin)))) / 1e3
			case "Tsat(p)":
				got = float64(must[steam.Celsius](t)(steam.Tsat(steam.KPa(1e3*r.num(t, "p_MPa"))))) + kelvin
			default:
				of := steam.Liquid
				if r["region"] == "2" {
					of = steam.Vapour
				}
				s, err := of(steam.KPa(1e3*r.num(t, "p_MPa")), steam.Celsius(r.num(t, "T_K")-kelvin))
				if err != nil {
					t.Fatal(err)
				}
				switch r["quantity"] {
				case "v(T,p)":
					got = s.VolumeM3Kg
				case "h(T,p)":
					got = s.EnthalpyKJKg
				case "u(T,p)":
					got = s.InternalEnergyKJKg
				case "s(T,p)":
					got = s.EntropyKJKgK
				case "cp(T,p)":
					got = s.CpKJKgK
				case "w(T,p)":
					got = s.SoundSpeedMS
				default:
					t.Fatalf("unknown quantity %q", r["quantity"])
				}
			}
			near(t, r["quantity"], got, want, lastDigit)
		})
	}
}

// 164 states computed by python3-iapws 1.5.3, an independent implementation.
func TestSteamGrid(t *testing.T) {
	const rel = 1e-9
	for _, r := range readTable(t, "steam-grid.csv") {
		t.Run(r["id"]+" "+r["case"], func(t *testing.T) {
			p, tc := steam.KPa(100*r.num(t, "p_bar")), steam.Celsius(r.num(t, "T_C"))
			switch r["case"] {
			case "satP", "satT":
				if r["case"] == "satP" {
					near(t, "Tsat", float64(must[steam.Celsius](t)(steam.Tsat(p))), float64(tc), rel)
				} else {
					got := must[steam.KPa](t)(steam.Psat(tc))
					near(t, "psat", float64(got), float64(p), rel)
					p = got
					near(t, "h'(t)", float64(must[steam.KJPerKg](t)(steam.LiquidEnthalpyAt(tc))), r.num(t, "hf_kJkg"), rel)
				}
				f, g := must[steam.State](t)(steam.SatLiquid(p)), must[steam.State](t)(steam.SatVapour(p))
				near(t, "h'", float64(must[steam.KJPerKg](t)(steam.SatLiquidEnthalpy(p))), r.num(t, "hf_kJkg"), rel)
				near(t, "h''", float64(must[steam.KJPerKg](t)(steam.SatVapourEnthalpy(p))), r.num(t, "hg_kJkg"), rel)
				near(t, "hfg", float64(must[steam.KJPerKg](t)(steam.LatentHeat(p))), r.num(t, "hfg_kJkg"), rel)
				near(t, "State h'", f.EnthalpyKJKg, r.num(t, "hf_kJkg"), rel)
				near(t, "State h''", g.EnthalpyKJKg, r.num(t, "hg_kJkg"), rel)
				near(t, "v'", f.VolumeM3Kg, r.num(t, "vf_m3kg"), rel)
				near(t, "v''", g.VolumeM3Kg, r.num(t, "vg_m3kg"), rel)
				near(t, "s'", f.EntropyKJKgK, r.num(t, "sf_kJkgK"), rel)
				near(t, "s''", g.EntropyKJKgK, r.num(t, "sg_kJkgK"), rel)
			case "region1", "region2":
				of := steam.Liquid
				if r["case"] == "region2" {
					of = steam.Vapour
				}
				s := must[steam.State](t)(of(p, tc))
				near(t, "h", s.EnthalpyKJKg, r.num(t, "h_kJkg"), rel)
				near(t, "v", s.VolumeM3Kg, r.num(t, "v_m3kg"), rel)
				near(t, "s", s.EntropyKJKgK, r.num(t, "s_kJkgK"), rel)
				near(t, "cp", s.CpKJKgK, r.num(t, "cp_kJkgK"), rel)
			default:
				t.Fatalf("unknown case %q", r["case"])
			}
		})
	}
}

func TestRangeErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	ps := []steam.KPa{steam.KPa(nan), steam.KPa(inf), steam.KPa(-inf), -1, 0, 0.6, 22064.1, 200000}
	for _, p := range ps {
		_, e1 := steam.Tsat(p)
		_, e2 := steam.SatLiquidEnthalpy(p)
		_, e3 := steam.SatVapourEnthalpy(p)
		_, e4 := steam.LatentHeat(p)
		_, e5 := steam.SatVapour(p)
		_, e6 := steam.Liquid(p, 400)
		for i, err := range []error{e1, e2, e3, e4, e5, e6} {
			wantRange(t, fmt.Sprintf("call %d at p = %v", i+1, p), err)
		}
	}
	for _, tc := range []steam.Celsius{steam.Celsius(nan), steam.Celsius(inf), -0.1, 374} {
		_, e1 := steam.Psat(tc)
		_, e2 := steam.PsatSlope(tc)
		_, e3 := steam.LiquidEnthalpyAt(tc)
		_, e4 := steam.Liquid(101.325, tc)
		for i, err := range []error{e1, e2, e3, e4} {
			wantRange(t, fmt.Sprintf("call %d at t = %v", i+1, tc), err)
		}
	}
	_, err := steam.Liquid(101.325, 100.5) // vapour
	wantRange(t, "liquid above Tsat", err)
	_, err = steam.Vapour(101.325, 99.5) // liquid
	wantRange(t, "vapour below Tsat", err)
	_, err = steam.Vapour(25000, 800.1) // region 5
	wantRange(t, "region 5", err)
	_, err = steam.SatVapour(22064) // the critical point itself
	wantRange(t, "critical point", err)
}

func wantRange(t *testing.T, what string, err error) {
	t.Helper()
	var r *steam.RangeError
	if !errors.As(fmt.Errorf("compute: %w", err), &r) {
		t.Errorf("%s: error %v, want a *RangeError", what, err)
		return
	}
	if r.Quantity == "" || r.Unit == "" || r.Error() == "" {
		t.Errorf("%s: incomplete %+v", what, *r)
	}
}

// R7-97 Eq. 5/6 check value: 623.15 K and 16.5291643 MPa (Section 4).
func TestRegionBorders(t *testing.T) {
	near(t, "psat(350 degC)", float64(must[steam.KPa](t)(steam.Psat(350))), 16529.1643, lastDigit)
	// The saturation line closes at both its ends.
	for _, tc := range []steam.Celsius{0, 0.01, 100, 349.9999, 350, 373.946} {
		p := must[steam.KPa](t)(steam.Psat(tc))
		if p > 22064 { // 373.946 degC is the critical point rounded
			p = 22064
		}
		back := must[steam.Celsius](t)(steam.Tsat(p))
		if math.Abs(float64(back-tc)) > 1e-4 {
			t.Errorf("Tsat(Psat(%v)) = %v", tc, back)
		}
		must[steam.KJPerKg](t)(steam.LiquidEnthalpyAt(back))
	}
}

func TestSaturationProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(0.6113, 22063).Draw(t, "p1")
		b := rapid.Float64Range(0.6113, 22063).Draw(t, "p2")
		ta, err1 := steam.Tsat(steam.KPa(a))
		tb, err2 := steam.Tsat(steam.KPa(b))
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if a < b && ta > tb || a < b*(1-1e-12) && ta >= tb {
			t.Fatalf("Tsat does not rise: Tsat(%g) = %v, Tsat(%g) = %v", a, ta, b, tb)
		}
		p, err := steam.Psat(ta)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(p)/a-1) > 1e-9 {
			t.Fatalf("Psat(Tsat(%g)) = %v", a, p)
		}
		if slope, err := steam.PsatSlope(ta); ta < 373 {
			const d = 1e-4
			hi, err1 := steam.Psat(ta + d)
			lo, err2 := steam.Psat(max(ta-d, 0))
			num := float64(hi-lo) / float64(ta+d-max(ta-d, 0))
			if err != nil || err1 != nil || err2 != nil || math.Abs(slope/num-1) > 1e-5 {
				t.Fatalf("PsatSlope(%v) = %g, difference quotient %g, %v", ta, slope, num, err)
			}
		}
	})
}

// Clausius-Clapeyron ties regions 1, 2 and 4 together: dp/dT = hfg/(T (v”-v')). The
// release's regions meet it within the scatter of its own borders.
func TestClausiusClapeyron(t *testing.T) {
	for p := steam.KPa(1); p <= 2000; p *= 1.2 {
		f, g := must[steam.State](t)(steam.SatLiquid(p)), must[steam.State](t)(steam.SatVapour(p))
		slope := must[float64](t)(steam.PsatSlope(f.TemperatureC))
		want := (g.EnthalpyKJKg - f.EnthalpyKJKg) / ((float64(f.TemperatureC) + kelvin) * (g.VolumeM3Kg - f.VolumeM3Kg))
		near(t, fmt.Sprintf("dpsat/dT at %.3f kPa", float64(p)), slope, want, 3e-4)
	}
}

func TestZeroAllocation(t *testing.T) {
	got := testing.AllocsPerRun(100, func() {
		tc, _ := steam.Tsat(16)
		_, _ = steam.Psat(tc)
		_, _ = steam.LatentHeat(16)
		_, _ = steam.LiquidEnthalpyAt(tc)
		_, _ = steam.Vapour(16, tc+5)
		_, _ = steam.Vapour(25000, 400)
		_, _ = steam.LatentHeat(20000)
	})
	if got != 0 {
		t.Errorf("%v allocations, want none", got)
	}
}

func finite(t *testing.T, what string, err error, values ...float64) {
	t.Helper()
	for _, v := range values {
		if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Errorf("%s: %v without an error", what, v)
		}
	}
}

func stateValues(s steam.State) []float64 {
	return []float64{float64(s.TemperatureC), s.VolumeM3Kg, s.EnthalpyKJKg, s.InternalEnergyKJKg,
		s.EntropyKJKgK, s.CpKJKgK, s.CvKJKgK, s.SoundSpeedMS, s.CompressibilityPerMPa}
}

func FuzzStates(f *testing.F) {
	f.Add(101.325, 100.0)
	f.Add(16.0, 2700.0)
	f.Add(1e-6, 800.0)
	f.Add(0.611213, 0.0)
	f.Add(16529.0, 1670.0)
	f.Add(100000.0, 350.0)
	f.Add(22064.0, 373.946)
	f.Add(22063.9999999, 2084.256263) // critical enthalpy
	f.Add(25000.0, 2100.0)
	f.Add(25000.0, 400.0)
	f.Add(322.0, 373.94599999)
	f.Add(20000.0, 365.7462602)
	f.Add(math.NaN(), math.Inf(1))
	f.Fuzz(func(t *testing.T, a, b float64) {
		p, tc := steam.KPa(a), steam.Celsius(b)
		for _, of := range []func() (steam.State, error){
			func() (steam.State, error) { return steam.Liquid(p, tc) },
			func() (steam.State, error) { return steam.Vapour(p, tc) },
			func() (steam.State, error) { return steam.SatVapour(p) },
		} {
			s, err := of()
			finite(t, fmt.Sprint("state ", s), err, stateValues(s)...)
		}
		for _, of := range []func() (steam.KJPerKg, error){
			func() (steam.KJPerKg, error) { return steam.SatLiquidEnthalpy(p) },
			func() (steam.KJPerKg, error) { return steam.SatVapourEnthalpy(p) },
			func() (steam.KJPerKg, error) { return steam.LatentHeat(p) },
		} {
			h, err := of()
			finite(t, "saturated enthalpy", err, float64(h))
		}
		pp, slope, err := steam.PsatAndSlope(tc)
		finite(t, "PsatAndSlope", err, float64(pp), slope)
		x, err := steam.Tsat(p)
		finite(t, "Tsat", err, float64(x))
		y, err := steam.Psat(tc)
		finite(t, "Psat", err, float64(y))
		z, err := steam.PsatSlope(tc)
		finite(t, "PsatSlope", err, z)
		h, err := steam.LiquidEnthalpyAt(tc)
		finite(t, "LiquidEnthalpyAt", err, float64(h))
	})
}

var sink float64

func BenchmarkTsat(b *testing.B) {
	p := steam.KPa(10)
	for b.Loop() {
		v, _ := steam.Tsat(p)
		sink += float64(v)
		p += 1e-6
	}
}

func BenchmarkPsat(b *testing.B) {
	tc := steam.Celsius(55)
	for b.Loop() {
		v, _ := steam.Psat(tc)
		sink += float64(v)
		tc += 1e-9
	}
}

func BenchmarkSatLiquidEnthalpy(b *testing.B) {
	for b.Loop() {
		v, _ := steam.SatLiquidEnthalpy(16)
		sink += float64(v)
	}
}

func BenchmarkLatentHeat(b *testing.B) {
	for b.Loop() {
		v, _ := steam.LatentHeat(16)
		sink += float64(v)
	}
}

func BenchmarkVapour(b *testing.B) {
	for b.Loop() {
		v, _ := steam.Vapour(16, 60)
		sink += v.EnthalpyKJKg
	}
}
