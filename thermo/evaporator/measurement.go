package evaporator

import (
	"slices"

	"calandria/plant/words"
)

// Reading is one measured value. The zero Reading is 'not measured'.
type Reading struct {
	Value float64
	Sigma float64 // one standard deviation from the instrument's stated accuracy, same unit; 0 = not stated
	OK    bool    // the value may be used: good quality, fresh, not frozen
	Gauge bool    // of a pressure: it was read against the air
}

// Read returns a usable Reading.
func Read(value, sigma float64) Reading { return Reading{Value: value, Sigma: sigma, OK: true} }

// in reports whether the reading may be used and lies within what is physically
// possible for it; a value outside is a failed instrument, whatever its quality.
func (r Reading) in(low, high float64) bool {
	return r.OK && r.Value >= low && r.Value <= high
}

// BodyMeasurement holds the tags of one body. All pressures are absolute.
type BodyMeasurement struct {
	OutOfService bool // juice and vapour by-pass the body

	VapourKPa    Reading // vapour space
	ChestKPa     Reading // calandria
	VapourC      Reading
	JuiceC       Reading
	ChestC       Reading // calandria gas or drain; lower than saturation when gas collects
	Brix         Reading // leaving the body
	LevelPct     Reading // % of the tube length
	CondensateTH Reading // from this calandria, t/h

	// Stored is what the body takes in beyond what it gives, or gives up (below 0),
	// so that the balances hold while a set moves. The zero value is a steady state.
	Stored Stored
}

// Stored is what a body stores in time.
type Stored struct {
	JuiceTH  float64 // t/h
	SolidsTH float64 // t/h, of which
	HeatMJH  float64 // MJ/h, by its juice and its metal, zero at 0 degC
}

// Measurement holds the tags of a set at one moment, better as means over
// several minutes.
type Measurement struct {
	JuiceTH   Reading // clear juice to the set, t/h
	FeedBrix  Reading
	FeedC     Reading // clear juice at the inlet
	PurityPct Reading
	SyrupTH   Reading
	SyrupBrix Reading

	SteamTH  Reading // exhaust steam to effect 1
	SteamKPa Reading // in the calandria of effect 1, absolute; a body's own ChestKPa goes first
	SteamC   Reading // exhaust steam, for its superheat

	// CondenserTH is the vapour reaching the condenser as its own balance of cooling
	// water says, t/h: only a check.
	CondenserTH Reading

	// LossPct is the heat of a calandria that does not reach its juice, radiated and
	// vented, % of its duty, 0 to 20; without it the design's.
	LossPct Reading

	// What the equations are off by at this site, %: the elevation of the boiling point
	// and the specific heat of the juice. Without a value 0.
	ElevationPct, HeatPct Reading

	// AirKPa is what the air pressure is above the one that the Gauge readings were made
	// absolute with, kPa: 0, with its sigma.
	AirKPa Reading

	// PipeLossK is the saturation temperature lost in the vapour pipe after each effect,
	// index 0 = effect 1; without a value the design's.
	PipeLossK [MaxEffects]Reading

	BleedTH [MaxEffects]Reading // vapour bled after each effect, index 0 = effect 1
	Bodies  [MaxBodies]BodyMeasurement
}

// or is the value, or without one v.
func (r Reading) or(v float64) float64 {
	if r.OK && finite(r.Value) {
		return r.Value
	}
	return v
}

// Limits of what a working instrument on an evaporator can read; a value
// outside is not used.
const (
	minKPa, maxKPa   = 1.5, 1500.0
	minC, maxC       = 5.0, 200.0
	minBrix, maxBrix = 0.1, 88.0
	maxTH            = 1e5
)

func pressureOK(r Reading) bool { return r.in(minKPa, maxKPa) }
func tempOK(r Reading) bool     { return r.in(minC, maxC) }
func brixOK(r Reading) bool     { return r.in(minBrix, maxBrix) }
func flowOK(r Reading) bool     { return r.in(1e-3, maxTH) }

// bleedOK takes what a meter on a closed line, or a reconciled value, shows below zero.
func bleedOK(r Reading) bool { return r.in(-max(0.5, 5*r.Sigma), maxTH) }

// Names of what is no instrument: figures of the model, and the air pressure.
const HeatLoss, Elevation, SpecificHeat, airPressure words.Text = "heat loss", "boiling-point elevation", "specific heat of the juice", "air pressure"

// PipeNames are those of the losses of the vapour pipes, by the effect before, from 0.
var PipeNames = [MaxEffects]words.Text{
	"loss of the pipe after effect 1", "loss of the pipe after effect 2", "loss of the pipe after effect 3", "loss of the pipe after effect 4",
	"loss of the pipe after effect 5", "loss of the pipe after effect 6", "loss of the pipe after effect 7",
}

// assumed reports whether a reading of that name is a figure of the model, which no
// instrument shows and nothing but the balances can tell.
func assumed(what words.Text) bool {
	return what == Elevation || what == SpecificHeat || what == airPressure || slices.Contains(PipeNames[:], what)
}

// BleedNames are constants so that naming costs nothing.
var BleedNames = [MaxEffects]words.Text{
	"bleed after effect 1", "bleed after effect 2", "bleed after effect 3", "bleed after effect 4",
	"bleed after effect 5", "bleed after effect 6", "bleed after effect 7",
}

// readings calls f for every finite reading that may be used, in a fixed order, so
// that each can be disturbed in turn. body is -1 for a reading of the whole set.
func (m *Measurement) readings(bodies int, f func(r *Reading, what words.Text, body int)) {
	m.Each(bodies, func(r *Reading, what words.Text, body int) {
		if r.OK && finite(r.Value) && !(body >= 0 && m.Bodies[body].OutOfService) {
			f(r, what, body)
		}
	})
}

// Follow takes share of the way to the readings of n, for a slow mean of them. What
// begins to read begins there; with another body in service all does, and it reports
// true.
func (m *Measurement) Follow(n *Measurement, share float64, bodies int) (anew bool) {
	for b := range bodies {
		anew = anew || m.Bodies[b].OutOfService != n.Bodies[b].OutOfService
	}
	if anew {
		*m = *n
		return true
	}
	var at [32 + 8*MaxBodies]*Reading
	i := 0
	m.Each(bodies, func(r *Reading, _ words.Text, _ int) { at[i] = r; i++ })
	i = 0
	n.Each(bodies, func(r *Reading, _ words.Text, _ int) {
		if to := at[i]; r.OK && to.OK && finite(to.Value) {
			to.Value, to.Sigma = to.Value+(r.Value-to.Value)*share, r.Sigma
		} else {
			*to = *r
		}
		i++
	})
	return false
}

// Each calls visit for every reading, in a fixed order. body is -1 for a reading of the set.
func (m *Measurement) Each(bodies int, visit func(r *Reading, what words.Text, body int)) {
	visit(&m.JuiceTH, "juice flow", -1)
	visit(&m.FeedBrix, "feed Brix", -1)
	visit(&m.FeedC, "feed temperature", -1)
	visit(&m.PurityPct, "purity", -1)
	visit(&m.SyrupTH, "syrup flow", -1)
	visit(&m.SyrupBrix, "syrup Brix", -1)
	visit(&m.SteamTH, "steam flow", -1)
	visit(&m.SteamKPa, "steam pressure", -1)
	visit(&m.SteamC, "steam temperature", -1)
	visit(&m.CondenserTH, "vapour to the condenser", -1)
	visit(&m.LossPct, HeatLoss, -1)
	visit(&m.ElevationPct, Elevation, -1)
	visit(&m.HeatPct, SpecificHeat, -1)
	visit(&m.AirKPa, airPressure, -1)
	for i := range m.PipeLossK {
		visit(&m.PipeLossK[i], PipeNames[i], -1)
	}
	for i := range m.BleedTH {
		visit(&m.BleedTH[i], BleedNames[i], -1)
	}
	for i := range bodies {
		b := &m.Bodies[i]
		visit(&b.VapourKPa, "vapour pressure", i)
		visit(&b.ChestKPa, "chest pressure", i)
		visit(&b.VapourC, "vapour temperature", i)
		visit(&b.JuiceC, "juice temperature", i)
		visit(&b.ChestC, "chest temperature", i)
		visit(&b.Brix, "Brix", i)
		visit(&b.LevelPct, "level", i)
		visit(&b.CondensateTH, "condensate flow", i)
	}
}
