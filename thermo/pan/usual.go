package pan

import (
	"math"
	"slices"
	"time"
)

// Habits are what a pan usually does in one grade, learned from its own whole strikes. A
// wrong thermometer, an elevation or a purity that does not fit the site is in them, so that
// a departure from them says something where the figure itself would not.
type Habits struct {
	Strikes  int // learned from
	Phases   [phaseCount]Habit
	TopLevel Norm // level at the end of boiling, %
	Footing  Norm // level at the end of the charge, %
}

// Habit is what is usual in one phase.
type Habit struct {
	Minutes Norm    // without waits, see [PhaseRecord]
	Longest float64 // the longest that is still usual, waits not counted, min
	TopS    Norm    // the highest supersaturation
	KPa     Norm    // vapour pressure
	// By the progress of the phase, see progress: supersaturation, temperature and Brix of
	// the massecuite.
	S, C, Brix [progressParts]Norm
}

// Norm is a usual value, the median, and its spread, one standard deviation. N is of how
// many it is; 0: not known.
type Norm struct {
	Value, Spread float64
	N             int
}

// Known reports whether there is a usual value.
func (n Norm) Known() bool { return n.N > 0 }

// How habits are learned. Figures of ours, chosen on simulated pans of other making.
const (
	habitStrikes  = 20   // of the newest whole ones of the grade
	habitLeast    = 5    // strikes: fewer tell nothing
	progressParts = 8    // of a phase
	partLeast     = 10   // points: a part with fewer takes the figures of the whole phase
	spreadLeastS  = 0.02 // no supersaturation is known better
	spreadLeastK  = 0.3  // no temperature
	spreadLeastBx = 0.2  // no Brix
	spreadLeastKP = 0.15 // no pressure, kPa
	fewStrikes    = 3.0  // a spread of n strikes is taken 1 + 3/n times as wide
	lateFrom      = 1.6  // the feed is late from so many times its usual length,
	lateSpreads   = 3.0  // and from so many spreads above it,
	lateSurely    = 1.85 // but surely from so many times its usual length
	lateOthers    = 5.0  // another phase from so many spreads above it,
	lateLongest   = 1.15 // from so many times the longest of the strikes learned from,
	lateWaits     = 2.2  // and from so many times its usual length: it waits for a mixer or for steam
	longestWait   = 1.0  // a longer wait than so many usual lengths is late itself
	quartileSigma = 1.4826
)

// normOf is the median and the spread by the median deviation from it, which single odd
// strikes do not move.
func normOf(v []float64, least float64) Norm {
	m, ok := median(v)
	if !ok {
		return Norm{}
	}
	away := make([]float64, len(v))
	for i, x := range v {
		away[i] = math.Abs(x - m)
	}
	d, _ := median(away)
	return Norm{m, max(least, quartileSigma*d), len(v)}
}

// times is the same value with another spread.
func (n Norm) times(x float64) Norm { return Norm{n.Value, n.Spread * x, n.N} }

// HabitsOf learns from strikes, in order of time, those of a grade. Fewer than five whole
// ones give nothing.
func HabitsOf(strikes []Strike, grade string) (h Habits) {
	var of []*Strike
	for i := len(strikes) - 1; i >= 0 && len(of) < habitStrikes; i-- {
		if strikes[i].Whole && strikes[i].Grade == grade {
			of = append(of, &strikes[i])
		}
	}
	if len(of) < habitLeast {
		return Habits{}
	}
	h.Strikes = len(of)
	var top, footing []float64
	for p := Charge; p <= Drop; p++ {
		h.Phases[p].lengths(of, p)
	}
	for _, s := range of {
		top = gather(top, s.DropLevel)
		if r, ok := s.Phase(Charge); ok {
			footing = gather(footing, r.Level)
		}
	}
	h.TopLevel, h.Footing = normOf(top, 0), normOf(footing, 0)
	for p := Charge; p <= Tighten; p++ {
		h.Phases[p].values(of, p)
	}
	return h
}

// lengths learns how long a phase lasts.
func (h *Habit) lengths(of []*Strike, p Phase) {
	var length, top []float64
	for _, s := range of {
		if r, ok := s.Phase(p); ok && !r.End.IsZero() {
			length = append(length, r.End.Sub(r.Start).Minutes()-r.WaitedMin)
			top = gather(top, r.MaxS)
		}
	}
	if len(length) < habitLeast {
		return
	}
	h.Minutes = normOf(length, 0)
	m := h.Minutes.Value
	if h.Longest = max(lateWaits*m, m+lateOthers*h.Minutes.Spread, lateLongest*slices.Max(length)); p == FeedOn {
		h.Longest = min(lateSurely*m, max(lateFrom*m, m+lateSpreads*h.Minutes.Spread))
	}
	if len(top) >= habitLeast {
		h.TopS = normOf(top, spreadLeastS).times(1 + fewStrikes/float64(len(top)))
	}
}

// values learns what is usual along a phase, from the profiles.
func (h *Habit) values(of []*Strike, p Phase) {
	// Supersaturation, temperature and Brix: by the part of the phase, and over the whole.
	kinds := [...]struct {
		of    func(*ProfilePoint) Reading
		to    *[progressParts]Norm
		least float64
	}{
		{func(x *ProfilePoint) Reading { return x.Supersaturation }, &h.S, spreadLeastS},
		{func(x *ProfilePoint) Reading { return x.MassecuiteC }, &h.C, spreadLeastK},
		{func(x *ProfilePoint) Reading { return x.MassecuiteBrix }, &h.Brix, spreadLeastBx},
	}
	var values [len(kinds)][progressParts][]float64
	var whole [len(kinds)][]float64
	var kPa []float64
	for _, strike := range of {
		at := 0 // of the stretches of the phase
		for i := range strike.Profile {
			x := &strike.Profile[i]
			if x.Phase != p {
				continue
			}
			for at < len(strike.Phases)-1 && (strike.Phases[at].Phase != p || x.At.After(strike.Phases[at].End)) {
				at++
			}
			part := h.part(p, x.LevelPct, x.At.Sub(strike.Phases[at].Start))
			for k := range kinds {
				v := kinds[k].of(x)
				values[k][part], whole[k] = gather(values[k][part], v), gather(whole[k], v)
			}
			kPa = gather(kPa, x.PressureKPa)
		}
	}
	wide := 1 + fewStrikes/float64(len(of))
	h.KPa = enough(normOf(kPa, spreadLeastKP).times(wide), Norm{})
	for k, kind := range kinds {
		all := enough(normOf(whole[k], kind.least).times(wide), Norm{})
		for i := range kind.to {
			kind.to[i] = enough(normOf(values[k][i], kind.least).times(wide), all)
		}
	}
}

func enough(n, otherwise Norm) Norm {
	if n.N < partLeast {
		return otherwise
	}
	return n
}

// part is how far a phase has got: the feed by the level, where there is one, the other
// phases by their usual length.
func (h *Habit) part(p Phase, level Reading, into time.Duration) int {
	x := 0.0
	switch {
	case p == FeedOn && level.OK:
		x = level.Value / 100
	case h.Minutes.Value > 0:
		x = into.Minutes() / h.Minutes.Value
	}
	return min(progressParts-1, max(0, int(x*progressParts)))
}

// learn takes in the strikes that are finished.
func (t *Tracker) learn() {
	t.habits = HabitsOf(t.done, t.d.Grade)
	t.fed = t.learnFed()
}

// Habits of the pan in its grade; Strikes is 0 while they are not known.
func (t *Tracker) Habits() *Habits { return &t.habits }

// Expected is what is usual at this moment.
type Expected struct {
	S, C, KPa, Brix Norm
	// SeedS: S is the highest that is usual, as before there is grain: below it there is
	// nothing to say.
	SeedS            bool
	Minutes, Longest float64 // of the phase, Longest with its waits so far and without earlier stretches; 0: not known
}

// Expected returns what is usual now.
func (t *Tracker) Expected() Expected {
	h := &t.habits.Phases[t.phase]
	if t.habits.Strikes == 0 {
		return Expected{}
	}
	part := h.part(t.phase, t.m.level, t.m.at.Sub(t.since))
	x := Expected{S: h.S[part], C: h.C[part], Brix: h.Brix[part], KPa: h.KPa, Minutes: h.Minutes.Value, Longest: h.Longest}
	if x.Longest > 0 && t.strike != nil && len(t.strike.Phases) > 0 {
		x.Longest += min(t.waited(), longestWait*x.Minutes) - t.earlier()
	}
	if t.phase < FeedOn {
		x.S, x.SeedS = h.TopS, true
	}
	return x
}

// The thermometer's offset in water.

const (
	waterMost    = 10              // wash-outs remembered
	waterLeast   = 2               // wash-outs tell the offset
	waterPoints  = 3               // of the profile make a wash-out
	waterLeastK  = 0.1             // no offset is known better
	waterAfter   = 4 * time.Minute // of boiling, while the thermometer settles
	waterSpreadK = 0.3             // of what boils as water does: steadier than any liquor that is concentrated
	waterFarK    = 4.0             // no thermometer is as wrong
)

// Offset is how much the thermometer reads above boiling water, K: learned where the pan was
// washed out with water. Not known before two wash-outs.
func (t *Tracker) Offset() Norm { return t.offset }

// overWater lists how far above boiling water the massecuite was along a profile, K.
func (t *Tracker) overWater(profile []ProfilePoint) (k []float64) {
	var from time.Time
	for i := range profile {
		x := &profile[i]
		if from.IsZero() && x.Phase > Charge {
			from = x.At.Add(waterAfter)
		}
		if from.IsZero() || x.At.Before(from) || !x.Phase.Boiling() || !(x.PressureKPa.Value < t.d.Limits[VacuumBelow]) {
			continue
		}
		k = gather(k, elevation(x.MassecuiteC, x.PressureKPa))
	}
	return k
}

// learnWater takes the elevation over water of what boiled in a wash-out, if it stood
// still. It reports whether it did.
func (t *Tracker) learnWater(k []float64) bool {
	n := normOf(k, 0)
	if n.N < waterPoints || n.Spread > waterSpreadK || math.Abs(n.Value) > waterFarK {
		return false
	}
	t.waterK = append(t.waterK, n.Value)
	if t.waterK = t.waterK[max(0, len(t.waterK)-waterMost):]; len(t.waterK) >= waterLeast {
		t.offset = normOf(t.waterK, waterLeastK)
	}
	return true
}

// While crystals grow on a feed the supersaturation is 1.10, give or take 0.06: common
// practice, no source. The feed's first and last eighths are left out.
const fedS, fedSpreadS, fedFrom, fedTo = 1.10, 0.06, 2, 6

// learnFed finds what must be taken off the elevation for the usual supersaturation of the
// feed to be 1.10, K: what is wrong of thermometer, gauge, purity and equation together.
func (t *Tracker) learnFed() Norm {
	h := &t.habits.Phases[FeedOn]
	var k, perK []float64
	for i := fedFrom; i < fedTo; i++ {
		x := float64(i) / progressParts
		q := Reading{t.d.LiquorPurityPct[0] + (t.d.LiquorPurityPct[1]-t.d.LiquorPurityPct[0])*x, t.d.LiquorPurityPct[0] > 0}
		if t.purityTag {
			q = t.lastPurity
		}
		if !q.OK || !h.S[i].Known() || !h.C[i].Known() || !h.KPa.Known() {
			continue
		}
		if l, err := MotherLiquor(LiquorReading{MassecuiteC: h.C[i].Value, PressureKPa: h.KPa.Value, LiquorPurityPct: q.Value}, t.d.Site); err == nil && l.PerK > 0 {
			k, perK = append(k, (h.S[i].Value-fedS)/l.PerK), append(perK, l.PerK)
		}
	}
	n := normOf(k, 0)
	if !n.Known() {
		return Norm{}
	}
	slope, _ := median(perK)
	return Norm{n.Value, math.Hypot(n.Spread, fedSpreadS/slope), t.habits.Strikes}
}

// FedOffset is what the usual supersaturation of the feed says of thermometer, gauge,
// purity and elevation together, K; see [Tracker.Offset] for the thermometer and gauge alone.
func (t *Tracker) FedOffset() Norm { return t.fed }
