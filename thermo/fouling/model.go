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

// growth is the law's curve without its coefficient; the shape is s above: d (Linear,
// Asymptotic), 1/d (Logarithmic, InverseSquare: c times U_clean squared), 1 (Power).
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
	case InverseSquare:
		return math.Sqrt(1+s*t) - 1
	default:
		return math.Max(0, t-s)
	}
}
