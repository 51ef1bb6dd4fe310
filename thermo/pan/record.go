package pan

import (
	"math"
	"time"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// The record of a strike: sums at every scan, medians every 15 s, a profile every two
// minutes.

func (t *Tracker) closePhase(when time.Time) {
	if t.strike == nil || len(t.strike.Phases) == 0 {
		return
	}
	r := &t.strike.Phases[len(t.strike.Phases)-1]
	if !r.End.IsZero() {
		return
	}
	r.End = when
	r.U, r.Steam = medianReading(t.us), medianReading(t.steams)
	if len(t.ss) > 0 {
		var s float64
		for _, v := range t.ss {
			s += v
		}
		r.MeanS = Use(s / float64(len(t.ss)))
	}
	if l := t.recent(when, 30*time.Second); l.OK {
		r.Level = l
	}
	// What was noticed late lies some minutes back in the tail.
	if end := t.tailMedians(r.Start, when, endOfPhase); r.Phase.Boiling() {
		r.Brix, r.LiquorBrix, r.EndS = end.brix, end.liquor, end.ss
	}
	if r.Phase == Charge {
		t.footing(r)
	}
}

// footing weighs what the charge left in the pan: level, volume and density.
func (t *Tracker) footing(charge *PhaseRecord) {
	s := t.strike
	if !(t.d.VolumeM3 > 0) || !charge.Level.OK || !charge.Brix.OK || charge.Level.Value <= 0 {
		return
	}
	temp := 65.0 // the density hardly cares
	if n := len(t.tail); n > 0 && t.tail[n-1].temperature.OK {
		temp = t.tail[n-1].temperature.Value
	}
	if m, err := massOf(t.d.VolumeM3*charge.Level.Value/100, charge.Brix.Value, temp); err == nil {
		s.FootingT, s.FootingBrix = Use(m), charge.Brix
	}
}

// endOfPhase and endOfBoiling are over how long the end of a phase and of the boiling is
// taken: figures of ours.
const endOfPhase, endOfBoiling = 3 * time.Minute, 5 * time.Minute

// tailMedians are the medians of the last time before a moment, not before from.
func (t *Tracker) tailMedians(from, when time.Time, last time.Duration) tailPoint {
	var brix, temp, level, liquor, ss []float64
	for _, p := range t.tail {
		if p.at.After(when) || p.at.Before(from) || when.Sub(p.at) > last {
			continue
		}
		brix, temp, level = gather(brix, p.brix), gather(temp, p.temperature), gather(level, p.level)
		liquor, ss = gather(liquor, p.liquor), gather(ss, p.ss)
	}
	return tailPoint{when, medianReading(brix), medianReading(temp), medianReading(level), medianReading(liquor), medianReading(ss)}
}

// atDrop takes the medians of the last five minutes of boiling.
func (t *Tracker) atDrop(when time.Time) {
	end, s := t.tailMedians(time.Time{}, when, endOfBoiling), t.strike
	s.DropBrix, s.DropC, s.DropLevel, s.DropLiquor = end.brix, end.temperature, end.level, end.liquor
	if s.DropBrix.OK && s.DropLiquor.OK {
		if c, err := liquor.CrystalContent(liquor.Brix(s.DropBrix.Value), liquor.Brix(s.DropLiquor.Value)); err == nil {
			s.DropCrystal = Use(c)
		} else {
			s.note(figures(ThinnerThanLiquor, s.DropBrix.Value, s.DropLiquor.Value))
		}
	}
	s.Weigh(Purities{Massecuite: t.lastMassecuite, Liquor: t.lastPurity, LiquorAssumed: !t.purityTag}, t.d.Site)
}

// purity of the mother liquor: the tag, else the design's by level or time.
func (t *Tracker) purity(at time.Time, f facts) Reading {
	if f.inputs.LiquorPurityPct.OK {
		return f.inputs.LiquorPurityPct
	}
	p := t.d.LiquorPurityPct
	if !(p[0] > 0 && p[0] <= 100 && p[1] > 0 && p[1] <= 100) || t.strike == nil {
		return Reading{}
	}
	x := at.Sub(t.strike.Start).Hours() / t.d.StrikeHours
	if f.level.OK {
		x = (f.level.Value - 30) / 70
	}
	x = math.Min(1, math.Max(0, x))
	return Use(p[0] + (p[1]-p[0])*x)
}

// record samples the strike.
func (t *Tracker) record(at time.Time, dt time.Duration, f facts) {
	s := t.strike
	if s == nil || len(s.Phases) == 0 {
		return
	}
	r := &s.Phases[len(s.Phases)-1]
	moving := t.moving(dt, f.inputs.PressureKPa)
	point := ProfilePoint{At: at, Phase: t.phase, LevelPct: f.level, PressureKPa: f.inputs.PressureKPa, MassecuiteC: f.inputs.MassecuiteC,
		MassecuiteBrix: f.inputs.MassecuiteBrix, ConsistencyPct: f.inputs.ConsistencyPct}
	sample := at.Sub(t.lastSample) >= sampling || at.Before(t.lastSample)
	t.addFeed(dt, &f)
	if t.phase.Boiling() {
		if f.inputs.MassecuitePurityPct.OK {
			t.lastMassecuite = f.inputs.MassecuitePurityPct
		}
		if f.vac != no {
			t.addWater(dt, &f, r, &point, sample)
		}
	}
	r.Level = f.level
	if !sample {
		return
	}
	t.lastSample = at
	t.steams = gather(t.steams, f.inputs.steam())
	if t.phase.Boiling() {
		if f.vac == yes && (!moving || f.inputs.LiquorBrix.OK) && f.inputs.MassecuiteC.OK {
			t.addLiquor(at, f, r, &point)
		}
		t.tail = append(t.tail, tailPoint{at, f.inputs.MassecuiteBrix, f.inputs.MassecuiteC, f.level, point.LiquorBrix, point.Supersaturation})
		if len(t.tail) > 120 {
			t.tail = append(t.tail[:0], t.tail[60:]...)
		}
	}
	if (at.Sub(t.lastProfile) >= profile || at.Before(t.lastProfile)) && len(s.Profile) < profileMost {
		t.lastProfile = at
		s.Profile = append(s.Profile, point)
	}
}

// How much is kept: figures of ours.
const (
	sampling    = 15 * time.Second
	profile     = 2 * time.Minute
	profileMost = 1500
	gatherMost  = 10000
	calmLag     = time.Minute
)

func gather(to []float64, r Reading) []float64 {
	if r.OK && len(to) < gatherMost {
		to = append(to, r.Value)
	}
	return to
}

// moving reports whether the thermometer lags behind the vacuum: 1 kPa is 1.3 K.
func (t *Tracker) moving(dt time.Duration, p Reading) bool {
	if !p.OK {
		return true
	}
	if t.calm == 0 || dt == 0 {
		t.calm = p.Value
	} else {
		t.calm += (p.Value - t.calm) * -math.Expm1(-dt.Seconds()/calmLag.Seconds())
	}
	return math.Abs(p.Value-t.calm) > StillKPa
}

// addFeed sums what is fed, and for how long that is not known.
func (t *Tracker) addFeed(dt time.Duration, f *facts) {
	s := t.strike
	switch flow, brix := f.inputs.FeedTH, f.inputs.FeedBrix; {
	case t.phase <= Charge || !t.phase.Boiling() || f.feed != yes:
	case flow.OK && brix.OK:
		m := math.Max(0, flow.Value) * dt.Hours()
		s.FeedT = Use(s.FeedT.Value + m)
		s.FeedSolidsT = Use(s.FeedSolidsT.Value + m*brix.Value/100)
	default:
		s.FeedLackingHours += dt.Hours()
	}
}

// addWater sums the water evaporated, and gathers U.
func (t *Tracker) addWater(dt time.Duration, f *facts, r *PhaseRecord, point *ProfilePoint, sample bool) {
	s, flow := t.strike, f.inputs.SteamTH
	if !flow.OK {
		s.LackingHours += dt.Hours()
		return
	}
	// The latent heat hardly cares.
	pan, chest := steam.KPa(15), steam.KPa(120)
	if f.inputs.PressureKPa.OK {
		pan = steam.KPa(f.inputs.PressureKPa.Value)
	}
	if f.inputs.ChestKPa.OK {
		chest = steam.KPa(f.inputs.ChestKPa.Value)
	}
	th := math.Max(0, flow.Value)
	if e, err := Evaporation(th, chest, pan, math.Min(50, math.Max(0, t.d.LossPct))); err == nil {
		point.EvaporationTH = Use(e)
		h := dt.Hours()
		r.WaterT = Use(r.WaterT.Value + e*h)
		s.WaterT = Use(s.WaterT.Value + e*h)
		s.WaterHours += h
	}
	if sample && f.inputs.ChestKPa.OK && f.inputs.MassecuiteC.OK && t.d.AreaM2 > 0 {
		if u, err := U(th, chest, f.inputs.MassecuiteC.Value, t.d.AreaM2); err == nil && u > 0 {
			point.U = Use(u)
			t.us = gather(t.us, point.U)
		}
	}
}

// addLiquor gathers the supersaturation.
func (t *Tracker) addLiquor(at time.Time, f facts, r *PhaseRecord, point *ProfilePoint) {
	q := t.purity(at, f)
	if !q.OK {
		return
	}
	r.Purity = q
	t.lastPurity, t.purityTag = q, f.inputs.LiquorPurityPct.OK
	if brix, ss, err := t.liquor(f, q.Value); err == nil {
		point.LiquorBrix, point.Supersaturation = Use(brix), Use(ss)
		t.ss = gather(t.ss, point.Supersaturation)
		t.minuteMean(at, ss, r)
	}
}

// liquor is Brix and supersaturation of the mother liquor: by its own Brix, else by the
// boiling point.
func (t *Tracker) liquor(f facts, purity float64) (brix, ss float64, err error) {
	if b := f.inputs.LiquorBrix; b.OK {
		ss, _, _, err = Supersaturation(MeasuredLiquor{Brix: b.Value, MassecuiteC: f.inputs.MassecuiteC.Value, LiquorPurityPct: purity}, t.d.Site)
		return b.Value, ss, err
	}
	l, err := motherLiquor(f.inputs.MassecuiteC.Value, f.inputs.PressureKPa.Value, purity, t.d.Site)
	return float64(l.Brix), l.Supersaturation, err
}

// minuteMean judges supersaturation by means of a minute: single readings carry
// the noise of two instruments.
func (t *Tracker) minuteMean(at time.Time, v float64, r *PhaseRecord) {
	if len(t.minuteS) == 0 {
		t.minute = at
	}
	t.minuteS = append(t.minuteS, v)
	if at.Sub(t.minute) < 45*time.Second {
		return
	}
	m := 0.0
	for _, x := range t.minuteS {
		m += x / float64(len(t.minuteS))
	}
	span := at.Sub(t.minute).Minutes() + 0.25
	t.minuteS = t.minuteS[:0]
	if span > 3 {
		return
	}
	if !r.MaxS.OK || m > r.MaxS.Value {
		r.MaxS = Use(m)
	}
	s := t.strike
	if !s.MaxS.OK || m > s.MaxS.Value {
		s.MaxS, s.MaxSAt = Use(m), at
	}
	if t.phase == FeedOn || t.phase == Tighten {
		z := t.d.Site.zones()
		if m >= z.Intermediate {
			s.FalseGrainMinutes += span
		}
		if m < z.Metastable {
			s.DissolvingMinutes += span
		}
	}
}
