// Package fouling follows the scale in an evaporator body: how much there is,
// how it grows, when the cleaning limit will be met, how long a cycle pays, and
// which body of a set to clean on which day.
//
//	condition     Shape, Dependence           U taken to one heating, Brix, flux and level
//	laws          Kind                        linear, log, power, asymptotic, 1/U^2
//	following     Tracker                     cycles, cleanings, what the body taught
//	forecast      Forecast, Tracker.Forecast  ratio, and day of the limit with its band
//	cycle         BestBoiling, MaxThroughput  the best boiling time
//	set           MakePlan, LearnHabit        which body, which day, which stop
//	words         words.go                    every text of the package
//
// U is in kW/(m2 K), resistance in m2 K/kW (1e-4 m2K/W is 0.1 m2K/kW), times
// inside a cycle in days. The package is arithmetic: no clock, no file, no
// import of the rest of the program.
//
// # Clean, ratio, limit, restored
//
// Each has one meaning, wherever it is shown:
//
//   - Reference: one Brix, calandria temperature, level and heat flux, at which U is
//     quoted: the plant file's, else that of hours 6 to 30 after the first cleaning seen.
//   - Clean U: U of the body at the reference, free of scale: the site's record, else
//     the usual state after a cleaning, the mean over the cycles of U at the cleaning,
//     their trends carried back to it. It is not known before a first cleaning, and has
//     a sigma: the spread of the cleanings and what each cycle leaves open, or
//     [RecordSigma] of a record.
//   - Ratio ("% of clean"): U of the trend at the reference over clean U. A single hour
//     is not the trend.
//   - Limit: the ratio at which cleaning is due. It is met when the trend meets it.
//   - Restored: U at the last cleaning over clean U: how well that cleaning did.
//
// The sigma of clean U is in the ratio, the day and its band.
//
// # What it is not
//
// Everything here is planning information. It is never permission to open or
// enter a vessel, to isolate it or to mix chemicals: that is the business of
// the site's procedures and permits, of the local law, and of the people who
// hold the keys. See [Notice], which every output carries.
//
// # Scale, and what only looks like it
//
// Gas in a calandria, a flooded calandria, a wrong level, a wrong thermometer
// lower U too, within minutes or hours. Feed the tracker with values that have
// passed those tests; a fall much faster than scale can grow is reported as
// suspect (see [Forecast]) and is kept from bending the trend.
package fouling
