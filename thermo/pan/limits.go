package pan

import (
	"fmt"
	"math"
	"time"

	"calandria/plant/words"
)

// Limit names one figure by which the phases of a strike are told apart.
type Limit uint8

// The limits, in the order in which a strike meets them. LimitSpecs has their words.
const (
	NoLimit Limit = iota // nothing to wait for
	VacuumBelow
	VacuumBroken
	ValveOpen
	SeedOn
	FeedLeast
	SteamLeast
	MassecuiteHot
	EmptyBelow
	ResidueBelow
	FilledAbove
	VacuumHeld
	FillingRate
	FillingFrom
	FillingHeld
	ChargeLeast
	FootingLeast
	FootingSlowed
	FootingHeld
	FootingStill
	StillRate
	StillAfter
	SteamUp
	SteamUpHeld
	FeedHeld
	FedAtLevel
	RisenBy
	RisenShut
	RisenHeld
	FullAbove
	FeedShutHeld
	FedAgainHeld
	SteamCut
	SteamCutHeld
	StandsAbove
	StandsSlowed
	StandsAfter
	StandsHeld
	CutOverBy
	DischargeHeld
	DischargeVacuumHeld
	VacuumLostHeld
	VacuumLostLongest
	EmptyingRate
	EmptyingBy
	EmptyingHeld
	RegainedLevel
	RegainedHeld
	EmptyHeld
	EmptyOpenHeld
	ShutHeld
	HotHeld
	NextVacuumHeld
	DropLongest
	CooledBy
	CooledHeld
	SteamOutUnseen
	SteamOutLongest
	WashElevation
	WashBrix
	WashHeld
	LiquorElevation
	LiquorHeld
	StrikeLeast
	limitCount
)

// LimitSpec is what a limit means. A site may set it for a pan in plant.yaml, under
// strike_limits.
type LimitSpec struct {
	Name      string
	Unit      string // "s" and "min" are times
	Default   float64
	Low, High float64 // what a site may set
	Meaning   string
	Source    string
}

const (
	trade = "common practice, no source"
	ours  = "ours"
)

// LimitSpecs has the words and figures of every limit.
var LimitSpecs = [limitCount]LimitSpec{
	VacuumBelow:         {"vacuum_below_kpa", "kPa", 60, 20, 95, "the pan is under vacuum below this absolute pressure", trade},
	VacuumBroken:        {"vacuum_broken_kpa", "kPa", 70, 25, 110, "the vacuum is broken above this absolute pressure", trade},
	ValveOpen:           {"valve_open_pct", "%", 5, 0.5, 50, "a valve is open above this opening", trade},
	SeedOn:              {"seed_on_pct", "%", 50, 1, 99, "the seed is drawn in while its signal is above this", ours},
	FeedLeast:           {"feed_least_pct_h", "%/h", 2, 0.1, 20, "the feed flows above this part of a full strike in an hour; 1 t/h where the volume is not known: the zero of its meter", ours},
	SteamLeast:          {"steam_least_pct_h", "%/h", 0.6, 0.05, 10, "the steam flows above this part of a full strike in an hour; 0.3 t/h where the volume is not known", ours},
	MassecuiteHot:       {"hot_c", "degC", 82, 65, 110, "no massecuite under vacuum is as hot: the pan is steamed out", trade},
	EmptyBelow:          {"empty_pct", "%", 4, 0, 30, "the pan is empty below this level", ours},
	ResidueBelow:        {"residue_pct", "%", 15, 1, 50, "what is in the pan below this level is no massecuite to boil on", ours},
	FilledAbove:         {"filled_pct", "%", 10, 1, 50, "nothing was boiled if the level was never above this", ours},
	VacuumHeld:          {"vacuum_held_s", "s", 45, 0, 1800, "vacuum for so long begins a charge", ours},
	FillingRate:         {"filling_rate_pct_min", "%/min", 0.25, 0.02, 20, "the pan fills while the level rises faster than this", ours},
	FillingFrom:         {"filling_from_pct", "%", 7, 0, 50, "the pan has begun to fill above this level", ours},
	FillingHeld:         {"filling_held_s", "s", 60, 0, 1800, "a level that rises for so long begins a charge", ours},
	ChargeLeast:         {"charge_least_min", "min", 3, 0, 120, "no charge is shorter", ours},
	FootingLeast:        {"footing_pct", "%", 10, 2, 70, "no footing is less", trade},
	FootingSlowed:       {"footing_slowed", "", 0.3, 0.02, 0.9, "the footing is in when the level rises at less than this part of its fastest", ours},
	FootingHeld:         {"footing_held_s", "s", 30, 0, 1800, "the level has stood for so long", ours},
	FootingStill:        {"footing_still_pct", "%", 15, 2, 70, "a footing that nobody saw coming is at least this", ours},
	StillRate:           {"still_rate_pct_min", "%/min", 0.15, 0.01, 5, "a level stands still if it moves slower than this", ours},
	StillAfter:          {"still_after_min", "min", 12, 0, 240, "so long into a charge a level that stands still is the footing", ours},
	SteamUp:             {"steam_up", "", 1.8, 1.05, 10, "without a level the footing is in when the steam is above this many times its median in the charge", ours},
	SteamUpHeld:         {"steam_up_held_s", "s", 45, 0, 1800, "the steam is up for so long", ours},
	FeedHeld:            {"feed_held_s", "s", 45, 0, 1800, "the feed is open for so long: it is on", ours},
	FedAtLevel:          {"fed_at_level_pct", "%", 60, 10, 100, "feed above this level is no footing any more", ours},
	RisenBy:             {"risen_pct", "%", 4, 0.5, 50, "without a tag of the feed it is on when the level is so much above the footing", ours},
	RisenShut:           {"risen_shut_pct", "%", 8, 0.5, 50, "the same while the known feed valve is shut: fed through another", ours},
	RisenHeld:           {"risen_held_s", "s", 90, 0, 1800, "the level is above the footing for so long", ours},
	FullAbove:           {"full_pct", "%", 80, 30, 110, "the pan is full above this level: it may be tightened", trade},
	FeedShutHeld:        {"feed_shut_held_min", "min", 5, 0, 240, "the feed is shut for so long with a full pan: tighten", ours},
	FedAgainHeld:        {"fed_again_held_min", "min", 4, 0, 240, "the feed is open again for so long in all, pauses shorter than feed_shut_held_min between: it was not the end", ours},
	SteamCut:            {"steam_cut", "", 0.7, 0.05, 0.98, "without a tag of the feed: the steam is below this part of its median while fed", ours},
	SteamCutHeld:        {"steam_cut_held_min", "min", 4, 0, 240, "the steam is cut back for so long", ours},
	StandsAbove:         {"stands_above_pct", "%", 88, 30, 110, "without a tag of the feed: a level that stands is the end of the feed above this", ours},
	StandsSlowed:        {"stands_slowed", "", 0.4, 0.02, 0.95, "the level stands if it rises at less than this part of its mean while fed", ours},
	StandsAfter:         {"stands_after_min", "min", 10, 0, 240, "no feed is shorter", ours},
	StandsHeld:          {"stands_held_min", "min", 2, 0, 240, "the level stands for so long", ours},
	CutOverBy:           {"cut_over_pct", "%", 15, 3, 80, "a level that falls so far under vacuum was cut over to another pan", ours},
	DischargeHeld:       {"discharge_held_s", "s", 10, 0, 1800, "the discharge is open for so long: drop", ours},
	DischargeVacuumHeld: {"discharge_vacuum_held_s", "s", 180, 0, 3600, "the same under vacuum, where its switch may be wrong", ours},
	VacuumLostHeld:      {"vacuum_lost_held_s", "s", 45, 0, 3600, "the vacuum is broken for so long with the steam off: drop", ours},
	VacuumLostLongest:   {"vacuum_lost_longest_s", "s", 300, 0, 7200, "the vacuum is broken for so long whatever the steam does: drop", ours},
	EmptyingRate:        {"emptying_rate_pct_min", "%/min", 1.5, 0.1, 50, "the pan empties while the level falls faster than this", ours},
	EmptyingBy:          {"emptying_pct", "%", 8, 1, 50, "and is so much below its highest", ours},
	EmptyingHeld:        {"emptying_held_s", "s", 20, 0, 1800, "the level falls fast for so long: drop", ours},
	RegainedLevel:       {"regained_level_pct", "%", 50, 10, 110, "vacuum again above this level: the strike was not dropped", ours},
	RegainedHeld:        {"regained_held_s", "s", 120, 0, 3600, "the vacuum is back for so long", ours},
	EmptyHeld:           {"empty_held_s", "s", 30, 0, 3600, "the pan is empty for so long with the discharge shut: steam-out", ours},
	EmptyOpenHeld:       {"empty_open_held_s", "s", 300, 0, 3600, "the pan is empty for so long with the discharge open, or its level stands so long at a residue: steam-out", ours},
	ShutHeld:            {"shut_held_s", "s", 45, 0, 3600, "without a level: the discharge is shut again for so long: steam-out", ours},
	HotHeld:             {"hot_held_s", "s", 30, 0, 3600, "the pan is hot for so long: steam-out", ours},
	NextVacuumHeld:      {"next_vacuum_held_s", "s", 60, 0, 3600, "vacuum for so long after a drop begins the next charge", ours},
	DropLongest:         {"drop_longest_min", "min", 60, 5, 600, "no drop is longer: the strike is closed, also where no tag shows its end", trade},
	CooledBy:            {"cooled_k", "K", 5, 0.5, 50, "steam-out is over when the pan is so much below its hottest", ours},
	CooledHeld:          {"cooled_held_s", "s", 60, 0, 3600, "the pan is cooler for so long", ours},
	SteamOutUnseen:      {"steam_out_unseen_min", "min", 20, 1, 600, "without a thermometer steam-out is taken for over after so long", trade},
	SteamOutLongest:     {"steam_out_longest_min", "min", 120, 5, 1440, "no steam-out is longer", trade},
	WashElevation:       {"wash_elevation_k", "K", 1.2, 0.1, 6, "what boils at less than this above water, the thermometer's offset taken off, is water: the pan is washed out", ours},
	WashBrix:            {"wash_brix", "Bx", 20, 2, 50, "what is thinner than this is water", ours},
	WashHeld:            {"wash_held_min", "min", 6, 0, 240, "water boils for so long: wash-out", ours},
	LiquorElevation:     {"liquor_elevation_k", "K", 3, 0.2, 15, "what boils at more than this above water is liquor: it was no wash-out", ours},
	LiquorHeld:          {"liquor_held_min", "min", 3, 0, 240, "liquor boils for so long", ours},
	StrikeLeast:         {"strike_least_min", "min", 20, 0, 600, "what was shorter from charge to drop is no strike: a pan that was rinsed or whose vacuum was tried", ours},
}

// Limits are the figures of one pan. The zero value has none: see [DefaultLimits].
type Limits [limitCount]float64

// DefaultLimits are those of a pan for which the site sets none.
func DefaultLimits() (l Limits) {
	for i, s := range LimitSpecs {
		l[i] = s.Default
	}
	return l
}

// LimitNamed finds a limit by the name that plant.yaml uses.
func LimitNamed(name string) (Limit, bool) {
	for i := NoLimit + 1; i < limitCount; i++ {
		if LimitSpecs[i].Name == name {
			return i, true
		}
	}
	return NoLimit, false
}

// LimitNames lists the names of all limits.
func LimitNames() (names []string) {
	for i := NoLimit + 1; i < limitCount; i++ {
		names = append(names, LimitSpecs[i].Name)
	}
	return names
}

// Set changes one limit. An error says what range it has.
func (l *Limits) Set(which Limit, v float64) error {
	s := &LimitSpecs[which]
	if !(v >= s.Low && v <= s.High) {
		return fmt.Errorf("%g is not within %g to %g %s", v, s.Low, s.High, s.Unit)
	}
	l[which] = v
	return nil
}

// Check finds limits that contradict each other; empty if none do.
func (l *Limits) Check() words.Text {
	for _, p := range [][2]Limit{{VacuumBelow, VacuumBroken}, {EmptyBelow, ResidueBelow}, {WashElevation, LiquorElevation}, {FootingLeast, FullAbove}} {
		if !(l[p[0]] < l[p[1]]) {
			return words.Say("%s (%g) must be below %s (%g)", LimitSpecs[p[0]].Name, l[p[0]], LimitSpecs[p[1]].Name, l[p[1]])
		}
	}
	return ""
}

// time is a limit that is a time.
func (l *Limits) time(which Limit) time.Duration {
	unit := time.Second
	if LimitSpecs[which].Unit == "min" {
		unit = time.Minute
	}
	return time.Duration(math.Round(l[which] * float64(unit)))
}
