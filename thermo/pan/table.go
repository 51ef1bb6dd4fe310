package pan

import (
	"math"
	"strings"
	"time"
)

// moment is what the table looks at, beside the tracker's past.
type moment struct {
	at time.Time
	facts
	in    time.Duration // since the phase began
	short Reading       // slope of the level over four minutes, %/min
}

func (t *Tracker) limit(l Limit) float64 { return t.d.Limits[l] }

// phases is a set of phases.
type phases uint16

func during(list ...Phase) (s phases) {
	for _, p := range list {
		s |= 1 << p
	}
	return s
}

func (s phases) String() string {
	var names []string
	for p := Unknown; p < phaseCount; p++ {
		if s&(1<<p) != 0 {
			names = append(names, p.String())
		}
	}
	return strings.Join(names, ", ")
}

var (
	waiting = during(Idle, SteamOut)
	boiling = during(Charge, Concentrate, Graining, FeedOn, Tighten)
	unfed   = during(Charge, Concentrate, Graining)
	covered = during(Concentrate, Graining)
)

// condition is a named condition on the readings; {name} in its words is a limit.
type condition struct {
	words string
	holds func(*Tracker) bool
}

func not(c condition) condition {
	return condition{"not: " + c.words, func(t *Tracker) bool { return !c.holds(t) }}
}

func all(list ...condition) condition {
	return condition{join(list, ", "), func(t *Tracker) bool {
		for _, c := range list {
			if !c.holds(t) {
				return false
			}
		}
		return true
	}}
}

func either(list ...condition) condition {
	return condition{"either " + join(list, " or "), func(t *Tracker) bool {
		for _, c := range list {
			if c.holds(t) {
				return true
			}
		}
		return false
	}}
}

func join(list []condition, by string) string {
	words := make([]string, len(list))
	for i, c := range list {
		words[i] = c.words
	}
	return strings.Join(words, by)
}

// levelAbove, levelBelow and after make conditions of one limit.
func levelAbove(l Limit) condition {
	return condition{"level above {" + LimitSpecs[l].Name + "}", func(t *Tracker) bool { return t.m.level.OK && t.m.level.Value > t.limit(l) }}
}

func levelBelow(l Limit) condition {
	return condition{"level below {" + LimitSpecs[l].Name + "}", func(t *Tracker) bool { return t.m.level.OK && t.m.level.Value < t.limit(l) }}
}

func after(l Limit) condition {
	return condition{"{" + LimitSpecs[l].Name + "} into the phase", func(t *Tracker) bool { return t.m.in >= t.d.Limits.time(l) }}
}

// The facts. What is not known is neither: "vacuum" and "vacuum broken" are both false
// without a usable pressure.
var (
	always     = condition{"in any case", func(*Tracker) bool { return true }}
	vacuum     = condition{"vacuum", func(t *Tracker) bool { return t.m.vac == yes }}
	broken     = condition{"vacuum broken", func(t *Tracker) bool { return t.m.vac == no }}
	raised     = condition{"the vacuum had been raised", func(t *Tracker) bool { return t.phase != Charge || t.raised }}
	steamOn    = condition{"steam on", func(t *Tracker) bool { return t.m.steam == yes }}
	fed        = condition{"feed on", func(t *Tracker) bool { return t.m.feed == yes }}
	feedShut   = condition{"feed shut", func(t *Tracker) bool { return t.m.feed == no }}
	feedDark   = condition{"no tag of the feed", func(t *Tracker) bool { return t.m.feed == unknown }}
	fedAgain   = condition{"feed on for {fed_again_held_min} in all, never shut for {feed_shut_held_min} between", func(t *Tracker) bool { return t.m.feed == yes && t.shots >= t.d.Limits.time(FedAgainHeld) }}
	seeded     = condition{"seed above {seed_on_pct}", func(t *Tracker) bool { return t.m.seed == yes }}
	open       = condition{"discharge open", func(t *Tracker) bool { return t.m.discharge == yes }}
	shut       = condition{"discharge shut", func(t *Tracker) bool { return t.m.discharge == no }}
	opened     = condition{"the discharge was open in this drop", func(t *Tracker) bool { return t.opened }}
	hot        = condition{"massecuite above {hot_c}", func(t *Tracker) bool { return t.m.hot == yes }}
	noHeat     = condition{"no thermometer", func(t *Tracker) bool { return !t.m.inputs.MassecuiteC.OK }}
	noLevel    = condition{"no level", func(t *Tracker) bool { return !t.m.level.OK }}
	filled     = condition{"level was above {filled_pct} in this strike, or no level", func(t *Tracker) bool { return !t.m.level.OK || t.peak >= t.limit(FilledAbove) }}
	unfilled   = condition{"level never above {filled_pct} in this strike", func(t *Tracker) bool { return t.m.level.OK && t.peak < t.limit(FilledAbove) }}
	drained    = either(noLevel, levelBelow(ResidueBelow))
	standing   = either(noLevel, levelAbove(FullAbove))
	filling    = condition{"level rises at more than {filling_rate_pct_min}", func(t *Tracker) bool { return t.m.short.OK && t.m.short.Value > t.limit(FillingRate) }}
	footingIn  = condition{"level rose at more than {filling_rate_pct_min}, and rises at less than {footing_slowed} of its fastest", (*Tracker).footingIn}
	still      = condition{"level moves by less than {still_rate_pct_min}", func(t *Tracker) bool { return t.m.short.OK && math.Abs(t.m.short.Value) < t.limit(StillRate) }}
	steamUp    = condition{"steam above {steam_up} times its median in this phase", (*Tracker).steamUp}
	steamCut   = condition{"steam below {steam_cut} of its median in this phase", (*Tracker).steamCut}
	risen      = condition{"level above the footing by {risen_pct}", func(t *Tracker) bool { return t.risen(RisenBy) }}
	risenShut  = condition{"level above the footing by {risen_shut_pct}", func(t *Tracker) bool { return t.risen(RisenShut) }}
	stands     = condition{"level rises at less than {stands_slowed} of its mean in this phase", (*Tracker).stands}
	cutOver    = condition{"level fell by {cut_over_pct} from its highest", func(t *Tracker) bool { return t.m.level.OK && t.peak-t.m.level.Value > t.limit(CutOverBy) }}
	emptying   = condition{"level falls at more than {emptying_rate_pct_min}, by {emptying_pct} from its highest", (*Tracker).emptying}
	cooled     = condition{"massecuite {cooled_k} below its hottest, which was above {hot_c}", (*Tracker).cooled}
	boilsWater = condition{"what boils is less than {wash_elevation_k} above water, or thinner than {wash_brix}", (*Tracker).boilsWater}
	boilsSyrup = condition{"what boils is more than {liquor_elevation_k} above water", (*Tracker).boilsLiquor}
)

// row is one line of the table of phases: in one of the phases From, when the condition
// When has held for Held, the strike goes to To. Began dates it back to where the evidence
// began. Note goes into the notes of the strike. A row to Unknown changes no phase: it only
// notes.
type row struct {
	From  phases
	When  condition
	Held  Limit
	To    Phase
	Began began
	Words Code
	Note  Code
}

const sameKind = Unknown // To of a row that changes no phase

// table is how strikes are found. The first row that fits is taken; a phase's rows are
// tried at every step. docs/strikes.md shows it with its figures.
var table = []row{
	// The readings begin.
	{From: during(Unknown), When: all(open, not(vacuum)), To: Drop, Words: ReadingsBegan},
	{From: during(Unknown), When: all(broken, levelAbove(FillingFrom)), To: Drop, Words: ReadingsBegan},
	{From: during(Unknown), When: all(fed, not(broken), either(vacuum, levelAbove(FillingFrom))), To: FeedOn, Words: ReadingsBegan},
	{From: during(Unknown), When: all(not(broken), feedShut, levelAbove(FullAbove)), To: Tighten, Words: ReadingsBegan},
	{From: during(Unknown), When: all(not(broken), levelAbove(RegainedLevel)), To: FeedOn, Words: ReadingsBegan},
	{From: during(Unknown), When: all(not(broken), levelAbove(FillingFrom)), To: Concentrate, Words: ReadingsBegan},
	{From: during(Unknown), When: all(vacuum, noLevel, steamOn), To: FeedOn, Words: ReadingsBegan},
	{From: during(Unknown), When: vacuum, To: Charge, Words: ReadingsBegan},
	{From: during(Unknown), When: hot, To: SteamOut, Words: ReadingsBegan},
	{From: during(Unknown), When: always, To: Idle, Words: ReadingsBegan},

	// A strike begins.
	{From: waiting, When: vacuum, Held: VacuumHeld, To: Charge, Words: VacuumRaised},
	{From: waiting, When: all(filling, levelAbove(FillingFrom), not(open)), Held: FillingHeld, To: Charge, Began: fillingBegan, Words: LevelRises},
	{From: during(SteamOut), When: cooled, Held: CooledHeld, To: Idle, Words: PanCools},
	{From: during(SteamOut), When: all(noHeat, after(SteamOutUnseen)), To: Idle, Began: now, Words: TakenForOver},
	{From: during(SteamOut), When: after(SteamOutLongest), To: Idle, Began: now, Words: TakenForOver},

	// A strike ends: the vacuum is broken, the discharge opened, the level falls.
	{From: boiling, When: all(open, not(vacuum), filled), Held: DischargeHeld, To: Drop, Began: lostOrHeld, Words: DischargeOpen},
	{From: boiling, When: all(open, vacuum, unfilled), Held: DischargeVacuumHeld, To: Idle, Words: DischargeOpen},
	{From: boiling, When: all(open, vacuum), Held: DischargeVacuumHeld, To: Drop, Words: DischargeOpen, Note: DischargeUnderVacuum},
	{From: boiling, When: all(broken, raised, not(steamOn), unfilled), Held: VacuumLostHeld, To: Idle, Began: vacuumLost, Words: VacuumBrokenNow},
	{From: boiling, When: all(broken, raised, not(steamOn)), Held: VacuumLostHeld, To: Drop, Began: vacuumLost, Words: VacuumBrokenNow},
	{From: boiling, When: all(broken, raised, unfilled), Held: VacuumLostLongest, To: Idle, Began: vacuumLost, Words: VacuumBrokenNow},
	{From: boiling, When: all(broken, raised), Held: VacuumLostLongest, To: Drop, Began: vacuumLost, Words: VacuumBrokenNow},
	{From: boiling, When: all(emptying, not(vacuum)), Held: EmptyingHeld, To: Drop, Began: emptyingBegan, Words: LevelFalls},

	// No strike: water.
	{From: unfed, When: all(boilsWater, not(fed)), Held: WashHeld, To: WashOut, Words: WaterBoils},
	{From: during(WashOut), When: boilsSyrup, Held: LiquorHeld, To: Concentrate, Words: LiquorBoils},
	{From: during(WashOut), When: either(broken, all(open, not(vacuum)), levelBelow(EmptyBelow)), Held: EmptyHeld, To: Idle, Words: WashedOut},

	// Footing.
	{From: during(Charge), When: all(footingIn, not(levelBelow(FootingLeast)), after(ChargeLeast)), Held: FootingHeld, To: Concentrate, Began: footingBegan, Words: FootingStands},
	{From: during(Charge), When: all(still, levelAbove(FootingStill), after(StillAfter)), Held: FootingHeld, To: Concentrate, Began: footingBegan, Words: FootingStands},
	{From: during(Charge), When: all(fed, levelAbove(FedAtLevel)), Held: FeedHeld, To: FeedOn, Words: FeedOpen},
	{From: during(Charge), When: all(noLevel, steamUp, after(ChargeLeast)), Held: SteamUpHeld, To: Concentrate, Words: FullSteam},
	{From: during(Charge), When: all(noLevel, fed, after(ChargeLeast)), Held: FeedHeld, To: FeedOn, Words: FeedOpen, Note: NoLevelNoFooting},

	// Seed and feed.
	{From: during(Concentrate), When: seeded, To: Graining, Began: now, Words: SeedDrawn},
	{From: covered, When: fed, Held: FeedHeld, To: FeedOn, Words: FeedOpen},
	{From: covered, When: all(risen, not(feedShut)), Held: RisenHeld, To: FeedOn, Began: risingBegan, Words: LevelRises},
	{From: covered, When: all(risenShut, feedShut), Held: RisenHeld, To: FeedOn, Began: risingBegan, Words: FedUnseen},
	{From: unfed, When: all(feedDark, noLevel, steamCut), Held: SteamCutHeld, To: Tighten, Words: SteamCutBack},
	{From: during(FeedOn), When: all(cutOver, not(broken)), To: sameKind, Note: CutOver},

	// The end of the feed.
	{From: during(FeedOn), When: all(feedShut, standing), Held: FeedShutHeld, To: Tighten, Words: FeedIsShut},
	{From: during(FeedOn), When: all(feedDark, steamCut, standing), Held: SteamCutHeld, To: Tighten, Words: SteamCutBack},
	{From: during(FeedOn), When: all(feedDark, stands, levelAbove(StandsAbove), after(StandsAfter)), Held: StandsHeld, To: Tighten, Began: standingBegan, Words: LevelStands},
	{From: during(Tighten), When: fedAgain, To: FeedOn, Began: shotsBegan, Words: FeedOpenAgain},

	// Drop.
	{From: during(Drop), When: all(vacuum, not(open), levelAbove(RegainedLevel)), Held: RegainedHeld, To: Tighten, Began: now, Words: VacuumIsBack, Note: VacuumRegained},
	{From: during(Drop), When: all(levelBelow(EmptyBelow), not(open)), Held: EmptyHeld, To: SteamOut, Words: PanEmpty},
	{From: during(Drop), When: levelBelow(EmptyBelow), Held: EmptyOpenHeld, To: SteamOut, Words: PanEmpty},
	{From: during(Drop), When: all(noLevel, opened, shut), Held: ShutHeld, To: SteamOut, Words: DischargeShut},
	{From: during(Drop), When: all(hot, not(open), drained), Held: HotHeld, To: SteamOut, Words: HotNow},
	{From: during(Drop), When: all(vacuum, drained, not(open)), Held: NextVacuumHeld, To: Charge, Words: VacuumRaised, Note: NoSteamOut},
	{From: during(Drop), When: all(levelBelow(ResidueBelow), still), Held: EmptyOpenHeld, To: SteamOut, Words: PanEmpty},
	{From: during(Drop), When: all(drained, not(vacuum), after(DropLongest)), To: Idle, Began: now, Words: TakenForOver},
}

// byPhase has the rows of each phase, by their index.
var byPhase = func() (index [phaseCount][]int) {
	for p := Unknown; p < phaseCount; p++ {
		for i, r := range table {
			if r.From&(1<<p) != 0 {
				index[p] = append(index[p], i)
			}
		}
	}
	return index
}()

// next finds the row that fits, and when its evidence began.
func (t *Tracker) next() (*row, time.Time) {
	if len(t.dwell) != len(table) {
		t.dwell = make([]time.Time, len(table))
	}
	for _, i := range byPhase[t.phase] {
		r := &table[i]
		if !r.When.holds(t) {
			t.dwell[i] = time.Time{}
			continue
		}
		if t.dwell[i].IsZero() {
			t.dwell[i] = t.m.at
		}
		if since := t.dwell[i]; t.m.at.Sub(since) >= t.d.Limits.time(r.Held) {
			if r.Began.date != nil {
				since = r.Began.date(t, since)
			}
			return r, since
		}
	}
	return nil, time.Time{}
}

// began dates a change of phase back to where it began; without one it began when its
// condition began to hold. Whatever it says, no phase begins before the one before it.
type began struct {
	words string
	date  func(t *Tracker, held time.Time) time.Time
}

const (
	fillingLongest = 20 * time.Minute // a charge is not dated back further
	risingLongest  = 40 * time.Minute // nor a feed
	slopeLag       = 2 * time.Minute  // half of the window of the level's slope
)

var (
	now        = began{"at once", func(t *Tracker, _ time.Time) time.Time { return t.m.at }}
	vacuumLost = began{"when the vacuum was lost", func(t *Tracker, _ time.Time) time.Time { return t.lostAt }}
	lostOrHeld = began{"when the vacuum was lost, else when the condition began", func(t *Tracker, held time.Time) time.Time {
		if t.m.vac == no && t.lostAt.Before(held) {
			return t.lostAt
		}
		return held
	}}
	shotsBegan   = began{"when the first of these feeds began", func(t *Tracker, _ time.Time) time.Time { return t.shotsFrom }}
	fillingBegan = began{"when the level was zero, at its present rise", func(t *Tracker, held time.Time) time.Time {
		return held.Add(-min(fillingLongest, minutes(t.m.level.Value/t.m.short.Value)))
	}}
	footingBegan = began{"half the window of its slope before", func(_ *Tracker, held time.Time) time.Time { return held.Add(-slopeLag) }}
	risingBegan  = began{"when the level left the footing, at its rise in a quarter of an hour", func(t *Tracker, held time.Time) time.Time {
		if long, ok := t.slope(t.m.at, 15*time.Minute); ok && long > 0.03 {
			return t.m.at.Add(-min(risingLongest, minutes((t.m.level.Value-t.plateau)/long)))
		}
		return held
	}}
	standingBegan = began{"half the window of its slope before", func(t *Tracker, held time.Time) time.Time { return held.Add(-t.standWindow() / 2) }}
	emptyingBegan = began{"when the level left its highest, at its present fall", func(t *Tracker, held time.Time) time.Time {
		s, _ := t.slope(t.m.at, slopeLag)
		return held.Add(-slopeLag/2 - minutes(t.limit(EmptyingBy)/max(1, -s)))
	}}
)

func minutes(x float64) time.Duration { return time.Duration(x * float64(time.Minute)) }

func (t *Tracker) footingIn() bool {
	return t.m.short.OK && t.rise > t.limit(FillingRate) && t.m.short.Value < t.limit(FootingSlowed)*t.rise
}

// enough is how many samples, 15 s apart, make a median of the steam.
const enoughToRise, enoughToFall = 5, 21

func (t *Tracker) steamUp() bool {
	base, ok := t.steamMedian()
	now, least := t.m.inputs.SteamTH, t.d.least(SteamLeast)
	if !now.OK {
		now, least = t.m.inputs.SteamValvePct, t.limit(ValveOpen)
	}
	return now.OK && ok && len(t.steams) >= enoughToRise && now.Value > max(t.limit(SteamUp)*base, base+least)
}

func (t *Tracker) steamCut() bool {
	base, ok := t.steamMedian()
	now := t.m.inputs.steam()
	return now.OK && ok && len(t.steams) >= enoughToFall && now.Value < t.limit(SteamCut)*base
}

func (t *Tracker) risen(by Limit) bool {
	return t.m.level.OK && t.m.level.Value > t.plateau+t.limit(by)
}

// standWindow is over how long the level must stand: an eighth of the feed so far.
func (t *Tracker) standWindow() time.Duration {
	return min(30*time.Minute, max(8*time.Minute, t.m.in/8))
}

func (t *Tracker) stands() bool {
	if !t.m.level.OK || t.m.in <= 0 {
		return false
	}
	mean := (t.m.level.Value - t.fedFrom) / t.m.in.Minutes()
	s, ok := t.slope(t.m.at, t.standWindow())
	return ok && mean > 0 && s < t.limit(StandsSlowed)*mean
}

func (t *Tracker) emptying() bool {
	if !t.m.level.OK {
		return false
	}
	s, ok := t.slope(t.m.at, slopeLag)
	return ok && s < -t.limit(EmptyingRate) && t.m.level.Value < t.peak-t.limit(EmptyingBy)
}

func (t *Tracker) cooled() bool {
	c := t.m.inputs.MassecuiteC
	return c.OK && t.hottest > t.limit(MassecuiteHot) && c.Value < t.hottest-t.limit(CooledBy)
}

// boilsWater needs something in the pan: an empty one is as warm as its vapour.
func (t *Tracker) boilsWater() bool {
	if t.m.vac != yes || t.m.steam == no || !(t.m.level.OK && t.m.level.Value > t.limit(FootingLeast) || !t.m.level.OK && t.m.steam == yes) {
		return false
	}
	if b := t.m.inputs.MassecuiteBrix; b.OK && b.Value > t.limit(WashBrix) {
		return false
	} else if b.OK {
		return true
	}
	e := t.m.elevation()
	return e.OK && math.Abs(e.Value) < t.limit(WashElevation)
}

func (t *Tracker) boilsLiquor() bool {
	e := t.m.elevation()
	return t.m.vac == yes && t.m.level.OK && t.m.level.Value > t.limit(FootingLeast) && e.OK && e.Value > t.limit(LiquorElevation)
}
