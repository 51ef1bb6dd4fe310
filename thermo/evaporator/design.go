package evaporator

import (
	"errors"
	"fmt"
	"math"

	"calandria/thermo/liquor"
)

// Bounds of a set.
const (
	MaxEffects = 7  // effects in one set
	MaxBodies  = 16 // bodies in one set, parallel ones counted singly
)

// Body is the fixed description of one body.
type Body struct {
	Name string // used in reasons, e.g. "EV3"

	// Effect is the place in the vapour line: 1 is heated by exhaust steam, 2 by
	// the vapour of effect 1, and so on. Bodies of the same effect share chest
	// vapour and deliver to the same next chest.
	Effect int

	// JuiceBeside means the body is fed beside the body before it, with a part of
	// the same juice, and not with that body's outlet. Only within one effect.
	JuiceBeside bool

	AreaM2      float64 // heating surface, m2
	TubeLengthM float64 // m; 0 = unknown, then no head is reported
}

// CondensatePath says what becomes of condensate leaving a calandria.
type CondensatePath uint8

// The paths of condensate.
const (
	Drained CondensatePath = iota // leaves the set without flashing
	Flashed                       // flashes in cascade into the chests of the following effects
)

// Design is the fixed description of a set. Bodies stand in the order in which
// the juice flows.
type Design struct {
	Bodies []Body

	// BleedFrom marks the effects with a bleed line (index 0 = effect 1). Without
	// a line a missing bleed reading is zero; with a line it is missing.
	BleedFrom [MaxEffects]bool

	LossFraction float64 // of the chest duty, lost by radiation and venting; 0 to 0.2. Common practice 0.01 to 0.03
	PipeLossK    float64 // saturation temperature lost in each vapour pipe, K; 0 to 5. Common practice 0.2 to 0.5

	ExhaustCondensate CondensatePath // condensate of effect 1
	VapourCondensate  CondensatePath // condensate of the other effects

	// VapourCp is the specific heat of the vapour's superheat, kJ/(kg K).
	VapourCp float64

	Elevation    liquor.BPEModel
	Heat         liquor.HeatModel
	PurityFactor float64 // k of liquor.BPEModel.Elevation
	PurityPct    float64 // used when no purity is measured

	// Water treats the liquor as water: no elevation, enthalpy of water. For a
	// water trial after cleaning.
	Water bool

	// JuiceByThermometer quotes U on the measured juice temperature where there is
	// one. By default U is quoted on Tsat + elevation, because a fouled pocket
	// would otherwise put a step in the trend of U.
	JuiceByThermometer bool

	// HeadDepth is the depth of the mean heating surface as a part of the liquid
	// level, HeadVoid the vapour fraction of the boiling column: convention of the
	// reported head only.
	HeadDepth, HeadVoid float64

	// AssumedFeedC stands in for a missing feed temperature; 0 = do not assume.
	AssumedFeedC float64
}

// Conventions returns the customary settings for a set of Robert bodies: 1.5 %
// loss, 0.3 K for each vapour pipe, condensate of the vapour chests flashed in
// cascade and exhaust condensate returned to the boilers, Batterham-Norgate
// elevation, cp = 4.19 - 2.35 x, purity 86 %. Heating surfaces are the
// caller's. Common practice, no source, but for the equations, which the liquor
// package documents. They are those of the worked plants in testdata; a plant file
// without properties takes the liquor package's own defaults, which are more exact.
func Conventions(bodies ...Body) Design {
	d := Design{
		Bodies:           bodies,
		LossFraction:     0.015,
		PipeLossK:        0.3,
		VapourCondensate: Flashed,
		VapourCp:         1.9,
		Elevation:        liquor.BatterhamNorgate,
		Heat:             liquor.GeankoplisHeat,
		PurityPct:        86,
		HeadDepth:        0.5,
		HeadVoid:         0.5,
	}
	for i := range d.BleedFrom {
		d.BleedFrom[i] = true
	}
	return d
}

// Check reports every fault of the design, joined.
func (d *Design) Check() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if len(d.Bodies) == 0 {
		bad("a set needs at least one body")
	}
	if len(d.Bodies) > MaxBodies {
		bad("%d bodies; at most %d", len(d.Bodies), MaxBodies)
	}
	var seen [MaxEffects + 1]bool
	top := 0
	for i, b := range d.Bodies {
		if b.Effect < 1 || b.Effect > MaxEffects {
			bad("body %q: effect %d; must be 1 to %d", b.Name, b.Effect, MaxEffects)
			continue
		}
		seen[b.Effect] = true
		top = max(top, b.Effect)
		if !(b.AreaM2 > 0) || math.IsInf(b.AreaM2, 0) {
			bad("body %q: heating surface %g m2; must be above 0", b.Name, b.AreaM2)
		}
		if !(b.TubeLengthM >= 0 && b.TubeLengthM < 50) {
			bad("body %q: tube length %g m; must be 0 to 50", b.Name, b.TubeLengthM)
		}
		if b.JuiceBeside && (i == 0 || d.Bodies[i-1].Effect != b.Effect) {
			bad("body %q: juice beside the body before it, but that body is not of effect %d", b.Name, b.Effect)
		}
	}
	for e := 1; e < top; e++ {
		if !seen[e] {
			bad("no body in effect %d, though there is one in effect %d", e, top)
		}
	}
	within := func(name string, v, low, high float64) {
		if !(v >= low && v <= high) {
			bad("%s %g; must be %g to %g", name, v, low, high)
		}
	}
	within("loss fraction", d.LossFraction, 0, 0.2)
	within("vapour pipe loss in K", d.PipeLossK, 0, 5)
	within("vapour specific heat in kJ/(kg K)", d.VapourCp, 0, 3)
	within("purity in %", d.PurityPct, 0, 102)
	within("purity factor", d.PurityFactor, -0.9, 5)
	within("head depth", d.HeadDepth, 0, 1)
	within("head void", d.HeadVoid, 0, 1)
	within("assumed feed temperature in degC", d.AssumedFeedC, 0, 150)
	return errors.Join(errs...)
}
