package fouling

import (
	"fmt"
	"math"
)

// Kind names a law by which scale grows.
type Kind uint8

// The laws. R is the scale resistance, t the days since cleaning.
const (
	// Linear: R = c (t - s) after an induction of s days. The default:
	// crystallising salts, silica.
	Linear Kind = iota
	// Logarithmic: R = c ln(1 + s t), a falling rate.
	Logarithmic
	// Power: R = c t^s, 0 < s < 1, a falling rate.
	Power
	// Asymptotic: R = c (1 - exp(-t/s)), removal in proportion to what is there.
	// Source: D. Q. Kern, R. E. Seaton, Brit. Chem. Eng. 4 (1959) 258, from memory.
	Asymptotic
	// InverseSquare: 1/U^2 = c t + 1/U_clean^2. Source: Coulson and Richardson,
	// Chemical Engineering vol. 2, eq. 14.11.
	InverseSquare

	kinds = 5
)

var kindNames = [kinds]string{"linear", "logarithmic", "power", "asymptotic", "inverse-square"}

// Kinds lists the laws, the default first.
func Kinds() []Kind { return []Kind{Linear, Logarithmic, Power, Asymptotic, InverseSquare} }

// String is the name as it is written in records.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("kind(%d)", k)
}

// MarshalText writes the name.
func (k Kind) MarshalText() ([]byte, error) {
	if int(k) >= len(kindNames) {
		return nil, fmt.Errorf("no such scale model: %d", k)
	}
	return []byte(k.String()), nil
}

// UnmarshalText reads the name.
func (k *Kind) UnmarshalText(b []byte) error {
	for i, n := range kindNames {
		if n == string(b) {
			*k = Kind(i)
			return nil
		}
	}
	return fmt.Errorf("no such scale model: %q; the models are %v", b, kindNames)
}

// Model is a law with its numbers.
type Model struct {
	Kind Kind `json:"kind"`
	// Start is 1/U at t = 0, m2 K/kW.
	Start float64 `json:"start"`
	// Coefficient is c above: m2 K/kW per day (Linear), m2 K/kW (Logarithmic,
	// Asymptotic), m2 K/kW per day^s (Power), (m2 K/kW)^2 per day (InverseSquare).
	Coefficient float64 `json:"coefficient"`
	// Shape is s above: d (Linear, Asymptotic), 1/d (Logarithmic), 1 (Power); not
	// used by InverseSquare.
	Shape float64 `json:"shape,omitempty"`
}

// LinearModel is the linear law without induction: clean U in kW/(m2 K), rate in
// m2 K/kW per day.
func LinearModel(clean, ratePerDay float64) Model {
	return Model{Kind: Linear, Start: 1 / clean, Coefficient: ratePerDay}
}

// growth is the law's curve without its coefficient.
func growth(k Kind, s, t float64) float64 {
	if t <= 0 {
		return 0
	}
	switch k {
	case Logarithmic:
		return math.Log1p(s * t)
	case Power:
		return math.Pow(t, s)
	case Asymptotic:
		return -math.Expm1(-t / s)
	default:
		return math.Max(0, t-s)
	}
}

// Resistance is the scale resistance after so many days, m2 K/kW.
func (m Model) Resistance(days float64) float64 {
	if m.Kind == InverseSquare {
		return math.Sqrt(math.Max(0, m.Start*m.Start+m.Coefficient*math.Max(0, days))) - m.Start
	}
	return m.Coefficient * growth(m.Kind, m.Shape, days)
}

// U is the coefficient after so many days, kW/(m2 K); 0 if the numbers of the
// model make none.
func (m Model) U(days float64) float64 {
	y := m.Start + m.Resistance(days)
	if !(y > 0) {
		return 0
	}
	return 1 / y
}

// RatePerDay is how fast the resistance grows at that moment, m2 K/kW per day.
func (m Model) RatePerDay(days float64) float64 {
	const h = 1e-4
	return (m.Resistance(days+h) - m.Resistance(math.Max(0, days-h))) / (days + h - math.Max(0, days-h))
}

// DaysTo returns the days since cleaning at which U falls to limit, kW/(m2 K),
// and false if it never does (or is below from the start: then 0, true).
func (m Model) DaysTo(limit float64) (float64, bool) {
	if !(limit > 0) {
		return 0, false
	}
	r := 1/limit - m.Start
	if r <= 0 {
		return 0, true
	}
	if !(m.Coefficient > 0) {
		return 0, false
	}
	x := r / m.Coefficient
	var t float64
	switch m.Kind {
	case InverseSquare:
		t = (1/(limit*limit) - m.Start*m.Start) / m.Coefficient
	case Logarithmic:
		t = math.Expm1(x) / m.Shape
	case Power:
		t = math.Pow(x, 1/m.Shape)
	case Asymptotic:
		t = -m.Shape * math.Log1p(-x)
	default:
		t = m.Shape + x
	}
	if math.IsNaN(t) || math.IsInf(t, 0) || t > 1e6 {
		return 0, false
	}
	return t, true
}
