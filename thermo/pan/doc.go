// Package pan follows vacuum pans: the strikes of a batch pan, found by
// themselves from whatever tags there are, the state of the mother liquor, the
// evaporation and U over a strike, and the balances at its end. The compartments of a
// continuous pan use the same equations, one by one (package thermo).
//
//	mother liquor   MotherLiquor            Brix, supersaturation, zone, sensitivities
//	                Supersaturation         by the liquor's own Brix
//	strikes         Tracker, Strike         phases, profile, totals
//	phases          table.go, LimitSpecs    rows and limits; docs/strikes.md shows both
//	words           Code, Remark            all that a reader sees, in words.go
//	the usual       Habits, Tracker.Expected  what this pan does in this grade, and its spread
//	comparison      Compare, Usual          durations, U, Brix and supersaturation against another strike
//	scale           Scaling                 strike-to-strike U and time to full
//	the end         Strike.Weigh            crystal by the purities, masses by the solids
//	balances        Balance, CrystalByPurity, SJM
//	continuous      SeedRatio
//
// # Which tags suffice
//
// Every tag of [Inputs] may be missing or unusable for a while. A strike is
// found with any of these, and the more there are the surer its phases:
//
//	level and pressure or discharge valve     all phases
//	level alone                               all; drop by the falling level, steam-out ends after 20 min
//	pressure, feed valve or flow, steam       all; the footing's end shows by the steam
//	pressure and feed valve or flow           as above, but charge and concentrate are one
//	pressure and steam                        as above; feed and tighten told by the steam alone: charge, concentrate, drop
//	pressure alone                            a strike from its charge to its drop, no phases between
//	pressure, steam and feed valve  all but steam-out; charge ends when the steam is put on
//	none of level, pressure, discharge        no strike: the phase is Unknown, Missing says why
//
// Graining needs a tag of the seed (valve, pump or button); without it a seeded
// strike shows concentrate until the feed opens.
//
// The supersaturation needs vapour pressure, massecuite temperature and the
// purity of the mother liquor, and a vacuum that does not move; with a refractometer for
// the liquor's Brix it needs neither pressure nor a still vacuum; evaporation and U need a steam flow, U a chest
// pressure and the heating surface too.
//
// # Units
//
// Pressure in kPa absolute, temperatures in degC, differences in K, flows in
// t/h, masses in t, Brix and purity in %, U in kW/(m2 K). Massecuite Brix is
// refractometric dry substance; the spindle reads several points more in low
// grades. The package is arithmetic: time is an argument.
//
// Vacuum, steam and hot massecuite are dangerous. What is shown here advises;
// site procedures and the pan's own interlocks come first.
package pan
