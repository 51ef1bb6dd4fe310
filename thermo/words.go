package thermo

// The words of the views: why a value is absent, what was assumed, what an instrument
// or a condenser seems to have. Another language is another such file; words of single
// formulas stand in the words.go of their packages. In a format the order of the
// values is kept.

// Any value.
const (
	noNumber    = "the readings do not go together: no number comes out"
	implausible = "comes out as %.4g, outside the plausible %g to %g: check its inputs (%s)"
	frozenWords = "%s has not moved for long: frozen?"
)

// A set, and what its note says.
const (
	juiceBeyond     = "juice properties beyond the range of their equations' sources"
	densityBeyond   = "density beyond the range of its equation's source"
	heatBeyond      = "heat of the juice to the set or its heaters beyond the range of its equation's source"
	massAtUsual     = "volume flow turned into mass at the usual temperature: its thermometer is not usable"
	lossTaken       = "heat loss taken as %.1f %% of the duties by the balances of the set (%g as configured)"
	bleedConfigured = "bleed %s taken as %s, as configured"
	bleedTaken      = "bleed %s taken as %s by the balances of the set (%s as configured)"
	withFixed       = "with fixed values: %s"
)

// A set that moves.
const (
	setMoved        = "the set has moved (%s): settles in about %d min"
	holdUnknown     = "what the bodies hold is not known yet: settles in about %d min"
	whatBodiesStore = "what the bodies store"
	outOfService    = "out of service"
	notFollowed     = "not followed before"
)

// U, clean U and the ratio.
const (
	differenceBelow = "the temperature difference is below %s: U would be little but the error of its instruments"
	noReference     = "no reference yet: give reference_brix and reference_chest_c, or it is learned in hours 6 to 30 after a cleaning"
	beyondFormula   = "Brix or calandria temperature beyond the range of the formula of clean U"
	cleanLearned    = "learned: the usual state after a cleaning, the trends carried back to it"
	noCleanU        = "no clean_u_w_m2k in the configuration, no cleaning seen, and no Brix or calandria temperature for a formula"
	uNotPositive    = "U is not positive"
	cleanUByFormula = "clean U is not known yet, and the formula is good to a fifth only: give clean_u_w_m2k, or record a cleaning"
	heldText        = "as it was before the set moved"
)

// Clean U by formula.
const (
	byDessin  = "by the Dessin formula, for want of clean_u_w_m2k"
	bySwedish = "by the Swedish formula, for want of clean_u_w_m2k"
)

// Scale.
const (
	noCleaning = "no cleaning has been recorded or found yet"
	noHour     = "no hour of U since the start"
)

// Instruments against each other by the balances.
const (
	noWindow            = "no window has been gathered yet"
	notSteady           = "the set is not steady: %s changed by %.3g in %d min"
	bodiesChanged       = "bodies came or went: a new window is gathered"
	gathering           = "a window of %d min is gathered"
	forLong             = "%s, for long"
	sinceThen           = "as of %s, since then %s: %s"
	leftOutFrozen       = "%s left out: it has not moved for long"
	leftOutAtEnd        = "%s left out: at the end of its range"
	checksOver          = "%d checks over %d min"
	meanOver            = "mean over %d min"
	oneWindow           = "two windows are needed, one is there"
	lastWindowSays      = "the readings contradict each other; the last window alone says: %s"
	nobodyExplains      = "the readings contradict each other, but no single instrument explains it"
	allAgree            = "the readings agree within their accuracy"
	flashOtherwise      = "all readings would agree with condensate_flash: %v and exhaust_condensate_flash: %v in the plant file"
	noReadingOrAccuracy = "no usable reading of this, or its accuracy is not stated"
	grossError          = "the readings contain a gross error, which would be spread over the others"
	nothingChecks       = "nothing checks this reading"
	readsSome           = "%s seems to read %s, by how much cannot be said"
	readsBy             = "%s seems to read %s %s (± %s)"
	orItIs              = "%s, or it is %s: the balances cannot tell them apart"
	orWord              = " or "
	andMore             = "%s (%s and %d more)"
)

// Instruments that read one thing.
const (
	byUsualDifference = "%s, by its usual difference from the others"
	gasDoesSo         = "gas in the calandria does the same"
	bypassDoesSo      = "juice that by-passes the heater does the same"
)

// A condenser.
const (
	noVessel            = "no vessel names this condenser"
	noVapourComes       = "no vapour comes"
	noTailWater         = "no usable tail-water temperature"
	noWaterTemperatures = "no usable injection- or tail-water temperature"
	noFlows             = "no vapour flow, and no water flow"
	waterNotWarmer      = "the water does not warm up: no vapour is condensed, or a thermometer is wrong"
	tailWaterTooWarm    = "the tail water is warmer than the vapour, or a reading is beyond the steam table: check pressure and thermometers"
	noVapour            = "no vapour comes: the vessels on this condenser are at rest"
)

// Lost vacuum.
const (
	noNormal       = "no normal running has been seen yet: give normal: in the configuration, or it is learned in two hours"
	vacuumNeeds    = "needs vapour pressure and both water temperatures"
	condenserIdle  = "the condenser is not at work"
	normalLearning = "normal running is being learned: two hours, or give normal: in the configuration"
	explainsPart   = "explains %s of %s"
	explainsMore   = "would explain %s, more than the %s there are, the rest being offset by more water or less vapour"
	evidenceWords  = "%s %s, normally %s"
	causeWords     = "%s %s (%s above normal): %s; look first at: %s"
)

// Velocity of the vapour.
const (
	noVapourByBalance = "the balances give no vapour"
	noVelocity        = "the balances and the pressure give no velocity: check the vapour pressure"
)

// Cane.
const (
	noCaneRate     = "no usable cane_rate"
	nothingCrushed = "nothing is crushed"
)

// A pan and a compartment; the words of strikes are in package pan.
const (
	noPressureWords    = "no usable vapour pressure"
	pressureBeyond     = "the vapour pressure is outside the steam table"
	aPressureBeyond    = "a pressure is outside the steam table"
	chestBeyond        = "the chest pressure is outside the steam table"
	noMassecuiteC      = "no usable massecuite temperature"
	notBoiling         = "the pan is not boiling"
	compartmentDry     = "the compartment is dry"
	vacuumMoves        = "the vacuum moves, the thermometer lags behind it"
	purityConfigured   = "purity by liquor_purity_pct of the configuration"
	purityByTime       = "purity by liquor_purity_pct and the time in the strike, for want of a level"
	purityMidway       = "purity midway of liquor_purity_pct, for want of a level"
	noLiquorBoilsSo    = "no liquor boils so: the elevation or the purity is beyond the equation; a wrong instrument?"
	notAboveWater      = "the massecuite is not above the boiling point of water at this pressure: not boiling, or a wrong instrument"
	eitherBeyondSource = "this or the supersaturation is beyond the range of its equation's source"
	liquorBeyond       = "Brix, purity or temperature of the liquor is beyond the equation: a wrong instrument?"
	noLiquorPurity     = "no purity of the mother liquor: give a liquor_purity tag or liquor_purity_pct"
	noStrikeRuns       = "no strike is running"
	phaseUntold        = "the phase cannot be told: %s"
	noSteamForWater    = "the evaporation is not known: no steam flow"
	waterTooLittle     = "too little: the steam flow was not known for a part of the strike"
	vapourTakenAs      = "heating vapour taken to be of %s: no usable chest pressure"
	offsetByFeed       = "by the usual supersaturation of the feed, taken to be 1.10: elevation and purity are in it"
	elevationUnlearned = "needs five whole strikes and two wash-outs with water"
	fewStrikesWithU    = "fewer than nine whole strikes with a U in three weeks"
	fewStrikes         = "fewer than nine whole strikes in three weeks"
	noChestPressure    = "no usable chest pressure"
	noSteamFlow        = "no usable steam flow"
	noSurface          = "no heating surface in the configuration"
	differenceTooSmall = "the temperature difference is too small"
	noSteamFlows       = "no steam flows"
	byUOfStrikeBefore  = "by U of the strike before in the same phase: no usable steam flow"
	noMassecuiteBrix   = "no usable massecuite Brix"
	thinnerThanLiquor  = "the massecuite is thinner than its liquor: a spindle Brix, or a wrong purity"
	moreCrystalBefore  = "more crystal in the compartment before: dissolving, or a wrong reading"
	noSeedFlow         = "no usable seed flow"
	noMassecuiteFlow   = "no usable massecuite flow"
	noMassecuiteLeaves = "no massecuite leaves the pan"
	noSeedRatio        = "seed and massecuite flow give no ratio: a wrong meter?"
	chestTakenFrom     = "calandria taken to be at the vapour of %s"
	throttledLowers    = "%s: a throttled valve would lower it"
	unlearned          = "not known: it needs five whole strikes of this grade, and a phase of a strike"
)
