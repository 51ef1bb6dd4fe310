// Package thermo turns the readings of a boiling house into calculated tags.
//
// The physics stands in the packages below it, as formulas that know nothing
// of tags: steam (IAPWS-IF97), liquor (sugar solutions), evaporator (balances
// of a set), condenser, fouling, pan. This package holds the table of
// quantities, [Quantities], one row each, and the [Calculator] that works
// through it once a scan. To add a calculated quantity, add a row.
package thermo
