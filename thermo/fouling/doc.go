// Package fouling follows the scale in an evaporator body: how much there is,
// how it grows, when the cleaning limit will be met, how long a cycle pays, and
// which body of a set to clean on which day.
//
//	resistance    Resistance, ResistanceOfScale
//	condition     Shape, Dependence           U taken to one heating, Brix and level
//	models        Model, Fit, Choose          linear, log, power, asymptotic, 1/U^2
//	following     Tracker                     cycles, cleanings, prior of the body
//	forecast      Forecast, Tracker.Forecast  day of the limit with its band
//	cycle         MaxThroughput, MinCost ...  the optimum boiling time
//	set           MakePlan                    which body, which day
//	output        Plan.WriteText, WriteCSV, WriteCalendar
//
// U is in kW/(m2 K), resistance in m2 K/kW (1e-4 m2K/W is 0.1 m2K/kW), times
// inside a cycle in days. The package is arithmetic: no clock, no file, no
// import of the rest of the program.
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

// Notice stands on every output of this package.
const Notice = "Planning information only. It is not a permission to isolate, open or enter a vessel; site procedures, permits and local law decide."
