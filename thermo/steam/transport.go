package steam

import "math"

const (
	referenceDensity  = 322.0  // kg/m3
	referencePressure = 22.064 // MPa
)

var viscosityH0 = [...]float64{1.67752, 2.20462, 0.6366564, -0.241605}

// viscosityH holds i, j, H_ij of R12-08 Table 2.
var viscosityH = [...]term{
	{0, 0, 0.520094}, {1, 0, 0.0850895}, {2, 0, -1.08374}, {3, 0, -0.289555},
	{0, 1, 0.222531}, {1, 1, 0.999115}, {2, 1, 1.88797}, {3, 1, 1.26613}, {5, 1, 0.120573},
	{0, 2, -0.281378}, {1, 2, -0.906851}, {2, 2, -0.772479}, {3, 2, -0.489837}, {4, 2, -0.257040},
	{0, 3, 0.161913}, {1, 3, 0.257399},
	{0, 4, -0.0325372}, {3, 4, 0.0698452},
	{4, 5, 0.00872102},
	{3, 6, -0.00435673}, {5, 6, -0.000593264},
}

var conductivityL0 = [...]float64{2.443221e-3, 1.323095e-2, 6.770357e-3, -3.454586e-3, 4.096266e-4}

// conductivityL holds L_ij of R15-11 Table 2.
var conductivityL = [5][6]float64{
	{1.60397357, -0.646013523, 0.111443906, 0.102997357, -0.0504123634, 0.00609859258},
	{2.33771842, -2.78843778, 1.53616167, -0.463045512, 0.0832827019, -0.00719201245},
	{2.19650529, -4.54580785, 3.55777244, -1.40944978, 0.275418278, -0.0205938816},
	{-1.21051378, 1.60812989, -0.621178141, 0.0716373224},
	{-2.7203370, 4.57586331, -3.18369245, 1.1168348, -0.19268305, 0.012913842},
}

func transportInput(t Celsius, densityKgM3 float64) error {
	if outside(float64(t), -rounding, 900+rounding) {
		return temperatureError(t, 0, 900)
	}
	if outside(densityKgM3, 0, 1200) {
		return &RangeError{"density", densityKgM3, 0, 1200, "kg/m3"}
	}
	return nil
}

// Viscosity returns the dynamic viscosity in mPa s of water or steam at temperature t
// and density densityKgM3 (kg/m3).
//
// Equation: IAPWS R12-08, industrial use (critical enhancement left out, as the
// release allows). Range here: 0 to 900 degC, 0 to 1200 kg/m3. Source's uncertainty: 1
// % for the liquid, 2 to 3 % for steam (from memory). Coefficients read in
// python3-iapws, checked against the release's Table 4.
func Viscosity(t Celsius, densityKgM3 float64) (float64, error) {
	if err := transportInput(t, densityKgM3); err != nil {
		return 0, err
	}
	return viscosity(float64(t)+kelvin, densityKgM3) * 1e-3, nil
}

// viscosity takes K and kg/m3 and returns micropascal seconds.
func viscosity(t, rho float64) float64 {
	tr := t / criticalT
	inv := 1 / tr
	h := viscosityH0[0] + inv*(viscosityH0[1]+inv*(viscosityH0[2]+inv*viscosityH0[3]))
	mu0 := 100 * math.Sqrt(tr) / h
	d := rho / referenceDensity
	var px, py [7]float64
	powerTable(px[:], inv-1)
	powerTable(py[:], d-1)
	var sum float64
	for k := range viscosityH {
		c := &viscosityH[k]
		sum += c.n * px[c.i] * py[c.j]
	}
	return mu0 * math.Exp(d*sum)
}

// Conductivity returns the thermal conductivity in W/(m K) of water or steam at
// temperature t and density densityKgM3 (kg/m3) without the critical enhancement,
// which [State.ConductivityWMK] adds.
//
// Equation: IAPWS R15-11, Eq. 16 and 17. Range here: 0 to 900 degC, 0 to 1200 kg/m3.
// Source's uncertainty: about 1 to 2 % in a boiling house's range (from memory).
// Coefficients read in python3-iapws, checked against the release's Table 4.
func Conductivity(t Celsius, densityKgM3 float64) (float64, error) {
	if err := transportInput(t, densityKgM3); err != nil {
		return 0, err
	}
	return conductivity(float64(t)+kelvin, densityKgM3) * 1e-3, nil
}

// conductivity takes K and kg/m3 and returns mW/(m K).
func conductivity(t, rho float64) float64 {
	tr := t / criticalT
	inv := 1 / tr
	var l float64
	for k := len(conductivityL0) - 1; k >= 0; k-- {
		l = l*inv + conductivityL0[k]
	}
	d := rho / referenceDensity
	var sum float64
	for i := len(conductivityL) - 1; i >= 0; i-- {
		row := &conductivityL[i]
		var s float64
		for j := len(row) - 1; j >= 0; j-- {
			s = s*(d-1) + row[j]
		}
		sum = sum*(inv-1) + s
	}
	return math.Sqrt(tr) / l * math.Exp(d*sum)
}

// conductivityA holds A_ij of R15-11 Table 6 (Eq. 25): the compressibility at the
// reference temperature 1.5 Tc, one polynomial for each range of reduced density.
var conductivityA = [...]struct {
	high float64
	a    [6]float64
}{
	{0.310559006, [6]float64{6.53786807199516, -5.61149954923348, 3.39624167361325, -2.27492629730878, 10.2631854662709, 1.97815050331519}},
	{0.776397516, [6]float64{6.52717759281799, -6.30816983387575, 8.08379285492595, -9.82240510197603, 12.1358413791395, -5.54349664571295}},
	{1.242236025, [6]float64{5.35500529896124, -3.96415689925446, 8.91990208918795, -12.0338729505790, 9.19494865194302, -2.16866274479712}},
	{1.863354037, [6]float64{1.55225959906681, 0.464621290821181, 8.93237374861479, -11.0321960061126, 6.16780999933360, -0.965458722086812}},
	{math.MaxFloat64, [6]float64{1.11999926419994, 0.595748562571649, 9.88952565078920, -10.3255051147040, 4.66861294457414, -0.503243546373828}},
}

// ViscosityMPaS returns the dynamic viscosity of the state in mPa s: [Viscosity] times
// the critical enhancement (IAPWS R12-08, Eq. 14 to 21, with the compressibility at the
// reference temperature by R15-11 Eq. 25). The enhancement is 1 within 1e-8 in a boiling
// house and reaches 9 % at the critical density 0.3 K above the critical point. Wet steam
// has no viscosity: a [*RangeError].
func (s State) ViscosityMPaS() (float64, error) {
	if err := s.singlePhase(); err != nil {
		return 0, err
	}
	rho := s.DensityKgM3()
	mu, err := Viscosity(s.TemperatureC, rho)
	if err != nil {
		return 0, err
	}
	return mu * viscosityEnhancement(s.correlationLength(float64(s.TemperatureC)+kelvin, rho)), nil
}

// viscosityEnhancement is mu_2 of R12-08, Eq. 14 to 19, for a correlation length in nm.
func viscosityEnhancement(xi float64) float64 {
	const qc, qd = 1 / 1.9, 1 / 1.1 // 1/nm
	c, d := qc*xi, qd*xi
	if xi <= 0.3817016416 {
		d2 := d * d
		return math.Exp(0.068 * c / 5 * d2 * d2 * d * (1 - c + c*c - 765.0/504*d2))
	}
	psi := math.Acos(1 / math.Sqrt(1+d*d))
	w := math.Sqrt(math.Abs((c-1)/(c+1))) * math.Tan(psi/2)
	l := 2 * math.Atan(math.Abs(w))
	if c > 1 {
		l = math.Log((1 + w) / (1 - w))
	}
	y := math.Sin(3*psi)/12 - math.Sin(2*psi)/(4*c) + (1-1.25*c*c)/(c*c)*math.Sin(psi) -
		((1-1.5*c*c)*psi-math.Pow(math.Abs(c*c-1), 1.5)*l)/(c*c*c)
	return math.Exp(0.068 * y)
}

// ConductivityWMK returns the thermal conductivity of the state in W/(m K), critical
// enhancement included (IAPWS R15-11 with Eq. 25 for industrial use). Wet steam has
// none: a [*RangeError].
func (s State) ConductivityWMK() (float64, error) {
	if err := s.singlePhase(); err != nil {
		return 0, err
	}
	rho := s.DensityKgM3()
	if err := transportInput(s.TemperatureC, rho); err != nil {
		return 0, err
	}
	t := float64(s.TemperatureC) + kelvin
	return (conductivity(t, rho) + s.enhancement(t, rho)) * 1e-3, nil
}

func (s State) singlePhase() error {
	if s.Phase == LiquidPhase || s.Phase == VapourPhase {
		return nil
	}
	return &RangeError{"steam quality for a transport property (0 or 1 only)", s.Quality, 0, 1, "kg/kg"}
}

// correlationLength is xi of R12-08 (Eq. 20, 21) and R15-11 (Eq. 22 to 25) in nm, 0 far
// from the critical point.
func (s State) correlationLength(t, rho float64) float64 {
	d, tr := rho/referenceDensity, t/criticalT
	var zetaR float64
	for k := range conductivityA {
		if c := &conductivityA[k]; d <= c.high {
			var sum float64
			for i := len(c.a) - 1; i >= 0; i-- {
				sum = sum*d + c.a[i]
			}
			zetaR = 1 / sum
			break
		}
	}
	zeta := rho * s.CompressibilityPerMPa * referencePressure / referenceDensity // (p*/rho*) drho/dp
	dx := d * (zeta - zetaR*1.5/tr)
	if !(dx > 0) {
		return 0
	}
	return 0.13 * math.Pow(dx/0.06, 0.63/1.239)
}

// enhancement is lambda_2 of R15-11 (Eq. 18 to 20) in mW/(m K).
func (s State) enhancement(t, rho float64) float64 {
	const r = 0.46151805 // kJ/(kg K), R15-11's own gas constant
	d, tr := rho/referenceDensity, t/criticalT
	y := s.correlationLength(t, rho) / 0.4
	if y < 1.2e-7 {
		return 0
	}
	inv := s.CvKJKgK / s.CpKJKgK
	z := 2 / (math.Pi * y) * ((1-inv)*math.Atan(y) + inv*y - (1 - math.Exp(-1/(1/y+y*y/(3*d*d)))))
	return 177.8514 * d * s.CpKJKgK / r * tr / viscosity(t, rho) * z
}
