package evaporator

import "calandria/plant/words"

// Why is the reason of an absent or assumed result. Its words are in the table
// below and nowhere else.
type Why uint8

// The reasons.
const (
	NoReason Why = iota
	NotFinite
	Out
	NoBodies
	NoVapour
	NoChest
	NoDifference
	BetweenRungs
	BesideRung
	NoJuice
	NoFeedBrix
	NoSyrupBrix
	NoFeedC
	FeedCAssumed
	NoBleed
	NoSuchEffect
	SyrupBelowFeed
	NeedsVapourPair
	NeedsChestPair
	NeedsJuiceC
	NoBrixReading
	NoTubeLength
	NoLevel
	NoDensity
	NoHead
	NoMeter
	MeterUsed
	NeedsSyrupFlow
	NeedsAllStreams
	NotPredicted
	ByCount
	ByApparent
	JuiceBySyrup
	FeedBySyrup
	SyrupByFlows
	JuiceBySteam
	SyrupBySteam
	BleedBySteam
	BleedByProfile
	BeyondElevation
	BeyondHeat
	Dry
	NegativeBleed
	BleedClosed
	BrixFalls
	NoEvaporation
	Unsolved
	TooUncertain
	// Leads: words of the caller's own follow.
	BeyondSource
	Purer
	NotInSight
	Shared
	leads = BeyondSource
)

var whyWords = [...]words.Text{
	NoReason:        "",
	NotFinite:       "the readings give no finite value",
	Out:             "out of service",
	NoBodies:        "no body in service",
	NoVapour:        "no usable vapour-space pressure, vapour temperature or next chest pressure",
	NoChest:         "no usable chest pressure, upstream vapour pressure or chest temperature",
	NoDifference:    "no temperature difference left between chest and juice",
	BetweenRungs:    "vapour temperature not measured: taken between its neighbours for the balance only",
	BesideRung:      "vapour temperature taken from the body beside it",
	NoJuice:         "no usable juice flow, and no syrup flow with both Brix to find it from",
	NoFeedBrix:      "no usable feed Brix, and no syrup flow with syrup Brix and juice flow to find it from",
	NoSyrupBrix:     "no usable syrup Brix and no steam flow to find it from",
	NoFeedC:         "no usable feed temperature",
	FeedCAssumed:    "feed temperature assumed from the design",
	NoBleed:         "bleed flow not measured",
	NoSuchEffect:    "no body of this effect in service",
	Shared:          "vapour shared between parallel bodies by surface and temperature difference: neither condensate flows nor an outage has told them apart",
	SyrupBelowFeed:  "syrup Brix is not above feed Brix",
	NeedsVapourPair: "needs vapour pressure and vapour temperature",
	NeedsChestPair:  "needs chest pressure and chest temperature",
	NeedsJuiceC:     "needs juice temperature and vapour pressure",
	NoBrixReading:   "no measured Brix after this body",
	NoTubeLength:    "tube length not given",
	NoLevel:         "no usable level",
	NoDensity:       "outside the range of the density equation",
	NoHead:          "outside the range of the hydrostatic head",
	NoMeter:         "no usable steam flow",
	MeterUsed:       "the steam flow is already used by the calculation",
	NeedsSyrupFlow:  "no usable syrup flow",
	NeedsAllStreams: "needs juice flow, feed Brix, syrup flow and syrup Brix, all measured",
	NotPredicted:    "not part of a prediction",
	ByCount:         "by the Rillieux count, without heat balances",
	ByApparent:      "share of the apparent difference: no Brix profile for the elevation",
	JuiceBySyrup:    "juice flow from syrup flow and both Brix",
	FeedBySyrup:     "feed Brix from syrup flow, syrup Brix and juice flow",
	SyrupByFlows:    "syrup Brix from juice flow, feed Brix and syrup flow",
	JuiceBySteam:    "juice flow from the steam flow and both Brix",
	SyrupBySteam:    "syrup Brix from the steam flow",
	BleedBySteam:    "bleed by balance from the steam flow",
	BleedByProfile:  "bleed by balance from the Brix profile",
	BeyondElevation: "the boiling-point elevation equation does not reach the calculated Brix or pressure",
	BeyondHeat:      "a temperature or Brix is outside the range of the heat equations",
	Dry:             "the balance would boil the juice dry: flow, Brix, steam or bleed readings contradict each other",
	NegativeBleed:   "the balance leaves a bleed below zero: flow, Brix, steam or bleed readings contradict each other",
	BleedClosed:     "taken as closed: the steam flow leaves nothing for it",
	BrixFalls:       "the Brix does not rise here, though a bleed without a meter needs it: a Brix reading is wrong",
	NoEvaporation:   "the balance leaves no evaporation here: flow, Brix, steam or bleed readings contradict each other",
	Unsolved:        "the balances were not solved, which is a fault of the program and of no instrument",
	TooUncertain:    "too uncertain: a reading off by one standard deviation leaves no value",
	BeyondSource:    "beyond the range of the equation's source",
	Purer:           "purer liquor than in a compartment before, but it must fall along the pan: a wrong reading or sample",
	NotInSight:      "the limit is not in sight",
}

// Words returns the words.
func (w Why) Words() words.Text { return whyWords[w] }
