// Package thermo turns the readings of a boiling house into calculated tags.
//
// The physics stands in the packages below it, as formulas that know nothing
// of tags: steam (IAPWS-IF97), liquor (sugar solutions), evaporator (balances
// of a set), condenser, fouling, pan. This package holds the table of
// quantities, [Quantities], one row each with its source, and the [Calculator]
// that works through it once a scan. To add a calculated quantity, add a row.
//
// # From readings to values
//
// Readings are smoothed (first order, 60 s unless configured), volume flows
// turned into mass with the density of the liquor, the steam flow and its
// make-up added. Then the balances of the set are closed with whatever is
// usable: package evaporator says which readings are enough for what. A value
// says how it came about ([Value].How: measured, balanced, assumed, absent), why
// it is absent or what was assumed (Reason), and how uncertain it is (Sigma).
//
//   - Absent rather than wrong: a value outside what is plausible, or without its
//     inputs, has no number and a reason in words. No U below a temperature
//     difference of min_difference_k: it would be little but error.
//   - Uncertain: a reading was Uncertain, or an instrument has stopped to move that
//     used to (frozen), also one of another vessel whose vapour goes in. A property
//     taken beyond the range of its source is named in the reason, and so is what the
//     configuration says in place of an instrument.
//   - Sigma is one standard deviation that follows from the stated accuracies of the
//     instruments: for a set propagated through the whole calculation once a minute,
//     for pans and condensers at every step. What is too uncertain to be a number is
//     absent. Errors of the model, such as the heat loss assumed, are not in it. It is
//     0 where nothing states an accuracy, and by design for times, phases, sums of a
//     strike, and what compares an instrument with itself: the causes of a poor
//     vacuum, the forecasts of scale (which have a band), changes from strike to
//     strike.
//
// # While a set moves
//
// After a change the bodies store juice, solids and heat or give them up. The balances
// count it: what a body holds follows from its surface and level, its Brix is measured or
// goes by the washing-out of a well-mixed vessel. So that a step of the juice does not
// come before its answer in the syrup, juice flow and feed Brix enter two minutes late
// (juice_in_flow is shown as read). On plants simulated apart from the balances the error
// of U in usual disturbances fell to a half: 95 % of means of ten minutes are within
// 1.6 % (4 % before).
//
// What is stored is known to about a third, so a set that moves is marked, with what
// moved and for how long in the reason, and settled of a body is 0:
//
//   - Evaporation, syrup, steam and economy of the set, the flows and duty of the bodies
//     and their temperature differences, and what the condenser makes of the vapour, are
//     Uncertain, never absent: they are what an operator has to go by, and alarms that use
//     them go on. On those plants evaporation was within a tenth in nine of ten minutes of
//     upsets; while the juice is gone altogether it can be half off.
//   - U and what is made of it are Uncertain and as they were before the set moved, for two
//     hours, with a sigma that grows: a U of the moment can be half of what it is.
//   - A calculated Brix is Uncertain, and absent in an upset: somebody would steer by it. The
//     Brix that leaves with the syrup is a reading and stays.
//   - Readings and what stands on pressures alone stay as they are.
//
// After a start or a gap nothing is known of what the bodies hold: all of the above is
// Uncertain for the residence time of the juice in the set, unless
// [Calculator.Follow] has lived through the time before. Scale is followed by
// settled hours only.
//
// # U, clean U and scale
//
// U is quoted on the difference of condensing temperature and boiling juice,
// elevation in, head not: the head stays inside U. It is made of the means of duty and
// difference over six minutes. Normalised U is what it would be at
// a reference Brix, calandria temperature and level: by the share of the Swedish formula
// that the body is found to follow ([fouling.Shape]), and by its level table. The
// reference is the site's, or the condition of hours 6 to 30 after the first cleaning
// seen. Scale is followed, and u_ratio formed, there. Clean U is the site's record, else
// what the trends of the cycles began with (their median), else the formula (within a
// fifth), and says which. Hourly medians go to the tracker of package fouling, which learns the
// shares, clean U and rate and foretells the day of the cleaning limit.
//
// # Instruments against each other
//
// Once a minute, while the set is steady, the means over three residence times
// of the juice are reconciled: whatever is measured twice over, by a meter and by
// the balances, is tested. reconciliation is the global statistic over its limit;
// gross_error comes with two of three windows that do not overlap, so some 35 minutes
// after a step, and [Calculator.Suspects] names the instrument, its apparent
// error and those that the balances cannot tell from it. One whose error could not be
// (an absolute pressure below zero, more than its range) is not named; one whose error is
// badly determined (below 4 standard deviations that are more than a tenth of its value
// or range) is named without a size. Frozen and saturated readings
// are left out and named. With an error standing there are no reconciled values: it
// would be spread over the good ones.
//
// A bleed that no meter shows is assumed to a fifth of its flow, and loss_pct to half a
// percent of the duties; both stand among the readings as such, and the windows without
// contradiction say what they are, the bleed over two hours, the loss over two days. The
// balances go on with that. So a heater that draws more as the pressure
// of its vapour rises does not pass for scale in the bodies behind it.
//
// A suspect whose test is below 4.5 standard deviations is named after three of four
// windows: disturbances of the juice come to as much.
//
// Instruments that read one thing are compared without a balance, every ten minutes: over
// each effect the vapour gauges of its bodies, their vapour and juice thermometers (these
// less the boiling-point elevation), and the chest gauges and thermometers of the next
// effect; on the steam side the same. First with what the formulas are good for (0.1 K a
// gauge, 0.3 K a chest thermometer, 0.15 K and a quarter of the elevation a vapour
// thermometer, 0.25 K, 15 % of the elevation and 30 % of the head a juice thermometer).
// Then, after six hours of comparing, less the difference that each usually has from the
// others (a memory of 36 h of running, whatever bodies come and go), with the scatter this
// shows: that finds a new error of some 0.3 to 0.5 K within half an hour to an hour. A new
// difference is not learned while it stands, for three days; after that it is the usual
// one, and only the first comparison remains. Meters and outlet thermometers of heaters
// are compared with the juice to the set by their usual difference alone, once they are
// seen to move with it (scatter of the difference below a quarter of the movement, less
// than 10 % or 1.5 K apart). Two instruments that alone read one thing are named together.
// A chest thermometer that reads low says gas as well, and by itself does not make
// gross_error 1. The usual differences are not kept over a restart of the program: for six
// hours the formulas stand alone, and an error that stands at the restart is then usual.
//
// What cannot be seen: an error in one of few instruments that nothing checks
// (without syrup flow and steam flow there is next to no redundancy; pressure and
// temperature of the steam where the first chest has no instrument of its own; levels,
// inlets of heaters, and outlets of heaters that do not feed the set), and errors
// smaller than some four standard deviations of the check. A drift slower than the memory
// is for the formulas only.
//
// # Vacuum
//
// The vapour temperature over a condenser is injection water + rise +
// approach. Compared with normal running (configured, or learned from two hours
// on, slowly while the vacuum is not normal) each change points to a cause:
// [Calculator.Vacuum] ranks them by the kelvin they explain. A normal learned while
// something is already wrong hides it: configure it where that matters.
//
// # Condensers
//
// The vapour is that of the pans that name the condenser and of the last effect at work of
// the sets that do, by their own balances, and as good as they are; a pan that does not
// boil and takes no steam sends none. A condenser without a pressure gauge takes the
// pressure of that last body, or of a pan that boils. While every vessel is known to be at
// rest (a set without steam and juice, a pan vented, cold or empty) there is no approach:
// it would be that of an open vessel. With it the water needed follows from the direct-contact balance, without it the
// duty from the water. The changes of vacuum against normal are above.
//
// # Pans
//
// The Brix of the mother liquor is its instrument's, else comes from the boiling-point
// elevation; the supersaturation comes from it and the purity, by its tag or as configured:
// then it counts as assumed, by the level or the time in the strike, good to a point at
// best. The supersaturation is never called
// better than 0.05. While the vacuum moves (0.4 kPa off its mean of a minute)
// the thermometer lags behind it, and what needs both is Uncertain. Evaporation is
// S lambda(chest)/lambda(pan), without loss, so U = S lambda(chest)/(A dT) with the head
// inside; none below 3 K. While a steam meter fails the evaporation goes by the U of the
// strike before in the same phase, and counts as assumed; without a gauge of the chest's
// own it is taken to be at the vapour that heats the pan, which a throttled valve makes
// too high: U and the difference count as assumed.
//
// The strikes of a batch pan are found by package pan; the water of a strike is the sum
// of its evaporation, Uncertain where that was not known for more than 3 min. Scale
// in its calandria shows from strike to strike (u_change, feed_time_change).
// What a pan usually does it learns from its strikes: supersaturation_departure and its like
// are absent before five whole ones.
// [Calculator.TakeFinished] gives each strike once, for the record, and
// [Calculator.RememberStrikes] takes the record back at a start. Strikes are compared with
// the most ordinary of the last ten, or with the one given to [Calculator.CompareWith]. A pan with
// compartments in its configuration is a continuous one: each compartment has its
// elevation, mother liquor, supersaturation and crystal from its own thermometer and the
// pressure of the vapour space they share; the pan has evaporation and U of the whole, on
// the mean temperature of the compartments that boil, and its seed ratio. Where the liquor
// is purer, by more than a point, or the crystal less, by more than 2 %, than in the nearest
// compartment before that is known, the value says so: along the pan sucrose goes into
// crystal. No strikes are looked for.
//
// # Use
//
// [New] adds the tags to the house. [Calculator.Step] takes a frame and a moment;
// the package has no clock, and the same frames give the same values. Within a
// minute a step of a set allocates nothing. The program advises: it is no
// safety system, and what it says about instruments, scale and vacuum is where to
// look first, under the site's procedures.
package thermo
