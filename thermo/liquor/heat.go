package liquor

import "calandria/thermo/steam"

// HeatModel names an equation for specific heat and enthalpy. The zero value ""
// means the default, Bubnik.
type HeatModel string

// The equations for specific heat and enthalpy. All enthalpies are zero at 0 degC.
const (
	// Bubnik:
	//	cp = 4.1868 - B (0.0297 - 4.61e-5 P) + 7.5e-5 B t   kJ/(kg K)
	//	h  = 4.1868 t - 0.0297 B t + 4.61e-5 B P t + 3.75e-5 B t^2   kJ/kg
	// the second the exact integral of the first. Range 0 to 85 % Brix, 20 to 110
	// degC. Uncertainty not stated; agrees within 0.22 % with Popov, but a Choi-Okos
	// mixture lies 4 to 23 % lower above 60 degC and 30 Brix. Source: Z. Bubnik et
	// al., Sugar Technologists Manual (1995), partly from memory.
	Bubnik HeatModel = "bubnik95"

	// GeankoplisHeat: cp = 4.19 - 2.35 w, w = B/100, independent of temperature,
	// h = cp t. The source states no range; taken here as 0 to 65 % Brix, 20 to 130
	// degC. Source: C. J. Geankoplis, Transport Processes and Unit Operations,
	// example 8.5-1.
	GeankoplisHeat HeatModel = "geankoplis"

	// HugotHeat: cp = 4.1868 (1 - 0.006 B), h = cp t. Range taken as 0 to 85 % Brix,
	// 20 to 110 degC. Source: E. Hugot, Handbook of Cane Sugar Engineering, from
	// memory.
	HugotHeat HeatModel = "hugot"

	// PopovHeat: cp = 4.190 - (2.520 - 0.0075 t) B/100 for sucrose, h its integral.
	// Range taken as 0 to 85 % Brix, 20 to 110 degC. Source: V. D. Popov, as quoted
	// in a public collection of worked examples.
	PopovHeat HeatModel = "popov"
)

// HeatModels lists the equations, the default first. The slice is the caller's.
func HeatModels() []HeatModel {
	return []HeatModel{Bubnik, GeankoplisHeat, HugotHeat, PopovHeat}
}

func (m HeatModel) spans() (brix, temperature span, err error) {
	brix = span{"Brix", "%", 0, 85, 0, 100}
	temperature = span{"temperature", "degC", 20, 110, 0, 180}
	switch m {
	case Bubnik, HugotHeat, PopovHeat, "":
	case GeankoplisHeat:
		brix.high, temperature.high = 65, 130
	default:
		err = &UnknownModel{Property: "specific heat", Name: string(m), Known: HeatModels()}
	}
	return brix, temperature, err
}

func (m HeatModel) name() string {
	if m == "" {
		return string(Bubnik)
	}
	return string(m)
}

// Enthalpy returns the specific enthalpy in kJ/kg, zero at 0 degC: the integral of
// the specific heat. Outside the model's range, and for purity above 100 %, the value
// comes with an [*Extrapolation]; beyond 0 to 100 % Brix, 0 to 180 degC or purity 0 to
// 102 % there is a [*RangeError].
//
// Zero point: package steam's liquid also starts at 0 degC. For B = 0 Bubnik gives
// 4.1868 t, which is 0.4 kJ/kg below steam at 100 degC and 1.4 at 120 degC. Use
// package steam for water and condensate, this one for anything with solids.
func (m HeatModel) Enthalpy(b Brix, purity Purity, t steam.Celsius) (float64, error) {
	return m.evaluate("enthalpy", b, purity, t, m.enthalpy)
}

// enthalpy is the equation itself.
func (m HeatModel) enthalpy(b, p, t float64) float64 {
	switch m {
	case GeankoplisHeat:
		return (4.19 - 0.0235*b) * t
	case HugotHeat:
		return 4.1868 * (1 - 0.006*b) * t
	case PopovHeat:
		return (4.190 - (2.520-0.00375*t)*b/100) * t
	}
	return (4.1868 - b*(0.0297-4.61e-5*p) + 3.75e-5*b*t) * t
}

func (m HeatModel) evaluate(what string, b Brix, purity Purity, t steam.Celsius, f func(b, p, t float64) float64) (float64, error) {
	sb, st, err := m.spans()
	if err != nil {
		return 0, err
	}
	if err := firstError(sb.check(float64(b)), puritySpan.check(float64(purity)), st.check(float64(t))); err != nil {
		return 0, err
	}
	v := f(float64(b), float64(purity), float64(t))
	if sb.within(float64(b)) && st.within(float64(t)) && puritySpan.within(float64(purity)) {
		return v, nil
	}
	name := what + " (" + m.name() + ")"
	return result(name, v, sb.flag(float64(b), name, v), st.flag(float64(t), name, v), puritySpan.flag(float64(purity), name, v))
}
